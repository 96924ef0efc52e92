"""A check tells a wrong unit from a wrong value, accepts every right spelling, and never tells the answer."""

from __future__ import annotations

from typing import Any

import pytest

from blowerbench.units import ureg
from blowerlessons.exercises import SENTENCES, ExerciseError, check, choose, compare, compare_choice

# Wanted throughout: 40 VA at 24 V = 1.667 A (P = U I, computed from the ratings).
AMPS = ureg.Quantity(40.0 / 24.0, "ampere")


@pytest.mark.parametrize("answer", ["1.667 A", "1.67 ampere", "1667 mA", "0.001667 kA", " 1.667A ", ureg.Quantity(1.667, "A")])
def test_the_right_value_is_right_in_every_unit_of_its_kind(answer: object) -> None:
    assert check("x", answer, AMPS, rel=0.01).passed


@pytest.mark.parametrize(
    ("answer", "kind"),
    [
        (..., "not_answered"),
        ("", "not_answered"),
        ("  ", "not_answered"),
        (None, "not_answered"),
        ("1.667 V", "wrong_unit"),
        ("1.667 W", "wrong_unit"),
        ("1.667 kelvin", "wrong_unit"),
        ("99 ohm", "wrong_unit"),
        ("1.667", "no_unit"),
        (1.667, "no_unit"),
        (2, "no_unit"),
        ("1.667 mA", "wrong_prefix"),
        ("1667 A", "wrong_prefix"),
        ("-1.667 A", "wrong_sign"),
        ("1.5 A", "wrong_value"),
        ("nan A", "wrong_value"),
        ("inf A", "wrong_value"),
        ("0 A", "wrong_value"),
        ("about one and a half", "not_a_quantity"),
        ("1,667 A", "comma"),
        ("A(", "not_a_quantity"),
        (True, "not_a_quantity"),
        ([1.667], "not_a_quantity"),
        ("__import__('os')", "not_a_quantity"),
    ],
)
def test_each_mistake_gets_its_own_sentence(answer: object, kind: str) -> None:
    assert check("x", answer, AMPS, rel=0.01).kind == kind


@pytest.mark.parametrize(("offset", "passes"), [(0.0099, True), (0.0101, False), (-0.0099, True), (-0.0101, False)])
def test_the_tolerance_is_the_stated_fraction_of_the_expected_value(offset: float, passes: bool) -> None:
    assert check("x", AMPS * (1.0 + offset), AMPS, rel=0.01).passed is passes


def test_no_verdict_tells_the_expected_value() -> None:
    for answer in (..., "3 A", "3 V", "3", "?", "-1.667 A", "1.667 kA"):
        verdict = check("x", answer, AMPS, rel=0.01)
        assert "1.6" not in str(verdict) and "1.6" not in verdict._repr_html_()


def test_a_verdict_in_a_notebook_is_announced_and_escaped() -> None:
    verdict = check("<b>x</b>", ..., AMPS)
    assert "role='status'" in verdict._repr_html_() and "<b>" not in verdict._repr_html_()


@pytest.mark.parametrize(("expected", "rel"), [("0 V", 0.01), ("5 V", 0.0), ("5 V", 0.9), (5.0, 0.01), ("nan V", 0.01)])
def test_an_exercise_without_meaning_is_refused_when_it_is_run(expected: object, rel: float) -> None:
    with pytest.raises(ExerciseError):
        check("x", "5 V", expected, rel)


def test_a_choice_is_right_wrong_unknown_or_missing() -> None:
    kinds = [choose("x", a, "box", ("board", "box")).kind for a in ("box", " Box ", "board", "lamp", ..., "")]
    assert kinds == ["right", "right", "wrong_choice", "not_a_choice", "not_answered", "not_answered"]
    with pytest.raises(ExerciseError):
        choose("x", "a", "c", ("a", "b"))


def test_every_sentence_is_one_that_an_apprentice_can_act_on() -> None:
    assert all(s.endswith(".") and len(s.split()) <= 25 for s in SENTENCES.values())


def never() -> str:
    """A measurement that must not be made."""
    raise AssertionError("measured before there was a prediction")


@pytest.mark.parametrize(
    ("guess", "kind"), [(..., "not_predicted"), ("", "not_predicted"), ("1,5 V", "comma"), ("much", "not_a_quantity")]
)
def test_nothing_is_measured_before_there_is_a_prediction(guess: object, kind: str) -> None:
    assert compare("p", guess, never).kind == kind


@pytest.mark.parametrize(("guess", "kind"), [(..., "not_predicted"), ("", "not_predicted"), ("perhaps", "not_a_choice")])
def test_nothing_is_watched_before_there_is_a_choice(guess: object, kind: str) -> None:
    assert compare_choice("p", guess, never, ("runs", "stands still")).kind == kind


def test_a_prediction_is_shown_beside_the_reading_right_or_wrong() -> None:
    for guess, kind in (("1.7 A", "right"), ("3 A", "wrong_value"), ("1.7 V", "wrong_unit")):
        verdict = compare("p", guess, lambda: AMPS)
        assert verdict.kind == kind
        assert f"You said {guess}. The reading is 1.66" in verdict.sentence
    seen = compare_choice("p", "Runs", lambda: "stands still", ("runs", "stands still"))
    assert seen.kind == "wrong_choice" and "You said Runs. What happened: stands still." in seen.sentence


def test_an_expected_value_that_is_a_function_is_worked_out_only_for_an_answer() -> None:
    assert check("x", ..., never).kind == "not_answered"
    assert check("x", "1.667 A", lambda: AMPS).passed
    with pytest.raises(ExerciseError, match="no unit"):
        check("x", "5 V", lambda: 5.0)


def test_a_reading_of_nothing_can_be_predicted() -> None:
    # Across a closed contact the meter shows 0 V, or a millivolt: a relative tolerance has no meaning there.
    def reading(value: float, unit: str = "V") -> Any:
        return lambda: ureg.Quantity(value, unit)

    for shown in (0.0, 0.002, -0.03):
        assert compare("p", "0 V", reading(shown)).passed
        assert compare("p", "120 V", reading(shown)).kind == "wrong_value"
    assert compare("p", "0 A", reading(0.0, "A")).passed
    assert compare("p", "0 V", reading(0.3)).kind == "wrong_value"
