"""An act explained: what was possible before and after it, what it ruled out and why, and what would have told more.

Rule: everything comes from the graded sheet's own time line, the record's observations and the table of tests; nothing is
judged a second time. The words are for an apprentice: no ids, no symbols, shares in whole percent.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from blowerbench import acts as a
from blowerbench.bench import LocalBench
from blowerbench.equipment import Equipment, load_equipment
from blowerbench.errors import BenchError
from blowerbench.faults import Catalogue, Hypothesis, load_faults
from blowerbench.hands import Hands, evolve
from blowerbench.messages import perceived, translate
from blowerbench.record import Line
from blowerbench.variant import draw_variant
from blowergrade.evidence import Evidence
from blowergrade.foresight import Foresight
from blowergrade.path import Table, Test, mode_of, table_for
from blowergrade.sheet import Moment, Sheet
from blowergrade.wording import Words, clock, hypothesis_named

MOST_PLACES = 8  # places told before the rest is summed up
WORTH_TELLING = 30  # simulated seconds lost by an act, from which on it is told though it ruled nothing out


class ExplainError(BenchError):
    """An act that can't be explained; says why and what would be right."""


@dataclass(frozen=True, slots=True)
class Place:
    """A correction unit that may be at fault: its share of the likelihood (whole percent), and the causes in it."""

    title: str
    percent: int
    causes: str


@dataclass(frozen=True, slots=True)
class Fallen:
    """Causes that fell together, since each would have shown `predicted`."""

    causes: str
    count: int
    predicted: str


@dataclass(frozen=True, slots=True)
class Better:
    """The best next act: the question, how the unit stands for it, its simulated seconds, and what each outcome leaves."""

    question: str
    stands: str
    seconds: int
    tells: tuple[tuple[str, str], ...]  # (outcome, places left)
    asked: bool  # whether the act explained completed this very question


@dataclass(frozen=True, slots=True)
class Explained:
    """One act. `before` and `after` are likeliest first; `lost` is what it cost more than the best next act (seconds)."""

    seq: int
    clock: int
    seconds: int
    did: str
    showed: tuple[str, ...]
    observed: str
    before: tuple[Place, ...]
    after: tuple[Place, ...]
    possible: tuple[int, int]  # causes before and after
    fallen: tuple[Fallen, ...]
    lost: int
    best: Better | None
    violations: tuple[str, ...]

    @property
    def telling(self) -> bool:
        """Whether the act ruled something out, cost noticeably more than the best one, or broke a rule."""
        return bool(self.fallen or self.violations) or self.lost >= WORTH_TELLING


class Explainer:
    """Explains the acts of one graded call; `lines` are the record's, with what each act let the learner perceive."""

    def __init__(
        self, sheet: Sheet, lines: Sequence[Line], equipment: Equipment | None = None, language: str = "en"
    ) -> None:
        self.sheet, self.lines = sheet, tuple(lines)
        self.equipment: Equipment = equipment or load_equipment(sheet.equipment)
        self.catalogue: Catalogue = load_faults(self.equipment)
        self.words = Words(self.equipment, self.catalogue, language)
        self.table: Table = table_for(self.equipment, self.catalogue, sheet.complaint)
        self.foresight = Foresight(self.table, sheet.complaint, self.words)
        self.alive: dict[int, tuple[Hypothesis, ...]] = {}  # after act number so and so, 0 is arrival
        self.hands: dict[int, Hands] = {}
        self._fold()

    def _fold(self) -> None:
        """What was possible and how hands stood after each act."""
        fault, variant = hypothesis_named(self.sheet.fault), draw_variant(self.sheet.variant)
        bench = LocalBench(self.equipment, fault, self.sheet.complaint, variant=variant)
        evidence = Evidence(self.equipment, self.catalogue, self.sheet.complaint)
        evidence.perceive_arrival(bench.last.senses)
        left, hands = tuple(evidence.alive), bench.session.now.hands
        self.alive[0], self.hands[0] = left, hands
        moments = {m.seq: m for m in self.sheet.timeline}
        for line in self.lines:
            moment = moments.get(line.seq)
            fell = frozenset(map(hypothesis_named, moment.ruled_out)) if moment else frozenset()
            left, hands = tuple(h for h in left if h not in fell), evolve(self.equipment, hands, line.act)
            self.alive[line.seq], self.hands[line.seq] = left, hands

    @property
    def everything(self) -> tuple[Explained, ...]:
        """Every act of the call."""
        return tuple(self.act(line.seq) for line in self.lines)

    @property
    def telling(self) -> tuple[Explained, ...]:
        """The acts that ruled something out, cost noticeably more than the best one, or broke a rule."""
        seqs = {b.seq for b in self.sheet.violations}
        seqs |= {m.seq for m in self.sheet.timeline if m.ruled_out or m.regret >= WORTH_TELLING}
        return tuple(self.act(line.seq) for line in self.lines if line.seq in seqs)

    def act(self, seq: int) -> Explained:
        """Act number `seq` explained; raises `ExplainError` for a number that the call does not have."""
        if not 1 <= seq <= len(self.lines):
            raise ExplainError(f"no act {seq} in this call; it has acts 1 to {len(self.lines)}")
        line, moment = self.lines[seq - 1], next((m for m in self.sheet.timeline if m.seq == seq), None)
        before, after = self.alive[seq - 1], self.alive[seq]
        since = self.lines[seq - 2].clock if seq > 1 else 0
        return Explained(
            seq, line.clock, line.clock - since,
            self.words.act(line.act, self.hands[seq], moment.observed if moment else ""),
            perceived(line.observation, self.words.language, self.equipment),
            self.words.shown(moment.observed) if moment and moment.ruled_out else "",
            self.places(before), self.places(after), (len(before), len(after)), self._fallen(moment),
            moment.regret if moment else 0, self.best(before, seq) if moment else None,
            tuple(self.words.t(b.text) for b in self.sheet.violations if b.seq == seq),
        )  # fmt: skip

    # ------------------------------------------------------------------ the parts of an explanation
    def places(self, hypotheses: Iterable[Hypothesis]) -> tuple[Place, ...]:
        """The correction units that `hypotheses` lie in with their shares, likeliest first; shares add up to 100."""
        by_unit: dict[str, list[Hypothesis]] = {}
        for h in hypotheses:
            by_unit.setdefault(self.words.correction(h), []).append(h)
        weights = {u: sum(map(self.catalogue.weight, hs)) for u, hs in by_unit.items()}
        shares = percents(weights)
        order = sorted(by_unit, key=lambda u: (-weights[u], u))
        return tuple(Place(u, shares[u], self.words.causes(by_unit[u])) for u in order)

    def _fallen(self, moment: Moment | None) -> tuple[Fallen, ...]:
        if moment is None:
            return ()
        by_prediction: dict[str, list[Hypothesis]] = {}
        for name, predicted in zip(moment.ruled_out, moment.predicted, strict=True):
            by_prediction.setdefault(self.words.shown(predicted), []).append(hypothesis_named(name))
        rows = [Fallen(self.words.causes(hs), len(hs), predicted) for predicted, hs in by_prediction.items()]
        return tuple(sorted(rows, key=lambda f: -f.count))

    def best(self, hypotheses: Iterable[Hypothesis], seq: int) -> Better | None:
        """The best act in place of act `seq`; None where the diagnosis already follows or no test tells the rest apart."""
        mask, mode = self.table.mask(hypotheses), mode_of(self.equipment, self.hands[seq - 1])
        test = self.table.best(mask, mode) if mask else None
        if test is None:
            return None
        tells = []
        for outcome in self.foresight.outcomes(mask, test):
            left = self.places(self.foresight.members(outcome.mask))
            tells.append((outcome.words, "; ".join(p.title for p in left)))
        return Better(
            self.foresight.question(test), self.words.stands(test.mode), self.foresight.seconds(test, mode), tuple(tells),
            self._asked(test, seq),
        )  # fmt: skip

    def _asked(self, test: Test, seq: int) -> bool:
        then = self.foresight.hands(test)
        now, done, last = self.hands[seq], self.lines[seq - 1].act, test.acts[-1]
        if isinstance(done, a.PlaceLead | a.ReadMeter) and isinstance(last, a.PlaceLead | a.ReadMeter):
            return (now.function, set(now.leads), now.clamp) == (then.function, set(then.leads), then.clamp)
        return done == last and now.thermostat == then.thermostat

    # ------------------------------------------------------------------ in sentences
    def sentences(self, explained: Explained) -> tuple[str, ...]:
        """The explanation in plain sentences, one line each."""
        t, lines = self.words.t, []
        head = t("Act {0}, at {1} (took {2}): {3}", explained.seq, clock(explained.clock),
                 self.words.time(explained.seconds), explained.did)  # fmt: skip
        lines += [head, *(f"  → {x}" for x in explained.showed)]
        before, after = explained.possible
        lines.append(t("Possible before (causes: {0}): {1}.", before, self.shares(explained.before)))
        if explained.fallen:
            lines.append(t("It showed: {0} This ruled out {1}:", _stopped(explained.observed), before - after))
            for f in explained.fallen:
                lines.append("  – " + t("{0}: would have shown {1}", f.causes, _stopped(f.predicted)))
            lines.append(t("Possible after (causes: {0}): {1}.", after, self.shares(explained.after)))
        else:
            lines.append(self.told_nothing(explained))
        lines += self.best_in_words(explained)
        lines += [t("Safety: {0}", v) for v in explained.violations]
        return tuple(lines)

    def told_nothing(self, explained: Explained) -> str:
        """Why an act left everything as it was."""
        t = self.words.t
        if explained.seq > len(self.sheet.timeline):
            return t("The diagnosis had been stated: this act belongs to repair, verification or write-up.")
        if len(explained.before) == 1:
            return t("It ruled nothing out: only one place was left already.")
        if not explained.showed:
            return t("It ruled nothing out: it asked the unit nothing.")
        return t("It ruled nothing out: every cause still possible would have shown the same.")

    def best_in_words(self, explained: Explained) -> list[str]:
        """What would have been best there, what it costs, and what it would have told."""
        best, t = explained.best, self.words.t
        if best is None:
            return []
        if best.asked and not explained.lost:
            return [t("No question was better here.")]
        lines = [t("Best question here: {0} ({1}; takes {2}, set-up included).", best.question, best.stands,
                   self.words.time(best.seconds))]  # fmt: skip
        lines += ["  – " + t("{0}: leaves {1}", outcome, places) for outcome, places in best.tells]
        if explained.lost:
            lines.append(t("This act cost about {0} more than that, on average.", self.words.time(explained.lost)))
        return lines

    def shares(self, places: Sequence[Place]) -> str:
        """Places with their shares in one line."""
        shown = [self.words.t("{0} {1}", p.title, percent_in_words(p.percent)) for p in places[:MOST_PLACES]]
        if len(places) > MOST_PLACES:
            rest = sum(p.percent for p in places[MOST_PLACES:])
            shown.append(self.words.t("{0} more places {1}", len(places) - MOST_PLACES, percent_in_words(rest)))
        return "; ".join(shown) or self.words.t("none")


def percent_in_words(percent: int) -> str:
    """A share of the likelihood; what rounds to nothing is still possible."""
    return f"{percent} %" if percent else "<1 %"


def percents(weights: dict[str, int]) -> dict[str, int]:
    """Whole percents that add up to 100, by largest remainders; empty for no weight at all."""
    total = sum(weights.values())
    if not total:
        return {}
    found = {k: 100 * w // total for k, w in weights.items()}
    missing = 100 - sum(found.values())
    for k in sorted(weights, key=lambda k: (-(100 * weights[k] % total), k))[:missing]:
        found[k] += 1
    return found


def _stopped(text: str) -> str:
    return text if text.endswith((".", "…")) else text + "."




def text_of(explainer: Explainer, acts: Iterable[Explained]) -> str:
    """Explanations as one text for a terminal."""
    title = translate(explainer.equipment.title, explainer.words.language)
    complaint = explainer.words.name("complaint", explainer.sheet.complaint)
    return "\n\n".join([f"{title}\n“{complaint}”", *("\n".join(explainer.sentences(x)) for x in acts)])
