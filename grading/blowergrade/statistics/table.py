"""The results of a sitting as a table: one row per candidate, form and item, in memory and as a CSV file.

This is what an exam hands to its statistics. The columns are those of `COLUMNS`: `points` from 0 to 100, `passed` and
`critical` as yes or no, `seconds` of simulated work. A call that was never begun is a row with 0 points; a call that still
waits for somebody to grade it by hand has `points` and `passed` empty.

Rule: a row that contradicts itself is refused with its line. Nobody passes a call with a critical violation on it, whatever
the points; and a candidate sits one form.
"""

from __future__ import annotations

import csv
import io
import unicodedata
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path

import msgspec

from blowergrade.classwork.folder import write
from blowergrade.sheet_csv import FORMULA, safe
from blowergrade.statistics.responses import StatisticsError

COLUMNS = ("candidate", "form", "item", "points", "passed", "critical", "seconds")
MOST_POINTS = 100.0
_BOOL = {"yes": True, "true": True, "1": True, "no": False, "false": False, "0": False}


class TableError(StatisticsError):
    """A table of results that can't be read or used; says file and line, what is wrong and what would be right."""


class CallResult(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """What came of one call of one candidate. `points` and `passed` are None while it waits to be graded by hand."""

    candidate: str
    form: str
    item: str
    points: float | None
    passed: bool | None
    critical: bool = False
    seconds: int = 0

    def __post_init__(self) -> None:
        where = f"candidate {self.candidate!r}, item {self.item!r}"
        if not (self.candidate and self.form and self.item):
            raise TableError(f"{where}, form {self.form!r}: a name is missing; every row names candidate, form and item")
        if (self.points is None) != (self.passed is None):
            raise TableError(f"{where}: points and passed go together; give both, or neither while it waits to be graded")
        if self.points is not None and not 0 <= self.points <= MOST_POINTS:
            raise TableError(f"{where}: {self.points:g} points; a call has 0 to {MOST_POINTS:g}")
        if self.passed and self.critical:
            raise TableError(f"{where}: passed with a critical violation; a critical violation fails its call, write no")
        if self.seconds < 0:
            raise TableError(f"{where}: {self.seconds} seconds; time does not run backwards")


class SatForm(msgspec.Struct, frozen=True):
    """One form as it was sat: its items and candidates in the order of the table, and the rows of each candidate."""

    name: str
    items: tuple[str, ...]
    candidates: tuple[str, ...]
    rows: dict[str, dict[str, CallResult]]  # candidate → item → row

    @property
    def complete(self) -> tuple[str, ...]:
        """Candidates with a graded row for every item; only these enter statistics that compare whole answers."""
        return tuple(c for c in self.candidates if not self.lacking(c))

    def lacking(self, candidate: str) -> tuple[str, ...]:
        """Items of which this candidate has no row, or one that waits to be graded."""
        own = self.rows[candidate]
        return tuple(i for i in self.items if i not in own or own[i].passed is None)

    def of_item(self, item: str) -> tuple[CallResult, ...]:
        """The graded rows of one item."""
        found = (self.rows[c].get(item) for c in self.candidates)
        return tuple(r for r in found if r is not None and r.passed is not None)


def forms_of(rows: Iterable[CallResult]) -> tuple[SatForm, ...]:
    """The forms of a sitting, by name; raises `TableError` for a row that stands twice or a candidate on two forms."""
    made: dict[str, dict[str, dict[str, CallResult]]] = {}
    form_of: dict[str, str] = {}
    for row in rows:
        if form_of.setdefault(row.candidate, row.form) != row.form:
            raise TableError(
                f"candidate {row.candidate!r} stands on forms {form_of[row.candidate]!r} and {row.form!r}; give one sitting "
                "to a file"
            )
        own = made.setdefault(row.form, {}).setdefault(row.candidate, {})
        if row.item in own:
            raise TableError(f"candidate {row.candidate!r}, item {row.item!r}: two rows; a call counts once, leave one out")
        own[row.item] = row
    if not made:
        raise TableError("the table holds no results; add a row per candidate and item")
    return tuple(
        SatForm(name, tuple(dict.fromkeys(i for own in people.values() for i in own)), tuple(people), people)
        for name, people in sorted(made.items())
    )


def write_results(rows: Iterable[CallResult], file: Path) -> None:
    """Write `rows` to `file` as CSV (UTF-8), whole or not at all."""
    out = io.StringIO(newline="")
    table = csv.writer(out, lineterminator="\n")
    table.writerow(COLUMNS)
    for r in rows:
        said = ("", "") if r.points is None else (f"{r.points:.10g}", "yes" if r.passed else "no")
        table.writerow((*map(safe, (r.candidate, r.form, r.item)), *said, "yes" if r.critical else "no", r.seconds))
    write(file, out.getvalue().encode("utf-8"))


def read_results(file: Path) -> tuple[CallResult, ...]:
    """The rows of the CSV file `file`; raises `TableError` with the line."""
    found = []
    for line, row in table_rows(file, COLUMNS):
        here = f"{file.name}, line {line}"
        points = _number(row["points"], f"{here}, points") if row["points"] else None
        passed = _bool(row["passed"], f"{here}, passed") if row["passed"] else None
        seconds = _number(row["seconds"] or "0", f"{here}, seconds")
        critical = _bool(row["critical"], f"{here}, critical")
        try:
            found.append(
                CallResult(row["candidate"], row["form"], row["item"], points, passed, critical, round(seconds))
            )
        except TableError as error:
            raise TableError(f"{here}: {error}") from error
    return tuple(found)


def table_rows(file: Path, columns: Sequence[str]) -> Iterator[tuple[int, dict[str, str]]]:
    """The rows of a CSV `file` that has at least `columns`, each with its line; raises `TableError`.

    Cells are trimmed and composed (NFC); the apostrophe that keeps a spreadsheet from computing a cell is taken off again.
    """
    try:
        text = file.read_bytes().decode("utf-8-sig")
    except OSError as error:
        raise TableError(f"{file} can't be read ({error.strerror}); give a CSV file") from error
    except UnicodeDecodeError as error:
        raise TableError(f"{file} is not UTF-8 text; save it as CSV UTF-8") from error
    mark = max(",;\t", key=next(iter(text.splitlines()), "").count)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=mark, strict=True)
    try:
        titles = [t.strip().lower() for t in next(reader, [])]
        if missing := [c for c in columns if titles.count(c) != 1]:
            raise TableError(f"{file.name}, line 1: {', '.join(missing)} missing or twice; the columns are {','.join(columns)}")
        for cells in reader:
            if not any(c.strip() for c in cells):
                continue
            if len(cells) != len(titles):
                raise TableError(f"{file.name}, line {reader.line_num}: {len(cells)} cells under {len(titles)} titles; mend it")
            yield reader.line_num, dict(zip(titles, map(_plain, cells), strict=True))
    except csv.Error as error:
        raise TableError(f"{file.name}, line {reader.line_num}: {error}; save it as CSV UTF-8 again") from error


def _plain(cell: str) -> str:
    text = unicodedata.normalize("NFC", cell).strip()
    return text[1:] if text.startswith("'") and text[1:].lstrip(" ").startswith(FORMULA) else text


def _number(cell: str, where: str) -> float:
    try:
        value = float(cell) if cell.isascii() else float("nan")
    except ValueError:
        value = float("nan")
    if not abs(value) < 1e12:
        raise TableError(f"{where}: {cell[:20]!r} is no number; write one such as 72.5")
    return value


def _bool(cell: str, where: str) -> bool:
    if cell.lower() not in _BOOL:
        raise TableError(f"{where}: {cell[:20]!r} is neither yes nor no; write one of them")
    return _BOOL[cell.lower()]
