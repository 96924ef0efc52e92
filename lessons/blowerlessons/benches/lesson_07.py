"""The benches of lesson 7, the command input, and the values that its exercises expect.

Rule: an expected value is what the simulation shows for the same acts; no number is typed in.
"""

from __future__ import annotations

from typing import Any

from matplotlib import pyplot
from matplotlib.figure import Figure

from blowerbench import LocalBench
from blowerbench import acts as a
from blowerbench.hands import Hands
from blowergrade import procedure
from blowerlessons.hands_on import measure, quietly

FURNACE, AIR_HANDLER, SERIAL = "furnace_120_constant_airflow", "air_handler_240_electric", "furnace_120_serial"
VARIANT = "lesson-07"
#: The fan command against its common, harness and motor side of the mated plug; pin numbers are each unit's own.
FAN = {FURNACE: ("control.h3", "control.h1"), AIR_HANDLER: ("control.h5", "control.h2"), SERIAL: ("data.h4", "data.h2")}
MOTOR_SIDE = {FURNACE: ("control.m3", "control.m1"), AIR_HANDLER: ("control.m5", "control.m2"), SERIAL: ("data.m4", "data.m2")}
#: The furnace's fan line and its two selection lines at the mated plug, against their common.
LINES = {
    "fan line": FAN[FURNACE],
    "selection line A": ("control.h7", "control.h1"),
    "selection line B": ("control.h9", "control.h1"),
}
FUNCTION: dict[str, a.Function] = {FURNACE: "volts_ac", AIR_HANDLER: "volts_dc", SERIAL: "volts_dc"}
_COMPLAINT = {FURNACE: "second_opinion", AIR_HANDLER: "another_opinion", SERIAL: "display_says_motor"}


# ---------------------------------------------------------------------- benches
def hands(bench: LocalBench) -> Hands:
    """What the learner's hands have done on `bench` so far."""
    return bench.session.now.hands


def at_the_plug(unit: str = FURNACE, fault: str = "healthy_unit", complaint: str = "", call: a.Call = "fan") -> LocalBench:
    """A unit with glasses and gloves on, the meter proved, the door off, its switch held where it has one, and `call` made."""
    bench = LocalBench(unit, fault, complaint or _COMPLAINT[unit], variant=VARIANT)
    e = bench.equipment
    quietly(bench, *procedure.protect(), *procedure.prove_meter(e), *procedure.lift(), a.SetDoor(on=False))
    if bench.session.now.hands.thermostat != call:
        quietly(bench, a.SetThermostat(call=call))
    if procedure.has_door_switch(e):
        quietly(bench, a.HoldDoorSwitch(held=True))
    quietly(bench, a.Wait(seconds=200))
    return bench


def lost_command() -> LocalBench:
    """The call that the lesson works through: nothing blows, as the customer left it."""
    return LocalBench(FURNACE, "control_fan_wire_open", "nothing_blows", variant=VARIANT)


def deaf_motor() -> LocalBench:
    """A furnace whose motor does not run on the source either."""
    return LocalBench(FURNACE, "module_dead", "nothing_blows", variant=VARIANT)


def forbidden_selection() -> LocalBench:
    """A furnace with both selection switches on, a pair that its motor does not know, the fan called."""
    return at_the_plug(FURNACE, "selection_forbidden", "nothing_blows")


def on_the_source(bench: LocalBench) -> LocalBench:
    """`bench` made safe, the source fitted and clipped, power back, the door switch held; its run switch still off."""
    e = bench.equipment
    quietly(bench, *procedure.make_safe(e, hands(bench)), a.SetDoor(on=False))
    quietly(bench, *procedure.fit_source(e, hands(bench)))
    if "power_plug" in hands(bench).parted:
        quietly(bench, a.PlugIn(connector="power_plug"))
    quietly(bench, *procedure.energise(e, hands(bench)))
    return bench


# ---------------------------------------------------------------------- readings
def command(unit: str, call: a.Call = "fan", function: a.Function | None = None) -> Any:
    """The fan command at the mated plug of a healthy unit, harness side (V)."""
    return measure(at_the_plug(unit, call=call), *FAN[unit], function or FUNCTION[unit])


def furnace_command() -> Any:
    """The furnace's fan command at the plug, the fan called (V AC)."""
    return command(FURNACE)


def air_handler_command() -> Any:
    """The air handler's fan command at the plug, the fan called (V DC)."""
    return command(AIR_HANDLER)


def serial_line() -> Any:
    """The serial furnace's data line at the plug, the fan called (V DC)."""
    return command(SERIAL)


def on_the_wrong_function() -> str:
    """What AC volts show on the air handler's command: "the same", "nothing" or "double"."""
    right, wrong = air_handler_command().magnitude, command(AIR_HANDLER, function="volts_ac").magnitude
    return "nothing" if wrong < 0.1 * right else "double" if wrong > 1.5 * right else "the same"


def quiet_serial_line() -> str:
    """The data line with nothing called, against the same line with the fan called: "gone", "about the same" or "double"."""
    called, idle = serial_line().magnitude, command(SERIAL, call="off").magnitude
    return "gone" if idle < 0.3 * called else "double" if idle > 1.7 * called else "about the same"


def past_the_break(function: a.Function = "volts_ac") -> Any:
    """The fan command on the motor's side of the plug behind an open fan wire (V)."""
    return measure(at_the_plug(FURNACE, "control_fan_wire_open", "nothing_blows"), *MOTOR_SIDE[FURNACE], function)


def supply_of_the_source() -> Any:
    """R to C on the board with the source's clips on them (V AC)."""
    return measure(on_the_source(lost_command()), "board.R", "board.C")


def runs_on_the_source(bench: LocalBench) -> str:
    """What the blower does on the source's run command: "runs" or "stands still"."""
    quietly(on_the_source(bench), a.SwitchSource(run=True), a.Wait(seconds=15))
    return blower(bench)


def blower(bench: LocalBench) -> str:
    """What the blower does now: "runs" or "stands still"."""
    return "runs" if "blower_running" in bench.view().observation.senses else "stands still"


# ---------------------------------------------------------------------- plot
def three_commands() -> Figure:
    """The command of three units at their plugs, with and without a call, on AC and on DC volts."""
    names = {FURNACE: "24 VAC line", AIR_HANDLER: "DC line", SERIAL: "serial line"}
    figure, axes = pyplot.subplots(figsize=(7, 3.3))
    kinds: list[tuple[str, a.Function, a.Call]] = [
        ("AC volts, fan called", "volts_ac", "fan"), ("DC volts, fan called", "volts_dc", "fan"),
        ("AC volts, no call", "volts_ac", "off"), ("DC volts, no call", "volts_dc", "off"),
    ]  # fmt: skip
    hatches, colours = ("", "", "//", "//"), ("#33628f", "#9db8d2", "#33628f", "#9db8d2")
    for k, (label, function, call) in enumerate(kinds):
        values = [abs(command(unit, call, function).magnitude) for unit in names]
        places = [x + 0.2 * k - 0.3 for x in range(3)]
        axes.bar(places, values, 0.18, label=label, color=colours[k], hatch=hatches[k], edgecolor="white")
    axes.set_xticks(range(3), list(names.values()))
    axes.set_ylabel("reading at the plug (V)")
    axes.legend(frameon=False, fontsize=9)
    return figure
