"""The same procedure on another day: a learner's acts up to the diagnosis, played against every other cause of the complaint.

Rule: the other unit is the nominal one, and evidence judges it as on any call: a cause counts as isolated when what the acts
would have shown leaves its own correction only. Hands are a function of acts alone; an act that they refuse all the same is
left out.
Nothing here changes a point.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from functools import lru_cache

from msgspec.structs import replace

from blowerbench import acts as a
from blowerbench.equipment import Equipment
from blowerbench.faults import Catalogue, Hypothesis
from blowerbench.observation import Observation
from blowerbench.session import Heard, Moment, Session
from blowergrade.evidence import Prediction, mismatch, predict, sessions_at_arrival, sounds_like
from blowergrade.path import HANDLING
from blowergrade.replay import Step
from blowergrade.safety import monitor
from blowergrade.sheet import Counterfactual, Elsewhere, Sheet
from blowergrade.wording import hypothesis_named

ENDS = (a.Declare, a.Repair, a.Leave)


@dataclass(slots=True)
class _Cause:
    """One cause as the fault of its own unit and as a rival on every other one."""

    hypothesis: Hypothesis
    correction: str
    sessions: list[Session]
    rivals: dict[Hypothesis, _Cause] = field(default_factory=dict)  # what its unit's readings leave besides itself
    steps: list[Step] = field(default_factory=list)
    wanted: bool = True  # whether its own unit is asked about
    owed: int = 0  # simulated seconds that its other variants have yet to go on

    @property
    def isolated(self) -> bool:
        """Whether only its own correction is left."""
        return all(r.correction == self.correction for r in self.rivals.values())


def search_of(acts: Iterable[a.Act]) -> tuple[a.Act, ...]:
    """The acts before the first that states a diagnosis, repairs or leaves."""
    found: list[a.Act] = []
    for act in acts:
        if isinstance(act, ENDS):
            break
        found.append(act)
    return tuple(found)


@lru_cache(maxsize=256)
def counterfactual(
    equipment: Equipment, catalogue: Catalogue, complaint: str, fault: str, acts: tuple[a.Act, ...]
) -> Counterfactual:
    """What `acts`, a search made on `fault`, would have found in every other cause of `complaint`."""
    causes = _arrived(equipment, catalogue, complaint, fault)
    for act in acts:
        _play(causes, act)
    asked = [c for c in causes if c.wanted]
    violated = {c.hypothesis for c in asked if monitor(equipment, catalogue.faults[c.hypothesis.fault].stop_work, c.steps)}
    right = [c for c in asked if c.isolated and c.hypothesis not in violated]
    total = sum(catalogue.weight(c.hypothesis) for c in asked)
    share = 100 * sum(catalogue.weight(c.hypothesis) for c in right) // total if total else 0
    rows = []
    for correction in dict.fromkeys(sorted(c.correction for c in asked)):
        own = [c for c in asked if c.correction == correction]
        rows.append(
            Elsewhere(
                correction, len(own), sum(c.isolated for c in own), sum(c.hypothesis in violated for c in own),
                sum(c in right for c in own),
            )
        )  # fmt: skip
    return Counterfactual(len(asked), len(right), share, tuple(sorted(rows, key=lambda r: (-r.causes, r.correction))))


def with_counterfactual(sheet: Sheet, equipment: Equipment, catalogue: Catalogue, acts: Sequence[a.Act]) -> Sheet:
    """`sheet` with what the same acts would have found elsewhere; unchanged where nothing was searched or nothing else fits."""
    search, fault = search_of(acts), hypothesis_named(sheet.fault).fault
    others = [h for h in catalogue.hypotheses(sheet.complaint) if h.fault != fault]
    if not search or not others:
        return sheet
    return replace(sheet, counterfactual=counterfactual(equipment, catalogue, sheet.complaint, fault, search))


def _arrived(equipment: Equipment, catalogue: Catalogue, complaint: str, fault: str) -> list[_Cause]:
    """Every cause at arrival with the rivals that sound like it there."""
    causes = [
        _Cause(h, "+".join(catalogue.corrections(h)), [
            s for timeline in sessions_at_arrival(equipment, catalogue, h, complaint) for s in timeline
        ], wanted=h.fault != fault)
        for h in catalogue.hypotheses(complaint)
    ]  # fmt: skip
    for cause in causes:
        perceived = cause.sessions[0].senses()
        cause.rivals = {r.hypothesis: r for r in causes if r is not cause and sounds_like(r.sessions, perceived)}
    return causes


def _play(causes: Sequence[_Cause], act: a.Act) -> None:
    """One act in every unit: the nominal unit of each cause, and the whole range of those that are still somebody's rivals."""
    open_ = [c for c in causes if c.wanted and not c.isolated]
    rivals = {id(r) for c in open_ for r in c.rivals.values()}
    predictions: dict[Hypothesis, Prediction] = {}
    shown: dict[Hypothesis, Observation] = {}
    for cause in causes:
        first, rival = cause.sessions[0], id(cause) in rivals
        if not (cause.wanted or rival) or first.decide(act) is not None:
            continue
        before = first.now
        handling = isinstance(act, HANDLING)
        first.spread = rival and not handling
        heard = first.play(act)
        if rival and handling and not heard.observation.shown:
            cause.owed += first.now.hands.clock - before.hands.clock
            for session in cause.sessions[1:]:
                session.pass_over(act)
        elif rival:
            predictions[cause.hypothesis] = predict([heard, *_others(cause, act)])
        if cause.wanted:
            shown[cause.hypothesis] = heard.observation
            cause.steps.append(Step(len(cause.steps) + 1, act, before, first.now, heard.observation))
    for cause in open_:
        seen = shown.get(cause.hypothesis)
        if seen is not None:
            cause.rivals = {
                h: r for h, r in cause.rivals.items() if h not in predictions or mismatch(predictions[h], seen) is None
            }


def _others(cause: _Cause, act: a.Act) -> list[Heard]:
    """What `act` shows in the variants besides the nominal one, which first go on for what they owe."""
    heard = []
    for session in cause.sessions[1:]:
        if cause.owed:
            hands, plant = session.now.hands, session.now.plant
            session.now = Moment(hands, session.simulator.advance(plant, hands, float(cause.owed)))
        session.spread = not isinstance(act, HANDLING)
        heard.append(session.play(act))
    cause.owed = 0
    return heard
