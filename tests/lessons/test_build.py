"""Lessons: same text, same bytes; each keeps the format; each runs from a clean kernel; each check can fail and can pass."""

from __future__ import annotations

import re
import subprocess
import sys
from collections import Counter
from hashlib import sha256
from importlib.resources import files
from pathlib import Path
from typing import Any

import nbformat
import pytest
from lesson_texts import (
    CAPSTONE,
    NAMES,
    PACKAGES,
    code_of,
    lesson_named,
    numbers,
    read_notebook,
    run,
    tagged,
    verdicts,
    wordless,
)
from sampling import sampled

from blowerbench import LocalBench, load_equipment, load_faults
from blowergrade.score import grade_bench
from blowergrade.technicians import Technician
from blowergrade.wording import hypothesis_named
from blowerlessons import cautions
from blowerlessons.assigned import PracticeCall, practice_calls
from blowerlessons.build import (
    LessonError,
    answers_of,
    build,
    exercises_of,
    keys,
    lesson_numbered,
    lessons,
    notebook,
    parse_lesson,
    solved,
    sources,
)
from blowerlessons.reading import grade, spanish_ease, spanish_syllables, syllables
from blowerlessons.skills import SKILLS

ENGLISH = tuple(n for n in NAMES if "." not in n)
TEACHING = tuple(n for n in ENGLISH if not n.startswith(CAPSTONE))
CALLS = [(name, n, call) for name in ENGLISH for n, call in enumerate(practice_calls(name), 1)]


# ---------------------------------------------------------------------- the course as a whole
def test_the_course_has_thirteen_lessons_and_the_first_in_spanish() -> None:
    assert [k[:2] for k in keys()] == [f"{n:02d}" for n in range(1, 14)]
    assert {n for n in NAMES if n not in ENGLISH} == {f"{ENGLISH[0]}.es"}
    assert [x.name for x in lessons()] == list(NAMES)


def test_two_builds_in_two_processes_are_byte_for_byte_the_same() -> None:
    code = "from hashlib import sha256; from blowerlessons.build import build\n"
    code += "print([(name, sha256(data).hexdigest()) for name, data in build()])"
    said = [
        subprocess.run(
            [sys.executable, "-c", code],
            capture_output=True,
            text=True,
            check=True,
            env={"PYTHONPATH": PACKAGES, "PYTHONHASHSEED": hashes, "PATH": ""},
        ).stdout
        for hashes in ("1", "2")
    ]
    here = [(name, sha256(data).hexdigest()) for name, data in build()]
    assert said[0] == said[1] == f"{here}\n"
    assert [name for name, _ in here] == [f"{n}.ipynb" for n in NAMES]


def test_every_notebook_is_valid_and_has_stable_ids_and_no_outputs() -> None:
    for name, data in build():
        read = read_notebook(data.decode())
        nbformat.validate(read)
        ids = [c.id for c in read.cells]
        assert len(set(ids)) == len(ids), name
        assert all(c.get("outputs", []) == [] and c.get("execution_count") is None for c in read.cells), name
        assert b"jupytext" not in data, name


def test_every_source_is_cited_by_a_lesson() -> None:
    cited = {
        s for n in NAMES for s in (*lesson_named(n).about["sources"], *(lesson_named(n).about.get("published") or {}).values())
    }
    assert set(sources()) == cited


def test_answers_hold_nothing_but_the_lessons_files() -> None:
    folder = files("blowerlessons").joinpath("answers")
    assert {f.name for f in folder.iterdir()} - {f"{n}.toml" for n in NAMES if n not in ENGLISH} == {
        f"{n}.toml" for n in ENGLISH
    }


# ---------------------------------------------------------------------- the format of each
@pytest.mark.parametrize("name", NAMES)
def test_every_exercise_has_a_check_right_after_it_and_one_answer(name: str) -> None:
    lesson = lesson_named(name)
    built = notebook(lesson)
    exercises, checks = ([c["id"] for c in tagged(built, "exercise")], [c["id"] for c in tagged(built, "check")])
    assert exercises and checks == [f"{e}-check" for e in exercises]
    assert set(answers_of(lesson)) == set(exercises)
    order = [c["id"] for c in built["cells"]]
    assert all(order.index(f"{e}-check") == order.index(e) + 1 for e in exercises)
    assert all("= ..." in "".join(c["source"]) for c in tagged(built, "exercise"))
    # What a check calls an exercise is told once, and the prose asks under the same number.
    called = exercises_of(lesson)
    assert len(called) == len(dict(called)) == len(exercises)
    word = {"en": ("Exercise", "Prediction"), "es": ("Ejercicio", "Predicción")}[lesson.language]
    asked = re.findall(rf"\*\*({word[0]}|{word[1]}) (\d+)\.?\*\*", lesson.text)
    assert Counter(("p" if w == word[1] else "") + n for w, n in asked) == Counter(e for e, _ in called)
    assert {s for _, s in called} <= set(SKILLS)
    predictions = {c["id"] for c in tagged(built, "prediction")}
    assert len(predictions) == sum(e.startswith("p") for e, _ in called)


@pytest.mark.parametrize("name", NAMES)
def test_a_lesson_has_its_parts_and_enough_to_do(name: str) -> None:
    lesson = lesson_named(name)
    built = notebook(lesson)
    kinds = Counter("prediction" if e.startswith("p") else "exercise" for e, _ in exercises_of(lesson))
    shown = "\n".join(code_of(built).values())
    calls = [int(n) for n in re.findall(r"\blesson\.call\((\d+)\)", shown)]
    sheets = [int(n) for n in re.findall(r"\blesson\.sheet\((\d+)\)", shown)]
    if name.startswith(CAPSTONE):
        assert kinds["exercise"] >= 3
        assert calls == sheets == list(range(1, 11))
        return
    assert kinds["exercise"] >= 4 and kinds["prediction"] >= 2
    assert 2 <= len(calls) <= 4
    assert calls == sheets == list(range(1, 1 + len(practice_calls(lesson.key))))
    assert {"en": "Practice", "es": "Práctica"}[lesson.language] == lesson.headings[-2]
    assert 900 <= lesson.words <= 2400
    short = lesson.text[lesson.text.index(f"## {lesson.headings[-1]}") :]
    assert 5 <= len(re.findall(r"^[-*] ", short, flags=re.M)) <= 10


def both_ends(span: str) -> set[str]:
    """A range such as "1 to 2 V" as its two ends, "1 V" and "2 V"; of a single number itself."""
    ends = re.fullmatch(r"([\d.,]+) (?:to|a) ([\d.,]+) (.+)", span)
    return {f"{ends[1]} {ends[3]}", f"{ends[2]} {ends[3]}"} if ends else {span}


@pytest.mark.parametrize("name", NAMES)
def test_no_reading_of_the_simulation_is_typed_into_the_prose(name: str) -> None:
    # Every number with a unit in the text is a published or rated value that the front matter names with its source.
    lesson = lesson_named(name)
    published = set(lesson.about.get("published") or {})
    assert [n for n in sorted(numbers(lesson.prose)) if not (n in published or both_ends(n) <= published)] == []
    prose = re.sub(r"\s+", " ", lesson.prose)
    assert [p for p in published if p not in prose] == [], "named in the front matter, but not in the prose"


@pytest.mark.parametrize("name", NAMES)
def test_the_prose_keeps_to_its_stated_reading_level_and_the_header_tells_its_length(name: str) -> None:
    lesson = lesson_named(name)
    if lesson.language == "es":
        # 60 to 70 is "normal", higher is easier (Fernández Huerta's table, from memory).
        assert spanish_ease(lesson.prose) >= 60.0
    else:
        assert lesson.about["reading_level"] == "about US school grade 8"
        assert grade(lesson.prose) <= 9.0
    header = "".join(notebook(lesson)["cells"][0]["source"])
    told = [int(n) for n in re.findall(r"(\d+) (?:words|palabras)", header)]
    assert len(told) == 1 and abs(told[0] - len(re.findall(r"[^\W\d_]+", lesson.prose))) <= 50
    assert str(lesson.about["minutes"]) in header and lesson.about["reading_level"] in header
    assert ("Flesch-Kincaid" in header) == (lesson.language == "en")


def test_syllables_are_counted_as_a_dictionary_divides_words() -> None:
    # Divisions of a general dictionary, from memory: single words may be one off, the sum not by a twentieth.
    english = {
        "meter": 2, "voltage": 2, "capacitor": 4, "measure": 2, "wire": 1, "switch": 1, "reading": 2, "disconnect": 3,
        "thermostat": 3, "neutral": 2, "terminal": 3, "unit": 2, "blower": 2, "furnace": 2, "safety": 2, "technician": 3,
        "the": 1, "because": 2, "between": 2, "pressure": 2, "airflow": 2, "filter": 2, "before": 2, "customer": 3, "table": 2,
        "resistance": 3, "supply": 2, "circuit": 2, "open": 2, "closed": 1,
    }  # fmt: skip
    spanish = {
        "medidor": 3, "tierra": 2, "neutro": 2, "condensador": 4, "energía": 4, "aire": 2, "leer": 2, "guante": 2, "motor": 2,
        "tensión": 2, "llave": 2, "disyuntor": 3, "puerta": 2, "sopla": 2, "cable": 2, "seguridad": 4, "quitar": 2, "día": 2,
    }  # fmt: skip
    for words, count in ((english, syllables), (spanish, spanish_syllables)):
        assert sum(map(count, words)) == pytest.approx(sum(words.values()), rel=0.05)
        assert all(abs(count(w) - n) <= 1 for w, n in words.items())


def test_the_grade_is_what_the_formula_gives_by_hand() -> None:
    # 18 words of one syllable in three sentences: 0.39 × 6 + 11.8 × 1 − 15.59.
    assert grade("The cat sat on the mat. The dog ran to the cat. The cat ran up a tree.") == pytest.approx(-1.45)


@pytest.mark.parametrize("name", NAMES)
def test_every_lesson_ends_with_its_cautions_and_what_they_defer_to_and_with_the_next_step(name: str) -> None:
    lesson = lesson_named(name)
    built = notebook(lesson)
    text = "".join(built["cells"][-2]["source"])
    both = ("en", "es") if lesson.language == "en" else ("es",)
    assert len(lesson.about["cautions"]) >= 3
    for language in both:
        for caution in lesson.about["cautions"]:
            call, rest = cautions.caution(caution, language)
            assert f"> **{call}** {rest}" in text
        assert cautions.defer(language) in text
    if lesson.language == "en":
        for word in ("local codes", "instructions", "licensed", "<summary>En español</summary>"):
            assert word in text, word
    assert ("Work dead" in text) == ("work_dead" in lesson.about["cautions"] and lesson.language == "en")
    assert "".join(built["cells"][-1]["source"]) == "lesson.where()"


def test_every_caution_is_said_in_spanish() -> None:
    for name in cautions.CAUTIONS:
        assert all(en != es for en, es in zip(cautions.caution(name), cautions.caution(name, "es"), strict=True)), name
    assert cautions.defer() != cautions.defer("es")


# ---------------------------------------------------------------------- two languages
@pytest.mark.parametrize("name", [n for n in NAMES if n not in ENGLISH])
def test_a_translated_lesson_is_the_same_lesson(name: str) -> None:
    other = lesson_named(name)
    lesson = lesson_named(other.key)
    mine, theirs = code_of(notebook(lesson)), code_of(notebook(other))
    assert list(theirs) == list(mine)
    assert [n for n in mine if wordless(mine[n]) != wordless(theirs[n])] == []
    assert exercises_of(other) == exercises_of(lesson)
    assert len(other.headings) == len(lesson.headings)
    for key in ("minutes", "sources", "skills", "cautions"):
        assert other.about[key] == lesson.about[key], key
    assert len(other.about["objectives"]) == len(lesson.about["objectives"])
    assert all(other.about[key] != lesson.about[key] for key in ("title", "learner", "objectives", "reading_level"))


# ---------------------------------------------------------------------- calls
def test_no_fault_stands_in_two_lessons() -> None:
    counted = Counter((c.equipment, c.fault.partition("/")[0]) for name, _, c in CALLS if not name.startswith(CAPSTONE))
    assert [x for x, n in counted.items() if n > 1] == []


@pytest.mark.parametrize(("name", "number", "call"), CALLS, ids=lambda x: x.fault if isinstance(x, PracticeCall) else str(x))
def test_a_call_is_in_the_catalogue_and_no_harder_than_its_lesson(name: str, number: int, call: PracticeCall) -> None:
    fault = load_faults(load_equipment(call.equipment)).faults[call.fault.partition("/")[0]]
    assert call.complaint in fault.complaints
    assert fault.difficulty <= (3 if name < "09" else 4)
    assert hypothesis_named(call.fault).severity < max(1, len(fault.severities))
    assert call.teaches.endswith(".") and number >= 1


@pytest.mark.slow
@pytest.mark.parametrize("index", sampled(len(CALLS), 2))
def test_a_competent_technician_passes_every_call(index: int) -> None:
    name, number, call = CALLS[index]
    variant = f"lesson-{name[:2]}-{number}"
    bench = LocalBench(call.equipment, hypothesis_named(call.fault), call.complaint, variant=variant)
    Technician(bench).work()
    sheet = grade_bench(bench)
    assert sheet.passed and not sheet.violations, (call, sheet.notes)


# ---------------------------------------------------------------------- in a kernel
@pytest.mark.slow
@pytest.mark.parametrize("name", [NAMES[k] for k in sampled(len(NAMES), 3)])  # solved, all of them run each time
def test_the_untouched_lesson_runs_and_every_check_fails(name: str, tmp_path: Path) -> None:
    found = verdicts(run(notebook(lesson_named(name)), tmp_path))
    assert len(found) >= 3 and not any(found.values()), found


@pytest.mark.slow
@pytest.mark.parametrize("name", NAMES)
def test_the_solved_lesson_runs_and_every_check_passes(name: str, tmp_path: Path) -> None:
    executed = run(solved(lesson_named(name)), tmp_path)
    found = verdicts(executed)
    assert len(found) >= 3 and all(found.values()), found
    # Pictures have words for who can't see them; nothing goes to the error stream.
    for cell in executed.cells:
        for output in cell.get("outputs", ()):
            assert output.output_type != "stream" or output.name == "stdout", (cell.id, output.text)
            page = "".join(output.get("data", {}).get("text/html", ""))
            assert len(re.findall(r"<img", page)) == len(re.findall(r'<img[^>]* alt="[^"]{10,}"', page)), cell.id
            assert "image/png" not in output.get("data", {}), f"{cell.id}: a picture without alt text; use hands_on.show"


# ---------------------------------------------------------------------- refusals
def spoilt(**changes: Any) -> str:
    """A little lesson with entries of its front matter changed (None takes one out)."""
    about = {
        "title": "T", "learner": "L.", "prerequisites": ["p"], "minutes": 60, "objectives": ["o"], "sources": ["practice"],
        "reading_level": "about US school grade 8", "skills": ["safety"], "cautions": ["work_dead"], **changes,
    }  # fmt: skip
    body = about.pop("body", "## The problem\n\nText.\n\n## In short\n\n- Text.\n")
    front = "".join(f"  {k}: {v!r}\n" for k, v in about.items() if v is not None)
    return f"---\njupytext:\n  text_representation:\n    format_name: myst\nlesson:\n{front}---\n\n{body}"


CELL = "```{code-cell} ipython3\n---\nname: NAME\ntags: [exercise]\n---\nx = ...\n```\n\n"
WHOLE = "## The problem\n\n{}## In short\n\n- Text.\n"


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"minutes": "soon"}, r"x: front matter lesson\.minutes must be a int"),
        ({"title": None}, r"lesson\.title must be a str"),
        ({"sources": ["nobody"]}, r"lesson\.sources names 'nobody'; known are .*practice"),
        ({"skills": ["juggling"]}, r"lesson\.skills names 'juggling'; known are safety"),
        ({"cautions": ["dragons"]}, r"lesson\.cautions names 'dragons'; known are work_dead"),
        ({"published": {"5 V": "nobody"}}, r"lesson\.published names 'nobody'"),
        ({"published": ["5 V"]}, r"lesson\.published must be a mapping"),
        ({"body": "## In short\n\nText.\n"}, "first section must be '## The problem'"),
        ({"body": "Text.\n"}, "first section must be '## The problem'"),
        ({"body": "## The problem\n\n## In short\n\n## Cautions\n"}, "last section must be '## In short'"),
    ],
)
def test_a_lesson_that_says_too_little_or_the_unknown_is_refused_by_name(changes: dict[str, Any], message: str) -> None:
    assert parse_lesson("x", spoilt()).headings == ("The problem", "In short")
    with pytest.raises(LessonError, match=message):
        parse_lesson("x", spoilt(**changes))


def test_a_spanish_lesson_has_spanish_headings_and_no_other_language_is_taken() -> None:
    body = "## El problema\n\nTexto.\n\n## En resumen\n\n- Texto.\n"
    assert parse_lesson("01-x.es", spoilt(body=body)).language == "es"
    with pytest.raises(LessonError, match="'## El problema'"):
        parse_lesson("01-x.es", spoilt())
    with pytest.raises(LessonError, match="no lessons in language 'fr'"):
        parse_lesson("01-x.fr", spoilt())


def test_cells_that_can_not_be_told_apart_and_answers_without_an_exercise_are_refused() -> None:
    with pytest.raises(LessonError, match="no entry 'lesson'"):
        parse_lesson("x", "# only text\n")
    with pytest.raises(LessonError, match="'a-1' stands twice"):
        notebook(parse_lesson("x", spoilt(body=WHOLE.format(2 * CELL.replace("NAME", "a-1")))))
    with pytest.raises(LessonError, match=r"cell name 'a\.1'; use up to 64"):
        notebook(parse_lesson("x", spoilt(body=WHOLE.format(CELL.replace("NAME", "a.1")))))
    with pytest.raises(LessonError, match="no exercise"):
        notebook(parse_lesson("x", spoilt()), {"x-setup": "x = 1"})
    with pytest.raises(LessonError, match="no lesson '77'"):
        lesson_numbered("77")
