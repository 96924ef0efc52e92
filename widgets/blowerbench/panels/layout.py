"""The picture of a unit as data: a tree of SVG elements made from the equipment and its layout file.

Rule: the page and the static picture draw the same tree; what changes during a call is a `dress`, a small table from an
element's name to its class, label or shift. Nothing here knows the fault, and no symbol shows a state that hands can't know.
"""

from __future__ import annotations

import html
import tomllib
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import blowerdata
from blowerbench.circuit import Wire
from blowerbench.equipment import Equipment
from blowerbench.errors import BenchError
from blowerbench.hands import Hands, reach
from blowerbench.messages import label, translate

#: An SVG element: tag, attributes, then a text or children.
Node = dict[str, Any]
Point = tuple[float, float]

R = 14  # radius of a terminal's circle, drawing units
HIT = 16  # radius of what a pointer has to hit: 32 units wide, 24 px at the narrowest picture
WIRE_KINDS = ("hot", "neutral", "ground", "common", "low")


class LayoutError(BenchError):
    """A layout file that does not fit its equipment; says the file, the entry and the remedy."""


@dataclass(frozen=True, slots=True)
class Layout:
    """A loaded layout file, checked against its equipment. Lengths in drawing units."""

    view: tuple[int, int]
    terminals: Mapping[str, tuple[float, float, str, str]]
    raw: Mapping[str, Any]

    def __hash__(self) -> int:
        return id(self)


@lru_cache(maxsize=16)
def load_layout(equipment: Equipment) -> Layout:
    """The shipped layout of `equipment`; raises `LayoutError` where it names something the unit does not have."""
    path = blowerdata.path("layouts", f"{equipment.id}.toml")
    return parse_layout(path.read_text(encoding="utf-8"), equipment, path.name)


def parse_layout(text: str, equipment: Equipment, source: str) -> Layout:
    """The layout in TOML `text`, checked: every terminal has a place, every visible wire a way, and no name is unknown."""
    try:
        raw = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise LayoutError(f"{source}: not TOML ({error}); mend that line and load it again") from error
    placed = {name: (float(x), float(y), str(t), str(at)) for name, (x, y, t, at) in raw["terminals"].items()}
    unknown = sorted(set(placed) - set(equipment.terminals))
    missing = sorted(set(equipment.terminals) - set(placed))
    if unknown:
        raise LayoutError(f"{source}: terminals {', '.join(unknown)} are not on {equipment.id}; take them out or correct them")
    if missing:
        raise LayoutError(f"{source}: no place for {', '.join(missing)}; add them under [terminals]")
    parts = equipment.network.parts
    strange = sorted(set(raw["wires"]) - {n for n, p in parts.items() if isinstance(p, Wire)})
    if strange:
        raise LayoutError(f"{source}: {', '.join(strange)} are no wires of {equipment.id}; name wires of the equipment file")
    bare = [n for n in visible_wires(equipment, placed) if n not in raw["wires"]]
    if bare:
        raise LayoutError(f"{source}: no way for {', '.join(bare)}; add them under [wires]")
    return Layout((raw["view"][0], raw["view"][1]), placed, raw)


def visible_wires(equipment: Equipment, placed: Iterable[str]) -> tuple[str, ...]:
    """The wires of `equipment` that run between two of the `placed` terminals."""
    shown = frozenset(placed)
    return tuple(n for n, p in equipment.network.parts.items() if isinstance(p, Wire) and p.a in shown and p.b in shown)


# ---------------------------------------------------------------------- elements
def el(tag: str, children: Sequence[Node] | str = (), /, **attributes: object) -> Node:
    """An element; `kind` becomes its class, `key` its name for the dress, and underscores become hyphens."""
    named = {"kind": "class", "key": "data-key"}
    attrs = {named.get(k, k.replace("_", "-")): _text(v) for k, v in attributes.items()}
    inside: Node = {"text": children} if isinstance(children, str) else {"children": list(children)}
    return {"tag": tag, "attrs": attrs, **inside}


def _text(value: object) -> str:
    return f"{value:g}" if isinstance(value, float) else str(value)


def _rect(box: Sequence[float], **attributes: object) -> Node:
    x, y, w, h = box
    return el("rect", x=x, y=y, width=w, height=h, **attributes)


def _title(text: str, at: Sequence[float], language: str, kind: str = "bp-title") -> Node:
    return el("text", translate(text, language), x=at[0], y=at[1], kind=kind)


def _path(points: Sequence[Point]) -> str:
    return "M" + " L".join(f"{x:g} {y:g}" for x, y in points)


def _earth(x: float, y: float, side: str = "down") -> Node:
    """The ground symbol, drawn as a path: three bars that get shorter, away from the wire."""
    bars = ((9, 0), (6, 5), (3, 10))
    if side == "down":
        d = " ".join(f"M{x - w:g} {y + k:g}H{x + w:g}" for w, k in bars)
    else:
        d = " ".join(f"M{x - k:g} {y - w:g}V{y + w:g}" for w, k in bars)
    return el("path", kind="bp-line", d=d)


def _wire(name: str, spec: Mapping[str, Any], equipment: Equipment, layout: Layout) -> Node:
    part = equipment.wire(name)
    drawn: list[Node] = []
    ends = layout.terminals
    if "tag" in spec:
        x, y, *_ = ends[spec["at"]]
        way = -1 if spec["side"] == "left" else 1
        far = x + way * (R + (8 if spec.get("short") else 14))
        points = [(x, y), (far, y)]
        if spec["tag"] == "earth":
            drawn.append(_earth(far, y, "left"))
        else:
            d = f"M{far:g} {y:g}l{way * 6:g} -11h{way * 16:g}v22h{-way * 16:g}z"
            drawn += [el("path", kind="bp-tag", d=d), el("text", spec["tag"], kind="bp-tagtext", x=far + way * 13, y=y + 5)]
    elif spec.get("from_earth"):
        points = [*((float(x), float(y)) for x, y in spec["via"]), ends[part.b][:2]]
        drawn.append(el("g", [_earth(points[0][0], points[0][1] - 10)]))
    else:
        points = [ends[part.a][:2], *((float(x), float(y)) for x, y in spec.get("via", [])), ends[part.b][:2]]
        points = _square(points)
    d = _path(points)
    lines = [el("path", kind="bp-casing", d=d), el("path", kind="bp-core", d=d)]
    if "code" in spec:
        drawn.append(el("text", spec["code"], kind="bp-code", x=spec["code_at"][0], y=spec["code_at"][1]))
    return el("g", [*lines, *drawn], kind=f"bp-wire bp-{spec['kind']}", key=f"wire:{name}")


def _square(points: Sequence[Point]) -> list[Point]:
    """`points` with a corner wherever two neighbours are neither above nor beside each other: across first, then up or down."""
    made = [points[0]]
    for x, y in points[1:]:
        px, py = made[-1]
        if px != x and py != y:
            made.append((x, py))
        made.append((x, y))
    return made


def _symbol(spec: Mapping[str, Any], language: str) -> Node:
    (x1, y1), (x2, y2) = spec["from"], spec["to"]
    mx, my = (x1 + x2) / 2, (y1 + y2) / 2
    drawn: list[Node] = []
    match spec["kind"]:
        case "blade":
            top, bottom = my - 14, my + 14
            drawn = [
                el("path", kind="bp-wireline", d=f"M{x1} {y1}V{top:g}M{x1} {bottom:g}V{y2}"),
                el("circle", kind="bp-dot", cx=x1, cy=top, r=3), el("circle", kind="bp-dot", cx=x1, cy=bottom, r=3),
                el("path", kind="bp-blade bp-shut", d=f"M{x1} {bottom:g}V{top:g}"),
                el("path", kind="bp-blade bp-apart", d=f"M{x1} {bottom:g}L{x1 - 18} {top + 4:g}"),
            ]  # fmt: skip
        case "transformer":
            humps = "".join("a6 6 0 0 1 0 12" for _ in range(4))
            back = "".join("a6 6 0 0 0 0 12" for _ in range(4))
            drawn = [
                el("path", kind="bp-line", d=f"M{x1} {y1}H{mx - 16:g}{humps}H{x1}"),
                el("path", kind="bp-line", d=f"M{x2} {y1}H{mx + 16:g}{back}H{x2}"),
                el("path", kind="bp-line", d=f"M{mx - 3:g} {y1}V{y2}M{mx + 3:g} {y1}V{y2}"),
            ]
        case "fuse":
            wire = el("path", kind="bp-line", d=f"M{x1} {y1}H{x2}")
            drawn = [wire, _rect((mx - 20, my - 8, 40, 16), kind="bp-part bp-through")]
        case _:
            drawn = [el("path", kind="bp-line", d=f"M{x1} {y1}H{x2}"), _rect((mx - 17, my - 9, 34, 18), kind="bp-part")]
    if "note_at" in spec:
        nx, ny = spec["note_at"]
        drawn.append(el("text", "", kind="bp-note bp-mid", x=nx, y=ny, key=f"note:{spec['thing']}"))
    if "title" in spec:
        drawn.append(_title(spec["title"], spec["title_at"], language, kind="bp-title bp-mid"))
    return el("g", drawn, key=f"symbol:{spec.get('thing', spec.get('title', ''))}")


def _terminal(name: str, equipment: Equipment, layout: Layout, language: str) -> Node:
    x, y, text, at = layout.terminals[name]
    small = " bp-two" if at == "in" and len(text) > 1 else ""
    where = {"in": (x, y + 5, f"bp-pin{small}"), "right": (x + 18, y + 5, "bp-name"), "below": (x, y + 32, "bp-pin")}[at]
    drawn = [
        el("circle", kind="bp-hit", cx=x, cy=y, r=HIT),
        el("circle", kind="bp-ring", cx=x, cy=y, r=R),
        el("text", text, kind=where[2], x=where[0], y=where[1]),
        el("g", [
            el("circle", kind="bp-red", cx=x - 13, cy=y - 16, r=11),
            el("path", kind="bp-mark", d=f"M{x - 19:g} {y - 16:g}h12M{x - 13:g} {y - 22:g}v12"),
        ], kind="bp-lead-red"),
        el("g", [
            _rect((x + 3, y - 27, 21, 21), kind="bp-black"),
            el("path", kind="bp-mark", d=f"M{x + 8:g} {y - 16.5:g}h11"),
        ], kind="bp-lead-black"),
    ]  # fmt: skip
    return el(
        "g", drawn, kind="bp-terminal", key=f"t:{name}", data_terminal=name, role="button", tabindex="-1",
        aria_label=label("terminal", name, equipment, language),
    )  # fmt: skip


def draw(equipment: Equipment, language: str = "en") -> Node:
    """The picture of `equipment` as one tree, undressed: the children of an SVG element with the layout's view box."""
    layout = load_layout(equipment)
    raw = layout.raw

    def t(name: str) -> Node:
        return _terminal(name, equipment, layout, language)

    cabinet = next(b for b in raw["box"] if b["id"] == raw["cabinet"])
    back: list[Node] = []
    for box in raw["box"]:
        shape = "bp-cabinet" if box.get("dashed") else "bp-board" if box.get("solid") else "bp-box"
        back.append(_rect((box["x"], box["y"], box["w"], box["h"]), kind=shape, rx=8, key=f"box:{box['id']}"))
        back.append(_title(box["title"], box["title_at"], language))
    back += [*_module(raw, language), *_wheel(raw), *_outside(raw)]
    wires = [_wire(n, s, equipment, layout) for n, s in raw["wires"].items() if "with" not in s]
    symbols = [_symbol(s, language) for s in raw["symbol"]]
    plugs, moved = _plugs(raw, equipment, layout, language, t)
    rest = [t(n) for n in layout.terminals if n not in moved]
    hits = [_rect(b, kind="bp-thing", rx=6, key=f"thing:{n}", data_thing=n) for n, b in raw["hits"].items()]
    cover = el("g", [
        _rect(raw["cover"], kind="bp-cover", rx=5),
        _title("cover", [raw["cover"][0] + raw["cover"][2] / 2, raw["cover"][1] + 28], language, kind="bp-note bp-mid"),
    ], key="cover")  # fmt: skip
    cable = el("path", kind="bp-cable", d=_cable(layout), key="cable")
    return el("g", [*back, *wires, *symbols, *plugs, *hits, *rest, cover, cable, _door(cabinet, language)], key="unit")


def _module(raw: Mapping[str, Any], language: str) -> list[Node]:
    return [
        _rect(raw["module"]["at"], kind="bp-board", rx=8, key="module"),
        _title(raw["module"]["title"], raw["module"]["title_at"], language),
    ]


def _wheel(raw: Mapping[str, Any]) -> list[Node]:
    (x, y), r = raw["wheel"]["at"], raw["wheel"]["radius"]
    ways = ((1, 0), (0.5, 0.866), (-0.5, 0.866), (-1, 0), (-0.5, -0.866), (0.5, -0.866))
    out = r - 24
    spokes = " ".join(
        f"M{u * 15:g} {v * 15:g}q{u * 22 - v * 16:g} {v * 22 + u * 16:g} {u * out:g} {v * out:g}" for u, v in ways
    )
    mx, my, _, mh = raw["motor"]["at"]
    return [
        el("path", kind="bp-shaft", d=f"M{x + r:g} {my + mh / 2 - 3:g}H{mx}M{x + r:g} {my + mh / 2 + 3:g}H{mx}"),
        el("circle", kind="bp-part", cx=x, cy=y, r=r),
        el("g", [el("g", [el("path", kind="bp-line", d=spokes), el("circle", kind="bp-hub", cx=0, cy=0, r=15)],
                    kind="bp-wheel", key="wheel")], transform=f"translate({x} {y})"),
        el("text", "", kind="bp-title bp-mid", x=x, y=y - r - 12, key="note:wheel"),
    ]  # fmt: skip


def _outside(raw: Mapping[str, Any]) -> list[Node]:
    """What stands outside the cabinet and has a state of its own to print: thermostat, gas valve, lock, tag, source."""
    made: list[Node] = []
    for name in ("lock", "tag"):
        x, y, w, h = raw["hits"][name]
        made.append(el("g", [
            _rect((x, y, w, h), kind="bp-slot", rx=6),
            el("text", "", kind="bp-note bp-mid", x=x + w / 2, y=y + h / 2 + 5, key=f"note:{name}"),
        ], key=f"slot:{name}"))  # fmt: skip
    for name in ("thermostat", "gas", "source", "source_switch", "status"):
        x, y, w, h = raw["hits"][name]
        made.append(_rect((x, y, w, h), kind="bp-slot", rx=6, key=f"slot:{name}"))
        lines = (name,) if name in ("gas", "status") else (name, f"{name}2")
        for k, line in enumerate(lines):
            down = 5 if len(lines) == 1 else 20 * k - 4
            made.append(el("text", "", kind="bp-note bp-mid", x=x + w / 2, y=y + h / 2 + down, key=f"note:{line}"))
    return made


def _plugs(
    raw: Mapping[str, Any], equipment: Equipment, layout: Layout, language: str, terminal: Callable[[str], Node]
) -> tuple[list[Node], frozenset[str]]:
    made: list[Node] = []
    moved: set[str] = set()
    motor = raw["motor"]
    for plug in raw["plug"]:
        connector = equipment.connectors[plug["name"]]
        sides = {"harness": connector.harness, "device": connector.device}
        for side, names in sides.items():
            inside: list[Node] = [_rect(plug[side], kind="bp-plug", rx=6)]
            if side == "device" and plug["moving"] == "device":
                inside = [
                    _rect(motor["at"], kind="bp-motor", rx=20), _title(motor["title"], motor["title_at"], language), *inside,
                    _title(plug["title"], plug["title_at"], language, kind="bp-title bp-end"),
                    *(_wire(n, s, equipment, layout) for n, s in raw["wires"].items() if s.get("with") == plug["name"]),
                    terminal("motor.frame"),
                ]  # fmt: skip
                moved.add("motor.frame")
            elif side == "device":
                inside.append(_title(plug["title"], plug["title_at"], language))
            moved.update(names)
            key = f"plug:{plug['name']}" if side == plug["moving"] else f"rest:{plug['name']}"
            made.append(el("g", [*inside, *(terminal(n) for n in names)], key=key))
    return made, frozenset(moved)


def _cable(layout: Layout) -> str:
    """The reference source's way to the motor's control receptacle: down its side, under the plug, to fan and common."""
    x, y = layout.terminals["source.C"][:2]
    mx, my = layout.terminals["control.m3"][:2]
    return f"M{x - 30:g} {y + 40:g}H{x - 44:g}V{my:g}H{mx + 52:g}"


def _door(cabinet: Mapping[str, Any], language: str) -> Node:
    x, y, w, h = cabinet["x"], cabinet["y"], cabinet["w"], cabinet["h"]
    slots = " ".join(f"M{x + w / 2 - 120:g} {y + h - 220 + 26 * k:g}h240" for k in range(6))
    return el("g", [
        _rect((x + 6, y + 6, w - 12, h - 12), kind="bp-door", rx=10),
        el("path", kind="bp-slots", d=slots),
        _rect((x + w - 60, y + h / 2 - 40, 18, 80), kind="bp-handle", rx=9),
        _title("Blower door: on", [x + w / 2, y + 300], language, kind="bp-big bp-mid"),
        _title("What is behind it can't be reached.", [x + w / 2, y + 330], language, kind="bp-title bp-mid"),
        _rect((x + 6, y + 6, w - 12, h - 12), kind="bp-thing", rx=10, data_thing="door"),
        el("circle", kind="bp-glass", cx=x + w / 2, cy=y + 190, r=34, data_thing="status"),
        el("text", "", kind="bp-note bp-mid", x=x + w / 2, y=y + 195, key="note:glass"),
    ], key="door")  # fmt: skip


# ---------------------------------------------------------------------- what can be reached, and the way there
def reachable(equipment: Equipment, hands: Hands) -> tuple[str, ...]:
    """The terminals that a probe can get to now, in the layout's order."""
    return tuple(t for t in load_layout(equipment).terminals if reach(equipment, hands, t) is None)


@lru_cache(maxsize=64)
def arrows(equipment: Equipment, shown: tuple[str, ...]) -> Mapping[str, tuple[str, str, str, str]]:
    """For each of the `shown` terminals the nearest one to the left, up, right and down (itself where there is none).

    Nearest counts the distance across the arrow's way double. Where that would leave terminals out of reach (a table of
    nearest neighbours may), a side that leads nowhere is given to them, so that arrows alone get from any to every terminal.
    """
    places = {t: load_layout(equipment).terminals[t][:2] for t in shown}
    table = {t: [_nearest(t, places, way) for way in ((-1, 0), (0, -1), (1, 0), (0, 1))] for t in shown}
    _join(table, places)
    return {t: (row[0], row[1], row[2], row[3]) for t, row in table.items()}


def _nearest(start: str, places: Mapping[str, Point], way: tuple[int, int]) -> str:
    x, y = places[start]
    best, found = float("inf"), start
    for name, (u, v) in places.items():
        along, across = (u - x) * way[0] + (v - y) * way[1], abs((u - x) * way[1]) + abs((v - y) * way[0])
        if along > 1 and across <= 2 * along and along + 2 * across < best:
            best, found = along + 2 * across, name
    return found


def _reached(table: Mapping[str, Sequence[str]], start: str) -> set[str]:
    found, todo = {start}, [start]
    while todo:
        for name in table[todo.pop()]:
            if name not in found:
                found.add(name)
                todo.append(name)
    return found


def _join(table: dict[str, list[str]], places: Mapping[str, Point]) -> None:
    names = list(table)
    if not names:
        return
    first = names[0]
    for name in names:  # everything from the first ...
        if name not in _reached(table, first):
            _give(table, places, _reached(table, first), name)
    for name in names:  # ... and the first from everything
        if first not in _reached(table, name):
            _give(table, places, _reached(table, name), first)


def _give(table: dict[str, list[str]], places: Mapping[str, Point], among: set[str], target: str) -> None:
    x, y = places[target]
    free = [n for n in sorted(among) if n in table[n]]
    holder = min(free, key=lambda n: abs(places[n][0] - x) + abs(places[n][1] - y))
    table[holder][table[holder].index(holder)] = target


# ---------------------------------------------------------------------- the static picture
def svg(tree: Node, dress: Mapping[str, Mapping[str, str]], view: tuple[int, int], title: str, css: str) -> str:
    """The dressed picture as one SVG text that needs no script."""
    body = _markup(tree, dress)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" class="blowerbench bp-static" viewBox="0 0 {view[0]} {view[1]}" '
        f'width="{view[0]}" height="{view[1]}" role="img"><title>{html.escape(title)}</title><style>{css}</style>{body}</svg>'
    )


_LIVE_ONLY = ("role", "tabindex", "aria-label", "data-terminal", "data-thing")


def _markup(node: Node, dress: Mapping[str, Mapping[str, str]]) -> str:
    attrs = {k: v for k, v in node["attrs"].items() if k not in _LIVE_ONLY}
    worn = dress.get(attrs.pop("data-key", ""), {})
    if worn.get("class"):
        attrs["class"] = f"{attrs.get('class', '')} {worn['class']}".strip()
    if worn.get("transform"):
        attrs["transform"] = worn["transform"]
    inner = html.escape(worn["text"] if "text" in worn else node.get("text", ""))
    inner += "".join(_markup(child, dress) for child in node.get("children", ()))
    written = "".join(f' {k}="{html.escape(str(v))}"' for k, v in attrs.items())
    return f"<{node['tag']}{written}>{inner}</{node['tag']}>"
