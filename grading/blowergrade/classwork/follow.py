"""Supervised calls followed while they go on: what each act told, what was unsafe, whether somebody goes in circles.

Rule: it reads the journal and writes nothing. It judges by `blowergrade.safety` and `blowergrade.evidence` and adds no rule of
its own; whether somebody is stuck is a guess for an instructor's eyes and never reaches a grade.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import Literal

import msgspec

from blowerbench.equipment import load_equipment
from blowerbench.errors import BenchError
from blowerbench.faults import Hypothesis, load_faults
from blowerbench.record import Line
from blowerbench.session import ASKING, Session
from blowerbench.variant import draw_variant
from blowergrade.evidence import Evidence
from blowergrade.exam.attempt import Plan
from blowergrade.exam.journal import ActRow
from blowergrade.replay import Step
from blowergrade.safety import Known, Violation, judge
from blowergrade.safety_rules import RULES

#: Violations of these levels are shown; minor ones stand on the score sheet only.
GRAVE = ("critical", "major")
MOST_MARKS = 200  # newest acts that are drawn
State = Literal["not here", "working", "stuck", "away", "finished"]


class Patience(msgspec.Struct, frozen=True):
    """When an instructor is told that somebody may be stuck. A long search by the book can look like it, too."""

    still_minutes: int = 6  # no act for so long
    away_minutes: int = 30  # after which nobody is taken to sit there any more
    questions: int = 60  # acts in a row that asked the unit something and ruled nothing out
    minutes: int = 8  # and for so long
    again: int = 12  # acts in a row that asked what was asked before and showed the same


class Broken(msgspec.Struct, frozen=True):
    """A safety rule that was broken by act `seq` at `at` (ms)."""

    seq: int
    at: int
    level: str
    what: str


class Mark(msgspec.Struct, frozen=True):
    """An act in the picture: when (ms), and whether it was plain, ruled something out, or was unsafe."""

    at: int
    kind: Literal["act", "told", "unsafe"]


class Seen(msgspec.Struct, frozen=True):
    """What a call showed so far; times in ms of the service's time line."""

    acts: int = 0
    opened: int | None = None
    last: int = 0
    told: int = 0  # when something was last ruled out, or the call was opened
    questions: int = 0  # in a row since then
    again: int = 0
    places: int = 0  # where the fault may still be
    of: int = 0  # and where it might have been at arrival
    ended: bool = False
    broken: tuple[Broken, ...] = ()
    marks: tuple[Mark, ...] = ()
    problem: str = ""


class Standing(msgspec.Struct, frozen=True):
    """How somebody stands, and why."""

    state: State
    why: tuple[str, ...] = ()


def standing(seen: Seen, here: bool, now: int, patience: Patience) -> Standing:
    """How somebody stands at `now` (ms); `here`: they opened their bench."""
    if seen.ended:
        return Standing("finished")
    if not here or seen.opened is None:
        return Standing("not here")
    still = (now - max(seen.last, seen.opened)) // 60_000
    if still >= patience.away_minutes:
        return Standing("away", (f"no act for {still} min",))
    why = []
    if still >= patience.still_minutes:
        why.append(f"no act for {still} min")
    learnt_nothing = (now - seen.told) // 60_000
    if seen.places > 1 and seen.questions >= patience.questions and learnt_nothing >= patience.minutes:
        why.append(f"{seen.questions} questions in {learnt_nothing} min ruled nothing out")
    if seen.again >= patience.again:
        why.append(f"the last {seen.again} questions were asked before, with the same answer")
    if not why and not seen.acts:
        return Standing("working", ("no act yet",))
    return Standing("stuck" if why else "working", tuple(why))


class Follower:
    """One call, followed line by line."""

    def __init__(self, plan: Plan) -> None:
        fault, _, severity = plan.fault.partition("/")
        self._equipment = load_equipment(plan.equipment)
        catalogue = load_faults(self._equipment)
        variant = draw_variant(plan.variant)
        self._session = Session(self._equipment, catalogue, Hypothesis(fault, int(severity or 0)), variant, plan.complaint)
        self._evidence = Evidence(self._equipment, catalogue, plan.complaint)
        self._evidence.perceive_arrival(self._session.senses())
        self._known = Known()
        self._asked: set[bytes] = set()
        places = len(self._evidence.units)
        self.seen = Seen(places=places, of=places)

    def open(self, at: int) -> None:
        """The bench was opened at `at` (ms)."""
        self.seen = msgspec.structs.replace(self.seen, opened=at, told=at)

    def take(self, line: Line, at: int) -> None:
        """Fold in one act, done at `at` (ms)."""
        before = self._session.now
        self._session.play(line.act)
        step = Step(line.seq, line.act, before, self._session.now, line.observation)
        self._known, violations = judge(self._equipment, self._known, step)
        grave = tuple(_broken(v, at) for v in violations if v.level in GRAVE)
        told = len(self._evidence.units) > 1 and bool(self._evidence.observe(line.act, line.observation))
        questions, again = self._going(line, told)
        seen = self.seen
        mark = Mark(at, "unsafe" if grave else "told" if told else "act")
        self.seen = msgspec.structs.replace(
            seen, acts=line.seq, last=at, told=at if told else seen.told, questions=questions, again=again,
            places=len(self._evidence.units), ended=bool(self._session.now.hands.ended), broken=seen.broken + grave,
            marks=(*seen.marks, mark)[-MOST_MARKS:],
        )  # fmt: skip

    def _going(self, line: Line, told: bool) -> tuple[int, int]:
        """Questions in a row that ruled nothing out, and those in a row that were asked before with the same answer."""
        if told:
            self._asked.clear()  # what was asked before may be worth asking again
        if not isinstance(line.act, ASKING):
            return (0 if told else self.seen.questions), self.seen.again
        key = msgspec.json.encode((line.act, line.observation, self._session.now.hands.leads))
        again = self.seen.again + 1 if key in self._asked else 0
        self._asked.add(key)
        return (0 if told else self.seen.questions + 1), again


def _broken(violation: Violation, at: int) -> Broken:
    return Broken(violation.seq, at, violation.level, RULES[violation.rule].what)


class _Body(msgspec.Struct, frozen=True):
    body: Line


class Watch:
    """The calls of one service, followed from its journal; `read` gives the lines of an attempt, in order. For one thread."""

    def __init__(self, read: Callable[[str], Sequence[ActRow]]) -> None:
        self._read = read
        self._followers: dict[str, Follower] = {}
        self._problems: dict[str, str] = {}

    def look(self, plans: Iterable[Plan]) -> dict[str, Seen]:
        """What the calls of `plans` showed so far, by attempt; one that can't be followed says why, and stops no other."""
        return {plan.attempt: self._one(plan) for plan in plans}

    def _one(self, plan: Plan) -> Seen:
        name = plan.attempt
        try:
            if name not in self._problems:
                follower = self._followers.get(name)
                if follower is None:
                    follower = self._followers[name] = Follower(plan)
                self._go_on(follower, name)
        except (BenchError, msgspec.MsgspecError) as error:
            self._problems[name] = f"this call can't be followed: {error}"
        except Exception as error:  # whatever one call makes of us, the others are still shown
            self._problems[name] = f"this call can't be followed ({type(error).__name__}); its record is kept all the same"
        held = self._followers.get(name)
        seen = held.seen if held is not None else Seen()
        return msgspec.structs.replace(seen, problem=self._problems.get(name, ""))

    def _go_on(self, follower: Follower, attempt: str) -> None:
        after = -1 if follower.seen.opened is None else follower.seen.acts
        for row in self._read(attempt):
            if row.seq == 0 and after < 0:
                follower.open(row.at)
            elif row.seq > after:
                follower.take(msgspec.json.decode(row.line, type=_Body).body, row.at)
