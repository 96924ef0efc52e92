"""The folder that a learner works in: the course's notebooks and guides, put there and kept up to date.

Rule: what a learner changed is never touched. A file is replaced only while its bytes are some that this
module wrote; else the new version is put beside it as ``NAME.new.ipynb``, and a sentence says so.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Callable, Iterable, Iterator
from importlib.resources import files
from pathlib import Path

from blowerbench.errors import BenchError
from blowerbench.messages import translate
from blowerlessons.build import build

LEDGER = ".course.json"
LEDGER_FORMAT = 1

LICENSE = """The course (the lessons and guides in this folder) is licensed under
Creative Commons Attribution 4.0 International (CC BY 4.0):
https://creativecommons.org/licenses/by/4.0/

You may share and adapt it, also commercially, as long as you give credit and say what you changed.
The program that runs it is licensed under Apache-2.0. What you write in your own copies is yours.

The equipment is invented. Simulated practice is no substitute for supervised work: follow local codes,
the unit's own instructions and licensed practice.
"""


class WorkspaceError(BenchError):
    """A folder that can't be made into a workspace; says which and what to do."""


def contents() -> Iterator[tuple[str, bytes]]:
    """Path inside the workspace (with /) and content of every file of the course."""
    yield from build()
    guides = files("blowerlessons").joinpath("guides")
    for guide in sorted(guides.iterdir(), key=lambda g: g.name):
        if guide.name.endswith((".md", ".png", ".toml", ".csv")):
            yield f"guides/{guide.name}", guide.read_bytes()
    yield "LICENSE.txt", LICENSE.encode()


def _digest(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


def _write(path: Path, data: bytes) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    part = path.with_name(path.name + ".part")
    with part.open("wb") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())
    part.replace(path)


def _read_ledger(folder: Path) -> dict[str, list[str]]:
    """Digests of what was written here, by path. Empty when unreadable: every file is the learner's."""
    try:
        raw = json.loads((folder / LEDGER).read_text(encoding="utf-8"))
        if raw["format"] != LEDGER_FORMAT:
            return {}
        return {str(name): [str(d) for d in digests] for name, digests in raw["written"].items()}
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return {}


def beside(name: str) -> str:
    """The name under which a new version of `name` is put beside a changed file: "01-x.new.ipynb"."""
    stem, dot, ending = name.rpartition(".")
    return f"{stem}.new.{ending}" if dot else f"{name}.new"


def make_workspace(folder: Path | str, report: Callable[[str], None] = print) -> Path:
    """Put the course into `folder` or bring it up to date, telling `report` in sentences what was done.

    Returns the folder. Raises `WorkspaceError` when `folder` is a file or can't be written.
    """
    return bring_up_to_date(Path(folder), contents(), report, translate("Course"), ("records",))


def bring_up_to_date(
    folder: Path, files_: Iterable[tuple[str, bytes]], report: Callable[[str], None], what: str, places: Iterable[str] = ()
) -> Path:
    """Put `files_` (path with / and content) and the empty folders `places` into `folder`, leaving what a person changed.

    Raises `WorkspaceError` when `folder` is a file or can't be written.
    """
    if folder.exists() and not folder.is_dir():
        raise WorkspaceError(f"{folder} is a file; give a folder, or a name that is free")
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for place in places:
            (folder / place).mkdir(exist_ok=True)
        written = _read_ledger(folder)
        counted = {"new": 0, "same": 0, "updated": 0, "kept": 0}
        for name, data in files_:
            counted[_put(folder, name, data, written, report)] += 1
            _save(folder, written)
    except OSError as error:
        raise WorkspaceError(
            f"{folder} can't be written ({error.strerror}); choose a folder of your own with some free space"
        ) from error
    report(
        translate("{0} in {1}: {2} new, {3} updated, {4} unchanged, {5} of your own kept.").format(
            what, folder, counted["new"], counted["updated"], counted["same"], counted["kept"]
        )
    )
    return folder


def _put(folder: Path, name: str, data: bytes, written: dict[str, list[str]], report: Callable[[str], None]) -> str:
    path, digest = folder / name, _digest(data)
    known = written.setdefault(name, [])
    last = known[-1] if known else ""
    if not path.exists():
        outcome = "new"
    else:
        there = _digest(path.read_bytes())
        if there == digest:
            outcome = "same"
        elif there in known:
            outcome = "updated"
        else:
            return _keep(folder, name, data, written, last == digest, report)
    if outcome != "same":
        _write(path, data)
    if last != digest:
        known.append(digest)
    return outcome


def _keep(
    folder: Path,
    name: str,
    data: bytes,
    written: dict[str, list[str]],
    seen: bool,
    report: Callable[[str], None],
) -> str:
    """Leave the learner's file; put a new version beside it, overwriting nothing of theirs."""
    if seen:
        return "kept"
    other = beside(name)
    known = written.setdefault(other, [])
    while (folder / other).exists() and _digest((folder / other).read_bytes()) not in (*known, _digest(data)):
        other = beside(other)  # the learner worked in that one too
        known = written.setdefault(other, [])
    _write(folder / other, data)
    known.append(_digest(data))
    written[name].append(_digest(data))
    report(translate("You changed {0}, so it stays as it is. The new version lies beside it as {1}.").format(name, other))
    return "kept"


def _save(folder: Path, written: dict[str, list[str]]) -> None:
    kept = {name: digests for name, digests in sorted(written.items()) if digests}
    _write(folder / LEDGER, (json.dumps({"format": LEDGER_FORMAT, "written": kept}, indent=1) + "\n").encode())
