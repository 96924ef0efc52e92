"""Which hypotheses are still possible after a record, and which act ruled each other one out.

Rule: a hypothesis falls only when what was perceived can't happen with it, over the whole variant range of the equipment and
the whole error of the instrument; a fault that comes and goes only when it can't on any of its timelines. Every hypothesis is
played through the same acts as the record; predictions are integer count intervals, rounded outward and widened by `GUARD`, so
that the true fault does not fall to a tolerance (tested on random calls, not proved).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache

from blowerbench.acts import Act, Warm, Wiggle
from blowerbench.circuit import OVERLOAD, MeterSpec, interval
from blowerbench.equipment import Equipment
from blowerbench.faults import TIMELINES, Catalogue, Hypothesis, effects
from blowerbench.instruments import instruments
from blowerbench.observation import Observation, Shown
from blowerbench.session import Heard, Session
from blowerbench.variant import extreme_variants

#: A predicted range is widened by this fraction of itself on each side: what five variants may miss of the whole box.
GUARD = 0.25
#: The same for a unit that cycles, as a fraction of the ends of what its cycle shows: at most, and at least.
CYCLE_GUARD, LEAST_GUARD = 0.1, 0.02
#: What can be heard of the motor; one of them always is.
MOTOR = frozenset(
    f"blower_{state}" for state in ("still", "starting", "running", "coasting", "hunting", "twitching", "humming")
)
PROVOKING = (Wiggle, Warm)
PREFIX = {"": 0, "u": -6, "m": -3, "k": 3, "M": 6}


@dataclass(frozen=True, slots=True)
class Ruling:
    """Why one hypothesis fell: the act's number, what was perceived, what the hypothesis would have given."""

    seq: int
    hypothesis: Hypothesis
    observed: str
    predicted: str


@dataclass(frozen=True, slots=True)
class Prediction:
    """What an act would show under one hypothesis: possible messages and senses, and for each display an interval.

    `senses` are perceived in every variant, `perhaps` in some: each is judged by itself, since two of them may turn at
    different places of the variant range. `shown` holds (instrument, lowest, highest, exponent) in steps of 10^exponent of the
    instrument's unit.
    """

    said: frozenset[tuple[str, ...]]
    senses: frozenset[str]
    perhaps: frozenset[str]
    shown: tuple[tuple[str, int, int, int], ...]
    silent: bool  # whether some variant shows no display at all
    vague: bool = False  # nothing of it decides anything


def counts_of(shown: Shown, spec: MeterSpec) -> int:
    """The display as whole steps of the instrument's finest resolution; ±10^15 for OL."""
    if "OL" in shown.text:
        return -OVERLOAD if shown.text.startswith("-") else OVERLOAD
    prefix = shown.unit.removesuffix(spec.unit)
    digits = len(shown.text.partition(".")[2])
    exponent = PREFIX[prefix] - digits
    finest = spec.exponent(spec.ranges[0])
    return int(int(shown.text.replace(".", "")) * 10 ** max(0, exponent - finest))


def _key(observation: Observation) -> tuple[tuple[str, ...], tuple[str, ...]]:
    return tuple("/".join((s.id, *s.args)) for s in observation.said), observation.senses


def predict(heard: Sequence[Heard]) -> Prediction:
    """One prediction out of what the extreme variants gave for the same act, at every moment of a cycle they may be in."""
    cycles = any(h.also for h in heard)
    heard = [x for h in heard for x in (h, *h.also)]
    said = frozenset(_key(h.observation)[0] for h in heard)
    if len(said) > 1 and all(key and key[0].startswith("status_") for key in said):  # its two machines turn one by one
        said = frozenset((one[0], *other[1:]) for one in said for other in said)
    every = [frozenset(h.observation.senses) for h in heard]
    senses, perhaps = frozenset.intersection(*every), frozenset.union(*every)
    if len(perhaps & MOTOR) > 1:  # on the edge between two states a third may lie between
        perhaps |= MOTOR
    shown: list[tuple[str, int, int, int]] = []
    slots = max(len(h.readings) for h in heard)
    for slot in range(slots):
        readings = [h.readings[slot] for h in heard if len(h.readings) > slot]
        values = [r.value for r in readings]
        low, high = min(values), max(values)
        guard = GUARD * (high - low) if high < float("inf") else 0.0
        lowest, highest = _floor(low, guard), high + guard
        if cycles:  # the range is that of a cycle, not of the tolerances
            lowest = min(max(lowest, low - CYCLE_GUARD * abs(low)), low - LEAST_GUARD * abs(low))
            highest = max(min(highest, high + CYCLE_GUARD * abs(high)), high + LEAST_GUARD * abs(high))
        bounds = interval(lowest, highest, readings[0].spec)
        shown.append((readings[0].shown.instrument, *bounds))
    silent, vague = any(not h.readings for h in heard), any(h.vague for h in heard)
    return Prediction(said, senses, perhaps, tuple(shown), silent, vague)


def _floor(low: float, guard: float) -> float:
    return max(0.0, low - guard) if low >= 0.0 else low - guard


def overlap(one: Prediction, other: Prediction) -> bool:
    """Whether some observation could come from both predictions."""
    if one.vague or other.vague:
        return True
    if not (one.said & other.said and one.senses <= other.perhaps and other.senses <= one.perhaps):
        return False
    if len(one.shown) != len(other.shown):
        return one.silent or other.silent
    return all(a[1] <= b[2] and b[1] <= a[2] for a, b in zip(one.shown, other.shown, strict=True))


def outcomes(predictions: Mapping[Hypothesis, Prediction]) -> list[list[Hypothesis]]:
    """The hypotheses in groups whose predictions overlap, directly or through others: what an act can tell for certain."""
    groups: list[list[Hypothesis]] = []
    for hypothesis, prediction in predictions.items():
        touching = [g for g in groups if any(overlap(predictions[x], prediction) for x in g)]
        merged = [x for g in touching for x in g] + [hypothesis]
        groups = [g for g in groups if g not in touching] + [merged]
    return groups


def mismatch(prediction: Prediction, observation: Observation) -> tuple[str, str] | None:
    """(observed, predicted) where the observation can't come from the prediction, or None where it can."""
    if prediction.vague:
        return None
    said, senses = _key(observation)
    if said not in prediction.said:
        return " ".join(said) or "-", " | ".join(sorted(" ".join(s) or "-" for s in prediction.said))
    perceived = frozenset(senses)
    if not prediction.senses <= perceived <= prediction.perhaps:
        unsure = sorted(prediction.perhaps - prediction.senses)
        return " ".join(senses), " ".join([*sorted(prediction.senses), *(f"({s}?)" for s in unsure)])
    specs, _ = instruments()
    measured = [s for s in observation.shown if s.instrument in specs]
    if not measured:
        return None
    if len(measured) != len(prediction.shown):
        return None if prediction.silent else ("a reading", "no reading")
    for shown, (name, low, high, exponent) in zip(measured, prediction.shown, strict=True):
        counts = counts_of(shown, specs[name])
        if not low <= counts <= high:
            return f"{shown.text} {shown.unit}", _range(low, high, exponent, specs[name].unit)
    return None


def _range(low: int, high: int, exponent: int, unit: str) -> str:
    def text(counts: int) -> str:
        return "OL" if abs(counts) >= OVERLOAD else f"{counts * 10.0**exponent:.6g}"

    return f"{text(low)} to {text(high)} {unit}"


@lru_cache(maxsize=2048)
def _arrivals(
    equipment: Equipment, catalogue: Catalogue, hypothesis: Hypothesis, complaint: str
) -> tuple[tuple[Session, ...], ...]:
    found: list[tuple[Session, ...]] = []
    for timeline in TIMELINES if effects(equipment, catalogue, hypothesis).when else TIMELINES[:1]:
        sessions = [Session(equipment, catalogue, hypothesis, v, complaint, timeline) for v in extreme_variants()]
        for session in sessions:
            session.spread = True
        found.append(tuple(sessions))
    return tuple(found)


def sessions_at_arrival(
    equipment: Equipment, catalogue: Catalogue, hypothesis: Hypothesis, complaint: str
) -> list[list[Session]]:
    """Sessions at arrival under `hypothesis`: for each timeline one in every extreme variant, the nominal one first.

    A steady fault has one timeline. One that comes and goes has three, since nobody knows when it will: as its own times
    say, never unless provoked, always there. Arrivals are remembered; what is returned are copies.
    """
    return [[s.copy() for s in sessions] for sessions in _arrivals(equipment, catalogue, hypothesis, complaint)]


def every_session(equipment: Equipment, catalogue: Catalogue, hypothesis: Hypothesis, complaint: str) -> list[Session]:
    """Sessions at arrival on every timeline and in every extreme variant."""
    return [s for sessions in sessions_at_arrival(equipment, catalogue, hypothesis, complaint) for s in sessions]


def sounds_like(sessions: Sequence[Session], senses: Iterable[str]) -> bool:
    """Whether the unit that the same `sessions` hold in several variants may sound and smell as `senses` say."""
    every = [frozenset(s.senses()) for s in sessions]
    certain, perhaps = frozenset.intersection(*every), frozenset.union(*every)
    if len(perhaps & MOTOR) > 1:
        perhaps |= MOTOR
    return certain <= frozenset(senses) <= perhaps


class Evidence:
    """The hypotheses still possible, act by act."""

    def __init__(
        self, equipment: Equipment, catalogue: Catalogue, complaint: str, hypotheses: Iterable[Hypothesis] | None = None
    ) -> None:
        self.equipment, self.catalogue, self.complaint = equipment, catalogue, complaint
        candidates = tuple(hypotheses) if hypotheses is not None else catalogue.hypotheses(complaint)
        #: for each hypothesis its timelines, each with one session for every extreme variant
        self.alive: dict[Hypothesis, list[list[Session]]] = {
            h: sessions_at_arrival(equipment, catalogue, h, complaint) for h in candidates
        }
        #: the timelines that what was perceived last fits; it can't come or go by itself within an act that provokes it
        self.fits: dict[Hypothesis, list[bool]] = {}
        self.rulings: list[Ruling] = []
        self.last: dict[Hypothesis, Prediction] = {}  # what each hypothesis gave for the act observed last
        self.seq = 0

    def perceive_arrival(self, senses: tuple[str, ...]) -> None:
        """Drop what does not sound like the unit at arrival."""
        for h, timelines in list(self.alive.items()):
            self._judge(h, [sounds_like(t, senses) for t in timelines])

    def observe(self, act: Act, observation: Observation) -> list[Ruling]:
        """Fold one recorded act in; returns the rulings it brought.

        Nobody knows when a fault that comes and goes will, so each act may find it on any of its timelines, whatever the
        acts before found; only where an act provokes it, it was before the act as it was seen then.
        """
        self.seq += 1
        self.last = {}
        new: list[Ruling] = []
        for hypothesis, timelines in list(self.alive.items()):
            heard = [[s.play(act) for s in sessions] for sessions in timelines]
            predictions = [predict(h) for h in heard]
            found = [mismatch(p, observation) for p in predictions]
            self.last[hypothesis] = predictions[0] if len(heard) == 1 else predict([x for h in heard for x in h])
            fits = [x is None for x in found]
            if isinstance(act, PROVOKING) and hypothesis in self.fits:
                fits = [now and before for now, before in zip(fits, self.fits[hypothesis], strict=True)]
            self._judge(hypothesis, fits)
            if hypothesis not in self.alive:
                new.append(Ruling(self.seq, hypothesis, *next(x for x in found if x is not None)))
        self.rulings += new
        return new

    def _judge(self, hypothesis: Hypothesis, fits: list[bool]) -> None:
        self.fits[hypothesis] = fits
        if not any(fits):
            del self.alive[hypothesis]

    @property
    def units(self) -> frozenset[str]:
        """The correction units that the remaining hypotheses lie in."""
        return frozenset(self.correction(h) for h in self.alive)

    def correction(self, hypothesis: Hypothesis) -> str:
        """What puts `hypothesis` right: its correction unit, or several joined by "+" where they go together."""
        return "+".join(self.catalogue.corrections(hypothesis))

    def mass(self, units: Iterable[str] | None = None) -> int:
        """Prior weight of what is left, all of it or that in `units`."""
        wanted = None if units is None else frozenset(units)
        return sum(
            self.catalogue.weight(h) for h in self.alive if wanted is None or self.correction(h) in wanted
        )  # fmt: skip

    @property
    def entailed(self) -> bool:
        """Whether all that is left lies in one correction unit."""
        return len(self.units) == 1
