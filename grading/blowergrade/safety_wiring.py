"""Which terminals and plugs are dangerous, and what a jumper bridges: read from the equipment's own wiring.

Rule: nothing here depends on a fault or on what a switch does now; a conductor that can close counts as one.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from itertools import combinations
from types import MappingProxyType

from blowerbench.circuit import Capacitor, Contact, Fuse, Pin, Resistor, Source, Transformer, Winding, Wire
from blowerbench.equipment import Equipment, Supply

HAZARD_VOLTS = 50.0  # to ground: 29 CFR 1910.303(g)(2)(i), .333(a)(1)
#: A load of fewer ohms, or a capacitor of more farads, passes line voltage on to a hand; insulation and stray do not.
LOAD_OHMS = 20e3
LOAD_FARADS = 0.5e-6

#: Roles of the terminals of one supply, in the order in which a pair of them is named.
LOAD_ROLES = ("line", "line_2", "neutral", "ground")
SUPPLY_ROLES = ("incoming", "incoming_2", "neutral", "ground")
Pair = tuple[str, str, str]  # a supply and two of its roles


@dataclass(frozen=True, slots=True)
class Danger:
    """Terminals and plugs of one unit by what they can do to a hand."""

    supply: frozenset[str]  # above 50 V whatever the disconnects do: their supply side and the panel
    line: frozenset[str]  # hot and neutral behind the disconnects, loads and windings included
    inner: frozenset[str]  # under the motor's cover: bus, windings
    outlet: frozenset[str]  # the separate live source
    plugs: frozenset[str]  # plugs that carry line voltage or lie under the cover
    exempt: frozenset[str]  # terminals at places with nothing above 50 V, such as the thermostat


def _conductors(equipment: Equipment, without: Collection[str] = ()) -> list[tuple[str, str]]:
    kinds = (Wire, Contact, Pin, Fuse)
    return [
        (p.a, p.b) for n, p in equipment.network.parts.items() if isinstance(p, kinds) and n not in without
    ]


def _loads(equipment: Equipment) -> list[tuple[str, str]]:
    """What passes line voltage on besides conductors: windings, heaters, run capacitors, tapped (not isolated) windings."""
    found: list[tuple[str, str]] = []
    for part in equipment.network.parts.values():
        match part:
            case Winding():
                found.append((part.a, part.b))
            case Resistor() if part.resistance < LOAD_OHMS:
                found.append((part.a, part.b))
            case Capacitor() if part.capacitance > LOAD_FARADS:
                found.append((part.a, part.b))
            case Transformer():
                found.append((part.p1, part.p2))
                if {part.p1, part.p2} & {part.s1, part.s2}:
                    found.append((part.s1, part.s2))
            case _:
                pass
    return found


def _flood(start: str, pairs: Iterable[tuple[str, str]], stop: Collection[str] = ()) -> frozenset[str]:
    """Everything that `pairs` connect with `start`, without going through a node of `stop`."""
    beside: dict[str, list[str]] = {}
    for a, b in pairs:
        beside.setdefault(a, []).append(b)
        beside.setdefault(b, []).append(a)
    seen, todo = {start}, [start]
    while todo:
        for node in beside.get(todo.pop(), ()):
            if node not in seen and node not in stop:
                seen.add(node)
                todo.append(node)
    return frozenset(seen)


@lru_cache(maxsize=32)
def danger(equipment: Equipment) -> Danger:
    """What is dangerous on `equipment`: flooded from every source above 50 V, stopping at earth."""
    earth = equipment.network.reference
    opened = [c for s in equipment.supplies.values() for c in s.disconnect]
    outlet = frozenset(equipment.protection["live_source"])
    upstream = _conductors(equipment, opened)
    everything = [*_conductors(equipment), *_loads(equipment)]
    wires = [(p.a, p.b) for p in equipment.network.parts.values() if isinstance(p, Wire)]
    grounded = _flood(earth, wires)
    supply: frozenset[str] = frozenset()
    line: frozenset[str] = frozenset()
    for part in equipment.network.parts.values():
        if not isinstance(part, Source) or part.volts <= HAZARD_VOLTS or not outlet.isdisjoint((part.a, part.b)):
            continue
        for end in (part.a, part.b):
            line |= _flood(end, everything, (earth,))
            if end not in grounded:
                supply |= _flood(end, upstream, (earth,))
    supply |= frozenset(n for z in equipment.zones.values() if z.place == "panel" for n in z.nodes)
    inner = {n for z in equipment.zones.values() if z.behind_cover for n in z.nodes}
    inner |= {n for c in equipment.connectors.values() if c.behind_cover for n in (*c.harness, *c.device)}
    plugs = {
        n
        for n, c in equipment.connectors.items()
        if c.behind_cover or not line.isdisjoint((*c.harness, *c.device))
    }
    bad = line | supply | outlet | inner
    exempt = {n for z in equipment.zones.values() if bad.isdisjoint(z.nodes) for n in z.nodes}
    return Danger(supply, line - supply, frozenset(inner), outlet, frozenset(plugs), frozenset(exempt))


# ---------------------------------------------------------------------- who is who in live-dead-live
def _pairs(supply: Supply, order: tuple[str, ...]) -> Iterable[Pair]:
    for one, other in combinations([r for r in order if r in supply.roles], 2):
        yield (supply.name, one, other)


@lru_cache(maxsize=32)
def needed(equipment: Equipment) -> Mapping[str, frozenset[Pair]]:
    """The pairs of roles that must be read dead before hands go in: behind every disconnect ("load"), before it ("supply")."""
    supplies = equipment.supplies.values()
    return MappingProxyType({
        "load": frozenset(p for s in supplies for p in _pairs(s, LOAD_ROLES)),
        "supply": frozenset(p for s in supplies for p in _pairs(s, SUPPLY_ROLES)),
    })  # fmt: skip


@lru_cache(maxsize=32)
def _roles(equipment: Equipment) -> Mapping[str, frozenset[tuple[str, str]]]:
    """The (supply, role) of each terminal that stands for one; a ground stands for the ground of every supply."""
    found: dict[str, set[tuple[str, str]]] = {}
    for supply in equipment.supplies.values():
        for role, terminals in supply.roles.items():
            names = equipment.supplies if role == "ground" else (supply.name,)
            for terminal in terminals:
                found.setdefault(terminal, set()).update((name, role) for name in names)
    return {terminal: frozenset(roles) for terminal, roles in found.items()}


@lru_cache(maxsize=4096)
def proof_pairs(equipment: Equipment, pair: frozenset[str]) -> frozenset[Pair]:
    """The pairs of roles for which a reading between the two terminals of `pair` stands; mostly none or one."""
    roles, wanted = _roles(equipment), needed(equipment)
    if len(pair) != 2 or not all(t in roles for t in pair):
        return frozenset()
    one, other = pair
    met = {(s, r, q) for s, r in roles[one] for t, q in roles[other] if s == t}
    met |= {(s, q, r) for s, r, q in met}
    return frozenset(met & (wanted["load"] | wanted["supply"]))


@lru_cache(maxsize=4096)
def bridged(equipment: Equipment, jumpers: frozenset[tuple[str, str]], contact: str) -> bool:
    """Whether `jumpers` make a way round `contact`, over whatever wires and contacts help them."""
    if not jumpers or not contact:
        return False
    part = equipment.wire(contact)
    return part.b in _flood(part.a, [*_conductors(equipment, (contact,)), *jumpers])


def bridged_safeties(equipment: Equipment, jumpers: frozenset[tuple[str, str]]) -> frozenset[str]:
    """The limit, rollout and pressure switches that `jumpers` bridge."""
    return frozenset(c for c in equipment.protection["limit_chain"] if bridged(equipment, jumpers, c))


@lru_cache(maxsize=4096)
def jumped_to(equipment: Equipment, jumpers: frozenset[tuple[str, str]], a: str, b: str) -> bool:
    """Whether wires and `jumpers` alone connect the terminals `a` and `b`."""
    wires = [(p.a, p.b) for p in equipment.network.parts.values() if isinstance(p, Wire)]
    return bool(jumpers) and b in _flood(a, [*wires, *jumpers])
