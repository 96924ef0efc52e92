"""What lies in a school's office after an exam: results, a panel's ratings, gradings by hand. All of it invented.

Rule: everything is written out here, so that what the guides quote is the same on every machine.
"""

from __future__ import annotations

import csv
from collections.abc import Iterable, Sequence
from datetime import datetime
from importlib.resources import files
from pathlib import Path

from blowergrade.credentials.credential import Completion
from blowergrade.credentials.issuer import IssuerFolder, make_issuer
from blowergrade.statistics.table import CallResult, write_results

SCHOOL = "Harrow Lane Trade School"
TITLE = "Practical exam, May 2027"
#: What the exam tells the issuer of candidate c02, as `blowergrade exam completions` writes it.
COMPLETION = Completion(
    candidate="Mina Okafor", recipient="c02", recipient_kind="sourcedId", exam="Blower diagnosis, practical exam", form="A",
    day="2027-05-12", score="80", cut="80", measure="calls", safety_gate=True, program="blowergrade 1",
    record_head="d6b7f981b860fa7fba33634e013b53a6cb36efa0890e4bc0b90b54dc338e9db2",
)
TORQUE, SPLIT = "furnace_120_constant_torque", "furnace_120_split_capacitor"
#: The calls of each form, as a blueprint's forms name them: UNIT:FAULT/SEVERITY:COMPLAINT.
ITEMS = {
    "A": (f"{TORQUE}:power_line_open/0:no_air", f"{SPLIT}:high_pin_burnt/0:weak_in_summer",
          f"{TORQUE}:board_dead/0:since_lightning", f"{SPLIT}:fan_relay_sticks/0:never_rests",
          f"{SPLIT}:wheel_loose/1:weak_in_summer"),
    "B": (f"{TORQUE}:power_neutral_open/0:no_air", f"{SPLIT}:transformer_primary_open/0:no_flame",
          f"{SPLIT}:aux_winding_open/0:just_hums", f"{TORQUE}:module_hot/0:comes_and_goes",
          f"{TORQUE}:heat_on_tap_1/0:flame_on_and_off"),
}  # fmt: skip
#: A candidate's five calls: 1 passed, 0 not, ! not and with a critical violation.
CALLS = {
    "A": ("11111", "11110", "11!!!", "111!1", "11011", "11111", "11111", "01100", "11111", "01110",
          "11111", "11110", "11111", "1!011", "11111", "11111", "10000", "11111", "11110", "11101"),
    "B": ("00010", "11110", "000!0", "11111", "111!0", "11111", "11100", "11010", "01111", "11111",
          "00101", "11111", "11111", "11101", "10110", "10001", "1111!", "10000", "11111", "0!001"),
}  # fmt: skip
JUDGES = ("A. Marsh", "B. Quist", "C. Oduya", "D. Fenn", "E. Castellanos", "F. Varga")
#: Percents of each judge for the ten calls, form A first.
ROUNDS = (
    ((85, 90, 90, 75, 70, 75), (85, 70, 80, 60, 85, 75), (80, 65, 65, 75, 70, 70), (80, 80, 70, 65, 75, 75),
     (50, 55, 60, 55, 45, 65), (95, 80, 80, 90, 85, 85), (85, 80, 75, 70, 75, 80), (95, 65, 75, 75, 60, 80),
     (80, 60, 80, 80, 70, 75), (85, 55, 80, 80, 50, 75)),
    ((80, 80, 80, 80, 80, 75), (80, 75, 75, 75, 75, 80), (70, 70, 75, 80, 60, 75), (80, 75, 75, 85, 70, 80),
     (75, 55, 65, 60, 65, 70), (95, 75, 85, 90, 90, 85), (75, 75, 75, 75, 70, 75), (85, 80, 80, 75, 75, 85),
     (70, 60, 75, 75, 75, 70), (75, 65, 75, 85, 65, 70)),
)  # fmt: skip
#: What two people gave for the write-ups of twenty calls, 0 to 2.
WRITE_UPS = ("22122021220112202212", "22112021120112102222")


def issuer(place: Path, passphrase: str, when: datetime | None = None) -> IssuerFolder:
    """The school's issuer folder at `place`."""
    home = "https://harrowlane.example"
    return make_issuer(place, SCHOOL, f"{home}/issuer", f"{home}/verify.html", passphrase, when)


def results() -> list[CallResult]:
    """One row for each candidate and call."""
    rows = []
    for start, form in ((1, "A"), (21, "B")):
        for k, calls in enumerate(CALLS[form], start):
            for j, mark in enumerate(calls):
                points = 70.0 + (7 * k + 11 * j) % 31 if mark == "1" else float((13 * k + 17 * j) % 70)
                seconds = 600 + (137 * k + 251 * j) % 1500
                rows.append(CallResult(f"c{k:02}", form, ITEMS[form][j], points, mark == "1", mark == "!", seconds))
    return rows


def write_office(folder: Path) -> None:
    """Write ``results.csv``, ``round-1.csv``, ``round-2.csv``, ``gradings.csv`` and ``blueprint.toml`` into `folder`."""
    rows = results()
    write_results(rows, folder / "results.csv")
    items = [*ITEMS["A"], *ITEMS["B"]]
    for number, given in enumerate(ROUNDS, 1):
        _table(folder / f"round-{number}.csv", ("item", *JUDGES), ((i, *r) for i, r in zip(items, given, strict=True)))
    twice = ((r.candidate, r.item, "write_up", who, marks[k]) for k, r in enumerate(rows[:20])
             for who, marks in zip(JUDGES[:2], WRITE_UPS, strict=True))  # fmt: skip
    _table(folder / "gradings.csv", ("candidate", "item", "part", "rater", "category"), twice)
    example = files("blowergrade.exam") / "blueprints" / "example.toml"
    (folder / "blueprint.toml").write_bytes(example.read_bytes())


def _table(file: Path, titles: Sequence[str], rows: Iterable[Sequence[object]]) -> None:
    with file.open("w", encoding="utf-8", newline="") as out:
        csv.writer(out, lineterminator="\n").writerows((titles, *rows))
