"""Checking the records: keys, sealed texts, and what entries say of one another. The chain is checked by reading them.

Rule: a check changes nothing, and says of each thing that is wrong where it is and what to do.
"""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from blowerbench.errors import BenchError
from blowergrade.records.entries import (
    SECRETS,
    About,
    AppealDecided,
    AppealOpened,
    Correction,
    Enrolled,
    InspectionAsked,
    InspectionShown,
)
from blowergrade.records.persons import Drawer, drawer_of
from blowergrade.records.register import FILE
from blowergrade.records.school import Records


@dataclass(frozen=True, slots=True)
class Found:
    """What was looked at, how often, and what was wrong with it."""

    what: str
    count: int
    wrong: tuple[str, ...]


def audit(records: Records) -> Iterator[Found]:
    """Check everything in the folder; the register's chain held, or `records` could not have been opened."""
    yield Found("entries", len(records.entries), tuple(_references(records)))
    sealed = [e for e in records.entries if isinstance(e, About)]
    yield Found("sealed texts", len(sealed), tuple(_sealed(records, sealed)))
    files = sorted(records.keys.folder.glob("*.key"))
    yield Found("keys", len(files), tuple(_keys(records)))


def _references(records: Records) -> Iterator[str]:
    """Entries that point at something that is not there, or is about somebody else."""
    kinds: dict[type[About], type[About]] = {AppealDecided: AppealOpened, InspectionShown: InspectionAsked, Correction: About}
    came: set[str] = set()
    for entry in records.entries:
        if isinstance(entry, Enrolled):
            came.add(entry.person)
        person = getattr(entry, "person", "")
        if person and person not in came:
            yield f"entry {entry.number} is about {person}, of whom no entry before it says that they came in"
        pointed: tuple[int, ...] = ()
        match entry:
            case AppealDecided(appeal=n) | Correction(corrects=n):
                pointed = (n,)
            case InspectionShown(answers=ns):
                pointed = ns
        for n in pointed:
            other = records.entries[n - 1] if 0 < n < entry.number else None
            if not isinstance(other, kinds[type(entry)]) or other.person != person:  # type: ignore[index] # those of the match
                yield f"entry {entry.number} points at entry {n}, which is nothing of the kind"


def _sealed(records: Records, entries: Sequence[About]) -> Iterator[str]:
    for entry in entries:
        if records.gone(entry.person, drawer_of(type(entry))):
            continue
        try:
            records.told(entry, SECRETS[type(entry)])
        except BenchError as error:
            yield str(error)


def _keys(records: Records) -> Iterator[str]:
    needed: set[tuple[str, Drawer]] = {
        (e.person, drawer_of(type(e))) for e in records.entries if isinstance(e, About)
    }
    names = {records.keys.file(person, drawer).name: (person, drawer) for person, drawer in needed}
    for file in (records.root / FILE, *sorted(records.keys.folder.glob("*.key"))):
        if os.name == "posix" and file.stat().st_mode & 0o077:
            yield f"{file.name} can be read by others than its owner; chmod 600 it"
        if file.suffix == ".key" and file.name not in names:
            yield f"{file.name} is a key that nothing needs (an interrupted command leaves one); delete it"
    for person, drawer in sorted(needed):
        if records.gone(person, drawer) and records.keys.has(person, drawer):
            yield f"{person} was erased, but its key ({drawer}) is there (again?); say `records erase` once more"


__all__ = ["Found", "audit"]
