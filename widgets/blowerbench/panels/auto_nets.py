"""What a drawing has to know of a unit's circuit: which wires are shown, in which class, and what belongs together.

Rule: everything here follows from the equipment file; no unit is known by name.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence

from blowerbench.circuit import Capacitor, Contact, Fuse, Pin, Resistor, Source, Transformer, Winding, Wire
from blowerbench.equipment import Equipment

#: Parts that a drawing shows between two terminals of one device.
Shown = Contact | Fuse | Resistor | Winding | Capacitor

STRAY = 1e-8  # farads; a smaller capacitor is a coupling of wires, not a part that anyone could see
HUB, HOT_HUB = 3, 4  # wires on a terminal from which on the far ones are drawn as a flag with its name


def visible_wires(equipment: Equipment, placed: Iterable[str]) -> tuple[str, ...]:
    """The wires of `equipment` that run between two of the `placed` terminals."""
    shown = frozenset(placed)
    return tuple(n for n, p in equipment.network.parts.items() if isinstance(p, Wire) and p.a in shown and p.b in shown)


def prefix(terminal: str) -> str:
    """The device that a terminal is on: the word before its point."""
    return terminal.partition(".")[0]


def groups(names: Iterable[str]) -> dict[str, list[str]]:
    """`names` by the device that they are on, in their order."""
    made: dict[str, list[str]] = {}
    for name in names:
        made.setdefault(prefix(name), []).append(name)
    return made


def hubs(equipment: Equipment, wires: Iterable[str]) -> frozenset[str]:
    """The terminals where so many of `wires` meet that a picture of all of them would be a tangle."""
    parts = equipment.network.parts
    ends = [e for n in wires if isinstance(p := parts[n], Wire) for e in (p.a, p.b)]
    kinds = classes(equipment)
    return frozenset(n for n, k in Counter(ends).items() if k >= (HOT_HUB if kinds[n] == "hot" else HUB))


def between(equipment: Equipment, terminals: Sequence[str]) -> list[tuple[str, Shown]]:
    """The parts with both ends among `terminals` that a technician would see as a part: no wire, no coupling."""
    own = frozenset(terminals)
    made = []
    for name, part in equipment.network.parts.items():
        if not isinstance(part, Shown) or part.a not in own or part.b not in own:
            continue
        if isinstance(part, Capacitor) and part.capacitance < STRAY:
            continue
        made.append((name, part))
    return made


def links(equipment: Equipment) -> list[tuple[str, Contact | Fuse]]:
    """Contacts and fuses of the unit that join two devices without a wire, such as a link in a lead; no clip of a tool."""
    own = {n for n in equipment.terminals if (z := equipment.zone_of.get(n)) is not None and z.behind_door}
    own -= {n for n in own if prefix(n) == "source"}
    return [
        (n, p)
        for n, p in equipment.network.parts.items()
        if isinstance(p, Contact | Fuse) and p.a in own and p.b in own and prefix(p.a) != prefix(p.b)
    ]


def transformers(equipment: Equipment, terminals: Iterable[str]) -> dict[str, Transformer]:
    """The transformers with all four ends among `terminals`."""
    own = frozenset(terminals)
    return {
        n: p
        for n, p in equipment.network.parts.items()
        if isinstance(p, Transformer) and own.issuperset((p.p1, p.p2, p.s1, p.s2))
    }


def classes(equipment: Equipment) -> dict[str, str]:
    """The wire class of each node: hot, neutral, ground, common or low.

    Known nodes (the supplies' roles, the 24 V source's two sides, earth) hand theirs on through wires, pins, contacts and
    fuses, then through loads; what nothing reaches counts as low.
    """
    found = _seeds(equipment)
    close = [p for p in equipment.network.parts.values() if isinstance(p, Wire | Pin | Contact | Fuse)]
    wide = [p for p in equipment.network.parts.values() if isinstance(p, Resistor | Winding | Capacitor)]
    _spread(found, close)
    for part in wide:  # behind a load: the load's own class, hot where it is a line-voltage one
        for here, there in ((part.a, part.b), (part.b, part.a)):
            if here in found and there not in found and found[here] in ("hot", "low"):
                found[there] = found[here]
                _spread(found, close)
    return {n: found.get(n, "low") for n in equipment.network.nodes}


def _seeds(equipment: Equipment) -> dict[str, str]:
    found: dict[str, str] = {}
    words = {"line": "hot", "line_2": "hot", "incoming": "hot", "incoming_2": "hot", "neutral": "neutral", "ground": "ground"}
    for supply in equipment.supplies.values():
        for role, nodes in supply.roles.items():
            found.update((n, words[role]) for n in nodes if role in words)
    for part in equipment.network.parts.values():
        if isinstance(part, Source) and part.frequency > 0 and abs(part.volts) > 60:
            found.setdefault(part.a, "hot")
            found.setdefault(part.b, "neutral")
    board = equipment.board.get("supply")
    if board:
        found[board[0]], found[board[1]] = "low", "common"
    for part in equipment.network.parts.values():
        if isinstance(part, Transformer) and "transformer" in part.name and part.s1 not in found and part.s2 not in found:
            found[part.s1], found[part.s2] = "low", "common"
    for node in equipment.network.nodes:
        if node in ("stat.C", "source.C"):
            found.setdefault(node, "common")
    return found | {"earth": "ground"}  # last: a common that is bonded to it stays a common


def _spread(found: dict[str, str], parts: Sequence[Wire | Pin | Contact | Fuse]) -> None:
    """Hand classes on through `parts`, ring by ring, so that a bond between two known nodes changes neither."""
    ways: dict[str, list[str]] = {}
    for p in parts:
        ways.setdefault(p.a, []).append(p.b)
        ways.setdefault(p.b, []).append(p.a)
    ring = list(found)
    while ring:
        fresh = []
        for node in ring:
            for other in ways.get(node, ()):
                if other not in found:
                    found[other] = found[node]
                    fresh.append(other)
        ring = fresh


def wire_class(wire: Wire, kinds: Mapping[str, str]) -> str:
    """The class of a wire: its ends' one, ground where it bonds one end to ground."""
    one, two = kinds[wire.a], kinds[wire.b]
    return one if one == two else "ground" if "ground" in (one, two) else two if one == "low" else one
