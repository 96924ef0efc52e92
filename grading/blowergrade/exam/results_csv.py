"""A grading as the table that statistics are made of.

Rule: one row per candidate and call; whoever began no call stands in none. The table names the faults by its items.
"""

from __future__ import annotations

from pathlib import Path

from blowergrade.exam.gradings import Grading
from blowergrade.statistics import table


def rows_of(grading: Grading) -> tuple[table.CallResult, ...]:
    """The rows of `grading`, in the order of its candidates and their calls; points of 100, seconds simulated."""
    return tuple(
        table.CallResult(
            r.candidate, r.form or "-", c.item, None if c.tenths is None else c.tenths / 10,
            None if c.tenths is None else c.passed and not c.critical, bool(c.critical), c.seconds,
        )
        for r in grading.results if r.verdict != "absent"
        for c in r.calls
    )  # fmt: skip


def write_results(grading: Grading, file: Path) -> None:
    """Write `grading` to `file` as CSV."""
    table.write_results(rows_of(grading), file)
