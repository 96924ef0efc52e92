"""Lesson 3: the sequence keeps the trade's order and times, and a string of contacts obeys Kirchhoff's laws."""

from __future__ import annotations

import pytest

from blowerbench import LocalBench
from blowergrade.replay import play
from blowergrade.safety import monitor
from blowerlessons.benches import lesson_03 as l3


def volts(quantity: object) -> float:
    return float(quantity.to("volt").magnitude)  # type: ignore[attr-defined]  # pint quantities are untyped


@pytest.fixture(scope="module")
def open_once() -> LocalBench:
    return l3.one_open()


@pytest.fixture(scope="module")
def open_twice() -> LocalBench:
    return l3.two_open()


def test_each_step_takes_the_time_that_is_common_practice() -> None:
    # check-values, sequence timing: pre-purge 15-60 s, igniter 10-30 s, blower on-delay 30-90 s after ignition, off-delay
    # 60-180 s; common practice, no published source.
    on = l3.spans()
    stages = [stage for _, _, stage in l3.watched()]
    assert 15 <= stages.count("pre-purge") <= 60
    assert 10 <= stages.count("igniter warm-up") <= 30
    assert 30 <= stages.count("blower on-delay") <= 90
    assert 60 <= on["blower"][1] - on["call"][1] <= 180


def test_the_parts_come_on_in_the_trades_order_and_the_gas_goes_off_with_the_call() -> None:
    on = l3.spans()
    assert on["call"][0] <= on["inducer"][0] < on["igniter"][0] < on["gas"][0] < on["blower"][0]
    assert on["gas"][1] == on["call"][1] < on["inducer"][1] < on["blower"][1]


@pytest.mark.parametrize(
    ("fault", "fan", "heat", "cool"),
    # Which safety stops what: common practice. A float in Y stops cooling only; the thermostat closes G with Y.
    [
        ("healthy_unit", "blower", "blower, flame", "blower, cooling"),
        ("limit_open", "blower", "blower", "blower, cooling"),
        ("pressure_open", "blower", "nothing", "blower, cooling"),
        ("float_switch_open", "blower", "blower, flame", "blower"),
    ],
)
def test_each_safety_stops_its_own_calls_only(fault: str, fan: str, heat: str, cool: str) -> None:
    assert (l3.outcome(fault, "fan"), l3.outcome(fault, "heat"), l3.outcome(fault, "cool")) == (fan, heat, cool)


def test_the_volts_across_a_string_add_up_to_its_supply(open_once: LocalBench) -> None:
    # Kirchhoff's voltage law, and Ohm's law: 10 Mohm of meter in series with an input of a few kohm lose under 0.1 %.
    supply = volts(l3.to_common(open_once)["R on the board"])
    across = [volts(v) for v in l3.across(open_once).values()]
    assert sum(across) == pytest.approx(supply, rel=0.002)
    assert max(across) == pytest.approx(supply, rel=0.002) and sorted(across)[1] < 0.01
    assert supply == pytest.approx(26.0, abs=2.0)  # R to C 24-28 V: common practice


def test_two_open_contacts_read_nothing_each_and_a_ghost_on_high_impedance(open_twice: LocalBench) -> None:
    supply = volts(l3.to_common(open_twice, "low_z")["R on the board"])
    assert all(volts(v) < 0.01 * supply for v in l3.across(open_twice, "low_z").values())
    ghost = volts(l3.across(open_twice)["main limit"])
    # Two stray branches and a 10 Mohm meter divide (OpenStax m42360, a meter in parallel loads what it measures): neither 0
    # nor the whole supply.
    assert 0.05 * supply < ghost < 0.95 * supply
    assert l3.limit_with_two_open() == "nothing"


def test_hopscotch_to_common_finds_the_first_of_two_open_places(open_twice: LocalBench) -> None:
    to_common = [volts(v) for v in l3.to_common(open_twice, "low_z").values()]
    live = [v > 20.0 for v in to_common]
    assert live == [True, True] + [False] * 6


def test_the_benches_of_the_lesson_are_worked_without_a_violation(open_once: LocalBench, open_twice: LocalBench) -> None:
    for bench in (open_once, open_twice, l3.opened_furnace()):
        s = bench.session
        steps = play(bench.equipment, s.catalogue, s.hypothesis, s.variant, s.complaint.id, [x.act for x in bench.lines])
        assert [v.text for v in monitor(bench.equipment, False, steps)] == []
