"""Ways for wires across a drawing: right-angled, around what stands there, each apart from the others.

Rule: a way is found one wire at a time on a coarse grid by the A* search (Hart, Nilsson, Raphael 1968); shorter wires go first.
A wire never runs on another wire's line unless both end on one terminal, and never turns where another wire passes.
"""

from __future__ import annotations

import heapq
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise

Point = tuple[float, float]
Cell = tuple[int, int]

STEP = 12  # drawing units between two lines of the grid
BEND, CROSS, SHARE = 5, 4, 4  # what a corner, a crossing and a step on a neighbour's line cost, in steps
_WAYS: tuple[Cell, ...] = ((1, 0), (0, 1), (-1, 0), (0, -1))


@dataclass(slots=True)
class Board:
    """The grid with what stands on it. `blocked` can't be entered; `dear` cells cost extra steps."""

    width: int
    height: int
    blocked: set[Cell] = field(default_factory=set)
    dear: dict[Cell, int] = field(default_factory=dict)
    lines: dict[tuple[Cell, Cell], set[str]] = field(default_factory=dict)  # an edge of the grid → the terminals it leads to
    across: dict[Cell, set[int]] = field(default_factory=dict)  # a cell → directions (0 level, 1 upright) that pass it
    corners: dict[Cell, set[str]] = field(default_factory=dict)

    def block(self, x: float, y: float, w: float, h: float) -> None:
        """Nothing goes through the rectangle."""
        self.blocked.update(_cells(x, y, w, h))

    def dearer(self, x: float, y: float, w: float, h: float, cost: int) -> None:
        """Ways avoid the rectangle: each step in it costs `cost` more."""
        for cell in _cells(x, y, w, h):
            self.dear[cell] = self.dear.get(cell, 0) + cost

    def route(self, a: str, b: str, start: Point, end: Point, exits: Mapping[str, Iterable[Cell]]) -> list[Point] | None:
        """The corners of a way from terminal `a` at `start` to `b` at `end`, both included; None where there is none.

        `exits` lists for a terminal the directions in which wires may leave it; all four where it is not listed.
        """
        path = self._search(a, b, cell_of(start), cell_of(end), exits)
        if path is None:
            return None
        self._occupy(path, {a, b})
        return corners_of([(i * STEP, j * STEP) for i, j in path])

    def _search(self, a: str, b: str, s: Cell, t: Cell, exits: Mapping[str, Iterable[Cell]]) -> list[Cell] | None:
        ends = {a, b}
        leave = [k for k, w in enumerate(_WAYS) if a not in exits or w in exits[a]]
        enter = {k for k, w in enumerate(_WAYS) if b not in exits or (-w[0], -w[1]) in exits[b]}
        near = {s, t, *((s[0] + u, s[1] + v) for u, v in _WAYS), *((t[0] + u, t[1] + v) for u, v in _WAYS)}
        heap: list[tuple[float, int, float, Cell, int]] = []
        best: dict[tuple[Cell, int], float] = {}
        come: dict[tuple[Cell, int], tuple[Cell, int] | None] = {}
        order = 0
        for k in leave:
            best[s, k] = 0
            come[s, k] = None
            heapq.heappush(heap, (_guess(s, t, k), order, 0.0, s, k))
            order += 1
        while heap:
            _, _, cost, cell, way = heapq.heappop(heap)
            if cost > best[cell, way]:
                continue
            if cell == t and way in enter:
                return self._back(come, (cell, way))
            for k, (u, v) in enumerate(_WAYS):
                if (k + 2) % 4 == way or (cell == s and k != way):
                    continue
                step = (cell[0] + u, cell[1] + v)
                more = self._cost(cell, step, k, way, ends, near, t)
                if more is None or cost + more >= best.get((step, k), 1e9):
                    continue
                best[step, k] = cost + more
                come[step, k] = (cell, way)
                order += 1
                heapq.heappush(heap, (cost + more + _guess(step, t, k), order, cost + more, step, k))
        return None

    def _cost(self, cell: Cell, step: Cell, k: int, way: int, ends: set[str], near: set[Cell], t: Cell) -> float | None:
        """What the step from `cell` to `step` costs, or None where it can't be taken."""
        if not (0 < step[0] < self.width and 0 < step[1] < self.height) or (step in self.blocked and step not in near):
            return None
        more = 1.0 + self.dear.get(step, 0)
        owners = self.lines.get(_edge(cell, step))
        if owners is not None:
            if not owners & ends:
                return None
            more += SHARE
        passing = self.across.get(cell, set())
        if k != way:
            if passing and not self._ours(cell, ends):
                return None
            more += BEND
        there = self.across.get(step, set())
        if there and step != t and owners is None:
            foreign = self.corners.get(step)
            if foreign is not None and not foreign & ends:
                return None
            if (k % 2) not in there:
                more += CROSS
        return more

    def _ours(self, cell: Cell, ends: set[str]) -> bool:
        edges = [_edge(cell, (cell[0] + u, cell[1] + v)) for u, v in _WAYS]
        return all(self.lines[e] & ends for e in edges if e in self.lines)

    @staticmethod
    def _back(come: Mapping[tuple[Cell, int], tuple[Cell, int] | None], last: tuple[Cell, int]) -> list[Cell]:
        path: list[Cell] = []
        at: tuple[Cell, int] | None = last
        while at is not None:
            path.append(at[0])
            at = come[at]
        return path[::-1]

    def _occupy(self, path: Sequence[Cell], ends: set[str]) -> None:
        for one, two in pairwise(path):
            self.lines.setdefault(_edge(one, two), set()).update(ends)
            level = 0 if one[1] == two[1] else 1
            self.across.setdefault(one, set()).add(level)
            self.across.setdefault(two, set()).add(level)
        for k in range(1, len(path) - 1):
            (x, y), (u, v) = path[k - 1], path[k + 1]
            if x != u and y != v:
                self.corners.setdefault(path[k], set()).update(ends)


def _guess(cell: Cell, t: Cell, k: int) -> float:
    """At least so much is left from `cell`, entered in direction `k`, to `t`: steps, and corners that can't be spared."""
    dx, dy = t[0] - cell[0], t[1] - cell[1]
    u, v = _WAYS[k]
    ahead = dx * u + dy * v
    aside = abs(dx * v) + abs(dy * u)
    corners = 0 if not aside and ahead >= 0 else 1 if ahead >= 0 and aside else 2
    return abs(dx) + abs(dy) + BEND * corners


def _edge(one: Cell, two: Cell) -> tuple[Cell, Cell]:
    return (one, two) if one < two else (two, one)


def cell_of(point: Point) -> Cell:
    """The cell of the grid nearest to `point`."""
    return round(point[0] / STEP), round(point[1] / STEP)


def _cells(x: float, y: float, w: float, h: float) -> Iterable[Cell]:
    for i in range(int(-(-x // STEP)), int((x + w) // STEP) + 1):
        for j in range(int(-(-y // STEP)), int((y + h) // STEP) + 1):
            yield i, j


def corners_of(points: Sequence[Point]) -> list[Point]:
    """`points` without those that lie on the straight line between their neighbours."""
    made = [points[0]]
    for k in range(1, len(points) - 1):
        (x, y), (u, v) = made[-1], points[k + 1]
        p, q = points[k]
        if not ((x == p == u) or (y == q == v)):
            made.append(points[k])
    return [*made, points[-1]] if len(points) > 1 else made
