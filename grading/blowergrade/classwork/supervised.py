"""A supervised assignment as a sitting of the bench service: its programme, hall and records.

Rule: who has which fault comes from the class folder each time the service starts; what was done comes from the journal and is
never changed. A record taken from it is collected and graded as any hand-in.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable, Collection
from pathlib import Path
from typing import IO

from blowerbench.sealed import ALPHABET, CODE_LENGTH, check_character, plain_code
from blowergrade.classwork.codes import complete_codes
from blowergrade.classwork.collect import Collected, collect
from blowergrade.classwork.folder import Assigned, ClassError, ClassFolder, write
from blowergrade.classwork.hand_in import RECORD
from blowergrade.exam.attempt import Plan
from blowergrade.exam.hall import Hall
from blowergrade.exam.journal import ActRow, Journal, engine_for
from blowergrade.exam.programme import Candidate, Programme, Rules
from blowergrade.exam.timeline import TimeLine

ITEM = "call"  # the one call of a supervised assignment
#: A class is no exam: answers leave on short ticks, and a wait that looks sixty times is not held up.
RULES = Rules(tick_ms=50, guard_ms=25, rate=20.0, burst=200)


def place_of(folder: ClassFolder, name: str) -> Path:
    """Where the service of the assignment `name` keeps what it has."""
    return folder.private / "supervised" / name


def _assigned(folder: ClassFolder, name: str) -> tuple[Assigned, ...]:
    assignment = folder.assignment(name)
    if not assignment.service:
        raise ClassError(
            f"{name!r} is homework: students have its payloads already; "
            "`blowergrade class assign NAME --supervised URL` makes a supervised one"
        )
    return assignment.assigned


def programme_of(folder: ClassFolder, name: str, rules: Rules = RULES) -> Programme:
    """The sitting of the supervised assignment `name`; raises `ClassError`."""
    people = {s.id: s for s in folder.students}
    codes, assigned = complete_codes(folder.private, folder.students), _assigned(folder, name)
    title = folder.assignment(name).title
    candidates, plans = [], {}
    for one in assigned:
        known = people.get(one.student)
        if known is None:  # left the class: what was done is kept, nothing more can be
            continue
        digest = hashlib.sha256(plain_code(codes[one.student]).encode()).hexdigest()
        candidates.append(Candidate(one.student, known.name, digest, known.language))
        plans[one.student] = (
            Plan(
                f"{one.student}/{ITEM}", one.equipment, one.fault, one.complaint, one.variant, known.language, name, one.entry
            ),
        )  # fmt: skip
    sitting = f"class-{folder.settings.course}-{name}"
    return Programme(sitting, title, folder.settings.title, "class", 0, tuple(candidates), plans, rules=rules)


def desk_code(folder: ClassFolder, name: str) -> str:
    """The instructor's code for the class page, 16 characters; the same as long as the class's secret is."""
    data = "".join(ALPHABET[b % len(ALPHABET)] for b in folder.derived("desk", name)[: CODE_LENGTH - 1])
    return data + check_character(data)


def open_journal(folder: ClassFolder, name: str) -> Journal:
    """The journal of the service; raises `JournalError`."""
    place = place_of(folder, name)
    place.mkdir(parents=True, exist_ok=True)
    return Journal(engine_for(f"sqlite:///{place / 'journal.sqlite'}"))


def open_hall(folder: ClassFolder, name: str, rules: Rules = RULES, line: TimeLine | None = None) -> Hall:
    """The hall of the service; take `lock` first. Raises `ClassError`."""
    programme = programme_of(folder, name, rules)
    key = folder.derived("service", name)
    return Hall(programme, key, open_journal(folder, name), desk_code=desk_code(folder, name), line=line)


def lock(folder: ClassFolder, name: str) -> IO[bytes]:
    """A lock that dies with this process; raises `ClassError` where another service has the assignment open."""
    try:
        import fcntl
    except ImportError as error:
        raise ClassError("the bench service runs on Linux and macOS; students' machines may run anything") from error
    place = place_of(folder, name)
    place.mkdir(parents=True, exist_ok=True)
    handle = (place / "service.lock").open("a+b")
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        handle.close()
        raise ClassError(f"another service has {name!r} open; stop it first (Ctrl-C where it runs)") from error
    return handle


# ---------------------------------------------------------------------- records
def take_records(
    folder: ClassFolder, name: str, students: Collection[str] = (), read: Callable[[str], tuple[ActRow, ...]] | None = None
) -> tuple[Collected, ...]:
    """Put the records of `students` (of all, where none are given) where hand-ins lie; returns what was taken for whom.

    The time of a hand-in is that of its last act, by the service's clock. `read` gives an attempt's lines where the journal is
    open already.
    """
    wanted = [x.student for x in _assigned(folder, name) if not students or x.student in students]
    if read is None:
        if not (place_of(folder, name) / "journal.sqlite").is_file():
            raise ClassError(f"{name!r} was not served yet; `blowergrade class serve {name}` does it")
        journal = open_journal(folder, name)
        try:
            return _taken(folder, name, wanted, journal.acts)
        finally:
            journal.close()
    return _taken(folder, name, wanted, read)


def _taken(
    folder: ClassFolder, name: str, wanted: Collection[str], read: Callable[[str], tuple[ActRow, ...]]
) -> tuple[Collected, ...]:
    records = place_of(folder, name) / "records"
    for student in wanted:
        rows = read(f"{student}/{ITEM}")
        if len(rows) < 2:  # opened at most: nothing was done
            continue
        file = records / student / RECORD
        write(file, b"".join(row.line for row in rows))
        os.utime(file, (rows[-1].at / 1000, rows[-1].at / 1000))
    if not records.is_dir():
        return ()
    found = collect(folder, name, records)
    for one in found:
        one.told[:] = [t for t in one.told if "notebook is missing" not in t]
    return found
