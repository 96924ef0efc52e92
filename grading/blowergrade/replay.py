"""A call as steps: each act with the moment before it, the moment after it and what was perceived.

Rule: moments are computed again from the acts; a record holds only acts and observations.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

from blowerbench import acts as a
from blowerbench.bench import compare
from blowerbench.equipment import Equipment, load_equipment
from blowerbench.errors import BenchError
from blowerbench.faults import Catalogue, Hypothesis, load_faults
from blowerbench.observation import Observation
from blowerbench.record import CallRecord
from blowerbench.session import Moment, Session
from blowerbench.variant import Variant, draw_variant


class ReplayError(BenchError):
    """Acts that can't be replayed; says which act, why, and the remedy."""


@dataclass(frozen=True, slots=True)
class Step:
    """One accepted act: `seq` from 1, and the hands and unit on both sides of it."""

    seq: int
    act: a.Act
    before: Moment
    after: Moment
    observation: Observation


def play(
    equipment: Equipment,
    catalogue: Catalogue,
    hypothesis: Hypothesis,
    variant: Variant,
    complaint: str,
    acts: Iterable[a.Act],
) -> tuple[Step, ...]:
    """The steps of `acts` on a unit with `hypothesis` in it; raises `ReplayError` for a refused act."""
    session = Session(equipment, catalogue, hypothesis, variant, complaint)
    steps: list[Step] = []
    for seq, act in enumerate(acts, 1):
        refusal = session.decide(act)
        if refusal is not None:
            why = ", ".join((refusal.reason, *(v for _, v in refusal.args)))
            raise ReplayError(f"act {seq} ({act}) is refused: {why}; leave it out or do first what it needs")
        before = session.now
        observation = session.play(act).observation
        steps.append(Step(seq, act, before, session.now, observation))
    return tuple(steps)


def steps_of_record(record: CallRecord, hypothesis: Hypothesis) -> tuple[Step, ...]:
    """The steps of `record`, replayed under `hypothesis` (the true one), with the record's own observations.

    Raises `ReplayError` when the files have changed since, when an act is refused, or when replay perceives
    anything else than the record says (one count of a display's last digit is allowed).
    """
    header = record.header
    equipment = load_equipment(header.equipment)
    catalogue = load_faults(equipment)
    for name, was, now in (
        ("equipment", header.equipment_digest, equipment.digest),
        ("catalogue", header.catalogue_digest, catalogue.digest),
    ):
        if was != now:
            raise ReplayError(
                f"the record was made with {name} file {was[:12]}, here is {now[:12]};"
                " install the release that wrote it"
            )
    variant = draw_variant(header.variant)
    acts = [line.act for line in record.lines]
    steps = []
    played = play(equipment, catalogue, hypothesis, variant, header.complaint, acts)
    for line, step in zip(record.lines, played, strict=True):
        problem = compare(line, step.observation, step.after.hands.clock)
        if problem:
            raise ReplayError(f"act {line.seq}: {problem}; check the fault and its severity (FAULT/1), then grade it by hand")
        steps.append(replace(step, observation=line.observation))
    return tuple(steps)
