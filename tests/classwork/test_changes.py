"""Late hand-ins, more time and points set by a person: worked by hand, and nothing undone by grading again."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import msgspec
import pytest
from small_class import NAME, graded, outcome

from blowergrade.classwork import changes
from blowergrade.classwork.changes import late_taken_off
from blowergrade.classwork.folder import ClassError, ClassFolder, Settings
from blowergrade.classwork.gradebook import verify, write_grades
from blowergrade.classwork.outcome import PARTS


@pytest.mark.parametrize(
    ("percent", "tenths", "days", "taken"),
    [
        # Taken off is percent x days of the points, cut to whole tenths, never more than there is.
        (7, 999, 1, 69), (7, 999, 2, 139), (1, 99, 1, 0), (33, 1000, 3, 990), (50, 995, 3, 995), (100, 1, 1, 1), (10, 0, 2, 0),
        (0, 1000, 5, 0),
    ],
)  # fmt: skip
def test_points_are_rounded_in_the_students_favour(percent: int, tenths: int, days: int, taken: int) -> None:
    settings = Settings("c", "t", late_percent_a_day=percent)
    due = datetime(2027, 3, 1, 17, tzinfo=UTC)
    handed = due + timedelta(days=days)
    assert late_taken_off(settings, due.isoformat(), handed.isoformat(), tenths) == (days, taken, "")


@pytest.mark.parametrize(
    ("due", "handed", "days"),
    [
        # US Eastern clocks go from UTC-5 to UTC-4 on 14 March 2027 and back on 7 November: a day stays 24 hours.
        ("2027-03-13T17:00:00-05:00", "2027-03-14T18:00:00-04:00", 1),
        ("2027-03-13T17:00:00-05:00", "2027-03-14T18:00:01-04:00", 2),
        ("2027-11-06T17:00:00-04:00", "2027-11-07T16:00:00-05:00", 1),
        ("2027-11-06T17:00:00-04:00", "2027-11-07T16:00:01-05:00", 2),
        ("2027-03-01T17:00:00+00:00", "2027-03-01T18:00:00+01:00", 0),
        ("2027-03-01T17:00:00+00:00", "2027-03-01T18:00:01+01:00", 1),
    ],
)  # fmt: skip
def test_clocks_that_are_put_forward_or_back_change_no_day(due: str, handed: str, days: int) -> None:
    assert late_taken_off(Settings("c", "t"), due, handed, 1000)[0] == days


def late_class(folder: ClassFolder, days: int, percent: int = 10) -> ClassFolder:
    """The class with a due time, graded, the hand-in of s01 coming `days` days after it."""
    text = folder.settings_file.read_text(encoding="utf-8")
    folder.settings_file.write_text(text.replace("late_percent_a_day = 0", f"late_percent_a_day = {percent}"), encoding="utf-8")
    late = ClassFolder(folder.root)
    due = datetime(2027, 3, 1, 17, tzinfo=UTC)
    late.keep_assignment(msgspec.structs.replace(late.assignment(NAME), due=due.isoformat()))
    stamp = late.root / "submitted" / "s01" / NAME / "timestamp.txt"
    stamp.write_text((due + timedelta(days=days)).strftime("%Y-%m-%d %H:%M:%S UTC"))
    return graded(late)


def test_one_part_set_by_hand_decides_nothing_about_a_hand_in_that_came_much_too_late(folder: ClassFolder) -> None:
    late = late_class(folder, days=20)
    assert outcome(late, "s01").status == "manual"
    changes.override(late, "s01", NAME, "write_up", "8", "read it", "A. Teacher")
    assert outcome(late, "s01").tenths is None
    assert outcome(graded(late), "s01").status == "manual" and outcome(late, "s01").tenths is None
    for part in PARTS:
        changes.override(late, "s01", NAME, part, "5", "it counts for half", "A. Teacher")
    assert outcome(late, "s01").tenths == 200 and outcome(graded(late), "s01").tenths == 200


def test_more_time_frees_what_was_held_and_takes_off_what_is_still_late(folder: ClassFolder) -> None:
    late = late_class(folder, days=20)
    changes.extend(late, "s01", NAME, "2027-03-19T17:00:00+00:00", "was ill", "A. Teacher")
    freed = outcome(late, "s01")
    # Two days over the new time at 10 % of 100.0 points.
    assert (freed.status, freed.late_days, freed.late_tenths, freed.tenths) == ("graded", 2, 200, 800)
    assert outcome(graded(late), "s01") == freed


def test_an_override_changes_what_a_late_day_costs(folder: ClassFolder) -> None:
    late = late_class(folder, days=1)
    assert outcome(late, "s01").tenths == 900
    changes.override(late, "s01", NAME, "repair", "0", "the door was left off", "A. Teacher")
    assert outcome(late, "s01").tenths == 720  # 80 points less 10 %
    assert write_grades(late, NAME, progress=False) == () and verify(late, NAME) == ()


@pytest.mark.parametrize(
    ("student", "due", "reason", "by", "why"),
    [
        ("s01", "soon", "ill", "A.", "is no time"), ("s01", "2027-03-05T17:00", "ill", "A.", "has no zone"),
        ("s01", "2027-03-05T17:00+00:00", " ", "A.", "needs a reason"), ("s01", "2027-03-05T17:00+00:00", "ill", "", "a name"),
        ("nobody", "2027-03-05T17:00+00:00", "ill", "A.", "was not assigned"),
    ],
)  # fmt: skip
def test_more_time_is_refused_without_time_zone_reason_or_name(
    folder: ClassFolder, student: str, due: str, reason: str, by: str, why: str
) -> None:
    with pytest.raises(ClassError, match=why):
        changes.extend(folder, student, NAME, due, reason, by)
    assert not (folder.private / "extensions.json").exists() and not (folder.private / "changes.jsonl").exists()


def test_every_change_is_kept_with_its_reason_and_the_newest_counts(folder: ClassFolder) -> None:
    graded(folder)
    for points, reason in (("3", "first"), ("20", "second"), ("0", "third")):
        changes.override(folder, "s02", NAME, "repair", points, reason, "A. Teacher")
    changes.extend(folder, "s02", NAME, "2027-03-05T18:00:00+01:00", "was ill", "B. Teacher")
    lines = [json.loads(x) for x in (folder.private / "changes.jsonl").read_text(encoding="utf-8").splitlines()]
    assert [(x["what"], x["reason"], x["by"]) for x in lines] == [
        ("override", "first", "A. Teacher"), ("override", "second", "A. Teacher"), ("override", "third", "A. Teacher"),
        ("extension", "was ill", "B. Teacher"),
    ]  # fmt: skip
    assert lines[-1]["due"] == "2027-03-05T17:00:00+00:00" == changes.extension(folder, "s02", NAME)
    kept = outcome(folder, "s02")
    assert [o.tenths for o in kept.overrides] == [30, 200, 0] and kept.part("repair") == (0, 200)


@pytest.mark.parametrize("points", ["nan", "inf", "-0.1", "20.05", "1e9", "", "0x10", "½"])
def test_points_that_are_no_points_are_refused(folder: ClassFolder, points: str) -> None:
    graded(folder)
    with pytest.raises(ClassError, match="points"):
        changes.override(folder, "s01", NAME, "repair", points, "because", "A. Teacher")
    assert outcome(folder, "s01").overrides == ()


def test_a_damaged_file_of_extensions_is_named(folder: ClassFolder, tmp_path: Path) -> None:
    graded(folder)
    (folder.private / "extensions.json").write_text("[]")
    with pytest.raises(ClassError, match=r"extensions\.json is damaged"):
        changes.extension(folder, "s01", NAME)
