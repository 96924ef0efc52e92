"""Which terminals and plugs are dangerous, and what a jumper bridges: read from the equipment's own wiring.

Rule: nothing here depends on a fault or on what a switch does now; a conductor that can close counts as one.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import dataclass
from functools import lru_cache

from blowerbench.circuit import Contact, Fuse, Pin, Source, Wire
from blowerbench.equipment import Equipment

HAZARD_VOLTS = 50.0  # to ground: 29 CFR 1910.303(g)(2)(i), .333(a)(1)


@dataclass(frozen=True, slots=True)
class Danger:
    """Terminals and plugs of one unit by what they can do to a hand."""

    supply: frozenset[str]  # above 50 V whatever the disconnect does: its supply side and the panel
    line: frozenset[str]  # hot and neutral behind the disconnect
    inner: frozenset[str]  # under the motor's cover: bus, windings
    outlet: frozenset[str]  # the separate live source
    plugs: frozenset[str]  # plugs that carry line voltage or lie under the cover
    exempt: frozenset[str]  # terminals at places with nothing above 50 V, such as the thermostat


def _conductors(equipment: Equipment, without: Collection[str] = ()) -> list[tuple[str, str]]:
    kinds = (Wire, Contact, Pin, Fuse)
    return [
        (p.a, p.b) for n, p in equipment.network.parts.items() if isinstance(p, kinds) and n not in without
    ]


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
    ground = (equipment.network.reference,)
    disconnect = str(equipment.protection["disconnect"])
    outlet = frozenset(equipment.protection["live_source"])
    everything, upstream = _conductors(equipment), _conductors(equipment, (disconnect,))
    supply: frozenset[str] = frozenset()
    line: frozenset[str] = frozenset()
    for part in equipment.network.parts.values():
        if isinstance(part, Source) and part.volts > HAZARD_VOLTS and part.a not in outlet:
            line |= _flood(part.a, everything, ground) | _flood(part.b, everything, ground)
            supply |= _flood(part.a, upstream, ground)
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


@lru_cache(maxsize=4096)
def bridged(equipment: Equipment, jumpers: frozenset[tuple[str, str]], contact: str) -> bool:
    """Whether `jumpers` make a way round `contact`, over whatever wires and contacts help them."""
    part = equipment.wire(contact)
    return bool(jumpers) and part.b in _flood(part.a, [*_conductors(equipment, (contact,)), *jumpers])


def bridged_safeties(equipment: Equipment, jumpers: frozenset[tuple[str, str]]) -> frozenset[str]:
    """The limit, rollout and pressure switches that `jumpers` bridge."""
    return frozenset(c for c in equipment.protection["limit_chain"] if bridged(equipment, jumpers, c))


@lru_cache(maxsize=4096)
def jumped_to(equipment: Equipment, jumpers: frozenset[tuple[str, str]], a: str, b: str) -> bool:
    """Whether wires and `jumpers` alone connect the terminals `a` and `b`."""
    wires = [(p.a, p.b) for p in equipment.network.parts.values() if isinstance(p, Wire)]
    return bool(jumpers) and b in _flood(a, [*wires, *jumpers])
