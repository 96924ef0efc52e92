"""Hands and unit: what a furnace does on each call, and what hands can and can't do. Trade facts are common practice."""

from __future__ import annotations

from typing import Any

import pytest

from blowerbench import LocalBench, load_equipment, load_faults
from blowerbench import acts as a
from blowerbench.hands import NoSuchName
from blowerbench.observation import Accepted, Observation, Refused
from blowergrade import procedure as p

EQUIPMENT = load_equipment("furnace_120_constant_airflow")


def bench_with(fault: str = "healthy_unit", complaint: str | None = None) -> LocalBench:
    """A bench with `fault`, on its first complaint."""
    return LocalBench(EQUIPMENT, fault, complaint or load_faults(EQUIPMENT).faults[fault].complaints[0], variant="session")


def do(bench: LocalBench, *acts: a.Act) -> Observation:
    """The observation of the last of `acts`, every one of them accepted."""
    last = bench.last
    for act in acts:
        if isinstance(act, a.LiftLead) and not bench.session.now.hands.lead(act.lead):
            continue
        outcome = bench.act(act)
        assert isinstance(outcome, Accepted), f"{act}: {outcome}"
        last = outcome.observation
    return last


def volts(observation: Observation) -> float:
    """The number on the display."""
    return float(observation.shown[-1].text)


def refused(bench: LocalBench, act: a.Act) -> str:
    """The reason of a refusal, with nothing changed by it."""
    before = bench.view()
    outcome = bench.act(act)
    assert isinstance(outcome, Refused), outcome
    assert bench.view() == before
    return outcome.reason.id


def test_a_healthy_furnace_runs_through_fan_heat_and_cooling_calls_in_order() -> None:
    bench = bench_with()
    assert "blower_still" in do(bench, a.SetThermostat("off"), a.Wait(60)).senses
    assert "blower_running" in do(bench, a.SetThermostat("fan"), a.Wait(15)).senses
    do(bench, a.SetThermostat("off"), a.Wait(30))
    # common practice: inducer, pressure proved, purge, igniter, flame, then the blower 30 to 90 s after the flame
    assert do(bench, a.SetThermostat("heat")).senses == ("blower_still", "inducer_running")
    heating = do(bench, a.Wait(45))
    assert "burner_lit" in heating.senses and "blower_still" in heating.senses
    assert "blower_running" in do(bench, a.Wait(60)).senses
    ended = do(bench, a.SetThermostat("off"), a.Wait(10))
    assert "burner_lit" not in ended.senses and "blower_running" in ended.senses, "the blower runs on after a heat call"
    assert "blower_still" in do(bench, a.Wait(200)).senses
    assert "blower_running" in do(bench, a.SetThermostat("cool"), a.Wait(20)).senses


@pytest.mark.parametrize(
    ("fault", "fan", "heat"),
    [  # "which safety stops what": pressure switch or flame: no blower on heat, a fan call still works
        ("pressure_open", True, False),
        ("igniter_open", True, False),
        ("inducer_dead", True, False),
        ("limit_open", True, True),  # a limit: burner off, blower runs on
        ("rollout_open", True, True),
        ("stat_no_fan", False, True),
        ("wall_W_open", True, False),
    ],
)
def test_each_safety_stops_only_what_the_trade_says(fault: str, fan: bool, heat: bool) -> None:
    bench = bench_with(fault)
    on_fan = do(bench, a.SetThermostat("off"), a.Wait(150), a.SetThermostat("fan"), a.Wait(20))
    assert ("blower_running" in on_fan.senses) == fan
    on_heat = do(bench, a.SetThermostat("off"), a.Wait(150), a.SetThermostat("heat"), a.Wait(150))
    assert ("blower_running" in on_heat.senses) == heat
    if fault in ("limit_open", "rollout_open"):
        assert "burner_lit" not in on_heat.senses


def test_the_incoming_terminal_of_the_door_switch_stays_live_with_the_door_off() -> None:
    bench = bench_with()
    do(bench, *p.protect(), a.SetMeter("volts_ac"), a.SetDoor(False))
    assert volts(do(bench, *p.probe("door.line", "box.N"))) > 108.0  # the disconnect is closed
    assert volts(do(bench, *p.probe("board.L", "box.N"))) < 1.0  # everything behind it reads dead
    do(bench, *p.lift(), a.SetDisconnect(False))
    assert volts(do(bench, *p.probe("door.line", "box.N"))) < 1.0


def test_a_healthy_unit_reads_24_to_28_volts_from_r_to_c() -> None:  # common practice
    bench = bench_with()
    do(bench, *p.protect(), a.SetMeter("volts_ac"), a.SetDoor(False), a.HoldDoorSwitch(True))
    assert 24.0 <= volts(do(bench, *p.probe("board.R", "board.C"))) <= 28.5


def test_across_the_one_open_contact_of_a_series_string_stands_the_full_supply_and_nothing_across_closed_ones() -> None:
    bench = bench_with("limit_open", "no_heat_no_blower")
    do(
        bench,
        *p.protect(),
        a.SetMeter("volts_ac"),
        a.SetDoor(False),
        a.SetThermostat("heat"),
        a.HoldDoorSwitch(True),
        a.Wait(5),
    )
    supply = volts(do(bench, *p.probe("board.R", "board.C")))
    assert volts(do(bench, *p.probe("limit.1", "limit.2"))) == pytest.approx(supply, rel=0.02)
    assert volts(do(bench, *p.probe("rollout.1", "rollout.2"))) < 0.05


def test_a_floating_wire_shows_a_ghost_voltage_that_a_loading_meter_takes_away() -> None:
    bench = bench_with("wall_G_open", "nothing_blows")
    do(bench, *p.protect(), a.SetMeter("volts_ac"), a.SetThermostat("off"), a.Wait(5))
    high = volts(do(bench, *p.probe("stat.G", "stat.C")))
    low = volts(do(bench, a.SetMeter("low_z")))
    assert high > 5.0 > 0.5 > low


def test_a_corroded_crimp_passes_unloaded_and_fails_under_load() -> None:
    bench = bench_with("power_pin_corroded")
    do(
        bench,
        *p.protect(),
        a.SetMeter("volts_ac"),
        a.SetThermostat("off"),
        a.Wait(10),
        a.SetDoor(False),
        a.HoldDoorSwitch(True),
    )
    idle = volts(do(bench, *p.probe("power.h3", "power.h5")))
    do(bench, *p.lift(), a.SetThermostat("fan"), a.HoldDoorSwitch(True), a.Wait(1))
    loaded = min(volts(do(bench, *p.probe("power.h3", "power.h5"), a.Wait(k))) for k in (1, 2, 3, 4))
    assert idle > 108.0 and loaded < 108.0  # the foot of the utilisation range, from memory


def test_the_bus_takes_minutes_to_fall_and_an_open_bleeder_keeps_it_charged() -> None:
    readings = {}
    for fault in ("module_dead", "module_bleeder_open"):
        bench = bench_with(fault)
        do(bench, a.SetDisconnect(False), a.SetDoor(False), a.Wait(300), a.OpenControl(), a.SetMeter("volts_dc"))
        readings[fault] = volts(do(bench, *p.probe("module.bus_pos", "module.bus_neg")))
    assert readings["module_dead"] < 50.0
    assert readings["module_bleeder_open"] > 250.0


def test_phase_to_phase_volts_float_near_zero_with_the_bus_charged() -> None:
    bench = bench_with("module_dead")
    do(bench, a.SetDisconnect(False), a.SetDoor(False), a.OpenControl(), a.SetMeter("volts_dc"))
    assert volts(do(bench, *p.probe("module.bus_pos", "module.bus_neg"))) > 100.0
    assert abs(volts(do(bench, *p.probe("winding.m1", "winding.m2")))) < 1.0


def test_an_ohmmeter_on_a_charged_bus_does_not_show_the_bleeder() -> None:
    bench = bench_with("module_dead")
    do(bench, a.SetDisconnect(False), a.SetDoor(False), a.OpenControl(), a.SetMeter("ohms"), a.ZeroLeads())
    charged = do(bench, *p.probe("module.bus_pos", "module.bus_neg")).shown[-1]
    do(bench, *p.lift(), *(a.Discharge() for _ in range(4)))
    honest = do(bench, *p.probe("module.bus_pos", "module.bus_neg")).shown[-1]
    assert charged.text == "OL"
    assert honest.unit == "kohm" and 400.0 < float(honest.text) < 520.0  # 480 kohm beside 20 Mohm, ±4 %, and the stage


def test_windings_are_balanced_within_ten_percent_and_one_open_phase_shows_in_two_readings() -> None:  # common practice
    for fault, open_readings in (("healthy_unit", 0), ("phase_open", 2)):
        bench = bench_with(fault)
        do(bench, a.SetThermostat("off"), a.SetDisconnect(False), a.SetDoor(False), a.Unplug("power_plug"), a.Wait(300))
        do(bench, a.OpenControl(), a.Unplug("winding_plug"), a.SetMeter("ohms"), a.ZeroLeads())
        pairs = (("winding.m1", "winding.m2"), ("winding.m2", "winding.m3"), ("winding.m3", "winding.m1"))
        shown = [do(bench, *p.probe(*pair)).shown[-1].text for pair in pairs]
        assert sum("OL" in x for x in shown) == open_readings
        values = [float(x) for x in shown if "OL" not in x]
        assert all(0.0 < v < 20.0 for v in values)
        assert max(values) <= 1.1 * min(values)


def test_a_short_behind_the_breaker_trips_it_again_when_it_is_closed() -> None:
    bench = bench_with("module_rectifier_short")
    assert any(s.id == "breaker_handle_tripped" for s in do(bench, a.Look("panel")).said)
    assert do(bench, a.SetBreaker(False), a.SetBreaker(True)).said[0].id == "breaker_trips_again"
    do(bench, a.SetDisconnect(False), a.SetBreaker(False))
    assert do(bench, a.SetBreaker(True)).said[0].id == "breaker_stays"


def test_a_new_fuse_blows_again_while_its_short_is_there() -> None:
    bench = bench_with("short_R_C_cable")
    do(bench, a.SetDoor(False), a.Repair("low_voltage_fuse"))
    assert do(bench, a.HoldDoorSwitch(True), a.Look("fuse")).said[0].id == "fuse_element_gone"
    do(bench, a.HoldDoorSwitch(False), a.LiftWire("wall_R"), a.Repair("low_voltage_fuse"))
    assert do(bench, a.HoldDoorSwitch(True), a.Look("fuse")).said[0].id == "fuse_element_whole"


def test_reversed_line_and_neutral_leave_the_unit_live_with_the_disconnect_open() -> None:
    bench = bench_with("feed_reversed")
    do(bench, *p.protect(), a.SetMeter("volts_ac"), a.SetDisconnect(False))
    assert volts(do(bench, *p.probe("box.N", "box.G"))) > 108.0


def test_an_open_supply_neutral_shows_zero_line_to_neutral_and_full_line_to_ground() -> None:
    bench = bench_with("feeder_neutral_open")
    do(bench, *p.protect(), a.SetMeter("volts_ac"))
    assert volts(do(bench, *p.probe("box.L", "box.N"))) < 12.0
    assert volts(do(bench, *p.probe("box.L", "box.G"))) > 108.0
    assert volts(do(bench, *p.probe("box.N", "box.G"))) > 90.0


def test_the_clamp_reads_more_than_the_power_alone_would_take() -> None:
    bench = bench_with()
    do(bench, a.SetDoor(False), a.HoldDoorSwitch(True), a.Wait(10), a.SetMeter("clamp"))
    amps = volts(do(bench, a.PlaceClamp("power_line")))
    assert amps > 1.3 * 150.0 / 120.0  # 150 W at 120 V would be 1.25 A at unity power factor


REFUSALS: list[tuple[list[a.Act], a.Act, str]] = [
    ([], a.PlaceLead("red", "board.R"), "door_is_on"),
    ([a.SetDoor(False)], a.Unplug("control_plug"), "plug_in_the_way"),
    ([a.SetDoor(False)], a.PlaceLead("red", "module.bus_pos"), "control_is_closed"),
    ([a.SetDisconnect(False), a.SetLock(True)], a.SetDisconnect(True), "lock_is_on"),
    ([], a.SetLock(True), "disconnect_is_closed"),
    ([a.PlaceLead("red", "outlet.L")], a.PlaceLead("black", "box.N"), "lead_too_short"),
    ([], a.HoldDoorSwitch(True), "door_is_on"),
    ([a.SetDoor(False), a.PlaceLead("red", "board.R")], a.SetDoor(True), "door_blocked"),
    ([], a.Wait(0), "wait_range"),
    ([a.Finish()], a.Look(), "call_has_ended"),
    ([], a.SwitchSource(True), "source_not_fitted"),
    ([a.SetDoor(False)], a.PlugIn("power_plug"), "already_mated"),
]


@pytest.mark.parametrize(("before", "act", "reason"), REFUSALS, ids=str)
def test_hands_are_refused_only_what_hands_can_know(before: list[a.Act], act: a.Act, reason: str) -> None:
    reasons = set()
    for fault in ("healthy_unit", "power_line_to_ground", "wall_R_open"):  # never because of the fault
        bench = bench_with(fault)
        do(bench, *before)
        reasons.add(refused(bench, act))
    assert reasons == {reason}


@pytest.mark.parametrize(
    "act", [a.PlaceLead("red", "nowhere"), a.Unplug("plug"), a.Repair("x"), a.Look("moon"), a.LiftWire("x"), a.Declare(("x",))]
)
def test_a_name_that_the_unit_does_not_have_is_answered_with_the_names_that_it_has(act: Any) -> None:
    bench = bench_with()
    do(bench, a.SetDoor(False))
    with pytest.raises(NoSuchName, match=r"no .* this unit has \w+"):
        bench.act(act)


def test_a_hold_on_the_door_switch_ends_when_the_learner_leaves_the_compartment() -> None:
    bench = bench_with()
    do(bench, a.SetDoor(False), a.HoldDoorSwitch(True), a.SetThermostat("fan"))
    assert not bench.session.now.hands.switch_held


def test_two_variants_of_one_fault_show_different_numbers() -> None:
    shown = set()
    for seed in ("one", "two", "three"):
        bench = LocalBench(EQUIPMENT, "module_dead", "nothing_blows", variant=seed)
        shown.add(do(bench, a.SetMeter("volts_ac"), *p.probe("box.L", "box.N")).shown[-1].text)
    assert len(shown) == 3


@pytest.mark.parametrize("fault", sorted(load_faults(EQUIPMENT).faults))
def test_a_unit_behaves_at_arrival_as_its_complaint_says(fault: str) -> None:
    says = {  # what each complaint says of the blower when somebody comes
        "nothing_blows": {"blower_running": False},
        "no_fan_new_thermostat": {"blower_running": False},
        "dead_after_storm": {"blower_running": False, "inducer_running": False},
        "dead_since_cooling": {"blower_running": False, "inducer_running": False},
        "breaker_trips": {"blower_running": False},
        "no_heat_no_blower": {"blower_running": False, "burner_lit": False},
        "blows_cold": {"blower_running": True, "burner_lit": False},
        "fan_never_stops": {"blower_running": True},
        "hums_and_twitches": {"blower_twitching": True},
    }
    for complaint in load_faults(EQUIPMENT).faults[fault].complaints:
        senses = bench_with(fault, complaint).last.senses
        for sense, there in says.get(complaint, {}).items():
            if (fault, complaint) not in STARTS_NOW_AND_THEN:
                assert (sense in senses) == there, (fault, complaint, senses)


#: These start and quit in turn; at the moment of arrival the blower may be in either.
STARTS_NOW_AND_THEN = {(f, "nothing_blows") for f in ("feeder_splice_hot", "door_switch_burnt", "power_pin_corroded")}


def test_a_mated_plug_shows_nothing_whether_or_not_something_is_wrong_in_it() -> None:
    for fault in ("control_fan_pin_out", "module_dead"):
        bench = bench_with(fault, "nothing_blows")
        seen = do(bench, a.SetDoor(False), a.Look("control_plug")).said
        assert [s.id for s in seen] == ["connector_mated_nothing_shows"]


def test_the_voltage_select_link_carries_the_line_current_of_a_doubler() -> None:
    bench = bench_with()
    do(bench, a.SetDoor(False), a.HoldDoorSwitch(True), a.Wait(10), a.SetMeter("clamp"))
    line = volts(do(bench, a.PlaceClamp("power_line")))
    assert volts(do(bench, a.PlaceClamp("power_link"))) == pytest.approx(line, abs=0.05)


def test_a_blown_output_stage_reads_near_nothing_between_its_terminals() -> None:
    bench = bench_with("module_output_short")
    do(bench, a.SetDisconnect(False), a.SetDoor(False), a.Wait(300), a.OpenControl(), a.Unplug("winding_plug"))
    do(bench, a.SetMeter("ohms"), a.ZeroLeads())
    assert volts(do(bench, *p.probe("winding.h1", "winding.h2"))) < 1.0


def test_a_lead_held_by_hand_comes_along_and_a_clipped_one_stays() -> None:
    bench = bench_with()
    do(bench, a.PlaceLead("black", "box.N", clip=True), a.PlaceLead("red", "box.L"), a.SetThermostat("fan"))
    assert [x[0] for x in bench.session.now.hands.leads] == ["black"]


def test_a_breaker_that_trips_is_heard() -> None:
    bench = bench_with("unit_line_to_ground")
    do(bench, a.SetDoor(False), a.SetBreaker(False), a.SetBreaker(True))
    assert "breaker_tripped" in [s.id for s in do(bench, a.HoldDoorSwitch(True)).said]


def test_a_rollout_can_be_reset_and_opens_again_while_its_cause_is_there() -> None:
    bench = bench_with("flame_rolls_out")
    do(bench, a.SetThermostat("off"), a.SetDoor(False))
    assert do(bench, a.ResetSafety("rollout")).said[0].id == "reset_clicks"
    lit = do(bench, a.SetDoor(True), a.Wait(200), a.SetThermostat("heat"), a.Wait(29))
    assert "burner_lit" in lit.senses
    after = do(bench, a.Wait(10))
    assert "burner_lit" not in after.senses
    assert do(bench, a.SetDoor(False), a.ResetSafety("rollout")).said[0].id == "reset_clicks"
