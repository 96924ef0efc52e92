"""Evidence: the true fault never falls to a tolerance, and what falls really is different."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TypeVar

import numpy as np
import pytest
from sampling import sampled

import blowerdata
from blowerbench import LocalBench, load_equipment, load_faults
from blowerbench import acts as a
from blowerbench.equipment import Equipment
from blowerbench.observation import Accepted, Observation, Said
from blowergrade import procedure as p
from blowergrade.evidence import Evidence

T = TypeVar("T")
EQUIPMENT = load_equipment("furnace_120_constant_airflow")
CATALOGUE = load_faults(EQUIPMENT)
CALLS = [
    (name, hypothesis)
    for name in blowerdata.names("equipment")
    for hypothesis in load_faults(load_equipment(name)).hypotheses()
]
SEQUENCES = 4 * len(CALLS)  # the full count: four sequences for each hypothesis


def any_of(rng: np.random.Generator, things: Sequence[T]) -> T:
    """One of `things`."""
    return things[int(rng.integers(len(things)))]


def random_act(rng: np.random.Generator, equipment: Equipment) -> list[a.Act]:
    """Something a person might do next, sensible or not."""
    lists = ("in_box", "live_fan", "live_heat", "live_cool", "dead_ohms", "mated", "thermostat")
    pairs = [x for name in lists for x in equipment.pairs(name)]
    pairs.append(tuple(equipment.protection["live_source"][:2]))
    functions: tuple[a.Function, ...] = ("volts_ac", "volts_ac", "volts_ac", "volts_dc", "low_z", "ohms", "farads", "clamp")
    calls: tuple[a.Call, ...] = ("off", "fan", "heat", "cool")
    red, black = any_of(rng, pairs)
    plugs, places = tuple(equipment.connectors), tuple(equipment.places)
    supply, on = any_of(rng, tuple(equipment.supplies)), bool(rng.integers(2))
    (conductor,) = any_of(rng, equipment.pairs("clamp"))
    choices: list[list[a.Act]] = [
        [a.SetMeter(any_of(rng, functions)), *p.probe(red, black)],
        p.probe(red, black),
        [a.SetThermostat(any_of(rng, calls)), a.Wait(int(rng.integers(1, 200)))],
        [a.SetDoor(on)],
        [a.HoldDoorSwitch(True)],
        [a.ReadStatus(), a.Look(any_of(rng, places))],
        [a.SetDisconnect(on, supply), a.SetBreaker(on, supply)],
        [a.Unplug(any_of(rng, plugs))],
        [a.PlugIn(any_of(rng, plugs))],
        [a.TurnShaft(), a.LiftWire(any_of(rng, equipment.liftable))],
        [a.PlaceClamp(conductor), a.SetMeter("clamp")],
        [any_of(rng, (a.Wiggle, a.Warm))(any_of(rng, (*plugs, *places)))],
    ]
    if equipment.source:
        choices.append([a.FitSource(True, equipment.source["kind"]), a.ClipSource(True), a.SwitchSource(True)])
    if equipment.air is not None:
        port = any_of(rng, equipment.air.ports).name
        choices.append([a.OpenPort(port), a.PlaceHose("high", port), a.PlaceProbe("first", port), a.Wait(60)])
    return any_of(rng, choices)


@pytest.mark.parametrize("index", sampled(SEQUENCES))
def test_no_random_act_on_any_variant_ever_rules_out_the_true_fault(index: int) -> None:
    rng = np.random.default_rng([20, index])
    name, hypothesis = CALLS[index % len(CALLS)]
    equipment = load_equipment(name)
    catalogue = load_faults(equipment)
    complaint = catalogue.faults[hypothesis.fault].complaints[0]
    bench = LocalBench(equipment, hypothesis, complaint, variant=f"random-{index}")
    evidence = Evidence(equipment, catalogue, complaint, [hypothesis])
    evidence.perceive_arrival(bench.last.senses)
    assert evidence.alive, "ruled out at arrival"
    for _ in range(25):
        for act in random_act(rng, equipment):
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
