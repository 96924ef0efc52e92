"""The elements of a picture: SVG as plain trees, and the shapes of wires, symbols and terminals.

Rule: an element that changes during a call carries a name (`key`); nothing here knows the fault, and no symbol shows a state
that hands can't know.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import pairwise
from typing import Any

from blowerbench.equipment import Equipment
from blowerbench.messages import label, translate
from blowerbench.panels.places import HIT, Layout, R

#: An SVG element: tag, attributes, then a text or children.
Node = dict[str, Any]
Point = tuple[float, float]


def el(tag: str, children: Sequence[Node] | str = (), /, **attributes: object) -> Node:
    """An element; `kind` becomes its class, `key` its name for the dress, and underscores become hyphens."""
    named = {"kind": "class", "key": "data-key"}
    attrs = {named.get(k, k.replace("_", "-")): _text(v) for k, v in attributes.items()}
    inside: Node = {"text": children} if isinstance(children, str) else {"children": list(children)}
    return {"tag": tag, "attrs": attrs, **inside}


def _text(value: object) -> str:
    return f"{value:g}" if isinstance(value, float) else str(value)


def rect(box: Sequence[float], **attributes: object) -> Node:
    """A rectangle: x, y, width, height."""
    x, y, w, h = box
    return el("rect", x=x, y=y, width=w, height=h, **attributes)


def title(text: str, at: Sequence[float], language: str, kind: str = "bp-title") -> Node:
    """`text` in the page's language, its baseline beginning at `at`."""
    return el("text", translate(text, language, "picture"), x=at[0], y=at[1], kind=kind)


def path(points: Sequence[Point]) -> str:
    """The path data of a line through `points`."""
    return "M" + " L".join(f"{x:g} {y:g}" for x, y in points)


def earth(x: float, y: float, side: str = "down") -> Node:
    """The ground symbol, drawn as a path: three bars that get shorter, away from the wire."""
    bars = ((9, 0), (6, 5), (3, 10))
    way = -1 if side in ("left", "up") else 1
    if side in ("down", "up"):
        d = " ".join(f"M{x - w:g} {y + way * k:g}H{x + w:g}" for w, k in bars)
    else:
        d = " ".join(f"M{x + way * k:g} {y - w:g}V{y + w:g}" for w, k in bars)
    return el("path", kind="bp-line", d=d)


def _flag(x: float, y: float, text: str, side: str, short: bool = False) -> list[Node]:
    """A stub out of a terminal with a flag that names the wire's other end, or with the ground symbol."""
    u, v = {"left": (-1, 0), "right": (1, 0), "up": (0, -1), "down": (0, 1)}[side]
    reach = R + (8 if short else 14)
    fx, fy = x + u * reach, y + v * reach
    if text == "earth":
        return [earth(fx, fy, side)]
    if u:
        d = f"M{fx:g} {y:g}l{u * 6:g} -11h{u * 16:g}v22h{-u * 16:g}z"
        return [el("path", kind="bp-tag", d=d), _flag_text(text, fx + u * 13, y + 5)]
    d = f"M{x:g} {fy:g}l-12 {v * 6:g}v{v * 15:g}h24v{-v * 15:g}z"
    return [el("path", kind="bp-tag", d=d), _flag_text(text, x, fy + v * 13 + 5)]


def _flag_text(text: str, x: float, y: float) -> Node:
    return el("text", text, kind="bp-tagtext" + (" bp-three" if len(text) > 2 else ""), x=x, y=y)


def _stub(x: float, y: float, side: str, short: bool = False) -> list[Point]:
    u, v = {"left": (-1, 0), "right": (1, 0), "up": (0, -1), "down": (0, 1)}[side]
    reach = R + (8 if short else 14)
    return [(x, y), (x + u * reach, y + v * reach)]


def wire(name: str, spec: Mapping[str, Any], equipment: Equipment, layout: Layout) -> Node:
    """A wire across the page, or its flags; a casing under a core, so that white and black wires show on any paper."""
    part = equipment.wire(name)
    drawn: list[Node] = []
    ends = layout.terminals
    flags = spec.get("tags") or ([spec] if "tag" in spec else [])
    if flags:
        runs = []
        for flag in flags:
            x, y, *_ = ends[flag["at"]]
            runs.append(_stub(x, y, flag["side"], flag.get("short", False)))
            drawn += _flag(x, y, flag["tag"], flag["side"], flag.get("short", False))
    elif spec.get("from_earth"):
        points = [*((float(x), float(y)) for x, y in spec["via"]), ends[part.b][:2]]
        runs = [points]
        drawn.append(el("g", [earth(points[0][0], points[0][1] - 10)]))
    else:
        runs = [square([ends[part.a][:2], *((float(x), float(y)) for x, y in spec.get("via", [])), ends[part.b][:2]])]
    d = " ".join(path(points) for points in runs)
    lines = [el("path", kind="bp-casing", d=d), el("path", kind="bp-core", d=d)]
    if "code" in spec:
        drawn.append(el("text", spec["code"], kind="bp-code", x=spec["code_at"][0], y=spec["code_at"][1]))
    return el("g", [*lines, *drawn], kind=f"bp-wire bp-{spec['kind']}", key=f"wire:{name}")


def square(points: Sequence[Point]) -> list[Point]:
    """`points` with a corner wherever two neighbours are neither above nor beside each other: across first, then up or down."""
    made = [points[0]]
    for x, y in points[1:]:
        px, py = made[-1]
        if px != x and py != y:
            made.append((x, py))
        made.append((x, y))
    return made


def link(spec: Mapping[str, Any]) -> Node:
    """A fuse or contact in a lead of its own between two devices: a line with the part on its longest run."""
    points = [(float(x), float(y)) for x, y in spec["way"]]
    (x, y), (u, v) = max(pairwise(points), key=lambda s: abs(s[0][0] - s[1][0]) + abs(s[0][1] - s[1][1]))
    mx, my = (x + u) / 2, (y + v) / 2
    long = min(24.0, abs(x - u) + abs(y - v) - 2 * R - 4)
    w, h = (12.0, long) if x == u else (long, 12.0)
    body = rect((mx - w / 2, my - h / 2, w, h), kind="bp-part bp-through" if spec["fuse"] else "bp-part")
    return el("g", [el("path", kind="bp-line", d=path(points)), body], key=f"link:{spec['part']}")


def _blade(top: Sequence[float], bottom: Sequence[float]) -> list[Node]:
    x, y1, y2 = top[0], top[1], bottom[1]
    upper, lower = (y1 + y2) / 2 - 14, (y1 + y2) / 2 + 14
    return [
        el("path", kind="bp-wireline", d=f"M{x:g} {y1:g}V{upper:g}M{x:g} {lower:g}V{y2:g}"),
        el("circle", kind="bp-dot", cx=x, cy=upper, r=3), el("circle", kind="bp-dot", cx=x, cy=lower, r=3),
        el("path", kind="bp-blade bp-shut", d=f"M{x:g} {lower:g}V{upper:g}"),
        el("path", kind="bp-blade bp-apart", d=f"M{x:g} {lower:g}L{x - 18:g} {upper + 4:g}"),
    ]  # fmt: skip


def _transformer(x1: float, y1: float, x2: float, y2: float) -> list[Node]:
    mx, turn = (x1 + x2) / 2, (y2 - y1) / 8
    humps = "".join(f"a{turn:g} {turn:g} 0 0 1 0 {2 * turn:g}" for _ in range(4))
    back = "".join(f"a{turn:g} {turn:g} 0 0 0 0 {2 * turn:g}" for _ in range(4))
    return [
        el("path", kind="bp-line", d=f"M{x1:g} {y1:g}H{mx - 16:g}{humps}H{x1:g}"),
        el("path", kind="bp-line", d=f"M{x2:g} {y1:g}H{mx + 16:g}{back}H{x2:g}"),
        el("path", kind="bp-line", d=f"M{mx - 3:g} {y1:g}V{y2:g}M{mx + 3:g} {y1:g}V{y2:g}"),
    ]


def _between(kind: str, x1: float, x2: float, y: float) -> list[Node]:
    """The symbol of a part on the line from (x1, y) to (x2, y): what it is, never how it stands."""
    mx = (x1 + x2) / 2
    through = el("path", kind="bp-line", d=f"M{x1:g} {y:g}H{x2:g}")
    left, right = min(x1, x2), max(x1, x2)
    match kind:
        case "fuse":
            return [through, rect((mx - 20, y - 8, 40, 16), kind="bp-part bp-through")]
        case "bars":  # a relay's contact: two bars
            return [el("path", kind="bp-line", d=f"M{left:g} {y:g}H{mx - 5:g}M{mx + 5:g} {y:g}H{right:g}"),
                    el("path", kind="bp-line", d=f"M{mx - 5:g} {y - 10:g}v20M{mx + 5:g} {y - 10:g}v20")]  # fmt: skip
        case "capacitor":  # a straight and a bent plate
            return [el("path", kind="bp-line", d=f"M{left:g} {y:g}H{mx - 4:g}M{mx + 3:g} {y:g}H{right:g}"),
                    el("path", kind="bp-line", d=f"M{mx - 4:g} {y - 11:g}v22M{mx + 9:g} {y - 11:g}q-12 11 0 22")]  # fmt: skip
        case "coil":
            humps = "a5 5 0 0 1 10 0" * 4
            return [el("path", kind="bp-line", d=f"M{left:g} {y:g}H{mx - 20:g}{humps}H{right:g}")]
        case "heater":
            teeth = "l3 -8l6 16l6 -16l6 16l6 -16l6 16l3 -8"
            return [el("path", kind="bp-line", d=f"M{left:g} {y:g}H{mx - 18:g}{teeth}H{right:g}")]
        case _:
            return [through, rect((mx - 17, y - 9, 34, 18), kind="bp-part")]


def symbol(spec: Mapping[str, Any], language: str) -> Node:
    """A part between two terminals, with its title and the place of its note."""
    (x1, y1), (x2, y2) = spec["from"], spec["to"]
    if spec["kind"] == "blade":
        drawn = [n for top, bottom in spec.get("poles", [(spec["from"], spec["to"])]) for n in _blade(top, bottom)]
    elif spec["kind"] == "transformer":
        drawn = _transformer(x1, y1, x2, y2)
    else:
        drawn = _between(spec["kind"], x1, x2, (y1 + y2) / 2)
    if "stem" in spec:
        drawn.append(el("path", kind="bp-line", d=f"M{spec['stem'][0]:g} {spec['stem'][1]:g}V{y1:g}"))
    if "note_at" in spec:
        nx, ny = spec["note_at"]
        drawn.append(el("text", "", kind="bp-note bp-mid", x=nx, y=ny, key=f"note:{spec['thing']}"))
    if "title" in spec:
        drawn.append(title(spec["title"], spec["title_at"], language, kind="bp-title bp-mid"))
    return el("g", drawn, key=f"symbol:{spec.get('thing', spec.get('title', ''))}")


def terminal(name: str, equipment: Equipment, layout: Layout, language: str) -> Node:
    """A terminal: a circle to put a lead on, what is printed there, and both leads' markers, hidden until they are on it."""
    x, y, printed, at = layout.terminals[name]
    text = translate(printed, language)
    small = "" if at != "in" or len(text) < 2 else " bp-three" if len(text) > 2 else " bp-two"
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
            rect((x + 3, y - 27, 21, 21), kind="bp-black"),
            el("path", kind="bp-mark", d=f"M{x + 8:g} {y - 16.5:g}h11"),
        ], kind="bp-lead-black"),
    ]  # fmt: skip
    return el(
        "g", drawn, kind="bp-terminal", key=f"t:{name}", data_terminal=name, role="button", tabindex="-1",
        aria_label=label("terminal", name, equipment, language),
    )  # fmt: skip
