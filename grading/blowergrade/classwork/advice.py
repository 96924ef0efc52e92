"""What a graded call says about what to practise next, in sentences.

Rule: each sentence follows from something on the sheet; at most three are given, safety first.
"""

from __future__ import annotations

from collections import Counter

from blowerbench.equipment import load_equipment
from blowerbench.faults import load_faults
from blowerbench.messages import translate as t
from blowergrade.competencies import competency_title
from blowergrade.sheet import Sheet
from blowergrade.wording import hypothesis_named

MOST = 3
#: Lost seconds from which the way there is worth a sentence.
SLOW = 600


def advice(sheet: Sheet, language: str = "en") -> tuple[str, ...]:
    """At most three sentences on what to practise next; one on what went well where nothing went wrong."""
    fault = load_faults(load_equipment(sheet.equipment)).faults[hypothesis_named(sheet.fault).fault]
    competency = competency_title(fault.competency, language)
    made = [*_safety(sheet, language), *_isolation(sheet, competency, language), *_rest(sheet, language)]
    if not made:
        text = t("Nothing here needs practice. Take a harder fault of the same kind ({0}).", language)
        return (text.format(competency),)
    return tuple(made[:MOST])


def _safety(sheet: Sheet, language: str) -> list[str]:
    rules = Counter(v.rule for v in sheet.violations if v.level in ("critical", "major"))
    if not rules:
        return []
    worst = next(v for v in sheet.violations if v.level == ("critical" if _critical(sheet) else "major"))
    text = t("Safety first: practise the step that went wrong at act {0}: {1}", language)
    return [text.format(worst.seq, t(worst.text, language))]


def _critical(sheet: Sheet) -> bool:
    return any(v.level == "critical" for v in sheet.violations)


def _isolation(sheet: Sheet, competency: str, language: str) -> list[str]:
    lost = sum(m.regret for m in sheet.timeline)
    if not sheet.declared:
        return [t("No diagnosis was declared. Practise one more call on {0}, with the coach.", language).format(competency)]
    if not sheet.entailed:
        text = t("The readings left other causes possible. Ask what each reading rules out, then practise {0} again.", language)
        return [text.format(competency)]
    if lost > SLOW:
        text = t("You found it the long way: {0} min went into questions that told little. Compare the best ones.", language)
        return [text.format(lost // 60)]
    return []


def _rest(sheet: Sheet, language: str) -> list[str]:
    made = []
    for part in sheet.parts:
        if part.name == "repair" and part.tenths < part.of:
            made.append(t("Verify every call with the doors on: volts, amps, static and rise, before you leave.", language))
        if part.name == "write_up" and part.tenths < part.of:
            made.append(t("Write up complaint, readings with units, cause, correction, and why it failed.", language))
    return made
