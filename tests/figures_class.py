"""What grading a class costs: thirty calls on two processes, the gradebook, and nbgrader's own way, timed in the same run."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

from small_class import COMPLAINT, FAULT, FURNACE, NAME, play

from blowergrade.classwork import grading
from blowergrade.classwork.assign import assign
from blowergrade.classwork.draw import Wanted
from blowergrade.classwork.folder import ClassFolder
from blowergrade.classwork.gradebook import write_grades
from blowergrade.classwork.new import make_class

COUNT, STOCK = 30, 4
#: nbgrader without our settings: a kernel for each hand-in, as it comes.
STOCK_WAY = """
import sys, time
from nbgrader.apps import NbGraderAPI
from traitlets.config import Config
c = Config(); c.CourseDirectory.root = sys.argv[1]; c.CourseDirectory.course_id = "blowers"
api = NbGraderAPI(config=c)
started = time.perf_counter()
for student in sys.argv[3:]:
    assert api.autograde(sys.argv[2], student)["success"]
print(time.perf_counter() - started)
"""


def figures() -> Iterator[dict[str, object]]:
    """Seconds per hand-in: ours, the gradebook's share, and the stock way."""
    os.environ["PATH"] = os.pathsep.join((str(Path(sys.executable).parent), os.environ["PATH"]))
    with tempfile.TemporaryDirectory() as base:
        folder = _made(Path(base))
        started = time.perf_counter()
        grading.grade_class(folder, NAME, again=True, processes=2, progress=False)
        ours = (time.perf_counter() - started) / COUNT
        started = time.perf_counter()
        write_grades(folder, NAME, progress=False)
        book = (time.perf_counter() - started) / COUNT
        people = [f"p{k:02d}" for k in range(STOCK)]
        done = subprocess.run(
            [sys.executable, "-W", "ignore", "-c", STOCK_WAY, str(folder.root), NAME, *people],
            capture_output=True, text=True, check=True,
        )  # fmt: skip
        stock = float(done.stdout.splitlines()[-1]) / STOCK
    yield _row("class: a call graded (30 on two processes)", ours, f"stock nbgrader autograde {stock:.2f} s", stock / ours)
    yield _row("class: with the gradebook", ours + book, f"stock nbgrader autograde {stock:.2f} s", stock / (ours + book))


def _row(name: str, seconds: float, against: str, ratio: float) -> dict[str, object]:
    return {"name": name, "value": round(seconds, 3), "unit": "s/hand-in", "against": against, "ratio": round(ratio, 2)}


def _made(base: Path) -> ClassFolder:
    (base / "r.csv").write_text("id,name\n" + "".join(f"p{k:02d},P {k}\n" for k in range(COUNT)))
    folder = make_class(base / "class", base / "r.csv")
    assign(folder, NAME, Wanted(FURNACE, FAULT, COMPLAINT), seed=1)
    for k in range(COUNT):
        play(folder, f"p{k:02d}")
    grading.grade_class(folder, NAME, ("p00",), processes=1, progress=False)
    return folder
