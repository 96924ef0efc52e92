"""What the wiring makes dangerous, and what counts as a proof of absence.

Source: live-dead-live on every pair: NFPA 70E-2018 120.5, and 29 CFR 1910.333(b)(2)(iv)(B)
(check-values.md §1, S7, S16).
"""

from __future__ import annotations

import dataclasses

import pytest
import safety_blocks as blocks
from safety_calls import (
    DOOR_OFF,
    EQUIPMENT,
    LIVE,
    PULL,
    SHUTDOWN,
    Acts,
    rules,
    steps,
)

from blowerbench import acts as a
from blowerbench.observation import Observation, Shown
from blowergrade.safety import monitor
from blowergrade.safety_wiring import bridged, bridged_safeties, danger


# ---------------------------------------------------------------------- what the wiring says
def test_line_voltage_is_where_the_wiring_diagram_has_it() -> None:
    there = danger(EQUIPMENT)  # compare the [[part]] tables of the equipment file
    assert {"box.L", "panel.L"} <= there.supply and "box.L_out" not in there.supply
    assert {"door.line", "door.load", "board.L", "board.N", "power.h3", "transformer.P1"} <= there.line
    assert there.line.isdisjoint(
        {"board.R", "board.C", "cabinet.G", "control.h3", "stat.R", "transformer.S1"}
    )
    assert there.plugs == {"power_plug", "winding_plug"}
    assert there.exempt == {"stat.R", "stat.C", "stat.G", "stat.W", "stat.Y"}


@pytest.mark.parametrize(
    ("jumper", "expected"),
    [
        (("board.R", "board.G"), set()), (("board.R", "board.W"), set()), (("board.R", "board.Y"), set()),
        (("board.KF", "board.R"), set()), (("limit.1", "limit.2"), {"limit"}),
        (("rollout.1", "rollout.2"), {"rollout"}), (("board.LS", "board.R"), {"limit", "rollout"}),
        (("board.GV", "board.R"), {"limit", "rollout"}), (("board.G", "board.LS"), {"limit", "rollout"}),
        (("pressure.1", "pressure.2"), {"pressure"}), (("board.PS", "board.SEC"), {"pressure"}),
    ],
)  # fmt: skip
def test_a_jumper_bridges_the_safeties_that_lie_between_its_ends(
    jumper: tuple[str, str], expected: set[str]
) -> None:
    assert bridged_safeties(EQUIPMENT, frozenset({jumper})) == expected
    assert not bridged(EQUIPMENT, frozenset({jumper}), "door_switch")


def test_no_safety_counts_as_bridged_by_the_unit_s_own_wiring() -> None:
    assert bridged_safeties(EQUIPMENT, frozenset()) == frozenset()
    assert bridged_safeties(EQUIPMENT, frozenset({("box.G", "outlet.G")})) == frozenset()  # two grounds


# ---------------------------------------------------------------------- proof of absence
BREAKER_ON: Acts = [a.SetLock(on=False, device="breaker"), a.SetBreaker(on=True)]
BEFORE: Acts = [*blocks.prepare(), *blocks.lock_out(), *DOOR_OFF]


def dead(line: str, neutral: str, ground: str) -> Acts:
    pairs = ((line, neutral), (line, ground), (neutral, ground))
    return [*(x for pair in pairs for x in blocks.probe(*pair)), *blocks.lift_leads()]


@pytest.mark.parametrize("line", ["box.L_out", "door.line"])
@pytest.mark.parametrize("function", ["volts_ac", "low_z"])
def test_a_proof_is_taken_on_the_line_side_of_the_door_switch_or_in_the_junction_box(
    line: str, function: a.Function
) -> None:
    acts = [*BEFORE, a.SetMeter(function), *LIVE, *dead(line, "board.N", "cabinet.G"), *LIVE, PULL]
    assert rules(acts) == []


REJECTED: dict[str, Acts] = {
    "a zero behind the open door switch": [*LIVE, *dead("door.load", "board.N", "cabinet.G"), *LIVE],
    "a zero at the board behind the open door switch": [*LIVE, *dead("board.L", "board.N", "cabinet.G"),
        *LIVE],
    "a zero at the motor's own plug": [*LIVE, *dead("power.h3", "power.h5", "power.h2"), *LIVE],
    "no test before": [*dead("box.L_out", "box.N", "box.G"), *LIVE],
    "no test after": [*LIVE, *dead("box.L_out", "box.N", "box.G")],
    "line to neutral only": [*LIVE, *blocks.probe("box.L_out", "box.N"), *LIVE],
    "no reading neutral to ground": [
        *LIVE, *blocks.probe("box.L_out", "box.N"), *blocks.probe("box.L_out", "box.G"), *LIVE,
    ],
    "neutral to ground of the receptacle as the live source": [
        *blocks.probe("outlet.N", "outlet.G"), *dead("box.L_out", "box.N", "box.G"),
        *blocks.probe("outlet.N", "outlet.G"),
    ],
    "another function in the middle": [
        *LIVE, a.SetMeter("volts_dc"), *dead("box.L_out", "box.N", "box.G"), a.SetMeter("volts_ac"), *LIVE,
    ],
    "another function for the test after": [
        *LIVE, *dead("box.L_out", "box.N", "box.G"), a.SetMeter("low_z"), *LIVE,
    ],
    "waiting instead of measuring": [a.Wait(3600)],
}  # fmt: skip


@pytest.mark.parametrize("way", REJECTED)
def test_what_is_not_live_dead_live_on_every_pair_is_no_proof(way: str) -> None:
    assert rules([*BEFORE, *REJECTED[way], PULL]) == ["not_proved_dead"]


def test_pairs_read_dead_before_the_lock_are_no_proof() -> None:
    early: Acts = [
        *blocks.prepare(), a.SetDisconnect(closed=False), *LIVE, *dead("box.L_out", "box.N", "box.G"),
        a.SetLock(on=True),
        *LIVE, a.TryControls(), *DOOR_OFF, PULL,
    ]  # fmt: skip
    assert rules(early) == ["not_proved_dead"]


def test_reversed_line_and_neutral_defeat_the_proof_until_the_breaker_is_off() -> None:
    # trade.md §3: reversed, a single-pole switch opens the neutral and everything stays live to ground.
    assert rules([*SHUTDOWN, PULL], "feed_reversed") == ["not_proved_dead"]
    off = blocks.safe_shutdown(EQUIPMENT, supply_side=True)
    assert rules([*off, PULL], "feed_reversed") == []
    assert rules([*off, *BREAKER_ON, PULL], "feed_reversed") == ["not_proved_dead"]


def test_a_meter_with_an_open_lead_proves_nothing() -> None:
    assert rules([*SHUTDOWN, PULL], "lead_open") == ["not_proved_dead"]


ENDING: dict[str, tuple[Acts, str]] = {
    "the lock coming off": ([a.SetLock(on=False)], "not_locked_out"),
    "the lock going off and on": ([a.SetLock(on=False), a.SetLock(on=True)], "not_proved_dead"),
    "the disconnect closing": ([*blocks.energise()], "live_work"),
    "the disconnect closing and opening": ([*blocks.energise(), *blocks.lock_out()], "not_proved_dead"),
    "another lead": ([a.Repair("test_lead")], "not_proved_dead"),
    "another meter": ([a.Repair("meter")], "not_proved_dead"),
}


@pytest.mark.parametrize("event", ENDING)
def test_a_proof_holds_until(event: str) -> None:
    acts, rule = ENDING[event]
    assert rules([*SHUTDOWN, *acts, PULL]) == [rule]
    assert rules([*SHUTDOWN, PULL]) == []


def test_a_proof_outlasts_waiting_and_the_turning_of_the_dial() -> None:
    assert rules([*SHUTDOWN, a.Wait(3600), a.SetMeter("ohms"), a.ZeroLeads(), PULL]) == []


def test_dead_pairs_count_only_on_the_function_that_showed_the_source_live() -> None:
    pairs = dead("box.L_out", "box.N", "box.G")
    turned: Acts = [*BEFORE, *LIVE, a.SetMeter("ohms"), a.SetMeter("volts_ac"), *pairs, *LIVE, PULL]
    assert rules(turned) == []  # the same meter on the same function, tried before and after
    mixed: Acts = [*BEFORE, *LIVE, a.SetMeter("low_z"), *pairs, a.SetMeter("volts_ac"), *LIVE, PULL]
    assert rules(mixed) == ["not_proved_dead"]


def test_neutral_to_ground_of_the_receptacle_neither_gives_nor_takes_a_proof() -> None:
    assert rules([*SHUTDOWN, *blocks.probe("outlet.N", "outlet.G"), *blocks.lift_leads(), PULL]) == []


def test_a_pair_found_live_later_ends_the_proof() -> None:
    # Re-accumulation asks for verifying again: 29 CFR 1910.147(d), check-values S14.
    # The back-feed is put in by hand.
    played = steps([*SHUTDOWN, *blocks.probe("door.line", "board.N"), *blocks.lift_leads(), PULL])
    at = max(k for k, step in enumerate(played) if step.observation.shown)
    assert [s.text for s in played[at].observation.shown] == ["0.000"]
    fed = dataclasses.replace(played[at], observation=Observation(shown=(Shown("volts_ac", "118.3", "V"),)))
    found = monitor(EQUIPMENT, False, [*played[:at], fed, *played[at + 1 :]])
    assert [v.rule for v in found] == ["not_proved_dead"]
