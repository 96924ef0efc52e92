"""Who passes: the safety gate first, then so many passed calls; and how many passed on each form.

Rule: a critical violation fails the sitting before anything is counted, whatever the points (or, where the rule says "call",
fails its call). While a call waits to be graded nobody passes: it may still turn out to hold a critical violation. Who can't
reach the cut any more has failed already.

Sources: Wilson 1927 (interval of a share); Pearson's chi-squared with Cochran's rule of 5 for its expected counts (1954; from
memory).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Literal

import msgspec
import numpy as np
from scipy import stats

from blowergrade.statistics.responses import StatisticsError
from blowergrade.statistics.table import SatForm

Verdict = Literal["passed", "safety", "calls", "open"]
#: What each verdict means, in the order in which they are looked for.
VERDICTS: Mapping[Verdict, str] = {
    "safety": "failed by the safety gate: a critical violation, whatever the points",
    "calls": "failed: too few calls passed",
    "open": "not decided: a call is missing or waits to be graded",
    "passed": "passed",
}
#: Fewest expected in a cell for chi-squared (Cochran 1954; from memory).
COCHRAN = 5.0


class PassRule(msgspec.Struct, frozen=True):
    """`calls` passed calls pass, on a form in `by_form` that many; `critical` is what a critical violation fails."""

    calls: int
    critical: Literal["sitting", "call"] = "sitting"
    by_form: tuple[tuple[str, int], ...] = ()

    def needed(self, form: SatForm) -> int:
        """How many calls of `form` have to be passed; raises `StatisticsError` where that is none of its counts."""
        calls = dict(self.by_form).get(form.name, self.calls)
        if not 1 <= calls <= len(form.items):
            raise StatisticsError(
                f"form {form.name!r} has {len(form.items)} calls and {calls} are to be passed; give 1 to {len(form.items)}"
            )
        return calls


class Passes(msgspec.Struct, frozen=True):
    """The verdicts on one form as counts; `low` … `high` is Wilson's 95 % interval of the share that passed of the decided."""

    form: str
    needed: int
    candidates: int
    safety: int
    calls: int
    open: int
    passed: int
    low: float | None
    high: float | None

    @property
    def decided(self) -> int:
        """Candidates whose verdict stands."""
        return self.candidates - self.open


class FormsCompared(msgspec.Struct, frozen=True):
    """Whether the forms' pass rates differ by more than chance: Pearson's chi-squared, or the reason why that isn't tested."""

    chi_squared: float | None
    degrees: int
    p: float | None
    reason: str = ""


def verdict(form: SatForm, candidate: str, rule: PassRule) -> Verdict:
    """What becomes of `candidate`: the gate, then the count of passed calls."""
    needed, own = rule.needed(form), form.rows[candidate]
    if rule.critical == "sitting" and any(r.critical for r in own.values()):
        return "safety"
    passed = sum(bool(r.passed) for r in own.values())
    waiting = sum(not (i in own and own[i].critical) for i in form.lacking(candidate))
    if passed + waiting < needed:
        return "calls"
    return "open" if form.lacking(candidate) else "passed"


def passes(form: SatForm, rule: PassRule) -> Passes:
    """The verdicts of all candidates of `form`."""
    found = [verdict(form, c, rule) for c in form.candidates]
    count = {v: found.count(v) for v in VERDICTS}
    decided = len(found) - count["open"]
    low, high = wilson(count["passed"], decided) if decided else (None, None)
    return Passes(
        form.name, rule.needed(form), len(found), count["safety"], count["calls"], count["open"], count["passed"], low, high
    )


def wilson(count: int, of: int, level: float = 0.95) -> tuple[float, float]:
    """The interval of a share `count`/`of` at `level` (Wilson 1927), as shares."""
    if not 0 <= count <= of or of < 1:
        raise StatisticsError(f"{count} of {of} is no share; give a count from 0 to the number of all, at least 1")
    z = float(stats.norm.ppf((1 + level) / 2))
    share, size = count / of, of + z**2
    middle = (count + z**2 / 2) / size
    half = z * math.sqrt(of) / size * math.sqrt(share * (1 - share) + z**2 / (4 * of))
    return max(0.0, middle - half), min(1.0, middle + half)


def compare(found: Sequence[Passes]) -> FormsCompared:
    """Whether pass rates differ between forms; candidates have to have been given their forms at random."""
    table = np.array([(p.passed, p.safety + p.calls) for p in found if p.decided], dtype=np.float64)
    degrees = len(table) - 1
    if degrees < 1:
        return FormsCompared(None, 0, None, "there is one form with decided candidates: nothing to compare it with")
    if not table.sum(axis=0).all():
        return FormsCompared(None, degrees, None, "all candidates were decided alike")
    expected = np.outer(table.sum(axis=1), table.sum(axis=0)) / table.sum()
    if expected.min() < COCHRAN:
        reason = f"a form would be expected to have {expected.min():.1f} on one side of the cut; {COCHRAN:g} are needed"
        return FormsCompared(None, degrees, None, reason)
    chi = float(((table - expected) ** 2 / expected).sum())
    return FormsCompared(chi, degrees, float(stats.chi2.sf(chi, degrees)))
