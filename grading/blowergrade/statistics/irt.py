"""Item response models by marginal maximum likelihood: Rasch (slope 1), 1PL (one common slope), 2PL (a slope per item).

Rule: P(right) = 1/(1 + e^(−a(θ − b))), θ normal with mean 0 and deviation 1. Nothing is fitted below 100 candidates, for
points, or with an item that does not vary; a fit that did not converge says so. Standard errors come from the observed
information (the curvature of the log-likelihood).

Sources: Rasch 1960; Birnbaum 1968 (2PL); Bock & Lieberman 1970, Bock & Aitkin 1981 (marginal maximum likelihood).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import msgspec
import numpy as np
from scipy import linalg, optimize, special

from blowergrade.statistics.responses import Array, Responses, StatisticsError, Value, constant

Model = Literal["rasch", "1PL", "2PL"]
MODELS: tuple[Model, ...] = ("rasch", "1PL", "2PL")
#: Below so many, an item's place is known no better than about half a logit either way.
FEWEST = 100
#: Gauss-Hermite points.
POINTS = 61
#: Largest slope of the log-likelihood, per candidate, at which a fit counts as finished.
FLAT = 1e-6
MOST_STEPS = 500


class IrtRefused(StatisticsError):  # noqa: N818  a refusal is an answer, not a failure
    """A model that is not fitted; says why and what would be needed."""


class IrtItem(msgspec.Struct, frozen=True):
    """One item: slope `a` and place `b` (logits), with standard errors."""

    item: str
    a: float
    a_error: Value
    b: float
    b_error: Value


class Ability(msgspec.Struct, frozen=True):
    """One candidate: expected ability given the answers (EAP) and its standard deviation, in logits."""

    candidate: str
    theta: float
    deviation: float


class Fit(msgspec.Struct, frozen=True, tag="irt"):
    """A fitted model; `note` says what was wrong where `converged` is false."""

    model: Model
    candidates: int
    items: tuple[IrtItem, ...]
    abilities: tuple[Ability, ...]
    log_likelihood: float
    parameters: int
    aic: float
    bic: float
    converged: bool
    note: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class _Problem:
    """Patterns of answers with their counts, and the points of θ; the parameters are slopes first, then intercepts d = −a·b."""

    model: Model
    patterns: Array
    counts: Array
    theta: Array
    log_weight: Array

    @property
    def slopes(self) -> int:
        """How many slopes are free."""
        return {"rasch": 0, "1PL": 1, "2PL": int(self.patterns.shape[1])}[self.model]

    def split(self, x: Array) -> tuple[Array, Array]:
        """A slope for each item, and the intercepts."""
        k, free = self.patterns.shape[1], self.slopes
        return (np.ones(k) if free == 0 else np.broadcast_to(x[:free], (k,))), x[free:]

    def joint(self, x: Array, patterns: Array) -> Array:
        """Log of P(pattern, θ), shape (patterns, points)."""
        a, d = self.split(x)
        z = np.outer(a, self.theta) + d[:, None]
        return np.asarray(patterns @ z + special.log_expit(-z).sum(axis=0) + self.log_weight)

    def value(self, x: Array) -> tuple[float, Array]:
        """−log-likelihood and its gradient."""
        a, d = self.split(x)
        joint = self.joint(x, self.patterns)
        marginal = special.logsumexp(joint, axis=1)
        posterior = np.exp(joint - marginal[:, None]) * self.counts[:, None]
        expected = special.expit(np.outer(a, self.theta) + d[:, None]) * posterior.sum(axis=0)
        off = self.patterns.T @ posterior - expected  # answers beyond what is expected, shape (items, points)
        slope = off @ self.theta
        gradient = {"rasch": slope[:0], "1PL": slope.sum(keepdims=True), "2PL": slope}[self.model]
        return -float(self.counts @ marginal), -np.concatenate([gradient, off.sum(axis=1)])

    def information(self, x: Array) -> Array:
        """Curvature of −log-likelihood by central differences of the gradient, shape (parameters, parameters)."""
        step = 1e-4
        rows = [self.value(x + step * e)[1] - self.value(x - step * e)[1] for e in np.eye(len(x))]
        matrix = np.array(rows) / (2 * step)
        return (matrix + matrix.T) / 2


def fit(responses: Responses, model: Model = "rasch") -> Fit:
    """`model` fitted to right/wrong answers, with abilities; raises `IrtRefused`."""
    _check(responses, model)
    patterns, counts = np.unique(responses.scores, axis=0, return_counts=True)
    theta, weight = np.polynomial.hermite_e.hermegauss(POINTS)
    problem = _Problem(model, patterns, counts.astype(float), theta, np.log(weight / weight.sum()))
    share = responses.scores.mean(axis=0)
    start = np.concatenate([np.ones(problem.slopes), 1.2 * special.logit(share)])
    x, information, note = _maximum(problem, start)
    likelihood = -problem.value(x)[0]
    n, free = len(responses.candidates), len(x)
    return Fit(
        model, n, _items(problem, x, information, responses.items), _abilities(problem, x, responses), likelihood, free,
        2 * free - 2 * likelihood, free * math.log(n) - 2 * likelihood, not note, note,
    )  # fmt: skip


def _check(responses: Responses, model: Model) -> None:
    if model not in MODELS:
        raise StatisticsError(f"no model {model!r}; there are {', '.join(MODELS)}")
    n, k = responses.scores.shape
    if n < FEWEST:
        raise IrtRefused(f"{n} candidates are too few: item places would be guesses; at least {FEWEST} are needed")
    if not responses.dichotomous:
        raise IrtRefused("the items have points; these models need items that are right (1) or wrong (0)")
    same = [name for j, name in enumerate(responses.items) if constant(responses.scores[:, j])]
    if same:
        raise IrtRefused(f"everybody answered alike on {', '.join(same)}: no place can be found; leave out such items")
    if model == "2PL" and k < 3:
        raise IrtRefused(f"{k} items do not determine a slope each; at least 3 are needed")


def _maximum(problem: _Problem, start: Array) -> tuple[Array, Array | None, str]:
    """The best parameters, the information there (None where it is no maximum), and what is wrong, if anything."""
    n = float(problem.counts.sum())

    def scaled(x: Array) -> tuple[float, Array]:
        value, gradient = problem.value(x)
        return value / n, gradient / n

    found = optimize.minimize(scaled, start, jac=True, method="BFGS", options={"gtol": 1e-5, "maxiter": MOST_STEPS})
    x = np.asarray(found.x, dtype=np.float64)
    for _ in range(5):  # Newton's steps finish what quasi-Newton began
        information = problem.information(x)
        gradient = problem.value(x)[1]
        try:
            factor = linalg.cho_factor(information)
        except linalg.LinAlgError:
            return x, None, "not converged: the likelihood is flat in some direction (too few candidates for this model)"
        if np.abs(gradient).max() / n <= FLAT:
            break
        x = x - linalg.cho_solve(factor, gradient)
    left = np.abs(problem.value(x)[1]).max() / n
    if not left <= FLAT:
        return x, information, f"not converged: the likelihood still rises by {left:.2g} per candidate and unit"
    steep = np.abs(problem.split(x)[0]).max()
    return x, information, "" if steep < 10 else f"an item's slope of {steep:.0f} is no estimate: leave that item out"


def _items(problem: _Problem, x: Array, information: Array | None, names: Sequence[str]) -> tuple[IrtItem, ...]:
    """Slopes and places with standard errors: for b = −d/a by the delta method."""
    a, d = problem.split(x)
    free = problem.slopes
    covariance = None if information is None else linalg.inv(information)
    none = Value(None, "the fit is no maximum")
    made = []
    for j, name in enumerate(names):
        slope, place = {"rasch": None, "1PL": 0, "2PL": j}[problem.model], free + j
        b = -d[j] / a[j]
        a_error, b_error = (Value(None, "fixed at 1") if slope is None else none), none
        if covariance is not None:
            towards = np.zeros(len(x))
            towards[place] = -1 / a[j]
            if slope is not None:
                towards[slope] = d[j] / a[j] ** 2
                a_error = Value(math.sqrt(covariance[slope, slope]))
            b_error = Value(math.sqrt(towards @ covariance @ towards))
        made.append(IrtItem(name, float(a[j]), a_error, float(b), b_error))
    return tuple(made)


def _abilities(problem: _Problem, x: Array, responses: Responses) -> tuple[Ability, ...]:
    posterior = special.softmax(problem.joint(x, responses.scores), axis=1)
    mean = posterior @ problem.theta
    deviation = np.sqrt(posterior @ problem.theta**2 - mean**2)
    return tuple(
        Ability(name, float(m), float(s)) for name, m, s in zip(responses.candidates, mean, deviation, strict=True)
    )
