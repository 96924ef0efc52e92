"""The cut score: two rounds with talk in between, its standard error, what it means, and that nobody exchanges it.

The arithmetic is checked against scipy (standard error of a mean) and by hand.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any, Literal

import msgspec
import numpy as np
import pytest
from made_sittings import call, sitting
from numpy.random import Generator
from scipy import stats

from blowergrade.statistics import angoff
from blowergrade.statistics.angoff import Adjustment, AngoffError, Form, Inputs, Result, discussion, set_cut
from blowergrade.statistics.consequences import consequences, rule_of
from blowergrade.statistics.passing import PassRule, passes
from blowergrade.statistics.ratings import Ratings, RatingsError, parse_ratings
from blowergrade.statistics.table import forms_of

JUDGES = ("Ada", "Bo", "Cy", "Dee", "Eli")
ITEMS = ("k1", "k2", "k3", "k4")
FIRST = Ratings(1, JUDGES, ITEMS, ((60, 70, 80, 50), (50, 60, 90, 40), (70, 80, 70, 60), (40, 90, 60, 30), (80, 50, 75, 55)))
SECOND = Ratings(2, JUDGES, ITEMS, ((60, 70, 80, 50), (55, 65, 85, 45), (65, 75, 75, 55), (50, 80, 70, 40), (70, 60, 75, 55)))
FORM = Form("A", ITEMS, (1.0,) * 4)
ROUNDS: tuple[Literal[1], Literal[2]] = (1, 2)
REASON = "The panel found item k3 misleading."


def inputs(**more: Any) -> Inputs:
    return msgspec.structs.replace(Inputs("Exam", FIRST, discussion(FIRST), SECOND, (FORM,)), **more)


# ---------------------------------------------------------------------- the numbers
def test_the_cut_is_the_mean_of_the_judges_sums_and_its_error_that_of_a_mean(rng: Generator) -> None:
    cut, = set_cut(inputs()).cuts
    assert cut.rated == pytest.approx((2.60 + 2.50 + 2.70 + 2.40 + 2.60) / 5)  # by hand
    assert cut.round_one == pytest.approx((2.60 + 2.40 + 2.80 + 2.20 + 2.60) / 5)
    assert cut.lowest_pass == 3, "a total of 2 lies below 2.56"
    percents = rng.integers(0, 101, size=(7, 9)).astype(float)
    points = rng.integers(1, 6, size=9).astype(float)
    names = tuple(f"j{k}" for k in range(7))
    items = tuple(f"k{k}" for k in range(9))
    one, two = (Ratings(k, names, items, tuple(tuple(row) for row in percents.tolist())) for k in ROUNDS)
    found, = set_cut(Inputs("x", one, discussion(one), two, (Form("A", items, tuple(points.tolist())),))).cuts
    own = percents @ points / 100
    assert found.rated == pytest.approx(own.mean())
    assert found.standard_error == pytest.approx(stats.sem(own))


def test_a_form_counts_its_own_items_alone() -> None:
    two = (Form("A", ("k1", "k2"), (1.0, 1.0)), Form("B", ("k4", "k3"), (2.0, 1.0)))
    a, b = set_cut(inputs(forms=two)).cuts
    assert a.rated == pytest.approx(np.mean([1.30, 1.20, 1.40, 1.30, 1.30]))
    assert b.rated == pytest.approx(np.mean([1.80, 1.75, 1.85, 1.50, 1.85]))
    assert (a.maximum, b.maximum) == (2, 3)


def test_a_cut_on_the_scale_passes_and_rounding_of_sums_does_not_raise_it() -> None:
    alike = tuple((70.0, 70.0, 70.0) for _ in range(3))
    one, two = Ratings(1, JUDGES[:3], ITEMS[:3], alike), Ratings(2, JUDGES[:3], ITEMS[:3], alike)
    ten = Form("ten", ITEMS[:3], (10.0, 10.0, 10.0))
    cut, = set_cut(Inputs("x", one, discussion(one), two, (ten,))).cuts
    assert (cut.lowest_pass, cut.standard_error) == (21, 0)


# ---------------------------------------------------------------------- the procedure
def test_between_the_rounds_the_panel_sees_spread_and_what_was_observed() -> None:
    shown = discussion(FIRST, {"k1": 0.45})
    assert (shown[0].mean, shown[0].lowest, shown[0].highest) == (60, 40, 80)
    assert shown[0].deviation == pytest.approx(stats.tstd([60, 50, 70, 40, 80]))
    assert [s.observed for s in shown] == [45, None, None, None]
    for wrong in ({"k9": 0.5}, {"k1": 45}):
        with pytest.raises(AngoffError, match="a share from 0 to 1"):
            discussion(FIRST, wrong)


def test_every_step_of_the_procedure_has_to_be_there() -> None:
    once = msgspec.structs.replace(FIRST, round=2)
    for more, said in (
        ({"second": msgspec.structs.replace(SECOND, round=1)}, "rounds 1 and 1"),
        ({"first": once}, "rounds 2 and 2"),
        ({"shown": ()}, "does not follow from round 1"),
        ({"shown": discussion(SECOND)}, "does not follow from round 1"),
        ({"second": Ratings(2, (*JUDGES[:4], "New"), ITEMS, SECOND.percents)}, "Eli, New: not in both rounds"),
        ({"second": Ratings(2, JUDGES, (*ITEMS[:3], "k9"), SECOND.percents)}, "k4, k9: not rated in both rounds"),
        ({"forms": ()}, "at least one form"),
        ({"forms": (Form("A", ("k1", "k7"), (1.0, 1.0)),)}, "k7 was not rated"),
    ):
        with pytest.raises(AngoffError, match=said):
            set_cut(inputs(**more))


def test_a_cut_is_moved_by_two_standard_errors_at_most_and_with_a_reason() -> None:
    error = set_cut(inputs()).cuts[0].standard_error
    moved = set_cut(inputs(adjustments=(Adjustment("A", -2 * error, REASON),))).cuts[0]
    assert moved.cut == pytest.approx(moved.rated - 2 * error) and moved.reason == REASON
    for by, reason, said in ((-2.1 * error, REASON, "more than 2 standard errors"), (0.01, "why not", "no reason"),
                             (float("nan"), REASON, "more than 2 standard errors")):  # fmt: skip
        with pytest.raises(AngoffError, match=said):
            set_cut(inputs(adjustments=(Adjustment("A", by, reason),)))
    with pytest.raises(AngoffError, match="names no form of these"):
        set_cut(inputs(adjustments=(Adjustment("Z", 0.01, REASON),)))


def test_few_judges_are_said_to_be_few() -> None:
    assert set_cut(inputs()).notes == ()
    few = [Ratings(r.round, JUDGES[:3], ITEMS, r.percents[:3]) for r in (FIRST, SECOND)]
    assert "3 judges are few" in set_cut(inputs(first=few[0], shown=discussion(few[0]), second=few[1])).notes[0]


# ---------------------------------------------------------------------- the judges' file
def test_a_file_of_ratings_is_read_with_any_of_the_usual_marks() -> None:
    for mark in (",", ";", "\t"):
        text = f"item{mark}Ada{mark}Bo\nk1{mark}60{mark}70 %\n\nk2{mark}62.5{mark}100\n"
        assert parse_ratings(text, 1) == Ratings(1, ("Ada", "Bo"), ("k1", "k2"), ((60, 62.5), (70, 100)))


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("item,Ada,Bo\nk1,0.6,70", "looks like a share; write percents, 60 in place"),
        ("item,Ada,Bo\nk1,101,70", "'101' is no percent"),
        ("item,Ada,Bo\nk1,-5,70", "no percent"),
        ("item,Ada,Bo\nk1,,70", "line 2, judge Ada: no rating"),
        ("item,Ada,Bo\nk1,60", "judge Bo: no rating"),
        ("item,Ada,Bo\nk1,60,70\nk1,50,60", "line 3: the item 'k1'"),
        ("item,Ada,Ada\nk1,60,70", "stands twice"),
        ("item,Ada\nk1,60", "write item, then each judge"),
        ("call,Ada,Bo\nk1,60,70", "write item"),
        ("item,Ada,Bo\nk1,62,5,70", "write 62.5"),
        ("item,Ada,Bo\n", "no item"),
        ("", "titles missing"),
    ],
)
def test_a_rating_that_could_mean_two_things_is_refused_with_its_line(text: str, said: str) -> None:
    with pytest.raises(RatingsError, match=said):
        parse_ratings(text, 1)


# ---------------------------------------------------------------------- what it means
def test_the_consequences_are_the_verdicts_of_the_exam_at_each_cut(rng: Generator) -> None:
    sat, = forms_of(sitting(rng, {"A": 80}, 4, critical=0.2, waiting=0.01))
    apart = tuple((p,) * 4 for p in (30.0, 45.0, 60.0, 75.0, 95.0))  # a panel that is far from agreed: SE 0.45
    one, two = Ratings(1, JUDGES, sat.items, apart), Ratings(2, JUDGES, sat.items, apart)
    result = set_cut(Inputs("Exam", one, discussion(one), two, (Form("A", sat.items, (1.0,) * 4),)))
    found, = consequences(result, [sat])
    error, cut = result.cuts[0].standard_error, result.cuts[0].cut
    assert [s.cut for s in found.steps] == pytest.approx([cut + k * error for k in (-2, -1, 0, 1, 2)])
    for step in found.steps:
        expected = passes(sat, PassRule(round(step.lowest_pass)))
        assert (step.passed, step.decided) == (expected.passed, expected.decided)
        assert step.reached is not None and step.passed is not None and step.reached >= step.passed
    shares = [(s.passed or 0) / (s.decided or 1) for s in found.steps]
    assert shares == sorted(shares, reverse=True) and shares[0] > shares[-1], "a higher cut passes fewer"
    assert rule_of(result).needed(sat) == round(result.cuts[0].lowest_pass)


def test_a_critical_violation_fails_at_every_cut() -> None:
    rows = [call(f"c{n}", k, True) for n in range(3) for k in ITEMS]
    rows[0] = call("c0", "k1", False, critical=True)
    found, = consequences(set_cut(inputs()), forms_of(rows))
    assert [(s.reached, s.passed) for s in found.steps] == [(3, 2)] * 5
    found, = consequences(set_cut(inputs()), forms_of(rows), "call")
    assert [(s.reached, s.passed) for s in found.steps] == [(3, 3)] * 5


def test_no_pass_rates_are_given_where_they_would_mislead() -> None:
    result = set_cut(inputs())
    other = forms_of([call("c1", "k1", True)])
    assert "other items" in consequences(result, other)[0].reason
    assert "no results of this form" in consequences(result)[0].reason
    ten = set_cut(inputs(forms=(Form("A", ITEMS, (10.0,) * 4),)))
    assert "not worth one point" in consequences(ten, forms_of([call("c1", k, True) for k in ITEMS]))[0].reason
    with pytest.raises(AngoffError, match="the exam counts calls"):
        rule_of(ten)


# ---------------------------------------------------------------------- sealed
def test_a_sealed_cut_is_read_again_and_never_written_over(tmp_path: Path) -> None:
    result, file = set_cut(inputs()), tmp_path / "cut.json"
    angoff.save(result, file)
    assert angoff.load(file) == result, "whole percents, which a file may give as 60 or 60.0"
    with pytest.raises(AngoffError, match="never written over"):
        angoff.save(result, file)


@pytest.mark.parametrize("where", [("cuts", 0, "cut"), ("cuts", 0, "lowest_pass"), ("inputs", "second", "percents", 0, 0),
                                   ("inputs", "limit"), ("items", 1, "second")])  # fmt: skip
def test_a_sealed_cut_that_was_changed_is_refused(tmp_path: Path, where: tuple[str | int, ...]) -> None:
    file = tmp_path / "cut.json"
    angoff.save(set_cut(inputs()), file)
    data = json.loads(file.read_text(encoding="utf-8"))
    place = data
    for key in where[:-1]:
        place = place[key]
    place[where[-1]] += 1
    file.write_text(json.dumps(data), encoding="utf-8")
    with pytest.raises(AngoffError, match="changed; put back"):
        angoff.load(file)


def test_inputs_that_were_exchanged_with_their_digest_still_have_to_give_the_result(tmp_path: Path) -> None:
    result = set_cut(inputs())
    other = inputs(title="Another exam", second=msgspec.structs.replace(SECOND, percents=FIRST.percents))
    forged = msgspec.structs.replace(result, inputs=other, digest=angoff.digest(other))
    with pytest.raises(AngoffError, match="does not follow from its inputs"):
        angoff.verify(forged)
    (tmp_path / "cut.json").write_text("{}", encoding="utf-8")
    with pytest.raises(AngoffError, match="no sealed cut score"):
        angoff.load(tmp_path / "cut.json")
    assert isinstance(result, Result)
