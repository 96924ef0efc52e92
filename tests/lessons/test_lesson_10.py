"""Lesson 10: what it says of split-capacitor motors holds on its furnace, by formula and by common practice."""

from __future__ import annotations

import itertools
import math

from blowerbench import LocalBench
from blowerlessons.benches import lesson_10 as l10


def test_the_running_test_and_the_meter_agree_on_a_sound_capacitor_within_a_clamps_error() -> None:
    # I = 2 π f C U: 2652.6·I/U µF at 60 Hz (general). A clamp's ±(2 % + 5 counts) of 0.01 A on 0.94 A is 7 %.
    by_current, printed = l10.farads_running().magnitude, l10.rated().magnitude
    assert abs(1e6 / (2.0 * math.pi * 60.0) - 2652.6) < 0.05
    assert abs(by_current - printed) < 0.08 * printed


def test_the_capacitor_carries_more_than_the_line() -> None:
    # Common practice: run capacitors of 120 V motors are rated 370 or 440 V.
    volts = l10.capacitor_volts(l10.running(l10.healthy())).magnitude
    assert 126.0 < volts < 440.0


def test_ohms_from_common_rise_from_the_high_to_the_low_tap() -> None:
    # Common practice: high speed has the lowest resistance.
    high, medium, low = (l10.winding(tap).magnitude for tap in ("high", "medium", "low"))
    assert high < medium < low


def test_unused_taps_are_live_above_the_line_on_the_high_tap() -> None:
    # Common practice; the windings act as an autotransformer.
    assert l10.unused_tap_volts().magnitude > 126.0


def test_a_weaker_capacitor_means_less_air_and_more_current() -> None:
    # Common practice: a weak run capacitor makes the motor slow and hot.
    found = []
    for fault, complaint in (("healthy_unit", "quote_for_a_motor"), ("capacitor_weak", "weak_in_summer")):
        bench = l10.running(LocalBench(l10.FURNACE, fault, complaint, variant=l10.VARIANT))
        found.append((bench.session.now.plant.point.flow, l10.clamped(bench, "blower_common").magnitude))
    (sound_flow, sound_amps), (weak_flow, weak_amps) = found
    assert weak_flow < sound_flow and weak_amps > sound_amps


def test_an_open_capacitor_hums_and_a_tired_overload_comes_and_goes() -> None:
    assert l10.does_it_turn() == "hums"
    _, degrees, turns = l10.overload_run()
    changes = sum(a != b for a, b in itertools.pairwise(turns))
    assert changes >= 4 and max(degrees) > 40.0
