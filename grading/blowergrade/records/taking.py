"""Taking over: the released grading of an exam's folder, and the certificates that were issued for it.

Rule: taking adds and never overwrites; what the records say already is not said twice. A person is known by the id and the name
that their exams have; where only one of them fits, somebody has to say whether it is the same person.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from blowergrade.exam.completions import head_of
from blowergrade.exam.folder import ExamFolder
from blowergrade.exam.gradings import Grading, digest_of, gradings, sitting_of
from blowergrade.exam.journal import Journal
from blowergrade.exam.passing import CandidateResult
from blowergrade.exam.programme import Candidate, Programme
from blowergrade.exam.sitting import Released, Sitting
from blowergrade.records.entries import (
    Accommodation,
    CallPoints,
    Granted,
    Identity,
    Particulars,
    RecordsError,
    Result,
    Taken,
)
from blowergrade.records.school import Adding, Person, Records, same


@dataclass(frozen=True, slots=True)
class Took:
    """What was taken over: the sitting, the grading's number, how many people came in new, how many results were added, and the
    candidates who were left out because they are not in the records any more."""

    sitting: str
    grading: int
    people: int
    results: int
    left_out: tuple[str, ...]


def take(
    records: Records, folder: ExamFolder, journal: Journal, *,
    same_person: Collection[str] = (), other_person: Collection[str] = (),
) -> Took:  # fmt: skip
    """Add what the released grading of `folder` says and these records don't; raises `RecordsError` and `ExamError`.

    `same_person` and `other_person` are ids of candidates who have another name here under that id, and who they are.
    """
    programme, sitting = folder.programme, sitting_of(folder.programme, journal)
    if sitting.stage != "released" or programme.passing is None:
        raise RecordsError(f"the sitting is {sitting.stage}; only released results are taken (`blowergrade exam release`)")
    made = gradings(folder)
    grading = next(g for g in made if g.number == sitting.grading)
    with records.adding() as adding:
        people = records.people()
        earlier = [e for e in records.entries if isinstance(e, Taken) and e.sitting == programme.sitting]
        if {e.digest for e in earlier} - {digest_of(g) for g in made}:
            raise RecordsError(
                f"another exam of the name {programme.sitting!r} was taken before, or its gradings were changed since; look "
                "which folder is the right one, and give each sitting a name of its own"
            )
        if earlier and earlier[-1].digest == digest_of(grading):
            return Took(programme.sitting, grading.number, 0, 0, ())
        known = bool(earlier) or any(r.sitting == programme.sitting for p in people if p.is_erased for r in p.results)
        whose = _matched(programme, people, same_person, other_person)
        left_out = tuple(c.id for c in programme.candidates if known and c.id not in whose)
        new = results = 0
        for one in programme.candidates:
            if one.id in left_out:
                continue
            person = whose.get(one.id)
            name = person.pseudonym if person is not None else adding.enrol(_identity(one))
            new += person is None
            results += _add(records, adding, programme, sitting, grading, one, name, person)
        adding.plain(
            Taken, sitting=programme.sitting, title=programme.title, grading=grading.number, digest=digest_of(grading),
            released=_released(journal, grading.number), people=len(programme.candidates),
        )  # fmt: skip
        adding.done()
    return Took(programme.sitting, grading.number, new, results, left_out)


def _released(journal: Journal, number: int) -> str:
    """When the grading of this number was released last: UTC, ISO 8601."""
    at = [row.at for row in journal.events() if isinstance(row.event, Released) and row.event.grading == number]
    return datetime.fromtimestamp(at[-1] / 1000, UTC).isoformat(timespec="seconds")


def _identity(one: Candidate) -> Identity:
    return Identity(one.name, one.id, language=one.language)


def _matched(
    programme: Programme, people: Sequence[Person], same_person: Collection[str], other_person: Collection[str]
) -> dict[str, Person]:
    """Candidate's id to the person who it is; raises `RecordsError` where only a person can say."""
    strangers = sorted({*same_person, *other_person} - {c.id for c in programme.candidates})
    if strangers:
        raise RecordsError(f"{strangers[0]!r} is no candidate of {programme.sitting}; give ids from its list")
    found: dict[str, Person] = {}
    for one in programme.candidates:
        there = [p for p in people if p.identity is not None and same(p.identity.school_id) == same(one.id)]
        exact = [p for p in there if p.identity is not None and same(p.identity.name) == same(one.name)]
        if exact:
            found[one.id] = exact[0]
        elif one.id in same_person and len(there) == 1:
            found[one.id] = there[0]
        elif there and one.id not in other_person:
            names = ", ".join(f"{p.identity.name!r} ({p.pseudonym})" for p in there if p.identity is not None)
            raise RecordsError(
                f"the id {one.id!r} is {names} in these records and {one.name!r} in {programme.sitting}; nothing was taken: "
                f"say --same {one.id} if that is one person, or --other {one.id} if it is somebody else"
            )
    twice = [one for one in found if sum(p.pseudonym == found[one].pseudonym for p in found.values()) > 1]
    if twice:
        raise RecordsError(f"{', '.join(twice)} of {programme.sitting} are one person in these records; correct the id of one")
    return found


def _add(
    records: Records, adding: Adding, programme: Programme, sitting: Sitting, grading: Grading, one: Candidate, name: str,
    person: Person | None,
) -> int:  # fmt: skip
    """Have ready what is new about `one`; returns how many results that are."""
    found, rule = grading.of(one.id), programme.passing
    if found is None or rule is None:
        return 0
    about = person.entries if person is not None else ()
    words = one.accommodation.words()
    granted = any(isinstance(e, Accommodation) and e.sitting == programme.sitting for e in about)
    if words and not granted and not records.gone(name, "accommodations"):
        adding.about(Accommodation, name, Granted(words), sitting=programme.sitting)
    told = _particulars(one, found)
    clear = (found.form, found.verdict, found.passed_calls, len(found.calls), rule.calls)
    last = next((r for r in (person.results if person is not None else ()) if r.sitting == programme.sitting), None)
    if last is not None:
        kept = (last.form, last.verdict, last.passed, last.calls, last.needed)
        if kept == clear and records.told(last, Particulars) == told:
            return 0
    form, verdict, passed, calls, needed = clear
    adding.about(
        Result, name, told, sitting=programme.sitting, title=programme.title, form=form, day=_day(sitting, one.id),
        grading=grading.number, verdict=verdict, passed=passed, calls=calls, needed=needed,
    )  # fmt: skip
    return 1


def _particulars(one: Candidate, found: CandidateResult) -> Particulars:
    calls = tuple(CallPoints(c.call, c.tenths, c.passed, c.critical) for c in found.calls)
    return Particulars(one.id, found.reasons, calls, head_of(found))


def _day(sitting: Sitting, candidate: str) -> str:
    """The day on which `candidate` began; for who did not, the first day on which anybody did, or today."""
    begun = [p.started for p in sitting.candidates.values() if p.started is not None]
    at = sitting.of(candidate).started or min(begun, default=round(1000 * datetime.now(UTC).timestamp()))
    return datetime.fromtimestamp(at / 1000, UTC).astimezone().date().isoformat()
