"""The records of a school as a folder: opened to read, opened to add, people looked up.

Rule: everything that is added goes through `Adding`, which numbers, dates and seals it. Reading locks nothing.

    register.jsonl    the entries
    retention.toml    how long what is kept
    keys/             a key for each person; who has the register without them reads no name
"""

from __future__ import annotations

import os
import unicodedata
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

from blowergrade.records import register
from blowergrade.records.entries import (
    About,
    AnyEntry,
    AppealDecided,
    AppealOpened,
    Corrected,
    Correction,
    Enrolled,
    Erased,
    Identity,
    InspectionAsked,
    InspectionShown,
    RecordsError,
    Result,
    Secret,
)
from blowergrade.records.persons import Drawer, GoneError, Keyring, drawer_of, new_pseudonym
from blowergrade.records.register import Log, Writer
from blowergrade.records.retention import POLICY, write_policy

Kind = TypeVar("Kind", bound=Secret)


@dataclass(frozen=True, slots=True)
class Person:
    """Somebody in the records: the entries about them, who they are (None: it can't be read), what was destroyed."""

    pseudonym: str
    entries: tuple[About, ...]
    identity: Identity | None
    erased: tuple[Erased, ...]

    @property
    def is_erased(self) -> bool:
        """Whether their key was destroyed on purpose."""
        return any(e.what == "person" for e in self.erased)

    @property
    def results(self) -> tuple[Result, ...]:
        """The result that counts of each sitting, in the order of the sittings."""
        return tuple({e.sitting: e for e in self.entries if isinstance(e, Result)}.values())

    @property
    def open_appeals(self) -> tuple[AppealOpened, ...]:
        """Appeals that nobody decided yet."""
        done = {e.appeal for e in self.entries if isinstance(e, AppealDecided)}
        return tuple(e for e in self.entries if isinstance(e, AppealOpened) and e.number not in done)

    @property
    def open_requests(self) -> tuple[InspectionAsked, ...]:
        """Requests to see the records that were not answered yet."""
        done = {n for e in self.entries if isinstance(e, InspectionShown) for n in e.answers}
        return tuple(e for e in self.entries if isinstance(e, InspectionAsked) and e.number not in done)


class Records:
    """The records in the folder `root`, as they stand; raises `RecordsError` where there are none or they were changed."""

    def __init__(self, root: Path | str) -> None:
        self.root = Path(root).resolve()
        self.keys = Keyring(self.root)
        self._stand(register.read_log(self.root))

    def _stand(self, log: Log) -> None:
        """Let the records stand as `log` says."""
        self.log = log
        self._gone = {(e.person, e.what) for e in log.entries if isinstance(e, Erased)}

    @property
    def policy_file(self) -> Path:
        """How long what is kept."""
        return self.root / POLICY

    @property
    def entries(self) -> tuple[AnyEntry, ...]:
        """Every entry."""
        return self.log.entries

    def gone(self, person: str, drawer: Drawer = "person") -> bool:
        """Whether this key was destroyed, by what the register says."""
        return (person, "person") in self._gone or (person, drawer) in self._gone

    def told(self, entry: About, kind: type[Kind]) -> Kind:
        """What `entry` seals; raises `GoneError` where that was erased, and `RecordsError`."""
        if self.gone(entry.person, drawer_of(type(entry))):
            raise GoneError(f"what entry {entry.number} says was erased")
        return self.keys.open(entry, kind)

    # ------------------------------------------------------------------ people
    def people(self) -> tuple[Person, ...]:
        """Everybody, in the order in which they came."""
        found: dict[str, list[About]] = {}
        erased: dict[str, list[Erased]] = {}
        for entry in self.entries:
            if isinstance(entry, About):
                found.setdefault(entry.person, []).append(entry)
            elif isinstance(entry, Erased):
                erased.setdefault(entry.person, []).append(entry)
        return tuple(self._person(name, tuple(es), tuple(erased.get(name, ()))) for name, es in found.items())

    def _person(self, name: str, entries: tuple[About, ...], erased: tuple[Erased, ...]) -> Person:
        found = Person(name, entries, None, erased)
        if found.is_erased or not self.keys.has(name):
            return found
        identity = None
        for entry in entries:
            if isinstance(entry, Enrolled):
                identity = self.keys.open(entry, Identity)
            elif isinstance(entry, Correction):
                identity = self.keys.open(entry, Corrected).identity or identity
        return Person(name, entries, identity, erased)

    def find(self, wanted: str) -> Person:
        """The one person of this pseudonym, school id, e-mail address or name; raises `RecordsError`."""
        people = self.people()
        for person in people:
            if person.pseudonym == wanted:
                return person
        key = same(wanted)
        fits = [p for p in people if (i := p.identity) is not None and key in {same(i.school_id), same(i.email), same(i.name)}]
        if len(fits) == 1 and key:
            return fits[0]
        if not fits or not key:
            raise RecordsError(f"{wanted!r} is nobody in these records; `blowergrade records list` shows who is")
        raise RecordsError(f"{wanted!r} fits {', '.join(p.pseudonym for p in fits)}; give one of these pseudonyms")

    def living(self, wanted: str) -> Person:
        """As `find`, and not erased; raises `RecordsError`."""
        found = self.find(wanted)
        if found.is_erased:
            raise RecordsError(f"{found.pseudonym} was erased; nothing is added about them, and nothing can be read")
        if found.identity is None:
            raise RecordsError(f"the key of {found.pseudonym} is not in {self.keys.folder}; put the copy back that you kept")
        return found

    @contextmanager
    def adding(self) -> Iterator[Adding]:
        """These records opened to add something, locked for others; raises `RecordsError`."""
        with register.writing(self.root) as writer:
            self._stand(writer.log)  # what others added meanwhile counts
            made = Adding(self, writer)
            try:
                yield made
            finally:
                made.forget_keys()
        self._stand(register.read_log(self.root))


class Adding:
    """What may be added, all at once with `done` or each by itself."""

    def __init__(self, records: Records, writer: Writer) -> None:
        self.records, self._writer, self.when = records, writer, register.now()
        self._waiting: list[AnyEntry] = []
        self._keys: list[tuple[str, Drawer]] = []  # made for entries that are not written yet
        self._names = {e.person for e in records.entries if isinstance(e, About)}

    def about(self, kind: type[About], person: str, secret: Secret, **clear: Any) -> int:
        """Have an entry about `person` ready; returns its number. Raises `RecordsError` where the person's key is gone."""
        drawer, number = drawer_of(kind), self._number()
        if self.records.gone(person, drawer):
            raise RecordsError(f"the key of {person} ({drawer}) was destroyed; nothing is added that it would seal")
        if drawer != "person" and not self.records.keys.has(person, drawer):
            self._make_key(person, drawer)
        sealed = self.records.keys.seal(kind, person, number, secret)
        entry: Any = kind(number=number, when=self.when, person=person, sealed=sealed, **clear)
        self._waiting.append(entry)
        return number

    def plain(self, kind: type[AnyEntry], **clear: Any) -> int:
        """Have an entry ready that seals nothing; returns its number."""
        number = self._number()
        self._waiting.append(kind(number=number, when=self.when, **clear))
        return number

    def enrol(self, identity: Identity) -> str:
        """Make a pseudonym and a key for somebody new, and have the entry ready; returns the pseudonym."""
        if not identity.name.strip():
            raise RecordsError("a person has a name; give one")
        person = new_pseudonym(self._names)
        self._names.add(person)
        self._make_key(person, "person")
        self.about(Enrolled, person, identity)
        return person

    def _make_key(self, person: str, drawer: Drawer) -> None:
        self.records.keys.make(person, drawer)
        self._keys.append((person, drawer))

    def forget_keys(self) -> None:
        """Take away the keys of entries that were not written."""
        for person, drawer in self._keys:
            self.records.keys.destroy(person, drawer)
        self._keys = []

    def _number(self) -> int:
        return self._writer.number + len(self._waiting)

    def done(self) -> int:
        """Write what is ready; returns how many entries that were. They are on the disk when this returns."""
        self._writer.append(*self._waiting)
        count = len(self._waiting)
        self._waiting, self._keys = [], []
        return count


def same(text: str) -> str:
    """`text` as it is compared: one spelling (NFC), no case, single blanks."""
    return " ".join(unicodedata.normalize("NFC", text).casefold().split())


def make_records(root: Path, school: str) -> Records:
    """Begin the records of `school` in the folder `root`, readable by this user alone; raises `RecordsError`."""
    if not school.strip():
        raise RecordsError("records are somebody's; give the school's name with --school")
    try:
        (root / "keys").mkdir(parents=True, exist_ok=True)
        if os.name == "posix":
            root.chmod(0o700)
            (root / "keys").chmod(0o700)
    except OSError as error:
        raise RecordsError(f"{root} can't be made ({error.strerror}); choose a place that is yours") from error
    register.make_register(root, school.strip())
    write_policy(root)
    return Records(root)


__all__ = ["Adding", "Person", "Records", "make_records", "same"]
