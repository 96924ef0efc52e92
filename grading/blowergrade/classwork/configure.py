"""nbgrader's settings for a class, in one place: its commands, its formgrader and ours use the same.

Rule: whatever starts nbgrader in a class folder gets these settings. Without them its grade cells earn 0.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

from blowergrade.classwork.folder import ClassFolder
from blowergrade.classwork.notebook import CODE_STUB

OURS = "blowergrade.classwork"
#: A hand-in is made anew from the release before anything looks at it.
SANITIZE = (
    f"{OURS}.rebuild.RebuildFromRelease",
    "nbgrader.preprocessors.ClearOutput",
    "nbgrader.preprocessors.DeduplicateIds",
    "nbgrader.preprocessors.OverwriteKernelspec",
    "nbgrader.preprocessors.OverwriteCells",
    "nbgrader.preprocessors.CheckCellMetadata",
)
#: nbgrader's own list without Execute: no student code runs. Ours come before and after the saving of grades.
AUTOGRADE = (
    f"{OURS}.record_grader.RecordGrader",
    "nbgrader.preprocessors.SaveAutoGrades",
    "nbgrader.preprocessors.AssignLatePenalties",
    f"{OURS}.record_grader.SaveOutcome",
    "nbgrader.preprocessors.CheckCellMetadata",
)


def configure(c: Any, root: Path) -> None:
    """Set nbgrader up for the class in `root`; `c` is a traitlets configuration."""
    folder = ClassFolder(root)
    c.CourseDirectory.root = str(folder.root)
    c.CourseDirectory.course_id = folder.settings.course
    c.CourseDirectory.ignore = [".ipynb_checkpoints", "*.pyc", "__pycache__", "feedback", "*.damaged", "*.part", "*.lock"]
    c.CourseDirectory.max_file_size = 20_000  # kilobytes
    # nbgrader puts this in place of every solution cell when it makes a release.
    c.ClearSolutions.code_stub = {"python": CODE_STUB}
    c.Autograde.sanitize_preprocessors = list(SANITIZE)
    c.Autograde.autograde_preprocessors = list(AUTOGRADE)
    for name in ("RebuildFromRelease", "RecordGrader", "SaveOutcome"):
        getattr(c, name).root = str(folder.root)
