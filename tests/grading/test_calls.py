"""Worked service calls: what a competent person earns, and what a guesser, a hurried one and a careless one do not."""

from __future__ import annotations

from functools import lru_cache

import pytest
from sampling import long_run, sampled

from blowerbench import LocalBench, load_equipment, load_faults
from blowerbench import acts as a
from blowerbench.faults import Hypothesis
from blowergrade import procedure as p
from blowergrade.replay import play
from blowergrade.safety import monitor
from blowergrade.score import Sheet, grade_bench
from blowergrade.technicians import Technician

EQUIPMENT = load_equipment("furnace_120_constant_airflow")
CATALOGUE = load_faults(EQUIPMENT)
CALLS = [(h, c) for h in CATALOGUE.hypotheses() for c in CATALOGUE.faults[h.fault].complaints]
FIRST = [(h, CATALOGUE.faults[h.fault].complaints[0]) for h in CATALOGUE.hypotheses()]


def part(sheet: Sheet, name: str) -> int:
    """Tenths of a point of one part."""
    return next(x.tenths for x in sheet.parts if x.name == name)


@pytest.mark.parametrize(("hypothesis", "complaint"), CALLS if long_run() else FIRST, ids=str)
def test_a_competent_technician_reaches_the_right_entailed_diagnosis_without_a_violation(
    hypothesis: Hypothesis, complaint: str
) -> None:
    bench = LocalBench(EQUIPMENT, hypothesis, complaint, variant=f"call-{hypothesis}")
    technician = Technician(bench)
    technician.work()
    fault = CATALOGUE.faults[hypothesis.fault]
    steps = play(EQUIPMENT, CATALOGUE, hypothesis, bench.session.variant, complaint, [x.act for x in bench.lines])
    assert hypothesis in technician.evidence.alive, "the true fault was ruled out"
    assert technician.evidence.units == {"+".join(CATALOGUE.corrections(hypothesis))}
    assert monitor(EQUIPMENT, fault.stop_work, steps) == ()
    if fault.stop_work:
        assert isinstance(bench.lines[-1].act, a.Leave)
    else:
        assert bench.session.now.hands.declared == (CATALOGUE.corrections(hypothesis),)
        assert bench.session.now.hands.ended


@pytest.mark.parametrize("index", sampled(len(FIRST)))
def test_working_as_taught_earns_every_point(index: int) -> None:
    hypothesis, complaint = FIRST[index]
    bench = LocalBench(EQUIPMENT, hypothesis, complaint, variant="full-marks")
    Technician(bench).work()
    sheet = grade_bench(bench)
    lost = [r.words for x in sheet.parts for r in x.reasons if r.tenths < r.of]
    assert (sheet.passed, sheet.tenths, lost) == (True, 1000, [])


def guess(unit: str, fault: str, complaint: str) -> LocalBench:
    """A call on which only the answer is given."""
    bench = LocalBench(EQUIPMENT, fault, complaint, variant="guess")
    for act in (a.Declare((unit,)), a.Finish()):
        bench.act(act)
    return bench


@lru_cache
def guessed() -> Sheet:
    """The sheet of a lucky guess."""
    return grade_bench(guess("control_module", "module_dead", "nothing_blows"))


def test_a_right_guess_without_evidence_earns_nothing_for_isolation() -> None:
    assert guessed().declared == ("control_module",) == (guessed().correction,)
    assert part(guessed(), "isolation") == 0
    assert not guessed().passed


def test_a_right_diagnosis_after_pulling_the_live_power_plug_fails_on_safety() -> None:
    bench = LocalBench(EQUIPMENT, "control_fan_pin_out", "nothing_blows", variant="live-plug")
    technician = Technician(bench)
    technician.do([*p.protect(), a.SetDoor(False), *p.call_and_hold(bench.session.now.hands, "fan")])
    technician.do([a.HoldDoorSwitch(True), a.Unplug("power_plug"), a.PlugIn("power_plug"), a.SetDoor(True)])
    technician.work()
    sheet = grade_bench(bench)
    assert sheet.declared == (sheet.correction,) and sheet.entailed
    assert part(sheet, "safety") == 0
    assert not sheet.passed
    assert any(v.level == "critical" and "1910" in v.clause for v in sheet.violations)


def test_a_wrong_declaration_earns_nothing_for_isolation_however_much_was_measured() -> None:
    class Stubborn(Technician):
        """Measures everything, then blames the motor."""

        def conclude(self) -> None:
            self.do([a.Declare(("motor",)), a.Finish()])

    bench = LocalBench(EQUIPMENT, "door_switch_open", "nothing_blows", variant="wrong")
    Stubborn(bench).work()
    assert part(grade_bench(bench), "isolation") == 0


def test_declaring_only_the_blown_fuse_is_an_incomplete_diagnosis() -> None:
    sheet = grade_bench(guess("low_voltage_fuse", "short_R_C_cable", "nothing_blows"))
    assert any("effect" in note for note in sheet.notes)
    assert part(sheet, "isolation") == 0


def test_leaving_at_once_at_a_gas_smell_is_full_marks_and_going_on_is_critical() -> None:
    leaving = LocalBench(EQUIPMENT, "gas_smell", "smell", variant="gas")
    for act in (a.Look("around"), a.Leave("gas_smell")):
        leaving.act(act)
    sheet = grade_bench(leaving)
    assert (sheet.tenths, sheet.passed) == (1000, True)
    staying = LocalBench(EQUIPMENT, "gas_smell", "smell", variant="gas")
    for wrong in (a.Look("around"), a.SetThermostat("fan"), a.Leave("gas_smell")):
        staying.act(wrong)
    sheet = grade_bench(staying)
    assert not sheet.passed and any(v.level == "critical" for v in sheet.violations)


def test_the_sheet_of_a_call_is_the_same_bytes_every_time() -> None:
    assert guessed().json() == grade_bench(guess("control_module", "module_dead", "nothing_blows")).json()
