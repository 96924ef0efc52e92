"""Records as steps, and what holds for any call whatever."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path

import pytest
import sampling
from hypothesis import given, settings
from hypothesis import strategies as st
from safety_calls import (
    CATALOGUE,
    DOOR_OFF,
    EQUIPMENT,
    OPENED,
    PULL,
    SHUTDOWN,
    Acts,
    steps,
)

from blowerbench import BenchError, Hypothesis, LocalBench
from blowerbench import acts as a
from blowerbench.record import read_record
from blowerbench.session import Session
from blowerbench.variant import NOMINAL
from blowergrade.replay import ReplayError, Step, steps_of_record
from blowergrade.safety import monitor


# ---------------------------------------------------------------------- records and properties
def test_a_record_gives_the_steps_that_were_played(tmp_path: Path) -> None:
    path = tmp_path / "call.jsonl"
    bench = LocalBench(EQUIPMENT, "healthy_unit", "second_opinion", variant="a", record=path)
    for act in [*DOOR_OFF, PULL]:
        bench.act(act)
    bench.close()
    record = read_record(path)
    replayed = steps_of_record(record, Hypothesis("healthy_unit"))
    assert [(s.seq, s.act, s.after.hands.clock) for s in replayed] == [
        (x.seq, x.act, x.clock) for x in record.lines
    ]
    assert [s.observation for s in replayed] == [x.observation for x in record.lines]
    assert [v.rule for v in monitor(EQUIPMENT, False, replayed)] == ["live_work"]


def test_a_record_replayed_under_a_wrong_fault_is_refused_by_name(tmp_path: Path) -> None:
    path = tmp_path / "call.jsonl"
    bench = LocalBench(EQUIPMENT, "healthy_unit", "second_opinion", variant="a", record=path)
    bench.act(a.SetThermostat("fan"))
    bench.act(a.Wait(20))
    bench.close()
    with pytest.raises(ReplayError, match="act 1"):
        steps_of_record(read_record(path), Hypothesis("stat_no_fan"))


def test_an_act_that_hands_can_not_do_is_named() -> None:
    with pytest.raises(ReplayError, match=r"act 1 .*door_is_on"):
        steps([PULL])


TERMINALS = st.sampled_from(EQUIPMENT.terminals)
SWITCH = st.booleans()
RANDOM_ACTS: st.SearchStrategy[a.Act] = st.one_of(
    st.builds(a.Look, st.sampled_from(["around", "panel", "wiring", "wheel", "power_plug"])),
    st.builds(a.Wear, st.sampled_from(["eye_protection", "gloves"]), SWITCH),
    st.builds(a.SetBreaker, SWITCH), st.builds(a.SetDisconnect, SWITCH), st.builds(a.SetLock, SWITCH),
    st.builds(a.SetTag, SWITCH), st.just(a.TryControls()), st.builds(a.SetDoor, SWITCH),
    st.builds(a.HoldDoorSwitch, SWITCH), st.builds(a.TapeDoorSwitch, SWITCH),
    st.builds(a.SetThermostat, st.sampled_from(["off", "fan", "heat", "cool"])), st.just(a.InspectMeter()),
    st.builds(a.SetMeter, st.sampled_from(["off", "volts_ac", "volts_dc", "low_z", "ohms", "clamp"])),
    st.just(a.ZeroLeads()), st.builds(a.PlaceLead, st.sampled_from(["red", "black"]), TERMINALS, SWITCH),
    st.builds(a.LiftLead, st.sampled_from(["red", "black"])),
    st.builds(a.PlaceClamp, st.sampled_from(["", "power_line", "wall_G"])),
    st.builds(a.Unplug, st.sampled_from(sorted(EQUIPMENT.connectors))),
    st.builds(a.PlugIn, st.sampled_from(sorted(EQUIPMENT.connectors))),
    st.builds(a.LiftWire, st.sampled_from(EQUIPMENT.liftable)), st.builds(a.LandWire,
        st.sampled_from(EQUIPMENT.liftable)),
    st.builds(a.SetJumper, TERMINALS, TERMINALS, SWITCH), st.builds(a.Wait, st.integers(1, 400)),
    st.just(a.TurnShaft()),
    st.builds(a.FitSource, SWITCH), st.builds(a.ClipSource, SWITCH), st.builds(a.SwitchSource, SWITCH),
    st.just(a.OpenControl()), st.just(a.CloseControl()), st.just(a.Discharge()), st.just(a.ResetSafety()),
    st.builds(a.SetGas, SWITCH), st.builds(a.Repair, st.sampled_from(sorted(EQUIPMENT.units))),
    st.builds(a.Declare, st.tuples(st.sampled_from(sorted(EQUIPMENT.units)))),
    st.just(a.Finish()), st.builds(a.Leave, st.sampled_from(["gas_smell", "other"])),
)  # fmt: skip
LEFT = ("safety_left_jumpered", "door_switch_left_defeated", "jumper_left")
STARTS: list[Acts] = [[], list(DOOR_OFF), list(SHUTDOWN), list(OPENED)]
FAULTS = [
    "healthy_unit",
    "short_R_C_cable",
    "power_line_to_ground",
    "module_bleeder_open",
    "gas_smell",
    "lead_open",
]


@lru_cache(maxsize=64)
def started(fault: str, start: int) -> tuple[Session, tuple[Step, ...]]:
    session = Session(EQUIPMENT, CATALOGUE, Hypothesis(fault), NOMINAL, CATALOGUE.faults[fault].complaints[0])
    taken = tuple(take(session, k, act) for k, act in enumerate(STARTS[start], 1))
    return session, taken


def take(session: Session, seq: int, act: a.Act) -> Step:
    before = session.now
    observation = session.play(act).observation
    return Step(seq, act, before, session.now, observation)


@settings(max_examples=400 if sampling.long_run() else 60, deadline=None, database=None)
@given(st.sampled_from(FAULTS), st.integers(0, len(STARTS) - 1), st.lists(RANDOM_ACTS, max_size=25))
def test_the_monitor_takes_any_call_gives_one_answer_and_never_takes_a_violation_back(
    fault: str, start: int, acts: list[a.Act]
) -> None:
    base, taken = started(fault, start)
    session, played = base.copy(), list(taken)
    for act in acts:
        try:
            possible = session.decide(act) is None
        except BenchError:
            possible = False
        if possible:
            played.append(take(session, len(played) + 1, act))
    stop_work = CATALOGUE.faults[fault].stop_work
    whole = monitor(EQUIPMENT, stop_work, played)
    assert monitor(EQUIPMENT, stop_work, played) == whole
    done = [v for v in whole if v.rule not in LEFT]
    for cut in range(len(taken), len(played) + 1):
        # What is still left in at a cut may be taken out later; what was done can't be undone.
        part = [v for v in monitor(EQUIPMENT, stop_work, played[:cut]) if v.rule not in LEFT]
        assert done[: len(part)] == part
        assert all(v.seq > cut for v in done[len(part) :])
    assert all(v.seq == len(played) for v in whole if v.rule in LEFT)


@settings(max_examples=400 if sampling.long_run() else 60, deadline=None, database=None)
@given(st.lists(RANDOM_ACTS, max_size=25))
def test_line_voltage_is_never_reached_unreported_without_a_lock(acts: list[a.Act]) -> None:
    base, taken = started("healthy_unit", 1)
    session, played = base.copy(), list(taken)
    for act in acts:
        try:
            possible = session.decide(act) is None
        except BenchError:
            possible = False
        if possible:
            played.append(take(session, len(played) + 1, act))
    told = {v.seq for v in monitor(EQUIPMENT, False, played) if v.level == "critical"}
    for step in played:
        reached = isinstance(step.act, a.OpenControl) or step.act == PULL
        if reached and not step.before.hands.locked:
            assert step.seq in told
