"""A workspace gets the course and every update of it, and never loses a byte that a learner wrote."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from blowerlessons import workspace
from blowerlessons.assigned import practice_calls
from blowerlessons.build import answers_of, keys, lesson_numbered, lessons, names
from blowerlessons.workspace import LEDGER, WorkspaceError, beside, make_workspace

FIRST = "01-working-safely.ipynb"
SPANISH = "01-working-safely.es.ipynb"
GUIDES = {
    "apprentice.md",
    "instructor.md",
    "own-equipment.md",
    "panel.png",
    "coach.png",
    *(f"laptop-{view}.png" for view in ("air", "board", "caution", "connectors", "ladder")),
    *(f"tablet-{view}.png" for view in ("wired", "ladder", "connectors", "air", "board")),
    "class.md",
    "class-formgrader.png",
    "exam.md",
    *(f"exam-{view}.png" for view in ("before", "call", "desk", "candidate", "receipts")),
    "certificates.md",
    *(f"certificates-{view}.png" for view in ("page", "verify", "revoked")),
    "statistics.md",
    *(f"statistics-{view}.png" for view in ("passed", "trust", "calls", "cut")),
    "glossary.md",
    "iso-17024.md",
    "records.md",
    "small_unit.faults.toml",
    "small_unit.readings.csv",
    "small_unit.toml",
}
FILES = len(names()) + len(GUIDES) + 1  # and the licence


def contents(monkeypatch: pytest.MonkeyPatch, text: str) -> None:
    """Let the course consist of two files with `text` in them."""

    def fake() -> Iterator[tuple[str, bytes]]:
        yield "a.ipynb", text.encode()
        yield "guides/b.md", text.encode()

    monkeypatch.setattr(workspace, "contents", fake)


def test_a_new_workspace_holds_every_lesson_the_guides_and_the_licence(tmp_path: Path) -> None:
    told: list[str] = []
    folder = make_workspace(tmp_path / "deep" / "course", told.append)
    found = {p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file()}
    assert found == {f"{x.name}.ipynb" for x in lessons()} | {f"guides/{g}" for g in GUIDES} | {"LICENSE.txt", LEDGER}
    assert {FIRST, SPANISH} <= found
    assert (folder / "records").is_dir()
    assert "CC BY 4.0" in (folder / "LICENSE.txt").read_text(encoding="utf-8")
    assert told == [f"Course in {folder}: {FILES} new, 0 updated, 0 unchanged, 0 of your own kept."]


def texts_in(folder: Path) -> dict[str, str]:
    """Every file of a workspace as text, of a notebook its cells one after the other."""

    def text_of(path: Path) -> str:
        text = path.read_text(encoding="utf-8", errors="replace")
        if path.suffix != ".ipynb":
            return text
        return "\n".join("".join(cell["source"]) for cell in json.loads(text)["cells"])

    return {p.name: text_of(p) for p in folder.rglob("*") if p.is_file()}


def test_no_file_of_a_workspace_holds_an_answer_or_the_answers_folder(tmp_path: Path) -> None:
    folder = make_workspace(tmp_path, lambda _: None)
    texts = texts_in(folder)
    assert "= ..." in texts[FIRST]
    for lesson in lessons():
        for cell, source in answers_of(lesson).items():
            assert [n for n, text in texts.items() if source in text] == [], cell
    assert not list(folder.rglob("*answers*"))


def test_no_notebook_names_the_fault_of_a_call_or_what_it_teaches(tmp_path: Path) -> None:
    texts = texts_in(make_workspace(tmp_path, lambda _: None))
    del texts["small_unit.faults.toml"]  # the faults of a unit of one's own, by the names that any unit may use
    for key in keys():
        for call in practice_calls(key):
            fault = call.fault.partition("/")[0]
            if fault == "healthy_unit":
                continue
            told = [n for n, text in texts.items() if re.search(rf"\b{re.escape(fault)}\b", text) or call.teaches in text]
            assert told == [], (key, fault)


def test_a_lesson_in_a_language_that_it_is_not_written_in_is_the_english_one() -> None:
    assert lesson_numbered("01", "es").name == SPANISH.removesuffix(".ipynb")
    assert lesson_numbered("02", "es").language == "en"


def test_a_second_run_changes_nothing(tmp_path: Path) -> None:
    make_workspace(tmp_path, lambda _: None)
    before = {p: (p.read_bytes(), p.stat().st_mtime_ns) for p in tmp_path.rglob("*") if p.is_file() and p.name != LEDGER}
    told: list[str] = []
    make_workspace(tmp_path, told.append)
    assert before == {p: (p.read_bytes(), p.stat().st_mtime_ns) for p in before}
    assert told == [f"Course in {tmp_path}: 0 new, 0 updated, {FILES} unchanged, 0 of your own kept."]


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
    for name in ("lesson-02-call-1.jsonl", "progress.jsonl", "capstone.json"):
        (tmp_path / "records" / name).write_text("mine")
    make_workspace(tmp_path, lambda _: None)
    assert (tmp_path / FIRST).exists()
    assert {p.name: p.read_text() for p in (tmp_path / "records").iterdir()} == {
        "lesson-02-call-1.jsonl": "mine",
        "progress.jsonl": "mine",
        "capstone.json": "mine",
    }


def test_a_solved_notebook_and_its_spanish_text_are_kept_through_an_update(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    make_workspace(tmp_path, lambda _: None)
    mine = {n: (tmp_path / n).read_text(encoding="utf-8").replace("= ...", "= 1") for n in (FIRST, SPANISH)}
    for name, text in mine.items():
        (tmp_path / name).write_text(text, encoding="utf-8")
    monkeypatch.setattr(workspace, "build", lambda: iter([(FIRST, b"new"), (SPANISH, b"nuevo")]))
    make_workspace(tmp_path, lambda _: None)
    assert {n: (tmp_path / n).read_text(encoding="utf-8") for n in mine} == mine
    assert (tmp_path / beside(FIRST)).read_bytes() == b"new" and (tmp_path / beside(SPANISH)).read_bytes() == b"nuevo"


def test_a_file_in_place_of_the_folder_is_named(tmp_path: Path) -> None:
    (tmp_path / "course").write_text("x")
    with pytest.raises(WorkspaceError, match="is a file"):
        make_workspace(tmp_path / "course", lambda _: None)
    with pytest.raises(WorkspaceError, match="can't be written"):
        make_workspace(tmp_path / "course" / "inside", lambda _: None)


def test_the_name_beside_keeps_the_ending() -> None:
    assert beside("01-x.ipynb") == "01-x.new.ipynb" and beside("guides/b.md") == "guides/b.new.md"
