"""What a careful person would do next, worked out from a record so far: the taught procedure read along the record's acts.

Rule: a plan sees acts and observations only, never the fault, so it is right for every fault that is still possible. It is
played anew over the record each time it is asked: where the learner did what it asks, it takes the observation from the record;
where the record ends, the act that it asks next is the advice. A learner who goes another way starts a new plan from there.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Any, cast

from msgspec.structs import replace

from blowerbench import acts as a
from blowerbench.bench import LocalBench
from blowerbench.equipment import Equipment
from blowerbench.faults import NO_FAULT, Catalogue, Hypothesis
from blowerbench.hands import Hands, decide, evolve
from blowerbench.observation import Observation
from blowerbench.record import Line
from blowergrade import procedure as p
from blowergrade.evidence import Evidence
from blowergrade.path import Table, Test, mode_of
from blowergrade.safety import NOT_CIRCUIT, isolated
from blowergrade.technicians import Known, Technician

#: Dangers that end a call at once when they are perceived, with what is reported.
LEAVE: tuple[tuple[str, a.Danger], ...] = (("smell_of_gas", "gas_smell"), ("co_alarm", "co_alarm"))


class Asked(Exception):  # noqa: N818 - it is no error: the plan has come to the end of the record
    """Raised where the record ends: `act` is what the plan asks next."""

    def __init__(self, act: a.Act) -> None:
        super().__init__(str(act))
        self.act = act


class Strayed(Exception):  # noqa: N818 - it is no error: the learner went another way
    """Raised where the record holds another act than the plan asks."""


@dataclass(slots=True)
class Tape:
    """A record being read: lines, and for each number of acts the hands, what was possible, whether it was proved dead.

    `vague` says whether the last act decided nothing under some cause, since the unit would cycle there; `tripped` whether a
    breaker would stand tripped under some cause that is still possible.
    """

    equipment: Equipment
    catalogue: Catalogue
    complaint: str
    arrival: Observation
    lines: list[Line] = field(default_factory=list)
    hands: list[Hands] = field(default_factory=list)
    alive: list[tuple[Hypothesis, ...]] = field(default_factory=list)
    proved: list[bool] = field(default_factory=list)
    vague: list[bool] = field(default_factory=list)
    tripped: list[bool] = field(default_factory=list)
    at: int = 0

    @property
    def last(self) -> Observation:
        """What was perceived last."""
        return self.lines[self.at - 1].observation if self.at else self.arrival

    def corrections(self, at: int) -> frozenset[tuple[str, ...]]:
        """The correction units that what was possible after `at` acts lies in."""
        return frozenset(self.catalogue.corrections(h) for h in self.alive[at])


@dataclass(frozen=True, slots=True)
class _Left:
    """The evidence of a tape as a technician asks it."""

    tape: Tape
    catalogue: Catalogue

    @property
    def alive(self) -> tuple[Hypothesis, ...]:
        return self.tape.alive[self.tape.at]

    @property
    def entailed(self) -> bool:
        return len(self.tape.corrections(self.tape.at)) == 1

    def correction(self, hypothesis: Hypothesis) -> str:
        return "+".join(self.catalogue.corrections(hypothesis))

    def mass(self, units: Iterable[str]) -> int:
        wanted = frozenset(units)
        return sum(self.catalogue.weight(h) for h in self.alive if self.correction(h) in wanted)


@dataclass(frozen=True, slots=True)
class _Read:
    """A tape as a technician's bench: the lines read so far, and what was perceived last."""

    tape: Tape

    @property
    def lines(self) -> list[Line]:
        return self.tape.lines[: self.tape.at]

    @property
    def last(self) -> Observation:
        return self.tape.last


class Plan(Technician):
    """The taught procedure along a tape from act number `start` on.

    With a `table` its best question comes first, as long as it tells something; what is left then is asked in the taught order.
    `stage` says what the plan is at: leave, search, safe, declare, repair, verify, write_up, finish, stuck.
    """

    def __init__(self, tape: Tape, start: int, table: Table | None = None) -> None:
        self.tape, self.table, self.start = tape, table, start
        self.bench = cast(LocalBench, _Read(tape))
        self.evidence = cast(Evidence, _Left(tape, tape.catalogue))
        self.equipment = tape.equipment
        self.readings: list[str] = []
        self.searching, self.runs, self.never_stops = True, True, False
        self.cycles = any(tape.vague[: start + 1])
        self.stage = "search"
        self.asking: tuple[a.Act, ...] = ()  # the question that the plan is at, its set-up apart
        self.question: Test | None = None  # the same where it is one of the table
        self.skipped = False
        tape.at = 0
        for line in tape.lines[:start]:
            tape.at += 1
            self.note(line.act, line.observation)
        self.known = _asked_before(tape, start)

    def next(self) -> a.Act | None:
        """The act asked next, or None when nothing is left to do; raises `Strayed` where the record leaves the plan."""
        try:
            self.work()
        except Asked as asked:
            return asked.act
        return None

    # ------------------------------------------------------------------ along the tape
    @property
    def hands(self) -> Hands:
        return self.tape.hands[self.tape.at]

    def do(self, acts: Iterable[a.Act]) -> Observation:
        tape = self.tape
        for act in acts:
            if self._needless(act):
                continue
            if isinstance(act, a.SetBreaker) and act.on and self._unchecked():
                self._look_into()
            while tape.at < len(tape.lines) and not _same(act, tape.lines[tape.at].act) and _beside(tape):
                tape.at += 1
            if tape.at == len(tape.lines):
                raise Asked(act)
            if not _same(act, tape.lines[tape.at].act):
                raise Strayed
            tape.at += 1
            self.note(act, tape.last)
            self._flee()
        return tape.last

    def _unchecked(self) -> bool:
        """Whether a breaker may stand tripped whose circuit nobody has looked into since."""
        tape, k = self.tape, self.tape.at
        while k and tape.tripped[k]:
            act = tape.lines[k - 1].act
            if isinstance(act, a.SetBreaker) and act.on:
                break
            if isinstance(act, a.Look) and act.where in self._circuit:
                return False
            k -= 1
        return tape.tripped[tape.at]

    @property
    def _circuit(self) -> tuple[str, ...]:
        """Places behind the door that show something of the unit's circuit."""
        return tuple(n for n, inside in self.equipment.places.items() if inside and n not in NOT_CIRCUIT)

    def _look_into(self) -> None:
        """Look into the circuit of a tripped breaker before it is put back, the door off for that."""
        on = self.hands.door_on
        self.do([a.SetDoor(False), *(a.Look(n) for n in self._circuit[:1])])
        self.do([a.SetDoor(True)] if on else [])

    def _flee(self) -> None:
        """Gas or carbon monoxide perceived: whatever the plan was at, it is to leave now."""
        if self.stage == "leave" or self.hands.ended:
            return
        for danger, report in LEAVE:
            if danger in self.tape.last.senses:
                self.stage, self.asking = "leave", ()
                self.do([a.Leave(report)])
                raise Known

    def _needless(self, act: a.Act) -> bool:
        """Whether hands can't do `act`, or it would change nothing that it is meant to change."""
        hands = self.hands
        if decide(self.equipment, hands, act) is not None:
            return True
        match act:
            case a.LiftLead(lead=lead):
                return not hands.lead(lead)
            case a.InspectMeter():
                return hands.meter_inspected
            case a.PlaceClamp(conductor=""):
                return not hands.clamp
            case a.ClipSource(on=on):
                return hands.source_clipped == on
            case (
                a.SetDisconnect()
                | a.SetLock()
                | a.SetTag()
                | a.Wear()
                | a.SetMeter()
                | a.SetThermostat()
                | a.SetGas()
                | (
                    a.HoldDoorSwitch()
                    | a.TapeDoorSwitch()
                    | a.PlaceHose()
                    | a.PlaceProbe()
                    | a.SwitchSource()
                    | a.SetSelector()
                )
            ):
                return _still(evolve(self.equipment, hands, act)) == _still(hands)
            case _:
                return False

    # ------------------------------------------------------------------ questions
    def test(self, acts: Iterable[a.Act]) -> Observation:
        asked = tuple(acts)
        self.asking, self.question = asked, None
        if self._asked_already(asked):
            self.skipped = True
        else:
            self.do(asked)
        self.asking = ()
        self.cycles = self.cycles or self.tape.vague[self.tape.at]
        if self.searching and self.evidence.entailed:
            raise Known
        return self.tape.last

    def _asked_already(self, acts: Sequence[a.Act]) -> bool:
        """Whether the learner asked just this before the plan began; a unit that comes and goes may answer otherwise now."""
        if not acts or not self.known or any(self.tape.catalogue.faults[h.fault].when for h in self.evidence.alive):
            return False
        hands = self.hands
        for act in acts:
            if decide(self.equipment, hands, act) is None:
                hands = evolve(self.equipment, hands, act)
        return _asked_as(self.equipment, acts[-1], hands) in self.known

    def safe(self, supply_side: bool = False) -> None:
        before, self.stage = self.stage, "safe" if self.stage == "search" else self.stage
        super().safe(supply_side)
        self.stage = before

    # ------------------------------------------------------------------ the search
    def search(self) -> None:
        """What the table asks, question by question, then the taught order; all of it once more where answers were skipped."""
        self._flee()
        if self.evidence.entailed:
            return
        if self.table is not None:
            self.by_table(self.table)
        for _ in range(2):
            self.whole()
            super().search()
            if not self.skipped:
                break
            self.known, self.skipped = frozenset(), False

    def by_table(self, table: Table) -> None:
        """The table's best question for what is left, until one unit is left or no question tells anything more."""
        tried: set[str] = set()
        if self._meter_unproved():
            self.meter()
        while (test := self._best(table, tried)) is not None:
            tried.add(test.name)
            before = self.evidence.alive
            self.question, self.asking = test, test.acts
            self.stand(test)
            self.do(test.acts)
            self.question, self.asking = None, ()
            if self.evidence.entailed:
                raise Known
            if self.evidence.alive != before:
                tried = {test.name}

    def _best(self, table: Table, tried: set[str]) -> Test | None:
        mask, mode = table.mask(self.evidence.alive), mode_of(self.equipment, self.hands)
        if not mask or mode not in table.modes:
            return None
        best = table.best(mask, mode)
        if best is None or best.name not in tried:
            return best
        rows = [
            (len(table.split(mask, r)), table.distance[mode, r.test.mode] + r.test.cost, k)
            for k, r in enumerate(table.rows)
            if r.test.name not in tried
        ]
        told = [(seconds / (groups - 1), k) for groups, seconds, k in rows if groups > 1]
        return table.rows[min(told)[1]].test if told else None

    def _meter_unproved(self) -> bool:
        return not (self.hands.meter_inspected and {"eye_protection", "gloves"} <= self.hands.worn)

    def meter(self) -> None:
        """A first look, the panel, protection on, the meter tried; a breaker that has tripped is dealt with as taught."""
        self.test([a.Look("around")])
        down = self.tripped_supplies()
        if not down:
            return
        self.do([*p.protect(), *p.prove_meter(self.equipment)])
        self.tripped(down)

    def calls(self) -> None:
        """As taught, unless the learner has waited out every call already."""
        seen = {call: self.known_calls.get(call) for call in ("off", *p.calls(self.equipment))}
        if None in seen.values() or any(self.tape.catalogue.faults[h.fault].when for h in self.evidence.alive):
            super().calls()
            return
        self.skipped = True
        self.never_stops = bool(seen["off"])
        self.runs = all(seen[c] for c in p.calls(self.equipment))
        self.test([a.SetThermostat("off")])

    @property
    def known_calls(self) -> dict[str, bool]:
        """Whether the blower ran on each call that stood long enough before the plan began, door on."""
        if not self.known:
            return {}
        found: dict[str, bool] = {}
        since = 0
        for k, line in enumerate(self.tape.lines[: self.start]):
            before, after = self.tape.hands[k], self.tape.hands[k + 1]
            if before.thermostat != after.thermostat or not after.door_on or isolated(self.equipment, after):
                since = after.clock
            elif after.clock - since >= self.seconds(cast(a.Call, after.thermostat)):
                found[after.thermostat] = "blower_running" in line.observation.senses
        return found

    # ------------------------------------------------------------------ how the unit stands
    def stand(self, test: Test) -> None:
        """The unit as `test` needs it, by the taught procedure, whatever it is like now."""
        e, mode = self.equipment, test.mode
        self.stage = "safe" if mode in ("dead", "opened", "plug_apart", "source") else "search"
        if mode == "as_found":
            if not self.hands.door_on or not self._whole():
                self.whole()
        elif mode == "held":
            self._held()
        elif mode == "dead":
            needs = {x.connector for x in test.acts if isinstance(x, a.Unplug)}
            self._dead(needs)
        elif mode_of(e, self.hands) != mode:
            self._dead(set())
            getattr(self, f"_to_{mode}")()
        self.stage = "search"

    def _whole(self) -> bool:
        h = self.hands
        loose = h.parted or h.lifted or h.jumpers or h.source_fitted or h.source_clipped or h.control_open or h.switch_taped
        return not (loose or h.disconnects_open or h.breakers_off or h.locks or h.tags or not h.gas_on)

    def whole(self) -> None:
        """Everything together, door on and power on: as a technician finds a unit."""
        h, e = self.hands, self.equipment
        self.do([*p.lift(), a.PlaceClamp("")])
        if h.parted or h.lifted or h.jumpers or h.source_fitted or h.source_clipped or h.control_open or h.switch_taped:
            self._proved()
            self._back()
        self.do([a.HoldDoorSwitch(False), a.SetDoor(True), a.SetGas(True)])
        self.do(p.energise(e, self.hands))

    def _back(self) -> None:
        """What hands took apart put together again, on the dead unit."""
        self.do([a.TapeDoorSwitch(False)])
        if self._has_charge() and self.hands.parted:
            self.do(p.discharge_capacitor(self.equipment))
        self.do(p.put_back(self.equipment, self.hands))

    def _has_charge(self) -> bool:
        return "capacitor_points" in self.equipment.module

    def _proved(self) -> None:
        """Locked, tagged and proved dead, the door off; nothing to do where that holds already."""
        if not (isolated(self.equipment, self.hands) and self.tape.proved[self.tape.at]):
            self.do([a.PlaceClamp("")])
            self.safe()
        self.do([*p.lift(), a.PlaceClamp("")])
        self.door_off()

    def _held(self) -> None:
        e = self.equipment
        if not self._whole():
            self._proved()
            self._back()
        self.do([*p.protect()])
        if self.hands.door_on:
            self.do([*p.prove_meter(e), *p.lift()])
        self.door_off()
        self.do(p.energise(e, self.hands))
        self.do(p.call_and_hold(e, self.hands, p.calls(e)[0]))

    def _dead(self, needs: set[str]) -> None:
        self._proved()
        h = self.hands
        if h.parted - needs or h.lifted or h.jumpers or h.source_fitted or h.source_clipped or h.control_open:
            self._back()

    def _to_plug_apart(self) -> None:
        e = self.equipment
        red, black = e.pairs("apart")[0]
        self.do(p.pull(e, self.hands, str(e.module["plug"])))
        self.do(p.probe(red, black, clip=True))
        self.do(p.energise(e, self.hands))

    def _to_source(self) -> None:
        e = self.equipment
        self.do(p.fit_source(e, self.hands))
        self.do([a.PlugIn(str(e.module["plug"]))])
        self.do(p.energise(e, self.hands))

    def _to_opened(self) -> None:
        e = self.equipment
        self.do(p.pull(e, self.hands, str(e.module["plug"])))
        self.do([a.Wait(300), a.OpenControl(), a.SetMeter("volts_dc")])
        self.bus()

    # ------------------------------------------------------------------ the end of the call
    def conclude(self) -> None:
        """Declare what is left (or, where nothing tells more, what is likeliest), repair, verify, write up, hand back."""
        left = self.evidence.alive
        if not left:
            self.stage = "stuck"
            self.do([*self._closing(), a.Finish()])
            return
        likely = max(left, key=lambda h: (self.evidence.mass([self.evidence.correction(h)]), h))
        units, fault = self.tape.catalogue.corrections(likely), self.tape.catalogue.faults[likely.fault]
        self.searching, self.asking = False, ()
        if not self.hands.declared or set(self.hands.declared[-1]) != set(units):
            self.stage = "declare"
            self.do([a.Declare(units)])
        if fault.stop_work:
            self.stage = "leave"
            self.do([a.Leave("co_alarm" if "co.alarm" in fault.target else "gas_smell")])
            return
        if not self.hands.written:
            self.stage = "repair"
            self._put_right([u for u in units if u != NO_FAULT and u not in self.hands.repaired])
            if "flame.rolls_out" in (*fault.target, *dict(fault.also)):
                self.do([a.Look("wiring"), a.ResetSafety("rollout")])
            self.stage = "verify"
            self.verify()
            self.stage = "write_up"
            self.do([self._report(units, fault.repair, fault.why)])
        self.stage = "finish"
        self.do([*self._closing(), a.Finish()])

    def _put_right(self, units: Sequence[str]) -> None:
        if units:
            self.repair(units)
        elif not self._whole() or not self.hands.door_on:
            self.whole()

    def _closing(self) -> list[a.Act]:
        return [a.SetThermostat("off")]

    def _report(self, units: Sequence[str], correction: str, why: str) -> a.WriteUp:
        return a.WriteUp(
            complaint=self.equipment.complaints[self.tape.complaint].text,
            readings=tuple(dict.fromkeys(self.readings))[-8:],
            cause=" and ".join(units),
            correction=correction,
            why=why,
            customer="what was found, what was done, what to watch",
        )


def next_act(tape: Tape, start: int, table: Table | None) -> tuple[int, Plan, a.Act | None]:
    """Where the plan in force began, that plan, and the act that it asks next."""
    plan = Plan(tape, start, table)
    with suppress(Strayed):
        return start, plan, plan.next()
    plan = Plan(tape, len(tape.lines), table)
    return len(tape.lines), plan, plan.next()


# ---------------------------------------------------------------------- what was done already
def _still(hands: Hands) -> Hands:
    return replace(hands, clock=0)


def _beside(tape: Tape) -> bool:
    """Whether the act at hand changed nothing that hands hold: it may stand between two acts of a plan."""
    act = tape.lines[tape.at].act
    if isinstance(act, a.Declare | a.Repair | a.WriteUp | a.Finish | a.Leave):
        return False
    return _still(tape.hands[tape.at]) == _still(tape.hands[tape.at + 1])


def _same(asked: a.Act, done: a.Act) -> bool:
    if isinstance(asked, a.WriteUp):
        return isinstance(done, a.WriteUp)
    if isinstance(asked, a.Declare) and isinstance(done, a.Declare):
        return set(asked.units) == set(done.units)
    return asked == done


def _asked_as(equipment: Equipment, act: a.Act, hands: Hands) -> tuple[Any, ...] | None:
    """What `act` asked the unit, so that the same question is known again; None for an act that is no lasting question."""
    match act:
        case a.Look(where=where) if where not in ("around", "panel"):
            return "look", where, where in hands.parted
        case a.PlaceLead() | a.ReadMeter() if len(hands.leads) == 2 and not hands.control_open:
            leads = frozenset((n, t) for n, t, _ in hands.leads)
            return ("read", hands.function, leads, hands.thermostat, mode_of(equipment, hands), hands.parted, hands.lifted)
        case a.PlaceHose():
            return "hose", hands.hoses, hands.thermostat, hands.door_on
        case _:
            return None


def _asked_before(tape: Tape, start: int) -> frozenset[tuple[Any, ...]]:
    """Every question that the acts before `start` asked, none of them after a repair."""
    rows = (
        _asked_as(tape.equipment, line.act, tape.hands[k + 1])
        for k, line in enumerate(tape.lines[:start])
        if not tape.hands[k].repaired
    )
    return frozenset(x for x in rows if x is not None)
