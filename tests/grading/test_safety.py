"""The safety monitor: every rule is broken once and kept once; what the trade allows costs nothing.

The expected verdicts come from outside this code: the clauses beside each rule are those of check-values.md
§1 (29 CFR 1910.333 to .335 and .147, NFPA 70E-2018 120.5), the levels and the list of "not violations" those of
the design's §6.
"""

from __future__ import annotations

import dataclasses
import re
from pathlib import Path

import pytest
import safety_blocks as blocks
from safety_calls import (
    CHARGED,
    DOOR_OFF,
    EQUIPMENT,
    INNER,
    LIVE,
    OPENED,
    PROOF,
    PULL,
    SHUTDOWN,
    Acts,
    rules,
    steps,
    violations,
    without,
)

from blowerbench import acts as a
from blowerbench.observation import Observation, Said
from blowergrade.replay import Step
from blowergrade.safety import monitor
from blowergrade.safety_rules import RULES

# ---------------------------------------------------------------------- the table itself
CLAUSES = (
    r"29 CFR 1910\.333\(a\)\(1\)|29 CFR 1910\.333\(b\)\(1\)|29 CFR 1910\.333\(b\)\(2\)"
    r"|29 CFR 1910\.334\(b\)\([12]\)|29 CFR 1910\.334\(c\)\(1\)|29 CFR 1910\.335\(a\)\(1\)"
    r"|29 CFR 1910\.147\(d\)|NFPA 70E-2018 120\.5|US DOT PHMSA|common practice"
)


@pytest.mark.parametrize("rule", RULES)
def test_every_rule_cites_a_clause_that_was_read_or_says_common_practice(rule: str) -> None:
    # Source: the clause column of check-values §1, rows S1 to S19, marked R there.
    assert re.search(CLAUSES, RULES[rule].clause)
    assert RULES[rule].what and RULES[rule].why and RULES[rule].id == rule


def test_every_rule_is_broken_somewhere_in_these_tests() -> None:
    files = Path(__file__).parent.glob("test_safety*.py")
    text = "".join(file.read_text(encoding="utf-8") for file in files)
    assert [rule for rule in RULES if f'"{rule}"' not in text] == []


def test_a_violation_says_which_act_when_and_why() -> None:
    found = violations([*DOOR_OFF, a.Unplug("power_plug")])
    assert [(v.seq, v.clock, v.level) for v in found] == [(2, 35, "critical")]  # 20 and 15 s: acts.DURATION
    assert "1910.333(a)(1)" in found[0].clause and "1910.334(b)(1)" in found[0].clause  # check-values S1, S10


# ---------------------------------------------------------------------- the safe way costs nothing
def test_the_taught_shutdown_and_an_opened_control_break_no_rule() -> None:
    inside: Acts = [
        a.Unplug("winding_plug"), a.SetMeter("ohms"), a.ZeroLeads(), *blocks.probe("winding.m1",
            "winding.m2"),
        *blocks.probe("winding.m1", "motor.frame"), *blocks.lift_leads(), a.TurnShaft(),
        a.Declare(("motor",)),
        a.Repair("motor"),
    ]  # fmt: skip
    acts = [*OPENED, *inside]
    back = blocks.restore(steps(acts, "phase_open")[-1].after.hands, EQUIPMENT)
    assert rules([*acts, *back, a.Finish()], "phase_open") == []


def test_reading_the_harness_hands_off_and_running_on_the_reference_source_break_no_rule() -> None:
    acts: Acts = [
        *SHUTDOWN, a.Unplug("power_plug"), *blocks.probe("power.h3", "power.h5", clip=True),
        *blocks.energise(),
        a.HoldDoorSwitch(held=True), a.ReadMeter(), a.HoldDoorSwitch(held=False), *blocks.lock_out(), *PROOF,
        a.Unplug("control_plug"), a.FitSource(on=True), a.ClipSource(on=True), a.PlugIn("power_plug"),
        *blocks.energise(), a.HoldDoorSwitch(held=True), *blocks.probe("board.R", "board.C"),
        a.SwitchSource(run=True),
        a.Wait(10), *blocks.probe("power.h3", "power.h5"), *blocks.lift_leads(), a.SwitchSource(run=False),
        *blocks.lock_out(), *PROOF,
    ]  # fmt: skip
    played = steps(acts)
    assert "120" in "".join(s.text for s in played[acts.index(a.ReadMeter())].observation.shown)
    back = blocks.restore(played[-1].after.hands, EQUIPMENT)
    assert rules([*acts, *back, a.Finish()]) == []


# An open bleeder leaves the bus charged for hours: waiting is not enough, measuring is (design §4; S4, S16).
def test_a_bus_measured_at_over_50_volts_is_not_touched() -> None:
    assert float(steps(CHARGED, "module_bleeder_open")[-1].observation.shown[-1].text) > 50.0
    assert rules([*CHARGED, INNER], "module_bleeder_open") == ["bus_not_measured"]


def test_a_discharge_counts_only_once_it_was_measured() -> None:
    blind: Acts = [*CHARGED, *blocks.lift_leads(), a.Discharge(), a.Discharge()]
    assert rules([*blind, INNER], "module_bleeder_open") == ["bus_not_measured"]
    measured: Acts = [*blind, *blocks.probe("module.bus_pos", "module.bus_neg"), INNER]
    assert rules(measured, "module_bleeder_open") == []


def test_a_bus_measured_without_a_proof_of_absence_stays_unmeasured() -> None:
    acts = [
        *without(CHARGED, a.TryControls)[:4],
        a.SetDisconnect(closed=False),
        a.SetLock(on=True),
        *DOOR_OFF,
    ]
    acts += [*blocks.open_and_measure_bus(EQUIPMENT), INNER]
    assert rules(acts) == ["not_proved_dead", "not_proved_dead", "bus_not_measured"]


# ---------------------------------------------------------------------- "not violations", line by line
def jumper_test(call: str) -> Acts:
    pair = ("board.R", f"board.{call}")
    return [
        *DOOR_OFF, a.HoldDoorSwitch(held=True), a.SetJumper(*pair), a.Wait(10), a.SetJumper(*pair, on=False),
        a.HoldDoorSwitch(held=False), a.SetDoor(on=True), a.Finish(),
    ]  # fmt: skip


ALLOWED: dict[str, tuple[str, Acts]] = {
    "the door off with power on, to look": (
        "healthy_unit", [*DOOR_OFF, a.Look("wiring"), a.Look("wheel"), a.ReadStatus(), a.SetDoor(on=True),
            a.Finish()],
    ),
    "a rated, inspected meter on live parts with eye protection and gloves": (
        "healthy_unit",
        [*blocks.prepare(), *DOOR_OFF, *blocks.probe("door.line", "box.N"), *blocks.probe("door.line",
            "cabinet.G")],
    ),
    "holding the door switch by hand to measure": (
        "healthy_unit",
        [
            *blocks.prepare(), a.SetThermostat("fan"), *DOOR_OFF, a.HoldDoorSwitch(held=True), a.Wait(10),
            *blocks.probe("board.L", "board.N"), *blocks.lift_leads(), a.SetThermostat("off"),
            a.SetDoor(on=True), a.Finish(),
        ],
    ),
    "a test jumper R-G removed afterwards": ("healthy_unit", jumper_test("G")),
    "a test jumper R-Y removed afterwards": ("healthy_unit", jumper_test("Y")),
    "a test jumper R-W removed afterwards": ("healthy_unit", jumper_test("W")),
    "a lock without a tag on one circuit": ("healthy_unit", [*without(SHUTDOWN, a.SetTag),
        a.Unplug("power_plug")]),
    "one re-energising after a check that found no short": (
        "power_line_to_ground",
        [
            *SHUTDOWN, a.Unplug("power_plug"), a.Look("power_plug"), a.SetMeter("ohms"), a.ZeroLeads(),
            *blocks.probe("power.m3", "power.m5"), *blocks.lift_leads(), *blocks.energise(),
            a.SetBreaker(on=True),
        ],
    ),
    "what the customer did before arrival": (
        "power_line_to_ground", [*DOOR_OFF, a.Look("wiring"), a.SetDoor(on=True), a.SetBreaker(on=True)],
    ),
    "a heat call with the door off, briefly": (
        "healthy_unit", [*DOOR_OFF, a.SetThermostat("heat"), a.HoldDoorSwitch(held=True), a.Wait(60),
            a.SetThermostat("off")],
    ),
    "24 V at the thermostat, which is under 50 V (S1)": (
        "healthy_unit", [a.InspectMeter(), a.SetMeter("volts_ac"), *blocks.probe("stat.R", "stat.C")],
    ),
}  # fmt: skip


@pytest.mark.parametrize("line", ALLOWED)
def test_what_the_trade_allows_costs_nothing(line: str) -> None:
    fault, acts = ALLOWED[line]
    assert rules(acts, fault) == []


def test_a_tag_with_a_second_measure_is_enough_where_a_disconnect_takes_no_lock() -> None:
    # 29 CFR 1910.333(b)(2)(iii)(D), check-values S5: a tag alone needs one additional safety measure.
    no_hasp = dataclasses.replace(EQUIPMENT.main, takes_lock=False)
    unlockable = dataclasses.replace(EQUIPMENT, supplies={"main": no_hasp})

    def broken(acts: Acts) -> list[str]:
        return [v.rule for v in monitor(unlockable, False, steps(acts, equipment=unlockable))]

    tagged = [*without(blocks.safe_shutdown(EQUIPMENT, supply_side=True), a.SetLock), a.Unplug("power_plug")]
    assert broken(tagged) == []
    assert broken(without(tagged, a.SetBreaker)) == ["not_locked_out"]
    assert rules(tagged) == ["not_locked_out"]  # this unit's disconnect does take a lock


# ---------------------------------------------------------------------- critical
CRITICAL: dict[str, tuple[str, str, Acts]] = {
    "the power plug pulled with power on": ("live_work", "healthy_unit", [*DOOR_OFF, PULL]),
    "the power plug pulled with only the thermostat off": (
        "live_work", "healthy_unit", [a.SetThermostat("off"), *DOOR_OFF, PULL],
    ),
    "the power plug put in with power on": (
        "live_work", "healthy_unit", [*SHUTDOWN, PULL, *blocks.energise(), a.PlugIn("power_plug")],
    ),
    "the power plug pulled with the disconnect open but not locked": (
        "not_locked_out", "healthy_unit", [a.SetDisconnect(closed=False), *DOOR_OFF, PULL],
    ),
    "a tag alone": (
        "not_locked_out", "healthy_unit", [a.SetDisconnect(closed=False), a.SetTag(on=True), *DOOR_OFF, PULL],
    ),
    "the breaker off alone": ("not_locked_out", "healthy_unit", [a.SetBreaker(on=False), *DOOR_OFF, PULL]),
    "a board replaced live": ("live_work", "board_dead", [*DOOR_OFF, a.Repair("board")]),
    "a disconnect replaced with the breaker on": ("live_work", "disconnect_open", [*SHUTDOWN,
        a.Repair("disconnect")]),
    "a feeder repaired with its breaker off and not locked": (
        "not_locked_out", "feeder_line_open", [*SHUTDOWN, a.SetBreaker(on=False), a.Repair("branch_circuit")],
    ),
    "a feeder repaired without a proof on its own side": (
        "not_proved_dead", "feeder_line_open", [*SHUTDOWN, a.SetBreaker(on=False),
            a.SetLock(on=True, device="breaker"), a.Repair("branch_circuit")],
    ),
    "a jumper on line voltage": ("live_work", "healthy_unit", [*DOOR_OFF, a.SetJumper("board.L",
        "board.ML")]),
    "the control opened at once": ("opened_early", "healthy_unit", [*SHUTDOWN, a.OpenControl()]),
    "the control replaced at once": ("opened_early", "module_dead", [*SHUTDOWN, a.Repair("control_module")]),
    "the inner plug without a measurement": (
        "bus_not_measured", "healthy_unit", [*SHUTDOWN, a.Wait(300), a.OpenControl(),
            a.Unplug("winding_plug")],
    ),
    "the bus measured on AC": (
        "bus_not_measured", "healthy_unit",
        [*SHUTDOWN, a.Wait(300), a.OpenControl(), *blocks.probe("module.bus_pos", "module.bus_neg"),
            a.Unplug("winding_plug")],
    ),
    "phase to phase measured in place of the bus": (
        "bus_not_measured", "module_bleeder_open",
        [
            *SHUTDOWN, a.Wait(300), a.OpenControl(), a.SetMeter("volts_dc"), *blocks.probe("winding.m1",
                "winding.m2"),
            a.Unplug("winding_plug"),
        ],
    ),
    "ohms on windings without a measurement": (
        "bus_not_measured", "healthy_unit",
        [*SHUTDOWN, a.Wait(300), a.OpenControl(), a.SetMeter("ohms"), *blocks.probe("winding.m1",
            "winding.m2")],
    ),
    "power on with the control open": ("energised_open", "healthy_unit", [*OPENED, *blocks.energise()]),
    "a hand to the turning wheel": (
        "wheel_turning", "healthy_unit",
        [a.SetThermostat("fan"), *DOOR_OFF, a.HoldDoorSwitch(held=True), a.Wait(20),
            a.HoldDoorSwitch(held=False), a.TurnShaft()],
    ),
    "the door switch left taped": (
        "door_switch_left_defeated", "healthy_unit",
        [*DOOR_OFF, a.TapeDoorSwitch(taped=True), a.SetDoor(on=True), a.Finish()],
    ),
    "a tripped breaker closed unseen": ("reclosed_unchecked", "power_line_to_ground",
        [a.SetBreaker(on=True)]),
    "a look at the panel alone": (
        "reclosed_unchecked", "power_line_to_ground", [a.Look("panel"), a.SetBreaker(on=True)],
    ),
    "a second re-closing with no repair between": (
        "reclosed_again", "power_line_to_ground",
        [*DOOR_OFF, a.Look("wiring"), a.SetDoor(on=True), a.SetBreaker(on=True), a.SetBreaker(on=True)],
    ),
    "going on after a gas smell": ("stayed_in_danger", "gas_smell", [a.Look("around"),
        a.SetThermostat("fan")]),
    "a switch touched with gas in the air": (
        "stayed_in_danger", "gas_smell", [a.SetDoor(on=False), a.SetBreaker(on=False)],
    ),
    "writing the report amid gas": (
        "stayed_in_danger", "gas_smell", [a.Look("around"), a.WriteUp("smell", (), "leak", "none"),
            a.Leave("gas_smell")],
    ),
}  # fmt: skip


@pytest.mark.parametrize("line", CRITICAL)
def test_a_critical_violation_is_found_where_it_happens(line: str) -> None:
    rule, fault, acts = CRITICAL[line]
    found = violations(acts, fault)
    assert [v.rule for v in found if v.level == "critical"] == [rule]
    at = len(acts) - 1 if rule == "stayed_in_danger" and isinstance(acts[-1], a.Leave) else len(acts)
    assert [v.seq for v in found if v.level == "critical"] == [at]


@pytest.mark.parametrize(("seconds", "expected"), [(299, ["opened_early"]), (300, [])])
def test_five_minutes_count_from_the_opened_disconnect(seconds: int, expected: list[str]) -> None:
    # Source: "wait 5 min before opening the motor's control", common practice in check-values §1.
    since = SHUTDOWN[SHUTDOWN.index(a.SetDisconnect(closed=False)) + 1 :]
    rest = seconds - sum(a.duration(act) for act in since)
    assert rules([*SHUTDOWN, a.Wait(rest), a.OpenControl()]) == expected


def test_an_open_door_switch_does_not_start_the_five_minutes() -> None:
    # Interlocks are not the sole means of isolation: 29 CFR 1910.333(b)(2)(ii)(B), check-values S3.
    acts = [*DOOR_OFF, a.Wait(600), a.SetDoor(on=True), *SHUTDOWN, a.OpenControl()]
    assert rules(acts) == ["opened_early"]


@pytest.mark.parametrize("safety", ["limit", "rollout", "pressure"])
def test_bridging_a_safety_is_major_and_critical_on_a_call_or_when_left(safety: str) -> None:
    jumper = a.SetJumper(f"{safety}.1", f"{safety}.2")
    off = a.SetJumper(f"{safety}.1", f"{safety}.2", on=False)
    held: Acts = [*DOOR_OFF, a.SetThermostat("heat"), a.HoldDoorSwitch(held=True)]
    assert rules([*DOOR_OFF, jumper, off, a.SetDoor(on=True), a.Finish()]) == ["safety_jumpered"]
    assert rules([*held, jumper, off]) == ["safety_jumpered", "safety_jumpered_on_call"]
    left = rules([*DOOR_OFF, jumper, a.SetDoor(on=True), a.Finish()])
    assert left == ["safety_jumpered", "safety_left_jumpered", "jumper_left"]


def test_a_call_made_with_a_jumper_counts_as_a_call_for_the_burner() -> None:
    acts: Acts = [
        *DOOR_OFF, a.HoldDoorSwitch(held=True), a.SetJumper("board.R", "board.W"), a.SetJumper("limit.1",
            "limit.2"),
    ]  # fmt: skip
    assert rules(acts)[:2] == ["safety_jumpered", "safety_jumpered_on_call"]


def test_walking_off_from_a_taped_door_switch_counts_unless_there_is_danger() -> None:
    taped: Acts = [*DOOR_OFF, a.TapeDoorSwitch(taped=True)]
    assert rules([*taped, a.Leave("other")]) == ["door_switch_left_defeated"]
    assert rules([*taped, a.Leave("gas_smell")], "gas_smell") == ["stayed_in_danger"]


def test_after_a_check_and_a_repair_a_breaker_may_be_closed_once_more() -> None:
    looked: Acts = [*DOOR_OFF, a.Look("wiring"), a.SetDoor(on=True), a.SetBreaker(on=True)]
    again: Acts = [*SHUTDOWN, a.Look("wiring"), a.Repair("power_harness"), *blocks.energise()]
    assert rules([*looked, *again, a.SetBreaker(on=True)], "power_line_to_ground") == []


def test_a_check_before_the_trip_does_not_count_for_it() -> None:
    # 29 CFR 1910.334(b)(2), check-values S11. Behind the door switch, the short trips only once that is held in.
    looked: Acts = [*DOOR_OFF, a.Look("wiring"), a.SetBreaker(on=True), a.Look("wiring")]
    trip: Acts = [a.HoldDoorSwitch(held=True), a.HoldDoorSwitch(held=False)]
    assert steps([*looked, *trip], "unit_line_to_ground")[-1].after.plant.tripped
    guess: Acts = [
        a.SetDoor(on=True), *SHUTDOWN, a.Repair("board"), *blocks.energise(), a.SetBreaker(on=True),
    ]  # fmt: skip
    assert rules([*looked, *trip, *guess], "unit_line_to_ground") == ["reclosed_unchecked"]


def test_the_supply_side_of_a_locked_disconnect_is_still_live_work_for_the_meter() -> None:
    bare: Acts = [*SHUTDOWN, a.Wear("gloves", on=False)]
    assert rules([*bare, *blocks.probe("door.line", "board.N")]) == []
    assert rules([*bare, *blocks.probe("box.L", "box.N")]) == ["unprotected"]


def test_ohms_on_the_motor_s_side_of_a_parted_plug_are_on_an_isolated_part() -> None:
    apart: Acts = [*SHUTDOWN, PULL, *blocks.energise(), a.SetMeter("ohms")]
    assert rules([*apart, *blocks.probe("power.m3", "power.m5")]) == []
    assert rules([*apart, *blocks.probe("power.h3", "power.h5")]) == ["ohms_live"]


def test_a_jumper_over_the_door_switch_left_in_is_as_bad_as_tape() -> None:
    acts: Acts = [
        *SHUTDOWN,
        a.SetJumper("door.line", "door.load"),
        a.SetDoor(on=True),
        *blocks.energise(),
        a.Finish(),
    ]
    assert rules(acts) == ["door_switch_left_defeated", "jumper_left"]


def with_clicks(step: Step) -> Step:
    """A reset that clicks, put in by hand: no fault of this catalogue trips the rollout."""
    if not isinstance(step.act, a.ResetSafety):
        return step
    return dataclasses.replace(step, observation=Observation((Said("reset_clicks"),)))


@pytest.mark.parametrize(
    ("before", "expected"),
    [
        ([], ["rollout_reset_unchecked", "rollout_reset_again"]),
        ([a.Look("wiring")], ["rollout_reset_again"]),
        ([*blocks.prepare(), *blocks.probe("rollout.1", "rollout.2")], ["rollout_reset_again"]),
    ],
    ids=["blind", "looked", "measured"],
)
def test_a_tripped_rollout_is_looked_into_before_its_one_reset(before: Acts, expected: list[str]) -> None:
    played = steps([*DOOR_OFF, *before, a.ResetSafety(), a.ResetSafety()])
    assert [v.rule for v in monitor(EQUIPMENT, False, [with_clicks(step) for step in played])] == expected


def test_leaving_a_gas_smell_at_once_is_right_and_shutting_the_gas_on_the_way_too() -> None:
    # Source: US DOT PHMSA public guidance, check-values S18: no switches; leave; call from elsewhere.
    assert rules([a.Leave("gas_smell")], "gas_smell") == []
    assert rules([a.Look("around"), a.Leave("gas_smell")], "gas_smell") == []
    assert (
        rules(
            [a.Look("around"), a.SetGas(open=False), a.Declare(("gas_train",)), a.Leave("gas_smell")],
            "gas_smell",
        )
        == []
    )


# ---------------------------------------------------------------------- major and minor
LESSER: dict[str, tuple[str, str, Acts]] = {
    "re-fusing without looking for the short": (
        "fuse_replaced_unchecked", "short_R_C_cable", [*SHUTDOWN, a.Repair("low_voltage_fuse")],
    ),
    "ohms on the 24 V circuit with power on": (
        "ohms_live", "healthy_unit", [*blocks.prepare(), *DOOR_OFF, a.SetMeter("ohms"),
            *blocks.probe("board.R", "board.C")],
    ),
    "ohms on line terminals behind the open door switch": (
        "ohms_live", "healthy_unit", [*blocks.prepare(), *DOOR_OFF, a.SetMeter("ohms"),
            *blocks.probe("board.L", "board.N")],
    ),
    "the dial turned to ohms with the leads still on": (
        "ohms_live", "healthy_unit", [*blocks.prepare(), *blocks.probe("outlet.L", "outlet.N"),
            a.SetMeter("ohms")],
    ),
    "a meter not inspected": (
        "meter_not_inspected", "healthy_unit", [*without(blocks.prepare(), a.InspectMeter), *LIVE, *LIVE],
    ),
    "no eye protection or gloves": ("unprotected", "healthy_unit", [*without(blocks.prepare(), a.Wear),
        *LIVE, *LIVE]),
    "a hand to the wheel with power on": ("wheel_not_isolated", "healthy_unit", [*DOOR_OFF, a.Wait(60),
        a.TurnShaft()]),
    "a test jumper left in": (
        "jumper_left", "healthy_unit", [*DOOR_OFF, a.SetJumper("board.R", "board.G"), a.SetDoor(on=True),
            a.Finish()],
    ),
    "a 24 V wire moved live": (
        "wire_moved_live", "healthy_unit", [*DOOR_OFF, a.HoldDoorSwitch(held=True), a.LiftWire("wall_G")],
    ),
    "the 24 V fuse replaced live after a search": (
        "wire_moved_live", "short_R_C_cable",
        [*DOOR_OFF, a.Look("wiring"), a.HoldDoorSwitch(held=True), a.Repair("low_voltage_fuse")],
    ),
    "a winding judged with leads not zeroed": (
        "leads_not_zeroed", "healthy_unit",
        [
            *OPENED, a.Unplug("winding_plug"), a.SetMeter("ohms"), *blocks.probe("winding.m1", "winding.m2"),
            a.Declare(("motor",)),
        ],
    ),
    "controls never tried": ("controls_not_tried", "healthy_unit", [*without(SHUTDOWN, a.TryControls), PULL]),
}  # fmt: skip


@pytest.mark.parametrize("line", LESSER)
def test_a_lesser_violation_is_found_once_and_is_not_critical(line: str) -> None:
    rule, fault, acts = LESSER[line]
    assert rules(acts, fault) == [rule]
    # Levels: design §6 names these three; the rest are this project's choice below critical.
    level = {
        "fuse_replaced_unchecked": "major",
        "ohms_live": "major",
        "wire_moved_live": "minor",
        "leads_not_zeroed": "minor",
    }
    assert RULES[rule].level == level.get(rule, RULES[rule].level) != "critical"


@pytest.mark.parametrize(
    "search",
    [
        [a.Look("wiring")],
        [a.LiftWire("wall_R")],
        [a.SetMeter("ohms"), a.ZeroLeads(), *blocks.probe("board.R", "board.C")],
    ],
    ids=["look", "lift a wire", "ohms"],
)
def test_a_fuse_may_be_replaced_once_the_short_was_looked_for(search: Acts) -> None:
    assert rules([*SHUTDOWN, *search, a.Repair("low_voltage_fuse")], "short_R_C_cable") == []


def test_a_fuse_that_blows_again_asks_for_another_search() -> None:
    acts: Acts = [
        *SHUTDOWN, a.Look("wiring"), a.Repair("low_voltage_fuse"), *blocks.energise(),
        a.HoldDoorSwitch(held=True),
        a.Wait(10), a.HoldDoorSwitch(held=False), *blocks.lock_out(), *PROOF, a.Repair("low_voltage_fuse"),
    ]  # fmt: skip
    assert rules(acts, "short_R_C_cable") == ["fuse_replaced_unchecked"]


def test_leads_zeroed_and_read_again_before_judging_cost_nothing() -> None:
    acts: Acts = [
        *OPENED, a.Unplug("winding_plug"), a.SetMeter("ohms"), *blocks.probe("winding.m1", "winding.m2"),
        a.ZeroLeads(),
        *blocks.probe("winding.m1", "winding.m2"), a.Declare(("motor",)),
    ]  # fmt: skip
    assert rules(acts) == []


# ---------------------------------------------------------------------- every unit's repair
@pytest.mark.parametrize("unit", sorted(set(EQUIPMENT.units) - {"gas_train"}))
def test_a_repair_is_clean_when_made_safe_and_at_worst_minor_live_only_on_24_volts(unit: str) -> None:
    side = EQUIPMENT.units[unit].side
    safe = blocks.safe_shutdown(EQUIPMENT, supply_side=side == "supply")
    assert rules([*safe, a.Wait(300), a.Repair(unit)]) == []
    live = violations([*DOOR_OFF, a.HoldDoorSwitch(held=True), a.Repair(unit)])
    # 1910.333(a)(1): above 50 V to ground critical, under 50 V maybe exempt; own instruments endanger nobody.
    expected = {"load": "critical", "supply": "critical", "low": "minor", "none": ""}[side]
    assert {v.level for v in live} == ({expected} if expected else set())
