"""Lessons: same text, same bytes; each runs from a clean kernel; each check can fail and can pass."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

import nbformat
import pytest
from nbclient import NotebookClient

from blowerlessons.build import (
    Lesson,
    LessonError,
    answers_of,
    as_bytes,
    build,
    lessons,
    notebook,
    parse_lesson,
    solved,
)

ROOT = Path(__file__).resolve().parents[2]
LESSONS = lessons()


def read_notebook(text: str) -> Any:
    """`text` as a checked notebook."""
    read: Any = nbformat.reads(text, as_version=4)
    return read


def name_of(lesson: Lesson) -> str:
    return lesson.name


def tagged(built: dict[str, Any], tag: str) -> list[dict[str, Any]]:
    return [c for c in built["cells"] if tag in c["metadata"].get("tags", ())]


def run(built: dict[str, Any], folder: Path) -> Any:
    """`built` executed in a kernel of its own, with `folder` as its working directory."""
    (folder / "records").mkdir(exist_ok=True)
    read = read_notebook(as_bytes(built).decode())
    client = NotebookClient(read, timeout=240, kernel_name="python3", resources={"metadata": {"path": str(folder)}})
    paths = os.pathsep.join(str(ROOT / p) for p in ("datasets", "widgets", "grading", "lessons"))
    client.execute(env={**os.environ, "PYTHONPATH": paths, "OMP_NUM_THREADS": "1"})
    return read


def verdicts(executed: Any) -> dict[str, bool]:
    """Whether each check of an executed notebook passed, by cell id."""
    found = {}
    for cell in executed.cells:
        if "check" in cell.metadata.get("tags", ()):
            text = "".join(o.data["text/plain"] for o in cell.outputs if o.output_type == "execute_result")
            assert text[:1] in ("✔", "✘"), (cell.id, cell.outputs)
            found[cell.id] = text.startswith("✔")
    return found


def test_two_builds_in_two_processes_are_byte_for_byte_the_same() -> None:
    code = "from hashlib import sha256; from blowerlessons.build import build\n"
    code += "print([(name, sha256(data).hexdigest()) for name, data in build()])"
    paths = os.pathsep.join(str(ROOT / p) for p in ("datasets", "widgets", "grading", "lessons"))
    said = [
        subprocess.run(
            [sys.executable, "-c", code],
            capture_output=True,
            text=True,
            check=True,
            env={**os.environ, "PYTHONPATH": paths, "PYTHONHASHSEED": seed},
        ).stdout
        for seed in ("1", "2")
    ]
    assert said[0] == said[1] and "01-working-safely" in said[0]


def test_every_notebook_is_valid_and_has_stable_ids_and_no_outputs() -> None:
    for name, data in build():
        read = read_notebook(data.decode())
        nbformat.validate(read)
        ids = [c.id for c in read.cells]
        assert len(set(ids)) == len(ids), name
        assert all(c.get("outputs", []) == [] and c.get("execution_count") is None for c in read.cells), name
        assert b"jupytext" not in data, name


@pytest.mark.parametrize("lesson", LESSONS, ids=name_of)
def test_every_exercise_has_a_check_right_after_it_and_one_answer(lesson: Lesson) -> None:
    built = notebook(lesson)
    exercises, checks = (
        [c["id"] for c in tagged(built, "exercise")],
        [c["id"] for c in tagged(built, "check")],
    )
    assert exercises and checks == [f"{e}-check" for e in exercises]
    assert set(answers_of(lesson)) == set(exercises)
    order = [c["id"] for c in built["cells"]]
    assert all(order.index(f"{e}-check") == order.index(e) + 1 for e in exercises)
    assert all("..." in "".join(c["source"]) for c in tagged(built, "exercise"))


@pytest.mark.slow
@pytest.mark.parametrize("lesson", LESSONS, ids=name_of)
def test_the_untouched_lesson_runs_and_every_check_fails(lesson: Lesson, tmp_path: Path) -> None:
    found = verdicts(run(notebook(lesson), tmp_path))
    assert len(found) >= 3 and not any(found.values()), found


@pytest.mark.slow
@pytest.mark.parametrize("lesson", LESSONS, ids=name_of)
def test_the_solved_lesson_runs_and_every_check_passes(lesson: Lesson, tmp_path: Path) -> None:
    found = verdicts(run(solved(lesson), tmp_path))
    assert len(found) >= 3 and all(found.values()), found


def prose(lesson: Lesson) -> str:
    """The lesson's running text without code, front matter and marks."""
    text = lesson.text.split("---\n", 2)[2]
    text = re.sub(r"```.*?```", " ", text, flags=re.S)
    return re.sub(r"[*`>#_]", "", text)


@pytest.mark.parametrize("lesson", LESSONS, ids=name_of)
def test_no_reading_of_the_simulation_is_typed_into_the_prose(lesson: Lesson) -> None:
    # Every number with a unit in the text must be a published or rated value named here with its source.
    published = {
        "50 V",  # 29 CFR 1910.333(a)(1)
        "114 to 126 V",  # ANSI C84.1 Range A
        "40 VA",
        "24 V",  # the transformer's rating in the equipment file
        "120 V",  # nominal supply
    }
    found = set(re.findall(r"\d[\d.]*(?: to \d[\d.]*)? (?:mV|kV|V|VA|mA|A|W|ohm|kohm|Mohm|Hz)\b", prose(lesson)))
    assert found <= published, found - published


def syllables(word: str) -> int:
    groups = len(re.findall(r"[aeiouy]+", word.lower()))
    return max(1, groups - (word.lower().endswith("e") and not word.lower().endswith("le")))


@pytest.mark.parametrize("lesson", LESSONS, ids=name_of)
def test_the_prose_keeps_to_its_stated_reading_level(lesson: Lesson) -> None:
    # Flesch-Kincaid grade: 0.39 words/sentence + 11.8 syllables/word − 15.59 (US Navy report 8-75, 1975).
    text = re.sub(r"\n(?=\d\.|\n|- )", ". ", prose(lesson))
    sentences = [s for s in re.split(r"[.!?:]+\s", text) if re.search(r"[A-Za-z]{2}", s)]
    words = re.findall(r"[A-Za-z]+", text)
    grade = 0.39 * len(words) / len(sentences) + 11.8 * sum(map(syllables, words)) / len(words) - 15.59
    assert lesson.about["reading_level"] == "about US school grade 8"
    assert grade <= 9.0, grade


@pytest.mark.parametrize("lesson", LESSONS, ids=name_of)
def test_every_lesson_prints_its_cautions(lesson: Lesson) -> None:
    text = prose(lesson).lower().replace("\n", " ")
    for caution in (
        "lock",
        "tag",
        "prove",
        "door switch",
        "capacitors bite",
        "gas smell",
        "local codes",
        "instructions",
        "licensed",
    ):
        assert caution in text, caution


def test_a_lesson_that_says_too_little_about_itself_is_refused_by_name() -> None:
    text = LESSONS[0].text
    with pytest.raises(LessonError, match=r"x: front matter lesson\.minutes must be a int"):
        parse_lesson("x", text.replace("minutes: 60", "minutes: soon"))
    with pytest.raises(LessonError, match="no entry 'lesson'"):
        parse_lesson("x", "# only text\n")
    with pytest.raises(LessonError, match="stands twice"):
        notebook(parse_lesson("x", text.replace("name: power-2\n", "name: power-1\n")))
    with pytest.raises(LessonError, match="no exercise"):
        notebook(LESSONS[0], {"power-setup": "x = 1"})
