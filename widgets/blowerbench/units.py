"""The one registry of units, and the one way from a written quantity to a float.

Rule: our own units are defined before anything is parsed. pint caches what it has parsed, and it reads `cfm`
as centi-fermi without a word; a unit defined after its first use is never seen.
"""

from __future__ import annotations

import math
import re
from typing import Any, Final

import pint

from blowerbench.errors import BenchError

__all__ = ["UnitError", "quantity", "ureg"]

#: The registry that every quantity of this project comes from; quantities of two registries never mix.
ureg: Final[Any] = pint.UnitRegistry()  # Any: pint's generic registry types hide `.to` behind overloads

ureg.define("cfm = foot ** 3 / minute")  # volume flow of air; pint alone reads centi-fermi, a length
ureg.define("fpm = foot / minute")  # air velocity; pint alone reads femto-"pm"
# Conventional inch of water column, 1000 kg/m3 at standard gravity: 249.0889 Pa (NIST SP 811).
ureg.define("in_wc = 0.0254 * meter * 1000 * kilogram / meter ** 3 * 9.80665 * meter / second ** 2")
ureg.define("ton_cooling = 12000 * Btu_it / hour")  # a bare `ton` is a mass

_NUMBER_AND_UNIT = re.compile(r"\s*([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)\s*(.*?)\s*", re.DOTALL)


class UnitError(BenchError):
    """A text that is no quantity, or a quantity of the wrong dimension."""


def quantity(text: str, unit: str) -> float:
    """The number that `text`, such as "5 mohm", is when written in `unit`.

    A text is one number with a point, then one unit; `quantity("75 degF", "degC")` is a temperature and
    `quantity("25 delta_degF", "delta_degC")` a difference of two. A unit of "" asks for a bare number.
    Raises UnitError when the text has another form, an unknown unit or another dimension than `unit`.
    """
    example = (
        f'write one number and a unit, such as "1.5 {unit}"' if unit else 'write a bare number, such as "1.5"'
    )
    if not isinstance(text, str):
        raise UnitError(f"{text!r} is a {type(text).__name__}, not a written quantity; {example}")
    match = _NUMBER_AND_UNIT.fullmatch(text)
    if match is None:
        raise UnitError(f"{text!r} does not begin with a number; {example}")
    number, written = match.groups()
    if not math.isfinite(float(number)):
        raise UnitError(f"{text!r} is too large a number; {example}")
    if not written and unit:
        raise UnitError(f"{text!r} has no unit; {example}")
    try:
        value = float(ureg.Quantity(float(number), ureg.parse_units(written)).to(unit).magnitude)
    except pint.DimensionalityError as error:
        raise UnitError(f"{text!r} cannot be told in {unit or 'no unit'}: {error}; {example}") from error
    except pint.UndefinedUnitError as error:
        raise UnitError(f"{text!r} has an unknown unit {written!r}; {example}") from error
    except Exception as error:  # pint's tokenizer raises half a dozen unrelated types on malformed units
        raise UnitError(f"{text!r} cannot be read: {error}; {example}") from error
    return value
