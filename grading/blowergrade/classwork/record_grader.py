"""nbgrader preprocessors that put an outcome into the grade cells of a notebook and into the gradebook.

Rule: a grade cell's last output is a plain number between 0 and its maximum, or its grade waits for a person. nbgrader takes
a cell without output for full marks, so nothing is left to it.
"""

from __future__ import annotations

import html
from pathlib import Path
from typing import Any

from nbformat.v4 import new_output
from nbgrader.api import Gradebook
from nbgrader.preprocessors import NbGraderPreprocessor
from traitlets import Unicode

from blowerbench.errors import BenchError
from blowergrade.classwork.folder import ClassFolder
from blowergrade.classwork.notebook import part_of
from blowergrade.classwork.outcome import Outcome

#: What a grade cell says whose call was not graded yet.
NOT_YET = "This call was not graded yet: run `blowergrade class grade`."


def outcome_of(root: str, resources: Any) -> Outcome | None:
    """The outcome that the notebook under conversion stands for, or None."""
    about = resources["nbgrader"]
    try:
        return ClassFolder(Path(root)).outcome(about["student"], about["assignment"])
    except BenchError:
        return None


def clamped(tenths: int, most: float) -> float:
    """`tenths` of a point as a plain float between 0 and `most`."""
    return float(min(max(tenths / 10.0, 0.0), float(most)))


class RecordGrader(NbGraderPreprocessor):  # type: ignore[misc] # nbgrader is untyped
    """Fill each grade cell with its part's reasons and, last, its points."""

    root = Unicode("", help="The class folder.").tag(config=True)

    def preprocess(self, nb: Any, resources: Any) -> tuple[Any, Any]:
        """The notebook with its grade cells filled in."""
        outcome = outcome_of(self.root, resources)
        for cell in nb.cells:
            marks = cell.metadata.get("nbgrader", {})
            if marks.get("grade") and cell.cell_type == "code":
                cell.execution_count = None
                cell.outputs = outputs_of(outcome, part_of(marks["grade_id"]), float(marks["points"]))
        return nb, resources


def outputs_of(outcome: Outcome | None, part: str, most: float) -> list[Any]:
    """A grade cell's outputs: the reasons as a list, then the number, which is 0 while a person must decide."""
    points = outcome.part(part)[0] if outcome is not None and part else None
    told = new_output("display_data", {"text/html": reasons_html(outcome, part), "text/plain": "see the reasons"})
    number = 0.0 if points is None else clamped(points, most)
    return [told, new_output("execute_result", {"text/plain": repr(number)}, execution_count=1)]


def reasons_html(outcome: Outcome | None, part: str) -> str:
    """Why a part has its points, for the gradebook's page and nbgrader's feedback."""
    if outcome is None:
        return f"<p>{NOT_YET}</p>"
    lines = [f"{o.reason} ({o.by}, {o.when[:10]})" for o in outcome.overrides if o.part == part]
    if outcome.status != "graded":
        lines.insert(0, f"By hand: {outcome.reason}" if outcome.status == "manual" else outcome.reason)
    found = next((p for p in outcome.sheet.parts if p.name == part), None) if outcome.sheet is not None else None
    if found is not None:
        lines += [f"{r.tenths / 10:g} of {r.of / 10:g}: {r.words}" for r in found.reasons]
    return "<ul>" + "".join(f"<li>{html.escape(line)}</li>" for line in lines) + "</ul>"


class SaveOutcome(NbGraderPreprocessor):  # type: ignore[misc] # nbgrader is untyped
    """Last: grades that wait for a person are marked so, and the late policy's points are taken off."""

    root = Unicode("", help="The class folder.").tag(config=True)

    def preprocess(self, nb: Any, resources: Any) -> tuple[Any, Any]:
        """The notebook as it is; the gradebook is what changes."""
        about, outcome = resources["nbgrader"], outcome_of(self.root, resources)
        with Gradebook(about["db_url"]) as book:
            submitted = book.find_submission_notebook(about["notebook"], about["assignment"], about["student"])
            for grade in submitted.grades:
                part = part_of(grade.cell.name)
                points = outcome.part(part)[0] if outcome is not None and part else None
                grade.auto_score = None if points is None else clamped(points, grade.cell.max_score)
                grade.needs_manual_grade = points is None
            taken = outcome.late_tenths if outcome is not None else 0
            submitted.late_submission_penalty = taken / 10.0 if taken else None
            book.db.commit()
        return nb, resources
