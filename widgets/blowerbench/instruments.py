"""The learner's meter: what its display shows of the unit at this moment.

Rule: every reading is computed from the circuit with the meter in it; a broken lead or fuse in the meter shows here.
"""

from __future__ import annotations

import math
import tomllib
from dataclasses import dataclass
from functools import lru_cache

import blowerdata
from blowerbench.circuit import Display, MeterSpec, display, read_clamp, read_ohms, read_volts
from blowerbench.circuit.rectifier import SteadyState, port_values, steady_state
from blowerbench.equipment import Equipment
from blowerbench.hands import Hands
from blowerbench.observation import Shown
from blowerbench.plant import LINE, Plant, Simulator, edits_for, motor_watts
from blowerbench.variant import Variant


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
    """What the meter shows now; empty when it is off or not connected."""
    specs, lead_ohms = instruments()
    spec = specs.get(hands.function)
    if spec is None:
        return ()
    if hands.function == "clamp":
        if not hands.clamp:
            return ()
        value = _clamp(equipment, simulator, hands, plant, spec)
    else:
        red, black = hands.lead("red"), hands.lead("black")
        if not red or not black:
            return ()
        value = _probe(simulator, hands, plant, spec, (red, black), lead_ohms)
    shown = display(value, spec, variant.meter_gain, variant.meter_offset if value else 0.0)
    return (Reading(_shown(hands.function, shown), value, spec),)


def _shown(function: str, shown: Display) -> Shown:
    return Shown(function, shown.text, shown.unit)


def _probe(
    simulator: Simulator, hands: Hands, plant: Plant, spec: MeterSpec, leads: tuple[str, str], lead_ohms: float
) -> float:
    fx = simulator.fx
    through_fuse = hands.function in ("ohms", "low_z")
    if fx.setting("lead.open") or (fx.setting("meter.fuse_blown") and through_fuse):
        return math.inf if hands.function == "ohms" else 0.0
    state = simulator.state(plant, hands)
    if hands.function == "ohms":
        return read_ohms(state, *leads, spec, lead_ohms, lead_ohms if hands.zeroed else 0.0)
    return read_volts(state, *leads, spec)


def rectifier_state(equipment: Equipment, simulator: Simulator, hands: Hands, plant: Plant) -> SteadyState:
    """The steady state of the control module's rectifier on the circuit that feeds it now."""
    a, b = equipment.module["line"]
    bare = simulator.circuit.solve(edits_for(equipment, simulator.fx, hands, plant, module_load=False))
    volts, impedance = bare.port(a, b, LINE)
    ohms, henry = port_values(impedance, LINE)
    farads = 2.0 * float(equipment.module["farads"]) * simulator.variant.tolerances.capacitor
    return steady_state(
        complex(float(f"{abs(volts):.6g}")), float(f"{ohms:.6g}"), float(f"{henry:.6g}"),
        "doubler" if _linked(equipment, simulator, hands) else "bridge", farads, motor_watts(equipment, plant), 480e3, LINE,
    )  # fmt: skip


def _linked(equipment: Equipment, simulator: Simulator, hands: Hands) -> bool:
    broken = any(x in simulator.fx.opened for x in equipment.module["link_parts"])
    return not broken and equipment.module["plug"] not in hands.parted


def _clamp(equipment: Equipment, simulator: Simulator, hands: Hands, plant: Plant, spec: MeterSpec) -> float:
    """Amperes in the clamped conductor: the linear part, and the share of the rectifier's current that flows there.

    The share is taken at line frequency for every harmonic: in a conductor in series with the module it is 1, elsewhere
    almost 0, and the wires' inductances that would change it are a thousandth of the rectifier's own impedance.
    """
    fx = simulator.fx
    bare = simulator.circuit.solve(edits_for(equipment, fx, hands, plant, module_load=False))
    linear = bare.current(hands.clamp, LINE)
    if not plant.charged:
        return read_clamp(abs(linear), spec)
    loaded = simulator.circuit.solve(edits_for(equipment, fx, hands, plant))
    a, b = equipment.module["line"]
    drawn = loaded.voltage(a, b, LINE) / (equipment.ratings["supply"] ** 2 / motor_watts(equipment, plant))
    share = (loaded.current(hands.clamp, LINE) - linear) / drawn if drawn else 0.0
    if hands.clamp in equipment.module["link_series"] and _linked(equipment, simulator, hands):
        share = 1.0  # a doubler's line current goes through the link; the linear network does not know that
    volts, _ = bare.port(a, b, LINE)
    currents = rectifier_state(equipment, simulator, hands, plant).injected(volts)
    fundamental = linear + share * complex(currents[1])
    rest = sum(abs(share * complex(c)) ** 2 for c in currents[2:])
    return read_clamp(math.sqrt(abs(fundamental) ** 2 + rest), spec)
