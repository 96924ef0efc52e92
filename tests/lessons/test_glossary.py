"""The glossary: its words are those of the lessons, and its Spanish is that of the bench's own catalogue."""

from __future__ import annotations

import re
import unicodedata
from functools import cache

import pytest

from blowerbench.catalogues import read_texts
from blowerbench.messages import locale_root
from blowerlessons.build import lessons
from blowerlessons.glossary import Term, guide, terms
from blowerlessons.reading import grade

#: Words that a learner meets on the bench (dial, picture) but in no lesson's text.
ON_THE_BENCH = {"continuity", "flame sensor"}


def plain(text: str) -> str:
    """`text` in small letters, without accents, dashes as blanks."""
    letters = unicodedata.normalize("NFD", text.lower())
    return re.sub(r"[-‐-—\s]+", " ", "".join(c for c in letters if not unicodedata.combining(c)))


@cache
def text_of(number: str) -> str:
    """What the English lesson `number` says, title and objectives included."""
    return next(x.text for x in lessons() if x.language == "en" and x.key[:2] == number)


@cache
def spanish() -> dict[str, set[str]]:
    """English text of the bench's Spanish catalogue, plain, to its translations, plain."""
    found: dict[str, set[str]] = {}
    folder = locale_root().joinpath("es", "LC_MESSAGES")
    files = (x.read_text(encoding="utf-8") for x in folder.iterdir() if x.name.endswith(".po"))
    for (_, source), translated in read_texts(files).items():
        found.setdefault(plain(source), set()).add(plain(translated))
    return found


@pytest.mark.parametrize("term", terms(), ids=lambda x: x.id)
def test_the_lesson_of_a_term_says_the_term(term: Term) -> None:
    if term.term in ON_THE_BENCH:
        return
    for word in plain(term.term).replace(" and ", " ").split():
        one_letter = len(word) == 1  # R, C, G, W, Y: capital letters, or every "a" and "c" of the text would do
        pattern, text = (
            (rf"\b{word.upper()}\b", text_of(term.lesson)) if one_letter else (rf"\b{word}", plain(text_of(term.lesson)))
        )
        assert re.search(pattern, text), (term.term, term.lesson)


def test_the_spanish_of_a_term_is_that_of_the_bench_where_the_bench_has_the_word() -> None:
    checked = 0
    for term in terms():
        known = spanish().get(plain(term.term), set())
        if known:
            assert plain(term.term_es) in known, (term.term, term.term_es, known)
            checked += 1
    assert checked >= 30


def test_the_spanish_of_a_term_is_that_which_most_messages_of_the_bench_use() -> None:
    checked = 0
    for term in terms():
        if len(term.term) < 4:  # C and R stand in other words; "bus" and "leg" are too short to look for
            continue
        word, wanted = re.compile(rf"\b{re.escape(plain(term.term))}s?\b"), plain(term.term_es).split()[0][:5]
        messages = [t for source, found in spanish().items() if word.search(source) for t in found]
        if len(messages) >= 3:
            agree = sum(wanted in text for text in messages)
            assert 2 * agree >= len(messages), (term.term, term.term_es, agree, len(messages), messages[:4])
            checked += 1
    assert checked >= 30


def test_every_meaning_is_a_plain_short_sentence_in_both_languages() -> None:
    for term in terms():
        assert term.meaning[0].isupper() and term.meaning_es[0].isupper(), term
        assert len(term.meaning_es.split()) <= 24, term
        assert plain(term.meaning) != plain(term.meaning_es), term
    assert grade(" ".join(f"{x.meaning}" for x in terms())) <= 8.0


def test_the_guide_holds_every_term_in_both_languages() -> None:
    text = guide()
    assert all(f"**{x.term}**" in text and f"*{x.term_es}: " in text for x in terms())
    assert text.count("\n- ") == len(terms())
