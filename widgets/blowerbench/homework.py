"""What the notebook of an assignment calls: open the assigned bench, here or at the school, and pack what is handed in.

Rule: nothing is graded here, and nothing here helps: no coach, no cautions, no undo. In supervised work the code is asked for
and kept nowhere.
"""

from __future__ import annotations

import os
import zipfile
from getpass import getpass
from pathlib import Path
from typing import Any

from blowerbench.bench import Bench, LocalBench
from blowerbench.errors import BenchError
from blowerbench.faults import Hypothesis
from blowerbench.messages import said, translate
from blowerbench.observation import Said
from blowerbench.record import read_record
from blowerbench.remote import RemoteBench, RemoteError
from blowerbench.sealed import Payload, open_sealed

RECORD = "call.jsonl"


class HomeworkError(BenchError):
    """An assignment that can't be opened or packed; says why and what to do."""


#: By record: what it was opened with, the bench, and which file it writes to.
_open: dict[Path, tuple[Payload, LocalBench, tuple[int, int]]] = {}
#: Benches at a service, by its address and the assignment.
_there: dict[tuple[str, str], RemoteBench] = {}


def open_assignment(sealed: Path | str, code: str, record: Path | str = RECORD) -> LocalBench:
    """The bench that `code` opens, its acts written to `record`; a call that was begun goes on where it stopped.

    Raises `SealError` for the code or the file, `HomeworkError` where `record` is another call's, or while grading.
    """
    if os.environ.get("NBGRADER_EXECUTION"):
        raise HomeworkError("this notebook is being graded; a call is graded from its record and is not played again")
    payload, path = open_sealed(sealed, code), Path(record).resolve()
    _fits(path, payload)
    before, known, file = _open.get(path, (None, None, None))
    if known is not None and file != _file_of(path):
        known.close()  # its file was deleted or replaced: what it wrote now would be lost
    if known is None or not known.recording or before != payload:
        fault, _, severity = payload.fault.partition("/")
        known = LocalBench(
            payload.equipment, Hypothesis(fault, int(severity or 0)), payload.complaint, variant=payload.variant,
            record=path, assignment=payload.assignment, person=payload.entry,
        )  # fmt: skip
        _open[path] = (payload, known, _file_of(path))
        for note in known.notes:
            print(note)
    print(said(Said("complaint", (payload.complaint,)), payload.language, known.equipment))
    return known


def open_supervised(url: str, assignment: str = "", trust: Path | str | None = None, code: str | None = None) -> RemoteBench:
    """The bench of `assignment` at the school's service `url`; asks for the personal code, which is kept nowhere.

    Run again it goes on with the bench that is open, and asks for the code where that is no longer so. `trust` is a PEM file
    with the service's own certificate. Raises `RemoteError`, and `HomeworkError` while grading or for another assignment.
    """
    if os.environ.get("NBGRADER_EXECUTION"):
        raise HomeworkError("this notebook is being graded; a call is graded from its record and is not played again")
    known = _there.pop((url, assignment), None)
    if known is not None and code is None and _still_open(known):
        bench = known
    else:
        bench = RemoteBench(url, _asked_for() if code is None else code, trust=trust)
    if assignment and bench.assignment != assignment:
        bench.close()
        raise HomeworkError(f"the service has {bench.assignment!r} open, this notebook is {assignment!r}; ask your instructor")
    _there[url, assignment] = bench
    print(said(Said("complaint", (bench.complaint,)), bench.language, bench.equipment))
    return bench


def _still_open(bench: RemoteBench) -> bool:
    try:
        bench.catch_up()
    except RemoteError:
        return False
    return True


def _asked_for() -> str:
    try:
        return getpass("Personal code: ")
    except (NotImplementedError, EOFError) as error:  # a page that has no way of asking
        raise HomeworkError(
            "this page can't ask for your personal code; open the notebook in JupyterLab, or the service's own page"
        ) from error


def receipt(bench: RemoteBench) -> None:
    """Print what a student keeps of supervised work: how many acts the service has, and the record's chain value."""
    bench.catch_up()
    told = translate("The service holds your call; nothing has to be handed in. Receipt: {0} acts, {1}.", bench.language)
    print(told.format(len(bench.lines), bench.head[:16]))


def show_panel(bench: Bench) -> Any:
    """The panel of an opened assignment, in its student's language."""
    from blowerbench.panels import BenchPanel

    found = (payload.language for payload, known, _ in _open.values() if known is bench)
    language = bench.language if isinstance(bench, RemoteBench) else next(found, "en")
    return BenchPanel(bench, language=language)


def _file_of(path: Path) -> tuple[int, int]:
    """Which file stands at `path`: device and number, zeros for none."""
    if not path.exists():
        return 0, 0
    about = path.stat()
    return about.st_dev, about.st_ino


def _fits(path: Path, payload: Payload) -> None:
    """Raise `HomeworkError` where `path` holds a call that is not this one's; it is left as it is."""
    if not path.exists() or path.stat().st_size == 0:
        return
    header = read_record(path).header
    if header.assignment != payload.assignment:
        raise HomeworkError(
            f"{path.name} is the call of the assignment {header.assignment!r}, not of {payload.assignment!r}; "
            "move it to another folder and run this cell again"
        )
    if header.person != payload.entry:
        raise HomeworkError(f"{path.name} was made with another personal code; move it away, or use the code it was made with")


def hand_in(assignment: str, folder: Path | str = ".", language: str = "en") -> Path:
    """Pack the notebook and the record of `assignment` into one zip file beside them, and print the receipt."""
    here = Path(folder)
    record, notebook = here / RECORD, here / f"{assignment}.ipynb"
    if not record.exists():
        raise HomeworkError(f"there is no {RECORD} here yet; open the bench and do the call first")
    read = read_record(record)
    packed = here / f"{assignment}-handin.zip"
    part = packed.with_suffix(".part")
    with zipfile.ZipFile(part, "w", zipfile.ZIP_DEFLATED) as made:
        made.write(record, RECORD)
        if notebook.exists():
            made.write(notebook, notebook.name)
    part.replace(packed)
    told = translate("Hand in {0}. Receipt: {1} acts, {2}.", language)
    print(told.format(packed.name, len(read.lines), read.head[:16]))
    return packed
