"""Lesson 9: stored energy, unbalance and windings obey published values, and the worked call earns what the lesson says."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from blowerbench import LocalBench
from blowerbench import acts as a
from blowerbench.units import ureg
from blowergrade.replay import play
from blowergrade.safety import monitor
from blowergrade.score import grade_bench
from blowerlessons import hands_on
from blowerlessons.benches import lesson_09 as l9
from blowerlessons.build import lesson_numbered, solved
from blowerlessons.hands_on import quietly

DECAY_50 = 1.9152  # time constants from 339.41 V to 50 V: ln(339.41/50) (check-values W16, computed)


def violations(bench: LocalBench) -> list[str]:
    """What the safety monitor finds in the acts on `bench`, minor ones included."""
    session = bench.session
    acts = [line.act for line in bench.lines]
    steps = play(bench.equipment, session.catalogue, session.hypothesis, session.variant, session.complaint.id, acts)
    return [v.text for v in monitor(bench.equipment, False, steps)]


def volts(quantity: Any) -> float:
    return float(quantity.to("volt").magnitude)


def ohm(quantity: Any) -> float:
    return float(quantity.to("ohm").magnitude)


@pytest.mark.parametrize(
    ("readings", "percent"),
    # NEMA MG 1's way of stating the unbalance of three voltages, examples from published handbooks (check-values, Power).
    [((462, 463, 455), 1.087), ((480, 476, 472), 0.840), ((460, 467, 450), 1.961)],
)
def test_unbalance_is_the_published_formula(readings: tuple[int, ...], percent: float) -> None:
    found = l9.unbalance([ureg.Quantity(float(r), "volt") for r in readings])
    assert found.to("percent").magnitude == pytest.approx(percent, abs=0.001)


@pytest.mark.parametrize(
    ("volt", "microfarad", "joule"),
    # 450 V and 160 uF: OpenStax College Physics m42363 (16.2 J); the bus at 339.41 V: check-values W16 (computed).
    [(450.0, 160.0, 16.2), (339.41, 470.0, 27.07), (339.41, 1000.0, 57.60)],
)
def test_stored_energy_is_half_of_c_v_squared(volt: float, microfarad: float, joule: float) -> None:
    found = l9.stored_energy(ureg.Quantity(volt, "volt"), ureg.Quantity(microfarad, "microfarad"))
    assert found.to("joule").magnitude == pytest.approx(joule, rel=1e-3)


def test_a_dead_controls_bus_runs_down_as_a_bleeder_and_a_capacitor_do() -> None:
    # An exponential: the same time constant early and late, and 1.9152 of them from 339.41 V to 50 V (check-values W16).
    minutes, bus = (np.array(x) for x in l9.run_down("module_dead", "nothing_blows"))
    early, late = np.interp([1.0, 3.0], minutes, np.log(bus)), np.interp([6.0, 9.0], minutes, np.log(bus))
    tau = 2.0 / (early[0] - early[1])
    assert tau == pytest.approx(3.0 / (late[0] - late[1]), rel=0.01)
    reached = float(np.interp(-math.log(bus[0] * 50.0 / 339.41), -np.log(bus), minutes))
    assert reached == pytest.approx(DECAY_50 * tau, rel=0.01)
    # R times C of the unit's data, 480 kohm (beside 20 Mohm of leakage) and 340 uF, within 20 % for the parts' tolerances.
    assert tau * 60.0 == pytest.approx(480e3 * 20e6 / 20.48e6 * 340e-6, rel=0.2)


def test_five_minutes_are_enough_for_a_good_control_only() -> None:
    # 50 V: 29 CFR 1910.333(a)(1). "Wait five minutes" is common practice, and no proof.
    at_five = {fault: float(np.interp(5.0, *l9.run_down(fault, complaint))) for fault, complaint in l9.BUSES}
    assert at_five["healthy_unit"] < 50.0 < at_five["module_dead"] < at_five["module_bleeder_open"]
    assert at_five["module_bleeder_open"] > 300.0


def test_the_bus_is_full_where_the_phases_show_nothing() -> None:
    bench = l9._opened(l9.worked_call())
    assert all(abs(volts(v)) < 0.1 for v in l9.between_phases(bench).values())
    # A doubler on 126 V at most (ANSI C84.1 Range A) charges to 2·√2·126 V; five minutes and an open bleeder leave most of it.
    assert 250.0 < volts(l9.bus_volts(bench)) < 2.0 * math.sqrt(2.0) * 126.0
    quietly(bench, a.Discharge(part="bus"))
    assert volts(l9.bus_volts(bench)) < 50.0


def test_the_low_pair_of_readings_names_the_bad_phase_of_a_star() -> None:
    # Star connection: a phase is half of (its two readings less the third); two low readings share the bad phase.
    bench = l9.drags_too()
    quietly(bench, a.Unplug(connector="winding_plug"))
    found = l9.windings(bench)
    r12, r23, r31 = (ohm(found[name]) for name in ("1 to 2", "2 to 3", "3 to 1"))
    phase = {1: (r12 + r31 - r23) / 2, 2: (r12 + r23 - r31) / 2, 3: (r23 + r31 - r12) / 2}
    assert min(phase, key=lambda n: phase[n]) == 2
    # More than 10 % off the average condemns a motor whose windings all read under 20 ohm (common practice).
    assert l9.unbalance_of(found).to("percent").magnitude > 10.0 and max(r12, r23, r31) < 20.0
    assert [found[f"{n} to frame"] for n in (1, 2, 3)] == ["OL", "OL", "OL"]


def test_a_winding_on_the_frame_is_balanced_and_reads_under_100_kohm() -> None:
    bench = l9.damp_motor()
    quietly(bench, a.Unplug(connector="winding_plug"))
    found = l9.windings(bench)
    assert l9.unbalance_of(found).to("percent").magnitude < 10.0
    assert all(ohm(found[f"{n} to frame"]) < 100e3 for n in (1, 2, 3))  # 100 kohm: common practice


def test_drag_goes_with_the_plug_where_the_control_is_shorted_and_stays_where_the_motor_is() -> None:
    assert l9.wheel_after_unplugging() == "free"
    for bench, after in ((l9.drags(), "shaft_free"), (l9.drags_too(), "shaft_drags")):
        quietly(bench, a.TurnShaft())
        assert {s.id for s in bench.last.said} == {"shaft_drags"}
        quietly(bench, a.Unplug(connector="winding_plug"), a.TurnShaft())
        assert {s.id for s in bench.last.said} == {after}


def test_a_dirty_filter_costs_static_and_current() -> None:
    clean, clogged = l9.at_work("healthy_unit", "second_opinion"), l9.at_work("filter_dirty", "loud_and_weak")
    # 0.82 in. w.c. is the mean external static found in the field (ASHRAE Journal 10/2012, cited in check-values).
    assert clean[0].to("in_wc").magnitude < 0.82 < clogged[0].to("in_wc").magnitude
    assert l9.more_current(clean, clogged).to("percent").magnitude > 5.0


def test_a_plain_number_is_taken_as_percent_and_nothing_else_is_touched() -> None:
    assert ureg.Quantity(l9.percent("12.5")).to("percent").magnitude == pytest.approx(12.5)
    assert l9.percent(...) is ... and l9.percent("12.5 %") == "12.5 %" and l9.percent("half") == "half"
    quantity = ureg.Quantity(12.5, "percent")
    assert l9.percent(quantity) is quantity


def test_the_benches_of_the_lesson_are_worked_without_a_violation() -> None:
    benches = [l9.drags(), l9.drags_too(), l9.damp_motor(), l9.wet_control(), l9.on_the_source(l9.worked_call())]
    for bench in benches[:3]:
        quietly(bench, a.Unplug(connector="winding_plug"))
        l9.windings(bench)
    assert [v for b in benches for v in violations(b)] == []


@pytest.fixture
def worked(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> dict[str, Any]:
    """The variables after the solved lesson's cells up to the score sheet ran in this process."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "records").mkdir()
    monkeypatch.setattr(hands_on, "picture", lambda *_: None)
    monkeypatch.setattr(hands_on, "show", lambda *_: None)
    names: dict[str, Any] = {}
    for cell in solved(lesson_numbered("09"))["cells"]:
        if cell["cell_type"] == "code":
            exec(compile("".join(cell["source"]), cell["id"], "exec"), names)
        if cell["id"] == "opened-sheet":
            break
    return names


def test_the_worked_call_is_entailed_and_passes_in_full(worked: dict[str, Any]) -> None:
    sheet = grade_bench(worked["bench"])
    assert sheet.passed and sheet.entailed and sheet.violations == ()
    assert {p.name: p.tenths == p.of for p in sheet.parts} == dict.fromkeys(("safety", "isolation", "repair", "write_up"), True)
