"""What the unit is doing at one moment, and the circuit as switches, plugs, relays and the fault leave it then.

Rule: a `Plant` is computed from acts and time, never logged; `edits_for` is the only place that turns it into a circuit.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import NamedTuple

import msgspec

from blowerbench.air import STILL, Changes, Point
from blowerbench.circuit import Circuit, Edits, Shunt
from blowerbench.equipment import Equipment
from blowerbench.faults import Effects
from blowerbench.hands import Hands
from blowerbench.variant import Variant

LINE = 60.0
OPEN_DOOR = 0.03  # what is left of the return side's drops with the blower door off (ours)
FOREVER = math.inf

#: Motor states in which the rotor turns with power on it.
TURNING = ("running", "starting")


class Quiet(NamedTuple):
    """All that relays and logic look at besides the plant itself and its timers."""

    fx: Effects
    edits: Edits
    gas_on: bool
    source_clipped: bool
    parted: frozenset[str]
    selectors: tuple[tuple[str, bool], ...]
    door_on: bool


class Switches(NamedTuple):
    """All that the circuit depends on of what hands did."""

    breakers_off: frozenset[str]
    disconnects_open: frozenset[str]
    door_switch_closed: bool
    thermostat: str
    parted: frozenset[str]
    lifted: frozenset[str]
    selectors: tuple[tuple[str, bool], ...]
    jumpers: frozenset[tuple[str, str]]
    source: tuple[bool, bool, bool, str]  # fitted, clipped, switched on, its adapter


_latest: list[tuple[Hands, Switches]] = []


def switches(hands: Hands) -> Switches:
    """What of `hands` the circuit depends on; the latest two answers are remembered, since many units share their hands."""
    for known, found in tuple(_latest):
        if known is hands:
            return found
    found = Switches(
        hands.breakers_off, hands.disconnects_open, hands.door_switch_closed, hands.thermostat, hands.parted, hands.lifted,
        hands.selectors, hands.jumpers,
        (hands.source_fitted, hands.source_clipped, hands.source_on, hands.source_adapter),
    )  # fmt: skip
    _latest[:] = [(hands, found), *_latest[:1]]
    return found


class Plant(msgspec.Struct, frozen=True):
    """What the unit is doing at `time` (seconds since the customer first called for it)."""

    time: float = 0.0
    # protection
    tripped: frozenset[str] = frozenset()  # supplies whose breaker has tripped
    trips: tuple[tuple[str, float], ...] = ()  # (supply, when its breaker will trip)
    fuse_blown: bool = False
    over_fuse: float = FOREVER
    # board and relays
    alive: bool = False
    supplied_at: float = FOREVER  # since when the board has had its volts
    burnt: frozenset[str] = frozenset()  # "board", "module": what too many volts have killed
    heater: str = "off"
    heater_at: float = 0.0
    blower: str = "still"
    blower_at: float = 0.0
    retries: int = 0
    pulled: frozenset[str] = frozenset()  # relays whose contacts have changed over
    coils: tuple[tuple[str, float], ...] = ()  # (relay, since when its coil asks for the other position)
    # heat section: since when each device has had its voltage
    inducer_at: float = FOREVER
    igniter_at: float = FOREVER
    gas_at: float = FOREVER
    pressure: bool = False
    flame: bool = False
    limit: bool = True
    rollout: bool = True
    heat: float = 0.0  # watts into the air
    cold: float = 0.0  # watts out of it
    plenum: float = 20.0  # degC where the limit is
    chill: float = 0.0  # kelvin that the coil takes off the air
    # motor
    motor: str = "still"
    motor_at: float = 0.0
    speed: str = ""
    point: Point = STILL
    watts: float = 0.0  # taken from the motor's line
    line: float = 0.0  # volts at an electronic motor's line, as its load leaves them
    charged: bool = False  # line present at the module's rectifier
    bus0: float = 0.0  # bus volts at bus_at, when the line went away
    bus_at: float = 0.0
    bus_watts: float = 0.0
    bus: float = 0.0
    flux: float = 0.0  # split capacitor: volts on the main winding over nominal
    boost: float = 1.0  # split capacitor: what the capacitor still does, 0 to 1
    lost: float = 0.0  # split capacitor: watts that heat the winding
    winding: float = 20.0  # degC
    pushed: bool = False  # started by hand, and turning since
    overloaded: bool = False  # its thermal overload is open
    switched_at: float = -FOREVER  # when limit or overload last changed
    switches: int = 0  # how often they have since the unit was cold
    heated_at: float = 0.0  # when heat last came on in a cold unit
    starved_at: float = -FOREVER  # when a starved motor or board last gave up
    # a fault that comes and goes
    present: bool = False
    stirred_at: float = FOREVER  # since when it has been stirred, or FOREVER
    rest_at: float = 0.0  # since when it has not
    kept: float = -FOREVER  # until when a hand keeps it there
    # the technician's source, and what was noticed
    lamp: bool = False
    sounds: frozenset[str] = frozenset()  # what else of the unit is heard
    chatters: bool = False
    quiet: Quiet | None = None  # what it had settled for when it last did; None after an event
    due: float = FOREVER  # when something happens next if hands change nothing; holds while `quiet` does
    heard: frozenset[str] = frozenset()  # notable happenings since the last act


@lru_cache(maxsize=32)
def circuit_for(equipment: Equipment, variant: Variant) -> Circuit:
    """The solved network of `equipment` with the tolerances of `variant`, shared by every hypothesis.

    A remembered state takes some 10 kB and a circuit's matrices some 6 MB, so that all of them together stay below 1.5 GB.
    """
    return Circuit(equipment.network, variant.tolerances, remembered=4096)


@lru_cache(maxsize=4096)
def air_changes(equipment: Equipment, fx: Effects, variant: Variant, door_on: bool = True) -> Changes:
    """What `fx`, `variant` and an open blower door do to the air path: with the door off it draws from the room."""
    names = [(k.removeprefix("air."), v) for k, v in sorted((fx.settings or {}).items()) if k.startswith("air.")]
    own = {"fan_pressure", "slip", "backwards"}
    drops = [(k, v) for k, v in names if k not in own]
    if not door_on and equipment.air is not None and equipment.kind != "outdoor_unit":
        drops += [(e.name, OPEN_DOOR) for e in equipment.air.elements[: equipment.air.before]]
    return Changes(
        drops=tuple(drops),
        duct=variant.duct_factor,
        fan_pressure=fx.setting("air.fan_pressure", 1.0),
        slip=fx.setting("air.slip"),
        backwards=bool(fx.setting("air.backwards")),
        drag=fx.setting("motor.drag"),
    )


def selector_closed(equipment: Equipment, fx: Effects, hands: Hands, name: str) -> bool:
    """How the board switch `name` stands: as hands set it, else as it was found."""
    found = bool(fx.setting(f"selector.{name}", float(equipment.selectors[name].closed)))
    return dict(hands.selectors).get(name, found)


def phase_outputs(equipment: Equipment, plant: Plant) -> tuple[str, ...]:
    """The outputs that the board's two machines set now; none while it is dead or there is no board."""
    if not plant.alive or not equipment.phases:
        return ()
    return equipment.phases["heater", plant.heater].outputs + equipment.phases["blower", plant.blower].outputs


def _opened(equipment: Equipment, fx: Effects, hands: Hands, plant: Plant) -> set[str]:
    """Every branch that switchgear, controls and hands hold open."""
    p, source = equipment.protection, equipment.source
    opened: set[str] = set()
    for supply in equipment.supplies.values():
        if supply.name in plant.tripped or supply.name in hands.breakers_off:
            opened.update(supply.breaker)
        if supply.name in hands.disconnects_open:
            opened.update(supply.disconnect)
    if p["door_switch"] and not hands.door_switch_closed:
        opened.add(p["door_switch"])
    if p["fuse"] and plant.fuse_blown:
        opened.add(p["fuse"])
    for selector in equipment.selectors.values():
        if selector.contact and not selector_closed(equipment, fx, hands, selector.name):
            opened.add(selector.contact)
    calling = set(p["thermostat"].get(hands.thermostat, ()))
    opened |= {c for contacts in p["thermostat"].values() for c in contacts} - calling
    if equipment.board:
        outputs = equipment.board["outputs"]
        on = {outputs[n] for n in phase_outputs(equipment, plant)}
        opened |= {c for c in outputs.values() if c and c not in on}
    for relay in equipment.relays:
        opened.update(relay.opens if relay.name in plant.pulled else relay.contacts)
    for name, closed in (("limit", plant.limit), ("rollout", plant.rollout), ("pressure", plant.pressure)):
        if p.get(name) and not closed:
            opened.add(p[name])
    if plant.overloaded:
        opened.add(equipment.module["overload"])
    for plug in hands.parted:
        opened |= set(equipment.connectors[plug].pins)
    opened |= hands.lifted
    if source:
        if not hands.source_clipped:
            opened |= set(source["clips"])
        if not hands.source_on:
            opened.add(source["switch"])
        if not (hands.source_fitted and hands.source_adapter == source["kind"]):
            opened |= set(source["outputs"])
    return opened


def source_speaks(equipment: Equipment, hands: Hands, plant: Plant) -> bool:
    """Whether the reference source gives its command now: fitted with the right adapter, switched on, alive."""
    source = equipment.source
    return bool(source) and hands.source_fitted and hands.source_on and plant.lamp and hands.source_adapter == source["kind"]


def _emf(equipment: Equipment, fx: Effects, hands: Hands, plant: Plant, dc: bool) -> tuple[tuple[str, float], ...]:
    """What the unit's own direct-voltage sources give. Those that only a meter sees are left out unless `dc`."""
    found: dict[str, float] = {}
    board, module, source = equipment.board, equipment.module, equipment.source
    if "dc" in board:
        found[board["dc"]["source"]] = board["dc"]["volts"] if plant.alive else 0.0
    if "serial" in board:
        speaks = plant.alive and not fx.setting("board.mute")
        found[board["serial"]["source"]] = board["serial"]["volts"] if speaks else 0.0
    if "emf" in source:
        found[source["emf"]] = source["emf_volts"] if source_speaks(equipment, hands, plant) else 0.0
    if "reply" in module:
        answers = plant.charged and not fx.setting("module.dead")
        found[module["reply"]["source"]] = module["reply"]["volts"] if answers else 0.0
    if "feedback" in module and (dc or "inputs_dc" in board):
        found[module["feedback"]] = module["feedback_volts"] if plant.motor == "running" else 0.0
    return tuple(found.items())


def motor_shunt(equipment: Equipment, plant: Plant) -> Shunt:
    """The motor as a load on its line, in ohms: its watts at the volts that it has, so that a bad joint starves it."""
    module = equipment.module
    if module["kind"] == "split_capacitor":
        a, b = module["main"]
        if plant.motor == "running":
            return Shunt(a, b, (module["nominal"] * plant.flux) ** 2 / max(plant.watts, 1.0), "ac")
        return Shunt(a, b, module["nominal"] ** 2 / float(module["locked_watts"]), "ac")
    a, b = module["line"]
    volts = plant.line if plant.charged else equipment.ratings["supply"]
    return Shunt(a, b, volts**2 / max(plant.watts, module["idle_watts"]), "ac")


def edits_for(
    equipment: Equipment, fx: Effects, hands: Hands, plant: Plant, *, dc: bool = False, module_load: bool = True
) -> Edits:
    """The circuit as switches, plugs, relays and the fault leave it. With `dc` the charged bus and the feedback are put in."""
    opened = (_opened(equipment, fx, hands, plant) - fx.closed) | fx.opened
    shunts = [*fx.shunts, *(Shunt(x, y, 0.05) for x, y in hands.jumpers)]
    if module_load:
        shunts.append(motor_shunt(equipment, plant))
    emf = _emf(equipment, fx, hands, plant, dc)
    held: tuple[tuple[str, float], ...] = ()
    if dc and plant.bus > 0.01:
        capacitors = equipment.module["bus"]
        held = tuple((c, plant.bus / len(capacitors)) for c in capacitors)
    return Edits(frozenset(opened), fx.resistances, tuple(shunts), held, emf)
