"""Style and types are checked like anything else."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
MOST_LINES = 650  # a module that is longer holds more than one idea
SOURCES = sorted(
    file
    for folder in ("datasets", "widgets", "grading", "lessons", "tests")
    for file in (ROOT / folder).rglob("*.py")
    if ".ipynb_checkpoints" not in file.parts
)
EXEMPTION = re.compile(
    r"#\s*(?:noqa(?::\s*[A-Z0-9, ]+)?|type:\s*ignore(?:\[[^]]*\])?|pragma:\s*no cover)(.*)$"
)


def run_tool(*command: str) -> str:
    """What the tool says when it finds fault, an empty text when it finds none."""
    done = subprocess.run(
        [sys.executable, "-m", *command], cwd=ROOT, capture_output=True, text=True, check=False
    )
    return "" if done.returncode == 0 else done.stdout + done.stderr


def without_a_reason(source: str) -> list[int]:
    """The lines whose exemption from a check has no reason beside it."""
    return [
        number
        for number, line in enumerate(source.splitlines(), 1)
        if (match := EXEMPTION.search(line)) and not re.search(r"\w{2}", match[1])
    ]


def test_ruff_finds_no_fault() -> None:
    found = run_tool("ruff", "check", "--no-cache", "--output-format=concise", ".")
    assert not found, found


@pytest.mark.slow
def test_every_source_is_strictly_typed() -> None:
    found = run_tool("mypy", "--no-error-summary")
    assert not found, found


@pytest.mark.parametrize("file", SOURCES, ids=lambda file: file.relative_to(ROOT).as_posix())
def test_a_module_says_what_it_is_for_and_holds_one_idea(file: Path) -> None:
    source = file.read_text(encoding="utf-8")
    assert source.startswith('"""'), "begins with what the module is for"
    assert len(source.splitlines()) < MOST_LINES
    assert without_a_reason(source) == []


def test_an_exemption_without_a_reason_would_be_seen() -> None:
    mark = "# no" + "qa"  # taken apart, so that this very line is none
    assert without_a_reason(f"x = 1  {mark}: E741\ny = 2  {mark}: E741  the formula's own letter\nz = 3") == [
        1
    ]
