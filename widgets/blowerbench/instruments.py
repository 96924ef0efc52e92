"""The learner's instruments: what meter, manometer and thermometer show of the unit at this moment.

Rule: every reading is computed from the circuit with the meter in it; a broken lead or fuse in the meter shows here.
"""

from __future__ import annotations

import math
import tomllib
from dataclasses import dataclass
from functools import lru_cache

import blowerdata
from blowerbench.air import static
from blowerbench.circuit import Display, MeterSpec, display, read_clamp, read_ohms, read_volts
from blowerbench.circuit.rectifier import SteadyState, port_values, steady_state
from blowerbench.equipment import Equipment
from blowerbench.hands import Hands
from blowerbench.motors import linked
from blowerbench.observation import Shown
from blowerbench.plant import LINE, Plant, air_changes, motor_shunt
from blowerbench.simulator import Simulator
from blowerbench.units import ureg
from blowerbench.variant import Variant
from blowerbench.warmth import temperature_at

NOTICED = 0.5  # volts dropped by the motor's current from which its harmonics are counted
PASCALS_PER_INCH = float(ureg.Quantity(1.0, "in_wc").to("pascal").magnitude)


@dataclass(frozen=True, slots=True)
class Reading:
    """A display with the true value behind it (V, ohm or A) and the specification of the instrument that shows it."""

    shown: Shown
    value: float
    spec: MeterSpec


@lru_cache(maxsize=1)
def instruments() -> tuple[dict[str, MeterSpec], float]:
    """The meter's functions by name, and the ohms of its two leads together."""
    raw = tomllib.loads(blowerdata.path("tables", "instruments.toml").read_text(encoding="utf-8"))
    specs = {m["name"]: MeterSpec(**{**m, "ranges": tuple(m["ranges"])}) for m in raw["meter"]}
    return specs, float(raw["lead_ohms"])


def read_instruments(
    equipment: Equipment, simulator: Simulator, hands: Hands, plant: Plant, variant: Variant
) -> tuple[Reading, ...]:
    """What the instruments show now: the meter if it is on and connected, then manometer and thermometers if placed."""
    specs, lead_ohms = instruments()
    found: list[tuple[str, float]] = []
    spec = specs.get(hands.function)
    red, black = hands.lead("red"), hands.lead("black")
    if spec is not None and hands.function == "clamp":
        if hands.clamp:
            found.append(("clamp", _clamp(equipment, simulator, hands, plant, spec)))
    elif spec is not None and red and black:
        found.append((hands.function, _probe(simulator, hands, plant, spec, (red, black), lead_ohms)))
    if hands.hoses:
        found.append(("manometer", _inches(equipment, simulator, hands, plant)))
    for probe, port in hands.probes:
        celsius = temperature_at(equipment, plant, variant, port)
        found.append((f"{probe}_thermometer", celsius * 1.8 + 32.0))
    return tuple(_reading(name, value, specs[name], variant) for name, value in found)


def connected(hands: Hands) -> bool:
    """Whether `hands` have left any instrument where it shows something."""
    if hands.hoses or hands.probes:
        return True
    if hands.function == "clamp":
        return bool(hands.clamp)
    return hands.function in instruments()[0] and bool(hands.lead("red") and hands.lead("black"))


def _reading(name: str, value: float, spec: MeterSpec, variant: Variant) -> Reading:
    shown = display(value, spec, variant.meter_gain, variant.meter_offset if value else 0.0)
    return Reading(_shown(name, shown), value, spec)


def _inches(equipment: Equipment, simulator: Simulator, hands: Hands, plant: Plant) -> float:
    """Inches of water that the manometer reads, high hose less low hose; a hose in no port is open to the room."""
    if equipment.air is None:
        return 0.0
    changes = air_changes(equipment, simulator.fx_at(plant), simulator.variant, hands.door_on)
    sides = {hose: static(equipment.air, changes, plant.point, port) for hose, port in hands.hoses}
    return (sides.get("high", 0.0) - sides.get("low", 0.0)) / PASCALS_PER_INCH


def _shown(function: str, shown: Display) -> Shown:
    return Shown(function, shown.text, shown.unit)


def _probe(
    simulator: Simulator, hands: Hands, plant: Plant, spec: MeterSpec, leads: tuple[str, str], lead_ohms: float
) -> float:
    fx = simulator.fx_at(plant)
    through_fuse = hands.function in ("ohms", "low_z", "farads")
    if fx.setting("lead.open") or (fx.setting("meter.fuse_blown") and through_fuse):
        return math.inf if hands.function == "ohms" else 0.0
    if hands.function == "farads":
        return _farads(simulator, hands, plant, leads)
    state = simulator.state(plant, hands)
    if hands.function == "ohms":
        return read_ohms(state, *leads, spec, lead_ohms, lead_ohms if hands.zeroed else 0.0)
    if spec.coupling == "ac" and plant.charged and simulator.equipment.electronic:
        dropped = _dropped(simulator, hands, plant, leads)
        if abs(dropped) > NOTICED:
            return _rectified(simulator, hands, plant, spec, leads)
    return read_volts(state, *leads, spec)


def _dropped(simulator: Simulator, hands: Hands, plant: Plant, leads: tuple[str, str]) -> complex:
    """Volts that the motor's current takes from between the leads, as the linear load draws it."""
    bare = simulator.state(plant, hands, dc=False, module_load=False)
    loaded = simulator.state(plant, hands, dc=False)
    return bare.voltage(*leads, LINE) - loaded.voltage(*leads, LINE)


def _rectified(simulator: Simulator, hands: Hands, plant: Plant, spec: MeterSpec, leads: tuple[str, str]) -> float:
    """True-rms volts between the leads with the rectifier's own current, harmonics included, in place of the linear load's.

    The transfer is taken at line frequency for every harmonic, as for the clamp, so that volts and amps agree.
    """
    equipment = simulator.equipment
    bare = simulator.state(plant, hands, dc=False, module_load=False)
    loaded = simulator.state(plant, hands, dc=False)
    a, b = equipment.module["line"]
    drawn = loaded.voltage(a, b, LINE) / motor_shunt(equipment, plant).ohms
    if abs(drawn) < 1e-9:
        return read_volts(loaded, *leads, spec)
    transfer = (bare.voltage(*leads, LINE) - loaded.voltage(*leads, LINE)) / drawn
    volts, _ = bare.port(a, b, LINE)
    currents = rectifier_state(equipment, simulator, hands, plant).injected(volts)
    first = bare.voltage(*leads, LINE) - transfer * complex(currents[1])
    rest = sum(abs(transfer * complex(c)) ** 2 for c in currents[2:])
    meter = spec.input_ohms / (spec.input_ohms + loaded.impedance(*leads, LINE))
    return abs(meter) * math.sqrt(abs(first) ** 2 + rest)


def _farads(simulator: Simulator, hands: Hands, plant: Plant, leads: tuple[str, str]) -> float:
    """Farads between the leads, by the reactance at line frequency; infinite where it is live or no capacitor."""
    state = simulator.state(plant, hands, dc=False, module_load=False)
    volts, impedance = state.port(*leads, LINE)
    if abs(volts) > 1.0 or impedance.imag >= 0.0 or abs(impedance.real) > 30.0 * abs(impedance.imag):
        return math.inf
    return -1.0 / (2.0 * math.pi * LINE * impedance.imag)


def rectifier_state(equipment: Equipment, simulator: Simulator, hands: Hands, plant: Plant) -> SteadyState:
    """The steady state of the control module's rectifier on the circuit that feeds it now."""
    a, b = equipment.module["line"]
    fx = simulator.fx_at(plant)
    bare = simulator.state(plant, hands, dc=False, module_load=False)
    volts, impedance = bare.port(a, b, LINE)
    ohms, henry = port_values(impedance, LINE)
    doubler = linked(equipment, fx, hands)
    farads = float(equipment.module["farads"]) * simulator.variant.tolerances.capacitor
    bleeder = equipment.wire(equipment.module["bleeder"]).resistance
    return steady_state(
        complex(float(f"{abs(volts):.6g}")), float(f"{ohms:.6g}"), float(f"{henry:.6g}"),
        "doubler" if doubler else "bridge", 2.0 * farads, plant.watts, bleeder, LINE,
    )  # fmt: skip


def _clamp(equipment: Equipment, simulator: Simulator, hands: Hands, plant: Plant, spec: MeterSpec) -> float:
    """Amperes in the clamped conductor: the linear part, and the share of the rectifier's current that flows there.

    The share is taken at line frequency for every harmonic: in a conductor in series with the module it is 1, elsewhere
    almost 0, and the wires' inductances that would change it are a thousandth of the rectifier's own impedance.
    """
    fx = simulator.fx_at(plant)
    if not equipment.electronic:
        loaded = simulator.state(plant, hands, dc=False)
        return read_clamp(abs(loaded.current(hands.clamp, LINE)), spec)
    bare = simulator.state(plant, hands, dc=False, module_load=False)
    linear = bare.current(hands.clamp, LINE)
    if not plant.charged:
        return read_clamp(abs(linear), spec)
    loaded = simulator.state(plant, hands, dc=False)
    a, b = equipment.module["line"]
    drawn = loaded.voltage(a, b, LINE) / motor_shunt(equipment, plant).ohms
    share = (loaded.current(hands.clamp, LINE) - linear) / drawn if drawn else 0.0
    if hands.clamp in equipment.module.get("link_series", ()) and linked(equipment, fx, hands):
        share = 1.0  # a doubler's line current goes through the link; the linear network does not know that
    volts, _ = bare.port(a, b, LINE)
    currents = rectifier_state(equipment, simulator, hands, plant).injected(volts)
    fundamental = linear + share * complex(currents[1])
    rest = sum(abs(share * complex(c)) ** 2 for c in currents[2:])
    return read_clamp(math.sqrt(abs(fundamental) ** 2 + rest), spec)
