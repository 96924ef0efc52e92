"""From lesson text to notebook.

Rule: the source of a lesson is MyST text; a notebook is built, never edited. The same text gives the same
bytes: cell ids are the cell's own name or ``SLUG-NUMBER``, outputs are empty, no program version is named.
What a learner gets holds no answers: those lie in `answers/`, and only `solved` puts them in.
"""

from __future__ import annotations

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
from blowerbench.messages import translate

#: What every lesson must say about itself, and the type of it.
FRONT_MATTER: dict[str, type] = {
    "title": str,
    "learner": str,
    "prerequisites": list,
    "minutes": int,
    "objectives": list,
    "sources": list,
    "reading_level": str,
}

_CELL_ID = re.compile(r"[A-Za-z0-9_-]{1,64}")


class LessonError(BenchError):
    """A lesson's text that can't be built; says the file, the place and the remedy."""


@dataclass(frozen=True, slots=True)
class Lesson:
    """One lesson: its file's name without the ending, what it says about itself, and its text."""

    name: str
    about: Mapping[str, Any]
    text: str

    @property
    def slug(self) -> str:
        """The short name that cell ids begin with: the file's name without its number."""
        return self.name.partition("-")[2] if self.name[:1].isdigit() else self.name


def _package() -> Traversable:
    return files("blowerlessons")


def lessons() -> tuple[Lesson, ...]:
    """The course's lessons in their order; raises `LessonError` for one that does not say what it must."""
    sources = sorted((f for f in _package().joinpath("course").iterdir() if f.name.endswith(".md")), key=lambda f: f.name)
    return tuple(parse_lesson(f.name.removesuffix(".md"), f.read_text(encoding="utf-8")) for f in sources)


def parse_lesson(name: str, text: str) -> Lesson:
    """The lesson in `text`; raises `LessonError` naming `name`, the entry and the remedy."""
    about = jupytext.reads(text, fmt="md:myst").metadata.get("lesson")
    if not isinstance(about, dict):
        raise LessonError(f"{name}: no entry 'lesson' in the front matter; begin with one, as the other lessons do")
    for key, kind in FRONT_MATTER.items():
        if not isinstance(about.get(key), kind) or not about[key]:
            raise LessonError(f"{name}: front matter lesson.{key} must be a {kind.__name__} that is not empty")
    return Lesson(name, about, text)


def _header(lesson: Lesson) -> str:
    about = lesson.about
    lines = [
        f"# {about['title']}",
        "",
        f"*{about['learner']} {about['minutes']} min. Reading level: {about['reading_level']}.*",
        "",
    ]
    for title, key in (
        ("After this lesson you can", "objectives"),
        ("Before you start", "prerequisites"),
        ("Sources", "sources"),
    ):
        lines += [f"**{translate(title)}**", "", *(f"- {entry}" for entry in about[key]), ""]
    return "\n".join(lines).rstrip()


def notebook(lesson: Lesson, answers: Mapping[str, str] | None = None) -> dict[str, Any]:
    """The notebook of `lesson` as JSON values (nbformat 4.5); `answers`, by cell name, fill its exercises."""
    read = jupytext.reads(lesson.text, fmt="md:myst")
    cells: list[dict[str, Any]] = [_cell("markdown", f"{lesson.slug}-about", _header(lesson), {})]
    for number, cell in enumerate(read.cells, 1):
        metadata = dict(cell.metadata)
        name = str(metadata.pop("name", f"{lesson.slug}-{number}"))
        cells.append(
            _cell(
                cell.cell_type,
                name,
                cell.source,
                {"tags": sorted(metadata["tags"])} if metadata.get("tags") else {},
            )
        )
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


def answers_of(lesson: Lesson) -> dict[str, str]:
    """The solved exercises of `lesson`: cell name to source."""
    text = _package().joinpath("answers", f"{lesson.name}.toml").read_text(encoding="utf-8")
    return {name: str(source) for name, source in tomllib.loads(text).items()}


def solved(lesson: Lesson) -> dict[str, Any]:
    """The notebook of `lesson` with every exercise solved: for tests and instructors, not for learners."""
    return notebook(lesson, answers_of(lesson))
