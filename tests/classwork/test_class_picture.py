"""The class picture: nobody, one and two hundred; names that are no plain words; and nobody known where no name may show."""

from __future__ import annotations

import io
import re
import struct
import warnings
from pathlib import Path

import msgspec
import pytest
from small_class import NAME, crowd, graded, outcome, waits

from blowergrade.classwork.class_picture import Figure, draw, figures
from blowergrade.classwork.folder import ClassFolder
from blowergrade.classwork.outcome import Outcome
from blowergrade.sheet import Broken

HOSTILE = [
    "$x^2_$", "$\\frac{", "a_b^c", "<script>alert(1)</script>", "&amp;", "=cmd", "../../etc", "\u674e\u96f7",
    "\u0623\u062d\u0645\u062f", "\u202eevil",
    "x" * 200, "\U0001f600", "%s %d {0} {name}", "Zo\u00eb \u00c5ngstr\u00f6m", "\\", "''",
]  # fmt: skip


def by_name(folder: ClassFolder, anonymous: bool = False) -> dict[str, Figure]:
    return {f.name: f for f in figures(folder, folder.assignments(), anonymous)}


def size(png: bytes) -> tuple[int, int]:
    """Width and height in pixels (PNG specification, IHDR)."""
    assert png[:8] == b"\x89PNG\r\n\x1a\n" and png[12:16] == b"IHDR"
    width, height = struct.unpack(">II", png[16:24])
    return int(width), int(height)


def test_hostile_names_are_drawn_as_they_are_and_without_a_warning(folder: ClassFolder, tmp_path: Path) -> None:
    crowd(graded(folder), HOSTILE)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        page = draw(folder, [NAME], tmp_path).read_text(encoding="utf-8")
    assert "<script" not in page and "&lt;script&gt;alert(1)" in page and "&amp;amp;" in page
    assert "\u674e\u96f7 (m007)" in page  # what the plot's font can't draw has its id on the plot and in the table
    for png in tmp_path.glob("*.png"):
        assert max(size(png.read_bytes())) < 2000


def test_two_hundred_fit_on_pages_that_can_be_read(folder: ClassFolder) -> None:
    made = by_name(crowd(graded(folder), [f"Student {k}" for k in range(200)]))
    maps = [f for n, f in made.items() if n.startswith("parts")]
    assert len(maps) == 5 and sum(len(f.rows) for f in maps) == 200 == len(made["needs"].rows)
    assert all(
        size(f.png)[1] / len(f.rows) > 20 for f in maps
    )  # 20 pixels a line at 110 dots per inch: letters of 6 points or more


def test_nobody_one_and_only_those_who_wait(folder: ClassFolder, tmp_path: Path) -> None:
    empty = by_name(folder)  # nothing was graded
    assert all(f.png == b"" and f.rows == () for f in empty.values())
    assert "<img" not in draw(folder, [NAME], tmp_path / "a").read_text(encoding="utf-8")
    for student in ("s01", "s02", "s03"):
        waits(folder, student, "no catalogued fault explains all readings")
    folder.keep_outcome(Outcome(1, "s04", NAME, "missing", reason="nothing was handed in"))
    made = by_name(folder)
    assert {r[1:] for r in made["parts"].rows} == {("by hand",) * 4, ("missing",) * 4} and made["parts"].png
    assert [r[1][:8] for r in made["needs"].rows] == ["By hand:"] * 3 + ["Nothing "]
    assert by_name(crowd(graded(folder), ["Only One"]))["needs"].rows[0][0] == "Only One (m000)"


def test_numbers_of_the_table_are_the_points(folder: ClassFolder) -> None:
    """Worked by hand: 20 of 40 is 50 %, 30 of 30 is 100 %, 5 of 20 is 25 %, none of 10 is 0 %."""
    first = outcome(graded(folder), "s01")
    assert first.sheet is not None
    earned = dict(zip([p.name for p in first.sheet.parts], (200, 300, 50, 0), strict=True))
    parts = tuple(msgspec.structs.replace(p, tenths=earned[p.name]) for p in first.sheet.parts)
    folder.keep_outcome(msgspec.structs.replace(first, sheet=msgspec.structs.replace(first.sheet, parts=parts)))
    assert by_name(folder)["parts"].rows[0] == ("Ada Example (s01)", "50 %", "100 %", "25 %", "0 %")


def test_a_rule_is_counted_once_a_student_and_the_gravest_stand_first(folder: ClassFolder) -> None:
    graded(folder)
    minor, critical = (Broken(rule, level, seq, seq, "clause", text) for rule, level, seq, text in (
        ("r1", "minor", 9, "gloves off"), ("r2", "critical", 5, "touched a live part"),
    ))  # fmt: skip
    for student, broken in (("s01", (minor, minor, critical)), ("s02", (minor,))):
        one = outcome(folder, student)
        assert one.sheet is not None
        sheet = msgspec.structs.replace(one.sheet, violations=broken)
        folder.keep_outcome(msgspec.structs.replace(one, sheet=sheet))
    assert by_name(folder)["safety"].rows == (("critical", "touched a live part", "1", "5"), ("minor", "gloves off", "2", "9"))


def test_advice_is_that_of_the_newest_assignment_not_of_the_last_in_the_alphabet(folder: ClassFolder) -> None:
    first = outcome(graded(folder), "s01")
    assert first.sheet is not None
    silent = msgspec.structs.replace(first.sheet, declared=(), entailed=False)
    later = msgspec.structs.replace(folder.assignment(NAME), name="a-later-one", made="2099-01-01T00:00:00+00:00")
    folder.keep_assignment(later)
    folder.keep_outcome(msgspec.structs.replace(first, assignment="a-later-one", sheet=silent))
    assert by_name(folder)["needs"].rows[0][1].startswith("No diagnosis was declared")


def test_without_names_nobody_is_known_by_name_id_reason_or_place(folder: ClassFolder, tmp_path: Path) -> None:
    names = [f"Person {chr(65 + k)}" for k in range(20)]
    crowd(graded(folder), names)
    for k in (3, 7):
        waits(folder, f"m{k:03d}", "this record is of m001")
    page = re.sub(r"base64,[^\"]*", "", draw(folder, [NAME], tmp_path, anonymous=True).read_text(encoding="utf-8"))
    assert "Person" not in page and "m0" not in page and "instructor only" not in page
    waiting = [r[0] for r in by_name(folder, anonymous=True)["needs"].rows if r[1] == "By hand."]
    assert len(waiting) == 2 and waiting != ["student 4", "student 8"]
    again = [r[0] for r in by_name(folder, anonymous=True)["needs"].rows if r[1] == "By hand."]
    assert waiting == again  # the same number for the same person each time


def test_pictures_hold_no_time_or_program_and_are_the_same_each_time(folder: ClassFolder) -> None:
    from PIL import Image

    crowd(graded(folder), ["One", "Two"])
    one, two = by_name(folder)["parts"].png, by_name(folder)["parts"].png
    assert one == two
    assert not Image.open(io.BytesIO(one)).info.get("Software")


@pytest.mark.parametrize("anonymous", [False, True])
def test_every_plot_has_a_table_and_words_for_who_cannot_see_it(folder: ClassFolder, anonymous: bool) -> None:
    for figure in by_name(crowd(graded(folder), ["One", "Two"]), anonymous).values():
        assert figure.says.endswith((".", "%")) and all(len(row) == len(figure.head) for row in figure.rows)
        assert not figure.png or figure.rows
