"""Whose a handed-in file is: by the record's own header, by id, by address, by name.

Rule: never guessed. Two people that fit, or none, leave a file unmatched, with the reason.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Mapping, Sequence

from blowergrade.classwork.people import Student


def folded(text: str) -> str:
    """`text` for comparison: no accents, no capitals, every run of other signs one blank."""
    plain = unicodedata.normalize("NFKD", text)
    letters = "".join(c for c in plain if not unicodedata.combining(c)).casefold()
    return " ".join(re.findall(r"[^\W_]+", letters))


class People:
    """The class, ready for matching: `entries` leads from a record's entry to a student's id."""

    def __init__(self, students: Sequence[Student], entries: Mapping[str, str]) -> None:
        self.entries = dict(entries)
        self._ids = {s.id.lower(): s.id for s in students}
        self._emails = {s.email.casefold(): s.id for s in students if s.email}
        self._names: dict[tuple[str, ...], list[str]] = {}
        for s in students:
            self._names.setdefault(tuple(sorted(folded(s.name).split())), []).append(s.id)

    def by_path(self, path: str) -> set[str]:
        """The students that a path points to; the part nearest to the file decides."""
        for piece in reversed(path.split("/")):
            found = self._by_piece(piece)
            if found:
                return found
        return set()

    def _by_piece(self, piece: str) -> set[str]:
        ids = {self._ids[t.lower()] for t in _tokens(piece) if t.lower() in self._ids}
        if ids:
            return ids
        emails = {i for address, i in self._emails.items() if address in piece.casefold()}
        if emails:
            return emails
        words = folded(piece).split()
        return {i for name, ids_ in self._names.items() if name and _runs(words, name) for i in ids_}


def _tokens(piece: str) -> Iterable[str]:
    """Every run of signs that may be an id: split at blanks, dots and brackets, and also at _ and -."""
    runs = re.findall(r"[A-Za-z0-9_-]+", piece)
    yield from runs
    for run in runs:
        yield from re.split(r"[_-]+", run)


def _runs(words: Sequence[str], name: tuple[str, ...]) -> bool:
    """Whether the words of `name` stand side by side in `words`, in any order."""
    size = len(name)
    return any(tuple(sorted(words[k : k + size])) == name for k in range(len(words) - size + 1))
