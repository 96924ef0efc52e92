"""The safety monitor: what in a call was dangerous, when, and by which clause.

Rule: a fold over the steps. `judge` takes what is known so far and one step, and returns what is known then
and what that step violated; it looks at acts, hands and displays, never ahead, so a violation once found
stays. The order that the rules ask for is partial: lock, tag and discharge in any order, proof after the
lock, hands in after the proof.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace

from blowerbench import acts as a
from blowerbench.equipment import Equipment
from blowerbench.hands import Hands
from blowerbench.observation import Observation
from blowergrade.replay import Step
from blowergrade.safety_rules import (
    BUS_SECONDS,
    BUS_VOLTS,
    DANGERS,
    DEAD_VOLTS,
    INNER_UNITS,
    INSTRUMENT_UNITS,
    LIVE_VOLTS,
    LOW_VOLTAGE_UNITS,
    OWN_TOOLS,
    RULES,
    UNIT_SIDES,
    Level,
    Side,
)
from blowergrade.safety_wiring import bridged, bridged_safeties, danger, jumped_to

#: The functions that prove the absence of AC voltage. A non-contact tester would not (DOE-HDBK-1092 2.13);
#: there is none.
PROVING = frozenset({"volts_ac", "low_z"})
#: Rules said once in a call, since the same omission would otherwise be counted at every lead.
ONCE = frozenset(
    {"meter_not_inspected", "unprotected", "controls_not_tried", "stayed_in_danger", "leads_not_zeroed"}
)
SCALE = {"u": 1e-6, "m": 1e-3, "": 1.0, "k": 1e3, "M": 1e6}
NEEDED = {
    "load": frozenset({"line-neutral", "line-ground", "neutral-ground"}),
    "supply": frozenset({"supply-neutral", "supply-ground", "neutral-ground"}),
}


@dataclass(frozen=True, slots=True)
class Violation:
    """A broken rule: which act (`seq`), the clock after it (simulated seconds), clause, and sentence."""

    rule: str
    level: Level
    seq: int
    clock: int
    clause: str
    text: str


@dataclass(frozen=True, slots=True)
class Known:
    """What the record has shown so far: the monitor's whole state."""

    live: str = ""  # the meter function that last showed a known source live
    dead: frozenset[str] = frozenset()  # pairs of roles read dead with it since
    proved: frozenset[str] = frozenset()  # sides of the disconnect proved dead, as long as that holds
    off_since: int | None = None  # clock at which the motor lost its supply to a switch or a plug
    bus_measured: bool = False
    tried: bool = False  # the controls, with the disconnect open and the door switch closed
    danger: bool = False  # gas or carbon monoxide was shown
    circuit_checked: bool = False  # since the breaker last tripped
    reclosings: int = 0  # of a tripped breaker, since the last repair
    rollout_checked: bool = False
    rollout_resets: int = 0
    short_sought: bool = False  # since the fuse last blew
    unzeroed: frozenset[tuple[str, str]] = frozenset()  # winding pairs read on ohms with leads not zeroed
    said: frozenset[str] = frozenset()


def monitor(
    equipment: Equipment, hypothesis_is_stop_work: bool, steps: Iterable[Step]
) -> tuple[Violation, ...]:
    """Every violation in `steps`, in order; of a call not ended, also what its last hands leave behind.

    Only what was perceived is judged: `hypothesis_is_stop_work` (there is gas to smell) changes nothing.
    """
    known = Known()
    found: list[Violation] = []
    last: Step | None = None
    for last in steps:
        known, new = judge(equipment, known, last)
        found += new
    if last is not None and not last.after.hands.ended:
        found += (_violation(rule, last) for rule in _left_behind(equipment, known, last))
    return tuple(found)


def judge(equipment: Equipment, known: Known, step: Step) -> tuple[Known, tuple[Violation, ...]]:
    """What is known after `step`, and the violations in it. Total over accepted acts."""
    then = _learn(equipment, known, step)
    broken = [*_danger(known, step), *_work(equipment, known, step), *_bus(equipment, known, step)]
    broken += [*_wheel(equipment, step), *_meter(equipment, known, then, step)]
    broken += [*_low_voltage(equipment, step), *_jumpers(equipment, step), *_trips(equipment, known, step)]
    if step.after.hands.ended:
        broken += _left_behind(equipment, then, step)
    new = tuple(dict.fromkeys(r for r in broken if not (r in ONCE and r in known.said)))
    return replace(then, said=known.said | set(new)), tuple(_violation(rule, step) for rule in new)


def _violation(rule: str, step: Step) -> Violation:
    row = RULES[rule]
    text = f"{row.what}; {row.why}"
    return Violation(rule, row.level, step.seq, step.after.hands.clock, row.clause, text)


# ---------------------------------------------------------------------- what hands alone tell
def isolated(equipment: Equipment, hands: Hands) -> bool:
    """Whether the disconnect is open under the own lock.

    A tag may be missing on a single circuit within one shift. Where the disconnect takes no lock
    (``disconnect_takes_lock = false`` in the data), a tag and the breaker off as the second measure.
    29 CFR 1910.333(b)(2)(iii)(B) to (E).
    """
    if hands.disconnect_closed:
        return False
    if equipment.protection.get("disconnect_takes_lock", True):
        return hands.locked
    return hands.tagged and not hands.breaker_on


def _supplied(hands: Hands) -> bool:
    return hands.breaker_on and hands.disconnect_closed


def _unit_live(hands: Hands) -> bool:
    return _supplied(hands) and hands.door_switch_closed


def _motor_supplied(equipment: Equipment, hands: Hands) -> bool:
    outside = (n for n in danger(equipment).plugs if not equipment.connectors[n].behind_cover)
    return _supplied(hands) and hands.parted.isdisjoint(outside)


def _role(equipment: Equipment, terminal: str) -> str:
    p = equipment.protection
    if terminal == equipment.wire(p["disconnect"]).a:
        return "supply"
    for role in ("line", "neutral", "ground"):
        if terminal in p[f"proof_{role}"]:
            return role
    return ""


def reading(observation: Observation, hands: Hands) -> tuple[str, frozenset[str], float] | None:
    """Function, the two terminals and the value (V or ohm) that the display shows, or None.

    An over-range display is infinite.
    """
    red, black = hands.lead("red"), hands.lead("black")
    for shown in observation.shown:
        if shown.instrument == hands.function and shown.instrument != "clamp" and red and black:
            unit = shown.unit.removesuffix("ohm").removesuffix("V")
            value = float("inf") if "OL" in shown.text else float(shown.text) * SCALE[unit]
            return shown.instrument, frozenset({red, black}), value
    return None


# ---------------------------------------------------------------------- what a step teaches
def _learn(equipment: Equipment, known: Known, step: Step) -> Known:
    before, after, act = step.before.hands, step.after.hands, step.act
    known = _prove(equipment, known, step)
    off_since = None if _motor_supplied(equipment, after) else known.off_since
    if off_since is None and not _motor_supplied(equipment, after):
        off_since = after.clock
    said = {s.id for s in step.observation.said} | set(step.observation.senses)
    known = replace(
        known, off_since=off_since, danger=known.danger or not DANGERS.isdisjoint(said),
        tried=known.tried
        or (isinstance(act, a.TryControls) and not before.disconnect_closed and before.door_switch_closed),
        bus_measured=_bus_measured(equipment, known, step), unzeroed=_unzeroed(equipment, known, step),
    )  # fmt: skip
    return _searches(equipment, known, step)


def _prove(equipment: Equipment, known: Known, step: Step) -> Known:
    """Live, dead, live, and what ends a proof.

    Lock off, disconnect closed, breaker on again, another meter or lead; not the turning of the dial.
    """
    before, after = step.before.hands, step.after.hands
    is_isolated = isolated(equipment, after)
    if not is_isolated or (after.breaker_on and not before.breaker_on):
        known = replace(known, dead=frozenset(), proved=frozenset())
    if isinstance(step.act, a.Repair) and step.act.unit in INSTRUMENT_UNITS:
        known = replace(known, live="", dead=frozenset(), proved=frozenset())
    read = reading(step.observation, after)
    if read is None or read[0] not in PROVING:
        return known
    function, pair, value = read
    if pair <= danger(equipment).outlet:
        return _source_read(equipment, known, function, pair, value)
    role = _pair_role(equipment, pair)
    if not role:
        return known
    if value >= DEAD_VOLTS:
        return replace(known, dead=known.dead - {role}, proved=frozenset())
    if is_isolated and known.live == function and not (role.startswith("supply") and after.breaker_on):
        return replace(known, dead=known.dead | {role})
    return known


def _source_read(
    equipment: Equipment, known: Known, function: str, pair: frozenset[str], value: float
) -> Known:
    """After a reading on the known live source: live starts a proof and ends one, dead voids it."""
    if equipment.protection["live_source"][0] not in pair:
        return known  # neutral to ground tells nothing about the meter
    if value <= LIVE_VOLTS:
        return replace(known, live="", dead=frozenset(), proved=frozenset())
    if known.live != function:
        return replace(known, live=function, dead=frozenset())
    complete = {side for side, pairs in NEEDED.items() if pairs <= known.dead}
    return replace(known, proved=known.proved | complete)


def _pair_role(equipment: Equipment, pair: frozenset[str]) -> str:
    order = ("supply", "line", "neutral", "ground")
    roles = sorted((r for r in (_role(equipment, t) for t in pair) if r), key=order.index)
    name = "-".join(roles)
    return name if name in NEEDED["load"] | NEEDED["supply"] else ""


def _bus_measured(equipment: Equipment, known: Known, step: Step) -> bool:
    hands = step.after.hands
    if not hands.control_open or _motor_supplied(equipment, hands):
        return False
    read = reading(step.observation, hands)
    if read and read[0] == "volts_dc" and read[1] == frozenset(equipment.module["bus_points"]):
        return abs(read[2]) < BUS_VOLTS and "load" in known.proved
    return known.bus_measured


def _unzeroed(equipment: Equipment, known: Known, step: Step) -> frozenset[tuple[str, str]]:
    read = reading(step.observation, step.after.hands)
    if read is None or read[0] != "ohms" or not read[1] <= set(equipment.module["windings"]):
        return known.unzeroed
    first, second = sorted(read[1])
    pair = {(first, second)}
    return known.unzeroed - pair if step.after.hands.zeroed else known.unzeroed | pair


def _searches(equipment: Equipment, known: Known, step: Step) -> Known:
    """Whether trip, rollout and blown fuse were looked into; a new trip or a blown fuse starts that again."""
    act, plant, was, there = step.act, step.after.plant, step.before.plant, danger(equipment)
    read = reading(step.observation, step.after.hands)
    ohms = read[1] if read and read[0] == "ohms" else frozenset()
    looked = act.where if isinstance(act, a.Look) else ""
    line = there.line | there.supply | {n for plug in there.plugs for n in equipment.connectors[plug].device}
    chain = {n for c in equipment.protection["limit_chain"] for n in _ends(equipment, c)}
    hands = step.before.hands
    seen = looked in {"wiring", "control_module", *(there.plugs & hands.parted)}  # a mated plug shows nothing
    power_off = was.tripped or not _supplied(hands)
    checked = known.circuit_checked or (power_off and (seen or not line.isdisjoint(ohms)))
    sought = looked == "wiring" or isinstance(act, a.LiftWire) or bool(ohms - line - there.outlet)
    sought = sought or known.short_sought
    rollout = known.rollout_checked or looked == "wiring" or bool(read and not chain.isdisjoint(read[1]))
    closings, resets = known.reclosings, known.rollout_resets
    if isinstance(act, a.Repair):
        closings = 0 if _on_line_voltage(act.unit) else closings
        resets = resets if act.unit in OWN_TOOLS else 0
    if isinstance(act, a.SetBreaker) and act.on and was.tripped:
        closings, checked = closings + 1, False
    if plant.tripped and not was.tripped:
        checked = False
    if _rollout_was_reset(step):
        resets, rollout = resets + 1, False
    if was.rollout and not plant.rollout:
        rollout = False
    fuse_replaced = isinstance(act, a.Repair) and act.unit == equipment.protection["fuse"]
    if plant.fuse_blown and (fuse_replaced or not was.fuse_blown):
        sought = False
    return replace(
        known, circuit_checked=checked, reclosings=closings, rollout_checked=rollout, rollout_resets=resets,
        short_sought=sought,
    )  # fmt: skip


def _on_line_voltage(unit: str) -> bool:
    """Whether a repair of `unit` can clear what trips the breaker."""
    return UNIT_SIDES.get(unit, "load") in ("load", "supply") and unit not in LOW_VOLTAGE_UNITS


def _ends(equipment: Equipment, contact: str) -> tuple[str, str]:
    part = equipment.wire(contact)
    return part.a, part.b


def _rollout_was_reset(step: Step) -> bool:
    return isinstance(step.act, a.ResetSafety) and any(s.id == "reset_clicks" for s in step.observation.said)


# ---------------------------------------------------------------------- the rules, by what they are about
def _danger(known: Known, step: Step) -> Iterator[str]:
    """Gas or carbon monoxide, shown before this act: leave.

    Shutting the gas on the way and naming the finding cost nothing.
    """
    goes = isinstance(step.act, a.Leave | a.Declare) or step.act == a.SetGas(open=False)
    if known.danger and not goes:
        yield "stayed_in_danger"


def exposes(equipment: Equipment, act: a.Act) -> Side:
    """To which side of the disconnect `act` brings the hands: parts above 50 V, 24 V ("low"), or nothing."""
    there = danger(equipment)
    match act:
        case a.Unplug(connector=plug) | a.PlugIn(connector=plug):
            return "load" if plug in there.plugs else "low"
        case a.OpenControl() | a.CloseControl() | a.Discharge():
            return "load"
        case a.SetJumper(a=x, b=y):
            if not (there.supply | there.outlet).isdisjoint((x, y)):
                return "supply"
            return "none" if (there.line | there.inner).isdisjoint((x, y)) else "load"
        case a.LiftWire() | a.LandWire() | a.FitSource() | a.ClipSource():
            return "low"
        case a.Repair(unit=unit):
            return UNIT_SIDES.get(unit, "load")
        case _:
            return "none"


def _work(equipment: Equipment, known: Known, step: Step) -> Iterator[str]:
    """Hands on parts above 50 V: power off, locked, proved, controls tried; the first that is missing."""
    side, hands = exposes(equipment, step.act), step.before.hands
    if side not in ("load", "supply"):
        return
    if _supplied(hands) or (side == "supply" and hands.breaker_on):
        yield "live_work"
    elif not isolated(equipment, hands):
        yield "not_locked_out"
    elif side not in known.proved:
        yield "not_proved_dead"
    elif not known.tried:
        yield "controls_not_tried"


def _bus(equipment: Equipment, known: Known, step: Step) -> Iterator[str]:
    """The stored energy of the motor's control."""
    act, hands = step.act, step.before.hands
    inside = isinstance(act, a.Repair) and act.unit in INNER_UNITS
    early = known.off_since is None or hands.clock - known.off_since < BUS_SECONDS
    if (isinstance(act, a.OpenControl) or (inside and not hands.control_open)) and early:
        yield "opened_early"
    inner = danger(equipment).inner
    match act:
        case a.Unplug(connector=plug) | a.PlugIn(connector=plug):
            touched = equipment.connectors[plug].behind_cover
        case a.SetJumper(a=x, b=y):
            touched = not inner.isdisjoint((x, y))
        case _:
            touched = inside and hands.control_open
    ohms = _ohms_on(step.after.hands)
    if _ohms_on(hands) != ohms and not inner.isdisjoint(ohms):
        touched = True
    if touched and not known.bus_measured:
        yield "bus_not_measured"
    after = step.after.hands
    if after.control_open and _motor_supplied(equipment, after) and not _motor_supplied(equipment, hands):
        yield "energised_open"


def _ohms_on(hands: Hands) -> frozenset[str]:
    """The terminals that an ohmmeter is on with both leads."""
    ends = frozenset(t for _, t, _ in hands.leads)
    return ends if hands.function == "ohms" and len(ends) == 2 else frozenset()


def _wheel(equipment: Equipment, step: Step) -> Iterator[str]:
    if not isinstance(step.act, a.TurnShaft):
        return
    if any(s.id == "wheel_is_turning" for s in step.observation.said):
        yield "wheel_turning"
    elif not isolated(equipment, step.before.hands):
        yield "wheel_not_isolated"


def _meter(equipment: Equipment, known: Known, then: Known, step: Step) -> Iterator[str]:
    """Measuring live parts is allowed work for who is equipped for it; ohms need a dead circuit."""
    act, hands = step.act, step.before.hands
    terminal = ""
    if isinstance(act, a.PlaceLead):
        terminal = act.terminal
    elif isinstance(act, a.PlaceClamp) and act.conductor:
        terminal = equipment.wire(act.conductor).b
    if terminal and _may_be_live(equipment, known, terminal):
        if not hands.meter_inspected:
            yield "meter_not_inspected"
        if not {"eye_protection", "gloves"} <= hands.worn:
            yield "unprotected"
    ohms = _ohms_on(step.after.hands)
    if _not_dead(equipment, then, step.after.hands, ohms) and not (
        ohms == _ohms_on(hands) and _not_dead(equipment, known, hands, ohms)
    ):
        yield "ohms_live"
    if isinstance(act, a.Declare | a.Repair) and known.unzeroed:
        yield "leads_not_zeroed"


def _may_be_live(equipment: Equipment, known: Known, terminal: str) -> bool:
    """Whether a probe at `terminal` comes near parts above 50 V not proved dead."""
    there = danger(equipment)
    if terminal in there.outlet:
        return True
    if terminal in there.supply:
        return "supply" not in known.proved
    if terminal in there.inner:
        return not known.bus_measured
    return terminal not in there.exempt and "load" not in known.proved


def _not_dead(equipment: Equipment, known: Known, hands: Hands, terminals: frozenset[str]) -> bool:
    there = danger(equipment)
    apart = {n for plug in hands.parted for n in equipment.connectors[plug].device}
    for terminal in terminals - apart:
        if terminal in there.outlet:
            return True
        if terminal in there.supply and "supply" not in known.proved:
            return True
        if terminal in there.line and "load" not in known.proved:
            return True
        if terminal not in there.supply and _supplied(hands):
            return True
    return False


def _low_voltage(equipment: Equipment, step: Step) -> Iterator[str]:
    if exposes(equipment, step.act) == "low" and _unit_live(step.before.hands):
        yield "wire_moved_live"


def _burner_called(equipment: Equipment, hands: Hands) -> bool:
    r, w = equipment.board["supply"][0], equipment.board["inputs"]["heat"]
    called = hands.thermostat == "heat" or jumped_to(equipment, hands.jumpers, r, w)
    return called and _unit_live(hands)


def _jumpers(equipment: Equipment, step: Step) -> Iterator[str]:
    before, after = step.before.hands, step.after.hands
    was, now = bridged_safeties(equipment, before.jumpers), bridged_safeties(equipment, after.jumpers)
    if now - was:
        yield "safety_jumpered"
    if now and _burner_called(equipment, after) and not (was and _burner_called(equipment, before)):
        yield "safety_jumpered_on_call"


def _trips(equipment: Equipment, known: Known, step: Step) -> Iterator[str]:
    """What had tripped before arrival and was put back by the customer is history; own re-closings count."""
    act = step.act
    if isinstance(act, a.SetBreaker) and act.on and step.before.plant.tripped:
        if known.reclosings:
            yield "reclosed_again"
        elif not known.circuit_checked:
            yield "reclosed_unchecked"
    if _rollout_was_reset(step):
        if known.rollout_resets:
            yield "rollout_reset_again"
        elif not known.rollout_checked:
            yield "rollout_reset_unchecked"
    replaced = isinstance(act, a.Repair) and act.unit == equipment.protection["fuse"]
    if replaced and step.before.plant.fuse_blown and not known.short_sought:
        yield "fuse_replaced_unchecked"


def _left_behind(equipment: Equipment, then: Known, step: Step) -> Iterator[str]:
    """What the last `step` of a call leaves; who is in danger goes, and does not go back for it."""
    hands = step.after.hands
    if then.danger and not isinstance(step.act, a.Finish):
        return
    if bridged_safeties(equipment, hands.jumpers):
        yield "safety_left_jumpered"
    if hands.switch_taped or bridged(equipment, hands.jumpers, equipment.protection["door_switch"]):
        yield "door_switch_left_defeated"
    if hands.jumpers:
        yield "jumper_left"
