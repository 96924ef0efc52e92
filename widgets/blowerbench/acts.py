"""What a learner can do: one small frozen type per act, and how long each takes.

Rule: an act says what hands did, in language-neutral words; it never says whether that was wise.
The durations are ours (one table, whole simulated seconds): they move the clock and are the act's cost.
"""

from __future__ import annotations

from typing import Literal

import msgspec

Call = Literal["off", "fan", "heat", "cool"]
Function = Literal["off", "volts_ac", "volts_dc", "low_z", "ohms", "farads", "clamp"]
Lead = Literal["red", "black"]
Hose = Literal["high", "low"]
Probe = Literal["first", "second"]
Adapter = Literal["ac", "dc", "serial"]
Switchgear = Literal["disconnect", "breaker"]
Item = Literal["eye_protection", "gloves"]
Danger = Literal["gas_smell", "co_alarm", "other"]


class Act(msgspec.Struct, frozen=True, tag_field="do", forbid_unknown_fields=True):
    """Something the learner does."""


class Look(Act, frozen=True, tag="look"):
    """Look closely at a place: around, panel, one of the unit's own places (filter, wiring, ...), or a connector's name."""

    where: str = "around"


class ReadStatus(Act, frozen=True, tag="read_status"):
    """Read the control board's status through the sight glass."""


class Wear(Act, frozen=True, tag="wear"):
    """Put an item of protection on or take it off."""

    item: Item
    on: bool = True


class SetBreaker(Act, frozen=True, tag="set_breaker"):
    """Put the breaker of a supply on or off; on goes through a full off first, as a breaker must be reset."""

    on: bool
    supply: str = "main"


class SetDisconnect(Act, frozen=True, tag="set_disconnect"):
    """Close or open the disconnect of a supply at the unit."""

    closed: bool
    supply: str = "main"


class SetLock(Act, frozen=True, tag="set_lock"):
    """Put the own lock on an open disconnect or a breaker that is off, or take it off."""

    on: bool
    supply: str = "main"
    device: Switchgear = "disconnect"


class SetTag(Act, frozen=True, tag="set_tag"):
    """Hang the own tag on a disconnect or breaker, or take it off."""

    on: bool
    supply: str = "main"
    device: Switchgear = "disconnect"


class SetSelector(Act, frozen=True, tag="set_selector"):
    """Set one of the board's switches (airflow selection)."""

    selector: str
    closed: bool


class TryControls(Act, frozen=True, tag="try_controls"):
    """Call at the thermostat for what runs the blower, watch whether anything starts, and set it to off."""


class SetDoor(Act, frozen=True, tag="set_door"):
    """Put the blower door on or take it off."""

    on: bool


class HoldDoorSwitch(Act, frozen=True, tag="hold_door_switch"):
    """Hold the door switch in by hand, or let go. It ends when the learner leaves the compartment."""

    held: bool


class TapeDoorSwitch(Act, frozen=True, tag="tape_door_switch"):
    """Tape the door switch in, or take the tape off."""

    taped: bool


class SetThermostat(Act, frozen=True, tag="set_thermostat"):
    """Set the thermostat so that it calls for fan, heat or cooling, or for nothing."""

    call: Call


class InspectMeter(Act, frozen=True, tag="inspect_meter"):
    """Look over meter and leads: rating, insulation, tips, battery."""


class SetMeter(Act, frozen=True, tag="set_meter"):
    """Turn the meter's dial."""

    function: Function


class ZeroLeads(Act, frozen=True, tag="zero_leads"):
    """Touch the leads together on ohms and set the display relative to that."""


class PlaceLead(Act, frozen=True, tag="place_lead"):
    """Put one lead on a terminal; `clip` leaves it there hands-off, otherwise it is held by hand."""

    lead: Lead
    terminal: str
    clip: bool = False


class LiftLead(Act, frozen=True, tag="lift_lead"):
    """Take one lead off."""

    lead: Lead


class ReadMeter(Act, frozen=True, tag="read_meter"):
    """Look at the display again without touching anything."""


class PlaceClamp(Act, frozen=True, tag="place_clamp"):
    """Close the clamp around one conductor, or (empty name) take it off."""

    conductor: str


class OpenPort(Act, frozen=True, tag="open_port"):
    """Take the plug out of a test port (drilling it where there is none yet: know what lies behind)."""

    port: str


class PlugPort(Act, frozen=True, tag="plug_port"):
    """Close a test port with its plug."""

    port: str


class PlaceHose(Act, frozen=True, tag="place_hose"):
    """Put one hose of the manometer into an open port; an empty name leaves it open to the room."""

    hose: Hose
    port: str


class PlaceProbe(Act, frozen=True, tag="place_probe"):
    """Put one probe of the thermometer into an open port; an empty name takes it out."""

    probe: Probe
    port: str


class Wiggle(Act, frozen=True, tag="wiggle"):
    """Move a connector or the wires at a place with an insulated stick, and watch."""

    where: str


class Warm(Act, frozen=True, tag="warm"):
    """Warm a connector or a place with a hot-air gun for a while, and watch."""

    where: str


class Unplug(Act, frozen=True, tag="unplug"):
    """Release the latch and part a connector."""

    connector: str


class PlugIn(Act, frozen=True, tag="plug_in"):
    """Mate a connector until its latch clicks."""

    connector: str


class LiftWire(Act, frozen=True, tag="lift_wire"):
    """Take a 24 V wire off its terminal."""

    wire: str


class LandWire(Act, frozen=True, tag="land_wire"):
    """Put a 24 V wire back on its terminal."""

    wire: str


class SetJumper(Act, frozen=True, tag="set_jumper"):
    """Put a test jumper between two terminals, or take it off."""

    a: str
    b: str
    on: bool = True


class Wait(Act, frozen=True, tag="wait"):
    """Wait for whole simulated seconds (1 to 3600)."""

    seconds: int


class TurnShaft(Act, frozen=True, tag="turn_shaft"):
    """Turn the blower wheel by hand."""


class FitSource(Act, frozen=True, tag="fit_source"):
    """Fit the reference source, with one of its adapters, on the motor in place of its control harness, or take it off."""

    on: bool
    adapter: Adapter = "ac"


class ClipSource(Act, frozen=True, tag="clip_source"):
    """Put the reference source's two clips on R and C of the board, or take them off."""

    on: bool


class SwitchSource(Act, frozen=True, tag="switch_source"):
    """Give the run command from the reference source, or end it."""

    run: bool


class OpenControl(Act, frozen=True, tag="open_control"):
    """Unscrew and open the control module."""


class CloseControl(Act, frozen=True, tag="close_control"):
    """Close the control module."""


class Discharge(Act, frozen=True, tag="discharge"):
    """Hold a rated resistor with insulated probes across the bus test points, or across the run capacitor."""

    part: Literal["bus", "capacitor"] = "bus"


class ResetSafety(Act, frozen=True, tag="reset_safety"):
    """Press the manual reset of a safety."""

    safety: str = "rollout"


class SetGas(Act, frozen=True, tag="set_gas"):
    """Open or shut the gas valve at the unit."""

    open: bool


class Leave(Act, frozen=True, tag="leave"):
    """Stop work, leave the building and report; ends the call."""

    report: Danger


class Repair(Act, frozen=True, tag="repair"):
    """Repair or replace one correction unit."""

    unit: str


class Declare(Act, frozen=True, tag="declare"):
    """State the diagnosis: one or more correction units, or no_fault_found."""

    units: tuple[str, ...]


class WriteUp(Act, frozen=True, tag="write_up"):
    """The written report. `readings` are texts such as ``R to C 25.4 V``."""

    complaint: str
    readings: tuple[str, ...]
    cause: str
    correction: str
    why: str = ""
    customer: str = ""


class Finish(Act, frozen=True, tag="finish"):
    """Hand the unit back; ends the call."""


AnyAct = (
    Look | ReadStatus | Wear | SetBreaker | SetDisconnect | SetLock | SetTag | TryControls | SetDoor | HoldDoorSwitch
    | TapeDoorSwitch | SetThermostat | InspectMeter | SetMeter | ZeroLeads | PlaceLead | LiftLead | ReadMeter
    | PlaceClamp | Unplug | PlugIn | LiftWire | LandWire | SetJumper | Wait | TurnShaft | FitSource | ClipSource
    | SwitchSource | OpenControl | CloseControl | Discharge | ResetSafety | SetGas | Leave | Repair | Declare | WriteUp
    | Finish | SetSelector | OpenPort | PlugPort | PlaceHose | PlaceProbe | Wiggle | Warm
)

DURATION: dict[type[Act], int] = {
    Look: 15, ReadStatus: 10, Wear: 5, SetBreaker: 40, SetDisconnect: 10, SetLock: 10, SetTag: 5, TryControls: 30,
    SetDoor: 20, HoldDoorSwitch: 2, TapeDoorSwitch: 10, SetThermostat: 20, InspectMeter: 30, SetMeter: 2, ZeroLeads: 8,
    PlaceLead: 6, LiftLead: 2, ReadMeter: 2, PlaceClamp: 8, Unplug: 15, PlugIn: 15, LiftWire: 20, LandWire: 20,
    SetJumper: 10, TurnShaft: 10, FitSource: 20, ClipSource: 15, SwitchSource: 8, OpenControl: 120, CloseControl: 120,
    Discharge: 15, ResetSafety: 10, SetGas: 15, Leave: 60, Declare: 0, WriteUp: 180, Finish: 0,
    SetSelector: 15, OpenPort: 30, PlugPort: 10, PlaceHose: 8, PlaceProbe: 8, Wiggle: 20, Warm: 90,
}  # fmt: skip


def duration(act: Act, repair_minutes: int = 30) -> int:
    """Whole simulated seconds that `act` takes; a wait takes what it says, a repair its unit's minutes."""
    if isinstance(act, Wait):
        return act.seconds
    if isinstance(act, Repair):
        return 60 * repair_minutes
    return DURATION[type(act)]


def decode(data: bytes | str) -> AnyAct:
    """The act written in JSON `data`; raises `msgspec.ValidationError` on anything else."""
    act: AnyAct = msgspec.json.decode(data, type=AnyAct)
    return act


def encode(act: Act) -> bytes:
    """`act` as JSON."""
    return msgspec.json.encode(act)
