"""Published answers to compare with, and made-up sittings of invented people."""

from __future__ import annotations

import csv
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from msgspec.structs import replace
from numpy.typing import NDArray

from blowergrade.statistics.responses import Responses
from blowergrade.statistics.table import CallResult

PUBLISHED = Path(__file__).parent / "vectors" / "psychometrics"
Random = np.random.Generator


def lsat(section: int) -> Responses:
    """The answers of 1000 people to five items of section 6 or 7 of the Law School Admission Test (Bock & Lieberman 1970)."""
    with (PUBLISHED / f"lsat{section}.csv").open(encoding="utf-8", newline="") as file:
        titles, *rows = csv.reader(file)
    items = titles[:5]
    times = [int(row[5]) if len(row) > 5 else 1 for row in rows]
    return Responses.of([[float(x) for x in row[:5]] for row, n in zip(rows, times, strict=True) for _ in range(n)], 1.0, items)


def answers(rng: Random, people: int, slopes: Sequence[float], places: Sequence[float]) -> NDArray[np.float64]:
    """Right and wrong answers of `people` with normal abilities to items of a logistic model, shape (people, items)."""
    a, b = np.asarray(slopes), np.asarray(places)
    ability = rng.normal(size=(people, 1))
    return np.asarray(rng.random((people, len(a))) < 1 / (1 + np.exp(-a * (ability - b))), dtype=np.float64)


def sitting(
    rng: Random, people: dict[str, int], items: int = 5, *, critical: float = 0.0, waiting: float = 0.0
) -> list[CallResult]:
    """Results of so many people on each form; no two forms share an item."""
    rows = []
    for form, count in people.items():
        right = answers(rng, count, [1.5] * items, np.linspace(-1.5, 0.8, items).tolist())
        for k, line in enumerate(right):
            for j, x in enumerate(line):
                bad = not x and rng.random() < critical
                graded = rng.random() >= waiting
                points = float(round(rng.uniform(70, 100) if x else rng.uniform(0, 69.9), 1))
                seconds, item = int(rng.integers(300, 2400)), f"unit:{form}{j}/0:complaint"
                row = CallResult(f"{form}-{k:03d}", form, item, points, bool(x), bad, seconds)
                rows.append(row if graded else replace(row, points=None, passed=None))
    return rows


def call(candidate: str, item: str, passed: bool | None, *, critical: bool = False, form: str = "A") -> CallResult:
    """One result; points follow from `passed`."""
    points = None if passed is None else 80.0 if passed else 20.0
    return CallResult(candidate, form, item, points, passed, critical, 600)
