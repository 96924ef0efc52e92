"""How long what is kept: dates, what holds them up, and that nothing goes by itself.

Rule: dates are compared with dateutil's, another implementation, and with a few that are worked out by hand.
"""

from __future__ import annotations

import random
from datetime import date, timedelta
from importlib import import_module
from pathlib import Path
from typing import Any

import pytest
from records.people import school
from sampling import seed

from blowergrade.records.entries import Accommodation, Granted, Identity, Particulars, RecordsError, Result, Said
from blowergrade.records.keeping import ask, erase
from blowergrade.records.retention import POLICY, Due, due, last_day
from blowergrade.records.school import Records

relativedelta: Any = import_module("dateutil.relativedelta").relativedelta  # it comes without types


def enrolled(records: Records, day: str, *, granted: bool = False) -> str:
    with records.adding() as adding:
        person = adding.enrol(Identity(f"Person of {day}", f"id-{day}"))
        adding.about(
            Result, person, Particulars("c", (), (), ""), sitting="s", title="t", form="A", day=day, grading=1,
            verdict="passed", passed=1, calls=1, needed=1,
        )  # fmt: skip
        if granted:
            adding.about(Accommodation, person, Granted(("reader",)), sitting="s")
        adding.done()
    return person


def test_a_period_of_years_ends_on_the_same_date_and_in_common_years_on_the_28th_of_february() -> None:
    """Regulation (EEC, Euratom) No 1182/71, article 3(2)(c), from memory."""
    for begin, years, end in (
        ("2024-02-29", 1, "2025-02-28"), ("2024-02-29", 4, "2028-02-29"), ("2096-02-29", 4, "2100-02-28"),
        ("2023-02-28", 1, "2024-02-28"), ("2024-12-31", 5, "2029-12-31"), ("2024-03-01", 0, "2024-03-01"),
    ):  # fmt: skip
        assert last_day(date.fromisoformat(begin), years) == date.fromisoformat(end), begin
    chance = random.Random(seed())
    for _ in range(2000):
        begin_day, n = date(1990, 1, 1) + timedelta(days=chance.randrange(50_000)), chance.randrange(120)
        assert last_day(begin_day, n) == begin_day + relativedelta(years=n)


@pytest.mark.parametrize(
    ("day", "last"), [("2020-02-29", "2025-02-28"), ("2019-07-01", "2024-07-01"), ("2015-12-31", "2020-12-31")]
)
def test_a_person_is_due_on_the_day_after_the_last_and_not_before(tmp_path: Path, day: str, last: str) -> None:
    records = school(tmp_path)
    person = enrolled(records, day)
    end = date.fromisoformat(last)
    for early in (end - timedelta(days=400), end - timedelta(days=1), end):
        assert due(records, early) == ()
    assert due(records, end + timedelta(days=1)) == (Due(person, "person", end),)


def test_without_any_period_the_day_on_which_it_came_in_counts(tmp_path: Path) -> None:
    records = school(tmp_path)
    (records.root / POLICY).write_text(policy())
    enrolled(records, "2019-07-01")
    today = date.fromisoformat(records.people()[0].entries[0].when[:10])
    assert due(records, today) == () and len(due(records, today + timedelta(days=1))) == 1


def test_the_longest_period_counts_and_accommodations_have_their_own(tmp_path: Path) -> None:
    records = school(tmp_path)
    (tmp_path / "people" / POLICY).write_text(policy(result=7, accommodation=2))
    person = enrolled(records, "2024-05-31", granted=True)
    entered = date.fromisoformat(records.people()[0].entries[-1].when[:10])
    first, then = last_day(entered, 2), date(2031, 5, 31)
    far = date(2100, 1, 1)
    assert due(records, far) == tuple(
        sorted((Due(person, "accommodations", first), Due(person, "person", then)), key=lambda d: d.last)
    )
    erase(records, person, "retention ended", "A. Marsh", only="accommodations", today=far)
    assert [d.drawer for d in due(Records(records.root), far)] == ["person"]


def policy(**years: int) -> str:
    kinds = ("result", "certificate", "revoked", "appeal", "disclosure", "inspection", "correction", "accommodation")
    return "[years]\n" + "".join(f"{k} = {years.get(k, 0)}\n" for k in kinds)


def test_listing_destroys_nothing_and_erasing_before_the_end_needs_another_reason(tmp_path: Path) -> None:
    records = school(tmp_path)
    person = enrolled(records, "2019-07-01")
    before = {f: f.read_bytes() for f in records.root.rglob("*") if f.is_file()}
    assert due(records, date(2300, 1, 1))
    assert {f: f.read_bytes() for f in records.root.rglob("*") if f.is_file()} == before
    with pytest.raises(RecordsError, match="kept until 2024-07-01"):
        erase(records, person, "retention ended", "A. Marsh", today=date(2024, 7, 1))
    assert records.keys.has(person)
    assert erase(records, person, "retention ended", "A. Marsh", today=date(2024, 7, 2))
    assert due(Records(records.root), date(2300, 1, 1)) == ()


def test_what_waits_for_an_answer_is_held_and_the_list_says_so(tmp_path: Path) -> None:
    records = school(tmp_path)
    person = enrolled(records, "2015-07-01")
    number = ask(records, person, "2016-01-01", Said("", "A. Marsh"))
    (found,) = due(records, date(2300, 1, 1))
    assert found.held == f"the request of entry {number} is not answered"


def test_those_that_ended_first_come_first(tmp_path: Path) -> None:
    records = school(tmp_path)
    for day in ("2018-01-01", "2016-01-01", "2017-01-01"):
        enrolled(records, day)
    assert [d.last.year for d in due(records, date(2300, 1, 1))] == [2021, 2022, 2023]


@pytest.mark.parametrize(
    "text", ["", "[years]\nresult = 5\n", policy(result=-1), policy() + "sheet = 1\n", policy().replace("0", '"long"', 1), "[["]
)
def test_a_policy_that_is_not_whole_is_refused(tmp_path: Path, text: str) -> None:
    records = school(tmp_path)
    (records.root / POLICY).write_text(text)
    with pytest.raises(RecordsError, match="correct it"):
        due(records, date(2300, 1, 1))
