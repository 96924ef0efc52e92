"""The cut score as a page: what the panel sees between its rounds, and what came of them.

Rule: as `page`. Judges are named, since they answer for the cut; candidates are not.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from blowergrade.statistics import cut_plots
from blowergrade.statistics.angoff import Cut, ItemRow, Result, Shown, own_cuts
from blowergrade.statistics.consequences import Consequences
from blowergrade.statistics.page import Picture, page, picture
from blowergrade.statistics.ratings import Ratings

SOURCES = (
    "Procedure: Angoff 1971; Cizek and Bunch 2007.",
    "Standard error: deviation of the judges’ own cuts over the root of their number (MacCann and Stanley 2004).",
    "After talk judges are not independent, so the standard error is rather too small.",
)


def discussion_page(title: str, first: Ratings, shown: Sequence[Shown], *, school: str = "") -> str:
    """What the panel talks about between the rounds, the items on which judges differ most first."""
    number = {item: k for k, item in enumerate(first.items, 1)}
    rows = sorted(shown, key=lambda s: (-s.deviation, number[s.item]))
    return page(
        "discussion.html", title=title, school=school, rows=rows, number_of=number, judges=len(first.judges), sources=SOURCES,
        seen=any(s.observed is not None for s in shown),
    )  # fmt: skip


def cut_page(result: Result, found: Sequence[Consequences], *, school: str = "") -> str:
    """The whole procedure with its cuts and what they mean for candidates."""
    forms = [_form(result, cut, c, k) for k, (cut, c) in enumerate(zip(result.cuts, found, strict=True), 1)]
    return page(
        "cut_score.html", title=result.inputs.title, school=school, result=result, forms=forms, sources=SOURCES,
        items=_items(result.items), seen=any(i.observed is not None for i in result.items),
    )  # fmt: skip


def _items(rows: Sequence[ItemRow]) -> Picture:
    widest = max(range(len(rows)), key=lambda k: rows[k].second_deviation) + 1
    said = f"Ratings of {len(rows)} items in both rounds; after round 2 judges differ most on item {widest}."
    return picture(cut_plots.items(rows), said)


def _form(result: Result, cut: Cut, found: Consequences, index: int) -> dict[str, Any]:
    form = next(f for f in result.inputs.forms if f.name == cut.form)
    second = own_cuts(result.inputs.second, form)
    before = dict(zip(result.inputs.first.judges, own_cuts(result.inputs.first, form), strict=True))
    judges = result.inputs.second.judges
    first = [before[j] for j in judges]
    said = (
        f"Form {cut.form}: own cuts of {len(judges)} judges go from {min(first):.2f} to {max(first):.2f} in round 1 and from "
        f"{min(second):.2f} to {max(second):.2f} in round 2."
    )
    counted = not found.reason
    return {
        "cut": cut, "id": f"cut-{index}", "found": found, "judges": list(zip(judges, first, second, strict=True)),
        "picture": picture(cut_plots.judges(first, second, cut), said),
        "passing": picture(cut_plots.passing(found), _passing_words(found)) if counted else None,
    }  # fmt: skip


def _passing_words(found: Consequences) -> str:
    low, middle, high = found.steps[0], found.steps[len(found.steps) // 2], found.steps[-1]
    return (
        f"Form {found.form}: {middle.passed} of {middle.decided} would pass at the cut, {low.passed} two standard errors "
        f"below, {high.passed} two above."
    )
