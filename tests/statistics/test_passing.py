"""The safety gate comes first; then passed calls are counted."""

from __future__ import annotations

import itertools
from typing import Literal

import pytest
from made_sittings import call
from numpy.random import Generator

from blowergrade.exam import blueprint
from blowergrade.exam import passing as exam
from blowergrade.statistics.passing import Passes, PassRule, compare, passes, verdict, wilson
from blowergrade.statistics.responses import StatisticsError
from blowergrade.statistics.table import CallResult, SatForm, forms_of

RULE = PassRule(3)
CRITICAL: tuple[Literal["sitting"], Literal["call"]] = ("sitting", "call")


def sat(*calls: bool | None, critical: int | None = None) -> SatForm:
    """One candidate with so many calls of five; `critical` is the number of a failed call with a critical violation."""
    rows = [call("c1", f"k{k}", passed, critical=k == critical) for k, passed in enumerate(calls)]
    rows += [call("other", f"k{k}", True) for k in range(5)]
    return forms_of(rows)[0]


def test_a_critical_violation_fails_the_sitting_whatever_the_other_calls() -> None:
    form = sat(True, True, True, True, False, critical=4)
    assert verdict(form, "c1", RULE) == "safety"
    assert verdict(form, "c1", PassRule(4, "call")) == "passed", "where the rule fails only its call, the others count"
    assert verdict(form, "c1", PassRule(5, "call")) == "calls"


def test_the_gate_comes_before_the_count_and_before_what_waits() -> None:
    assert verdict(sat(False, False, False, False, False, critical=0), "c1", RULE) == "safety"
    assert verdict(sat(None, True, True, True, False, critical=4), "c1", RULE) == "safety"


def test_full_points_do_not_pass_the_gate() -> None:
    rows = [CallResult("c1", "A", f"k{k}", 100.0, k > 0, k == 0) for k in range(5)]
    assert verdict(forms_of(rows)[0], "c1", RULE) == "safety"


def test_so_many_calls_pass_and_one_fewer_fail() -> None:
    assert verdict(sat(True, True, True, False, False), "c1", RULE) == "passed"
    assert verdict(sat(True, True, False, False, False), "c1", RULE) == "calls"


def test_nobody_passes_while_a_call_waits_since_it_may_hold_a_violation() -> None:
    assert verdict(sat(True, True, True, True, None), "c1", RULE) == "open"
    assert verdict(sat(True, True, True, True), "c1", RULE) == "open", "a call without a row"


def test_who_can_not_reach_the_cut_any_more_has_failed() -> None:
    assert verdict(sat(True, False, False, None, False), "c1", RULE) == "calls"
    assert verdict(sat(True, False, False, None, None), "c1", RULE) == "open"
    rows = [call("c1", "k0", None, critical=True), call("c1", "k1", True), call("c1", "k2", False)]
    assert verdict(forms_of(rows)[0], "c1", PassRule(2, "call")) == "calls", "the waiting call has failed by its violation"


def test_every_candidate_has_one_verdict_and_the_counts_add_up() -> None:
    choices = ((True, False), (False, False), (False, True), (None, False))
    rows = [
        call(f"c{n}", f"k{k}", passed, critical=critical)
        for n, line in enumerate(itertools.product(choices, repeat=4))
        for k, (passed, critical) in enumerate(line)
    ]
    form = forms_of(rows)[0]
    found = passes(form, PassRule(2))
    assert found.safety == 4**4 - 3**4, "all lines with at least one violation"
    assert found.passed == 6 + 4 + 1, "of two outcomes each, those with 2, 3 or 4 of 4"
    assert found.safety + found.calls + found.open + found.passed == found.candidates == 256
    assert found.decided == 256 - found.open


def test_a_form_may_have_a_cut_of_its_own_but_only_one_that_it_can_give() -> None:
    form = sat(True, True, True, True, False)
    assert verdict(form, "c1", PassRule(3, "sitting", (("A", 5),))) == "calls"
    assert verdict(form, "c1", PassRule(3, "sitting", (("B", 5),))) == "passed"
    for calls in (0, 6):
        with pytest.raises(StatisticsError, match="give 1 to 5"):
            passes(form, PassRule(calls))


def test_the_statistics_pass_the_same_candidates_as_the_exam_does() -> None:
    kinds = {"passed": (800, True, ()), "failed": (300, False, ()), "violated": (900, False, ("S1",))}
    for critical in CRITICAL:
        for line in itertools.product(kinds, repeat=4):
            sat_there = [
                exam.CallResult(f"call {k}", f"k{k}", "unit", "complaint", "fault", "competency", 1, "graded", *kinds[kind])
                for k, kind in enumerate(line)
            ]
            exam_says, _ = exam.decide(sat_there, blueprint.PassRule(points=70, calls=2, critical=critical))
            rows = [call("c1", c.item, c.passed, critical=bool(c.critical)) for c in sat_there]
            here = verdict(forms_of(rows)[0], "c1", PassRule(2, critical))
            assert (here == "passed") == (exam_says == "passed"), (critical, line)
            assert (here == "safety") == (critical == "sitting" and "violated" in line)


def test_forms_are_compared_only_where_enough_are_expected_on_each_side() -> None:
    def one(passed: int, failed: int) -> Passes:
        return Passes("A", 3, passed + failed, 0, failed, 0, passed, 0.0, 1.0)

    assert compare([one(20, 20)]).reason.startswith("there is one form")
    assert compare([one(20, 0), one(10, 0)]).reason == "all candidates were decided alike"
    few = compare([one(6, 4), one(8, 2)])
    assert few.p is None and "3.0" in few.reason
    assert compare([one(10, 10), one(10, 10)]).p == 1


def test_pass_rates_of_equally_hard_forms_are_called_different_as_often_as_by_chance(rng: Generator) -> None:
    small = 0
    for _ in range(600):
        counts = rng.binomial(60, 0.7, size=3)
        found = compare([Passes("A", 3, 60, 0, 60 - int(c), 0, int(c), 0.0, 1.0) for c in counts])
        small += (found.p or 0) <= 0.05
    assert 0.012 < small / 600 < 0.1


def test_a_share_of_nothing_is_refused() -> None:
    for count, of in ((0, 0), (3, 2), (-1, 2)):
        with pytest.raises(StatisticsError, match="no share"):
            wilson(count, of)
