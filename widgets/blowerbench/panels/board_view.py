"""The control board by itself: its terminals with what is wired to them, its fuse, its status glass, its selection switches.

Rule: a switch stands as hands set it, or as found; what the status says is read by an act, never shown here.
"""

from __future__ import annotations

from functools import lru_cache

from blowerbench.circuit import Fuse, Wire
from blowerbench.equipment import Equipment
from blowerbench.hands import Hands
from blowerbench.messages import translate
from blowerbench.panels.air_strip import wrapped
from blowerbench.panels.auto_blocks import printed
from blowerbench.panels.auto_nets import classes, prefix, wire_class
from blowerbench.panels.drawings import Drawing, device, spot
from blowerbench.panels.elements import Node, Point, el, rect

PITCH = 48
WIDE = 980
LEFT, TOP = 214.0, 122.0  # the board's corner


def board_of(equipment: Equipment) -> str:
    """The device that is the unit's board; empty where it has none."""
    return prefix(equipment.board["supply"][0]) if equipment.board else ""


@lru_cache(maxsize=32)
def board(equipment: Equipment, language: str = "en") -> Drawing | None:
    """The board of `equipment`, or None where the unit has none."""
    name = board_of(equipment)
    own = [n for n in equipment.terminals if prefix(n) == name]
    return _Board(equipment, language, own).drawing() if name and own else None


class _Board:
    """Places the terminals round the board's edge: line voltage left, thermostat below, plugs right, the rest above."""

    def __init__(self, equipment: Equipment, language: str, own: list[str]) -> None:
        self.e, self.language, self.own = equipment, language, own
        self.kinds = classes(equipment)
        self.wires = [p for p in equipment.network.parts.values() if isinstance(p, Wire)]
        harness = {n for c in equipment.connectors.values() for n in c.harness}
        self.sides: dict[str, list[str]] = {"left": [], "below": [], "right": [], "above": []}
        for n in own:
            far = self.far(n)
            if self.kinds[n] in ("hot", "neutral"):
                self.sides["left"].append(n)
            elif any(prefix(f) == "stat" for f in far):
                self.sides["below"].append(n)
            elif any(f in harness for f in far):
                self.sides["right"].append(n)
            else:
                self.sides["above"].append(n)

    def far(self, node: str) -> list[str]:
        """The other ends of the wires on `node` that a person could find."""
        ends = [w.b if w.a == node else w.a for w in self.wires if node in (w.a, w.b)]
        return [n for n in ends if n in self.e.zone_of or n in self.e.connector_of]

    def t(self, text: str) -> str:
        return translate(text, self.language)

    def drawing(self) -> Drawing:
        """The board with everything on it."""
        tall = max(330.0, PITCH * max(len(self.sides["left"]), len(self.sides["right"])) + 60.0)
        wide = WIDE - 2 * LEFT
        stops: dict[str, Point] = {}
        for side, x in (("left", LEFT + 34), ("right", LEFT + wide - 34)):
            for k, n in enumerate(self.sides[side]):
                stops[n] = (x, TOP + 54 + PITCH * k)
        for side, y in (("above", TOP + 34), ("below", TOP + tall - 34)):
            row = self.sides[side]
            gap = min(90.0, (wide - 110) / max(1, len(row)))
            for k, n in enumerate(row):
                stops[n] = (WIDE / 2 + gap * (k - (len(row) - 1) / 2), y)
        made: list[Node] = [
            rect((LEFT, TOP, wide, tall), kind="bp-board", rx=12, key="board"),
            el("text", self.t("Board"), kind="bp-big", x=32, y=40),
            el("text", "", kind="bp-note bp-end", x=WIDE - 32, y=40, key="note:board_hidden"),
        ]
        for side, names in self.sides.items():
            for n in names:
                made += self._wires(n, stops[n], side, tall)
        made += self._middle(tall)
        made += [spot(n, self.e, stops[n], self.language, "right" if side == "left" else "below")
                 for side, names in self.sides.items() for n in names]  # fmt: skip
        order = sorted(stops, key=lambda n: (stops[n][1], stops[n][0]))
        return Drawing("board", (WIDE, int(TOP + tall + 130)), el("g", made, key="board_view"), {n: stops[n] for n in order})

    def _wires(self, node: str, at: Point, side: str, tall: float) -> list[Node]:
        """A stub for the wires on a terminal, and where they go."""
        x, y = at
        wires = [w for w in self.wires if node in (w.a, w.b) and (w.b if w.a == node else w.a) in self.far(node)]
        if not wires:
            return []
        across, down = {"left": LEFT - 14, "right": WIDE - LEFT + 14}, {"above": TOP - 14, "below": TOP + tall + 14}
        ends = (across.get(side, x), down.get(side, y))
        d = f"M{x:g} {y:g}L{ends[0]:g} {ends[1]:g}"
        kind = wire_class(wires[0], self.kinds)
        lines = [el("path", kind="bp-casing", d=d), el("path", kind="bp-core", d=d)]
        made = [el("g", lines, kind=f"bp-wire bp-{kind}", key=f"wire:{wires[0].name}")]
        words = [f"{device(f, self.e, self.language)} {self.t(printed(f))}" for f in self.far(node)]
        if side in ("left", "right"):
            style = "bp-small" + (" bp-end" if side == "left" else "")
            edge = ends[0] + (-6 if side == "left" else 6)
            texts = wrapped(words[0] + (" …" if len(words) > 1 else ""), 24)[:2]
            first = y + 5 - 7 * (len(texts) - 1)
            return made + [el("text", text, kind=style, x=edge, y=first + 14 * k) for k, text in enumerate(texts)]
        texts = wrapped(words[0] + (" …" if len(words) > 1 else ""), 11)
        first = ends[1] + 16 if side == "below" else ends[1] - 7 - 14 * (len(texts) - 1)
        made += [el("text", text, kind="bp-tiny bp-mid", x=x, y=first + 14 * k) for k, text in enumerate(texts)]
        return made

    def _middle(self, tall: float) -> list[Node]:
        """Status glass, fuse and selection switches, in the middle of the board."""
        x, y = WIDE / 2, TOP + 132
        made: list[Node] = [
            el("circle", kind="bp-glass", cx=x - 90, cy=y + 10, r=34, key="glass"),
            el("text", self.t("status glass").partition(" ")[0], kind="bp-note bp-mid", x=x - 90, y=y + 5),
            el("text", "", kind="bp-note bp-mid", x=x - 90, y=y + 22, key="note:glass"),
            el("circle", kind="bp-thing", cx=x - 90, cy=y + 10, r=34, data_thing="status", key="thing:status"),
        ]
        fuse = self.e.network.parts.get(self.e.protection["fuse"])
        if isinstance(fuse, Fuse) and {fuse.a, fuse.b} <= set(self.own):
            name = f"{printed(fuse.a)} – {self.t('fuse')} – {printed(fuse.b)}"
            made += [
                rect((x + 40, y - 4, 100, 28), kind="bp-part", rx=12),
                el("path", kind="bp-line", d=f"M{x + 22:g} {y + 10:g}h18M{x + 140:g} {y + 10:g}h18M{x + 58:g} {y + 10:g}h64"),
                el("text", name, kind="bp-note bp-mid", x=x + 90, y=y + 46),
            ]
            if "fuse" in self.e.places:
                made.append(rect((x + 34, y - 10, 112, 40), kind="bp-thing", rx=8, key="thing:fuse", data_thing="fuse"))
        for k, switch in enumerate(self.e.selectors):
            sx, sy = x - 150 + 160 * k, y + 78
            box = (sx, sy, 148, 52)
            made += [
                rect(box, kind="bp-slot", rx=6, key=f"slot:selector_{switch}"),
                el("text", "", kind="bp-small bp-mid", x=sx + 74, y=sy + 21, key=f"note:selector_{switch}"),
                el("text", "", kind="bp-title bp-mid", x=sx + 74, y=sy + 41, key=f"note:selector_{switch}2"),
                rect(box, kind="bp-thing", rx=6, key=f"thing:selector_{switch}", data_thing=f"selector_{switch}"),
            ]
        return made


def dress_board(equipment: Equipment, hands: Hands, language: str) -> dict[str, dict[str, str]]:
    """What hides the board now."""
    hidden = any(z.behind_door for n, z in equipment.zone_of.items() if prefix(n) == board_of(equipment)) and hands.door_on
    return {"note:board_hidden": {"text": translate("behind the door", language) if hidden else ""}}
