"""The benches and small circuits of lesson 2, circuits and readings, and the values that its exercises expect.

Rule: an expected value is what the circuit solver shows for the circuit in the text; no number is typed in.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib import pyplot
from matplotlib.figure import Figure

from blowerbench import LocalBench
from blowerbench import acts as a
from blowerbench.circuit import Circuit, Edits, MeterSpec, State, load_network, read_ohms, read_volts
from blowerbench.circuit.rectifier import SteadyState, steady_state
from blowerbench.faults import Hypothesis
from blowerbench.units import ureg
from blowergrade import procedure
from blowerlessons.hands_on import measure, quietly

FURNACE = "furnace_120_constant_airflow"
VARIANT = "lesson-02"
#: An ideal meter, an ordinary voltmeter, and one that loads on purpose.
IDEAL_OHMS, HIGH_OHMS, LOW_OHMS = 1e15, 10e6, 3e3
OHMS = MeterSpec("ohms", coupling="dc", unit="ohm", ranges=(600.0, 6e3, 60e3, 600e3, 6e6, 60e6))


# ---------------------------------------------------------------------- benches
def healthy() -> LocalBench:
    """The furnace with nothing wrong, calling for the fan."""
    return LocalBench(FURNACE, "healthy_unit", "second_opinion", variant=VARIANT)


def hanging_wire() -> LocalBench:
    """A furnace whose G wire is open in the wall: protection on, meter proved, the thermostat off."""
    bench = LocalBench(FURNACE, "wall_G_open", "no_fan_new_thermostat", variant=VARIANT)
    return _ready(bench)


def burnt_contact() -> LocalBench:
    """A furnace whose door switch is badly burnt: meter proved, door off, its switch held in, the thermostat off."""
    bench = _ready(LocalBench(FURNACE, Hypothesis("door_switch_burnt", 1), "nothing_blows", variant=VARIANT))
    quietly(bench, a.SetDoor(on=False), a.HoldDoorSwitch(held=True))
    return bench


def locked_out() -> LocalBench:
    """The healthy furnace made safe and proved dead, its door off: ohms may be measured."""
    bench = healthy()
    quietly(bench, *procedure.make_safe(bench.equipment, bench.session.now.hands), a.SetDoor(on=False))
    return bench


def _ready(bench: LocalBench) -> LocalBench:
    quietly(bench, *procedure.protect(), *procedure.prove_meter(bench.equipment), *procedure.lift())
    quietly(bench, a.SetThermostat(call="off"))
    return bench


def call_fan(bench: LocalBench) -> None:
    """The fan called, the door switch held in again, half a minute waited."""
    quietly(bench, a.SetThermostat(call="fan"), a.HoldDoorSwitch(held=True), a.Wait(seconds=30))


def ghost_volts() -> Any:
    """G to C at the thermostat while nothing feeds G, on AC volts (V)."""
    return measure(hanging_wire(), "stat.G", "stat.C")


def dropped_at_rest() -> Any:
    """Across the held door switch while nothing runs (V)."""
    return measure(burnt_contact(), "door.line", "door.load")


def dropped_under_load() -> Any:
    """Across the held door switch with the fan called (V)."""
    bench = burnt_contact()
    call_fan(bench)
    return measure(bench, "door.line", "door.load")


def across_the_switch() -> str:
    """What happens to the volts across the burnt switch when the fan is called: "more", "less" or "the same"."""
    rest, load = dropped_at_rest(), dropped_under_load()
    return "more" if load > 1.2 * rest else "less" if load < 0.8 * rest else "the same"


def winding_ohms(zeroed: bool) -> Any:
    """The transformer's secondary winding, dead and locked out, the leads zeroed or not (ohm)."""
    bench = locked_out()
    quietly(bench, a.SetMeter(function="ohms"), *([a.ZeroLeads()] if zeroed else []))
    return measure(bench, "transformer.S1", "transformer.S2", "ohms")


def lead_ohms() -> Any:
    """What the two leads themselves add (ohm)."""
    return winding_ohms(zeroed=False) - winding_ohms(zeroed=True)


# ---------------------------------------------------------------------- small circuits
def in_series(volts: float, *ohms: float) -> State:
    """A direct source of `volts` with the resistors `ohms` (ohm) in series across it; nodes n0 (plus) to nN, and 0."""
    nodes = ["0", *(f"n{k}" for k in range(len(ohms)))]
    parts: list[dict[str, Any]] = [
        {"kind": "source", "name": "source", "a": "n0", "b": "0", "frequency": "0 Hz", "voltage": f"{volts} V",
         "resistance": "1e-6 ohm"},
    ]  # fmt: skip
    for k, r in enumerate(ohms):
        end = f"n{k + 1}" if k + 1 < len(ohms) else "0"
        parts.append({"kind": "resistor", "name": f"r{k}", "a": f"n{k}", "b": end, "resistance": f"{r} ohm"})
    return _solved(nodes, parts)


def in_parallel(volts: float, inner: float, *ohms: float) -> State:
    """A direct source of `volts` behind `inner` ohms with the resistors `ohms` across it; its terminals are n1 and 0."""
    parts: list[dict[str, Any]] = [
        {"kind": "source", "name": "source", "a": "n0", "b": "0", "frequency": "0 Hz", "voltage": f"{volts} V",
         "resistance": "1e-6 ohm"},
        {"kind": "resistor", "name": "inner", "a": "n0", "b": "n1", "resistance": f"{inner} ohm"},
        *({"kind": "resistor", "name": f"r{k}", "a": "n1", "b": "0", "resistance": f"{r} ohm"} for k, r in enumerate(ohms)),
    ]  # fmt: skip
    return _solved(["0", "n0", "n1"], parts)


def _solved(nodes: list[str], parts: list[dict[str, Any]]) -> State:
    network = {"reference": "0", "stray_capacitance": "0 F", "leakage": "1e18 ohm", "nodes": nodes}
    return Circuit(load_network({"network": network, "part": parts}, "a small circuit")).solve(Edits())


def volts(state: State, red: str, black: str, meter_ohms: float = IDEAL_OHMS) -> Any:
    """What a direct voltmeter of `meter_ohms` reads between two nodes (V)."""
    read = read_volts(state, red, black, MeterSpec("meter", meter_ohms, "dc"))
    return ureg.Quantity(float(read), "volt")


def ohms(state: State, red: str, black: str) -> Any:
    """What an ohmmeter makes of two nodes of a circuit, its source on or off (ohm)."""
    return ureg.Quantity(float(read_ohms(state, red, black, OHMS)), "ohm")


def amps(volts_across: Any, resistance: float) -> Any:
    """The current through `resistance` (ohm) with `volts_across` on it (A)."""
    return (volts_across / ureg.Quantity(resistance, "ohm")).to("ampere")


def loaded_half() -> Any:
    """30 V over two equal resistors of 400 kohm, a meter of 400 kohm on the lower one (V)."""
    return volts(in_series(30.0, 400e3, 400e3), "n1", "0", 400e3)


def starter_volts(bad_joint: float = 0.0) -> Any:
    """A 12 V source of 0.01 ohm with a motor of 0.05 ohm, and a bad joint between them: volts across the motor (V)."""
    return volts(in_series(12.0, 0.01 + bad_joint, 0.05), "n1", "0")


def battery_volts(load: float) -> Any:
    """The terminals of a 12 V source of 0.1 ohm with a load across them (V)."""
    return volts(in_parallel(12.0, 0.1, load), "n1", "0")


def parallel_volts() -> Any:
    """The same source with two loads of 1 ohm in parallel (V)."""
    return volts(in_parallel(12.0, 0.1, 1.0, 1.0), "n1", "0")


# ---------------------------------------------------------------------- the motor's line current
def motor_current() -> SteadyState:
    """The line current of a control module at half load on 120 V (A)."""
    return steady_state(120.0, 0.15, 5e-5, "doubler", 680e-6, 250.0, 60e3)


def true_rms() -> Any:
    """What a true-RMS clamp reads of that current (A)."""
    return ureg.Quantity(motor_current().line_rms, "ampere")


def average_responding() -> Any:
    """What an average-responding clamp makes of the same current (A)."""
    return ureg.Quantity(motor_current().average_responding_rms, "ampere")


def shown_share() -> Any:
    """What the average-responding clamp shows, as a share of the true value (a plain number)."""
    return (average_responding() / true_rms()).to("dimensionless")


# ---------------------------------------------------------------------- plots
def load_plot() -> Figure:
    """What meters of different resistance read in the middle of two dividers: one of small resistors, one of large ones."""
    figure, axes = pyplot.subplots(figsize=(7, 3.6))
    meters = np.logspace(3, 8, 60)
    for size, mark, text in ((400.0, "-", "two of 400 ohm"), (400e3, "--", "two of 400 kohm")):
        state = in_series(30.0, size, size)
        axes.plot(meters, [volts(state, "n1", "0", float(m)).magnitude for m in meters], mark, label=text, color="black")
    for place, text in ((LOW_OHMS, "low-impedance\nfunction"), (HIGH_OHMS, "ordinary\nvoltmeter")):
        axes.axvline(place, color="#33628f", linewidth=1)
        axes.annotate(text, (place, 2.0), color="#33628f", fontsize=9, xytext=(4, 0), textcoords="offset points")
    axes.set_xscale("log")
    axes.set_xlabel("resistance of the meter (ohm)")
    axes.set_ylabel("reading (V)")
    axes.set_ylim(0, 16)
    axes.legend(frameon=False)
    return figure


def current_plot() -> Figure:
    """One cycle of the motor's line current beside a sine of the same RMS value."""
    found = motor_current()
    angle = np.linspace(0.0, 2.0 * np.pi, 721)
    order = np.arange(len(found.harmonics))
    wave = np.sqrt(2.0) * np.real(np.exp(1j * np.outer(angle, order)) @ found.harmonics)
    figure, axes = pyplot.subplots(figsize=(7, 3.4))
    axes.plot(np.degrees(angle), wave, color="black", label="line current of the module")
    axes.plot(
        np.degrees(angle), np.sqrt(2.0) * found.line_rms * np.cos(angle), "--", color="#33628f", label="a sine of the same RMS"
    )
    axes.set_xlabel("degrees of one cycle")
    axes.set_ylabel("current (A)")
    axes.axhline(0.0, color="grey", linewidth=0.8)
    axes.legend(frameon=False, loc="upper center")
    return figure
