"""The apprentice's command says one clear line for a mistake and does what its help says."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

import blowerdata
from blowerbench import cli, load_equipment, load_faults

NAME = "furnace_120_constant_airflow"


def test_faults_lists_every_fault_of_every_shipped_unit(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["faults"]) == 0
    said = capsys.readouterr().out
    for name in cli.shipped_equipment():
        for fault in load_faults(load_equipment(name)).faults:
            assert f"  {fault} " in said


def test_faults_of_one_unit_and_of_an_unknown_one(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["faults", NAME]) == 0
    assert cli.main(["faults", "steam_engine"]) == 2
    said = capsys.readouterr()
    assert "steam_engine" in said.err and said.err.count("\n") == 1 and "Traceback" not in said.err


def test_a_good_equipment_file_is_called_good(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["equipment", str(blowerdata.path("equipment", f"{NAME}.toml"))]) == 0
    assert capsys.readouterr().out.startswith(f"{NAME}: good.")


@pytest.mark.parametrize(
    ("old", "new", "names"),
    [
        ('to = "inducer" }', 'to = "nowhere" }', "nowhere"),
        ('awg = 14, length = "18 m"', 'awg = 14, length = "18 kg"', "feed_line"),
        ("[[complaint]]\nid", "[[complaint]\nid", "TOML"),
        ('when = ["heat", "pressure"]', 'when = ["heat", "presure"]', "presure"),
    ],
)
def test_a_bad_equipment_file_gets_one_line_that_names_the_place(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], old: str, new: str, names: str
) -> None:
    text = blowerdata.path("equipment", f"{NAME}.toml").read_text(encoding="utf-8")
    assert old in text
    (tmp_path / "mine.toml").write_text(text.replace(old, new, 1), encoding="utf-8")
    assert cli.main(["equipment", str(tmp_path / "mine.toml")]) == 2
    said = capsys.readouterr().err
    assert names in said and said.startswith("blowerbench: ") and said.count("\n") == 1


def test_course_hands_the_folder_to_the_installed_course(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    class Entry:
        value = "a_course:make"

        def load(self) -> Callable[[Path, Callable[[str], None]], None]:
            return lambda folder, report: report(f"made {folder}")

    monkeypatch.setattr(cli, "entry_points", lambda group: [Entry()] if group == "blowerbench.course" else [])
    assert cli.main(["course", str(tmp_path / "x")]) == 0
    assert capsys.readouterr().out == f"made {tmp_path / 'x'}\n"


def test_course_without_a_course_says_how_to_get_one(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(cli, "entry_points", lambda group: [])
    assert cli.main(["course", "x"]) == 2
    assert "install the whole distribution" in capsys.readouterr().err


def test_no_command_or_an_unknown_one_shows_the_usage(capsys: pytest.CaptureFixture[str]) -> None:
    for arguments in ([], ["fly"]):
        with pytest.raises(SystemExit) as stop:
            cli.main(arguments)
        assert stop.value.code == 2
    assert "usage: blowerbench" in capsys.readouterr().err
