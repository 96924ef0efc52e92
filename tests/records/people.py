"""Records for tests: those of an invented school, and released exams to take results from."""

from __future__ import annotations

import shutil
from functools import cache
from pathlib import Path
from tempfile import mkdtemp

from exam.sat_exam import CALLS, NAMES, T0, careful, programme, reckless, sit

from blowergrade.exam import gradings as g
from blowergrade.exam.folder import ExamFolder, make_folder
from blowergrade.exam.programme import Accommodation, Candidate, Programme
from blowergrade.exam.sitting import Closed, Opened, Released, Started
from blowergrade.records.school import Records, make_records
from blowergrade.records.taking import Took, take

SCHOOL = "Harrow Lane Trade School"
#: Names as an unfriendly or an unlucky list holds them.
ODD = (
    "<img src=x onerror=alert(1)>", "</title><script>alert(1)</script>", "{{ 7 * 7 }}{% raw %}", "Robin\u202egnp.exe",
    "O'Neil & \"Sons\"", "=HYPERLINK(\"http://x\")", "Łukasz Жукова 王小明",
)  # fmt: skip


def school(place: Path) -> Records:
    """Empty records in `place`."""
    return make_records(place / "people", SCHOOL)


def release(folder: ExamFolder, number: int, at: int = T0 + 10_000_000) -> None:
    """Let the results of that grading be seen."""
    journal = folder.journal()
    journal.add_event(Released(number), at)[1].result()
    journal.close()


def grade(folder: ExamFolder, why: str = "first grading") -> g.Grading:
    """Grade the exam and release that grading."""
    journal = folder.journal()
    made = g.grade_sitting(folder, journal, why, processes=1, progress=False)
    journal.close()
    release(folder, made.number)
    return made


def decide(folder: ExamFolder, candidate: str, call: str, points: int, why: str = "seen in the hall") -> None:
    """A person's decision about a call."""
    g.add_decision(folder, g.Decision(candidate, call, 10 * points, points >= 70, "J. Ferro", why, "2027-01-20T00:00:00+00:00"))


def taken(records: Records, folder: ExamFolder, **who: tuple[str, ...]) -> Took:
    """Take the exam over."""
    journal = folder.journal()
    try:
        return take(records, folder, journal, **who)
    finally:
        journal.close()


def made_exam(
    place: Path, name: str, people: dict[str, str], granted: Accommodation | None = None, calls: int = 2, at: int = T0
) -> ExamFolder:
    """A closed exam of that name at which `people` were and touched nothing; everybody was `granted` the same."""
    made, codes = programme(CALLS[:calls], people)
    planned = Programme(
        name, made.title, made.school, made.kind, made.minutes,
        tuple(Candidate(c.id, c.name, c.code_digest, c.language, c.form, granted or Accommodation()) for c in made.candidates),
        made.plans, passing=made.passing,
    )  # fmt: skip
    folder = make_folder(place / name, planned, codes)
    journal = folder.journal()
    journal.add_event(Opened(), at)
    for who in people:
        journal.add_event(Started(who, 3600), at + 1000)
    journal.add_event(Closed(), at + 2000)[1].result()
    journal.close()
    return folder


def released_exam(place: Path, name: str = "may", people: dict[str, str] | None = None, granted: Accommodation | None = None,
                  at: int = T0) -> ExamFolder:  # fmt: skip
    """A released exam by decisions of a person: of four people c01 passes, c02 and c03 pass one call of two, c04 was absent."""
    folder = made_exam(place, name, NAMES if people is None else people, granted, at=at)
    if people is None:
        for who, points in {"c01": (90, 85), "c02": (80, 12), "c03": (75, 65)}.items():
            for k, one in enumerate(points, 1):
                decide(folder, who, f"call-{k}", one)
    grade(folder)
    return folder


@cache
def _played() -> Path:
    place = Path(mkdtemp(prefix="played-"))
    folder = made_exam(place, "may", {"c01": NAMES["c01"], "c02": NAMES["c02"]}, calls=1)
    programme, journal = folder.programme, folder.journal()
    sit(journal, programme.plans["c01"][0], careful, T0)
    sit(journal, programme.plans["c02"][0], reckless, T0)
    journal.close()
    grade(folder)
    return folder.root


def played_exam(place: Path) -> ExamFolder:
    """A released exam of one call, which was played: by c01 as taught, by c02 with a plug pulled under power."""
    shutil.copytree(_played(), place / "may")
    return ExamFolder(place / "may")
