"""From the list of candidates and a set of forms to the plan of a sitting: who gets which calls on which units.

Rule: nothing is drawn here. The same list, forms, secret and sitting give the same plan, and somebody added at the list's end
changes nobody else's, but perhaps the form of somebody who sits again. What was granted to a candidate is taken as written or
refused, never guessed.
"""

from __future__ import annotations

import difflib
import re
import unicodedata
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from msgspec.structs import replace

from blowerbench.equipment import load_equipment
from blowerbench.faults import load_faults
from blowergrade.classwork.codes import new_code
from blowergrade.classwork.people import RosterError, checked_id, csv_text, student_in, table
from blowergrade.exam.attempt import Plan
from blowergrade.exam.blueprint import Blueprint, Familiarisation
from blowergrade.exam.folder import DESK, digest_of
from blowergrade.exam.form_assignment import assign_forms, calls_of, variant_of
from blowergrade.exam.forms import FormSet
from blowergrade.exam.programme import FAMILIARISATION, Accommodation, Candidate, ExamError, Programme, Rules
from blowergrade.exam.retakes import other_forms
from blowergrade.rubric import load_rubric

COLUMNS = (
    "id", "name", "language", "extra_time_percent", "breaks", "reader", "scribe", "separate_room", "print_size", "email",
    "note",
)  # fmt: skip
_YES, _NO = ("yes", "y", "true", "1", "x"), ("no", "n", "false", "0", "")
#: The room of a candidate for whom the list says only that it is another one.
APART = "apart"
MOST_EXTRA, MOST_PRINT = 300, 400  # percent
NOTHING_GRANTED = Accommodation()


@dataclass(frozen=True, slots=True)
class Entrant:
    """One line of the list of candidates; `email` is where the school writes to, and stands in no plan."""

    id: str
    name: str
    language: str = "en"
    accommodation: Accommodation = NOTHING_GRANTED
    email: str = ""


# ---------------------------------------------------------------------- the list of candidates
def read_candidates(path: Path) -> tuple[Entrant, ...]:
    """Everybody in the CSV file `path`, in its order (the order of seats); raises `RosterError` with line and remedy.

    Columns: `COLUMNS`; all but id and name may be left out or empty.
    """
    return parse_candidates(csv_text(path), path.name)


def parse_candidates(text: str, where: str = "candidates") -> tuple[Entrant, ...]:
    """Everybody in the CSV `text`; raises `RosterError` naming `where` and the line."""
    found: dict[str, Entrant] = {}
    for here, row in table(text, where):
        one = _entrant(row, here)
        if one.id.lower() in found:
            raise RosterError(f"{here}: the id {one.id!r} stands twice (capitals do not tell ids apart); give everybody one")
        found[one.id.lower()] = one
    if not found:
        raise RosterError(f"{where}: nobody is in it; add a line for each candidate below the titles")
    return tuple(found.values())


def _entrant(row: Mapping[str, str], where: str) -> Entrant:
    for title in row:
        if title not in COLUMNS:  # a mistyped one would cost somebody what was granted
            near = difflib.get_close_matches(title, COLUMNS, 1)
            meant = f"did you mean {near[0]}?" if near else f"there are {', '.join(COLUMNS)}"
            raise RosterError(f"{where}: unknown column {title!r}; {meant}")
    one = student_in(row, where)
    if one.id.lower() == DESK:
        raise RosterError(f"{where}: the id {one.id!r} is kept for the proctor's code; give the candidate another")
    granted = Accommodation(
        extra_percent=_percent(row, "extra_time_percent", 0, MOST_EXTRA, where), breaks=_yes(row, "breaks", where),
        reader=_yes(row, "reader", where), scribe=_yes(row, "scribe", where), room=_room(row, where),
        print_percent=_percent(row, "print_size", 100, MOST_PRINT, where), note=_line(row, "note", where),
    )  # fmt: skip
    return Entrant(one.id, one.name, one.language, granted, one.email)


def _percent(row: Mapping[str, str], title: str, least: int, most: int, where: str) -> int:
    text = row.get(title, "")
    if not text:
        return least
    if not re.fullmatch(r"[0-9]{1,3} ?%?", text) or not least <= int(text.rstrip("% ")) <= most:
        raise RosterError(f"{where}: {title} is {text[:50]!r}; write whole percent from {least} to {most}, or nothing")
    return int(text.rstrip("% "))


def _yes(row: Mapping[str, str], title: str, where: str) -> bool:
    text = row.get(title, "").lower()
    if text not in _YES + _NO:
        raise RosterError(f"{where}: {title} is {text[:50]!r}; write yes or no, or nothing")
    return text in _YES


def _room(row: Mapping[str, str], where: str) -> str:
    text = _line(row, "separate_room", where)
    return APART if text.lower() in _YES else "" if text.lower() in _NO else text


def _line(row: Mapping[str, str], title: str, where: str) -> str:
    text = row.get(title, "")
    if len(text) > 200 or any(unicodedata.category(c) in ("Cc", "Cs") for c in text):
        raise RosterError(f"{where}: {title} is too long or holds control characters; write one line of text")
    return text


# ---------------------------------------------------------------------- codes
def new_codes(entrants: Sequence[Entrant]) -> dict[str, str]:
    """A new personal code for everybody, by id."""
    return {one.id: new_code() for one in entrants}


def enrolled(entrants: Sequence[Entrant], codes: Mapping[str, str]) -> tuple[Candidate, ...]:
    """The candidates of a list with the digests of their `codes`; raises `ExamError` where one has none."""
    without = [one.id for one in entrants if one.id not in codes]
    if without:
        raise ExamError(f"no personal code for {', '.join(without)}; make codes for everybody on the list")
    return tuple(
        Candidate(one.id, one.name, digest_of(codes[one.id]), one.language, accommodation=one.accommodation) for one in entrants
    )


# ---------------------------------------------------------------------- the plan
def programme_from(
    blueprint: Blueprint, formset: FormSet, candidates: Sequence[Candidate], secret: bytes, sitting: str, *, title: str = "",
    school: str = "", rules: Rules | None = None, shuffled: bool = True,
    had: Mapping[str, frozenset[str]] | None = None,
) -> Programme:  # fmt: skip
    """The plan of `sitting`: each candidate's form, its calls in an order and on variants that `secret` (32 bytes) gives.

    `title` is the blueprint's where left out; `had` names the items that candidates met in earlier sittings. Raises
    `ExamError`, `FormError` or `RosterError` saying what does not fit.
    """
    checked_id(sitting, "sitting")
    _check_people(blueprint, candidates)
    units = _units(blueprint, formset)
    got = other_forms(assign_forms([c.id for c in candidates], formset, secret, sitting), formset, had or {}, secret, sitting)
    plans = {}
    for one in candidates:
        calls = calls_of(one.id, formset.form(got[one.id]), secret, sitting, shuffled=shuffled)
        plans[one.id] = tuple(
            Plan(
                f"{one.id}/{c.id}", units[c.item.equipment], c.item.fault, c.item.complaint, c.variant, one.language, sitting,
                one.id, c.item.id, c.item.competency, c.item.difficulty,
            )
            for c in calls
        )  # fmt: skip
    return Programme(
        sitting, title or blueprint.title, school, "exam", blueprint.minutes,
        tuple(replace(c, form=got[c.id]) for c in candidates), plans, _trying_out(blueprint.familiarisation, secret, sitting),
        rules or Rules(), blueprint.pass_rule, _rubric(blueprint), blueprint.digest, formset.digest,
    )  # fmt: skip


def _check_people(blueprint: Blueprint, candidates: Sequence[Candidate]) -> None:
    if not candidates:
        raise ExamError("there is no candidate; name one or more")
    for one in candidates:
        if checked_id(one.id, "candidate").lower() == DESK:
            raise ExamError(f"the id {one.id!r} is kept for the proctor's code; give the candidate another")
        if one.language not in blueprint.languages:
            raise ExamError(
                f"{one.id}: the language is {one.language!r}, the exam has {', '.join(blueprint.languages)}; change one of them"
            )
    ids, codes = Counter(c.id.lower() for c in candidates), Counter(c.code_digest for c in candidates)
    for one in candidates:
        if ids[one.id.lower()] > 1:
            raise ExamError(f"{one.id!r} is on the list twice (capitals do not tell ids apart); give everybody one")
        if codes[one.code_digest] > 1:
            raise ExamError(f"{one.id}: somebody else has the same code; make another")


def _units(blueprint: Blueprint, formset: FormSet) -> dict[str, str]:
    """What a plan names each unit by (a school's own by its file's whole path); raises `ExamError` where the forms are old."""
    if formset.blueprint != blueprint.digest_for_forms:
        raise ExamError("the forms were made for another blueprint, or its calls were changed since; assemble the forms again")
    found = {}
    for name in blueprint.equipment:
        equipment = load_equipment(name)
        if formset.catalogues.get(equipment.id) != load_faults(equipment).digest:
            raise ExamError(f"the faults of {equipment.id} were changed since the forms were made; assemble the forms again")
        found[equipment.id] = _name_of(name)
    return found


def _name_of(unit: str) -> str:
    return str(Path(unit).resolve()) if unit.endswith(".toml") else unit


def _rubric(blueprint: Blueprint) -> str:
    """The rubric's name, or the text of the school's own; raises `RubricError`."""
    load_rubric(blueprint.rubric)
    own = blueprint.rubric.endswith(".toml")
    return Path(blueprint.rubric).read_text(encoding="utf-8") if own else blueprint.rubric


def _trying_out(wanted: Familiarisation | None, secret: bytes, sitting: str) -> Plan | None:
    """The bench on which nothing counts: the same for everybody."""
    if wanted is None:
        return None
    fault, _, severity = wanted.fault.partition("/")
    complaint = wanted.complaint or load_faults(load_equipment(wanted.equipment)).faults[fault].complaints[0]
    variant = variant_of(secret, sitting, "", FAMILIARISATION)
    return Plan(FAMILIARISATION, _name_of(wanted.equipment), f"{fault}/{severity or 0}", complaint, variant, assignment=sitting)
