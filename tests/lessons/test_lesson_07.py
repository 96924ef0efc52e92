"""Lesson 7: the three kinds of command read as the lesson says, and the source's three answers clear what it says."""

from __future__ import annotations

import pytest

from blowerbench import LocalBench
from blowerbench import acts as a
from blowerlessons.benches import lesson_07 as l7
from blowerlessons.hands_on import measure, quietly


def test_a_24_volt_command_lies_within_class_2_limits() -> None:
    # NEC 725, chapter 9 table 11 (secondary): class 2 circuits stay at or under 30 V.
    assert 20.0 < l7.furnace_command().magnitude <= 30.0
    assert 20.0 < l7.air_handler_command().magnitude <= 30.0


@pytest.mark.parametrize("unit", [l7.FURNACE, l7.AIR_HANDLER])
def test_a_line_command_goes_away_with_its_call(unit: str) -> None:
    assert abs(l7.command(unit, "off").magnitude) < 1.0


def test_a_direct_command_shows_nothing_on_ac_volts_and_a_serial_one_stays_when_the_call_ends() -> None:
    # Common practice: the function must fit; a meter shows the mean of serial frames and no content.
    assert l7.on_the_wrong_function() == "nothing"
    assert l7.quiet_serial_line() == "about the same"
    assert 0.5 < l7.serial_line().magnitude < 5.0


def test_the_source_tells_a_lost_command_from_a_dead_module() -> None:
    assert l7.runs_on_the_source(l7.lost_command()) == "runs"
    assert l7.runs_on_the_source(l7.deaf_motor()) == "stands still"


def test_a_dead_source_stays_dark_with_its_supply_right() -> None:
    bench = l7.on_the_source(LocalBench(l7.FURNACE, "source_dead", "second_opinion", variant=l7.VARIANT))
    assert "source_lamp_lit" not in bench.view().observation.senses
    assert 20.0 < measure(bench, "board.R", "board.C").magnitude <= 30.0
    quietly(bench, a.SwitchSource(run=True), a.Wait(seconds=15))
    assert "blower_running" not in bench.view().observation.senses


def test_a_forbidden_selection_leaves_the_motor_standing_with_every_line_live() -> None:
    bench = l7.forbidden_selection()
    # NEC 725, chapter 9 table 11 (secondary): class 2 circuits stay at or under 30 V.
    assert all(20.0 < measure(bench, *pair).magnitude <= 30.0 for pair in l7.LINES.values())
    assert l7.blower(bench) == "stands still"
    assert l7.blower(l7.at_the_plug(l7.FURNACE)) == "runs"


def test_a_real_command_stands_under_a_low_impedance_meter() -> None:
    # Common practice: a ghost collapses on the low-impedance function, a real source does not.
    loaded = l7.command(l7.FURNACE, function="low_z").magnitude
    assert loaded > 0.95 * l7.furnace_command().magnitude


def test_behind_an_open_wire_the_motors_own_input_leaves_no_ghost() -> None:
    assert abs(l7.past_the_break().magnitude) < 0.5
