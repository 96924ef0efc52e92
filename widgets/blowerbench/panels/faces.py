"""The connectors face-on: the two halves of each, every cavity with its number, the pins for a probe, and the latch.

Rule: number of ways, pins and latch are the equipment file's. The device's half is drawn the other way round than the
harness's, as two halves look when both are turned toward a person.
"""

from __future__ import annotations

from functools import lru_cache

from blowerbench.circuit import Pin, Wire
from blowerbench.equipment import Connector, Equipment
from blowerbench.hands import Hands, reach
from blowerbench.messages import label, translate
from blowerbench.messages_en import SIDES
from blowerbench.panels.air_strip import wrapped
from blowerbench.panels.auto_blocks import printed
from blowerbench.panels.auto_nets import prefix
from blowerbench.panels.drawings import Drawing, device, spot
from blowerbench.panels.elements import Node, Point, el, rect

CELL, TALL = 62, 52  # between two cavities, across and down
EDGE = 14  # from a cavity's edge to the housing's
NEAR, APART = 10, 96  # between the two halves
WIDE = 980
SINGLE = 5  # ways up to which a connector has one row
_TURNED = ("under", "lower")
_SIDES = ("narrow", "short", "side tab", "two side", "end")


@lru_cache(maxsize=32)
def faces(equipment: Equipment, language: str = "en") -> Drawing:
    """The connectors of `equipment` as a person sees them with both halves before them."""
    made: list[Node] = []
    stops: dict[str, Point] = {}
    y = 30.0
    for connector in equipment.connectors.values():
        nodes, places, y = _connector(equipment, connector, y, language)
        made += nodes
        stops |= places
    order = sorted(stops, key=lambda n: (stops[n][1], stops[n][0]))
    return Drawing("connectors", (WIDE, int(y)), el("g", made, key="connectors"), {n: stops[n] for n in order})


def _shape(connector: Connector) -> tuple[int, int]:
    """Columns and rows of a connector of so many ways."""
    if connector.ways <= SINGLE:
        return connector.ways, 1
    return -(-connector.ways // 2), 2


def _connector(
    equipment: Equipment, connector: Connector, y: float, language: str
) -> tuple[list[Node], dict[str, Point], float]:
    columns, rows = _shape(connector)
    width, height = columns * CELL + 2 * EDGE - 8, rows * TALL + 2 * EDGE - 8
    middle, top = WIDE / 2, y + 128
    title = label("connector", connector.name, equipment, language)
    made: list[Node] = [
        rect((14, y - 8, WIDE - 28, height + 230), kind="bp-box", rx=10),
        el("text", title[:1].upper() + title[1:], kind="bp-big", x=32, y=y + 28),
        el("text", "", kind="bp-note bp-end", x=WIDE - 32, y=y + 28, key=f"note:face_{connector.name}"),
        el(
            "text",
            translate("Latch: {0}", language).format(translate(connector.latch, language)),
            kind="bp-note",
            x=32,
            y=y + 54,
        ),
    ]
    if connector.covered_by:
        other = label("connector", connector.covered_by, equipment, language)
        text = translate("The latch is in reach once this is out: {0}", language).format(other)
        made.append(el("text", text, kind="bp-note", x=32, y=y + 76))
    stops: dict[str, Point] = {}
    for side in ("harness", "device"):
        left = middle - NEAR / 2 - width if side == "harness" else middle + NEAR / 2
        cells, places = _half(equipment, connector, side, (left, top), language)
        housing = rect((left, top, width, height), kind="bp-plug", rx=8)
        latch = _latch(connector, left, top, width, height) if side == "harness" else []
        key = "control" if side == "harness" and connector.behind_cover else side
        word = translate(SIDES[key], language)
        at = left + width / 2
        name = el("text", word, kind="bp-title bp-mid", x=at, y=top + height + 62)
        hit = rect((left, top, width, height), kind="bp-thing", rx=8, key=f"thing:{connector.name}:{side}",
                   data_thing=connector.name)  # fmt: skip
        made.append(
            el("g", [housing, *latch, name, hit, *cells], key=f"face:{connector.name}:{side}", kind=f"bp-face bp-{side}")
        )
        stops |= places
    return made, stops, y + height + 250


def _half(
    equipment: Equipment, connector: Connector, side: str, corner: Point, language: str
) -> tuple[list[Node], dict[str, Point]]:
    """The cavities of one half and the pins in them; the device's half runs from right to left."""
    columns, rows = _shape(connector)
    pins = {p.number: p for n in connector.pins if isinstance(p := equipment.network.parts[n], Pin)}
    made: list[Node] = []
    stops: dict[str, Point] = {}
    for way in range(connector.ways):
        column, row = way % columns, way // columns
        across = column if side == "harness" else columns - 1 - column
        x, y = corner[0] + EDGE - 4 + CELL * (across + 0.5), corner[1] + EDGE - 4 + TALL * (row + 0.5)
        made.append(rect((x - 24, y - 22, 48, 44), kind="bp-cavity", rx=4))
        out = y - 32 if row == 0 and rows == 2 else y + 38
        outer = corner[1] - 16 if row == 0 and rows == 2 else corner[1] + rows * TALL + 2 * EDGE + 8
        pin = pins.get(way + 1)
        if pin is None:
            made.append(el("text", str(way + 1), kind="bp-tiny bp-mid", x=x, y=y + 4))
            continue
        name = pin.a if side == "harness" else pin.b
        made.append(el("text", str(way + 1), kind="bp-pin", x=x, y=y + 5, key=f"way:{name}"))
        made.append(spot(name, equipment, (x, y), language))
        stops[name] = (x, y)
        lines = _far(equipment, name, language)
        for k, text in enumerate(lines):
            down = outer - 13 * (len(lines) - 1 - k) if out < y else outer + 13 * k
            made.append(el("text", text, kind="bp-tiny bp-mid", x=x, y=down))
    return made, stops


def _far(equipment: Equipment, name: str, language: str) -> list[str]:
    """Where the first wire on a pin goes, in at most two short lines; nothing where it ends inside a motor or control."""
    for part in equipment.network.parts.values():
        if isinstance(part, Wire) and name in (part.a, part.b):
            there = part.b if part.a == name else part.a
            if there not in equipment.zone_of and there not in equipment.connector_of:
                continue
            if prefix(there) == prefix(name):
                return [translate("to {0}", language).format(printed(there).lstrip("hm"))]
            return [wrapped(device(there, equipment, language), 8)[0][:9], translate(printed(there), language)[:8]]
    return []


def _latch(connector: Connector, x: float, y: float, w: float, h: float) -> list[Node]:
    """The latch on the harness half: on the side that its words name, on both where they name two."""
    words = connector.latch
    if any(word in words for word in _TURNED):
        return [rect((x + w / 2 - 24, y + h - 3, 48, 10), kind="bp-latch", rx=3)]
    if any(word in words for word in _SIDES):
        made = [rect((x - 7, y + h / 2 - 15, 10, 30), kind="bp-latch", rx=3)]
        if "two" in words:
            made.append(rect((x + w - 3, y + h / 2 - 15, 10, 30), kind="bp-latch", rx=3))
        return made
    return [rect((x + w / 2 - 24, y - 7, 48, 10), kind="bp-latch", rx=3)]


def dress_faces(equipment: Equipment, hands: Hands, language: str) -> dict[str, dict[str, str]]:
    """How the halves stand, as hands left them: mated or apart, and what still hides them."""
    made: dict[str, dict[str, str]] = {}
    for name, connector in equipment.connectors.items():
        apart = name in hands.parted
        for pin in (*connector.harness, *connector.device):  # a pin that shows carries the number itself
            made[f"way:{pin}"] = {"class": "" if reach(equipment, hands, pin) else "bp-gone"}
        for side, way in (("harness", -1), ("device", 1)):
            shift = f"translate({way * (APART - NEAR) / 2:g} 0)" if apart else ""
            made[f"face:{name}:{side}"] = {"class": "bp-isapart" if apart else "", "transform": shift}
        text = translate("apart" if apart else "plugged in", language)
        if hands.door_on:
            text += ", " + translate("behind the door", language)
        elif connector.behind_cover and not hands.control_open:
            text += ", " + translate("inside the control module", language)
        made[f"note:face_{name}"] = {"text": text}
    return made
