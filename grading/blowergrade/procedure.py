"""The taught procedure as lists of acts: how a careful person gets the bench from one state to another.

Rule: every list here is safe by the monitor's rules; lessons print these lists and the scripted technicians play them.
"""

from __future__ import annotations

from blowerbench import acts as a
from blowerbench.equipment import Equipment
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


def prove_dead(equipment: Equipment, supply_side: bool = False) -> Acts:
    """Live, dead, live: the source, every pair in the junction box, the source again.

    With `supply_side` (the panel breaker off as well) the incoming side of the disconnect too.
    """
    p = equipment.protection
    line, neutral, ground = p["proof_line"][0], p["proof_neutral"][0], p["proof_ground"][0]
    pairs = [*probe(line, neutral), *probe(line, ground), *probe(neutral, ground)]
    if supply_side:
        incoming = equipment.wire(p["disconnect"]).a
        pairs += [*probe(incoming, neutral), *probe(incoming, ground)]
    return [*prove_meter(equipment), *pairs, *prove_meter(equipment), *lift()]


def lock_out(hands: Hands) -> Acts:
    """Thermostat off, disconnect open, locked and tagged; whatever of that is still to do."""
    acts: Acts = []
    if hands.source_on:
        acts.append(a.SwitchSource(False))
    if hands.switch_held:
        acts.append(a.HoldDoorSwitch(False))
    if hands.thermostat != "off":
        acts.append(a.SetThermostat("off"))
    if hands.disconnect_closed:
        acts.append(a.SetDisconnect(False))
    if not hands.locked:
        acts.append(a.SetLock(True))
    if not hands.tagged:
        acts.append(a.SetTag(True))
    return acts


def make_safe(equipment: Equipment, hands: Hands, supply_side: bool = False) -> Acts:
    """Protection on, lock out, try the controls, prove dead; with `supply_side` the panel breaker goes off first."""
    first = [] if hands.meter_inspected and {"eye_protection", "gloves"} <= hands.worn else protect()
    breaker: Acts = [a.SetBreaker(False)] if supply_side else []
    return [*first, *breaker, *lock_out(hands), *try_controls(hands), *prove_dead(equipment, supply_side)]


def try_controls(hands: Hands) -> Acts:
    """The controls tried on the locked unit: door off, its switch is held in first, or nothing could start anyway."""
    held: Acts = [] if hands.door_on or hands.switch_taped else [a.HoldDoorSwitch(True)]
    return [*held, a.TryControls()]


def energise(hands: Hands) -> Acts:
    """Tag and lock off, disconnect closed, and the door switch held if the door is off."""
    acts: Acts = []
    if hands.tagged:
        acts.append(a.SetTag(False))
    if hands.locked:
        acts.append(a.SetLock(False))
    if not hands.disconnect_closed:
        acts.append(a.SetDisconnect(True))
    if not hands.door_on and not hands.switch_held:
        acts.append(a.HoldDoorSwitch(True))
    return acts


def call_and_hold(hands: Hands, call: a.Call) -> Acts:
    """Set the thermostat, then hold the door switch in if the door is off."""
    acts: Acts = [] if hands.thermostat == call else [a.SetThermostat(call)]
    if not hands.door_on and (acts or not hands.switch_held):
        acts.append(a.HoldDoorSwitch(True))
    return acts


def put_back(hands: Hands) -> Acts:
    """Everything that hands took apart, in order; for a locked, dead unit."""
    acts: Acts = list(lift())
    if hands.clamp:
        acts.append(a.PlaceClamp(""))
    acts += [a.SetJumper(x, y, False) for x, y in sorted(hands.jumpers)]
    acts += [a.LandWire(w) for w in sorted(hands.lifted)]
    if "winding_plug" in hands.parted:
        acts.append(a.PlugIn("winding_plug"))
    if hands.control_open:
        acts.append(a.CloseControl())
    acts += source_off(hands)
    if "control_plug" in hands.parted:
        acts.append(a.PlugIn("control_plug"))
    if "power_plug" in hands.parted or hands.source_fitted:
        acts.append(a.PlugIn("power_plug"))
    return acts


def source_off(hands: Hands) -> Acts:
    """The reference source and its clips off (the power plug comes out for that); for a locked, dead unit."""
    acts: Acts = []
    if hands.source_fitted:
        acts += [] if "power_plug" in hands.parted else [a.Unplug("power_plug")]
        acts.append(a.FitSource(False))
    if hands.source_clipped:
        acts.append(a.ClipSource(False))
    return acts
