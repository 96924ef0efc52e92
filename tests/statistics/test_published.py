"""The statistics against tables that others published.

Values for LSAT-6 and LSAT-7 (Bock & Lieberman 1970, 1000 people, five items each) are those that the R packages ltm
(descript, rasch, ltm) and mirt (mirt, 2PL) print in their documentation.
"""

from __future__ import annotations

import pytest
from made_sittings import lsat

from blowergrade.statistics import classical, decision, irt


# ---------------------------------------------------------------------- classical: to 1e-6
@pytest.mark.parametrize(("section", "alpha"), [(6, 0.2949972), (7, 0.4534087)])
def test_alpha_and_kr20_of_the_lsat_are_the_published_ones(section: int, alpha: float) -> None:
    answers = lsat(section)
    assert answers.scores.shape == (1000, 5)
    assert classical.alpha(answers).value == pytest.approx(alpha, abs=1e-6)
    assert classical.kr20(answers).value == pytest.approx(alpha, abs=1e-6)
    assert classical.reliability(answers).kind == "KR-20"


def test_difficulty_and_point_biserials_of_lsat_6_are_the_published_ones() -> None:
    # ltm's descript(LSAT): point biserials of item 1; the shares right are from memory
    answers = lsat(6)
    assert classical.difficulty(answers) == pytest.approx((0.924, 0.709, 0.553, 0.763, 0.870), abs=1e-6)
    assert classical.point_biserial(answers, 0, excluding=False).value == pytest.approx(0.3620104, abs=1e-6)
    assert classical.point_biserial(answers, 0, excluding=True).value == pytest.approx(0.1128327, abs=1e-6)


def test_alpha_without_each_item_of_lsat_6_is_the_published_one() -> None:
    without = [v.value for v in classical.alpha_if_deleted(lsat(6))]
    assert without[0] == pytest.approx(0.2753562, abs=1e-6)
    assert without[4] == pytest.approx(0.2662944, abs=1e-6)


def test_the_interval_of_alpha_is_that_of_feldt_woodruff_and_salih() -> None:
    # Printed with four decimals for alpha .85, 89 people, 7 items; and, at 90 %, .79, 41, 26 -> .70 to .86
    assert classical.feldt_interval(0.85, 89, 7) == pytest.approx((0.7971, 0.8931), abs=1e-4)
    assert classical.feldt_interval(0.79, 41, 26, 0.9) == pytest.approx((0.70, 0.86), abs=5e-3)


# ---------------------------------------------------------------------- item response models
def test_the_1pl_model_of_lsat_6_is_the_published_one() -> None:
    fit = irt.fit(lsat(6), "1PL")
    assert fit.converged
    assert [i.a for i in fit.items] == pytest.approx([0.7551] * 5, abs=1e-3)
    assert [i.b for i in fit.items] == pytest.approx([-3.6153, -1.3224, -0.3176, -1.7301, -2.7802], abs=1e-3)
    assert fit.log_likelihood == pytest.approx(-2466.938, rel=1e-6)


def test_the_rasch_model_of_lsat_6_is_the_published_one() -> None:
    fit = irt.fit(lsat(6), "rasch")
    assert [i.b for i in fit.items] == pytest.approx([-2.8720, -1.0630, -0.2576, -1.3881, -2.2188], abs=1e-3)
    assert fit.log_likelihood == pytest.approx(-2473.054, rel=1e-6)


def test_the_2pl_model_of_both_sections_is_the_published_one() -> None:
    assert irt.fit(lsat(6), "2PL").log_likelihood == pytest.approx(-2466.653, rel=1e-6)
    fit = irt.fit(lsat(7), "2PL")
    assert fit.converged
    assert [i.a for i in fit.items] == pytest.approx([0.9877, 1.0808, 1.7066, 0.7650, 0.7357], abs=1e-3)
    assert fit.log_likelihood == pytest.approx(-2658.805, rel=1e-6)
    # mirt prints a and the intercept d with three decimals for LSAT-7 (d from memory); b = −d/a
    printed = ((0.988, 1.856), (1.081, 0.808), (1.706, 1.804), (0.765, 0.486), (0.736, 1.855))
    assert [i.b for i in fit.items] == pytest.approx([-d / a for a, d in printed], abs=3e-3)


# ---------------------------------------------------------------------- decisions
def test_consistency_and_accuracy_are_the_published_ones() -> None:
    # four-parameter beta between .25 and .75 with shapes 5 and 3, 50 items, cut .5: R package betafunctions
    found = decision.decide(decision.TrueScores(0.25, 0.75, 5, 3), 50, 0.5)
    assert found.consistency == pytest.approx(0.77499083, abs=1e-6)
    assert found.kappa.value == pytest.approx(0.39788556, abs=1e-6)
    assert found.accuracy == pytest.approx(0.83698092, abs=1e-6)
