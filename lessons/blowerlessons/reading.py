"""How hard a text is to read, by the published formulas.

Rule: the formulas count words, sentences and syllables; they know nothing of trade terms, which a lesson explains.
"""

from __future__ import annotations

import re


def syllables(word: str) -> int:
    """The syllables of an English word by its groups of vowels, a silent last e left out."""
    groups = len(re.findall(r"[aeiouy]+", word.lower()))
    return max(1, groups - (word.lower().endswith("e") and not word.lower().endswith("le")))


def spanish_syllables(word: str) -> int:
    """The syllables of a Spanish word: groups of vowels, a strong pair or an accented weak vowel parting them."""
    word = re.sub(r"[qg]u(?=[eiéí])", "k", word.lower())
    parted = re.sub(r"(?<=[aeoáéó])(?=[aeoáéóíú])|(?<=[íú])(?=[aeoáéó])", " ", word)
    return max(1, len(re.findall(r"[aeiouáéíóúü]+", parted)))


def sentences_and_words(text: str) -> tuple[int, list[str]]:
    """How many sentences `text` has (a colon ends one, as Flesch counted; so does a list's entry), and its words."""
    text = re.sub(r"\n(?=\d\.|\n|- )", ". ", text)
    sentences = [s for s in re.split(r"[.!?:]+\s", text) if re.search(r"[^\W\d_]{2}", s)]
    return len(sentences), re.findall(r"[^\W\d_]+", text)


def grade(text: str) -> float:
    """Flesch-Kincaid grade: 0.39 words/sentence + 11.8 syllables/word − 15.59 (US Navy report 8-75, 1975)."""
    sentences, words = sentences_and_words(text)
    return 0.39 * len(words) / sentences + 11.8 * sum(map(syllables, words)) / len(words) - 15.59


def spanish_ease(text: str) -> float:
    """Fernández Huerta's ease of reading Spanish (1959): 206.84 − 60 syllables/word − 1.02 words/sentence."""
    sentences, words = sentences_and_words(text)
    return 206.84 - 60.0 * sum(map(spanish_syllables, words)) / len(words) - 1.02 * len(words) / sentences
