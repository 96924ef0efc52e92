"""Assigning a fault with one command: draw it, seal it, write nbgrader's source, and have nbgrader make the release.

Rule: an assignment that somebody has handed in is never made anew.
"""

from __future__ import annotations

import re
import secrets
from collections.abc import Iterable, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from msgspec import structs

from blowerbench.remote import RemoteError, checked_address
from blowerbench.sealed import read_sealed
from blowergrade.classwork.codes import complete_codes
from blowergrade.classwork.draw import Wanted, draw_calls
from blowergrade.classwork.folder import FORMAT, Assigned, Assignment, ClassError, ClassFolder, write
from blowergrade.classwork.new import checked_title
from blowergrade.classwork.notebook import TRUST, source_notebook
from blowergrade.classwork.people import checked_id
from blowergrade.classwork.sealing import seal
from blowergrade.rubric import load_rubric

SEALED = "sealed.json"


def utc_now() -> str:
    """Now, UTC, ISO 8601, whole seconds."""
    return datetime.now(UTC).replace(microsecond=0).isoformat()


def utc_time(text: str, where: str = "--due") -> str:
    """`text` as UTC, ISO 8601; a time without a zone is this machine's. Raises `ClassError`."""
    try:
        return datetime.fromisoformat(text).astimezone(UTC).replace(microsecond=0).isoformat()
    except (ValueError, OverflowError) as error:
        raise ClassError(f"{where}: {text!r} is no time; write it like 2027-03-01T17:00") from error


def assign(
    folder: ClassFolder, name: str, wanted: Wanted, *, title: str = "", each: bool = False, due: str = "",
    rubric: str = "default", seed: int | None = None, again: bool = False, release: bool = True, service: str = "",
    trust: Path | None = None,
) -> Assignment:  # fmt: skip
    """Assign a fault to everybody in the class; returns what each got. Raises `ClassError`, `RosterError`, `RubricError`.

    With the address of a `service` it is supervised: nothing of what each got is released. `trust` is the service's own
    certificate (PEM), which goes along.
    """
    checked_id(name, "assignment")
    checked_title(title)
    load_rubric(rubric)
    _may_be_made(folder, name, again)
    students = folder.students
    codes = complete_codes(folder.private, students)
    calls = draw_calls(wanted, [s.id for s in students], each, secrets.randbelow(2**31) if seed is None else seed)
    got = tuple(
        Assigned(s.id, "", c.equipment, c.fault, c.complaint, folder.variant_of(s.id, name))
        for s, c in zip(students, calls, strict=True)
    )
    at, certificate = checked_address_of(service), _certificate(trust)
    if at:
        sealed, placed = b"", _placed(folder, name, got)
    else:
        sealed, placed = seal(name, title or name, got, codes, languages={s.id: s.language for s in students})
    assignment = Assignment(FORMAT, name, title or name, utc_now(), utc_time(due) if due else "", rubric, placed, at)
    folder.keep_assignment(assignment)
    source = folder.root / "source" / name
    write(source / f"{name}.ipynb", source_notebook(assignment, trusted=bool(certificate)))
    for file, data in ((SEALED, sealed), (TRUST, certificate)):
        if data:
            write(source / file, data)
        else:
            (source / file).unlink(missing_ok=True)
    if release:
        make_release(folder, name)
    return assignment


def checked_address_of(service: str) -> str:
    """`service` as an address that personal codes may be sent to, "" for none; raises `ClassError`."""
    try:
        return checked_address(service) if service else ""
    except RemoteError as error:
        raise ClassError(f"--supervised: {error}") from error


def _certificate(file: Path | None) -> bytes:
    if file is None:
        return b""
    try:
        data = file.read_bytes()
    except OSError as error:
        raise ClassError(f"--trust: {file} can't be read ({error.strerror}); give the service's certificate as PEM") from error
    if b"PRIVATE KEY" in data:
        raise ClassError(f"--trust: {file} holds a private key, which students must not get; give the certificate alone")
    if b"-----BEGIN CERTIFICATE-----" not in data:
        raise ClassError(f"--trust: {file} holds no certificate; give the service's certificate as PEM")
    return data


def _placed(folder: ClassFolder, name: str, got: Iterable[Assigned]) -> tuple[Assigned, ...]:
    """`got` with what stands in each record in place of a name."""
    return tuple(structs.replace(x, entry=folder.derived("entry", x.student, name).hex()[:32]) for x in got)


def add_late_comers(folder: ClassFolder, name: str) -> tuple[str, ...]:
    """Give the assignment `name` to students who joined since, each the call of the first student; returns their ids.

    The payloads of the others stay as they are: whoever has begun goes on.
    """
    assignment = folder.assignment(name)
    have = {x.student for x in assignment.assigned}
    first = assignment.assigned[0]
    new = tuple(
        Assigned(s.id, "", first.equipment, first.fault, first.complaint, folder.variant_of(s.id, name))
        for s in folder.students
        if s.id not in have
    )
    if not new:
        return ()
    if assignment.service:
        folder.keep_assignment(structs.replace(assignment, assigned=assignment.assigned + _placed(folder, name, new)))
        return tuple(x.student for x in new)
    file = folder.root / "source" / name / SEALED
    codes = complete_codes(folder.private, folder.students)
    sealed, placed = seal(
        name, assignment.title, new, codes, languages={s.id: s.language for s in folder.students}, old=read_sealed(file)
    )
    folder.keep_assignment(structs.replace(assignment, assigned=assignment.assigned + placed))
    write(file, sealed)
    make_release(folder, name)
    return tuple(x.student for x in new)


def _may_be_made(folder: ClassFolder, name: str, again: bool) -> None:
    if name not in folder.assignments():
        return
    if not again:
        raise ClassError(f"there is an assignment {name!r} already; give another name, or --again while nobody has handed in")
    if any((folder.root / "submitted").glob(f"*/{name}")):
        raise ClassError(f"{name!r} has hand-ins already; making it anew would void them: give another name")
    if (folder.private / "supervised" / name).exists():
        raise ClassError(f"{name!r} was served already; making it anew would void what was done: give another name")


def nbgrader_api(folder: ClassFolder) -> Any:
    """nbgrader's own interface, set up for this class; raises `ClassError` where nbgrader is not installed.

    What the instructor added to nbgrader_config.py (an exchange folder, say) holds; what grading rests on is set after it.
    """
    try:
        from nbgrader.apps import NbGraderAPI
        from traitlets.config import Config
        from traitlets.config.loader import ConfigFileNotFound, PyFileConfigLoader
    except ImportError as error:
        raise ClassError('nbgrader is missing; install it with: pip install "blowerbench-courseware[notebook]"') from error
    from blowergrade.classwork.configure import configure

    try:
        config = PyFileConfigLoader("nbgrader_config.py", path=str(folder.root)).load_config()
    except ConfigFileNotFound:
        config = Config()
    except Exception as error:  # the file is a program: whatever it raises is told
        raise ClassError(f"nbgrader_config.py can't be run ({type(error).__name__}: {error}); correct it") from error
    configure(config, folder.root)
    return NbGraderAPI(config=config)


def make_release(folder: ClassFolder, name: str) -> None:
    """Have nbgrader make ``release/NAME`` from ``source/NAME``; raises `ClassError` with nbgrader's own words."""
    made = nbgrader_api(folder).generate_assignment(name)
    if not made["success"]:
        raise ClassError(f"nbgrader could not make the release of {name!r}: {told_by(made)}; try `blowergrade class check`")


def told_by(made: Mapping[str, Any]) -> str:
    """The line of nbgrader's log that says why it failed: its own last one only points at a traceback."""
    text = f"{made.get('error') or ''}\n{made.get('log') or ''}"
    lines = [x.strip() for x in text.splitlines() if x.strip()]
    errors = [x for x in lines if re.match(r"[\w.]+(Error|Exception|Entry): ", x) and "see the the above" not in x]
    return (errors or lines or ["it said nothing"])[-1][:300]
