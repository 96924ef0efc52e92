"""The picture on a score sheet: how many causes were still possible, against simulated minutes.

Rule: geometry only, in the units of an SVG viewBox and in whole or tenth units, so that the same call draws the same
picture everywhere. Words come from the caller; the template writes them, escaped.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

WIDTH = 720.0
PLOT_HEIGHT = 150.0
LEFT, RIGHT, BOTTOM, TOP = 44.0, 14.0, 40.0, 14.0
LINE = 14.0  # height of a line of label text
GLYPH = 6.1  # mean width of a character of label text, for a sans-serif of 12 units
GAP = 8.0
LABEL_CHARACTERS, LABEL_LINES = 40, 4
STEPS = (1, 2, 5, 10, 15, 20, 30, 60, 120, 240)


@dataclass(frozen=True, slots=True)
class Tick:
    """A line of the grid: where it lies and what it is called."""

    at: float
    text: str


@dataclass(frozen=True, slots=True)
class Mark:
    """A labelled drop: its ring at (x, y), its lines of text from (text_x, text_y) down, one `line` apart."""

    x: float
    y: float
    text_x: float
    text_y: float
    lines: tuple[str, ...]
    line: float = LINE

    @property
    def bottom(self) -> float:
        """Where the leader from the ring ends, under the last line of text."""
        return round(self.text_y + LINE * (len(self.lines) - 1) + 4.0, 1)


@dataclass(frozen=True, slots=True)
class Chart:
    """All that the template draws; `left`, `right`, `top` and `floor` are the edges of the plot."""

    height: float
    left: float
    right: float
    top: float
    floor: float
    line: str
    area: str
    minutes: tuple[Tick, ...]
    counts: tuple[Tick, ...]
    marks: tuple[Mark, ...]
    width: float = WIDTH


@dataclass(frozen=True, slots=True)
class Drop:
    """An act that ruled causes out: when (simulated seconds), how many were left before and after, and its words."""

    clock: int
    before: int
    after: int
    words: str


def _step(span: float, most: int) -> int:
    return next((s for s in STEPS if span / s <= most), STEPS[-1] * (1 + int(span / (STEPS[-1] * most))))


def _wrapped(text: str) -> tuple[str, ...]:
    """Label lines, broken at the line feeds of `text` and where they grow too long; the rest becomes an ellipsis."""
    lines = [part for row in text.split("\n") for part in textwrap.wrap(row, LABEL_CHARACTERS)]
    if len(lines) <= LABEL_LINES:
        return tuple(lines)
    return (*lines[: LABEL_LINES - 1], f"{lines[LABEL_LINES - 1]} …")


def draw(points: Sequence[tuple[int, int]], most: int, drops: Iterable[Drop]) -> Chart:
    """The chart of `points`, (simulated second, causes left) in order of time, with the `drops` labelled.

    The line only falls, so all of the area to its upper right is free: labels go there, from the last drop to the first,
    each above the one before.
    """
    end = max(60, points[-1][0] if points else 0)
    high = max(1, most)
    right = WIDTH - RIGHT

    def x(clock: float) -> float:
        return LEFT + (right - LEFT) * clock / end

    def y(count: float) -> float:
        return PLOT_HEIGHT * (1.0 - count / high)

    def level(at: float) -> float:
        """The line's y where it runs at `at`, before any drop that lies just there."""
        return min((y(before) for clock, before, _ in falls if x(clock) >= at), default=y(points[-1][1] if points else 0))

    falls: list[tuple[int, int, int]] = []
    count = most
    for clock, after in points:
        if after != count:
            falls.append((clock, count, after))
            count = after

    marks: list[Mark] = []
    floor_of_next = PLOT_HEIGHT - GAP
    for drop in sorted(drops, key=lambda d: d.clock, reverse=True):
        lines = _wrapped(drop.words)
        wide = GLYPH * max(map(len, lines), default=0)
        start = min(x(drop.clock) + 12.0, right - wide)
        middle = (y(drop.before) + y(drop.after)) / 2
        lowest = min(floor_of_next, (y(drop.after) if start > x(drop.clock) else level(start)) - GAP)
        first = lowest - LINE * (len(lines) - 1)
        floor_of_next = first - LINE - GAP
        marks.append(Mark(round(x(drop.clock), 1), round(middle, 1), round(start, 1), round(first, 1), lines))

    top = min([0.0, *(m.text_y - LINE for m in marks)]) - TOP
    path = f"M{LEFT:.1f} {y(most) - top:.1f}"
    for clock, _, after in falls:
        path += f"H{x(clock):.1f}V{y(after) - top:.1f}"
    path += f"H{right:.1f}"
    floor = round(PLOT_HEIGHT - top, 1)
    minute, unit = _step(end / 60, 9), _step(high, 5)
    return Chart(
        height=round(PLOT_HEIGHT - top + BOTTOM, 1), left=LEFT, right=right, top=round(-top, 1), floor=floor, line=path,
        area=f"{path}V{floor}H{LEFT:.1f}Z",
        minutes=tuple(Tick(round(x(60 * m), 1), str(m)) for m in range(0, end // 60 + 1, minute)),
        counts=tuple(Tick(round(y(n) - top, 1), str(n)) for n in range(0, high + 1, unit)),
        marks=tuple(Mark(m.x, round(m.y - top, 1), m.text_x, round(m.text_y - top, 1), m.lines) for m in reversed(marks)),
    )  # fmt: skip
