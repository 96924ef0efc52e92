"""The unit in simulated time: one equipment, one hypothesis, one variant.

Rule: `advance` is a deterministic function of state, hands and seconds. Nothing here is ever logged: the grader computes it
again for every hypothesis. Between events nothing changes but closed-form states (bus volts, plenum, coil, winding), so the
clock jumps from event to event; at each event relays and logic follow until nothing changes.
"""

from __future__ import annotations

import math
from functools import lru_cache

from msgspec.structs import replace

from blowerbench import motors, sequence, warmth
from blowerbench.circuit import State
from blowerbench.equipment import Equipment
from blowerbench.faults import NO_EFFECTS, Effects
from blowerbench.hands import Hands
from blowerbench.plant import FOREVER, Plant, Quiet, circuit_for, edits_for, switches
from blowerbench.variant import Variant

MAX_CHANGES = 60  # changes within one instant before the unit is said to chatter


@lru_cache(maxsize=16)
def _at_arrival(call: str) -> Hands:
    """Hands at arrival: one object for all units, so that what follows from it is worked out once."""
    return Hands(thermostat=call)


class Simulator:
    """One equipment, one hypothesis, one variant: how the unit goes on in time."""

    def __init__(self, equipment: Equipment, fx: Effects, variant: Variant) -> None:
        self.equipment, self.fx, self.variant = equipment, fx, variant
        self.circuit = circuit_for(equipment, variant)
        self._absent = Effects(sights=fx.sights, when=fx.when) if fx.when else NO_EFFECTS

    # ------------------------------------------------------------------ public
    def start(self, call: str) -> tuple[Hands, Plant]:
        """Hands and unit when the technician arrives: the thermostat has called as the customer left it for 15 minutes."""
        room = warmth.return_air(self.equipment, self.variant)
        hands = _at_arrival(call)
        plant = self.advance(Plant(plenum=room, winding=room), hands, 900.0)
        return hands, replace(plant, heard=frozenset())

    def fx_at(self, plant: Plant) -> Effects:
        """What is wrong at this moment: nothing, while a fault that comes and goes is away."""
        return self.fx if self.fx.when is None or sequence.is_present(plant) else self._absent

    def advance(self, plant: Plant, hands: Hands, seconds: float) -> Plant:
        """The unit `seconds` later, with `hands` as they are now; pure."""
        end = plant.time + seconds
        plant = self._settle(plant, hands)
        for _ in range(20000):
            event = plant.due if plant.quiet is not None else self._next_event(plant)
            plant = self._drift(plant, max(min(event, end), plant.time))
            if event > end and plant.quiet is not None:
                return plant  # nothing was due: what was settled still is
            plant = self._settle(replace(plant, quiet=None), hands)
            if event >= end:
                return plant
        raise RuntimeError(f"{self.equipment.id}: more than 20000 events in {seconds} s; a timing of 0 s loops")

    def state(self, plant: Plant, hands: Hands, *, dc: bool = True, module_load: bool = True) -> State:
        """The circuit as a meter finds it now (charged bus included, unless not `dc`), with or without the motor's load."""
        fx = self.fx_at(plant)
        key = (
            self, fx is self.fx, dc, module_load, switches(hands), plant.tripped, plant.fuse_blown, plant.alive, plant.heater,
            plant.blower, plant.pulled, plant.limit, plant.rollout, plant.pressure, plant.overloaded, plant.lamp,
            plant.charged, plant.motor, plant.flux, plant.watts, plant.line, plant.bus if dc else 0.0,
        )  # fmt: skip
        return self.circuit.solve_as(key, lambda: edits_for(self.equipment, fx, hands, plant, dc=dc, module_load=module_load))

    # ------------------------------------------------------------------ time
    def _seconds(self, word: str) -> float:
        """The seconds of "after `word`": a timing of the equipment, or the number itself."""
        nominal = float(self.equipment.timing[word]) if word in self.equipment.timing else float(word)
        return self.fx.setting(f"timing.{word}", nominal)

    def _next_event(self, plant: Plant) -> float:
        equipment, heat, now = self.equipment, self.equipment.heat, plant.time
        times = [plant.over_fuse, plant.kept, plant.supplied_at + sequence.WAKE, *(t for _, t in plant.trips)]
        if heat["kind"] == "gas":
            times.append(plant.inducer_at + heat["pressure_delay"])
            times.append(plant.igniter_at + heat["igniter_hot"])
            times.append(plant.gas_at + heat["flame_delay"])
            times.append(plant.gas_at + heat["flame_delay"] + heat["rollout_delay"])
        if plant.coils:
            delays = {r.name: r.off_delay if r.name in plant.pulled else r.on_delay for r in equipment.relays}
            times += [since + delays[name] for name, since in plant.coils]
        if plant.alive and equipment.phases:
            for machine, name, since in (("heater", plant.heater, plant.heater_at), ("blower", plant.blower, plant.blower_at)):
                for when, _ in sequence.conditions(equipment)[machine, name]:
                    times += [since + self._seconds(c.word) for c in when if c.kind == "after"]
        times.append(self._motor_time(plant))
        if self.fx.when is not None:
            times += [plant.stirred_at + self.fx.when.after, plant.rest_at + self.fx.when.rest]
            if self.fx.when.by == "hot":
                target, _, tau = warmth.targets(equipment, plant, self.variant)
                threshold = sequence.HOT if plant.stirred_at == FOREVER else sequence.COOLED
                times.append(now + warmth.crossing(plant.plenum, target, threshold, tau))
        times.append(warmth.limit_time(equipment, plant, self.variant))
        return min((t for t in times if t > now + sequence.TICK), default=FOREVER)

    def _motor_time(self, plant: Plant) -> float:
        module = self.equipment.module
        times = [motors.overload_time(self.equipment, plant, self.variant)]
        if plant.motor == "starting":
            times.append(plant.motor_at + module["start_seconds"])
        elif plant.motor == "coasting":
            times.append(plant.motor_at + module["coast_seconds"])
        elif plant.motor == "hunting":
            times.append(plant.motor_at + motors.RETRY)
        return min(times)

    def _drift(self, plant: Plant, when: float) -> Plant:
        fx = self.fx_at(plant)
        bus = motors.bus_volts(self.equipment, fx, self.variant, plant, when)
        winding = plant.winding
        if "winding_tau" in self.equipment.module:
            target = motors.winding_target(self.equipment, plant, self.variant)
            winding = target + (winding - target) * math.exp(-(when - plant.time) / self.equipment.module["winding_tau"])
        return replace(warmth.drift(self.equipment, plant, when, self.variant), time=when, bus=bus, winding=winding)

    # ------------------------------------------------------------------ one instant
    def _settle(self, plant: Plant, hands: Hands) -> Plant:
        """Let relays and logic follow at this instant until nothing changes; `quiet` remembers for what they had settled."""
        changes = 0
        while changes < MAX_CHANGES:
            fx = self.fx_at(plant)
            state = self.state(plant, hands, dc=False)
            key = Quiet(fx, state.edits, hands.gas_on, hands.source_clipped, hands.parted, hands.selectors, hands.door_on)
            if not changes and plant.quiet == key:
                return plant
            following = self._step(plant, hands, fx, state)
            if following == plant:
                return replace(plant, quiet=key, chatters=False, due=self._next_event(plant))
            plant, changes = following, changes + 1
        return replace(plant, chatters=True, quiet=None)

    def _step(self, plant: Plant, hands: Hands, fx: Effects, state: State) -> Plant:
        equipment, variant = self.equipment, self.variant
        plant = sequence.intermittent(equipment, self.fx, plant)
        plant = sequence.protect(equipment, plant, state)
        plant = sequence.relays(equipment, fx, plant, state)
        plant = warmth.devices(equipment, fx, plant, hands, state)
        if equipment.source:
            lit = sequence.volts(state, equipment.source["lamp"]) >= equipment.source["lamp_on"]
            plant = replace(plant, lamp=lit and hands.source_clipped)
        if equipment.sounds:
            sounds = frozenset(x.name for x in equipment.sounds if sequence.sounds(equipment, fx, state, x))
            plant = replace(plant, sounds=sounds)
        was = plant
        plant = sequence.board(equipment, fx, plant, state, self._seconds)
        move = motors.electronic if equipment.electronic else motors.split_capacitor
        plant = move(equipment, fx, variant, plant, hands, state)
        starved = was.alive and not plant.alive and fed(hands)
        if starved or (plant.motor == "hunting" and was.motor != "hunting"):
            plant = replace(plant, starved_at=plant.time)
        return plant


def fed(hands: Hands) -> bool:
    """Whether hands leave the unit its supply."""
    return not hands.breakers_off and not hands.disconnects_open and hands.door_switch_closed
