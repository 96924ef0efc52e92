"""The statistics of a whole sitting: each form by itself, and the little that can be said across forms.

Rule: what compares answers of the same people (reliability, correlations, error of measurement, decisions, item response
models) is worked out within a form and never over forms: people on different forms answered different calls. Across forms
stand counts, each item's own figures, and the agreement of graders. A candidate who lacks a graded call is left out of what
needs whole answers, and the report says how many were.
"""

from __future__ import annotations

import statistics
from collections import Counter
from collections.abc import Iterable, Sequence

import msgspec

from blowergrade.statistics.classical import Reliability, reliability
from blowergrade.statistics.graders import Graders, Grading, graders
from blowergrade.statistics.irt import Model
from blowergrade.statistics.passing import FormsCompared, Passes, PassRule, compare, passes
from blowergrade.statistics.report import Refused, Report, form_report
from blowergrade.statistics.responses import Responses, TooFewError
from blowergrade.statistics.table import MOST_POINTS, CallResult, SatForm, TableError, forms_of

#: What a sitting has no number of over all its forms, and why.
PER_FORM_ONLY = (
    "reliability (alpha, KR-20) and the standard error of measurement",
    "correlations of items with the total, and alpha without an item",
    "decision consistency and accuracy",
    "item response models: places of items, slopes, abilities; the 100 candidates that they need are those of one form",
)


class ItemCounts(msgspec.Struct, frozen=True):
    """What can always be counted of an item on a form; `points` is a mean of 100, `seconds` a median, None without rows."""

    item: str
    graded: int
    passed: int
    points: float | None
    critical: int
    seconds: float | None


class FormStatistics(msgspec.Struct, frozen=True):
    """One form: counts, verdicts (None without a rule), the calls as passed or not, and the reliability of their points."""

    name: str
    candidates: int
    complete: int
    counts: tuple[ItemCounts, ...]
    passes: Passes | None
    calls: Report | Refused
    points: Reliability | Refused


class SittingReport(msgspec.Struct, frozen=True):
    """A sitting; `shared` are the items that stand on more than one form."""

    title: str
    rule: PassRule | None
    forms: tuple[FormStatistics, ...]
    shared: tuple[str, ...]
    compared: FormsCompared | None
    graders: tuple[Graders, ...]


def sitting_report(
    rows: Iterable[CallResult],
    *,
    title: str,
    rule: PassRule | None = None,
    gradings: Sequence[Grading] = (),
    model: Model = "rasch",
) -> SittingReport:
    """The statistics of the sitting in `rows`; raises `StatisticsError` for a table or rule that can't be used."""
    sat = forms_of(rows)
    _check_gradings(sat, gradings)
    if rule is not None and (strange := sorted({n for n, _ in rule.by_form} - {f.name for f in sat})):
        raise TableError(f"a rule is given for form {', '.join(strange)}; the table holds {', '.join(f.name for f in sat)}")
    forms = tuple(_form(f, rule, model) for f in sat)
    times = Counter(i for f in sat for i in f.items)
    verdicts = [f.passes for f in forms if f.passes is not None]
    shared = tuple(sorted(i for i, n in times.items() if n > 1))
    return SittingReport(title, rule, forms, shared, compare(verdicts) if verdicts else None, graders(gradings))


def _check_gradings(sat: Sequence[SatForm], gradings: Sequence[Grading]) -> None:
    known = {(c, i) for f in sat for c in f.candidates for i in f.rows[c]}
    for one in gradings:
        if (one.candidate, one.item) not in known:
            raise TableError(f"a grading of candidate {one.candidate!r}, item {one.item!r}: the results have no such call")


def passed_matrix(form: SatForm) -> Responses:
    """Calls passed (1) or not (0) by the complete candidates of `form`; raises `TooFewError`."""
    _enough(form)
    scores = [[float(bool(form.rows[c][i].passed)) for i in form.items] for c in form.complete]
    return Responses.of(scores, 1.0, form.items, form.complete)


def points_matrix(form: SatForm) -> Responses:
    """Points of the complete candidates of `form`, 100 to a call; raises `TooFewError`."""
    _enough(form)
    scores = [[form.rows[c][i].points or 0.0 for i in form.items] for c in form.complete]
    return Responses.of(scores, MOST_POINTS, form.items, form.complete)


def _enough(form: SatForm) -> None:
    if len(form.complete) < 2 or len(form.items) < 2:
        raise TooFewError(
            f"candidates with every call graded: {len(form.complete)}, calls: {len(form.items)}; at least two of each are "
            "needed"
        )


def _form(form: SatForm, rule: PassRule | None, model: Model) -> FormStatistics:
    verdicts = None if rule is None else passes(form, rule)
    calls: Report | Refused
    points: Reliability | Refused
    try:
        cut = None if verdicts is None else float(verdicts.needed)
        calls = form_report(passed_matrix(form), cut, model=model)
        points = reliability(points_matrix(form))
    except TooFewError as error:
        calls = points = Refused(str(error))
    counts = tuple(_counts(form, item) for item in form.items)
    return FormStatistics(form.name, len(form.candidates), len(form.complete), counts, verdicts, calls, points)


def _counts(form: SatForm, item: str) -> ItemCounts:
    rows = form.of_item(item)
    points = [r.points for r in rows if r.points is not None]
    return ItemCounts(
        item, len(rows), sum(bool(r.passed) for r in rows), statistics.fmean(points) if points else None,
        sum(form.rows[c][item].critical for c in form.candidates if item in form.rows[c]),
        statistics.median(r.seconds for r in rows) if rows else None,
    )  # fmt: skip
