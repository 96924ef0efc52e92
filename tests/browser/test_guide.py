"""Guidance on the page: hints, what is still possible, taking back, and a recorded call stepped through by keyboard."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from browser.fingers import Keyboard, Mouse
from browser.page import Host

from blowerbench import LocalBench, load_equipment, load_faults
from blowerbench import acts as a
from blowerbench.record import read_record
from blowergrade.coach import BenchCoach
from blowergrade.technicians import Technician
from blowerlessons import practice

UNIT = "furnace_120_constant_airflow"
FAULT, COMPLAINT = "door_switch_open", "nothing_blows"
Open = Callable[..., Host]


def practising(open_panel: Open, **more: object) -> tuple[Host, LocalBench, BenchCoach]:
    bench = LocalBench(UNIT, FAULT, COMPLAINT, **more)  # type: ignore[arg-type] # a record or nothing
    coach = BenchCoach.of(bench)
    return open_panel(bench=bench, coach=coach), bench, coach


def test_hints_are_asked_by_keyboard_shown_said_and_counted(open_panel: Open) -> None:
    host, bench, coach = practising(open_panel)
    person = Keyboard(host)
    for strength in (1, 2, 3):
        person.tab_to(f"[data-strength='{strength}']")
        host.press("Enter")
        told = host.page.text_content(".bp-hint") or ""
        # the outside source: another coach, asked without a page
        assert told == BenchCoach.of(bench).hint(tuple(bench.lines), strength)
        assert told in (host.page.text_content("[role=status]") or "")
    assert host.page.text_content(".bp-used") == "3 hints used" == coach.used
    assert bench.lines == [], "a hint is no act"
    assert host.errors == [] and host.panel.problem == ""


def test_what_is_still_possible_is_shown_on_request_and_says_when_it_is_old(open_panel: Open) -> None:
    host, bench, coach = practising(open_panel)
    assert host.page.is_hidden(".bp-possible")
    ask = ".bp-guide button[aria-expanded]"
    host.page.click(ask)
    host.settled()
    places = coach.possible(bench.lines)
    shown = host.page.locator(".bp-possible > ul > li").all_text_contents()
    assert len(shown) == len(places) and all(any(p.title in x for x in shown) for p in places)
    assert f"{coach.causes(bench.lines)} causes in {len(places)} places" in (host.page.text_content(".bp-count") or "")
    assert host.page.get_attribute(ask, "aria-expanded") == "true"
    Mouse(host).do(a.Look("around"))
    assert "This was so after act 0" in (host.page.text_content(".bp-stale") or "")
    host.page.click(ask)
    host.settled()
    assert host.page.locator(".bp-stale").count() == 0
    host.page.click(ask)
    host.settled()
    assert host.page.is_hidden(".bp-possible")


def test_taking_back_brings_page_and_bench_to_where_they_were(open_panel: Open) -> None:
    host, bench, _ = practising(open_panel)
    undo = ".bp-guide button[aria-disabled]"
    assert host.page.get_attribute(undo, "aria-disabled") == "true"
    person = Mouse(host)
    person.do(a.Look("around"))
    before, seen = bench.view(), host.page.text_content(".bp-clock")
    person.do(a.SetDoor(False))
    assert bench.view() != before
    host.page.click(undo)
    host.settled()
    assert bench.view() == before and host.page.text_content(".bp-clock") == seen
    assert host.page.get_attribute(".blowerbench", "data-seq") == "1"
    assert "You took back the last act." in (host.page.text_content("[role=status]") or "")
    assert host.page.is_hidden("[data-terminal='board.R']"), "the door is on again"


def test_a_bench_with_a_record_offers_no_taking_back_and_says_why(open_panel: Open, tmp_path: Path) -> None:
    host, bench, _ = practising(open_panel, record=tmp_path / "call.jsonl")
    Mouse(host).do(a.Look("around"))
    assert host.page.is_hidden(".bp-guide button[aria-disabled]")
    assert "a record only grows" in (host.page.text_content(".bp-guide .bp-why") or "")
    bench.close()
    assert len(read_record(tmp_path / "call.jsonl").lines) == 1


def test_without_a_coach_there_is_nothing_of_it_on_the_page_and_its_messages_are_refused(open_panel: Open) -> None:
    host = open_panel()
    assert host.page.locator(".bp-guide, .bp-replay, .bp-bar").count() == 0
    for message in ({"kind": "undo"}, {"kind": "possible"}, {"kind": "hint", "strength": 3}, {"kind": "replay", "to": 1}):
        host.panel.problem = ""
        last = max(host.panel.acks.values(), default=0)
        host.panel._handle_custom_msg({**message, "view": "x", "seq": last + 1}, [])
        assert "BenchError" in host.panel.problem


@pytest.fixture(scope="module")
def call() -> LocalBench:
    """A call that a technician carried through, on the complaint with the fewest causes: its table of tests is quick."""
    equipment = load_equipment(UNIT)
    rows = {c: load_faults(equipment).hypotheses(c) for c in equipment.complaints}
    complaint = min((c for c in rows if len(rows[c]) > 1), key=lambda c: (len(rows[c]), c))
    bench = LocalBench(equipment, rows[complaint][-1], complaint)
    Technician(bench).work()
    return bench


def test_a_recorded_call_is_stepped_through_by_keyboard_and_shows_what_the_bench_showed(
    open_panel: Open, call: LocalBench
) -> None:
    host = open_panel(bench=practice.recorded_call(call))
    person = Keyboard(host)

    def press(name: str) -> int:
        person.push(f"[data-to={name}]")
        host.settled()
        return int(host.page.get_attribute(".blowerbench", "data-seq") or -1)

    assert press("forward") == 1 and press("forward") == 2 and press("back") == 1
    telling = press("telling")
    assert telling > 1
    line = call.lines[telling - 1]
    display = [s.text for s in line.observation.shown]
    assert all(text in (host.page.text_content(".blowerbench") or "") for text in display)
    fell = host.page.locator(".bp-told tbody tr").count()
    assert fell > 0 and host.page.locator(".bp-told tbody tr td").count() == 2 * fell
    person.write(".bp-jump input", 5)
    host.press("Enter")
    assert host.page.get_attribute(".blowerbench", "data-seq") == "5"
    assert press("end") == len(call.lines)
    assert host.page.get_attribute("[data-to=forward]", "aria-disabled") == "true"
    assert press("first") == 0
    assert "The arrival" in (host.page.text_content(".bp-told") or "")
    assert host.errors == [] and host.panel.problem == ""


def test_a_recorded_call_offers_no_act_and_its_page_fits_a_tablet(open_panel: Open, call: LocalBench) -> None:
    host = open_panel(bench=practice.recorded_call(call), width=810)
    for hidden in (".bp-work", "[data-form=leads]", "[data-form=declare]", "[data-form=dial]"):
        assert host.page.is_hidden(hidden)
    boxes = host.page.evaluate(
        "() => [...document.querySelectorAll('.bp-bar button, .bp-bar input')].map((b) => b.getBoundingClientRect().toJSON())"
    )
    assert boxes and all(b["width"] >= 24 and b["height"] >= 24 and b["right"] <= 810 for b in boxes)  # WCAG 2.2, 2.5.8
