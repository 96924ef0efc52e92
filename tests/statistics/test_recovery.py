"""What was put into made-up data comes out again, and as exactly as the standard errors say."""

from __future__ import annotations

import numpy as np
import pytest
from made_sittings import answers
from numpy.random import Generator
from scipy import stats

from blowergrade.statistics import decision, irt
from blowergrade.statistics.responses import Responses

PLACES = np.linspace(-2, 2, 8)
SLOPES = np.array([0.8, 1.4, 1.0, 1.8, 1.2, 0.9, 1.6, 1.1])


def test_a_model_with_a_slope_for_each_item_is_recovered(rng: Generator) -> None:
    fit = irt.fit(Responses.of(answers(rng, 6000, SLOPES.tolist(), PLACES.tolist())), "2PL")
    assert fit.converged
    assert [i.a for i in fit.items] == pytest.approx(SLOPES.tolist(), abs=0.35)
    assert [i.b for i in fit.items] == pytest.approx(PLACES.tolist(), abs=0.35)


def test_places_miss_the_truth_by_as_much_as_their_standard_errors_say(rng: Generator) -> None:
    missed = []
    for _ in range(25):
        fit = irt.fit(Responses.of(answers(rng, 150, [1.0] * 8, PLACES.tolist())), "rasch")
        assert fit.converged
        missed += [(i.b - b) / (i.b_error.value or 0) for i, b in zip(fit.items, PLACES, strict=True)]
    assert 0.75 < float(np.std(missed)) < 1.3
    assert float((np.abs(missed) < 1.96).mean()) > 0.88


def test_abilities_go_with_the_abilities_that_answered(rng: Generator) -> None:
    ability = rng.normal(size=(800, 1))
    places = np.linspace(-2, 2, 30)
    right = (rng.random((800, 30)) < 1 / (1 + np.exp(-(ability - places)))).astype(float)
    found = irt.fit(Responses.of(right), "rasch").abilities
    assert np.corrcoef([a.theta for a in found], ability[:, 0])[0, 1] > 0.85


def test_the_model_that_made_the_answers_has_the_lowest_bic(rng: Generator) -> None:
    alike = Responses.of(answers(rng, 3000, [2.0] * 8, PLACES.tolist()))
    assert min(irt.MODELS, key=lambda m: irt.fit(alike, m).bic) == "1PL"
    apart = Responses.of(answers(rng, 3000, [0.5, 2.5] * 4, PLACES.tolist()))
    assert min(irt.MODELS, key=lambda m: irt.fit(apart, m).bic) == "2PL"


def test_a_second_sitting_decides_as_often_alike_as_the_first_said_it_would(rng: Generator) -> None:
    true = stats.beta(6, 4, 0.2, 0.75).rvs(size=40_000, random_state=rng)
    first, second = (rng.random((40_000, 20)) < true[:, None] for _ in range(2))
    right = Responses.of(first.astype(float))
    # reliability of the totals from the two sittings themselves: their correlation
    reliability = float(np.corrcoef(first.sum(axis=1), second.sum(axis=1))[0, 1])
    found = decision.livingston_lewis(right, reliability, 13)
    alike = float(((first.sum(axis=1) >= 13) == (second.sum(axis=1) >= 13)).mean())
    deserved = float(((first.sum(axis=1) >= 13) == (true >= 13 / 20)).mean())
    assert found.length == pytest.approx(20, abs=1)
    assert found.consistency == pytest.approx(alike, abs=0.02)
    assert found.accuracy == pytest.approx(deserved, abs=0.02)
