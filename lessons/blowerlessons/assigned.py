"""The calls that a lesson gives to practise.

Rule: which fault a call has stands in `answers/`, which no learner's folder holds; a lesson's text names calls by number only.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from importlib.resources import files


@dataclass(frozen=True, slots=True)
class PracticeCall:
    """A call to practise: the unit, `fault` (ID or ID/SEVERITY), what the customer says, and why it is here."""

    equipment: str
    fault: str
    complaint: str
    teaches: str


def practice_calls(lesson: str) -> tuple[PracticeCall, ...]:
    """The practice calls of the lesson with file name `lesson`, in order; none where it has no file of answers."""
    file = files("blowerlessons").joinpath("answers", f"{lesson}.toml")
    if not file.is_file():
        return ()
    return tuple(PracticeCall(**c) for c in tomllib.loads(file.read_text(encoding="utf-8")).get("call", ()))
