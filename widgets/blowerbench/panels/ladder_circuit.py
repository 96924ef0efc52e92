"""The ladder diagram as a graph: which parts stand between which rails, found from a unit's network.

Rule: no unit is known by name. A spanning tree grows from the rails through what conducts (wires, pins, contacts, fuses), then
through loads; every part is a branch of it or closes a rung.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from blowerbench.circuit import Capacitor, Contact, Fuse, Pin, Resistor, Source, Transformer, Winding, Wire
from blowerbench.equipment import Equipment, Supply
from blowerbench.panels.auto_nets import STRAY, classes, prefix

LEAK = 1e5  # ohms; from here on a resistor is insulation or a measuring point inside electronics, no load


@dataclass(frozen=True, slots=True)
class Branch:
    """A part between two nodes: `kind` is wire, pin, contact, fuse or load."""

    part: str
    a: str
    b: str
    kind: str

    def other(self, node: str) -> str:
        """The end that is not `node`."""
        return self.b if node == self.a else self.a


@dataclass(frozen=True, slots=True)
class Rails:
    """One pair of rails: `left` and `right` are the nodes they stand for; each is fed from its end of `source`."""

    title: str
    left: str
    right: str
    source: tuple[str, str]
    feed: str  # the part that feeds them


@dataclass(slots=True)
class Circuit:
    """A unit's circuit as a ladder takes it apart."""

    branches: list[Branch] = field(default_factory=list)
    rails: list[Rails] = field(default_factory=list)
    parent: dict[str, Branch | None] = field(default_factory=dict)
    side: dict[str, str] = field(default_factory=dict)  # of each node: left, right or feed
    children: dict[str, list[Branch]] = field(default_factory=dict)
    closing: dict[str, list[tuple[Branch, str]]] = field(default_factory=dict)  # by the node they are drawn at: branch, far end
    roots: list[str] = field(default_factory=list)  # left-hand roots that are no rails
    feeds: list[tuple[str, str]] = field(default_factory=list)  # source node, rail


def circuit_of(equipment: Equipment) -> Circuit:
    """The rails, trees and rungs of `equipment`."""
    made = Circuit(_branches(equipment))
    around: dict[str, list[Branch]] = {}
    for branch in made.branches:
        around.setdefault(branch.a, []).append(branch)
        around.setdefault(branch.b, []).append(branch)
    made.rails = _rails(equipment, around)
    kinds = classes(equipment)
    bonds = {b.part for b in made.branches if b.kind == "wire" and (kinds[b.a] == "ground") != (kinds[b.b] == "ground")}
    _grow(made, around, bonds, equipment)
    _close(made, kinds)
    return made


# ---------------------------------------------------------------------- what is drawn
def _branches(equipment: Equipment) -> list[Branch]:
    covered = {n for z in equipment.zones.values() if z.behind_cover for n in z.nodes}
    apart = {n for n in equipment.network.nodes if prefix(n) in ("source", "outlet")} | covered
    made: list[Branch] = []
    for name, part in equipment.network.parts.items():
        kind = _kind(part)
        if isinstance(part, Transformer):
            if _feeds(part):
                made.append(Branch(name, part.p1, part.p2, "load"))
        elif kind and part.a not in apart and part.b not in apart:
            made.append(Branch(name, part.a, part.b, kind))
    line = equipment.module.get("line")
    if equipment.electronic and line:
        made.append(Branch("control_module", line[0], line[1], "load"))
    return _told_apart(equipment, _motor(equipment, made))


def _motor(equipment: Equipment, made: list[Branch]) -> list[Branch]:
    """`made` with a motor's field that is modelled by transformers as windings: each tap to common, and the auxiliary."""
    taps = equipment.module.get("taps", {}).values()
    inner = {n for p in equipment.network.parts.values() if isinstance(p, Transformer) and not _feeds(p) for n in _four(p)}
    if not inner or not taps:
        return made
    common = next(iter(taps))[1]
    hidden = {n for n in inner if not any(b.kind != "load" and n in (b.a, b.b) for b in made)}
    aux = next((b for b in made if b.part == equipment.module.get("aux")), None)
    kept = [b for b in made if b.a not in hidden and b.b not in hidden]
    kept += [Branch(f"winding/{prefix_free(tap)}", tap, common, "load") for tap, _ in taps]
    if aux is not None and aux not in kept:
        kept.append(Branch(aux.part, aux.b if aux.a in hidden else aux.a, common, "load"))
    return kept


def _four(part: Transformer) -> tuple[str, str, str, str]:
    return part.p1, part.p2, part.s1, part.s2


def prefix_free(terminal: str) -> str:
    """A terminal's own word, without its device."""
    return terminal.partition(".")[2] or terminal


def _told_apart(equipment: Equipment, made: list[Branch]) -> list[Branch]:
    """`made` without what stands beside an equal: further sections of a capacitor, the load that a winding carries."""
    parts = equipment.network.parts
    kept: list[Branch] = []
    for branch in made:
        part = parts.get(branch.part)
        beside = [parts.get(b.part) for b in made if {b.a, b.b} == {branch.a, branch.b} and b is not branch]
        before = [parts.get(b.part) for b in kept if {b.a, b.b} == {branch.a, branch.b}]
        again = isinstance(part, Capacitor) and any(isinstance(p, Capacitor) for p in before)
        carried = isinstance(part, Resistor) and any(isinstance(p, Winding) for p in beside)
        if branch.a != branch.b and not again and not carried:
            kept.append(branch)
    return kept


def _kind(part: object) -> str:
    match part:
        case Wire():
            return "wire"
        case Pin():
            return "pin"
        case Contact():
            return "contact"
        case Fuse():
            return "fuse"
        case Resistor():
            return "load" if part.resistance < LEAK else ""
        case Capacitor():
            return "load" if part.capacitance >= STRAY else ""
        case Winding():
            return "load"
        case Source():
            return "load" if part.frequency == 0 else ""
        case _:
            return ""


def _feeds(part: Transformer) -> bool:
    """Whether a transformer is one that a person sees as such, and not a part of a motor's field."""
    return "transformer" in part.name


# ---------------------------------------------------------------------- rails
def _rails(equipment: Equipment, around: Mapping[str, list[Branch]]) -> list[Rails]:
    made: list[Rails] = []
    hot = {p.a: n for n, p in equipment.network.parts.items() if isinstance(p, Source) and p.frequency > 0}
    cold = {p.b for p in equipment.network.parts.values() if isinstance(p, Source) and p.frequency > 0}
    passing = _passing(equipment)
    for supply in equipment.supplies.values():
        ends = _ends(supply)
        starts = [_start(end, hot.keys() | cold, around, passing) for end in ends]
        hubs = [_hub(end, around, passing - set(supply.disconnect)) for end in ends]
        if all(hubs):
            made.append(Rails(supply.title, hubs[0], hubs[1], (starts[0], starts[1]), ""))
    for name, part in equipment.network.parts.items():
        if isinstance(part, Transformer) and _feeds(part):
            left, right = _hub(part.s1, around, passing), _hub(part.s2, around, passing)
            made.append(Rails("24 V circuit", left, right, (part.s1, part.s2), name))
        elif isinstance(part, Source) and part.frequency > 0 and name in hot.values():
            ends = (part.a, part.b)
            taken = {n for rails in made for n in (*rails.source, rails.left, rails.right)}
            if prefix(part.a) not in ("source", "outlet", "panel") and not taken & set(ends):
                title = name.replace("_", " ")
                made.append(Rails(title, part.a, _hub(part.b, around, passing), ends, name))
    return made


def _ends(supply: Supply) -> tuple[str, str]:
    """The unit's own end of a supply's two conductors."""
    roles = supply.roles
    return roles["line"][-1], roles["line_2" if "line_2" in roles else "neutral"][-1]


def _passing(equipment: Equipment) -> frozenset[str]:
    """The contacts that hands close: what lies behind them belongs to the same rail."""
    hands = [
        *(n for s in equipment.supplies.values() for n in (*s.breaker, *s.disconnect)),
        equipment.protection["door_switch"],
    ]
    return frozenset(n for n in hands if n)


def _ways(node: str, around: Mapping[str, list[Branch]], passing: frozenset[str] | set[str]) -> Iterable[Branch]:
    return (b for b in around.get(node, ()) if b.kind in ("wire", "fuse") or (b.kind == "contact" and b.part in passing))


def _hub(end: str, around: Mapping[str, list[Branch]], passing: frozenset[str]) -> str:
    """Of the nodes that belong with `end`, the one where most parts meet; the nearest of these."""
    best, seen, queue = end, {end}, deque([end])
    while queue:
        node = queue.popleft()
        if len(around.get(node, ())) > len(around.get(best, ())) and _eligible(node):
            best = node
        for branch in _ways(node, around, passing):
            there = branch.other(node)
            if there not in seen and there != "earth" and not there.endswith(".G"):
                seen.add(there)
                queue.append(there)
    return best


def _eligible(node: str) -> bool:
    """Whether a node may stand for a rail: not ground, and not the thermostat at the far end of its cable."""
    return prefix(node) not in ("earth", "stat") and not node.endswith(".G")


def _start(end: str, sources: Iterable[str], around: Mapping[str, list[Branch]], passing: frozenset[str]) -> str:
    """The source node that feeds `end`."""
    seen, queue = {end}, deque([end])
    among = set(sources)
    while queue:
        node = queue.popleft()
        if node in among:
            return node
        for branch in _ways(node, around, passing):
            there = branch.other(node)
            if there not in seen and there != "earth":
                seen.add(there)
                queue.append(there)
    return end


# ---------------------------------------------------------------------- trees
def _grow(made: Circuit, around: Mapping[str, list[Branch]], bonds: set[str], equipment: Equipment) -> None:
    """Give every node a parent: from the feeds to the rails, from the rails outward, then through loads, then what floats."""
    hubs = {n for rails in made.rails for n in (rails.left, rails.right)}
    for rails in made.rails:
        for hub, side in ((rails.left, "left"), (rails.right, "right")):
            made.side.setdefault(hub, side)
            made.parent.setdefault(hub, None)
    for rails in made.rails:
        for start, hub in zip(rails.source, (rails.left, rails.right), strict=True):
            _feed(made, around, bonds, start, hub, hubs)
    if "earth" in around:
        made.parent["earth"], made.side["earth"] = None, "left"
        made.roots.append("earth")
    for part in equipment.network.parts.values():  # a direct supply feeds its own rungs
        if isinstance(part, Source) and part.frequency == 0 and part.a in around and part.a not in made.parent:
            made.parent[part.a], made.side[part.a] = None, "left"
            made.roots.append(part.a)
    _spread(made, around, bonds, list(made.parent))
    for node in equipment.network.nodes:
        if node in around and node not in made.parent:
            made.parent[node], made.side[node] = None, "left"
            made.roots.append(node)
            _spread(made, around, bonds, [node])


def _feed(made: Circuit, around: Mapping[str, list[Branch]], bonds: set[str], start: str, hub: str, hubs: set[str]) -> None:
    """The nodes on the way from a source to its rail belong to the feed."""
    if start == hub:
        return
    before: dict[str, Branch] = {}
    queue = deque([start])
    while queue and hub not in before:
        node = queue.popleft()
        for branch in around.get(node, ()):
            there = branch.other(node)
            passes = branch.kind != "load" and branch.part not in bonds and (there == hub or there not in hubs)
            if passes and there not in before and there != start:
                before[there] = branch
                queue.append(there)
    if hub not in before:
        return
    way: list[tuple[str, Branch]] = []
    node = hub
    while node != start:
        way.append((node, before[node]))
        node = before[node].other(node)
    if start not in made.parent:
        made.parent[start], made.side[start] = None, "feed"
    for node, branch in reversed(way):
        if node == hub:
            made.children.setdefault(branch.other(node), []).append(branch)
        elif node not in made.parent:
            made.parent[node], made.side[node] = branch, "feed"
            made.children.setdefault(branch.other(node), []).append(branch)
    if (start, hub) not in made.feeds:
        made.feeds.append((start, hub))


def _spread(made: Circuit, around: Mapping[str, list[Branch]], bonds: set[str], start: list[str]) -> None:
    """Grow the trees ring by ring through what conducts; only where nothing more conducts, through a load on the left."""
    ring, rest = list(start), list(start)
    while ring:
        fresh = _ring(made, around, bonds, ring, loads=False)
        rest += fresh
        if not fresh:
            fresh = _ring(made, around, bonds, rest, loads=True)
            rest += fresh
        ring = fresh


def _ring(made: Circuit, around: Mapping[str, list[Branch]], bonds: set[str], ring: list[str], *, loads: bool) -> list[str]:
    fresh: list[str] = []
    for node in ring:
        if loads and (made.side[node] == "right" or node == "earth"):
            continue
        for branch in around.get(node, ()):
            there = branch.other(node)
            if there in made.parent or branch.part in bonds or (branch.kind == "load") != loads:
                continue
            made.parent[there] = branch
            made.side[there] = "right" if made.side[node] == "right" else "left"
            made.children.setdefault(node, []).append(branch)
            fresh.append(there)
    return fresh


def _close(made: Circuit, kinds: Mapping[str, str]) -> None:
    """Every branch that is in no tree closes a rung: it is drawn at its left end and says where its right end is."""
    used = {b.part for rows in made.children.values() for b in rows}
    rank = {"left": 0, "feed": 1, "right": 2}
    for branch in made.branches:
        if branch.part in used:
            continue
        ends = sorted((branch.a, branch.b), key=lambda n: (kinds[n] == "ground", rank[made.side[n]]))
        made.closing.setdefault(ends[0], []).append((branch, ends[1]))
