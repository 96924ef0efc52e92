"""Worked service calls: what a competent person earns, and what a guesser, a hurried one and a careless one do not."""

from __future__ import annotations

from functools import lru_cache

import pytest
from sampling import long_run, sampled

import blowerdata
from blowerbench import LocalBench, load_equipment, load_faults
from blowerbench import acts as a
from blowerbench.equipment import Equipment
from blowerbench.faults import Hypothesis
from blowerbench.sequence import is_present
from blowergrade import procedure as p
from blowergrade.replay import play
from blowergrade.safety import monitor
from blowergrade.score import Sheet, grade_bench
from blowergrade.technicians import Technician

EQUIPMENT = load_equipment("furnace_120_constant_airflow")
CATALOGUE = load_faults(EQUIPMENT)
CALLS = [(h, c) for h in CATALOGUE.hypotheses() for c in CATALOGUE.faults[h.fault].complaints]
OTHERS = tuple(name for name in blowerdata.names("equipment") if name != EQUIPMENT.id)


def _other_calls() -> list[tuple[str, Hypothesis, str]]:
    """Calls on the other units: a fifth of the faults with their first complaint; in a long run all with all."""
    found: list[tuple[str, Hypothesis, str]] = []
    for name in OTHERS:
        catalogue = load_faults(load_equipment(name))
        rows = [(name, h, c) for h in catalogue.hypotheses() for c in catalogue.faults[h.fault].complaints]
        first = [(name, h, catalogue.faults[h.fault].complaints[0]) for h in catalogue.hypotheses()]
        found += rows if long_run() else [first[k] for k in sampled(len(first), len(first) // 10)]
    return found


OTHER_CALLS = _other_calls()
FIRST = [(h, CATALOGUE.faults[h.fault].complaints[0]) for h in CATALOGUE.hypotheses()]


def part(sheet: Sheet, name: str) -> int:
    """Tenths of a point of one part."""
    return next(x.tenths for x in sheet.parts if x.name == name)


def check_call(equipment: Equipment, hypothesis: Hypothesis, complaint: str) -> None:
    """A whole call by the scripted technician: the true fault stays, its unit alone is left, and no rule is broken."""
    catalogue = load_faults(equipment)
    bench = LocalBench(equipment, hypothesis, complaint, variant=f"call-{hypothesis}")
    technician = Technician(bench)
    technician.work()
    fault = catalogue.faults[hypothesis.fault]
    steps = play(equipment, catalogue, hypothesis, bench.session.variant, complaint, [x.act for x in bench.lines])
    assert hypothesis in technician.evidence.alive, "the true fault was ruled out"
    assert monitor(equipment, fault.stop_work, steps) == ()
    if not fault.only_by_substitution:
        assert technician.evidence.units == {"+".join(catalogue.corrections(hypothesis))}
        assert fault.stop_work or bench.session.now.hands.declared == (catalogue.corrections(hypothesis),)
    if fault.stop_work:
        assert isinstance(bench.lines[-1].act, a.Leave)
    else:
        assert bench.session.now.hands.ended
    if fault.when is not None:  # an intermittent is a diagnosis only when it was seen while it was there
        assert any(is_present(s.before.plant) or is_present(s.after.plant) for s in steps)


@pytest.mark.parametrize(("hypothesis", "complaint"), CALLS if long_run() else FIRST, ids=str)
def test_a_competent_technician_reaches_the_right_entailed_diagnosis_without_a_violation(
    hypothesis: Hypothesis, complaint: str
) -> None:
    check_call(EQUIPMENT, hypothesis, complaint)


@pytest.mark.parametrize(("name", "hypothesis", "complaint"), OTHER_CALLS, ids=str)
def test_the_same_technician_reaches_the_right_diagnosis_on_every_other_unit(
    name: str, hypothesis: Hypothesis, complaint: str
) -> None:
    check_call(load_equipment(name), hypothesis, complaint)


@pytest.mark.parametrize("name", OTHERS)
def test_working_as_taught_earns_every_point_on_every_other_unit(name: str) -> None:
    equipment = load_equipment(name)
    catalogue = load_faults(equipment)
    few = sorted((len(catalogue.hypotheses(c)), c) for c in equipment.complaints)
    complaint = next(c for n, c in few if n >= 3)
    for hypothesis in catalogue.hypotheses(complaint)[:2]:
        bench = LocalBench(equipment, hypothesis, complaint, variant="full-marks")
        Technician(bench).work()
        sheet = grade_bench(bench)
        lost = [r.words for x in sheet.parts for r in x.reasons if r.tenths < r.of]
        assert (sheet.passed, sheet.tenths, lost) == (True, 1000, []), str(hypothesis)


def test_what_only_substitution_can_tell_says_why() -> None:
    # design §6: a diagnosis is entailed by evidence, or the catalogue says why no act can tell it.
    for name in (EQUIPMENT.id, *OTHERS):
        for fault in load_faults(load_equipment(name)).faults.values():
            assert not fault.only_by_substitution or len(fault.only_by_substitution) > 20, fault.id


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
    technician.do([*p.protect(), a.SetDoor(False), *p.call_and_hold(EQUIPMENT, bench.session.now.hands, "fan")])
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
