"""The benches of lesson 12, putting it back, and the values that its exercises expect.

Rule: an expected value is what the simulation shows for the same acts, or the score sheet of a played call; none is typed in.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from matplotlib import pyplot
from matplotlib.figure import Figure

from blowerbench import LocalBench
from blowerbench import acts as a
from blowerbench.hands import Hands
from blowerbench.messages import label
from blowerbench.units import ureg
from blowergrade import procedure
from blowergrade.score import grade_bench
from blowerlessons.hands_on import measure, quietly, reading

FURNACE = "furnace_120_constant_airflow"
VARIANT = "lesson-12"
FAULT, COMPLAINT, UNIT = "control_heat_wire_open", "heats_then_quits", "control_harness"
LOADED = ("power.h3", "power.h5")


# ---------------------------------------------------------------------- benches
def hands(bench: LocalBench) -> Hands:
    """What the learner's hands have done on `bench` so far."""
    return bench.session.now.hands


def found() -> LocalBench:
    """A call whose cause is found: the heat wire of the harness is open. Locked out, proved dead, door and power plug off."""
    bench = LocalBench(FURNACE, FAULT, COMPLAINT, variant=VARIANT)
    e = bench.equipment
    quietly(bench, a.Look(), a.ReadStatus(), *procedure.make_safe(e, hands(bench)), a.SetDoor(on=False))
    quietly(bench, *procedure.pull(e, hands(bench), "power_plug"), a.Look(where="wiring"))
    return bench


def repaired(bench: LocalBench | None = None) -> LocalBench:
    """That call with the harness repaired, everything put back, power on, the door still off and its switch held."""
    bench = bench or found()
    e = bench.equipment
    quietly(bench, a.Declare(units=(UNIT,)), a.Repair(unit=UNIT))
    quietly(bench, *procedure.put_back(e, hands(bench)), *procedure.energise(e, hands(bench)))
    return bench


def held(bench: LocalBench) -> list[a.Act]:
    """Door off and the door switch held in, of that what is still to do."""
    acts: list[a.Act] = [a.SetDoor(on=False)] if hands(bench).door_on else []
    return [*acts, a.HoldDoorSwitch(held=True)] if acts or not hands(bench).switch_held else []


def healthy() -> LocalBench:
    """The furnace with nothing wrong that day."""
    return LocalBench(FURNACE, "healthy_unit", "second_opinion", variant=VARIANT)


# ---------------------------------------------------------------------- readings after the repair
def under_load(bench: LocalBench) -> dict[str, Any]:
    """Volts at the mated plug and amps of the motor's line with the fan called, door off, switch held."""
    e = bench.equipment
    quietly(bench, *held(bench), *procedure.call_and_hold(e, hands(bench), "fan"), a.Wait(seconds=20))
    volts = measure(bench, *LOADED)
    quietly(bench, *procedure.lift(), a.SetMeter(function="clamp"), a.PlaceClamp(conductor=e.pairs("clamp")[0][0]))
    amps = reading(bench)
    quietly(bench, a.PlaceClamp(conductor=""), a.HoldDoorSwitch(held=False), a.SetDoor(on=True))
    return {"line to neutral at the motor plug, fan": volts, "motor amps, fan": amps}


def volts_under_load() -> Any:
    """Line to neutral at the mated plug of the repaired furnace, the fan running (V)."""
    return next(iter(under_load(repaired()).values()))


def air(bench: LocalBench) -> dict[str, Any]:
    """External static and temperature rise in heat, steady, ports plugged again."""
    quietly(bench, a.SetThermostat(call="heat"), a.Wait(seconds=900))
    quietly(bench, *procedure.open_ports(hands(bench), ("return", "inlet", "outlet", "supply")))
    quietly(bench, *procedure.hoses("outlet", "inlet"), a.PlaceProbe(probe="first", port="return"))
    quietly(bench, a.PlaceProbe(probe="second", port="supply"), a.Wait(seconds=30))
    shown = {s.instrument: float(s.text) for s in bench.view().observation.shown}
    rise = ureg.Quantity(shown["second_thermometer"] - shown["first_thermometer"], "delta_degF")
    quietly(bench, *procedure.close_ports(hands(bench)))
    return {"external static, heat": ureg.Quantity(shown["manometer"], "in_wc"), "temperature rise": rise}


def rise_after() -> Any:
    """The temperature rise of the repaired furnace after a steady quarter of an hour (°F difference)."""
    bench = repaired()
    quietly(bench, *([a.HoldDoorSwitch(held=False)] if hands(bench).switch_held else []), a.SetDoor(on=True))
    return air(bench)["temperature rise"]


def runs_on_heat_with_the_wire_open() -> str:
    """What the blower does on a fan call while the heat wire is still open: "runs" or "stands still"."""
    bench = LocalBench(FURNACE, FAULT, COMPLAINT, variant=VARIANT)
    quietly(bench, a.SetThermostat(call="off"), a.Wait(seconds=300), a.SetThermostat(call="fan"), a.Wait(seconds=30))
    return "runs" if "blower_running" in bench.view().observation.senses else "stands still"


def write_up(bench: LocalBench, readings: Mapping[str, Any]) -> a.WriteUp:
    """A write-up of the worked call with `readings`: what was measured, to its value as a pint quantity."""
    return a.WriteUp(
        complaint=bench.session.complaint.text,
        readings=tuple(f"{what} {value:~}" for what, value in readings.items()),
        cause=label("unit", UNIT, bench.equipment),
        correction="motor control harness repaired; fan, heat and cooling tried with the doors on",
        why="the wire had chafed where the harness runs over a metal edge; it now lies clear of it",
        customer="the motor is in order; one wire to it was broken, and why; filter to be changed each season",
    )


def points(bench: LocalBench, part: str) -> Any:
    """The points that `part` of the score sheet earns on `bench` so far (a plain number)."""
    found_ = next(p for p in grade_bench(bench).parts if p.name == part)
    return ureg.Quantity(found_.tenths / 10.0, "dimensionless")


# ---------------------------------------------------------------------- plot
def parts_plot(bench: LocalBench) -> Figure:
    """The four parts of the score sheet of `bench`: earned and missed."""
    sheet = grade_bench(bench)
    figure, axes = pyplot.subplots(figsize=(7, 2.4))
    for y, part in enumerate(sheet.parts):
        axes.barh(y, part.of / 10.0, color="#dddddd")
        axes.barh(y, part.tenths / 10.0, color="#33628f")
        axes.text(part.of / 10.0 + 0.5, y, f"{part.tenths / 10:g} of {part.of / 10:g}", va="center", fontsize=9)
    axes.set_yticks(range(len(sheet.parts)), [p.name.replace("_", "-") for p in sheet.parts])
    axes.invert_yaxis()
    axes.set_xlim(0, 48)
    axes.set_xlabel("points")
    return figure
