"""Gradings by hand, several people to a call, read from a CSV file and compared: kappa for each part.

Rule: a part is compared over the calls that more than one person graded; how many others there were is said. With two graders
in all it is Cohen's kappa, with more it is Fleiss' over the calls with the usual number of gradings. Where all categories are
whole numbers, two graders get a weighted kappa as well.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from pathlib import Path

import msgspec

from blowergrade.statistics.agreement import Agreement, cohen, fleiss
from blowergrade.statistics.table import TableError, table_rows

GRADING_COLUMNS = ("candidate", "item", "part", "rater", "category")


class Grading(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """What one person gave to one part of one call: a category, such as yes, 0, 1, 2."""

    candidate: str
    item: str
    part: str
    rater: str
    category: str


class Graders(msgspec.Struct, frozen=True):
    """How people agreed who graded the same part by hand, or the reason why that can't be said; `left_out` in calls."""

    part: str
    agreement: Agreement | None
    left_out: int = 0
    reason: str = ""


def read_gradings(file: Path) -> tuple[Grading, ...]:
    """The gradings in the CSV `file`, with the columns of `GRADING_COLUMNS`; raises `TableError` with the line."""
    found: dict[tuple[str, str, str, str], Grading] = {}
    for line, row in table_rows(file, GRADING_COLUMNS):
        if empty := [c for c in GRADING_COLUMNS if not row[c]]:
            raise TableError(f"{file.name}, line {line}: {', '.join(empty)} empty; leave out the row of what was not graded")
        made = Grading(*(row[c] for c in GRADING_COLUMNS))
        key = (made.candidate, made.item, made.part, made.rater)
        if key in found:
            raise TableError(f"{file.name}, line {line}: {made.rater} graded {made.part!r} of this call above; leave one out")
        found[key] = made
    return tuple(found.values())


def graders(gradings: Iterable[Grading]) -> tuple[Graders, ...]:
    """The agreement on each part, in the order of the parts' names."""
    parts: dict[str, list[Grading]] = {}
    for one in gradings:
        parts.setdefault(one.part, []).append(one)
    return tuple(g for part in sorted(parts) for g in _part(part, parts[part]))


def _part(part: str, given: Sequence[Grading]) -> tuple[Graders, ...]:
    calls: dict[tuple[str, str], dict[str, str]] = {}
    for one in given:
        calls.setdefault((one.candidate, one.item), {})[one.rater] = one.category
    people = sorted({g.rater for g in given})
    several = [c for c in calls.values() if len(c) > 1]
    if not several:
        return (Graders(part, None, len(calls), "no call was graded by two people; have a share of them graded twice"),)
    if len(people) == 2:
        pairs = [[c[p] for c in several] for p in people]
        order = _order(c for p in pairs for c in p)
        found = [cohen(pairs[0], pairs[1])]
        if len(order) > 2:
            found.append(cohen(pairs[0], pairs[1], order, "quadratic"))
        return tuple(Graders(part, a, len(calls) - len(several)) for a in found)
    sizes = Counter(len(c) for c in several)
    usual = max(sizes, key=lambda size: (sizes[size], size))
    rows = [sorted(c.values()) for c in several if len(c) == usual]
    return (Graders(part, fleiss(rows), len(calls) - len(rows)),)


def _order(categories: Iterable[str]) -> list[str]:
    """The categories as whole numbers from the lowest, every number between them included; empty where one is no number."""
    found = set(categories)
    if not all(c.isascii() and c.isdigit() and c == str(int(c)) and int(c) <= 100 for c in found):
        return []
    low, high = min(map(int, found)), max(map(int, found))
    return [str(n) for n in range(low, high + 1)]
