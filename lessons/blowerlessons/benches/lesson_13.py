"""The values that the exercises of lesson 13, the capstone, expect.

Rule: an expected value is worked out from the course's own tables; no number is typed in.
"""

from __future__ import annotations

from typing import Any

from blowerbench.units import ureg
from blowerlessons.capstone import LEVELS, PASSES


def calls_that_may_fail() -> Any:
    """How many of the ten may go wrong for a pass (a plain number)."""
    return ureg.Quantity(float(len(LEVELS) - PASSES), "dimensionless")


def joint_heat(drop: float = 12.0) -> Any:
    """The power that a joint turns into heat at 5 A with `drop` V across it (W)."""
    return (ureg.Quantity(drop, "volt") * ureg.Quantity(5.0, "ampere")).to("watt")
