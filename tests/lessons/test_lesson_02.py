"""Lesson 2: the small circuits give the published worked examples, and the furnace shows what the lesson says of it."""

from __future__ import annotations

import pytest

from blowerlessons.benches import lesson_02 as l2
from blowerlessons.hands_on import measure


def near(quantity: object, value: float, unit: str, half_digit: float) -> bool:
    """Whether `quantity` is `value` in `unit` within half of the published last digit."""
    shown: float = quantity.to(unit).magnitude  # type: ignore[attr-defined] # pint is untyped here
    return abs(shown - value) <= half_digit


def test_a_bad_joint_takes_most_of_a_starters_volts() -> None:
    # OpenStax, College Physics, m42357: 12 V, 0.01 and 0.05 ohm give 200 A and 10.0 V; 0.09 ohm more leaves 80 A and 4.0 V.
    good, bad = l2.starter_volts(), l2.starter_volts(0.09)
    assert near(good, 10.0, "volt", 0.05) and near(l2.amps(good, 0.05), 200.0, "ampere", 0.5)
    assert near(bad, 4.0, "volt", 0.05) and near(l2.amps(bad, 0.05), 80.0, "ampere", 0.5)


def test_a_source_sags_under_load_as_its_worked_example_says() -> None:
    # The same module: 12 V behind 0.1 ohm gives 11.9 V on 10 ohm and 10.0 V on 0.5 ohm.
    assert near(l2.battery_volts(10.0), 11.9, "volt", 0.05)
    assert near(l2.battery_volts(0.5), 10.0, "volt", 0.05)
    assert near(l2.parallel_volts(), 10.0, "volt", 0.05)  # two of 1 ohm side by side are 0.5 ohm


def test_a_meter_loads_what_it_reads() -> None:
    # edudirectory elect99: 30 V over two of 400 kohm, a meter of 400 kohm reads 10 V and not 15.
    assert near(l2.loaded_half(), 10.0, "volt", 0.05)
    # electronicsteacher.com: 24 V over two of 250 megohms, a meter of 10 megohms reads 0.889 V.
    assert near(l2.volts(l2.in_series(24.0, 250e6, 250e6), "n1", "0", 10e6), 0.889, "volt", 0.0005)
    # OpenStax, College Physics, m42360: 1.585 V behind 0.1 ohm on a meter of 1 kohm reads 1.5848 V.
    state = l2.in_parallel(1.585, 0.1)
    assert near(l2.volts(state, "n1", "0", 1e3), 1.5848, "volt", 0.00005)


def test_ohms_are_right_on_a_dead_circuit_and_wrong_on_a_live_one() -> None:
    # 100 and 50 ohm side by side: 100·50/150 (product over sum).
    assert near(l2.ohms(l2.in_series(0.0, 100.0, 50.0), "n1", "0"), 100.0 * 50.0 / 150.0, "ohm", 0.01)
    assert l2.ohms(l2.in_series(0.5, 100.0, 50.0), "n1", "0").magnitude > 10 * 33.3
    assert l2.ohms(l2.in_series(12.0, 100.0, 50.0), "n1", "0").magnitude == float("inf")


def test_pulsed_current_reads_low_on_an_average_responding_clamp() -> None:
    # A sine alone reads alike on both; form factor π/(2√2) is what such a meter assumes (general).
    assert 0.2 < l2.shown_share().magnitude < 0.8
    peak = abs(l2.motor_current().harmonics[1]) * 2**0.5
    assert peak < l2.true_rms().magnitude * 2**0.5


def test_the_burnt_switch_drops_more_under_load_and_the_ghost_dies_on_low_impedance() -> None:
    # Common practice: voltage drop is measured under load; a ghost voltage disappears when it is loaded.
    assert l2.dropped_under_load() > 3 * l2.dropped_at_rest()
    assert measure(l2.hanging_wire(), "stat.G", "stat.C", "low_z") < 0.05 * l2.ghost_volts()


@pytest.mark.parametrize("zeroed", [True, False])
def test_zeroing_takes_the_leads_off_the_reading(zeroed: bool) -> None:
    assert (l2.winding_ohms(zeroed) < l2.winding_ohms(not zeroed)) is zeroed
