"""Evidence: the true fault never falls to a tolerance, and what falls really is different."""

from __future__ import annotations

import numpy as np
import pytest
from sampling import sampled

from blowerbench import LocalBench, load_equipment, load_faults
from blowerbench import acts as a
from blowerbench.observation import Accepted, Observation, Said
from blowergrade import procedure as p
from blowergrade.evidence import Evidence
from blowergrade.technicians import DEAD_OHMS, IN_BOX, LIVE_FAN, LIVE_HEAT

EQUIPMENT = load_equipment("furnace_120_constant_airflow")
CATALOGUE = load_faults(EQUIPMENT)
HYPOTHESES = CATALOGUE.hypotheses()
SEQUENCES = 1440  # the full count: twenty sequences for each hypothesis


def random_act(rng: np.random.Generator) -> list[a.Act]:
    """Something a person might do next, sensible or not."""
    pairs = (*IN_BOX, *LIVE_FAN, *LIVE_HEAT, *DEAD_OHMS, ("outlet.L", "outlet.N"))
    function = ("volts_ac", "volts_ac", "volts_ac", "volts_dc", "low_z", "ohms", "clamp")[rng.integers(7)]
    call = ("off", "fan", "heat", "cool")[rng.integers(4)]
    red, black = pairs[rng.integers(len(pairs))]
    choices: list[list[a.Act]] = [
        [a.SetMeter(function), *p.probe(red, black)],  # type: ignore[arg-type] # a literal drawn from a tuple
        p.probe(red, black),
        [a.SetThermostat(call), a.Wait(int(rng.integers(1, 200)))],  # type: ignore[arg-type] # likewise
        [a.SetDoor(bool(rng.integers(2)))],
        [a.HoldDoorSwitch(True)],
        [a.ReadStatus(), a.Look(("around", "panel", "fuse", "wiring")[rng.integers(4)])],
        [a.SetDisconnect(bool(rng.integers(2)))],
        [a.Unplug(("power_plug", "control_plug")[rng.integers(2)])],
        [a.PlugIn(("power_plug", "control_plug")[rng.integers(2)])],
        [a.FitSource(True), a.ClipSource(True), a.SwitchSource(True)],
        [a.TurnShaft(), a.LiftWire("wall_R")],
        [a.PlaceClamp("power_line"), a.SetMeter("clamp")],
    ]
    return choices[rng.integers(len(choices))]


@pytest.mark.parametrize("index", sampled(SEQUENCES))
def test_no_random_act_on_any_variant_ever_rules_out_the_true_fault(index: int) -> None:
    rng = np.random.default_rng([20, index])
    hypothesis = HYPOTHESES[index % len(HYPOTHESES)]
    complaint = CATALOGUE.faults[hypothesis.fault].complaints[0]
    bench = LocalBench(EQUIPMENT, hypothesis, complaint, variant=f"random-{index}")
    evidence = Evidence(EQUIPMENT, CATALOGUE, complaint, [hypothesis])
    evidence.perceive_arrival(bench.last.senses)
    assert evidence.alive, "ruled out at arrival"
    for _ in range(25):
        for act in random_act(rng):
            outcome = bench.act(act)
            if isinstance(outcome, Accepted):
                rulings = evidence.observe(act, outcome.observation)
                assert not rulings, f"{hypothesis} fell to {act}: {rulings}"


def test_a_ruling_says_what_was_shown_and_what_was_to_be_expected() -> None:
    bench = LocalBench(EQUIPMENT, "door_switch_open", "nothing_blows", variant="ruling")
    evidence = Evidence(EQUIPMENT, CATALOGUE, "nothing_blows")
    evidence.perceive_arrival(bench.last.senses)
    rulings = []
    for act in [*p.protect(), *p.prove_meter(EQUIPMENT), *p.probe("box.L_out", "box.N")]:
        outcome = bench.act(act)
        if isinstance(outcome, Accepted):
            rulings += evidence.observe(act, outcome.observation)
    fallen = {r.hypothesis.fault: r for r in rulings}
    assert {"breaker_open", "feeder_line_open", "disconnect_open", "feeder_neutral_open"} <= set(fallen)
    assert fallen["breaker_open"].observed.endswith(" V") and " to " in fallen["breaker_open"].predicted
    assert "door_switch_open" in {h.fault for h in evidence.alive}


def test_an_observation_that_nothing_explains_leaves_no_hypothesis() -> None:
    evidence = Evidence(EQUIPMENT, CATALOGUE, "nothing_blows")
    evidence.observe(a.Look("around"), Observation((Said("a_thing_never_seen"),), ("blower_still",)))
    assert not evidence.alive
