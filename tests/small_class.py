"""The small class that the tests of class work share: its roster, its assignment, and how a hand-in is played."""

from __future__ import annotations

import shutil
from pathlib import Path

import msgspec

from blowerbench.homework import open_assignment
from blowergrade.classwork.codes import read_codes
from blowergrade.classwork.folder import ClassFolder
from blowergrade.classwork.grading import grade_class
from blowergrade.classwork.outcome import Outcome
from blowergrade.technicians import Technician

NAME = "fan-call"
FURNACE, FAULT, COMPLAINT = "furnace_120_constant_airflow", "wall_G_open", "no_fan_new_thermostat"
ROSTER = """id,name,email,language
s01,Ada Example,ada@example.org,en
s02,Ben Muster,ben@example.org,es
s03,"=HYPERLINK(""x"")",,en
s04,"<script>alert(1)</script> ../../etc",,en
"""
#: Those who have handed in.
PLAYED = ("s01", "s02")


def play(folder: ClassFolder, student: str, name: str = NAME, technician: type[Technician] = Technician) -> Path:
    """Let `technician` play the hand-in of `student`, as the released notebook would; returns its folder."""
    place = folder.root / "submitted" / student / name
    shutil.rmtree(place, ignore_errors=True)
    shutil.copytree(folder.root / "release" / name, place)
    code = read_codes(folder.private)[student]
    bench = open_assignment(place / "sealed.json", code, place / "call.jsonl")
    technician(bench).work()
    bench.close()
    return place


def graded(folder: ClassFolder) -> ClassFolder:
    """The class with all that was handed in graded: s01 and s02 passed, s03 and s04 are missing."""
    grade_class(folder, NAME, processes=1, progress=False)
    return folder


def outcome(folder: ClassFolder, student: str) -> Outcome:
    """The outcome of `student`, which must be there."""
    found = folder.outcome(student, NAME)
    assert found is not None
    return found


def waits(folder: ClassFolder, student: str, reason: str) -> Outcome:
    """Keep and return an outcome of `student` that waits for a person."""
    made = Outcome(1, student, NAME, "manual", reason=reason, when="2027-03-01T10:00:00+00:00")
    folder.keep_outcome(made)
    return made


def crowd(folder: ClassFolder, names: list[str], **changed: object) -> ClassFolder:
    """The class with the students `names` (ids m000 on), each with an outcome like that of s01."""
    first, assignment = outcome(folder, "s01"), folder.assignment(NAME)
    quoted = [name.replace('"', '""') for name in names]
    lines = [f'm{k:03d},"{name}"\n' for k, name in enumerate(quoted)]
    (folder.root / "roster.csv").write_text("id,name\n" + "".join(lines), encoding="utf-8")
    one = assignment.assigned[0]
    assigned = tuple(msgspec.structs.replace(one, student=f"m{k:03d}", entry=f"{k:032x}") for k in range(len(names)))
    folder.keep_assignment(msgspec.structs.replace(assignment, assigned=assigned))
    for k in range(len(names)):
        folder.keep_outcome(msgspec.structs.replace(first, student=f"m{k:03d}", **changed))
    return folder
