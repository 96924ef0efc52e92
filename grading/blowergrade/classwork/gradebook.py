"""nbgrader's gradebook, filled from outcomes and compared with them.

Rule: the outcome is the truth and the gradebook a copy; what a person set in the formgrader is taken over as an override, and
any other difference is told.
"""

from __future__ import annotations

import shutil
from collections.abc import Collection, Iterable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import nbformat
from tqdm.auto import tqdm

from blowergrade.classwork.assign import nbgrader_api
from blowergrade.classwork.changes import journal, override
from blowergrade.classwork.folder import ClassError, ClassFolder
from blowergrade.classwork.notebook import part_of
from blowergrade.classwork.outcome import PARTS
from blowergrade.classwork.rebuild import read_notebook, rebuilt
from blowergrade.classwork.record_grader import clamped

FORMGRADER = "formgrader"


def write_grades(folder: ClassFolder, name: str, students: Collection[str] = (), progress: bool = True) -> tuple[str, ...]:
    """Fill the gradebook from the outcomes of assignment `name`; returns, in sentences, what did not work or differs."""
    api = nbgrader_api(folder)
    _people(folder, api, name)
    wanted = [
        x.student for x in folder.assignment(name).assigned
        if (not students or x.student in students) and _handed_in(folder, x.student, name)
    ]  # fmt: skip
    told: list[str] = []
    for student in tqdm(wanted, unit="call", desc="Gradebook", disable=not progress or not wanted):
        make_readable(folder, student, name)
        made = api.autograde(name, student)
        if not made["success"]:
            text = str(made.get("error") or made.get("log") or "").strip().splitlines()
            told.append(f"{student}: nbgrader could not take this hand-in ({text[-1] if text else 'it said nothing'})")
    return (*told, *verify(folder, name))


def _handed_in(folder: ClassFolder, student: str, name: str) -> bool:
    outcome = folder.outcome(student, name)
    return outcome is not None and outcome.status != "missing"


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
    """Bring names and addresses of the roster, and the due time, into the gradebook."""
    due = folder.assignment(name).due
    with api.gradebook as book:
        for s in folder.students:
            first, _, last = s.name.rpartition(" ")
            book.update_or_create_student(s.id, first_name=first, last_name=last, email=s.email or None)
        when = datetime.fromisoformat(due).astimezone(UTC).replace(tzinfo=None) if due else None
        book.update_or_create_assignment(name, duedate=when)


# ---------------------------------------------------------------------- formgrader
def take_over(folder: ClassFolder, name: str) -> tuple[str, ...]:
    """Make overrides of the points that somebody set in the formgrader; returns what was taken over, in sentences."""
    taken: list[str] = []
    with nbgrader_api(folder).gradebook as book:
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
def verify(folder: ClassFolder, name: str) -> tuple[str, ...]:
    """Every difference between the gradebook and the outcomes of assignment `name`, in sentences."""
    told: list[str] = []
    try:
        with nbgrader_api(folder).gradebook as book:
            for notebook in _notebooks(book, name):
                told += _differences(folder, notebook, name)
    except ClassError:
        raise
    except Exception as error:  # SQLAlchemy and nbgrader raise many kinds for a database that was tampered with
        why = f"{type(error).__name__}: {str(error)[:200]}"
        told.append(f"the gradebook can't be read ({why}); put the copy back that you kept")
    return tuple(told)


def _differences(folder: ClassFolder, notebook: Any, name: str) -> list[str]:
    student = notebook.student.id
    outcome = folder.outcome(student, name)
    told, seen = [], set()
    for grade in notebook.grades:
        part = part_of(grade.cell.name)
        seen.add(part)
        points = outcome.part(part)[0] if outcome is not None and part else None
        wanted = None if points is None else clamped(points, grade.cell.max_score)
        shown = grade.manual_score if grade.manual_score is not None else grade.auto_score
        if grade.needs_manual_grade and wanted is None:
            continue
        if shown is None or wanted is None or abs(shown + (grade.extra_credit or 0.0) - wanted) > 1e-6:
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
