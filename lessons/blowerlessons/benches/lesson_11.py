"""The benches of lesson 11, constant-torque motors and outdoor fans, and the values that its exercises expect.

Rule: an expected value is what the simulation shows for the same acts, or the formula's result; no number is typed in.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from matplotlib import pyplot
from matplotlib.figure import Figure

from blowerbench import LocalBench
from blowerbench import acts as a
from blowerbench.blowers import at_speed, external_static, hold_torque
from blowerbench.hands import Hands
from blowerbench.messages import said
from blowerbench.observation import Said
from blowerbench.plant import air_changes
from blowerbench.units import ureg
from blowergrade import procedure
from blowergrade.wording import hypothesis_named
from blowerlessons.hands_on import measure, quietly, reading

FURNACE, OUTDOOR = "furnace_120_constant_torque", "outdoor_fan_240"
VARIANT = "lesson-11"
#: The speed-tap plug of this furnace, harness side: tap number to its pin; pin 4 is the common.
TAPS = {1: "tap.h3", 2: "tap.h1", 3: "tap.h6", 4: "tap.h5", 5: "tap.h2"}
COMMON = "tap.h4"
#: Pascals in an inch of water, conventional (NIST SP 811), and m3/s in a cubic foot per minute (the same).
INCH_OF_WATER, CFM = 249.0889, 4.719474e-4


# ---------------------------------------------------------------------- benches
def hands(bench: LocalBench) -> Hands:
    """What the learner's hands have done on `bench` so far."""
    return bench.session.now.hands


def furnace(fault: str = "healthy_unit", complaint: str = "second_look") -> LocalBench:
    """The furnace with the constant-torque blower; with nothing wrong unless `fault` is given."""
    return LocalBench(FURNACE, hypothesis_named(fault), complaint, variant=VARIANT)


def outdoor(fault: str = "healthy_unit", complaint: str = "second_opinion") -> LocalBench:
    """The outdoor unit; with nothing wrong unless `fault` is given."""
    return LocalBench(OUTDOOR, hypothesis_named(fault), complaint, variant=VARIANT)


def complaint_of(bench: LocalBench) -> str:
    """What the customer says."""
    return said(Said("complaint", (bench.session.complaint.id,)), "en", bench.equipment)


def ready(bench: LocalBench) -> None:
    """Glasses and gloves on, meter looked over and proved, thermostat off, door or panel off, door switch held."""
    e = bench.equipment
    quietly(bench, a.Look(), *procedure.protect(), *procedure.prove_meter(e), *procedure.lift(), a.SetThermostat("off"))
    quietly(bench, a.Wait(150), a.SetDoor(False))
    if procedure.has_door_switch(e):
        quietly(bench, a.HoldDoorSwitch(True))


def call_for(bench: LocalBench, call: a.Call, seconds: int = 20) -> None:
    """Leads off, the thermostat set to `call`, the door switch held again, and `seconds` waited."""
    quietly(bench, *procedure.lift(), *procedure.call_and_hold(bench.equipment, hands(bench), call), a.Wait(seconds))


# ---------------------------------------------------------------------- constant torque
def line_at_the_plug() -> Any:
    """Line to neutral at the motor's mated power plug, thermostat off, door switch held (V)."""
    bench = furnace()
    ready(bench)
    return measure(bench, "power.h2", "power.h1")


def tap_volts(bench: LocalBench) -> dict[int, Any]:
    """Volts from each tap to the common at the mated plug as the unit is called now: tap number to V."""
    return {tap: measure(bench, pin, COMMON) for tap, pin in TAPS.items()}


def command_on(call: a.Call) -> Any:
    """Volts from the one tap that has any to the common on `call` (V)."""
    bench = furnace()
    ready(bench)
    call_for(bench, call)
    return max(tap_volts(bench).values())


def tap_on(call: a.Call) -> str:
    """The tap that carries the command on `call`, as "tap 2"."""
    bench = furnace()
    ready(bench)
    call_for(bench, call)
    volts = tap_volts(bench)
    return f"tap {max(volts, key=lambda tap: volts[tap])}"


def air_readings(fault: str, complaint: str) -> dict[str, Any]:
    """What a technician reads on a fan call, doors on: amps in the motor's line (A), static and filter drop (in. w.c.).

    The amps are taken with the door off just before, as a clamp needs it.
    """
    bench = furnace(fault, complaint)
    ready(bench)
    call_for(bench, "fan")
    volts = tap_volts(bench)
    tap = max(volts, key=lambda t: volts[t])
    quietly(bench, *procedure.lift(), a.SetMeter("clamp"), a.PlaceClamp("power_line"))
    amps = reading(bench)
    quietly(bench, a.PlaceClamp(""), a.HoldDoorSwitch(False), a.SetDoor(True), a.Wait(20))
    quietly(bench, *procedure.open_ports(hands(bench), ("return", "inlet", "outlet")), *procedure.hoses("outlet", "inlet"))
    external = reading(bench)
    quietly(bench, *procedure.hoses("return", "inlet"))
    return {"tap": f"tap {tap}", "amps": amps, "external static": external, "filter drop": reading(bench)}


def three_units() -> dict[str, dict[str, Any]]:
    """The fan-call readings of three units: as it should be, its fan lead on a low tap, its filter dirty."""
    return {
        "as it should be": air_readings("healthy_unit", "second_look"),
        "fan lead on tap 1": air_readings("fan_on_tap_1", "weak_air"),
        "dirty filter": air_readings("filter_dirty/1", "weak_air"),
    }


def static_on_a_low_tap() -> str:
    """How the external static with the fan lead on tap 1 compares with the right tap: "higher", "lower" or "the same"."""
    right = air_readings("healthy_unit", "second_look")["external static"].magnitude
    low = air_readings("fan_on_tap_1", "weak_air")["external static"].magnitude
    if abs(low - right) <= 0.1 * right:
        return "the same"
    return "higher" if low > right else "lower"


def unknown_unit() -> dict[str, Any]:
    """The fan-call readings of a unit with caked blades: right tap, every static low, amps not low."""
    return air_readings("wheel_dirty/0", "weak_air")


def taps_figure() -> Figure:
    """Airflow (cfm) against external static (in. w.c.) for each tap, and what this house asks, filter clean and dirty."""
    bench = furnace()
    e, session = bench.equipment, bench.session
    path, module = e.air, e.module
    assert path is not None
    base = air_changes(e, session.fx, session.variant)
    figure, axes = pyplot.subplots(figsize=(7.2, 4.6))
    for tap in TAPS:
        points = []
        for factor in (0.15, 0.3, 0.5, 0.8, 1.2, 1.8, 2.6, 3.8, 5.5, 8.0):
            changes = replace(base, duct=factor)
            point = hold_torque(path, changes, module["torque"][f"tap_{tap}"], module["max_speed"], module["max_shaft"])
            points.append((external_static(path, changes, point) / INCH_OF_WATER, point.flow / CFM))
        axes.plot(*zip(*points, strict=True), label=f"tap {tap}")
    for name, changes, line in (
        ("this house", base, "k-"),
        ("this house, filter dirty", replace(base, drops=(*base.drops, ("filter", 6.0))), "k--"),
    ):
        at = [at_speed(path, changes, rpm) for rpm in range(300, 1200, 50)]
        axes.plot([external_static(path, changes, p) / INCH_OF_WATER for p in at], [p.flow / CFM for p in at], line, label=name)
    axes.set(xlabel="external static pressure (in. w.c.)", ylabel="airflow (cfm)", xlim=(0, 1.3), ylim=(0, 2000))
    axes.grid(alpha=0.3)
    axes.legend(fontsize=8)
    return figure


def bad_crimp() -> tuple[Any, Any]:
    """A fan call with a corroded crimp: FAN to C on the board, and tap 2 to common at the mated plug (V)."""
    bench = furnace("tap_fan_corroded/0", "no_air")
    ready(bench)
    call_for(bench, "fan")
    return measure(bench, "board.FAN", "board.C"), measure(bench, "tap.m1", "tap.m4")


def joint_ohms(before: Any, behind: Any) -> Any:
    """The ohms of a joint in series with an input of 1.3 kohm, from the volts before and behind it: a voltage divider."""
    burden = ureg.Quantity(1.3, "kiloohm")
    return (burden * (before - behind) / behind).to("ohm")


# ---------------------------------------------------------------------- outdoor fan
#: What is measured with the contactor open: name of the pair to its two terminals.
OPEN_CONTACTOR = {
    "L1 to L2, into the contactor": ("contactor.L1", "contactor.L2"),
    "T1 to T2, out of the contactor": ("contactor.T1", "contactor.T2"),
    "L1 to T1, across the open pole": ("contactor.L1", "contactor.T1"),
    "T1 to ground": ("contactor.T1", "cabinet.G"),
    "T2 to ground": ("contactor.T2", "cabinet.G"),
    "fan tab of the capacitor to ground": ("cap.FAN", "cabinet.G"),
    "run lead in the fan plug to ground": ("fan.h3", "cabinet.G"),
}


def measured(bench: LocalBench, pairs: dict[str, tuple[str, str]]) -> dict[str, Any]:
    """Each pair of `pairs` measured on `bench` with AC volts (V)."""
    return {name: measure(bench, *pair) for name, pair in pairs.items()}


def load_side_to_ground() -> Any:
    """T1 of the open contactor to ground, nothing calling (V)."""
    bench = outdoor()
    ready(bench)
    return measure(bench, "contactor.T1", "cabinet.G")


def shock_current(volts: Any, ohms: Any) -> Any:
    """The current through a body of `ohms` from `volts` to ground (mA): Ohm's law."""
    return (ureg.Quantity(volts) / ureg.Quantity(ohms)).to("milliampere")


def capacitor_under_load() -> tuple[Any, Any]:
    """Volts across the fan section of the run capacitor, and amps in the auxiliary lead, fan running (V, A)."""
    bench = outdoor()
    ready(bench)
    call_for(bench, "cool")
    volts = measure(bench, "cap.C", "cap.FAN")
    quietly(bench, *procedure.lift(), a.SetMeter("clamp"), a.PlaceClamp("fan_aux_lead"))
    return volts, reading(bench)


def capacitance(volts: Any, amps: Any) -> Any:
    """The capacitance that lets `amps` pass at `volts` and 60 Hz: I / (2 pi f V) (uF)."""
    return (amps / (2.0 * math.pi * ureg.Quantity(60.0, "hertz") * volts)).to("microfarad")


def winding_ohms() -> tuple[Any, Any]:
    """Run to common and auxiliary to common of the fan motor, plug out, unit locked out, leads zeroed (ohm)."""
    bench = locked_out()
    return measure(bench, "fan.m3", "fan.m4", "ohms"), measure(bench, "fan.m1", "fan.m4", "ohms")


def run_to_auxiliary() -> Any:
    """Run to auxiliary of the fan motor, plug out (ohm): both windings in series."""
    return measure(locked_out(), "fan.m1", "fan.m3", "ohms")


def locked_out() -> LocalBench:
    """The outdoor unit locked out and proved dead, capacitor discharged, fan plug apart, leads zeroed on ohms."""
    bench = outdoor()
    quietly(bench, a.Look(), *procedure.make_safe(bench.equipment, hands(bench)), a.SetDoor(False))
    quietly(bench, *procedure.discharge_capacitor(bench.equipment), a.Unplug("fan_plug"), a.SetMeter("ohms"), a.ZeroLeads())
    return bench


def to_frame(fault: str) -> str:
    """What the meter shows from a winding to the frame of the fan motor, plug out, with `fault` in the unit."""
    bench = outdoor(fault, "new_motor_last_month")
    quietly(bench, a.Look(), *procedure.make_safe(bench.equipment, hands(bench)), a.SetDoor(False))
    quietly(bench, *procedure.discharge_capacitor(bench.equipment), a.Unplug("fan_plug"), a.SetMeter("ohms"), a.ZeroLeads())
    quietly(bench, *procedure.probe("fan.m4", "motor.frame"))
    shown = bench.view().observation.shown[-1]
    return f"{shown.text} {shown.unit}"


def print_table(rows: dict[str, dict[str, Any]], columns: Sequence[str]) -> None:
    """Print `rows` with `columns`, quantities with their units."""
    print(f"{'':<20}" + "".join(f"{c:>18}" for c in columns))
    for name, row in rows.items():
        print(f"{name:<20}" + "".join(f"{row[c] if isinstance(row[c], str) else f'{row[c]:~}':>18}" for c in columns))
