"""The capstone's ten calls: rising, unseen, on every unit, of every competency, the same after a restart, told by no file."""

from __future__ import annotations

from pathlib import Path

import pytest

import blowerdata
from blowerbench.equipment import load_equipment
from blowerbench.faults import load_faults
from blowerlessons import capstone
from blowerlessons.capstone import LEVELS, CapstoneError, calls, draw, in_lessons, verdict


@pytest.mark.parametrize("seed", range(6))
def test_ten_calls_rise_are_unseen_and_cover_units_and_competencies(seed: int) -> None:
    met = in_lessons()
    ten = draw(seed, met)
    faults = [load_faults(load_equipment(c.equipment)).faults[c.fault.partition("/")[0]] for c in ten]
    assert tuple(f.difficulty for f in faults) == LEVELS == tuple(sorted(LEVELS))
    assert not {(c.equipment, c.fault.partition("/")[0]) for c in ten} & met
    assert {c.equipment for c in ten} == set(blowerdata.names("equipment"))
    every = {f.competency for n in blowerdata.names("equipment") for f in load_faults(load_equipment(n)).faults.values()}
    assert {f.competency for f in faults} == every
    assert len({(c.equipment, f.correction) for c, f in zip(ten, faults, strict=True)}) == 10
    assert all(c.complaint in f.complaints for c, f in zip(ten, faults, strict=True))


def test_two_seeds_give_two_sets_and_one_seed_always_the_same() -> None:
    met = in_lessons()
    assert draw(1, met) == draw(1, met) != draw(2, met)


def test_a_folder_keeps_its_ten_whatever_is_met_later_and_names_none_of_them(tmp_path: Path) -> None:
    first = calls(tmp_path)
    met_later = {(c.equipment, c.fault.partition("/")[0]) for c in first}
    assert calls(tmp_path, met_later) == first
    text = (tmp_path / capstone.FILE).read_text()
    assert not any(c.fault.partition("/")[0] in text for c in first)


def test_what_was_met_before_the_first_time_is_left_out(tmp_path: Path) -> None:
    other = {(c.equipment, c.fault.partition("/")[0]) for c in calls(tmp_path / "a")}
    assert not other & {(c.equipment, c.fault.partition("/")[0]) for c in calls(tmp_path / "b", other)}


@pytest.mark.parametrize("text", ["", "{", "[]", '{"format": 9}', '{"format": 1, "salt": "x", "calls": ["a"]}'])
def test_a_damaged_file_is_moved_aside_and_ten_are_drawn_anew(tmp_path: Path, text: str) -> None:
    (tmp_path / capstone.FILE).write_text(text)
    assert len(calls(tmp_path)) == 10
    assert (tmp_path / f"{capstone.FILE}.damaged").read_text() == text


def test_an_update_of_the_lessons_leaves_the_ten_as_they_are(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    first = calls(tmp_path)
    monkeypatch.setattr(capstone, "in_lessons", lambda: frozenset({("furnace_120_serial", "data_wire_open")}))
    monkeypatch.setattr(capstone, "draw", lambda *_: pytest.fail("nothing is drawn anew"))
    assert calls(tmp_path) == first


def test_where_nothing_can_be_written_ten_are_drawn_all_the_same(tmp_path: Path) -> None:
    (tmp_path / "records").write_text("a file in the way")
    assert len(calls(tmp_path / "records")) == 10


def test_too_few_faults_are_named() -> None:
    everything = frozenset(
        (n, f) for n in blowerdata.names("equipment") for f in load_faults(load_equipment(n)).faults
    )
    with pytest.raises(CapstoneError, match="too few"):
        draw(1, everything)


def test_what_passes_is_seven_of_ten_with_a_clean_second_half() -> None:
    good, bad, unsafe = (True, False), (False, False), (False, True)
    assert verdict([good] * 9) == "open"
    assert verdict([bad] * 3 + [good] * 7) == "passed"
    assert verdict([bad] * 4 + [good] * 6) == "not yet"
    assert verdict([unsafe] * 3 + [good] * 7) == "passed"
    assert verdict([good] * 9 + [unsafe]) == "not yet"


def test_a_folder_without_calls_says_so(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    capstone.tell_results(tmp_path)
    assert capsys.readouterr().out.count("open") == 11
