"""The same acts elsewhere: compared with playing each other cause by itself, through evidence and the safety monitor."""

from __future__ import annotations

import time

import pytest

from blowerbench import LocalBench, load_equipment, load_faults
from blowerbench import acts as a
from blowerbench.faults import Hypothesis
from blowerbench.variant import NOMINAL
from blowergrade import procedure as p
from blowergrade.counterfactual import counterfactual, search_of, with_counterfactual
from blowergrade.evidence import Evidence
from blowergrade.replay import play
from blowergrade.safety import monitor
from blowergrade.score import grade_bench
from blowergrade.technicians import Technician

UNIT, FAULT, COMPLAINT = "furnace_120_constant_airflow", "wall_G_open", "no_fan_new_thermostat"
EQUIPMENT = load_equipment(UNIT)
CATALOGUE = load_faults(EQUIPMENT)


def technicians_search(fault: str = FAULT, complaint: str = COMPLAINT) -> tuple[a.Act, ...]:
    bench = LocalBench(EQUIPMENT, fault, complaint, variant="elsewhere")
    Technician(bench).work()
    return search_of(line.act for line in bench.lines)


def plainly(acts: tuple[a.Act, ...], other: Hypothesis) -> tuple[bool, bool]:
    """(isolated, against a rule) for one other cause, the plain way: replay, evidence and monitor, each by itself."""
    steps = play(EQUIPMENT, CATALOGUE, other, NOMINAL, COMPLAINT, acts)
    evidence = Evidence(EQUIPMENT, CATALOGUE, COMPLAINT)
    evidence.perceive_arrival(LocalBench(EQUIPMENT, other, COMPLAINT, variant=NOMINAL).last.senses)
    for step in steps:
        evidence.observe(step.act, step.observation)
    stop_work = CATALOGUE.faults[other.fault].stop_work
    return evidence.units == {evidence.correction(other)}, bool(monitor(EQUIPMENT, stop_work, steps))


@pytest.mark.parametrize("careless", [False, True])
def test_it_says_what_replaying_each_other_cause_by_itself_says(careless: bool) -> None:
    acts = technicians_search()
    if careless:
        live = [a.SetMeter("volts_ac"), *p.probe("stat.R", "stat.C"), *p.lift()]
        acts = (a.ReadStatus(), *live, *acts)
    found = counterfactual(EQUIPMENT, CATALOGUE, COMPLAINT, FAULT, acts)
    others = [h for h in CATALOGUE.hypotheses(COMPLAINT) if h.fault != FAULT]
    expected = {h: plainly(acts, h) for h in others}
    assert found.causes == len(others) == sum(r.causes for r in found.rows)
    right = [h for h, (isolated, broken) in expected.items() if isolated and not broken]
    assert found.right == len(right) == sum(r.right for r in found.rows)
    assert found.percent == 100 * sum(map(CATALOGUE.weight, right)) // sum(map(CATALOGUE.weight, others))
    for row in found.rows:
        own = [expected[h] for h in others if "+".join(CATALOGUE.corrections(h)) == row.correction]
        assert (row.isolated, row.violated) == (sum(x for x, _ in own), sum(y for _, y in own))


def test_asking_nothing_isolates_nothing() -> None:
    found = counterfactual(EQUIPMENT, CATALOGUE, COMPLAINT, FAULT, (a.Wear("gloves"),))
    assert (found.right, found.percent) == (0, 0) and all(r.isolated == 0 for r in found.rows)


def test_only_the_acts_before_the_diagnosis_count() -> None:
    acts = (a.ReadStatus(), a.Declare(("wall_cable",)), a.Wait(60), a.Repair("wall_cable"))
    assert search_of(acts) == acts[:1]
    assert search_of(acts[2:]) == acts[2:3] and search_of(()) == ()


def test_the_sheet_carries_it_and_no_point_changes() -> None:
    bench = LocalBench(EQUIPMENT, FAULT, COMPLAINT, variant="elsewhere")
    Technician(bench).work()
    sheet = grade_bench(bench)
    more = with_counterfactual(sheet, EQUIPMENT, CATALOGUE, [line.act for line in bench.lines])
    assert sheet.counterfactual is None and more.counterfactual is not None
    assert (more.tenths, more.parts, more.passed) == (sheet.tenths, sheet.parts, sheet.passed)
    assert more.counterfactual.causes == len(CATALOGUE.hypotheses(COMPLAINT)) - 1
    assert with_counterfactual(sheet, EQUIPMENT, CATALOGUE, ()) is sheet


def test_a_complaint_with_one_cause_has_nothing_to_compare() -> None:
    bench = LocalBench(EQUIPMENT, "gas_smell", "smell")
    bench.act(a.Look("around"))
    sheet = grade_bench(bench)
    assert with_counterfactual(sheet, EQUIPMENT, CATALOGUE, [a.Look("around")]).counterfactual is None


def test_the_second_time_costs_nothing() -> None:
    acts = technicians_search()
    first = counterfactual(EQUIPMENT, CATALOGUE, COMPLAINT, FAULT, acts)
    start = time.perf_counter()
    assert counterfactual(EQUIPMENT, CATALOGUE, COMPLAINT, FAULT, acts) is first
    assert time.perf_counter() - start < 0.5
