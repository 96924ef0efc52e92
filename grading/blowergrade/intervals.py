"""Evidence as a file: what every hypothesis could have shown at each act, in whole counts, beside the record it belongs to.

Rule: simulation ends here. The first stage of grading plays a record into every hypothesis and writes what came of it as
integers, ids and text; the second needs no physics for evidence. `blowergrade grade` computes both stages each time, since a
hash says that a file is whole and not whose it is; `evidence_of` reads a school's own archive, where hash, chain, equipment,
catalogue, complaint, program and every number fit. The file never says which fault was in the unit.
"""

from __future__ import annotations

import hashlib
import os
import tempfile
from collections.abc import Callable, Iterable
from pathlib import Path

import msgspec
from msgspec.structs import replace

from blowerbench import acts as a
from blowerbench.equipment import Equipment
from blowerbench.errors import BenchError
from blowerbench.faults import Catalogue, Hypothesis
from blowerbench.observation import Observation
from blowerbench.record import MODEL, CallRecord, Line
from blowergrade import policies
from blowergrade.evidence import Evidence, Prediction, Ruling

FORMAT = "blower evidence 1"
#: Acts that end the search; evidence is asked for no further.
ENDS = (a.Declare, a.Repair, a.Leave)


class EvidenceFileError(BenchError):
    """An evidence file that can't be read, written or used for this record; says what would be right."""


class Predicted(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A `Prediction`, and whose it is: `of` is a set of hypotheses (bits by their numbers, in hex)."""

    of: str
    said: tuple[tuple[str, ...], ...]
    senses: tuple[str, ...]
    perhaps: tuple[str, ...]
    shown: tuple[tuple[str, int, int, int], ...]  # instrument, lowest and highest count, exponent of ten of one count
    silent: bool
    vague: bool

    def prediction(self) -> Prediction:
        """The prediction itself."""
        senses, perhaps = frozenset(self.senses), frozenset(self.perhaps)
        return Prediction(frozenset(self.said), senses, perhaps, self.shown, self.silent, self.vague)


def _written(x: Prediction, of: str) -> Predicted:
    said, senses, perhaps = tuple(sorted(x.said)), tuple(sorted(x.senses)), tuple(sorted(x.perhaps))
    return Predicted(of, said, senses, perhaps, x.shown, x.silent, x.vague)


class Ruled(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A hypothesis (by number) that fell, with what was perceived and what it would have given."""

    hypothesis: int
    observed: str
    predicted: str


class Told(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One act: the predictions of all that was possible before it, equal ones once, and what fell."""

    seq: int
    predictions: tuple[Predicted, ...]
    rulings: tuple[Ruled, ...]


class EvidenceFile(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """The evidence of one record up to its first diagnosis; `sha256` is that of everything else in it."""

    format: str
    record: str  # the head of the record's chain
    equipment: str
    equipment_digest: str
    catalogue_digest: str
    model: str
    program: str  # hash of the sources and the numeric library that predictions come from
    complaint: str
    senses: tuple[str, ...]  # perceived at arrival
    hypotheses: tuple[str, ...]
    arrived: str  # those that sound like the unit at arrival: bits in hex
    acts: tuple[Told, ...]
    sha256: str = ""

    def json(self) -> bytes:
        """The file's bytes, its hash in them; the same evidence gives the same bytes."""
        return msgspec.json.format(msgspec.json.encode(replace(self, sha256=self.hash())), indent=1) + b"\n"

    def hash(self) -> str:
        """SHA-256 of everything but the hash itself."""
        return hashlib.sha256(msgspec.json.encode(replace(self, sha256=""))).hexdigest()


def place_of(record: Path) -> Path:
    """Where the evidence of the record at `record` lies: call.jsonl has call.evidence.json beside it."""
    return record.with_name(f"{record.stem}.evidence.json")


# ---------------------------------------------------------------------- the first stage
class Recorder(Evidence):
    """Evidence that keeps what it computed, for the file."""

    def __init__(self, equipment: Equipment, catalogue: Catalogue, complaint: str) -> None:
        super().__init__(equipment, catalogue, complaint)
        self.hypotheses = tuple(self.alive)
        self.number = {h: k for k, h in enumerate(self.hypotheses)}
        self.senses: tuple[str, ...] = ()
        self.arrived = self._set(self.alive)
        self.told: list[Told] = []

    def _set(self, hypotheses: Iterable[Hypothesis]) -> str:
        return f"{sum(1 << self.number[h] for h in hypotheses):x}"

    def perceive_arrival(self, senses: tuple[str, ...]) -> None:
        """Drop what does not sound like the unit at arrival."""
        super().perceive_arrival(senses)
        self.senses, self.arrived = senses, self._set(self.alive)

    def observe(self, act: a.Act, observation: Observation) -> list[Ruling]:
        """Fold one recorded act in; returns the rulings it brought."""
        rulings = super().observe(act, observation)
        owners: dict[Prediction, list[Hypothesis]] = {}
        for hypothesis, prediction in self.last.items():
            owners.setdefault(prediction, []).append(hypothesis)
        predictions = tuple(_written(x, self._set(who)) for x, who in owners.items())
        fell = tuple(Ruled(self.number[r.hypothesis], r.observed, r.predicted) for r in rulings)
        self.told.append(Told(self.seq, predictions, fell))
        return rulings

    def file(self, head: str) -> EvidenceFile:
        """The evidence so far, for the record whose chain ends in `head`."""
        made = EvidenceFile(
            FORMAT, head, self.equipment.id, self.equipment.digest, self.catalogue.digest, MODEL, policies.model_digest(),
            self.complaint, self.senses, tuple(map(str, self.hypotheses)), self.arrived, tuple(self.told),
        )  # fmt: skip
        return replace(made, sha256=made.hash())


def searched(lines: Iterable[Line]) -> list[Line]:
    """The lines up to the first diagnosis, repair or leaving."""
    found: list[Line] = []
    for line in lines:
        if isinstance(line.act, ENDS):
            break
        found.append(line)
    return found


def gather(
    record: CallRecord, equipment: Equipment, catalogue: Catalogue, senses: tuple[str, ...],
    done: Callable[[], object] = lambda: None,
) -> EvidenceFile:  # fmt: skip
    """Play `record` into every hypothesis; `senses` were perceived at arrival, `done` is called after each act."""
    recorder = Recorder(equipment, catalogue, record.header.complaint)
    recorder.perceive_arrival(senses)
    for line in searched(record.lines):
        recorder.observe(line.act, line.observation)
        done()
    return recorder.file(record.head)


# ---------------------------------------------------------------------- the file
def write(evidence: EvidenceFile, place: Path) -> None:
    """Write `evidence`, whole or not at all; EvidenceFileError where the folder does not let it."""
    try:
        handle, name = tempfile.mkstemp(prefix=".", suffix=".part", dir=place.parent)
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(evidence.json())
            Path(name).replace(place)
        except OSError:
            Path(name).unlink(missing_ok=True)
            raise
    except OSError as error:
        raise EvidenceFileError(f"{place}: can't be written ({error.strerror}); choose a folder that is yours") from error


def read(place: Path) -> EvidenceFile:
    """The evidence at `place`; EvidenceFileError where there is none, or where it is not as it was written."""
    try:
        evidence = msgspec.json.decode(place.read_bytes(), type=EvidenceFile)
    except OSError as error:
        raise EvidenceFileError(f"{place}: can't be read ({error.strerror}); grade the record to make it") from error
    except (msgspec.DecodeError, UnicodeDecodeError) as error:
        raise EvidenceFileError(f"{place.name}: no evidence file ({error}); delete it and grade the record again") from error
    if evidence.format != FORMAT:
        raise EvidenceFileError(
            f"{place.name}: format {evidence.format!r}, this version reads {FORMAT!r}; grade the record again"
        )
    if evidence.sha256 != evidence.hash():
        raise EvidenceFileError(f"{place.name}: changed since it was written; delete it and grade the record again")
    return evidence


def sound(evidence: EvidenceFile) -> bool:
    """Whether every number in it names a hypothesis, and every act tells of all that were left."""
    size = len(evidence.hypotheses)
    try:
        left = int(evidence.arrived, 16)
        for k, told in enumerate(evidence.acts, 1):
            owned = [int(x.of, 16) for x in told.predictions]
            fell = {r.hypothesis for r in told.rulings}
            if told.seq != k or sum(owned) != left or not all(left >> n & 1 for n in fell):
                return False
            left -= sum(1 << n for n in fell)
    except (ValueError, TypeError):
        return False
    return left >> size == 0


def unfit(
    evidence: EvidenceFile, record: CallRecord, equipment: Equipment, catalogue: Catalogue, senses: tuple[str, ...]
) -> str:
    """Why `evidence` is not that of `record` here and now; "" where it is."""
    wanted = catalogue.hypotheses(record.header.complaint)
    for what, was, now in (
        ("record", evidence.record, record.head),
        ("equipment", evidence.equipment_digest, equipment.digest),
        ("catalogue", evidence.catalogue_digest, catalogue.digest),
        ("complaint", evidence.complaint, record.header.complaint),
        ("model", evidence.model, MODEL),
        ("program", evidence.program, policies.model_digest()),
        ("arrival", evidence.senses, senses),
        ("hypotheses", evidence.hypotheses, tuple(map(str, wanted))),
        ("acts", len(evidence.acts), len(searched(record.lines))),
    ):
        if was != now:
            return f"the evidence was computed for another {what}"
    return ""


# ---------------------------------------------------------------------- the second stage
class Stored(Evidence):
    """Evidence read from a file in place of being computed; it answers as `Evidence` does, act by act."""

    def __init__(self, evidence: EvidenceFile, equipment: Equipment, catalogue: Catalogue) -> None:
        super().__init__(equipment, catalogue, evidence.complaint, ())
        self.file, self.hypotheses = evidence, catalogue.hypotheses(evidence.complaint)
        self.alive = {h: [] for h in self.hypotheses}

    def _members(self, mask: str) -> list[Hypothesis]:
        bits = int(mask, 16)
        return [h for k, h in enumerate(self.hypotheses) if bits >> k & 1]

    def perceive_arrival(self, senses: tuple[str, ...]) -> None:
        """Drop what does not sound like the unit at arrival."""
        if senses != self.file.senses:
            raise EvidenceFileError("the evidence is of another arrival; grade the record again")
        self.alive = {h: [] for h in self._members(self.file.arrived)}

    def observe(self, act: a.Act, observation: Observation) -> list[Ruling]:
        """The rulings of the next act; EvidenceFileError beyond the last act of the file."""
        if self.seq >= len(self.file.acts):
            raise EvidenceFileError(f"the evidence ends after act {self.seq}; grade the record again")
        told = self.file.acts[self.seq]
        self.seq = told.seq
        owners = {h: x.prediction() for x in told.predictions for h in self._members(x.of)}
        self.last = {h: owners[h] for h in self.alive}
        new = [Ruling(told.seq, self.hypotheses[r.hypothesis], r.observed, r.predicted) for r in told.rulings]
        for ruling in new:
            del self.alive[ruling.hypothesis]
        self.rulings += new
        return new


def evidence_of(
    record: CallRecord, place: Path, equipment: Equipment, catalogue: Catalogue, senses: tuple[str, ...],
    done: Callable[[], object] = lambda: None,
) -> Evidence:  # fmt: skip
    """The evidence of `record` from the file at `place` where that is whole and fits, else computed and written there.

    For a file of the school's own only: its hash says that it is whole, not whose it is. `blowergrade grade` never reads one.
    """
    try:
        found = read(place)
    except EvidenceFileError:
        found = None
    if found is None or not sound(found) or unfit(found, record, equipment, catalogue, senses):
        found = gather(record, equipment, catalogue, senses, done)
        write(found, place)
    return Stored(found, equipment, catalogue)
