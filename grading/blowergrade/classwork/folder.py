"""A class's folder: where everything of it lies, its settings, its secret, its assignments and outcomes.

Rule: what students may see lies in nbgrader's folders; keys, codes, outcomes and sheets lie in `private/`, which nbgrader never
copies and only its owner can read.

    class.toml            settings            roster.csv           who is in the class
    nbgrader_config.py    for nbgrader        gradebook.db         nbgrader's
    source/ release/ submitted/ autograded/ feedback/              nbgrader's
    private/secret.key    what variants and entry keys are made of
    private/codes.csv     the students' personal codes
    private/assigned/ASSIGNMENT.json          who got which fault
    private/outcomes/ASSIGNMENT/STUDENT.json  what came of it
"""

from __future__ import annotations

import hashlib
import hmac
import os
import secrets
import tomllib
from pathlib import Path
from typing import Annotated

import msgspec

from blowerbench.errors import BenchError
from blowergrade.classwork.outcome import Outcome
from blowergrade.classwork.people import Student, checked_id, read_roster

FORMAT = 1


class ClassError(BenchError):
    """A class folder that is not one, or lacks something; says what and which command makes it."""


class Assigned(msgspec.Struct, frozen=True):
    """What one student got: `entry` names their payload and their record, `variant` their tolerances."""

    student: str
    entry: str
    equipment: str
    fault: str  # ID/SEVERITY
    complaint: str
    variant: str


class Assignment(msgspec.Struct, frozen=True):
    """One assignment: its name (a folder's name), its title, when it is due, its rubric, and what each student got.

    With a `service` it is supervised: benches stand at that address, and no payload is released.
    """

    format: int
    name: str
    title: str
    made: str  # UTC, ISO 8601
    due: str  # UTC, ISO 8601, or "" for never
    rubric: str
    assigned: tuple[Assigned, ...]
    service: str = ""  # the address of the bench service, as students write it

    def of(self, student: str) -> Assigned | None:
        """What `student` got, or None."""
        return next((a for a in self.assigned if a.student == student), None)


class Settings(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """`class.toml`: the course's id and title, and what a late hand-in costs."""

    course: str
    title: str
    late_percent_a_day: Annotated[int, msgspec.Meta(ge=0, le=100)] = 0  # of the whole, taken off for each day begun
    late_days: Annotated[int, msgspec.Meta(ge=0)] = 7  # after so many days a hand-in waits for a person
    late_grace_minutes: Annotated[int, msgspec.Meta(ge=0)] = 0


class ClassFolder:
    """The class in the folder `root`. Raises `ClassError` where there is none."""

    def __init__(self, root: Path | str) -> None:
        self.root = Path(root).resolve()
        self.settings_file = self.root / "class.toml"
        if not self.settings_file.is_file():
            raise ClassError(f"{self.root} is no class folder (no class.toml in it); `blowergrade class new FOLDER` makes one")
        try:
            raw = tomllib.loads(self.settings_file.read_text(encoding="utf-8"))
            self.settings = msgspec.convert(raw, Settings)
        except (tomllib.TOMLDecodeError, msgspec.ValidationError, UnicodeDecodeError) as error:
            raise ClassError(f"{self.settings_file.name}: {error}; correct that line") from error

    # ------------------------------------------------------------------ who
    @property
    def students(self) -> tuple[Student, ...]:
        """The roster."""
        return read_roster(self.root / "roster.csv")

    # ------------------------------------------------------------------ keys
    @property
    def private(self) -> Path:
        """The folder that nobody but the instructor sees."""
        return self.root / "private"

    @property
    def secret(self) -> bytes:
        """The class's 32 secret bytes; raises `ClassError` when their file is missing or damaged."""
        file = self.private / "secret.key"
        try:
            made = bytes.fromhex(file.read_text(encoding="ascii").strip())
        except (OSError, ValueError) as error:
            raise ClassError(f"{file} is missing or damaged; put the copy back that you kept: variants hang on it") from error
        if len(made) != 32:
            raise ClassError(f"{file} holds {len(made)} bytes, not 32; put the copy back that you kept")
        return made

    def derived(self, *what: str) -> bytes:
        """32 bytes that hang on the secret and on `what`, each part by itself (HMAC-SHA-256)."""
        message = b"".join(len(w.encode()).to_bytes(4, "big") + w.encode() for w in what)
        return hmac.new(self.secret, message, hashlib.sha256).digest()

    def variant_of(self, student: str, assignment: str) -> str:
        """The variant's name of `student` in `assignment`: the same each time, and told to nobody who lacks the secret."""
        return "class-" + self.derived("variant", student, assignment).hex()[:24]

    # ------------------------------------------------------------------ assignments
    def assignments(self) -> tuple[str, ...]:
        """The names of the assignments, sorted."""
        return tuple(sorted(f.stem for f in (self.private / "assigned").glob("*.json")))

    def assignment(self, name: str) -> Assignment:
        """The assignment `name`; raises `ClassError`."""
        checked_id(name, "assignment")
        file = self.private / "assigned" / f"{name}.json"
        try:
            return msgspec.json.decode(file.read_bytes(), type=Assignment)
        except OSError as error:
            known = ", ".join(self.assignments()) or "none yet"
            raise ClassError(f"no assignment {name!r}; this class has {known}; `blowergrade class assign` makes one") from error
        except msgspec.MsgspecError as error:
            raise ClassError(f"{file} is damaged ({error}); put the copy back that you kept") from error

    def keep_assignment(self, assignment: Assignment) -> None:
        """Write `assignment` down."""
        checked_id(assignment.name, "assignment")
        made = msgspec.json.format(msgspec.json.encode(assignment), indent=1)
        write(self.private / "assigned" / f"{assignment.name}.json", made)

    # ------------------------------------------------------------------ outcomes
    def _outcome_file(self, student: str, assignment: str) -> Path:
        checked_id(student, "student")
        checked_id(assignment, "assignment")
        return self.private / "outcomes" / assignment / f"{student}.json"

    def outcome(self, student: str, assignment: str) -> Outcome | None:
        """What came of the hand-in of `student`, or None when it was not looked at yet."""
        file = self._outcome_file(student, assignment)
        try:
            return msgspec.json.decode(file.read_bytes(), type=Outcome)
        except FileNotFoundError:
            return None
        except msgspec.MsgspecError as error:
            raise ClassError(f"{file} is damaged ({error}); delete it and grade again") from error

    def keep_outcome(self, outcome: Outcome) -> None:
        """Write `outcome` down."""
        made = msgspec.json.format(msgspec.json.encode(outcome), indent=1)
        write(self._outcome_file(outcome.student, outcome.assignment), made)


def write(file: Path, data: bytes) -> None:
    """Write `data` to `file` whole or not at all."""
    file.parent.mkdir(parents=True, exist_ok=True)
    part = file.with_name(f".{file.name}.{secrets.token_hex(4)}.part")
    with part.open("wb") as out:
        out.write(data)
        out.flush()
        os.fsync(out.fileno())
    part.replace(file)
