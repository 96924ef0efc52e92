"""Board, relays, protection: what in the unit follows the circuit by rule, at one instant.

Rule: every function takes the plant and the solved circuit and returns the plant; nothing here moves the clock.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from functools import lru_cache

from msgspec.structs import replace

from blowerbench.circuit import State
from blowerbench.equipment import Equipment, Sound
from blowerbench.faults import Effects
from blowerbench.plant import FOREVER, LINE, Plant

Seconds = Callable[[str], float]
TICK = 1e-9
HOT, COOLED = 40.0, 38.0  # degC of the plenum that stir a fault that comes with heat, and that end it
WAKE = 0.5  # seconds until a board that gets its volts is awake
TOO_MANY = 60.0  # volts on a 24 V supply or input that kill what hangs on it


def volts(state: State, pair: Sequence[str]) -> float:
    """Rms volts at line frequency between two terminals."""
    return abs(state.voltage(pair[0], pair[1], LINE))


def volts_dc(state: State, pair: Sequence[str]) -> float:
    """Direct volts between two terminals, of either sign."""
    return abs(state.voltage(pair[0], pair[1], 0.0))


def trip_seconds(multiple: float, constant: float, never_below: float) -> float:
    """Seconds until an inverse-time device opens at `multiple` of its rating: constant/(m² − 1), at once above 8 ×.

    The constants are ours (a thermal-magnetic breaker, a small blade fuse); FOREVER below `never_below`.
    """
    if multiple <= never_below:
        return FOREVER
    return 0.0 if multiple >= 8.0 else constant / (multiple * multiple - 1.0)


def protect(equipment: Equipment, plant: Plant, state: State) -> Plant:
    """Breakers and the low-voltage fuse, each by its curve."""
    p, now = equipment.protection, plant.time
    due, tripped, heard = dict(plant.trips), plant.tripped, plant.heard
    trips: list[tuple[str, float]] = []
    for supply in equipment.supplies.values():
        multiple = max(abs(state.current(c, LINE)) for c in supply.breaker) / supply.amps
        if supply.name in tripped or multiple <= 1.15:
            continue
        when = min(due.get(supply.name, FOREVER), now + trip_seconds(multiple, 40.0, 1.15))
        if when <= now + 0.05:
            tripped |= {supply.name}
            heard |= {"breaker_tripped"}
        else:
            trips.append((supply.name, when))
    over, blown = FOREVER, plant.fuse_blown
    if p["fuse"] and not blown:
        fuse = abs(state.current(p["fuse"], LINE)) / float(p["fuse_amps"])
        over = min(plant.over_fuse, now + trip_seconds(fuse, 0.6, 1.35)) if fuse > 1.35 else FOREVER
        blown = over <= now + 0.05
    return replace(
        plant, tripped=tripped, trips=tuple(trips), fuse_blown=blown, heard=heard, over_fuse=FOREVER if blown else over
    )


@lru_cache(maxsize=256)
def _between(equipment: Equipment, a: str, b: str) -> frozenset[str]:
    """The two-ended parts that join `a` and `b` directly."""
    parts = equipment.network.branches
    return frozenset(p.name for p in parts if {p.a, p.b} == {a, b})


def relays(equipment: Equipment, fx: Effects, plant: Plant, state: State) -> Plant:
    """Coils that ask for the other position, and contacts that have followed after their delay."""
    if not equipment.relays:
        return plant
    asking, pulled = dict(plant.coils), plant.pulled
    coils: list[tuple[str, float]] = []
    for relay in equipment.relays:
        is_in = relay.name in pulled
        broken = not fx.opened.isdisjoint(_between(equipment, *relay.coil))  # full volts stand across an open coil
        wants = not broken and volts(state, relay.coil) >= (relay.drop_out if is_in else relay.pull_in)
        if wants == is_in:
            continue
        since = asking.get(relay.name, plant.time)
        if plant.time >= since + (relay.off_delay if is_in else relay.on_delay) - TICK:
            pulled = pulled - {relay.name} if is_in else pulled | {relay.name}
        else:
            coils.append((relay.name, since))
    return replace(plant, pulled=pulled, coils=tuple(coils))


def sounds(equipment: Equipment, fx: Effects, state: State, sound: Sound) -> bool:
    """Whether `sound` is heard: its volts stand there and what they stand across is whole."""
    return volts(state, sound.across) >= sound.on and fx.opened.isdisjoint(_between(equipment, *sound.across))


def _facts(equipment: Equipment, fx: Effects, plant: Plant, state: State) -> dict[str, bool]:
    board = equipment.board
    common, on = board["supply"][1], board["input_on"]
    facts = {name: volts(state, (node, common)) >= on for name, node in board["inputs"].items()}
    facts |= {name: volts_dc(state, (node, common)) >= board["dc_on"] for name, node in board.get("inputs_dc", {}).items()}
    facts["flame"] = plant.flame and not fx.setting("board.flame_blind")
    facts["tried_out"] = plant.retries >= equipment.timing.get("retries", FOREVER)
    return facts


def board(equipment: Equipment, fx: Effects, plant: Plant, state: State, seconds: Seconds) -> Plant:
    """The board: dead or alive by its supply, then one step of each of its machines."""
    table = equipment.board
    if not table:
        return plant
    on = volts(state, table["supply"])
    supplied = on >= (table["drop_out"] if plant.alive else table["pull_in"])
    burnt = plant.burnt | {"board"} if on > TOO_MANY else plant.burnt
    since = min(plant.supplied_at, plant.time) if supplied else FOREVER
    plant = replace(plant, supplied_at=since, burnt=burnt)
    if plant.time < since + WAKE - TICK or fx.setting("board.dead") or "board" in burnt:
        off = plant.time
        if not plant.alive and (plant.heater, plant.blower) == ("off", "still"):
            return plant
        return replace(plant, alive=False, heater="off", blower="still", heater_at=off, blower_at=off, retries=0)
    facts = _facts(equipment, fx, plant, state)
    plant = replace(plant, alive=True)
    for machine in ("heater", "blower"):
        plant = _machine(equipment, plant, machine, facts, seconds)
    return plant


def _holds(plant: Plant, condition: str, since: float, facts: Mapping[str, bool], seconds: Seconds) -> bool:
    if condition.startswith("after "):
        return plant.time >= since + seconds(condition) - TICK
    if condition.startswith("not "):
        return not _holds(plant, condition.removeprefix("not "), since, facts, seconds)
    if condition.startswith("in "):
        return plant.heater == condition.removeprefix("in ")
    return facts[condition]


def _machine(equipment: Equipment, plant: Plant, machine: str, facts: Mapping[str, bool], seconds: Seconds) -> Plant:
    heater = machine == "heater"
    name, since = (plant.heater, plant.heater_at) if heater else (plant.blower, plant.blower_at)
    for when, to in equipment.phases[machine, name].go:
        if all(_holds(plant, c, since, facts, seconds) for c in when):
            if not heater:
                return replace(plant, blower=to, blower_at=plant.time)
            phase = equipment.phases[machine, to]
            retries = 0 if phase.resets or to == "off" else plant.retries + phase.counts
            return replace(plant, heater=to, heater_at=plant.time, retries=retries)
    return plant


def intermittent(equipment: Equipment, fx: Effects, plant: Plant) -> Plant:
    """Whether a fault that comes and goes is there now."""
    when = fx.when
    if when is None:
        return plant
    now = plant.time
    stirred = {
        "powered": plant.alive or (not equipment.board and plant.flux + plant.bus > 0.0),
        "running": plant.motor in ("running", "starting"),
        "hot": plant.plenum >= (HOT if plant.stirred_at == FOREVER else COOLED) - 1e-6,
    }[when.by]
    stirred_at = min(plant.stirred_at, now) if stirred else FOREVER
    rest_at = FOREVER if stirred else min(plant.rest_at, now)
    present = plant.present
    if present and now >= rest_at + when.rest - TICK:
        present = False
    elif not present and now >= stirred_at + when.after - TICK:
        present = True
    return replace(plant, present=present, stirred_at=stirred_at, rest_at=rest_at)


def is_present(plant: Plant) -> bool:
    """Whether a fault that comes and goes is there, by itself or because a hand keeps it there."""
    return plant.present or plant.time < plant.kept - TICK
