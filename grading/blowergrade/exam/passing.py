"""What passes: the results of calls, and a candidate's verdict out of them.

Rule: the safety gate comes first. Whoever broke a critical rule fails the call, or the sitting, whatever the points are; a
verdict is given with its reasons, and not while a call that waits for a person could still change it.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import msgspec

from blowergrade.exam.blueprint import PassRule
from blowergrade.safety_rules import rule_words
from blowergrade.sheet import Sheet

Status = Literal["graded", "manual", "not begun", "decided"]
Verdict = Literal["passed", "not passed", "undecided", "absent"]


class CallResult(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One call of one candidate. `tenths` of a point out of 1000, None while a person must decide; `seconds` simulated."""

    call: str
    item: str
    equipment: str
    complaint: str
    fault: str
    competency: str
    difficulty: int
    status: Status
    tenths: int | None = None
    passed: bool = False
    critical: tuple[str, ...] = ()  # the rules broken, by their ids
    parts: tuple[tuple[str, int, int], ...] = ()  # name, tenths, of
    seconds: int = 0
    acts: int = 0
    head: str = ""  # of the record: the receipt
    reason: str = ""
    sheet: str = ""  # SHA-256 of the score sheet's bytes
    by: str = ""  # who decided, where a person did


class CandidateResult(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """What came of one candidate's sitting, and why."""

    candidate: str
    form: str
    verdict: Verdict
    reasons: tuple[str, ...]
    calls: tuple[CallResult, ...]

    @property
    def passed_calls(self) -> int:
        """How many calls were passed."""
        return sum(c.passed for c in self.calls)

    @property
    def tenths(self) -> int:
        """Points of all calls together, in tenths; what is undecided counts as nothing yet."""
        return sum(c.tenths or 0 for c in self.calls)


def with_sheet(call: CallResult, sheet: Sheet, rule: PassRule, digest: str) -> CallResult:
    """`call` as its `sheet` grades it: passed by the rubric, and with as many points as `rule` asks for."""
    critical = tuple(sorted({v.rule for v in sheet.violations if v.level == "critical"}))
    held = "no catalogued fault explains all readings; look at the call yourself" if sheet.outside_catalogue else ""
    return msgspec.structs.replace(
        call, status="manual" if held else "graded", tenths=None if held else sheet.tenths, critical=critical,
        passed=not held and sheet.passed and not critical and sheet.tenths >= 10 * rule.points,
        parts=tuple((p.name, p.tenths, p.of) for p in sheet.parts), seconds=sheet.seconds, reason=held, sheet=digest,
    )  # fmt: skip


def decide(calls: Sequence[CallResult], rule: PassRule) -> tuple[Verdict, tuple[str, ...]]:
    """The verdict on `calls` and its reasons: safety first, then the calls that were passed."""
    if all(c.status == "not begun" for c in calls):
        return "absent", ("No call was begun.",)
    broken = [c for c in calls if c.critical]
    reasons = [f"{c.call}: a critical safety rule was broken: {'; '.join(map(rule_words, c.critical))}." for c in broken]
    if broken and rule.critical == "sitting":
        return "not passed", (*reasons, "A critical violation fails the exam, whatever the points are.")
    passed, waiting = sum(c.passed for c in calls), [c.call for c in calls if c.tenths is None]
    needed = f"{passed} of {len(calls)} calls were passed; {rule.calls} are needed, each with {rule.points} points or more."
    # A call that waits may hold a critical violation: where that fails the sitting, nobody has passed before it is decided.
    open_still = rule.calls <= passed + len(waiting) and (passed < rule.calls or rule.critical == "sitting")
    if waiting and open_still:
        return "undecided", (*reasons, f"A person must decide {', '.join(waiting)}.", needed)
    return ("passed" if passed >= rule.calls else "not passed"), (*reasons, needed)
