"""The tolerances of one unit and one meter: what makes each learner's numbers their own.

Rule: a variant moves numbers inside stated bands and never changes a diagnosis. The bands are ours; the supply band lies
inside ANSI C84.1 Range A (114 to 126 V at the service).
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass

from blowerbench.circuit import Tolerances

#: Half-width of the band of what the rooms give: the duct system as a fraction, the return air in kelvin.
DUCT_BAND = 0.10
ROOM_BAND = 2.0
#: Half-width of each band of the circuit as a fraction.
BANDS = {"supply": 0.03, "ratio": 0.02, "wire": 0.12, "resistor": 0.04, "winding": 0.06, "capacitor": 0.10}


@dataclass(frozen=True, slots=True)
class Variant:
    """One draw: where in its band each group lies (−1 to 1), and where in its class each meter error lies (−1 to 1)."""

    name: str
    supply: float = 0.0
    ratio: float = 0.0
    wire: float = 0.0
    resistor: float = 0.0
    winding: float = 0.0
    capacitor: float = 0.0
    meter_gain: float = 0.0
    meter_offset: float = 0.0
    duct: float = 0.0
    room: float = 0.0

    @property
    def duct_factor(self) -> float:
        """The factor on what ducts and registers drop."""
        return 1.0 + DUCT_BAND * self.duct

    @property
    def room_kelvin(self) -> float:
        """Kelvin that the return air is warmer than the equipment file says."""
        return ROOM_BAND * self.room

    @property
    def tolerances(self) -> Tolerances:
        """The multipliers that the circuit applies to each tolerance group."""
        return Tolerances(**{g: 1.0 + BANDS[g] * getattr(self, g) for g in BANDS})


NOMINAL = Variant("nominal")


def draw_variant(seed: str) -> Variant:
    """The variant of `seed`: the same text gives the same variant on every machine (SHA-256, no library's generator)."""
    digest = hashlib.sha256(f"variant:{seed}".encode()).digest()
    unit = [2.0 * int.from_bytes(digest[3 * k : 3 * k + 3], "big") / 0xFFFFFF - 1.0 for k in range(10)]
    return Variant(seed, *unit)


def extreme_variants() -> tuple[Variant, ...]:
    """The centre and four corners of the band box.

    Readings of a resistive network are monotone in each value, so corners bracket them: highest and lowest volts, the
    largest and smallest share lost in wires. `blowergrade.evidence` widens the bracket by a guard for the corners that
    this small plan does not visit, and a property test looks for misses.
    """
    return (
        NOMINAL,
        Variant("high", supply=1, ratio=-1, wire=-1, resistor=1, winding=1, capacitor=1, duct=1, room=1),
        Variant("low", supply=-1, ratio=1, wire=1, resistor=-1, winding=-1, capacitor=-1, duct=-1, room=-1),
        Variant("stiff", supply=1, ratio=-1, wire=1, resistor=-1, winding=-1, capacitor=-1, duct=-1, room=1),
        Variant("soft", supply=-1, ratio=1, wire=-1, resistor=1, winding=1, capacitor=1, duct=1, room=-1),
    )
