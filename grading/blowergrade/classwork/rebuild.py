"""A student's notebook made anew from the release: of theirs, only the text of solution cells is carried over.

Rule: the release decides which cells there are, in which order, with which metadata; nothing else of a hand-in gets in.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import nbformat
from nbgrader.preprocessors import NbGraderPreprocessor
from traitlets import Unicode

#: A solution cell of an assignment holds a personal code; more text than this is not carried over.
LONGEST = 2_000


def rebuilt(release: Any, student: Any) -> tuple[Any, tuple[str, ...]]:
    """The released notebook with the student's solution texts in it, and what was found odd, in sentences.

    `student` may be anything that nbformat read, or None where it could not be read.
    """
    notes: list[str] = []
    theirs = _solutions(student, notes)
    made = nbformat.from_dict(release)
    for cell in made.cells:
        marks = cell.metadata.get("nbgrader", {})
        if marks.get("solution") and cell.cell_type == "code":
            own = theirs.get(marks.get("grade_id"), ())
            if len(own) == 1 and len(own[0]) <= LONGEST:
                cell.source = own[0]
            elif own:
                notes.append(f"the cell {marks['grade_id']!r} stands {len(own)} times or is too long; the release's stayed")
    return made, tuple(notes)


def _solutions(student: Any, notes: list[str]) -> dict[str, list[str]]:
    found: dict[str, list[str]] = {}
    if student is None:
        notes.append("the notebook could not be read; the released one stands in for it")
        return found
    for cell in getattr(student, "cells", ()):
        marks = cell.get("metadata", {}).get("nbgrader", {})
        name, source = (marks.get("grade_id"), cell.get("source")) if isinstance(marks, dict) else (None, None)
        if isinstance(name, str) and isinstance(source, str) and source not in found.get(name, ()):
            found.setdefault(name, []).append(source)
    return found


def read_notebook(file: Path) -> Any:
    """The notebook in `file` as nbformat 4, or None where it can't be read."""
    try:
        if file.is_symlink() or not file.is_file() or file.stat().st_size > 20_000_000:
            return None
        return nbformat.read(file, as_version=4)
    except Exception:  # nbformat raises many kinds of error for what students hand in
        return None


class RebuildFromRelease(NbGraderPreprocessor):  # type: ignore[misc] # nbgrader is untyped
    """nbgrader preprocessor: put the rebuilt notebook in place of the one that was handed in."""

    root = Unicode("", help="The class folder.").tag(config=True)

    def preprocess(self, nb: Any, resources: Any) -> tuple[Any, Any]:
        """The released notebook with this one's solution texts."""
        about = resources["nbgrader"]
        release = Path(self.root) / "release" / about["assignment"] / f"{about['notebook']}.ipynb"
        made, notes = rebuilt(nbformat.read(release, as_version=4), nb)
        for note in notes:
            self.log.warning("%s: %s", about["student"], note)
        return made, resources
