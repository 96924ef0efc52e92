"""What a student gets back: one page that needs no network, with the sheet, the time line and what each act told.

Rule: a page holds its own student's call and nothing of anybody else; it lies where nbgrader's own feedback would lie, so that
releasing it over the exchange works as ever.
"""

from __future__ import annotations

from collections.abc import Collection
from datetime import UTC, datetime
from pathlib import Path

from markupsafe import Markup
from tqdm.auto import tqdm

from blowerbench.errors import BenchError
from blowerbench.messages import translate as t
from blowerbench.record import read_record
from blowergrade.classwork.advice import advice
from blowergrade.classwork.export import points
from blowergrade.classwork.folder import Assignment, ClassFolder, write
from blowergrade.classwork.hand_in import Held, digest_of, find_record
from blowergrade.classwork.outcome import PARTS, Outcome, Override
from blowergrade.classwork.people import Student
from blowergrade.explain import Explainer
from blowergrade.pages import explanation_section
from blowergrade.report import PARTS as PART_TITLES
from blowergrade.report import Added, environment, render


def write_feedback(
    folder: ClassFolder, name: str, students: Collection[str] = (), *, tell: bool = True, progress: bool = True
) -> tuple[Path, ...]:
    """Write the feedback page of every outcome of assignment `name`; returns the files.

    The page tells the fault. With `tell` off, pages are held back until the assignment is due.
    """
    assignment = folder.assignment(name)
    if not tell and assignment.due and datetime.now(UTC) < datetime.fromisoformat(assignment.due):
        return ()
    chosen = [s for s in folder.students if (not students or s.id in students) and folder.outcome(s.id, name) is not None]
    made = []
    for student in tqdm(chosen, unit="page", desc="Feedback", disable=not progress or not chosen):
        outcome = folder.outcome(student.id, name)
        if outcome is not None:
            made.append(_write(folder, assignment, student, outcome))
    return tuple(made)


def _write(folder: ClassFolder, assignment: Assignment, student: Student, outcome: Outcome) -> Path:
    place = folder.root / "feedback" / student.id / assignment.name
    file = place / f"{assignment.name}.html"
    write(file, page(folder, assignment, student, outcome).encode())
    _for_release(folder, assignment, student, outcome, place)
    return file


def _for_release(folder: ClassFolder, assignment: Assignment, student: Student, outcome: Outcome, place: Path) -> None:
    """Put beside a page what nbgrader's release of feedback wants to read: one page without it ends the release of all.

    Who handed in by another way gets a secret of our own, under which nobody finds the page in the exchange.
    """
    secret = folder.derived("feedback", student.id, assignment.name).hex()
    for name, instead in (("timestamp.txt", outcome.handed_in or outcome.when), ("submission_secret.txt", secret)):
        source = folder.root / "submitted" / student.id / assignment.name / name
        there = source.is_file() and not source.is_symlink() and 0 < source.stat().st_size < 1_000
        write(place / name, source.read_bytes() if there else instead.encode())


def page(folder: ClassFolder, assignment: Assignment, student: Student, outcome: Outcome) -> str:
    """The page of one student, whole, in their language."""
    language = student.language
    before = _before(folder, assignment, outcome, language)
    if outcome.sheet is None:
        return environment().get_template("feedback_waiting.html").render(
            _=lambda text: t(text, language), lang=language, school=folder.settings.title, person=student.name,
            title=assignment.title, before=before,
        )  # fmt: skip
    after = _explained(folder, assignment, outcome, language)
    return render(outcome.sheet, language, Added(student.name, folder.settings.title, before, after))


def _before(folder: ClassFolder, assignment: Assignment, outcome: Outcome, language: str) -> Markup:
    total = outcome.tenths
    others = {s.id for s in folder.students} | {x.student for x in assignment.assigned}
    reason = outcome.reason_without(others - {outcome.student})
    of = t("{0} of {1}", language)
    late = t("{0} days late: {1} points off", language).format(outcome.late_days, points(outcome.late_tenths))
    made = environment().get_template("feedback_before.html").render(
        _=lambda text: t(text, language), title=assignment.title,
        total=of.format(points(total), 100) if total is not None else t("not decided yet", language),
        handed_in=outcome.handed_in.replace("T", " ").replace("+00:00", " UTC"), late=late if outcome.late_days else "",
        waiting=reason if total is None and outcome.status == "manual" else "",
        missing=total is None and outcome.status == "missing",
        overrides=[(t(PART_TITLES[o.part], language), points(o.tenths), o.reason) for o in _newest(outcome)],
        advice=advice(outcome.sheet, language) if outcome.sheet is not None else (),
    )  # fmt: skip
    return Markup(made)


def _newest(outcome: Outcome) -> list[Override]:
    newest = {o.part: o for o in outcome.overrides}
    return [newest[p] for p in PARTS if p in newest]


def _explained(folder: ClassFolder, assignment: Assignment, outcome: Outcome, language: str) -> Markup:
    """The acts explained, where the record that was graded is still there; its digest says that it is the same."""
    try:
        file = find_record(folder.root / "submitted" / outcome.student / assignment.name)
        if file is None or digest_of(file) != outcome.record_digest or outcome.sheet is None:
            return Markup("")
        explainer = Explainer(outcome.sheet, read_record(file).lines, language=language)
        return Markup(explanation_section(explainer, explainer.telling))
    except (Held, BenchError):
        return Markup("")
