"""Grading a closed sitting from its journal, and keeping every grading that was ever made of it.

Rule: a grading adds and never overwrites. Each has a number, says why it was made and by which version, and is chained to the
one before; score sheets lie under the digest of their bytes.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path

import msgspec
from tqdm.auto import tqdm

from blowerbench.errors import BenchError
from blowerbench.record import read_record
from blowergrade.classwork.folder import write
from blowergrade.exam.attempt import Plan
from blowergrade.exam.folder import RECORDS, ExamFolder
from blowergrade.exam.journal import GENESIS, Journal
from blowergrade.exam.passing import CallResult, CandidateResult, decide, with_sheet
from blowergrade.exam.programme import ExamError, Programme
from blowergrade.exam.sitting import Sitting
from blowergrade.processes import in_processes
from blowergrade.score import VERSION, grade_record
from blowergrade.wording import hypothesis_named

FORMAT = 1


class Decision(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """What a person decided about a call, with the reason; the newest one of a call counts."""

    candidate: str
    call: str
    tenths: int
    passed: bool
    by: str
    reason: str
    when: str  # UTC, ISO 8601
    critical: bool | None = None  # whether a critical rule was broken; None leaves what the record says


class Grading(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One grading of the whole sitting. `previous` is the digest of the one before it, zeros for the first."""

    format: int
    number: int
    sitting: str
    when: str  # UTC, ISO 8601
    why: str
    version: str
    rubric: str  # digest of its text
    rule: str  # the pass rule as JSON
    decisions: tuple[Decision, ...]
    results: tuple[CandidateResult, ...]
    previous: str

    def of(self, candidate: str) -> CandidateResult | None:
        """The result of this candidate."""
        return next((r for r in self.results if r.candidate == candidate), None)


class Job(msgspec.Struct, frozen=True):
    """One record to grade."""

    candidate: str
    call: str
    record: str
    fault: str
    rubric: str
    sheets: str


class Graded(msgspec.Struct, frozen=True):
    """What came of a job: the digest of its sheet, or why there is none."""

    candidate: str
    call: str
    sheet: str = ""
    reason: str = ""


# ---------------------------------------------------------------------- records
def sitting_of(programme: Programme, journal: Journal) -> Sitting:
    """How the sitting stands by its journal."""
    return programme.sitting_after((row.event, row.at) for row in journal.events())


def write_records(folder: ExamFolder, programme: Programme, journal: Journal) -> dict[tuple[str, str], tuple[Path, int, str]]:
    """Write each attempt's record as a file; (candidate, call) to file, number of acts and head of the chain."""
    made: dict[tuple[str, str], tuple[Path, int, str]] = {}
    for candidate in programme.candidates:
        for call in programme.items(candidate.id):
            rows = journal.acts(f"{candidate.id}/{call}")
            if not rows:
                continue
            file = folder.root / RECORDS / candidate.id / f"{call}.jsonl"
            data = b"".join(row.line for row in rows)
            if not file.is_file() or file.read_bytes() != data:
                if file.exists():
                    raise ExamError(f"{file} is not what the journal says; move it away and look at it, then grade again")
                write(file, data)
            made[candidate.id, call] = file, rows[-1].seq, str(msgspec.json.decode(rows[-1].line)["chain"])
    return made


# ---------------------------------------------------------------------- one record
def grade_one(job: Job) -> Graded:
    """Grade one record; whatever is wrong with it is a reason and never an exception."""
    try:
        record = read_record(Path(job.record))
        if record.damage:
            return Graded(job.candidate, job.call, reason=f"the record is damaged: {record.damage}")
        data = grade_record(record, hypothesis_named(job.fault), job.rubric).json()
    except BenchError as error:
        return Graded(job.candidate, job.call, reason=str(error)[:400])
    except Exception as error:  # one record never stops the others
        return Graded(job.candidate, job.call, reason=f"grading stopped with {type(error).__name__}: {str(error)[:300]}")
    return Graded(job.candidate, job.call, sheet=keep_sheet(Path(job.sheets), data))


def _lost(job: Job) -> Graded:
    return Graded(job.candidate, job.call, reason="grading this record ended its process (memory?); look at it yourself")


def keep_sheet(place: Path, data: bytes) -> str:
    """Keep a sheet's bytes under their digest, which is returned."""
    digest = hashlib.sha256(data).hexdigest()
    file = place / f"{digest}.json"
    if not file.exists():
        write(file, data)
    return digest


# ---------------------------------------------------------------------- a sitting
def grade_sitting(
    folder: ExamFolder, journal: Journal, why: str = "first grading", *, processes: int = 0, progress: bool = True
) -> Grading:
    """Grade everybody of a closed sitting and keep the grading, unless it says what the newest one says.

    Raises `ExamError` while the sitting is open, and where records or earlier gradings were changed.
    """
    programme = folder.programme
    if programme.passing is None:
        raise ExamError("this sitting is class work and has no pass rule; `blowergrade class grade` grades it")
    stage = sitting_of(programme, journal).stage
    if stage not in ("closed", "released"):
        raise ExamError(f"the sitting is {stage}; close it first (`blowergrade exam close`, or on the proctor's page)")
    earlier = gradings(folder)
    records = write_records(folder, programme, journal)
    jobs = [
        Job(c, call, str(file), _plan(programme, c, call).fault, str(folder.rubric), str(folder.sheets))
        for (c, call), (file, _, _) in records.items()
    ]
    jobs.sort(key=lambda j: (j.fault, j.record))  # keeps each process's tables warm
    found: dict[tuple[str, str], Graded] = {}
    with tqdm(total=len(jobs), unit="call", desc="Grading", disable=not progress or not jobs) as bar:
        for graded in in_processes(jobs, grade_one, _lost, processes):
            found[graded.candidate, graded.call] = graded
            bar.update()
    decisions = read_decisions(folder)
    results = tuple(_candidate(folder, programme, c.id, records, found, decisions) for c in programme.candidates)
    made = Grading(
        FORMAT, len(earlier) + 1, programme.sitting, datetime.now(UTC).isoformat(timespec="seconds"), why, VERSION,
        hashlib.sha256(folder.rubric.read_bytes()).hexdigest(), msgspec.json.encode(programme.passing).decode(), decisions,
        results, digest_of(earlier[-1]) if earlier else GENESIS,
    )  # fmt: skip
    if earlier and _same(earlier[-1], made):
        return earlier[-1]
    write(folder.gradings / f"{made.number:03}.json", _bytes(made))
    return made


def _same(one: Grading, other: Grading) -> bool:
    def told(g: Grading) -> tuple[object, ...]:
        return g.version, g.rubric, g.rule, g.decisions, g.results

    return told(one) == told(other)


def _plan(programme: Programme, candidate: str, call: str) -> Plan:
    plan = programme.plan(candidate, call)
    assert plan is not None
    return plan


def _candidate(
    folder: ExamFolder, programme: Programme, name: str, records: Mapping[tuple[str, str], tuple[Path, int, str]],
    found: Mapping[tuple[str, str], Graded], decisions: Sequence[Decision],
) -> CandidateResult:  # fmt: skip
    assert programme.passing is not None
    calls = []
    for call in programme.items(name):
        one = _call(folder, programme, name, call, records.get((name, call)), found.get((name, call)))
        calls.append(_decided(one, [d for d in decisions if (d.candidate, d.call) == (name, call)]))
    verdict, reasons = decide(calls, programme.passing)
    about = programme.candidate(name)
    return CandidateResult(name, about.form if about is not None else "", verdict, reasons, tuple(calls))


def _call(
    folder: ExamFolder, programme: Programme, name: str, call: str, kept: tuple[Path, int, str] | None, graded: Graded | None
) -> CallResult:
    plan = _plan(programme, name, call)
    base = CallResult(
        call, plan.item or f"{plan.equipment}:{plan.fault}", plan.equipment, plan.complaint, plan.fault, plan.competency,
        plan.difficulty, "not begun", 0, reason="the call was not begun",
    )  # fmt: skip
    if kept is None or graded is None:
        return base
    _, acts, head = kept
    base = msgspec.structs.replace(base, acts=acts, head=head, reason="")
    if graded.reason:
        return msgspec.structs.replace(base, status="manual", tenths=None, reason=graded.reason)
    assert programme.passing is not None
    return with_sheet(base, folder.sheet(graded.sheet), programme.passing, graded.sheet)


def _decided(call: CallResult, decisions: Sequence[Decision]) -> CallResult:
    if not decisions:
        return call
    last = decisions[-1]
    critical = call.critical if last.critical is None else ("decided by a person",) if last.critical else ()
    return msgspec.structs.replace(
        call, status="decided", tenths=last.tenths, passed=last.passed and not critical, critical=critical, reason=last.reason,
        by=last.by,
    )  # fmt: skip


# ---------------------------------------------------------------------- what was kept
def _bytes(grading: Grading) -> bytes:
    return msgspec.json.format(msgspec.json.encode(grading), indent=1) + b"\n"


def digest_of(grading: Grading) -> str:
    """SHA-256 of a grading's file."""
    return hashlib.sha256(_bytes(grading)).hexdigest()


def gradings(folder: ExamFolder) -> tuple[Grading, ...]:
    """Every grading, the first one first; raises `ExamError` where one is missing or was changed."""
    made: list[Grading] = []
    head = GENESIS
    for number, file in enumerate(sorted(folder.gradings.glob("[0-9]*.json")), 1):
        try:
            one = msgspec.json.decode(file.read_bytes(), type=Grading)
        except (OSError, msgspec.MsgspecError) as error:
            raise ExamError(f"{file} can't be read ({error}); put the copy back that you kept") from error
        if one.number != number or one.previous != head:
            raise ExamError(f"{file} does not follow from the grading before it: one was changed or removed; put it back")
        made.append(one)
        head = digest_of(one)
    return tuple(made)


def newest(folder: ExamFolder) -> Grading:
    """The newest grading; raises `ExamError` where there is none."""
    made = gradings(folder)
    if not made:
        raise ExamError("nothing was graded yet; run `blowergrade exam results`")
    return made[-1]


# ---------------------------------------------------------------------- decisions
def add_decision(folder: ExamFolder, decision: Decision) -> None:
    """Add a person's decision; the next grading takes it in. Raises `ExamError` for an unknown call or points out of range."""
    if decision.call not in folder.programme.items(decision.candidate):
        raise ExamError(f"{decision.candidate!r} has no call {decision.call!r}; `blowergrade exam results` lists them")
    if not 0 <= decision.tenths <= 1000:
        raise ExamError(f"{decision.tenths / 10:g} points are outside 0 to 100")
    if not decision.reason.strip() or not decision.by.strip():
        raise ExamError("a decision needs --by NAME and --reason TEXT")
    file = folder.private / "decisions.jsonl"
    old = file.read_bytes() if file.exists() else b""
    write(file, old + msgspec.json.encode(decision) + b"\n")


def read_decisions(folder: ExamFolder) -> tuple[Decision, ...]:
    """Every decision, the oldest first; raises `ExamError`."""
    file = folder.private / "decisions.jsonl"
    if not file.exists():
        return ()
    try:
        return tuple(msgspec.json.decode(x, type=Decision) for x in file.read_bytes().splitlines())
    except msgspec.MsgspecError as error:
        raise ExamError(f"{file} can't be read ({error}); put the copy back that you kept") from error


# ---------------------------------------------------------------------- the table
def table(grading: Grading, names: Mapping[str, str]) -> Iterator[str]:
    """The grading as lines of a terminal."""
    calls = max((len(r.calls) for r in grading.results), default=0)
    yield f"{'candidate':<14} {'name':<24} form {'calls':>{7 * calls}}  verdict"
    for r in grading.results:
        cells = "".join(f"{_cell(c):>7}" for c in r.calls)
        yield f"{r.candidate:<14} {names.get(r.candidate, '')[:24]:<24} {r.form:<4} {cells}  {r.verdict}"


def _cell(call: CallResult) -> str:
    if call.tenths is None:
        return "?"
    return f"{call.tenths // 10}{'!' if call.critical else '+' if call.passed else ''}"
