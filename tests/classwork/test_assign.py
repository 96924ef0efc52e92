"""Assigning: what is asked for is drawn, a notebook is the same each time and one that nbgrader takes, times are UTC."""

from __future__ import annotations

import json
import time
from collections.abc import Iterator

import nbformat
import pytest
from small_class import COMPLAINT, FAULT, FURNACE, NAME

from blowerbench.equipment import load_equipment
from blowerbench.faults import load_faults
from blowerbench.sealed import open_sealed
from blowergrade.classwork.assign import add_late_comers, assign, told_by, utc_time
from blowergrade.classwork.codes import read_codes
from blowergrade.classwork.draw import Wanted, draw_calls
from blowergrade.classwork.folder import ClassError, ClassFolder
from blowergrade.classwork.new import update_roster
from blowergrade.classwork.notebook import source_notebook
from blowergrade.rubric import RubricError, load_rubric


def test_everybody_gets_the_same_call_unless_each_is_asked_for() -> None:
    people = [f"s{k}" for k in range(12)]
    assert len(set(draw_calls(Wanted(difficulty=1), people, each=False, seed=3))) == 1
    assert len(set(draw_calls(Wanted(difficulty=1), people, each=True, seed=3))) > 1
    assert draw_calls(Wanted(), people, each=True, seed=3) == draw_calls(Wanted(), people, each=True, seed=3)
    assert len({draw_calls(Wanted(), people, each=False, seed=k)[0] for k in range(8)}) > 1


@pytest.mark.parametrize("seed", range(5))
def test_without_a_difficulty_all_still_get_one_of_the_same(seed: int) -> None:
    found = set()
    for call in draw_calls(Wanted(competency="command"), [f"s{k}" for k in range(10)], each=True, seed=seed):
        fault = load_faults(load_equipment(call.equipment)).faults[call.fault.partition("/")[0]]
        assert fault.competency == "command" and call.complaint in fault.complaints
        found.add(fault.difficulty)
    assert len(found) == 1


def test_a_severity_that_was_chosen_is_the_one_that_is_given() -> None:
    faults = load_faults(load_equipment(FURNACE)).faults
    several = next(f for f in faults.values() if len(f.severities) > 1)
    wanted = Wanted(FURNACE, f"{several.id}/1")
    assert {c.fault for c in draw_calls(wanted, list("abcdef"), each=True, seed=1)} == {f"{several.id}/1"}
    with pytest.raises(ClassError, match="has no fault"):
        draw_calls(Wanted(FURNACE, f"{several.id}/{len(several.severities)}"), ["a"], each=False, seed=1)


def test_an_assignment_nobody_handed_in_can_be_made_anew_and_wrong_wishes_leave_nothing(folder: ClassFolder) -> None:
    assign(folder, "one", Wanted(FURNACE, FAULT, COMPLAINT), release=False, due="2027-03-01T17:00+00:00")
    made = assign(folder, "one", Wanted(FURNACE, FAULT, COMPLAINT), release=False, again=True, title="Anew")
    assert made.title == "Anew" and folder.assignment("one") == made and made.due == ""
    with pytest.raises(ClassError, match="is no time"):
        assign(folder, "two", Wanted(FURNACE, FAULT), due="soon")
    with pytest.raises(RubricError):
        assign(folder, "two", Wanted(FURNACE, FAULT), rubric="no-such")
    with pytest.raises(ClassError, match="--title"):
        assign(folder, "two", Wanted(FURNACE, FAULT), title="a\nb")
    assert folder.assignments() == (NAME, "one") and not (folder.root / "source" / "two").exists()


def test_the_notebook_is_valid_the_same_each_time_and_holds_the_rubrics_points(folder: ClassFolder) -> None:
    assignment = folder.assignment(NAME)
    data = source_notebook(assignment)
    assert data == source_notebook(assignment) == (folder.root / "source" / NAME / f"{NAME}.ipynb").read_bytes()
    book = nbformat.reads(data.decode(), as_version=4)
    nbformat.validate(book)
    marks = [c.metadata.get("nbgrader", {}) for c in book.cells]
    points = {m["grade_id"]: m["points"] for m in marks if m.get("grade")}
    rules = load_rubric("default").rubric
    assert points == {
        "part-safety": rules.safety, "part-isolation": rules.isolation, "part-repair": rules.repair,
        "part-write-up": rules.write_up,
    }  # fmt: skip
    about = book.cells[0].source
    assert "Lock, tag, prove dead" in about and "local codes" in about and "licensed practice" in about


def test_a_hostile_title_is_text_in_the_notebook_and_in_the_release(folder: ClassFolder) -> None:
    title = '<img src=x onerror=alert(1)> {title} "q" \\ %s'
    assign(folder, "other", Wanted(FURNACE, FAULT, COMPLAINT), title=title, seed=1)
    book = nbformat.read(folder.root / "release" / "other" / "other.ipynb", as_version=4)
    assert "&lt;img src=x" in book.cells[0].source and "<img" not in book.cells[0].source
    assert json.loads((folder.root / "release" / "other" / "sealed.json").read_text())["title"] == title


def test_a_late_comer_of_an_assignment_drawn_for_each_gets_a_call_of_the_same_kind(folder: ClassFolder) -> None:
    made = assign(folder, "each", Wanted(competency="command", difficulty=2), each=True, seed=7, release=False)
    roster = folder.root / "roster.csv"
    roster.write_text(roster.read_text(encoding="utf-8") + "new1,Nova New,,es\n", encoding="utf-8")
    update_roster(folder, roster)
    assert add_late_comers(folder, "each") == ("new1",)
    own = folder.assignment("each").of("new1")
    assert own is not None and own.fault == made.assigned[0].fault and own.variant not in {x.variant for x in made.assigned}
    payload = open_sealed(folder.root / "release" / "each" / "sealed.json", read_codes(folder.private)["new1"])
    assert (payload.fault, payload.language, payload.variant) == (own.fault, "es", own.variant)


# ---------------------------------------------------------------------- times and words
@pytest.fixture
def new_york(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """This machine in New York."""
    if not hasattr(time, "tzset"):
        pytest.skip("the zone can't be set here")
    monkeypatch.setenv("TZ", "America/New_York")
    time.tzset()
    yield
    monkeypatch.undo()
    time.tzset()


@pytest.mark.usefixtures("new_york")
@pytest.mark.parametrize(
    ("text", "utc"),
    [
        # IANA tz database: New York is UTC-5 in winter, UTC-4 from the second Sunday of March (14 March 2027) on.
        ("2027-03-01T17:00", "2027-03-01T22:00:00+00:00"), ("2027-03-15T17:00", "2027-03-15T21:00:00+00:00"),
        ("2027-03-15T17:00+02:00", "2027-03-15T15:00:00+00:00"), ("2027-03-15", "2027-03-15T04:00:00+00:00"),
    ],
)  # fmt: skip
def test_a_time_without_a_zone_is_this_machines(text: str, utc: str) -> None:
    assert utc_time(text) == utc


@pytest.mark.parametrize("text", ["", "soon", "2027-02-30", "0001-01-01T00:00+10:00", "2027-03-01T17:00+99:00", "\x00"])
def test_what_is_no_time_is_refused(text: str) -> None:
    with pytest.raises(ClassError, match="is no time"):
        utc_time(text)


def test_nbgraders_reason_is_told_and_not_its_pointer_to_a_traceback() -> None:
    log = "[ERROR] Traceback\n  File x\n    shutil.SpecialFileError: `x` is a named pipe\n[ERROR] Please see the the above\n"
    error = "nbgrader.converters.base.NbGraderException: Please see the the above traceback for details"
    assert told_by({"error": error, "log": log}) == "shutil.SpecialFileError: `x` is a named pipe"
    assert told_by({}) == "it said nothing" and told_by({"log": "only this"}) == "only this"
