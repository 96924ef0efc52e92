"""The taught procedure as lists of acts: how a careful person gets the bench from one state to another.

Rule: every list here is safe by the monitor's rules; lessons print these lists and the scripted technicians play them. What
a unit has not got (a second supply, a door switch, a control module, a reference source) is left out of them.
"""

from __future__ import annotations

from itertools import combinations
from typing import cast

from blowerbench import acts as a
from blowerbench.equipment import Equipment, Supply
from blowerbench.hands import Hands

Acts = list[a.Act]


def protect() -> Acts:
    """Put on eye protection and gloves, look meter and leads over."""
    return [a.Wear("eye_protection"), a.Wear("gloves"), a.InspectMeter()]


def probe(red: str, black: str, *, clip: bool = False) -> Acts:
    """Both leads on two terminals: the reference (black) first, and lifted last."""
    return [a.LiftLead("red"), a.LiftLead("black"), a.PlaceLead("black", black, clip), a.PlaceLead("red", red, clip)]


def lift() -> Acts:
    """Both leads off, the reference last."""
    return [a.LiftLead("red"), a.LiftLead("black")]


def prove_meter(equipment: Equipment) -> Acts:
    """The meter on volts, tried on the separate live source."""
    line, neutral, _ = equipment.protection["live_source"]
    return [a.SetMeter("volts_ac"), *probe(line, neutral)]


def _role_pairs(supply: Supply, roles: tuple[str, ...]) -> list[tuple[str, str]]:
    """Every pair of the first terminals of `roles` that `supply` has: in the junction box, at the disconnect."""
    terminals = [supply.roles[r][0] for r in roles if r in supply.roles]
    return list(combinations(terminals, 2))


def prove_dead(equipment: Equipment, supply_side: bool = False) -> Acts:
    """Live, dead, live: the source, every pair of every supply in the junction box, the source again.

    With `supply_side` (the panel breakers off as well) the incoming side of the disconnects too.
    """
    pairs: list[tuple[str, str]] = []
    for supply in equipment.supplies.values():
        pairs += _role_pairs(supply, ("line", "line_2", "neutral", "ground"))
        if supply_side:
            pairs += _role_pairs(supply, ("incoming", "incoming_2", "neutral", "ground"))
    dead = [act for red, black in dict.fromkeys(pairs) for act in probe(red, black)]
    return [*prove_meter(equipment), *dead, *prove_meter(equipment), *lift()]


def lock_out(equipment: Equipment, hands: Hands, breakers: bool = False) -> Acts:
    """Thermostat off, every disconnect open, locked and tagged; whatever of that is still to do.

    With `breakers`, and where a disconnect takes no lock, the breaker goes off under the lock as well.
    """
    acts: Acts = []
    if hands.source_on:
        acts.append(a.SwitchSource(False))
    if hands.switch_held:
        acts.append(a.HoldDoorSwitch(False))
    if hands.thermostat != "off":
        acts.append(a.SetThermostat("off"))
    for name, supply in equipment.supplies.items():
        if breakers or not supply.takes_lock:
            acts += [] if name in hands.breakers_off else [a.SetBreaker(False, name)]
            acts += [] if ("breaker", name) in hands.locks else [a.SetLock(True, name, "breaker")]
        if name not in hands.disconnects_open:
            acts.append(a.SetDisconnect(False, name))
        if supply.takes_lock and ("disconnect", name) not in hands.locks:
            acts.append(a.SetLock(True, name))
        if ("disconnect", name) not in hands.tags:
            acts.append(a.SetTag(True, name))
    return acts


def make_safe(equipment: Equipment, hands: Hands, supply_side: bool = False) -> Acts:
    """Protection on, every supply locked out, controls tried, all proved dead; with `supply_side` the breakers as well."""
    first = [] if hands.meter_inspected and {"eye_protection", "gloves"} <= hands.worn else protect()
    locked = lock_out(equipment, hands, supply_side)
    return [*first, *locked, *try_controls(equipment, hands), *prove_dead(equipment, supply_side)]


def calls(equipment: Equipment) -> tuple[a.Call, ...]:
    """The thermostat calls on which a healthy blower of this unit runs, in the order in which they are tried."""
    return cast(tuple[a.Call, ...], equipment.calls())


def has_door_switch(equipment: Equipment) -> bool:
    """Whether the blower door opens a switch."""
    return bool(equipment.protection["door_switch"])


def try_controls(equipment: Equipment, hands: Hands) -> Acts:
    """The controls tried on the locked unit: door off, its switch is held in first, or nothing could start anyway."""
    held: Acts = []
    if has_door_switch(equipment) and not (hands.door_on or hands.switch_taped):
        held.append(a.HoldDoorSwitch(True))
    return [*held, a.TryControls()]


def energise(equipment: Equipment, hands: Hands) -> Acts:
    """Tags and locks off, breakers on, disconnects closed, and the door switch held if the door is off."""
    acts: Acts = []
    for device, name in sorted(hands.tags):
        acts.append(a.SetTag(False, name, cast(a.Switchgear, device)))
    for device, name in sorted(hands.locks):
        acts.append(a.SetLock(False, name, cast(a.Switchgear, device)))
    acts += [a.SetBreaker(True, name) for name in equipment.supplies if name in hands.breakers_off]
    acts += [a.SetDisconnect(True, name) for name in equipment.supplies if name in hands.disconnects_open]
    if has_door_switch(equipment) and not hands.door_on and (acts or not hands.switch_held):
        acts.append(a.HoldDoorSwitch(True))
    return acts


def call_and_hold(equipment: Equipment, hands: Hands, call: a.Call) -> Acts:
    """Set the thermostat, then hold the door switch in if the door is off."""
    acts: Acts = [] if hands.thermostat == call else [a.SetThermostat(call)]
    if has_door_switch(equipment) and not hands.door_on and (acts or not hands.switch_held):
        acts.append(a.HoldDoorSwitch(True))
    return acts


# ---------------------------------------------------------------------- plugs
def pull(equipment: Equipment, hands: Hands, plug: str) -> Acts:
    """Part `plug`, and what covers its latch before it; nothing where it is apart. For a locked, dead unit."""
    if not plug or plug in hands.parted:
        return []
    cover = equipment.connectors[plug].covered_by
    first: Acts = [a.Unplug(cover)] if cover and cover not in hands.parted else []
    return [*first, a.Unplug(plug)]


def fit_source(equipment: Equipment, hands: Hands) -> Acts:
    """The reference source, with the adapter of this motor, in place of the control harness; for a locked, dead unit."""
    plug = str(equipment.source["connector"])
    adapter = cast(a.Adapter, equipment.source["kind"])
    return [*pull(equipment, hands, plug), a.FitSource(True, adapter), a.ClipSource(True)]


def _by_cover(equipment: Equipment, plugs: frozenset[str] | set[str]) -> list[str]:
    """`plugs` in the order in which they go in: inner ones, then covered ones, then those that cover them."""
    rows = equipment.connectors
    return sorted(plugs, key=lambda n: (not rows[n].behind_cover, not rows[n].covered_by, n))


def source_off(equipment: Equipment, hands: Hands) -> Acts:
    """The reference source and its clips off (what covers its plug comes out for that); for a locked, dead unit."""
    acts: Acts = []
    if hands.source_fitted:
        cover = equipment.connectors[str(equipment.source["connector"])].covered_by
        acts += [a.Unplug(cover)] if cover and cover not in hands.parted else []
        acts.append(a.FitSource(False))
    if hands.source_clipped:
        acts.append(a.ClipSource(False))
    return acts


def put_back(equipment: Equipment, hands: Hands) -> Acts:
    """Everything that hands took apart, in order; for a locked, dead unit."""
    acts: Acts = list(lift())
    if hands.clamp:
        acts.append(a.PlaceClamp(""))
    acts += [a.SetJumper(x, y, False) for x, y in sorted(hands.jumpers)]
    acts += [a.LandWire(w) for w in sorted(hands.lifted)]
    inner = {n for n in hands.parted if equipment.connectors[n].behind_cover}
    acts += [a.PlugIn(n) for n in _by_cover(equipment, inner)]
    if hands.control_open:
        acts.append(a.CloseControl())
    off = source_off(equipment, hands)
    apart = set(hands.parted - inner) | {x.connector for x in off if isinstance(x, a.Unplug)}
    acts += off
    acts += [a.PlugIn(n) for n in _by_cover(equipment, apart)]
    return [*acts, *close_ports(hands)]


# ---------------------------------------------------------------------- stored energy
def discharge_capacitor(equipment: Equipment) -> Acts:
    """A rated resistor across the run capacitor, then volts on its terminals; for a locked, dead unit."""
    first, second = equipment.module["capacitor_points"]
    return [a.Discharge("capacitor"), a.SetMeter("volts_dc"), *probe(first, second), *lift()]


# ---------------------------------------------------------------------- air
def open_ports(hands: Hands, ports: tuple[str, ...]) -> Acts:
    """The plugs of `ports` out, those that are still in."""
    return [a.OpenPort(port) for port in ports if port not in hands.ports_open]


def hoses(high: str, low: str) -> Acts:
    """The manometer from `high` to `low`; an empty name is the room."""
    return [a.PlaceHose("high", high), a.PlaceHose("low", low)]


def close_ports(hands: Hands) -> Acts:
    """Hoses and probes out, every test port plugged."""
    acts: Acts = [a.PlaceHose(cast(a.Hose, name), "") for name, port in hands.hoses if port]
    acts += [a.PlaceProbe(cast(a.Probe, name), "") for name, port in hands.probes if port]
    return [*acts, *(a.PlugPort(port) for port in sorted(hands.ports_open))]
