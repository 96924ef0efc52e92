"""The air side: the duct from the rooms back to the rooms, what stands in it, the test ports, and the instruments with their
hoses and probes as they were placed.

Rule: only what hands placed and displays show changes here; no picture of an air flow.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from typing import Any, get_args

from blowerbench import acts as a
from blowerbench.equipment import Equipment
from blowerbench.hands import Hands
from blowerbench.messages import label, translate
from blowerbench.observation import Observation
from blowerbench.panels.air_strip import wrapped
from blowerbench.panels.drawings import Drawing, worded
from blowerbench.panels.elements import Node, Point, el, rect
from blowerbench.panels.strip_chart import sign

WIDE = 1040
DUCT, HIGH = 150.0, 130.0  # top and height of the duct
DESK = 400.0  # top of the instruments
TALL = 560
PORT = 17
_INSTRUMENTS = (("manometer", 110.0), ("first_thermometer", 480.0), ("second_thermometer", 760.0))


@lru_cache(maxsize=32)
def air_side(equipment: Equipment, language: str = "en") -> Drawing | None:
    """The air side of `equipment`, or None where the unit's air is no table."""
    return _Air(equipment, language).drawing() if equipment.air is not None else None


class _Air:
    """Places elements and ports along one straight duct, in the order that the air passes them."""

    def __init__(self, equipment: Equipment, language: str) -> None:
        self.e, self.language = equipment, language
        assert equipment.air is not None
        self.air = equipment.air
        fan = next((str(r.get("title", "blower")) for r in equipment.raw["air_element"] if r["name"] == "fan"), "blower")
        self.rows = [(x.name, x.title) for x in self.air.elements]
        self.rows.insert(self.air.before, ("fan", fan))

    def t(self, text: str) -> str:
        return translate(text, self.language)

    def drawing(self) -> Drawing:
        """The whole view."""
        left, right = 60.0, WIDE - 60.0
        counts = {name: [p for p in self.air.ports if p.after == name] for name, _ in self.rows}
        gaps = [max(18.0, 52.0 * len(counts[name])) for name, _ in self.rows]
        width = (right - left - sum(gaps) - 18) / len(self.rows)
        ports: dict[str, Point] = {}
        made = self._duct(left, right)
        x = left + 18
        for (name, text), gap in zip(self.rows, gaps, strict=True):
            made += self._element(name, text, x, width)
            x += width
            for k, port in enumerate(counts[name]):
                ports[port.name] = (x + gap / 2 + 52 * (k - (len(counts[name]) - 1) / 2), DUCT - 40)
            x += gap
        made += self._desk(ports)
        stops: dict[str, Point] = {}
        for k, port in enumerate(self.air.ports):
            key = f"thing:port_{port.name}"
            stops[key] = ports[port.name]
            made += self._port(k + 1, port.name, ports[port.name])
        return Drawing("air", (WIDE, TALL), el("g", made, key="air_view"), stops)

    def _duct(self, left: float, right: float) -> list[Node]:
        y = DUCT + HIGH / 2
        return [
            el("text", self.t("Air side"), kind="bp-big", x=24, y=40),
            rect((left, DUCT, right - left, HIGH), kind="bp-duct", rx=4),
            el("text", self.t("from the rooms"), kind="bp-note", x=24, y=DUCT + HIGH + 64),
            el("text", self.t("to the rooms"), kind="bp-note bp-end", x=WIDE - 24, y=DUCT + HIGH + 64),
            el("path", kind="bp-blade", d=f"M18 {y:g}h30m-10 -9l10 9l-10 9M{WIDE - 50:g} {y:g}h30m-10 -9l10 9l-10 9",
               fill="none"),
        ]  # fmt: skip

    def _element(self, name: str, text: str, x: float, w: float) -> list[Node]:
        """One thing in the duct: a sign for its kind, its words under the duct."""
        box = (x, DUCT + 8, w, HIGH - 16)
        middle, y = x + w / 2, DUCT + HIGH / 2
        made: list[Node]
        if name == "fan":
            blades = " ".join(f"M0 0q{14 * u - 10 * v:g} {14 * v + 10 * u:g} {30 * u:g} {30 * v:g}" for u, v in _SPOKES)
            made = [
                rect(box, kind="bp-motor", rx=24), el("circle", kind="bp-part", cx=middle, cy=y, r=38),
                el("g", [el("g", [el("path", kind="bp-line", d=blades), el("circle", kind="bp-hub", cx=0, cy=0, r=8)],
                            kind="bp-wheel", key="wheel")], transform=f"translate({middle:g} {y:g})"),
                el("text", "", kind="bp-note bp-mid", x=middle, y=DUCT + HIGH + 42, key="note:wheel"),
            ]  # fmt: skip
        else:
            made = [rect(box, kind="bp-part", rx=4), el("path", kind="bp-line", d=_sign(name, x, w))]
        lines = [self.t(text)] if name == "fan" else wrapped(self.t(text), max(8, int((w + 14) / 7.4)))
        for k, line in enumerate(lines):
            made.append(el("text", line, kind="bp-air bp-mid", x=middle, y=DUCT + HIGH + 22 + 17 * k))
        thing = "wheel" if name == "fan" else f"look_{name}" if name in self.e.places else ""
        if thing:
            made.append(rect(box, kind="bp-thing", rx=4, key=f"thing:{thing}", data_thing=thing))
        return made

    def _port(self, number: int, name: str, at: Point) -> list[Node]:
        x, y = at
        title = self.t("Port {0}: {1}").format(number, label("port", name, self.e, self.language))
        hole = el("path", kind="bp-line", d=f"M{x - 5:g} {y:g}V{DUCT:g}M{x + 5:g} {y:g}V{DUCT:g}")
        return [
            el("g", [hole], key=f"neck:{name}"),
            el("g", [
                el("g", [el("circle", kind="bp-ring", cx=x, cy=y, r=PORT - 3)], key=f"port:{name}", kind="bp-port"),
                el("circle", kind="bp-hit", cx=x, cy=y, r=PORT),
                el("text", str(number), kind="bp-pin", x=x, y=y + 5),
            ], kind="bp-porthole", key=f"thing:port_{name}", data_thing=f"port_{name}", role="button", tabindex="-1",
               aria_label=title),
            el("text", worded(name, {}, self.language), kind="bp-air bp-mid", x=x, y=y - 26),
        ]  # fmt: skip

    def _desk(self, ports: Mapping[str, Point]) -> list[Node]:
        """The instruments, and every way that a hose or probe could lie; those not placed are hidden."""
        made: list[Node] = []
        for name, x in _INSTRUMENTS:
            title = label("instrument", name, None, self.language)
            made += [
                rect((x, DESK, 220, 92), kind="bp-box", rx=12),
                el("text", title[:1].upper() + title[1:], kind="bp-title bp-mid", x=x + 110, y=DESK + 30),
                el("text", "", kind="bp-reading bp-mid", x=x + 110, y=DESK + 68, key=f"note:{name}"),
            ]
        inlets = {
            **{("hose", h): (_INSTRUMENTS[0][1] + 45 + 130 * k, DESK) for k, h in enumerate(get_args(a.Hose))},
            **{("probe", p): (_INSTRUMENTS[k + 1][1] + 110, DESK) for k, p in enumerate(get_args(a.Probe))},
        }
        for (kind, which), (x, y) in inlets.items():
            mark = el("circle", kind="bp-part", cx=x, cy=y, r=8)
            text = translate(label(kind, which), self.language, "picture")
            made += [mark, el("text", text, kind="bp-small bp-mid", x=x, y=DESK + 112),
                     el("text", "", kind="bp-small bp-mid", x=x, y=DESK + 130, key=f"note:{kind}_{which}")]  # fmt: skip
            for k, (port, (px, py)) in enumerate(ports.items()):
                lane = DUCT + HIGH + 76 + 8 * k + (4 if kind == "probe" else 0)
                side = px + (8 if kind == "probe" else -8) + (4 if which in ("low", "second") else -4)
                d = f"M{x:g} {y:g}V{lane:g}H{side:g}V{DUCT - 4:g}L{px:g} {py + 12:g}"
                made.append(el("path", kind=f"bp-{kind} bp-{which}", d=d, key=f"{kind}:{which}:{port}"))
        return made


_SPOKES = ((1, 0), (0.5, 0.866), (-0.5, 0.866), (-1, 0), (-0.5, -0.866), (0.5, -0.866))


def _sign(name: str, x: float, w: float) -> str:
    """The sign of an element's kind, as a path inside its frame: pleats, tubes, louvres, or a plain duct."""
    left, right, top, bottom = x + w * 0.25, x + w * 0.75, DUCT + 20, DUCT + HIGH - 20
    middle = x + w / 2
    if "filter" in name:
        half = min(12.0, w * 0.2)
        steps = "".join(f"l{half if k % 2 == 0 else -half:g} 9" for k in range(int((bottom - top) / 9)))
        return f"M{middle - half / 2:g} {top:g}{steps}"
    if "coil" in name:
        return (f"M{left:g} {bottom:g}L{middle:g} {top:g}L{right:g} {bottom:g}M{left + 9:g} {bottom:g}L{middle:g} {top + 24:g}"
                f"L{right - 9:g} {bottom:g}")  # fmt: skip
    if any(word in name for word in ("exchanger", "strip", "heat", "element")):
        rows = int((bottom - top) / 22)
        turns = "".join(f"H{right if k % 2 == 0 else left:g}v22" for k in range(rows))
        return f"M{left:g} {top:g}{turns}"
    if any(word in name for word in ("register", "grille", "guard")):
        return "".join(f"M{left:g} {top + 14 * k + 12:g}L{right:g} {top + 14 * k:g}" for k in range(int((bottom - top) / 14)))
    return f"M{x + 8:g} {top + 20:g}H{x + w - 8:g}M{x + 8:g} {bottom - 20:g}H{x + w - 8:g}"


def dress_air(equipment: Equipment, hands: Hands, observation: Observation, language: str) -> dict[str, dict[str, str]]:
    """Hoses and probes as hands placed them, and what the instruments show."""
    made: dict[str, dict[str, str]] = {}
    ports: Any = equipment.air.ports if equipment.air else ()
    hoses, probes = dict(hands.hoses), dict(hands.probes)
    for kind, names, placed in (("hose", get_args(a.Hose), hoses), ("probe", get_args(a.Probe), probes)):
        for which in names:
            at = placed.get(which, "")
            for port in ports:
                made[f"{kind}:{which}:{port.name}"] = {"class": "bp-set" if at == port.name else ""}
            number = next((k + 1 for k, port in enumerate(ports) if port.name == at), 0)
            text = translate("in port {0}", language).format(number) if number else translate("in the room", language)
            made[f"note:{kind}_{which}"] = {"text": text if number or kind == "hose" else ""}
    shown = {s.instrument: f"{s.text} {sign(s.unit)}" for s in observation.shown}
    for name, _ in _INSTRUMENTS:
        made[f"note:{name}"] = {"text": shown.get(name, "- - -")}
    return made
