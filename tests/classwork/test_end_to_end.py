"""A whole class from roster to results: thirty people of different skill, and a thousand hand-ins in bounded memory."""

from __future__ import annotations

import csv
import io
import shutil
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from sampling import long_run
from small_class import COMPLAINT, FAULT, FURNACE

from blowerbench import LocalBench
from blowerbench import acts as a
from blowerbench.homework import open_assignment
from blowergrade import procedure as p
from blowergrade.classwork import grading
from blowergrade.classwork.assign import assign
from blowergrade.classwork.codes import read_codes
from blowergrade.classwork.collect import collect
from blowergrade.classwork.draw import Wanted
from blowergrade.classwork.export import write_parts
from blowergrade.classwork.feedback import write_feedback
from blowergrade.classwork.folder import ClassFolder
from blowergrade.classwork.gradebook import write_grades
from blowergrade.classwork.new import make_class
from blowergrade.technicians import Technician

NAME = "week-1"


# ---------------------------------------------------------------------- people
class Slow(Technician):
    """Right and safe, and waits an hour first."""

    def work(self) -> None:
        """Wait, then work."""
        self.do([a.Wait(3600)])
        super().work()


class NoReport(Technician):
    """Everything but the write-up."""

    def do(self, acts: object) -> object:  # type: ignore[override] # the same, without one act
        """All acts but the report."""
        return super().do(x for x in acts if not isinstance(x, a.WriteUp))  # type: ignore[attr-defined] # acts, as above


class Unverified(Technician):
    """Hands the unit back without trying it."""

    def verify(self) -> None:
        """Nothing."""


class BareHands(Technician):
    """Pulls the power plug while the unit is live."""

    def work(self) -> None:
        """The unsafe act first, then the taught way."""
        e = self.equipment
        plug = str(e.module["plug"])
        self.do([a.SetDoor(False), a.HoldDoorSwitch(True), a.Unplug(plug)])
        self.do([*p.make_safe(e, self.hands), a.PlugIn(plug)])
        super().work()


def guesses(bench: LocalBench, unit: str) -> None:
    for act in (a.Declare((unit,)), *p.make_safe(bench.equipment, bench.session.now.hands), a.Repair(unit), a.Finish()):
        bench.act(act)


def gives_up(bench: LocalBench) -> None:
    for act in (a.Look(), a.ReadStatus(), a.SetThermostat("heat"), a.Wait(60)):
        bench.act(act)


def played(bench: LocalBench, kind: int) -> None:
    """One call by a person of `kind`, 0 to 9."""
    skilled: dict[int, type[Technician]] = {4: Slow, 5: NoReport, 6: Unverified, 7: BareHands}
    if kind in (0, 1, 2, 3, *skilled):
        skilled.get(kind, Technician)(bench).work()
    elif kind == 8:
        guesses(bench, "wall_cable" if bench.header.person < "8" else "thermostat")
    else:
        gives_up(bench)


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Iterator[ClassFolder]:
    """A class of thirty; their zip files, named as a platform names them, wait in `download`."""
    import os

    os.environ["PATH"] = os.pathsep.join((str(Path(sys.executable).parent), os.environ["PATH"]))
    base = tmp_path_factory.mktemp("whole")
    (base / "roster.csv").write_text(
        "id,name\n" + "".join(f"p{k:02d},Person Number{k:02d}\n" for k in range(30)), encoding="utf-8"
    )
    folder = make_class(base / "class", base / "roster.csv", "blowers", "Class of thirty")
    assign(folder, NAME, Wanted(FURNACE, FAULT, COMPLAINT), seed=5)
    codes = read_codes(folder.private)
    for k in range(30):
        place = base / "download" / f"Number{k:02d}_Person_{7000 + k}_assignsubmission_file_"
        shutil.copytree(folder.root / "release" / NAME, place)
        bench = open_assignment(place / "sealed.json", codes[f"p{k:02d}"], place / "call.jsonl")
        played(bench, k % 10)
        bench.close()
    yield folder
    shutil.rmtree(base, ignore_errors=True)


@pytest.mark.slow
def test_thirty_people_get_what_their_work_is_worth_within_half_a_minute(whole: ClassFolder, tmp_path: Path) -> None:
    found = collect(whole, NAME, whole.root.parent / "download")
    assert len(found) == 30 and all("call.jsonl" in c.taken for c in found)
    grading.grade_class(whole, NAME, ("p00",), processes=1, progress=False)  # warms the memo
    started = time.perf_counter()
    rows = grading.grade_class(whole, NAME, again=True, processes=2, progress=False)
    seconds = time.perf_counter() - started
    told = write_grades(whole, NAME, progress=False)
    book = time.perf_counter() - started - seconds
    print(f"30 calls graded in {seconds:.1f} s on two processes, the gradebook filled in {book:.1f} s more")
    # The goal is 30 s on two idle cores; a test machine may be busy, so that only thrice as much fails here.
    assert told == () and seconds + book < 90.0
    by_kind = {k: [r for r in rows if int(r.student[1:]) % 10 == k] for k in range(10)}
    assert all(r.passed and r.tenths == 1000 for k in range(4) for r in by_kind[k])
    for kind, part, most in ((4, 1, 299), (5, 3, 0), (6, 2, 199)):
        assert all(r.status == "graded" and (r.parts[part] or 0) <= most for r in by_kind[kind]), kind
    assert all(not r.passed for k in (7, 8, 9) for r in by_kind[k])
    assert all(r.parts[1] == 0 for r in by_kind[8])
    write_parts(whole, NAME, tmp_path / "r.csv")
    assert len(list(csv.DictReader(io.StringIO((tmp_path / "r.csv").read_text(encoding="utf-8-sig"))))) == 30
    assert len(write_feedback(whole, NAME, progress=False)) == 30


MEASURE = """
import resource, sys
from blowergrade.classwork import grading
from blowergrade.classwork.folder import ClassFolder
if __name__ == "__main__":
    rows = grading.grade_class(ClassFolder(sys.argv[1]), sys.argv[2], processes=2, progress=False)
    print(len(rows), sum(r.status == "graded" for r in rows), resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)
"""


def crowd(whole: ClassFolder, count: int, where: Path) -> ClassFolder:
    """The class with `count` students, each handing in one of the played calls (which its header then names)."""
    import msgspec

    (where / "roster.csv").parent.mkdir(parents=True, exist_ok=True)
    (where / "r.csv").write_text("id,name\n" + "".join(f"q{k},Q {k}\n" for k in range(count)))
    folder = make_class(where / "class", where / "r.csv")
    first = whole.assignment(NAME)
    assigned = []
    for k in range(count):
        old = first.assigned[k % 30]
        assigned.append(msgspec.structs.replace(old, student=f"q{k}"))
        place = folder.root / "submitted" / f"q{k}" / NAME
        place.mkdir(parents=True)
        shutil.copyfile(whole.root / "submitted" / old.student / NAME / "call.jsonl", place / "call.jsonl")
    folder.keep_assignment(msgspec.structs.replace(first, assigned=tuple(assigned)))
    return folder


@pytest.mark.slow
def test_memory_stays_flat_for_many_hand_ins(whole: ClassFolder, tmp_path: Path) -> None:
    collect(whole, NAME, whole.root.parent / "download")
    few, many = (200, 1000) if long_run() else (30, 120)
    (tmp_path / "measure.py").write_text(MEASURE)
    peaks = []
    for count in (few, many):
        folder = crowd(whole, count, tmp_path / str(count))
        done = subprocess.run(
            [sys.executable, str(tmp_path / "measure.py"), str(folder.root), NAME], capture_output=True, text=True, check=True
        )
        rows, graded, peak = map(int, done.stdout.split())
        assert rows == count and graded == count
        peaks.append(peak)
    print(f"peak memory of the grading process: {peaks[0]} kB for {few}, {peaks[1]} kB for {many} hand-ins")
    assert peaks[1] < 1.1 * peaks[0]
