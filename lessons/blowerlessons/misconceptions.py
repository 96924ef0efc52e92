"""What learners wrongly believe, and the faults that show them: for the instructor's plans and the kit.

Rule: every catalogued fault exposes at least one; ids are those of the catalogue.
"""

from __future__ import annotations

import csv
import io
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files
from typing import Any

import blowerdata
from blowerbench.equipment import load_equipment
from blowerbench.errors import BenchError
from blowerbench.faults import Fault, load_faults
from blowergrade.sheet_csv import safe


class MisconceptionError(BenchError):
    """A table that can't be used; says the entry and what would be right."""


@dataclass(frozen=True, slots=True)
class Misconception:
    """A belief, why it is tempting, what upsets it, the lesson that treats it, and faults (unit, id) that expose it."""

    id: str
    lesson: str
    believes: str
    tempting: str
    upset_by: str
    faults: tuple[tuple[str, str], ...]


@lru_cache(maxsize=1)
def misconceptions() -> tuple[Misconception, ...]:
    """The table, in its order; raises `MisconceptionError` for an entry that names what is not there."""
    text = files("blowerlessons").joinpath("misconceptions.toml").read_text(encoding="utf-8")
    return parse(tomllib.loads(text))


def parse(raw: Mapping[str, Any]) -> tuple[Misconception, ...]:
    """The table in `raw`, checked against the catalogue; raises `MisconceptionError` with the entry's id."""
    rows = raw.get("misconception")
    if not isinstance(rows, list) or not rows:
        raise MisconceptionError("no [[misconception]] in the table; begin with one")
    known = {name: load_faults(load_equipment(name)).faults for name in blowerdata.names("equipment")}
    made = [_entry(row, known) for row in rows]
    twice = sorted({m.id for m in made if [x.id for x in made].count(m.id) > 1})
    if twice:
        raise MisconceptionError(f"{', '.join(twice)}: stands twice; give each entry an id of its own")
    return tuple(made)


def _entry(row: dict[str, Any], known: Mapping[str, Mapping[str, Fault]]) -> Misconception:
    """One entry of the table, its faults looked up in `known`."""
    name = str(row.get("id", "without id"))
    lacking = [k for k in ("id", "lesson", "believes", "tempting", "upset_by", "faults") if not row.get(k)]
    if lacking:
        raise MisconceptionError(f"{name}: {', '.join(lacking)} missing; each entry has all six")
    faults = row["faults"]
    if not isinstance(faults, dict) or not all(isinstance(ids, list) for ids in faults.values()):
        raise MisconceptionError(f'{name}: faults is {faults!r}; write one line for each unit, such as UNIT = ["FAULT"]')
    pairs = tuple((unit, fault) for unit, ids in faults.items() for fault in ids)
    wrong = [f"{unit}: {fault}" for unit, fault in pairs if fault not in known.get(unit, {})]
    if wrong:
        raise MisconceptionError(f"{name}: no such fault: {', '.join(wrong[:3])}; `blowerbench faults` lists them")
    twice = sorted({fault for pair in pairs if pairs.count(pair) > 1 for fault in pair[1:]})
    if twice:
        raise MisconceptionError(f"{name}: {', '.join(twice)} named twice; once is enough")
    return Misconception(name, str(row["lesson"]), row["believes"], row["tempting"], row["upset_by"], pairs)


def exposed_by(unit: str, fault: str) -> tuple[Misconception, ...]:
    """The misconceptions that a fault exposes."""
    return tuple(m for m in misconceptions() if (unit, fault) in m.faults)


def as_csv() -> bytes:
    """One row per fault: unit, fault, its title, difficulty, and the misconceptions that it exposes."""
    out = io.StringIO(newline="")
    rows = csv.writer(out, lineterminator="\r\n")
    rows.writerow(("unit", "fault", "title", "competency", "difficulty", "exposes", "ask"))
    for unit in blowerdata.names("equipment"):
        for fault in load_faults(load_equipment(unit)).faults.values():
            found = exposed_by(unit, fault.id)
            cells = (
                unit, fault.id, fault.title, fault.competency, str(fault.difficulty),
                " / ".join(m.believes for m in found), " / ".join(m.upset_by for m in found),
            )  # fmt: skip
            rows.writerow(map(safe, cells))
    return out.getvalue().encode("utf-8-sig")
