"""The paper bench: its answers are the bench's, its pages can be read, and a written call is graded as any other."""

from __future__ import annotations

import io
import random
from pathlib import Path

import pypdf
import pytest
from small_class import COMPLAINT, FAULT, FURNACE

from blowerbench import LocalBench
from blowerbench.faults import Hypothesis
from blowerbench.messages import perceived
from blowerbench.observation import Accepted
from blowerbench.record import read_record
from blowergrade.classwork import paper
from blowergrade.classwork.paper import Paper, PaperError, answers, make_paper, play, write_paper
from blowergrade.cli import main
from blowergrade.path import table_for
from blowergrade.score import grade_record


@pytest.fixture(scope="module")
def call() -> Paper:
    return make_paper(FURNACE, FAULT, COMPLAINT)


@pytest.fixture(scope="module")
def told(call: Paper) -> tuple[str, ...]:
    return answers(call)


def test_every_answer_is_what_the_bench_shows_for_those_acts(call: Paper, told: tuple[str, ...]) -> None:
    assert len(told) == len(call.questions) > 20 and all(told)
    dice = random.Random(3)
    for question in dice.sample(call.questions, 8):
        bench = LocalBench(FURNACE, Hypothesis(FAULT), COMPLAINT, variant="paper")
        tests = table_for(bench.equipment, bench.session.catalogue, COMPLAINT)
        done = [bench.act(act) for act in (*tests.setups[question.mode], *question.test.acts)]
        last = next(d for d in reversed(done) if isinstance(d, Accepted))
        said = " ".join(perceived(last.observation, "en", bench.equipment))
        assert told[question.number - 1] in said


def test_the_pages_hold_every_question_and_only_the_instructors_holds_the_answers(
    call: Paper, told: tuple[str, ...], tmp_path: Path
) -> None:
    sheet, key = write_paper(call, tmp_path, progress=False)
    texts = [
        " ".join(" ".join(p.extract_text().split()) for p in pypdf.PdfReader(io.BytesIO(f.read_bytes())).pages)
        for f in (sheet, key)
    ]
    for text in texts:
        assert f" {len(call.questions)} " in text and "local codes" in text
    assert "G wire open in the wall" in texts[1] and "G wire open" not in texts[0] and FAULT not in texts[0]
    volts = [a.split(": ")[1] for a in told if a.startswith("AC volts: ") and not a.startswith("AC volts: 0")]
    assert volts and all(v.rstrip(".") in texts[1] for v in volts[:5])


def test_a_written_call_along_the_best_path_earns_full_isolation(call: Paper, tmp_path: Path) -> None:
    tests = table_for(*_unit(), COMPLAINT)
    numbers, alive, mode = [], tests.mask(tests.hypotheses), "as_found"
    true = tests.mask([Hypothesis(FAULT)])
    while (test := tests.best(alive, mode)) is not None:
        numbers.append(next(q.number for q in call.questions if q.test == test))
        row = next(r for r in tests.rows if r.test == test)
        alive, mode = next(g for g in tests.split(alive, row) if g & true), test.mode
    lines = [*map(str, numbers), "# a remark", "", "declare thermostat cable"]
    play(call, lines, tmp_path / "c.jsonl")
    sheet = grade_record(read_record(tmp_path / "c.jsonl"), Hypothesis(FAULT))
    found = next(p for p in sheet.parts if p.name == "isolation")
    assert found.tenths == found.of and sheet.entailed and not sheet.violations


def _unit() -> tuple[object, object]:
    bench = LocalBench(FURNACE, Hypothesis(FAULT), COMPLAINT)
    return bench.equipment, bench.session.catalogue


@pytest.mark.parametrize(
    ("lines", "why"),
    [(["x"], "line 1: 'x' is no question"), (["1", "9999"], "line 2"), (["declare luck"], "no part luck|no part 'luck'")],
)
def test_a_line_that_says_nothing_is_named(call: Paper, tmp_path: Path, lines: list[str], why: str) -> None:
    with pytest.raises(PaperError, match=why):
        play(call, lines, tmp_path / "c.jsonl")


def test_what_can_t_be_put_on_paper_is_named() -> None:
    with pytest.raises(PaperError, match="it leads to"):
        make_paper(FURNACE, FAULT, "smell")


def test_the_command_writes_both_pages_and_grades_a_written_call(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    start = ["class", "paper", FURNACE, FAULT, COMPLAINT, "--out", str(tmp_path / "p")]
    (tmp_path / "asked.txt").write_text("1\n2\ndeclare wall_cable\n")
    assert main([*start, "--asked", str(tmp_path / "asked.txt")]) == 0
    assert "Isolation:" in capsys.readouterr().out and (tmp_path / "p" / "asked.html").is_file()
    assert main([*start, "--asked", str(tmp_path / "asked.txt")]) == 2
    assert "is there already" in capsys.readouterr().err
    assert read_record(tmp_path / "p" / "asked.jsonl").header.assignment == paper.ASSIGNMENT
