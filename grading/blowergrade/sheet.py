"""The score sheet as data: parts, reasons, violations, time line.

Rule: language-neutral and whole numbers only (tenths of a point, simulated seconds); the same call gives the same bytes.
"""

from __future__ import annotations

from typing import Any

import msgspec

from blowerbench import acts as a

#: The number of the published schema; a sheet that an older reader can't read raises it.
SCHEMA = 1


class Reason(msgspec.Struct, frozen=True):
    """Points out of `of` (tenths of a point), and why: an English template (the key of its translation) with its arguments.

    An argument that names correction units holds their ids, parted by "; "; a page shows their titles.
    """

    tenths: int
    of: int
    why: str
    args: tuple[str, ...] = ()

    @property
    def words(self) -> str:
        """The reason in English, units by their ids."""
        return self.why.format(*self.args)


class Part(msgspec.Struct, frozen=True):
    """One of the four parts."""

    name: str
    tenths: int
    of: int
    reasons: tuple[Reason, ...]


class Broken(msgspec.Struct, frozen=True):
    """A violation as it stands on the sheet."""

    rule: str
    level: str
    seq: int
    clock: int
    clause: str
    text: str


class Moment(msgspec.Struct, frozen=True):
    """One act on the time line: what was still possible after it, and what it ruled out."""

    seq: int
    clock: int
    act: a.AnyAct
    left: int
    ruled_out: tuple[str, ...]
    predicted: tuple[str, ...]
    observed: str
    regret: int  # simulated seconds


class Elsewhere(msgspec.Struct, frozen=True):
    """What the same acts would have found in the other causes of one correction (unit ids joined by "+")."""

    correction: str
    causes: int
    isolated: int  # causes for which the acts would have left this correction only
    violated: int  # causes for which they would have broken a rule
    right: int  # isolated, and no rule broken


class Counterfactual(msgspec.Struct, frozen=True):
    """The learner's acts up to the diagnosis, played against every other cause of the complaint."""

    causes: int
    right: int
    percent: int  # of the other causes' likelihood, whole percent rounded down
    rows: tuple[Elsewhere, ...]


class Sheet(msgspec.Struct, frozen=True):
    """The graded outcome of one call."""

    format: int
    version: str
    rubric: str
    equipment: str
    complaint: str
    person: str
    variant: str
    record_head: str
    fault: str
    fault_title: str
    correction: str
    declared: tuple[str, ...]
    entailed: bool
    outside_catalogue: bool
    seconds: int
    path_seconds: int
    passed: bool
    tenths: int
    parts: tuple[Part, ...]
    violations: tuple[Broken, ...]
    timeline: tuple[Moment, ...]
    notes: tuple[str, ...]
    counterfactual: Counterfactual | None = None

    def json(self) -> bytes:
        """The sheet as JSON, keys in declared order."""
        return msgspec.json.format(msgspec.json.encode(self), indent=1)

    def html(self, language: str = "en") -> str:
        """The sheet as one self-contained page."""
        from blowergrade.report import render

        return render(self, language)


def schema() -> dict[str, Any]:
    """The published JSON schema (draft 2020-12) of a score sheet, as it lies in `schemas/score_sheet-1.json`."""
    _, parts = msgspec.json.schema_components([Sheet], ref_template="#/$defs/{name}")
    own: dict[str, Any] = dict(parts.pop("Sheet"))
    for part in parts.values():
        part.pop("description", None)  # what an act is told in words is no part of the format
    own["properties"] = {**own["properties"], "format": {"const": SCHEMA}}
    made = {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "$id": f"urn:blowergrade:score-sheet:{SCHEMA}",
        "$comment": "Points are tenths, times are simulated seconds; acts are written as in a call record.",
        **own,
        "$defs": parts,
    }
    plain: dict[str, Any] = msgspec.json.decode(msgspec.json.encode(made))  # lists in place of tuples, as a file holds them
    return plain
