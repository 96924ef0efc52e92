"""The diagnostic command: what could stop a class from working, or let a key out, each with its remedy.

Rule: it changes nothing, and says what it could not look at.
"""

from __future__ import annotations

import json
import os
import shutil
import stat
import sys
from collections.abc import Callable, Iterator
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Literal

import msgspec

from blowerbench.errors import BenchError
from blowerbench.sealed import SealError, open_sealed, read_sealed
from blowergrade.classwork.codes import read_codes
from blowergrade.classwork.configure import AUTOGRADE, SANITIZE
from blowergrade.classwork.folder import ClassFolder
from blowergrade.classwork.notebook import PLACEHOLDER, part_of
from blowergrade.classwork.outcome import PARTS

Level = Literal["ok", "warning", "problem"]
#: Versions of nbgrader that this was tried with: from the first to before the second.
NBGRADER = ((0, 9, 6), (0, 10))
#: Payloads that are opened to see that codes fit: more would only take time.
OPENED = 5


class Finding(msgspec.Struct, frozen=True):
    """One thing looked at; `remedy` says what to do where it is not ok."""

    level: Level
    what: str
    remedy: str = ""


def check(folder: ClassFolder) -> tuple[Finding, ...]:
    """Everything that was looked at in the class `folder`, in order."""
    made: list[Finding] = []
    for look in (_versions, _commands, _settings, _private, _roster, _exchange, _assignments, _cells, _leaks, _gradebook):
        try:
            made += look(folder)
        except BenchError as error:
            made.append(Finding("problem", str(error), "correct that, and check again"))
        except Exception as error:  # whatever is broken in the class must not stop the other checks
            why = f"{type(error).__name__}: {error}"
            made.append(Finding("problem", f"{_name(look)} could not be looked at: {why}", "see above"))
    return tuple(made)


def _name(look: Callable[[ClassFolder], Iterator[Finding]]) -> str:
    return look.__name__.lstrip("_").replace("_", " ")


# ---------------------------------------------------------------------- programs
def _numbers(text: str) -> tuple[int, ...]:
    return tuple(int(n) for n in text.split(".")[:3] if n.isdigit())


def _versions(_: ClassFolder) -> Iterator[Finding]:
    yield Finding("ok", f"Python {sys.version.split()[0]}")
    for package in ("nbgrader", "jupyterlab", "notebook"):
        try:
            found = version(package)
        except PackageNotFoundError:
            remedy = 'pip install "blowerbench-courseware[notebook]"'
            yield Finding("problem" if package == "nbgrader" else "warning", f"{package} is not installed", remedy)
            continue
        old = package == "nbgrader" and _numbers(found) < NBGRADER[0]
        new = package == "nbgrader" and _numbers(found) >= NBGRADER[1]
        remedy = "install nbgrader 0.9.6" if old else "tried with 0.9.6 only; grade one hand-in and compare" if new else ""
        yield Finding("problem" if old else "warning" if new else "ok", f"{package} {found}", remedy)


def _commands(_: ClassFolder) -> Iterator[Finding]:
    for command in ("alembic", "jupyter"):
        if shutil.which(command) is None:
            remedy = f"put {Path(sys.executable).parent} on PATH: nbgrader starts {command} by its name"
            yield Finding("problem", f"{command} is not on PATH", remedy)
        else:
            yield Finding("ok", f"{command} is on PATH")


def _settings(folder: ClassFolder) -> Iterator[Finding]:
    """Load nbgrader_config.py as nbgrader does, and look at what it sets."""
    from traitlets.config.loader import PyFileConfigLoader

    name = "nbgrader_config.py"
    if not (folder.root / name).is_file():
        yield Finding("problem", f"{name} is missing", "make a class in an empty folder and copy its nbgrader_config.py here")
        return
    loaded = PyFileConfigLoader(name, path=str(folder.root)).load_config()
    lists = loaded.Autograde.get("sanitize_preprocessors"), loaded.Autograde.get("autograde_preprocessors")
    if [list(x or ()) for x in lists] != [list(SANITIZE), list(AUTOGRADE)]:
        yield Finding(
            "problem", f"{name} does not set this program's preprocessors; grades would come from students' notebooks",
            "call blowergrade.classwork.configure.configure(get_config(), folder) at its end",
        )  # fmt: skip
    elif Path(str(loaded.CourseDirectory.root)).resolve() != folder.root:
        yield Finding("problem", f"{name} names another folder: {loaded.CourseDirectory.root}", f"set root to {folder.root}")
    else:
        yield Finding("ok", f"{name} grades from call records and runs no student code")


# ---------------------------------------------------------------------- keys
def _private(folder: ClassFolder) -> Iterator[Finding]:
    _ = folder.secret
    if os.name != "posix":
        what = "whether others can read private/ can't be seen on this system"
        yield Finding("warning", what, "keep the class in a folder of your own")
        return
    for place in (folder.private, folder.private / "secret.key", folder.private / "codes.csv"):
        mode = stat.S_IMODE(place.stat().st_mode)
        if mode & 0o077:
            shown = place.relative_to(folder.root)
            yield Finding("problem", f"others can read {shown}", f"chmod go-rwx {shown}")
        else:
            yield Finding("ok", f"only you can read {place.relative_to(folder.root)}")


def _roster(folder: ClassFolder) -> Iterator[Finding]:
    students, codes = folder.students, read_codes(folder.private)
    missing = [s.id for s in students if s.id not in codes]
    if missing:
        yield Finding("problem", f"no personal code for {', '.join(missing)}", "run `blowergrade class roster roster.csv`")
    yield Finding("ok", f"{len(students)} students in the roster")
    for name in folder.assignments():
        got = {x.student for x in folder.assignment(name).assigned}
        late = [s.id for s in students if s.id not in got]
        if late:
            what = f"{name} was not assigned to {', '.join(late)}"
            yield Finding("warning", what, f"run `blowergrade class assign {name} --late`")


def _exchange(folder: ClassFolder) -> Iterator[Finding]:
    from traitlets.config.loader import PyFileConfigLoader

    loaded = PyFileConfigLoader("nbgrader_config.py", path=str(folder.root)).load_config()
    root = str(loaded.Exchange.get("root", "")) if "Exchange" in loaded else ""
    if not root:
        yield Finding("ok", "no exchange folder is set: hand-ins come as zip files or folders")
    elif sys.platform == "win32":
        yield Finding("problem", "nbgrader's exchange does not run on Windows", "collect zip files or folders")
    elif not os.access(root, os.W_OK):
        yield Finding("problem", f"the exchange folder {root} can't be written", f"mkdir -p {root} and chmod ugo+rwx {root}")
    else:
        remedy = "give each student an account of their own: one shared account lets each hand in as another"
        yield Finding("warning", f"exchange folder {root}: it tells students apart by their account only", remedy)


def _assignments(folder: ClassFolder) -> Iterator[Finding]:
    codes = read_codes(folder.private)
    for name in folder.assignments():
        assignment = folder.assignment(name)
        for place in ("source", "release"):
            base = folder.root / place / name
            wanted = (f"{name}.ipynb",) if assignment.service else (f"{name}.ipynb", "sealed.json")
            lacking = [f for f in wanted if not (base / f).is_file()]
            if lacking:
                what = f"{place}/{name} lacks {', '.join(lacking)}"
                yield Finding("problem", what, f"run `blowergrade class assign {name} --again`")
        file = folder.root / "release" / name / "sealed.json"
        if not file.is_file():
            continue
        if set(read_sealed(file).entries) != {x.entry for x in assignment.assigned}:
            yield Finding("problem", f"release/{name}/sealed.json is not the one that was made", "release the assignment again")
            continue
        yield from _opens(file, name, [(x.student, x.entry, codes.get(x.student, "")) for x in assignment.assigned[:OPENED]])


def _opens(file: Path, name: str, people: list[tuple[str, str, str]]) -> Iterator[Finding]:
    for student, entry, code in people:
        try:
            fits = bool(code) and open_sealed(file, code).entry == entry
        except SealError:
            fits = False
        if not fits:
            yield Finding("problem", f"the code of {student} does not open {name}", "put the codes.csv back that you kept")
            return
    yield Finding("ok", f"codes open release/{name}/sealed.json ({len(people)} tried)")


def _cells(folder: ClassFolder) -> Iterator[Finding]:
    """Look whether a released grade cell still earns nothing by itself: nbgrader gives full marks for an empty one."""
    for name in folder.assignments():
        file = folder.root / "release" / name / f"{name}.ipynb"
        if not file.is_file():
            continue
        raises = PLACEHOLDER.partition("{0}")[0]
        right: set[str] = set()
        wrong: set[str] = set()
        for cell in msgspec.json.decode(file.read_bytes())["cells"]:
            about = cell["metadata"].get("nbgrader", {})
            if about.get("grade"):
                one = str(about.get("grade_id"))
                fits = part_of(one) and about.get("locked") and "".join(cell["source"]).startswith(raises)
                (right if fits and cell["cell_type"] == "code" else wrong).add(one)
        lacking = set(PARTS) - {part_of(one) for one in right}
        if wrong or lacking:
            what = f"release/{name}/{name}.ipynb: grade cells were changed or are missing: {', '.join(sorted(wrong | lacking))}"
            yield Finding("problem", what, f"run `blowergrade class assign {name} --again`, and hand the release out again")
        else:
            yield Finding("ok", f"the grade cells of release/{name} earn nothing by themselves")


def _leaks(folder: ClassFolder) -> Iterator[Finding]:
    """Look for keys, codes, faults and names in everything that students get."""
    secrets = _what_must_not_be_seen(folder)
    found = False
    for place in ("source", "release"):
        for file in sorted((folder.root / place).rglob("*")):
            if not file.is_file():
                continue
            data = file.read_bytes()
            for what, words in secrets.items():
                if any(w in data for w in words):
                    found = True
                    where = file.relative_to(folder.root)
                    yield Finding("problem", f"{where} holds {what}", "delete it there, and release anew")
    if not found:
        yield Finding("ok", "source and release hold no key, code, fault or student's name")


def _what_must_not_be_seen(folder: ClassFolder) -> dict[str, set[bytes]]:
    codes = read_codes(folder.private).values()
    given = [x for name in folder.assignments() for x in folder.assignment(name).assigned]
    return {
        "the class's secret": {folder.secret.hex().encode(), folder.secret},
        "a personal code": {c.encode() for c in codes} | {c.replace("-", "").encode() for c in codes},
        "an assigned fault": {x.fault.partition("/")[0].encode() for x in given},
        "a student's variant": {x.variant.encode() for x in given},
        "a student's name": {w for s in folder.students if len(s.name) > 3 for w in _as_written(s.name)},
        "a student's address": {s.email.encode() for s in folder.students if s.email},
    }


def _as_written(name: str) -> set[bytes]:
    """A name's bytes in a text file and in JSON with and without escapes."""
    return {name.encode(), json.dumps(name)[1:-1].encode(), json.dumps(name, ensure_ascii=False)[1:-1].encode()}


def _gradebook(folder: ClassFolder) -> Iterator[Finding]:
    from blowergrade.classwork.gradebook import path_of_database, verify

    if not path_of_database(folder).is_file():
        yield Finding("ok", "nothing was graded yet: there is no gradebook")
        return
    told = [line for name in folder.assignments() for line in verify(folder, name)]
    for line in told:
        yield Finding("problem", line, "find out who changed the gradebook; `blowergrade class grade` writes it again")
    if not told:
        yield Finding("ok", "the gradebook agrees with what the records earned")
