"""The benches of lesson 6, the power input, and the values that its exercises expect.

Rule: an expected value is what the simulation shows for the same acts; no number is typed in.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from matplotlib import pyplot
from matplotlib.figure import Figure

from blowerbench import LocalBench
from blowerbench import acts as a
from blowerbench.faults import Hypothesis
from blowerbench.hands import Hands
from blowerbench.units import ureg
from blowergrade import procedure
from blowerlessons.hands_on import measure, quietly, reading

FURNACE, AIR_HANDLER = "furnace_120_constant_airflow", "air_handler_240_electric"
VARIANT = "lesson-06"
PLUG = "power_plug"
#: The power plug's pairs, harness side; pin numbers are each unit's own. Line-neutral, line-ground, neutral-ground.
PAIRS_120 = (("power.h3", "power.h5"), ("power.h3", "power.h2"), ("power.h5", "power.h2"))
#: Leg-leg, leg 1-ground, leg 2-ground.
PAIRS_240 = (("power.h6", "power.h3"), ("power.h6", "power.h1"), ("power.h3", "power.h1"))
_HEALTHY = {FURNACE: "second_opinion", AIR_HANDLER: "another_opinion"}


# ---------------------------------------------------------------------- benches
def hands(bench: LocalBench) -> Hands:
    """What the learner's hands have done on `bench` so far."""
    return bench.session.now.hands


def bench_of(unit: str = FURNACE, fault: str = "healthy_unit", complaint: str = "", severity: int = 0) -> LocalBench:
    """A unit as the customer left it."""
    return LocalBench(unit, Hypothesis(fault, severity), complaint or _HEALTHY[unit], variant=VARIANT)


def parted(bench: LocalBench) -> LocalBench:
    """`bench` made safe and proved dead, the door off, the power plug out."""
    e = bench.equipment
    quietly(bench, *procedure.make_safe(e, hands(bench)), a.SetDoor(on=False), *procedure.pull(e, hands(bench), PLUG))
    return bench


def clipped(bench: LocalBench, red: str, black: str) -> Any:
    """Clips on dead, power on, read hands-off, dead again (V): the safe way to read at a parted plug."""
    e = bench.equipment
    quietly(bench, a.SetMeter(function="volts_ac"), *procedure.probe(red, black, clip=True))
    quietly(bench, *procedure.energise(e, hands(bench)))
    shown = reading(bench)
    quietly(bench, *procedure.lock_out(e, hands(bench)), *procedure.lift(), *procedure.prove_dead(e))
    return shown


def at_the_parted_plug(
    fault: str = "healthy_unit", complaint: str = "", unit: str = FURNACE, pairs: Sequence[tuple[str, str]] = ()
) -> tuple[Any, ...]:
    """The pairs of the parted power plug, harness side, nothing called (V)."""
    bench = parted(bench_of(unit, fault, complaint))
    chosen = pairs or (PAIRS_120 if unit == FURNACE else PAIRS_240)
    return tuple(clipped(bench, red, black) for red, black in chosen)


def mated(
    fault: str = "healthy_unit", complaint: str = "", unit: str = FURNACE, call: a.Call = "fan", severity: int = 0
) -> tuple[Any, ...]:
    """The pairs of the mated power plug, back-probed with the door off and `call` made (V)."""
    bench = bench_of(unit, fault, complaint, severity)
    e = bench.equipment
    quietly(bench, *procedure.protect(), *procedure.prove_meter(e), *procedure.lift(), a.SetThermostat(call="off"))
    quietly(bench, a.SetDoor(on=False))
    if procedure.has_door_switch(e):
        quietly(bench, a.HoldDoorSwitch(held=True))
    if call != "off":
        quietly(bench, *procedure.call_and_hold(e, hands(bench), call), a.Wait(seconds=30))
    return tuple(measure(bench, red, black) for red, black in (PAIRS_120 if unit == FURNACE else PAIRS_240))


# ---------------------------------------------------------------------- expected values
def line_to_neutral() -> Any:
    """Line to neutral at the parted plug of a healthy furnace (V)."""
    return at_the_parted_plug(pairs=PAIRS_120[:1])[0]


def neutral_to_ground_lost() -> Any:
    """Neutral to ground at the mated plug while the supply's neutral is open (V)."""
    return mated("feeder_neutral_open", "nothing_blows")[2]


def leg_to_leg() -> Any:
    """Leg to leg at the parted plug of a healthy air handler (V)."""
    return at_the_parted_plug(unit=AIR_HANDLER, pairs=PAIRS_240[:1])[0]


def leg_to_leg_lost() -> str:
    """What leg to leg reads with one leg open: "half", "nothing" or "all of it"."""
    whole, lost = leg_to_leg().magnitude, mated("unit_leg_2_open", "no_air", AIR_HANDLER)[0].magnitude
    share = lost / whole
    return "nothing" if share < 0.2 else "half" if share < 0.7 else "all of it"


def corroded(call: a.Call) -> Any:
    """Line to neutral at the mated plug behind a corroded pin (V)."""
    return mated("power_pin_corroded", "starts_and_stops", call=call)[0]


def lost_at_the_pin() -> Any:
    """What the corroded pin takes once the motor asks for current (V)."""
    return corroded("off") - corroded("fan")


def corroded_apart() -> Any:
    """Line to neutral at the parted plug, harness side, behind the same corroded pin (V)."""
    return at_the_parted_plug("power_pin_corroded", "starts_and_stops", pairs=PAIRS_120[:1])[0]


def without_link() -> Any:
    """Line to neutral at the mated plug of a 120 V furnace whose voltage link is missing, the fan called (V)."""
    return mated("power_link_missing", "nothing_blows")[0]


def runs_without_link() -> str:
    """What the blower of that furnace does on a fan call: "runs" or "stands still"."""
    bench = bench_of(fault="power_link_missing", complaint="nothing_blows")
    quietly(bench, *procedure.call_and_hold(bench.equipment, hands(bench), "fan"), a.Wait(seconds=30))
    return "runs" if "blower_running" in bench.view().observation.senses else "stands still"


def supplies() -> Any:
    """How many supplies the air handler has, each with a disconnect of its own (a plain number)."""
    return ureg.Quantity(float(len(bench_of(AIR_HANDLER).equipment.supplies)), "dimensionless")


# ---------------------------------------------------------------------- plot
def signature_plot() -> Figure:
    """The three readings at the mated plug for four states of the furnace's power, the fan called."""
    cases = (
        ("good", "healthy_unit", "second_opinion"), ("line open", "board_motor_line_open", "nothing_blows"),
        ("neutral open", "feeder_neutral_open", "nothing_blows"), ("reversed", "feed_reversed", "second_opinion"),
    )  # fmt: skip
    found = [mated(fault, complaint) for _, fault, complaint in cases]
    figure, axes = pyplot.subplots(figsize=(7, 3.3))
    names = ("line to neutral", "line to ground", "neutral to ground")
    for k, (name, colour) in enumerate(zip(names, ("#1b1b1b", "#33628f", "#9db8d2"), strict=True)):
        places = [x + 0.26 * k - 0.26 for x in range(len(cases))]
        axes.bar(places, [f[k].magnitude for f in found], 0.24, label=name, color=colour)
    axes.set_xticks(range(len(cases)), [name for name, _, _ in cases])
    axes.set_ylabel("reading (V)")
    axes.set_ylim(0, 165)
    axes.legend(frameon=False, ncols=3, fontsize=9, loc="upper center")
    return figure
