"""The isolation path: which test next, at what expected cost, until one correction unit is left.

Rule: computed from predictions, never written by hand; costs are whole seconds, weights are integers, limits count nodes, so a
path is the same on every machine. W(S, m) = 0 when all of S is one correction unit, else the least of w(S)·(d(m, m_t) + c_t) +
Σ_o W(S_o, m_t) over the tests t that split S, proven by `sequencing`; where its node limit is reached, W lies between bounds.
Each W is a pure function of table, S and m, whatever was asked before. The tests hold no unsafe act; a reading on live parts is
allowed work and still a risk, so that it costs `LIVE_READING` seconds beyond its time, in the table and in a record alike.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache
from itertools import combinations
from typing import Any

from blowerbench import acts as a
from blowerbench.equipment import Equipment
from blowerbench.faults import Catalogue, Hypothesis
from blowerbench.hands import Hands, decide, evolve
from blowerbench.session import Heard, Moment, Session
from blowergrade import policies
from blowergrade import procedure as p
from blowergrade import sequencing as q
from blowergrade import technicians as t
from blowergrade.evidence import PROVOKING, Prediction, every_session, overlap, predict
from blowergrade.safety_wiring import danger

#: Every bench mode that some unit has; `modes_of` says which are there on one.
MODES = ("as_found", "held", "plug_apart", "source", "dead", "opened")
#: Seconds charged for the risk of a reading on live parts above 50 V, beyond the time it takes. Published; the number is ours.
LIVE_READING = 15
COOL = 1200  # simulated seconds after which no limit is on its way any more
SHOWN = 60  # simulated seconds after a call in which a healthy blower runs, and no fault comes by itself yet
WATCH = 5  # simulated seconds between two looks while a call is watched


@dataclass(frozen=True, slots=True)
class Test:
    """One question to the unit: in `mode`, after `setting` (paid once per visit), the acts asked; cost in whole seconds."""

    mode: str
    name: str
    acts: tuple[a.Act, ...]
    cost: int


def modes_of(equipment: Equipment) -> tuple[str, ...]:
    """The bench modes that `equipment` has: no source without a reference source, no opened control without a control."""
    there = {
        "plug_apart": bool(equipment.module.get("plug") and equipment.pairs("apart")),
        "source": bool(equipment.source),
        "opened": equipment.electronic,
    }
    return tuple(m for m in MODES if there.get(m, True))


def mode_of(equipment: Equipment, hands: Hands) -> str:
    """The bench mode that `hands` stand in, coarsely: what can be measured next without a change of set-up."""
    if hands.control_open:
        return "opened"
    if hands.source_fitted:
        return "source"
    if hands.disconnects_open or hands.breakers_off:
        return "dead"
    if equipment.module.get("plug") in hands.parted and "plug_apart" in modes_of(equipment):
        return "plug_apart"
    return "as_found" if hands.door_on else "held"


def _setups(equipment: Equipment) -> dict[str, tuple[a.Act, ...]]:
    """Acts from arrival (door on, power on) to each mode, by the taught procedure."""
    call = p.calls(equipment)[0]
    plug = str(equipment.module.get("plug", ""))

    def after(*acts: a.Act) -> Hands:
        state = Hands(thermostat=call)
        for act in acts:
            state = evolve(equipment, state, act)
        return state

    ready = [*p.protect(), *p.prove_meter(equipment), *p.lift()]
    held = [*ready, a.SetDoor(False), *p.call_and_hold(equipment, after(a.SetDoor(False)), call)]
    dead = [*ready, *p.make_safe(equipment, after()), a.SetDoor(False)]
    made = {"as_found": [], "held": held, "dead": dead}
    for mode in modes_of(equipment):
        if mode == "plug_apart":
            red, black = equipment.pairs("apart")[0]
            apart = [*dead, *p.pull(equipment, after(*dead), plug), *p.probe(red, black, clip=True)]
            made[mode] = [*apart, *p.energise(equipment, after(*apart))]
        elif mode == "source":
            source = [*dead, *p.fit_source(equipment, after(*dead))]
            source += [a.PlugIn(plug)] if plug in after(*source).parted else []
            made[mode] = [*source, *p.energise(equipment, after(*source))]
        elif mode == "opened":
            opened = [*dead, *p.pull(equipment, after(*dead), plug)]
            made[mode] = [*opened, a.Wait(300), a.OpenControl(), a.SetMeter("volts_dc")]
    return {mode: tuple(made[mode]) for mode in modes_of(equipment)}


def ways_of(equipment: Equipment) -> dict[tuple[str, str], tuple[a.Act, ...]]:
    """The taught procedure from one mode to another, where it goes straight: made safe, put together, then forward."""
    setups, stood, call = _setups(equipment), _standing(equipment), p.calls(equipment)[0]
    dead, ways = setups["dead"], dict[tuple[str, str], Iterable[a.Act]]()
    for mode, acts in setups.items():
        hands = stood[mode]
        if mode != "as_found":
            ways["as_found", mode] = acts
        if mode in ("held", "plug_apart", "source"):
            safe = p.make_safe(equipment, hands)
            ways[mode, "dead"] = [*safe, *p.put_back(equipment, _fold(equipment, hands, safe)[0])]
        elif mode == "opened":
            ways[mode, "dead"] = p.put_back(equipment, hands)
        if mode != "dead" and acts[: len(dead)] == dead:
            ways["dead", mode] = acts[len(dead) :]
    held = [a.HoldDoorSwitch(False)] if stood["held"].switch_held else []
    ways["held", "as_found"] = [*held, a.SetDoor(True)]
    on = p.energise(equipment, stood["dead"])
    ways["dead", "held"] = [*on, *p.call_and_hold(equipment, _fold(equipment, stood["dead"], on)[0], call)]
    shut = _fold(equipment, stood["dead"], [a.SetDoor(True)])[0]
    ways["dead", "as_found"] = [a.SetDoor(True), *p.energise(equipment, shut), a.SetThermostat(call)]
    return {between: tuple(acts) for between, acts in ways.items()}


def _pairs(mode: str, pairs: Iterable[Sequence[str]], before: tuple[a.Act, ...] = ()) -> list[Test]:
    return [_test(mode, f"{red} to {black}", *before, *p.probe(red, black)) for red, black in pairs]


def seconds_of(acts: Iterable[a.Act]) -> int:
    """Whole seconds of `acts`, none of them a repair."""
    return sum(a.duration(x) for x in acts)


def live_charge(equipment: Equipment, hands: Hands, act: a.Act) -> int:
    """`LIVE_READING` where `act`, done with `hands`, takes a reading on parts above 50 V that have their supply, else 0.

    A reading is the second lead on its terminal, or the clamp round a conductor. The outlet on which a meter is proved and what
    is read with the disconnects open cost nothing: nobody saves points by proving less. Nor do leads clipped on before.
    """
    if isinstance(act, a.PlaceLead):
        other = hands.lead("black" if act.lead == "red" else "red")
        near = {act.terminal, other} if other else set()
    elif isinstance(act, a.PlaceClamp) and act.conductor:
        wire = equipment.wire(act.conductor)
        near = {wire.a, wire.b}
    else:
        return 0
    parts, supplies = danger(equipment), set(equipment.supplies)
    behind = parts.line if supplies - hands.disconnects_open - hands.breakers_off else frozenset()
    before = parts.supply if supplies - hands.breakers_off else frozenset()
    return 0 if near.isdisjoint(behind | before) else LIVE_READING


def _fold(equipment: Equipment, hands: Hands, acts: Iterable[a.Act]) -> tuple[Hands, int]:
    """The hands after `acts`, those left out that they can't do, and what the rest is charged for risk."""
    charge = 0
    for act in acts:
        if decide(equipment, hands, act) is None:
            charge += live_charge(equipment, hands, act)
            hands = evolve(equipment, hands, act)
    return hands, charge


def _standing(equipment: Equipment) -> dict[str, Hands]:
    """The hands in each mode, as its set-up leaves them."""
    start = Hands(thermostat=p.calls(equipment)[0])
    return {mode: _fold(equipment, start, acts)[0] for mode, acts in _setups(equipment).items()}


def _priced(equipment: Equipment, tests: Iterable[Test]) -> tuple[Test, ...]:
    """`tests` with the charge for their live readings in their cost."""
    stood = _standing(equipment)
    return tuple(replace(x, cost=x.cost + _fold(equipment, stood[x.mode], x.acts)[1]) for x in tests)


def _test(mode: str, name: str, *acts: a.Act) -> Test:
    return Test(mode, name, acts, seconds_of(acts))


#: How a place or a call is named in a printed path.
CALL_WORDS = {"off": "no call", "fan": "fan call", "heat": "heat call", "cool": "cooling call"}


def _status(equipment: Equipment) -> tuple[a.Act, ...]:
    return (a.ReadStatus(),) if equipment.board else ()


def _look_tests(equipment: Equipment, mode: str, inside: bool) -> list[Test]:
    return [
        _test(mode, place.replace("_", " "), a.Look(place))
        for place, behind_door in equipment.places.items()
        if behind_door == inside
    ]  # fmt: skip


def _as_found(equipment: Equipment) -> list[Test]:
    ready = (*p.protect(), *p.prove_meter(equipment), *p.lift())
    status, seconds = _status(equipment), equipment.expect["seconds"]
    tests = _look_tests(equipment, "as_found", False)
    tests += [_test("as_found", "status", x) for x in status]
    for call in ("off", *p.calls(equipment)):
        wait = int(seconds[call])
        parts = (wait // 4, wait - wait // 4) if wait > 60 and call != "off" else (wait,)
        waits = [act for part in parts for act in (a.Wait(part), *(status if call != "off" else ()))]
        tests.append(_test("as_found", CALL_WORDS[call], a.SetThermostat(call), *waits))
    outlet = tuple(equipment.protection["live_source"][:2])
    tests += _pairs("as_found", (outlet, *equipment.pairs("in_box")), ready)
    tests += _pairs("as_found", equipment.pairs("thermostat"), (*ready, a.SetThermostat(p.calls(equipment)[0])))
    tests.append(_test("as_found", "leads together", *ready, *p.lift(), a.SetMeter("ohms"), a.ZeroLeads()))
    return tests + _air_tests(equipment)


def _air_tests(equipment: Equipment) -> list[Test]:
    """Static pressure over the blower's outside, the drop from port to port, and the temperature rise."""
    air = equipment.air
    if air is None:
        return []
    calls, ports = p.calls(equipment), [port.name for port in air.ports]
    running = (a.SetThermostat(calls[-1]), a.Wait(30))
    tests = []
    for high, low in (air.external, *zip(ports[1:], ports, strict=False)):
        opened = tuple(p.open_ports(Hands(), (high, low)))
        tests.append(_test("as_found", f"static, {high} against {low}", *running, *opened, *p.hoses(high, low)))
    if "heat" in calls:
        far = [port.name for port in air.ports if not port.near_heat][-1]
        probes = (a.PlaceProbe("first", ports[0]), a.PlaceProbe("second", far), a.Wait(t.STEADY))
        opened = tuple(p.open_ports(Hands(), (ports[0], far)))
        tests.append(_test("as_found", "temperature rise", a.SetThermostat("heat"), *opened, *probes))
    return tests


def _held(equipment: Equipment) -> list[Test]:
    first = p.calls(equipment)[0]
    tests = _look_tests(equipment, "held", True)
    tests += [_test("held", "status", x) for x in _status(equipment)]
    for call in p.calls(equipment):
        asked: tuple[a.Act, ...] = (*p.lift(), a.SetMeter("volts_ac"))
        if call != first:
            held = (a.HoldDoorSwitch(True),) if p.has_door_switch(equipment) else ()
            asked = (*asked, a.SetThermostat(call), *held, a.Wait(20))
        tests += _pairs("held", equipment.pairs(f"live_{call}"), asked)
    for (conductor,) in equipment.pairs("clamp"):
        acts = (*p.lift(), a.SetMeter("clamp"), a.PlaceClamp(conductor), a.ReadMeter())
        tests.append(_test("held", f"amps in {conductor.replace('_', ' ')}", *acts))
    tests += _pairs("held", equipment.pairs("apart"), (*p.lift(), a.SetMeter("low_z")))
    if equipment.module.get("input_line") == "dc" or equipment.module["kind"] == "serial":
        plug = equipment.connectors[str(equipment.source["connector"])]
        nodes = {*plug.harness, *plug.device}
        commands = [x for x in equipment.pairs(f"live_{first}") if nodes & set(x)]
        tests += _pairs("held", commands, (*p.lift(), a.SetMeter("volts_dc")))
    return tests


def _dead(equipment: Equipment) -> list[Test]:
    ohms = (*p.lift(), a.SetMeter("ohms"), a.ZeroLeads())
    tests = [*_look_tests(equipment, "dead", True), _test("dead", "shaft", a.TurnShaft())]
    outer = Hands(door_on=False)
    for plug, row in equipment.connectors.items():
        if not row.behind_cover:
            tests.append(_test("dead", f"face of {plug.replace('_', ' ')}", *p.pull(equipment, outer, plug), a.Look(plug)))
    points = set(equipment.module.get("capacitor_points", ()))
    for pair in equipment.pairs("dead_ohms"):
        tests += _pairs("dead", (pair,), (*p.discharge_capacitor(equipment), *ohms) if points & set(pair) else ohms)
    for wire, red, black in equipment.pairs("lift_ohms"):
        tests += _pairs("dead", ((red, black),), (*ohms, a.LiftWire(wire)))
    apart = (*p.pull(equipment, outer, str(equipment.module.get("plug", ""))), *ohms)
    tests += _pairs("dead", equipment.pairs("line_ohms"), apart)
    if "capacitor_points" in equipment.module:
        farads = (*p.discharge_capacitor(equipment), *apart, a.SetMeter("farads"))
        tests += _pairs("dead", (equipment.module["capacitor_points"],), farads)
        tests += _pairs("dead", equipment.pairs("windings"), (*p.discharge_capacitor(equipment), *apart))
    return tests


def _opened(equipment: Equipment) -> list[Test]:
    pull: tuple[a.Act, ...] = (a.Unplug(str(equipment.module["winding_plug"])),)
    ohms = (*p.lift(), a.SetMeter("ohms"), a.ZeroLeads())
    return [
        _test("opened", "bus", *p.probe(*equipment.module["bus_points"])),
        _test("opened", "shaft, winding plug out", *pull, a.TurnShaft()),
        *_pairs("opened", equipment.pairs("windings"), (*pull, *ohms)),
    ]


def tests_of(equipment: Equipment) -> tuple[Test, ...]:
    """The tests that every path may choose, each written as the acts that ask it; costs hold the charge for live readings."""
    modes = modes_of(equipment)
    tests = [*_as_found(equipment), *_held(equipment)]
    if "plug_apart" in modes:
        tests.append(_test("plug_apart", "plug line to neutral", a.ReadMeter()))
    if "source" in modes:
        run = (*p.lift(), a.SwitchSource(True), a.Wait(10))
        supply = equipment.board.get("supply")
        tests += _pairs("source", (supply,), (a.SetMeter("volts_ac"),)) if supply else []
        tests.append(_test("source", "run command", *run))
        tests += _pairs("source", equipment.pairs("mated"), run)
    tests += _dead(equipment)
    return _priced(equipment, [*tests, *_opened(equipment)] if "opened" in modes else tests)


def extra_tests(equipment: Equipment, catalogue: Catalogue) -> tuple[Test, ...]:
    """Questions asked only where nothing else tells: provoking, watching in short steps, volts with the disconnect open.

    A path may choose them where a pair of its causes in different correction units is split by none of `tests_of`. What this
    unit has no mode for, or hands can't do on it, is left out.
    """
    tests: list[Test] = []
    status = (a.ReadStatus(),) if equipment.board else ()
    asked = {(f.when.provoke, f.when.at) for f in catalogue.faults.values() if f.when and f.when.provoke}
    held = (a.HoldDoorSwitch(True),) if p.has_door_switch(equipment) else ()
    rested = (a.SetThermostat("off"), a.Wait(t.STEADY), a.SetThermostat(p.calls(equipment)[0]), *held, a.Wait(SHOWN))
    for provoke, at in sorted(asked):
        act: a.Act = a.Wiggle(at) if provoke == "wiggle" else a.Warm(at)
        name = f"let it rest, call, then {provoke} {at.replace('_', ' ')} and watch"
        tests.append(_test("held", name, *rested, act, *status, a.Wait(WATCH)))
    for call in p.calls(equipment):
        looks = (int(equipment.expect["seconds"][call]) + 120) // WATCH
        watched = [x for _ in range(looks) for x in (a.Wait(WATCH), *status)]
        tests.append(_test("as_found", f"watch the {call} call in steps of {WATCH} s", a.SetThermostat(call), *watched))
        cold = (a.SetThermostat("off"), a.Wait(COOL), a.SetThermostat(call))
        tests.append(_test("as_found", f"let it cool, then watch the {call} call in steps of {WATCH} s", *cold, *watched))
    if "heat" in p.calls(equipment):
        wait = a.Wait(int(equipment.expect["seconds"]["heat"]))
        cold = (*p.lift(), a.SetMeter("volts_ac"), a.SetThermostat("off"), a.Wait(COOL), a.SetThermostat("heat"), *held, wait)
        for pair in equipment.pairs("live_heat"):
            tests.append(
                _test("held", f"let it cool, then the heat call: volts, {pair[0]} to {pair[1]}", *cold, *p.probe(*pair))
            )
    if equipment.protection["rollout"]:
        tests.append(_test("dead", "look at the burner and reset the rollout", a.Look("wiring"), a.ResetSafety("rollout")))
    opened = (*p.lift(), a.SetMeter("volts_ac"))
    for red, black in equipment.pairs("in_box"):
        tests.append(_test("dead", f"volts with the disconnect open, {red} to {black}", *opened, *p.probe(red, black)))
    for mode in ("held", "plug_apart"):
        for pair in (*equipment.pairs("mated"), *(x for c in p.calls(equipment) for x in equipment.pairs(f"live_{c}"))):
            acts = (*p.lift(), a.SetMeter("volts_dc"), *p.probe(*pair))
            tests.append(_test(mode, f"DC volts, {pair[0]} to {pair[1]}", *acts))
    stood = _standing(equipment)
    return _priced(equipment, (x for x in tests if x.mode in stood and _can(equipment, stood[x.mode], x.acts)))


def _can(equipment: Equipment, hands: Hands, acts: Iterable[a.Act]) -> bool:
    """Whether hands can do all that `acts` ask the unit; lifting a lead that is off already does not count."""
    for act in acts:
        refused = decide(equipment, hands, act) is not None
        if refused and not isinstance(act, a.LiftLead | a.SetMeter):
            return False
        hands = hands if refused else evolve(equipment, hands, act)
    return True


@dataclass(frozen=True, slots=True)
class Row:
    """A test with what it tells: for each hypothesis (by number) the bit mask of those it can't be told from."""

    test: Test
    alike: tuple[int, ...]


def asked_of(test: Test, sessions: Iterable[Session]) -> list[Session]:
    """Those of `sessions` whose timeline counts for `test`.

    Nobody knows when a fault that comes and goes will, so every question finds it on any timeline; a question that provokes
    it begins with a unit that is seen to run, where it can't always have been there.
    """
    provokes = any(isinstance(x, PROVOKING) for x in test.acts)
    return [s for s in sessions if not (provokes and s.timeline == "always")]


class Table:
    """All tests of a complaint against all its hypotheses, and the cheapest path through them.

    Rows and values come from the cache (`policies`) where it holds them; `remember` stores the values found since.
    """

    def __init__(self, equipment: Equipment, catalogue: Catalogue, complaint: str) -> None:
        self.equipment, self.catalogue = equipment, catalogue
        self.hypotheses: tuple[Hypothesis, ...] = catalogue.hypotheses(complaint)
        self.number = {h: k for k, h in enumerate(self.hypotheses)}
        self.weights = tuple(catalogue.weight(h) for h in self.hypotheses)
        units = sorted({catalogue.corrections(h) for h in self.hypotheses})
        self.unit_masks = tuple(
            sum(1 << k for k, h in enumerate(self.hypotheses) if catalogue.corrections(h) == u) for u in units
        )  # fmt: skip
        self.modes = modes_of(equipment)
        self.setups = _setups(equipment)
        self.distance = self._distances()
        self.ordinary = tests_of(equipment)
        self.tests = (*self.ordinary, *extra_tests(equipment, catalogue))
        priced = [[self.number[h], self.weights[self.number[h]]] for h in self.hypotheses]
        #: The hash of all that the rows come from.
        self.key = policies.key_of(equipment, catalogue.faults, complaint, self.hypotheses, priced, self.tests)
        self.rows = self._known_rows(complaint)
        self._values: dict[_Key, _Entry] | None = None
        self._new = False

    def _distances(self) -> dict[tuple[str, str], int]:
        """Whole seconds of set-up from mode to mode, the shortest way, through other modes where that is shorter."""
        far = 10**6  # no way but through other modes
        cost = {(m, n): 0 if m == n else far for m in self.modes for n in self.modes}
        cost |= {between: seconds_of(acts) for between, acts in ways_of(self.equipment).items()}
        for via in self.modes:
            cost = {(m, n): min(c, cost[m, via] + cost[via, n]) for (m, n), c in cost.items()}
        return cost

    def _stand(self, start: Session) -> dict[str, Session]:
        """A session in each mode, from `start`; a set-up that begins another one is played once."""
        made: dict[tuple[a.Act, ...], Session] = {(): start}
        for acts in sorted(set(self.setups.values()), key=len):
            known = max((k for k in made if acts[: len(k)] == k), key=len)
            made[acts] = _set_up(made[known], acts[len(known) :])
        return {mode: made[acts] for mode, acts in self.setups.items()}

    def _known_rows(self, complaint: str) -> tuple[Row, ...]:
        """The rows from the cache, or played and stored there."""
        rows = _read_rows(policies.stored("table", self.key), self.tests, len(self.hypotheses))
        if rows is None:
            rows = self._rows(complaint)
            number = {test: k for k, test in enumerate(self.tests)}
            policies.store("table", self.key, [[number[r.test], [f"{m:x}" for m in r.alike]] for r in rows])
        return rows

    def _rows(self, complaint: str) -> tuple[Row, ...]:
        """The ordinary tests that tell something, then those extra ones that split a pair which none of them splits."""
        stood: dict[Hypothesis, list[dict[str, Session]]] = {}
        for h in self.hypotheses:
            stood[h] = [self._stand(s) for s in every_session(self.equipment, self.catalogue, h, complaint)]
        rows = _telling(self.ordinary, _play(stood, self.ordinary))
        left = self.unsplit(rows)
        if left:
            extra = self.tests[len(self.ordinary) :]
            members = [h for k, h in enumerate(self.hypotheses) if any(k in pair for pair in left)]
            tried = _telling(extra, _play({h: stood[h] for h in members}, extra))
            number = {self.number[h]: k for k, h in enumerate(members)}
            useful = [r.test for r in tried if any(not r.alike[number[i]] >> number[j] & 1 for i, j in left)]
            rows += _telling(useful, _play(stood, useful))
        return tuple(rows)

    def unsplit(self, rows: Iterable[Row]) -> list[tuple[int, int]]:
        """The pairs of hypotheses (by number) in different correction units that none of `rows` tells apart."""
        unit = [next(u for u in self.unit_masks if u >> k & 1) for k in range(len(self.hypotheses))]
        common = [(1 << len(unit)) - 1] * len(unit)
        for row in rows:
            common = [x & y for x, y in zip(common, row.alike, strict=True)]
        return [(i, j) for i, j in combinations(range(len(unit)), 2) if unit[i] != unit[j] and common[i] >> j & 1]

    # ------------------------------------------------------------------ the path
    def mask(self, hypotheses: Iterable[Hypothesis]) -> int:
        """The set as a bit mask over `self.hypotheses`; others are left out."""
        return sum(1 << self.number[h] for h in hypotheses if h in self.number)

    def weight(self, mask: int) -> int:
        """Prior weight of a set."""
        return sum(w for k, w in enumerate(self.weights) if mask >> k & 1)

    def solved(self, mask: int) -> bool:
        """Whether all of the set lies in one correction unit."""
        return any(mask & ~u == 0 for u in self.unit_masks)

    def split(self, mask: int, row: Row) -> list[int]:
        """The set in the groups that the test tells apart for certain."""
        groups: list[int] = []
        left = mask
        while left:
            low = left & -left
            group, frontier = low, low
            while frontier:
                k = (frontier & -frontier).bit_length() - 1
                frontier &= frontier - 1
                new = row.alike[k] & mask & ~group
                group |= new
                frontier |= new
            groups.append(group)
            left &= ~group
        return groups

    @cached_property
    def problem(self) -> q.Problem:
        """The table as a sequencing problem; its tests keep the numbers of the rows."""
        modes = {mode: k for k, mode in enumerate(self.modes)}
        units = tuple(next(u for u, m in enumerate(self.unit_masks) if m >> k & 1) for k in range(len(self.weights)))
        tests = tuple(q.Test(modes[row.test.mode], row.test.cost, row.alike) for row in self.rows)
        distance = tuple(tuple(self.distance[m, n] for n in self.modes) for m in self.modes)
        return q.Problem(self.weights, units, distance, tests)

    def value(self, mask: int, mode: str) -> q.Value:
        """W(S, m), prior weight × expected seconds until one correction unit is left: proven, or between bounds."""
        if self.solved(mask):
            return q.Value(0, 0, True)
        lower, upper, _ = self._entry(mask, mode)
        return q.Value(lower, upper, lower == upper)

    def cost(self, mask: int, mode: str) -> int:
        """W(S, m) of the path that `best` leads along: the optimum, or its upper bound where the node limit was reached."""
        return self.value(mask, mode).upper

    def best(self, mask: int, mode: str) -> Test | None:
        """The test that the path asks next; None when one unit is left or nothing tells the rest apart."""
        if self.solved(mask):
            return None
        number = self._entry(mask, mode)[2]
        return None if number < 0 else self.rows[number].test

    def _entry(self, mask: int, mode: str) -> _Entry:
        at = self.modes.index(mode)
        known = self._memo()
        found = known.get((mask, at))
        if found is None:
            solution = q.solve(self.problem, mask, at)
            number = solution.policy(mask, at)
            found = known[mask, at] = solution.lower, solution.upper, -1 if number is None else number
            self._new = True
        return found

    def _memo(self) -> dict[_Key, _Entry]:
        """Values by set and mode; read from the cache when the first one is asked for."""
        if self._values is None:
            self._values = _read_values(policies.stored("values", self.digest), self)
        return self._values

    @cached_property
    def digest(self) -> str:
        """The hash of what is asked of the search: rows, weights, units, distances and the node limit."""
        return policies.key_of(self.problem.digest(), q.NODE_LIMIT)

    def proof(self) -> policies.Proof:
        """What the whole complaint costs from arrival, proven or between bounds, with the hash of the question."""
        whole = self.mask(self.hypotheses)
        value, weight = self.value(whole, "as_found"), self.weight(whole)
        sizes = len(self.hypotheses), len(self.rows)
        return policies.Proof(*sizes, self.problem.digest(), weight, value.lower, value.upper, value.exact)

    def remember(self) -> None:
        """Store the values found since the last time, beside those that others stored meanwhile."""
        if self._new:
            merged = _read_values(policies.stored("values", self.digest), self) | self._memo()
            policies.store("values", self.digest, [[f"{s:x}", m, *entry] for (s, m), entry in sorted(merged.items())])
            self._new = False


_Key = tuple[int, int]  # a set and a mode's number
_Entry = tuple[int, int, int]  # lower and upper bound of W, the number of the best row or -1


def _read_rows(data: Any, tests: Sequence[Test], size: int) -> tuple[Row, ...] | None:
    """The rows that were stored, or None where they are not such rows."""
    try:
        rows = tuple(Row(tests[k], tuple(int(m, 16) for m in alike)) for k, alike in data)
    except (TypeError, ValueError, IndexError):
        return None
    return rows if all(len(r.alike) == size for r in rows) else None


def _read_values(data: Any, table: Table) -> dict[_Key, _Entry]:
    """The values that were stored; none where they are not such values."""
    try:
        found = {(int(s, 16), int(m)): (int(low), int(high), int(k)) for s, m, low, high, k in data or ()}
    except (TypeError, ValueError):
        return {}
    return found if all(-1 <= k < len(table.rows) for _, _, k in found.values()) else {}


#: Acts that move instruments only: planning lets the unit go on after a run of them, not after each.
HANDLING = (a.PlaceLead, a.LiftLead, a.SetMeter, a.Wear, a.InspectMeter)


def _set_up(start: Session, acts: Iterable[a.Act]) -> Session:
    """A copy of `start` after `acts`, those left out that hands can't do there; readings on the way are not computed."""
    session = start.copy()
    since = session.now.hands.clock
    for act in acts:
        if session.decide(act) is not None:
            continue
        if isinstance(act, HANDLING):
            session.pass_over(act)
            continue
        _go_on(session, since)
        session.play(act)
        since = session.now.hands.clock
    _go_on(session, since)
    return session


def _go_on(session: Session, since: int) -> None:
    """Let the unit go on for the seconds that hands have taken since the clock stood at `since`."""
    hands, plant = session.now.hands, session.now.plant
    if hands.clock > since:
        session.now = Moment(hands, session.simulator.advance(plant, hands, float(hands.clock - since)))


Asked = dict[tuple[a.Act, ...], tuple[Session, tuple[Heard, ...]]]


def _play(
    stood: Mapping[Hypothesis, Sequence[dict[str, Session]]], tests: Sequence[Test]
) -> list[list[tuple[Prediction, ...]]]:
    """For each test a column: for each hypothesis what every act of the test would show, from the sessions that stand ready."""
    columns: list[list[tuple[Prediction, ...]]] = [[] for _ in tests]
    for ready in stood.values():
        asked: dict[tuple[str, int], Asked] = {}
        for column, test in zip(columns, tests, strict=True):
            standing = [s[test.mode] for s in ready]
            number = {id(s): k for k, s in enumerate(standing)}
            seen = [_ask(s, test.acts, asked.setdefault((test.mode, number[id(s)]), {})) for s in asked_of(test, standing)]
            column.append(tuple(predict(x) for x in zip(*seen, strict=True)))
    return columns


def _telling(tests: Sequence[Test], columns: Sequence[Sequence[tuple[Prediction, ...]]]) -> list[Row]:
    """The tests whose `columns` differ, as rows."""
    rows: list[Row] = []
    for test, column in zip(tests, columns, strict=True):
        alike = tuple(
            sum(1 << k for k, other in enumerate(column) if all(overlap(x, y) for x, y in zip(one, other, strict=False)))
            for one in column
        )  # fmt: skip
        if any(m != (1 << len(column)) - 1 for m in alike):
            rows.append(Row(test, alike))
    return rows


def _ask(start: Session, acts: tuple[a.Act, ...], asked: Asked) -> tuple[Heard, ...]:
    """What `acts` show from `start`; beginnings that tests share are played once and kept in `asked`.

    Leads and dial are moved without letting the unit go on, except for the last act.
    """
    for k in range(len(acts)):
        if acts[: k + 1] in asked and k < len(acts) - 1:
            continue
        session, heard = asked.get(acts[:k], (start, ()))
        act, last = acts[k], k == len(acts) - 1
        if session.decide(act) is None:
            session = session.copy()
            if isinstance(act, HANDLING) and not last:
                session.pass_over(act)
            else:
                heard = (*heard, session.play(act))
        if last:
            return heard
        asked[acts[: k + 1]] = (session, heard)
    return ()


@lru_cache(maxsize=64)
def table_for(equipment: Equipment, catalogue: Catalogue, complaint: str) -> Table:
    """The table of `complaint`, built once."""
    return Table(equipment, catalogue, complaint)
