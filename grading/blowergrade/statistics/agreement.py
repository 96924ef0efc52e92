"""Do people who grade by hand agree beyond chance: kappa of two graders, weighted kappa, kappa of many.

Rule: 1 is full agreement, 0 what chance would give. Where everybody always gave one and the same category, chance explains
everything and kappa is undefined: the result then has the reason in place of the number.

Sources: Cohen 1960, Cohen 1968 (weights), Fleiss 1971 (many graders).
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from typing import Literal

import msgspec
import numpy as np

from blowergrade.statistics.responses import ROUNDING, Array, StatisticsError, Value

Weights = Literal["none", "linear", "quadratic"]
UNDEFINED = "every grading is of one category: agreement by chance is certain, so kappa is undefined"


class AgreementError(StatisticsError):
    """Gradings that can't be compared; says what was wrong and what would be right."""


class Agreement(msgspec.Struct, frozen=True):
    """`observed` and `expected` agreement (shares, weighted where weights are), and kappa."""

    kind: Literal["Cohen", "Cohen, weighted", "Fleiss"]
    cases: int
    graders: int
    categories: int
    observed: float
    expected: float
    kappa: Value


def cohen(
    first: Sequence[Hashable], second: Sequence[Hashable], categories: Sequence[Hashable] = (), weights: Weights = "none"
) -> Agreement:
    """Kappa of two graders over the same cases; with weights near misses count in part, and `categories` stand in order."""
    if len(first) != len(second) or not first:
        raise AgreementError(f"{len(first)} and {len(second)} gradings; both graders need one for each case, at least one")
    if weights != "none" and not categories:
        raise AgreementError("weights need the order of the categories; give `categories` from lowest to highest")
    order = _order([first, second], categories)
    table = np.zeros((len(order), len(order)))
    for one, other in zip(first, second, strict=True):
        table[order[one], order[other]] += 1
    return _of_table(table, weights)


def _of_table(table: Array, weights: Weights) -> Agreement:
    share = table / table.sum()
    worth = _worth(len(table), weights)
    observed = float((worth * share).sum())
    expected = float((worth * np.outer(share.sum(axis=1), share.sum(axis=0))).sum())
    kind: Literal["Cohen", "Cohen, weighted"] = "Cohen" if weights == "none" else "Cohen, weighted"
    return Agreement(kind, int(table.sum()), 2, len(table), observed, expected, _kappa(observed, expected))


def _worth(count: int, weights: Weights) -> Array:
    """What each pair of categories counts as agreement, 1 on the diagonal."""
    apart = np.abs(np.subtract.outer(np.arange(count), np.arange(count))) / max(1, count - 1)
    if weights == "none":
        return np.eye(count)
    if weights == "linear":
        return 1 - apart
    if weights == "quadratic":
        return np.asarray(1 - apart**2)
    raise AgreementError(f"no weights {weights!r}; there are none, linear and quadratic")


def fleiss(gradings: Sequence[Sequence[Hashable]], categories: Sequence[Hashable] = ()) -> Agreement:
    """Kappa of many graders; `gradings` has one row per case, each with the same number of gradings (at least two)."""
    graders = len(gradings[0]) if gradings else 0
    if graders < 2 or any(len(row) != graders for row in gradings):
        raise AgreementError("every case needs the same number of gradings, at least two; leave out cases with fewer")
    order = _order(gradings, categories)
    counts = np.zeros((len(gradings), len(order)))
    for row, given in zip(counts, gradings, strict=True):
        for category in given:
            row[order[category]] += 1
    observed = float(((counts**2).sum(axis=1) - graders).mean() / (graders * (graders - 1)))
    expected = float(((counts.sum(axis=0) / counts.sum()) ** 2).sum())
    return Agreement("Fleiss", len(gradings), graders, len(order), observed, expected, _kappa(observed, expected))


def _order(rows: Sequence[Sequence[Hashable]], categories: Sequence[Hashable]) -> dict[Hashable, int]:
    """The number of each category: as given, or as they come."""
    if len(set(categories)) != len(categories):
        raise AgreementError("a category stands twice; name each once")
    order = {c: i for i, c in enumerate(categories or dict.fromkeys(c for row in rows for c in row))}
    strange = sorted({repr(c) for row in rows for c in row if c not in order})
    if strange:
        raise AgreementError(f"{', '.join(strange)}: no such category; there are {', '.join(map(repr, order))}")
    return order


def _kappa(observed: float, expected: float) -> Value:
    if expected >= 1 - ROUNDING:
        return Value(None, UNDEFINED)
    return Value((observed - expected) / (1 - expected))
