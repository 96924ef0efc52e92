"""Results as tables: points per part for a spreadsheet, and a set of files in the open OneRoster form.

Rule: what waits for a person has empty points and a reason, never a zero; no cell starts a formula.
"""

from __future__ import annotations

import csv
import io
import zipfile
from collections.abc import Sequence
from pathlib import Path

from blowergrade.classwork.folder import Assignment, ClassFolder, write
from blowergrade.classwork.outcome import PARTS, Outcome
from blowergrade.rubric import load_rubric
from blowergrade.sheet_csv import safe

PART_COLUMNS = (
    "id", "name", "assignment", "status", "total", *PARTS, "of", "passed", "days_late", "late_points", "overridden", "critical",
    "handed_in", "graded", "record", "reason",
)  # fmt: skip


def points(tenths: int | None) -> str:
    """Tenths of a point as a decimal, "" for None."""
    return "" if tenths is None else f"{tenths // 10}.{tenths % 10}"


def outcomes_of(folder: ClassFolder, name: str) -> list[tuple[str, str, Outcome | None]]:
    """Id, name and outcome of everybody who got assignment `name`, in the roster's order, then those who left."""
    names = {s.id: s.name for s in folder.students}
    got = [x.student for x in folder.assignment(name).assigned]
    order = [*(i for i in names if i in got), *(i for i in got if i not in names)]
    return [(i, names.get(i, ""), folder.outcome(i, name)) for i in order]


def write_parts(folder: ClassFolder, name: str, file: Path) -> None:
    """Write one row per student with the points of each part of assignment `name` to `file` (CSV, UTF-8 with a mark)."""
    most = sum(int(getattr(load_rubric(folder.assignment(name).rubric).rubric, part)) for part in PARTS)
    out = io.StringIO(newline="")
    rows = csv.writer(out, lineterminator="\r\n")
    rows.writerow(PART_COLUMNS)
    for student, person, outcome in outcomes_of(folder, name):
        rows.writerow(map(safe, _row(student, person, name, outcome, most)))
    write(file, out.getvalue().encode("utf-8-sig"))


def _row(student: str, person: str, name: str, outcome: Outcome | None, most: int) -> tuple[str, ...]:
    if outcome is None:
        return (student, person, name, "not graded", *("",) * (len(PART_COLUMNS) - 5), "not graded yet")
    sheet = outcome.sheet
    critical = sum(v.level == "critical" for v in sheet.violations) if sheet is not None else 0
    passed = "" if outcome.status != "graded" or sheet is None else "yes" if sheet.passed else "no"
    return (
        student, person, name, outcome.status, points(outcome.tenths), *(points(outcome.part(p)[0]) for p in PARTS), str(most),
        passed, str(outcome.late_days or ""), points(outcome.late_tenths) if outcome.late_tenths else "",
        "; ".join(f"{o.part}: {o.reason} ({o.by})" for o in outcome.overrides), str(critical) if sheet is not None else "",
        outcome.handed_in, outcome.when, outcome.record_digest[:16], outcome.reason,
    )  # fmt: skip


# ---------------------------------------------------------------------- OneRoster
#: 1EdTech OneRoster 1.1, CSV tables: files and columns of the gradebook part (from memory; check with the receiving system).
RESULTS = (
    "sourcedId", "status", "dateLastModified", "lineItemSourcedId", "studentSourcedId", "scoreStatus", "score", "scoreDate",
    "comment",
)  # fmt: skip
LINE_ITEMS = (
    "sourcedId", "status", "dateLastModified", "title", "description", "assignDate", "dueDate", "classSourcedId",
    "categorySourcedId", "gradingPeriodSourcedId", "resultValueMin", "resultValueMax",
)  # fmt: skip
CATEGORIES = ("sourcedId", "status", "dateLastModified", "title")
_ABSENT = (
    "academicSessions", "classes", "classResources", "courses", "courseResources", "demographics", "enrollments", "orgs",
    "resources", "users",
)  # fmt: skip
CATEGORY = "service-calls"
#: Our status and whether a person decided, as the standard's words for a score.
SCORE_STATUS = {"graded": "fully graded", "manual": "submitted", "missing": "not submitted"}


def oneroster_tables(folder: ClassFolder, names: Sequence[str]) -> dict[str, str]:
    """File name to text of a bulk set: results, line items, categories and the manifest.

    In a bulk set `status` and `dateLastModified` stay empty, as the standard asks.
    """
    results: list[tuple[str, ...]] = []
    items: list[tuple[str, ...]] = []
    for name in names:
        assignment = folder.assignment(name)
        items.append(_line_item(folder, assignment))
        ids = {s.id for s in folder.students} | {x.student for x in assignment.assigned}
        results += [
            _result(folder, name, student, outcome, outcome.reason_without(ids - {student}))
            for student, _, outcome in outcomes_of(folder, name)
            if outcome is not None
        ]
    manifest = [
        ("manifest.version", "1.0"), ("oneroster.version", "1.1"), *((f"file.{f}", "absent") for f in _ABSENT),
        ("file.categories", "bulk"), ("file.lineItems", "bulk"), ("file.results", "bulk"),
        ("source.systemName", "blowergrade"), ("source.systemCode", folder.settings.course),
    ]  # fmt: skip
    return {
        "manifest.csv": _csv(("propertyName", "value"), manifest),
        "categories.csv": _csv(CATEGORIES, [(CATEGORY, "", "", "Service calls")]),
        "lineItems.csv": _csv(LINE_ITEMS, items),
        "results.csv": _csv(RESULTS, results),
    }


def write_oneroster(folder: ClassFolder, names: Sequence[str], file: Path) -> None:
    """Write the bulk set of the assignments `names` to the zip `file`."""
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as made:
        for name, text in oneroster_tables(folder, names).items():
            made.writestr(name, text.encode())
    write(file, packed.getvalue())


def _csv(columns: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    out = io.StringIO(newline="")
    table = csv.writer(out, lineterminator="\r\n")
    table.writerow(columns)
    table.writerows([safe(cell) for cell in row] for row in rows)
    return out.getvalue()


def _line_item(folder: ClassFolder, assignment: Assignment) -> tuple[str, ...]:
    due = assignment.due or assignment.made
    return (
        f"{folder.settings.course}-{assignment.name}", "", "", assignment.title, "", assignment.made[:10], due[:10],
        folder.settings.course, CATEGORY, "", "0.0", "100.0",
    )  # fmt: skip


def _result(folder: ClassFolder, name: str, student: str, outcome: Outcome, reason: str) -> tuple[str, ...]:
    tenths = outcome.tenths
    status = "fully graded" if tenths is not None else SCORE_STATUS[outcome.status]
    if tenths is None and outcome.overrides:
        status = "partially graded"
    day = (outcome.when or outcome.handed_in)[:10]
    item = f"{folder.settings.course}-{name}"
    return (f"{item}-{student}", "", "", item, student, status, points(tenths), day, reason)
