"""The score sheet as data: parts, reasons, violations, time line.

Rule: language-neutral and whole numbers only (tenths of a point, simulated seconds); the same call gives the same bytes.
"""

from __future__ import annotations

import msgspec

from blowerbench import acts as a


class Reason(msgspec.Struct, frozen=True):
    """Points out of `of` (tenths of a point), and why: an English template (the key of its translation) with its arguments.

    An argument that names correction units holds their ids, parted by "; "; a page shows their titles.
    """

    tenths: int
    of: int
    why: str
    args: tuple[str, ...] = ()

    @property
    def words(self) -> str:
        """The reason in English, units by their ids."""
        return self.why.format(*self.args)


class Part(msgspec.Struct, frozen=True):
    """One of the four parts."""

    name: str
    tenths: int
    of: int
    reasons: tuple[Reason, ...]


class Broken(msgspec.Struct, frozen=True):
    """A violation as it stands on the sheet."""

    rule: str
    level: str
    seq: int
    clock: int
    clause: str
    text: str


class Moment(msgspec.Struct, frozen=True):
    """One act on the time line: what was still possible after it, and what it ruled out."""

    seq: int
    clock: int
    act: a.AnyAct
    left: int
    ruled_out: tuple[str, ...]
    predicted: tuple[str, ...]
    observed: str
    regret: int  # simulated seconds


class Sheet(msgspec.Struct, frozen=True):
    """The graded outcome of one call."""

    format: int
    version: str
    rubric: str
    equipment: str
    complaint: str
    person: str
    variant: str
    record_head: str
    fault: str
    fault_title: str
    correction: str
    declared: tuple[str, ...]
    entailed: bool
    outside_catalogue: bool
    seconds: int
    path_seconds: int
    passed: bool
    tenths: int
    parts: tuple[Part, ...]
    violations: tuple[Broken, ...]
    timeline: tuple[Moment, ...]
    notes: tuple[str, ...]

    def json(self) -> bytes:
        """The sheet as JSON, keys in declared order."""
        return msgspec.json.format(msgspec.json.encode(self), indent=1)

    def html(self, language: str = "en") -> str:
        """The sheet as one self-contained page."""
        from blowergrade.report import render

        return render(self, language)
