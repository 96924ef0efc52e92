"""The roster: who is in the class, read from a CSV file.

Rule: a student's id becomes a folder's name, so it holds only what every file system takes; names may hold anything and are
never used as a path, a formula or a tag.
"""

from __future__ import annotations

import csv
import io
import re
import unicodedata
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from blowerbench.errors import BenchError

ID = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,39}")
#: Names that Windows keeps for devices.
_RESERVED = {"con", "prn", "aux", "nul", *(f"com{n}" for n in range(1, 10)), *(f"lpt{n}" for n in range(1, 10))}
COLUMNS = ("id", "name", "email", "language")


class RosterError(BenchError):
    """A roster that can't be read; says the line, what is wrong and what would be right."""


@dataclass(frozen=True, slots=True)
class Student:
    """One line of the roster; `language` is a tag such as "en" or "es"."""

    id: str
    name: str
    email: str = ""
    language: str = "en"


def checked_id(text: str, where: str) -> str:
    """`text` as an id of a student or an assignment; raises `RosterError` naming `where`."""
    if not ID.fullmatch(text) or text.lower() in _RESERVED:
        raise RosterError(f"{where}: {text!r} is no id; use up to 40 letters A-Z, digits, _ and -, such as s07 or fan-call")
    return text


def read_roster(path: Path) -> tuple[Student, ...]:
    """The students of the CSV file `path` (columns id and name; email and language may be left out), in its order."""
    return parse_roster(csv_text(path), path.name)


def csv_text(path: Path) -> str:
    """The text of a CSV file of people; raises `RosterError`."""
    try:
        return path.read_bytes().decode("utf-8-sig")
    except OSError as error:
        raise RosterError(f"{path} can't be read ({error.strerror}); give a CSV file with the columns id and name") from error
    except UnicodeDecodeError as error:
        raise RosterError(f"{path} is not UTF-8 text; save it as CSV UTF-8") from error


def parse_roster(text: str, where: str = "roster") -> tuple[Student, ...]:
    """The students of a roster's CSV `text`; raises `RosterError` naming `where` and the line."""
    students: dict[str, Student] = {}
    for here, row in table(text, where):
        one = student_in(row, here)
        if one.id.lower() in students:
            raise RosterError(f"{here}: the id {one.id!r} stands twice (capitals do not tell ids apart); give each student one")
        students[one.id.lower()] = one
    if not students:
        raise RosterError(f"{where}: nobody is in it; add a line per student below the titles")
    return tuple(students.values())


def table(text: str, where: str) -> Iterator[tuple[str, dict[str, str]]]:
    """Each row of a list of people with its place ("FILE, line N") and its cells by title, in small letters.

    Raises `RosterError` where the titles lack id or name, or a row has more cells than titles.
    """
    rows = _rows(text, where)
    line, titles = next(rows, (1, []))
    titles = [t.lower() for t in titles]
    if "id" not in titles or "name" not in titles:
        raise RosterError(f"{where}, line {line}: the columns are {', '.join(titles) or 'missing'}; needed are id and name")
    if len(set(titles)) < len(titles):
        raise RosterError(f"{where}, line {line}: a title stands twice in {', '.join(titles)}; keep one column of each")
    for line, cells in rows:
        here = f"{where}, line {line}"
        if len(cells) > len(titles):
            raise RosterError(f"{here}: {len(cells)} cells under {len(titles)} titles; put a name with a comma in quotes")
        yield here, dict(zip(titles, cells, strict=False))


def _rows(text: str, where: str) -> Iterator[tuple[int, list[str]]]:
    """The rows that hold anything, each with its line; the titles decide between comma, semicolon and tab."""
    first = next((x for x in text.splitlines() if x.strip()), "")
    mark = max(",;\t", key=first.count)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=mark, skipinitialspace=True)
    try:
        for row in reader:
            cells = [unicodedata.normalize("NFC", c).strip() for c in row]
            while cells and not cells[-1]:
                cells.pop()
            if cells:
                yield reader.line_num, cells
    except csv.Error as error:
        raise RosterError(f"{where}, line {reader.line_num}: {error}; save it as CSV UTF-8 again") from error


def student_in(row: Mapping[str, str], where: str) -> Student:
    """The student of one row; raises `RosterError` naming `where`."""
    name = row.get("name", "")
    if not name or any(unicodedata.category(c) == "Cc" for c in name) or len(name) > 200:
        raise RosterError(f"{where}: the name {name[:50]!r} is empty, too long or holds control characters; write it as text")
    language = row.get("language") or "en"
    if not re.fullmatch(r"[a-z]{2}(-[A-Za-z0-9]{2,8})?", language):
        raise RosterError(f"{where}: {language!r} is no language tag; use en or es")
    email = row.get("email", "")
    if email and not re.fullmatch(r"[^\s@]+@[^\s@]+", email):
        raise RosterError(f"{where}: {email[:50]!r} is no email address; leave it empty, or put a name with a comma in quotes")
    return Student(checked_id(row.get("id", ""), where), name, email, language)

