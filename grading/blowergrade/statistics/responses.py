"""The scores that everything else here is worked out of: candidates × items, as points or as right and wrong.

Rule: a matrix is checked once, when it is made, and never changes afterwards. What can't be worked out of it is a `Value`
without a number and with the reason; no function here hands out NaN.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import msgspec
import numpy as np
from numpy.typing import ArrayLike, NDArray

from blowerbench.errors import BenchError

Array = NDArray[np.float64]
#: Rounding that sums of points may carry.
ROUNDING = 1e-9


class StatisticsError(BenchError):
    """Something that can't be worked out; says what was wrong and what would be right."""


class ResponsesError(StatisticsError):
    """A matrix of scores that can't be used."""


class TooFewError(ResponsesError):
    """Fewer than two candidates or two items: nothing to compare."""


class ScoreError(ResponsesError):
    """One score that is missing or outside 0 … the item's maximum; names candidate and item."""


class Value(msgspec.Struct, frozen=True):
    """A number, or None and the reason why there is none."""

    value: float | None
    reason: str = ""

    def __post_init__(self) -> None:
        if (self.value is None) == (not self.reason):
            raise StatisticsError("a value has either a number or a reason; give exactly one of them")
        if self.value is not None and not math.isfinite(self.value):
            raise StatisticsError(f"{self.value} is no finite number; give None and the reason")


@dataclass(frozen=True, slots=True, eq=False)
class Responses:
    """Scores of one form of an exam; `scores` has the shape (candidates, items), `maxima` the most points of each item.

    Candidates who sat different forms stand in different matrices. Make it with `Responses.of`.
    """

    scores: Array
    maxima: Array
    candidates: tuple[str, ...]
    items: tuple[str, ...]

    @classmethod
    def of(
        cls,
        scores: ArrayLike,
        maxima: float | Sequence[float] = 1.0,
        items: Sequence[str] = (),
        candidates: Sequence[str] = (),
    ) -> Responses:
        """The checked, read-only matrix; names default to numbers from 1. Raises `ResponsesError`."""
        try:
            table = np.array(scores, dtype=np.float64)
            most = np.array(maxima, dtype=np.float64)
        except (TypeError, ValueError) as error:
            raise ResponsesError(f"the scores are no table of numbers ({error}); give one row per candidate") from error
        if table.ndim != 2:
            raise ResponsesError(f"the scores have {table.ndim} dimensions; give one row per candidate, one column per item")
        n, k = table.shape
        if n < 2 or k < 2:
            raise TooFewError(f"candidates: {n}, items: {k}; at least two of each are needed")
        most = np.full(k, float(most)) if most.ndim == 0 else most
        if most.shape != (k,) or not (np.isfinite(most).all() and (most > 0).all()):
            raise ResponsesError(f"{k} items need {k} maxima above 0; given were {most.tolist()}")
        named = cls(table, most, _names(candidates, n, "candidates"), _names(items, k, "items"))
        named._check_scores()
        for array in (table, most):
            array.setflags(write=False)
        return named

    def _check_scores(self) -> None:
        wrong = ~(np.isfinite(self.scores) & (self.scores >= 0) & (self.scores <= self.maxima + ROUNDING))
        if wrong.any():
            row, column = (int(x) for x in np.argwhere(wrong)[0])
            raise ScoreError(
                f"candidate {self.candidates[row]}, item {self.items[column]}: {self.scores[row, column]:g} is no score; "
                f"give a number from 0 to {self.maxima[column]:g} (what was not answered is 0)"
            )

    @property
    def totals(self) -> Array:
        """Points of each candidate, shape (candidates,)."""
        return np.asarray(self.scores.sum(axis=1), dtype=np.float64)

    @property
    def maximum(self) -> float:
        """Points of the whole form."""
        return float(self.maxima.sum())

    @property
    def dichotomous(self) -> bool:
        """Whether every score is 0 or its item's maximum, and every maximum 1."""
        return bool((self.maxima == 1).all() and np.isin(self.scores, (0.0, 1.0)).all())


def _names(given: Sequence[str], count: int, what: str) -> tuple[str, ...]:
    names = tuple(given) or tuple(str(i) for i in range(1, count + 1))
    if len(names) != count or len(set(names)) != count:
        raise ResponsesError(f"{len(set(names))} different names for {count} {what}; give each one name of its own")
    return names


def constant(values: Array) -> bool:
    """Whether all of `values` are the same, rounding apart."""
    return float(np.ptp(values)) <= ROUNDING * max(1.0, float(np.abs(values).max()))
