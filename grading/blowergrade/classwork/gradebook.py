"""nbgrader's gradebook, filled from outcomes and compared with them.

Rule: the outcome is the truth and the gradebook a copy; what a person set in the formgrader is taken over as an override, and
any other difference is told.
"""

from __future__ import annotations

import shutil
import sqlite3
from collections.abc import Collection, Iterable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import nbformat
from tqdm.auto import tqdm

from blowergrade.classwork.assign import make_release, nbgrader_api, told_by
from blowergrade.classwork.changes import journal, override
from blowergrade.classwork.folder import ClassError, ClassFolder
from blowergrade.classwork.notebook import part_of
from blowergrade.classwork.outcome import PARTS
from blowergrade.classwork.rebuild import read_notebook, rebuilt

FORMGRADER = "formgrader"
#: Where nbgrader finds hand-ins while grades are written; gone afterwards.
STAGING = "private/staging"


@contextmanager
def _opened(api: Any) -> Iterator[Any]:
    """nbgrader's gradebook; raises `ClassError` where it can't be read."""
    from sqlalchemy.exc import SQLAlchemyError

    try:
        with api.gradebook as book:
            yield book
    except (SQLAlchemyError, sqlite3.Error) as error:
        why = str(error).splitlines()[0][:200]
        raise ClassError(f"gradebook.db can't be read ({why}); move it away and grade again: it is filled anew") from error


def write_grades(folder: ClassFolder, name: str, students: Collection[str] = (), progress: bool = True) -> tuple[str, ...]:
    """Fill the gradebook from the outcomes of assignment `name`; returns, in sentences, what did not work or differs."""
    api = nbgrader_api(folder)
    _people(folder, api, name)
    wanted = _handed_in(folder, name, students)
    told: list[str] = []
    api.coursedir.submitted_directory = STAGING
    try:
        for student in tqdm(wanted, unit="call", desc="Gradebook", disable=not progress or not wanted):
            make_readable(folder, student, name)
            _stage(folder, student, name)
            made = api.autograde(name, student)
            if not made["success"]:
                told.append(f"{student}: nbgrader could not take this hand-in ({told_by(made)})")
    finally:
        shutil.rmtree(folder.root / STAGING, ignore_errors=True)
    return (*told, *verify(folder, name, students))


def _handed_in(folder: ClassFolder, name: str, students: Collection[str]) -> list[str]:
    """Those of `students` (of all, where none are given) who handed in and were looked at."""
    asked = [x.student for x in folder.assignment(name).assigned if not students or x.student in students]
    found = {s: folder.outcome(s, name) for s in asked}
    return [s for s, outcome in found.items() if outcome is not None and outcome.status != "missing"]


def _stage(folder: ClassFolder, student: str, name: str) -> None:
    """Give nbgrader a hand-in of the notebook and its time alone.

    What else a student put beside them (links, pipes, a time of their own) would be followed, read and copied by it.
    """
    shutil.rmtree(folder.root / STAGING, ignore_errors=True)
    place = folder.root / STAGING / student / name
    place.mkdir(parents=True)
    shutil.copyfile(folder.root / "submitted" / student / name / f"{name}.ipynb", place / f"{name}.ipynb")
    outcome = folder.outcome(student, name)
    if outcome is not None and outcome.handed_in:
        when = datetime.fromisoformat(outcome.handed_in).astimezone(UTC)
        (place / "timestamp.txt").write_text(f"{when:%Y-%m-%d %H:%M:%S} UTC\n", encoding="ascii")


def make_readable(folder: ClassFolder, student: str, name: str) -> None:
    """Put a readable notebook where nbgrader looks for it; one that can't be read is kept under ``private/broken``."""
    place = folder.root / "submitted" / student / name
    file = place / f"{name}.ipynb"
    if read_notebook(file) is not None:
        return
    if file.is_symlink() or file.exists():
        stamp = datetime.now(UTC).strftime("%Y%m%dT%H%M%S%f")
        kept = folder.private / "broken" / name / student / f"{stamp}.ipynb"
        kept.parent.mkdir(parents=True, exist_ok=True)
        shutil.move(file, kept)
        where = kept.relative_to(folder.root).as_posix()
        journal(folder, "notebook replaced", "grading", student=student, assignment=name, kept=where)
    release = nbformat.read(folder.root / "release" / name / f"{name}.ipynb", as_version=4)
    made, _ = rebuilt(release, None)
    place.mkdir(parents=True, exist_ok=True)
    nbformat.write(made, file)


def _people(folder: ClassFolder, api: Any, name: str) -> None:
    """Bring names and addresses of the roster, and the due time, into the gradebook; one that was lost is begun anew."""
    due = folder.assignment(name).due
    with _opened(api) as book:
        known = any(a.name == name and a.notebooks for a in book.assignments)
    if not known:
        make_release(folder, name)
    with _opened(api) as book:
        for s in folder.students:
            first, _, last = s.name.rpartition(" ")
            book.update_or_create_student(s.id, first_name=first, last_name=last, email=s.email or None)
        when = datetime.fromisoformat(due).astimezone(UTC).replace(tzinfo=None) if due else None
        book.update_or_create_assignment(name, duedate=when)


# ---------------------------------------------------------------------- formgrader
def take_over(folder: ClassFolder, name: str) -> tuple[str, ...]:
    """Make overrides of the points that somebody set in the formgrader; returns what was taken over, in sentences."""
    taken: list[str] = []
    with _opened(nbgrader_api(folder)) as book:
        found = [
            (n.student.id, part_of(g.cell.name), g.manual_score, g.extra_credit or 0.0, _comment(n, g.cell.name), g)
            for n in _notebooks(book, name) for g in n.grades if g.manual_score is not None
        ]  # fmt: skip
        for student, part, points, extra, reason, grade in found:
            outcome = folder.outcome(student, name)
            if outcome is None or not part:
                continue
            tenths = round(10 * (points + extra))
            if outcome.part(part)[0] != tenths:
                override(folder, student, name, part, str(tenths / 10), reason or "set in the formgrader", FORMGRADER)
                taken.append(f"{student}: {part} set to {tenths / 10:g} in the formgrader")
            grade.manual_score, grade.extra_credit = None, None
            grade.auto_score, grade.needs_manual_grade = points + extra, False
        book.db.commit()
    return tuple(taken)


def _notebooks(book: Any, name: str) -> Iterable[Any]:
    return [n for s in book.assignment_submissions(name) for n in s.notebooks]


def _comment(notebook: Any, cell: str) -> str:
    return next((str(c.manual_comment) for c in notebook.comments if c.name == cell and c.manual_comment), "")


# ---------------------------------------------------------------------- comparison
def verify(folder: ClassFolder, name: str, students: Collection[str] = ()) -> tuple[str, ...]:
    """Every difference between the gradebook and the outcomes of assignment `name` (of `students`, or of all), in sentences."""
    told: list[str] = []
    lacking = set(_handed_in(folder, name, students))
    api = nbgrader_api(folder)
    try:
        with api.gradebook as book:
            for notebook in _notebooks(book, name):
                if not students or notebook.student.id in students:
                    lacking.discard(notebook.student.id)
                    told += _differences(folder, notebook, name)
        told += [f"{s}: the gradebook has no hand-in; run `blowergrade class grade` again" for s in sorted(lacking)]
    except Exception as error:  # SQLAlchemy and nbgrader raise many kinds for a database that was tampered with
        why = (str(error).splitlines() or [type(error).__name__])[0][:200]
        told.append(f"the gradebook can't be read ({why}); move gradebook.db away and grade again: it is filled anew")
    return tuple(told)


def _differences(folder: ClassFolder, notebook: Any, name: str) -> list[str]:
    student = notebook.student.id
    outcome = folder.outcome(student, name)
    told, seen = [], set()
    for grade in notebook.grades:
        part = part_of(grade.cell.name)
        seen.add(part)
        points, of = outcome.part(part) if outcome is not None and part else (None, 0)
        if of and abs(grade.cell.max_score - of / 10) > 1e-6:
            most = grade.cell.max_score
            told.append(f"{student}: {grade.cell.name} has {most} points in the gradebook, {of / 10} by the rubric")
        wanted = None if points is None else points / 10
        shown = grade.manual_score if grade.manual_score is not None else grade.auto_score
        if grade.extra_credit:
            shown = (shown or 0.0) + grade.extra_credit
        if shown is None and wanted is None and grade.needs_manual_grade:
            continue
        if shown is None or wanted is None or abs(shown - wanted) > 1e-6:
            told.append(f"{student}: the gradebook has {shown} for {grade.cell.name}, the record earned {wanted}")
    if not seen >= set(PARTS):
        lacks = ", ".join(sorted(set(PARTS) - seen))
        told.append(f"{student}: the gradebook lacks {lacks}; run `blowergrade class grade` again")
    late = outcome.late_tenths / 10.0 if outcome is not None else 0.0
    if abs((notebook.late_submission_penalty or 0.0) - late) > 1e-6:
        told.append(f"{student}: the gradebook takes {notebook.late_submission_penalty} off for lateness, the policy {late}")
    return told


def path_of_database(folder: ClassFolder) -> Path:
    """The gradebook's file."""
    return folder.root / "gradebook.db"
