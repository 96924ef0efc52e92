"""Attempts to forge a grade, each through the real path: no extra credit, or a person looks at it with the reason."""

from __future__ import annotations

import json
import os
import shutil
import sqlite3
from collections.abc import Callable
from pathlib import Path
from typing import Any

import msgspec
import nbformat
import pytest
from forged import chained
from nbformat.v4 import new_code_cell, new_markdown_cell, new_output
from small_class import COMPLAINT, FURNACE, NAME, play

from blowerbench import LocalBench
from blowerbench import acts as a
from blowerbench.faults import Hypothesis
from blowerbench.homework import open_assignment
from blowergrade.classwork import grading
from blowergrade.classwork.assign import assign
from blowergrade.classwork.codes import read_codes
from blowergrade.classwork.draw import Wanted
from blowergrade.classwork.folder import ClassFolder
from blowergrade.classwork.gradebook import verify, write_grades
from blowergrade.technicians import Technician

WHO = "s01"


def graded(folder: ClassFolder) -> tuple[grading.Row, dict[str, float | None]]:
    """The row of the forger, and what the gradebook has for each part, after the real path; everybody else is unharmed."""
    rows = {r.student: r for r in grading.grade_class(folder, NAME, (WHO, "s02"), processes=1, progress=False)}
    assert rows["s02"].passed and rows["s02"].tenths == 1000
    assert write_grades(folder, NAME, (WHO,), progress=False) == ()
    assert verify(folder, NAME, (WHO,)) == ()
    with sqlite3.connect(folder.root / "gradebook.db") as db:
        found = dict(
            db.execute(
                "select b.name, g.auto_score from grade g join base_cell b on b.id = g.cell_id "
                "join submitted_notebook n on n.id = g.notebook_id join submitted_assignment s on s.id = n.assignment_id "
                "where s.student_id = ?",
                (WHO,),
            )
        )
    return rows[WHO], found


def place_of(folder: ClassFolder) -> Path:
    return folder.root / "submitted" / WHO / NAME


def notebook_of(folder: ClassFolder) -> Path:
    return place_of(folder) / f"{NAME}.ipynb"


def weaken(folder: ClassFolder) -> int:
    """Leave the forger a poor but honest record; its points in tenths are what forging must not exceed."""
    record = place_of(folder) / "call.jsonl"
    record.write_bytes(b"".join(record.read_bytes().splitlines(keepends=True)[:30]))
    rows = grading.grade_class(folder, NAME, (WHO,), processes=1, progress=False)
    assert rows[0].tenths is not None and rows[0].tenths < 800
    return rows[0].tenths


# ---------------------------------------------------------------------- the notebook
def _edit(change: Callable[[Any], None]) -> Callable[[Path], None]:
    def edit(file: Path) -> None:
        made = nbformat.read(file, as_version=4)
        change(made)
        nbformat.write(made, file)

    return edit


def _grades(book: Any) -> list[Any]:
    return [c for c in book.cells if c.metadata.get("nbgrader", {}).get("grade")]


def _set(book: Any, **marks: object) -> None:
    for cell in _grades(book):
        cell.metadata["nbgrader"].update(marks)


def _outputs(*shown: str) -> Callable[[Any], None]:
    def change(book: Any) -> None:
        for cell in _grades(book):
            cell.outputs = [new_output("execute_result", {"text/plain": s}, execution_count=1) for s in shown]

    return change


def _replace_function(book: Any) -> None:
    book.cells.insert(1, new_code_cell("import blowergrade.score as s\ns.grade_record = lambda *_, **__: 100\n"))
    for cell in _grades(book):
        cell.source = "40.0"


def _formatter(book: Any) -> None:
    book.cells.insert(
        0, new_code_cell("get_ipython().display_formatter.formatters['text/plain'].for_type(float, lambda *_: '40.0')")
    )


def _database(book: Any) -> None:
    source = "import sqlite3, pathlib\nfor p in pathlib.Path('/').rglob('gradebook.db'):\n"
    source += "    sqlite3.connect(p).execute('update grade set auto_score = auto_score + 7')"
    book.cells.append(new_code_cell(source))
    for cell in book.cells:
        if cell.metadata.get("nbgrader", {}).get("solution"):
            cell.source = source


def _twice(book: Any) -> None:
    book.cells += [nbformat.from_dict(dict(c, id=f"again{k}")) for k, c in enumerate(_grades(book))]


def _deleted(book: Any) -> None:
    book.cells = [c for c in book.cells if not c.metadata.get("nbgrader", {}).get("grade")]


def _retyped(book: Any) -> None:
    book.cells = [new_markdown_cell(c.source, metadata=c.metadata) if c in _grades(book) else c for c in book.cells]


def _stripped(book: Any) -> None:
    for cell in book.cells:
        cell.metadata = {}


def _renamed_ids(book: Any) -> None:
    for k, cell in enumerate(_grades(book)):
        cell.metadata["nbgrader"]["grade_id"] = f"mine-{k}"


def _more_points(book: Any) -> None:
    _set(book, points=4000)


def _extra(book: Any) -> None:
    about = {
        "grade": True,
        "grade_id": "bonus",
        "points": 50,
        "locked": True,
        "solution": False,
        "task": False,
        "schema_version": 3,
    }
    book.cells.append(
        new_code_cell("50.0", metadata={"nbgrader": about}, outputs=[new_output("execute_result", {"text/plain": "50.0"})])
    )


def _noise(book: Any) -> None:
    for cell in _grades(book):
        cell.outputs = [new_output("stream", name="stderr", text="x" * 100)]


EDITS: dict[str, Callable[[Any], None]] = {
    "replaced function": _replace_function,
    "formatter trick": _formatter,
    "gradebook from a cell": _database,
    "extra grade cell": _extra,
    "deleted cells": _deleted,
    "duplicated cells": _twice,
    "retyped cells": _retyped,
    "stripped metadata": _stripped,
    "other ids": _renamed_ids,
    "more points": _more_points,
    "unlocked": lambda book: _set(book, locked=False, grade=False, solution=True),
    "outputs with full marks": _outputs("40.0"),
    "numpy 2 output": _outputs("np.float64(40.0)"),
    "nan output": _outputs("nan"),
    "many outputs": _outputs("40.0", "40.0"),
    "stderr noise": _noise,
    "schema of the past": lambda book: _set(book, schema_version=1),
}


@pytest.mark.parametrize("name", EDITS)
def test_an_edited_notebook_earns_what_its_record_earns(folder: ClassFolder, name: str) -> None:
    honest = weaken(folder)
    _edit(EDITS[name])(notebook_of(folder))
    row, book = graded(folder)
    assert row.tenths == honest
    assert sum(v or 0.0 for v in book.values()) == pytest.approx(honest / 10)
    assert set(book) == {"part-safety", "part-isolation", "part-repair", "part-write-up"}


BROKEN: dict[str, bytes | None] = {
    "missing": None,
    "empty": b"",
    "half": b'{"cells": [{"cell_type": "code", "source": "x"',
    "a list": b"[]",
    "a number": b"7",
    "no cells": b'{"metadata": {}, "nbformat": 4, "nbformat_minor": 5}',
    "binary": bytes(range(256)) * 40,
    "utf-16": json.dumps({"cells": []}).encode("utf-16"),
    "deep": b"[" * 60_000,
    "cells of numbers": b'{"cells": [1, 2], "metadata": {}, "nbformat": 4, "nbformat_minor": 5}',
    "format 99": b'{"cells": [], "metadata": {}, "nbformat": 99, "nbformat_minor": 5}',
    "format 2": b'{"worksheets": [{"cells": []}], "metadata": {}, "nbformat": 2}',
}


@pytest.mark.parametrize("name", BROKEN)
def test_a_broken_notebook_costs_nothing_and_its_record_counts(folder: ClassFolder, name: str) -> None:
    file, data = notebook_of(folder), BROKEN[name]
    file.unlink() if data is None else file.write_bytes(data)
    row, book = graded(folder)
    assert row.passed and sum(v or 0.0 for v in book.values()) == 100.0
    kept = list((folder.private / "broken").rglob("*.ipynb"))
    assert data is None or name in ("no cells", "format 2", "cells of numbers") or [k.read_bytes() for k in kept] == [data]


def test_a_renamed_notebook_is_found_wanting_and_the_record_counts(folder: ClassFolder) -> None:
    notebook_of(folder).rename(place_of(folder) / "my work final.ipynb")
    row, book = graded(folder)
    assert row.passed and sum(v or 0.0 for v in book.values()) == 100.0


# ---------------------------------------------------------------------- the record
def record_of(folder: ClassFolder) -> Path:
    return place_of(folder) / "call.jsonl"


def edited(folder: ClassFolder, change: Callable[[list[dict[str, Any]]], Any], rechain: bool = True) -> None:
    """Edit the forger's record, with the chain computed again or left."""
    file = record_of(folder)
    lines = [json.loads(x) for x in file.read_bytes().splitlines()]
    change(lines)
    file.write_bytes(chained(lines) if rechain else b"".join(msgspec.json.encode(x) + b"\n" for x in lines))


def _reading(lines: list[dict[str, Any]]) -> None:
    shown = next(x["body"]["observation"]["shown"][0] for x in lines[1:] if x["body"]["observation"]["shown"])
    shown["text"] = "13.37"


def _clock(lines: list[dict[str, Any]]) -> None:
    lines[5]["body"]["clock"] += 60


def _cut_out(lines: list[dict[str, Any]]) -> None:
    del lines[20:25]


def _header(**values: object) -> Callable[[list[dict[str, Any]]], Any]:
    return lambda lines: lines[0]["body"].update(values)


REFUSED: dict[str, tuple[Callable[[list[dict[str, Any]]], Any], bool, str]] = {
    "a reading, chain left": (_reading, False, "changed after it was written"),
    "a reading, chained again": (_reading, True, "13.37"),
    "the clock": (_clock, True, "clock"),
    "acts cut out": (_cut_out, True, "changed after it was written"),
    "another variant": (_header(variant="practice"), True, "variant is 'practice'"),
    "another unit": (_header(equipment="furnace_120_serial"), True, "unit is 'furnace_120_serial'"),
    "another complaint": (_header(complaint="nothing_blows"), True, "complaint is 'nothing_blows'"),
    "another assignment": (_header(assignment="last-week"), True, "record of 'last-week'"),
    "nobody's entry": (_header(person="f" * 32), True, "of nobody in this class"),
    "a person with a hostile name": (_header(person="../../=cmd<script>"), True, "of nobody in this class"),
    "an old model": (_header(model="1"), True, "model '1'"),
    "another catalogue": (_header(catalogue_digest="0" * 64), True, "install the release"),
    "a format of the future": (_header(format=99), True, "format 99"),
    "a header field more": (_header(fault="wall_G_open"), True, "no readable header"),
}


@pytest.mark.parametrize("name", REFUSED)
def test_an_edited_record_waits_for_a_person_with_the_reason(folder: ClassFolder, name: str) -> None:
    change, rechain, why = REFUSED[name]
    edited(folder, change, rechain)
    row, book = graded(folder)
    assert row.status == "manual" and row.tenths is None and why in row.reason, row.reason
    assert set(book.values()) == {None}


def test_another_students_record_is_named_with_whose_it_is(folder: ClassFolder) -> None:
    shutil.copyfile(folder.root / "submitted" / "s02" / NAME / "call.jsonl", record_of(folder))
    row, book = graded(folder)
    assert row.status == "manual" and row.reason == "this record is of s02" and set(book.values()) == {None}


def test_an_old_assignments_record_is_named(folder: ClassFolder) -> None:
    assign(folder, "old-one", Wanted(FURNACE, "wall_G_open", COMPLAINT), seed=1)
    place = play(folder, WHO, "old-one")
    shutil.copyfile(place / "call.jsonl", record_of(folder))
    row, _ = graded(folder)
    assert row.status == "manual" and "record of 'old-one'" in row.reason


def test_the_record_of_another_fault_with_a_rewritten_header_does_not_replay(folder: ClassFolder) -> None:
    mine = folder.assignment(NAME).of(WHO)
    assert mine is not None
    other = place_of(folder) / "other.jsonl"
    bench = LocalBench(
        FURNACE, Hypothesis("stat_no_fan"), COMPLAINT, variant=mine.variant, record=other, assignment=NAME, person=mine.entry
    )
    Technician(bench).work()
    bench.close()
    other.replace(record_of(folder))
    row, _ = graded(folder)
    assert row.status == "manual" and "replay" in row.reason


def test_a_truncated_record_is_graded_up_to_there(folder: ClassFolder) -> None:
    record_of(folder).write_bytes(record_of(folder).read_bytes()[:-100])
    row, book = graded(folder)
    outcome = folder.outcome(WHO, NAME)
    assert row.status == "graded" and not row.passed and outcome is not None and "cut off" in outcome.notes[0]
    assert None not in book.values()


def test_whoever_declares_at_once_earns_nothing_for_isolation(folder: ClassFolder) -> None:
    shutil.rmtree(place_of(folder))
    shutil.copytree(folder.root / "release" / NAME, place_of(folder))
    bench = open_assignment(place_of(folder) / "sealed.json", read_codes(folder.private)[WHO], record_of(folder))
    for act in (a.Declare(units=("wall_cable",)), a.Repair(unit="wall_cable"), a.Finish()):
        bench.act(act)
    bench.close()
    row, _ = graded(folder)
    assert row.status == "graded" and not row.passed and row.parts[1] == 0


def test_the_stated_limit_a_record_played_anew_with_the_fault_known_can_not_be_told(folder: ClassFolder) -> None:
    # Whoever reads the fault out of their own kernel can play a perfect call: homework mode, as the guide says first.
    record_of(folder).unlink()
    play(folder, WHO)
    row, _ = graded(folder)
    assert row.passed
    guide = Path(grading.__file__).parents[3] / "lessons" / "blowerlessons" / "guides" / "class.md"
    first = " ".join(guide.read_text(encoding="utf-8").split("\n\n")[1].split())
    assert "homework" in first and "a determined student can read" in first


# ---------------------------------------------------------------------- files that are no records
def _sparse(file: Path) -> None:
    with file.open("wb") as out:
        out.truncate(200_000_000)


def _link(file: Path) -> None:
    file.symlink_to("/etc/passwd")


NO_RECORDS: dict[str, tuple[Callable[[Path], object], str]] = {
    "200 MB": (_sparse, "200 MB"),
    "a link": (_link, "no plain file"),
    "a folder": (Path.mkdir, "no plain file"),
    "a pipe": (os.mkfifo, "no plain file"),
    "empty": (lambda f: f.write_bytes(b""), "empty"),
    "deep": (lambda f: f.write_bytes(b'{"chain":"x","body":' + b"[" * 100_000 + b"]" * 100_000 + b"}\n"), "nested too deeply"),
    "a huge number": (lambda f: f.write_bytes(b'{"chain": 1e999999, "body": 9}\n'), "line 1"),
    "nan": (lambda f: f.write_bytes(b'{"chain": NaN}\n'), "line 1"),
    "a mark first": (lambda f: f.write_bytes(b"\xef\xbb\xbf{}\n"), "line 1"),
    "utf-16": (lambda f: f.write_bytes("{}\n".encode("utf-16")), "line 1"),
    "random bytes": (lambda f: f.write_bytes(bytes(range(256)) * 500), "line 1"),
    "a million short lines": (lambda f: f.write_bytes(b"{}\n" * 1_000_000), "line 1"),
}


@pytest.mark.parametrize("name", NO_RECORDS)
def test_what_is_no_record_waits_for_a_person(folder: ClassFolder, name: str) -> None:
    make, why = NO_RECORDS[name]
    record_of(folder).unlink()
    make(record_of(folder))
    row = grading.grade_class(folder, NAME, (WHO,), processes=1, progress=False)[0]
    assert row.status == "manual" and row.tenths is None and why in row.reason, row.reason


def test_two_records_and_none_wait_for_a_person(folder: ClassFolder) -> None:
    record_of(folder).rename(place_of(folder) / "a.jsonl")
    shutil.copyfile(place_of(folder) / "a.jsonl", place_of(folder) / "b.jsonl")
    row = grading.grade_class(folder, NAME, (WHO,), processes=1, progress=False)[0]
    assert row.status == "manual" and "several records" in row.reason
    for file in place_of(folder).glob("*.jsonl"):
        file.unlink()
    row = grading.grade_class(folder, NAME, (WHO,), processes=1, progress=False)[0]
    assert row.status == "manual" and "no call.jsonl" in row.reason
