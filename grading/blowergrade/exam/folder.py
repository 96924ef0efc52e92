"""An exam on the disk: its plan, key, codes and journal, and what comes of it.

Rule: one folder is one sitting. What is secret lies in ``private/``; the key may be kept elsewhere and is needed to serve and
to grade. Nothing in here is ever overwritten: a new grading is added to those before.
"""

from __future__ import annotations

import csv
import hashlib
import io
import os
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import IO

import msgspec
from sqlalchemy.engine import make_url

from blowerbench.sealed import SealError, plain_code
from blowergrade.classwork.codes import grouped, new_code
from blowergrade.classwork.folder import write
from blowergrade.exam.hall import Hall
from blowergrade.exam.journal import Journal, engine_for
from blowergrade.exam.programme import ExamError, Programme, new_key, read_key, seal, unseal
from blowergrade.rubric import rubric_text
from blowergrade.sheet import Sheet
from blowergrade.sheet_csv import safe

PLAN, KEY, CODES, JOURNAL = "plan.sealed", "exam.key", "codes.csv", "journal.sqlite"
RUBRIC, RECORDS = "rubric.toml", "records"
DESK = "proctor"


def digest_of(code: str) -> str:
    """What the plan keeps of a personal code: SHA-256 of 75 random bits needs no salt and no stretching."""
    return hashlib.sha256(plain_code(code).encode()).hexdigest()


class ExamFolder:
    """The exam in the folder `root`; raises `ExamError` where there is none. `key` is another place of the key's file."""

    def __init__(self, root: Path | str, key: Path | None = None) -> None:
        self.root = Path(root).resolve()
        self.private = self.root / "private"
        if not (self.private / PLAN).is_file():
            raise ExamError(f"{self.root} is no exam folder (no private/{PLAN} in it); `blowergrade exam new` makes one")
        self.key_file = key or self.private / KEY
        self._lock: IO[bytes] | None = None

    @property
    def key(self) -> bytes:
        """The exam's 32 secret bytes; raises `ExamError`."""
        return read_key(self.key_file)

    @property
    def programme(self) -> Programme:
        """Who sits what; raises `ExamError`."""
        return unseal((self.private / PLAN).read_bytes(), self.key)

    @property
    def codes(self) -> dict[str, str]:
        """Candidate's id (and `DESK`) to code; raises `ExamError`."""
        return read_codes(self.private / CODES)

    @property
    def rubric(self) -> Path:
        """The rubric as it was when the exam was made: a later release's may differ."""
        return self.private / RUBRIC

    @property
    def gradings(self) -> Path:
        """Where every grading lies, by its number."""
        return self.private / "gradings"

    @property
    def sheets(self) -> Path:
        """Where the score sheets lie, by the digests of their bytes."""
        return self.private / "sheets"

    def sheet(self, digest: str) -> Sheet:
        """The score sheet of this digest; raises `ExamError` where it is missing or was changed."""
        file = self.sheets / f"{digest}.json"
        try:
            data = file.read_bytes()
            if hashlib.sha256(data).hexdigest() != digest:
                raise ExamError(f"{file} was changed; put the copy back that you kept")
            return msgspec.json.decode(data, type=Sheet)
        except (OSError, msgspec.MsgspecError) as error:
            raise ExamError(f"{file} can't be read ({error}); put the copy back that you kept") from error

    def url(self, given: str = "") -> str:
        """The database's URL: the one given, or the folder's own SQLite file."""
        return given or f"sqlite:///{self.root / JOURNAL}"

    def journal(self, url: str = "") -> Journal:
        """The open journal."""
        return Journal(engine_for(self.url(url)))

    def open_hall(self, url: str = "") -> Hall:
        """The hall, its folder locked against a second service; raises `ExamError`."""
        self.lock()
        return Hall(self.programme, self.key, self.journal(url), desk_code=plain_code(self.codes[DESK]))

    def lock(self) -> None:
        """Take the folder's lock, which dies with this process; raises `ExamError` where another service has it."""
        import fcntl  # Linux and macOS: the service runs nowhere else

        handle = (self.private / "service.lock").open("a+b")
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            handle.close()
            raise ExamError(f"another service has {self.root} open; stop it first") from error
        self._lock = handle

    def unlock(self) -> None:
        """Let go of the lock."""
        if self._lock is not None:
            self._lock.close()
            self._lock = None


def make_folder(root: Path, programme: Programme, codes: Mapping[str, str], key: bytes = b"") -> ExamFolder:
    """Write an exam folder for `programme`; `codes` are its candidates'. The proctor's code is made here, and so is the key
    unless one is given.
    """
    private = root / "private"
    try:
        private.mkdir(parents=True)
    except FileExistsError as error:
        raise ExamError(f"{root} holds an exam already; give each sitting a folder of its own") from error
    if os.name == "posix":
        private.chmod(0o700)
    key = new_key(private / KEY, key)
    write(private / PLAN, seal(programme, key))
    write(private / RUBRIC, _rubric(programme.rubric).encode())
    rows = [(DESK, "Proctor", new_code()), *((c.id, c.name, codes[c.id]) for c in programme.candidates)]
    write_codes(private / CODES, rows)
    return ExamFolder(root)


def _rubric(named: str) -> str:
    return named if "\n" in named else rubric_text(named)  # a school's own stands in the plan itself


def write_codes(file: Path, rows: Sequence[tuple[str, str, str]]) -> None:
    """Write the table of codes for this user's eyes only."""
    out = io.StringIO(newline="")
    table = csv.writer(out, lineterminator="\n")
    table.writerow(("id", "name", "code"))
    table.writerows((safe(i), safe(name), code) for i, name, code in rows)
    write(file, out.getvalue().encode())
    if os.name == "posix":
        file.chmod(0o600)


def read_codes(file: Path) -> dict[str, str]:
    """The table of codes; raises `ExamError` for a damaged one."""
    try:
        rows = list(csv.DictReader(io.StringIO(file.read_text(encoding="utf-8-sig"), newline="")))
        return {row["id"]: grouped(plain_code(row["code"])) for row in rows}
    except (OSError, UnicodeDecodeError, KeyError, TypeError, csv.Error, SealError) as error:
        raise ExamError(f"{file} can't be read ({error}); put the copy back that you kept") from error


def shown_url(url: str) -> str:
    """A database's URL without its password."""
    return make_url(url).render_as_string(hide_password=True)
