"""Waiting until something shows: successive waits of one length, each an act of its own in the record.

Rule: what stops the wait is what the page shows anyway, a display or a change of what is seen and heard.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any, Literal, get_args

import msgspec

from blowerbench import acts as a
from blowerbench.bench import Bench
from blowerbench.errors import BenchError
from blowerbench.messages import label, said, translate
from blowerbench.observation import Accepted, Observation
from blowerbench.panels.strip_chart import BASE, sign, value_of

When = Literal["below", "above", "change"]
MOST_WAITS = 360  # acts that one request may make
UNTIL_BUTTON: dict[str, Any] = {"kind": "until"}


class Until(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Wait in steps of `step` seconds until `reading` is below or above `value` (its `BASE` unit), for at most `minutes`.

    With `when` "change" it ends when anything seen, heard or smelled changes; `reading` and `value` don't matter then.
    """

    when: When
    minutes: int
    step: int
    reading: str = "meter"
    value: float | None = None


class Waited(msgspec.Struct, frozen=True):
    """How a wait ended: acts done, seconds gone by, and the sentence that says why it stopped."""

    acts: int
    seconds: int
    sentence: str


def asked(raw: Mapping[str, Any], language: str) -> Until:
    """The wait that the page asked for; raises `BenchError` with what would be right."""
    try:
        until = msgspec.convert({k: raw[k] for k in Until.__struct_fields__ if k in raw}, type=Until)
    except msgspec.ValidationError as error:
        text = translate("Fill in how long and in what steps, in whole numbers, and a number to wait for.", language)
        raise BenchError(text) from error
    if not 1 <= until.minutes <= 60 or not 1 <= until.step <= 600:
        raise BenchError(translate("Wait at most 1 to 60 minutes, in steps of 1 to 600 seconds.", language))
    if until.minutes * 60 > until.step * MOST_WAITS:
        least = math.ceil(until.minutes * 60 / MOST_WAITS)
        text = translate("That is more than {0} looks. Choose steps of {1} seconds or more.", language)
        raise BenchError(text.format(MOST_WAITS, least))
    if until.when != "change" and (until.value is None or not math.isfinite(until.value)):
        raise BenchError(translate("Fill in the number to wait for.", language))
    return until


def _number(until: Until, function: str, observation: Observation) -> tuple[float, str] | None:
    """The value and the text of the reading that is waited for, or None where there is none."""
    wanted = function if until.reading == "meter" else until.reading
    found = [s for s in observation.shown if s.instrument == wanted]
    return (value_of(found[-1]), f"{found[-1].text} {sign(found[-1].unit)}") if found else None


def wait_until(bench: Bench, until: Until, language: str = "en") -> Waited:
    """Wait on `bench` as `until` says; every step is one `Wait` of the record."""

    def t(text: str, *parts: object) -> str:
        return translate(text, language).format(*parts)

    acts = gone = 0
    view = bench.view()
    function = str(view.hands["function"])
    before, now = view.observation.senses, view.observation
    while True:
        if until.when == "change":
            if acts and now.senses != before:
                return Waited(acts, gone, t("What you see or hear has changed."))
        else:
            read = _number(until, function, now)
            if read is None:
                return Waited(acts, gone, t("That instrument shows no number: there is nothing to wait for."))
            if (read[0] < _wanted(until)) if until.when == "below" else (read[0] > _wanted(until)):
                return Waited(acts, gone, t("The reading is {0}.", read[1]))
        left = until.minutes * 60 - gone
        if left <= 0:
            return Waited(acts, gone, t("{0} min have gone by; what you waited for did not come.", until.minutes))
        outcome = bench.act(a.Wait(min(until.step, left)))
        if not isinstance(outcome, Accepted):
            return Waited(acts, gone, said(outcome.reason, language, bench.equipment))
        acts, gone, now = acts + 1, gone + min(until.step, left), outcome.observation


def _wanted(until: Until) -> float:
    return until.value if until.value is not None else math.nan


def form(language: str, air: bool) -> dict[str, Any]:
    """The form that asks for such a wait; a unit without an air side has no manometer and no thermometer to wait for."""

    def t(text: str) -> str:
        return translate(text, language)

    names = ("manometer", "first_thermometer", "second_thermometer") if air else ()
    readings = [{"value": "meter", "label": t("the meter (V, Ω, A or µF)"), "group": ""}]
    readings += [
        {"value": n, "label": f"{label('instrument', n, None, language)} ({sign(BASE[n])})", "group": ""} for n in names
    ]
    texts = {
        "below": t("the reading is below"), "above": t("the reading is above"), "change": t("what I see or hear changes"),
    }  # fmt: skip
    whens = [{"value": w, "label": texts[w], "group": ""} for w in get_args(When)]
    return {
        "id": "until", "title": t("Wait until …"), "closed": True, "fields": [
            {"name": "when", "label": t("Until"), "kind": "select", "options": whens},
            {"name": "reading", "label": t("Reading of"), "kind": "select", "options": readings},
            {"name": "value", "label": t("Number, in that unit"), "kind": "number", "value": 50, "step": "any"},
            {"name": "minutes", "label": t("At most (minutes, 1 to 60)"), "kind": "number", "min": 1, "max": 60, "value": 10},
            {"name": "step", "label": t("Look every (seconds, 1 to 600)"), "kind": "number", "min": 1, "max": 600, "value": 10},
        ], "buttons": [
            {"label": t("Wait and watch"), "act": UNTIL_BUTTON, "fields": ["when", "reading", "value", "minutes", "step"]},
        ],
    }  # fmt: skip
