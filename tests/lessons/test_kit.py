"""The instructor's kit and what is printed: whole, readable, safe against any text, and never in a student's folder."""

from __future__ import annotations

import csv
import io
from pathlib import Path
from typing import Any

import pypdf
import pytest

import blowerdata
from blowerbench.equipment import load_equipment
from blowerbench.faults import load_faults
from blowergrade import typeset
from blowergrade.cli import main
from blowergrade.typeset import TypesetError
from blowerlessons import glossary, kit, misconceptions, plans
from blowerlessons.assigned import practice_calls
from blowerlessons.build import Lesson, answers_of, lesson_numbered, lessons
from blowerlessons.cautions import CAUTIONS, caution
from blowerlessons.handouts import cautions_sheet, handout, section
from blowerlessons.misconceptions import MisconceptionError, parse
from blowerlessons.workspace import make_workspace


def text_of(data: bytes) -> str:
    """The text of a PDF with single blanks, as another program reads it."""
    pages = pypdf.PdfReader(io.BytesIO(data)).pages
    return " ".join(" ".join(page.extract_text().split()) for page in pages)


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return kit.make_kit(tmp_path_factory.mktemp("kit") / "kit", report=lambda _: None)


# ---------------------------------------------------------------------- handouts
@pytest.mark.parametrize("lesson", lessons(), ids=lambda x: x.name)
@pytest.mark.parametrize("paper", typeset.PAPERS)
def test_a_handout_is_a_page_or_two_and_says_what_its_lesson_says(lesson: Lesson, paper: str) -> None:
    data = handout(lesson, paper)
    read = pypdf.PdfReader(io.BytesIO(data))
    assert 1 <= len(read.pages) <= 2
    width, height = (float(x) for x in read.pages[0].mediabox[2:])
    # ANSI/ASME Y14.1 letter 8.5 x 11 in; ISO 216 A4 210 x 297 mm, in points of 1/72 in.
    wanted = (612.0, 792.0) if paper == "us-letter" else (595.28, 841.89)
    assert (width, height) == pytest.approx(wanted, abs=0.5)
    text = text_of(data)
    assert str(lesson.about["title"])[:20] in text
    for goal in lesson.about["objectives"]:
        assert goal.split()[0] in text
    for name in lesson.about["cautions"]:
        assert caution(name, lesson.language)[0].rstrip(".,")[:25] in text


def test_a_pdf_is_tagged_has_a_title_a_language_and_its_fonts_inside() -> None:
    # What PDF/UA-1 (ISO 14289-1) asks for first: tags, title shown, language; typst refuses to make one otherwise.
    read = pypdf.PdfReader(io.BytesIO(handout(lesson_numbered("02"))))
    root: Any = read.trailer["/Root"]
    assert root["/MarkInfo"]["/Marked"] and root["/Lang"].startswith("en") and "/StructTreeRoot" in root
    pages: Any = read.pages
    fonts = [f.get_object() for page in pages for f in page["/Resources"]["/Font"].values()]
    inner = [f["/DescendantFonts"][0].get_object() if "/DescendantFonts" in f else f for f in fonts]
    assert fonts and all(any(k.startswith("/FontFile") for k in f["/FontDescriptor"]) for f in inner)


def test_the_same_handout_has_the_same_bytes() -> None:
    assert handout(lesson_numbered("04")) == handout(lesson_numbered("04"))


def test_the_sheet_of_cautions_holds_all_in_both_languages() -> None:
    text = text_of(cautions_sheet())
    for name in CAUTIONS:
        for language in ("en", "es"):
            assert caution(name, language)[0].split()[0] in text
    assert "codes" in text and "digos" in text


@pytest.mark.parametrize(
    "text", ['#panic("x")', "$1/0$", "*bold* _it_", "`raw`", "[x](y)", "\\\\ \" # @ < > ~", "#{ 1 }", "= Head", "/* x */"]
)
def test_any_text_is_printed_and_none_is_run(text: str) -> None:
    printed = text_of(typeset.pdf(f"#{typeset.quoted(text)};", "t", "en"))
    assert [c for c in text if c.isalnum()] == [c for c in printed if c.isalnum()][: sum(c.isalnum() for c in text)]


def test_markdown_of_every_kind_is_typeset() -> None:
    source = "# H\n\ntext **bold** *it* `code` [link](http://x)\n\n- a\n- b\n\n1. c\n\n> quote\n\n"
    source += "| x | y |\n|---|---|\n| 1 | 2 |\n\n```\ncode\n```\n"
    text = text_of(typeset.pdf(typeset.content(source), "t", "en"))
    assert all(word in text for word in ("H", "bold", "link", "quote", "code", "x", "2"))
    assert "http" not in text


def test_a_paper_or_section_that_is_not_there_is_named() -> None:
    with pytest.raises(TypesetError, match="us-letter or a4"):
        typeset.pdf("x", "t", "en", "legal")
    with pytest.raises(TypesetError, match="no section"):
        section(lesson_numbered("02"), "Nothing")


# ---------------------------------------------------------------------- kit
def test_the_kit_holds_handouts_keys_solved_notebooks_plans_and_tables(made: Path) -> None:
    found = {p.relative_to(made).as_posix() for p in made.rglob("*") if p.is_file() and not p.name.startswith(".")}
    names = [x.name for x in lessons()]
    assert found == {
        *(f"handouts/{n}.pdf" for n in names), "handouts/cautions.pdf", *(f"answers/{n}-solved.ipynb" for n in names),
        "answers/answer-key.pdf", "glossary.pdf", "lesson-plans.md", "lesson-plans.pdf", "misconceptions.csv",
    }  # fmt: skip


def test_the_answer_key_names_every_exercise_and_every_calls_fault(made: Path) -> None:
    text = text_of((made / "answers" / "answer-key.pdf").read_bytes()).replace(" ", "")
    for lesson in lessons():
        if lesson.language != "en":
            continue
        for call in practice_calls(lesson.key):
            assert f"({call.fault})".replace(" ", "") in text.replace("-", "") or call.fault.split("/")[0][:8] in text
        assert set(kit.questions(lesson)) == set(answers_of(lesson))


def test_nothing_of_a_kit_lies_in_a_students_folder(made: Path, tmp_path: Path) -> None:
    student = make_workspace(tmp_path / "course", lambda _: None)
    theirs = {p.read_bytes() for p in student.rglob("*") if p.is_file()}
    mine = [p for p in made.rglob("*") if p.is_file() and p.name != ".course.json"]
    assert not [p.name for p in mine if p.read_bytes() in theirs]
    assert not list(student.rglob("*answer*")) + list(student.rglob("*plans*")) + list(student.rglob("*solved*"))


def test_what_an_instructor_changed_in_the_kit_is_kept(made: Path) -> None:
    plan = made / "lesson-plans.md"
    plan.write_text("mine")
    kit.make_kit(made, report=lambda _: None)
    assert plan.read_text() == "mine"


def test_the_command_writes_the_kit_and_names_a_folder_that_it_can_t_use(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "file").write_text("x")
    assert main(["kit", str(tmp_path / "file")]) == 2
    assert "is a file" in capsys.readouterr().err


# ---------------------------------------------------------------------- plans, misconceptions, glossary
def test_the_minutes_of_a_plan_add_up_to_those_of_its_lesson() -> None:
    for lesson in lessons():
        minutes = int(lesson.about["minutes"])
        assert sum(m for _, m in plans.timing(minutes)) == minutes and all(m > 0 for _, m in plans.timing(minutes))
        if lesson.language == "en":
            assert f"{minutes} minutes" in plans.plan(lesson)


def test_the_guides_table_of_minutes_is_that_of_the_lessons() -> None:
    guide = (Path(kit.__file__).parent / "guides" / "instructor.md").read_text(encoding="utf-8")
    for lesson in lessons():
        row = f"| {int(lesson.key[:2])} "
        assert row in guide
        cells = [c.strip() for c in guide[guide.index(row) :].split("|")[1:3]]
        assert cells[1] == str(lesson.about["minutes"]), lesson.name


def test_every_catalogued_fault_exposes_a_misconception_and_every_misconception_has_a_lesson() -> None:
    found = {pair for m in misconceptions.misconceptions() for pair in m.faults}
    every = {(n, f) for n in blowerdata.names("equipment") for f in load_faults(load_equipment(n)).faults}
    assert found == every
    numbers = {x.key[:2] for x in lessons()}
    ids = [m.id for m in misconceptions.misconceptions()]
    assert len(ids) == len(set(ids))
    assert all(m.lesson in numbers and m.upset_by[-1] in ".?" for m in misconceptions.misconceptions())
    rows = list(csv.DictReader(io.StringIO(misconceptions.as_csv().decode("utf-8-sig"))))
    assert len(rows) == len(every) and all(r["exposes"] and r["ask"] for r in rows)


def test_a_misconception_that_names_what_is_not_there_is_refused_by_name() -> None:
    faults = {"furnace_120_serial": ["no_such"]}
    row = {"id": "a", "lesson": "01", "believes": "x", "tempting": "y", "upset_by": "z", "faults": faults}
    with pytest.raises(MisconceptionError, match="a: no such fault: furnace_120_serial: no_such"):
        parse({"misconception": [row]})
    with pytest.raises(MisconceptionError, match="a: tempting missing"):
        parse({"misconception": [row | {"tempting": ""}]})
    with pytest.raises(MisconceptionError, match="begin with one"):
        parse({})


def test_the_glossary_is_sorted_unique_short_and_its_guide_is_up_to_date() -> None:
    found = glossary.terms()
    names = [x.term.lower() for x in found]
    assert len(found) >= 70 and names == sorted(names) and len({x.id for x in found}) == len(found)
    numbers = {x.key[:2] for x in lessons()}
    for x in found:
        assert x.lesson in numbers and len(x.meaning.split()) <= 22, x
        assert x.meaning.endswith(".") and x.meaning_es.endswith("."), x
    guide = (Path(kit.__file__).parent / "guides" / "glossary.md").read_text(encoding="utf-8")
    assert guide == glossary.guide(), "run: python -c 'from blowerlessons.glossary import guide; print(guide(), end=\"\")'"
    assert "limit" in text_of(glossary.glossary_pdf())
