"""What an exam tells the issuer of certificates about everybody who passed it.

Rule: only from a released grading, only who passed, and never what was granted to anybody.
"""

from __future__ import annotations

import hashlib
from datetime import UTC, datetime

from blowergrade.credentials.credential import Completion
from blowergrade.exam.folder import ExamFolder
from blowergrade.exam.gradings import Grading, gradings, sitting_of
from blowergrade.exam.journal import Journal
from blowergrade.exam.passing import CandidateResult
from blowergrade.exam.programme import ExamError
from blowergrade.report import points


def head_of(result: CandidateResult) -> str:
    """One value for all records of a candidate: SHA-256 over their chain values, in the order of the calls, one a line."""
    return hashlib.sha256("\n".join(c.head for c in result.calls).encode()).hexdigest()


def completions(folder: ExamFolder, journal: Journal) -> tuple[Completion, ...]:
    """A completion for everybody who passed by the released grading; raises `ExamError` before the release.

    Score and cut are calls passed and calls needed, in percent of all calls: that is what the pass rule counts.
    """
    programme = folder.programme
    sitting = sitting_of(programme, journal)
    if sitting.stage != "released" or programme.passing is None:
        raise ExamError(f"the sitting is {sitting.stage}; release its results first (`blowergrade exam release`)")
    grading: Grading = next(g for g in gradings(folder) if g.number == sitting.grading)
    made = []
    for one in programme.candidates:
        result, started = grading.of(one.id), sitting.of(one.id).started
        if result is None or result.verdict != "passed" or started is None:
            continue
        n, cut = len(result.calls), programme.passing.calls
        made.append(
            Completion(
                candidate=one.name, recipient=one.id, recipient_kind="sourcedId", exam=programme.title, form=result.form,
                day=datetime.fromtimestamp(started / 1000, UTC).astimezone().date().isoformat(),
                score=_percent(result.passed_calls, n), cut=_percent(cut, n), measure="calls",
                safety_gate=not (programme.passing.critical == "sitting" and any(c.critical for c in result.calls)),
                program=f"blowergrade {grading.version}", record_head=head_of(result),
            )
        )  # fmt: skip
    return tuple(made)


def _percent(part: int, whole: int) -> str:
    return points(1000 * part // whole)
