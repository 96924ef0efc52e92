"""What a technician would notice at once if it were wrong: volts against amps, one of two repairs, doors, cycles."""

from __future__ import annotations

from typing import Any

import pytest
from msgspec.structs import replace as changed

from blowerbench import LocalBench, load_equipment, load_faults
from blowerbench import acts as a
from blowerbench.faults import Effects, Hypothesis, Intermittent, effects_left
from blowerbench.hands import Hands
from blowerbench.observation import Accepted, Refused
from blowerbench.plant import Plant
from blowerbench.simulator import Simulator
from blowerbench.variant import NOMINAL

FURNACE = "furnace_120_constant_airflow"


def shown(bench: LocalBench, *acts: a.Act) -> dict[str, float]:
    """What the displays show after `acts`, by instrument; an over-range display is infinite."""
    last: Any = None
    for act in acts:
        last = bench.act(act)
        assert isinstance(last, Accepted), (act, last)
    return {s.instrument: float("inf") if "OL" in s.text else float(s.text) for s in last.observation.shown}


@pytest.mark.parametrize("ohms", [1.0, 5.0, 12.0])
def test_volts_across_a_bad_joint_over_its_amps_are_its_ohms(ohms: float) -> None:
    # Ohm's law with true-rms volts and true-rms amps of the same distorted current.
    unit = load_equipment(FURNACE)
    bench = LocalBench(unit, "healthy_unit", "second_opinion")
    bench.session.simulator = Simulator(unit, Effects(resistances=(("power_line", ohms),)), NOMINAL)
    shown(bench, a.SetDoor(False), a.HoldDoorSwitch(True), a.Wait(60), a.SetMeter("volts_ac"))
    volts = shown(bench, a.PlaceLead("black", "power.h3"), a.PlaceLead("red", "board.ML"))["volts_ac"]
    amps = shown(bench, a.LiftLead("red"), a.LiftLead("black"), a.SetMeter("clamp"), a.PlaceClamp("power_line"))["clamp"]
    assert volts / amps == pytest.approx(ohms, rel=0.06)  # the displays' own resolution


def test_a_joint_that_cannot_pass_the_watts_stops_the_motor() -> None:
    # Greatest power through a resistance: V²/(4R) (maximum power transfer).
    unit = load_equipment(FURNACE)
    for ohms, runs in ((15.0, True), (25.0, False)):
        simulator = Simulator(unit, Effects(resistances=(("power_line", ohms),)), NOMINAL)
        hands, plant = simulator.start("fan")
        seen = set()
        for _ in range(20):
            plant = simulator.advance(plant, hands, 1.0)
            seen.add(plant.motor)
        assert ("hunting" not in seen) == runs
        healthy = Simulator(unit, Effects(), NOMINAL).start("fan")[1]
        assert (120.0**2 / (4.0 * ohms) > healthy.watts) or not runs


def test_one_long_wait_is_many_short_ones() -> None:
    unit = load_equipment("furnace_120_split_capacitor")
    catalogue = load_faults(unit)
    for fault in ("healthy_unit", "capacitor_very_weak", "registers_shut"):
        if fault not in catalogue.faults:
            continue
        ends = []
        for pieces in (1, 40):
            bench = LocalBench(unit, fault, catalogue.faults[fault].complaints[0])
            for _ in range(pieces):
                bench.act(a.Wait(1200 // pieces))
            plant = bench.session.now.plant
            ends.append((plant.motor, plant.heater, plant.blower, round(plant.plenum, 6), round(plant.winding, 6)))
        assert ends[0] == ends[1]


def test_a_fault_that_comes_with_heat_goes_by_itself() -> None:
    unit = load_equipment(FURNACE)
    when = Intermittent("hot", after=60.0, rest=60.0, provoke="", at="")
    simulator = Simulator(unit, Effects(opened=frozenset({"limit"}), when=when), NOMINAL)
    hands = Hands(thermostat="heat")
    plant = Plant(plenum=21.0, winding=21.0)
    states = set()
    for _ in range(90):
        plant = simulator.advance(plant, hands, 20.0)
        states.add(plant.present)
    assert states == {True, False}
    plant = simulator.advance(plant, changed(hands, thermostat="off"), 3600.0)
    assert not plant.present


def test_of_two_units_to_be_replaced_each_does_its_own_part() -> None:
    # Common practice: a grounded winding takes control and motor; the new motor measures good, the old control stays dead.
    unit = load_equipment(FURNACE)
    catalogue = load_faults(unit)
    grounded = next(f for f in catalogue.faults.values() if f.correction == "motor" and "control_module" in f.with_units)
    left = effects_left(unit, catalogue, Hypothesis(grounded.id), ["motor"])
    assert not left.shunts and not left.opened and left.setting("module.dead")
    assert effects_left(unit, catalogue, Hypothesis(grounded.id), ["motor", "control_module"]) == Effects()
    surge = effects_left(unit, catalogue, Hypothesis("surge_board_and_control"), ["board"])
    assert surge.setting("module.dead") and not surge.setting("board.dead")


def test_with_the_blower_door_off_the_return_side_is_at_the_room() -> None:
    bench = LocalBench(FURNACE, "healthy_unit", "second_opinion")
    ports = (a.OpenPort("inlet"), a.PlaceHose("low", "inlet"), a.SetThermostat("cool"), a.Wait(60))
    closed = shown(bench, *ports)["manometer"]
    opened = shown(bench, a.SetDoor(False), a.HoldDoorSwitch(True), a.Wait(60))["manometer"]
    assert closed > 0.15 and opened < 0.25 * closed


def test_trying_the_controls_tells_what_really_starts() -> None:
    for name, fault, says in (
        (FURNACE, "healthy_unit", "controls_started"),
        (FURNACE, "stat_no_fan", "controls_nothing"),
        (FURNACE, "stat_fan_stuck", "controls_running"),
        (FURNACE, "phase_open", "controls_hums"),
        ("outdoor_fan_240", "fan_run_lead_open", "controls_other"),
    ):
        bench = LocalBench(name, fault, load_faults(load_equipment(name)).faults[fault].complaints[0])
        bench.act(a.SetThermostat("off"))
        bench.act(a.Wait(200))
        outcome = bench.act(a.TryControls())
        assert isinstance(outcome, Accepted)
        assert says in {s.id for s in outcome.observation.said}, (fault, outcome.observation)


def test_line_volts_on_the_24_volt_bus_kill_the_board_until_it_is_replaced() -> None:
    bench = LocalBench(FURNACE, "healthy_unit", "second_opinion")
    for act in (a.SetDoor(False), a.HoldDoorSwitch(True), a.SetJumper("board.L", "board.R"), a.Wait(5)):
        assert isinstance(bench.act(act), Accepted)
    bench.act(a.SetJumper("board.L", "board.R", False))
    bench.act(a.Repair("low_voltage_fuse"))
    assert "board" in bench.session.now.plant.burnt and not bench.session.now.plant.alive
    bench.act(a.Repair("board"))
    bench.act(a.HoldDoorSwitch(True))
    bench.act(a.Wait(5))
    assert bench.session.now.plant.alive


def test_a_motor_with_a_dead_capacitor_hums_until_it_is_spun_by_hand() -> None:
    # Common practice: "starts by hand".
    unit = load_equipment("furnace_120_split_capacitor")
    fault = "capacitor_open"
    bench = LocalBench(unit, fault, load_faults(unit).faults[fault].complaints[0])
    bench.act(a.SetThermostat("off"))
    bench.act(a.Wait(3600))  # its overload had opened
    bench.act(a.SetThermostat("cool"))
    bench.act(a.Wait(10))
    assert bench.session.now.plant.motor == "humming"
    bench.act(a.SetDoor(False))
    bench.act(a.HoldDoorSwitch(True))
    bench.act(a.Wait(10))
    bench.act(a.TurnShaft())
    bench.act(a.Wait(20))
    assert bench.session.now.plant.motor == "running"
    bench.act(a.HoldDoorSwitch(False))
    bench.act(a.Wait(30))
    bench.act(a.HoldDoorSwitch(True))
    bench.act(a.Wait(60))
    assert bench.session.now.plant.motor == "humming"


def test_a_jumper_does_not_reach_from_the_furnace_to_the_hall() -> None:
    bench = LocalBench(FURNACE, "healthy_unit", "second_opinion")
    outcome = bench.act(a.SetJumper("box.L", "stat.R"))
    assert isinstance(outcome, Refused) and outcome.reason.id == "lead_too_short"


def test_a_weak_capacitor_runs_the_winding_hotter() -> None:
    # Common practice: slow, hot.
    unit = load_equipment("furnace_120_split_capacitor")
    catalogue = load_faults(unit)
    heat = {}
    for fault in ("healthy_unit", "capacitor_weak"):
        bench = LocalBench(unit, fault, catalogue.faults[fault].complaints[0])
        bench.act(a.SetThermostat("cool"))
        bench.act(a.Wait(3000))
        heat[fault] = bench.session.now.plant.winding
    assert heat["capacitor_weak"] > heat["healthy_unit"] + 2.0
