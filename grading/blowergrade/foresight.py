"""What a test of the path would show: for each group of causes that it tells apart, the outcome in words.

Rule: predictions come from the same sessions that evidence plays; a group's range is the union of its causes' ranges, rounded
outward. The groups themselves are the table's.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from blowerbench import acts as a
from blowerbench.circuit import OVERLOAD
from blowerbench.faults import Hypothesis
from blowerbench.hands import Hands
from blowerbench.instruments import instruments
from blowerbench.messages import say
from blowerbench.session import Heard, Session
from blowergrade.evidence import Prediction, every_session, predict
from blowergrade.path import Table, Test, asked_of
from blowergrade.wording import RANGE, Words, after, number, span

MOST_WAYS = 3  # ways in which one group may show itself before the rest becomes an ellipsis


@dataclass(frozen=True, slots=True)
class Outcome:
    """One outcome of a test: the causes that lead to it as a bit mask of the table, and what it looks like."""

    mask: int
    words: str


@dataclass(frozen=True, slots=True, order=True)
class _Facet:
    """One thing that an act shows; those to be told first come first."""

    rank: int  # displays before answers before senses
    act: int  # from the last act backwards
    slot: int = 0


def groups_of(table: Table, mask: int, test: Test) -> list[int]:
    """The set in the groups that `test` tells apart for certain; the whole set where it tells nothing."""
    row = next((r for r in table.rows if r.test == test), None)
    return [mask] if row is None else table.split(mask, row)


class Foresight:
    """Predictions for the tests of one table, each computed when it is asked for."""

    def __init__(self, table: Table, complaint: str, words: Words) -> None:
        self.table, self.complaint, self.words = table, complaint, words
        self._stood: dict[tuple[Hypothesis, str], tuple[Session, ...]] = {}
        self._known: dict[tuple[Hypothesis, Test], tuple[Prediction, ...]] = {}

    def members(self, mask: int) -> list[Hypothesis]:
        """The causes in `mask`."""
        return [h for k, h in enumerate(self.table.hypotheses) if mask >> k & 1]

    def question(self, test: Test) -> str:
        """The test as an order."""
        return self.words.question(test, self.table.setups[test.mode])

    def hands(self, test: Test) -> Hands:
        """The hands after `test`, its set-up done first."""
        equipment = self.table.equipment
        arrival = Hands(thermostat=equipment.complaints[self.complaint].call)
        return after(equipment, (*self.table.setups[test.mode], *test.acts), arrival)

    def seconds(self, test: Test, mode: str) -> int:
        """Simulated seconds of `test`, asked from `mode`."""
        return self.table.distance[mode, test.mode] + test.cost

    def prediction(self, hypothesis: Hypothesis, test: Test) -> tuple[Prediction, ...]:
        """What each act of `test` would show under `hypothesis`."""
        found = self._known.get((hypothesis, test))
        if found is None:
            seen = [_ask(s, test.acts) for s in asked_of(test, self._standing(hypothesis, test.mode))]
            found = self._known[hypothesis, test] = tuple(predict(x) for x in zip(*seen, strict=True))
        return found

    def _standing(self, hypothesis: Hypothesis, mode: str) -> tuple[Session, ...]:
        found = self._stood.get((hypothesis, mode))
        if found is None:
            table, sessions = self.table, []
            for session in every_session(table.equipment, table.catalogue, hypothesis, self.complaint):
                _play(session, table.setups[mode])
                sessions.append(session)
            found = self._stood[hypothesis, mode] = tuple(sessions)
        return found

    # ------------------------------------------------------------------ outcomes in words
    def outcomes(self, mask: int, test: Test) -> list[Outcome]:
        """What `test` may show of the causes in `mask`, likeliest first."""
        groups = sorted(groups_of(self.table, mask, test), key=lambda g: (-self.table.weight(g), g))
        if len(groups) < 2:
            return [Outcome(g, self.words.t("whatever it shows")) for g in groups]
        members = [self.members(g) for g in groups]
        found = []
        for group, own in zip(groups, members, strict=True):
            others = [h for m in members if m is not own for h in m]
            facets = self._telling(own, others, test)
            common = self._common([*own, *others], test, facets) if facets else frozenset()
            words = self._ways(own, test, facets, common) if facets else self.words.t("several readings together")
            found.append(Outcome(group, words))
        return found

    def _telling(self, own: Sequence[Hypothesis], others: Sequence[Hypothesis], test: Test) -> list[_Facet]:
        """The fewest things shown, greedily, by which every cause of a group differs from every other one."""
        every = [self.prediction(h, test) for h in (*own, *others)]
        acts = min(len(p) for p in every)
        facets = [
            _Facet(rank, -act, slot)
            for act in range(acts)
            for rank, slots in ((0, max(len(p[act].shown) for p in every)), (1, 1), (2, 1))
            for slot in range(slots)
        ]
        pairs = [(x, y) for x in own for y in others]
        apart = {
            f: {k for k, (x, y) in enumerate(pairs) if _differ(self.prediction(x, test), self.prediction(y, test), f)}
            for f in facets
        }
        chosen: list[_Facet] = []
        left = set(range(len(pairs)))
        while left:
            best = min(facets, key=lambda f: (-len(apart[f] & left), f))
            if not apart[best] & left:
                break
            chosen.append(best)
            left -= apart[best]
        return sorted(chosen)

    def _common(self, members: Iterable[Hypothesis], test: Test, facets: Iterable[_Facet]) -> frozenset[str]:
        """Senses that are perceived under every cause: not worth a word."""
        return frozenset.intersection(
            *(self.prediction(h, test)[-f.act].senses for h in members for f in facets)
        )  # fmt: skip

    def _ways(self, members: Sequence[Hypothesis], test: Test, facets: Sequence[_Facet], common: frozenset[str]) -> str:
        """How a group shows itself: one range or sentence where it can be said in one, else its ways."""
        predictions = [self.prediction(h, test) for h in members]
        if len(facets) == 1:
            return self._told(predictions, facets[0], common)
        ways = [", ".join(x for x in (self._told([p], f, common) for f in facets) if x) for p in predictions]
        found = list(dict.fromkeys(ways))
        shown = found[:MOST_WAYS] + (["…"] if len(found) > MOST_WAYS else [])
        return self.words.t(" or ").join(shown)

    def _told(self, predictions: Sequence[tuple[Prediction, ...]], facet: _Facet, common: frozenset[str]) -> str:
        shown = [p[-facet.act] for p in predictions]
        if facet.rank == 0:
            return self._range(shown, facet.slot)
        if facet.rank == 1:
            texts = {t for p in shown for t in p.said}
            return self._sentences(texts)
        texts = {tuple(sorted(p.senses - common)) for p in shown}
        return self._sentences(texts) or self.words.t("nothing else to note")

    def _sentences(self, texts: Iterable[tuple[str, ...]]) -> str:
        said = []
        for text in sorted(texts):
            ids = [x.split("/") for x in text]
            said.append(" ".join(say(i[0], i[1:], self.words.language, self.words.equipment) for i in ids))
        said = [x.rstrip(".") for x in dict.fromkeys(said) if x]
        more = ["…"] if len(said) > MOST_WAYS else []
        return self.words.t(" or ").join(said[:MOST_WAYS] + more)

    def _range(self, shown: Sequence[Prediction], slot: int) -> str:
        specs, _ = instruments()
        rows = [p.shown[slot] for p in shown if len(p.shown) > slot]
        if not rows:
            return self.words.t("no reading")
        name, _, _, exponent = rows[0]
        low, high, unit = min(r[1] for r in rows), max(r[2] for r in rows), specs[name].unit

        least, most = (outward(c * 10.0**exponent, up) for c, up in ((low, False), (high, True)))
        if low >= OVERLOAD:
            return "OL"
        if high >= OVERLOAD:
            return self.words.t("over {0}", number(least, unit)) if low > 0 else self.words.t("any reading")
        if low <= 0 <= high:
            return self.words.t("under {0}", number(most, unit))
        return span(least, most, unit, self.words.t(RANGE))


def outward(value: float, up: bool) -> float:
    """`value` with three digits, rounded up or down."""
    if value == 0.0:
        return 0.0
    step = 10.0 ** (math.floor(math.log10(abs(value))) - 2)
    return (math.ceil if up else math.floor)(round(value / step, 6)) * step


def _differ(one: Sequence[Prediction], other: Sequence[Prediction], facet: _Facet) -> bool:
    """Whether no observation of this facet fits both."""
    x, y = one[-facet.act], other[-facet.act]
    if facet.rank == 1:
        return not x.said & y.said
    if facet.rank == 2:
        return not (x.senses <= y.perhaps and y.senses <= x.perhaps)
    if len(x.shown) != len(y.shown):
        return facet.slot == 0 and not (x.silent or y.silent)
    if len(x.shown) <= facet.slot:
        return False
    a1, b1 = x.shown[facet.slot], y.shown[facet.slot]
    return not (a1[1] <= b1[2] and b1[1] <= a1[2])


def _play(session: Session, acts: Iterable[a.Act]) -> None:
    """Play `acts`, those left out that hands can't do there; other moments of a cycle are not looked at on the way."""
    session.spread = False
    for act in acts:
        if session.decide(act) is None:
            session.play(act)
    session.spread = True


def _ask(start: Session, acts: Iterable[a.Act]) -> tuple[Heard, ...]:
    """What `acts` show from `start`, act by act."""
    session = start.copy()
    return tuple(session.play(act) for act in acts if session.decide(act) is None)
