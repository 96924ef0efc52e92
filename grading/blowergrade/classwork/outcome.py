"""What came of one hand-in, as a file: the one thing that gradebook, feedback, exports and pictures read.

Rule: what could not be graded is a status with a reason, never a silent zero; an override adds to an outcome and never
replaces what the record earned.
"""

from __future__ import annotations

import re
from collections.abc import Collection
from typing import Literal

import msgspec

from blowergrade.sheet import Sheet

FORMAT = 1

#: graded: by the record. manual: waits for a person, `reason` says why. missing: nothing was handed in.
Status = Literal["graded", "manual", "missing"]

#: The parts of a sheet, in their order, as grade cells are named.
PARTS = ("safety", "isolation", "repair", "write_up")


class Override(msgspec.Struct, frozen=True):
    """A part's points (tenths) set by a person, with the reason; the newest of a part counts."""

    part: str
    tenths: int
    reason: str
    by: str
    when: str  # UTC, ISO 8601


class Outcome(msgspec.Struct, frozen=True):
    """One student's hand-in of one assignment, graded or waiting for a person."""

    format: int
    student: str
    assignment: str
    status: Status
    reason: str = ""
    sheet: Sheet | None = None
    record_digest: str = ""  # SHA-256 of the record file that was graded
    when: str = ""  # of grading: UTC, ISO 8601
    handed_in: str = ""  # UTC, ISO 8601, where it is known
    late_days: int = 0
    late_tenths: int = 0  # taken off by the late policy, after the parts
    notes: tuple[str, ...] = ()
    overrides: tuple[Override, ...] = ()

    def part(self, name: str) -> tuple[int | None, int]:
        """Points and maximum (tenths) of part `name`: a person's where there is one, else the sheet's; None without."""
        found = {p.name: p for p in self.sheet.parts} if self.sheet is not None else {}
        own = [o for o in self.overrides if o.part == name]
        of = found[name].of if name in found else 0
        if own:
            return own[-1].tenths, of
        return (found[name].tenths if name in found and self.status == "graded" else None), of

    def reason_without(self, others: Collection[str]) -> str:
        """The reason for eyes other than the instructor's: one that names a student of `others` says that a person looks."""
        named = set(re.findall(r"[A-Za-z0-9_-]+", self.reason)) & set(others)
        return "the record is not what was assigned; a person looks at it" if named else self.reason

    @property
    def tenths(self) -> int | None:
        """The whole score in tenths of a point, late policy taken off; None while a part waits for a person."""
        got = [self.part(name)[0] for name in PARTS]
        if any(points is None for points in got):
            return None
        return max(0, sum(points for points in got if points is not None) - self.late_tenths)
