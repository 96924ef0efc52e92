"""Grading a class: every hand-in of an assignment, over processes, with a progress bar and a table at the end.

Rule: one hand-in never stops the others, what is unchanged is not graded again, and no more than a few hand-ins are in memory.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Sequence
from pathlib import Path

import msgspec
from tqdm.auto import tqdm

from blowergrade.classwork.folder import Assignment, ClassError, ClassFolder
from blowergrade.classwork.hand_in import Held, Job, digest_of, find_record, grade_hand_in, reason_to_hold
from blowergrade.classwork.outcome import FORMAT, PARTS, Outcome
from blowergrade.processes import in_processes
from blowergrade.rubric import load_rubric
from blowergrade.score import VERSION
from blowergrade.wording import hypothesis_named


class Row(msgspec.Struct, frozen=True):
    """A line of the table: points in tenths, None while a person must decide."""

    student: str
    status: str
    parts: tuple[int | None, ...]
    tenths: int | None
    passed: bool
    reason: str
    fresh: bool  # graded in this run


def grade_class(
    folder: ClassFolder, name: str, students: Collection[str] = (), *, processes: int = 0, again: bool = False,
    progress: bool = True,
) -> tuple[Row, ...]:  # fmt: skip
    """Grade the hand-ins of assignment `name` (of `students`, or of all) and keep their outcomes; rows in roster order."""
    assignment = folder.assignment(name)
    load_rubric(assignment.rubric)
    unknown = sorted(set(students) - {x.student for x in assignment.assigned})
    if unknown:
        raise ClassError(f"{name!r} was not assigned to {', '.join(unknown)}; see roster.csv, or assign to late comers")
    rows: dict[str, Row] = {}
    jobs: list[Job] = []
    for job in _jobs(folder, assignment, students):
        old = folder.outcome(job.assigned.student, name)
        if old is not None and not again and _unchanged(old, job):
            rows[old.student] = row_of(_by_todays_policy(folder, old), fresh=False)
        else:
            jobs.append(job)
    jobs.sort(key=lambda j: (j.assigned.equipment, j.assigned.complaint, j.assigned.fault))  # keeps each process's tables warm
    with tqdm(total=len(jobs), unit="call", desc=f"Grading {name}", disable=not progress or not jobs) as bar:
        for outcome in run(jobs, processes):
            kept = _kept(folder, outcome)
            rows[kept.student] = row_of(kept, fresh=True)
            bar.update()
    return tuple(rows[x.student] for x in assignment.assigned if x.student in rows)


def _jobs(folder: ClassFolder, assignment: Assignment, students: Collection[str]) -> Iterator[Job]:
    from blowergrade.classwork.collect import handed_in_time

    entries = {x.entry: x.student for x in assignment.assigned}
    for one in assignment.assigned:
        if not students or one.student in students:
            place = folder.root / "submitted" / one.student / assignment.name
            stamp = place / "timestamp.txt"
            when = "" if stamp.exists() and not stamp.is_file() else handed_in_time(folder, one.student, assignment.name)
            yield Job(one, assignment.name, assignment.rubric, str(place), entries, (when, assignment.due))


def _unchanged(old: Outcome, job: Job) -> bool:
    """Whether grading this hand-in again would find the same record under the same rules."""
    if old.handed_in != job.late[0]:
        return False
    try:
        file = find_record(Path(job.folder))
    except Held:
        return False
    if file is None or old.sheet is None:
        return False
    loaded = load_rubric(job.rubric)
    rules = (old.sheet.version, old.sheet.rubric, old.sheet.fault)
    now = (VERSION, f"{loaded.rubric.name} {loaded.digest[:12]}", str(hypothesis_named(job.assigned.fault)))
    return digest_of(file) == old.record_digest and rules == now


def _kept(folder: ClassFolder, outcome: Outcome) -> Outcome:
    """Write `outcome` down, with the overrides that a person made before and the late policy; returns it so."""
    from blowergrade.classwork.changes import with_late

    old = folder.outcome(outcome.student, outcome.assignment)
    if old is not None and old.overrides:
        outcome = msgspec.structs.replace(outcome, overrides=old.overrides)
    outcome = with_late(folder, outcome)
    folder.keep_outcome(outcome)
    return outcome


def _by_todays_policy(folder: ClassFolder, old: Outcome) -> Outcome:
    """`old`, whose record is unchanged, with the due time and the late policy as they are now."""
    from blowergrade.classwork.changes import with_late

    held = old.status == "manual" and old.sheet is not None and not reason_to_hold(old.sheet)
    outcome = with_late(folder, msgspec.structs.replace(old, status="graded", reason="") if held else old)
    if outcome != old:
        folder.keep_outcome(outcome)
    return outcome


def row_of(outcome: Outcome, fresh: bool) -> Row:
    """The table's line of `outcome`."""
    sheet = outcome.sheet
    passed = outcome.status == "graded" and sheet is not None and sheet.passed
    parts = tuple(outcome.part(p)[0] for p in PARTS)
    return Row(outcome.student, outcome.status, parts, outcome.tenths, passed, outcome.reason, fresh)


# ---------------------------------------------------------------------- over processes
def run(jobs: Sequence[Job], processes: int = 0, work: Callable[[Job], Outcome] = grade_hand_in) -> Iterator[Outcome]:
    """The outcomes of `jobs` as they come; see `blowergrade.processes.in_processes`."""
    return in_processes(jobs, work, _lost, processes)


def _lost(job: Job) -> Outcome:
    reason = "grading this record ended its process (memory?); look at the record yourself"
    return Outcome(FORMAT, job.assigned.student, job.assignment, "manual", reason=reason, handed_in=job.late[0])


# ---------------------------------------------------------------------- the table
def table(rows: Sequence[Row]) -> str:
    """The rows as a table for a terminal; points with one decimal, "-" where a person must decide."""
    head = ("student", *PARTS, "total", "result", "why")
    body = [
        (r.student, *map(_points, r.parts), _points(r.tenths), _result(r), r.reason[:70])
        for r in rows
    ]  # fmt: skip
    widths = [max(len(line[k]) for line in (head, *body)) for k in range(len(head))]
    def written(line: Sequence[str]) -> str:
        cells = [c.rjust(w) if 0 < k < 6 else c.ljust(w) for k, (c, w) in enumerate(zip(line, widths, strict=True))]
        return "  ".join(cells).rstrip()
    return "\n".join(map(written, (head, *body)))


def _points(tenths: int | None) -> str:
    return "-" if tenths is None else f"{tenths // 10}.{tenths % 10}"


def _result(row: Row) -> str:
    if row.status != "graded":
        return "by hand" if row.status == "manual" else "missing"
    return "passed" if row.passed else "not passed"
