"""Catalogues of translations as text: the part of gettext's .po form that this package writes.

Rule: a catalogue is read as it stands in the source tree, so that nothing has to be compiled. Entries that are fuzzy,
empty or gone (``#~``) translate nothing. Plural forms are not used: where a number stands in a sentence, the sentence is
written so that any number fits.
"""

from __future__ import annotations

import gettext
import json
from collections.abc import Iterable, Iterator, Mapping

from blowerbench.errors import BenchError

Key = tuple[str, str]  # context (empty without one), English text


class CatalogueError(BenchError):
    """A catalogue that can't be read; says the line and what would be right."""


class Texts(gettext.GNUTranslations):
    """Translations held as a mapping; a text that it does not hold comes back as it is."""

    def __init__(self, texts: Mapping[Key, str]) -> None:
        super().__init__()
        self.texts = texts

    def gettext(self, message: str) -> str:
        """`message` translated."""
        return self.texts.get(("", message), message)

    def pgettext(self, context: str, message: str) -> str:
        """`message` translated as it is said in `context`."""
        return self.texts.get((context, message), message)


def read_texts(catalogues: Iterable[str]) -> dict[Key, str]:
    """The translations in texts of .po files, the first of a key holding; raises `CatalogueError` at a line it can't read."""
    made: dict[Key, str] = {}
    for text in catalogues:
        for key, translation in _entries(text):
            made.setdefault(key, translation)
    return made


def _entries(text: str) -> Iterator[tuple[Key, str]]:
    entry: dict[str, str] = {}
    part = ""
    for number, line in enumerate([*text.splitlines(), ""], 1):
        if not line:
            if entry.get("msgid") and entry.get("msgstr") and "fuzzy" not in entry:
                yield (entry.get("msgctxt", ""), entry["msgid"]), entry["msgstr"]
            entry, part = {}, ""
        elif line[0] == "#":
            if line.startswith("#,") and "fuzzy" in line:
                entry["fuzzy"] = line
        else:
            if line[0] != '"':
                part, _, line = line.partition(" ")
                if part not in _KEYWORDS:
                    raise CatalogueError(f"line {number} of a catalogue is {line!r}; use one of {', '.join(_KEYWORDS)}")
            entry[part] = entry.get(part, "") + _unquoted(line, number)


_KEYWORDS = ("msgctxt", "msgid", "msgstr")


def _unquoted(text: str, number: int) -> str:
    if len(text) < 2 or text[0] != '"' or text[-1] != '"':
        raise CatalogueError(f"line {number} of a catalogue holds {text!r}; a text stands in double quotes")
    if "\\" not in text:
        return text[1:-1]
    made: str = json.loads(text)  # the escapes that .po files use are JSON's as well
    return made
