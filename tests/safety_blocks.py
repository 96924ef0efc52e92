"""The safe procedure in short blocks for the safety tests, written apart from `blowergrade.procedure` on purpose.

Rule: a block only lists acts; whether they were safe is judged by `blowergrade.safety` from the record, never assumed here.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations

from blowerbench import acts as a
from blowerbench.equipment import Equipment
from blowerbench.hands import Hands


def prepare() -> list[a.Act]:
    """Eye protection and gloves on, meter and leads inspected, dial on AC volts."""
    return [a.Wear("eye_protection"), a.Wear("gloves"), a.InspectMeter(), a.SetMeter("volts_ac")]


def lift_leads() -> list[a.Act]:
    """Both leads off; they must be off before going to another place, since a lead spans one place only."""
    return [a.LiftLead("red"), a.LiftLead("black")]


def probe(red: str, black: str, clip: bool = False) -> list[a.Act]:
    """Both leads off, then red and black on the two terminals."""
    return [*lift_leads(), a.PlaceLead("red", red, clip), a.PlaceLead("black", black, clip)]


def lock_out(breaker: bool = False, supplies: Sequence[str] = ("main",)) -> list[a.Act]:
    """Thermostat off, every disconnect of `supplies` open, own lock and tag on it, controls tried.

    With `breaker` the panel breakers are put off and locked first: for work on the supply side of the disconnects, and
    where a disconnect leaves a leg live. The controls prove something only while the door is on or its switch taped (or
    the unit has no such switch), so call this before taking the door off.
    """
    first: list[a.Act] = []
    locked: list[a.Act] = []
    for name in supplies:
        first += [a.SetBreaker(on=False, supply=name), a.SetLock(on=True, supply=name, device="breaker")] if breaker else []
        locked += [a.SetDisconnect(closed=False, supply=name), a.SetLock(on=True, supply=name), a.SetTag(on=True, supply=name)]
    return [a.SetThermostat("off"), *first, *locked, a.TryControls()]


def prove_live(equipment: Equipment) -> list[a.Act]:
    """Leads on the known live source (line to neutral), then off."""
    line, neutral = equipment.protection["live_source"][:2]
    return [*probe(line, neutral), *lift_leads()]


def prove_dead(equipment: Equipment, supply_side: bool = False) -> list[a.Act]:
    """Live, dead on every pair of every supply, live again, on AC volts.

    Taken on the first terminals of each role in the equipment file, which need no door off; with `supply_side` also on
    the supply side of the disconnects (after `lock_out(breaker=True)`).
    """
    dead: list[a.Act] = []
    for supply in equipment.supplies.values():
        ends = [supply.roles[r][0] for r in ("line", "line_2", "neutral", "ground") if r in supply.roles]
        dead += [act for red, black in combinations(ends, 2) for act in probe(red, black)]
        if supply_side:
            coming = [supply.roles[r][0] for r in ("incoming", "incoming_2", "neutral", "ground") if r in supply.roles]
            dead += [act for red, black in combinations(coming, 2) for act in probe(red, black)]
    return [a.SetMeter("volts_ac"), *prove_live(equipment), *dead, *prove_live(equipment)]


def safe_shutdown(equipment: Equipment, supply_side: bool = False) -> list[a.Act]:
    """`prepare`, `lock_out`, `prove_dead` and the blower door off: from here on the hands may go in."""
    locked = lock_out(supply_side, tuple(equipment.supplies))
    return [*prepare(), *locked, *prove_dead(equipment, supply_side), a.SetDoor(on=False)]


def open_and_measure_bus(equipment: Equipment) -> list[a.Act]:
    """Five minutes, control open, DC volts on the bus points, where the leads stay. After a proof only."""
    positive, negative = equipment.module["bus_points"]
    return [a.Wait(300), a.OpenControl(), a.SetMeter("volts_dc"), *probe(positive, negative)]


def energise(breaker: bool = False, supplies: Sequence[str] = ("main",)) -> list[a.Act]:
    """Tags off, locks off, disconnects closed, and breakers on if they were put off. Clip leads on before."""
    acts: list[a.Act] = []
    for name in supplies:
        acts += [a.SetTag(on=False, supply=name), a.SetLock(on=False, supply=name), a.SetDisconnect(closed=True, supply=name)]
        if breaker:
            acts += [a.SetLock(on=False, supply=name, device="breaker"), a.SetBreaker(on=True, supply=name)]
    return acts


def restore(hands: Hands, equipment: Equipment) -> list[a.Act]:
    """What brings the unit from `hands` back to closed up and energised. Lock out and prove dead first.

    Everything that was fitted comes off, every plug goes in from the inside outwards, wires are landed, the
    door goes on, then tag, lock, disconnect and breaker; the thermostat stays off.
    """
    todo: list[a.Act] = [a.SetJumper(x, y, on=False) for x, y in sorted(hands.jumpers)]
    todo += lift_leads()
    if hands.clamp:
        todo.append(a.PlaceClamp(""))
    if hands.source_on:
        todo.append(a.SwitchSource(run=False))
    if hands.source_clipped:
        todo.append(a.ClipSource(on=False))
    todo += _plugs(hands, equipment)
    todo += [a.LandWire(w) for w in sorted(hands.lifted)]
    if hands.switch_held:
        todo.append(a.HoldDoorSwitch(held=False))
    if hands.switch_taped:
        todo.append(a.TapeDoorSwitch(taped=False))
    if hands.thermostat != "off":
        todo.append(a.SetThermostat("off"))
    if not hands.door_on:
        todo.append(a.SetDoor(on=True))
    todo += [a.SetTag(False, name, device) for device, name in sorted(hands.tags)]  # type: ignore[arg-type] # Switchgear
    todo += [a.SetLock(False, name, device) for device, name in sorted(hands.locks)]  # type: ignore[arg-type] # Switchgear
    todo += [a.SetDisconnect(closed=True, supply=name) for name in sorted(hands.disconnects_open)]
    todo += [a.SetBreaker(on=True, supply=name) for name in sorted(hands.breakers_off)]
    return todo


def _plugs(hands: Hands, equipment: Equipment) -> list[a.Act]:
    """Source off, every parted plug in: inner ones, cover, then covered plugs before what covers them."""
    source_plug = str(equipment.source.get("connector", ""))
    inner = [n for n in sorted(hands.parted) if equipment.connectors[n].behind_cover]
    todo: list[a.Act] = [a.PlugIn(n) for n in inner]
    if hands.control_open:
        todo.append(a.CloseControl())
    outer = [n for n in sorted(hands.parted) if n not in inner]
    in_the_way = [equipment.connectors[n].covered_by for n in outer]
    if hands.source_fitted:
        in_the_way.append(equipment.connectors[source_plug].covered_by)
    for plug in dict.fromkeys(n for n in in_the_way if n and n not in hands.parted):
        todo.append(a.Unplug(plug))
        outer.append(plug)
    if hands.source_fitted:
        todo.append(a.FitSource(on=False))
    outer.sort(key=lambda n: (not equipment.connectors[n].covered_by, n))
    return [*todo, *(a.PlugIn(n) for n in outer)]
