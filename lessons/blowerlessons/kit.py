"""The instructor's kit: handouts, answer keys, solved notebooks, plans and misconceptions, put into a folder.

Rule: nothing of it is ever in a student's workspace, and what an instructor changed in the kit is kept, as in a workspace.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

from blowerbench.equipment import load_equipment
from blowerbench.faults import load_faults
from blowerbench.messages import label
from blowergrade.typeset import content, pdf, quoted, table
from blowergrade.wording import hypothesis_named
from blowerlessons.build import Lesson, answers_of, as_bytes, lessons, notebook, solved
from blowerlessons.glossary import glossary_pdf
from blowerlessons.handouts import FOOT, handouts
from blowerlessons.lesson import PracticeCall, practice_calls
from blowerlessons.misconceptions import as_csv
from blowerlessons.plans import plans
from blowerlessons.workspace import bring_up_to_date


def contents(paper: str = "us-letter") -> Iterator[tuple[str, bytes]]:
    """Path inside the kit (with /) and content of every file."""
    for name, made in handouts(paper):
        yield f"handouts/{name}", made
    for lesson in lessons():
        yield f"answers/{lesson.name}-solved.ipynb", as_bytes(solved(lesson))
    yield "answers/answer-key.pdf", answer_key(paper)
    yield "glossary.pdf", glossary_pdf(paper)
    yield "lesson-plans.md", plans().encode()
    yield "lesson-plans.pdf", pdf(content(plans()), "Lesson plans", "en", paper, FOOT)
    yield "misconceptions.csv", as_csv()


def make_kit(folder: Path | str, paper: str = "us-letter", report: Callable[[str], None] = print) -> Path:
    """Put the kit into `folder` or bring it up to date, telling `report` what was done; returns the folder.

    Raises `WorkspaceError` for a folder that can't be used, `TypesetError` where a page can't be made.
    """
    made = bring_up_to_date(Path(folder), contents(paper), report, "Kit")
    report("Keep this folder to yourself: it holds every answer and every practice call's fault.")
    return made


# ---------------------------------------------------------------------- the key
def answer_key(paper: str = "us-letter") -> bytes:
    """Every exercise's question and solution and every practice call's fault, as a PDF."""
    body = '#heading(level: 1)[#"Answer key";]\n#block[#"For the instructor. Not for students.";]\n'
    body += "".join(_lesson(lesson) for lesson in lessons() if lesson.language == "en")
    return pdf(body, "Answer key", "en", paper, FOOT)


def _lesson(lesson: Lesson) -> str:
    made = f"#heading(level: 2)[#{quoted(lesson.key[:2].lstrip('0'))}; #{quoted(str(lesson.about['title']))};]\n"
    solutions = answers_of(lesson)
    for name, question in questions(lesson).items():
        made += f"#block(breakable: false)[{content(question)}#raw(block: true, {quoted(solutions[name])})]\n"
    calls = practice_calls(lesson.key)
    return made + (_calls(calls) if calls else "")


def questions(lesson: Lesson) -> dict[str, str]:
    """Exercise cell's name to the text of its question: the last paragraph before the cell."""
    found: dict[str, str] = {}
    before = ""
    for cell in notebook(lesson)["cells"]:
        text = "".join(cell["source"])
        if cell["cell_type"] == "markdown":
            before = text
        elif "exercise" in cell["metadata"].get("tags", ()):
            found[cell["id"]] = before.strip().split("\n\n")[-1]
    return found


def _calls(calls: tuple[PracticeCall, ...]) -> str:
    rows = []
    for number, call in enumerate(calls, 1):
        equipment = load_equipment(call.equipment)
        fault = load_faults(equipment).faults[hypothesis_named(call.fault).fault]
        units = ", ".join(label("unit", u, equipment) for u in (fault.correction, *fault.with_units))
        cells = (str(number), equipment.title, f"{fault.title} ({call.fault})", units, str(fault.difficulty), call.teaches)
        rows.append([f"#{quoted(cell)};" for cell in cells])
    head = [f"#{quoted(h)};" for h in ("call", "unit", "fault", "corrected at", "difficulty", "why it is here")]
    return table(head, rows, columns="(auto, 1.2fr, 1.5fr, 1.2fr, auto, 2fr)")
