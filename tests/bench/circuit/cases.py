"""Networks and random cases that the circuit's tests share.

A case is a fault on top of a state of the contacts, and one question: a voltmeter's, an ohmmeter's or a
clamp's reading.
"""

from __future__ import annotations

import random
import tomllib
from dataclasses import dataclass
from typing import Any

import sampling

import blowerdata
from blowerbench.circuit import (
    Capacitor,
    Edits,
    MeterSpec,
    Network,
    Shunt,
    Source,
    State,
    load_network,
    read_ohms,
    read_volts,
    wire_resistance,
)
from blowerbench.units import quantity

FURNACE = "furnace_120_constant_airflow"
UNITS = tuple(sorted(path.stem for path in blowerdata.path("equipment").glob("*.toml")))
FIXED_SEED = 1729

HIGH_AC = MeterSpec("digital AC volts", 10e6, "ac")
HIGH_DC = MeterSpec("digital DC volts", 10e6, "dc")
LOW_AC = MeterSpec("low-impedance AC volts", 3e3, "ac")
LOW_DC = MeterSpec("low-impedance DC volts", 3e3, "dc")
OHMS = MeterSpec("ohmmeter", coupling="dc", unit="ohm", ranges=(600.0, 6e3, 60e3, 600e3, 6e6, 60e6), accuracy_percent=0.9)
VOLTMETERS = (HIGH_AC, HIGH_DC, LOW_AC, LOW_DC)


def generators(fixed: int, drawn: int) -> list[tuple[random.Random, int]]:
    """(generator, how many cases to draw from it): the same every time, and by the run's seed.

    A long run takes five times as many.
    """
    times = 5 if sampling.long_run() else 1
    return [(random.Random(FIXED_SEED), fixed * times), (random.Random(sampling.seed()), drawn * times)]


def table_of(unit: str = FURNACE) -> dict[str, Any]:
    """The equipment file of `unit` as read."""
    return tomllib.loads(blowerdata.path("equipment", f"{unit}.toml").read_text(encoding="utf-8"))


def network_of(unit: str = FURNACE, smallest: float = 0.0) -> Network:
    """The network of `unit`, its wires raised to `smallest` ohms where they are below it."""
    table = table_of(unit)
    for row in table["part"]:
        if row["kind"] == "wire" and _wire_ohms(row) < smallest:
            row["resistance"] = f"{smallest} ohm"
    return load_network(table, unit)


def _wire_ohms(row: dict[str, Any]) -> float:
    if "resistance" in row:
        return quantity(row["resistance"], "ohm")
    return wire_resistance(row["awg"], quantity(row["length"], "m"))


def sources(network: Network, direct: bool) -> list[str]:
    """The names of the network's direct or alternating sources."""
    parts = network.parts.values()
    return [part.name for part in parts if isinstance(part, Source) and (part.frequency == 0.0) == direct]


@dataclass(frozen=True)
class Case:
    """One question: `ask` is "volts", "ohms" or "amps"; `red` is the branch for "amps"."""

    edits: Edits
    ask: str
    red: str
    black: str
    meter: MeterSpec

    @property
    def frequency(self) -> float:
        """The line that the meter reads."""
        return 60.0 if self.meter.coupling == "ac" else 0.0

    def ours(self, state: State) -> complex:
        """The reading by the package, in V, ohm or A (complex for a current)."""
        if self.ask == "amps":
            return state.current(self.red, self.frequency)
        if self.ask == "ohms":
            return complex(read_ohms(state, self.red, self.black, self.meter))
        return complex(read_volts(state, self.red, self.black, self.meter))


def random_state(network: Network, draw: random.Random) -> Edits:
    """Some contacts open, the bus capacitors perhaps charged."""
    contacts = [branch.name for branch in network.branches if branch.part.kind == "contact"]
    opened = frozenset(name for name in contacts if draw.random() < 0.35)
    if network.connectors and draw.random() < 0.3:  # a plug pulled
        opened |= {pin.name for pin in network.connectors[draw.choice(sorted(network.connectors))]}
    held: tuple[tuple[str, float], ...] = ()
    bus = [part.name for part in network.parts.values() if isinstance(part, Capacitor) and part.capacitance > 1e-4]
    if draw.random() < 0.5:
        volts = draw.choice([0.3, 25.0, 167.0])
        held = tuple((name, volts * draw.uniform(0.95, 1.05)) for name in bus)
    emf = tuple((name, draw.choice([0.0, 5.0, 24.0])) for name in sources(network, direct=True))
    return Edits(opened=opened, held=held, emf=emf)


def random_fault(network: Network, draw: random.Random) -> Edits:
    """One or two parts open, raised in resistance, shorted or leaking."""
    fault = Edits()
    for _ in range(draw.choice([1, 1, 2])):
        branch = draw.choice([branch for branch in network.branches if branch.part.kind != "source"])
        kind = draw.choice(["open", "raised", "shorted", "leak"])
        if kind == "open":
            fault = fault.merge(Edits(opened=frozenset({branch.name})))
        elif kind == "raised" and branch.part.kind != "capacitor":
            fault = fault.merge(Edits(resistances=((branch.name, 10.0 ** draw.uniform(-1.0, 6.0)),)))
        elif kind == "shorted":
            fault = fault.merge(Edits(shunts=(Shunt(branch.a, branch.b, 10.0 ** draw.uniform(-2.5, 1.0)),)))
        else:
            lines = draw.choice(["all", "all", "ac", "dc"])
            a, b = draw.sample(network.nodes, 2)
            fault = fault.merge(Edits(shunts=(Shunt(a, b, 10.0 ** draw.uniform(1.0, 7.0), lines),)))
    return fault


def series_open(network: Network, draw: random.Random) -> Edits:
    """Every branch at one or two joined nodes opened, so that strays alone hold them."""
    opened = set()
    wire = draw.choice([branch for branch in network.branches if branch.part.kind in ("wire", "pin")])
    ends = {wire.a, wire.b} - {network.reference}
    keep = draw.random() < 0.5
    for branch in network.branches:
        if {branch.a, branch.b} & ends and not (keep and branch.name == wire.name):
            opened.add(branch.name)
    return Edits(opened=frozenset(opened or {wire.name}))


def wild_case(network: Network, draw: random.Random) -> Case:
    """Nothing that anyone would meet: up to 100 parts open, micro-ohms and teraohms, capacitors at odds."""
    names = [branch.name for branch in network.branches]
    resistive = [branch.name for branch in network.branches if branch.part.kind != "capacitor"]
    capacitors = [branch.name for branch in network.branches if branch.part.kind == "capacitor"]
    edits = Edits(
        opened=frozenset(draw.sample(names, min(len(names), draw.choice([0, 1, 3, 10, 40, 100])))),
        resistances=tuple(
            (name, 10.0 ** draw.uniform(-6.0, 12.0)) for name in draw.sample(resistive, draw.choice([0, 1, 5, 20]))
        ),
        shunts=tuple(
            Shunt(draw.choice(network.nodes), draw.choice(network.nodes), 10.0 ** draw.uniform(-6.0, 12.0))
            for _ in range(draw.choice([0, 1, 4, 15]))
        ),
        held=tuple((name, draw.uniform(-300.0, 300.0)) for name in capacitors if draw.random() < 0.3),
    )
    red, black = draw.sample(network.nodes, 2)
    return Case(edits, "volts", red, black, draw.choice(VOLTMETERS))


def random_case(network: Network, draw: random.Random) -> Case:
    """A fault, a state and a question, all by chance."""
    edits = random_state(network, draw).merge(random_fault(network, draw))
    if draw.random() < 0.3:
        edits = edits.merge(series_open(network, draw))
    ask = draw.choice(["volts", "volts", "volts", "volts", "ohms", "amps"])
    if ask == "amps":
        return Case(edits, ask, draw.choice(network.conductors), "", draw.choice([HIGH_AC, HIGH_DC]))
    red, black = draw.sample(network.nodes, 2)
    if ask == "ohms":  # on a dead circuit: an alternating voltage would only overload the meter
        edits = edits.merge(Edits(emf=tuple((name, 0.0) for name in sources(network, direct=False))))
    return Case(edits, ask, red, black, OHMS if ask == "ohms" else draw.choice(VOLTMETERS))
