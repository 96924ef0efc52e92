"""The small class that the tests of class work share: its roster, its assignment, and how a hand-in is played."""

from __future__ import annotations

import shutil
from pathlib import Path

from blowerbench.homework import open_assignment
from blowergrade.classwork.codes import read_codes
from blowergrade.classwork.folder import ClassFolder
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
