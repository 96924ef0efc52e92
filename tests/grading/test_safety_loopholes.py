"""Ways round the monitor that cost what they should, and verdicts that rest on nothing perceived.

The expected verdicts come from the clauses of check-values.md §1 named beside each test (29 CFR 1910.333 and
.334, US DOT PHMSA public guidance).
"""

from __future__ import annotations

import dataclasses

import pytest
import safety_blocks as blocks
from msgspec.structs import replace
from safety_calls import (
    CATALOGUE,
    DOOR_OFF,
    EQUIPMENT,
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
from blowerbench.hands import Hands, evolve
from blowerbench.observation import Observation, Said
from blowerbench.session import Session
from blowerbench.variant import NOMINAL
from blowergrade import procedure as p
from blowergrade.replay import Step
from blowergrade.safety import Known, judge, monitor

# ---------------------------------------------------------------------- a call that is not ended
LEFT_IN: dict[str, tuple[Acts, list[str]]] = {
    "the door switch taped": ([a.TapeDoorSwitch(taped=True)], ["door_switch_left_defeated"]),
    "a test jumper": ([a.SetJumper("board.R", "board.G")], ["jumper_left"]),
    "a bridged limit": (
        [a.SetJumper("limit.1", "limit.2")], ["safety_jumpered", "safety_left_jumpered", "jumper_left"],
    ),
}  # fmt: skip


@pytest.mark.parametrize("what", LEFT_IN)
def test_leaving_the_handover_out_hides_nothing_that_was_left_in(what: str) -> None:
    # 29 CFR 1910.333(b)(2)(v)(A), check-values §1: tools, jumpers and shorts come out before handing back.
    acts, expected = LEFT_IN[what]
    unfinished: Acts = [*DOOR_OFF, *acts, a.SetDoor(on=True)]
    assert rules(unfinished) == rules([*unfinished, a.Finish()]) == expected
    assert violations(unfinished)[-1].seq == len(unfinished)


def test_what_was_taken_out_again_is_not_held_against_an_unfinished_call() -> None:
    tape: Acts = [*DOOR_OFF, a.TapeDoorSwitch(taped=True), a.TapeDoorSwitch(taped=False)]
    assert rules(tape) == rules([]) == []


def test_who_is_in_danger_does_not_go_back_for_a_jumper() -> None:
    played = steps([*DOOR_OFF, a.SetJumper("board.R", "board.G")])
    alarm = Observation(said=(Said("co_alarm"),))
    smelled = [*played[:-1], dataclasses.replace(played[-1], observation=alarm)]
    assert [v.rule for v in monitor(EQUIPMENT, False, played)] == ["jumper_left"]
    assert monitor(EQUIPMENT, False, smelled) == ()


# ---------------------------------------------------------------------- danger begins when it is shown
def shown_at(played: tuple[Step, ...], seq: int, senses: bool) -> list[Step]:
    """`played` with a smell of gas shown by the act `seq` and from then on, and nowhere before."""
    smell = Observation(senses=("smell_of_gas",)) if senses else Observation(said=(Said("smell_of_gas"),))
    return [dataclasses.replace(s, observation=smell if s.seq >= seq else Observation()) for s in played]


@pytest.mark.parametrize("senses", [True, False], ids=["senses", "said"])
@pytest.mark.parametrize("stop_work", [True, False])
@pytest.mark.parametrize("first_shown", [1, 2, 3])
def test_only_acts_after_the_first_sign_of_gas_count(first_shown: int, stop_work: bool, senses: bool) -> None:
    # US DOT PHMSA public guidance, check-values S18: who smells gas touches no switch and leaves.
    acts: Acts = [*DOOR_OFF, a.SetThermostat("fan"), a.SetThermostat("off"), a.SetBreaker(on=False)]
    found = monitor(EQUIPMENT, stop_work, shown_at(steps(acts), first_shown, senses))
    assert [(v.rule, v.seq) for v in found] == [("stayed_in_danger", first_shown + 1)]


def test_a_hidden_leak_that_nobody_could_smell_is_held_against_nobody() -> None:
    played = [dataclasses.replace(s, observation=Observation()) for s in steps([*DOOR_OFF, a.SetThermostat("fan")])]
    assert monitor(EQUIPMENT, True, played) == ()


def test_on_a_leaking_unit_the_first_act_is_free_and_the_next_switch_is_not() -> None:
    assert rules([*DOOR_OFF, a.Leave("gas_smell")], "gas_smell") == []
    found = violations([*DOOR_OFF, a.SetThermostat("fan"), a.Leave("gas_smell")], "gas_smell")
    assert [(v.rule, v.seq) for v in found] == [("stayed_in_danger", 2)]


# ---------------------------------------------------------------------- controls tried behind an open door switch
LOCK: Acts = [*blocks.prepare(), *without(blocks.lock_out(), a.TryControls)]


@pytest.mark.parametrize(
    ("trial", "expected"),
    [
        ([*DOOR_OFF, a.TryControls()], ["controls_not_tried"]),
        ([*DOOR_OFF, a.HoldDoorSwitch(held=True), a.TryControls()], []),
        ([*DOOR_OFF, a.TapeDoorSwitch(taped=True), a.TryControls(), a.TapeDoorSwitch(taped=False)], []),
        ([a.TryControls(), *DOOR_OFF], []),
    ],
    ids=["open", "held", "taped", "door on"],
)
def test_controls_tried_behind_an_open_door_switch_were_not_tried(trial: Acts, expected: list[str]) -> None:
    # 29 CFR 1910.333(b)(2)(iv)(A): operate the controls to verify that the equipment cannot be restarted; an
    # open interlock keeps it from starting whatever the disconnect does (1910.333(b)(2)(ii)(B), check-values S3).
    assert rules([*LOCK, *trial, *PROOF, PULL]) == expected


@pytest.mark.parametrize("way", ["door on", "door off", "held", "taped"])
def test_the_taught_way_of_making_safe_is_safe_from_any_state_of_the_door(way: str) -> None:
    before: dict[str, Acts] = {
        "door on": [], "door off": [*DOOR_OFF], "held": [*DOOR_OFF, a.HoldDoorSwitch(held=True)],
        "taped": [*DOOR_OFF, a.TapeDoorSwitch(taped=True)],
    }  # fmt: skip
    hands = Hands()
    for act in before[way]:
        hands = evolve(EQUIPMENT, hands, act)
    taught = p.make_safe(EQUIPMENT, hands)
    held = a.HoldDoorSwitch(held=True) in taught
    assert held == (way in ("door off", "held"))
    if held:
        assert taught.index(a.SetLock(on=True)) < taught.index(a.HoldDoorSwitch(held=True))
        assert taught[taught.index(a.HoldDoorSwitch(held=True)) + 1] == a.TryControls()
    last: Acts = [a.TapeDoorSwitch(taped=False)] if way == "taped" else []
    assert rules([*before[way], *taught, *(DOOR_OFF if way == "door on" else []), PULL, *last]) == []


# ---------------------------------------------------------------------- what counts as looking into a trip
def test_a_look_at_a_seated_plug_inspects_nothing() -> None:
    # 29 CFR 1910.334(b)(2), check-values S11: a tripped breaker stays off until it is determined to be safe.
    acts: Acts = [*DOOR_OFF, a.Look("power_plug"), a.SetDoor(on=True), a.SetBreaker(on=True)]
    assert [s.id for s in steps(acts, "power_line_to_ground")[1].observation.said] == [
        "connector_mated_nothing_shows"
    ]
    assert rules(acts, "power_line_to_ground") == ["reclosed_unchecked"]
    parted: Acts = [*SHUTDOWN, PULL, a.Look("power_plug"), *blocks.energise(), a.SetBreaker(on=True)]
    assert rules(parted, "power_line_to_ground") == []


@pytest.mark.parametrize(
    ("hands", "tripped", "counts"),
    [
        (Hands(door_on=False), False, False),
        (Hands(door_on=False, switch_held=True), False, False),
        (Hands(door_on=False), True, True),
        (Hands(door_on=False, breakers_off=frozenset({"main"})), False, True),
        (Hands(door_on=False, disconnects_open=frozenset({"main"})), False, True),
    ],
    ids=["power on", "power on and held", "tripped", "breaker off", "disconnect open"],
)
def test_a_circuit_is_inspected_with_the_power_off(hands: Hands, tripped: bool, counts: bool) -> None:
    (step,) = steps([a.Wait(1)])
    was = frozenset({"main"}) if tripped else frozenset[str]()
    before = dataclasses.replace(step.before, hands=hands, plant=replace(step.before.plant, tripped=was))
    after = dataclasses.replace(before, hands=replace(hands, clock=15))
    known, _ = judge(EQUIPMENT, Known(), Step(1, a.Look("wiring"), before, after, Observation()))
    assert known.circuit_checked == (frozenset({"main"}) if counts else frozenset())


NOT_THE_CIRCUIT = (
    "gas_train", "reference_source", "test_lead", "meter", "thermostat", "wall_cable", "low_voltage_fuse",
    "low_voltage_wiring", "limit", "rollout", "pressure_switch", "control_harness", "airflow_selection",
    "carbon_monoxide", "cooling_circuit", "duct", "filter", "gas_pressure", "registers",
)  # fmt: skip


# The power harness is left out: its repair clears this short, so the breaker does not trip again.
@pytest.mark.parametrize("unit", sorted(set(EQUIPMENT.units) - {"power_harness"}))
def test_only_a_repair_on_line_voltage_allows_another_reclosing(unit: str) -> None:
    # 29 CFR 1910.334(b)(2), check-values S12: no repeated re-closing; a repair elsewhere leaves the fault there.
    supply = unit in ("branch_circuit", "disconnect")
    on: Acts = [*blocks.energise(breaker=supply), *([] if supply else [a.SetBreaker(on=True)])]
    acts: Acts = [
        *blocks.safe_shutdown(EQUIPMENT, supply_side=supply), a.Look("wiring"), *on, a.SetDoor(on=True),
        *blocks.lock_out(breaker=supply),
        *PROOF, *(blocks.prove_dead(EQUIPMENT, supply_side=True) if supply else []), *DOOR_OFF, a.Wait(300),
        a.Look("wiring"), a.Repair(unit), a.SetDoor(on=True), *on,
    ]  # fmt: skip
    played = steps(acts, "power_line_to_ground")
    closings = [s for s in played if s.act == a.SetBreaker(on=True) and s.before.plant.tripped]
    assert len(closings) == 2
    expected = ["reclosed_again"] if unit in NOT_THE_CIRCUIT else []
    assert [r for r in rules(acts, "power_line_to_ground") if r.startswith("reclosed")] == expected


def test_every_fault_that_trips_the_breaker_is_mended_on_line_voltage() -> None:
    # Else the right repair would be followed by a forbidden re-closing (29 CFR 1910.334(b)(2)).
    tripping = []
    for hypothesis in CATALOGUE.hypotheses():
        complaint = CATALOGUE.faults[hypothesis.fault].complaints[0]
        if Session(EQUIPMENT, CATALOGUE, hypothesis, NOMINAL, complaint).now.plant.tripped:
            tripping.append(hypothesis)
            assert not set(CATALOGUE.corrections(hypothesis)) <= set(NOT_THE_CIRCUIT)
    assert tripping
