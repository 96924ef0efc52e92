"""The pieces of a generated drawing: one device with its terminals and symbols, in coordinates of its own.

Rule: rows of two terminals with the part between them, as on a wiring diagram; no symbol shows a state that hands can't know.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from blowerbench.circuit import Capacitor, Contact, Fuse, Winding, Wire
from blowerbench.equipment import Equipment
from blowerbench.panels.auto_nets import STRAY, Shown, between, transformers

ROW = 48  # between two rows of terminals
TALL = 72  # the same where a label stands below a terminal
SPAN = 84  # between the two terminals of a row
SHORT = 4  # letters that fit into a terminal's circle

_SIGNS = {"bus_pos": "+", "bus_neg": "−", "bus_mid": "mid"}


_WORDS = {
    "valve": "gas valve", "cap": "capacitor", "door": "door switch", "float": "float switch", "aux": "auxiliary",
    "pressure": "pressure switch", "cabinet": "ground", "suction": "low pressure", "high": "high pressure",
    "low": "low voltage", "heat": "heat terminals", "seq": "sequencer",
}  # fmt: skip


def printed(terminal: str) -> str:
    """What is printed at a terminal: its word, without the note that it is the far side of a switch."""
    word = terminal.partition(".")[2] or terminal
    return _SIGNS.get(word, word.removesuffix("_out").removesuffix("_in").replace("_", " "))


def titled(prefix: str) -> str:
    """A device's word as a title: the trade's name where the word is a short form of it."""
    text = _WORDS.get(prefix, prefix).replace("_", " ")
    return text[:1].upper() + text[1:]


def wide(text: str, size: float = 16) -> float:
    """About how wide `text` is when set in `size`, drawing units: a semibold sans letter is about 0.66 of its size."""
    return 0.66 * size * len(text)


@dataclass(slots=True)
class Block:
    """One device. Its first row's left terminal is at (0, 0); `title` stands above the first row."""

    name: str
    title: str
    terminals: dict[str, tuple[float, float]] = field(default_factory=dict)
    symbols: list[dict[str, Any]] = field(default_factory=list)
    pitch: int = ROW
    rows: int = 0
    span: int = SPAN

    @property
    def height(self) -> int:
        """From the title's top to under the last row."""
        return 36 + self.pitch * max(0, self.rows - 1) + 24 + (18 if self.pitch > ROW else 0)

    @property
    def width(self) -> float:
        """From the left terminal's centre to the right one's, or to the title's end."""
        return max([x for x, _ in self.terminals.values()] or [0])


def spot(terminal: str, x: float, y: float) -> tuple[float, float, str, str]:
    """A terminal's row of the layout: its place, what is printed and where."""
    text = printed(terminal)
    return (x, y, text, "in" if len(text) <= SHORT else "below")


def _kind(equipment: Equipment, name: str, part: Shown) -> str:
    relays = equipment.relays
    if isinstance(part, Contact):
        return "bars" if any(name in (*r.contacts, *r.opens) for r in relays) else "box"
    if isinstance(part, Fuse):
        return "fuse"
    if isinstance(part, Capacitor):
        return "capacitor"
    if isinstance(part, Winding) or any({part.a, part.b} == set(r.coil) for r in relays):
        return "coil"
    heats = [set(pair) for pair in equipment.heat.get("elements", ())]
    return "heater" if {part.a, part.b} in heats else "box"


def _pairs(equipment: Equipment, terminals: Sequence[str]) -> list[tuple[str, str, str, str]]:
    """What a device shows between two of its terminals: part, symbol, and the two.

    Where no single part joins two terminals, the parts between them inside the device do: a coil with a tap, a strip with its
    fusible link. The most telling of them gives the symbol.
    """
    made = [(n, _kind(equipment, n, p), p.a, p.b) for n, p in between(equipment, terminals)]
    joined = {t for _, _, a, b in made for t in (a, b)}
    for one in terminals:
        if one in joined:
            continue
        found = _inward(equipment, one, terminals, joined)
        if found:
            other, names = found
            kinds = [(n, _kind(equipment, n, p)) for n in names if isinstance(p := equipment.network.parts[n], Shown)]
            name, kind = max(kinds, key=lambda row: _TELLING.index(row[1]))
            relay = any({one, other} == set(r.coil) for r in equipment.relays)
            made.append((name, "coil" if relay else kind, one, other))
            joined |= {one, other}
    return made


_TELLING = ("box", "fuse", "bars", "capacitor", "coil", "heater")


def _inward(equipment: Equipment, start: str, terminals: Sequence[str], taken: Iterable[str]) -> tuple[str, list[str]] | None:
    """The other terminal that parts inside the device lead to from `start`, and those parts; None where there is none."""
    own, visible, closed = set(terminals), set(equipment.terminals), set(taken)
    ways: dict[str, list[tuple[str, str]]] = {}
    for name, part in equipment.network.parts.items():
        if isinstance(part, Shown | Wire) and not (isinstance(part, Capacitor) and part.capacitance < STRAY):
            ways.setdefault(part.a, []).append((name, part.b))
            ways.setdefault(part.b, []).append((name, part.a))
    seen = {start}
    rows: list[tuple[str, list[str]]] = [(start, [])]
    while rows:
        node, names = rows.pop(0)
        for name, other in ways.get(node, ()):
            if other in seen or other == "earth":
                continue
            seen.add(other)
            if other in own and other not in closed and names:
                return other, [*names, name]
            if other not in visible:
                rows.append((other, [*names, name]))
    return None


def block(equipment: Equipment, name: str, terminals: Sequence[str], right: Iterable[str] = ()) -> Block:
    """The device `name` with `terminals`; those in `right` stand on the right of their row where that can be."""
    made = Block(name, titled(name))
    if any(len(printed(t)) > SHORT for t in terminals):
        made.pitch = TALL
    left_over = list(terminals)
    for part in transformers(equipment, terminals).values():
        made.span = 120
        y = made.rows * made.pitch
        for t, x, row in ((part.p1, 0, 0), (part.p2, 0, 1), (part.s1, 120, 0), (part.s2, 120, 1)):
            if t in left_over:
                made.terminals[t] = (x, y + row * made.pitch)
                left_over.remove(t)
        made.symbols.append({"kind": "transformer", "from": [0, y], "to": [120, y + made.pitch]})
        made.rows += 2
    rightward = frozenset(right)
    for part_name, kind, one, two in _pairs(equipment, terminals):
        ends = [t for t in (one, two) if t in left_over]
        if not ends:
            continue
        y = made.rows * made.pitch
        if len(ends) == 2:
            a, b = (two, one) if one in rightward and two not in rightward else (one, two)
            made.terminals[a], made.terminals[b] = (0, y), (made.span, y)
            made.symbols.append({"kind": kind, "from": [0, y], "to": [made.span, y], "part": part_name})
        else:
            other = one if ends[0] == two else two
            left, top = made.terminals[other]
            far = made.span if left == 0 else 0
            made.terminals[ends[0]] = (far, y)
            made.symbols.append({"kind": kind, "from": [left, y], "to": [far, y], "stem": [left, top], "part": part_name})
        made.rows += 1
        left_over = [t for t in left_over if t not in made.terminals]
    for k, t in enumerate(left_over):
        made.terminals[t] = (0 if k % 2 == 0 else made.span, made.rows * made.pitch)
        made.rows += k % 2
    made.rows += len(left_over) % 2
    return made


def placed(piece: Block, x: float, y: float) -> tuple[dict[str, tuple[float, float, str, str]], list[dict[str, Any]]]:
    """The terminals and symbols of `piece` with its first left terminal at (x, y), the first symbol carrying its title."""
    terminals = {t: spot(t, x + u, y + v) for t, (u, v) in piece.terminals.items()}
    symbols = [_moved(s, x, y) for s in piece.symbols]
    return terminals, symbols


def _moved(symbol: Mapping[str, Any], x: float, y: float) -> dict[str, Any]:
    made = dict(symbol)
    for key in ("from", "to", "stem"):
        if key in symbol:
            made[key] = [symbol[key][0] + x, symbol[key][1] + y]
    return made
