"""What a unit's faults can be told apart by, and what they can't: the report that a catalogue is judged with.

Rule: computed from the tables of the isolation path. A pair that no ordinary test of a table splits is listed with the extra
questions (provoking, watching in short steps, volts with the disconnect open) that its path asks for that reason; where there
are none either, only a reason in the catalogue documents it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from itertools import combinations

import msgspec

from blowerbench import acts as a
from blowerbench.equipment import Equipment
from blowerbench.faults import Catalogue, Hypothesis
from blowergrade.path import MODES, Table, Test, extra_tests, table_for, tests_of
from blowergrade.wording import Words

FORMAT = 1
FEW = 3  # a complaint with fewer causes asks for no search


class Ambiguity(msgspec.Struct, frozen=True):
    """Causes in different correction units that no ordinary test of the path tells apart.

    `causes` are ids, `extra` the path's extra questions that do split them ("" for none), `reasons` what the catalogue says
    (only_by_substitution) of those that have a reason.
    """

    complaints: tuple[str, ...]
    causes: tuple[str, ...]
    corrections: tuple[str, ...]
    extra: str
    reasons: tuple[str, ...]

    @property
    def documented(self) -> bool:
        """Whether something splits them after all, or the catalogue says that only substitution does."""
        return bool(self.extra or self.reasons)


class Split(msgspec.Struct, frozen=True):
    """Two correction units that share a complaint, and the cheapest test that splits most pairs of their causes."""

    first: str
    second: str
    test: str  # in plain English; "" where no test splits any pair
    seconds: int
    split: int  # pairs that this test splits
    pairs: int
    never: int  # pairs that no test of the path splits


class Report(msgspec.Struct, frozen=True):
    """The diagnosability of one equipment: causes, corrections and complaints by their ids, tests in plain English."""

    format: int
    equipment: str
    equipment_digest: str
    catalogue_digest: str
    faults: int
    hypotheses: int
    ambiguities: tuple[Ambiguity, ...]
    splits: tuple[Split, ...]
    unreached: tuple[str, ...]  # faults that no complaint leads to
    small: tuple[tuple[str, int], ...]  # complaints with fewer than `FEW` causes
    idle: tuple[str, ...]  # tests that never split anything

    def json(self) -> bytes:
        """The report as JSON, keys in declared order."""
        return msgspec.json.format(msgspec.json.encode(self), indent=1)


def diagnosability(
    equipment: Equipment,
    catalogue: Catalogue,
    complaints: Sequence[str] | None = None,
    done: Callable[[], object] = lambda: None,
) -> Report:
    """The report over `complaints` (all of them by default); `done` is called after each."""
    maker = _Maker(equipment, catalogue)
    chosen = tuple(equipment.complaints) if complaints is None else tuple(complaints)
    for complaint in chosen:
        maker.add(complaint)
        done()
    return maker.report(chosen)


class _Maker:
    """Gathers what the tables say, complaint by complaint."""

    def __init__(self, equipment: Equipment, catalogue: Catalogue) -> None:
        self.equipment, self.catalogue = equipment, catalogue
        self.words = Words(equipment, catalogue)
        self.groups: dict[frozenset[Hypothesis], list[str]] = {}
        self.extra: dict[frozenset[Hypothesis], str] = {}
        self.pairs: dict[tuple[str, str], set[tuple[Hypothesis, Hypothesis]]] = {}
        self.never: dict[tuple[str, str], set[tuple[Hypothesis, Hypothesis]]] = {}
        self.by_test: dict[tuple[str, str], dict[int, set[tuple[Hypothesis, Hypothesis]]]] = {}
        self.ordinary = len(tests_of(equipment))
        self.tests = (*tests_of(equipment), *extra_tests(equipment, catalogue))
        self.number = {test: k for k, test in enumerate(self.tests)}
        self.price: dict[int, int] = {}
        self.setups: dict[str, tuple[a.Act, ...]] = {}

    def correction(self, hypothesis: Hypothesis) -> str:
        return "+".join(self.catalogue.corrections(hypothesis))

    def add(self, complaint: str) -> None:
        """Take in the table of `complaint`."""
        table = table_for(self.equipment, self.catalogue, complaint)
        self.setups = dict(table.setups)
        numbers = [self.number[row.test] for row in table.rows]
        self.price |= {
            n: table.distance[MODES[0], row.test.mode] + row.test.cost for n, row in zip(numbers, table.rows, strict=True)
        }
        apart: list[tuple[int, int]] = []
        for i, j in combinations(range(len(table.hypotheses)), 2):
            one, other = table.hypotheses[i], table.hypotheses[j]
            first, second = sorted((self.correction(one), self.correction(other)))
            if first == second:
                continue
            pair, units = (one, other), (first, second)
            self.pairs.setdefault(units, set()).add(pair)
            telling = [n for n, row in zip(numbers, table.rows, strict=True) if not row.alike[i] >> j & 1]
            by_test = self.by_test.setdefault(units, {})
            for n in telling:
                by_test.setdefault(n, set()).add(pair)
            if not telling:
                self.never.setdefault(units, set()).add(pair)
            if all(n >= self.ordinary for n in telling):
                apart.append((i, j))
        for group in _joined(apart):
            members = frozenset(table.hypotheses[k] for k in group)
            self.groups.setdefault(members, []).append(complaint)
            if not self.extra.get(members):
                self.extra[members] = self.beyond(table, members)

    def beyond(self, table: Table, members: Iterable[Hypothesis]) -> str:
        """The extra questions of the path that together split `members` by correction; "" where they don't.

        One question that splits them all is preferred to several.
        """
        left = {(x, y) for x, y in combinations(sorted(members), 2) if self.correction(x) != self.correction(y)}
        rows = [row for row in table.rows if self.number[row.test] >= self.ordinary]
        told = [{(x, y) for x, y in left if not row.alike[table.number[x]] >> table.number[y] & 1} for row in rows]
        chosen: list[str] = []
        while left:
            best = max(range(len(rows)), key=lambda k: len(told[k] & left), default=None)
            if best is None or not told[best] & left:
                return ""
            chosen.append(rows[best].test.name)
            left -= told[best]
        return "; ".join(chosen)

    def report(self, complaints: Sequence[str]) -> Report:
        """All that was gathered."""
        ambiguities = [
            Ambiguity(
                tuple(found), tuple(sorted(map(str, members))), tuple(sorted({self.correction(h) for h in members})),
                self.extra[members], tuple(sorted({r for h in members if (r := self.reason(h))})),
            )
            for members, found in self.groups.items()
        ]  # fmt: skip
        counts = [(c, len(self.catalogue.hypotheses(c))) for c in complaints]
        reached = {f for f in self.catalogue.faults.values() if f.complaints}
        idle = tuple(self.asked(t) for k, t in enumerate(self.tests[: self.ordinary]) if k not in self.price)
        return Report(
            FORMAT, self.equipment.id, self.equipment.digest, self.catalogue.digest, len(self.catalogue.faults),
            len(self.catalogue.hypotheses()), tuple(sorted(ambiguities, key=lambda x: x.causes)),
            tuple(self.split(units) for units in sorted(self.pairs)),
            tuple(f.id for f in self.catalogue.faults.values() if f not in reached),
            tuple((c, n) for c, n in counts if n < FEW), idle,
        )  # fmt: skip

    def reason(self, hypothesis: Hypothesis) -> str:
        return self.catalogue.faults[hypothesis.fault].only_by_substitution

    def split(self, units: tuple[str, str]) -> Split:
        """The test that splits most pairs of these units, the cheapest of those."""
        tests, pairs = self.by_test.get(units, {}), len(self.pairs[units])
        never = len(self.never.get(units, ()))
        if not tests:
            return Split(*units, "", 0, 0, pairs, never)
        best = min(tests, key=lambda n: (-len(tests[n]), self.price[n], n))
        return Split(*units, self.asked(self.tests[best]), self.price[best], len(tests[best]), pairs, never)

    def asked(self, test: Test) -> str:
        """A test in plain English: the question, and how the unit stands for it."""
        return f"{self.words.question(test, self.setups.get(test.mode, ()))} ({self.words.stands(test.mode)})"


def _joined(pairs: Iterable[tuple[int, int]]) -> list[set[int]]:
    """The connected components of `pairs`."""
    groups: list[set[int]] = []
    for i, j in pairs:
        touching = [g for g in groups if i in g or j in g]
        groups = [g for g in groups if g not in touching] + [{i, j}.union(*touching)]
    return groups
