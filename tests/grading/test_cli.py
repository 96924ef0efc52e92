"""The grader's command plays a call, grades a record, prints a path, and says one clear line for a mistake."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import msgspec
import pytest

import blowerdata
from blowerbench import load_equipment, load_faults
from blowerbench.circuit import Pin
from blowerbench.record import read_record
from blowergrade import cli
from blowergrade.sheet import Sheet

FAULT = "wall_G_open"
FILES = ("call.jsonl", "score-sheet.html", "score-sheet.json")


@pytest.fixture(scope="module")
def played(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder in which the short demo has been played."""
    folder = tmp_path_factory.mktemp("demo")
    assert cli.main(["demo", "--fast", "--out", str(folder)]) == 0
    return folder


def test_the_demo_tells_the_call_in_sentences_and_writes_the_three_files(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.main(["demo", "--fast", "--fault", FAULT, "--out", str(tmp_path)]) == 0
    said = capsys.readouterr()
    assert said.err == ""
    record = read_record(tmp_path / FILES[0])
    assert record.damage == "" and len(record.lines) > 20
    for line in record.lines:
        assert f"{line.clock // 60}:{line.clock % 60:02d}  " in said.out
    for words in ("The customer says:", "Status: heat on standby.", "Stated the diagnosis:", "Passed: 100 of 100 points."):
        assert words in said.out
    for name in FILES:
        assert (tmp_path / name).stat().st_size > 0 and str(tmp_path / name) in said.out
    sheet = msgspec.json.decode((tmp_path / FILES[2]).read_bytes(), type=Sheet)
    assert (sheet.passed, sheet.fault, sheet.record_head, sheet.violations) == (True, FAULT, record.head, ())
    assert (tmp_path / FILES[1]).read_text(encoding="utf-8") == sheet.html()


def test_a_second_demo_overwrites_nothing_and_gives_the_same_bytes(played: Path) -> None:
    before = {name: (played / name).read_bytes() for name in FILES}
    assert cli.main(["demo", "--fast", "--out", str(played)]) == 0
    assert {name: (played / name).read_bytes() for name in FILES} == before
    assert (played / "score-sheet-2.json").read_bytes() == before["score-sheet.json"]
    assert (played / "score-sheet-2.html").read_bytes() == before["score-sheet.html"]
    assert (played / "call-2.jsonl").read_bytes() == before["call.jsonl"]


def test_another_process_with_another_order_of_sets_gives_the_same_bytes(played: Path, tmp_path: Path) -> None:
    command = [sys.executable, "-m", "blowergrade.cli", "demo", "--fast", "--out", str(tmp_path)]
    for order in ("1", "2"):
        subprocess.run(command, env={**os.environ, "PYTHONHASHSEED": order}, capture_output=True, check=True)
    for name in FILES:
        for made in (name, name.replace(".", "-2.")):
            assert (tmp_path / made).read_bytes() == (played / name).read_bytes()


def test_grading_the_record_again_gives_the_demos_own_sheet(played: Path, tmp_path: Path) -> None:
    assert cli.main(["grade", str(played / "call.jsonl"), "--fault", FAULT, "--out", str(tmp_path / "new")]) == 0
    assert (tmp_path / "new" / "call-score-sheet.json").read_bytes() == (played / "score-sheet.json").read_bytes()
    assert (tmp_path / "new" / "call-score-sheet.html").exists()


def test_a_torn_record_is_graded_as_far_as_it_goes_and_the_sheet_says_so(
    played: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    torn = tmp_path / "torn.jsonl"
    torn.write_bytes((played / "call.jsonl").read_bytes()[:-40])
    assert cli.main(["grade", str(torn), "--fault", FAULT]) == 0
    assert "the record is damaged" in capsys.readouterr().out
    assert "the record is damaged" in (tmp_path / "torn-score-sheet.html").read_text(encoding="utf-8")


def test_the_default_story_runs_on_the_reference_source_and_not_on_its_harness() -> None:
    fault = load_faults(load_equipment(cli.EQUIPMENT)).faults[cli.STORY]
    assert fault.correction == "control_harness" and "runs on the reference source" in fault.sees


@pytest.mark.parametrize("name", blowerdata.names("equipment"))
def test_every_unit_has_a_story_of_a_pin_and_a_fast_one(name: str) -> None:
    equipment = load_equipment(name)
    catalogue = load_faults(equipment)
    fault = catalogue.faults[cli.default_story(equipment, catalogue, fast=False)]
    part = equipment.network.parts[fault.target[0]]
    assert isinstance(part, Pin) and fault.when is None and fault.correction != "no_fault_found"
    if equipment.source:
        assert part.connector == equipment.source["connector"]
        assert fault.correction in cli.command_harness(equipment, catalogue)
    else:
        assert cli.command_harness(equipment, catalogue) == set()
    short = catalogue.faults[cli.default_story(equipment, catalogue, fast=True)]
    assert min(len(catalogue.hypotheses(c)) for c in short.complaints) <= min(
        len(catalogue.hypotheses(c)) for c in fault.complaints
    )


def test_a_demo_of_another_unit_plays_that_unit(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    name = "outdoor_fan_240"
    assert cli.main(["demo", "--fast", "--equipment", name, "--out", str(tmp_path)]) == 0
    assert read_record(tmp_path / FILES[0]).header.equipment == name
    assert load_equipment(name).title in capsys.readouterr().out
    assert load_equipment(name).title in (tmp_path / FILES[1]).read_text(encoding="utf-8")


def test_the_path_of_a_unit_without_a_door_switch_does_not_speak_of_one(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["path", "breaker_trips", "--equipment", "outdoor_fan_240"]) == 0
    said = capsys.readouterr().out
    assert "possible causes" in said and "door switch" not in said


def test_the_path_of_a_complaint_ends_in_one_correction_unit_on_every_branch(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["path", "breaker_trips"]) == 0
    said = capsys.readouterr().out
    catalogue = load_faults(load_equipment(cli.EQUIPMENT))
    leaves = [line.strip() for line in said.splitlines() if line.strip().startswith("= ")]
    for hypothesis in catalogue.hypotheses("breaker_trips"):
        assert sum(str(hypothesis) in leaf for leaf in leaves) == 1
    assert said.count("? ") >= 1 and " or " not in "".join(leaves)


@pytest.mark.parametrize(
    ("arguments", "names"),
    [
        (["demo", "--fault", "gremlins"], "gremlins"),
        (["demo", "--fault", "short_R_C_cable/7"], "short_R_C_cable/1"),
        (["demo", "--fault", "short_R_C_cable/x"], "short_R_C_cable/0"),
        (["demo", "--fault", ""], "blowerbench faults"),
        (["path", "it_sings"], "nothing_blows"),
        (["path", "nothing_blows", "--equipment", "steam_engine"], "steam_engine"),
        (["demo", "--equipment", "missing.toml"], "missing.toml"),
        (["check-equipment", "missing.toml"], "missing.toml"),
        (["compare", "missing.csv"], "missing.csv"),
        (["grade", "no-such-file.jsonl", "--fault", FAULT], "no-such-file.jsonl"),
        (["grade", ".", "--fault", FAULT], "call record"),
    ],
)
def test_a_mistake_gets_one_line_and_exit_code_2(
    arguments: list[str], names: str, capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    assert cli.main(arguments) == 2
    said = capsys.readouterr()
    assert names in said.err and said.err.startswith("blowergrade: ") and said.err.count("\n") == 1
    assert said.out == "" and list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("content", [b"", b"not a record\n", b"\xff\xfe\x00", b'{"chain":"x","body":{}}\n'])
def test_a_file_that_is_no_record_gets_one_line(content: bytes, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "mine.jsonl"
    file.write_bytes(content)
    assert cli.main(["grade", str(file), "--fault", FAULT]) == 2
    said = capsys.readouterr().err
    assert "mine.jsonl" in said and said.count("\n") == 1


def test_a_record_of_another_fault_is_refused_with_the_act_that_differs(
    played: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.main(["grade", str(played / "call.jsonl"), "--fault", "transformer_primary_open"]) == 2
    assert "act " in capsys.readouterr().err
    assert not (played / "call-score-sheet.json").exists()


def test_an_output_folder_that_is_a_file_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "x").write_text("mine", encoding="utf-8")
    assert cli.main(["demo", "--fast", "--out", str(tmp_path / "x")]) == 2
    assert cli.main(["demo", "--fast", "--out", str(tmp_path / "x" / "y")]) == 2
    assert capsys.readouterr().err.count("\n") == 2
    assert (tmp_path / "x").read_text(encoding="utf-8") == "mine"


def test_no_command_shows_the_usage(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as stop:
        cli.main([])
    assert stop.value.code == 2 and "usage: blowergrade" in capsys.readouterr().err
