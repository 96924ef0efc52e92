"""Lesson 1: body currents, what a lock leaves live, and what a wait leaves charged are as published and as the lesson says."""

from __future__ import annotations

import pytest

from blowerbench import LocalBench
from blowerbench import acts as a
from blowergrade import procedure
from blowerlessons.benches import lesson_01 as l1
from blowerlessons.hands_on import measure, quietly

#: 29 CFR 1910.333(a)(1): exposed live parts at 50 V and more to ground are made dead before work.
OSHA_VOLTS = 50.0
# ANSI C84.1, range A, utilisation (from memory): 108 to 126 V on a 120 V supply.
UTILISATION = (108.0, 126.0)
PAIRS = (("box.L_out", "box.N"), ("box.L_out", "box.G"), ("box.N", "box.G"))


def locked(fault: str, complaint: str) -> LocalBench:
    """The furnace with `fault`, made dead as the lesson shows it: meter proved, disconnect open, lock, tag, controls tried."""
    bench = LocalBench(l1.FURNACE, fault, complaint, variant=l1.VARIANT)
    quietly(bench, *procedure.protect(), *procedure.prove_meter(bench.equipment), *procedure.lift())
    quietly(bench, *procedure.lock_out(bench.equipment, l1.hands(bench)), a.TryControls())
    return bench


def volts(bench: LocalBench) -> list[float]:
    """The three pairs in the junction box: line to neutral, line to ground, neutral to ground (V)."""
    return [abs(measure(bench, red, black).magnitude) for red, black in PAIRS]


@pytest.mark.parametrize(("ohms", "milliamps"), [(300e3, 0.400), (4500.0, 26.7)])
def test_the_current_through_a_body_is_the_published_one(ohms: float, milliamps: float) -> None:
    # OpenStax, College Physics, module m42350: 120 V through 300 kohm and through 4.5 kohm.
    assert l1.body_current(ohms).magnitude == pytest.approx(milliamps, rel=0.002)


def test_a_dry_hand_stays_under_what_is_felt_and_a_wet_body_passes_what_lets_go() -> None:
    # MIL-HDBK-1025/10, table 1, men, 60 Hz: felt 1.1 mA, painful but under control 9 mA, severe 23 mA, fibrillation 75 mA.
    published = (1.1, 9.0, 23.0, 75.0)
    assert tuple(milliamps for _, milliamps in l1.EFFECTS) == published
    assert l1.body_current(300e3).magnitude < published[0]
    assert published[2] < l1.body_current(4500.0).magnitude < published[3]


def test_the_open_door_switch_hides_a_full_supply() -> None:
    # 29 CFR 1910.333(b)(2)(ii)(B): an interlock is no means of making a unit dead.
    bench = l1.door_off()
    assert abs(measure(bench, "board.L", "board.N").magnitude) < 1.0
    assert UTILISATION[0] < l1.line_side_volts().magnitude < UTILISATION[1]
    assert UTILISATION[0] < l1.receptacle_volts().magnitude < UTILISATION[1]
    assert l1.in_front_of_the_switch() == "full"


def test_the_lock_takes_all_three_pairs_under_the_limit_of_the_law() -> None:
    assert l1.LIMIT_VOLTS == OSHA_VOLTS
    assert max(volts(locked("healthy_unit", "second_opinion"))) < OSHA_VOLTS
    assert l1.is_it_dead() == "dead"


def test_line_to_neutral_alone_misses_a_reversed_feed_that_stays_live_behind_the_lock() -> None:
    # 29 CFR 1910.333(b)(2)(iv)(B): the exposed parts themselves are tested. A disconnect that opens the wrong wire leaves
    # the other live.
    line_neutral, line_ground, neutral_ground = volts(locked("feed_reversed", "second_opinion"))
    assert line_neutral < 1.0
    assert min(line_ground, neutral_ground) > OSHA_VOLTS


def test_a_lost_neutral_reads_dead_line_to_neutral_while_both_are_live_to_ground() -> None:
    # Common practice: every pair. The load carries the line's voltage over to the neutral that has lost its way back.
    bench = LocalBench(l1.FURNACE, "feeder_neutral_open", "nothing_blows", variant=l1.VARIANT)
    quietly(bench, *procedure.protect(), *procedure.prove_meter(bench.equipment))
    line_neutral, line_ground, neutral_ground = volts(bench)
    assert line_neutral < 1.0
    assert min(line_ground, neutral_ground) > OSHA_VOLTS


def bus(fault: str, complaint: str, seconds: int) -> float:
    """The module's bus of a locked furnace, opened and measured `seconds` after its plug was pulled (V)."""
    bench = locked(fault, complaint)
    quietly(bench, *procedure.prove_dead(bench.equipment), a.SetDoor(on=False), a.Unplug(connector="power_plug"))
    quietly(bench, a.Wait(seconds=seconds), a.OpenControl())
    return float(abs(measure(bench, "module.bus_pos", "module.bus_neg", "volts_dc").magnitude))


def test_five_minutes_empty_a_good_bus_and_no_wait_makes_measuring_needless() -> None:
    # The wait is common practice; 29 CFR 1910.333(b)(2)(ii)(C) asks for the charge to be gone, NEC 460.6 names 50 V.
    assert l1.bus_after(300).magnitude < OSHA_VOLTS
    assert bus("module_bleeder_open", "nothing_blows", 300) > OSHA_VOLTS
    assert bus("module_bleeder_open", "nothing_blows", 3600) > OSHA_VOLTS
