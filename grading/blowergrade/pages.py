"""Pages beside the score sheet: a call explained act by act, and the diagnosability of a unit.

Rule: as the score sheet: self-contained, printable, no script, nothing fetched, nothing said by colour alone.
"""

from __future__ import annotations

from collections.abc import Sequence

from markupsafe import Markup

from blowerbench.equipment import Equipment
from blowerbench.faults import Catalogue
from blowergrade.diagnosability import Report
from blowergrade.explain import Explained, Explainer
from blowergrade.explain_picture import timeline
from blowergrade.report import SCHOOL, environment, versions
from blowergrade.wording import Words, clock, hypothesis_named


def explanation_section(explainer: Explainer, acts: Sequence[Explained], level: int = 2) -> str:
    """`acts` explained, with the time line's picture, as one HTML section; `level` is that of its heading."""
    return environment().get_template("explanation_section.html").render(**_explained(explainer, acts), level=level)


def explanation_page(explainer: Explainer, acts: Sequence[Explained]) -> str:
    """The section as a whole page."""
    words = explainer.words
    return environment().get_template("explanation.html").render(
        **_explained(explainer, acts), lang=words.language, school=SCHOOL, versions=versions(), level=2,
        person=explainer.sheet.person, unit=words.t(explainer.equipment.title),
        complaint=words.name("complaint", explainer.sheet.complaint), record=explainer.sheet.record_head,
    )  # fmt: skip


def _explained(explainer: Explainer, acts: Sequence[Explained]) -> dict[str, object]:
    drawn = timeline(explainer)
    # Markup: the SVG is our own, the words in it are escaped where it is made.
    return {
        "_": explainer.words.t, "explainer": explainer, "acts": acts, "clock": clock, "time": explainer.words.time,
        "picture": Markup(drawn.inline()), "alternative": drawn.text,
    }  # fmt: skip


def diagnosability_page(report: Report, equipment: Equipment, catalogue: Catalogue, language: str = "en") -> str:
    """The diagnosability of `equipment` as a whole page."""
    words = Words(equipment, catalogue, language)
    return environment().get_template("diagnosability.html").render(
        _=words.t, report=report, lang=language, school=SCHOOL, versions=versions(), unit=words.t(equipment.title),
        units=words.units, time=words.time, complaint=lambda c: words.name("complaint", c),
        causes=lambda names: words.causes(map(hypothesis_named, names)), fault=lambda f: words.t(catalogue.faults[f].title),
    )  # fmt: skip


def diagnosability_text(report: Report, equipment: Equipment, catalogue: Catalogue) -> str:
    """The diagnosability as a text for a terminal: what an author has to look at, then the table of units."""
    words = Words(equipment, catalogue)
    lines = [words.t("{0}: {1} faults, {2} hypotheses.", words.t(equipment.title), report.faults, report.hypotheses), ""]
    lines.append(words.t("Causes in different places that the path can't tell apart: {0} groups.", len(report.ambiguities)))
    for x in report.ambiguities:
        how = words.t("split by: {0}", x.extra) if x.extra else words.t("only by substitution: {0}", "; ".join(x.reasons))
        if not x.documented:
            how = words.t("NOT DOCUMENTED: say why in only_by_substitution, or give the unit a test that splits them")
        lines.append(f"  {words.causes(map(hypothesis_named, x.causes))} ({', '.join(x.complaints)}) – {how}")
    for title, found in (
        (words.t("Faults that no complaint leads to"), [words.t(catalogue.faults[f].title) for f in report.unreached]),
        (words.t("Complaints with few causes"), [f"{c}: {n}" for c, n in report.small]),
        (words.t("Tests that never split anything"), list(report.idle)),
    ):
        lines += ["", f"{title}: {len(found)}.", *(f"  {x}" for x in found)]
    lines += ["", words.t("The test that splits most pairs of causes of two places, the cheapest of those:")]
    rows = [(words.t("pairs split"), words.t("time"), words.t("places and test"))]
    for s in report.splits:
        test = s.test or words.t("none on this bench: only by substitution")
        seconds = f"{s.seconds} s" if s.test else "–"
        rows.append((f"{s.split}/{s.pairs}", seconds, f"{words.units(s.first)} | {words.units(s.second)}: {test}"))
    wide = [max(len(r[k]) for r in rows) for k in range(2)]
    return "\n".join([*lines, *(f"  {r[0]:>{wide[0]}}  {r[1]:>{wide[1]}}  {r[2]}" for r in rows)])
