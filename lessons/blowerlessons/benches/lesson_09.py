"""The benches of lesson 9, control or motor, and the values that its exercises expect.

Rule: an expected value is what the simulation shows for the same acts, or the formula's result; no number is typed in.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from matplotlib import pyplot
from matplotlib.figure import Figure

from blowerbench import LocalBench
from blowerbench import acts as a
from blowerbench.acts import Act
from blowerbench.faults import Hypothesis
from blowerbench.hands import Hands
from blowerbench.messages import label, said
from blowerbench.messages import translate as t
from blowerbench.observation import Said
from blowerbench.units import ureg
from blowergrade import procedure
from blowerlessons.hands_on import NoReadingError, measure, quietly, reading

FURNACE = "furnace_120_constant_airflow"
AIR_HANDLER = "air_handler_240_electric"
VARIANT = "lesson-09"

#: Simulated seconds that are waited before the control is opened: common practice.
FIVE_MINUTES = 300
#: A bus under this may be touched: 29 CFR 1910.333(a)(1).
SAFE_VOLTS = 50.0
#: Three furnaces whose bus runs down differently: the control is sound, is dead with a sound bleeder, has its bleeder open.
BUSES = (("healthy_unit", "second_opinion"), ("module_dead", "nothing_blows"), ("module_bleeder_open", "nothing_blows"))


# ---------------------------------------------------------------------- benches
def hands(bench: LocalBench) -> Hands:
    """What the learner's hands have done on `bench` so far."""
    return bench.session.now.hands


def worked_call() -> LocalBench:
    """The call that the lesson works through: it does not run on any call."""
    return LocalBench(FURNACE, "module_bleeder_open", "nothing_blows", variant=VARIANT)


def drags() -> LocalBench:
    """A furnace whose wheel drags; dead, opened, its bus measured, the winding plug still in."""
    return _opened(LocalBench(FURNACE, "module_output_short", "hums_and_twitches", variant=VARIANT))


def drags_too() -> LocalBench:
    """Another furnace whose wheel drags; dead, opened, its bus measured, the winding plug still in."""
    return _opened(LocalBench(FURNACE, "turn_short", "hums_and_twitches", variant=VARIANT))


def damp_motor() -> LocalBench:
    """An air handler that does not run; dead, opened, its bus measured, the winding plug still in."""
    return _opened(LocalBench(AIR_HANDLER, Hypothesis("winding_to_frame", 0), "no_air", variant=VARIANT))


def wet_control() -> LocalBench:
    """A furnace with a new reason to look around: locked out, proved dead, door off."""
    bench = LocalBench(FURNACE, "drain_overflow", "nothing_blows", variant=VARIANT)
    quietly(bench, *procedure.make_safe(bench.equipment, hands(bench)), a.SetDoor(on=False))
    return bench


def _opened(bench: LocalBench) -> LocalBench:
    quietly(bench, *procedure.make_safe(bench.equipment, hands(bench)), a.SetDoor(on=False))
    quietly(bench, a.Wait(seconds=FIVE_MINUTES), a.OpenControl())
    bus_volts(bench)
    return bench


def complaint_of(bench: LocalBench) -> str:
    """What the customer of `bench` says, as a sentence."""
    return said(Said("complaint", (bench.view().complaint,)), "en", bench.equipment)


# ---------------------------------------------------------------------- readings
def bus_volts(bench: LocalBench) -> Any:
    """DC across the bus test points of the opened control (V); leads off afterwards."""
    first, second = bench.equipment.module["bus_points"]
    found = measure(bench, first, second, "volts_dc")
    quietly(bench, *procedure.lift())
    return found


def between_phases(bench: LocalBench) -> dict[str, Any]:
    """DC volts between each two ways of the mated winding plug, control side; leads off afterwards."""
    ways = ("winding.h1", "winding.h2", "winding.h3")
    pairs = ((ways[0], ways[1]), (ways[1], ways[2]), (ways[2], ways[0]))
    found = {f"{x[-1]} to {y[-1]}": measure(bench, x, y, "volts_dc") for x, y in pairs}
    quietly(bench, *procedure.lift())
    return found


def windings(bench: LocalBench) -> dict[str, Any]:
    """Ohms between the windings and to the frame, leads zeroed, the winding plug apart: a quantity, or the text "OL"."""
    quietly(bench, *procedure.lift(), a.SetMeter(function="ohms"), a.ZeroLeads())
    found: dict[str, Any] = {}
    for red, black in bench.equipment.pairs("windings"):
        name = f"{red[-1]} to {black[-1] if black.startswith('winding') else 'frame'}"
        try:
            found[name] = measure(bench, red, black, "ohms")
        except NoReadingError:
            found[name] = "OL"
    quietly(bench, *procedure.lift())
    return found


def tell(found: Mapping[str, Any]) -> None:
    """Print `found`, a line each."""
    for name, value in found.items():
        print(f"{name}: {value if isinstance(value, str) else f'{value:~}'}")


def verify(bench: LocalBench) -> dict[str, Any]:
    """The repaired unit on fan, heat and cooling, door on: volts and amps under load, external static on cooling."""
    found: dict[str, Any] = {}
    quietly(bench, *procedure.energise(bench.equipment, hands(bench)), a.SetThermostat(call="fan"), a.Wait(seconds=20))
    quietly(bench, a.ReadStatus())
    found["line to neutral, blower on fan"] = measure(bench, "box.L_out", "box.N", "volts_ac")
    quietly(bench, *procedure.lift(), a.SetMeter(function="clamp"), a.PlaceClamp(conductor="feed_line"))
    found["supply current, blower on fan"] = reading(bench)
    quietly(bench, a.SetThermostat(call="heat"), a.Wait(seconds=150), a.ReadStatus())
    quietly(bench, a.SetThermostat(call="off"), a.Wait(seconds=180), a.SetThermostat(call="cool"), a.Wait(seconds=20))
    quietly(bench, a.ReadStatus())
    found["supply current, blower on cooling"] = reading(bench)
    found["external static, blower on cooling"] = _static(bench)
    quietly(bench, a.PlaceClamp(conductor=""), a.SetThermostat(call="off"), a.Wait(seconds=90))
    return found


def _static(bench: LocalBench) -> Any:
    """External static pressure (in. w.c.); ports plugged afterwards."""
    assert bench.equipment.air is not None  # both units of this lesson have an air path
    high, low = bench.equipment.air.external
    quietly(bench, a.PlaceClamp(conductor=""), a.SetMeter(function="off"))
    quietly(bench, *procedure.open_ports(hands(bench), (high, low)), *procedure.hoses(high, low))
    found = reading(bench)
    quietly(bench, *procedure.close_ports(hands(bench)))
    return found


def at_work(fault: str, complaint: str) -> tuple[Any, Any]:
    """External static (in. w.c.) and supply current (A) of a furnace with `fault` on a cooling call, door on."""
    bench = LocalBench(FURNACE, fault, complaint, variant=VARIANT)
    quietly(bench, *procedure.protect(), a.SetThermostat(call="cool"), a.Wait(seconds=60))
    static = _static(bench)
    quietly(bench, a.SetMeter(function="clamp"), a.PlaceClamp(conductor="feed_line"))
    return static, reading(bench)


# ---------------------------------------------------------------------- expected values
def at_the_motor_side() -> Any:
    """Line to neutral on the motor's side of the mated power plug, the source's run command on (V)."""
    bench = worked_call()
    return measure(on_the_source(bench), "power.m3", "power.m5", "volts_ac")


def on_the_source(bench: LocalBench) -> LocalBench:
    """`bench` made safe, the reference source fitted and clipped on, power back, run command on; the same bench comes back."""
    quietly(bench, *procedure.make_safe(bench.equipment, hands(bench)), a.SetDoor(on=False))
    quietly(bench, *procedure.fit_source(bench.equipment, hands(bench)), a.PlugIn(connector="power_plug"))
    quietly(bench, *procedure.energise(bench.equipment, hands(bench)), a.SwitchSource(run=True), a.Wait(seconds=10))
    return bench


def trap_shows() -> str:
    """What the volts between two phases of the worked call's control show of its bus: "all", "half" or "nothing"."""
    bench = _opened(worked_call())
    share = abs((between_phases(bench)["1 to 2"] / bus_volts(bench)).to("").magnitude)
    return "all" if share > 0.9 else "half" if share > 0.1 else "nothing"


def stored_energy(volts: Any, farads: Any) -> Any:
    """Energy of a charged capacitor (J): half of C times V squared."""
    return (0.5 * farads * volts**2).to("joule")


def capacitance(bench: LocalBench) -> Any:
    """The bus's capacitance in the data of `bench`'s unit (uF), its two capacitors in series."""
    return ureg.Quantity(float(bench.equipment.module["farads"]), "farad").to("microfarad")


def wheel_after_unplugging() -> str:
    """How the wheel of `drags` turns with the winding plug off: "free", "drags" or "stuck"."""
    bench = drags()
    quietly(bench, a.Unplug(connector="winding_plug"), a.TurnShaft())
    told = {s.id for s in bench.last.said}
    return next(word for word, message in WHEEL.items() if message in told)


#: What is felt at the wheel, as a choice, and its message.
WHEEL = {"free": "shaft_free", "drags": "shaft_drags", "stuck": "shaft_seized"}


def unbalance(readings: Sequence[Any]) -> Any:
    """The largest distance of `readings` from their average over the average (percent), as NEMA MG 1 does it for volts."""
    average = sum(readings[1:], start=readings[0]) / len(readings)
    return (max(abs(r - average) for r in readings) / average).to("percent")


def unbalance_of(found: Mapping[str, Any]) -> Any:
    """The unbalance of the phase-to-phase readings of `found` (percent)."""
    return unbalance([value for name, value in found.items() if "frame" not in name])


def more_current(clean: tuple[Any, Any], clogged: tuple[Any, Any]) -> Any:
    """By how much the current grew from `clean` to `clogged` (percent)."""
    return ((clogged[1] - clean[1]) / clean[1]).to("percent")


def percent(answer: Any) -> Any:
    """`answer` with a percent sign where it is a plain number; anything else as it is."""
    try:
        return f"{float(answer)} %" if isinstance(answer, str | int | float) else answer
    except ValueError:
        return answer


# ---------------------------------------------------------------------- the worked call's papers
def worked_write_up(bench: LocalBench, found: Mapping[str, Any]) -> tuple[Act, ...]:
    """The write-up of the worked call with the readings `found`: what was measured, to a quantity or a text."""
    return (
        a.WriteUp(
            complaint=bench.session.complaint.text,
            readings=tuple(f"{name} {value if isinstance(value, str) else f'{value:~}'}" for name, value in found.items()),
            cause=label("unit", "control_module", bench.equipment),
            correction="control module replaced; fan, heat and cooling tried with the door on",
            why="its bleeder was open and its output stage dead; motor, filter, drain and static pressure were checked",
            customer="the motor is good and stays; only its control was replaced",
        ),
    )


# ---------------------------------------------------------------------- pictures
def run_down(fault: str, complaint: str, minutes: int = 14) -> tuple[list[float], list[float]]:
    """Minutes since power-off, and the simulated bus's volts then: the moment itself, then a point each quarter of a minute.

    Read from the simulation itself: no meter gets at the bus before the control is open.
    """
    bench = LocalBench(FURNACE, fault, complaint, variant=VARIANT)
    quietly(bench, a.Wait(seconds=20), a.SetDisconnect(closed=False))
    plant = bench.session.now.plant
    times, volts = [0.0], [plant.bus0]
    for _ in range(4 * minutes + 1):
        times.append((plant.time - plant.bus_at) / 60.0)
        volts.append(plant.bus)
        quietly(bench, a.Wait(seconds=15))
        plant = bench.session.now.plant
    return times, volts


def bus_figure() -> Figure:
    """The bus of the three furnaces of `BUSES` after power-off, with 50 V and five minutes marked."""
    names = (t("control good"), t("control dead, bleeder good"), t("bleeder open"))
    figure, axes = pyplot.subplots(figsize=(7.2, 3.4))
    for (fault, complaint), name, style in zip(BUSES, names, ("-", "--", "-."), strict=True):
        axes.plot(*run_down(fault, complaint), style, label=name, linewidth=2)
    axes.axhline(SAFE_VOLTS, color="#b35900", linewidth=1)
    axes.axvline(FIVE_MINUTES / 60.0, color="0.5", linewidth=1)
    axes.text(13.9, SAFE_VOLTS + 6, t("50 V"), ha="right", color="#b35900")
    axes.text(FIVE_MINUTES / 60.0 + 0.1, 200, t("five minutes"), color="0.35")
    axes.set_xlabel(t("minutes since power-off"))
    axes.set_ylabel(t("bus, volts DC"))
    axes.set_xlim(0.0, 14.0)
    axes.set_ylim(0.0, 370.0)
    axes.legend(frameon=False, loc="center right")
    axes.spines[["top", "right"]].set_visible(False)
    return figure
