"""Units that differ from the first furnace: two supplies, no door switch, a run capacitor, test ports.

The expected verdicts come from the clauses of check-values.md §1 named beside each test (29 CFR 1910.333 and .335), the
capacitor's order (discharge, then measure, then touch) from common practice.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from itertools import pairwise

import pytest
import safety_blocks as blocks
from msgspec.structs import replace

from blowerbench import Hypothesis, load_equipment, load_faults
from blowerbench import acts as a
from blowerbench.equipment import Equipment
from blowerbench.hands import Hands, evolve
from blowerbench.observation import Observation
from blowerbench.plant import Plant
from blowerbench.variant import NOMINAL
from blowergrade import procedure as p
from blowergrade.replay import Step, play
from blowergrade.safety import isolated, isolated_supplies, monitor
from blowergrade.safety_wiring import danger, needed
from blowergrade.verification import repair_points

Acts = list[a.Act]
HANDLER = load_equipment("air_handler_240_electric")
CAPACITOR = load_equipment("furnace_120_split_capacitor")
OUTDOOR = load_equipment("outdoor_fan_240")
BOTH = tuple(HANDLER.supplies)
DOOR_OFF: Acts = [a.SetDoor(on=False)]


def steps(equipment: Equipment, acts: Sequence[a.Act], fault: str = "healthy_unit") -> tuple[Step, ...]:
    """The steps of `acts` on a nominal unit with `fault` in it, called by its first complaint."""
    catalogue = load_faults(equipment)
    return play(equipment, catalogue, Hypothesis(fault), NOMINAL, catalogue.faults[fault].complaints[0], acts)


def rules(equipment: Equipment, acts: Sequence[a.Act], fault: str = "healthy_unit") -> list[str]:
    """The rules that `acts` break, in order."""
    return [v.rule for v in monitor(equipment, False, steps(equipment, acts, fault))]


# ---------------------------------------------------------------------- two supplies
PULL = a.Unplug("power_plug")


def test_the_two_circuits_need_every_pair_of_each() -> None:
    # NFPA 70E-2018 120.5 and 29 CFR 1910.333(b)(2)(iv)(B): every conductor, to each other and to ground.
    assert needed(HANDLER)["load"] == {
        (name, one, other)
        for name in ("main", "heat")
        for one, other in (("line", "line_2"), ("line", "ground"), ("line_2", "ground"))
    }
    assert len(needed(HANDLER)["supply"]) == 6


def test_both_circuits_locked_and_proved_break_no_rule() -> None:
    acts = [*blocks.safe_shutdown(HANDLER), PULL, a.PlugIn("power_plug"), *blocks.energise(supplies=BOTH)]
    assert rules(HANDLER, acts) == []


@pytest.mark.parametrize("locked", BOTH)
def test_one_of_two_breakers_locked_is_critical_whichever_it_is(locked: str) -> None:
    # 29 CFR 1910.333(b)(2)(ii)(B), check-values S3: disconnect from all sources.
    acts = [*blocks.prepare(), *blocks.lock_out(supplies=(locked,)), *DOOR_OFF, PULL]
    found = monitor(HANDLER, False, steps(HANDLER, acts))
    assert [(v.rule, v.level) for v in found] == [("source_left_on", "critical")]
    assert "1910.333(b)(2)(ii)(B)" in found[0].clause


def test_the_second_circuit_off_but_not_locked_still_counts() -> None:
    # 1910.333(b)(1), check-values S2: de-energised but not locked counts as energised.
    acts = [
        *blocks.prepare(), a.SetBreaker(on=False, supply="heat"), *blocks.lock_out(supplies=("main",)), *DOOR_OFF, PULL,
    ]  # fmt: skip
    assert rules(HANDLER, acts) == ["source_left_on"]


def test_neither_circuit_locked_is_plain_live_work() -> None:
    assert rules(HANDLER, [*DOOR_OFF, PULL]) == ["live_work"]


def test_a_proof_of_one_circuit_alone_is_no_proof_of_the_unit() -> None:
    one = dataclasses.replace(HANDLER, supplies={"main": HANDLER.main})
    acts = [*blocks.prepare(), *blocks.lock_out(supplies=BOTH), *blocks.prove_dead(one), *DOOR_OFF, PULL]
    assert rules(HANDLER, acts) == ["not_proved_dead"]


def test_a_leg_never_measured_to_ground_leaves_the_proof_open() -> None:
    # trade.md §3: one open leg still leaves 120 V to ground; leg to leg alone shows nothing of it.
    whole = [*blocks.safe_shutdown(HANDLER), PULL]
    ground = HANDLER.supplies["heat"].roles["ground"][0]
    second = HANDLER.supplies["heat"].roles["line_2"][0]
    at = next(
        k for k, (x, y) in enumerate(pairwise(whole))
        if (x, y) == (a.PlaceLead("red", second), a.PlaceLead("black", ground))
    )  # fmt: skip
    assert rules(HANDLER, whole) == []
    assert rules(HANDLER, whole[:at] + whole[at + 2 :]) == ["not_proved_dead"]


def test_the_lock_may_hang_on_the_breaker_in_place_of_the_disconnect() -> None:
    hands = Hands()
    for name in BOTH:
        for act in (a.SetBreaker(on=False, supply=name), a.SetLock(on=True, supply=name, device="breaker")):
            assert not isolated(HANDLER, hands)
            hands = evolve(HANDLER, hands, act)
    assert isolated(HANDLER, hands) and isolated_supplies(HANDLER, hands) == frozenset(BOTH)


def test_a_breaker_put_on_again_ends_the_proof_of_both() -> None:
    acts = [
        *blocks.safe_shutdown(HANDLER, supply_side=True), a.SetLock(False, "heat", "breaker"), a.SetBreaker(True, "heat"), PULL,
    ]  # fmt: skip
    assert rules(HANDLER, acts) == ["not_proved_dead"]


@pytest.mark.parametrize("equipment", [HANDLER, OUTDOOR, CAPACITOR], ids=lambda e: e.id)
def test_work_on_the_supply_side_asks_for_every_breaker_off_and_locked(equipment: Equipment) -> None:
    unit = next(u.name for u in equipment.units.values() if u.side == "supply")
    ready = blocks.safe_shutdown(equipment, supply_side=True)
    unlocked = [x for x in ready if not (isinstance(x, a.SetLock) and x.device == "breaker")]
    assert rules(equipment, [*ready, a.Repair(unit)]) == []
    assert rules(equipment, [*unlocked, a.Repair(unit)]) == ["not_locked_out"]
    assert rules(equipment, [*blocks.safe_shutdown(equipment), a.Repair(unit)]) == ["live_work"]


def test_each_of_two_tripped_breakers_may_be_closed_once_after_a_check() -> None:
    # 29 CFR 1910.334(b)(2), check-values S11 and S12: the rule is about each circuit. The trips are put in by hand.
    played = steps(HANDLER, [*DOOR_OFF, a.Look("wiring"), *(a.SetBreaker(True, s) for s in BOTH), a.SetBreaker(True, "heat")])
    tripped = [dataclasses.replace(s, before=dataclasses.replace(s.before, plant=both_tripped(s))) for s in played]
    assert [(v.rule, v.seq) for v in monitor(HANDLER, False, tripped)] == [("reclosed_again", 5)]
    assert [v.rule for v in monitor(HANDLER, False, [tripped[0], *tripped[2:4]])] == ["reclosed_unchecked"] * 2


def both_tripped(step: Step) -> Plant:
    """The unit before `step` with both breakers tripped."""
    return replace(step.before.plant, tripped=frozenset(BOTH))


# ---------------------------------------------------------------------- no door switch
def test_without_a_door_switch_the_open_panel_makes_nothing_dead() -> None:
    # The wiring diagram has no such switch (protection.door_switch is empty): interlocks are no isolation anyway (S3).
    acts: Acts = [*DOOR_OFF, a.LiftWire(HANDLER.liftable[0])]
    assert rules(HANDLER, acts) == ["wire_moved_live"]
    assert rules(HANDLER, [*blocks.prepare(), *blocks.lock_out(supplies=BOTH), *acts]) == []


def test_controls_tried_with_the_panel_off_count_where_no_switch_opens_with_it() -> None:
    # 29 CFR 1910.333(b)(2)(iv)(A): the trial shows something as long as only the disconnects keep it from starting.
    ready = blocks.lock_out(supplies=BOTH)
    acts = [*blocks.prepare(), *ready[:-1], *DOOR_OFF, a.TryControls(), *blocks.prove_dead(HANDLER), PULL]
    assert rules(HANDLER, acts) == []


@pytest.mark.parametrize("equipment", [HANDLER, OUTDOOR, CAPACITOR], ids=lambda e: e.id)
@pytest.mark.parametrize("door_on", [True, False])
def test_the_taught_way_of_making_safe_is_safe_on_every_unit(equipment: Equipment, door_on: bool) -> None:
    before: Acts = [] if door_on else [*DOOR_OFF]
    hands = Hands(door_on=door_on)
    taught = p.make_safe(equipment, hands)
    plug = str(equipment.module["plug"])
    assert rules(equipment, [*before, *taught, *(DOOR_OFF if door_on else []), a.Unplug(plug)]) == []


# ---------------------------------------------------------------------- the run capacitor
POINTS = tuple(CAPACITOR.module["capacitor_points"])
SHUT = blocks.safe_shutdown(CAPACITOR)
RUNNING: Acts = [a.SetThermostat("fan"), a.Wait(60)]
FARADS: Acts = [a.SetMeter("farads"), *blocks.probe(*POINTS)]
TAKEN: Acts = [a.Discharge("capacitor"), a.SetMeter("volts_dc"), *blocks.probe(*POINTS), *blocks.lift_leads()]
OHMS: Acts = [a.SetMeter("ohms"), *blocks.probe(*POINTS)]

ACROSS = a.SetJumper(POINTS[0], POINTS[1])
CHARGED: dict[str, Acts] = {
    "farads at once": FARADS,
    "ohms at once": OHMS,
    "replaced at once": [a.Repair("run_capacitor")],
    "a jumper across it, as with a screwdriver": [ACROSS, replace(ACROSS, on=False)],
    "discharged, not measured": [a.Discharge("capacitor"), *FARADS],
    "measured, not discharged": [a.SetMeter("volts_dc"), *blocks.probe(*POINTS), *FARADS],
    "waiting in place of both": [a.Wait(3600), *FARADS],
}


@pytest.mark.parametrize("way", CHARGED)
def test_a_run_capacitor_is_discharged_and_measured_before_it_is_touched(way: str) -> None:
    # 29 CFR 1910.333(b)(2)(ii)(C), check-values S4: stored energy is released; until then it counts as energised.
    assert set(rules(CAPACITOR, [*RUNNING, *SHUT, *CHARGED[way]])) == {"capacitor_not_discharged"}


@pytest.mark.parametrize("way", ["farads at once", "ohms at once", "replaced at once", "waiting in place of both"])
def test_a_capacitor_discharged_and_measured_may_be_touched(way: str) -> None:
    assert rules(CAPACITOR, [*RUNNING, *SHUT, *TAKEN, *CHARGED[way]]) == []
    assert rules(CAPACITOR, [*RUNNING, *SHUT, *p.discharge_capacitor(CAPACITOR), *CHARGED[way]]) == []


def test_power_given_back_charges_the_capacitor_again() -> None:
    again = [*blocks.energise(), a.SetDoor(on=True), *RUNNING, *blocks.lock_out(), *blocks.prove_dead(CAPACITOR), *DOOR_OFF]
    assert rules(CAPACITOR, [*RUNNING, *SHUT, *TAKEN, *again, *FARADS]) == ["capacitor_not_discharged"]


def test_a_capacitor_still_over_50_volts_after_the_resistor_is_not_safe() -> None:
    # The reading is put in by hand: 29 CFR 1910.303(g)(2)(i), 50 V to ground.
    played = list(steps(CAPACITOR, [*RUNNING, *SHUT, *TAKEN, *FARADS]))
    at = max(k for k, s in enumerate(played) if any(x.instrument == "volts_dc" for x in s.observation.shown))
    shown = dataclasses.replace(played[at], observation=_reading(played[at], "163.1"))
    found = monitor(CAPACITOR, False, [*played[:at], shown, *played[at + 1 :]])
    assert [v.rule for v in found] == ["capacitor_not_discharged"]


def _reading(step: Step, text: str) -> Observation:
    """The step's observation with `text` on the display."""
    return replace(step.observation, shown=tuple(replace(x, text=text) for x in step.observation.shown))


def test_an_electronic_motor_has_no_run_capacitor_and_a_split_capacitor_motor_no_bus() -> None:
    assert "capacitor_not_discharged" not in rules(HANDLER, [*blocks.safe_shutdown(HANDLER), a.Wait(300), a.Repair("motor")])
    assert rules(CAPACITOR, [*SHUT, *TAKEN, a.Repair("motor")]) == []  # at once: no five minutes, no bus


# ---------------------------------------------------------------------- windings and unused taps
def test_what_hangs_on_a_live_winding_is_as_live_as_the_winding() -> None:
    # trade.md §2: unused taps are live while it runs, sometimes above line; the capacitor's leads as well.
    there = danger(CAPACITOR)
    assert {"blower.h1", "blower.h6", "blower.h8", *POINTS} <= there.line
    assert there.line.isdisjoint({"board.R", "board.C", "board.G", "cabinet.G", "transformer.S1", "motor.frame"})


def test_an_open_contactor_leaves_motor_and_capacitor_among_the_live_parts() -> None:
    # trade.md §2: a single-pole contactor leaves one leg live on motor and capacitor.
    there = danger(OUTDOOR)
    assert {"contactor.T1", "contactor.T2", "cap.C", "cap.FAN", "fan.h1", "fan.m1"} <= there.line
    assert {"box.L1", "box.L2", "panel.L1", "panel.L2"} <= there.supply
    assert there.line.isdisjoint({"contactor.A1", "contactor.A2", "cabinet.G", "low.Y"})


# ---------------------------------------------------------------------- moving and warming, and test ports
@pytest.mark.parametrize("act", [a.Wiggle("power_plug"), a.Warm("control_module")])
def test_moving_or_warming_inside_a_live_unit_asks_for_eye_protection_and_gloves(act: a.Act) -> None:
    # 29 CFR 1910.335(a)(1)(i), (v), check-values S12.
    assert rules(HANDLER, [*DOOR_OFF, act]) == ["unprotected"]
    assert rules(HANDLER, [*blocks.prepare(), *DOOR_OFF, act]) == []
    assert rules(HANDLER, [*blocks.lock_out(supplies=BOTH), *DOOR_OFF, act]) == []


def test_a_test_port_left_open_is_not_left_in_order() -> None:
    # trade.md §5: plug every port afterwards.
    def left(acts: Acts) -> int:
        checks = repair_points(CAPACITOR, (), steps(CAPACITOR, [a.SetThermostat("off"), *acts]), ())
        return checks[-1].earned

    assert left([]) == left([a.OpenPort("return"), a.PlugPort("return")]) == 2
    assert left([a.OpenPort("return")]) == 0
    assert left([a.OpenPort("return"), a.PlaceHose("high", "return")]) == 0


def test_every_unit_is_asked_only_for_what_it_has() -> None:
    for equipment in (HANDLER, CAPACITOR, OUTDOOR):
        checks = repair_points(equipment, (), steps(equipment, [a.Wait(1)]), ())
        asked = " ".join(c.why for c in checks)
        words = {"fan": "call for the fan", "heat": "call for heat", "cool": "call for cooling"}
        assert {c for c, w in words.items() if w in asked} == set(equipment.calls())
