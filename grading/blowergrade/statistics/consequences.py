"""What a cut would mean: how many pass at the recommended cut and one and two standard errors to either side.

Rule: passing is decided as in the exam, the safety gate first; the share that reaches the cut by its calls alone stands beside
it, so that the two causes of failing are not mixed up. A step's lowest passing total is rounded up on the form's scale.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Literal

import msgspec

from blowergrade.statistics.angoff import AngoffError, Cut, Form, Result
from blowergrade.statistics.passing import PassRule, verdict
from blowergrade.statistics.responses import ROUNDING
from blowergrade.statistics.table import SatForm

#: Standard errors away from the cut.
STEPS = (-2, -1, 0, 1, 2)


class Step(msgspec.Struct, frozen=True):
    """A cut so many standard errors away; counts are None where no results were given, and of the decided candidates."""

    errors: int
    cut: float
    lowest_pass: float
    decided: int | None = None
    reached: int | None = None
    passed: int | None = None


class Consequences(msgspec.Struct, frozen=True):
    """The steps of one form, and why they have no counts, where they have none."""

    form: str
    steps: tuple[Step, ...]
    reason: str = ""


def consequences(
    result: Result, sat: Sequence[SatForm] = (), critical: Literal["sitting", "call"] = "sitting"
) -> tuple[Consequences, ...]:
    """The steps of every form of `result`, with counts where `sat` has a form of that name with the same items."""
    by_name = {f.name: f for f in sat}
    forms = {f.name: f for f in result.inputs.forms}
    return tuple(_of(cut, forms[cut.form], by_name.get(cut.form), critical) for cut in result.cuts)


def _of(cut: Cut, form: Form, sat: SatForm | None, critical: Literal["sitting", "call"]) -> Consequences:
    bare = tuple(_step(cut, form, errors) for errors in STEPS)
    if sat is None:
        return Consequences(cut.form, bare, "no results of this form were given")
    if set(sat.items) != set(form.items):
        return Consequences(cut.form, bare, "the results of this form have other items than those that were rated")
    if set(form.points) != {1.0}:
        return Consequences(cut.form, bare, "the form's items are not worth one point each, and the exam counts passed calls")
    return Consequences(cut.form, tuple(_counted(step, sat, critical) for step in bare))


def _step(cut: Cut, form: Form, errors: int) -> Step:
    at = min(max(cut.cut + errors * cut.standard_error, 0.0), cut.maximum)
    return Step(errors, at, max(1, math.ceil(at / form.step - ROUNDING)) * form.step)


def _counted(step: Step, sat: SatForm, critical: Literal["sitting", "call"]) -> Step:
    needed = round(step.lowest_pass)
    rule = PassRule(needed, critical)
    verdicts = {c: verdict(sat, c, rule) for c in sat.candidates}
    decided = [c for c, v in verdicts.items() if v != "open"]
    reached = sum(sum(bool(r.passed) for r in sat.rows[c].values()) >= needed for c in decided)
    passed = sum(verdicts[c] == "passed" for c in decided)
    return msgspec.structs.replace(step, decided=len(decided), reached=reached, passed=passed)


def rule_of(result: Result, critical: Literal["sitting", "call"] = "sitting") -> PassRule:
    """The pass rule that the sealed cuts make; raises `AngoffError` for a form that does not count calls."""
    for form in result.inputs.forms:
        if set(form.points) != {1.0} or form.step != 1:
            raise AngoffError(f"form {form.name!r}: its cut is in points, and the exam counts calls; give each item 1 point")
    by_form = tuple((c.form, round(c.lowest_pass)) for c in result.cuts)
    return PassRule(by_form[0][1], critical, by_form)
