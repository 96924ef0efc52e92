"""The coach of a practice call: what is still possible, and hints in three strengths.

Rule: a coach is told acts and observations, never the fault; so a hint is right for every fault that is still possible, and it
can't name the one that is there. What it asks next is always a safe act. Hints are counted and told, and cost no points.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

from msgspec.structs import replace

from blowerbench import acts as a
from blowerbench.bench import LocalBench
from blowerbench.equipment import Equipment
from blowerbench.errors import BenchError
from blowerbench.faults import HEALTHY, Catalogue, Hypothesis, load_faults
from blowerbench.hands import evolve
from blowerbench.messages import translate
from blowerbench.observation import Observation
from blowerbench.record import Line
from blowerbench.session import Session
from blowerbench.variant import NOMINAL
from blowergrade import coach_words as say
from blowergrade.coach_plan import Tape, next_act
from blowergrade.evidence import Evidence
from blowergrade.path import Table, mode_of, table_for
from blowergrade.replay import Step
from blowergrade.safety import Known, judge
from blowergrade.sheet import Sheet
from blowergrade.wording import Words

#: Acts that can be taken back before evidence is worked out from the arrival again.
KEPT = 24
STRENGTHS = (1, 2, 3)


class CoachError(BenchError):
    """Something that a coach can't be asked; says what it can be."""


@dataclass(frozen=True, slots=True)
class Place:
    """A correction unit that may be at fault: its title, its band (common, occasional, rare), its causes."""

    unit: str
    title: str
    band: str
    causes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Advice:
    """What the plan asks next: the act (None when the call is over), what it is part of, and the question it leads to.

    The question is there as acts, in words, and as the mode in which the unit stands for it.
    """

    act: a.Act | None
    stage: str
    asking: tuple[a.Act, ...] = ()
    question: str = ""
    mode: str = ""


class BenchCoach:
    """A coach for calls on `equipment` with `complaint`; `arrival` is what was perceived at arrival.

    With `table` the table's best question comes first, else the taught order. `hints` counts the hints given, by strength.
    """

    def __init__(
        self, equipment: Equipment, complaint: str, arrival: Observation, *, table: Table | None = None, language: str = "en"
    ) -> None:
        self.equipment, self.complaint, self.table = equipment, complaint, table
        self.catalogue: Catalogue = load_faults(equipment)
        self.words = Words(equipment, self.catalogue, language)
        self.hints: Counter[int] = Counter()
        self._arrival = arrival
        self._start = 0  # where the plan in force began
        self._restart()

    @classmethod
    def of(cls, bench: LocalBench, *, table: Table | None = None, language: str = "en") -> BenchCoach:
        """A coach for `bench`; of the unit it learns what can be perceived at arrival."""
        fresh = LocalBench(bench.equipment, bench.session.hypothesis, bench.session.complaint.id, variant=bench.session.variant)
        return cls(bench.equipment, bench.session.complaint.id, fresh.last, table=table, language=language)

    def use_table(self) -> None:
        """Take the table of tests from now on; computed where the cache does not hold it, which may take a minute."""
        self.table = table_for(self.equipment, self.catalogue, self.complaint)

    # ------------------------------------------------------------------ following a call
    def _restart(self) -> None:
        evidence = Evidence(self.equipment, self.catalogue, self.complaint)
        evidence.perceive_arrival(self._arrival.senses)
        shadow = Session(self.equipment, self.catalogue, Hypothesis(HEALTHY), NOMINAL, self.complaint)
        hands = shadow.now.hands
        self._tape = Tape(self.equipment, self.catalogue, self.complaint, self._arrival)
        self._tape.hands, self._tape.alive, self._tape.proved = [hands], [tuple(evidence.alive)], [False]
        self._tape.vague, self._tape.tripped = [False], [_tripped(evidence)]
        self._evidence, self._shadow, self._safety = evidence, shadow, Known()
        self._kept: dict[int, tuple[Evidence, Session, Known]] = {0: (_copied(evidence), shadow.copy(), Known())}

    def follow(self, lines: Sequence[Line]) -> None:
        """Take in `lines`, all of them from arrival on; acts taken back since the last time are forgotten."""
        tape = self._tape
        same = 0
        for old, new in zip(tape.lines, lines, strict=False):
            if old is not new and old != new:
                break
            same += 1
        if same < len(tape.lines):
            self._back_to(same)
            tape = self._tape
        for line in lines[len(tape.lines) :]:
            self._take_in(line)

    def _back_to(self, same: int) -> None:
        lines = self._tape.lines[:same]
        self._start = min(self._start, same)
        kept = self._kept.get(same)
        if kept is None:
            self._restart()
            for line in lines:
                self._take_in(line)
            return
        evidence, shadow, known = kept
        self._evidence, self._shadow, self._safety = _copied(evidence), shadow.copy(), known
        tape = self._tape
        tape.lines, tape.hands = lines, tape.hands[: same + 1]
        tape.alive, tape.proved = tape.alive[: same + 1], tape.proved[: same + 1]
        tape.vague, tape.tripped = tape.vague[: same + 1], tape.tripped[: same + 1]
        self._kept = {k: v for k, v in self._kept.items() if k <= same}

    def _take_in(self, line: Line) -> None:
        tape, act = self._tape, line.act
        before, searching = self._shadow.now, self._searching(act)
        if searching:
            self._evidence.observe(act, line.observation)
        self._shadow.play(act)
        after = self._shadow.now
        step = Step(line.seq, act, before, after, line.observation)
        self._safety, _ = judge(self.equipment, self._safety, step)
        tape.lines.append(line)
        tape.hands.append(evolve(self.equipment, tape.hands[-1], act))
        tape.alive.append(tuple(self._evidence.alive))
        tape.proved.append("load" in self._safety.proved)
        tape.vague.append(searching and any(x.vague for x in self._evidence.last.values()))
        tape.tripped.append(_tripped(self._evidence))
        at = len(tape.lines)
        self._kept[at] = _copied(self._evidence), self._shadow.copy(), self._safety
        if at > KEPT:
            self._kept.pop(at - KEPT, None)

    def _searching(self, act: a.Act) -> bool:
        """Whether `act` may still rule something out: no longer once the one place that is left has been put right."""
        units = self._tape.corrections(len(self._tape.lines))
        repaired = set(self._tape.hands[-1].repaired) | ({act.unit} if isinstance(act, a.Repair) else set())
        return not (len(units) == 1 and set(next(iter(units))) & repaired)

    # ------------------------------------------------------------------ what is still possible
    def causes(self, lines: Sequence[Line]) -> int:
        """How many causes are still possible."""
        self.follow(lines)
        return len(self._evidence.alive)

    def possible(self, lines: Sequence[Line]) -> tuple[Place, ...]:
        """The correction units that may be at fault, commonest band first, then by title."""
        self.follow(lines)
        by_unit: dict[tuple[str, ...], list[Hypothesis]] = {}
        for h in self._evidence.alive:
            by_unit.setdefault(self.catalogue.corrections(h), []).append(h)
        t = self.words.t
        names = {"common": t("common"), "occasional": t("occasional"), "rare": t("rare")}
        rows = []
        for units, members in by_unit.items():
            rank = min(self._rank(h) for h in members)
            causes = tuple(dict.fromkeys(self.words.causes([h]) for h in members))
            rows.append((rank, Place("+".join(units), self.words.units("+".join(units)), tuple(names.values())[rank], causes)))
        return tuple(place for _, place in sorted(rows, key=lambda r: (r[0], r[1].title)))

    def _rank(self, hypothesis: Hypothesis) -> int:
        """0 common, 1 occasional, 2 rare: as the catalogue's reason says, else by its prior."""
        fault = self.catalogue.faults[hypothesis.fault]
        said = fault.prior_reason.replace(":", " ").split()[:1]
        bands = ("common", "occasional", "rare")
        if said and said[0] in bands:
            return bands.index(said[0])
        return 0 if fault.prior >= 5 else 1 if fault.prior >= 3 else 2

    # ------------------------------------------------------------------ hints
    def advice(self, lines: Sequence[Line]) -> Advice:
        """What a careful person would do next; counts as no hint."""
        self.follow(lines)
        hands = self._tape.hands[-1]
        if hands.ended:
            return Advice(None, "over")
        self._start, plan, act = next_act(self._tape, self._start, self.table)
        test = plan.question
        if test is not None and self.table is not None:
            asks, mode = self.words.question(test, self.table.setups[test.mode]), test.mode
        else:
            asks, mode = say.asked(self.words, plan.asking, hands), mode_of(self.equipment, hands)
        return Advice(act, plan.stage, plan.asking, asks, mode)

    def hint(self, lines: tuple[Line, ...], strength: int) -> str:
        """A hint after these acts: 1 a nudge, 2 which test and where, 3 the act itself. Each is counted."""
        if strength not in STRENGTHS:
            raise CoachError(f"no hint of strength {strength!r}; there are 1, 2 and 3")
        advice = self.advice(lines)
        self.hints[strength] += 1
        t, hands = self.words.t, self._tape.hands[-1]
        if advice.act is None:
            return t("The call is over: there is nothing left to do.")
        if strength == 1:
            return say.nudge(t, advice.stage, advice.asking, advice.mode)
        if strength == 2:
            return say.question(self.words, advice.stage, advice.question, advice.mode)
        last = advice.act == (advice.asking or (None,))[-1]
        return say.the_act(self.words, advice.act, advice.stage, advice.question, last, hands)

    @property
    def used(self) -> str:
        """How many hints were given, in words."""
        return used_in_words(sum(self.hints.values()), self.words.language)

    def noted(self, sheet: Sheet) -> Sheet:
        """`sheet` with the number of hints among its notes; no point changes."""
        if not sum(self.hints.values()):
            return sheet
        t = self.words.t
        strengths = t(
            "nudges {0}, tests {1}, acts {2}; for your information, hints cost no points", *(self.hints[s] for s in STRENGTHS)
        )
        return replace(sheet, notes=(*sheet.notes, f"{self.used}: {strengths}"))


def used_in_words(count: int, language: str = "en") -> str:
    """So many hints used, as a sentence without a stop."""
    if count == 1:
        return translate("1 hint used", language)
    return translate("{0} hints used", language).format(count)


@lru_cache(maxsize=1)
def _nothing() -> tuple[Hypothesis, ...]:
    return ()


def _tripped(evidence: Evidence) -> bool:
    """Whether a breaker would stand tripped under some cause that is left."""
    return any(s.now.plant.tripped for rows in evidence.alive.values() for row in rows for s in row[:1])


def _copied(evidence: Evidence) -> Evidence:
    """An independent evidence with the same hypotheses left."""
    made = Evidence(evidence.equipment, evidence.catalogue, evidence.complaint, _nothing())
    made.alive = {h: [[s.copy() for s in row] for row in rows] for h, rows in evidence.alive.items()}
    made.seq = evidence.seq
    return made
