"""Progress only grows, survives crashes, full disks and two notebooks, and counts what tells something, once."""

from __future__ import annotations

import errno
import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from blowerbench import load_equipment, load_faults
from blowergrade.score import grade_bench
from blowergrade.technicians import Technician
from blowerlessons import progress as p
from blowerlessons.assigned import PracticeCall
from blowerlessons.build import Lesson
from blowerlessons.lesson import OpenLesson, drawn_call
from blowerlessons.next_step import difficulties
from blowerlessons.skills import SKILLS, title

ROOT = Path(__file__).resolve().parents[2]
LESSON = Lesson("07-x", {"skills": ["command"]}, "---\nx\n---\n")
CALL = PracticeCall("furnace_120_constant_airflow", "healthy_unit", "second_opinion", "x")


@pytest.fixture
def lesson(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> OpenLesson:
    """A lesson opened in an empty folder, without a folder for records."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("NBGRADER_EXECUTION", raising=False)
    return OpenLesson(LESSON, "en", [CALL])


def lines() -> list[dict[str, object]]:
    return [json.loads(x) for x in Path("records", p.FILE).read_text(encoding="utf-8").splitlines()]


def test_an_answer_leaves_one_line_and_no_attempt_leaves_none(lesson: OpenLesson) -> None:
    for untried in (..., "", "five", "1,5 V"):
        lesson.check("1", untried, "5 V")
    lesson.choose("2", "maybe", "yes", ("yes", "no", "never"))
    lesson.predict("p1", ..., lambda: 1 / 0)
    assert not Path("records", p.FILE).exists()
    lesson.check("1", "4 V", "5 V")
    lesson.choose("2", "yes", "yes", ("yes", "no", "never"), skill="power input")
    found = [(x["exercise"], x["kind"], x["skill"], x["choices"]) for x in lines()]
    assert found == [("1", "wrong_value", "command", 0), ("2", "right", "power input", 3)]
    # ISO 8601, UTC (RFC 3339).
    assert all(str(x["time"]).endswith("+00:00") for x in lines())


def test_the_first_attempt_is_the_evidence_and_a_later_right_one_marks_it_done(lesson: OpenLesson) -> None:
    lesson.check("1", "4 V", "5 V")
    assert not p.read_progress().is_done("07-x", "1")
    lesson.check("1", "5 V", "5 V")
    lesson.check("1", "3 V", "5 V")  # playing on after it was right undoes nothing
    found = p.read_progress()
    assert found.is_done("07-x", "1")
    assert [(e.exercise, e.right) for e in found.evidence() if isinstance(e, p.Answer)] == [("1", False)]


def test_a_notebook_run_again_from_the_top_adds_nothing(lesson: OpenLesson) -> None:
    for _ in range(3):
        lesson.check("1", "5 V", "5 V")
        lesson.check("2", "4 V", "5 V")
    assert len(lines()) == 2


@pytest.mark.parametrize(
    "junk",
    [b"not json\n", b"{}\n", b'{"what":"answer"}\n', b"[1]\n", b'{"what":"dance","time":""}\n', b"\xff\xfe\x00\n", b"[" * 9999],
)
def test_a_foreign_line_is_skipped_counted_and_left_where_it_is(lesson: OpenLesson, junk: bytes) -> None:
    lesson.check("1", "4 V", "5 V")
    path = Path("records", p.FILE)
    before = path.read_bytes() + junk
    path.write_bytes(before)
    found = p.read_progress()
    assert (len(found.entries), found.skipped) == (1, 1)
    lesson.check("2", "5 V", "5 V")
    assert path.read_bytes().startswith(before)
    assert (len(p.read_progress().entries), p.read_progress().skipped) == (2, 1)


def test_a_file_cut_anywhere_keeps_every_line_before_the_cut_and_takes_the_next(lesson: OpenLesson) -> None:
    lesson.check("1", "4 V", "5 V")
    lesson.check("2", "5 V", "5 V")
    path = Path("records", p.FILE)
    whole = path.read_bytes()
    first = whole.index(b"\n") + 1
    for cut in range(len(whole)):
        path.write_bytes(whole[:cut])
        kept = (cut >= first - 1) + (cut >= len(whole) - 1)  # a line without its end is whole all the same
        assert len(p.read_progress().entries) == kept, cut
        assert p.note_answer("07-x", "9", "command", "right") == ""
        assert len(p.read_progress().entries) == kept + 1, cut
    assert p.read_progress().skipped <= 1


def test_several_processes_write_at_once_and_no_line_is_lost_or_torn(lesson: OpenLesson) -> None:
    code = "import sys; from blowerlessons.progress import note_answer\n"
    code += "for n in range(40): note_answer(sys.argv[1], str(n), 'command', 'right')"
    paths = os.pathsep.join(str(ROOT / x) for x in ("datasets", "widgets", "grading", "lessons"))
    env = {**os.environ, "PYTHONPATH": paths}
    running = [subprocess.Popen([sys.executable, "-c", code, f"0{k}-x"], env=env) for k in range(3)]
    assert [x.wait() for x in running] == [0, 0, 0]
    found = p.read_progress()
    assert found.skipped == 0
    assert {(e.lesson, e.exercise) for e in found.answers} == {(f"0{k}-x", str(n)) for k in range(3) for n in range(40)}


def test_a_full_disk_is_told_in_one_sentence_once_and_the_lesson_goes_on(
    lesson: OpenLesson, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def full(_: int) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "fsync", full)
    assert lesson.check("1", "5 V", "5 V").passed
    assert lesson.check("2", "5 V", "5 V").passed
    assert capsys.readouterr().out.splitlines() == [
        "Your progress could not be saved (No space left on device); the lesson goes on without it."
    ]


def test_a_file_in_the_place_of_the_folder_is_told_too(lesson: OpenLesson) -> None:
    Path("records").write_text("x")
    assert lesson.check("1", "5 V", "5 V").passed
    assert "could not be saved" in p.note_answer("07-x", "1", "command", "right")


def test_nothing_is_written_where_an_instructors_machine_runs_the_notebook(
    lesson: OpenLesson, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("NBGRADER_EXECUTION", "autograde")  # nbgrader's own variable while it executes
    assert lesson.check("1", "5 V", "5 V").passed
    assert not Path("records").exists()


def test_a_finished_call_is_noted_once_with_what_its_sheet_says(lesson: OpenLesson) -> None:
    panel = lesson.call(1)
    bench = lesson.bench(1)
    assert lesson.sheet(1) is None, "the call is still open"
    Technician(bench).work()
    assert panel._report is not None
    panel._report(bench)
    page = lesson.sheet(1)
    lesson.sheet(1)
    sheet = grade_bench(bench)
    (call,) = p.read_progress().calls
    assert (call.equipment, call.fault, call.passed) == (CALL.equipment, CALL.fault, sheet.passed)
    assert call.parts == {x.name: (x.tenths, x.of) for x in sheet.parts}
    assert call.found and call.critical == 0
    assert "<html" in page.data
    bench.close()
    # Another notebook, or the same one tomorrow, shows the sheet of the same record.
    again = OpenLesson(LESSON, "en", [CALL])
    assert again.sheet(1) is not None
    again.bench(1).close()
    assert len(p.read_progress().calls) == 1


def test_a_drawn_call_goes_on_where_it_was_left_and_the_next_one_is_another(lesson: OpenLesson) -> None:
    lesson.practise("safety", 1)
    (record,) = Path("records").glob("practice-1-safety-1.jsonl")
    (bench,) = lesson._benches.values()
    fault = bench.session.hypothesis
    bench.close()
    again = OpenLesson(LESSON, "en", [CALL])
    panel = again.practise("safety", 1)
    (bench,) = again._benches.values()
    assert bench.session.hypothesis == fault
    Technician(bench).work()
    assert panel._report is not None
    panel._report(bench)
    bench.close()
    assert record.exists()
    (call,) = p.read_progress().calls
    assert (call.lesson, call.number, call.competency, call.difficulty) == (p.PRACTICE, 1, "safety", 1)
    other = OpenLesson(LESSON, "en", [CALL])
    other.practise("safety", 1)
    assert Path("records", "practice-2-safety-1.jsonl").exists()
    (bench,) = other._benches.values()
    assert (bench.equipment.id, bench.session.hypothesis.fault) != (call.equipment, call.fault.partition("/")[0])
    bench.close()


def test_a_drawn_call_has_the_competency_and_difficulty_asked_for() -> None:
    for competency, levels in difficulties().items():
        for level in levels:
            call = drawn_call(competency, level, 1)
            fault = load_faults(load_equipment(call.equipment)).faults[call.fault.partition("/")[0]]
            assert (fault.competency, fault.difficulty) == (competency, level)  # the outside source: the fault file
            assert call.complaint in fault.complaints
            assert drawn_call(competency, level, 1) == call


@pytest.mark.parametrize("language", ["en", "es"])
def test_where_one_stands_is_told_in_words_and_the_picture_names_every_skill(
    lesson: OpenLesson, capsys: pytest.CaptureFixture[str], language: str
) -> None:
    lesson.language = language
    Path("records").mkdir()
    Path("records", p.FILE).write_text("torn\n")
    page = lesson.where().data
    said = capsys.readouterr().out.splitlines()
    assert said[0].endswith(":") and said[1].startswith("1. ") and ".ipynb" in said[1]
    assert ": 1. " in said[-1]
    alt = page.partition('alt="')[2].partition('"')[0]
    for skill in SKILLS:
        assert title(skill, language) in alt
        assert language == "en" or title(skill, "es") != title(skill, "en")
    assert "<img" in page and "95 %" in alt
