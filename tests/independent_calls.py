"""Calls as independent people make them on one fault: the taught order, with every choice that it leaves made by dice.

Choices: order of looks, of the thermostat's tests, of readings and of leads; what is looked at in passing; round waits;
detours; a slip now and then. Copies are made from such calls by small edits. No circuit is computed: only acts are compared.
"""

from __future__ import annotations

import random
from collections.abc import Sequence
from typing import Literal

import msgspec

from blowerbench import acts as a
from blowerbench.record import CallRecord

ThermostatCall = Literal["off", "fan", "heat", "cool"]
ROUND_WAITS = (5, 10, 15, 20, 30, 45, 60, 90, 120, 130, 150, 180, 240)
DETOURS = (("stat.R", "stat.W"), ("stat.R", "stat.Y"), ("board.R", "board.C"), ("board.G", "board.C"), ("stat.R", "stat.G"))


class Person:
    """Somebody at a call; `freedom` 0 keeps to the taught order but for slips, 1 chooses wherever the order leaves a choice."""

    def __init__(self, dice: random.Random, freedom: float) -> None:
        self.dice, self.freedom = dice, freedom
        self.waits = dice.sample(ROUND_WAITS, 3) if self.free() else [20, 130, 60]
        self.acts: list[a.Act] = []

    def free(self) -> bool:
        """Whether this choice is one's own."""
        return self.dice.random() < self.freedom

    def do(self, *acts: a.Act, slip: float = 0.02) -> None:
        """Do `acts`, each left out at the odds of `slip`."""
        self.acts += [act for act in acts if self.dice.random() >= slip]

    def wait(self, which: int) -> None:
        """Wait as long as this person does."""
        self.do(a.Wait(self.waits[which]))

    def in_some_order(self, steps: Sequence[Sequence[a.Act]]) -> None:
        """Do `steps` in an order of one's own, or as taught."""
        chosen = self.dice.sample(list(steps), len(steps)) if self.free() else list(steps)
        for step in chosen:
            self.do(*step)

    def read(self, first: str, second: str) -> list[a.Act]:
        """The acts of one reading of volts."""
        if self.free() and self.dice.random() < 0.3:
            first, second = second, first
        made: list[a.Act] = [a.PlaceLead("black", first), a.PlaceLead("red", second)]
        if self.free() and self.dice.random() < 0.3:
            made.append(a.ReadMeter())
        lift: list[a.Act] = [a.LiftLead("red"), a.LiftLead("black")]
        return made + (lift if not self.free() or self.dice.random() < 0.8 else lift[::-1])

    def thermostat(self, calls: Sequence[ThermostatCall]) -> None:
        """Try the thermostat's calls."""
        order = self.dice.sample(list(calls), len(calls)) if self.free() else list(calls)
        for call in order:
            self.do(a.SetThermostat(call))
            self.wait(0)
            self.do(a.ReadStatus() if not self.free() or self.dice.random() < 0.6 else a.Look("around"))

    def detour(self, odds: float) -> None:
        """Measure something that the shortest way does not need."""
        while self.dice.random() < odds * self.freedom:
            self.do(*self.read(*self.dice.choice(DETOURS)))

    def work(self, name: str) -> list[a.Act]:
        """The whole call."""
        self.do(a.Look("around"), a.ReadStatus())
        self.thermostat(["off", "fan", "heat", "cool"])
        self.do(a.SetThermostat("off"))
        self.in_some_order([[a.Look("filter")], [a.Look("registers")], [a.Look("coil")]])
        self.in_some_order([[a.Wear("eye_protection", True)], [a.Wear("gloves", True)]])
        self.do(a.InspectMeter(), a.SetMeter("volts_ac"))
        self.do(*self.read("outlet.N", "outlet.L"))
        self.in_some_order([[a.Look("panel")], [a.SetMeter("ohms"), a.ZeroLeads(), a.SetMeter("volts_ac")]])
        self.in_some_order([self.read(x, y) for x, y in (("box.N", "box.L"), ("box.G", "box.L"), ("box.G", "box.N"))])
        self.do(*self.read("box.N", "box.L_out"), a.SetThermostat("fan"))
        self.detour(0.5)
        self.in_some_order([self.read("stat.C", "stat.R"), self.read("stat.C", "stat.G")])
        self.detour(0.5)
        self.do(a.Declare(("wall_cable",)), a.SetThermostat("off"), slip=0.0)
        self.do(a.SetDisconnect(False))
        self.in_some_order([[a.SetLock(True)], [a.SetTag(True)]])
        self.do(a.TryControls(), a.SetMeter("volts_ac"), *self.read("outlet.N", "outlet.L"))
        self.in_some_order([self.read(x, y) for x, y in (("box.N", "box.L_out"), ("box.G", "box.L_out"), ("box.G", "box.N"))])
        self.do(*self.read("outlet.N", "outlet.L"))
        self.in_some_order([[a.SetDoor(False)], [a.Look("fuse")], [a.Look("panel")]])
        self.do(a.Repair("wall_cable"))
        self.in_some_order([[a.SetTag(False)], [a.SetLock(False)]])
        self.do(a.SetDisconnect(True), a.HoldDoorSwitch(True), a.SetThermostat("fan"))
        self.wait(2)
        clamp: list[a.Act] = [a.SetMeter("clamp"), a.PlaceClamp("power_line"), a.ReadMeter(), a.PlaceClamp("")]
        self.in_some_order([[a.SetMeter("volts_ac"), *self.read("power.h5", "power.h3")], clamp])
        self.do(a.HoldDoorSwitch(False), a.SetDoor(True))
        self.thermostat(["fan", "heat", "cool"])
        self.in_some_order([[a.OpenPort("outlet")], [a.OpenPort("inlet")]])
        self.in_some_order([[a.PlaceHose("high", "outlet")], [a.PlaceHose("low", "inlet")]])
        self.wait(0)
        self.in_some_order([[a.PlaceHose("high", "")], [a.PlaceHose("low", "")]])
        self.in_some_order([[a.PlugPort("inlet")], [a.PlugPort("outlet")]])
        self.do(a.SetThermostat("off"))
        self.wait(1)
        words = (f"the wire to G is open, says {name}", f"{name} pulled another wire", f"{name} saw a staple in the cable")
        self.do(a.WriteUp("the fan is dead", ("R to G 24 V",), *words, "showed it to the customer"), a.Finish(), slip=0.0)
        return self.acts


def call(base: CallRecord, acts: Sequence[a.Act], name: str) -> CallRecord:
    """A record like `base` of somebody else, with `acts`."""
    lines = tuple(
        msgspec.structs.replace(base.lines[min(k, len(base.lines) - 1)], seq=k + 1, act=act) for k, act in enumerate(acts)
    )
    return CallRecord(msgspec.structs.replace(base.header, variant=name, person=name), lines, f"head-{name}")


def somebody(base: CallRecord, dice: random.Random, name: str, freedom: float) -> CallRecord:
    """The call of somebody who worked alone."""
    return call(base, Person(dice, freedom).work(name), name)


def copied(base: CallRecord, original: CallRecord, dice: random.Random, name: str, edits: int) -> CallRecord:
    """A copy of `original` with small edits: waits put in, neighbours swapped, acts left out, other words."""
    acts = [line.act for line in original.lines]
    for k in range(edits):
        place = dice.randrange(4, len(acts) - 6)
        if k % 3 == 0:
            acts.insert(place, a.Wait(dice.randrange(1, 60)))
        elif k % 3 == 1:
            acts[place], acts[place + 1] = acts[place + 1], acts[place]
        else:
            del acts[place]
    mine = (f"open G wire found by {name}", f"a new wire was pulled by {name}", f"{name} thinks of a staple")
    acts = [a.WriteUp("dead fan", ("24 V",), *mine, "told them") if isinstance(act, a.WriteUp) else act for act in acts]
    return call(base, acts, name)
