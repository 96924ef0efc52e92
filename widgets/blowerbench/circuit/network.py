"""A network of parts, read from the tables of an equipment file.

Rule: what passes `load_network` can be solved at every line. Each node has a leakage and a stray
capacitance to the reference, and no loop is made of branches without any resistance; what would break that
is refused here, naming file, part and remedy.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

from blowerbench.circuit.parts import (
    GROUPS,
    Capacitor,
    Contact,
    Fuse,
    Part,
    Pin,
    Resistor,
    Source,
    Transformer,
    Winding,
    Wire,
    wire_resistance,
)
from blowerbench.errors import BenchError
from blowerbench.units import quantity


class NetworkError(BenchError):
    """A network that cannot be built; the message names the file, the part and the remedy."""

    def __init__(self, source: str, part: str, wrong: str, remedy: str) -> None:
        super().__init__(f"{source}: {part}: {wrong}; {remedy}")
        self.source, self.part, self.remedy = source, part, remedy


@dataclass(frozen=True, slots=True)
class Branch:
    """One current unknown: `side` is "primary" or "secondary" for a transformer's winding, "" otherwise."""

    name: str
    a: str
    b: str
    part: Part
    side: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class Network:
    """Parts, nodes and the index of each. Compared by identity: a network is loaded once and shared."""

    source: str
    reference: str
    nodes: tuple[str, ...]  # all terminals, the reference included
    parts: Mapping[str, Part]
    branches: tuple[Branch, ...]
    node_index: Mapping[str, int]  # row of each node; the reference has −1
    branch_index: Mapping[str, int]
    islands: Mapping[str, str]  # a node of each circuit isolated on purpose: why
    stray_capacitance: float  # farad, each node to the reference
    leakage: float  # ohm, each node to the reference
    conductors: tuple[str, ...]  # branches that a clamp goes around
    connectors: Mapping[str, tuple[Pin, ...]]
    initially_open: frozenset[str]  # contacts that stand open before anything happens
    frequencies: tuple[float, ...]  # Hz, ascending; 0 always among them

    def node(self, name: str) -> int:
        """Index of node `name`, −1 for the reference; NetworkError when there is none."""
        try:
            return self.node_index[name]
        except KeyError:
            raise self._unknown("terminal", name, self.nodes) from None

    def branch(self, name: str) -> int:
        """Index of the branch of part `name`; NetworkError when there is none."""
        try:
            return self.branch_index[name]
        except KeyError:
            raise self._unknown("branch", name, self.branch_index) from None

    def _unknown(self, what: str, name: str, known: Iterable[str]) -> NetworkError:
        listed = ", ".join(sorted(known))
        return NetworkError(self.source, repr(name), f"no such {what}", f"this network has {listed}")


# Fields that are quantities, by kind: (field, unit). Required ones have no default in the part's own class.
_QUANTITIES: dict[str, dict[str, str]] = {
    "source": {"frequency": "Hz", "voltage": "V", "resistance": "ohm", "inductance": "H", "phase": "degree"},
    "wire": {"resistance": "ohm", "length": "m"},
    "contact": {"resistance": "ohm"},
    "pin": {"resistance": "ohm"},
    "fuse": {"resistance": "ohm", "rating": "A"},
    "resistor": {"resistance": "ohm"},
    "winding": {"resistance": "ohm", "inductance": "H"},
    "capacitor": {"capacitance": "F", "esr": "ohm"},
    "transformer": {
        "primary_resistance": "ohm",
        "secondary_resistance": "ohm",
        "primary_leakage": "H",
        "secondary_leakage": "H",
        "magnetising": "H",
        "core_resistance": "ohm",
    },
}
_PLAIN: dict[str, dict[str, type]] = {
    "wire": {"awg": float},
    "contact": {"closed": bool},
    "pin": {"connector": str, "number": int},
    "transformer": {"ratio": float},
}
_CLASSES: dict[str, Any] = {
    "source": Source,
    "wire": Wire,
    "contact": Contact,
    "pin": Pin,
    "fuse": Fuse,
    "resistor": Resistor,
    "winding": Winding,
    "capacitor": Capacitor,
    "transformer": Transformer,
}
_POSITIVE = {
    "capacitance",
    "magnetising",
    "primary_resistance",
    "secondary_resistance",
    "ratio",
    "length",
    "rating",
    "core_resistance",
}
_SIGNED = {"voltage", "phase", "awg"}
_TERMINALS = {"transformer": ("p1", "p2", "s1", "s2")}
_RENAMED = {"voltage": "volts", "phase": "phase_deg"}


class _Reader:
    """Reads the tables of one file; every complaint carries the file's name."""

    def __init__(self, source: str) -> None:
        self.source = source

    def fail(self, part: str, wrong: str, remedy: str) -> NetworkError:
        return NetworkError(self.source, part, wrong, remedy)

    def quantity(self, part: str, field: str, value: object, unit: str) -> float:
        example = f'write {field} = "1 {unit}"'
        if not isinstance(value, str):
            raise self.fail(part, f"{field} = {value!r} has no unit", example)
        try:
            number = quantity(value, unit)
        except BenchError as error:
            raise self.fail(part, f"{field}: {error}", example) from error
        return self.number(part, field, number)

    def number(self, part: str, field: str, number: float) -> float:
        if not math.isfinite(number):
            raise self.fail(part, f"{field} = {number!r} is not finite", "give a finite value")
        if field not in _SIGNED and number < 0.0:
            raise self.fail(part, f"{field} = {number!r} is negative", "give a value of zero or more")
        if field in _POSITIVE and number == 0.0:
            raise self.fail(part, f"{field} is zero", "give a value above zero")
        return number

    def plain(self, part: str, field: str, value: object, kind: type) -> Any:
        if kind is float and isinstance(value, (int, float)) and not isinstance(value, bool):
            return self.number(part, field, float(value))
        if not isinstance(value, kind) or (kind is int and isinstance(value, bool)):
            raise self.fail(
                part, f"{field} = {value!r} is no {kind.__name__}", f"give {field} as a plain {kind.__name__}"
            )
        return value

    def part(self, row: Mapping[str, Any], position: int) -> Part:
        name = row.get("name")
        if not isinstance(name, str) or not name:
            raise self.fail(f"part {position}", "it has no name", 'add name = "..."')
        kind = row.get("kind")
        if kind not in _CLASSES:
            raise self.fail(name, f"unknown kind {kind!r}", f"use one of {', '.join(_CLASSES)}")
        terminals = _TERMINALS.get(kind, ("a", "b"))
        quantities, plain = _QUANTITIES[kind], _PLAIN.get(kind, {})
        known = {"kind", "name", "group", *terminals, *quantities, *plain}
        unknown = sorted(set(row) - known)
        if unknown:
            raise self.fail(name, f"unknown field {unknown[0]!r}", f"a {kind} has {', '.join(sorted(known))}")
        values: dict[str, Any] = {"name": name}
        for field, value in row.items():
            if field in quantities:
                values[_RENAMED.get(field, field)] = self.quantity(name, field, value, quantities[field])
            elif field in plain:
                values[field] = self.plain(name, field, value, plain[field])
            elif field in terminals:
                values[field] = self.plain(name, field, value, str)
            elif field == "group":
                values["group"] = self.group(name, value, _CLASSES[kind])
        return self.build(name, kind, values)

    def group(self, part: str, value: object, cls: Any) -> str:
        own = next(field.default for field in dataclasses.fields(cls) if field.name == "group")
        allowed = [group for group in GROUPS if group == own] + ["none"]
        if value not in allowed:
            raise self.fail(part, f"group = {value!r}", f"use one of {', '.join(allowed)}")
        return "" if value == "none" else str(value)

    def build(self, name: str, kind: str, values: dict[str, Any]) -> Part:
        if kind == "wire" and "resistance" not in values:
            if "awg" not in values or "length" not in values:
                raise self.fail(
                    name, "neither resistance nor gauge and length", 'give awg = 14 and length = "1 m"'
                )
            values["resistance"] = wire_resistance(values["awg"], values["length"])
        cls = _CLASSES[kind]
        required = [
            field.name
            for field in dataclasses.fields(cls)
            if field.default is dataclasses.MISSING and field.default_factory is dataclasses.MISSING
        ]
        missing = [field for field in required if field not in values]
        if missing:
            words = {"volts": "voltage", "phase_deg": "phase"}
            raise self.fail(name, f"missing field {words.get(missing[0], missing[0])!r}", "add it")
        part: Part = cls(**values)
        return part


def _ends(part: Part) -> tuple[tuple[str, str, str], ...]:
    """(suffix, a, b) of each branch of `part`."""
    if isinstance(part, Transformer):
        return (("primary", part.p1, part.p2), ("secondary", part.s1, part.s2))
    return (("", part.a, part.b),)


class _Groups:
    """Union-find over node names."""

    def __init__(self, names: Iterable[str]) -> None:
        self.parent = {name: name for name in names}

    def find(self, name: str) -> str:
        while self.parent[name] != name:
            self.parent[name] = self.parent[self.parent[name]]
            name = self.parent[name]
        return name

    def join(self, a: str, b: str) -> bool:
        """Join two groups; False when they were one already."""
        first, second = self.find(a), self.find(b)
        self.parent[second] = first
        return first != second


def _terminals(reader: _Reader, table: Mapping[str, Any]) -> tuple[str, ...]:
    nodes = table.get("nodes")
    if not isinstance(nodes, (list, tuple)) or not all(isinstance(node, str) and node for node in nodes):
        raise reader.fail("[network]", "nodes is not a list of names", 'write nodes = ["earth", ...]')
    seen: set[str] = set()
    for node in nodes:
        if node in seen:
            raise reader.fail(f"[network] nodes {node!r}", "duplicate terminal", "declare each terminal once")
        seen.add(node)
    return tuple(nodes)


def _header(reader: _Reader, table: Mapping[str, Any]) -> tuple[str, float, float, Mapping[str, str]]:
    known = {"reference", "stray_capacitance", "leakage", "nodes", "islands"}
    unknown = sorted(set(table) - known)
    if unknown:
        raise reader.fail("[network]", f"unknown field {unknown[0]!r}", f"it has {', '.join(sorted(known))}")
    reference = table.get("reference")
    if not isinstance(reference, str):
        raise reader.fail("[network]", "no reference", 'write reference = "earth"')
    stray = reader.quantity("[network]", "stray_capacitance", table.get("stray_capacitance", "20 pF"), "F")
    leakage = reader.quantity("[network]", "leakage", table.get("leakage", "50 Gohm"), "ohm")
    if leakage == 0.0:
        raise reader.fail("[network]", "leakage is zero ohms", 'write leakage = "50 Gohm"')
    islands: dict[str, str] = {}
    for row in table.get("islands", []):
        if not isinstance(row, Mapping) or set(row) != {"node", "why"} or not row["why"]:
            raise reader.fail("[network] islands", f"{row!r}", 'write { node = "...", why = "..." }')
        islands[row["node"]] = str(row["why"])
    return reference, stray, leakage, MappingProxyType(islands)


def _check_connections(reader: _Reader, parts: Mapping[str, Part], nodes: tuple[str, ...]) -> None:
    declared = set(nodes)
    pins: dict[tuple[str, int], str] = {}
    for part in parts.values():
        for _, a, b in _ends(part):
            for node in (a, b):
                if node not in declared:
                    raise reader.fail(
                        part.name, f"unknown node {node!r}", "declare it in [network] nodes or correct it"
                    )
            if a == b:
                raise reader.fail(part.name, f"both ends on {a!r}", "give it two different terminals")
        if isinstance(part, Pin):
            other = pins.setdefault((part.connector, part.number), part.name)
            if other != part.name:
                wrong = f"duplicate terminal: {other!r} is pin {part.number} of {part.connector!r} too"
                raise reader.fail(part.name, wrong, "give each pin its own number")


def _check_islands(
    reader: _Reader,
    parts: Mapping[str, Part],
    nodes: tuple[str, ...],
    reference: str,
    islands: Mapping[str, str],
) -> None:
    groups = _Groups(nodes)
    for part in parts.values():
        for _, a, b in _ends(part):
            groups.join(a, b)
    for node in (reference, *islands):
        if node not in groups.parent:
            raise reader.fail("[network]", f"unknown node {node!r}", "declare it in nodes or correct it")
    anchored = {groups.find(node) for node in (reference, *islands)}
    for node in nodes:
        if groups.find(node) not in anchored:
            touching = [part.name for part in parts.values() for _, a, b in _ends(part) if node in (a, b)]
            raise reader.fail(
                touching[0] if touching else "[network]",
                f"floating island: {node!r} has no path to {reference!r}",
                f'connect it, or declare islands = [{{ node = "{node}", why = "..." }}] if that is meant',
            )


def _check_loops(
    reader: _Reader, parts: Mapping[str, Part], nodes: tuple[str, ...], lines: tuple[float, ...]
) -> None:
    """Refuse a loop whose branches all have no impedance at some line: its current would be undetermined."""
    for frequency in lines:
        groups = _Groups(nodes)
        for part in parts.values():
            if isinstance(part, Transformer) or part.impedance(2.0 * math.pi * frequency) != 0.0:
                continue
            if not groups.join(part.a, part.b):
                wrong = f"zero-ohm loop at {frequency:g} Hz through {part.a!r} and {part.b!r}"
                raise reader.fail(
                    part.name, wrong, "give one source, resistor or winding of the loop its resistance"
                )


def _index(names: Iterable[str]) -> Mapping[str, int]:
    return MappingProxyType({name: index for index, name in enumerate(names)})


def load_network(table: Mapping[str, Any], source: str) -> Network:
    """The network of an equipment file's `[network]` table and `part` rows; `source` is the file's name in
    messages.

    Raises NetworkError, naming file, part and remedy, for anything that cannot be solved or is not
    understood.
    """
    reader = _Reader(source)
    header = table.get("network")
    if not isinstance(header, Mapping):
        raise reader.fail("[network]", "the table is missing", 'write [network] with reference = "earth"')
    nodes = _terminals(reader, header)
    reference, stray, leakage, islands = _header(reader, header)
    parts: dict[str, Part] = {}
    rows = table.get("part", [])
    if not isinstance(rows, (list, tuple)) or not rows:
        raise reader.fail("[[part]]", "there are no parts", "write one [[part]] table for each")
    for position, row in enumerate(rows, 1):
        if not isinstance(row, Mapping):
            raise reader.fail(f"part {position}", f"{row!r} is no table", "write it as a table")
        part = reader.part(row, position)
        if part.name in parts:
            raise reader.fail(part.name, "duplicate part", "give each part its own name")
        parts[part.name] = part
    _check_connections(reader, parts, nodes)
    _check_islands(reader, parts, nodes, reference, islands)
    lines = tuple(sorted({0.0} | {part.frequency for part in parts.values() if isinstance(part, Source)}))
    _check_loops(reader, parts, nodes, lines)
    branches = _branches(reader, parts)
    connectors: dict[str, list[Pin]] = {}
    for part in parts.values():
        if isinstance(part, Pin):
            connectors.setdefault(part.connector, []).append(part)
    index = dict(_index(node for node in nodes if node != reference))
    index[reference] = -1
    return Network(
        source=source,
        reference=reference,
        nodes=nodes,
        parts=MappingProxyType(parts),
        branches=branches,
        node_index=MappingProxyType(index),
        branch_index=_index(branch.name for branch in branches),
        islands=islands,
        stray_capacitance=stray,
        leakage=leakage,
        conductors=tuple(branch.name for branch in branches if isinstance(branch.part, Wire)),
        connectors=MappingProxyType(
            {name: tuple(sorted(pins, key=lambda pin: pin.number)) for name, pins in connectors.items()}
        ),
        initially_open=frozenset(
            part.name for part in parts.values() if isinstance(part, Contact) and not part.closed
        ),
        frequencies=lines,
    )


def _branches(reader: _Reader, parts: Mapping[str, Part]) -> tuple[Branch, ...]:
    branches: list[Branch] = []
    for part in parts.values():
        for side, a, b in _ends(part):
            name = f"{part.name}.{side}" if side else part.name
            if side and name in parts:
                raise reader.fail(
                    name, f"duplicate part: a winding of {part.name!r} has that name", "rename it"
                )
            branches.append(Branch(name, a, b, part, side))
    return tuple(branches)
