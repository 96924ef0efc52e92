"""What a candidate is told once the results are released: verdict, calls, points, and the safety rules that were broken.

Rule: nothing before the release, and nothing ever of the fault in a unit: forms are used again. An appeal shows the rest.
"""

from __future__ import annotations

from blowerbench.messages import translate
from blowergrade.exam.folder import ExamFolder
from blowergrade.exam.gradings import gradings
from blowergrade.exam.hall import Hall
from blowergrade.exam.passing import CallResult, CandidateResult
from blowergrade.exam.programme import ExamError, Programme
from blowergrade.report import points

#: Said of the whole, of the safety gate and of each call; {0} is the call's number, {1} its points.
NEEDED = "{0} of {1} calls were passed; {2} are needed, each with {3} points or more."
GATE = "A critical violation of a safety rule fails the exam, whatever the points are."
NOT_BEGUN = "Call {0}: not begun."
WAITING = "Call {0}: a person has still to decide."
PASSED = "Call {0}: {1} of 100 points, passed."
FAILED = "Call {0}: {1} of 100 points, not passed."
BROKEN = "Call {0}, safety: {1}"
VERDICTS = {
    "passed": "You passed.",
    "not passed": "You did not pass.",
    "undecided": "A person has still to decide about a call of yours.",
    "absent": "You began no call.",
}


def open_hall(folder: ExamFolder, url: str = "") -> Hall:
    """The hall of `folder` as it is served: after the release it tells candidates their results; raises `ExamError`."""
    hall, programme = folder.open_hall(url), folder.programme
    hall.results = lambda number, candidate: sentences(folder, programme, number, candidate)
    return hall


def sentences(folder: ExamFolder, programme: Programme, number: int, candidate: str) -> list[str]:
    """The result of `candidate` by the grading of that number, in the candidate's language; raises `ExamError`."""
    grading = next((g for g in gradings(folder) if g.number == number), None)
    found = None if grading is None else grading.of(candidate)
    one = programme.candidate(candidate)
    if found is None or one is None or programme.passing is None:
        raise ExamError(f"there is no grading {number} of {candidate!r}; `blowergrade exam results` lists what there is")

    def t(text: str) -> str:
        return translate(text, one.language)

    told = [t(VERDICTS[found.verdict]), t(NEEDED).format(*_counts(found, programme))]
    if programme.passing.critical == "sitting" and any(c.critical for c in found.calls):
        told.append(t(GATE))
    for k, call in enumerate(found.calls, 1):
        told.append(t(_line(call)).format(k, *(() if call.tenths is None else (points(call.tenths),))))
        told += [t(BROKEN).format(k, text) for text in _broken(folder, call, one.language)]
    return told


def _counts(found: CandidateResult, programme: Programme) -> tuple[int, int, int, int]:
    assert programme.passing is not None
    return found.passed_calls, len(found.calls), programme.passing.calls, programme.passing.points


def _line(call: CallResult) -> str:
    if call.status == "not begun":
        return NOT_BEGUN
    if call.tenths is None:
        return WAITING
    return PASSED if call.passed else FAILED


def _broken(folder: ExamFolder, call: CallResult, language: str) -> list[str]:
    if not call.sheet or not call.critical:
        return []
    seen = {v.rule: translate(v.text, language) for v in folder.sheet(call.sheet).violations if v.level == "critical"}
    return list(seen.values())
