"""A workspace gets the course and every update of it, and never loses a byte that a learner wrote."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import pytest

from blowerlessons import workspace
from blowerlessons.build import answers_of, lessons
from blowerlessons.workspace import LEDGER, WorkspaceError, beside, make_workspace

FIRST = "01-working-safely-and-measuring-power.ipynb"


def contents(monkeypatch: pytest.MonkeyPatch, text: str) -> None:
    """Let the course consist of two files with `text` in them."""

    def fake() -> Iterator[tuple[str, bytes]]:
        yield "a.ipynb", text.encode()
        yield "guides/b.md", text.encode()

    monkeypatch.setattr(workspace, "contents", fake)


def test_a_new_workspace_holds_every_lesson_both_guides_and_the_licence(tmp_path: Path) -> None:
    told: list[str] = []
    folder = make_workspace(tmp_path / "deep" / "course", told.append)
    found = {p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file()}
    assert found == {f"{x.name}.ipynb" for x in lessons()} | {
        "guides/apprentice.md",
        "guides/instructor.md",
        "guides/own-equipment.md",
        "guides/panel.png",
        "guides/coach.png",
        *(f"guides/laptop-{view}.png" for view in ("air", "board", "caution", "connectors", "ladder")),
        *(f"guides/tablet-{view}.png" for view in ("wired", "ladder", "connectors", "air", "board")),
        "guides/small_unit.faults.toml",
        "guides/small_unit.readings.csv",
        "guides/small_unit.toml",
        "LICENSE.txt",
        LEDGER,
    }
    assert (folder / "records").is_dir()
    assert "CC BY 4.0" in (folder / "LICENSE.txt").read_text(encoding="utf-8")
    assert told == [f"Course in {folder}: 21 new, 0 updated, 0 unchanged, 0 of your own kept."]


def test_no_file_of_a_workspace_holds_an_answer_or_the_answers_folder(tmp_path: Path) -> None:
    folder = make_workspace(tmp_path, lambda _: None)
    text = "\n".join(p.read_text(encoding="utf-8", errors="replace") for p in folder.rglob("*") if p.is_file())
    # JSON writes a quote as \": compare both spellings.
    for lesson in lessons():
        for source in answers_of(lesson).values():
            assert source not in text and source.replace('"', '\\"') not in text
    assert not list(folder.rglob("*answers*"))


def test_a_second_run_changes_nothing(tmp_path: Path) -> None:
    make_workspace(tmp_path, lambda _: None)
    before = {p: (p.read_bytes(), p.stat().st_mtime_ns) for p in tmp_path.rglob("*") if p.is_file() and p.name != LEDGER}
    told: list[str] = []
    make_workspace(tmp_path, told.append)
    assert before == {p: (p.read_bytes(), p.stat().st_mtime_ns) for p in before}
    assert told == [f"Course in {tmp_path}: 0 new, 0 updated, 21 unchanged, 0 of your own kept."]


def test_an_untouched_file_is_updated_in_place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for text in ("one", "two"):
        contents(monkeypatch, text)
        make_workspace(tmp_path, lambda _: None)
    assert (tmp_path / "a.ipynb").read_text() == "two"
    assert not (tmp_path / "a.new.ipynb").exists()


def test_a_changed_file_stays_and_the_new_version_lies_beside_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    contents(monkeypatch, "one")
    make_workspace(tmp_path, lambda _: None)
    (tmp_path / "a.ipynb").write_text("mine")
    told: list[str] = []
    make_workspace(tmp_path, told.append)
    assert not (tmp_path / "a.new.ipynb").exists(), "there is no new version yet"
    contents(monkeypatch, "two")
    make_workspace(tmp_path, told.append)
    assert (tmp_path / "a.ipynb").read_text() == "mine"
    assert (tmp_path / "a.new.ipynb").read_text() == "two"
    assert "You changed a.ipynb, so it stays as it is. The new version lies beside it as a.new.ipynb." in told
    contents(monkeypatch, "three")
    make_workspace(tmp_path, told.append)
    assert (tmp_path / "a.ipynb").read_text() == "mine" and (tmp_path / "a.new.ipynb").read_text() == "three"


def test_a_new_version_that_the_learner_worked_in_is_kept_too(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    contents(monkeypatch, "one")
    make_workspace(tmp_path, lambda _: None)
    (tmp_path / "a.ipynb").write_text("mine")
    contents(monkeypatch, "two")
    make_workspace(tmp_path, lambda _: None)
    (tmp_path / "a.new.ipynb").write_text("mine as well")
    contents(monkeypatch, "three")
    make_workspace(tmp_path, lambda _: None)
    assert (tmp_path / "a.ipynb").read_text() == "mine"
    assert (tmp_path / "a.new.ipynb").read_text() == "mine as well"
    assert (tmp_path / "a.new.new.ipynb").read_text() == "three"


@pytest.mark.parametrize("ledger", [None, "", "{", "[]", '{"format": 99, "written": {}}', '{"format": 1, "written": 3}'])
def test_without_a_readable_list_every_existing_file_counts_as_the_learners(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, ledger: str | None
) -> None:
    contents(monkeypatch, "one")
    make_workspace(tmp_path, lambda _: None)
    (tmp_path / "a.ipynb").write_text("mine")
    (tmp_path / LEDGER).unlink() if ledger is None else (tmp_path / LEDGER).write_text(ledger)
    contents(monkeypatch, "two")
    make_workspace(tmp_path, lambda _: None)
    assert (tmp_path / "a.ipynb").read_text() == "mine" and (tmp_path / "a.new.ipynb").read_text() == "two"


def test_a_run_that_broke_off_between_file_and_list_loses_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    contents(monkeypatch, "one")
    make_workspace(tmp_path, lambda _: None)
    (tmp_path / LEDGER).write_text(json.dumps({"format": 1, "written": {}}))
    told: list[str] = []
    make_workspace(tmp_path, told.append)
    assert told == [f"Course in {tmp_path}: 0 new, 0 updated, 2 unchanged, 0 of your own kept."]
    contents(monkeypatch, "two")
    make_workspace(tmp_path, lambda _: None)
    assert (tmp_path / "a.ipynb").read_text() == "two"


def test_a_deleted_notebook_comes_back_and_records_are_left_alone(tmp_path: Path) -> None:
    make_workspace(tmp_path, lambda _: None)
    (tmp_path / FIRST).unlink()
    (tmp_path / "records" / "lesson-2.jsonl").write_text("my call")
    make_workspace(tmp_path, lambda _: None)
    assert (tmp_path / FIRST).exists() and (tmp_path / "records" / "lesson-2.jsonl").read_text() == "my call"


def test_a_file_in_place_of_the_folder_is_named(tmp_path: Path) -> None:
    (tmp_path / "course").write_text("x")
    with pytest.raises(WorkspaceError, match="is a file"):
        make_workspace(tmp_path / "course", lambda _: None)
    with pytest.raises(WorkspaceError, match="can't be written"):
        make_workspace(tmp_path / "course" / "inside", lambda _: None)


def test_the_name_beside_keeps_the_ending() -> None:
    assert beside("01-x.ipynb") == "01-x.new.ipynb" and beside("guides/b.md") == "guides/b.new.md"
