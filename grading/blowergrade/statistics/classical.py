"""Classical item analysis: how hard an item is, whether it goes with the rest, and how far the total can be trusted.

Rule: sample variances divide by n − 1, as in the sources; an item or a total that does not vary gives a reason, not a number.

Sources: Kuder & Richardson 1937; Cronbach 1951 (alpha); Feldt, Woodruff & Salih 1987 (interval of alpha); Lord & Novick 1968
(standard error of measurement).
"""

from __future__ import annotations

import math
from typing import Literal

import msgspec
import numpy as np
from scipy import stats

from blowergrade.statistics.responses import ROUNDING, Array, Responses, StatisticsError, TooFewError, Value, constant

SAME_ITEM = "everybody scored the same on this item"
SAME_TOTAL = "all totals are the same"
SAME_REST = "all totals of the other items are the same"
ONE_LEFT = "only one item would be left"


class ItemStatistics(msgspec.Struct, frozen=True):
    """One item. `difficulty` is mean/maximum (the share right); the correlations are with the total, item in and item out."""

    item: str
    maximum: float
    mean: float
    deviation: float
    difficulty: float
    included: Value
    excluded: Value
    alpha_if_deleted: Value


class Reliability(msgspec.Struct, frozen=True, tag="reliability"):
    """The form as a whole; `low` … `high` is the interval of `alpha` at `level`, `sem` is in points."""

    kind: Literal["KR-20", "alpha"]
    candidates: int
    items: int
    maximum: float
    mean: float
    deviation: float
    alpha: Value
    level: float
    low: Value
    high: Value
    sem: Value


def difficulty(responses: Responses) -> tuple[float, ...]:
    """Mean over maximum of each item, 0 (nobody) … 1 (everybody); for right/wrong items the share of right answers."""
    return tuple(float(x) for x in responses.scores.mean(axis=0) / responses.maxima)


def point_biserial(responses: Responses, item: int, *, excluding: bool) -> Value:
    """Correlation of the item at index `item` with the total, the item taken out of it where `excluding`."""
    column = responses.scores[:, item]
    other = responses.totals - column if excluding else responses.totals
    if constant(column):
        return Value(None, SAME_ITEM)
    if constant(other):
        return Value(None, SAME_REST if excluding else SAME_TOTAL)
    return Value(float(np.corrcoef(column, other)[0, 1]))


def alpha(responses: Responses) -> Value:
    """Cronbach's alpha k/(k − 1)·(1 − Σ item variances / total variance)."""
    return _alpha(responses.scores)


def _alpha(scores: Array) -> Value:
    k = scores.shape[1]
    if k < 2:
        return Value(None, ONE_LEFT)
    total = scores.sum(axis=1)
    if constant(total):
        return Value(None, SAME_TOTAL)
    found = float(k / (k - 1) * (1 - scores.var(axis=0, ddof=1).sum() / total.var(ddof=1)))
    return Value(found if abs(found) > ROUNDING else 0.0)  # a rounding error below 0 is no negative alpha


def kr20(responses: Responses) -> Value:
    """Kuder-Richardson formula 20, k/(k − 1)·(1 − Σ p·q / population variance of the total); right/wrong items only."""
    if not responses.dichotomous:
        raise StatisticsError("KR-20 is for items scored 0 or 1; use alpha for points")
    if constant(responses.totals):
        return Value(None, SAME_TOTAL)
    k, p = len(responses.items), responses.scores.mean(axis=0)
    return Value(float(k / (k - 1) * (1 - (p * (1 - p)).sum() / responses.totals.var())))


def alpha_if_deleted(responses: Responses) -> tuple[Value, ...]:
    """Alpha of the other items, for each item."""
    return tuple(_alpha(np.delete(responses.scores, j, axis=1)) for j in range(len(responses.items)))


def feldt_interval(value: float, candidates: int, items: int, level: float = 0.95) -> tuple[float, float]:
    """Two-sided interval of an alpha of `value` from `candidates` people and `items` items.

    1 − (1 − α)·F with n − 1 and (n − 1)(k − 1) degrees of freedom (Feldt, Woodruff & Salih 1987, formulas 6 and 7).
    """
    if not 0 < level < 1:
        raise StatisticsError(f"a level of {level} is no share; give one between 0 and 1, such as 0.95")
    if not math.isfinite(value) or value > 1:
        raise StatisticsError(f"{value} is no alpha; give a number of at most 1")
    if candidates < 2 or items < 2:
        raise TooFewError(f"candidates: {candidates}, items: {items}; at least two of each are needed")
    free = (candidates - 1, (candidates - 1) * (items - 1))
    tail = (1 - level) / 2
    low, high = (1 - (1 - value) * float(stats.f.ppf(q, *free)) for q in (1 - tail, tail))
    return low, high


def standard_error_of_measurement(deviation: float, reliability: Value) -> Value:
    """Deviation of the totals × √(1 − reliability), in points."""
    if reliability.value is None:
        return reliability
    if reliability.value < 0:
        return Value(None, "alpha is negative: the items do not measure one thing")
    return Value(deviation * math.sqrt(1 - reliability.value))


def item_statistics(responses: Responses) -> tuple[ItemStatistics, ...]:
    """All items, in their order."""
    deleted, share = alpha_if_deleted(responses), difficulty(responses)
    return tuple(
        ItemStatistics(
            item, float(responses.maxima[j]), float(responses.scores[:, j].mean()),
            float(responses.scores[:, j].std(ddof=1)), share[j], point_biserial(responses, j, excluding=False),
            point_biserial(responses, j, excluding=True), deleted[j],
        )
        for j, item in enumerate(responses.items)
    )  # fmt: skip


def reliability(responses: Responses, level: float = 0.95) -> Reliability:
    """Alpha (KR-20 where items are right or wrong) with its interval at `level`, and the standard error of measurement."""
    n, k = responses.scores.shape
    found, deviation = alpha(responses), float(responses.totals.std(ddof=1))
    low = high = Value(None, found.reason) if found.value is None else found
    if found.value is not None:
        low, high = map(Value, feldt_interval(found.value, n, k, level))
    return Reliability(
        "KR-20" if responses.dichotomous else "alpha", n, k, responses.maximum, float(responses.totals.mean()), deviation,
        found, level, low, high, standard_error_of_measurement(deviation, found),
    )  # fmt: skip
