"""From lesson text to notebook.

Rule: the source of a lesson is MyST text; a notebook is built, never edited. The same text gives the same
bytes: cell ids are the cell's own name or ``SLUG-NUMBER``, outputs are empty, no program version is named.
What a learner gets holds no answers: those lie in `answers/`, and only `solved` puts them in.
"""

from __future__ import annotations

import ast
import json
import re
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from importlib.resources import files
from importlib.resources.abc import Traversable
from typing import Any

import jupytext

from blowerbench.errors import BenchError
from blowerbench.messages import translate as t
from blowerlessons import cautions, reading, skills

#: What every lesson must say about itself, and the type of it.
FRONT_MATTER: dict[str, type] = {
    "title": str,
    "learner": str,
    "prerequisites": list,
    "minutes": int,
    "objectives": list,
    "sources": list,  # ids of sources.toml
    "reading_level": str,
    "skills": list,  # names of skills.SKILLS; exercises count for the first unless they say otherwise
    "cautions": list,  # ids of cautions.CAUTIONS, printed at the end
}
#: Numbers with a unit that stand in the prose and do not come from the simulation: number to id of sources.toml.
PUBLISHED = "published"
#: The first and the last heading of a lesson, by language.
HEADINGS = {"en": ("The problem", "In short"), "es": ("El problema", "En resumen")}
#: How a source was used (sources.toml, `how`).
WAYS = ("read", "secondary", "memory", "practice")

#: The methods of an open lesson that check an answer.
CHECKS = ("check", "choose", "predict", "foresee")

_CELL_ID = re.compile(r"[A-Za-z0-9_-]{1,64}")


class LessonError(BenchError):
    """A lesson's text that can't be built; says the file, the place and the remedy."""


@dataclass(frozen=True, slots=True)
class Source:
    """A published source, or a rule of the trade: how to cite it, and how it was used (one of `WAYS`)."""

    cite: str
    how: str

    def told(self, language: str = "en") -> str:
        """The citation, and a word about how far it was checked where it was not read for this course."""
        ways = {
            "read": "",
            "secondary": t("as quoted by another source", language),
            "memory": t("from memory: check the current text", language),
            "practice": t("no published source", language),
        }
        return f"{self.cite} ({ways[self.how]})" if ways[self.how] else self.cite


@dataclass(frozen=True, slots=True)
class Lesson:
    """One lesson: its file's name without the ending, what it says about itself, and its text."""

    name: str
    about: Mapping[str, Any]
    text: str

    @property
    def key(self) -> str:
        """The name without the language: what answers and progress know it by."""
        return self.name.partition(".")[0]

    @property
    def language(self) -> str:
        """The language tag of the text: "en", or what stands after the name, as in ``01-title.es.md``."""
        return self.name.partition(".")[2] or "en"

    @property
    def slug(self) -> str:
        """The short name that cell ids begin with: the key without its number."""
        return self.key.partition("-")[2] if self.key[:1].isdigit() else self.key

    @property
    def prose(self) -> str:
        """The running text: no front matter, no code, no marks."""
        text = re.sub(r"```.*?```", " ", self.text.split("---\n", 2)[2], flags=re.S)
        return re.sub(r"[*`>#_]", "", text)

    @property
    def words(self) -> int:
        """How many words the running text has."""
        return len(re.findall(r"[^\W\d_]+", self.prose))

    @property
    def headings(self) -> tuple[str, ...]:
        """The headings of its sections, in order."""
        text = re.sub(r"```.*?```", " ", self.text, flags=re.S)
        return tuple(h.strip() for h in re.findall(r"^## (.+)$", text, flags=re.M))


def _package() -> Traversable:
    return files("blowerlessons")


def _texts(number: str = "") -> list[Traversable]:
    course = _package().joinpath("course").iterdir()
    return sorted((f for f in course if f.name.endswith(".md") and f.name.startswith(number)), key=lambda f: f.name)


def lessons() -> tuple[Lesson, ...]:
    """The course's lessons in the order of their files; raises `LessonError` for one that does not say what it must."""
    return tuple(parse_lesson(f.name.removesuffix(".md"), f.read_text(encoding="utf-8")) for f in _texts())


def names() -> tuple[str, ...]:
    """The names of the course's lessons, their language with them, in order; no text is read."""
    return tuple(f.name.removesuffix(".md") for f in _texts())


def keys() -> tuple[str, ...]:
    """The names of the course's lessons without their language, in order; no text is read."""
    return tuple(dict.fromkeys(name.partition(".")[0] for name in names()))


def sources() -> dict[str, Source]:
    """The sources that lessons cite, by id; raises `LessonError` naming an entry that is not whole."""
    found = {}
    for name, entry in tomllib.loads(_package().joinpath("sources.toml").read_text(encoding="utf-8")).items():
        if not isinstance(entry, dict) or set(entry) != {"cite", "how"} or entry["how"] not in WAYS:
            raise LessonError(f"sources.toml: [{name}] needs 'cite' and 'how', which is one of {', '.join(WAYS)}")
        found[name] = Source(str(entry["cite"]), str(entry["how"]))
    return found


def parse_lesson(name: str, text: str) -> Lesson:
    """The lesson in `text`; raises `LessonError` naming `name`, the entry and the remedy."""
    about = jupytext.reads(text, fmt="md:myst").metadata.get("lesson")
    if not isinstance(about, dict):
        raise LessonError(f"{name}: no entry 'lesson' in the front matter; begin with one, as the other lessons do")
    for key, kind in FRONT_MATTER.items():
        if not isinstance(about.get(key), kind) or not about[key]:
            raise LessonError(f"{name}: front matter lesson.{key} must be a {kind.__name__} that is not empty")
    lesson = Lesson(name, about, text)
    _check_names(lesson)
    _check_headings(lesson)
    return lesson


def _check_names(lesson: Lesson) -> None:
    published = lesson.about.get(PUBLISHED) or {}
    if not isinstance(published, dict):
        raise LessonError(f"{lesson.name}: front matter lesson.{PUBLISHED} must be a mapping: number with unit to source id")
    cited = sources()
    for key, named, known in (
        ("skills", lesson.about["skills"], tuple(skills.SKILLS)),
        ("cautions", lesson.about["cautions"], cautions.CAUTIONS),
        ("sources", lesson.about["sources"], tuple(cited)),
        (PUBLISHED, published.values(), tuple(cited)),
    ):
        for name in named:
            if name not in known:
                raise LessonError(f"{lesson.name}: front matter lesson.{key} names {name!r}; known are {', '.join(known)}")


def _check_headings(lesson: Lesson) -> None:
    if lesson.language not in HEADINGS:
        raise LessonError(f"{lesson.name}: no lessons in language {lesson.language!r}; there are {', '.join(HEADINGS)}")
    first, last = HEADINGS[lesson.language]
    found = lesson.headings
    if not found or found[0] != first:
        raise LessonError(f"{lesson.name}: the first section must be '## {first}': a lesson begins with a problem")
    if found[-1] != last:
        raise LessonError(f"{lesson.name}: the last section must be '## {last}'; the build adds the cautions after it")


def lesson_numbered(number: str, language: str = "en") -> Lesson:
    """The lesson whose name begins with `number`, in `language` or else in English; raises `LessonError`."""
    texts = {f.name.removesuffix(".md"): f for f in _texts(f"{number}-")}
    found = {name.partition(".")[2] or "en": name for name in texts}
    if "en" not in found:
        raise LessonError(f"no lesson {number!r}; the course has {', '.join(names())}")
    name = found.get(language, found["en"])
    return parse_lesson(name, texts[name].read_text(encoding="utf-8"))


def _header(lesson: Lesson) -> str:
    about, language = lesson.about, lesson.language
    length = t("{0} min, about {1} words. Reading level: {2} ({3}).", language).format(
        about["minutes"], round(lesson.words, -2), about["reading_level"], _measured(lesson)
    )
    cited = sources()
    lists = (
        (t("Skills", language), [skills.title(s, language) for s in about["skills"]]),
        (t("After this lesson you can", language), about["objectives"]),
        (t("Before you start", language), about["prerequisites"]),
        (t("Sources", language), [cited[s].told(language) for s in about["sources"]]),
    )
    lines = [f"# {about['title']}", "", f"*{about['learner']}*", "", length, ""]
    for title, entries in lists:
        lines += [f"**{title}**", "", *(f"- {entry}" for entry in entries), ""]
    return "\n".join(lines).rstrip()


def _measured(lesson: Lesson) -> str:
    """What the formula of the lesson's language says of its prose."""
    if lesson.language == "es":
        told = t("Fernández Huerta formula: {0} of 100, more is easier", lesson.language)
        return told.format(round(reading.spanish_ease(lesson.prose)))
    return t("Flesch-Kincaid formula: grade {0}", lesson.language).format(max(1, round(reading.grade(lesson.prose))))


def cautions_section(lesson: Lesson) -> str:
    """The lesson's cautions as Markdown, those of an English lesson in Spanish too, and what they defer to."""

    def block(language: str) -> list[str]:
        said = [cautions.caution(name, language) for name in lesson.about["cautions"]]
        return [*(line for call, rest in said for line in (f"> **{call}** {rest}", "")), cautions.defer(language)]

    lines = [f"## {t('Cautions', lesson.language)}", "", *block(lesson.language)]
    if lesson.language == "en":
        lines += ["", "<details><summary>En español</summary>", "", *block("es"), "", "</details>"]
    return "\n".join(lines)


def notebook(lesson: Lesson, answers: Mapping[str, str] | None = None) -> dict[str, Any]:
    """The notebook of `lesson` as JSON values (nbformat 4.5); `answers`, by cell name, fill its exercises."""
    read = jupytext.reads(lesson.text, fmt="md:myst")
    cells: list[dict[str, Any]] = [_cell("markdown", f"{lesson.slug}-about", _header(lesson), {})]
    for number, cell in enumerate(read.cells, 1):
        metadata = dict(cell.metadata)
        name = str(metadata.pop("name", f"{lesson.slug}-{number}"))
        tags = {"tags": sorted(metadata["tags"])} if metadata.get("tags") else {}
        cells.append(_cell(cell.cell_type, name, cell.source, tags))
    cells.append(_cell("markdown", f"{lesson.slug}-cautions", cautions_section(lesson), {}))
    cells.append(_cell("code", f"{lesson.slug}-next", "lesson.where()", {}))
    _check_ids(lesson, [c["id"] for c in cells])
    for name, source in (answers or {}).items():
        found = [c for c in cells if c["id"] == name]
        if not found or "exercise" not in found[0]["metadata"].get("tags", ()):
            raise LessonError(f"{lesson.name}: an answer for {name!r}, which is no exercise of this lesson")
        found[0]["source"] = source.splitlines(keepends=True)
    return {
        "cells": cells,
        "metadata": {
            "kernelspec": {"display_name": "Python 3", "language": "python", "name": "python3"},
            "language_info": {"name": "python"},
        },
        "nbformat": 4,
        "nbformat_minor": 5,
    }


def _cell(kind: str, name: str, source: str, metadata: dict[str, Any]) -> dict[str, Any]:
    made: dict[str, Any] = {
        "cell_type": kind,
        "id": name,
        "metadata": metadata,
        "source": source.splitlines(keepends=True),
    }
    if kind == "code":
        made |= {"execution_count": None, "outputs": []}
    return made


def _check_ids(lesson: Lesson, names: list[str]) -> None:
    twice = sorted({n for n in names if names.count(n) > 1})
    if twice:
        raise LessonError(f"{lesson.name}: cell name {twice[0]!r} stands twice; give each cell its own")
    for name in names:
        if not _CELL_ID.fullmatch(name):
            raise LessonError(f"{lesson.name}: cell name {name!r}; use up to 64 letters, digits, - and _")


def as_bytes(built: Mapping[str, Any]) -> bytes:
    """A notebook's file: UTF-8 JSON with sorted keys, an indent of one, and a line end."""
    return (json.dumps(built, ensure_ascii=False, indent=1, sort_keys=True) + "\n").encode()


def build() -> Iterator[tuple[str, bytes]]:
    """Name and content of every notebook that a learner gets."""
    for lesson in lessons():
        yield f"{lesson.name}.ipynb", as_bytes(notebook(lesson))


def exercises_of(lesson: Lesson) -> tuple[tuple[str, str], ...]:
    """The exercises and predictions of `lesson` in order: what its check calls it ("1", "p1"), and the skill it counts for."""
    found = []
    for cell in jupytext.reads(lesson.text, fmt="md:myst").cells:
        if "check" in cell.metadata.get("tags", ()):
            found += [(name, skill or str(lesson.about["skills"][0])) for name, skill in _checked(cell.source)]
    return tuple(found)


def _checked(source: str) -> Iterator[tuple[str, str]]:
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute) and node.func.attr in CHECKS and node.args:
            skill = [k.value.value for k in node.keywords if k.arg == "skill" and isinstance(k.value, ast.Constant)]
            if isinstance(node.args[0], ast.Constant):
                yield str(node.args[0].value), str(skill[0]) if skill else ""


def answers_of(lesson: Lesson) -> dict[str, str]:
    """The solved exercises of `lesson`, in its language where its choices are words: cell name to source."""
    folder = _package().joinpath("answers")
    own = folder.joinpath(f"{lesson.name}.toml")
    text = (own if own.is_file() else folder.joinpath(f"{lesson.key}.toml")).read_text(encoding="utf-8")
    return {name: str(source) for name, source in tomllib.loads(text)["exercises"].items()}


def solved(lesson: Lesson) -> dict[str, Any]:
    """The notebook of `lesson` with every exercise solved: for tests and instructors, not for learners."""
    return notebook(lesson, answers_of(lesson))
