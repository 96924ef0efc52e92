"""What there is to grade again: the records of an exam's folder, of a class, or of a manifest.

Rule: a source names each record with the fault, the rubric and the sheet that it had, and changes nothing.
"""

from __future__ import annotations

import hashlib
from pathlib import Path

from blowergrade.regrade import RegradeError, Wanted, read_manifest


def wanted_of(source: Path) -> tuple[Wanted, ...]:
    """The records of `source`: an exam's folder, a class folder or a manifest's file; `RegradeError` for anything else."""
    if source.is_file():
        return read_manifest(source)
    if (source / "private" / "plan.sealed").is_file():
        return _of_exam(source)
    if (source / "class.toml").is_file():
        return _of_class(source)
    raise RegradeError(f"{source} is neither an exam's folder nor a class folder nor a manifest's file")


def _of_exam(source: Path) -> tuple[Wanted, ...]:
    from blowergrade.exam.folder import RECORDS, ExamFolder
    from blowergrade.exam.gradings import newest

    folder = ExamFolder(source)
    return tuple(
        Wanted(
            f"{result.candidate}/{call.call}", str(folder.root / RECORDS / result.candidate / f"{call.call}.jsonl"),
            call.fault, str(folder.rubric), call.sheet,
        )
        for result in newest(folder).results
        for call in result.calls
        if call.acts or call.sheet
    )  # fmt: skip


def _of_class(source: Path) -> tuple[Wanted, ...]:
    from blowergrade.classwork.folder import ClassFolder
    from blowergrade.classwork.hand_in import find_record

    folder = ClassFolder(source)
    found = []
    for name in folder.assignments():
        assignment = folder.assignment(name)
        for one in assignment.assigned:
            outcome = folder.outcome(one.student, assignment.name)
            file = find_record(folder.root / "submitted" / one.student / assignment.name) if outcome is not None else None
            if outcome is None or outcome.sheet is None or file is None:
                continue
            digest = hashlib.sha256(outcome.sheet.json()).hexdigest()
            found.append(Wanted(f"{assignment.name}/{one.student}", str(file), one.fault, assignment.rubric, digest))
    return tuple(found)
