"""The unit itself in simulated time: relays, sequence, protection, heat, bus and motor.

Rule: `advance` is a deterministic function of equipment, hypothesis, variant, state, hands and seconds. Nothing here is ever
logged: the grader computes it again for every hypothesis. Between events nothing changes but three closed-form states
(bus voltage, plenum temperature, time at over-current), so the clock jumps from event to event.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import NamedTuple

import msgspec
from msgspec.structs import replace

from blowerbench.circuit import Circuit, Edits, Shunt, State
from blowerbench.circuit.rectifier import discharge
from blowerbench.equipment import Equipment
from blowerbench.faults import Effects
from blowerbench.hands import Hands
from blowerbench.variant import Variant

LINE = 60.0
FOREVER = math.inf
MAX_CHANGES = 20  # relay changes within one instant before the unit is said to chatter


class Quiet(NamedTuple):
    """All that relays and logic look at besides the plant itself and its timers."""

    fx: Effects
    edits: Edits
    gas_on: bool
    source_clipped: bool
    parted: frozenset[str]


class Plant(msgspec.Struct, frozen=True):
    """What the unit is doing at `time` (seconds since the customer first called for it)."""

    time: float = 0.0
    tripped: bool = False
    fuse_blown: bool = False
    over_breaker: float = FOREVER  # when the breaker will trip
    over_fuse: float = FOREVER
    alive: bool = False
    burner: str = "off"
    burner_at: float = 0.0
    blower: str = "still"
    blower_at: float = 0.0
    retries: int = 0
    inducer_at: float = FOREVER  # since when each device has had its voltage
    igniter_at: float = FOREVER
    gas_at: float = FOREVER
    pressure: bool = False
    flame: bool = False
    limit: bool = True
    rollout: bool = True
    plenum: float = 20.0
    motor: str = "still"
    motor_at: float = 0.0
    speed: str = ""
    charged: bool = False  # line present at the module's rectifier
    bus0: float = 0.0  # bus volts at bus_at, when the line went away
    bus_at: float = 0.0
    bus_watts: float = 0.0
    bus: float = 0.0
    lamp: bool = False
    chatters: bool = False
    quiet: Quiet | None = None  # what it had settled for when it last did; None after an event
    heard: frozenset[str] = frozenset()  # notable happenings since the last act


@lru_cache(maxsize=64)
def circuit_for(equipment: Equipment, variant: Variant) -> Circuit:
    """The solved network of `equipment` with the tolerances of `variant`, shared by every hypothesis."""
    return Circuit(equipment.network, variant.tolerances, remembered=4096)


def _output_contacts(equipment: Equipment, plant: Plant) -> frozenset[str]:
    if not plant.alive:
        return frozenset()
    names = equipment.phases["burner", plant.burner].outputs + equipment.phases["blower", plant.blower].outputs
    return frozenset(equipment.board["outputs"][n] for n in names)


def motor_watts(equipment: Equipment, plant: Plant) -> float:
    """Watts that the control module takes from its line now."""
    module = equipment.module
    if plant.motor == "running":
        return float(module["watts"][plant.speed])
    if plant.motor in ("starting", "twitching", "hunting"):
        return float(module["trying_watts"])
    return float(module["idle_watts"])


def edits_for(
    equipment: Equipment, fx: Effects, hands: Hands, plant: Plant, *, dc: bool = False, module_load: bool = True
) -> Edits:
    """The circuit as switches, plugs, relays and the fault leave it. With `dc` the charged bus and the feedback are put in."""
    p, source = equipment.protection, equipment.source
    opened = set(equipment.raw["protection"].get("options_open", ()))
    if plant.tripped or not hands.breaker_on:
        opened.add(p["breaker"])
    if not hands.disconnect_closed:
        opened.add(p["disconnect"])
    if not hands.door_switch_closed:
        opened.add(p["door_switch"])
    if plant.fuse_blown:
        opened.add(p["fuse"])
    calling = set(p["thermostat"].get(hands.thermostat, ()))
    opened |= {c for contacts in p["thermostat"].values() for c in contacts} - calling
    opened |= set(equipment.board["outputs"].values()) - _output_contacts(equipment, plant)
    for name, closed in (("limit", plant.limit), ("rollout", plant.rollout), ("pressure", plant.pressure)):
        if not closed:
            opened.add(p[name])
    for plug in hands.parted:
        opened |= set(equipment.connectors[plug].pins)
    opened |= hands.lifted
    if not hands.source_clipped:
        opened |= set(source["clips"])
    if not hands.source_on:
        opened.add(source["switch"])
    if not hands.source_fitted:
        opened |= set(source["outputs"])
    opened -= fx.closed
    opened |= fx.opened
    shunts = [*fx.shunts, *(Shunt(x, y, 0.05) for x, y in hands.jumpers)]
    if module_load:
        a, b = equipment.module["line"]
        shunts.append(Shunt(a, b, equipment.ratings["supply"] ** 2 / motor_watts(equipment, plant), "ac"))
    if not dc:
        return Edits(frozenset(opened), fx.resistances, tuple(shunts))
    held = tuple((c, plant.bus / 2.0) for c in equipment.module["bus"]) if plant.bus > 0.01 else ()
    volts = equipment.module["feedback_volts"] if plant.motor == "running" else 0.0
    return Edits(frozenset(opened), fx.resistances, tuple(shunts), held, ((equipment.module["feedback"], volts),))


class Simulator:
    """One equipment, one hypothesis, one variant: how the unit goes on in time."""

    def __init__(self, equipment: Equipment, fx: Effects, variant: Variant) -> None:
        self.equipment, self.fx, self.variant = equipment, fx, variant
        self.circuit = circuit_for(equipment, variant)

    # ------------------------------------------------------------------ public
    def start(self, call: str) -> tuple[Hands, Plant]:
        """Hands and unit when the technician arrives: the thermostat has called as the customer left it for 15 minutes."""
        hands = Hands(thermostat=call)
        plant = self.advance(replace(Plant(), plenum=float(self.equipment.heat["ambient"])), hands, 900.0)
        return hands, replace(plant, heard=frozenset())

    def advance(self, plant: Plant, hands: Hands, seconds: float) -> Plant:
        """The unit `seconds` later, with `hands` as they are now; pure."""
        end = plant.time + seconds
        plant = self._settle(plant, hands)
        for _ in range(20000):
            event = self._next_event(plant, hands)
            plant = self._drift(plant, max(min(event, end), plant.time))
            if event > end and plant.quiet is not None:
                return plant  # nothing was due: what was settled still is
            plant = self._settle(replace(plant, quiet=None), hands)
            if event >= end:
                return plant
        raise RuntimeError(f"{self.equipment.id}: more than 20000 events in {seconds} s; a timing of 0 s loops")

    def state(self, plant: Plant, hands: Hands) -> State:
        """The circuit as a meter finds it now (charged bus included)."""
        return self.circuit.solve(edits_for(self.equipment, self.fx, hands, plant, dc=True))

    # ------------------------------------------------------------------ time
    def _next_event(self, plant: Plant, hands: Hands) -> float:
        heat, now = self.equipment.heat, plant.time
        times = [plant.over_breaker, plant.over_fuse]
        times.append(plant.inducer_at + heat["pressure_delay"])
        times.append(plant.igniter_at + heat["igniter_hot"])
        times.append(plant.gas_at + heat["flame_delay"])
        times.append(plant.gas_at + heat["flame_delay"] + heat["rollout_delay"])
        if plant.alive:
            for machine, name, since in (("burner", plant.burner, plant.burner_at), ("blower", plant.blower, plant.blower_at)):
                for when, _ in self.equipment.phases[machine, name].go:
                    times += [since + self._seconds(c) for c in when if c.startswith("after ")]
        if plant.motor == "starting":
            times.append(plant.motor_at + self.equipment.module["start_seconds"])
        elif plant.motor == "coasting":
            times.append(plant.motor_at + self.equipment.module["coast_seconds"])
        elif plant.motor == "hunting":
            times.append(plant.motor_at + 10.0)
        times.append(self._limit_time(plant))
        return min((t for t in times if t > now + 1e-9), default=FOREVER)

    def _seconds(self, condition: str) -> float:
        word = condition.removeprefix("after ")
        nominal = float(self.equipment.timing[word]) if word in self.equipment.timing else float(word)
        return self.fx.setting(f"timing.{word}", nominal)

    def _thermal(self, plant: Plant) -> tuple[float, float]:
        heat = self.equipment.heat
        air = plant.motor == "running"
        target = heat["ambient"] + 0.0
        if plant.flame:
            target = heat["burner_with_air"] if air else heat["burner_no_air"]
        return float(target), float(heat["tau_with_air"] if air else heat["tau_no_air"])

    def _limit_time(self, plant: Plant) -> float:
        target, tau = self._thermal(plant)
        threshold = float(self.equipment.heat["limit_opens" if plant.limit else "limit_closes"])
        ratio = (target - plant.plenum) / (target - threshold) if target != threshold else 0.0
        return plant.time + tau * math.log(ratio) if ratio > 1.0 else FOREVER

    def _drift(self, plant: Plant, when: float) -> Plant:
        target, tau = self._thermal(plant)
        plenum = target + (plant.plenum - target) * math.exp(-(when - plant.time) / tau)
        return replace(plant, time=when, plenum=plenum, bus=self._bus(plant, when))

    def _bleeder(self) -> float:
        module, values = self.equipment.module, dict(self.fx.resistances)
        ohms = 0.0
        for name in (module["bleeder"], module["bus_leak"]):
            if name not in self.fx.opened:
                ohms += 1.0 / (values.get(name, self.equipment.wire(name).resistance) * self.variant.tolerances.resistor)
        return 1.0 / ohms

    def _bus(self, plant: Plant, when: float) -> float:
        if plant.charged:
            return plant.bus
        if plant.bus0 <= 0.0:
            return 0.0
        module = self.equipment.module
        farads = float(module["farads"]) * self.variant.tolerances.capacitor
        stage = plant.bus_watts if not self.fx.setting("module.dead") else 0.0
        return discharge(plant.bus0, stage, self._bleeder(), farads, when - plant.bus_at, float(module["bus_stop"]))

    # ------------------------------------------------------------------ one instant
    def _settle(self, plant: Plant, hands: Hands) -> Plant:
        """Let relays and logic follow at this instant until nothing changes; `quiet` remembers for what they had settled."""
        changes = 0
        while changes < MAX_CHANGES:
            edits = edits_for(self.equipment, self.fx, hands, plant)
            key = Quiet(self.fx, edits, hands.gas_on, hands.source_clipped, hands.parted)
            if not changes and plant.quiet == key:
                return plant
            following = self._step(plant, hands, self.circuit.solve(edits))
            if following == plant:
                return replace(plant, quiet=key)
            plant, changes = following, changes + 1
        return replace(plant, chatters=True, quiet=None)

    def _volts(self, state: State, pair: tuple[str, str] | list[str]) -> float:
        return abs(state.voltage(pair[0], pair[1], LINE))

    def _step(self, plant: Plant, hands: Hands, state: State) -> Plant:
        plant = self._protect(plant, state)
        plant = self._devices(plant, hands, state)
        plant = self._board(plant, state)
        return self._motor(plant, hands, state)

    def _protect(self, plant: Plant, state: State) -> Plant:
        p, now = self.equipment.protection, plant.time
        breaker = abs(state.current(p["breaker"], LINE)) / float(p["breaker_amps"])
        fuse = abs(state.current(p["fuse"], LINE)) / float(p["fuse_amps"])
        over_breaker = min(plant.over_breaker, now + trip_seconds(breaker, 40.0, 1.15)) if breaker > 1.15 else FOREVER
        over_fuse = min(plant.over_fuse, now + trip_seconds(fuse, 0.6, 1.35)) if fuse > 1.35 else FOREVER
        heard = plant.heard
        tripped = plant.tripped or over_breaker <= now + 0.05
        blown = plant.fuse_blown or over_fuse <= now + 0.05
        if tripped and not plant.tripped:
            heard |= {"breaker_tripped"}
        return replace(
            plant, tripped=tripped, fuse_blown=blown, heard=heard,
            over_breaker=FOREVER if tripped else over_breaker, over_fuse=FOREVER if blown else over_fuse,
        )  # fmt: skip

    def _since(self, before: float, on: bool, now: float) -> float:
        return FOREVER if not on else min(before, now)

    def _devices(self, plant: Plant, hands: Hands, state: State) -> Plant:
        heat, fx, now = self.equipment.heat, self.fx, plant.time
        inducer_at = self._since(plant.inducer_at, self._volts(state, heat["inducer"]) >= heat["inducer_on"], now)
        igniter_at = self._since(plant.igniter_at, self._volts(state, heat["igniter"]) >= heat["igniter_on"], now)
        gas_at = self._since(plant.gas_at, self._volts(state, heat["gas_valve"]) >= heat["gas_valve_on"], now)
        if fx.setting("inducer.seized") or "inducer" in fx.opened:
            inducer_at = FOREVER
        if "igniter" in fx.opened:
            igniter_at = FOREVER
        pressure = now >= inducer_at + heat["pressure_delay"] - 1e-9
        hot = now >= igniter_at + heat["igniter_hot"] - 1e-9
        supplied = hands.gas_on and not fx.setting("gas.shut")
        lit = now >= gas_at + heat["flame_delay"] - 1e-9 and supplied and (hot or plant.flame)
        limit = plant.limit
        if limit and plant.plenum >= heat["limit_opens"] - 1e-6:
            limit = False
        elif not limit and plant.plenum <= heat["limit_closes"] + 1e-6:
            limit = True
        lamp = self._volts(state, self.equipment.source["lamp"]) >= self.equipment.source["lamp_on"]
        rolled = now >= gas_at + heat["flame_delay"] + heat["rollout_delay"] - 1e-9 and plant.flame
        rollout = plant.rollout and not (rolled and fx.setting("flame.rolls_out"))
        return replace(
            plant, inducer_at=inducer_at, igniter_at=igniter_at, gas_at=gas_at, pressure=pressure, flame=lit,
            limit=limit, rollout=rollout, lamp=lamp and hands.source_clipped,
        )  # fmt: skip

    def _board(self, plant: Plant, state: State) -> Plant:
        board = self.equipment.board
        volts = self._volts(state, board["supply"])
        alive = volts >= (board["drop_out"] if plant.alive else board["pull_in"]) and not self.fx.setting("board.dead")
        if not alive:
            off = plant.time
            return replace(plant, alive=False, burner="off", blower="still", burner_at=off, blower_at=off, retries=0)
        common, on = board["supply"][1], board["input_on"]
        facts = {name: self._volts(state, (node, common)) >= on for name, node in board["inputs"].items()}
        facts["flame"] = plant.flame and not self.fx.setting("board.flame_blind")
        facts["tried_out"] = plant.retries >= self.equipment.timing["retries"]
        plant = replace(plant, alive=True)
        return self._machine(self._machine(plant, "burner", facts), "blower", facts)

    def _holds(self, plant: Plant, condition: str, since: float, facts: dict[str, bool]) -> bool:
        if condition.startswith("after "):
            return plant.time >= since + self._seconds(condition) - 1e-9
        if condition.startswith("not "):
            return not self._holds(plant, condition.removeprefix("not "), since, facts)
        if condition.startswith("in "):
            return plant.burner == condition.removeprefix("in ")
        return facts[condition]

    def _machine(self, plant: Plant, machine: str, facts: dict[str, bool]) -> Plant:
        name, since = (plant.burner, plant.burner_at) if machine == "burner" else (plant.blower, plant.blower_at)
        for when, to in self.equipment.phases[machine, name].go:
            if all(self._holds(plant, c, since, facts) for c in when):
                phase = self.equipment.phases[machine, to]
                if machine == "blower":
                    return replace(plant, blower=to, blower_at=plant.time)
                retries = 0 if phase.resets or to == "off" else plant.retries + phase.counts
                return replace(plant, burner=to, burner_at=plant.time, retries=retries)
        return plant

    # ------------------------------------------------------------------ control module and motor
    def _motor(self, plant: Plant, hands: Hands, state: State) -> Plant:
        module, now = self.equipment.module, plant.time
        line = self._volts(state, module["line"])
        charged = line >= 40.0
        linked = not any(x in self.fx.opened for x in module["link_parts"]) and module["plug"] not in hands.parted
        peak = math.sqrt(2.0) * line
        bus = (2.0 * (peak - 0.9) if linked else peak - 1.8) if charged else plant.bus
        bus0, bus_at, watts = plant.bus0, plant.bus_at, plant.bus_watts
        if charged:
            bus0, bus_at, watts = bus, now, motor_watts(self.equipment, plant)
        elif plant.charged:
            bus0, bus_at = plant.bus, now
        want = self._command(state)
        ready = charged and bus >= (module["bus_run"] if plant.motor not in ("running", "starting") else module["bus_stop"])
        motor, since, speed = self._motion(plant, hands, bool(want) and charged, ready, want)
        return replace(
            plant, charged=charged, bus=bus, bus0=bus0, bus_at=bus_at, bus_watts=watts,
            motor=motor, motor_at=since, speed=speed,
        )  # fmt: skip

    def _command(self, state: State) -> str:
        module, fx = self.equipment.module, self.fx
        if fx.setting("module.dead"):
            return ""
        for name in module["order"]:
            if not fx.setting(f"module.deaf.{name}") and self._volts(state, module["inputs"][name]) >= module["input_on"]:
                return str(name)
        return ""

    def _able(self, hands: Hands) -> bool:
        """Whether the windings, the shaft and the output stage let the rotor turn."""
        fx, module = self.fx, self.equipment.module
        blocked = ("motor.seized", "motor.turn_short", "module.output_short", "motor.to_frame", "module.output_open")
        broken = any(w in fx.opened for w in (*module["phases"], *module["inverter"]))
        shorted = any("winding" in s.a or "module." in s.a for s in fx.shunts if s.ohms < 1e5)
        return not (any(fx.setting(b) for b in blocked) or broken or shorted)

    def _motion(self, plant: Plant, hands: Hands, want: bool, ready: bool, speed: str) -> tuple[str, float, str]:
        now, module = plant.time, self.equipment.module
        motor, since = plant.motor, plant.motor_at
        if module["winding_plug"] in hands.parted:
            return "still", (since if motor == "still" else now), ""
        if not want:
            if motor in ("running", "starting"):
                return "coasting", now, ""
            if motor == "coasting" and now < since + module["coast_seconds"] - 1e-9:
                return motor, since, ""
            return "still", (since if motor == "still" else now), ""
        if not ready:
            if motor in ("running", "starting"):
                return "hunting", now, speed
            if motor == "hunting":
                return motor, since, speed
            return "still", (since if motor == "still" else now), ""
        if motor == "hunting" and now < since + 10.0 - 1e-9:
            return motor, since, speed
        if not self._able(hands):
            return "twitching", (since if motor == "twitching" else now), speed
        if motor == "running":
            return motor, since, speed
        if motor == "starting":
            return ("running", now, speed) if now >= since + module["start_seconds"] - 1e-9 else (motor, since, speed)
        return "starting", now, speed


def trip_seconds(multiple: float, constant: float, never_below: float) -> float:
    """Seconds until an inverse-time device opens at `multiple` of its rating: constant/(m² − 1), at once above 8 ×.

    The constants are ours for this invented unit (a thermal-magnetic breaker, a small blade fuse); FOREVER below `never_below`.
    """
    if multiple <= never_below:
        return FOREVER
    return 0.0 if multiple >= 8.0 else constant / (multiple * multiple - 1.0)
