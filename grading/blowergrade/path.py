"""The isolation path: which test next, at what expected cost, until one correction unit is left.

Rule: computed from predictions, never written by hand; costs are whole seconds, weights are integers, so a path is the same on
every machine. W(S, m) = 0 when all of S is one correction unit, else w(S)·(d(m, m_t) + c_t) + Σ_o W(S_o, m_t) for the chosen
test t: multimode test sequencing (Ruan, Tu, Pattipati, Patterson-Hine, IEEE SMC-B 34(3), 2004). Here the choice is greedy (most
unlike pairs of hypotheses told apart per second), so W is an upper bound of the optimum.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache

from blowerbench import acts as a
from blowerbench.equipment import Equipment
from blowerbench.faults import Catalogue, Hypothesis
from blowerbench.hands import Hands, evolve
from blowerbench.session import Heard, Session
from blowerbench.variant import extreme_variants
from blowergrade import procedure as p
from blowergrade import technicians as t
from blowergrade.evidence import Prediction, fresh_session, overlap, predict

MODES = ("as_found", "held", "plug_apart", "source", "dead", "opened")


@dataclass(frozen=True, slots=True)
class Test:
    """One question to the unit: in `mode`, after `setting` (paid once per visit), the acts asked; cost in whole seconds."""

    mode: str
    name: str
    acts: tuple[a.Act, ...]
    cost: int


def mode_of(hands: Hands) -> str:
    """The bench mode that `hands` stand in, coarsely: what can be measured next without a change of set-up."""
    if hands.control_open:
        return "opened"
    if hands.source_fitted:
        return "source"
    if not hands.disconnect_closed or not hands.breaker_on:
        return "dead"
    if "power_plug" in hands.parted:
        return "plug_apart"
    return "as_found" if hands.door_on else "held"


def _setups(equipment: Equipment) -> dict[str, tuple[a.Act, ...]]:
    """Acts from arrival (door on, power on) to each mode, by the taught procedure."""
    hands = Hands(thermostat="fan")

    def after(acts: Iterable[a.Act]) -> Hands:
        state = hands
        for act in acts:
            state = evolve(equipment, state, act)
        return state

    ready = [*p.protect(), *p.prove_meter(equipment), *p.lift()]
    held = [*ready, a.SetDoor(False), *p.call_and_hold(after([a.SetDoor(False)]), "fan")]
    dead = [*ready, *p.make_safe(equipment, hands), a.SetDoor(False)]
    apart = [*dead, a.Unplug("power_plug"), *p.probe("power.h3", "power.h5", clip=True)]
    apart += p.energise(after(apart))
    source = [*dead, a.Unplug("power_plug"), a.Unplug("control_plug"), a.FitSource(True), a.ClipSource(True)]
    source.append(a.PlugIn("power_plug"))
    source += p.energise(after(source))
    opened = [*dead, a.Unplug("power_plug"), a.Wait(300), a.OpenControl(), a.SetMeter("volts_dc")]
    names = ("as_found", "held", "plug_apart", "source", "dead", "opened")
    return dict(zip(names, map(tuple, ([], held, apart, source, dead, opened)), strict=True))


def _pairs(mode: str, pairs: Iterable[tuple[str, str]], before: tuple[a.Act, ...] = ()) -> list[Test]:
    return [
        Test(mode, f"{red} to {black}", (*before, *p.probe(red, black)), seconds_of((*before, *p.probe(red, black))))
        for red, black in pairs
    ]  # fmt: skip


def seconds_of(acts: Iterable[a.Act]) -> int:
    """Whole seconds of `acts`, none of them a repair."""
    return sum(a.duration(x) for x in acts)


def _test(mode: str, name: str, *acts: a.Act) -> Test:
    return Test(mode, name, acts, seconds_of(acts))


def tests_of(equipment: Equipment) -> tuple[Test, ...]:
    """Every test the path may choose, each written as the acts that ask it."""
    volts = (*p.lift(), a.SetMeter("volts_ac"))
    heat = (*p.lift(), a.SetMeter("volts_ac"), a.SetThermostat("heat"), a.HoldDoorSwitch(True), a.Wait(20))
    ohms = (*p.lift(), a.SetMeter("ohms"), a.ZeroLeads())
    ready = (*p.protect(), *p.prove_meter(equipment), *p.lift())
    wires = (("wall_R", "board.R"), ("limit_feed", "limit.1"), ("wall_G", "board.G"), ("wall_Y", "board.Y"))
    return (
        _test("as_found", "look around", a.Look("around")),
        _test("as_found", "status", a.ReadStatus()),
        _test("as_found", "no call", a.SetThermostat("off"), a.Wait(130)),
        _test("as_found", "fan call", a.SetThermostat("fan"), a.Wait(25), a.ReadStatus()),
        _test("as_found", "heat call", a.SetThermostat("heat"), a.Wait(45), a.ReadStatus(), a.Wait(110), a.ReadStatus()),
        _test("as_found", "cooling call", a.SetThermostat("cool"), a.Wait(25), a.ReadStatus()),
        _test("as_found", "panel", a.Look("panel")),
        *_pairs("as_found", (("outlet.L", "outlet.N"), *t.IN_BOX), ready),
        *_pairs("as_found", t.AT_THERMOSTAT, (*ready, a.SetThermostat("fan"))),
        _test("as_found", "leads together", *ready, *ohms),
        _test("held", "fuse", a.Look("fuse")),
        _test("held", "wiring", a.Look("wiring")),
        _test("held", "status", a.ReadStatus()),
        *_pairs("held", t.LIVE_FAN, volts),
        *_pairs("held", t.LIVE_HEAT, heat),
        _test("held", "power line amps", *p.lift(), a.SetMeter("clamp"), a.PlaceClamp("power_line"), a.ReadMeter()),
        _test("held", "power line to ground, loaded", *p.lift(), a.SetMeter("low_z"), *p.probe("power.h3", "power.h2")),
        _test("plug_apart", "plug line to neutral", a.ReadMeter()),
        _test("source", "source indicator", *p.probe("board.R", "board.C")),
        _test("source", "run command", *p.lift(), a.SwitchSource(True), a.Wait(10)),
        *_pairs("source", (("power.h3", "power.h5"), ("power.m3", "power.m5")), (*p.lift(), a.SwitchSource(True), a.Wait(10))),
        _test("dead", "wiring", a.Look("wiring")),
        _test("dead", "shaft", a.TurnShaft()),
        _test("dead", "power plug face", a.Unplug("power_plug"), a.Look("power_plug")),
        _test("dead", "control plug face", a.Unplug("power_plug"), a.Unplug("control_plug"), a.Look("control_plug")),
        *_pairs("dead", t.DEAD_OHMS, ohms),
        *(x for w, n in wires for x in _pairs("dead", ((n, "board.C"),), (*ohms, a.LiftWire(w)))),
        *_pairs(
            "dead",
            (("door.load", "cabinet.G"), ("power.h3", "cabinet.G"), ("power.m3", "power.m5")),
            (a.Unplug("power_plug"), *ohms),
        ),
        _test("opened", "bus", *p.probe(*equipment.module["bus_points"])),
        _test("opened", "shaft, winding plug out", a.Unplug("winding_plug"), a.TurnShaft()),
        *_pairs("opened", t.WINDINGS, (a.Unplug("winding_plug"), *ohms)),
    )


@dataclass(frozen=True, slots=True)
class Row:
    """A test with what it tells: for each hypothesis (by number) the bit mask of those it can't be told from."""

    test: Test
    alike: tuple[int, ...]


class Table:
    """All tests of a complaint against all its hypotheses, and the greedy path through them."""

    def __init__(self, equipment: Equipment, catalogue: Catalogue, complaint: str) -> None:
        self.equipment, self.catalogue = equipment, catalogue
        self.hypotheses: tuple[Hypothesis, ...] = catalogue.hypotheses(complaint)
        self.number = {h: k for k, h in enumerate(self.hypotheses)}
        self.weights = tuple(catalogue.weight(h) for h in self.hypotheses)
        units = sorted({catalogue.corrections(h) for h in self.hypotheses})
        self.unit_masks = tuple(
            sum(1 << k for k, h in enumerate(self.hypotheses) if catalogue.corrections(h) == u) for u in units
        )  # fmt: skip
        self.setups = _setups(equipment)
        self.distance = self._distances()
        self.rows = self._rows(complaint)
        self._memo: dict[tuple[int, str], tuple[int, Row | None]] = {}

    def _distances(self) -> dict[tuple[str, str], int]:
        """Whole seconds between modes: back to a put-together unit, then forward; the way into a deeper mode is shared."""
        cost = {m: seconds_of(acts) for m, acts in self.setups.items()}
        back = {"as_found": 0, "held": 22, "plug_apart": 140, "source": 220, "dead": 45, "opened": 200}
        deeper = {("dead", m): max(0, cost[m] - cost["dead"]) for m in ("plug_apart", "source", "opened")}
        safe = seconds_of(p.make_safe(self.equipment, Hands()))
        for m in ("held", "plug_apart", "source"):
            deeper[m, "dead"] = safe
            deeper[m, "opened"] = safe + deeper["dead", "opened"]
        deeper["dead", "held"] = 30
        deeper["plug_apart", "source"] = safe + deeper["dead", "source"]
        deeper["source", "plug_apart"] = safe + deeper["dead", "plug_apart"]
        return {
            (m, n): 0 if m == n else deeper.get((m, n), back[m] + cost[n]) for m in MODES for n in MODES
        }  # fmt: skip

    def _rows(self, complaint: str) -> tuple[Row, ...]:
        tests = tests_of(self.equipment)
        columns: list[list[tuple[Prediction, ...]]] = [[] for _ in tests]
        for h in self.hypotheses:
            starts = [fresh_session(self.equipment, self.catalogue, h, complaint, k) for k in range(len(extreme_variants()))]
            ready: dict[str, list[Session]] = {}
            asked: dict[tuple[str, int], Asked] = {}
            for mode, acts in self.setups.items():
                sessions = [s.copy() for s in starts]
                for s in sessions:
                    for act in acts:
                        if s.decide(act) is None:
                            s.play(act)
                ready[mode] = sessions
            for column, test in zip(columns, tests, strict=True):
                seen = [_ask(s, test.acts, asked.setdefault((test.mode, k), {})) for k, s in enumerate(ready[test.mode])]
                column.append(tuple(predict(x) for x in zip(*seen, strict=True)))
        rows: list[Row] = []
        for test, column in zip(tests, columns, strict=True):
            alike = []
            for one in column:
                mask = 0
                for k, other in enumerate(column):
                    if all(overlap(x, y) for x, y in zip(one, other, strict=False)):
                        mask |= 1 << k
                alike.append(mask)
            if any(m != (1 << len(column)) - 1 for m in alike):
                rows.append(Row(test, tuple(alike)))
        return tuple(rows)

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

    def cost(self, mask: int, mode: str) -> int:
        """W(S, m) of the greedy path: prior weight × expected seconds until one correction unit is left."""
        return self._best(mask, mode)[0]

    def best(self, mask: int, mode: str) -> Test | None:
        """The test that the path asks next; None when one unit is left or nothing tells the rest apart."""
        row = self._best(mask, mode)[1]
        return None if row is None else row.test

    def _best(self, mask: int, mode: str) -> tuple[int, Row | None]:
        if self.solved(mask):
            return 0, None
        found = self._memo.get((mask, mode))
        if found is None:
            found = self._memo[mask, mode] = self._choose(mask, mode)
        return found

    def _choose(self, mask: int, mode: str) -> tuple[int, Row | None]:
        total = self.weight(mask)
        best: tuple[float, int, Row, list[int]] | None = None
        for k, row in enumerate(self.rows):
            groups = self.split(mask, row)
            if len(groups) < 2:
                continue
            told = total * total - sum(self.weight(g) ** 2 for g in groups)
            price = self.distance[mode, row.test.mode] + row.test.cost
            merit = -told / price
            if best is None or (merit, k) < best[:2]:
                best = (merit, k, row, groups)
        if best is None:
            return 0, None
        _, _, row, groups = best
        price = self.distance[mode, row.test.mode] + row.test.cost
        return total * price + sum(self.cost(g, row.test.mode) for g in groups), row


Asked = dict[tuple[a.Act, ...], tuple[Session, tuple[Heard, ...]]]


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
            if isinstance(act, a.PlaceLead | a.LiftLead | a.SetMeter | a.Wear | a.InspectMeter) and not last:
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


def steps_of_path(table: Table, mask: int, mode: str, depth: int = 0) -> list[tuple[int, str, int]]:
    """The path as (depth, sentence, set) rows, for a printed tree."""
    test = table.best(mask, mode)
    if test is None:
        return [(depth, "", mask)]
    rows: list[tuple[int, str, int]] = [(depth, f"{test.mode}: {test.name}", mask)]
    row = next(r for r in table.rows if r.test == test)
    for group in table.split(mask, row):
        rows += steps_of_path(table, group, test.mode, depth + 1)
    return rows
