"""What can't be worked out is refused with its reason; nothing that looks like a number stands in its place."""

from __future__ import annotations

import msgspec
import numpy as np
import pytest
from made_sittings import answers
from numpy.random import Generator
from numpy.typing import ArrayLike

from blowergrade.statistics import agreement, classical, decision, irt
from blowergrade.statistics.report import Refused, Report, form_report, remark
from blowergrade.statistics.responses import Responses, ResponsesError, ScoreError, StatisticsError, TooFewError, Value


def right(table: ArrayLike) -> Responses:
    return Responses.of(np.array(table, dtype=float))


ALL_RIGHT = right(np.ones((120, 4)))


def holds_no_nan(report: Report) -> bool:
    return b"NaN" not in msgspec.json.encode(report) and b"null" not in msgspec.json.encode(report.scores)


# ---------------------------------------------------------------------- below 100
@pytest.mark.parametrize("model", irt.MODELS)
def test_no_model_is_fitted_to_99_candidates_and_one_is_to_100(rng: Generator, model: irt.Model) -> None:
    made = answers(rng, 100, [1.0] * 5, [-0.6, -0.3, 0, 0.3, 0.6])
    with pytest.raises(irt.IrtRefused, match=r"99 candidates are too few.*at least 100"):
        irt.fit(right(made[:99]), model)
    assert irt.fit(right(made), model).candidates == 100


def test_a_report_says_why_it_has_no_model(rng: Generator) -> None:
    report = form_report(right(answers(rng, 40, [1.0] * 5, [-1, -0.5, 0, 0.5, 1])), 3)
    assert isinstance(report.model, Refused) and "40 candidates are too few" in report.model.reason
    assert [isinstance(m, Refused) for m in report.others] == [True, True]


def test_no_model_is_fitted_to_points_or_to_an_item_that_all_answer_alike(rng: Generator) -> None:
    made = answers(rng, 150, [1.0] * 4, [-0.6, 0, 0.3, 0.6])
    with pytest.raises(irt.IrtRefused, match="the items have points"):
        irt.fit(Responses.of(made * 50, 100.0))
    made[:, 1] = 1
    with pytest.raises(irt.IrtRefused, match="everybody answered alike on 2"):
        irt.fit(right(made))
    with pytest.raises(irt.IrtRefused, match="at least 3"):
        irt.fit(right(made[:, [0, 2]]), "2PL")


def test_a_model_that_the_answers_do_not_determine_says_that_it_did_not_converge() -> None:
    # two items that are always alike: the likelihood rises for ever with their slope
    made = np.tile([[0, 0, 0], [1, 1, 0], [0, 0, 1], [1, 1, 1]], (30, 1))
    fit = irt.fit(right(made), "2PL")
    assert not fit.converged and fit.note


# ---------------------------------------------------------------------- all right, all alike
def test_an_exam_that_all_pass_in_full_has_reasons_and_no_numbers() -> None:
    report = form_report(ALL_RIGHT, 3)
    assert report.reached == 120
    assert report.reliability.alpha == Value(None, classical.SAME_TOTAL)
    assert report.reliability.sem.value is None
    assert isinstance(report.decision, Refused) and report.decision.reason == classical.SAME_TOTAL
    assert isinstance(report.model, Refused) and "everybody answered alike" in report.model.reason
    assert all(i.difficulty == 1 and i.included.value is None and i.excluded.value is None for i in report.items)
    assert all(remark(i).startswith("No correlation") for i in report.items)
    assert holds_no_nan(report)


def test_an_item_that_does_not_vary_has_a_reason_and_the_others_their_numbers(rng: Generator) -> None:
    made = answers(rng, 50, [1.5] * 4, [-0.5, 0, 0.5, 0])
    made[:, 2] = 0
    report = form_report(right(made), 2)
    assert report.items[2].excluded == Value(None, classical.SAME_ITEM)
    assert report.items[0].excluded.value is not None
    assert holds_no_nan(report)


def test_a_negative_alpha_gives_neither_an_error_of_measurement_nor_a_decision() -> None:
    report = form_report(right([[0, 1, 0], [1, 0, 1], [0, 1, 1], [1, 0, 0], [0, 1, 0], [1, 0, 0]]), 2)
    assert (report.reliability.alpha.value or 0) < 0
    assert report.reliability.sem.value is None
    assert isinstance(report.decision, Refused) and "between 0 and 1" in report.decision.reason


# ---------------------------------------------------------------------- one of something, missing, wrong
def test_one_item_or_one_candidate_is_too_few() -> None:
    for table in (np.ones((5, 1)), np.ones((1, 5))):
        with pytest.raises(TooFewError, match="at least two"):
            right(table)


def test_alpha_without_one_of_two_items_is_none(rng: Generator) -> None:
    assert classical.alpha_if_deleted(right(answers(rng, 30, [1.0, 1.0], [0, 0])))[0] == Value(None, classical.ONE_LEFT)


def test_a_missing_answer_is_refused_with_candidate_and_item_and_never_taken_for_zero() -> None:
    with pytest.raises(ScoreError, match=r"candidate c2, item k1: nan is no score"):
        Responses.of([[1.0, 0.0], [float("nan"), 1.0]], 1.0, ("k1", "k2"), ("c1", "c2"))
    with pytest.raises(ResponsesError):
        Responses.of(np.array([[1, None], [0, 1]], dtype=object))
    with pytest.raises(ScoreError, match=r"100.5 is no score"):
        Responses.of([[100.5, 0.0], [1.0, 1.0]], 100.0)


def test_names_and_maxima_have_to_fit() -> None:
    with pytest.raises(ResponsesError, match="2 items need 2 maxima"):
        Responses.of([[1, 0], [0, 1]], [1.0, 0.0])
    with pytest.raises(ResponsesError, match="1 different names for 2 candidates"):
        Responses.of([[1, 0], [0, 1]], 1.0, (), ("c", "c"))


def test_scores_can_not_be_changed_afterwards() -> None:
    made = right([[1, 0], [0, 1]])
    with pytest.raises(ValueError, match="read-only"):
        made.scores[0, 0] = 0


def test_a_value_is_a_number_or_a_reason() -> None:
    for value, reason in ((None, ""), (1.0, "why"), (float("nan"), "")):
        with pytest.raises(StatisticsError):
            Value(value, reason)


# ---------------------------------------------------------------------- decisions, intervals, cuts
def test_decisions_are_refused_where_nothing_can_be_estimated(rng: Generator) -> None:
    made = right(answers(rng, 60, [1.0] * 5, [-1, -0.5, 0, 0.5, 1]))
    for reliability in (0.0, 1.0, -0.2):
        with pytest.raises(decision.DecisionRefused, match="between 0 and 1"):
            decision.livingston_lewis(made, reliability, 3)
    with pytest.raises(decision.DecisionRefused, match="too short for four moments"):
        decision.true_moments(made.totals / 5, 3)
    with pytest.raises(decision.DecisionRefused, match="would not vary"):
        decision.true_moments(np.array([0.5, 0.5, 0.5, 0.5]), 20)
    report = form_report(made, 5)
    assert isinstance(report.decision, Refused) and "only full points pass" in report.decision.reason
    assert isinstance(form_report(made, None).decision, Refused)


def test_the_cut_is_reached_by_a_score_that_is_equal_to_it() -> None:
    # the rule in writing: x ≥ cut passes, on n steps with at least ⌈n·cut⌉ of them
    assert [decision.steps_to_pass(c, 10) for c in (0.5, 0.51, 0.6, 0.05)] == [5, 6, 6, 1]
    assert decision.steps_to_pass(0.55, 100) == 55, "though 100 · 0.55 is 55.00000000000001 in binary"
    with pytest.raises(StatisticsError, match="no share"):
        decision.steps_to_pass(1.0, 10)


def test_a_cut_outside_the_form_and_a_level_outside_0_to_1_are_refused() -> None:
    for cut in (0, 4.5, -1):
        with pytest.raises(StatisticsError, match="outside the form"):
            form_report(ALL_RIGHT, cut)
    with pytest.raises(StatisticsError, match="level"):
        classical.feldt_interval(0.8, 30, 5, 95)
    with pytest.raises(StatisticsError, match="no alpha"):
        classical.feldt_interval(1.2, 30, 5)
    with pytest.raises(StatisticsError, match="KR-20 is for items scored 0 or 1"):
        classical.kr20(Responses.of([[10, 20], [30, 10]], 100.0))


# ---------------------------------------------------------------------- agreement
def test_kappa_is_undefined_where_everything_is_of_one_category() -> None:
    assert agreement.cohen(["yes"] * 5, ["yes"] * 5).kappa == Value(None, agreement.UNDEFINED)
    assert agreement.fleiss([["yes"] * 3] * 5).kappa == Value(None, agreement.UNDEFINED)


def test_gradings_that_can_not_be_compared_are_refused() -> None:
    with pytest.raises(agreement.AgreementError, match="both graders need one for each case"):
        agreement.cohen(["a"], ["a", "b"])
    with pytest.raises(agreement.AgreementError, match="weights need the order"):
        agreement.cohen([0, 1], [1, 0], weights="linear")
    with pytest.raises(agreement.AgreementError, match="no such category"):
        agreement.cohen([0, 3], [1, 0], (0, 1))
    with pytest.raises(agreement.AgreementError, match="same number of gradings"):
        agreement.fleiss([["a", "b"], ["a"]])


def test_an_alpha_of_nothing_is_zero_and_not_a_negative_one() -> None:
    """One call that everybody passed adds nothing: the total varies as the other does, and alpha is 0 but for rounding."""
    found = classical.alpha(Responses.of([[1, 1], [1, 0], [1, 0]]))
    assert found.value == 0.0 and str(found.value) == "0.0"
