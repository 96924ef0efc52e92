"""The score sheet as one row of a table for a spreadsheet: whole points and seconds, one call a row.

Rule: appending never changes what is there, and no cell starts a formula: one that begins with = + - @, a tab or a line end
gets an apostrophe before it, as spreadsheets take for text.
"""

from __future__ import annotations

import csv
import io
from pathlib import Path

from blowerbench.errors import BenchError
from blowergrade.sheet import Sheet

COLUMNS = (
    "person", "equipment", "complaint", "fault", "correction", "declared", "result",
    "points", "safety", "isolation", "repair", "write_up", "entailed", "critical", "major", "minor",
    "seconds", "path_seconds", "lost_seconds", "elsewhere_percent", "variant", "rubric", "version", "record",
)  # fmt: skip
FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n")


class CsvError(BenchError):
    """A table that the row can't be appended to; says why and what would be right."""


def safe(text: str) -> str:
    """`text` as a cell that no spreadsheet takes for a formula, on one line."""
    marked = f"'{text}" if text.lstrip(" ").startswith(FORMULA) else text
    return " ".join(marked.splitlines())


def row_of(sheet: Sheet) -> tuple[str, ...]:
    """The cells of `sheet`, in the order of `COLUMNS`."""
    levels = [v.level for v in sheet.violations]
    part = {p.name: p.tenths for p in sheet.parts}
    result = "by hand" if sheet.outside_catalogue else "passed" if sheet.passed else "not passed"
    elsewhere = "" if sheet.counterfactual is None else str(sheet.counterfactual.percent)
    cells = (
        sheet.person, sheet.equipment, sheet.complaint, sheet.fault, sheet.correction, "; ".join(sheet.declared), result,
        _points(sheet.tenths), *(_points(part.get(n, 0)) for n in ("safety", "isolation", "repair", "write_up")),
        "yes" if sheet.entailed else "no", *(str(levels.count(x)) for x in ("critical", "major", "minor")),
        str(sheet.seconds), str(sheet.path_seconds), str(sum(m.regret for m in sheet.timeline)), elsewhere, sheet.variant,
        sheet.rubric, sheet.version, sheet.record_head,
    )  # fmt: skip
    return tuple(map(safe, cells))


def _points(tenths: int) -> str:
    return f"{tenths // 10}.{tenths % 10}" if tenths >= 0 else f"-{_points(-tenths)}"


def append(sheet: Sheet, file: Path) -> None:
    """Append the row of `sheet` to `file`, with a header where it is new; raises `CsvError` for a file of another kind."""
    try:
        text = file.read_text(encoding="utf-8-sig") if file.exists() else ""
        if text and next(csv.reader(io.StringIO(text)), None) != list(COLUMNS):
            raise CsvError(f"{file.name}: its first line is not that of a table of score sheets; give another --csv")
        with file.open("a", encoding="utf-8" if text else "utf-8-sig", newline="") as out:
            writer = csv.writer(out, lineterminator="\r\n")
            if not text:
                writer.writerow(COLUMNS)
            elif not text.endswith("\n"):
                out.write("\r\n")
            writer.writerow(row_of(sheet))
    except (OSError, UnicodeDecodeError) as error:
        why = getattr(error, "strerror", None) or str(error)
        raise CsvError(f"{file}: can't be appended to ({why}); give another --csv") from error
