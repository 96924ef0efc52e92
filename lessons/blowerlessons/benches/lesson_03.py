"""The benches of lesson 3, diagrams and the sequence of operation, and the values that its exercises expect.

Rule: every time and every voltage comes from playing the call on the bench; no number is typed in.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from matplotlib import pyplot
from matplotlib.figure import Figure
from msgspec.structs import replace

from blowerbench import LocalBench
from blowerbench import acts as a
from blowerbench.equipment import load_equipment
from blowerbench.faults import load_faults
from blowerbench.hands import Hands
from blowerbench.messages import label
from blowerbench.messages import translate as t
from blowerbench.units import ureg
from blowergrade import procedure
from blowerlessons.hands_on import measure, quietly

FURNACE = "furnace_120_constant_torque"
VARIANT = "lesson-03"

#: The limit string in the order in which the 24 V runs through it.
STRING = ("board.R", "limit.1", "limit.2", "aux.1", "aux.2", "rollout.1", "rollout.2", "board.LS")
#: The three contacts of that string, each as its two ends.
CONTACTS = (("limit.1", "limit.2"), ("aux.1", "aux.2"), ("rollout.1", "rollout.2"))
#: How long the heat call of the picture lasts, and how long we go on watching, in simulated seconds.
HEAT_SECONDS, WATCHED = 240, 420
#: What the furnace is doing while the blower stands still, by the board's own phase.
STAGES = {
    "inducer": "waiting for the pressure switch",
    "pre_purge": "pre-purge",
    "igniter": "igniter warm-up",
    "trial": "flame trial",
    "burning": "blower on-delay",
}
#: The faults of the comparison, each of which holds one safety switch open.
HELD_OPEN = ("limit_open", "pressure_open", "float_switch_open")


# ---------------------------------------------------------------------- benches
def hands(bench: LocalBench) -> Hands:
    """What the learner's hands have done on `bench` so far."""
    return bench.session.now.hands


def furnace(fault: str = "healthy_unit") -> LocalBench:
    """The lesson's furnace with `fault`, door on, nothing called, everything at rest."""
    bench = LocalBench(FURNACE, fault, complaint_for(fault), variant=VARIANT)
    quietly(bench, a.SetThermostat(call="off"), a.Wait(seconds=300))
    return bench


def complaint_for(fault: str) -> str:
    """The id of the first complaint that fits `fault`."""
    return load_faults(load_equipment(FURNACE)).faults[fault].complaints[0]


def opened_furnace() -> LocalBench:
    """The healthy furnace locked out, proved dead, its door off: what the drawings show."""
    bench = furnace()
    quietly(bench, *procedure.make_safe(bench.equipment, hands(bench)), a.SetDoor(on=False))
    return bench


def at_the_board(fault: str) -> LocalBench:
    """The furnace with `fault`: protected, meter proved, door off, door switch held in, a fan call on."""
    bench = furnace(fault)
    quietly(bench, *procedure.protect(), *procedure.prove_meter(bench.equipment), *procedure.lift(), a.SetDoor(on=False))
    quietly(bench, *procedure.call_and_hold(bench.equipment, hands(bench), "fan"))
    return bench


def one_open() -> LocalBench:
    """The furnace whose main limit stands open, ready for measuring at the limit string."""
    return at_the_board("limit_open")


def two_open() -> LocalBench:
    """The same furnace with the wire to LS taken off as well, done on a locked unit proved dead; ready for measuring."""
    bench = one_open()
    quietly(bench, *procedure.make_safe(bench.equipment, hands(bench)), a.LiftWire(wire="limit_return"))
    quietly(bench, *procedure.energise(bench.equipment, hands(bench)))
    return bench


# ---------------------------------------------------------------------- the sequence
def watched() -> list[tuple[int, dict[str, bool], str]]:
    """A heat call watched second by second: seconds since the call, what is on, and the stage the furnace is in."""
    bench, seen = furnace(), []
    plant, at_rest = bench.session.now.plant, hands(bench)
    for second in range(WATCHED):
        calling = replace(at_rest, thermostat="heat" if second < HEAT_SECONDS else "off")
        plant = bench.session.simulator.advance(plant, calling, 0.0 if second == 0 else 1.0)
        on = {
            "call": calling.thermostat == "heat",
            "inducer": plant.inducer_at <= plant.time,
            "igniter": plant.igniter_at <= plant.time,
            "gas": plant.gas_at <= plant.time,
            "blower": plant.motor in ("starting", "running"),
        }
        seen.append((second, on, STAGES.get(plant.heater, "") if not on["blower"] else ""))
    return seen


def part_names() -> dict[str, str]:
    """The words for the parts of `spans`."""
    return {
        "call": t("heat call"),
        "inducer": t("inducer"),
        "igniter": t("igniter"),
        "gas": t("gas valve"),
        "blower": t("blower"),
    }


def spans() -> dict[str, tuple[int, int]]:
    """For call, inducer, igniter, gas and blower: the seconds after the call at which it comes on and goes off."""
    seen = watched()
    return {name: _span([(s, on[name]) for s, on, _ in seen]) for name in seen[0][1]}


def _span(states: Sequence[tuple[int, bool]]) -> tuple[int, int]:
    on = [second for second, is_on in states if is_on]
    return on[0], next((second for second, is_on in states if second > on[-1] and not is_on), WATCHED)


def tell_spans() -> None:
    """Print when each part comes on and goes off, in seconds after the heat call."""
    names = part_names()
    for name, (on, off) in spans().items():
        print(t("{0}: on at {1} s, off at {2} s").format(names[name], on, off))


def seconds_to_blower() -> Any:
    """How long after a heat call the healthy blower starts (s)."""
    return ureg.Quantity(float(spans()["blower"][0]), "second")


def gas_to_blower() -> Any:
    """How long the blower waits after the gas valve opens (s)."""
    found = spans()
    return ureg.Quantity(float(found["blower"][0] - found["gas"][0]), "second")


def stage_at(second: int) -> str:
    """What the furnace is doing `second` s after a heat call, in the words of `STAGES`."""
    return next(stage for seen, _, stage in watched() if seen == second)


def outcome(fault: str, call: a.Call) -> str:
    """What the furnace with `fault` has come to four minutes into `call`: "nothing", or "blower" and what comes with it."""
    bench = furnace(fault)
    quietly(bench, a.SetThermostat(call=call), a.Wait(seconds=240))
    plant = bench.session.now.plant
    if plant.motor != "running":
        return "nothing"
    if plant.flame:
        return "blower, flame"
    return "blower, cooling" if plant.cold > 0.0 else "blower"


def tell_outcomes() -> None:
    """Print for the healthy furnace and with each switch of `HELD_OPEN` what runs on a fan, a heat and a cooling call."""
    calls: tuple[a.Call, ...] = ("fan", "heat", "cool")
    names = (t("nothing"), t("main limit"), t("pressure switch"), t("float switch"))
    print(f"{t('held open'):<17}" + "".join(f"{call:<17}" for call in calls))
    for name, fault in zip(names, ("healthy_unit", *HELD_OPEN), strict=True):
        print(f"{name:<17}" + "".join(f"{outcome(fault, call):<17}" for call in calls))


# ---------------------------------------------------------------------- hopscotch
def to_common(bench: LocalBench, function: a.Function = "volts_ac") -> dict[str, Any]:
    """Volts AC of each point of the limit string to C; leads off afterwards."""
    found = {label("terminal", point, bench.equipment): measure(bench, point, "board.C", function) for point in STRING}
    quietly(bench, *procedure.lift())
    return found


def across(bench: LocalBench, function: a.Function = "volts_ac") -> dict[str, Any]:
    """Volts AC across each contact of the limit string; leads off afterwards."""
    names = (t("main limit"), t("auxiliary limit"), t("rollout switch"))
    found = {n: measure(bench, x, y, function) for n, (x, y) in zip(names, CONTACTS, strict=True)}
    quietly(bench, *procedure.lift())
    return found


def tell(found: dict[str, Any]) -> None:
    """Print `found`, a line each, in volts to a tenth."""
    for name, value in found.items():
        print(f"{name}: {value.to('volt').magnitude:.1f} V")


def across_the_open_limit() -> Any:
    """Volts AC across the main limit that stands open alone (V)."""
    return measure(one_open(), "limit.1", "limit.2")


def limit_with_two_open() -> str:
    """What a meter on low impedance shows across the main limit while two contacts are open: "all", "half" or "nothing"."""
    bench = two_open()
    supply = measure(bench, "board.R", "board.C", "low_z")
    share = (measure(bench, "limit.1", "limit.2", "low_z") / supply).to("").magnitude
    return "all" if share > 0.9 else "half" if share > 0.1 else "nothing"


# ---------------------------------------------------------------------- pictures
def sequence_figure() -> Figure:
    """The heat call as a timeline: one bar for each part, against seconds since the call."""
    names = part_names()
    figure, axes = pyplot.subplots(figsize=(7.4, 2.9))
    found = spans()
    for row, (name, (on, off)) in enumerate(found.items()):
        axes.barh(row, off - on, left=on, height=0.55, color="#b35900" if name == "blower" else "#4a6f8a")
        axes.text(on + 3, row, f"{on} s", va="center", color="white", fontsize=8)
        axes.text(off + 3, row, f"{off} s", va="center", fontsize=8)
    axes.axvspan(0, found["blower"][0], color="0.92", zorder=0)
    axes.set_yticks(range(len(found)), [names[name] for name in found])
    axes.invert_yaxis()
    axes.set_xlim(0, WATCHED)
    axes.set_xlabel(t("seconds since the heat call; grey: the blower is still, and healthy"))
    axes.spines[["top", "right"]].set_visible(False)
    return figure
