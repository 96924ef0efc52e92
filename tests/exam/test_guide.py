"""The guide for an exam tells of commands that there are, and of what the pages say."""

from __future__ import annotations

import shlex
from importlib.resources import files

from blowergrade.cli import _parser
from blowergrade.exam.planning import parse_candidates

GUIDE = files("blowerlessons").joinpath("guides").joinpath("exam.md").read_text(encoding="utf-8")
#: Steps that a school can't do without, or will be asked for.
STEPS = {
    "forms", "new", "slips", "serve", "status", "close", "check", "results", "decide", "release", "completions", "receipt",
    "appeal",
}  # fmt: skip


def blocks() -> list[str]:
    """The guide's blocks of code, each with its language in the first line."""
    return GUIDE.split("```")[1::2]


def test_every_command_of_the_exam_guide_is_one_that_the_program_takes() -> None:
    lines = [x for block in blocks() for x in block.splitlines() if x.startswith("blowergrade ")]
    assert len(lines) >= 16
    for line in lines:
        options = _parser().parse_args(shlex.split(line)[1:])
        assert callable(options.run), line
    told = {line.split()[2] for line in lines if line.startswith("blowergrade exam ")}
    assert told | {"close"} == STEPS and "`blowergrade exam close may-2027`" in GUIDE


def test_the_guides_list_of_candidates_is_read_as_its_table_says() -> None:
    text = next(b for b in blocks() if b.startswith("text\n")).removeprefix("text\n")
    found = {one.id: one for one in parse_candidates(text)}
    assert found["c02"].accommodation.extra_percent == 25 and found["c02"].accommodation.breaks
    assert found["c03"].language == "es" and found["c03"].accommodation.room == "room 12"
    assert found["c03"].accommodation.print_percent == 150 and found["c01"].accommodation.words() == ()


def test_the_guides_buttons_are_those_of_the_pages() -> None:
    desk = files("blowergrade.exam").joinpath("pages").joinpath("proctor.js").read_text(encoding="utf-8")
    for name in ("Let candidates begin", "Let in again", "Begin a break", "End the break", "End this exam", "Give minutes",
                 "Close the sitting"):  # fmt: skip
        assert f"*{name}*" in GUIDE and f'"{name}"' in desk, name
