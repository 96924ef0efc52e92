"""The benches of lesson 8, working upstream, and the values that its exercises expect.

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
from blowerbench.hands import Hands
from blowerbench.messages import label, said
from blowerbench.messages import translate as t
from blowerbench.observation import Said
from blowerbench.units import ureg
from blowergrade import procedure
from blowerlessons.hands_on import NoReadingError, measure, quietly, reading

FURNACE = "furnace_120_constant_airflow"
AIR_HANDLER = "air_handler_240_electric"
VARIANT = "lesson-08"

#: The way of the fan command through the furnace, thermostat first; each point is measured to the C at its own place.
ROUTE = ("stat.R", "stat.G", "board.G", "board.KF", "control.h3")
#: The limit circuit from R to the board's input, in the order in which the 24 V runs through it.
LIMIT_CIRCUIT = ("board.R", "limit.1", "limit.2", "rollout.1", "rollout.2", "board.LS")
#: From the board's fan input to the motor's side of the control plug.
LAST_METER = ("board.R", "board.G", "board.KF", "control.h3", "control.m3")
#: The wires that leave the board for the thermostat, and the terminal of each.
CABLE = {"R": "board.R", "G": "board.G", "W": "board.W", "Y": "board.Y"}


# ---------------------------------------------------------------------- benches
def hands(bench: LocalBench) -> Hands:
    """What the learner's hands have done on `bench` so far."""
    return bench.session.now.hands


def worked_call() -> LocalBench:
    """The call that the lesson works through from the complaint to the score sheet."""
    return LocalBench(FURNACE, "wall_G_open", "no_fan_new_thermostat", variant=VARIANT)


def healthy() -> LocalBench:
    """The furnace with nothing wrong: glasses and gloves on, meter proved, door off, door switch held, nothing called."""
    bench = LocalBench(FURNACE, "healthy_unit", "second_opinion", variant=VARIANT)
    return _at_the_board(bench, "off")


def dark_board() -> LocalBench:
    """A furnace whose board is dark: meter proved, door off, door switch held, the fan called as the customer left it."""
    return _at_the_board(LocalBench(FURNACE, "short_G_C_cable", "no_fan_new_thermostat", variant=VARIANT), "fan")


def blows_cold() -> LocalBench:
    """A furnace that blows and does not heat: meter proved, door off, door switch held, the thermostat off."""
    return _at_the_board(LocalBench(FURNACE, "limit_wire_open", "blows_cold", variant=VARIANT), "off")


def silent_on_fan() -> LocalBench:
    """A furnace that runs on heat and not on fan: meter proved, door off, door switch held, the fan called, its delay over."""
    bench = _at_the_board(LocalBench(FURNACE, "board_no_fan_output", "nothing_blows", variant=VARIANT), "fan")
    quietly(bench, a.Wait(seconds=10))
    return bench


def air_handler() -> LocalBench:
    """An air handler with no air: board awake, glasses and gloves on, meter proved, panel still on."""
    bench = LocalBench(AIR_HANDLER, "drain_clogged", "no_air", variant=VARIANT)
    quietly(bench, *procedure.protect(), *procedure.prove_meter(bench.equipment), *procedure.lift())
    return bench


def _at_the_board(bench: LocalBench, call: a.Call) -> LocalBench:
    quietly(bench, *procedure.protect(), *procedure.prove_meter(bench.equipment), *procedure.lift(), a.SetDoor(on=False))
    quietly(bench, *procedure.call_and_hold(bench.equipment, hands(bench), call))
    return bench


def complaint_of(bench: LocalBench) -> str:
    """What the customer of `bench` says, as a sentence."""
    return said(Said("complaint", (bench.view().complaint,)), "en", bench.equipment)


# ---------------------------------------------------------------------- readings
def readings(bench: LocalBench, points: Sequence[str], function: a.Function = "low_z") -> dict[str, Any]:
    """Volts of each of `points` to the C at the same place, by the point's words, as pint quantities; leads off afterwards."""
    found = {}
    for point in points:
        common = "stat.C" if point.startswith("stat.") else "board.C"
        found[label("terminal", point, bench.equipment)] = measure(bench, point, common, function)
    quietly(bench, *procedure.lift())
    return found


def ohms_to_common(bench: LocalBench, points: Mapping[str, str]) -> dict[str, str]:
    """Ohms of each of `points` (name to terminal) to C on the board, as texts; "OL" where there is no way through."""
    found: dict[str, str] = {}
    for name, terminal in points.items():
        try:
            found[name] = f"{measure(bench, terminal, 'board.C', 'ohms'):.4g~}"
        except NoReadingError:
            found[name] = "OL"
    quietly(bench, *procedure.lift())
    return found


def locked_out(bench: LocalBench) -> LocalBench:
    """`bench` made safe as taught, the meter on ohms, its leads zeroed; the same bench comes back."""
    quietly(bench, *procedure.lift(), *procedure.make_safe(bench.equipment, hands(bench)))
    quietly(bench, a.SetMeter(function="ohms"), a.ZeroLeads())
    return bench


def amps(bench: LocalBench, conductor: str) -> Any:
    """The clamp's reading around `conductor` (A); the clamp comes off again and the meter goes back to AC volts."""
    quietly(bench, *procedure.lift(), a.SetMeter(function="clamp"), a.PlaceClamp(conductor=conductor))
    found = reading(bench)
    quietly(bench, a.PlaceClamp(conductor=""), a.SetMeter(function="volts_ac"))
    return found


def transformer_loads(bench: LocalBench) -> dict[str, tuple[Any, Any]]:
    """R to C (V) and the secondary's current (A) on each call of a healthy furnace, by call; the thermostat ends on off."""
    found = {}
    for call, seconds in (("off", 10), ("fan", 20), ("cool", 20), ("heat", 150)):
        quietly(bench, *procedure.call_and_hold(bench.equipment, hands(bench), call), a.Wait(seconds=seconds))  # type: ignore[arg-type]  # literals of Call
        found[call] = (measure(bench, "board.R", "board.C"), amps(bench, "secondary_hot"))
    quietly(bench, *procedure.call_and_hold(bench.equipment, hands(bench), "off"))
    return found


# ---------------------------------------------------------------------- expected values
def command_at_thermostat() -> Any:
    """G to C at the thermostat of the worked call, the fan called (V)."""
    return measure(worked_call(), "stat.G", "stat.C", "low_z")


def ghost_is() -> str:
    """How G to C at the worked call's thermostat reads on AC volts with nothing called: "full", "part" or "none" of R to C."""
    bench = worked_call()
    quietly(bench, *procedure.protect(), *procedure.prove_meter(bench.equipment), a.SetThermostat(call="off"))
    share = (measure(bench, "stat.G", "stat.C") / measure(bench, "stat.R", "stat.C")).to("").magnitude
    return "full" if share > 0.9 else "part" if share > 0.1 else "none"


def rated_amps() -> Any:
    """What a 40 VA transformer gives at 24 V (A): power over voltage."""
    return (ureg.Quantity(40.0, "volt * ampere") / ureg.Quantity(24.0, "volt")).to("ampere")


def spare_amps(loads: Mapping[str, tuple[Any, Any]]) -> Any:
    """What is left of the rated current on a cooling call (A)."""
    return rated_amps() - loads["cool"][1]


def across_the_fuse() -> Any:
    """Volts from SEC to R on the board that is dark (V)."""
    return measure(dark_board(), "board.SEC", "board.R")


def across_the_float() -> Any:
    """Volts across the float switch of the air handler, the fan called (V)."""
    bench = air_handler()
    quietly(bench, a.SetDoor(on=False), *procedure.call_and_hold(bench.equipment, hands(bench), "fan"))
    return measure(bench, "float.1", "float.2")


# ---------------------------------------------------------------------- the worked call's papers
def worked_diagnosis() -> tuple[Act, ...]:
    """The diagnosis of the worked call."""
    return (a.Declare(units=("wall_cable",)),)


def worked_repair() -> tuple[Act, ...]:
    """The repair of the worked call."""
    return (a.Repair(unit="wall_cable"),)


def worked_write_up(bench: LocalBench, found: Mapping[str, Any]) -> tuple[Act, ...]:
    """The write-up of the worked call with the readings `found`: what was measured, to its value as a pint quantity."""
    return (
        a.WriteUp(
            complaint=bench.session.complaint.text,
            readings=tuple(f"{what} {value:~}" for what, value in found.items()),
            cause=label("unit", "wall_cable", bench.equipment),
            correction="thermostat cable repaired; fan, heat and cooling tried with the door on",
            why="its G wire was broken where the new thermostat was put up",
            customer="the new thermostat is in order, the wire to it was broken",
        ),
    )


# ---------------------------------------------------------------------- pictures
def route_figure(found: Mapping[str, Any]) -> Figure:
    """Bars of the volts to C along the way of the command, the first point of `found` on top."""
    figure, axes = pyplot.subplots(figsize=(7.2, 2.4))
    volts = [q.to("volt").magnitude for q in found.values()]
    bars = axes.barh(list(found), volts, color="#1f6feb", height=0.6)
    axes.bar_label(bars, [f"{v:.1f} V" for v in volts], padding=3)
    axes.set_xlabel(t("volts to C"))
    axes.set_xlim(0.0, 1.2 * max(volts))
    axes.invert_yaxis()
    axes.spines[["top", "right"]].set_visible(False)
    return figure


def load_figure(loads: Mapping[str, tuple[Any, Any]]) -> Figure:
    """Bars of the secondary's current on each call beside what the transformer is rated for."""
    figure, axes = pyplot.subplots(figsize=(7.2, 2.9))
    drawn = [current.to("ampere").magnitude for _, current in loads.values()]
    names = [f"{call}\nR-C {volts:.1f~}" for call, (volts, _) in loads.items()]
    bars = axes.bar(names, drawn, color="#1f6feb", width=0.55)
    axes.bar_label(bars, [f"{x:.2f} A" for x in drawn], padding=2)
    rated = rated_amps().magnitude
    axes.axhline(rated, color="#b35900", linestyle="--")
    axes.text(len(drawn) - 0.6, 0.93 * rated, t("rated: 40 VA at 24 V"), ha="right", va="top", color="#b35900")
    axes.set_ylabel(t("secondary current, A"))
    axes.set_ylim(0.0, 1.2 * rated)
    axes.spines[["top", "right"]].set_visible(False)
    return figure
