"""Checking a learner's answer: a number with its unit, or a choice.

Rule: a wrong unit and a wrong value are two mistakes and are told apart; the right answer is never told.
"""

from __future__ import annotations

import html
import math
from collections.abc import Callable, Collection
from dataclasses import dataclass
from typing import Any, Literal

from blowerbench.errors import BenchError
from blowerbench.messages import translate
from blowerbench.units import ureg

Kind = Literal[
    "right",
    "not_answered",
    "not_predicted",
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
    "not_predicted": "Predict first. Put what you expect in the cell above and run both cells; then it is measured.",
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
    "pascal": "pressure",
    "meter ** 3 / second": "airflow",
    "delta_degC": "temperature difference",
    "farad": "capacitance",
    "hertz": "speed or frequency",
    "": "a plain number",
}


#: A voltage up to this counts as no voltage in a prediction: a meter's last digits.
NOTHING = ureg.Quantity(0.1, "volt")


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


def _verdict(name: str, kind: Kind, language: str, **words: str) -> Verdict:
    return Verdict(name, kind, translate(SENTENCES[kind], language).format(**words))


def _quantity(value: Any) -> Any:
    return ureg.Quantity(value) if isinstance(value, str) else value


def _dimension(quantity: Any, language: str) -> str:
    for unit, word in _DIMENSIONS.items():
        if quantity.check(ureg.Unit(unit).dimensionality):
            return translate(word, language)
    return str(quantity.units)


def check(name: str, answer: Any, expected: Any, rel: float = 0.01, language: str = "en") -> Verdict:
    """Whether `answer` (a text such as "26.5 V", or a pint quantity) is `expected` within `rel` of it.

    `expected` is a text, a pint quantity, or a function that gives one; it is called only once there is an answer. Raises
    `ExerciseError` for an expected value that is zero or not finite, or a `rel` outside 0 to 0.5: it would mean nothing.
    """
    if not 0.0 < rel <= 0.5:
        raise ExerciseError(f"{name}: rel {rel}; use 0 < rel <= 0.5")
    unread = _unread(answer)
    if unread is not None and callable(expected):
        return _verdict(name, unread, language)
    wanted = _quantity(expected() if callable(expected) else expected)
    if not hasattr(wanted, "units"):
        raise ExerciseError(f"{name}: the expected value {expected!r} has no unit; give a text such as '120 V'")
    size = float(wanted.magnitude)
    if not math.isfinite(size) or size == 0.0:
        raise ExerciseError(f"{name}: expected {expected!r}; use a value that is finite and not zero")
    if unread is not None:
        return _verdict(name, unread, language)
    given = _quantity(answer)
    if not hasattr(given, "units") or (given.unitless and not wanted.unitless):
        kind = "no_unit" if not wanted.unitless else _judge(float(getattr(given, "magnitude", given)), size, rel)
        return _verdict(name, kind, language)
    if not given.check(wanted.dimensionality):
        words = {"wanted": _dimension(wanted, language), "given": _dimension(given, language)}
        return _verdict(name, "wrong_unit", language, **words)
    return _verdict(name, _judge(float(given.to(wanted.units).magnitude), size, rel), language)


def _unread(answer: Any) -> Kind | None:
    """Why `answer` can't be read as a quantity, or None when it can."""
    if answer is Ellipsis or answer is None or (isinstance(answer, str) and not answer.strip()):
        return "not_answered"
    if isinstance(answer, str) and "," in answer:
        return "comma"
    try:
        given = _quantity(answer)
        if isinstance(given, bool) or (not isinstance(given, int | float) and not hasattr(given, "units")):
            return "not_a_quantity"
        float(getattr(given, "magnitude", given))
    except Exception:  # whatever a learner types: pint raises a dozen kinds of error, tokenizer errors among them
        return "not_a_quantity"
    return None


def compare(name: str, guess: Any, measure: Callable[[], Any], rel: float = 0.1, language: str = "en") -> Verdict:
    """Compare a prediction with the quantity that `measure` reads, which is shown beside it.

    `measure` is called only once `guess` is a quantity: the reading comes after the prediction. A reading of nothing (a voltage
    below `NOTHING`, or 0 of anything) is rightly predicted by a number that is nothing too.
    """
    unread = _unread(guess)
    if unread is not None:
        return _verdict(name, "not_predicted" if unread == "not_answered" else unread, language)
    shown = measure()
    verdict = _near_zero(name, guess, language) if _is_nothing(shown) else check(name, guess, shown, rel, language)
    told = translate("You said {guess}. The reading is {shown}.", language).format(guess=guess, shown=f"{shown:~}")
    return Verdict(name, verdict.kind, f"{told} {verdict.sentence}")


def _is_nothing(shown: Any) -> bool:
    if shown.check(NOTHING.dimensionality):
        return bool(abs(shown.to(NOTHING.units).magnitude) <= NOTHING.magnitude)
    return bool(shown.magnitude == 0.0)


def _near_zero(name: str, guess: Any, language: str) -> Verdict:
    """The verdict on a prediction of a reading of nothing, whose unit is not looked at: 0 V and 0 mV are alike."""
    size = abs(float(getattr(_quantity(guess), "magnitude", guess)))
    return _verdict(name, "right" if size <= float(NOTHING.magnitude) else "wrong_value", language)


def compare_choice(
    name: str, guess: Any, observe: Callable[[], str], choices: Collection[str], language: str = "en"
) -> Verdict:
    """Compare a prediction with the choice that `observe` sees; it is called only once `guess` is one of `choices`."""
    if guess is Ellipsis or guess is None or guess == "":
        return _verdict(name, "not_predicted", language)
    if str(guess).strip().lower() not in choices:
        return choose(name, guess, sorted(choices)[0], choices, language)
    seen = observe()
    verdict = choose(name, guess, seen, choices, language)
    told = translate("You said {guess}. What happened: {shown}.", language).format(guess=guess, shown=seen)
    return Verdict(name, verdict.kind, f"{told} {verdict.sentence}")


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


def choose(name: str, answer: Any, right: str, choices: Collection[str], language: str = "en") -> Verdict:
    """Whether `answer` is `right`, one of `choices`; capitals and blanks around it do not matter."""
    if right not in choices:
        raise ExerciseError(f"{name}: the right answer is not among the choices {sorted(choices)}")
    if answer is Ellipsis or answer is None or answer == "":
        return _verdict(name, "not_answered", language)
    text = str(answer).strip().lower()
    if text not in choices:
        return _verdict(name, "not_a_choice", language, choices=", ".join(sorted(choices)))
    return _verdict(name, "right" if text == right else "wrong_choice", language)
