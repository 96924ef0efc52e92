"""The score sheet: safety first, then isolation, repair and verification, write-up; a reason for every point.

Rule: a sheet is a function of record, hypothesis, rubric and this version, in integers and fractions. Clock times on it are
simulated. A critical violation fails the attempt whatever else is right.

Isolation = ratio × max(0, (σ − σ0)/(1 − σ0)); σ is the prior mass of the declared unit in what the evidence left, σ0 its
mass given the complaint alone (both factors 1 when σ0 = 1). ratio = min(1, allowance/(V* + ΣΔ)); V* is the expected cost of
the computed path, ΣΔ the expected regret of the acts that asked the unit something, and the allowance is max(1.25·V*, the
same sum for the taught procedure played on this very call): nobody loses for working as taught. Set-up and safety acts add
no Δ.
"""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from functools import lru_cache
from pathlib import Path
from typing import cast

from msgspec.structs import replace

from blowerbench import acts as a
from blowerbench.bench import LocalBench
from blowerbench.equipment import Equipment, load_equipment
from blowerbench.errors import BenchError
from blowerbench.faults import Catalogue, Fault, Hypothesis, load_faults
from blowerbench.record import CallRecord, Line
from blowerbench.variant import Variant, draw_variant
from blowergrade import policies
from blowergrade.evidence import Evidence, outcomes
from blowergrade.intervals import Recorder, Stored, gather, write
from blowergrade.path import Table, live_charge, mode_of, table_for
from blowergrade.replay import Step, play, steps_of_record
from blowergrade.rubric import load_rubric
from blowergrade.safety import Violation, monitor
from blowergrade.sheet import Broken, Moment, Part, Reason, Sheet
from blowergrade.technicians import Technician, danger_of
from blowergrade.verification import Check, all_put_right, repair_points, write_up_points

SHEET_FORMAT = 1
VERSION = "1"

#: Acts that ask the unit something and therefore count toward the path; all others are set-up or safety.
ASKING = (
    a.Look, a.ReadStatus, a.SetThermostat, a.Wait, a.PlaceLead, a.ReadMeter, a.TurnShaft, a.SwitchSource, a.PlaceClamp,
    a.LiftWire, a.PlaceHose, a.PlaceProbe, a.Wiggle, a.Warm,
)  # fmt: skip


#: Acts on instruments; done again with nothing changed they are waiting under another name.
HANDLING = (a.Wear, a.InspectMeter, a.SetMeter)


def _idle(step: Step) -> bool:
    """Whether nothing but the clock has changed in hands."""
    return replace(step.after.hands, clock=step.before.hands.clock) == step.before.hands


class _Search:
    """The isolation part: evidence, regret and entailment of one record up to its first declaration."""

    def __init__(self, equipment: Equipment, catalogue: Catalogue, complaint: str, evidence: Evidence | None = None) -> None:
        self.equipment, self.catalogue = equipment, catalogue
        self.table: Table = table_for(equipment, catalogue, complaint)
        self.evidence = evidence if evidence is not None else Evidence(equipment, catalogue, complaint)
        self.arrived = 0  # the hypotheses that sound like the unit at arrival
        self.start_mass = 0
        self.start: dict[str, int] = {}
        self.asked = False  # whether anything was asked of the unit
        self.regret = 0
        self.pending = 0  # since the last act that ruled something out
        self.timeline: list[Moment] = []

    def run(self, steps: Sequence[Step], senses: tuple[str, ...], free: int) -> None:
        """Fold the steps in up to the first declaration."""
        self.evidence.perceive_arrival(senses)
        self.arrived = self.table.mask(self.evidence.alive)
        self.start_mass = self.evidence.mass()
        self.start = {u: self.evidence.mass([u]) for u in self.evidence.units}
        for step in steps:
            if isinstance(step.act, a.Declare | a.Repair | a.Leave):
                break
            self._fold(step, free)
        self._count(free)
        self.table.remember()

    def _count(self, free: int) -> None:
        """A question that told something (or the end) closes what went before it: `free` seconds of that cost nothing."""
        self.regret += max(0, self.pending - free)
        self.pending = 0

    def _fold(self, step: Step, free: int) -> None:
        before, mode = self.table.mask(self.evidence.alive), mode_of(self.equipment, step.before.hands)
        rulings = self.evidence.observe(step.act, step.observation)
        regret = 0
        self.asked = self.asked or isinstance(step.act, ASKING)
        if before and not self.table.solved(before):
            if isinstance(step.act, ASKING):
                regret = self._regret(step, before, mode)
            elif isinstance(step.act, HANDLING) and _idle(step):
                regret = step.after.hands.clock - step.before.hands.clock
        self.pending += regret
        if rulings:
            self._count(free)
        self.timeline.append(
            Moment(
                seq=step.seq,
                clock=step.after.hands.clock,
                act=cast(a.AnyAct, step.act),
                left=len(self.evidence.alive),
                ruled_out=tuple(str(r.hypothesis) for r in rulings),
                predicted=tuple(r.predicted for r in rulings),
                observed=rulings[0].observed if rulings else "",
                regret=regret,
            )
        )

    def _regret(self, step: Step, before: int, mode: str) -> int:
        """Δ in whole seconds: c(a) + Σ P(o|S)·V(S_o, m′) − V(S, m), none when negative; c(a) with `live_charge`.

        Where V is known between bounds only, each is taken so that Δ is not overstated.
        """
        table, after = self.table, mode_of(self.equipment, step.after.hands)
        cost = step.after.hands.clock - step.before.hands.clock + live_charge(self.equipment, step.before.hands, step.act)
        total = table.weight(before)
        expected = sum(table.value(table.mask(group), after).lower for group in outcomes(self.evidence.last))
        delta = Fraction(total * cost + expected - table.value(before, mode).upper, total)
        return max(0, int(delta))


@lru_cache(maxsize=512)
def taught_cost(
    equipment: Equipment, catalogue: Catalogue, hypothesis: Hypothesis, complaint: str, variant: Variant, free: int
) -> int:
    """V* + ΣΔ in simulated seconds of the taught procedure, played on this call; from the cache where it holds it."""
    table = table_for(equipment, catalogue, complaint)
    key = policies.key_of(table.key, table.digest, hypothesis, variant, free)
    found = policies.stored("taught", key)
    if not isinstance(found, int):
        found = _play_taught(equipment, catalogue, hypothesis, complaint, variant, free)
        policies.store("taught", key, found)
    return found


def _play_taught(
    equipment: Equipment, catalogue: Catalogue, hypothesis: Hypothesis, complaint: str, variant: Variant, free: int
) -> int:
    bench = LocalBench(equipment, hypothesis, complaint, variant=variant)
    senses = bench.last.senses
    recorder = Recorder(equipment, catalogue, complaint)
    Technician(bench, recorder).work()
    steps = play(equipment, catalogue, hypothesis, bench.session.variant, complaint, [line.act for line in bench.lines])
    search = _Search(equipment, catalogue, complaint, Stored(recorder.file(""), equipment, catalogue))
    search.run(steps, senses, free)
    return _path_seconds(search) + search.regret


def _path_seconds(search: _Search) -> int:
    """V* in whole seconds, from what is left once the unit has been heard at arrival."""
    return search.table.cost(search.arrived, "as_found") // max(1, search.table.weight(search.arrived))


def _isolation(
    search: _Search, steps: Sequence[Step], corrections: tuple[str, ...], allowance: int, points: int, fault: Fault
) -> tuple[Part, tuple[str, ...], bool]:
    """Points for isolation, what was declared, and whether the evidence entails it.

    Where the catalogue says that only substitution tells the fault from another unit's, a right declaration counts as
    entailed once no test of the table could tell apart what is left.
    """
    declared: tuple[str, ...] = next((tuple(s.act.units) for s in steps if isinstance(s.act, a.Declare)), ())
    left = search.evidence.mass()
    unit = "+".join(sorted(declared))
    held = search.evidence.mass([unit])
    right = tuple(sorted(declared)) == corrections
    entailed = right and left > 0 and held == left and search.asked
    alive = search.table.mask(search.evidence.alive)
    if right and fault.only_by_substitution and held and search.table.best(alive, "as_found") is None:
        held, entailed = left, True
    path = _path_seconds(search)
    spent = path + search.regret
    ratio = Fraction(1) if spent <= allowance or spent == 0 else Fraction(allowance, spent)
    sigma = Fraction(held, left) if left else Fraction(0)
    sigma0 = Fraction(search.start.get(unit, 0), max(1, search.start_mass))
    earned = Fraction(1) if sigma0 == 1 else max(Fraction(0), (sigma - sigma0) / (1 - sigma0))
    if not search.asked:
        earned = Fraction(0)
    value = ratio * earned if right else Fraction(0)
    tenths = int(value * points * 10)
    args: tuple[str, ...] = ()
    if not declared:
        why = "no diagnosis was declared"
    elif not search.asked:
        why = "nothing was asked of the unit before the diagnosis"
    elif not right:
        why, args = "declared: {0}; the fault is corrected at another unit", ("; ".join(declared),)
    else:
        why = (
            "evidence left {0} % of the likelihood on the declared unit (it had {1} % at arrival); the best path costs {2}, "
            "the questions asked cost {3} more, {4} of that free; {5} are allowed"
        )
        lost = sum(moment.regret for moment in search.timeline)
        free = _minutes(lost - search.regret)
        args = (
            str(int(100 * sigma)), str(int(100 * sigma0)), _minutes(path), _minutes(lost), free, _minutes(allowance),
        )  # fmt: skip
    return Part("isolation", tenths, points * 10, (Reason(tenths, points * 10, why, args),)), declared, entailed


def _minutes(seconds: int) -> str:
    return f"{seconds // 60} min {seconds % 60} s"


def _safety(violations: Sequence[Violation], points: int, major: int, minor: int) -> Part:
    worth = {"critical": points, "major": major, "minor": minor}
    reasons = [Reason(-10 * worth[v.level], 0, "act {0}: " + v.text + " ({1})", (str(v.seq), v.clause)) for v in violations]
    tenths = max(0, 10 * points + sum(r.tenths for r in reasons))
    return Part("safety", tenths, 10 * points, tuple(reasons) or (Reason(tenths, 10 * points, "no rule was broken"),))


def grade_steps(
    equipment: Equipment, catalogue: Catalogue, hypothesis: Hypothesis, steps: Sequence[Step], senses: tuple[str, ...],
    *, complaint: str, variant: Variant, person: str = "", head: str = "", damage: str = "", rubric: str = "default",
    evidence: Evidence | None = None,
) -> Sheet:  # fmt: skip
    """The sheet of a replayed call; `senses` are what was perceived at arrival, `evidence` is fresh or read from a file."""
    loaded = load_rubric(rubric)
    rules = loaded.rubric
    fault = _gradable(catalogue, hypothesis, complaint)
    corrections = catalogue.corrections(hypothesis)
    violations = monitor(equipment, fault.stop_work, steps)
    safety = _safety(violations, rules.safety, rules.major, rules.minor)
    search = _Search(equipment, catalogue, complaint, evidence)
    search.run(steps, senses, rules.free_regret)
    path = _path_seconds(search)
    notes: list[str] = []
    declared: tuple[str, ...]
    danger = danger_of(fault.target)
    stopped = fault.stop_work and any(isinstance(s.act, a.Leave) and s.act.report == danger for s in steps)
    if stopped:
        parts = [
            safety,
            *(
                Part(n, 10 * w, 10 * w, (Reason(10 * w, 10 * w, "work was stopped and reported: nothing more was to do"),))
                for n, w in (("isolation", rules.isolation), ("repair", rules.repair), ("write_up", rules.write_up))
            ),
        ]
        declared, entailed = (fault.correction,), True
    else:
        taught = taught_cost(equipment, catalogue, hypothesis, complaint, variant, rules.free_regret)
        allowance = max(taught, path * 5 // 4)
        isolation, declared, entailed = _isolation(search, steps, corrections, allowance, rules.isolation, fault)
        parts = [
            safety,
            isolation,
            _part("repair", repair_points(equipment, corrections, steps, violations), rules.repair),
            _part("write_up", write_up_points(steps, corrections, equipment), rules.write_up),
        ]
    outside = not search.evidence.alive
    if outside:
        notes.append("no catalogued fault explains every reading: this call goes to manual grading")
    if not stopped and declared and set(declared) == {str(equipment.protection["fuse"])}:
        notes.append("a blown fuse is an effect; the diagnosis is not complete without what blew it")
    critical = any(v.level == "critical" for v in violations)
    total = sum(part.tenths for part in parts)
    ended = bool(steps) and steps[-1].after.hands.ended
    if not ended:
        notes.append("the call was not ended: the unit was never handed back")
    if damage:
        notes.append(f"the record is damaged ({damage}): this call goes to manual grading")
    passed = (
        ended
        and not damage
        and not critical
        and total >= 10 * rules.pass_points
        and (entailed or not rules.pass_needs_entailment)
        and parts[2].tenths >= 10 * rules.pass_repair
        and (stopped or all_put_right(corrections, steps))
        and not outside
    )
    rubric_name = f"{rules.name} {loaded.digest[:12]}"
    return Sheet(
        SHEET_FORMAT, VERSION, rubric_name, equipment.id, complaint, person, variant.name, head, str(hypothesis), fault.title,
        "; ".join(corrections), declared, entailed, outside, steps[-1].after.hands.clock if steps else 0, path, passed, total,
        tuple(parts), tuple(Broken(v.rule, v.level, v.seq, v.clock, v.clause, v.text) for v in violations),
        tuple(search.timeline), tuple(notes),
    )  # fmt: skip


class GradeError(BenchError):
    """A call that can't be graded as it was assigned; says why and what would be right."""


def _gradable(catalogue: Catalogue, hypothesis: Hypothesis, complaint: str) -> Fault:
    fault = catalogue.faults.get(hypothesis.fault)
    if fault is None:
        raise GradeError(f"no catalogued fault {hypothesis.fault!r}; `blowerbench faults` lists them (healthy_unit is one)")
    if complaint not in fault.complaints:
        raise GradeError(
            f"{fault.id} does not lead to the complaint {complaint!r}; assign it with {', '.join(fault.complaints)}"
        )
    return fault


def _part(name: str, checks: Sequence[Check], points: int) -> Part:
    """A part out of checks, scaled to `points`."""
    worth = sum(c.worth for c in checks)
    reasons = tuple(Reason(10 * points * c.earned // worth, 10 * points * c.worth // worth, c.why, c.args) for c in checks)
    return Part(name, 10 * points * sum(c.earned for c in checks) // worth, 10 * points, reasons)


def grade_record(record: CallRecord, hypothesis: Hypothesis, rubric: str = "default", place: Path | None = None) -> Sheet:
    """The sheet of a call record whose sealed fault is `hypothesis`; raises `ReplayError` where replay can't reproduce it.

    With `place` the evidence is written to that file as well. It is computed each time: a file that came with a record could
    be anybody's.
    """
    header = record.header
    equipment = load_equipment(header.equipment)
    catalogue = load_faults(equipment)
    steps = steps_of_record(record, hypothesis)
    variant = draw_variant(header.variant)
    senses = LocalBench(equipment, hypothesis, header.complaint, variant=variant).last.senses
    evidence = None
    if place is not None:
        found = gather(record, equipment, catalogue, senses)
        write(found, place)
        evidence = Stored(found, equipment, catalogue)
    return grade_steps(
        equipment, catalogue, hypothesis, steps, senses, complaint=header.complaint, variant=variant,
        person=header.person, head=record.head, damage="" if record.torn else record.damage, rubric=rubric,
        evidence=evidence,
    )  # fmt: skip


def grade_bench(bench: LocalBench, rubric: str = "default") -> Sheet:
    """The sheet of the call on `bench` so far."""
    lines: list[Line] = bench.lines
    session = bench.session
    hypothesis = session.hypothesis
    steps = play(bench.equipment, session.catalogue, hypothesis, session.variant, session.complaint.id, [x.act for x in lines])
    senses = LocalBench(bench.equipment, hypothesis, session.complaint.id, variant=session.variant).last.senses
    return grade_steps(
        bench.equipment, session.catalogue, hypothesis, steps, senses, complaint=session.complaint.id,
        variant=session.variant, person=bench.header.person, rubric=rubric,
    )  # fmt: skip


__all__ = ["Broken", "Moment", "Part", "Reason", "Sheet", "grade_bench", "grade_record", "grade_steps"]
