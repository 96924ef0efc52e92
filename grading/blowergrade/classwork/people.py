"""The roster: who is in the class, read from a CSV file.

Rule: a student's id becomes a folder's name, so it holds only what every file system takes; names may hold anything and are
never used as a path, a formula or a tag.
"""

from __future__ import annotations

import csv
import io
import re
import unicodedata
from collections.abc import Iterable
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
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except OSError as error:
        raise RosterError(f"{path} can't be read ({error.strerror}); give a CSV file with the columns id and name") from error
    except UnicodeDecodeError as error:
        raise RosterError(f"{path} is not UTF-8 text; save it as CSV UTF-8") from error
    return parse_roster(text, path.name)


def parse_roster(text: str, where: str = "roster") -> tuple[Student, ...]:
    """The students of a roster's CSV `text`; raises `RosterError` naming `where` and the line."""
    try:
        dialect: type[csv.Dialect] = csv.Sniffer().sniff(text[:4096], delimiters=",;\t")
    except csv.Error:
        dialect = csv.excel
    reader = csv.DictReader(io.StringIO(text, newline=""), dialect=dialect)
    titles = [(t or "").strip().lower() for t in reader.fieldnames or ()]
    if "id" not in titles or "name" not in titles:
        raise RosterError(f"{where}, line 1: the columns are {', '.join(titles) or 'missing'}; needed are id and name")
    reader.fieldnames = titles
    students = [_student(row, f"{where}, line {reader.line_num}") for row in reader if any(_cell(row, t) for t in titles)]
    if not students:
        raise RosterError(f"{where}: nobody is in it; add a line per student below the titles")
    twice = _first_twice(s.id.lower() for s in students)
    if twice:
        raise RosterError(f"{where}: the id {twice!r} stands twice (capitals do not tell ids apart); give each student one")
    return tuple(students)


def _cell(row: dict[str, str], title: str) -> str:
    return unicodedata.normalize("NFC", row.get(title) or "").strip()


def _student(row: dict[str, str], where: str) -> Student:
    name = _cell(row, "name")
    if not name or any(unicodedata.category(c) == "Cc" for c in name) or len(name) > 200:
        raise RosterError(f"{where}: the name {name[:50]!r} is empty, too long or holds control characters; write it as text")
    language = _cell(row, "language") or "en"
    if not re.fullmatch(r"[a-z]{2}(-[A-Za-z0-9]{2,8})?", language):
        raise RosterError(f"{where}: {language!r} is no language tag; use en or es")
    return Student(checked_id(_cell(row, "id"), where), name, _cell(row, "email"), language)


def _first_twice(names: Iterable[str]) -> str:
    seen: set[str] = set()
    for name in names:
        if name in seen:
            return name
        seen.add(name)
    return ""

