"""Checkpoints: where every chain of a sitting ends, written down off the machine while the exam runs.

Rule: a checkpoint is only ever appended, to a file that the school keeps where the exam's machine can't change it later
(another machine's folder, a stick that is taken away). Whoever rewrites the journal afterwards can't make it agree with them.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path

import msgspec

from blowergrade.exam.journal import Journal
from blowergrade.exam.programme import ExamError


class Checkpoint(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Number and chain value of the newest event, and acts and chain value of each attempt that changed since the last one."""

    sitting: str
    at: int  # ms of the server's time line
    event: int
    chain: str
    attempts: Mapping[str, tuple[int, str]]


class Checkpoints:
    """Appends to one file; raises `ExamError` when it is made where that can't be done."""

    def __init__(self, file: Path, sitting: str) -> None:
        self.file, self.sitting = file, sitting
        self._known: dict[str, int] = {}
        try:
            with file.open("ab"):
                pass
        except OSError as error:
            raise ExamError(f"{file}: checkpoints can't be written there ({error.strerror}); give another file") from error

    def write(self, journal: Journal, at: int) -> str:
        """Append where every chain stands now; returns why that failed, or "": an exam goes on without its stick."""
        changed = {a: n for a, n in journal.counts().items() if self._known.get(a) != n}
        number, chain = journal.head
        heads = {a: (n, head_of(journal, a, n)) for a, n in sorted(changed.items())}
        line = msgspec.json.encode(Checkpoint(self.sitting, at, number, chain, heads)) + b"\n"
        try:
            with self.file.open("ab") as out:
                out.write(line)
                out.flush()
                os.fsync(out.fileno())
        except OSError as error:
            return f"{self.file}: {error.strerror}"
        self._known.update(changed)
        return ""


def head_of(journal: Journal, attempt: str, act: int) -> str:
    """The chain value of an act's line; "" where there is none."""
    line = journal.line(attempt, act)
    return "" if line is None else str(msgspec.json.decode(line)["chain"])


def compare(file: Path, journal: Journal, sitting: str) -> tuple[int, tuple[str, ...]]:
    """How many checkpoints of `sitting` are in `file`, and where the journal says something else; raises `ExamError`."""
    try:
        lines = [msgspec.json.decode(x, type=Checkpoint) for x in _whole_lines(file)]
    except (OSError, msgspec.MsgspecError) as error:
        raise ExamError(f"{file} holds no checkpoints that can be read ({error}); give the file of `exam serve`") from error
    mine = [c for c in lines if c.sitting == sitting]
    chains = {row.number: row.chain for row in journal.events()}
    found: list[str] = []
    for c in mine:
        if c.event and chains.get(c.event) != c.chain:
            found.append(f"event {c.event} is not what it was at the checkpoint of {c.at}")
        for attempt, (act, head) in c.attempts.items():
            if head_of(journal, attempt, act) != head:
                found.append(f"{attempt}: act {act} is not what it was at the checkpoint of {c.at}")
    return len(mine), tuple(dict.fromkeys(found))


def _whole_lines(file: Path) -> list[bytes]:
    """A last line that was cut off is none."""
    data = file.read_bytes()
    return data[: data.rfind(b"\n") + 1].splitlines()
