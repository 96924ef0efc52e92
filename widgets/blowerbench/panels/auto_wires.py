"""The wires of a generated drawing: which are drawn across it, which end in a flag that names their other end, and their ways.

Rule: every wire between two terminals is drawn one way or the other; a wire for which no way is left gets a flag at both ends.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from itertools import pairwise
from typing import Any

from blowerbench.circuit import Fuse, Wire
from blowerbench.equipment import Equipment
from blowerbench.panels.auto_blocks import printed, wide
from blowerbench.panels.auto_nets import classes, hubs, links, visible_wires, wire_class
from blowerbench.panels.places import R
from blowerbench.panels.routing import STEP, Board

Spot = tuple[float, float, str, str]
Box = tuple[float, float, float, float]

NEAR = 130.0  # a wire shorter than this is drawn across even when its end is a busy terminal
FLAG = 46.0  # a flag's length from the terminal's centre
CODES = {"hot": "BK", "neutral": "WH", "ground": "GN", "common": "BU"}
_SIDES = {"left": (-1, 0), "right": (1, 0), "up": (0, -1), "down": (0, 1)}


def draw_wires(
    equipment: Equipment,
    terminals: Mapping[str, Spot],
    raw: Mapping[str, Any],
    exits: Mapping[str, Sequence[tuple[int, int]]],
) -> tuple[dict[str, Any], list[dict[str, Any]]]:
    """The layout's table of wires (for each its class and its corners, or the flag that stands for it), and its links."""
    kinds = classes(equipment)
    parts = equipment.network.parts
    ends = {n: p for n in visible_wires(equipment, terminals) if isinstance(p := parts[n], Wire)}
    degree = Counter(e for p in ends.values() for e in (p.a, p.b))
    busy = hubs(equipment, ends)
    board = _ground(terminals, raw)
    made: dict[str, Any] = {}
    flagged = {n: at for n, p in ends.items() if (at := _flag_end(p, degree, busy, terminals, kinds, equipment))}
    carried = {n: str(plug["name"]) for plug in raw["plug"] for n in plug.get("carries", ())}
    sides: dict[str, list[str]] = {}
    for name, at in flagged.items():
        wire = ends[name]
        other = wire.b if at == wire.a else wire.a
        side = _side(at, terminals, exits, sides, raw)
        if side:
            kind = wire_class(wire, kinds)
            text = "earth" if kind == "ground" else printed(other)
            made[name] = {"kind": kind, "tag": text, "at": at, "side": side}
            if at in carried:
                made[name]["with"] = carried[at]
            board.block(*flag_box(terminals[at][0], terminals[at][1], side))
    for name, part in parts.items():
        if isinstance(part, Wire) and "earth" in (part.a, part.b):
            at = part.b if part.a == "earth" else part.a
            zone = equipment.zone_of.get(at)
            skipped = kinds[at] != "ground" or (zone is not None and zone.name in ("panel", "outlet"))
            if at in terminals and not skipped and (side := _side(at, terminals, {}, sides, raw, first=("up", "left", "down"))):
                made[name] = {"kind": "ground", "tag": "earth", "at": at, "side": side}
                board.block(*flag_box(terminals[at][0], terminals[at][1], side))
    rest = [n for n in ends if n not in made]
    rest.sort(key=lambda n: (not _straight(ends[n], terminals), _far(ends[n], terminals), n))
    ways: dict[str, list[tuple[float, float]]] = {}
    for name in rest:
        wire = ends[name]
        kind = wire_class(wire, kinds)
        way = board.route(wire.a, wire.b, terminals[wire.a][:2], terminals[wire.b][:2], exits)
        if way is None:
            made[name] = {"kind": kind, "tags": [
                {"tag": printed(o), "at": e, "side": _side(e, terminals, exits, sides, raw) or "right"}
                for e, o in ((wire.a, wire.b), (wire.b, wire.a))
            ]}  # fmt: skip
            continue
        ways[name] = way
        made[name] = {"kind": kind, "via": [list(p) for p in way[1:-1]]}
    _codes(made, ways, terminals, raw, board)
    joined = []
    for name, link in links(equipment):
        way = board.route(link.a, link.b, terminals[link.a][:2], terminals[link.b][:2], exits)
        if way is not None:
            joined.append({"part": name, "fuse": isinstance(link, Fuse), "way": [list(p) for p in way]})
    return made, joined


def flag_box(x: float, y: float, side: str) -> Box:
    """What a flag at a terminal's `side` covers: x, y, width, height."""
    u, v = _SIDES[side]
    if u:
        return (x + 12 if u > 0 else x - FLAG - 2, y - 12, FLAG - 10, 24)
    return (x - 12, y + 12 if v > 0 else y - FLAG - 2, 24, FLAG - 10)


def _far(wire: Wire, terminals: Mapping[str, Spot]) -> float:
    (x, y, *_), (u, v, *_) = terminals[wire.a], terminals[wire.b]
    return abs(x - u) + abs(y - v)


def _straight(wire: Wire, terminals: Mapping[str, Spot]) -> bool:
    (x, y, *_), (u, v, *_) = terminals[wire.a], terminals[wire.b]
    return x == u or y == v


def _flag_end(
    wire: Wire,
    degree: Mapping[str, int],
    busy: frozenset[str],
    terminals: Mapping[str, Spot],
    kinds: Mapping[str, str],
    equipment: Equipment,
) -> str:
    """The end of `wire` that gets a flag, or an empty text where the wire is drawn across."""
    outside = [e for e in (wire.a, wire.b) if (z := equipment.zone_of.get(e)) is not None and not z.behind_door]
    hub, leaf = (wire.a, wire.b) if degree[wire.a] >= degree[wire.b] else (wire.b, wire.a)
    if outside:
        return ""
    if wire_class(wire, kinds) == "ground":
        return leaf
    if hub not in busy or _far(wire, terminals) < NEAR or leaf in busy:
        return ""
    return "" if _straight(wire, terminals) and _far(wire, terminals) < 2 * NEAR else leaf


def _side(
    at: str, terminals: Mapping[str, Spot], exits: Mapping[str, Sequence[tuple[int, int]]], used: dict[str, list[str]],
    raw: Mapping[str, Any], first: Sequence[str] = ("left", "right", "up", "down"),
) -> str:  # fmt: skip
    """A side of terminal `at` on which a flag has room; an empty text where none has."""
    x, y, *_ = terminals[at]
    partners = [s["to"] if s["from"][:2] == [x, y] else s["from"] for s in raw["symbol"] if [x, y] in (s["from"], s["to"])]
    order = list(first)
    if partners and partners[0][0] < x and "left" in order:
        order = ["right", *[s for s in order if s != "right"]]
    for side in order:
        u, v = _SIDES[side]
        if side in used.get(at, []) or (at in exits and (u, v) not in exits[at]):
            continue
        if any((p[0] - x) * u + (p[1] - y) * v > 0 for p in partners):
            continue
        bx, by, bw, bh = flag_box(x, y, side)
        hit = any(bx - R < t[0] < bx + bw + R and by - R < t[1] < by + bh + R for n, t in terminals.items() if n != at)
        if not hit:
            used.setdefault(at, []).append(side)
            return side
    return ""


# ---------------------------------------------------------------------- what stands in the way
def text_boxes(terminals: Mapping[str, Spot], raw: Mapping[str, Any]) -> list[tuple[str, Box]]:
    """Every text that the layout places, with the room it takes: titles of boxes, symbols and plugs, and terminals' words."""
    made: list[tuple[str, Box]] = []
    for box in raw["box"]:
        x, y = box["title_at"]
        w = wide(box["title"])
        made.append((box["title"], (x - (w / 2 if box.get("mid") else 0), y - 14, w, 18)))
    for symbol in raw["symbol"]:
        if "title" in symbol:
            w = wide(symbol["title"])
            made.append((symbol["title"], (symbol["title_at"][0] - w / 2, symbol["title_at"][1] - 14, w, 18)))
    for plug in raw["plug"]:
        w = wide(plug["title"])
        left = plug["title_at"][0] - (w if plug["moving"] == "device" else 0)
        made.append((plug["title"], (left, plug["title_at"][1] - 14, w, 18)))
    for part in ("module", "motor"):
        if part in raw:
            w = wide(raw[part]["title"])
            made.append((raw[part]["title"], (raw[part]["title_at"][0], raw[part]["title_at"][1] - 14, w, 18)))
    for x, y, text, at in terminals.values():
        if at == "below":
            w = wide(text, 14)
            made.append((text, (x - w / 2, y + 18, w, 17)))
    return made


def _ground(terminals: Mapping[str, Spot], raw: Mapping[str, Any]) -> Board:
    width, height = raw["view"]
    board = Board(int(width // STEP) + 1, int(height // STEP) + 1)
    board.dearer(0, 0, 17, height, 4)  # nothing runs along the picture's edge that has another way
    board.dearer(0, 0, width, 29, 4)
    for x, y, *_ in terminals.values():
        board.block(x - R, y - R, 2 * R, 2 * R)
    for _, (x, y, w, h) in text_boxes(terminals, raw):
        board.dearer(x, y, w, h, 25)
    for symbol in raw["symbol"]:
        for (x, y), (u, v) in symbol.get("poles") or [(symbol["from"], symbol["to"])]:
            if symbol["kind"] == "blade":
                board.block(x - 10, min(y, v), 20, abs(v - y))
            else:
                board.block(min(x, u), min(y, v) - 9, abs(u - x), abs(v - y) + 18)
        if "stem" in symbol:
            (x, y), (_, v) = symbol["stem"], symbol["from"]
            board.block(x - 2, min(y, v), 4, abs(v - y))
        if "note_at" in symbol:
            board.dearer(symbol["note_at"][0] - 30, symbol["note_at"][1] - 14, 60, 18, 8)
    for plug in raw["plug"]:
        for side in ("harness", "device"):
            board.block(*plug[side])
    for slot in raw["slot"]:
        board.block(*raw["hits"][slot["id"]])
    for box in raw["box"]:
        if box.get("solid"):
            board.dearer(box["x"] + 8, box["y"] + 8, box["w"] - 16, box["h"] - 16, 6)
        elif not box.get("dashed") and not box.get("hidden"):
            board.dearer(box["x"], box["y"], box["w"], box["h"], 2)
    for part in ("module", "motor"):
        if part in raw:
            board.block(*raw[part]["at"])
    x, y = raw["wheel"]["at"]
    r = raw["wheel"]["radius"]
    board.block(x - r, y - r - 24, 2 * r, 2 * r + 24)
    return board


def _codes(
    made: dict[str, Any], ways: Mapping[str, Sequence[tuple[float, float]]], terminals: Mapping[str, Spot],
    raw: Mapping[str, Any], board: Board,
) -> None:  # fmt: skip
    """Print a colour code beside each long wire whose colour has one, where nothing else stands."""
    taken = [b for _, b in text_boxes(terminals, raw)]
    taken += [(x - R, y - R, 2 * R, 2 * R) for x, y, *_ in terminals.values()]
    for name, way in ways.items():
        code = CODES.get(made[name]["kind"])
        if code is None:
            continue
        runs = sorted(pairwise(way), key=lambda s: -abs(s[0][0] - s[1][0]) - abs(s[0][1] - s[1][1]))
        for (x, y), (u, v) in runs[:3]:
            if abs(x - u) + abs(y - v) < 60:
                break
            found = _beside((x + u) / 2, (y + v) / 2, y == v, taken, board)
            if found:
                made[name].update(code=code, code_at=[found[0], found[1] + 11])
                taken.append((*found, 26, 14))
                break


def _beside(x: float, y: float, level: bool, taken: Sequence[Box], board: Board) -> tuple[float, float] | None:
    """A free place, 26 by 14, beside a line's middle: its upper left corner."""
    spots = [(x - 13, y - 19), (x - 13, y + 6)] if level else [(x + 6, y - 7), (x - 32, y - 7)]
    for px, py in spots:
        if px < 6 or py < 26:
            continue
        cells = {(i, j) for i in range(int(px // STEP), int((px + 26) // STEP) + 2)
                 for j in range(int(py // STEP), int((py + 14) // STEP) + 2)
                 if px - 3 < i * STEP < px + 29 and py - 3 < j * STEP < py + 17}  # fmt: skip
        lines = any(c in board.across for c in cells) or any(c in board.blocked for c in cells)
        if not lines and not any(px < b[0] + b[2] and b[0] < px + 26 and py < b[1] + b[3] and b[1] < py + 14 for b in taken):
            return px, py
    return None
