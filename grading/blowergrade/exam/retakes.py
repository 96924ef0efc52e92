"""Sitting an exam again: on another form, so that nobody meets a call a second time.

Rule: a candidate is known by the same id in every sitting of a school. What somebody had counts from when it was put before
them, whether they passed it or not.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from pathlib import Path

from blowergrade.exam.folder import ExamFolder
from blowergrade.exam.form_assignment import derived
from blowergrade.exam.form_model import FormError
from blowergrade.exam.forms import FormSet
from blowergrade.exam.gradings import sitting_of


def had_before(folders: Sequence[Path]) -> dict[str, frozenset[str]]:
    """The items of every form that each candidate of these exams began; raises `ExamError`."""
    had: dict[str, frozenset[str]] = {}
    for root in folders:
        folder = ExamFolder(root)
        programme, journal = folder.programme, folder.journal()
        try:
            sitting = sitting_of(programme, journal)
        finally:
            journal.close()
        for name, plans in programme.plans.items():
            if sitting.of(name).started is not None:
                had[name] = had.get(name, frozenset()) | {p.item for p in plans if p.item}
    return had


def other_forms(
    got: Mapping[str, str], formset: FormSet, had: Mapping[str, frozenset[str]], secret: bytes, sitting: str
) -> dict[str, str]:
    """`got` (candidate to form, in the order of seats) with another form for whoever had a call of theirs before.

    Of the forms that are new to them they get one that no neighbour has, where there is one, used as seldom as possible; nobody
    else's form changes. Raises `FormError` where every form holds a call that somebody had.
    """
    items = {f.id: {i.id for i in f.items} for f in formset.forms}
    made, seats, used = dict(got), list(got), defaultdict[str, int](int)
    for form in got.values():
        used[form] += 1
    for k, name in enumerate(seats):
        before = had.get(name, frozenset())
        if items[made[name]].isdisjoint(before):
            continue
        free = [f for f in items if items[f].isdisjoint(before)]
        if not free:
            raise FormError(f"every form holds a call that {name!r} had before; make forms from another seed or pool")
        beside = {made[seats[n]] for n in (k - 1, k + 1) if 0 <= n < len(seats)}
        used[made[name]] -= 1
        made[name] = min(free, key=lambda f: (f in beside, used[f], derived(secret, "retake", sitting, name, f)))
        used[made[name]] += 1
    return made
