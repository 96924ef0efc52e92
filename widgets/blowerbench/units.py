"""The one pint registry. Rule: our own units are defined before anything is parsed, because pint caches what it parsed."""

from __future__ import annotations

from typing import Any

import pint

from blowerbench.errors import BenchError

ureg: Any = pint.UnitRegistry(autoconvert_offset_to_baseunit=True)
ureg.define("cfm = foot ** 3 / minute")
ureg.define("fpm = foot / minute")
ureg.define("in_wc = 249.08891 * pascal")


class UnitError(BenchError):
    """A text that is no quantity, or one of the wrong dimension."""


def quantity(text: str, unit: str) -> float:
    """The number that `text` (for example "5 mohm") is in `unit`; UnitError when it is not such a quantity."""
    try:
        parsed = ureg.Quantity(text)
        return float(parsed.to(unit).magnitude)
    except Exception as error:
        raise UnitError(f"{text!r} is not a quantity in {unit!r}: {error}; write a number and a unit") from error
