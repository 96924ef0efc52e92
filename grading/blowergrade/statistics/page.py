"""The report of a sitting as one page: plots with their tables, and what each number means to a school.

Rule: as the score sheet: self-contained, printable, no script, nothing fetched, nothing said by colour alone. No candidate is
named on it.
"""

from __future__ import annotations

import base64
from collections.abc import Sequence
from typing import Any

import msgspec
from jinja2 import ChoiceLoader, PackageLoader

from blowergrade.report import environment, versions
from blowergrade.statistics import plots, words
from blowergrade.statistics.decision import Decision
from blowergrade.statistics.irt import MODELS, Fit, Model
from blowergrade.statistics.passing import VERDICTS
from blowergrade.statistics.report import Band, Refused, Report, ability_bands, remark
from blowergrade.statistics.sitting import PER_FORM_ONLY, FormStatistics, SittingReport

SOURCES = (
    "Alpha: Cronbach 1951; KR-20: Kuder and Richardson 1937; interval of alpha: Feldt, Woodruff and Salih 1987.",
    "Decisions: Livingston and Lewis 1995, with the four-parameter fit of Hanson 1991.",
    "Item response models: Rasch 1960; Bock and Lieberman 1970; Bock and Aitkin 1981.",
    "Kappa: Cohen 1960 and 1968; Fleiss 1971; words for it: Landis and Koch 1977. Interval of a share: Wilson 1927.",
)
MODEL_NAMES = {"rasch": "Rasch", "1PL": "one common slope (1PL)", "2PL": "a slope for each item (2PL)"}


class Picture(msgspec.Struct, frozen=True):
    """A plot as it stands in a page: the SVG as a data address, and what it says to who can't see it."""

    source: str
    text: str


def render(report: SittingReport, *, school: str = "") -> str:
    """The whole page."""
    return page(
        "exam_report.html", title=report.title, school=school, report=report,
        forms=[_form(f, k) for k, f in enumerate(report.forms, 1)], passing=_passing(report), verdicts=VERDICTS,
        compared=words.compared_words(report.compared) if report.compared else "", per_form_only=PER_FORM_ONLY,
        kappa_words=words.kappa_words, sources=SOURCES,
    )  # fmt: skip


def page(template: str, **values: Any) -> str:
    """A page of this package from its `template`, with what all of them use."""
    folders = [PackageLoader("blowergrade.statistics", "pages"), PackageLoader("blowergrade", "templates")]
    pages = environment().overlay(loader=ChoiceLoader(folders))
    return pages.get_template(template).render(
        **values, versions=versions(), number=words.number, percent=words.percent
    )


def picture(svg: bytes, text: str) -> Picture:
    """A drawn plot, with what it says."""
    return Picture(f"data:image/svg+xml;base64,{base64.b64encode(svg).decode('ascii')}", f"{text} The table has the numbers.")


def _form(form: FormStatistics, index: int) -> dict[str, Any]:
    """What the template needs of one form."""
    found: dict[str, Any] = {"form": form, "id": f"form-{index}", "calls": None, "points": form.points, "remark": remark}
    if isinstance(form.calls, Refused):
        return {**found, "refused": form.calls.reason}
    calls = form.calls
    others = [m for m in MODELS if not isinstance(calls.model, Fit) or m != calls.model.model]
    model = calls.model if isinstance(calls.model, Fit) else None
    abilities = ability_bands(model) if model else ()
    decision = calls.decision if isinstance(calls.decision, Decision) else None
    return {
        **found, "calls": calls, "trust": calls.reliability, "trust_words": words.trust_words(calls.reliability, "calls"),
        "decision": decision, "decision_words": words.decision_words(decision) if decision else (),
        "histogram": _histogram(form.name, calls), "item_map": _item_map(form.name, calls), "model": model,
        "model_name": MODEL_NAMES[model.model] if model else "", "abilities": abilities, "band": _band,
        "others": [_other(m, f) for m, f in zip(others, calls.others, strict=False)],
        "person_item_map": _person_item_map(form.name, model, abilities) if model else None,
    }  # fmt: skip


def _other(model: Model, fit: Fit | Refused) -> tuple[str, ...]:
    """The line of another model: its name and what to compare, or why it was not fitted."""
    name = MODEL_NAMES[model]
    if isinstance(fit, Refused):
        return (name, fit.reason)
    if not fit.converged:
        return (name, fit.note)
    numbers = (words.number(x, d) for x, d in ((fit.log_likelihood, 3), (fit.aic, 1), (fit.bic, 1)))
    return (name, "", str(fit.parameters), *numbers)


def _band(one: Band, whole: bool) -> str:
    low, high = (f"{x:g}".replace("-", words.MINUS) for x in (one.low, one.high))
    return low if whole and one.high - one.low == 1 else f"{low} to under {high}"


def _edges(found: Sequence[Band]) -> tuple[list[float], list[int]]:
    return [*(b.low for b in found), found[-1].high], [b.count for b in found]


def _passing(report: SittingReport) -> Picture | None:
    """The share that passed on each form."""
    found = [f.passes for f in report.forms if f.passes is not None and f.passes.decided]
    if not found:
        return None
    said = "; ".join(f"form {p.form}: {p.passed} of {p.decided} decided" for p in found)
    rows = [(p.form, p.passed / p.decided, p.low or 0.0, p.high or 0.0) for p in found]
    return picture(plots.shares(rows, "share that passed, with its 95 % interval", "form"), f"Passed on {said}.")


def _item_map(name: str, report: Report) -> Picture:
    weak = sum(bool(remark(i)) for i in report.items)
    said = f"Form {name}: {len(report.items)} calls by difficulty and discrimination; {weak} have a remark."
    return picture(plots.item_map(report.items), said)


def _histogram(name: str, report: Report) -> Picture:
    n = report.reliability.candidates
    if report.cut is None:
        said = f"Form {name}: {n} candidates by calls passed."
        return picture(plots.histogram(*_edges(report.scores), None, ""), said)
    said = f"Form {name}: {n} candidates by calls passed; {report.reached} reached the cut of {report.cut:g}."
    edge = next(b.low for b in report.scores if b.low >= report.cut)
    return picture(plots.histogram(*_edges(report.scores), edge, f"cut {report.cut:g}"), said)


def _person_item_map(name: str, model: Fit, abilities: Sequence[Band]) -> Picture:
    said = f"Form {name}: {model.candidates} candidates and {len(model.items)} calls on one scale of logits."
    return picture(plots.person_item_map(model, *_edges(abilities)), said)
