"""The bench: the one way in for page, test, exam service and grader, and where record and session meet.

Rule: an act is recorded before its outcome is shown. Creating a bench on an existing record goes on where it stopped.
"""

from __future__ import annotations

import threading
from pathlib import Path
from typing import Literal, Protocol

import msgspec

from blowerbench import acts as a
from blowerbench.equipment import Equipment, load_equipment
from blowerbench.errors import BenchError
from blowerbench.faults import Hypothesis, load_faults
from blowerbench.hands import Hands
from blowerbench.observation import Accepted, Observation, Outcome, Refused, Said
from blowerbench.record import FORMAT, MODEL, Header, Line, RecordError, RecordWriter
from blowerbench.session import Session
from blowerbench.variant import Variant, draw_variant

#: Signal words, the gravest first.
Signal = Literal["danger", "warning", "caution", "notice"]


class ActError(BenchError):
    """Something that is not an act, or an act with a field of the wrong kind."""


class View(msgspec.Struct, frozen=True):
    """What a page may draw: hands as the learner left them, the last observation, the number of acts. Never the fault."""

    equipment: str
    complaint: str
    seq: int
    clock: int
    hands: dict[str, object]
    observation: Observation


class Bench(Protocol):
    """What every bench offers, in this process or across a network."""

    @property
    def equipment(self) -> Equipment:
        """The unit on this bench."""

    def act(self, act: a.Act) -> Outcome:
        """Do `act`, or say why hands can't."""

    def view(self) -> View:
        """What can be shown now."""

    def close(self) -> None:
        """Release what the bench holds; the record stays."""


class Coach(Protocol):
    """Help in practice, handed to a panel by a lesson; never present in an exam."""

    def hint(self, lines: tuple[Line, ...], strength: int) -> str:
        """A hint after these acts; `strength` 1 (a nudge) to 3 (the act itself)."""


def describe_hands(hands: Hands) -> dict[str, object]:
    """`hands` as plain JSON values, sets in order."""
    described = msgspec.to_builtins(hands)
    return {k: sorted(v) if isinstance(v, list | set | frozenset) and k != "declared" else v for k, v in described.items()}


class Caution(msgspec.Struct, frozen=True):
    """What the trade says to an unsafe act, in English source text.

    `seq` is the act's number; `what` was done, the `harm` that can come of it and `why`, what to do `instead`, and the
    `clause` that says so.
    Signal words after ANSI Z535.4 (from memory): danger will, warning could result in death or serious injury, caution could
    result in minor or moderate injury, notice is about property.
    """

    seq: int
    signal: Signal
    what: str
    harm: str
    why: str
    instead: str
    clause: str


class Watcher(Protocol):
    """Somebody who watches for unsafe acts in lessons and practice; never present in an exam."""

    def cautions(self, lines: tuple[Line, ...]) -> tuple[Caution, ...]:
        """The cautions that these acts of one call ask for, in order; earlier lines always give the same ones."""


class LocalBench:
    """A bench in this process. With `record` every act is appended to that file before its outcome is returned."""

    def __init__(
        self,
        equipment: str | Equipment,
        fault: str | Hypothesis,
        complaint: str,
        *,
        variant: str | Variant = "practice",
        record: Path | str | None = None,
        assignment: str = "",
        person: str = "",
    ) -> None:
        self.equipment = equipment if isinstance(equipment, Equipment) else load_equipment(equipment)
        catalogue = load_faults(self.equipment)
        hypothesis = fault if isinstance(fault, Hypothesis) else Hypothesis(fault)
        drawn = variant if isinstance(variant, Variant) else draw_variant(variant)
        if complaint not in self.equipment.complaints:
            known = ", ".join(self.equipment.complaints)
            raise BenchError(f"no complaint {complaint!r}; {self.equipment.id} has {known}")
        self.session = Session(self.equipment, catalogue, hypothesis, drawn, complaint)
        self.header = Header(
            FORMAT, MODEL, self.equipment.id, self.equipment.digest, catalogue.digest, complaint, drawn.name, assignment, person
        )
        self.lines: list[Line] = []
        self.last = Observation((Said("complaint", (complaint,)),), self.session.senses())
        self.notes: list[str] = []
        self._guard = threading.RLock()
        self._closed = False
        self._recorded = record is not None
        self._writer: RecordWriter | None = None
        if record is not None:
            self._open(Path(record))

    def _open(self, path: Path) -> None:
        writer = RecordWriter(path, self.header)
        try:
            for line in writer.record.lines:
                heard = self.session.play(line.act).observation
                problem = compare(line, heard, self.session.now.hands.clock)
                if problem:
                    raise RecordError(f"{path.name}: act {line.seq}: {problem}; hand the record to your instructor as it is")
                self.lines.append(line)
                self.last = line.observation
        except BaseException:
            writer.close()
            raise
        if writer.damage:
            self.notes.append(f"{writer.damage}; everything before it was kept, the rest is in {path.name}.damaged")
        self._writer = writer

    def act(self, act: a.Act) -> Outcome:
        """Do `act`; what comes back is already on the disk. Raises `NoSuchName` for a name that this unit does not have."""
        with self._guard:
            if self._closed:
                return Refused(Said("bench_is_closed"))
            act = checked(act)
            refusal = self.session.decide(act)
            if refusal is not None:
                return Refused(Said(refusal.reason, tuple(v for _, v in refusal.args)))
            before = self.session.copy()
            try:
                observation = self.session.play(act).observation
                clock = self.session.now.hands.clock
                line = Line(len(self.lines) + 1, clock, act, observation)
                if self._writer is not None:
                    self._writer.append(line)
            except BaseException:
                self.session = before  # what is not on the disk has not happened
                raise
            self.lines.append(line)
            self.last = observation
            return Accepted(line.seq, clock, observation)

    def view(self) -> View:
        """What a page may draw now."""
        hands = self.session.now.hands
        return View(
            self.equipment.id, self.session.complaint.id, len(self.lines), hands.clock, describe_hands(hands), self.last
        )

    @property
    def undoable(self) -> bool:
        """Whether the last act can be taken back: never on a bench with a record, which only grows."""
        return bool(self.lines) and not self._closed and not self._recorded

    def undo(self) -> None:
        """Take back the last act by playing the acts before it again; raises `BenchError` where it can't be taken back."""
        with self._guard:
            if self._recorded:
                raise BenchError("this call is being recorded and a record only grows; undo needs a bench without a record")
            if not self.undoable:
                raise BenchError("there is no act to take back; do one first")
            now = self.session
            again = Session(self.equipment, now.catalogue, now.hypothesis, now.variant, now.complaint.id)
            last = Observation((Said("complaint", (now.complaint.id,)),), again.senses())
            for line in self.lines[:-1]:
                last = again.play(line.act).observation
            self.session, self.last, self.lines = again, last, self.lines[:-1]

    @property
    def recording(self) -> bool:
        """Whether every act is being written to a record; no longer after `close`."""
        return self._writer is not None

    def close(self) -> None:
        """Release the record's file and lock."""
        self._closed = True
        if self._writer is not None:
            self._writer.close()
            self._writer = None


def checked(act: a.Act) -> a.AnyAct:
    """`act` with every field of its right type, as a record would hold it; raises `ActError` otherwise."""
    try:
        return a.decode(a.encode(act))
    except (msgspec.MsgspecError, TypeError, UnicodeError) as error:
        raise ActError(
            f"{act!r} is not an act that can be done: {error}; use one of blowerbench.acts with the fields it asks"
        ) from error


def compare(line: Line, heard: Observation, clock: int) -> str:
    """What differs between a recorded line and its replay, or "". One count of the last digit is allowed in a display."""
    if line.clock != clock:
        return f"the clock stood at {line.clock} s where replay has {clock} s"
    was = line.observation
    if was.said != heard.said or was.senses != heard.senses or len(was.shown) != len(heard.shown):
        return "replay perceives something else"
    for old, new in zip(was.shown, heard.shown, strict=True):
        if (old.instrument, old.unit) != (new.instrument, new.unit) or not _close(old.text, new.text):
            return f"the display showed {old.text} {old.unit} where replay shows {new.text} {new.unit}"
    return ""


def _close(old: str, new: str) -> bool:
    if old == new:
        return True
    if "OL" in old or "OL" in new or old.partition(".")[2].__len__() != new.partition(".")[2].__len__():
        return False
    return abs(int(old.replace(".", "")) - int(new.replace(".", ""))) <= 1
