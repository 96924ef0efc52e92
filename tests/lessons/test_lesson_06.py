"""Lesson 6: power at the plug reads as the lesson says, within published supply limits, and safely taken."""

from __future__ import annotations

from blowergrade.score import grade_bench
from blowerlessons.benches import lesson_06 as l6


def test_healthy_supplies_lie_within_the_published_service_range() -> None:
    # ANSI C84.1, Range A at the service: 114 to 126 V and 228 to 252 V.
    line, ground, neutral = (q.magnitude for q in l6.at_the_parted_plug())
    assert 114.0 <= line <= 126.0 and abs(line - ground) < 1.0 and abs(neutral) < 1.0
    both, leg_1, leg_2 = (q.magnitude for q in l6.at_the_parted_plug(unit=l6.AIR_HANDLER))
    assert 228.0 <= both <= 252.0
    assert abs(both - leg_1 - leg_2) < 1.0  # two halves of one winding, opposite to each other


def test_an_open_supply_neutral_is_live_and_reversed_wires_swap_the_grounds() -> None:
    # Common practice: line-neutral about 0 V, neutral-ground up to the line's volts.
    line, ground, neutral = (q.magnitude for q in l6.mated("feeder_neutral_open", "nothing_blows"))
    assert line < 2.0 and ground > 114.0 and neutral > 110.0
    line, ground, neutral = (q.magnitude for q in l6.mated("feed_reversed", "second_opinion"))
    assert line > 114.0 and ground < 2.0 and neutral > 114.0


def test_with_one_leg_open_both_still_read_full_to_ground_at_the_mated_plug() -> None:
    both, leg_1, leg_2 = (q.magnitude for q in l6.mated("unit_leg_2_open", "no_air", l6.AIR_HANDLER))
    assert both < 2.0 and leg_1 > 110.0 and leg_2 > 110.0
    assert l6.leg_to_leg_lost() == "nothing"


def test_a_corroded_pin_passes_at_rest_and_fails_under_load() -> None:
    # ANSI C84.1, Range A at the service: at least 114 V.
    assert l6.corroded_apart().magnitude >= 114.0 and l6.corroded("off").magnitude >= 114.0
    # NEMA MG 1: ±10 % of 120 V at the motor is 108 to 132 V; the pin alone takes most of that margin.
    assert l6.lost_at_the_pin().magnitude > 0.08 * 120.0


def test_a_missing_link_stops_the_motor_with_the_plug_within_service_limits() -> None:
    # ANSI C84.1, Range A at the service: 114 to 126 V; that a linkless doubler's half bus does not start it is common practice.
    assert 114.0 <= l6.without_link().magnitude <= 126.0
    assert l6.runs_without_link() == "stands still"


def test_reading_at_a_parted_plug_the_way_it_is_taught_breaks_no_rule() -> None:
    bench = l6.parted(l6.bench_of())
    l6.clipped(bench, *l6.PAIRS_120[0])
    assert not grade_bench(bench).violations
