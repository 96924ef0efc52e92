"""Points that nobody may earn by a trick, and points that nobody may lose for fair work."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import pytest

from blowerbench import BenchError, LocalBench, load_equipment, load_faults
from blowerbench import acts as a
from blowerbench.observation import Accepted, Observation
from blowerbench.record import read_record
from blowergrade import procedure as p
from blowergrade.evidence import Evidence
from blowergrade.score import Sheet, grade_bench, grade_record
from blowergrade.technicians import Technician
from blowergrade.verification import units_named

EQUIPMENT = load_equipment("furnace_120_constant_airflow")
CATALOGUE = load_faults(EQUIPMENT)


class Scripted(Technician):
    """A competent technician whose declaration, end and report a test can change."""

    first: tuple[a.Act, ...] = ()
    before_finish: tuple[a.Act, ...] = ()
    report: dict[str, object] | None = None
    finish = True

    def work(self) -> None:
        self.do(self.first)
        super().work()

    def do(self, acts: object) -> object:  # type: ignore[override] # only what the tests need
        changed: list[a.Act] = []
        for act in acts:  # type: ignore[attr-defined] # an iterable of acts
            if isinstance(act, a.WriteUp) and self.report is not None:
                act = a.WriteUp(**{**{f: getattr(act, f) for f in act.__struct_fields__}, **self.report})
            if isinstance(act, a.Finish):
                changed += self.before_finish
                if not self.finish:
                    continue
            changed.append(act)
        return super().do(changed)


def sheet_of(**script: object) -> Sheet:
    """The sheet of a short call (a failed thermostat) with the script changed."""
    bench = LocalBench(EQUIPMENT, "stat_no_heat", "no_heat_no_blower", variant="unfair")
    technician = Scripted(bench)
    for name, value in script.items():
        setattr(technician, name, value)
    technician.work()
    return grade_bench(bench)


def earned(sheet: Sheet, part: str) -> int:
    """Tenths of one part."""
    return next(x.tenths for x in sheet.parts if x.name == part)


def test_the_unchanged_script_earns_everything() -> None:
    assert sheet_of().tenths == 1000


def test_declaring_every_unit_is_no_diagnosis() -> None:
    sheet = sheet_of(first=(a.Declare(tuple(EQUIPMENT.units)),))
    assert not sheet.entailed and not sheet.passed and earned(sheet, "isolation") == 0


def test_a_call_that_is_never_handed_back_does_not_pass() -> None:
    sheet = sheet_of(finish=False)
    assert not sheet.passed and any("never handed back" in note for note in sheet.notes)


def test_a_taped_switch_left_behind_is_critical_whether_or_not_the_call_was_ended() -> None:
    for finish in (True, False):
        left = (a.SetDoor(False), a.TapeDoorSwitch(True), a.SetDoor(True))
        sheet = sheet_of(before_finish=left, finish=finish)
        assert any(v.level == "critical" for v in sheet.violations) and not sheet.passed


def test_many_small_idle_questions_cost_as_much_as_one_large_one() -> None:
    idle = tuple(a.Wait(29) for _ in range(120))  # 58 minutes in pieces below the free time
    sheet = sheet_of(first=idle)
    assert earned(sheet, "isolation") < 300
    assert sheet.passed


def test_a_heat_call_counts_only_with_the_burner_lit_and_line_volts_only_at_the_unit() -> None:
    class Hasty(Scripted):
        def verify(self) -> None:
            self.do([a.SetDoor(True)] if not self.hands.door_on else [])
            self.do([*p.energise(self.equipment, self.hands), a.SetThermostat("cool"), a.Wait(15)])
            self.do([a.SetThermostat("heat"), a.Look("around")])
            self.do([a.SetMeter("volts_ac"), *p.probe("outlet.L", "outlet.N"), *p.lift(), a.SetThermostat("off")])

    bench = LocalBench(EQUIPMENT, "stat_no_heat", "no_heat_no_blower", variant="unfair")
    Hasty(bench).work()
    missed = {r.why for x in grade_bench(bench).parts for r in x.reasons if r.tenths < r.of}
    assert "shown to run on a call for heat, door on, heat on" in missed
    assert "line volts measured under load after the repair" in missed


def test_a_unit_left_switched_off_is_not_left_in_order() -> None:
    sheet = sheet_of(before_finish=(a.SetGas(False), a.SetDisconnect(False)))
    assert earned(sheet, "repair") < 200


@pytest.mark.parametrize(
    ("report", "lost"),
    [
        ({"readings": ("0.2 ohm", "0.2 ohm")}, 40),
        ({"readings": ("R to C 99.9 V", "G to C 98.7 V")}, 40),
        ({"cause": "motor board door switch transformer thermostat limit igniter"}, 20),
        ({"why": ".", "customer": "ok", "correction": "-"}, 30),
        ({"cause": "The thermostat did not close R to W"}, 0),
        ({"cause": "Thermostat: failed relay"}, 0),
    ],
    ids=str,
)
def test_a_write_up_earns_what_it_says_and_the_record_shows(report: dict[str, object], lost: int) -> None:
    assert earned(sheet_of(report=report), "write_up") == 100 - lost


def test_the_longest_name_in_a_cause_is_the_one_meant() -> None:
    assert units_named(EQUIPMENT, "G wire open in the thermostat cable") == {"wall_cable"}
    assert units_named(EQUIPMENT, "motor power harness, pin burnt") == {"power_harness"}
    assert units_named(EQUIPMENT, "control module and motor") == {"control_module", "motor"}


def test_only_a_report_of_the_gas_smell_ends_a_gas_call_in_full() -> None:
    for report, tenths in (("gas_smell", 1000), ("other", 500)):
        bench = LocalBench(EQUIPMENT, "gas_smell", "smell", variant="gas")
        bench.act(a.Leave(report))  # type: ignore[arg-type] # both are in the table above
        sheet = grade_bench(bench)
        assert sheet.passed == (report == "gas_smell") and sheet.tenths <= tenths


def test_a_grounded_winding_takes_the_control_along() -> None:
    bench = LocalBench(EQUIPMENT, "phase_to_frame", "hums_and_twitches", variant="both")
    Technician(bench).work()
    sheet = grade_bench(bench)
    assert sheet.declared == ("control_module", "motor") and sheet.tenths == 1000


def test_a_call_that_can_not_be_graded_says_why() -> None:
    for fault, complaint, words in (
        ("healthy", "second_opinion", "healthy_unit is one"),
        ("module_dead", "hums_and_twitches", "does not lead to the complaint"),
    ):
        with pytest.raises(BenchError, match=words):
            grade_bench(LocalBench(EQUIPMENT, fault, complaint))


def test_a_changed_record_goes_to_manual_grading_with_the_reason(tmp_path: Path) -> None:
    path = tmp_path / "call.jsonl"
    bench = LocalBench(EQUIPMENT, "stat_no_heat", "no_heat_no_blower", variant="unfair", record=path)
    Technician(bench).work()
    bench.close()
    whole = grade_record(read_record(path), bench.session.hypothesis)
    assert whole.passed
    lines = path.read_bytes().splitlines(keepends=True)
    lines[-1] = lines[-1].replace(b'"do":"finish"', b'"do":"Finish"')
    path.write_bytes(b"".join(lines))
    sheet = grade_record(read_record(path), bench.session.hypothesis)
    assert not sheet.passed and any("manual grading" in note for note in sheet.notes)


class AtTheDiagnosis(Technician):
    """Proves the fault as taught, states it, writes a faultless report and goes: the unit is as broken as before."""

    def do(self, acts: Iterable[a.Act]) -> Observation:
        report = [x for x in acts if not isinstance(x, a.Repair)]
        return super().do(report)


def test_a_proven_diagnosis_and_a_good_report_do_not_pass_while_the_unit_stays_broken() -> None:
    bench = LocalBench(EQUIPMENT, "stat_no_heat", "no_heat_no_blower", variant="unfair")
    AtTheDiagnosis(bench).work()
    sheet = grade_bench(bench)
    assert sheet.entailed and bench.session.now.hands.ended
    assert earned(sheet, "safety") + earned(sheet, "isolation") == 700  # as much as `pass_points` of the rubric
    assert not sheet.passed


@pytest.mark.parametrize("idle", [a.InspectMeter(), a.Wear("gloves"), a.SetMeter("off")], ids=lambda x: type(x).__name__)
def test_handling_the_meter_again_and_again_costs_what_waiting_costs(idle: a.Act) -> None:
    took = a.duration(idle)
    lost = {}
    for name, acts in (("handled", [idle] * (3600 // took)), ("waited", [a.Wait(3600)]), ("neither", [])):
        sheet = sheet_of(first=(a.InspectMeter(), a.Wear("eye_protection"), a.Wear("gloves"), *acts))
        lost[name] = sum(m.regret for m in sheet.timeline)
    assert lost["handled"] - lost["neither"] >= 3600 - 2 * took
    assert abs(lost["handled"] - lost["waited"]) <= 60


def test_a_stopwatch_condemns_no_part() -> None:
    # The module quits 300 s after it started and the pin 240 s after: numbers of the file, which nobody at the unit can know.
    unit = load_equipment("air_handler_240_electric")
    bench = LocalBench(unit, "module_dies_warm", "gives_up", variant="stopwatch")
    evidence = Evidence(unit, load_faults(unit), "gives_up")
    evidence.perceive_arrival(bench.last.senses)
    for act in [a.Wait(20)] * 60:
        outcome = bench.act(act)
        assert isinstance(outcome, Accepted)
        evidence.observe(act, outcome.observation)
    assert {"control_harness", "control_module"} <= evidence.units


def test_what_is_heard_at_the_door_earns_nothing_by_itself() -> None:
    # A seized motor twitches or hums: the complaint and the sound leave few causes, and nobody asked the unit anything.
    bench = LocalBench(EQUIPMENT, "bearing_seized", "nothing_blows", variant="by-ear")
    for act in (a.Declare((CATALOGUE.faults["bearing_seized"].correction,)), a.Finish()):
        bench.act(act)
    sheet = grade_bench(bench)
    assert earned(sheet, "isolation") == 0 and not sheet.passed and not sheet.entailed
