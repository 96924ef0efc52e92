"""A unit that is not asked for rests: what is perceived afterwards is what a unit played act by act shows."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TypeVar

import numpy as np
import pytest
from sampling import sampled

import blowerdata
from blowerbench import acts as a
from blowerbench import load_equipment, load_faults
from blowerbench.equipment import Equipment
from blowerbench.hands import Hands
from blowerbench.plant import Plant
from blowerbench.session import Session
from blowerbench.variant import draw_variant
from blowergrade import procedure as p

T = TypeVar("T")
CALLS = [
    (name, hypothesis)
    for name in blowerdata.names("equipment")
    for hypothesis in load_faults(load_equipment(name)).hypotheses()
]


class Eager(Session):
    """A session whose unit goes on with every act, as it is meant; nothing is owed."""

    def _rests(self, hands: object) -> bool:
        return False


def some_acts(rng: np.random.Generator, equipment: Equipment) -> list[a.Act]:
    """What hands might do next: mostly handling of instruments, between switches and waits."""

    def any_of(things: Sequence[T]) -> T:
        return things[int(rng.integers(len(things)))]

    pairs = [x for name in ("in_box", "live_fan", "live_heat", "dead_ohms", "thermostat") for x in equipment.pairs(name)]
    functions: tuple[a.Function, ...] = ("volts_ac", "volts_dc", "low_z", "ohms")
    supply, on = any_of(tuple(equipment.supplies)), bool(rng.integers(2))
    calls: tuple[a.Call, ...] = ("off", "fan", "heat", "cool")
    choices: list[list[a.Act]] = [
        [a.InspectMeter(), a.Wear("eye_protection"), a.SetMeter(any_of(functions))],
        [*p.probe(*any_of(pairs)), a.LiftLead("red"), a.LiftLead("black"), a.SetMeter("off")],
        [a.LiftLead("red"), a.SetMeter(any_of(functions)), a.Wear("gloves"), a.Look("around"), a.ReadStatus()],
        [a.SetThermostat(any_of(calls)), a.Wait(int(rng.integers(1, 400)))],
        [a.SetDoor(on), a.HoldDoorSwitch(True)],
        # whoever walks away lets go of the door switch, and the unit stops
        [
            a.SetDoor(False),
            a.SetThermostat("fan"),
            a.HoldDoorSwitch(True),
            a.Wait(90),
            a.SetMeter("off"),
            a.LiftLead("red"),
            a.PlaceLead("red", equipment.pairs("thermostat")[0][0]),
            a.Look("around"),
        ],
        [a.SetDisconnect(on, supply), a.SetLock(not on, supply), a.SetTag(not on, supply)],
    ]
    return any_of(choices)


@pytest.mark.parametrize("index", sampled(len(CALLS)))
def test_a_unit_that_rests_while_hands_handle_instruments_shows_the_same_as_one_that_never_does(index: int) -> None:
    rng = np.random.default_rng([41, index])
    name, hypothesis = CALLS[index]
    equipment = load_equipment(name)
    catalogue = load_faults(equipment)
    complaint, variant = catalogue.faults[hypothesis.fault].complaints[0], draw_variant(f"resting-{index}")
    resting, eager = (kind(equipment, catalogue, hypothesis, variant, complaint) for kind in (Session, Eager))
    resting.spread = eager.spread = True
    for _ in range(25):
        for act in some_acts(rng, equipment):
            if resting.decide(act) is not None:
                continue
            heard, expected = resting.play(act), eager.play(act)
            assert heard.observation == expected.observation, f"{hypothesis} after {act}"
            assert heard.vague == expected.vague
            assert [h.observation for h in heard.also] == [h.observation for h in expected.also]
    assert resting.now.hands == eager.now.hands
    assert resting.now.plant.time == eager.now.plant.time
    assert resting.now.plant.motor == eager.now.plant.motor


@pytest.mark.parametrize("name", blowerdata.names("equipment"))
def test_a_settled_unit_rests_while_a_glove_is_put_on_and_is_as_old_as_the_clock_says_when_asked(
    name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    equipment = load_equipment(name)
    catalogue = load_faults(equipment)
    complaint = next(iter(equipment.complaints))
    session = Session(equipment, catalogue, catalogue.hypotheses()[0], draw_variant("gloves"), complaint)
    for act in (a.SetThermostat("off"), a.Wait(3600)):
        session.play(act)
    before, advanced = session.now.plant.time, list[float]()
    advance = session.simulator.advance

    def counted(plant: Plant, hands: Hands, seconds: float) -> Plant:
        advanced.append(seconds)
        return advance(plant, hands, seconds)

    monkeypatch.setattr(session.simulator, "advance", counted)
    session.play(a.Wear("gloves"))
    session.play(a.InspectMeter())
    assert not advanced, "it was played although nothing was due"
    assert session.now.plant.time == before + a.duration(a.Wear("gloves")) + a.duration(a.InspectMeter())
    assert advanced
