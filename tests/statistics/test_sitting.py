"""A sitting with different calls on different forms: what is worked out within a form, and what across."""

from __future__ import annotations

import msgspec
import pytest
from made_sittings import call, sitting
from numpy.random import Generator

from blowergrade.statistics import classical
from blowergrade.statistics.graders import Grading, graders
from blowergrade.statistics.passing import PassRule
from blowergrade.statistics.report import Refused, Report
from blowergrade.statistics.sitting import SittingReport, passed_matrix, points_matrix, sitting_report
from blowergrade.statistics.table import CallResult, TableError, forms_of


def report(rows: list[CallResult], **more: object) -> SittingReport:
    return sitting_report(rows, title="A sitting", rule=PassRule(3), **more)  # type: ignore[arg-type]  # keywords of one test each


def test_every_form_has_its_own_statistics_and_none_stands_over_all(rng: Generator) -> None:
    rows = sitting(rng, {"A": 60, "B": 45})
    found = report(rows)
    for form in found.forms:
        alone = report([r for r in rows if r.form == form.name]).forms[0]
        assert msgspec.json.encode(alone) == msgspec.json.encode(form), "other forms change nothing"
    assert [f.candidates for f in found.forms] == [60, 45] and found.shared == ()
    numbers = set(SittingReport.__struct_fields__)
    assert numbers == {"title", "rule", "forms", "shared", "compared", "graders"}, "nothing else is said across forms"


def test_two_forms_of_60_do_not_make_the_100_that_a_model_needs(rng: Generator) -> None:
    found = report(sitting(rng, {"A": 60, "B": 60}))
    for form in found.forms:
        assert isinstance(form.calls, Report) and isinstance(form.calls.model, Refused)
        assert "60 candidates are too few" in form.calls.model.reason
    found = report(sitting(rng, {"A": 120, "B": 60}))
    assert [isinstance(f.calls, Report) and isinstance(f.calls.model, Refused) for f in found.forms] == [False, True]


def test_who_lacks_a_graded_call_is_counted_where_graded_and_left_out_where_answers_are_compared(rng: Generator) -> None:
    rows = sitting(rng, {"A": 40})
    gone = [r for r in rows if (r.candidate, r.item) != ("A-007", "unit:A0/0:complaint")]
    form, = report(gone).forms
    assert (form.candidates, form.complete) == (40, 39)
    assert isinstance(form.calls, Report) and form.calls.reliability.candidates == 39
    assert [c.graded for c in form.counts] == [39, 40, 40, 40, 40]
    assert form.passes is not None and form.passes.open + form.passes.calls >= 1
    without = report([r for r in rows if r.candidate != "A-007"]).forms[0]
    assert isinstance(without.calls, Report) and without.calls.reliability == form.calls.reliability


def test_a_call_that_was_never_begun_is_a_failed_call_and_not_a_missing_one() -> None:
    rows = [call(f"c{n}", f"k{k}", (n + k) % 3 > 0) for n in range(8) for k in range(4)]
    rows[3] = CallResult("c0", "A", "k3", 0.0, False)
    form, = report(rows).forms
    assert form.complete == 8


def test_points_and_passed_calls_are_two_scores_of_the_same_candidates(rng: Generator) -> None:
    rows = sitting(rng, {"A": 30}, critical=0.3, waiting=0.02)
    form, = forms_of(rows)
    passed, points = passed_matrix(form), points_matrix(form)
    assert passed.candidates == points.candidates == form.complete
    assert passed.dichotomous and not points.dichotomous
    assert ((points.scores >= 70) == (passed.scores == 1)).all()
    found = report(rows).forms[0]
    assert found.points == classical.reliability(points)


@pytest.mark.parametrize(("people", "items"), [(1, 5), (30, 1)])
def test_a_form_of_one_candidate_or_one_call_is_counted_and_not_compared(rng: Generator, people: int, items: int) -> None:
    rows = sitting(rng, {"A": people}, items, critical=0.5)
    form, = sitting_report(rows, title="Small", rule=PassRule(1)).forms
    assert isinstance(form.calls, Refused) and isinstance(form.points, Refused) and "at least two" in form.calls.reason
    assert [c.graded for c in form.counts] == [people] * items
    assert sum(c.critical for c in form.counts) == sum(r.critical for r in rows)
    assert form.passes is not None and form.passes.decided == people


def test_without_a_rule_nothing_is_said_of_passing(rng: Generator) -> None:
    found = sitting_report(sitting(rng, {"A": 30}), title="No rule")
    assert found.forms[0].passes is None and found.compared is None
    assert isinstance(found.forms[0].calls, Report) and isinstance(found.forms[0].calls.decision, Refused)


def test_calls_on_two_forms_are_named(rng: Generator) -> None:
    rows = sitting(rng, {"A": 20, "B": 20})
    same = [msgspec.structs.replace(r, item="both") if r.item.endswith("0/0:complaint") else r for r in rows]
    assert report(same).shared == ("both",)


def test_a_cut_for_a_form_that_nobody_sat_is_refused(rng: Generator) -> None:
    with pytest.raises(TableError, match="form C; the table holds A, B"):
        sitting_report(sitting(rng, {"A": 5, "B": 5}), title="x", rule=PassRule(3, "sitting", (("A", 3), ("C", 4))))


# ---------------------------------------------------------------------- manual parts
def given(part: str, *lines: str) -> list[Grading]:
    """One call a line; a letter for each grader, a point for none."""
    return [
        Grading(f"c{n}", "k1", part, f"grader {g}", category)
        for n, line in enumerate(lines)
        for g, category in enumerate(line)
        if category != "."
    ]


def test_two_graders_get_cohens_kappa_and_a_weighted_one_where_categories_are_numbers() -> None:
    # Cohen 1960's kind of table: 2 of 4 agreed, chance 1/2 each: kappa 0
    found = graders(given("order", "yy", "nn", "yn", "ny"))
    assert [(g.agreement.kind, g.agreement.kappa.value) for g in found if g.agreement] == [("Cohen", 0.0)]
    kinds = [g.agreement.kind for g in graders(given("write-up", "00", "12", "22", "01")) if g.agreement]
    assert kinds == ["Cohen", "Cohen, weighted"]


def test_a_near_miss_counts_in_part_and_a_gap_between_categories_is_kept() -> None:
    # categories 0, 1, 2, 3 though nobody gave 2; quadratic weights 1 − (d/3)²
    _, weighted = graders(given("write-up", "00", "13", "33", "00"))
    assert weighted.agreement is not None and weighted.agreement.categories == 4
    assert weighted.agreement.observed == pytest.approx((3 + 1 - (2 / 3) ** 2) / 4)


def test_more_graders_get_fleiss_kappa_over_the_calls_with_the_usual_number() -> None:
    found, = graders(given("order", "yyy", "nnn", "yny", "yn.", "y.."))
    assert found.agreement is not None and found.agreement.kind == "Fleiss"
    assert (found.agreement.cases, found.agreement.graders, found.left_out) == (3, 3, 2)
    found, = graders(given("order", "yy.", ".nn", "y.n", "yyy"))
    assert found.agreement is not None and (found.agreement.cases, found.agreement.graders, found.left_out) == (3, 2, 1)


def test_pairs_drawn_from_a_panel_are_compared_too() -> None:
    found, = graders(given("order", "yy..", ".nn.", "..yy", "y..n"))
    assert found.agreement is not None and found.agreement.kind == "Fleiss" and found.agreement.graders == 2


def test_a_part_that_nobody_graded_twice_has_a_reason() -> None:
    found, = graders(given("order", "y.", ".n"))
    assert found.agreement is None and "no call was graded by two people" in found.reason and found.left_out == 2


def test_a_grading_of_a_call_that_is_not_in_the_results_is_refused(rng: Generator) -> None:
    with pytest.raises(TableError, match="no such call"):
        report(sitting(rng, {"A": 5}), gradings=[Grading("stranger", "k1", "order", "g1", "yes")])
