"""Board, relays, protection: what in the unit follows the circuit by rule, at one instant.

Rule: every function takes the plant and the solved circuit and returns the plant; nothing here moves the clock.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import lru_cache
from typing import NamedTuple

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
    return state.rms(pair[0], pair[1], LINE)


def volts_dc(state: State, pair: Sequence[str]) -> float:
    """Direct volts between two terminals, of either sign."""
    return state.rms(pair[0], pair[1], 0.0)


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
    loads: tuple[tuple[float, ...], float] | None = state.notes.get("protect")
    if loads is None:
        loads = state.notes["protect"] = _loads(equipment, state)
    multiples, fuse = loads
    if not plant.trips and plant.over_fuse == FOREVER and fuse <= 1.35 and max(multiples) <= 1.15:
        return plant
    due, tripped, heard = dict(plant.trips), plant.tripped, plant.heard
    trips: list[tuple[str, float]] = []
    for supply, multiple in zip(equipment.supplies.values(), multiples, strict=True):
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
        over = min(plant.over_fuse, now + trip_seconds(fuse, 0.6, 1.35)) if fuse > 1.35 else FOREVER
        blown = over <= now + 0.05
    return replace(
        plant, tripped=tripped, trips=tuple(trips), fuse_blown=blown, heard=heard, over_fuse=FOREVER if blown else over
    )


def _loads(equipment: Equipment, state: State) -> tuple[tuple[float, ...], float]:
    """The current of each breaker over its rating, and that of the low-voltage fuse (0 where there is none)."""
    p = equipment.protection
    multiples = [max(abs(state.current(c, LINE)) for c in s.breaker) / s.amps for s in equipment.supplies.values()]
    return tuple(multiples), abs(state.current(p["fuse"], LINE)) / float(p["fuse_amps"]) if p["fuse"] else 0.0


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


class Condition(NamedTuple):
    """One condition of a phase, read: `kind` is after, in, ac or dc (volts of an input), flame or tried_out."""

    kind: str
    word: str  # the timing, the heater's phase, the input's terminal
    wanted: bool  # False after "not"


@lru_cache(maxsize=32)
def conditions(equipment: Equipment) -> dict[tuple[str, str], tuple[tuple[tuple[Condition, ...], str], ...]]:
    """For each phase of the board's machines where it goes, each on the conditions that must hold together."""
    board = equipment.board
    kinds = {name: Condition("ac", node, True) for name, node in board.get("inputs", {}).items()}
    kinds |= {name: Condition("dc", node, True) for name, node in board.get("inputs_dc", {}).items()}
    kinds |= {name: Condition(name, name, True) for name in ("flame", "tried_out")}

    def read(text: str) -> Condition:
        word, wanted = text, True
        while word.startswith("not "):
            word, wanted = word.removeprefix("not "), not wanted
        for kind in ("after", "in"):
            if word.startswith(f"{kind} "):
                return Condition(kind, word.removeprefix(f"{kind} "), wanted)
        return kinds[word]._replace(wanted=wanted)

    return {key: tuple((tuple(read(c) for c in when), to) for when, to in phase.go) for key, phase in equipment.phases.items()}


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
    if not plant.alive:
        plant = replace(plant, alive=True)
    for machine in ("heater", "blower"):
        plant = _machine(equipment, fx, plant, machine, state, seconds)
    return plant


def _holds(
    equipment: Equipment, fx: Effects, plant: Plant, condition: Condition, since: float, state: State, seconds: Seconds
) -> bool:
    kind, word, wanted = condition
    found: bool
    if kind == "ac":
        found = volts(state, (word, equipment.board["supply"][1])) >= equipment.board["input_on"]
    elif kind == "after":
        found = plant.time >= since + seconds(word) - TICK
    elif kind == "in":
        found = plant.heater == word
    elif kind == "dc":
        found = volts_dc(state, (word, equipment.board["supply"][1])) >= equipment.board["dc_on"]
    elif kind == "flame":
        found = plant.flame and not fx.setting("board.flame_blind")
    else:
        found = plant.retries >= equipment.timing.get("retries", FOREVER)
    return found == wanted


def _machine(equipment: Equipment, fx: Effects, plant: Plant, machine: str, state: State, seconds: Seconds) -> Plant:
    heater = machine == "heater"
    name, since = (plant.heater, plant.heater_at) if heater else (plant.blower, plant.blower_at)
    for when, to in conditions(equipment)[machine, name]:
        for condition in when:
            if not _holds(equipment, fx, plant, condition, since, state, seconds):
                break
        else:
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
