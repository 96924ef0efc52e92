"""One hand-in, graded from its record: what is read, what is refused, and what waits for a person with which reason.

Rule: nothing that a student wrote is run, and no content of a hand-in raises: whatever can't be graded is an outcome.
"""

from __future__ import annotations

import hashlib
import stat
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path

import msgspec

from blowerbench.errors import BenchError
from blowerbench.record import MODEL, CallRecord, RecordError, read_record
from blowergrade.classwork.folder import Assigned
from blowergrade.classwork.outcome import FORMAT, Outcome
from blowergrade.score import grade_record
from blowergrade.sheet import Sheet
from blowergrade.wording import hypothesis_named

RECORD = "call.jsonl"
#: A long call has a few hundred acts of about 500 bytes each.
LARGEST = 20_000_000  # bytes
MOST_ACTS = 3_000


class Job(msgspec.Struct, frozen=True):
    """What grading one hand-in needs; `entries` names the student of every entry of this assignment."""

    assigned: Assigned
    assignment: str
    rubric: str
    folder: str
    entries: Mapping[str, str]
    late: tuple[str, str] = ("", "")  # handed in, due: UTC, ISO 8601


class Held(Exception):  # noqa: N818 - it is no error: a hand-in that waits for a person
    """Grading stops here and waits for a person; the text is the reason."""


def find_record(folder: Path) -> Path | None:
    """The record in a hand-in's folder: ``call.jsonl``, else the only other file of that kind; raises `Held`."""
    if not folder.is_dir():
        return None
    found = sorted(p for p in folder.iterdir() if p.suffix.lower() == ".jsonl")
    usual = [p for p in found if p.name == RECORD]
    chosen = usual or found
    if len(chosen) > 1:
        names = ", ".join(p.name for p in chosen[:5])
        raise Held(f"several records were handed in ({names}); delete those that don't count and grade again")
    if not chosen:
        return None
    about = chosen[0].lstat()
    if not stat.S_ISREG(about.st_mode):
        raise Held(f"{chosen[0].name} is no plain file (a link, folder or device); ask for the file itself")
    if about.st_size > LARGEST:
        size = about.st_size // 1_000_000
        raise Held(f"{chosen[0].name} has {size} MB where a long call has less than 1 MB; it was not read")
    return chosen[0]


def grade_hand_in(job: Job) -> Outcome:
    """The outcome of a hand-in; never raises for what is in it."""
    when = datetime.now(UTC).replace(microsecond=0).isoformat()
    base = Outcome(FORMAT, job.assigned.student, job.assignment, "manual", when=when, handed_in=job.late[0])
    folder = Path(job.folder)
    try:
        file = find_record(folder)
        if file is None:
            return _without_record(base, folder)
        base = msgspec.structs.replace(base, record_digest=digest_of(file))
        sheet, notes = _graded(file, job)
    except Held as why:
        return msgspec.structs.replace(base, reason=str(why))
    except BenchError as error:
        return msgspec.structs.replace(base, reason=str(error)[:400])
    except RecursionError:
        return msgspec.structs.replace(base, reason="the record is nested too deeply to be one that the bench wrote")
    except Exception as error:  # whatever a record makes of us: one hand-in never stops the others
        return msgspec.structs.replace(base, reason=f"grading stopped with {type(error).__name__}: {str(error)[:300]}")
    hold = reason_to_hold(sheet)
    return msgspec.structs.replace(base, status="manual" if hold else "graded", reason=hold, sheet=sheet, notes=notes)


def digest_of(file: Path) -> str:
    """SHA-256 of a file's bytes."""
    with file.open("rb") as data:
        return hashlib.file_digest(data, "sha256").hexdigest()


def _without_record(base: Outcome, folder: Path) -> Outcome:
    if not folder.is_dir() or not any(folder.iterdir()):
        return msgspec.structs.replace(base, status="missing", reason="nothing was handed in")
    return msgspec.structs.replace(base, reason=f"there is no {RECORD} in the hand-in; ask for it, or grade what is there")


def _graded(file: Path, job: Job) -> tuple[Sheet, tuple[str, ...]]:
    try:
        record = read_record(file)
    except RecordError as error:
        raise Held(str(error)) from error
    _check_header(record, job)
    if record.damage and not record.torn:
        raise Held(f"{file.name} was changed after it was written: {record.damage}")
    if len(record.lines) > MOST_ACTS:
        raise Held(f"{file.name} holds {len(record.lines)} acts, more than {MOST_ACTS}; look at it yourself")
    sheet = grade_record(record, hypothesis_named(job.assigned.fault), job.rubric)
    notes = (f"the last line was cut off; graded up to act {len(record.lines)}",) if record.torn else ()
    return sheet, notes


def _check_header(record: CallRecord, job: Job) -> None:
    header, assigned = record.header, job.assigned
    if header.assignment != job.assignment:
        other = header.assignment or "no assignment (practice)"
        raise Held(f"this is the record of {other!r}, not of {job.assignment!r}")
    if header.person != assigned.entry:
        whose = job.entries.get(header.person)
        raise Held(f"this record is of {whose}" if whose else "this record is of nobody in this class")
    for what, was, given in (
        ("unit", header.equipment, assigned.equipment),
        ("complaint", header.complaint, assigned.complaint),
        ("variant", header.variant, assigned.variant),
    ):
        if was != given:
            raise Held(f"the record's {what} is {was[:60]!r}, not the assigned {given!r}")
    if header.model != MODEL:
        raise Held(f"the record was made with model {header.model[:20]!r}, this program has {MODEL!r}: install that release")


def reason_to_hold(sheet: Sheet) -> str:
    """Why a person must look at a call that was graded, or ""."""
    if sheet.outside_catalogue:
        return "no catalogued fault explains all readings; look at the call yourself"
    return ""
