"""Misconceptions: a fault stands under one only where the catalogue's own data make that belief go wrong on it."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

import pytest

import blowerdata
from blowerbench.equipment import Equipment, load_equipment
from blowerbench.faults import Fault, load_faults
from blowergrade.safety_rules import RULES
from blowerlessons.assigned import practice_calls
from blowerlessons.build import lessons
from blowerlessons.misconceptions import MisconceptionError, exposed_by, misconceptions, parse
from blowerlessons.plans import PURPOSE, QUESTIONS, critical_list, plan, plans, to_assign
from blowerlessons.reading import grade

UNITS: dict[str, Equipment] = {name: load_equipment(name) for name in blowerdata.names("equipment")}
FAULTS: dict[tuple[str, str], Fault] = {(n, f.id): f for n, e in UNITS.items() for f in load_faults(e).faults.values()}
ROW = {"id": "a", "lesson": "01", "believes": "x", "tempting": "y", "upset_by": "z"}


def under(name: str) -> set[tuple[str, str]]:
    """The faults of the misconception `name`."""
    return set(next(m for m in misconceptions() if m.id == name).faults)


def those(wanted: Callable[[Fault], bool]) -> set[tuple[str, str]]:
    """The catalogue's faults for which `wanted` holds."""
    return {pair for pair, fault in FAULTS.items() if wanted(fault)}


def test_a_fault_exposes_a_few_and_no_misconception_takes_the_whole_catalogue() -> None:
    for pair in FAULTS:
        assert 1 <= len(exposed_by(*pair)) <= 4, pair
    assert all(len(m.faults) <= len(FAULTS) // 8 for m in misconceptions())


def test_gas_and_alarm_are_exactly_the_calls_at_which_work_stops() -> None:
    assert under("gas-can-wait") == those(lambda f: f.stop_work)


def test_what_comes_and_goes_is_what_works_when_one_comes() -> None:
    assert those(lambda f: f.when is not None) <= under("it-works-now")


def test_a_healthy_unit_exposes_the_belief_that_something_must_be_bad() -> None:
    assert under("i-was-called-so-something-is-bad") == those(lambda f: f.correction == "no_fault_found")


def test_two_faults_at_once_expose_the_belief_in_one() -> None:
    assert those(lambda f: f.change == "both") <= under("one-fault-explains-it")


def test_bad_instruments_expose_trust_in_instruments() -> None:
    assert under("the-tool-is-never-wrong") == those(lambda f: f.correction in ("reference_source", "test_lead", "meter"))


def test_a_breaker_that_trips_is_not_just_put_back() -> None:
    assert those(lambda f: re.search(r"(?<!no )breaker (trips|snaps|holds)", f.sees) is not None) <= under("just-reset-it")


def test_a_fuse_that_blows_is_not_the_fault() -> None:
    assert those(lambda f: re.search(r"fuse\b.*\b(blown|blows)", f.sees) is not None and "no fuse" not in f.sees) <= under(
        "the-fuse-is-the-fault"
    )


def test_a_faulty_board_exposes_never_the_board_and_no_other_part_does() -> None:
    board = those(lambda f: f.correction == "board")
    # A delay is another belief's (waiting), a surge that took two parts as well (one fault explains it).
    apart = those(lambda f: "late" in f.title or "too long" in f.title or "surge" in f.title)
    assert board - apart <= under("never-the-board") <= board
    assert not any(FAULTS[pair].correction == "board" for pair in under("the-board-first"))


#: Beliefs about a part, and the correction units of which an equipment must have one for the belief to make sense on it.
PARTS = {
    "door-switch-is-a-disconnect": {"door_switch"},
    "volts-across-phases-show-the-bus": {"control_module"},
    "five-minutes-are-enough": {"control_module"},
    "control-and-motor-are-one": {"control_module"},
    "no-run-on-the-source-is-the-control": {"control_module"},
    "no-start-means-capacitor": {"run_capacitor"},
    "it-hums-so-it-is-seized": {"run_capacitor"},
    "a-capacitor-is-good-or-dead": {"run_capacitor"},
    "a-serial-line-can-be-metered": {"data_harness"},
    "never-the-board": {"board"},
    "the-board-first": {"board"},
    "an-unused-tap-is-dead": {"tap_setting"},
    "any-tap-will-do": {"tap_setting"},
    "contactor-out-means-dead": {"contactor"},
    "the-link-is-spare": {"power_harness"},
    "an-open-float-is-a-bad-float": {"drain", "condensate_drain"},
}


@pytest.mark.parametrize("name", PARTS)
def test_a_belief_about_a_part_stands_only_under_units_that_have_it(name: str) -> None:
    for unit, fault in under(name):
        assert PARTS[name] & set(UNITS[unit].units), (unit, fault)


def test_a_float_that_water_lifted_is_no_bad_float() -> None:
    for pair in under("an-open-float-is-a-bad-float"):
        assert "drain" in FAULTS[pair].correction, pair


def test_a_full_supply_with_a_part_off_and_little_under_load_is_what_unloaded_readings_hide() -> None:
    # Common practice: voltage drop is measured under load. A resistance in a conductor is what no unloaded reading shows.
    loose = {"high", "corroded", "burnt", "green", "pitted", "hot", "weak"}
    for pair in under("unloaded-means-good"):
        fault = FAULTS[pair]
        assert fault.change == "resistance" and loose & set(re.split(r"[_ ]", fault.id)), pair


def test_what_is_asked_is_short_plain_and_asks() -> None:
    numbers = {x.key[:2] for x in lessons()}
    for m in misconceptions():
        assert m.lesson in numbers, m.id
        assert "?" in m.upset_by or m.upset_by.startswith(("Measure", "Load", "Prove")), m.id
        for text, most in ((m.believes, 25), (m.tempting, 16), (m.upset_by, 45)):
            assert text[0].isupper() and text[-1] in ".?" and len(text.split()) <= most, (m.id, text)
    told = " ".join(f"{m.believes} {m.tempting} {m.upset_by}" for m in misconceptions())
    assert grade(told) <= 9.0


def test_each_lesson_but_the_capstone_treats_at_least_two() -> None:
    for number in sorted({x.key[:2] for x in lessons()} - {"13"}):
        assert sum(m.lesson == number for m in misconceptions()) >= 2, number


@pytest.mark.parametrize(
    ("row", "says"),
    [
        ({"faults": {"no_such_unit": ["x"]}}, "a: no such fault: no_such_unit: x"),
        ({"faults": ["lead_open"]}, "a: faults is .*write one line for each unit"),
        ({"faults": {"outdoor_fan_240": "lead_open"}}, "write one line for each unit"),
        ({"faults": {"outdoor_fan_240": ["lead_open", "lead_open"]}}, "a: lead_open named twice"),
        ({}, "a: faults missing"),
    ],
)
def test_an_entry_that_cannot_be_read_is_named_with_its_remedy(row: dict[str, Any], says: str) -> None:
    with pytest.raises(MisconceptionError, match=says):
        parse({"misconception": [ROW | row]})


def test_two_entries_of_one_name_are_refused() -> None:
    row = ROW | {"faults": {"outdoor_fan_240": ["lead_open"]}}
    with pytest.raises(MisconceptionError, match="a: stands twice"):
        parse({"misconception": [row, row]})


def test_each_misconception_has_a_fault_to_assign_that_no_lesson_gives_away() -> None:
    practised = {(c.equipment, c.fault.split("/")[0]) for x in lessons() for c in practice_calls(x.key)}
    assert len(practised) >= 30
    for m in misconceptions():
        found = to_assign(m)
        assert found in m.faults and found not in practised, m.id


def test_a_plan_has_a_purpose_a_question_and_the_beliefs_of_its_lesson() -> None:
    for lesson in (x for x in lessons() if x.language == "en"):
        text, number = plan(lesson), lesson.key[:2]
        assert PURPOSE[number] in text and QUESTIONS[number] in text
        assert all((m.believes in text) == (m.lesson == number) for m in misconceptions()), number
        minutes = [int(cell) for cell in re.findall(r"^\| [^|]+ \| (\d+) \|$", text, flags=re.M)]
        assert len(minutes) == 4 and sum(minutes) == lesson.about["minutes"] and min(minutes) > 0


def test_the_plans_end_with_every_critical_act_and_no_lesser_one() -> None:
    text = critical_list()
    assert len(RULES) > 15
    for rule in RULES.values():
        assert (f"{rule.what[1:]}**: {rule.why}. *{rule.clause}*" in text) == (rule.level == "critical"), rule.id
    assert plans().rstrip().endswith(text.splitlines()[-1])
