"""A record scores the same in a year: a frozen archive of calls and sheets, one for each version that scored otherwise.

A change of scores fails here until `blowergrade.score.VERSION` is raised, a new archive is made (calls.py) and DEVELOPERS.md
has a note. The sheets are this program's own, which is what the check is about: it compares it with itself, later.
"""

from __future__ import annotations

import hashlib
import zipfile
from pathlib import Path

import msgspec
import pytest
from archive.calls import Call
from sampling import sampled

from blowerbench.faults import Hypothesis
from blowerbench.record import read_record
from blowergrade.score import VERSION, grade_record
from blowergrade.sheet import Sheet

HERE = Path(__file__).parent
ARCHIVES = {f.stem.removeprefix("scores-"): f for f in sorted(HERE.glob("scores-*.zip"))}
#: SHA-256 of each archive as it was released: nobody writes one again.
RELEASED = {"1": "098b6842ae324ab089d487d0d6390f78935de1c0358e7dce163d829e45e5a06f"}
NOTES = (HERE.parents[1] / "DEVELOPERS.md").read_text(encoding="utf-8")


def calls(version: str) -> tuple[Call, ...]:
    with zipfile.ZipFile(ARCHIVES[version]) as archive:
        return msgspec.json.decode(archive.read("calls.json"), type=tuple[Call, ...])


def test_this_version_has_an_archive_and_every_archive_a_note() -> None:
    assert VERSION in ARCHIVES, f"make one: python tests/archive/calls.py {VERSION}"
    assert {v: hashlib.sha256(f.read_bytes()).hexdigest() for v, f in ARCHIVES.items()} == RELEASED
    assert all(f"Scores, version {v}" in NOTES for v in ARCHIVES)


@pytest.mark.parametrize("index", sampled(18) if VERSION in ARCHIVES else [])
def test_a_kept_record_gets_the_sheet_that_it_had(index: int, tmp_path: Path) -> None:
    call = calls(VERSION)[index]
    fault, _, severity = call.fault.partition("/")
    with zipfile.ZipFile(ARCHIVES[VERSION]) as archive:
        for name in (f"{call.name}.jsonl", "rubric.toml"):
            archive.extract(name, tmp_path)
        before = archive.read(f"{call.name}.sheet.json")
    record = read_record(tmp_path / f"{call.name}.jsonl")
    after = grade_record(record, Hypothesis(fault, int(severity)), str(tmp_path / "rubric.toml"))
    assert after.tenths == msgspec.json.decode(before, type=Sheet).tenths
    assert after.json() == before, "the sheet says something else: raise VERSION, make its archive, write a note"


@pytest.mark.parametrize("version", ARCHIVES)
def test_every_archive_can_still_be_read(version: str, tmp_path: Path) -> None:
    with zipfile.ZipFile(ARCHIVES[version]) as archive:
        archive.extractall(tmp_path)
    assert len(calls(version)) == 18
    for call in calls(version):
        record = read_record(tmp_path / f"{call.name}.jsonl")
        sheet = msgspec.json.decode((tmp_path / f"{call.name}.sheet.json").read_bytes(), type=Sheet)
        assert not record.damage and (record.head, sheet.version) == (sheet.record_head, version)
