"""What a school writes down about a person: who was told, requests, appeals and their decisions, corrections, the end of a key.

Rule: each of these needs all that makes it worth anything later (who, what, why), and adds an entry.
"""

from __future__ import annotations

from datetime import date
from typing import Literal

import msgspec

from blowergrade.records.entries import (
    AppealDecided,
    AppealOpened,
    Corrected,
    Correction,
    Disclosure,
    Enrolled,
    Erased,
    Identity,
    InspectionAsked,
    Outcome,
    RecordsError,
    Said,
    Taken,
    Told,
    Why,
)
from blowergrade.records.persons import DRAWERS, Drawer
from blowergrade.records.retention import kept_until, read_policy, why_held
from blowergrade.records.school import Records


def _needed(**fields: str) -> None:
    """Raise `RecordsError` where a field is empty."""
    empty = [name for name, text in fields.items() if not text.strip()]
    if empty:
        raise RecordsError(f"{', '.join(empty)} must not be empty; nothing was written down")


def day_in(text: str) -> date:
    """The date in `text`; raises `RecordsError` unless it is one, and not in the future."""
    try:
        found = date.fromisoformat(text)
    except ValueError as error:
        raise RecordsError(f"{text!r} is no date; one is written as 2027-03-01") from error
    if found > date.today():
        raise RecordsError(f"{text} has not come yet; give the day on which it happened")
    return found


def disclose(records: Records, wanted: str, told: Told) -> int:
    """Write down that somebody was told something about a person; returns the entry's number. Raises `RecordsError`.

    What a record of a disclosure holds: who asked or was told, and their legitimate interest (34 CFR 99.32(a)(3)); here also
    what, by whom and when.
    """
    _needed(to=told.to, what=told.what, interest=told.interest, by=told.by)
    day_in(told.day)
    with records.adding() as adding:
        number = adding.about(Disclosure, records.living(wanted).pseudonym, told)
        adding.done()
    return number


def ask(records: Records, wanted: str, day: str, said: Said) -> int:
    """Write down that a person asked on `day` to see their records; returns the entry's number. Raises `RecordsError`."""
    _needed(by=said.by)
    day_in(day)
    with records.adding() as adding:
        number = adding.about(InspectionAsked, records.living(wanted).pseudonym, said, day=day)
        adding.done()
    return number


# ---------------------------------------------------------------------- appeals
def open_appeal(records: Records, wanted: str, sitting: str, day: str, said: Said) -> int:
    """Write down an appeal against the result of a sitting; returns its number. Raises `RecordsError`."""
    _needed(reason=said.reason, by=said.by)
    day_in(day)
    with records.adding() as adding:
        person = records.living(wanted)
        against = next((r for r in person.results if r.sitting == sitting), None)
        if against is None:
            there = ", ".join(r.sitting for r in person.results) or "none"
            raise RecordsError(f"{person.pseudonym} has no result of {sitting!r}; there are: {there}")
        waiting = next((a for a in person.open_appeals if a.sitting == sitting), None)
        if waiting is not None:
            raise RecordsError(f"appeal {waiting.number} against {sitting} is not decided yet; decide that one first")
        number = adding.about(AppealOpened, person.pseudonym, said, sitting=sitting, grading=against.grading, day=day)
        adding.done()
    return number


def decide_appeal(records: Records, appeal: int, outcome: Outcome, said: Said) -> int:
    """Write down how the appeal of this number was decided; returns the entry's number. Raises `RecordsError`.

    Whether a result changed is what the records say since the appeal came in: a new grading is released and taken first.
    """
    _needed(reason=said.reason, by=said.by)
    with records.adding() as adding:
        opened = records.log.entry(appeal)
        if not isinstance(opened, AppealOpened):
            raise RecordsError(f"entry {appeal} is no appeal; `blowergrade records list` shows those that wait")
        person = records.living(opened.person)
        if all(a.number != appeal for a in person.open_appeals):
            raise RecordsError(f"appeal {appeal} is decided already; what was decided is corrected by a correction")
        counts = next(r for r in person.results if r.sitting == opened.sitting)
        found: Outcome = "changed" if counts.number > appeal else "unchanged"
        if outcome != found:
            raise RecordsError(
                f"by these records the result is {found} since the appeal came in, so it was not decided as {outcome!r}; "
                "a new grading is released and taken first"
            )
        taken = [e.grading for e in records.entries if isinstance(e, Taken) and e.sitting == opened.sitting]
        grading = counts.grading if found == "changed" else taken[-1]
        number = adding.about(AppealDecided, person.pseudonym, said, appeal=appeal, outcome=outcome, grading=grading)
        adding.done()
    return number


# ---------------------------------------------------------------------- corrections
def correct(
    records: Records, wanted: str, corrects: int, text: str, by: str, *, statement: bool = False, name: str = "",
    school_id: str = "", email: str = "",
) -> int:  # fmt: skip
    """Write down what is right in place of entry `corrects`, or the person's own statement on it; returns the entry's number.

    A new name, id or address corrects the entry by which the person came in. Raises `RecordsError`.
    """
    _needed(text=text, by=by)
    with records.adding() as adding:
        person = records.living(wanted)
        assert person.identity is not None
        wrong = next((e for e in person.entries if e.number == corrects), None)
        if wrong is None:
            raise RecordsError(f"entry {corrects} is not about {person.pseudonym}; their export numbers their entries")
        changed: dict[str, str] = {"name": name, "school_id": school_id, "email": email}
        changed = {k: v for k, v in changed.items() if v.strip()}
        if changed and (statement or not isinstance(wrong, Enrolled)):
            first = next(e.number for e in person.entries if isinstance(e, Enrolled))
            raise RecordsError(f"a name, an id or an address is corrected at entry {first}, by which the person came in")
        identity: Identity | None = msgspec.structs.replace(person.identity, **changed) if changed else None
        told = Corrected(text, by, identity)
        number = adding.about(Correction, person.pseudonym, told, corrects=corrects, statement=statement)
        adding.done()
    return number


# ---------------------------------------------------------------------- the end
def erase(
    records: Records, pseudonym: str, why: Why, by: str, *, only: Literal["", "accommodations"] = "", today: date | None = None
) -> bool:
    """Destroy the key of `pseudonym` (or `only` that of their accommodations) for good; False where that was done before.

    Refused while an appeal or a request waits (34 CFR 99.10(e): nothing is destroyed while a request to inspect is open), and
    with the reason that retention ended before it has. Raises `RecordsError`.
    """
    _needed(by=by)
    what: Drawer = only or "person"
    with records.adding() as adding:
        person = next((p for p in records.people() if p.pseudonym == pseudonym), None)
        if person is None:
            raise RecordsError(f"{pseudonym!r} is no pseudonym in these records; erasing takes the pseudonym, nothing else")
        if only and not person.is_erased and not records.keys.has(pseudonym, what):
            raise RecordsError(f"{pseudonym} has no accommodations in these records, or they were erased before")
        held = why_held(person)
        if held and not records.gone(pseudonym, what):
            raise RecordsError(f"{pseudonym} can't be erased: {held}")
        last = kept_until(person.entries, read_policy(records.root), what)
        if why == "retention ended" and last is not None and last >= (today or date.today()):
            raise RecordsError(f"by the policy this is kept until {last}; give another reason, or wait")
        first = not records.gone(pseudonym, what)
        if first:
            adding.plain(Erased, person=pseudonym, what=what, why=why, by=by)
            adding.done()  # said before it is done: after a crash between the two, saying it again ends it
        for drawer in DRAWERS if what == "person" else (what,):
            records.keys.destroy(pseudonym, drawer)
    return first
