"""A learner's progress across lessons: a local file that only grows.

Rule: nothing here is a grade; the file is the learner's own and stays on their machine. A line is written whole or not at
all as far as the disk allows, and a line that can't be read is passed over, never taken out.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import msgspec

from blowerbench.equipment import load_equipment
from blowerbench.faults import load_faults
from blowerbench.messages import translate as t
from blowergrade.sheet import Sheet
from blowergrade.wording import hypothesis_named
from blowerlessons.exercises import Kind
from blowerlessons.skills import SKILLS

FOLDER = Path("records")
FILE = "progress.jsonl"
#: The lesson that calls outside any lesson are kept under.
PRACTICE = "practice"
#: Outcomes that say that nobody has tried yet.
NO_ATTEMPT: frozenset[Kind] = frozenset({"not_answered", "not_predicted", "not_a_quantity", "comma", "not_a_choice"})


class Answer(msgspec.Struct, frozen=True, tag_field="what", tag="answer"):
    """One answered exercise or prediction. `choices` is how many there were to choose from, 0 for a number."""

    time: str
    lesson: str
    exercise: str
    skill: str
    kind: Kind
    choices: int = 0

    @property
    def right(self) -> bool:
        """Whether the answer was right."""
        return self.kind == "right"

    @property
    def is_prediction(self) -> bool:
        """Whether it was said before the measurement was made."""
        return self.exercise.startswith("p")


class Call(msgspec.Struct, frozen=True, tag_field="what", tag="call"):
    """One finished call. `parts` are tenths of a point earned and possible, `head` is the end of its record's chain."""

    time: str
    lesson: str
    number: int
    equipment: str
    fault: str
    competency: str
    difficulty: int
    parts: dict[str, tuple[int, int]]
    found: bool
    passed: bool
    critical: int
    head: str
    stop_work: bool = False

    def share(self, *names: str) -> float:
        """The share, 0 to 1, of the points of the parts `names`; 0 where the sheet had none of them."""
        earned, of = (sum(self.parts[n][k] for n in names if n in self.parts) for k in (0, 1))
        return earned / of if of else 0.0


Entry = Answer | Call
_read_line = msgspec.json.Decoder(Entry).decode


@dataclass(frozen=True, slots=True)
class Progress:
    """What a learner has done, oldest first; `skipped` counts the lines that could not be read."""

    entries: tuple[Entry, ...] = ()
    skipped: int = 0

    @property
    def answers(self) -> tuple[Answer, ...]:
        """Every attempt at an exercise."""
        return tuple(e for e in self.entries if isinstance(e, Answer))

    @property
    def calls(self) -> tuple[Call, ...]:
        """Every finished call."""
        return tuple(e for e in self.entries if isinstance(e, Call))

    def evidence(self) -> Iterator[Entry]:
        """What tells about skills, oldest first: first attempts and finished calls, each once."""
        known: set[tuple[str, str]] = set()
        for entry in self.entries:
            if isinstance(entry, Call):
                yield entry
            elif (entry.lesson, entry.exercise) not in known:
                known.add((entry.lesson, entry.exercise))
                yield entry

    def is_done(self, lesson: str, exercise: str) -> bool:
        """Whether the exercise was answered rightly at some time; a prediction is done once it was made."""
        tried = [e for e in self.answers if (e.lesson, e.exercise) == (lesson, exercise)]
        return any(e.right or e.is_prediction for e in tried)

    def calls_of(self, lesson: str, number: int) -> tuple[Call, ...]:
        """The finished calls number `number` of `lesson`."""
        return tuple(c for c in self.calls if (c.lesson, c.number) == (lesson, number))

    @property
    def faults(self) -> frozenset[tuple[str, str]]:
        """Equipment and fault id of every call that was finished."""
        return frozenset((c.equipment, c.fault.partition("/")[0]) for c in self.calls)


def read_progress(folder: Path | str = FOLDER) -> Progress:
    """The progress kept in `folder`; empty when there is none. A torn or foreign line is skipped and counted."""
    try:
        lines = (Path(folder) / FILE).read_bytes().split(b"\n")
    except OSError:
        return Progress()
    entries: list[Entry] = []
    skipped = 0
    for line in lines:
        if not line.strip():
            continue
        entry = _entry(line)
        if entry is None:
            skipped += 1
        elif not (isinstance(entry, Call) and any(_same_call(entry, e) for e in entries)):
            entries.append(entry)
    return Progress(tuple(entries), skipped)


def _entry(line: bytes) -> Entry | None:
    try:
        entry = _read_line(line)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError):
        return None
    skill = entry.skill if isinstance(entry, Answer) else entry.competency
    return entry if skill in SKILLS else None


def _same_call(one: Call, other: Entry) -> bool:
    return isinstance(other, Call) and (one.lesson, one.number, one.head) == (other.lesson, other.number, other.head)


def note_answer(
    lesson: str, exercise: str, skill: str, kind: Kind, choices: int = 0, language: str = "en",
    folder: Path | str = FOLDER,
) -> str:  # fmt: skip
    """Write down that `exercise` of `lesson` was answered and what came of it; "" or a sentence why that was not possible.

    What is no attempt is not noted, nor what says the same again.
    """
    if kind in NO_ATTEMPT:
        return ""
    before = [e for e in read_progress(folder).answers if (e.lesson, e.exercise) == (lesson, exercise)]
    if before and (before[-1].kind == kind or any(e.right for e in before)):
        return ""
    return _append(Answer(_now(), lesson, exercise, skill, kind, choices), folder, language)


def call_of(lesson: str, number: int, fault: str, sheet: Sheet) -> Call:
    """The line that finished call `number` of `lesson` leaves: what its sheet says, and the competency of its fault."""
    unit = load_equipment(sheet.equipment)
    told = load_faults(unit).faults[hypothesis_named(fault).fault]
    return Call(
        _now(), lesson, number, sheet.equipment, fault, told.competency, told.difficulty,
        {p.name: (p.tenths, p.of) for p in sheet.parts},
        sheet.entailed and set(sheet.declared) == set(sheet.correction.split("; ")),
        sheet.passed, sum(v.level == "critical" for v in sheet.violations), sheet.record_head, told.stop_work,
    )  # fmt: skip


def note_call(lesson: str, call: int, fault: str, sheet: Sheet, language: str = "en", folder: Path | str = FOLDER) -> str:
    """Write down that call number `call` of `lesson` was finished, once; "" or a sentence why that was not possible."""
    made = call_of(lesson, call, fault, sheet)
    if any(_same_call(made, e) for e in read_progress(folder).calls):
        return ""
    return _append(made, folder, language)


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="seconds")


def _append(entry: Entry, folder: Path | str, language: str) -> str:
    """Put `entry` at the end of the file in one write; a torn line before it is ended first."""
    if os.environ.get("NBGRADER_EXECUTION"):
        return ""  # a teacher's machine is running the notebook: that is nobody's progress
    path = Path(folder) / FILE
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with path.open("ab+", buffering=0) as file:
            size = file.seek(0, os.SEEK_END)
            start = b""
            if size:
                file.seek(-1, os.SEEK_END)
                start = b"" if file.read(1) == b"\n" else b"\n"
            line = start + msgspec.json.encode(entry) + b"\n"
            if file.write(line) != len(line):
                raise OSError("the disk took only a part of the line")
            os.fsync(file.fileno())
    except OSError as error:
        told = t("Your progress could not be saved ({0}); the lesson goes on without it.", language)
        return told.format(error.strerror or error)
    return ""
