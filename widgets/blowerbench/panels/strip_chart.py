"""A strip chart: readings of one instrument over simulated time, drawn and as a table.

Rule: a point is what a display showed at the end of an act, never what lies between two looks; lines only join neighbours
that were read at the same place.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import NamedTuple

from blowerbench import acts as a
from blowerbench.messages import label, symbol, translate
from blowerbench.observation import Observation, Shown
from blowerbench.panels.elements import Node, el, path

#: Acts after which an instrument stands somewhere else: the next point begins a line of its own.
MOVES = (a.SetMeter, a.PlaceLead, a.LiftLead, a.ZeroLeads, a.PlaceClamp, a.PlaceHose, a.PlaceProbe)
#: Printed signs of units that are written without them in a record.
SIGNS = {"degF": "°F", "inH2O": "in. w.c.", "uF": "µF", "nF": "nF"}
#: The unit in which an instrument's readings are compared and drawn.
BASE = {
    "volts_ac": "V", "volts_dc": "V", "low_z": "V", "ohms": "ohm", "farads": "uF", "clamp": "A", "manometer": "inH2O",
    "first_thermometer": "degF", "second_thermometer": "degF",
}  # fmt: skip
PREFIX = {"n": 1e-9, "u": 1e-6, "m": 1e-3, "": 1.0, "k": 1e3, "M": 1e6}
SIZE = (600, 264)  # of the drawing, in its own units
BOX = (66, 28, 520, 190)  # the plot in it: x, y, width, height
KEPT_POINTS, TABLE_ROWS, DRAWN = 4000, 60, 400
SPANS = (5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 14400, 28800, 86400)  # seconds between two time marks


class Point(NamedTuple):
    """One reading: act number, clock (s), instrument, value in its `BASE` unit (infinite for OL), and as it was shown."""

    seq: int
    clock: int
    instrument: str
    value: float
    text: str
    unit: str
    fresh: bool = False  # nothing joins it to the reading before


def sign(unit: str) -> str:
    """The printed form of an ASCII unit: "kohm" is "kΩ", "degF" is "°F"."""
    return SIGNS.get(unit, symbol(unit))


def clock(seconds: int) -> str:
    """Simulated seconds since arrival, "0:03:20"."""
    return f"{seconds // 3600}:{seconds // 60 % 60:02d}:{seconds % 60:02d}"


def value_of(shown: Shown) -> float:
    """The number on a display in the `BASE` unit of its instrument; infinite for OL.

    >>> value_of(Shown("ohms", "3.30", "kohm"))
    3300.0
    """
    if "OL" in shown.text:
        return -math.inf if shown.text.startswith("-") else math.inf
    base = BASE.get(shown.instrument, shown.unit)
    kind = base.removeprefix("u") if base == "uF" else base
    scale = PREFIX.get(shown.unit.removesuffix(kind), 1.0) if shown.unit.endswith(kind) else 1.0
    return float(f"{float(shown.text) * scale * (1e6 if base == 'uF' else 1.0):.9g}")


class Trail:
    """Every reading of a call so far, in the order in which it was seen."""

    def __init__(self) -> None:
        self.points: list[Point] = []
        self.seq = -1  # the act whose readings were taken last
        self._fresh: set[str] = set()

    def take(self, seq: int, at: int, observation: Observation, moved: bool) -> None:
        """Keep what the displays showed after act `seq`; `moved` says that an instrument was put elsewhere."""
        self.seq = seq
        if moved:
            self._fresh = set(BASE)
        for shown in observation.shown:
            if shown.instrument in BASE:
                fresh = shown.instrument in self._fresh
                self._fresh.discard(shown.instrument)
                point = Point(seq, at, shown.instrument, value_of(shown), shown.text, shown.unit, fresh)
                self.points.append(point)
        del self.points[:-KEPT_POINTS]

    def back_to(self, seq: int) -> None:
        """Forget what was read after act `seq`."""
        self.points = [p for p in self.points if p.seq <= seq]
        self.seq = min(self.seq, seq)

    def of(self, instrument: str, after: int = -1) -> list[Point]:
        """The readings of `instrument` that came after act `after`."""
        return [p for p in self.points if p.instrument == instrument and p.seq > after]


# ---------------------------------------------------------------------- marks on the axes
def steps(low: float, high: float, most: int = 6) -> list[float]:
    """Round values from `low` or below to `high` or above, 1, 2 or 5 times a power of ten apart, at most `most` + 2."""
    width = max(high - low, 1e-9)
    power = 10.0 ** math.floor(math.log10(width / most))
    step = next(m * power for m in (1.0, 2.0, 5.0, 10.0) if m * power * most >= width * 0.999)
    first, last = math.floor(low / step + 1e-9), math.ceil(high / step - 1e-9)
    return [float(f"{k * step:.9g}") for k in range(first, last + 1)]


def times(first: int, last: int, most: int = 6) -> list[int]:
    """Whole clock times (s) from `first` to `last` at which a mark stands."""
    span = next((s for s in SPANS if (last - first) / s <= most), SPANS[-1])
    return list(range(-(-first // span) * span, last + 1, span))


def _bounds(values: Sequence[float]) -> tuple[float, float]:
    low, high = min(values), max(values)
    if high - low < 1e-9:
        room = max(abs(high) * 0.05, 0.05)
        return low - room, high + room
    return (0.0 if 0.0 < low < 0.35 * high else low), high


def _scale(instrument: str, high: float) -> tuple[float, str]:
    """What values are divided by on the axis, and the unit printed there."""
    unit = BASE[instrument]
    if unit == "ohm" and high >= 1e3:
        return (1e6, "Mohm") if high >= 1e6 else (1e3, "kohm")
    return 1.0, unit


# ---------------------------------------------------------------------- drawing
def spoken(points: Sequence[Point], language: str = "en") -> str:
    """What the chart shows, in one sentence."""
    if not points:
        return translate("No readings yet. Take a reading, then wait: each look adds a point.", language)
    name = label("instrument", points[0].instrument, None, language)
    numbers = sorted((p for p in points if math.isfinite(p.value)), key=lambda p: p.value)
    said = translate("{0}: {1} readings from {2} to {3}.", language).format(
        name[:1].upper() + name[1:], len(points), clock(points[0].clock), clock(points[-1].clock)
    )
    if not numbers:
        return said
    low, high = (f"{p.text} {sign(p.unit)}" for p in (numbers[0], numbers[-1]))
    return f"{said} {translate('Lowest {0}, highest {1}.', language).format(low, high)}"


def rows(points: Sequence[Point]) -> list[list[str]]:
    """The newest readings first: clock and display."""
    return [[clock(p.clock), f"{p.text} {sign(p.unit)}"] for p in reversed(points[-TABLE_ROWS:])]


def _thinned(points: Sequence[Point]) -> list[Point]:
    """At most `DRAWN` of `points`: the first and last of each stretch with its lowest and highest."""
    if len(points) <= DRAWN:
        return list(points)
    size = math.ceil(len(points) / (DRAWN / 4))
    kept: list[Point] = []
    for k in range(0, len(points), size):
        part = points[k : k + size]
        chosen = {part[0], part[-1], min(part, key=lambda p: p.value), max(part, key=lambda p: p.value)}
        kept += [p for p in part if p in chosen]
    return kept


def _lines(points: Iterable[Point]) -> list[list[Point]]:
    """`points` cut where an instrument was moved or showed no number."""
    made: list[list[Point]] = [[]]
    for point in points:
        if point.fresh or not math.isfinite(point.value):
            made.append([])
        if math.isfinite(point.value):
            made[-1].append(point)
    return [line for line in made if line]


def draw(points: Sequence[Point], language: str = "en") -> Node | None:
    """The chart as an SVG tree with its axes, or None where there is no number to draw."""
    numbers = [p.value for p in points if math.isfinite(p.value)]
    if not numbers:
        return None
    x0, y0, width, height = BOX
    scale, unit = _scale(points[0].instrument, max(abs(n) for n in numbers))
    low, high = _bounds(numbers)
    marks = steps(low / scale, high / scale)
    first, last = points[0].clock, max(points[-1].clock, points[0].clock + 10)
    ticks = times(first, last)

    def across(at: float) -> float:
        return round(x0 + width * (at - first) / (last - first), 1)

    def down(value: float) -> float:
        return round(y0 + height * (marks[-1] - value) / (marks[-1] - marks[0]), 1)

    made = [el("path", kind="bp-plot-grid", d=" ".join(f"M{x0} {down(m):g}h{width}" for m in marks))]
    made += [el("path", kind="bp-plot-grid", d=" ".join(f"M{across(t):g} {y0}v{height}" for t in ticks) or "M0 0")]
    made += [el("path", kind="bp-plot-axis", d=f"M{x0} {y0}v{height}h{width}")]
    made += [el("text", f"{m:g}", kind="bp-plot-text bp-end", x=x0 - 7, y=down(m) + 4) for m in marks]
    made += [el("text", clock(t), kind="bp-plot-text bp-mid", x=across(t), y=y0 + height + 18) for t in ticks]
    made.append(el("text", translate("clock (h:min:s)", language), kind="bp-plot-text bp-end", x=x0 + width, y=SIZE[1] - 8))
    made.append(el("text", sign(unit), kind="bp-plot-text bp-plot-unit bp-end", x=x0 - 7, y=y0 - 12))
    lines = [[(across(p.clock), down(p.value / scale)) for p in line] for line in _lines(_thinned(points))]
    made.append(el("path", kind="bp-plot-line", d=" ".join(path(line) for line in lines)))
    made.append(el("path", kind="bp-plot-dots", d=" ".join(f"M{x:g} {y:g}h0" for line in lines for x, y in line)))
    box = f"0 0 {SIZE[0]} {SIZE[1]}"
    return el("svg", made, viewBox=box, role="img", aria_label=spoken(points, language), kind="bp-plot")
