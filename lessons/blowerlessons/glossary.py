"""The glossary: the course's words in plain English and Spanish, as a guide and as a page to print.

Rule: one word, one meaning, short; the guide is made from the table and never edited.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files

from blowergrade.typeset import pdf, quoted, table

HEAD = """# Glossary

The words of this course as it uses them. The number is the lesson that needs the word first. *En cursiva, en español.*
"""


@dataclass(frozen=True, slots=True)
class Term:
    """One word with its meaning, in both languages; `lesson` is two digits."""

    id: str
    term: str
    meaning: str
    term_es: str
    meaning_es: str
    lesson: str


@lru_cache(maxsize=1)
def terms() -> tuple[Term, ...]:
    """Every term, in alphabetical order."""
    text = files("blowerlessons").joinpath("glossary.toml").read_text(encoding="utf-8")
    return tuple(Term(**row) for row in tomllib.loads(text)["term"])


def guide() -> str:
    """The glossary as Markdown: the file ``guides/glossary.md``."""
    lines = [f"- **{x.term}** ({int(x.lesson)}). {x.meaning} *{x.term_es}: {x.meaning_es}*" for x in terms()]
    return HEAD + "\n" + "\n".join(lines) + "\n"


def glossary_pdf(paper: str = "us-letter") -> bytes:
    """The glossary as a PDF in two languages."""
    rows = [
        [f"#strong[#{quoted(x.term)};] #{quoted(x.meaning)};", f"#strong[#{quoted(x.term_es)};] #{quoted(x.meaning_es)};"]
        for x in terms()
    ]
    body = '#heading(level: 1)[#"Glossary";]\n' + table(['#"English";', '#"Español";'], rows, columns="(1fr, 1fr)")
    return pdf(body, "Glossary", "en", paper, "CC BY 4.0.")
