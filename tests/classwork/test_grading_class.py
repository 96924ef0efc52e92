"""Grading a class: the record alone counts, one bad hand-in stops nobody, and the gradebook says what the record earned."""

from __future__ import annotations

import os
import shutil
import sqlite3
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from fractions import Fraction
from typing import Any

import msgspec
import nbformat
import numpy as np
import pytest
from nbformat.v4 import new_code_cell, new_output
from nbgrader.utils import determine_grade
from small_class import NAME, PLAYED, play

from blowerbench.units import ureg
from blowergrade.classwork import changes, grading
from blowergrade.classwork.changes import late_taken_off
from blowergrade.classwork.folder import ClassError, ClassFolder, Settings
from blowergrade.classwork.gradebook import take_over, verify, write_grades
from blowergrade.classwork.hand_in import Job
from blowergrade.classwork.outcome import Outcome


def grade(folder: ClassFolder, *students: str) -> dict[str, grading.Row]:
    return {r.student: r for r in grading.grade_class(folder, NAME, students, processes=1, progress=False)}


def book(folder: ClassFolder) -> sqlite3.Connection:
    return sqlite3.connect(folder.root / "gradebook.db")


# ---------------------------------------------------------------------- nbgrader's own rules
@pytest.mark.parametrize(
    ("shown", "points"),
    [
        ("6.5", 6.5), (repr(np.float64(6.5)), 10.0), ("'6.5'", 10.0), ("nan", 10.0), ("-1", 10.0),
        (repr(Fraction(13, 2)), 10.0),
        (repr(ureg.Quantity(6.5, "volt")), 10.0), (None, 10.0), ("10.0", 10.0), ("0.0", 0.0),
    ],
)  # fmt: skip
def test_nbgrader_reads_only_a_plain_number_as_points(shown: str | None, points: float) -> None:
    # Probed with nbgrader 0.9.6: everything else is full marks. This table guards upgrades.
    outputs = [] if shown is None else [new_output("execute_result", {"text/plain": shown}, execution_count=1)]
    assert determine_grade(_cell(outputs))[0] == points


def test_nbgrader_raises_above_the_maximum_and_gives_nothing_after_stderr() -> None:
    for shown in ("10.0000001", "inf"):
        with pytest.raises(ValueError, match="greater than maximum"):
            determine_grade(_cell([new_output("execute_result", {"text/plain": shown}, execution_count=1)]))
    noise = new_output("stream", name="stderr", text="warning")
    assert determine_grade(_cell([noise, new_output("execute_result", {"text/plain": "9.0"}, execution_count=1)]))[0] == 0
    assert determine_grade(_cell([new_output("stream", name="stdout", text="10")]))[0] == 10.0


def _cell(outputs: list[Any]) -> Any:
    about = {
        "grade": True,
        "solution": False,
        "points": 10,
        "grade_id": "x",
        "locked": True,
        "schema_version": 3,
        "task": False,
    }
    return new_code_cell("x", outputs=outputs, metadata={"nbgrader": about})


def test_stock_nbgrader_without_our_settings_gives_0_and_not_full_marks(folder: ClassFolder) -> None:
    code = (
        "import sys; from nbgrader.apps import NbGraderAPI; from traitlets.config import Config\n"
        "c = Config(); c.CourseDirectory.root = sys.argv[1]; c.CourseDirectory.course_id = 'blowers'\n"
        f"a = NbGraderAPI(config=c); r = a.autograde('{NAME}', 's01'); print(r.get('log')); assert r['success']\n"
        f"with a.gradebook as g: print('SCORE', g.find_submission('{NAME}', 's01').score)\n"
    )
    done = subprocess.run(
        [sys.executable, "-W", "ignore", "-c", code, str(folder.root)], capture_output=True, text=True, check=False, timeout=120
    )
    assert "SCORE 0.0" in done.stdout, done.stdout[-800:] + done.stderr[-800:]


# ---------------------------------------------------------------------- our path
def test_a_good_call_gets_its_points_part_by_part_and_the_gradebook_agrees(folder: ClassFolder) -> None:
    rows = grade(folder)
    assert rows["s01"].passed and rows["s01"].tenths == 1000 and rows["s01"].parts == (400, 300, 200, 100)
    assert rows["s03"].status == "missing" and rows["s03"].tenths is None
    assert write_grades(folder, NAME, progress=False) == ()
    with book(folder) as db:
        scores = [r[0] for r in db.execute("select auto_score from grade order by auto_score")]
    assert scores == [10.0, 10.0, 20.0, 20.0, 30.0, 30.0, 40.0, 40.0]
    page = nbformat.read(folder.root / "autograded" / "s01" / NAME / f"{NAME}.ipynb", as_version=4)
    told = [c for c in page.cells if c.metadata.get("nbgrader", {}).get("grade")]
    assert all("<li>" in c.outputs[0].data["text/html"] for c in told)


def test_what_is_unchanged_is_not_graded_again_unless_asked(folder: ClassFolder) -> None:
    grade(folder)
    assert not grade(folder, "s01")["s01"].fresh
    again = grading.grade_class(folder, NAME, ("s01",), processes=1, again=True, progress=False)
    assert again[0].fresh
    with pytest.raises(ClassError, match="was not assigned to nobody"):
        grade(folder, "nobody")


def test_processes_give_the_same_as_one_process(folder: ClassFolder) -> None:
    alone = grade(folder)
    pooled = {r.student: r for r in grading.grade_class(folder, NAME, processes=2, again=True, progress=False)}
    assert [msgspec.structs.replace(r, fresh=False) for r in pooled.values()] == [
        msgspec.structs.replace(r, fresh=False) for r in alone.values()
    ]


def die_on_s02(job: Job) -> Outcome:
    """Grading that ends its process at one student."""
    if job.assigned.student == "s02":
        os._exit(9)
    return Outcome(1, job.assigned.student, job.assignment, "graded")


def test_a_process_that_dies_stops_nobody_else(folder: ClassFolder) -> None:
    jobs = list(grading._jobs(folder, folder.assignment(NAME), ()))
    found = {o.student: o for o in grading.run(jobs, 2, die_on_s02)}
    assert set(found) == {"s01", "s02", "s03", "s04"}
    assert found["s02"].status == "manual" and "ended its process" in found["s02"].reason
    assert all(found[s].status == "graded" for s in ("s01", "s03", "s04"))


def test_a_gradebook_that_was_edited_is_found_and_written_again(folder: ClassFolder) -> None:
    grade(folder)
    write_grades(folder, NAME, progress=False)
    with book(folder) as db:
        db.execute("update grade set auto_score = auto_score - 7 where auto_score = 40")
    told = verify(folder, NAME)
    assert len(told) == len(PLAYED) and "33.0" in told[0] and "40.0" in told[0]
    assert write_grades(folder, NAME, progress=False) == ()


def test_points_set_in_the_formgrader_become_overrides_with_their_comment(folder: ClassFolder) -> None:
    grade(folder)
    write_grades(folder, NAME, progress=False)
    with book(folder) as db:
        db.execute(
            "update grade set manual_score = 8.5 where auto_score = 10 "
            "and rowid = (select max(rowid) from grade where auto_score = 10)"
        )
    assert verify(folder, NAME)
    taken = take_over(folder, NAME)
    assert len(taken) == 1 and "write_up set to 8.5" in taken[0]
    who = taken[0][:3]
    outcome = folder.outcome(who, NAME)
    assert outcome is not None and outcome.part("write_up") == (85, 100) and outcome.overrides[0].by == "formgrader"
    assert verify(folder, NAME) == () and take_over(folder, NAME) == ()


# ---------------------------------------------------------------------- changes by a person
def test_an_override_needs_a_reason_stays_in_bounds_and_survives_a_regrade(folder: ClassFolder) -> None:
    grade(folder)
    for points, why in (("20.1", "can't be given"), ("-1", "can't be given"), ("1.25", "can't be given"), ("x", "no number")):
        with pytest.raises(ClassError, match=why):
            changes.override(folder, "s01", NAME, "repair", points, "because", "A. Teacher")
    with pytest.raises(ClassError, match="needs a reason"):
        changes.override(folder, "s01", NAME, "repair", "3", " ", "A. Teacher")
    with pytest.raises(ClassError, match="no part"):
        changes.override(folder, "s01", NAME, "luck", "3", "because", "A. Teacher")
    made = changes.override(folder, "s01", NAME, "repair", "12.5", "the door was left open", "A. Teacher")
    assert made.tenths == 925
    grading.grade_class(folder, NAME, ("s01",), processes=1, again=True, progress=False)
    kept = folder.outcome("s01", NAME)
    assert kept is not None and kept.tenths == 925 and kept.sheet is not None and kept.sheet.parts[2].tenths == 200
    assert '"override"' in (folder.private / "changes.jsonl").read_text()


DUE = datetime(2027, 3, 1, 17, 0, tzinfo=UTC)


@pytest.mark.parametrize(
    ("after", "days", "taken", "held"),
    [
        # 10 % a day of 83.5 points, 15 min of grace, worked by hand: 8.35 a day, rounded down to tenths.
        (timedelta(0), 0, 0, False), (timedelta(minutes=15), 0, 0, False), (timedelta(minutes=15, seconds=1), 1, 83, False),
        (timedelta(days=1, minutes=15), 1, 83, False), (timedelta(days=1, minutes=15, seconds=1), 2, 167, False),
        (timedelta(days=3, minutes=15), 3, 250, False), (timedelta(days=3, minutes=16), 4, 0, True),
        (timedelta(days=-5), 0, 0, False),
    ],
)  # fmt: skip
def test_the_late_policy_counts_days_begun_after_the_grace_time(after: timedelta, days: int, taken: int, held: bool) -> None:
    settings = Settings("c", "t", late_percent_a_day=10, late_days=3, late_grace_minutes=15)
    found = late_taken_off(settings, DUE.isoformat(), (DUE + after).isoformat(), 835)
    assert found[:2] == (days, taken) and bool(found[2]) is held


def test_a_late_hand_in_loses_points_and_an_extension_gives_them_back(folder: ClassFolder) -> None:
    text = folder.settings_file.read_text().replace("late_percent_a_day = 0", "late_percent_a_day = 10")
    folder.settings_file.write_text(text)
    late = ClassFolder(folder.root)
    assignment = msgspec.structs.replace(late.assignment(NAME), due=DUE.isoformat())
    late.keep_assignment(assignment)
    stamp = late.root / "submitted" / "s01" / NAME / "timestamp.txt"
    stamp.write_text((DUE + timedelta(days=2)).strftime("%Y-%m-%d %H:%M:%S UTC"))
    assert grade(late)["s01"].tenths == 800
    assert write_grades(late, NAME, progress=False) == ()
    changes.extend(late, "s01", NAME, (DUE + timedelta(days=3)).isoformat(), "was ill", "A. Teacher")
    outcome = late.outcome("s01", NAME)
    assert outcome is not None and (outcome.tenths, outcome.late_days) == (1000, 0)
    stamp.write_text((DUE + timedelta(days=30)).strftime("%Y-%m-%d %H:%M:%S UTC"))
    held = grade(late)["s01"]
    assert held.status == "manual" and "days late" in held.reason and held.tenths is None


def test_a_hand_in_of_a_technician_who_stops_early_is_graded_for_what_it_is(folder: ClassFolder) -> None:
    place = play(folder, "s03")
    lines = (place / "call.jsonl").read_bytes().splitlines(keepends=True)
    (place / "call.jsonl").write_bytes(b"".join(lines[:40]))
    row = grade(folder)["s03"]
    assert row.status == "graded" and not row.passed and row.tenths is not None and row.tenths < 700
    shutil.rmtree(place)
