"""Handouts to print: one page per lesson with its summary, its cautions and room for readings; cautions in two languages.

Rule: a handout says what its lesson says, in the lesson's own words; it holds no exercise's answer.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

from blowerbench.messages import translate as t
from blowergrade.typeset import TypesetError, content, pdf, quoted, table
from blowerlessons.build import Lesson, lessons
from blowerlessons.cautions import CAUTIONS, caution, defer

FOOT = "CC BY 4.0. Invented equipment; simulated practice."
SUMMARY = {"en": "In short", "es": "En resumen"}


def section(lesson: Lesson, title: str) -> str:
    """The Markdown of the lesson's section `title`, code cells left out; raises `TypesetError` where there is none."""
    body = lesson.text.split("---\n", 2)[2]
    found = re.search(rf"^## {re.escape(title)}\n(.*?)(?=^## |\Z)", body, flags=re.S | re.M)
    if found is None:
        raise TypesetError(f"{lesson.name}: no section {title!r}; a handout is made from it")
    return re.sub(r"```\{code-cell\}.*?```\n?", "", found[1], flags=re.S).strip()


def source(lesson: Lesson) -> str:
    """The typst content of a lesson's handout."""
    language, about = lesson.language, lesson.about
    goals = "\n".join(f"- {goal}" for goal in about["objectives"])
    lines = [
        f"#heading(level: 1)[#{quoted(lesson.key[:2].lstrip('0'))}; #{quoted(str(about['title']))};]\n",
        f"#heading(level: 2)[#{quoted(t('After this lesson you can', language))};]\n", content(goals),
        f"#heading(level: 2)[#{quoted(SUMMARY.get(language, SUMMARY['en']))};]\n",
        content(section(lesson, SUMMARY.get(language, SUMMARY["en"]))),
        f"#heading(level: 2)[#{quoted(t('Cautions', language))};]\n", _cautions(about["cautions"], language),
        f"#block[#set text(9pt); #{quoted(defer(language))};]\n",
        f"#heading(level: 2)[#{quoted(t('My readings', language))};]\n", _readings(language),
    ]  # fmt: skip
    return "\n".join(lines)


def _cautions(names: list[str], language: str) -> str:
    rows = [caution(name, language) for name in CAUTIONS if name in names]
    return "#list(" + ", ".join(f"[#strong[#{quoted(call)};] #{quoted(rest)};]" for call, rest in rows) + ")\n"


def _readings(language: str) -> str:
    head = [t("from", language), t("to", language), t("function", language), t("reading with unit", language)]
    cells = [f"#{quoted(h)};" for h in (*head, t("it rules out", language))]
    return table(cells, [["#v(0.9em)"] * len(cells)] * 3, columns="(1fr, 1fr, 1fr, 1.2fr, 1.6fr)")


def handout(lesson: Lesson, paper: str = "us-letter") -> bytes:
    """A lesson's handout as a PDF."""
    foot = t("CC BY 4.0. Invented equipment; simulated practice.", lesson.language)
    return pdf(source(lesson), str(lesson.about["title"]), lesson.language, paper, foot)


def cautions_sheet(paper: str = "us-letter") -> bytes:
    """All cautions in English and Spanish side by side, as a PDF."""
    rows = []
    for name in CAUTIONS:
        both = [caution(name, language) for language in ("en", "es")]
        rows.append([f"#strong[#{quoted(call)};] #{quoted(rest)};" for call, rest in both])
    body = '#heading(level: 1)[#"Cautions";]\n' + table(['#"English";', '#"Español";'], rows, columns="(1fr, 1fr)")
    body += "".join(f"#block[#{quoted(defer(language))};]\n" for language in ("en", "es"))
    return pdf(body, "Cautions", "en", paper, FOOT)


def handouts(paper: str = "us-letter") -> Iterator[tuple[str, bytes]]:
    """File name and PDF of every handout, the sheet of cautions last."""
    for lesson in lessons():
        yield f"{lesson.name}.pdf", handout(lesson, paper)
    yield "cautions.pdf", cautions_sheet(paper)
