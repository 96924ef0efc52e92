"""Results as tables, read back as a spreadsheet and a student information system read them."""

from __future__ import annotations

import csv
import io
import re
import zipfile
from pathlib import Path

import msgspec
import pytest
from small_class import NAME, crowd, graded, outcome, waits

from blowergrade.classwork import changes
from blowergrade.classwork.export import write_oneroster, write_parts
from blowergrade.classwork.folder import ClassFolder


def parts(folder: ClassFolder, file: Path) -> dict[str, dict[str, str]]:
    write_parts(folder, NAME, file)
    return {r["id"]: r for r in csv.DictReader(io.StringIO(file.read_text(encoding="utf-8-sig")))}


def oneroster(folder: ClassFolder, file: Path) -> dict[str, list[dict[str, str]]]:
    write_oneroster(folder, [NAME], file)
    with zipfile.ZipFile(file) as made:
        return {n: list(csv.DictReader(io.StringIO(made.read(n).decode()))) for n in made.namelist()}


HOSTILE = [
    "=1+1", "+1", "-1", "@SUM(A1)", " =1+1", "\t=1+1", '=HYPERLINK("http://x.example")', "a\r\n=1+1", "a\n=1+1", '","=1+1',
]  # fmt: skip


@pytest.mark.parametrize("text", HOSTILE)
def test_no_cell_starts_a_formula_wherever_text_comes_in(folder: ClassFolder, tmp_path: Path, text: str) -> None:
    """Common practice for tables that spreadsheets open: no cell begins with = + - @, also not after blanks."""
    waits(graded(folder), "s03", text)
    changes.override(folder, "s01", NAME, "repair", "3", f"x{text}", text)
    made = parts(folder, tmp_path / "r.csv")
    tables = oneroster(folder, tmp_path / "r.zip")
    cells = [c for row in made.values() for c in row.values()]
    cells += [c for rows in tables.values() for row in rows for c in row.values()]
    assert len(made) == 4 and all(None not in row and len(row) == len(made["s01"]) for row in made.values())
    assert not [c for c in cells if re.match(r"\s*[=+@-]", c) or "\n" in c or "\r" in c]


def test_who_was_not_graded_or_left_stands_in_the_table_without_points(folder: ClassFolder, tmp_path: Path) -> None:
    graded(folder)
    for student in ("s03", "s04"):
        (folder.private / "outcomes" / NAME / f"{student}.json").unlink()
    roster = folder.root / "roster.csv"
    kept = [x for x in roster.read_text(encoding="utf-8").splitlines() if not x.startswith("s02")]
    roster.write_text("\n".join(kept), encoding="utf-8")
    rows = parts(folder, tmp_path / "r.csv")
    assert list(rows) == ["s01", "s03", "s04", "s02"]
    assert (rows["s02"]["name"], rows["s02"]["total"]) == ("", "100.0")
    assert (rows["s03"]["status"], rows["s03"]["total"], rows["s03"]["safety"]) == ("not graded", "", "")


def test_a_part_set_by_hand_and_a_late_day_show_in_the_row(folder: ClassFolder, tmp_path: Path) -> None:
    changes.override(graded(folder), "s01", NAME, "repair", "3", "ports left open", "A. Teacher")
    folder.keep_outcome(msgspec.structs.replace(outcome(folder, "s01"), late_days=2, late_tenths=166))
    row = parts(folder, tmp_path / "r.csv")["s01"]
    # 40 + 30 + 3 + 10 = 83.0, less 16.6
    assert (row["repair"], row["total"], row["days_late"], row["late_points"]) == ("3.0", "66.4", "2", "16.6")
    assert row["overridden"] == "repair: ports left open (A. Teacher)"


def test_a_school_system_gets_one_result_each_and_no_other_students_id(folder: ClassFolder, tmp_path: Path) -> None:
    waits(graded(folder), "s03", "this record is of s02")
    tables = oneroster(folder, tmp_path / "r.zip")
    results = {r["studentSourcedId"]: r for r in tables["results.csv"]}
    assert len({r["sourcedId"] for r in tables["results.csv"]}) == len(results) == 4
    assert results["s03"]["score"] == "" and "s02" not in results["s03"]["comment"] and results["s03"]["comment"]
    # OneRoster 1.1, section on score status (from memory): these five words and no others.
    words = {"exempt", "fully graded", "not submitted", "partially graded", "submitted"}
    assert {r["scoreStatus"] for r in tables["results.csv"]} <= words
    for item in tables["lineItems.csv"]:
        assert re.fullmatch(r"\d{4}-\d\d-\d\d", item["assignDate"]) and re.fullmatch(r"\d{4}-\d\d-\d\d", item["dueDate"])
        low, high = float(item["resultValueMin"]), float(item["resultValueMax"])
        assert all(low <= float(r["score"]) <= high for r in results.values() if r["score"])


def test_a_part_given_by_hand_makes_a_waiting_call_partially_graded(folder: ClassFolder, tmp_path: Path) -> None:
    waits(graded(folder), "s03", "look at it")
    changes.override(folder, "s03", NAME, "write_up", "8", "on paper", "A. Teacher")
    result = {r["studentSourcedId"]: r for r in oneroster(folder, tmp_path / "r.zip")["results.csv"]}["s03"]
    assert (result["scoreStatus"], result["score"]) == ("partially graded", "")


def test_two_hundred_names_come_back_whole(folder: ClassFolder, tmp_path: Path) -> None:
    names = [f'N\u00famero {k}, "the {k}th" \u674e' for k in range(200)]
    rows = parts(crowd(graded(folder), names), tmp_path / "r.csv")
    assert [r["name"] for r in rows.values()] == names
