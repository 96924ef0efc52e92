"""Lesson 8: the low-voltage circuit obeys published values, and the worked call earns what the lesson says."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from blowerbench import LocalBench
from blowerbench import acts as a
from blowergrade import procedure
from blowergrade.replay import play
from blowergrade.safety import monitor
from blowergrade.score import grade_bench
from blowerlessons import hands_on
from blowerlessons.benches import lesson_08 as l8
from blowerlessons.build import lesson_numbered, solved
from blowerlessons.hands_on import NoReadingError, measure, quietly


def violations(bench: LocalBench) -> list[str]:
    """What the safety monitor finds in the acts on `bench`, minor ones included."""
    session = bench.session
    acts = [line.act for line in bench.lines]
    steps = play(bench.equipment, session.catalogue, session.hypothesis, session.variant, session.complaint.id, acts)
    return [v.text for v in monitor(bench.equipment, False, steps)]


def volts(quantity: Any) -> float:
    return float(quantity.to("volt").magnitude)


def amperes(quantity: Any) -> float:
    return float(quantity.to("ampere").magnitude)


@pytest.fixture(scope="module")
def loads() -> dict[str, tuple[Any, Any]]:
    return l8.transformer_loads(l8.healthy())


def test_a_40_VA_transformer_is_rated_for_the_published_current_and_no_call_exceeds_it(
    loads: dict[str, tuple[Any, Any]],
) -> None:
    # 40 VA at 24 V is 1.667 A (power over voltage; check-values, Power).
    assert amperes(l8.rated_amps()) == pytest.approx(1.667, abs=0.001)
    assert all(amperes(current) < 1.667 for _, current in loads.values())
    assert set(loads) == {"off", "fan", "cool", "heat"}


def test_the_24_V_circuit_stays_within_class_2_limits_and_the_usual_range(loads: dict[str, tuple[Any, Any]]) -> None:
    # NEC article 725, chapter 9 table 11: class 2 up to 30 V and 100 VA. R to C of 24 to 28 V: common practice.
    for shown, current in loads.values():
        assert volts(shown) <= 30.0 and volts(shown) * amperes(current) <= 100.0
        assert 24.0 <= volts(shown) <= 28.0
    falling = [volts(loads[call][0]) for call in ("off", "fan", "cool", "heat")]
    assert falling == sorted(falling, reverse=True), "R to C sinks as the load grows"


def test_the_contactor_adds_the_current_that_its_ohms_ask_for(loads: dict[str, tuple[Any, Any]]) -> None:
    # Ohm's law: what cooling adds to the fan's current is R to C over the coil's ohms, read on a dead unit of the same variant.
    dead = l8.locked_out(l8.dark_board())
    coil = measure(dead, "board.Y", "board.C", "ohms").to("ohm").magnitude
    added = amperes(loads["cool"][1]) - amperes(loads["fan"][1])
    assert added == pytest.approx(volts(loads["cool"][0]) / coil, rel=0.06)


def test_a_short_at_the_far_end_reads_the_copper_of_both_conductors() -> None:
    # AWG 18: 6.385 ohm per 1000 ft at 20 °C (ASTM B258 diameter, IACS copper); the cable is 15 m long, 10 % either way for
    # its length, and the touching point adds at most 0.1 ohm.
    dead = l8.locked_out(l8.dark_board())
    copper = 2.0 * 15.0 / 0.3048 * 6.385e-3
    shown = measure(dead, "board.G", "board.C", "ohms").to("ohm").magnitude
    assert 0.85 * copper <= shown <= 1.1 * copper + 0.1
    quietly(dead, *procedure.lift(), a.LiftWire(wire="wall_G"))
    assert measure(dead, "board.G", "board.C", "ohms").to("ohm").magnitude > 100.0 * copper, "the short goes with the wire"
    assert measure(dead, "stat.G", "stat.C", "ohms").to("ohm").magnitude < copper


def test_the_whole_supply_stands_across_the_blown_fuse() -> None:
    # Kirchhoff's voltage law: no current, so nothing drops elsewhere and SEC to R is SEC to C.
    bench = l8.dark_board()
    assert volts(l8.across_the_fuse()) == pytest.approx(volts(measure(bench, "board.SEC", "board.C")), rel=0.01)
    assert volts(measure(bench, "board.R", "board.C")) < 0.1


def test_an_open_wire_leaves_nothing_across_the_two_closed_switches_beside_it() -> None:
    # Kirchhoff's voltage law in a series string: the one open place takes the whole supply.
    bench = l8.blows_cold()
    full = volts(measure(bench, "board.R", "board.C"))
    across = {(x, y): volts(measure(bench, x, y)) for x, y in zip(l8.LIMIT_CIRCUIT, l8.LIMIT_CIRCUIT[1:], strict=False)}
    assert across.pop(("limit.2", "rollout.1")) == pytest.approx(full, rel=0.01)
    assert all(abs(v) < 0.1 for v in across.values())


def test_the_open_float_switch_takes_the_whole_supply_and_the_pan_says_why() -> None:
    bench = l8.air_handler()
    quietly(bench, a.SetDoor(on=False), *procedure.call_and_hold(bench.equipment, l8.hands(bench), "fan"))
    assert volts(l8.across_the_float()) == pytest.approx(volts(measure(bench, "board.V", "board.C")), rel=0.01)
    quietly(bench, *procedure.lift(), a.Look(where="drain_pan"))
    assert any("full" in said.id for said in bench.last.said)


def test_the_board_hears_the_fan_call_says_so_and_gives_nothing() -> None:
    bench = l8.silent_on_fan()
    quietly(bench, a.ReadStatus())
    assert "status_blower_fan" in {s.id for s in bench.last.said}
    shown = [volts(q) for q in l8.readings(bench, l8.LAST_METER).values()]
    assert all(24.0 <= v <= 28.0 for v in shown[:2]) and all(v < 0.1 for v in shown[2:])  # 24 to 28 V: common practice


def test_the_benches_of_the_lesson_are_worked_without_a_violation() -> None:
    benches: list[LocalBench] = [l8.healthy(), l8.blows_cold(), l8.air_handler(), l8.silent_on_fan()]
    dead = l8.locked_out(l8.dark_board())
    l8.ohms_to_common(dead, l8.CABLE)
    l8.transformer_loads(benches[0])
    assert [v for b in (*benches, dead) for v in violations(b)] == []
    with pytest.raises(NoReadingError):  # an open circuit has no ohms
        quietly(dead, a.LiftWire(wire="wall_Y"))
        measure(dead, "stat.Y", "stat.C", "ohms")


@pytest.fixture
def worked(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> dict[str, Any]:
    """The variables after the solved lesson's cells ran in this process."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "records").mkdir()
    monkeypatch.setattr(hands_on, "picture", lambda *_: None)
    monkeypatch.setattr(hands_on, "show", lambda *_: None)
    names: dict[str, Any] = {}
    for cell in solved(lesson_numbered("08"))["cells"]:
        if cell["cell_type"] == "code" and "-call-" not in cell["id"]:
            exec(compile("".join(cell["source"]), cell["id"], "exec"), names)
    return names


def test_the_worked_call_is_entailed_and_passes_in_full(worked: dict[str, Any]) -> None:
    sheet = grade_bench(worked["bench"])
    assert sheet.passed and sheet.entailed and sheet.violations == ()
    assert {p.name: p.tenths == p.of for p in sheet.parts} == dict.fromkeys(("safety", "isolation", "repair", "write_up"), True)


def test_the_ghost_is_half_the_supply_and_a_loading_meter_takes_it_away(worked: dict[str, Any]) -> None:
    # Two equal coupling capacitors halve the source into an open meter (capacitive divider).
    r_to_c = volts(worked["found"]["R to C at the thermostat"])
    assert volts(worked["ghost"]) == pytest.approx(r_to_c / 2.0, rel=0.05)
    assert volts(worked["loaded"]) < 0.1


def test_the_road_is_full_up_to_the_fault_and_empty_behind_it(worked: dict[str, Any]) -> None:
    shown = [volts(q) for q in worked["route"].values()]
    assert len(shown) == len(l8.ROUTE)
    assert all(24.0 <= v <= 28.0 for v in shown[:2]) and all(v < 0.1 for v in shown[2:])  # 24 to 28 V: common practice
