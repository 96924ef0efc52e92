"""Where everything of a unit stands in its picture: the type that layout files and generated layouts share.

Rule: a layout is plain data, so that a hand-made file and a generated one are drawn by the same code.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from blowerbench.equipment import Equipment
from blowerbench.errors import BenchError

R = 14  # radius of a terminal's circle, drawing units
HIT = 16  # radius of what a pointer has to hit: 32 units wide, 24 px at the narrowest picture
NARROWEST = 0.75  # px for a drawing unit in the narrowest picture: a target of 32 units is 24 px wide
WIRE_KINDS = ("hot", "neutral", "ground", "common", "low")


class LayoutError(BenchError):
    """A layout file that does not fit its equipment; says the file, the entry and the remedy."""


@dataclass(frozen=True, slots=True)
class Layout:
    """A loaded layout, checked against its equipment. Lengths in drawing units."""

    view: tuple[int, int]
    terminals: Mapping[str, tuple[float, float, str, str]]
    raw: Mapping[str, Any]

    def __hash__(self) -> int:
        return id(self)


def of_supply(thing: str, supply: str) -> str:
    """The name in the picture of a supply's breaker, disconnect, lock or tag; the main one's is the plain word."""
    return thing if supply == "main" else f"{thing}_{supply}"


def door_word(equipment: Equipment) -> str:
    """What closes the unit: a blower door, or the access panel of an outdoor unit."""
    return "Access panel" if equipment.kind == "outdoor_unit" else "Blower door"
