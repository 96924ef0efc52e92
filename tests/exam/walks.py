"""Walks of a candidate at a bench for load tests: readings at many terminals, plugs, the door, the thermostat, in some order.

Rule: which acts a walk holds hangs on the unit and a number alone, and a healthy bench accepts each of them in turn.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from functools import lru_cache

import msgspec

from blowerbench import LocalBench
from blowerbench import acts as a
from blowerbench.equipment import load_equipment
from blowerbench.observation import Accepted
from blowerdata import names

UNITS = names("equipment")
METER = ("volts_ac", "volts_dc", "low_z", "ohms")


def _next(dice: random.Random, unit: str) -> list[a.Act]:
    """A few acts that belong together."""
    equipment = load_equipment(unit)
    match dice.choices(("reading", "plug", "door", "stat", "look"), (10, 2, 1, 1, 2))[0]:
        case "reading":
            black, *reds = dice.sample(equipment.terminals, 5)
            turn: list[a.Act] = [a.SetMeter(dice.choice(METER))] if dice.random() < 0.4 else []  # type: ignore[arg-type]  # names drawn from data
            lift: list[a.Act] = [a.LiftLead("red"), a.LiftLead("black")]
            return [*turn, *lift, a.PlaceLead("black", black), *(a.PlaceLead("red", r) for r in reds), a.ReadMeter()]
        case "plug":
            name = dice.choice(tuple(equipment.connectors))
            return [a.LiftLead("red"), a.LiftLead("black"), a.Unplug(name), a.Look(name), a.PlugIn(name)]
        case "door":
            return [a.SetDoor(dice.random() < 0.3), a.HoldDoorSwitch(True), a.ReadStatus()]
        case "stat":
            return [a.SetThermostat(dice.choice(("fan", "heat", "cool", "off"))), a.Wait(dice.choice((5, 20, 60)))]
        case _:
            return [a.Look(dice.choice((*equipment.places, *equipment.connectors)))]


@lru_cache(maxsize=64)
def walk(unit: str, number: int, count: int) -> tuple[a.AnyAct, ...]:
    """`count` acts that a healthy bench of `unit` accepts one after the other."""
    dice = random.Random(f"{unit} {number}")
    complaint = next(iter(load_equipment(unit).complaints))
    bench = LocalBench(unit, "healthy_unit", complaint)
    done: list[a.AnyAct] = []
    while len(done) < count:
        for act in _next(dice, unit):
            if isinstance(bench.act(act), Accepted):
                done.append(act)  # type: ignore[arg-type]  # names drawn from data
    return tuple(done[:count])


def messages(unit: str, number: int, count: int, view: str) -> Iterator[dict[str, object]]:
    """The same walk as the messages of a page called `view`."""
    for seq, act in enumerate(walk(unit, number, count), 1):
        yield {"kind": "act", "view": view, "seq": seq, "act": msgspec.to_builtins(act)}
