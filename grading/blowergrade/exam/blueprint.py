"""The exam blueprint: which competencies, how hard, how many calls and how many minutes, read from a TOML file.

Rule: a blueprint says what every form must hold and names no item; what it names of the catalogue exists. Minutes are those of
the exam by the clock on the wall; simulated waits cost none of them.
"""

from __future__ import annotations

import difflib
import hashlib
import tomllib
import unicodedata
from collections.abc import Iterable, Iterator, Mapping
from importlib.resources import files
from pathlib import Path
from typing import Annotated, Any, Literal, TypeVar

import msgspec

from blowerbench.equipment import Equipment, load_equipment
from blowerbench.errors import BenchError
from blowerbench.faults import COMPETENCIES, Catalogue, load_faults
from blowerbench.messages import languages as translated
from blowergrade.rubric import load_rubric

_Positive = Annotated[int, msgspec.Meta(ge=1)]
_Names = str | tuple[str, ...]
_T = TypeVar("_T", bound=msgspec.Struct)


class BlueprintError(BenchError):
    """A blueprint that can't be used; says the file, the key and the remedy."""


class Section(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """`count` calls of some competencies between two difficulties, each worth so many minutes by the wall's clock.

    `equipment` narrows the section to some of the blueprint's units; left out, all of them will do.
    """

    competency: _Names
    difficulty: tuple[int, int]
    count: _Positive
    minutes: _Positive
    name: str = ""
    equipment: tuple[str, ...] = ()

    @property
    def competencies(self) -> tuple[str, ...]:
        """The competencies that fit, one or several."""
        return (self.competency,) if isinstance(self.competency, str) else self.competency

    @property
    def title(self) -> str:
        """The section's own name, or what it asks for."""
        low, high = self.difficulty
        return self.name or f"{' or '.join(self.competencies)}, difficulty {low} to {high}"


class PassRule(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """What passes: `points` (of 100) pass a call, `calls` passed calls pass the exam.

    A critical violation of a safety rule fails its call, or with `critical` = "sitting" the whole exam.
    """

    points: Annotated[int, msgspec.Meta(ge=1, le=100)]
    calls: _Positive
    critical: Literal["call", "sitting"] = "sitting"


class Familiarisation(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """The bench on which candidates try the page before their time runs; its fault never stands in a form.

    `fault` is ID or ID/SEVERITY; without a `complaint` it is the fault's first.
    """

    equipment: str
    fault: str
    complaint: str = ""


class Blueprint(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """What a school wants to examine. `minutes` is the whole exam; `exposure` says in how many forms one item may stand.

    A fault is named as ID, ID/SEVERITY, UNIT:ID or UNIT:ID/SEVERITY. Of a group in `enemies` a form holds one at most.
    `level_minutes`: one level of difficulty (summed over a form) counts as much as so many simulated minutes when forms are
    made alike. `longest_minutes`: items that take more simulated minutes to isolate are left out (0: none is).
    """

    title: str
    equipment: Annotated[tuple[str, ...], msgspec.Meta(min_length=1)]
    calls: _Positive
    forms: _Positive
    minutes: _Positive
    pass_rule: PassRule
    section: Annotated[tuple[Section, ...], msgspec.Meta(min_length=1)]
    exposure: _Positive = 1
    languages: tuple[str, ...] = ("en",)
    rubric: str = "default"
    excluded: tuple[str, ...] = ()
    enemies: tuple[tuple[str, ...], ...] = ()
    familiarisation: Familiarisation | None = None
    level_minutes: _Positive = 10
    longest_minutes: Annotated[int, msgspec.Meta(ge=0)] = 0

    @property
    def digest(self) -> str:
        """SHA-256 of what the blueprint says; a comment or another order of the file's keys does not change it."""
        return hashlib.sha256(msgspec.json.encode(self, order="sorted")).hexdigest()

    @property
    def digest_for_forms(self) -> str:
        """SHA-256 of what forms hang on: title, languages, whole time and pass rule may change and the forms still fit."""
        plain = PassRule(1, 1)
        return msgspec.structs.replace(self, title="", languages=(), minutes=1, pass_rule=plain).digest


#: The tables of a blueprint file that are decoded by themselves, so that an error can say which one it is in.
_TABLES: Mapping[str, type[Any]] = {"pass_rule": PassRule, "familiarisation": Familiarisation}


def load_blueprint(path: Path | str) -> Blueprint:
    """The shipped blueprint of that name, or the file at a path ending in .toml; raises `BlueprintError` with the remedy."""
    name = str(path)
    place = Path(name) if name.endswith(".toml") else Path(str(files("blowergrade"))) / "exam" / "blueprints" / f"{name}.toml"
    try:
        text = place.read_text(encoding="utf-8")
    except OSError as error:
        raise BlueprintError(f"{place.name}: can't be read ({error.strerror}); give the path of a .toml file") from error
    except UnicodeDecodeError as error:
        raise BlueprintError(f"{place.name}: not UTF-8 ({error.reason}); save it as UTF-8") from error
    return parse_blueprint(text, place.name)


def parse_blueprint(text: str, source: str) -> Blueprint:
    """The blueprint in TOML `text`, checked against the catalogues; raises `BlueprintError` naming `source`, key and remedy."""
    try:
        raw = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise BlueprintError(f"{source}: not TOML ({error}); mend that line") from error
    made = _decoded_whole(raw, source)
    for key, problem in (*_problems(made), *_name_problems(made)):
        raise BlueprintError(f"{source}: {key}: {problem}")
    return made


def _decoded_whole(raw: dict[str, Any], source: str) -> Blueprint:
    sections = raw.get("section", [])
    if isinstance(sections, list):
        for number, one in enumerate(sections, 1):
            _decoded(one, Section, f"{source}: section {number}")
    for key, type_ in _TABLES.items():
        if key in raw:
            _decoded(raw[key], type_, f"{source}: {key}")
    return _decoded(raw, Blueprint, source)


def _decoded(raw: object, type_: type[_T], where: str) -> _T:
    known = [f.encode_name for f in msgspec.structs.fields(type_)]
    if isinstance(raw, dict):
        for key in raw:
            if key not in known:
                near = difflib.get_close_matches(key, known, 1)
                meant = f"did you mean {near[0]!r}?" if near else f"the keys here are {', '.join(known)}"
                raise BlueprintError(f"{where}: unknown key {key!r}; {meant}")
    try:
        return msgspec.convert(raw, type_)
    except msgspec.ValidationError as error:
        text = str(error).replace("`$.", "`").replace("Object missing required field", "missing key")
        raise BlueprintError(f"{where}: {text}; compare it with blueprints/example.toml") from error


def _problems(b: Blueprint) -> Iterator[tuple[str, str]]:
    """What contradicts itself in `b`, as (key, what is wrong and what would be right)."""
    if not b.title.strip() or len(b.title) > 200 or any(unicodedata.category(c) in ("Cc", "Cs") for c in b.title):
        yield "title", f"{b.title[:60]!r} is empty, too long or holds control characters; write one line of text"
    counted = sum(s.count for s in b.section)
    if counted != b.calls:
        yield "calls", f"the sections hold {counted} calls, not {b.calls}; write calls = {counted}, or change a section's count"
    needed = sum(s.count * s.minutes for s in b.section)
    if needed > b.minutes:
        yield "minutes", f"the calls take {needed} minutes, the exam {b.minutes}; write minutes = {needed} or more"
    if b.pass_rule.calls > b.calls:
        yield "pass_rule.calls", f"{b.pass_rule.calls} of {b.calls} calls can't be passed; ask for {b.calls} at most"
    if b.exposure > b.forms:
        yield "exposure", f"an item can't stand in {b.exposure} of {b.forms} forms; write exposure = {b.forms} or less"
    for number, s in enumerate(b.section, 1):
        low, high = s.difficulty
        if not 1 <= low <= high <= 5:
            yield f"section {number}: difficulty", f"{[low, high]} is no range; give two numbers from 1 to 5, the lower first"
        if not s.competencies:
            yield f"section {number}: competency", f"none is named; use one of {', '.join(COMPETENCIES)}"
        for name in s.competencies:
            if name not in COMPETENCIES:
                yield f"section {number}: competency", f"unknown {name!r}; use one of {', '.join(COMPETENCIES)}"
        for name in s.equipment:
            if name not in b.equipment:
                yield f"section {number}: equipment", f"{name!r} is not among the exam's units: {', '.join(b.equipment)}"
    for key, names in (("equipment", b.equipment), ("languages", b.languages)):
        twice = next((n for n in names if names.count(n) > 1), None)
        if twice is not None:
            yield key, f"{twice!r} stands twice; name it once"
    if not b.languages:
        yield "languages", 'none is named; write languages = ["en"]'
    for name in b.languages:
        if name != "en" and name not in translated():
            yield "languages", f"there is no {name!r}; use en or one of {', '.join(translated())}"
    for number, group in enumerate(b.enemies, 1):
        if len(set(group)) < 2:
            yield f"enemies, group {number}", "a group needs two faults or more; add one or take the group out"


def _name_problems(b: Blueprint) -> Iterator[tuple[str, str]]:
    """What `b` names and the catalogues don't know, as `_problems`."""
    catalogues: dict[str, Catalogue] = {}
    for name in b.equipment:
        try:
            equipment = load_equipment(name)
            catalogue = load_faults(equipment)
        except BenchError as error:
            yield "equipment", str(error)
            return
        if equipment.id in catalogues:
            yield "equipment", f"{name!r} is a second file of {equipment.id!r}; name one of the two"
        catalogues[equipment.id] = catalogue
    try:
        load_rubric(b.rubric)
    except BenchError as error:
        yield "rubric", str(error)
    groups = [(f"enemies, group {n}", g) for n, g in enumerate(b.enemies, 1)]
    for key, patterns in (("excluded", b.excluded), *groups):
        for pattern in patterns:
            if not any(True for _ in _meant(pattern, catalogues)):
                yield key, _unknown_fault(pattern, catalogues)
    if b.familiarisation is not None:
        yield from _familiarisation_problems(b.familiarisation)


def _familiarisation_problems(f: Familiarisation) -> Iterator[tuple[str, str]]:
    try:
        equipment: Equipment = load_equipment(f.equipment)
        catalogue = load_faults(equipment)
    except BenchError as error:
        yield "familiarisation.equipment", str(error)
        return
    if ":" in f.fault or not any(True for _ in _meant(f.fault, {equipment.id: catalogue})):
        yield "familiarisation.fault", _unknown_fault(f.fault, {equipment.id: catalogue})
        return
    known = catalogue.faults[f.fault.partition("/")[0]].complaints
    if not known:
        yield "familiarisation.fault", f"{f.fault} leads to no complaint; choose a fault that does, healthy_unit for one"
    if f.complaint and f.complaint not in known:
        yield "familiarisation.complaint", f"{f.fault} does not lead to {f.complaint!r}; it leads to {', '.join(known)}"


def _meant(pattern: str, catalogues: Mapping[str, Catalogue]) -> Iterator[tuple[str, str]]:
    for unit, catalogue in catalogues.items():
        for h in catalogue.hypotheses():
            if names_fault(pattern, unit, f"{h.fault}/{h.severity}"):
                yield unit, h.fault


def _unknown_fault(pattern: str, catalogues: Mapping[str, Catalogue]) -> str:
    known: Iterable[str] = {f for c in catalogues.values() for f in c.faults}
    near = difflib.get_close_matches(pattern.rpartition(":")[2].partition("/")[0], sorted(known), 1)
    meant = f"did you mean {near[0]!r}?" if near else "`blowerbench faults` lists them"
    return f"no fault {pattern!r} in {', '.join(catalogues)}; {meant}"


def names_fault(pattern: str, equipment: str, fault: str) -> bool:
    """Whether `pattern` (ID, ID/SEVERITY, UNIT:ID or UNIT:ID/SEVERITY) means `fault` (ID/SEVERITY) of `equipment`."""
    unit, _, rest = pattern.rpartition(":")
    return unit in ("", equipment) and rest in (fault, fault.partition("/")[0])
