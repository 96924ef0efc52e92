"""The diagnostic command: what it must find in a class that looks in order, and that it changes nothing."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import msgspec
import pytest
from small_class import NAME

from blowergrade.classwork import check as checks
from blowergrade.classwork.check import check
from blowergrade.classwork.folder import ClassError, ClassFolder


def _edit_notebook(folder: ClassFolder, edit: Callable[[list[dict[str, object]]], None]) -> None:
    file = folder.root / "release" / NAME / f"{NAME}.ipynb"
    notebook = json.loads(file.read_text(encoding="utf-8"))
    edit(notebook["cells"])
    file.write_text(json.dumps(notebook), encoding="utf-8")


@pytest.mark.parametrize("what", ["empty", "unlocked", "removed", "renamed", "text"])
def test_a_released_grade_cell_that_could_earn_points_by_itself_is_found(folder: ClassFolder, what: str) -> None:
    """nbgrader 0.9.6 gives a grade cell without an error its full points."""

    def edit(cells: list[dict[str, object]]) -> None:
        marks = cells[-1]["metadata"]
        assert isinstance(marks, dict) and marks["nbgrader"]["grade"]
        if what == "empty":
            cells[-1]["source"] = "# write here"
        elif what == "unlocked":
            marks["nbgrader"]["locked"] = False
        elif what == "removed":
            del cells[-1]
        elif what == "renamed":
            marks["nbgrader"]["grade_id"] = "part-luck"
        else:
            cells[-1] |= {"cell_type": "markdown"}

    assert not [f for f in check(folder) if f.level == "problem"]
    _edit_notebook(folder, edit)
    found = [f for f in check(folder) if f.level == "problem"]
    assert len(found) == 1 and "grade cells were changed or are missing" in found[0].what and "--again" in found[0].remedy


@pytest.mark.parametrize(
    ("planted", "told"),
    [
        ("Zo\u00eb \u00c5ngstr\u00f6m", "student's name"), (json.dumps("Zo\u00eb \u00c5ngstr\u00f6m"), "student's name"),
        ("ada@example.org", "student's address"),
    ],
)  # fmt: skip
def test_names_are_found_however_a_notebook_writes_them(folder: ClassFolder, planted: str, told: str) -> None:
    roster = folder.root / "roster.csv"
    roster.write_text(roster.read_text(encoding="utf-8").replace("Ben Muster", "Zo\u00eb \u00c5ngstr\u00f6m"), encoding="utf-8")
    (folder.root / "release" / NAME / "notes.txt").write_text(planted, encoding="utf-8")
    found = [f.what for f in check(folder) if f.level == "problem"]
    assert len(found) == 1 and told in found[0] and "notes.txt" in found[0]


def test_an_exchange_is_looked_at(folder: ClassFolder, tmp_path: Path) -> None:
    config = folder.root / "nbgrader_config.py"
    kept = config.read_text(encoding="utf-8")
    for root, level, told in ((tmp_path, "warning", "by their account only"), (tmp_path / "no", "problem", "can't be written")):
        config.write_text(f"{kept}\nc = get_config()\nc.Exchange.root = {str(root)!r}\n", encoding="utf-8")
        assert [(f.level, told in f.what) for f in check(folder) if "exchange" in f.what] == [(level, True)]


def test_students_and_programs_that_came_later_are_warned_of(folder: ClassFolder, monkeypatch: pytest.MonkeyPatch) -> None:
    assignment = folder.assignment(NAME)
    folder.keep_assignment(msgspec.structs.replace(assignment, assigned=assignment.assigned[:-1]))
    monkeypatch.setattr(checks, "version", lambda package: "0.11.0")
    found = {f.what: f for f in check(folder)}
    assert found["nbgrader 0.11.0"].level == "warning"
    assert found[f"{NAME} was not assigned to s04"].remedy.endswith("--late`")


def test_another_folder_in_the_configuration_is_a_problem(folder: ClassFolder, tmp_path: Path) -> None:
    config = folder.root / "nbgrader_config.py"
    text = config.read_text(encoding="utf-8")
    config.write_text(f"{text}\nc = get_config()\nc.CourseDirectory.root = {str(tmp_path)!r}\n", encoding="utf-8")
    assert any("names another folder" in f.what for f in check(folder) if f.level == "problem")


def test_looking_changes_nothing(folder: ClassFolder) -> None:
    def all_files() -> dict[Path, bytes]:
        found = (p for p in folder.root.rglob("*") if p.is_file() and "__pycache__" not in p.parts)
        return {p: p.read_bytes() for p in found}

    before = all_files()
    check(folder)
    assert all_files() == before


@pytest.mark.parametrize(
    "line",
    ["late_percent_a_day = -5", "late_percent_a_day = 101", "late_days = -1", "late_grace_minutes = -1", "late_days = 2.5",
     "late_dais = 3"],
)  # fmt: skip
def test_settings_that_would_give_points_away_are_refused_with_their_name(folder: ClassFolder, line: str) -> None:
    key = line.split(" ")[0]
    kept = [x for x in folder.settings_file.read_text(encoding="utf-8").splitlines() if not x.startswith(key)]
    folder.settings_file.write_text("\n".join([*kept, line]), encoding="utf-8")
    with pytest.raises(ClassError, match=r"class\.toml: .*(late_|Expected)"):
        ClassFolder(folder.root)
