"""Everything that the records say about one person, for that person: as data, and as a page to read.

Rule: complete, and about nobody else. What an entry seals is opened; what was erased is said to be erased. The page is
self-contained, has no script, fetches nothing, and shows every text as text.
"""

from __future__ import annotations

import base64
import hashlib
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from typing import Any, TypeVar

import msgspec
from jinja2 import ChoiceLoader, PackageLoader
from markupsafe import Markup

from blowergrade.credentials.files import PRIVATE, write_new
from blowergrade.credentials.profile import STATEMENT
from blowergrade.exam.intake import plain
from blowergrade.records import entries as e
from blowergrade.records.entries import About, RecordsError, Said, Secret
from blowergrade.records.persons import GoneError
from blowergrade.records.register import now
from blowergrade.records.retention import kept_until, read_policy
from blowergrade.records.school import Person, Records
from blowergrade.report import environment, points, versions
from blowergrade.safety_rules import rule_words

FORMAT = 1
ABOUT = "Everything that the school's records of persons say about one person. Times are UTC; `chain` proves the entry's place."


@dataclass(frozen=True, slots=True)
class Line:
    """One entry about the person: `told` is what it seals, None where that was erased; `notes` are later words on it."""

    entry: About
    chain: str
    told: Secret | None
    notes: tuple[str, ...] = ()

    @property
    def day(self) -> str:
        """The day on which it was written."""
        return self.entry.when[:10]


Kind = TypeVar("Kind", bound=About)


@dataclass(frozen=True, slots=True)
class Export:
    """One person's records."""

    school: str
    made: str
    person: Person
    lines: tuple[Line, ...]
    kept_until: str
    entries: int  # of the whole register when this was made, and its head: a receipt
    head: str

    def json(self) -> bytes:
        """As data: the same bytes for the same records."""
        made = {
            "format": FORMAT, "about": ABOUT, "school": self.school, "made": self.made, "person": self.person.pseudonym,
            "identity": self.person.identity, "kept_until": self.kept_until,
            "entries": [self._plain(x) for x in self.lines],
            "erased": [msgspec.to_builtins(x) for x in self.person.erased],
            "register": {"entries": self.entries, "head": self.head},
        }  # fmt: skip
        return msgspec.json.format(msgspec.json.encode(made), indent=1) + b"\n"

    @staticmethod
    def _plain(line: Line) -> dict[str, Any]:
        made: dict[str, Any] = msgspec.to_builtins(line.entry)
        del made["sealed"], made["person"]
        return {**made, "told": None if line.told is None else msgspec.to_builtins(line.told), "chain": line.chain}

    def html(self) -> str:
        """As a page to read."""
        folders = [PackageLoader("blowergrade.records", "pages"), PackageLoader("blowergrade", "templates")]
        style = _style()
        digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
        pages = environment().overlay(loader=ChoiceLoader(folders), finalize=_shown)
        return pages.get_template("person.html").render(
            style=Markup(style), digest=digest, export=self, person=self.person, of=self.of,
            statement=STATEMENT, versions=versions(), counts={r.number for r in self.person.results}, points=_points,
            rules=lambda names: "; ".join(map(rule_words, names)),
            outcome={"changed": "the result was changed", "unchanged": "the result stands"},
        )  # fmt: skip

    def of(self, kind: str) -> tuple[Line, ...]:
        """The lines of the entries of this kind, by the name of its class."""
        return tuple(x for x in self.lines if type(x.entry).__name__ == kind)


def export_of(records: Records, person: Person) -> Export:
    """What the records say about `person`; raises `RecordsError` where something of it can't be read."""
    told = {x.number: _told(records, x) for x in person.entries}
    notes = _notes(person, told)
    lines = tuple(
        Line(x, records.log.chains[x.number], told[x.number], tuple(notes.get(x.number, ()))) for x in person.entries
    )
    last = kept_until(person.entries, read_policy(records.root), "person")
    return Export(
        records.log.header.school, now(), person, lines, "" if last is None else last.isoformat(), len(records.entries),
        records.log.head,
    )  # fmt: skip


def _told(records: Records, entry: About) -> Secret | None:
    try:
        return records.told(entry, e.SECRETS[type(entry)])
    except GoneError:
        return None


def _notes(person: Person, told: dict[int, Secret | None]) -> dict[int, list[str]]:
    """What later entries say of an entry, by its number."""
    found: dict[int, list[str]] = {}
    for entry in person.entries:
        secret = told[entry.number]
        if isinstance(entry, e.Correction) and isinstance(secret, e.Corrected):
            what = "Your statement" if entry.statement else "Corrected"
            found.setdefault(entry.corrects, []).append(f"{what} (entry {entry.number}): {secret.text}")
    return found


def show(records: Records, wanted: str, by: str, folder: Path) -> tuple[Export, tuple[Path, Path]]:
    """Write the records of a person as ``PSEUDONYM.json`` and ``PSEUDONYM.html`` into `folder`, for that person alone.

    That is no disclosure, and answers the requests that wait; the records say that it was done before a file is written.
    Raises `RecordsError` where a file is there already.
    """
    if not by.strip():
        raise RecordsError("an export says who made it; give --by NAME")
    with records.adding() as adding:
        person = records.living(wanted)
        made = folder / f"{person.pseudonym}.json", folder / f"{person.pseudonym}.html"
        for file in made:
            if file.exists():
                raise RecordsError(f"{file} is there already; move it away, or give another --out")
        export_of(records, person)  # raises before anything is said to have been shown
        answers = tuple(x.number for x in person.open_requests)
        adding.about(e.InspectionShown, person.pseudonym, Said("exported for the person", by), answers=answers)
        adding.done()
    found = export_of(records, records.find(person.pseudonym))
    write_new(made[0], found.json(), PRIVATE)
    write_new(made[1], found.html().encode(), PRIVATE)
    return found, made


# ---------------------------------------------------------------------- the page
def _shown(value: object) -> object:
    """What the page writes of a value: texts with their hidden signs made visible."""
    return plain(value) if type(value) is str else value


def _points(tenths: int | None) -> str:
    return "not decided" if tenths is None else points(tenths)


def _style() -> str:
    sheet = files("blowergrade").joinpath("templates").joinpath("score_sheet.css").read_text(encoding="utf-8")
    return sheet + files("blowergrade.records").joinpath("pages").joinpath("person.css").read_text(encoding="utf-8")
