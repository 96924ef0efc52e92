"""What the lessons show is safe work, and what their cells call tells a learner what happened."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from lesson_texts import NAMES, code_of, lesson_named
from matplotlib import pyplot

from blowerbench import LocalBench
from blowerbench import acts as a
from blowergrade.replay import play as replay
from blowergrade.safety import monitor
from blowerlessons import hands_on
from blowerlessons.build import Lesson, solved
from blowerlessons.lesson import CallError, OpenLesson, open_lesson
from blowerlessons.progress import FILE, read_progress


def play(lesson: Lesson, monkeypatch: pytest.MonkeyPatch) -> tuple[dict[str, Any], list[LocalBench]]:
    """The variables after the solved lesson's cells ran in this process, and every bench that it showed acts on."""
    benches: list[LocalBench] = []
    real = hands_on.do

    def noted(bench: LocalBench, *acts: a.Act) -> None:
        if not any(bench is b for b in benches):
            benches.append(bench)
        real(bench, *acts)

    monkeypatch.setenv("MPLBACKEND", "agg")
    monkeypatch.setattr(hands_on, "do", noted)
    for name in ("panel", "score_sheet", "picture"):
        monkeypatch.setattr(hands_on, name, lambda *_, **__: None)
    monkeypatch.setattr(hands_on, "show", lambda figure, _: pyplot.close(figure))
    names: dict[str, Any] = {}
    try:
        for cell, source in code_of(solved(lesson)).items():
            exec(compile(source, cell, "exec"), names)
    finally:
        opened = names.get("lesson")
        for bench in opened._benches.values() if isinstance(opened, OpenLesson) else ():
            bench.close()
    return names, benches


@pytest.mark.parametrize("name", NAMES)
def test_no_act_that_a_lesson_shows_breaks_a_safety_rule_and_each_was_done(
    name: str, monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("NBGRADER_EXECUTION", raising=False)
    lesson = lesson_named(name)
    _, benches = play(lesson, monkeypatch)
    said = capsys.readouterr().out
    assert benches or name.startswith("13"), "a lesson shows acts on the bench"
    for bench in benches:
        s = bench.session
        stop = s.catalogue.faults[s.hypothesis.fault].stop_work
        steps = replay(bench.equipment, s.catalogue, s.hypothesis, s.variant, s.complaint.id, [x.act for x in bench.lines])
        assert [(v.seq, v.text) for v in monitor(bench.equipment, stop, steps)] == []
    refused = [line for line in said.splitlines() if line.startswith("  ✘")]
    assert refused == [], "an act that is shown must be one that hands can do"
    # Played to the end, every exercise and prediction is remembered, and the calls are not begun for the learner.
    found = read_progress()
    assert found.skipped == 0 and all(e.right for e in found.answers) and not found.calls


def test_a_call_that_a_lesson_does_not_have_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    lesson = open_lesson("08")
    with pytest.raises(CallError, match=rf"lesson 08 has practice calls 1 to {len(lesson.calls)}, not 9"):
        lesson.call(9)
    with pytest.raises(CallError, match="no fault on 'airflow' of difficulty 9"):
        lesson.practise("airflow", 9)
    assert not Path("records", FILE).exists()


def test_a_call_is_gone_on_with_in_another_kernel_and_its_sheet_waits_for_the_end(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    first = open_lesson("08")
    first.call(1)
    assert capsys.readouterr().out.count(first.says(1)) == 1
    bench = first.bench(1)
    hands_on.quietly(bench, a.Look())
    assert first.bench(1) is bench, "the cell is run again in the same kernel"
    assert first.sheet(1) is None and "still open" in capsys.readouterr().out
    bench.close()
    again = open_lesson("08").bench(1)
    assert len(again.lines) == 1
    again.close()


def test_a_refused_act_is_told_in_words_and_changes_nothing(capsys: pytest.CaptureFixture[str]) -> None:
    bench = hands_on.new_bench("healthy_unit", "second_opinion", "x")
    hands_on.do(bench, a.Unplug(connector="power_plug"), a.Wait(seconds=90))
    said = capsys.readouterr().out
    assert "behind the blower door" in said and "Waited 1 min 30 s." in said and len(bench.lines) == 1


def test_no_number_can_be_taken_from_a_meter_that_shows_none() -> None:
    bench = hands_on.new_bench("healthy_unit", "second_opinion", "x")
    with pytest.raises(hands_on.NoReadingError, match="shows nothing"):
        hands_on.reading(bench)
    bench = hands_on.new_bench("lead_open", "second_opinion", "x")
    with pytest.raises(hands_on.NoReadingError, match="OL"):
        hands_on.measure(bench, "stat.Y", "stat.W", "ohms")
