"""What a sitting needs to know before it begins: who comes, what stands on whose bench, how long, and by which rules.

Rule: the plan (who has which fault) lies on the disk encrypted, under a key of its own file that may be kept elsewhere.
"""

from __future__ import annotations

import os
import secrets
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Literal

import msgspec

from blowerbench.errors import BenchError
from blowergrade.exam.attempt import Plan
from blowergrade.exam.blueprint import PassRule
from blowergrade.exam.sitting import AnyEvent, Progress, Sitting, evolve

FORMAT = 1


class ExamError(BenchError):
    """An exam folder that can't be used; says the file and the remedy."""


class Rules(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """How the service works; everything has a default. Times in the unit that their names say."""

    tick_ms: int = 300  # answers leave together, so often
    guard_ms: int = 60  # an answer may take so long before it could miss its tick
    rate: float = 2.0  # acts a second that a candidate may send on average
    burst: int = 10  # and at once
    solvers: int = 1  # processes that compute
    sign_seconds: float = 2.0  # how often the service writes down that it lives
    largest_message: int = 65_536  # bytes
    patience_seconds: float = 5.0  # a request whose body comes slower is closed


class Accommodation(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """What was granted to one candidate, for the proctor's eyes; it never stands on a certificate."""

    extra_percent: int = 0
    breaks: bool = False
    reader: bool = False
    scribe: bool = False
    room: str = ""
    print_percent: int = 100
    note: str = ""

    def words(self) -> tuple[str, ...]:
        """What was granted, in words."""
        found = (
            (f"extra time {self.extra_percent} %", self.extra_percent), ("breaks", self.breaks), ("reader", self.reader),
            ("scribe", self.scribe), (f"room {self.room}", self.room),
            (f"print {self.print_percent} %", self.print_percent != 100), (self.note, self.note),
        )  # fmt: skip
        return tuple(text for text, so in found if so)


class Candidate(msgspec.Struct, frozen=True):
    """Somebody who may sit the exam; `code_digest` is the SHA-256 of the personal code."""

    id: str
    name: str
    code_digest: str
    language: str = "en"
    form: str = ""
    accommodation: Accommodation = Accommodation()


class Item(msgspec.Struct, frozen=True):
    """One call of a candidate's form: what a candidate may know of it."""

    id: str
    title: str


class Programme(msgspec.Struct, frozen=True):
    """A sitting as it was planned. `minutes` 0: nobody's clock runs (supervised class work)."""

    sitting: str
    title: str
    school: str
    kind: Literal["exam", "class"]
    minutes: int
    candidates: tuple[Candidate, ...]
    plans: Mapping[str, tuple[Plan, ...]]  # by candidate, in the order of the calls
    familiarisation: Plan | None = None
    rules: Rules = Rules()
    passing: PassRule | None = None  # an exam has one
    rubric: str = "default"  # a shipped one, or the text of one of the school's own
    blueprint: str = ""  # digest of the blueprint, and of the set of forms
    forms: str = ""
    format: int = FORMAT

    def candidate(self, name: str) -> Candidate | None:
        """The candidate of this id."""
        return next((c for c in self.candidates if c.id == name), None)

    def seconds(self, candidate: Candidate) -> int:
        """What this candidate is given, extra time included, rounded up to a whole minute."""
        if not self.minutes:
            return 10**8
        minutes = -(-self.minutes * (100 + candidate.accommodation.extra_percent) // 100)
        return 60 * minutes

    def sitting_after(self, events: Iterable[tuple[AnyEvent, int]]) -> Sitting:
        """The sitting after `events`, each with its time (ms), from everybody's clock full and standing."""
        sitting = Sitting(candidates={c.id: Progress(allotted=1000 * self.seconds(c)) for c in self.candidates})
        for event, at in events:
            sitting = evolve(sitting, event, at)
        return sitting

    def plan(self, candidate: str, item: str) -> Plan | None:
        """What stands on the bench of `candidate` for the call `item`."""
        if item == FAMILIARISATION and self.familiarisation is not None:
            one = self.candidate(candidate)
            language = one.language if one is not None else "en"
            name = f"{candidate}/{FAMILIARISATION}"
            return msgspec.structs.replace(self.familiarisation, attempt=name, language=language)
        return next((p for p in self.plans.get(candidate, ()) if p.attempt == f"{candidate}/{item}"), None)

    def items(self, candidate: str) -> tuple[str, ...]:
        """The ids of a candidate's calls, in order."""
        return tuple(p.attempt.partition("/")[2] for p in self.plans.get(candidate, ()))


#: The id of the bench on which nothing counts.
FAMILIARISATION = "trying-out"


def new_key(file: Path, key: bytes = b"") -> bytes:
    """Write the key of a plan, a new one unless one is given; raises `ExamError` where the file exists."""
    key = key or secrets.token_bytes(32)
    try:
        with os.fdopen(os.open(file, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w", encoding="ascii") as out:
            out.write(key.hex() + "\n")
    except FileExistsError as error:
        raise ExamError(f"{file} exists; a key is never overwritten: choose another folder") from error
    except OSError as error:
        raise ExamError(f"{file} can't be written ({error.strerror}); choose a folder of yours") from error
    return key


def read_key(file: Path) -> bytes:
    """The key of a plan; raises `ExamError`."""
    try:
        key = bytes.fromhex(file.read_text(encoding="ascii").strip())
    except (OSError, ValueError) as error:
        raise ExamError(f"{file} is no key ({error}); put the copy back that you kept") from error
    if len(key) != 32:
        raise ExamError(f"{file} holds {len(key)} bytes, not 32; put the copy back that you kept")
    return key


def seal(programme: Programme, key: bytes) -> bytes:
    """`programme`, encrypted (AES-256-GCM, NIST SP 800-38D)."""
    from cryptography.hazmat.primitives.ciphers.aead import AESGCM

    nonce = secrets.token_bytes(12)
    return nonce + AESGCM(key).encrypt(nonce, msgspec.json.encode(programme), b"blowergrade exam plan")


def unseal(data: bytes, key: bytes) -> Programme:
    """The programme in `data`; raises `ExamError` for another key or a changed file."""
    from cryptography.exceptions import InvalidTag
    from cryptography.hazmat.primitives.ciphers.aead import AESGCM

    try:
        plain = AESGCM(key).decrypt(data[:12], data[12:], b"blowergrade exam plan")
        return msgspec.json.decode(plain, type=Programme)
    except (InvalidTag, ValueError) as error:
        raise ExamError("the plan does not open: the key is another exam's, or the file was changed") from error
    except msgspec.MsgspecError as error:
        raise ExamError(f"the plan was made by another release ({error}); install that one") from error
