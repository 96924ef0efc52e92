"""The benches of the lessons, and the values that their exercises expect.

Rule: an expected value is what the simulation shows for the same acts, or the formula's result; no number is
typed in. A learner who looks in here finds how to get a value, which is what the lesson teaches anyway.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from blowerbench import LocalBench
from blowerbench import acts as a
from blowerbench.acts import Act
from blowerbench.messages import label, said
from blowerbench.observation import Said
from blowerbench.units import ureg
from blowerlessons.hands_on import EQUIPMENT, measure, new_bench, quietly

LESSON_1 = "lesson-1"
LESSON_2 = "lesson-2"


def healthy_furnace() -> LocalBench:
    """Lesson 1: the furnace with nothing wrong, calling for the fan as the customer left it."""
    return new_bench("healthy_unit", "second_opinion", LESSON_1)


def worked_call() -> LocalBench:
    """Lesson 2: the call that the lesson works through."""
    return new_bench("wall_G_open", "no_fan_new_thermostat", LESSON_2)


_open: dict[Path, LocalBench] = {}


def own_call(record: Path | str) -> LocalBench:
    """Lesson 2: the learner's own call, kept in the file `record`.

    It goes on after a restart; a cell that is run again in the same kernel gets the bench that is open already.
    """
    path = Path(record).resolve()
    known = _open.get(path)
    if known is None or not known.recording:
        known = LocalBench(EQUIPMENT, "door_switch_open", "nothing_blows", variant="lesson-2-own", record=path)
        _open[path] = known
    for note in known.notes:
        print(note)
    return known


# ---------------------------------------------------------------------- lesson 1
def _door_off() -> LocalBench:
    bench = healthy_furnace()
    quietly(
        bench,
        a.Wear(item="eye_protection"),
        a.Wear(item="gloves"),
        a.InspectMeter(),
        a.SetThermostat(call="off"),
        a.SetDoor(on=False),
    )
    return bench


def line_side_volts() -> Any:
    """Line side of the open door switch to the neutral of the board, disconnect closed (V)."""
    return measure(_door_off(), "door.line", "board.N")


def receptacle_volts() -> Any:
    """Hot to neutral at the receptacle on another circuit (V)."""
    return measure(healthy_furnace(), "outlet.L", "outlet.N")


def plug_volts() -> Any:
    """Line to neutral on the harness side of the parted power plug, door switch held, thermostat off (V)."""
    bench = _door_off()
    quietly(bench, a.SetDisconnect(closed=False), a.Unplug(connector="power_plug"))
    quietly(bench, a.SetMeter(function="volts_ac"), a.PlaceLead(lead="red", terminal="power.h3", clip=True))
    quietly(bench, a.PlaceLead(lead="black", terminal="power.h5", clip=True), a.SetDisconnect(closed=True))
    quietly(bench, a.HoldDoorSwitch(held=True))
    return measure(bench, "power.h3", "power.h5")


def transformer_amps() -> Any:
    """What a 40 VA transformer gives at 24 V (A): power over voltage."""
    return (ureg.Quantity(40.0, "volt * ampere") / ureg.Quantity(24.0, "volt")).to("ampere")


def bus_volts() -> Any:
    """The bus of a doubler on 120 V RMS (V): twice the peak, the diodes left out."""
    return ureg.Quantity(2.0 * math.sqrt(2.0) * 120.0, "volt")


# ---------------------------------------------------------------------- lesson 2
def command_at_thermostat() -> Any:
    """G to C at the thermostat of the worked call, the fan called (V)."""
    return measure(worked_call(), "stat.G", "stat.C")


def complaint_of(bench: LocalBench) -> str:
    """What the customer of `bench` says, as a sentence."""
    return said(Said("complaint", (bench.view().complaint,)), "en", bench.equipment)


def is_finished(bench: LocalBench) -> bool:
    """Whether the call on `bench` is over."""
    return bool(bench.view().hands["ended"])


def worked_diagnosis(bench: LocalBench) -> tuple[Act, ...]:
    """The diagnosis of the worked call."""
    return (a.Declare(units=("wall_cable",)),)


def worked_repair(bench: LocalBench) -> tuple[Act, ...]:
    """The repair of the worked call."""
    return (a.Repair(unit="wall_cable"),)


def worked_write_up(bench: LocalBench, readings: Mapping[str, Any]) -> tuple[Act, ...]:
    """The write-up of the worked call with `readings`: what was measured, to its value as a pint quantity."""
    return (
        a.WriteUp(
            complaint=bench.session.complaint.text,
            readings=tuple(f"{what} {value:~}" for what, value in readings.items()),
            cause=label("unit", "wall_cable", bench.equipment),
            correction="thermostat cable repaired; fan, heat and cooling tried with the door on",
            why="its G wire was broken where the new thermostat was put up",
            customer="the new thermostat is in order, the wire to it was broken",
        ),
    )
