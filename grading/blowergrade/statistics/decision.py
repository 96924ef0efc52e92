"""Would the same candidates pass again, and do those pass who should: decision consistency and accuracy from one sitting.

Rule: the observed scale is cut into n equal steps, n being the effective test length rounded to a whole number. A candidate
passes with x ≥ cut, that is with at least ⌈n·cut⌉ of n; a true score passes with τ ≥ cut. True scores follow a beta
distribution between two bounds (four parameters); where the moments give no such distribution, between 0 and 1 (two
parameters), and the result says so.

Sources: Livingston & Lewis 1995 (the method); Lord 1965 and Hanson 1991 (true-score moments and the four-parameter fit).
"""

from __future__ import annotations

import itertools
import math
from typing import Literal

import msgspec
import numpy as np
from scipy import special, stats

from blowergrade.statistics.responses import ROUNDING, Array, Responses, StatisticsError, Value, constant

#: Gauss-Legendre points on each piece of the true-score scale.
POINTS = 400


class DecisionRefused(StatisticsError):  # noqa: N818  a refusal is an answer, not a failure
    """Consistency that can't be estimated; says why and what would help."""


class TrueScores(msgspec.Struct, frozen=True):
    """Beta distribution of true scores, as shares of the maximum, between `low` and `high`; `note` says why two parameters."""

    low: float
    high: float
    alpha: float
    beta: float
    parameters: Literal[2, 4] = 4
    note: str = ""

    def __post_init__(self) -> None:
        if not (0 <= self.low < self.high <= 1 and 0 < self.alpha < math.inf and 0 < self.beta < math.inf):
            raise StatisticsError(f"{self} is no distribution of shares; bounds go from 0 to 1, shapes are above 0")


class Decision(msgspec.Struct, frozen=True, tag="decision"):
    """What a second form of the exam would decide.

    `consistency`: share decided alike twice; `kappa`: that, chance taken out; `accuracy`: share decided as the true score
    would; `false_pass` and `false_fail`: shares of all candidates. `steps` of `length` are needed to pass.
    """

    cut: float
    effective_length: float
    length: int
    steps: int
    true_scores: TrueScores
    passing: float
    consistency: float
    chance: float
    kappa: Value
    accuracy: float
    false_pass: float
    false_fail: float


def effective_length(mean: float, variance: float, reliability: float, low: float = 0.0, high: float = 1.0) -> float:
    """How many independent right/wrong items of one difficulty would be as reliable (Livingston & Lewis 1995)."""
    if not 0 < reliability < 1:
        raise DecisionRefused(f"a reliability of {reliability:.3g} leaves nothing to estimate; it has to lie between 0 and 1")
    if variance <= 0:
        raise DecisionRefused("all totals are the same; decisions can't be compared")
    return ((mean - low) * (high - mean) - reliability * variance) / (variance * (1 - reliability))


def true_moments(shares: Array, length: int) -> tuple[float, float, float, float]:
    """Mean, variance, skewness and kurtosis of true shares, from observed `shares` on a scale of `length` steps (Lord 1965).

    The factorial moments of the observed scale are those of a binomial, so that E τᵏ = E x(x−1)…(x−k+1) / n(n−1)…(n−k+1).
    """
    if length < 4:
        raise DecisionRefused(f"an effective length of {length} is too short for four moments; use more items")
    x, raw, falling = shares * length, [], np.ones_like(shares)
    below = 1.0
    for k in range(4):
        falling, below = falling * (x - k), below * (length - k)
        raw.append(float(falling.mean()) / below)
    m1, m2, m3, m4 = raw
    variance = m2 - m1**2
    if variance <= 0:
        raise DecisionRefused("the true scores would not vary: the differences are no larger than errors of measurement")
    third, fourth = m3 - 3 * m1 * m2 + 2 * m1**3, m4 - 4 * m1 * m3 + 6 * m1**2 * m2 - 3 * m1**4
    return m1, variance, third / variance**1.5, fourth / variance**2


def fit_true_scores(mean: float, variance: float, skewness: float, kurtosis: float) -> TrueScores:
    """The beta distribution with these moments: four parameters, or two where four do not exist or leave 0 … 1."""
    four = _four(mean, variance, skewness, kurtosis)
    if isinstance(four, TrueScores):
        return four
    if not (0 < mean < 1 and 0 < variance < mean * (1 - mean)):
        raise DecisionRefused("no beta distribution has the mean and variance of the true scores; use more items or candidates")
    both = mean * (1 - mean) / variance - 1
    return TrueScores(0.0, 1.0, mean * both, (1 - mean) * both, 2, four)


def _four(mean: float, variance: float, skewness: float, kurtosis: float) -> TrueScores | str:
    """The four-parameter beta distribution with these moments (Hanson 1991), or the reason why there is none."""
    below = 6 + 3 * skewness**2 - 2 * kurtosis
    if below <= 0 or kurtosis <= skewness**2 + 1:
        return "no four-parameter beta distribution has these moments"
    size = 6 * (kurtosis - skewness**2 - 1) / below
    lean = (size + 2) * abs(skewness) / math.sqrt((size + 2) ** 2 * skewness**2 + 16 * (size + 1))
    small, large = size / 2 * (1 - lean), size / 2 * (1 + lean)
    alpha, beta = (small, large) if skewness > 0 else (large, small)
    if not small > 0:
        return "the four-parameter fit gives a shape of 0"
    width = math.sqrt(variance * (alpha + beta) ** 2 * (alpha + beta + 1) / (alpha * beta))
    low = mean - width * alpha / (alpha + beta)
    if low < -ROUNDING or low + width > 1 + ROUNDING:
        return "the four-parameter fit leaves the range from 0 to 1"
    return TrueScores(max(low, 0.0), min(low + width, 1.0), alpha, beta)


def steps_to_pass(cut: float, length: int) -> int:
    """The fewest of `length` steps that are at least `cut` (a share): x ≥ cut passes."""
    if not 0 < cut < 1:
        raise StatisticsError(f"a cut of {cut} is no share of the maximum; give one between 0 and 1")
    return math.ceil(cut * length - ROUNDING)


def decide(true_scores: TrueScores, length: int, cut: float, effective: float | None = None) -> Decision:
    """Consistency and accuracy for these true scores, a scale of `length` steps and a `cut` as a share of the maximum."""
    if length < 1:
        raise StatisticsError(f"a scale of {length} steps decides nothing; give at least one")
    steps = steps_to_pass(cut, length)
    tau, weight = _quadrature(true_scores, cut)
    passes = stats.binom.sf(steps - 1, length, tau)
    deserved = tau >= cut
    passing = float(weight @ passes)
    consistency = float(weight @ (passes**2 + (1 - passes) ** 2))
    chance = passing**2 + (1 - passing) ** 2
    false_pass, false_fail = float(weight @ (passes * ~deserved)), float(weight @ ((1 - passes) * deserved))
    kappa = Value(None, "everybody is expected to be decided alike") if chance > 1 - ROUNDING else Value(
        (consistency - chance) / (1 - chance)
    )  # fmt: skip
    return Decision(
        cut, float(length) if effective is None else effective, length, steps, true_scores, passing, consistency, chance,
        kappa, 1 - false_pass - false_fail, false_pass, false_fail,
    )  # fmt: skip


def _quadrature(true_scores: TrueScores, cut: float) -> tuple[Array, Array]:
    """True shares and their probabilities; no piece spans the cut or has both ends of the distribution.

    A shape below 1 makes the density infinite at its end; there the pieces are laid out by probability instead.
    """
    a, b, low, width = true_scores.alpha, true_scores.beta, true_scores.low, true_scores.high - true_scores.low
    edges = sorted({0.0, 0.5, 1.0, min(max((cut - low) / width, 0.0), 1.0)})
    x, w = np.polynomial.legendre.leggauss(POINTS)
    nodes, weights = [], []
    for left, right in itertools.pairwise(edges):
        if (left == 0 and a < 1) or (right == 1 and b < 1):
            ends = special.betainc(a, b, np.array([left, right]))
            q, wq = _mapped(x, w, *ends)
            nodes.append(special.betaincinv(a, b, q))
            weights.append(wq)
        else:
            t, wt = _mapped(x, w, left, right)
            nodes.append(t)
            weights.append(wt * stats.beta.pdf(t, a, b))
    total = np.concatenate(weights)
    return low + width * np.concatenate(nodes), total / total.sum()


def _mapped(x: Array, w: Array, left: float, right: float) -> tuple[Array, Array]:
    return (left + right) / 2 + (right - left) / 2 * x, (right - left) / 2 * w


def livingston_lewis(responses: Responses, reliability: float, cut: float) -> Decision:
    """Consistency and accuracy of passing with at least `cut` points, given the form's reliability.

    Raises `DecisionRefused` where the data do not allow an estimate.
    """
    shares = responses.totals / responses.maximum
    if constant(shares):
        raise DecisionRefused("all totals are the same; decisions can't be compared")
    effective = effective_length(float(shares.mean()), float(shares.var(ddof=1)), reliability)
    length = round(effective)
    fitted = fit_true_scores(*true_moments(shares, length))
    return decide(fitted, length, cut / responses.maximum, effective)
