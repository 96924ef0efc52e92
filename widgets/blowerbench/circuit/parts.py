"""What a circuit is made of.

Rule: a part knows its own physics and nothing else. Every two-terminal part is one branch whose current,
flowing inside it from `a` to `b`, is an unknown of its own: v_a − v_b − Z·i = E. All values are SI floats;
volts and amperes of an alternating line are rms.
"""

from __future__ import annotations

import cmath
import math
from dataclasses import dataclass
from typing import ClassVar

INFINITE = complex(math.inf, 0.0)

COPPER_RESISTIVITY_20 = 1.0 / 58.0e6  # ohm·m: IACS copper, 1/58 ohm·mm²/m at 20 °C
COPPER_ALPHA_20 = 0.00393  # per kelvin, copper at 20 °C (from memory)
SMALLEST_RESISTANCE = (
    1e-6  # ohm: below this a wire or contact is lifted to it, so that no loop is made of zeros
)

GROUPS = ("supply", "ratio", "wire", "resistor", "winding", "capacitor")


def awg_diameter(awg: float) -> float:
    """Diameter in metres of a solid wire of American wire gauge `awg` (0.005 in · 92^((36 − n)/39), ASTM
    B258).
    """
    return float(0.0254 * 0.005 * 92.0 ** ((36.0 - awg) / 39.0))


def wire_resistance(awg: float, length: float, celsius: float = 20.0) -> float:
    """Resistance in ohms of `length` metres of copper wire of gauge `awg` at `celsius`."""
    area = math.pi * awg_diameter(awg) ** 2 / 4.0
    return COPPER_RESISTIVITY_20 * length / area * (1.0 + COPPER_ALPHA_20 * (celsius - 20.0))


@dataclass(frozen=True, slots=True)
class Source:
    """An EMF behind an impedance; it makes `a` positive to `b`. At every other line it is its impedance
    alone.
    """

    name: str
    a: str
    b: str
    frequency: float  # Hz; 0 is direct
    volts: float  # rms, or plain at 0 Hz
    phase_deg: float = 0.0
    resistance: float = 0.0  # ohm
    inductance: float = 0.0  # henry
    group: str = "supply"  # scales the EMF only

    kind: ClassVar[str] = "source"

    def impedance(self, omega: float, scale: float = 1.0) -> complex:
        """Ohms at `omega` rad/s; the tolerance of the supply does not touch it."""
        return complex(self.resistance, omega * self.inductance)

    def emf(self, volts: float) -> complex:
        """The phasor of `volts` at this source's own phase."""
        return cmath.rect(volts, math.radians(self.phase_deg)) if self.frequency > 0.0 else complex(volts)


@dataclass(frozen=True, slots=True)
class Wire:
    """A wire, the only part a clamp goes around."""

    name: str
    a: str
    b: str
    resistance: float  # ohm
    awg: float | None = None
    length: float | None = None  # metre
    group: str = "wire"

    kind: ClassVar[str] = "wire"

    def impedance(self, omega: float, scale: float = 1.0) -> complex:
        """Ohms, the same at every line."""
        return complex(max(self.resistance * scale, SMALLEST_RESISTANCE))


@dataclass(frozen=True, slots=True)
class Contact:
    """A switched contact; `closed` is how it stands before anything happens. A burnt one is its resistance
    raised.
    """

    name: str
    a: str
    b: str
    closed: bool = True
    resistance: float = 0.02  # ohm
    group: str = ""

    kind: ClassVar[str] = "contact"

    def impedance(self, omega: float, scale: float = 1.0) -> complex:
        """Ohms of the closed contact."""
        return complex(max(self.resistance * scale, SMALLEST_RESISTANCE))


@dataclass(frozen=True, slots=True)
class Pin:
    """One pin of a connector: `a` on the harness side, `b` on the device side. Parted is open; corroded is
    ohms.
    """

    name: str
    a: str
    b: str
    connector: str
    number: int
    resistance: float = 0.005  # ohm
    group: str = ""

    kind: ClassVar[str] = "pin"

    def impedance(self, omega: float, scale: float = 1.0) -> complex:
        """Ohms of the mated pin."""
        return complex(max(self.resistance * scale, SMALLEST_RESISTANCE))


@dataclass(frozen=True, slots=True)
class Fuse:
    """A fuse; blown is open."""

    name: str
    a: str
    b: str
    resistance: float  # ohm, cold
    rating: float  # ampere
    group: str = ""

    kind: ClassVar[str] = "fuse"

    def impedance(self, omega: float, scale: float = 1.0) -> complex:
        """Ohms of the whole fuse."""
        return complex(max(self.resistance * scale, SMALLEST_RESISTANCE))


@dataclass(frozen=True, slots=True)
class Resistor:
    """A plain resistance: a load, a burden, an insulation."""

    name: str
    a: str
    b: str
    resistance: float  # ohm
    group: str = "resistor"

    kind: ClassVar[str] = "resistor"

    def impedance(self, omega: float, scale: float = 1.0) -> complex:
        """Ohms, the same at every line."""
        return complex(self.resistance * scale)


@dataclass(frozen=True, slots=True)
class Winding:
    """A coil: resistance and inductance in series."""

    name: str
    a: str
    b: str
    resistance: float  # ohm
    inductance: float = 0.0  # henry
    group: str = "winding"

    kind: ClassVar[str] = "winding"

    def impedance(self, omega: float, scale: float = 1.0) -> complex:
        """Ohms at `omega` rad/s; the tolerance scales both resistance and inductance."""
        return complex(self.resistance, omega * self.inductance) * scale


@dataclass(frozen=True, slots=True)
class Capacitor:
    """A capacitor: open at 0 Hz, unless a state holds it charged."""

    name: str
    a: str
    b: str
    capacitance: float  # farad
    esr: float = 0.0  # ohm
    group: str = "capacitor"

    kind: ClassVar[str] = "capacitor"

    def impedance(self, omega: float, scale: float = 1.0) -> complex:
        """Ohms at `omega` rad/s, infinite at 0; the tolerance scales the capacitance."""
        if omega == 0.0:
            return INFINITE
        return complex(self.esr, -1.0 / (omega * self.capacitance * scale))


@dataclass(frozen=True, slots=True)
class Transformer:
    """Two coupled windings: `ratio` is primary over secondary turns, p1 and s1 are the like ends.

    Equivalent circuit: winding resistance and leakage on each side, magnetising inductance beside core
    resistance on the primary. It is two branches, `NAME.primary` (p1 to p2) and `NAME.secondary` (s1 to
    s2).
    """

    name: str
    p1: str
    p2: str
    s1: str
    s2: str
    ratio: float
    primary_resistance: float  # ohm
    secondary_resistance: float  # ohm
    primary_leakage: float  # henry
    secondary_leakage: float  # henry
    magnetising: float  # henry, seen from the primary
    core_resistance: float = math.inf  # ohm, seen from the primary
    group: str = "ratio"

    kind: ClassVar[str] = "transformer"

    def impedances(self, omega: float, scale: float = 1.0) -> tuple[complex, complex, complex]:
        """(primary, secondary, mutual) ohms at `omega` rad/s; the tolerance scales the turns ratio."""
        ratio = self.ratio * scale
        reactance = 1j * omega * self.magnetising
        core = (
            reactance
            if math.isinf(self.core_resistance)
            else (reactance * self.core_resistance / (reactance + self.core_resistance))
        )
        primary = complex(self.primary_resistance, omega * self.primary_leakage) + core
        secondary = complex(self.secondary_resistance, omega * self.secondary_leakage) + core / ratio**2
        return primary, secondary, core / ratio


TwoTerminal = Source | Wire | Contact | Pin | Fuse | Resistor | Winding | Capacitor
Part = TwoTerminal | Transformer
