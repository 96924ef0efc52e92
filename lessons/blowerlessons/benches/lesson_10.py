"""The benches of lesson 10, split-capacitor motors, and the values that its exercises expect.

Rule: an expected value is what the simulation shows for the same acts, or the formula's result; no number is typed in.
"""

from __future__ import annotations

import math
from typing import Any

from matplotlib import pyplot
from matplotlib.figure import Figure

from blowerbench import LocalBench
from blowerbench import acts as a
from blowerbench.hands import Hands
from blowerbench.units import ureg
from blowergrade import procedure
from blowerlessons.hands_on import measure, quietly, reading

FURNACE = "furnace_120_split_capacitor"
VARIANT = "lesson-10"
CAPACITOR = ("capacitor.1", "capacitor.2")
#: Common of the blower plug, motor side, against each tap; the plug's numbers are this unit's own.
TAPS = {"high": ("blower.m3", "blower.m6"), "medium": ("blower.m3", "blower.m8"), "low": ("blower.m3", "blower.m1")}


# ---------------------------------------------------------------------- benches
def hands(bench: LocalBench) -> Hands:
    """What the learner's hands have done on `bench` so far."""
    return bench.session.now.hands


def weak() -> LocalBench:
    """The call that the lesson works through: hums, and little air. Calls for the fan as the customer left it."""
    return LocalBench(FURNACE, "capacitor_very_weak", "just_hums", variant=VARIANT)


def healthy() -> LocalBench:
    """The furnace with nothing wrong, calling for the fan."""
    return LocalBench(FURNACE, "healthy_unit", "quote_for_a_motor", variant=VARIANT)


def running(bench: LocalBench, call: a.Call = "cool") -> LocalBench:
    """`bench` with the meter proved, the door off, its switch held in, and `call` two minutes old."""
    quietly(bench, *procedure.protect(), *procedure.prove_meter(bench.equipment), *procedure.lift(), a.SetDoor(on=False))
    quietly(bench, *procedure.call_and_hold(bench.equipment, hands(bench), call), a.Wait(seconds=120))
    return bench


def made_safe(bench: LocalBench) -> LocalBench:
    """`bench` locked out and proved dead, the door off, the capacitor discharged and measured, the motor plug out."""
    e = bench.equipment
    quietly(bench, *procedure.make_safe(e, hands(bench)), a.SetDoor(on=False), *procedure.discharge_capacitor(e))
    quietly(bench, *procedure.pull(e, hands(bench), str(e.module["plug"])))
    return bench


# ---------------------------------------------------------------------- readings
def capacitor_volts(bench: LocalBench) -> Any:
    """Across the run capacitor while it runs (V)."""
    return measure(bench, *CAPACITOR)


def clamped(bench: LocalBench, conductor: str) -> Any:
    """The clamp around a conductor (A)."""
    quietly(bench, *procedure.lift(), a.SetMeter(function="clamp"), a.PlaceClamp(conductor=conductor))
    shown = reading(bench)
    quietly(bench, a.PlaceClamp(conductor=""))
    return shown


def farads_running() -> Any:
    """A sound capacitor's capacitance from its volts and amps while it runs: I / (2 π f U) at 60 Hz (µF)."""
    bench = running(healthy())
    volts, amps = capacitor_volts(bench), clamped(bench, "capacitor_lead_aux")
    return (amps / (2.0 * math.pi * ureg.Quantity(60.0, "1/s") * volts)).to("microfarad")


def farads_by_meter() -> Any:
    """The weak capacitor on the meter's capacitance function, discharged and off the motor (µF)."""
    return measure(made_safe(weak()), *CAPACITOR, "farads")


def rated() -> Any:
    """What is printed on the capacitor (µF)."""
    return ureg.Quantity(float(healthy().equipment.module["capacitor"]), "farad").to("microfarad")


def percent_left() -> Any:
    """The measured capacitance as a share of the rating, in percent (a plain number)."""
    return (100.0 * farads_by_meter() / rated()).to("dimensionless")


def winding(tap: str) -> Any:
    """Common to a tap on the motor's side of the parted plug, dead, leads zeroed (ohm)."""
    bench = made_safe(healthy())
    quietly(bench, *procedure.lift(), a.SetMeter(function="ohms"), a.ZeroLeads())
    return measure(bench, *TAPS[tap], "ohms")


def low_above_high() -> Any:
    """How much more the low tap has than the high tap (ohm)."""
    return winding("low") - winding("high")


def unused_tap_volts() -> Any:
    """The medium tap to common while the motor runs on its high tap (V)."""
    return measure(running(healthy()), "blower.h8", "blower.h3")


def does_it_turn() -> str:
    """What the blower does a few seconds after a call with its capacitor open: "runs", "hums" or "is silent"."""
    bench = LocalBench(FURNACE, "capacitor_open", "just_hums", variant=VARIANT)
    quietly(bench, a.SetThermostat(call="off"), a.Wait(seconds=900), a.SetThermostat(call="fan"), a.Wait(seconds=3))
    senses = bench.view().observation.senses
    return "runs" if "blower_running" in senses else "hums" if any("hum" in s for s in senses) else "is silent"


def above_or_below() -> str:
    """The volts across the run capacitor against the line's: "more", "less" or "the same"."""
    volts = capacitor_volts(running(healthy())).magnitude
    return "more" if volts > 130.0 else "less" if volts < 110.0 else "the same"


# ---------------------------------------------------------------------- plots
def capacitor_plot() -> Figure:
    """Airflow and motor current on a cooling call with a sound, a weak and a very weak capacitor."""
    cases = (("sound", "healthy_unit", "quote_for_a_motor"), ("weak", "capacitor_weak", "weak_in_summer"),
             ("very weak", "capacitor_very_weak", "just_hums"))  # fmt: skip
    flow, amps = [], []
    for _, fault, complaint in cases:
        bench = running(LocalBench(FURNACE, fault, complaint, variant=VARIANT))
        flow.append(ureg.Quantity(bench.session.now.plant.point.flow, "m^3/s").to("cfm").magnitude)
        amps.append(clamped(bench, "blower_common").magnitude)
    figure, (left, right) = pyplot.subplots(1, 2, figsize=(7, 3))
    for axes, values, unit in ((left, flow, "air (cfm)"), (right, amps, "motor current (A)")):
        axes.bar(range(3), values, color=("#9db8d2", "#5b88b5", "#33628f"))
        axes.set_xticks(range(3), [name for name, _, _ in cases])
        axes.set_ylabel(unit)
        for x, value in enumerate(values):
            axes.text(x, value, f"{value:.0f}" if value > 50 else f"{value:.1f}", ha="center", va="bottom")
        axes.set_ylim(0, 1.15 * max(values))
    figure.tight_layout()
    return figure


def overload_run() -> tuple[list[float], list[float], list[bool]]:
    """A motor whose overload opens too early, on a cooling call: minutes, winding temperature (°C), whether it turns."""
    bench = LocalBench(FURNACE, "overload_tired", "runs_then_rests", variant=VARIANT)
    minutes, degrees, turns = [], [], []
    for _ in range(150):
        quietly(bench, a.Wait(seconds=30))
        plant = bench.session.now.plant
        minutes.append(plant.time / 60.0)
        degrees.append(plant.winding)
        turns.append("blower_running" in bench.view().observation.senses)
    return minutes, degrees, turns


def rest_minutes() -> Any:
    """How long that motor rests before it runs again, from the plot's own points (minutes)."""
    minutes, _, turns = overload_run()
    stops = [m for m, was, now in zip(minutes[1:], turns, turns[1:], strict=False) if was and not now]
    starts = [m for m, was, now in zip(minutes[1:], turns, turns[1:], strict=False) if not was and now and m > stops[0]]
    return ureg.Quantity(starts[0] - stops[0], "minute")


def overload_plot() -> Figure:
    """The winding's temperature over time, the stretches in which the blower runs shaded."""
    minutes, degrees, turns = overload_run()
    figure, axes = pyplot.subplots(figsize=(7, 3.2))
    axes.plot(minutes, degrees, color="black")
    axes.fill_between(minutes, 0, 1, where=turns, transform=axes.get_xaxis_transform(), color="#9db8d2", alpha=0.5,
                      label="blower runs")  # fmt: skip
    axes.set_xlabel("simulated minutes")
    axes.set_ylabel("winding (°C)")
    axes.legend(frameon=False, loc="lower right")
    return figure
