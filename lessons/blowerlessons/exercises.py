"""Checking a learner's answer: a number with its unit, or a choice.

Rule: a wrong unit and a wrong value are two mistakes and are told apart; the right answer is never told.
"""

from __future__ import annotations

import html
import math
from collections.abc import Collection
from dataclasses import dataclass
from typing import Any, Literal

from blowerbench.errors import BenchError
from blowerbench.messages import translate
from blowerbench.units import ureg

Kind = Literal[
    "right",
    "not_answered",
    "not_a_quantity",
    "comma",
    "no_unit",
    "wrong_unit",
    "wrong_prefix",
    "wrong_sign",
    "wrong_value",
    "not_a_choice",
    "wrong_choice",
]

SENTENCES: dict[Kind, str] = {
    "right": "Right.",
    "not_answered": "Not answered yet. Put your answer in the cell above and run both cells.",
    "not_a_quantity": 'That can\'t be read as a number with a unit. Write it in quotes, like "12.5 V".',
    "comma": "Write a decimal point, not a comma: 12.5 and not 12,5.",
    "no_unit": 'The unit is missing. A reading without a unit is no reading: write it like "12.5 V".',
    "wrong_unit": "Wrong unit: this asks for {wanted}, yours measures {given}. The value was not checked.",
    "wrong_prefix": "The digits fit, but the size of the unit does not (milli, kilo or mega).",
    "wrong_sign": "The size fits, but the sign does not: look which lead is where.",
    "wrong_value": "The unit is right, the value is not.",
    "not_a_choice": "Choose one of: {choices}.",
    "wrong_choice": "That is not it. Read the part above once more.",
}

#: Words for the dimensions that this course asks for.
_DIMENSIONS = {
    "volt": "voltage",
    "ampere": "current",
    "ohm": "resistance",
    "watt": "power",
    "second": "time",
    "joule": "energy",
    "": "a plain number",
}


class ExerciseError(BenchError):
    """An exercise that is written wrongly: its expected value or tolerance makes no sense."""


@dataclass(frozen=True, slots=True)
class Verdict:
    """What came of one check. In a notebook it shows itself; `passed` says whether the answer was right."""

    name: str
    kind: Kind
    sentence: str

    @property
    def passed(self) -> bool:
        """Whether the answer was right."""
        return self.kind == "right"

    def __str__(self) -> str:
        return f"{'✔' if self.passed else '✘'} {self.name}: {self.sentence}"

    __repr__ = __str__

    def _repr_html_(self) -> str:
        return f"<p role='status'><strong>{html.escape(str(self))}</strong></p>"


def _verdict(name: str, kind: Kind, **words: str) -> Verdict:
    return Verdict(name, kind, translate(SENTENCES[kind]).format(**words))


def _quantity(value: Any) -> Any:
    return ureg.Quantity(value) if isinstance(value, str) else value


def _dimension(quantity: Any) -> str:
    for unit, word in _DIMENSIONS.items():
        if quantity.check(ureg.Unit(unit).dimensionality):
            return translate(word)
    return str(quantity.units)


def check(name: str, answer: Any, expected: Any, rel: float = 0.01) -> Verdict:
    """Whether `answer` (a text such as "26.5 V", or a pint quantity) is `expected` within `rel` of it.

    `expected` is a text or a pint quantity. Raises `ExerciseError` for an expected value that is zero or not
    finite, or a `rel` outside 0 to 0.5: such an exercise has no meaning.
    """
    wanted = _quantity(expected)
    if not hasattr(wanted, "units"):
        raise ExerciseError(f"{name}: the expected value {expected!r} has no unit; give a text such as '120 V'")
    size = float(wanted.magnitude)
    if not math.isfinite(size) or size == 0.0 or not 0.0 < rel <= 0.5:
        raise ExerciseError(f"{name}: expected {expected!r} with rel {rel}; use a value that is not zero and 0 < rel <= 0.5")
    if answer is Ellipsis or answer is None or (isinstance(answer, str) and not answer.strip()):
        return _verdict(name, "not_answered")
    if isinstance(answer, str) and "," in answer:
        return _verdict(name, "comma")
    try:
        given = _quantity(answer)
        if isinstance(given, bool) or (not isinstance(given, int | float) and not hasattr(given, "units")):
            return _verdict(name, "not_a_quantity")
    except Exception:  # whatever a learner types: pint raises a dozen kinds of error, tokenizer errors among them
        return _verdict(name, "not_a_quantity")
    if not hasattr(given, "units") or (given.unitless and not wanted.unitless):
        return _verdict(
            name,
            "no_unit" if not wanted.unitless else _judge(float(getattr(given, "magnitude", given)), size, rel),
        )
    if not given.check(wanted.dimensionality):
        return _verdict(name, "wrong_unit", wanted=_dimension(wanted), given=_dimension(given))
    return _verdict(name, _judge(float(given.to(wanted.units).magnitude), size, rel))


def _judge(value: float, wanted: float, rel: float) -> Kind:
    def close(x: float) -> bool:
        return math.isfinite(x) and abs(x - wanted) <= rel * abs(wanted)

    if close(value):
        return "right"
    if close(-value):
        return "wrong_sign"
    if any(close(value * 10.0**k) for k in (-6, -3, 3, 6)):
        return "wrong_prefix"
    return "wrong_value"


def choose(name: str, answer: Any, right: str, choices: Collection[str]) -> Verdict:
    """Whether `answer` is `right`, one of `choices`; capitals and blanks around it do not matter."""
    if right not in choices:
        raise ExerciseError(f"{name}: the right answer is not among the choices {sorted(choices)}")
    if answer is Ellipsis or answer is None or answer == "":
        return _verdict(name, "not_answered")
    text = str(answer).strip().lower()
    if text not in choices:
        return _verdict(name, "not_a_choice", choices=", ".join(sorted(choices)))
    return _verdict(name, "right" if text == right else "wrong_choice")
