"""The rubric: weights, limits and pass marks of a score sheet, read from a TOML file.

Rule: what a point is worth is data; how it is earned is in `blowergrade.score`. The defaults are ours.
"""

from __future__ import annotations

import hashlib
import tomllib
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files
from pathlib import Path

import msgspec

from blowerbench.errors import BenchError


class RubricError(BenchError):
    """A rubric file that can't be used."""


class Rubric(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Points are whole; `free_regret` is in simulated seconds."""

    name: str
    safety: int
    isolation: int
    repair: int
    write_up: int
    major: int  # points off for each major violation
    minor: int
    pass_points: int
    pass_needs_entailment: bool
    free_regret: int
    pass_repair: int = 0  # a pass also needs so many points of repair and verification


@dataclass(frozen=True, slots=True)
class LoadedRubric:
    """A rubric with the digest of its file."""

    rubric: Rubric
    digest: str


def _place(path: str) -> Path:
    return Path(path) if path.endswith(".toml") else Path(str(files("blowergrade"))) / "rubrics" / f"{path}.toml"


def rubric_text(path: str = "default") -> str:
    """The text of a rubric's file, to keep a copy of; raises `RubricError` where it is no rubric."""
    load_rubric(path)
    return _place(path).read_text(encoding="utf-8")


@lru_cache(maxsize=16)
def load_rubric(path: str = "default") -> LoadedRubric:
    """The shipped rubric of that name, or the file at a path ending in .toml; raises `RubricError` with the remedy."""
    place = _place(path)
    try:
        text = place.read_text(encoding="utf-8")
        rubric = msgspec.convert(tomllib.loads(text), Rubric)
    except (OSError, tomllib.TOMLDecodeError, msgspec.ValidationError) as error:
        raise RubricError(f"{place.name}: {error}; compare it with rubrics/default.toml") from error
    total = rubric.safety + rubric.isolation + rubric.repair + rubric.write_up
    if total != 100:
        raise RubricError(f"{place.name}: the four parts add up to {total} points; make them 100")
    return LoadedRubric(rubric, hashlib.sha256(text.encode()).hexdigest())
