"""What the lessons show is safe work, and their worked call earns what they say it does."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from blowerbench import LocalBench
from blowerbench import acts as a
from blowergrade.score import grade_bench
from blowerlessons import calls, hands_on
from blowerlessons.build import Lesson, lessons, solved

LESSONS = lessons()


def play(lesson: Lesson, monkeypatch: pytest.MonkeyPatch) -> tuple[dict[str, Any], list[LocalBench]]:
    """The variables after the solved lesson's cells ran in this process, and every bench that it showed acts on."""
    benches: list[LocalBench] = []
    real = hands_on.do

    def noted(bench: LocalBench, *acts: a.Act) -> None:
        if bench not in benches:
            benches.append(bench)
        real(bench, *acts)

    monkeypatch.setattr(hands_on, "do", noted)
    monkeypatch.setattr(hands_on, "panel", lambda *_, **__: None)
    monkeypatch.setattr(hands_on, "score_sheet", lambda *_: None)
    names: dict[str, Any] = {}
    for cell in solved(lesson)["cells"]:
        if cell["cell_type"] == "code":
            exec(compile("".join(cell["source"]), cell["id"], "exec"), names)
    if "mine" in names:
        names["mine"].close()
    return names, benches


@pytest.mark.parametrize("lesson", LESSONS, ids=lambda x: x.name)
def test_no_act_that_a_lesson_shows_breaks_a_safety_rule(
    lesson: Lesson, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.chdir(tmp_path)
    _, benches = play(lesson, monkeypatch)
    assert benches
    broken = [(v.seq, v.text) for b in benches for v in grade_bench(b).violations]
    assert broken == []


def test_the_worked_call_is_entailed_and_passes_in_full(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.chdir(tmp_path)
    names, _ = play(LESSONS[1], monkeypatch)
    sheet = grade_bench(names["bench"])
    assert sheet.passed and sheet.entailed
    assert {p.name: p.tenths == p.of for p in sheet.parts} == dict.fromkeys(("safety", "isolation", "repair", "write_up"), True)


def test_the_lesson_shows_a_ghost_that_a_loading_meter_takes_away(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.chdir(tmp_path)
    names, _ = play(LESSONS[1], monkeypatch)
    # Two equal coupling capacitors halve the source into an open meter (capacitive divider): about half of R to C.
    r_to_c = names["found"]["R to C at the thermostat"].to("volt").magnitude
    assert names["ghost"].to("volt").magnitude == pytest.approx(r_to_c / 2.0, rel=0.05)
    assert names["loaded"].to("volt").magnitude < 0.1


def test_behind_the_open_door_switch_it_reads_zero_and_before_it_the_full_supply(monkeypatch: pytest.MonkeyPatch) -> None:
    names, _ = play(LESSONS[0], monkeypatch)
    assert abs(names["at_the_board"].to("volt").magnitude) < 0.1
    # ANSI C84.1 Range A, service voltage 114 to 126 V (check-values, source read).
    assert 114.0 <= calls.line_side_volts().to("volt").magnitude <= 126.0


def test_the_own_call_is_resumed_and_told_apart_from_a_finished_one(tmp_path: Path) -> None:
    record = tmp_path / "records" / "own.jsonl"
    first = calls.own_call(record)
    hands_on.quietly(first, a.Look())
    assert calls.own_call(record) is first, "the cell is run again in the same kernel"
    first.close()
    again = calls.own_call(record)
    assert len(again.lines) == 1 and not calls.is_finished(again)
    hands_on.quietly(again, a.Finish())
    assert calls.is_finished(again)
    again.close()


def test_a_refused_act_is_told_in_words_and_changes_nothing(capsys: pytest.CaptureFixture[str]) -> None:
    bench = calls.healthy_furnace()
    hands_on.do(bench, a.Unplug(connector="power_plug"), a.Wait(seconds=90))
    said = capsys.readouterr().out
    assert "behind the blower door" in said and "Waited 1 min 30 s." in said and len(bench.lines) == 1


def test_no_number_can_be_taken_from_a_meter_that_shows_none() -> None:
    bench = calls.healthy_furnace()
    with pytest.raises(hands_on.NoReadingError, match="shows nothing"):
        hands_on.reading(bench)
    bench = hands_on.new_bench("lead_open", "second_opinion", "x")
    with pytest.raises(hands_on.NoReadingError, match="OL"):
        hands_on.measure(bench, "stat.Y", "stat.W", "ohms")
