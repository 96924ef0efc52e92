"""The gradebook: filled from outcomes whatever lies beside a notebook, and every change to it is told."""

from __future__ import annotations

import os
import shutil
import sqlite3
from collections.abc import Callable
from pathlib import Path

import msgspec
import pytest
from small_class import NAME

from blowergrade.classwork import changes, grading
from blowergrade.classwork.folder import ClassError, ClassFolder
from blowergrade.classwork.gradebook import STAGING, take_over, verify, write_grades

SCORES = (
    "select g.auto_score, g.needs_manual_grade from grade g join submitted_notebook n on n.id = g.notebook_id "
    "join submitted_assignment s on s.id = n.assignment_id where s.student_id = ?"
)


@pytest.fixture(scope="module")
def written_class(made_class: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The class with its gradebook filled, once for this file."""
    root = tmp_path_factory.mktemp("written") / "class"
    shutil.copytree(made_class, root, symlinks=True)
    whole = ClassFolder(root)
    grading.grade_class(whole, NAME, processes=1, progress=False)
    assert write_grades(whole, NAME, progress=False) == ()
    return root


@pytest.fixture
def written(written_class: Path, tmp_path: Path) -> ClassFolder:
    """A copy of it."""
    shutil.copytree(written_class, tmp_path / "class", symlinks=True)
    return ClassFolder(tmp_path / "class")


def sql(folder: ClassFolder, *statements: str) -> None:
    with sqlite3.connect(folder.root / "gradebook.db") as db:
        for statement in statements:
            db.execute(statement)


def scores(folder: ClassFolder, student: str) -> list[tuple[float | None, int]]:
    with sqlite3.connect(folder.root / "gradebook.db") as db:
        return sorted(db.execute(SCORES, (student,)), key=str)


# ---------------------------------------------------------------------- what lies beside a notebook
def _names(place: Path) -> None:
    for name in ("=cmd.txt", "<script>.ipynb", "%s{0}.py", "-rf", "other.ipynb"):
        (place / name).write_text("{")


def _secret(place: Path) -> None:
    (place / "mine.txt").symlink_to(place.parents[2] / "private" / "secret.key")
    (place / "gone").symlink_to("/nowhere/at/all")


def _loop(place: Path) -> None:
    (place / "loop").symlink_to("loop")
    (place / "up").symlink_to(place.parents[2])


def _time(place: Path) -> None:
    (place / "timestamp.txt").write_text("yesterday, I swear \x00")


def _huge(file: Path) -> None:
    with file.open("wb") as out:
        out.truncate(200_000_000)


BESIDE: dict[str, Callable[[Path], object]] = {
    "hostile names": _names,
    "a link to the secret": _secret,
    "a link to itself": _loop,
    "a pipe": lambda p: os.mkfifo(p / "x.txt"),
    "a time that is none": _time,
    "a pipe for a time": lambda p: os.mkfifo(p / "timestamp.txt"),
    "200 MB": lambda p: _huge(p / "film.mp4"),
    "a module of nbgrader's name": lambda p: (p / "nbgrader_config.py").write_text("raise SystemExit(1)"),
}


@pytest.mark.skipif(os.name != "posix", reason="links and pipes are POSIX's")
@pytest.mark.parametrize("name", BESIDE)
def test_what_lies_beside_a_notebook_is_neither_read_nor_copied(folder: ClassFolder, name: str) -> None:
    place = folder.root / "submitted" / "s01" / NAME
    BESIDE[name](place)
    rows = grading.grade_class(folder, NAME, ("s01",), processes=1, progress=False)
    assert rows[0].tenths == 1000
    assert write_grades(folder, NAME, ("s01",), progress=False) == ()
    assert [s for s, _ in scores(folder, "s01")] == [10.0, 20.0, 30.0, 40.0]
    copied = {p.name for p in (folder.root / "autograded").rglob("*") if p.is_file()}
    assert copied == {f"{NAME}.ipynb", "sealed.json"} and not (folder.root / STAGING).exists()


@pytest.mark.skipif(os.name != "posix", reason="links and pipes are POSIX's")
@pytest.mark.parametrize("kind", ["pipe", "folder", "link", "200 MB"])
def test_what_is_no_record_waits_in_the_gradebook_too(folder: ClassFolder, kind: str) -> None:
    record = folder.root / "submitted" / "s01" / NAME / "call.jsonl"
    record.unlink()
    make: dict[str, Callable[[], object]] = {
        "pipe": lambda: os.mkfifo(record),
        "folder": record.mkdir,
        "link": lambda: record.symlink_to(folder.root / "submitted" / "s02" / NAME / "call.jsonl"),
        "200 MB": lambda: _huge(record),
    }
    make[kind]()
    assert grading.grade_class(folder, NAME, ("s01",), processes=1, progress=False)[0].status == "manual"
    assert write_grades(folder, NAME, ("s01",), progress=False) == ()
    assert scores(folder, "s01") == [(None, 1)] * 4


# ---------------------------------------------------------------------- a gradebook that somebody changed
CHANGED: dict[str, tuple[str, str]] = {
    "seven points more": ("update grade set auto_score = auto_score + 7", "47.0 for part-safety, the record earned 40.0"),
    "extra credit": ("update grade set extra_credit = 7", "47.0 for part-safety"),
    "points by hand": ("update grade set manual_score = 40", "40.0 for part-isolation, the record earned 30.0"),
    "a higher maximum": ("update grade_cells set max_score = 400", "400.0 points in the gradebook, 40.0 by the rubric"),
    "a lower maximum": ("update grade_cells set max_score = 1", "1.0 points in the gradebook, 40.0 by the rubric"),
    "an empty grade": ("update grade set auto_score = null, needs_manual_grade = 1", "None for part-safety"),
    "a grade gone": ("delete from grade where auto_score = 40", "lacks safety"),
    "a hand-in gone": ("delete from submitted_notebook", "has no hand-in"),
    "no lateness": ("update submitted_notebook set late_submission_penalty = -3", "the policy 0.0"),
    "another's grades": ("update submitted_assignment set student_id = 's03' where student_id = 's01'", "s03: the gradebook"),
    "no table": ("drop table submitted_assignment", "has no hand-in"),
    "a time that is none": ("update submitted_assignment set timestamp = 'x'", "can't be read"),
}


@pytest.mark.parametrize("name", CHANGED)
def test_a_changed_gradebook_is_told(written: ClassFolder, name: str) -> None:
    statement, why = CHANGED[name]
    assert verify(written, NAME) == ()
    sql(written, statement)
    told = verify(written, NAME)
    assert any(why in line for line in told), told
    assert all("\n" not in line for line in told)


def test_points_added_in_the_gradebook_are_taken_back_when_it_is_written(written: ClassFolder) -> None:
    sql(written, "update grade set auto_score = auto_score + 7", "update submitted_notebook set late_submission_penalty = -3")
    assert len(verify(written, NAME, ("s02",))) == 5 and len(verify(written, NAME)) == 10
    assert write_grades(written, NAME, ("s02",), progress=False) == ()
    assert [s for s, _ in scores(written, "s02")] == [10.0, 20.0, 30.0, 40.0]
    assert verify(written, NAME, ("s02",)) == () and len(verify(written, NAME)) == 5


def test_a_gradebook_that_was_lost_is_filled_anew_and_a_broken_one_is_told(written: ClassFolder) -> None:
    file = written.root / "gradebook.db"
    file.unlink()
    assert [line for line in verify(written, NAME) if "has no hand-in" in line]
    assert write_grades(written, NAME, progress=False) == ()
    assert [s for s, _ in scores(written, "s01")] == [10.0, 20.0, 30.0, 40.0]
    file.write_bytes(b"no database " * 100)
    for step in (take_over, write_grades):
        with pytest.raises(ClassError, match="move it away and grade again"):
            step(written, NAME)
    assert "can't be read" in verify(written, NAME)[0]


# ---------------------------------------------------------------------- the formgrader
def test_a_comment_in_the_formgrader_is_the_reason_and_what_waited_is_decided(written: ClassFolder) -> None:
    (written.root / "submitted" / "s02" / NAME / "call.jsonl").write_bytes(b"{}\n")
    grading.grade_class(written, NAME, ("s02",), processes=1, progress=False)
    assert write_grades(written, NAME, progress=False) == () and scores(written, "s02") == [(None, 1)] * 4
    own = (
        "notebook_id = (select n.id from submitted_notebook n "
        "join submitted_assignment s on s.id = n.assignment_id where s.student_id = 's02')"
    )
    sql(
        written,
        f"update grade set manual_score = 9.5, needs_manual_grade = 0 where {own}",
        f"update comment set manual_comment = 'seen <b>at</b> the bench' where {own}",
    )
    told = take_over(written, NAME)
    assert len(told) == 4 and all(line.startswith("s02: ") and "set to 9.5" in line for line in told)
    outcome = written.outcome("s02", NAME)
    assert outcome is not None and outcome.tenths == 4 * 95 and {o.by for o in outcome.overrides} == {"formgrader"}
    grading.grade_class(written, NAME, ("s02",), processes=1, again=True, progress=False)
    assert write_grades(written, NAME, progress=False) == () and [s for s, _ in scores(written, "s02")] == [9.5] * 4
    page = (written.root / "autograded" / "s02" / NAME / f"{NAME}.ipynb").read_text(encoding="utf-8")
    assert "<b>at</b>" not in page


def test_points_in_the_formgrader_beyond_the_part_are_refused_and_nothing_is_lost(written: ClassFolder) -> None:
    sql(written, "update grade set manual_score = 4000 where auto_score = 40")
    with pytest.raises(ClassError, match="can't be given"):
        take_over(written, NAME)
    assert len(verify(written, NAME)) == 2


# ---------------------------------------------------------------------- by today's rules
def test_a_late_policy_written_down_later_holds_for_what_is_graded_already(written: ClassFolder) -> None:
    stamp = written.root / "submitted" / "s01" / NAME / "timestamp.txt"
    stamp.write_text("2027-03-02 16:00:00 UTC")

    def grade(whole: ClassFolder) -> grading.Row:
        return grading.grade_class(whole, NAME, ("s01",), processes=1, progress=False)[0]

    assert grade(written).fresh and not grade(written).fresh
    written.keep_assignment(msgspec.structs.replace(written.assignment(NAME), due="2027-03-01T17:00:00+00:00"))
    text = written.settings_file.read_text()
    written.settings_file.write_text(text.replace("late_percent_a_day = 0", "late_percent_a_day = 10"))
    row = grade(ClassFolder(written.root))
    assert (row.fresh, row.tenths) == (False, 900)  # one day begun, 10 % of 100 points
    written.settings_file.write_text(text.replace("late_days = 7", "late_days = 0"))
    row = grade(ClassFolder(written.root))
    assert (row.status, row.tenths) == ("manual", None) and "1 days late" in row.reason
    written.settings_file.write_text(text)
    row = grade(ClassFolder(written.root))
    assert (row.status, row.tenths) == ("graded", 1000)
    changes.override(written, "s01", NAME, "repair", 5, "left the door open", "A. Teacher")
    assert grade(written).tenths == 850
