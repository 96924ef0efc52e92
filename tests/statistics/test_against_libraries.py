"""The statistics against general libraries that compute the same thing, on random data."""

from __future__ import annotations

import warnings
from collections.abc import Callable
from typing import Any

import numpy as np
import pandas as pd
import pytest
from made_sittings import answers, lsat
from numpy.random import Generator
from scipy import integrate, optimize, stats
from statsmodels.stats import inter_rater
from statsmodels.stats.proportion import proportion_confint

from blowergrade.statistics import agreement, classical, decision, irt, passing
from blowergrade.statistics.responses import Responses

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # what the reference library warns of when it is loaded is no matter of ours
    import pingouin


def points(rng: Generator, people: int, items: int) -> Responses:
    """Correlated points from 0 to 100."""
    ability = rng.normal(size=(people, 1))
    return Responses.of(np.clip(60 + 12 * ability + rng.normal(scale=15, size=(people, items)), 0, 100), 100.0)


# ---------------------------------------------------------------------- classical
@pytest.mark.parametrize("level", [0.9, 0.95])
def test_alpha_and_its_interval_are_pingouins(rng: Generator, level: float) -> None:
    for people, items in ((12, 3), (89, 7), (200, 20)):
        made = points(rng, people, items)
        alpha, (low, high) = pingouin.cronbach_alpha(pd.DataFrame(made.scores), ci=level)
        found = classical.reliability(made, level)
        assert found.alpha.value == pytest.approx(alpha, abs=1e-6)
        assert (found.low.value, found.high.value) == pytest.approx((low, high), abs=6e-4)  # it rounds to three decimals


def test_point_biserials_are_scipys(rng: Generator) -> None:
    made = Responses.of(answers(rng, 60, [1.2] * 6, [-1, -0.5, 0, 0.5, 1, 0.2]))
    for j in range(6):
        item = made.scores[:, j]
        for excluding, other in ((False, made.totals), (True, made.totals - item)):
            expected = stats.pointbiserialr(item.astype(bool), other).statistic
            assert classical.point_biserial(made, j, excluding=excluding).value == pytest.approx(expected, abs=1e-9)


def test_the_standard_error_of_measurement_is_the_spread_of_errors_for_parallel_items(rng: Generator) -> None:
    # Lord & Novick 1968: σ_E = σ_X √(1 − reliability). Errors of 20 items with deviation 5 add up to √20 · 5 = 22.36.
    truth = 50 + 8 * rng.normal(size=(4000, 1))
    found = classical.reliability(Responses.of(np.clip(truth + 5 * rng.normal(size=(4000, 20)), 0, 100), 100.0))
    assert found.sem.value == pytest.approx(5 * 20**0.5, rel=0.03)


def test_the_interval_of_alpha_covers_the_true_alpha_as_often_as_it_says(rng: Generator) -> None:
    # parallel items with correlation 1/2: Spearman-Brown gives alpha = k r/(1 + (k − 1) r) = 6/7 for six
    truth, inside, times = 6 / 7, 0, 400
    for _ in range(times):
        scores = 50 + 5 * (rng.normal(size=(30, 1)) + rng.normal(size=(30, 6)))
        low, high = classical.feldt_interval(classical.alpha(Responses.of(scores, 1000.0)).value or 0.0, 30, 6)
        inside += low <= truth <= high
    assert 0.90 < inside / times < 0.985


# ---------------------------------------------------------------------- agreement
def gradings(rng: Generator, cases: int, graders: int, categories: int) -> np.ndarray[Any, Any]:
    """Categories that agree in part, shape (cases, graders)."""
    truth = rng.integers(0, categories, size=(cases, 1))
    return np.where(rng.random((cases, graders)) < 0.6, truth, rng.integers(0, categories, size=(cases, graders)))


@pytest.mark.parametrize("weights", ["none", "linear", "quadratic"])
def test_kappa_of_two_graders_is_that_of_statsmodels(rng: Generator, weights: Any) -> None:
    theirs = {"none": None, "linear": "linear", "quadratic": "quadratic"}[weights]
    for cases, categories in ((12, 3), (80, 4), (500, 2)):
        given = gradings(rng, cases, 2, categories)
        table = np.zeros((categories, categories))
        np.add.at(table, (given[:, 0], given[:, 1]), 1)
        expected = inter_rater.cohens_kappa(table, wt=theirs, return_results=False)
        found = agreement.cohen(given[:, 0].tolist(), given[:, 1].tolist(), range(categories), weights)
        assert found.kappa.value == pytest.approx(expected, abs=1e-9)


def test_kappa_of_many_graders_is_that_of_statsmodels(rng: Generator) -> None:
    for cases, graders, categories in ((10, 3, 2), (60, 5, 4)):
        given = gradings(rng, cases, graders, categories)
        table = np.array([[(row == c).sum() for c in range(categories)] for row in given])
        expected = inter_rater.fleiss_kappa(table)
        assert agreement.fleiss(given.tolist(), range(categories)).kappa.value == pytest.approx(expected, abs=1e-9)


# ---------------------------------------------------------------------- pass rates
def test_the_interval_of_a_pass_rate_is_wilsons_as_in_statsmodels() -> None:
    for count, of in ((0, 7), (3, 7), (7, 7), (41, 60)):
        for level in (0.9, 0.95):
            expected = proportion_confint(count, of, alpha=1 - level, method="wilson")
            assert passing.wilson(count, of, level) == pytest.approx(expected, abs=1e-9)


def test_the_comparison_of_forms_is_pearsons_chi_squared_as_in_scipy() -> None:
    counts = ((30, 20), (25, 35), (40, 10))
    found = passing.compare([passing.Passes("x", 1, p + f, 0, f, 0, p, 0.0, 1.0) for p, f in counts])
    expected = stats.chi2_contingency(np.array(counts), correction=False)
    assert found.degrees == expected.dof
    assert (found.chi_squared, found.p) == pytest.approx((expected.statistic, expected.pvalue), rel=1e-9)


# ---------------------------------------------------------------------- decisions
def by_quadrature(true: decision.TrueScores, length: int, cut: float) -> tuple[float, float]:
    """Consistency and accuracy by scipy's adaptive quadrature over the quantiles of the true scores."""
    steps = int(np.ceil(cut * length - 1e-9))
    spread = stats.beta(true.alpha, true.beta, true.low, true.high - true.low)
    at = float(spread.cdf(cut))

    def passes(q: float) -> float:
        return float(stats.binom.sf(steps - 1, length, spread.ppf(q)))

    def over(f: Callable[[float], float]) -> float:
        return sum(float(integrate.quad(f, a, b, limit=200)[0]) for a, b in ((0.0, at), (at, 1.0)) if b > a)

    return over(lambda q: passes(q) ** 2 + (1 - passes(q)) ** 2), over(lambda q: passes(q) if q > at else 1 - passes(q))


def test_consistency_and_accuracy_are_those_of_adaptive_quadrature(rng: Generator) -> None:
    for _ in range(3):
        low = float(rng.uniform(0, 0.4))
        a, b = (float(x) for x in rng.uniform(0.6, 8, size=2))
        true = decision.TrueScores(low, float(rng.uniform(low + 0.3, 1)), a, b)
        length, cut = int(rng.integers(5, 60)), float(rng.uniform(0.3, 0.8))
        found = decision.decide(true, length, cut)
        assert (found.consistency, found.accuracy) == pytest.approx(by_quadrature(true, length, cut), abs=2e-5)
        assert found.accuracy + found.false_pass + found.false_fail == pytest.approx(1)


def test_the_four_parameter_fit_has_the_moments_that_scipy_gives_the_distribution() -> None:
    for low, high, a, b in ((0.25, 0.75, 5.0, 3.0), (0.1, 0.9, 2.0, 2.5), (0.3, 1.0, 1.2, 4.0)):
        mean, variance, skewness, excess = (float(x) for x in stats.beta(a, b, low, high - low).stats("mvsk"))
        fitted = decision.fit_true_scores(mean, variance, skewness, excess + 3)
        assert fitted.parameters == 4
        assert (fitted.low, fitted.high, fitted.alpha, fitted.beta) == pytest.approx((low, high, a, b), rel=1e-6)


def test_moments_of_true_scores_come_back_from_observed_scores(rng: Generator) -> None:
    # Lord 1965: factorial moments of a binomial with random share are moments of that share. 400,000 people of a known spread.
    true = stats.beta(5, 3, 0.25, 0.5)
    observed = rng.binomial(40, true.rvs(size=400_000, random_state=rng)) / 40
    mean, variance, skewness, kurtosis = decision.true_moments(observed, 40)
    expected = [float(x) for x in true.stats("mvsk")]
    assert (mean, variance) == pytest.approx(expected[:2], rel=0.02)
    assert (skewness, kurtosis) == pytest.approx((expected[2], expected[3] + 3), abs=0.12)


# ---------------------------------------------------------------------- item response models
def likelihood(responses: Responses, a: np.ndarray[Any, Any], b: np.ndarray[Any, Any]) -> float:
    """Marginal log-likelihood by Simpson's rule over −8 … 8, pattern by pattern, written from the model's definition."""
    theta = np.linspace(-8, 8, 801)
    right = 1 / (1 + np.exp(-a[:, None] * (theta - b[:, None])))
    patterns, counts = np.unique(responses.scores, axis=0, return_counts=True)
    each = [
        integrate.simpson(np.where(row[:, None] == 1, right, 1 - right).prod(axis=0) * stats.norm.pdf(theta), x=theta)
        for row in patterns
    ]
    return float(counts @ np.log(each))


@pytest.mark.parametrize("model", irt.MODELS)
def test_a_fit_is_a_maximum_of_the_likelihood_by_another_quadrature(model: irt.Model) -> None:
    responses = lsat(7)
    fit = irt.fit(responses, model)
    a, b = np.array([i.a for i in fit.items]), np.array([i.b for i in fit.items])
    best = likelihood(responses, a, b)
    assert fit.log_likelihood == pytest.approx(best, rel=1e-8)
    for j in range(5):
        for step in (-0.05, 0.05):
            assert likelihood(responses, a, b + step * np.eye(5)[j]) < best
            if model == "2PL":
                assert likelihood(responses, a + step * np.eye(5)[j], b) < best
    if model == "1PL":
        assert max(likelihood(responses, a * f, b) for f in (0.95, 1.05)) < best


def test_standard_errors_are_the_curvature_of_that_likelihood() -> None:
    responses = lsat(6)
    fit = irt.fit(responses, "1PL")
    x = np.array([fit.items[0].a, *(i.b for i in fit.items)])

    def value(y: np.ndarray[Any, Any]) -> float:
        return -likelihood(responses, np.full(5, y[0]), y[1:])

    def gradient(y: np.ndarray[Any, Any]) -> np.ndarray[Any, Any]:
        return np.asarray(optimize.approx_fprime(y, value, 1e-5))

    curvature = np.array([(gradient(x + 2e-3 * e) - gradient(x - 2e-3 * e)) / 4e-3 for e in np.eye(6)])
    errors = np.sqrt(np.diag(np.linalg.inv((curvature + curvature.T) / 2)))
    assert [fit.items[0].a_error.value, *(i.b_error.value for i in fit.items)] == pytest.approx(errors.tolist(), rel=0.01)


def test_abilities_are_the_expected_ones_given_the_answers() -> None:
    responses = lsat(6)
    fit = irt.fit(responses, "2PL")
    a, b = np.array([i.a for i in fit.items]), np.array([i.b for i in fit.items])
    theta = np.linspace(-8, 8, 801)
    right = 1 / (1 + np.exp(-a[:, None] * (theta - b[:, None])))
    for k in (0, 300, 700, 999):
        row = responses.scores[k]
        weight = np.where(row[:, None] == 1, right, 1 - right).prod(axis=0) * stats.norm.pdf(theta)
        weight /= weight.sum()
        assert fit.abilities[k].theta == pytest.approx(weight @ theta, abs=1e-6)
        assert fit.abilities[k].deviation == pytest.approx((weight @ theta**2 - (weight @ theta) ** 2) ** 0.5, abs=1e-6)
