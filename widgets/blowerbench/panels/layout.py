"""The picture of a unit as data: a tree of SVG elements made from the equipment and its layout, hand-made or generated.

Rule: the page and the static picture draw the same tree; what changes during a call is a `dress`, a small table from an
element's name to its class, label or shift. Nothing here knows the fault, and no symbol shows a state that hands can't know.
"""

from __future__ import annotations

import html
import tomllib
from collections.abc import Callable, Mapping, Sequence
from functools import lru_cache
from pathlib import Path
from typing import Any

import blowerdata
from blowerbench.circuit import Wire
from blowerbench.equipment import Equipment
from blowerbench.hands import Hands, reach
from blowerbench.messages import translate
from blowerbench.panels import page
from blowerbench.panels.air_strip import HEIGHT, draw_strip, strip
from blowerbench.panels.auto_layout import auto_layout
from blowerbench.panels.auto_nets import visible_wires
from blowerbench.panels.elements import Node, Point, el, link, rect, symbol, terminal, title, wire
from blowerbench.panels.places import Layout, LayoutError, door_word, of_supply

__all__ = [
    "Layout", "LayoutError", "arrows", "auto_layout", "draw", "load_layout", "parse_layout", "picture", "reachable", "svg",
    "view_of", "ways",
]  # fmt: skip


@lru_cache(maxsize=16)
def load_layout(equipment: Equipment) -> Layout:
    """The hand-made layout shipped for `equipment`, or a generated one where none is.

    Raises `LayoutError` where a hand-made one names something that the unit does not have.
    """
    try:
        path = blowerdata.path("layouts", f"{equipment.id}.toml")
    except FileNotFoundError:
        return auto_layout(equipment)
    try:
        return parse_layout(path.read_text(encoding="utf-8"), equipment, path.name)
    except LayoutError:
        if equipment.path and Path(equipment.path).parent != path.parent.parent / "equipment":
            return auto_layout(equipment)  # somebody's own file under a shipped unit's name
        raise


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
    return Layout((raw["view"][0], raw["view"][1]), placed, {"slot": _slots(raw), **raw})


def _slots(raw: Mapping[str, Any]) -> list[dict[str, Any]]:
    """The frames that print a state, for a layout that lists none: those of its things that have one."""
    two = ("thermostat", "source", "source_switch")
    names = [n for n in raw["hits"] if n in ("lock", "tag", *two, "gas", "status") or n.startswith("selector_")]
    return [{"id": n, "lines": [n, f"{n}2"] if n in two or n.startswith("selector_") else [n]} for n in names]


def view_of(equipment: Equipment) -> tuple[int, int]:
    """Width and height of the whole picture, the strip of its air included; drawing units."""
    width, height = load_layout(equipment).view
    return width, height + (HEIGHT if equipment.air is not None else 0)


# ---------------------------------------------------------------------- the tree
def draw(equipment: Equipment, language: str = "en", layout: Layout | None = None) -> Node:
    """The picture of `equipment` as one tree, undressed: the children of an SVG element with `view_of` as its view box."""
    layout = layout or load_layout(equipment)
    raw = layout.raw

    def t(name: str) -> Node:
        return terminal(name, equipment, layout, language)

    cabinet = next(b for b in raw["box"] if b["id"] == raw["cabinet"])
    back: list[Node] = []
    for box in raw["box"]:
        shape = "bp-cabinet" if box.get("dashed") else "bp-board" if box.get("solid") else "bp-box"
        if not box.get("hidden"):
            back.append(rect((box["x"], box["y"], box["w"], box["h"]), kind=shape, rx=8, key=f"box:{box['id']}"))
        back.append(title(box["title"], box["title_at"], language, kind="bp-title bp-mid" if box.get("mid") else "bp-title"))
    back += [*_module(raw, language), *_wheel(raw), *_motor(raw, language), *_slotted(raw)]
    wires = [wire(n, s, equipment, layout) for n, s in raw["wires"].items() if "with" not in s]
    symbols = [*(link(s) for s in raw.get("link", ())), *(symbol(s, language) for s in raw["symbol"])]
    plugs, moved = _plugs(raw, equipment, layout, language, t)
    rest = [t(n) for n in layout.terminals if n not in moved]
    hits = [rect(b, kind="bp-thing", rx=6, key=f"thing:{n}", data_thing=n) for n, b in raw["hits"].items()]
    over: list[Node] = []
    if "cover" in raw:
        cx, cy, cw, ch = raw["cover"]
        over.append(el("g", [
            rect((cx, cy, cw, ch), kind="bp-cover", rx=5),
            title("cover", [cx + cw / 2, cy + ch / 2 + 5], language, kind="bp-note bp-mid"),
        ], key="cover"))  # fmt: skip
    cable = _cable(equipment, layout)
    if cable:
        over.append(el("path", kind="bp-cable", d=cable, key="cable"))
    air = draw_strip(equipment, strip(equipment, layout.view), language)
    over += [*air, _door(equipment, cabinet, language)]
    return el("g", [*back, *wires, *symbols, *plugs, *hits, *rest, *over], key="unit")


def _module(raw: Mapping[str, Any], language: str) -> list[Node]:
    if "module" not in raw:
        return []
    module = raw["module"]
    return [rect(module["at"], kind="bp-board", rx=8, key="module"), title(module["title"], module["title_at"], language)]


def _motor(raw: Mapping[str, Any], language: str) -> list[Node]:
    """The motor where no plug carries it away: behind everything that stands on it."""
    if any(plug["moving"] == "device" for plug in raw["plug"]):
        return []
    motor = raw["motor"]
    return [rect(motor["at"], kind="bp-motor", rx=20), title(motor["title"], motor["title_at"], language)]


def _wheel(raw: Mapping[str, Any]) -> list[Node]:
    (x, y), r = raw["wheel"]["at"], raw["wheel"]["radius"]
    ways = ((1, 0), (0.5, 0.866), (-0.5, 0.866), (-1, 0), (-0.5, -0.866), (0.5, -0.866))
    out = r - 24
    spokes = " ".join(
        f"M{u * 15:g} {v * 15:g}q{u * 22 - v * 16:g} {v * 22 + u * 16:g} {u * out:g} {v * out:g}" for u, v in ways
    )
    mx, my, _, mh = raw["motor"]["at"]
    shaft = raw["wheel"].get("shaft", my + mh / 2 - 3)
    return [
        el("path", kind="bp-shaft", d=f"M{x + r:g} {shaft:g}H{mx}M{x + r:g} {shaft + 6:g}H{mx}"),
        el("circle", kind="bp-part", cx=x, cy=y, r=r),
        el("g", [el("g", [el("path", kind="bp-line", d=spokes), el("circle", kind="bp-hub", cx=0, cy=0, r=15)],
                    kind="bp-wheel", key="wheel")], transform=f"translate({x} {y})"),
        el("text", "", kind="bp-title bp-mid", x=x, y=y - r - 12, key="note:wheel"),
    ]  # fmt: skip


def _slotted(raw: Mapping[str, Any]) -> list[Node]:
    """Frames in which a thing prints its state: lock, tag, thermostat, gas valve, reference source, board switches."""
    made: list[Node] = []
    for slot in raw["slot"]:
        x, y, w, h = raw["hits"][slot["id"]]
        made.append(rect((x, y, w, h), kind="bp-slot", rx=6, key=f"slot:{slot['id']}"))
        lines = slot["lines"]
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
            inside: list[Node] = [rect(plug[side], kind="bp-plug", rx=6)]
            if side == "device" and plug["moving"] == "device":
                carried = plug.get("carries", ["motor.frame"])
                inside = [
                    rect(motor["at"], kind="bp-motor", rx=20), title(motor["title"], motor["title_at"], language), *inside,
                    title(plug["title"], plug["title_at"], language, kind="bp-title bp-end"),
                    *(wire(n, s, equipment, layout) for n, s in raw["wires"].items() if s.get("with") == plug["name"]),
                    *(terminal(n) for n in carried),
                ]  # fmt: skip
                moved.update(carried)
            elif side == "device":
                inside.append(title(plug["title"], plug["title_at"], language))
            moved.update(names)
            key = f"plug:{plug['name']}" if side == plug["moving"] else f"rest:{plug['name']}"
            made.append(el("g", [*inside, *(terminal(n) for n in names)], key=key))
    return made, frozenset(moved)


def _cable(equipment: Equipment, layout: Layout) -> str:
    """The reference source's way to the motor's command receptacle: down its side, under the plug; empty without a source."""
    plug = next((p for p in layout.raw["plug"] if p["name"] == equipment.source.get("connector")), None)
    clips = [n for n in layout.terminals if n.startswith("source.")]
    if plug is None or not clips:
        return ""
    x, y = layout.terminals[clips[-1]][:2]
    left, top, width, height = plug["device"]
    return f"M{x - 30:g} {y + 40:g}H{x - 44:g}V{top + height / 2:g}H{left + width - 4:g}"


def _door(equipment: Equipment, cabinet: Mapping[str, Any], language: str) -> Node:
    x, y, w, h = cabinet["x"], cabinet["y"], cabinet["w"], cabinet["h"]
    head = y + min(300, h * 0.42)
    slots = " ".join(f"M{x + w / 2 - 120:g} {y + h - 220 + 26 * k:g}h240" for k in range(6) if y + h - 220 + 26 * k > head + 50)
    inside = [
        rect((x + 6, y + 6, w - 12, h - 12), kind="bp-door", rx=10),
        el("path", kind="bp-slots", d=slots or "M0 0"),
        rect((x + w - 60, y + h / 2 - 40, 18, 80), kind="bp-handle", rx=9),
        title(f"{door_word(equipment)}: on", [x + w / 2, head], language, kind="bp-big bp-mid"),
        title("What is behind it can't be reached.", [x + w / 2, head + 30], language, kind="bp-title bp-mid"),
        rect((x + 6, y + 6, w - 12, h - 12), kind="bp-thing", rx=10, data_thing="door"),
    ]
    if equipment.board:
        inside += [
            el("circle", kind="bp-glass", cx=x + w / 2, cy=head - 110, r=34, data_thing="status"),
            el("text", "", kind="bp-note bp-mid", x=x + w / 2, y=head - 105, key="note:glass"),
        ]
    return el("g", inside, key="door")


# ---------------------------------------------------------------------- what can be reached, and the way there
def reachable(equipment: Equipment, hands: Hands) -> tuple[str, ...]:
    """The terminals that a probe can get to now, in the layout's order: only door and control decide that."""
    return _reachable(equipment, hands.door_on, hands.control_open)


@lru_cache(maxsize=64)
def _reachable(equipment: Equipment, door_on: bool, control_open: bool) -> tuple[str, ...]:
    hands = Hands(door_on=door_on, control_open=control_open)
    return tuple(t for t in load_layout(equipment).terminals if reach(equipment, hands, t) is None)


@lru_cache(maxsize=64)
def arrows(equipment: Equipment, shown: tuple[str, ...]) -> Mapping[str, tuple[str, str, str, str]]:
    """For each of the `shown` terminals where the arrow keys lead in the first picture; see `ways`."""
    return ways({t: load_layout(equipment).terminals[t][:2] for t in shown})


def ways(places: Mapping[str, Point]) -> Mapping[str, tuple[str, str, str, str]]:
    """For each of the `places` the nearest one to the left, up, right and down (itself where there is none).

    Nearest counts the distance across the arrow's way double. Where that would leave places out of reach (a table of
    nearest neighbours may), a side that leads nowhere is given to them, so that arrows alone get from any to every place.
    """
    table = {t: [_nearest(t, places, way) for way in ((-1, 0), (0, -1), (1, 0), (0, 1))] for t in places}
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


def picture(equipment: Equipment, language: str = "en", *, door_on: bool = False, layout: Layout | None = None) -> str:
    """The unit as nobody has touched it, as one whole SVG document with its style sheet inside: for a printout or a check.

    The door is drawn only on demand: without it the picture is the unit's wiring diagram.
    """
    made = layout or load_layout(equipment)
    width, height = made.view
    height += HEIGHT if equipment.air is not None else 0
    dress: dict[str, dict[str, str]] = {"door": {"class": "" if door_on else "bp-gone"}, "cover": {"class": "bp-gone"},
                                        "cable": {"class": "bp-gone"}}  # fmt: skip
    texts = {
        "thermostat": "calls", "thermostat2": "off", "gas": "open", "status": "status glass", "source": "not clipped",
        "source2": "off motor", "source_switch": "switch", "source_switch2": "off", "wheel": "Blower",
        **{f"selector_{s.name}": s.title for s in equipment.selectors.values()},
        **{f"selector_{s.name}2": "on" if s.closed else "off" for s in equipment.selectors.values()},
    }  # fmt: skip
    for supply in equipment.supplies.values():
        texts |= {of_supply("breaker", supply.name): f"{supply.amps:g} A", of_supply("disconnect", supply.name): "",
                  of_supply("lock", supply.name): "lock", of_supply("tag", supply.name): "tag"}  # fmt: skip
    dress |= {f"note:{k}": {"text": translate(v, language)} for k, v in texts.items()}
    tree = draw(equipment, language, made)
    css = page.style()
    return svg(tree, dress, (width, height), f"{equipment.title}. {equipment.notice}", css)


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
