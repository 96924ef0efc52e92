"""The report of one form of an exam: everything that its matrix of scores says, or why something can't be said.

Rule: a part that can't be worked out is a `Refused` with its reason, never left out and never a number that looks like one.
The report holds abilities by candidate; its page names nobody.
"""

from __future__ import annotations

import itertools
import math

import msgspec
import numpy as np

from blowergrade.statistics.classical import ItemStatistics, Reliability, item_statistics, reliability
from blowergrade.statistics.decision import Decision, DecisionRefused, livingston_lewis
from blowergrade.statistics.irt import MODELS, Fit, IrtRefused, Model, fit
from blowergrade.statistics.responses import ROUNDING, Array, Responses, StatisticsError

#: A total has bars of its own up to so many points; more are put together.
MOST_BARS = 30
#: Below this correlation with the other items, an item tells little (rule of thumb after Ebel; from memory).
TELLS_LITTLE = 0.2
#: Above and below these shares almost everybody is alike on an item. Common practice, no published source.
EASY, HARD = 0.95, 0.1


class Refused(msgspec.Struct, frozen=True, tag="refused"):
    """A part of the report that can't be worked out, and why."""

    reason: str


class Band(msgspec.Struct, frozen=True):
    """How many lie from `low` up to, but not including, `high`."""

    low: float
    high: float
    count: int


class Report(msgspec.Struct, frozen=True, tag="report"):
    """One form; `cut` in points (None: no rule was given): `reached` are those with at least as many."""

    cut: float | None
    reached: int
    scores: tuple[Band, ...]
    reliability: Reliability
    items: tuple[ItemStatistics, ...]
    decision: Decision | Refused
    model: Fit | Refused
    others: tuple[Fit | Refused, ...]  # the same answers under the other models


def form_report(responses: Responses, cut: float | None, *, model: Model = "rasch", level: float = 0.95) -> Report:
    """The report of `responses` with `cut` in points (score ≥ cut passes); `level` is that of the interval of alpha.

    Raises `StatisticsError` for a cut outside the form; whatever else can't be worked out stands in the report as `Refused`.
    """
    if cut is not None and not 0 < cut <= responses.maximum:
        raise StatisticsError(f"a cut of {cut:g} points is outside the form; give one above 0 and up to {responses.maximum:g}")
    trust = reliability(responses, level)
    reached = 0 if cut is None else int((responses.totals >= cut - ROUNDING).sum())
    return Report(
        cut, reached, score_bands(responses, cut), trust, item_statistics(responses), _decision(responses, trust, cut),
        _model(responses, model), tuple(_model(responses, m) for m in MODELS if m != model),
    )  # fmt: skip


def _decision(responses: Responses, trust: Reliability, cut: float | None) -> Decision | Refused:
    if cut is None:
        return Refused("no rule was given of what passes")
    if trust.alpha.value is None:
        return Refused(trust.alpha.reason)
    if cut > responses.maximum - ROUNDING:
        return Refused("only full points pass; the method needs a cut below the maximum")
    try:
        return livingston_lewis(responses, trust.alpha.value, cut)
    except DecisionRefused as refusal:
        return Refused(str(refusal))


def _model(responses: Responses, model: Model) -> Fit | Refused:
    try:
        return fit(responses, model)
    except IrtRefused as refusal:
        return Refused(str(refusal))


def score_bands(responses: Responses, cut: float | None) -> tuple[Band, ...]:
    """The totals in bands of equal width from 0 up; the cut is an edge, so that no band holds both passed and not passed.

    Where totals are whole numbers, the edge is the lowest whole number that passes.
    """
    cut = 1.0 if cut is None else cut
    cut = math.ceil(cut - ROUNDING) if responses.dichotomous else cut
    width = max(1, math.ceil(responses.maximum / MOST_BARS))
    below = math.ceil(cut / width - ROUNDING)
    above = math.floor((responses.maximum - cut) / width + ROUNDING) + 1
    edges = cut + width * np.arange(-below, above + 1, dtype=np.float64)
    edges[0] = 0.0
    return bands(responses.totals + ROUNDING, edges)


def bands(values: Array, edges: Array) -> tuple[Band, ...]:
    """How many of `values` lie between each two of the `edges`."""
    counts, _ = np.histogram(values, edges)
    return tuple(Band(float(a), float(b), int(n)) for (a, b), n in zip(itertools.pairwise(edges), counts, strict=True))


def ability_bands(model: Fit) -> tuple[Band, ...]:
    """Abilities in bands of half a logit."""
    theta = np.array([a.theta for a in model.abilities])
    low, high = math.floor(theta.min() * 2), math.floor(theta.max() * 2) + 1
    return bands(theta, np.arange(low, high + 1, dtype=np.float64) / 2)


def remark(item: ItemStatistics) -> str:
    """What an instructor should look at in this item; empty where nothing is striking."""
    together = item.excluded.value
    if together is None:
        return f"No correlation: {item.excluded.reason}."
    if together < 0:
        return "Who does well elsewhere does worse here: look at the call and at its grading."
    if item.difficulty > EASY:
        return "Almost everybody passes it."
    if item.difficulty < HARD:
        return "Almost nobody passes it."
    return "Tells little about the candidates." if together < TELLS_LITTLE else ""
