"""What the learner has done so far: switches thrown, plugs out, leads on. No physics.

Rule: state changes only in `evolve`; `decide` refuses only for what eyes and hands can know, never because of the fault.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, TypeVar

import msgspec
from msgspec.structs import replace

from blowerbench import acts as a
from blowerbench.equipment import MAIN, Equipment
from blowerbench.errors import BenchError


@dataclass(frozen=True, slots=True)
class Refusal:
    """An act that hands can't do now: a message id and its arguments. Nothing changed and no time passed."""

    reason: str
    args: tuple[tuple[str, str], ...] = ()


class Hands(msgspec.Struct, frozen=True):
    """The bench as hands left it. `clock` is in whole simulated seconds since arrival."""

    clock: int = 0
    worn: frozenset[str] = frozenset()
    breakers_off: frozenset[str] = frozenset()  # names of supplies
    disconnects_open: frozenset[str] = frozenset()
    locks: frozenset[tuple[str, str]] = frozenset()  # ("disconnect" or "breaker", supply)
    tags: frozenset[tuple[str, str]] = frozenset()
    door_on: bool = True
    switch_held: bool = False
    switch_taped: bool = False
    thermostat: str = "off"
    gas_on: bool = True
    meter_inspected: bool = False
    function: str = "off"
    zeroed: bool = False
    leads: tuple[tuple[str, str, bool], ...] = ()  # (lead, terminal, clipped)
    clamp: str = ""
    parted: frozenset[str] = frozenset()
    lifted: frozenset[str] = frozenset()
    selectors: tuple[tuple[str, bool], ...] = ()  # (selector, closed) as hands set it
    ports_open: frozenset[str] = frozenset()
    hoses: tuple[tuple[str, str], ...] = ()  # (high or low, port)
    probes: tuple[tuple[str, str], ...] = ()  # (first or second, port)
    jumpers: frozenset[tuple[str, str]] = frozenset()
    source_fitted: bool = False
    source_adapter: str = "ac"
    source_clipped: bool = False
    source_on: bool = False
    control_open: bool = False
    repaired: tuple[str, ...] = ()
    declared: tuple[tuple[str, ...], ...] = ()
    written: bool = False
    left: bool = False
    ended: bool = False

    def lead(self, name: str) -> str:
        """The terminal that lead `name` is on, or an empty string."""
        return next((t for n, t, _ in self.leads if n == name), "")

    @property
    def breaker_on(self) -> bool:
        """Whether the breaker of the supply that feeds the blower is on."""
        return MAIN not in self.breakers_off

    @property
    def disconnect_closed(self) -> bool:
        """Whether the disconnect of the supply that feeds the blower is closed."""
        return MAIN not in self.disconnects_open

    @property
    def locked(self) -> bool:
        """Whether the own lock is on the disconnect of the supply that feeds the blower."""
        return ("disconnect", MAIN) in self.locks

    @property
    def tagged(self) -> bool:
        """Whether the own tag is on the disconnect of the supply that feeds the blower."""
        return ("disconnect", MAIN) in self.tags

    @property
    def door_switch_closed(self) -> bool:
        """Whether the door, a hand or tape presses the door switch."""
        return self.door_on or self.switch_held or self.switch_taped


class NoSuchName(BenchError):  # noqa: N818 - reads as what it says
    """An act that names something this unit does not have."""

    def __init__(self, what: str, name: str, known: tuple[str, ...]) -> None:
        super().__init__(f"no {what} {name!r}; this unit has {', '.join(known)}")


def _no(reason: str, **args: str) -> Refusal:
    return Refusal(reason, tuple(args.items()))


def place_of(equipment: Equipment, terminal: str) -> str:
    """Where a person stands to reach `terminal`; raises `NoSuchName` when the unit has none of that name."""
    if terminal in equipment.zone_of:
        return equipment.zone_of[terminal].place
    if terminal in equipment.connector_of:
        return "unit"
    raise NoSuchName("terminal", terminal, equipment.terminals)


def reach(equipment: Equipment, hands: Hands, terminal: str) -> Refusal | None:
    """Why a probe can't get to `terminal` now, or None."""
    place_of(equipment, terminal)
    connector = equipment.connector_of.get(terminal)
    zone = equipment.zone_of.get(terminal)
    if connector is not None:
        if hands.door_on:
            return _no("door_is_on")
        if connector.behind_cover and not hands.control_open:
            return _no("control_is_closed")
    elif zone is not None:
        if zone.behind_door and hands.door_on:
            return _no("door_is_on")
        if zone.behind_cover and not hands.control_open:
            return _no("control_is_closed")
    return None


def _connector(equipment: Equipment, name: str) -> None:
    if name not in equipment.connectors:
        raise NoSuchName("connector", name, tuple(equipment.connectors))


def _latch(equipment: Equipment, hands: Hands, name: str) -> Refusal | None:
    connector = equipment.connectors[name]
    if hands.door_on:
        return _no("door_is_on")
    if connector.behind_cover and not hands.control_open:
        return _no("control_is_closed")
    if connector.covered_by and connector.covered_by not in hands.parted:
        return _no("plug_in_the_way", plug=connector.covered_by)
    return None


def _inside(equipment: Equipment, hands: Hands) -> bool:
    zones = (equipment.zone_of.get(t) for _, t, _ in hands.leads)
    return any(t in equipment.connector_of for _, t, _ in hands.leads) or any(z is not None and z.behind_door for z in zones)


def _place_lead(equipment: Equipment, hands: Hands, act: a.PlaceLead) -> Refusal | None:
    blocked = reach(equipment, hands, act.terminal)
    if blocked:
        return blocked
    other = hands.lead("black" if act.lead == "red" else "red")
    if other and place_of(equipment, other) != place_of(equipment, act.terminal):
        return _no("lead_too_short", terminal=other)
    if other == act.terminal:
        return _no("leads_on_one_terminal", terminal=other)
    return None


def _unplug(equipment: Equipment, hands: Hands, act: a.Unplug) -> Refusal | None:
    _connector(equipment, act.connector)
    if act.connector in hands.parted:
        return _no("already_apart", plug=act.connector)
    return _latch(equipment, hands, act.connector)


def _plug_in(equipment: Equipment, hands: Hands, act: a.PlugIn) -> Refusal | None:
    _connector(equipment, act.connector)
    if act.connector not in hands.parted:
        return _no("already_mated", plug=act.connector)
    if hands.source_fitted and act.connector == equipment.source.get("connector"):
        return _no("source_in_the_way")
    return _latch(equipment, hands, act.connector)


def _set_door(equipment: Equipment, hands: Hands, act: a.SetDoor) -> Refusal | None:
    if act.on == hands.door_on:
        return _no("door_already", state="on" if act.on else "off")
    if act.on and (_inside(equipment, hands) or hands.source_clipped or hands.control_open or hands.clamp):
        return _no("door_blocked")
    return None


def _fit_source(equipment: Equipment, hands: Hands, act: a.FitSource) -> Refusal | None:
    if not equipment.source:
        return _no("no_source_here")
    plug = str(equipment.source["connector"])
    if act.on == hands.source_fitted:
        return _no("source_already", state="fitted" if act.on else "off")
    if plug not in hands.parted:
        return _no("needs_apart", plug=plug)
    return _latch(equipment, hands, plug)


def _declare(equipment: Equipment, hands: Hands, act: a.Declare) -> Refusal | None:
    for unit in act.units:
        if unit != "no_fault_found" and unit not in equipment.units:
            raise NoSuchName("correction unit", unit, (*equipment.units, "no_fault_found"))
    return None if act.units else _no("declare_something")


def _jumper(equipment: Equipment, hands: Hands, act: a.SetJumper) -> Refusal | None:
    for terminal in (act.a, act.b):
        blocked = reach(equipment, hands, terminal)
        if blocked and act.on:
            return blocked
    if act.on and place_of(equipment, act.a) != place_of(equipment, act.b):
        return _no("lead_too_short", terminal=act.a)
    key = _pair(act.a, act.b)
    if act.a == act.b or (key in hands.jumpers) == act.on:
        return _no("jumper_already")
    return None


def _pair(x: str, y: str) -> tuple[str, str]:
    return (x, y) if x < y else (y, x)


def _look(equipment: Equipment, hands: Hands, act: a.Look) -> Refusal | None:
    return _place(equipment, hands, act.where)


def _place(equipment: Equipment, hands: Hands, where: str) -> Refusal | None:
    """Why eyes and hands can't get to the place or connector `where`, or None."""
    if where not in equipment.places and where not in equipment.connectors:
        raise NoSuchName("place to look at", where, (*equipment.places, *equipment.connectors))
    connector = equipment.connectors.get(where)
    if (connector is not None or equipment.places[where]) and hands.door_on:
        return _no("door_is_on")
    if connector and connector.behind_cover and not hands.control_open:
        return _no("control_is_closed")
    return None


def _supply(equipment: Equipment, name: str) -> None:
    if name not in equipment.supplies:
        raise NoSuchName("supply", name, tuple(equipment.supplies))


def _set_breaker(equipment: Equipment, hands: Hands, act: a.SetBreaker) -> Refusal | None:
    _supply(equipment, act.supply)
    return _no("breaker_lock_is_on") if act.on and ("breaker", act.supply) in hands.locks else None


def _set_disconnect(equipment: Equipment, hands: Hands, act: a.SetDisconnect) -> Refusal | None:
    _supply(equipment, act.supply)
    return _no("lock_is_on") if act.closed and ("disconnect", act.supply) in hands.locks else None


def _set_lock(equipment: Equipment, hands: Hands, act: a.SetLock) -> Refusal | None:
    _supply(equipment, act.supply)
    if not act.on:
        return None
    if act.device == "breaker":
        return None if act.supply in hands.breakers_off else _no("breaker_is_on")
    if not equipment.supplies[act.supply].takes_lock:
        return _no("takes_no_lock")
    return None if act.supply in hands.disconnects_open else _no("disconnect_is_closed")


def _set_tag(equipment: Equipment, hands: Hands, act: a.SetTag) -> Refusal | None:
    _supply(equipment, act.supply)
    return None


def _set_selector(equipment: Equipment, hands: Hands, act: a.SetSelector) -> Refusal | None:
    if act.selector not in equipment.selectors:
        raise NoSuchName("board switch", act.selector, tuple(equipment.selectors))
    return _door_off(equipment, hands, act)


def _port(equipment: Equipment, name: str) -> None:
    known = tuple(p.name for p in equipment.air.ports) if equipment.air else ()
    if name not in known:
        raise NoSuchName("test port", name, known)


def _open_port(equipment: Equipment, hands: Hands, act: a.OpenPort) -> Refusal | None:
    _port(equipment, act.port)
    return _no("port_already") if act.port in hands.ports_open else None


def _plug_port(equipment: Equipment, hands: Hands, act: a.PlugPort) -> Refusal | None:
    _port(equipment, act.port)
    if act.port not in hands.ports_open:
        return _no("port_already")
    return _no("port_in_use") if act.port in dict((*hands.hoses, *hands.probes)).values() else None


def _in_port(equipment: Equipment, hands: Hands, port: str) -> Refusal | None:
    if not port:
        return None
    _port(equipment, port)
    return None if port in hands.ports_open else _no("port_is_plugged")


def _discharge(equipment: Equipment, hands: Hands, act: a.Discharge) -> Refusal | None:
    if act.part == "capacitor":
        if not equipment.module.get("capacitors"):
            return _no("no_such_part_here")
        return _door_off(equipment, hands, act)
    if not equipment.electronic:
        return _no("no_such_part_here")
    return None if hands.control_open else _no("control_is_closed")


def _open_control(equipment: Equipment, hands: Hands, act: a.OpenControl) -> Refusal | None:
    if not equipment.electronic:
        return _no("no_such_part_here")
    return _no("control_already") if hands.control_open else _door_off(equipment, hands, act)


def _door_switch(equipment: Equipment, hands: Hands, act: a.Act) -> Refusal | None:
    return _door_off(equipment, hands, act) if equipment.protection["door_switch"] else _no("no_such_part_here")


def _wire(equipment: Equipment, hands: Hands, wire: str, lift: bool) -> Refusal | None:
    if wire not in equipment.liftable:
        raise NoSuchName("wire to take off", wire, equipment.liftable)
    if hands.door_on:
        return _no("door_is_on")
    return _no("wire_already", wire=wire) if (wire in hands.lifted) == lift else None


def _door_off(equipment: Equipment, hands: Hands, act: a.Act) -> Refusal | None:
    return _no("door_is_on") if hands.door_on else None


def _clip_source(equipment: Equipment, hands: Hands, act: a.ClipSource) -> Refusal | None:
    return _door_off(equipment, hands, act) if equipment.source else _no("no_source_here")


SAFETIES = ("limit", "rollout", "pressure")


def _reset_safety(equipment: Equipment, hands: Hands, act: a.ResetSafety) -> Refusal | None:
    if act.safety not in SAFETIES:
        raise NoSuchName("safety", act.safety, SAFETIES)
    if not equipment.protection.get(act.safety):
        return _no("no_such_part_here")
    return _door_off(equipment, hands, act)


def _set_gas(equipment: Equipment, hands: Hands, act: a.SetGas) -> Refusal | None:
    return None if equipment.heat["kind"] == "gas" else _no("no_such_part_here")


def _clamp(equipment: Equipment, hands: Hands, act: a.PlaceClamp) -> Refusal | None:
    if not act.conductor:
        return None
    if act.conductor not in equipment.network.conductors:
        raise NoSuchName("conductor", act.conductor, tuple(sorted(equipment.network.conductors)))
    wire = equipment.wire(act.conductor)
    ends = [n for n in (wire.b, wire.a) if n in equipment.zone_of or n in equipment.connector_of]
    return reach(equipment, hands, ends[0]) if ends else _no("out_of_reach")


def _repair(equipment: Equipment, hands: Hands, act: a.Repair) -> Refusal | None:
    if act.unit not in equipment.units:
        raise NoSuchName("correction unit", act.unit, tuple(equipment.units))
    return None


_Check = Callable[[Equipment, Hands, Any], Refusal | None]

#: Which check each act must pass. An act without a row is always possible.
CHECKS: dict[type[a.Act], _Check] = {
    a.Look: _look,
    a.SetBreaker: _set_breaker,
    a.SetDisconnect: _set_disconnect,
    a.SetLock: _set_lock,
    a.SetTag: _set_tag,
    a.SetSelector: _set_selector,
    a.OpenPort: _open_port,
    a.PlugPort: _plug_port,
    a.PlaceHose: lambda e, h, x: _in_port(e, h, x.port),
    a.PlaceProbe: lambda e, h, x: _in_port(e, h, x.port),
    a.Wiggle: lambda e, h, x: _place(e, h, x.where),
    a.Warm: lambda e, h, x: _place(e, h, x.where),
    a.SetGas: _set_gas,
    a.SetDoor: _set_door,
    a.HoldDoorSwitch: _door_switch,
    a.TapeDoorSwitch: _door_switch,
    a.PlaceLead: _place_lead,
    a.ZeroLeads: lambda e, h, x: _no("not_on_ohms") if h.function != "ohms" else None,
    a.PlaceClamp: _clamp,
    a.Unplug: _unplug,
    a.PlugIn: _plug_in,
    a.LiftWire: lambda e, h, x: _wire(e, h, x.wire, True),
    a.LandWire: lambda e, h, x: _wire(e, h, x.wire, False),
    a.SetJumper: _jumper,
    a.Wait: lambda e, h, x: None if 1 <= x.seconds <= 3600 else _no("wait_range"),
    a.TurnShaft: _door_off,
    a.ResetSafety: _reset_safety,
    a.FitSource: _fit_source,
    a.ClipSource: _clip_source,
    a.SwitchSource: lambda e, h, x: None if h.source_fitted else _no("source_not_fitted"),
    a.OpenControl: _open_control,
    a.CloseControl: lambda e, h, x: None if h.control_open else _no("control_already"),
    a.Discharge: _discharge,
    a.Declare: _declare,
    a.Repair: _repair,
}


def decide(equipment: Equipment, hands: Hands, act: a.Act) -> Refusal | None:
    """Why `act` can't be done now, or None; raises `NoSuchName` for a name that this unit does not have."""
    if hands.ended:
        return _no("call_has_ended")
    check = CHECKS.get(type(act))
    return check(equipment, hands, act) if check else None


def _move_lead(hands: Hands, lead: str, place: tuple[str, str, bool] | None) -> tuple[tuple[str, str, bool], ...]:
    rest = tuple(x for x in hands.leads if x[0] != lead)
    return tuple(sorted((*rest, place))) if place else rest


T = TypeVar("T")


def _with(members: frozenset[T], member: T, inside: bool) -> frozenset[T]:
    return members | {member} if inside else members - {member}


def _row(rows: tuple[tuple[str, T], ...], name: str, value: T) -> tuple[tuple[str, T], ...]:
    """`rows` with the one of `name` set to `value`, in order of name; an empty text takes it out."""
    kept = [r for r in rows if r[0] != name]
    return tuple(sorted([*kept, (name, value)] if value != "" else kept))


def evolve(equipment: Equipment, hands: Hands, act: a.Act) -> Hands:
    """The hands after the accepted `act`; pure and total, the only place where they change."""
    minutes = equipment.units[act.unit].minutes if isinstance(act, a.Repair) else 0
    after = _fold(equipment, hands, act)
    walks = isinstance(act, a.SetThermostat | a.TryControls | a.SetBreaker | a.Leave) or act == a.Look("panel")
    away = walks or (isinstance(act, a.PlaceLead) and place_of(equipment, act.terminal) != "unit")
    leads = tuple(x for x in after.leads if x[2]) if walks else after.leads  # a lead held by hand comes along
    clock = hands.clock + a.duration(act, minutes)
    return replace(after, clock=clock, switch_held=after.switch_held and not away, leads=leads)


def _fold(equipment: Equipment, hands: Hands, act: a.Act) -> Hands:
    match act:
        case a.Wear(item=item, on=on):
            return replace(hands, worn=hands.worn | {item} if on else hands.worn - {item})
        case a.SetBreaker(on=on, supply=supply):
            return replace(hands, breakers_off=_with(hands.breakers_off, supply, not on))
        case a.SetDisconnect(closed=closed, supply=supply):
            return replace(hands, disconnects_open=_with(hands.disconnects_open, supply, not closed))
        case a.SetLock(on=on, supply=supply, device=device):
            return replace(hands, locks=_with(hands.locks, (device, supply), on))
        case a.SetTag(on=on, supply=supply, device=device):
            return replace(hands, tags=_with(hands.tags, (device, supply), on))
        case a.SetSelector(selector=name, closed=closed):
            return replace(hands, selectors=_row(hands.selectors, name, closed))
        case a.OpenPort(port=port):
            return replace(hands, ports_open=hands.ports_open | {port})
        case a.PlugPort(port=port):
            return replace(hands, ports_open=hands.ports_open - {port})
        case a.PlaceHose(hose=name, port=port):
            return replace(hands, hoses=_row(hands.hoses, name, port))
        case a.PlaceProbe(probe=name, port=port):
            return replace(hands, probes=_row(hands.probes, name, port))
        case a.TryControls():
            return replace(hands, thermostat="off")
        case a.SetDoor(on=on):
            return replace(hands, door_on=on, switch_held=False)
        case a.HoldDoorSwitch(held=held):
            return replace(hands, switch_held=held)
        case a.TapeDoorSwitch(taped=taped):
            return replace(hands, switch_taped=taped)
        case a.SetThermostat(call=call):
            return replace(hands, thermostat=call)
        case a.SetGas(open=on):
            return replace(hands, gas_on=on)
        case a.InspectMeter():
            return replace(hands, meter_inspected=True)
        case a.SetMeter(function=function):
            return replace(hands, function=function, zeroed=hands.zeroed and function == "ohms")
        case a.ZeroLeads():
            return replace(hands, zeroed=True, leads=())
        case a.PlaceLead(lead=lead, terminal=terminal, clip=clip):
            return replace(hands, leads=_move_lead(hands, lead, (lead, terminal, clip)))
        case a.LiftLead(lead=lead):
            return replace(hands, leads=_move_lead(hands, lead, None))
        case a.PlaceClamp(conductor=conductor):
            return replace(hands, clamp=conductor)
        case a.Unplug(connector=name):
            return replace(hands, parted=hands.parted | {name})
        case a.PlugIn(connector=name):
            return replace(hands, parted=hands.parted - {name})
        case a.LiftWire(wire=wire):
            return replace(hands, lifted=hands.lifted | {wire})
        case a.LandWire(wire=wire):
            return replace(hands, lifted=hands.lifted - {wire})
        case a.SetJumper(a=x, b=y, on=on):
            key = _pair(x, y)
            return replace(hands, jumpers=hands.jumpers | {key} if on else hands.jumpers - {key})
        case a.FitSource(on=on, adapter=adapter):
            return replace(hands, source_fitted=on, source_on=hands.source_on and on, source_adapter=adapter)
        case a.ClipSource(on=on):
            return replace(hands, source_clipped=on)
        case a.SwitchSource(run=run):
            return replace(hands, source_on=run)
        case a.OpenControl():
            return replace(hands, control_open=True)
        case a.CloseControl():
            return replace(hands, control_open=False, leads=tuple(x for x in hands.leads if not _hidden(equipment, x[1])))
        case a.Leave():
            return replace(hands, left=True, ended=True)
        case a.Repair(unit=unit):
            return replace(hands, repaired=(*hands.repaired, unit))
        case a.Declare(units=units):
            return replace(hands, declared=(*hands.declared, tuple(sorted(units))))
        case a.WriteUp():
            return replace(hands, written=True)
        case a.Finish():
            return replace(hands, ended=True)
        case _:
            return hands


def _hidden(equipment: Equipment, terminal: str) -> bool:
    zone, connector = equipment.zone_of.get(terminal), equipment.connector_of.get(terminal)
    return bool(zone and zone.behind_cover) or bool(connector and connector.behind_cover)
