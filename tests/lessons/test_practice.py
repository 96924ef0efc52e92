"""Practice: a call drawn as asked, a form that tells the looks only on request, and a recorded call that replays as it was."""

from __future__ import annotations

from pathlib import Path

import pytest

import blowerdata
from blowerbench import LocalBench, load_equipment, load_faults
from blowerbench import acts as a
from blowerbench.errors import BenchError
from blowerbench.observation import Refused
from blowerbench.record import read_record
from blowergrade.coach import BenchCoach
from blowergrade.evidence import Evidence
from blowergrade.technicians import Technician
from blowerlessons import practice
from blowerlessons.practice import FaultInjector, PracticeError, Wish, draw

UNIT = "furnace_120_constant_airflow"
EQUIPMENT = load_equipment(UNIT)
CATALOGUE = load_faults(EQUIPMENT)


def fewest(least: int = 2) -> str:
    """The complaint with the fewest causes, `least` or more: its tables are quick."""
    size = {c: len(CATALOGUE.hypotheses(c)) for c in EQUIPMENT.complaints}
    return min((c for c in size if size[c] >= least), key=lambda c: (size[c], c))


# ---------------------------------------------------------------------- drawing a call
@pytest.mark.parametrize("name", blowerdata.names("equipment"))
def test_a_call_is_drawn_as_it_was_wished_for(name: str) -> None:
    catalogue = load_faults(load_equipment(name))
    for k, fault in enumerate(list(catalogue.faults.values())[::9]):
        drawn = draw(Wish(name, competency=fault.competency, difficulty=fault.difficulty, seed=k))
        found = catalogue.faults[drawn.hypothesis.fault]  # the outside source: the fault file
        assert (found.competency, found.difficulty) == (fault.competency, fault.difficulty)
        assert drawn.complaint in found.complaints
        last = len(fault.severities) - 1
        chosen = draw(Wish(name, fault.complaints[0], fault.id, last))
        assert (chosen.hypothesis.fault, chosen.hypothesis.severity, chosen.complaint) == (fault.id, last, fault.complaints[0])


def test_a_seed_brings_a_drawn_call_back_and_common_faults_come_more_often() -> None:
    assert draw(Wish(UNIT, seed=7)) == draw(Wish(UNIT, seed=7))
    drawn = [CATALOGUE.faults[draw(Wish(UNIT, seed=k)).hypothesis.fault].prior for k in range(400)]
    plain = [CATALOGUE.faults[h.fault].prior for h in CATALOGUE.hypotheses()]
    assert sum(drawn) / len(drawn) > sum(plain) / len(plain)


def test_a_wish_that_nothing_fits_is_refused_with_what_would_fit() -> None:
    fault = next(iter(CATALOGUE.faults.values()))
    other = next(c for c in EQUIPMENT.complaints if c not in fault.complaints)
    with pytest.raises(PracticeError, match="choose “any”"):
        draw(Wish(UNIT, other, fault.id))


# ---------------------------------------------------------------------- the form
def test_the_form_opens_a_bench_with_a_coach_and_undo_and_tells_the_looks_only_when_asked(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(practice, "_take_table", lambda coach: None)
    form = FaultInjector()
    form.equipment.value = "furnace_120_split_capacitor"
    form.way.value = "choose"
    fault = list(load_faults(load_equipment("furnace_120_split_capacitor")).faults.values())[3]
    form.fault.value = fault.id
    hidden = {x.description for x in form.children if x.layout.display == "none"}
    assert hidden == {"Competency", "Difficulty"}
    form.severity.value = len(fault.severities) - 1
    form.variant.value = "mine"
    form.start.click()
    assert form.panel is not None and form.place.children == (form.panel,)
    assert form.told.value == ""
    bench = form.panel._bench
    assert isinstance(bench, LocalBench)
    assert (bench.session.hypothesis.fault, bench.session.hypothesis.severity) == (fault.id, len(fault.severities) - 1)
    assert bench.header.variant == "mine" and not bench.recording
    assert isinstance(form.panel._coach, BenchCoach)
    form.looks.click()
    assert fault.sees.replace("<", "&lt;") in form.told.value
    assert fault.title not in form.told.value


def test_surprise_me_draws_another_call_for_every_bench_and_the_looks_told_are_those_of_the_bench_opened_next(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(practice, "_take_table", lambda coach: None)
    form = FaultInjector()
    assert form.way.value == "surprise"
    form.looks.click()
    drawn = form.drawn
    assert drawn is not None
    form.start.click()
    assert form.panel is not None and isinstance(form.panel._bench, LocalBench)
    assert form.panel._bench.session.hypothesis == drawn.hypothesis
    assert form.drawn is None


def test_what_nothing_fits_is_told_in_the_form_and_opens_nothing() -> None:
    form = FaultInjector()
    form.way.value = "draw"
    pairs = {(f.competency, f.difficulty) for f in CATALOGUE.faults.values()}
    kinds, levels = {c for c, _ in pairs}, {d for _, d in pairs}
    form.equipment.value = UNIT
    form.competency.value, form.difficulty.value = next((c, d) for c in sorted(kinds) for d in levels if (c, d) not in pairs)
    form.start.click()
    assert "role='alert'" in form.told.value and form.panel is None


# ---------------------------------------------------------------------- a recorded call
def recorded(path: Path) -> tuple[str, LocalBench]:
    """A record of a competent technician's call, and the bench that it came from."""
    complaint = fewest()
    hypothesis = CATALOGUE.hypotheses(complaint)[-1]
    bench = LocalBench(EQUIPMENT, hypothesis, complaint, record=path)
    Technician(bench).work()
    bench.close()
    return str(hypothesis), bench


def test_a_replayed_record_shows_at_every_act_what_the_bench_showed_then(tmp_path: Path) -> None:
    fault, bench = recorded(tmp_path / "call.jsonl")
    lines = read_record(tmp_path / "call.jsonl").lines
    call = practice.recorded_call(tmp_path / "call.jsonl", fault)
    again = LocalBench(EQUIPMENT, bench.session.hypothesis, bench.session.complaint.id, variant=bench.session.variant)
    assert call.view() == again.view()  # the outside source: the same acts on a bench that is played
    for n, line in enumerate(lines, 1):
        again.act(line.act)
        call.go(n)
        assert call.view() == again.view()
        assert call.view().observation == line.observation


def test_the_explanation_of_a_replayed_act_says_what_it_ruled_out_and_the_next_telling_act_rules_something_out(
    tmp_path: Path,
) -> None:
    fault, bench = recorded(tmp_path / "call.jsonl")
    call = practice.recorded_call(tmp_path / "call.jsonl", fault)
    evidence = Evidence(EQUIPMENT, CATALOGUE, bench.session.complaint.id)  # the outside source: the evidence, act by act
    evidence.perceive_arrival(call.view().observation.senses)
    telling = []
    for line in call.whole:
        if isinstance(line.act, a.Declare):
            break
        if evidence.observe(line.act, line.observation):
            telling.append(line.seq)
    assert telling
    found = []
    while (seq := call.next_telling()) is not None:
        call.go(seq)
        found.append(seq)
        told = call.explained()
        assert told["fell"] and told["observed"] and told["head"]
    assert found == telling
    call.go(0)
    assert call.explained()["fell"] == []


def test_nothing_can_be_done_on_a_recorded_call_and_there_is_no_act_beyond_its_end(tmp_path: Path) -> None:
    fault, _ = recorded(tmp_path / "call.jsonl")
    call = practice.recorded_call(tmp_path / "call.jsonl", fault)
    assert isinstance(call.act(a.Look("around")), Refused)
    with pytest.raises(PracticeError, match="acts 1 to"):
        call.go(len(call.whole) + 1)
    before = call.view()
    assert call.view() == before


def test_a_record_without_its_fault_is_shown_and_says_why_nothing_is_explained(tmp_path: Path) -> None:
    recorded(tmp_path / "call.jsonl")
    call = practice.recorded_call(tmp_path / "call.jsonl")
    call.go(1)
    assert call.view().observation == call.whole[0].observation
    assert "where the fault of the call is given" in str(call.explained()["before"])
    assert call.next_telling() is None


def test_a_bench_with_a_record_takes_nothing_back_and_says_why(tmp_path: Path) -> None:
    bench = LocalBench(EQUIPMENT, "healthy_unit", "second_opinion", record=tmp_path / "call.jsonl")
    bench.act(a.Look("around"))
    assert not bench.undoable
    with pytest.raises(BenchError, match="a record only grows"):
        bench.undo()
    bench.close()
    assert len(read_record(tmp_path / "call.jsonl").lines) == 1
    with pytest.raises(BenchError, match="no act to take back"):
        LocalBench(EQUIPMENT, "healthy_unit", "second_opinion").undo()
