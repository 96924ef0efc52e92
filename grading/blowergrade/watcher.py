"""A watcher for lessons and practice: the safety monitor at the learner's side, one caution for each grave violation.

Rule: it judges by `blowergrade.safety` and adds no rule of its own; what it has judged it never judges again. It replays the
acts on a session of its own, so that it needs nothing of the bench but who it is, and an undone act is simply forgotten.
"""

from __future__ import annotations

from blowerbench.bench import Caution, LocalBench
from blowerbench.record import Line
from blowerbench.session import Session
from blowergrade.caution_words import ADVICE
from blowergrade.replay import Step
from blowergrade.safety import Known, Violation, judge
from blowergrade.safety_rules import RULES

#: Violations of these levels are answered at once; minor ones stand on the score sheet only.
ANSWERED = ("critical", "major")


class SafetyWatcher:
    """Watches the acts of one call on `bench` (a bench in this process, for its unit and its fault)."""

    def __init__(self, bench: LocalBench) -> None:
        session = bench.session
        self._start = Session(
            session.equipment, session.catalogue, session.hypothesis, session.variant, session.complaint.id, session.timeline
        )
        self._sessions = [self._start]  # after none, one, two … acts
        self._known = [Known()]
        self._found: list[tuple[Caution, ...]] = [()]
        self._lines: list[Line] = []

    def cautions(self, lines: tuple[Line, ...]) -> tuple[Caution, ...]:
        """The cautions that `lines`, the acts of the call from its first, ask for, in order; only new ones are judged."""
        same = 0
        while same < min(len(lines), len(self._lines)) and self._lines[same] is lines[same]:
            same += 1
        if same < len(self._lines):
            for past in (self._sessions, self._known, self._found):
                del past[same + 1 :]
            del self._lines[same:]
        for line in lines[same:]:
            self._watch(line)
        return tuple(c for found in self._found for c in found)

    def _watch(self, line: Line) -> None:
        session = self._sessions[-1].copy()
        before = session.now
        session.play(line.act)
        step = Step(line.seq, line.act, before, session.now, line.observation)
        known, violations = judge(session.equipment, self._known[-1], step)
        self._sessions.append(session)
        self._known.append(known)
        self._found.append(tuple(caution(v) for v in violations if v.level in ANSWERED))
        self._lines.append(line)


def caution(violation: Violation) -> Caution:
    """What the trade says to `violation`."""
    row, advice = RULES[violation.rule], ADVICE[violation.rule]
    return Caution(violation.seq, advice.signal, row.what, advice.harm, row.why, advice.instead, row.clause)
