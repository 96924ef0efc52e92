"""Checking an exam after the event: every chain, every receipt, every grading, and whether the records still say the same.

Rule: an audit changes nothing, and says of each thing that is wrong where it is and what it means.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import msgspec

from blowerbench.errors import BenchError
from blowerbench.record import GENESIS, Header, Line, RecordError, unchained
from blowergrade.exam import checkpoints
from blowergrade.exam.folder import RECORDS, ExamFolder
from blowergrade.exam.gradings import Grading, gradings
from blowergrade.exam.journal import Journal, check_events
from blowergrade.exam.passing import decide, with_sheet
from blowergrade.exam.programme import Programme

_RECEIPT = re.compile(r"[0-9a-fA-F]{16,64}")


@dataclass(frozen=True, slots=True)
class Found:
    """What was looked at, how often, and what was wrong with it."""

    what: str
    count: int
    wrong: tuple[str, ...]


def audit(folder: ExamFolder, journal: Journal, file: Path | None = None) -> Iterator[Found]:
    """Check everything that lies in `folder`; `file` holds checkpoints that were kept elsewhere."""
    programme = folder.programme
    events = journal.events()
    problem = check_events(events)
    yield Found("events", len(events), (problem,) if problem else ())
    attempts = journal.attempts()
    yield Found("records", len(attempts), tuple(x for a in attempts if (x := check_record(programme, journal, a))))
    yield _files(folder, journal)
    yield _gradings(folder, programme)
    if file is not None:
        count, wrong = checkpoints.compare(file, journal, programme.sitting)
        yield Found("checkpoints", count, wrong or (() if count else (f"{file} holds no checkpoint of this sitting",)))


def check_record(programme: Programme, journal: Journal, attempt: str) -> str:
    """What is wrong with the chain of one attempt, or with what it was begun with, or ""."""
    candidate, _, call = attempt.partition("/")
    plan = programme.plan(candidate, call)
    if plan is None:
        return f"{attempt} is no call of this exam"
    head = GENESIS
    try:
        for number, row in enumerate(journal.acts(attempt)):
            if row.seq != number:
                return f"{attempt}: line {number} is missing"
            if number == 0:
                header, head = unchained(head, row.line, Header)
                begun = (header.complaint, header.variant, header.person)
                if begun != (plan.complaint, plan.variant, plan.person):
                    return f"{attempt}: the record was begun with something else than the plan says"
            else:
                line, head = unchained(head, row.line, Line)
                if line.seq != number:
                    return f"{attempt}: line {number} is numbered {line.seq}"
    except RecordError as error:
        return f"{attempt}: {error}"
    return ""


def _files(folder: ExamFolder, journal: Journal) -> Found:
    found = sorted((folder.root / RECORDS).glob("*/*.jsonl"))
    wrong = []
    for file in found:
        rows = journal.acts(f"{file.parent.name}/{file.stem}")
        if file.read_bytes() != b"".join(r.line for r in rows):
            wrong.append(f"{file.relative_to(folder.root)} is not what the journal says")
    return Found("record files", len(found), tuple(wrong))


def _gradings(folder: ExamFolder, programme: Programme) -> Found:
    try:
        made = gradings(folder)
    except BenchError as error:
        return Found("gradings", 0, (str(error),))
    wrong = [x for g in made for x in _grading(folder, programme, g)]
    return Found("gradings", len(made), tuple(wrong))


def _grading(folder: ExamFolder, programme: Programme, grading: Grading) -> Iterator[str]:
    """What a grading says and its own sheets and rule don't."""
    rule = msgspec.json.decode(grading.rule, type=type(programme.passing)) if programme.passing is not None else None
    if rule is None:
        return
    if hashlib.sha256(folder.rubric.read_bytes()).hexdigest() != grading.rubric:
        yield f"grading {grading.number}: the rubric was changed since"
    for result in grading.results:
        for call in result.calls:
            if call.status == "graded":
                try:
                    again = with_sheet(call, folder.sheet(call.sheet), rule, call.sheet)
                except BenchError as error:
                    yield f"grading {grading.number}: {error}"
                    continue
                if again != call:
                    yield f"grading {grading.number}: {result.candidate} {call.call} is not what its sheet says"
        if (result.verdict, result.reasons) != decide(result.calls, rule):
            yield f"grading {grading.number}: the verdict on {result.candidate} does not follow from the calls"


# ---------------------------------------------------------------------- receipts
def check_receipt(folder: ExamFolder, journal: Journal, candidate: str, call: str, acts: int, head: str) -> str:
    """What a candidate's receipt shows: "" where the record holds exactly that, else what differs."""
    attempt = f"{candidate}/{call}"
    if call not in folder.programme.items(candidate):
        return f"{candidate} has no {call}"
    if not _RECEIPT.fullmatch(head):
        return f"{head[:20]!r} is no receipt: give at least the first 16 of its characters (0 to 9, a to f)"
    problem = check_record(folder.programme, journal, attempt)
    if problem:
        return problem
    kept = checkpoints.head_of(journal, attempt, acts)
    if not kept:
        return f"{attempt}: the journal holds no act {acts}: acts that were acknowledged are gone"
    if not kept.startswith(head.lower()):
        return (
            f"{attempt}: act {acts} is not the one of this receipt. Compare what was typed with it; if that is right, the "
            "record was changed after the receipt was given"
        )
    last = journal.counts()[attempt]
    return "" if last == acts else f"{attempt}: the record goes on to act {last} after the receipt"

