"""The tabs of a panel in a real Chromium: five views of one bench, by keyboard and by mouse."""

from __future__ import annotations

import itertools
import json
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from browser.fingers import Keyboard, Mouse
from browser.page import Host
from playwright.sync_api import Browser, Page

import blowerdata
import blowerlessons
from blowerbench import LocalBench, load_equipment
from blowerbench import acts as a
from blowerbench.panels import BenchPanel

SMALL = str(Path(blowerlessons.__file__).parent / "guides" / "small_unit.toml")
UNITS = [*blowerdata.names("equipment"), SMALL]
Open = Callable[..., Host]


def bench_of(unit: str) -> LocalBench:
    return LocalBench(unit, "healthy_unit", next(iter(load_equipment(unit).complaints)))


def leads_of(host: Host) -> list[Any]:
    leads: Any = host.panel._bench.view().hands["leads"]
    return list(leads)


def names(host: Host) -> list[str]:
    return [name for name, _ in host.panel.words["views"]]


def show(host: Host, name: str) -> None:
    """Open a tab with the mouse."""
    host.page.click(f"[role=tab][data-view={name}]")
    host.settled()
    host.page.wait_for_selector(f"[role=tabpanel][data-view={name}] svg")


def ways(host: Host, name: str) -> dict[str, list[str]]:
    found: dict[str, list[str]] = host.panel.ways if name == "wired" else getattr(host.panel, f"ways_{name}")
    return found


def test_a_lead_placed_in_one_view_is_on_its_terminal_in_every_other(open_panel: Open) -> None:
    host = open_panel()
    person = Mouse(host)
    for act in (a.SetDisconnect(False), a.SetDoor(False)):
        person.do(act)
    show(host, "ladder")
    person.do(a.PlaceLead("red", "control.h3", True))
    show(host, "board")
    person.do(a.PlaceLead("black", "board.KF", True))
    leads: Any = host.panel._bench.view().hands["leads"]
    assert {lead: at for lead, at, _ in leads} == {"red": "control.h3", "black": "board.KF"}
    seen = {}
    for name in names(host):
        show(host, name)
        seen[name] = {
            lead: host.page.locator(f".bp-has-{lead}").evaluate_all("es => es.map((e) => e.dataset.terminal)")
            for lead in ("red", "black")
        }
        said = host.page.text_content(".bp-leadline") or ""
        assert "red lead is clipped on pin 3 of the motor control plug" in said and "KF" in said
    assert seen["wired"] == seen["ladder"] == {"red": ["control.h3"], "black": ["board.KF"]}
    assert seen["connectors"] == {"red": ["control.h3"], "black": []}
    assert seen["board"] == {"red": [], "black": ["board.KF"]}
    assert seen["air"] == {"red": [], "black": []}
    assert host.errors == [] and host.panel.problem == ""


def test_tabs_and_everything_in_them_work_by_keyboard_alone(open_panel: Open) -> None:
    # W3C, ARIA Authoring Practices, tabs pattern: one tab stop, arrows and Home/End open, tab and panel name each other
    host = open_panel()
    person = Keyboard(host)
    for act in (a.SetDisconnect(False), a.SetDoor(False)):
        person.do(act)
    person.tab_to("[role=tab]")
    seen = []
    for _ in names(host):
        host.press("ArrowRight")
        view = host.page.evaluate("() => document.activeElement.dataset.view")
        host.page.wait_for_selector(f"[role=tabpanel][data-view={view}] svg")
        seen.append(view)
        assert host.page.get_attribute(f"[data-view={view}][role=tab]", "aria-selected") == "true"
        assert host.page.locator("[role=tab][tabindex='0']").count() == 1
        labelled = host.page.get_attribute("[role=tabpanel]", "aria-labelledby")
        assert host.page.get_attribute(f"[id='{labelled}']", "data-view") == view
    assert seen == [*names(host)[1:], "wired"]
    host.press("Home", "ArrowRight", "ArrowRight")  # the connectors
    person.tab_to("[data-terminal]")
    table = ways(host, "connectors")
    reached = {host.focused()}
    for terminal in table:  # each by arrow keys, from wherever the last one left the focus
        for key in way(table, host.focused(), terminal):
            host.page.keyboard.press(key)
        reached.add(host.focused())
    assert reached == set(table) and len(reached) > 20
    host.press("Home", "-", "Enter")
    assert [list(x)[:2] for x in leads_of(host)] == [["black", next(iter(table))]]
    host.press("Delete")
    assert leads_of(host) == []
    assert host.errors == [] and host.panel.problem == ""


def way(table: dict[str, list[str]], start: str, goal: str) -> list[str]:
    """The arrow keys from one stop to another, the shortest way."""
    found, todo = {start: [""]}, [start]
    while goal not in found:
        here = todo.pop(0)
        for key, there in zip(("ArrowLeft", "ArrowUp", "ArrowRight", "ArrowDown"), table[here], strict=True):
            if there not in found:
                found[there] = [*found[here], key]
                todo.append(there)
    return found[goal][1:]


def test_a_port_of_the_air_view_is_chosen_by_keyboard_and_its_hose_is_drawn(open_panel: Open) -> None:
    host = open_panel()
    person = Keyboard(host)
    person.tab_to("[role=tab]")
    host.press("ArrowRight", "ArrowRight", "ArrowRight")
    host.page.wait_for_selector("[role=tabpanel][data-view=air] svg")
    person.tab_to("[role=button][data-thing]")
    host.press("ArrowRight", "Enter")
    assert host.page.input_value(".bp-work select") == "port_inlet"
    assert host.page.evaluate("() => document.activeElement.matches('.bp-work select')")
    for act in (a.OpenPort("inlet"), a.PlaceHose("high", "inlet")):
        person.do(act)
    visible = "es => es.filter((e) => getComputedStyle(e).visibility === 'visible').map((e) => e.dataset.key)"
    assert host.page.eval_on_selector_all(".bp-hose, .bp-probe", visible) == ["hose:high:inlet"]
    shown = host.panel._bench.view().observation.shown
    assert [s.instrument for s in shown] == ["manometer"]
    assert shown[0].text in (host.page.text_content("[data-key='note:manometer']") or "")


def test_a_click_on_a_thing_in_any_view_chooses_it_to_work_on(open_panel: Open) -> None:
    host = open_panel()
    Mouse(host).do(a.SetDoor(False))
    middle = {"board": ("selector_select_a", "status"), "ladder": ("disconnect",), "air": ("look_filter",)}
    for view, things in middle.items():
        show(host, view)
        for thing in things:
            host.page.click(f"[data-thing='{thing}']")
            assert host.page.input_value(".bp-work select") == thing
    show(host, "connectors")
    host.page.locator("[data-thing='control_plug']").first.click(position={"x": 6, "y": 20})  # beside the pins
    assert host.page.input_value(".bp-work select") == "control_plug"


def test_a_view_is_sent_once_and_an_act_sends_little_more_for_it(open_panel: Open) -> None:
    host = open_panel()
    person = Mouse(host)
    assert [n for n in names(host) if n != "wired" and getattr(host.panel, f"tree_{n}")] == []
    for name in names(host):
        show(host, name)
    sent: list[dict[str, int]] = []
    host.panel.observe(lambda change: sent.append({change["name"]: len(json.dumps(change["new"]))}))
    for name in names(host):
        show(host, name)
    assert [row for row in sent if any(k.startswith("tree_") for k in row)] == []
    sent.clear()
    show(host, "ladder")
    for act in (a.SetDoor(False), a.SetMeter("volts_ac"), a.PlaceLead("red", "board.R", False)):
        person.do(act)
    sizes = {k: v for row in sent for k, v in row.items() if k.startswith(("tree_", "ways_", "view_", "lead_"))}
    assert sizes and max(sizes.values()) < 40_000, sizes
    assert not any(k.startswith("tree_") for k in sizes)


def test_a_page_that_comes_later_finds_the_views_that_were_opened_before(open_panel: Open) -> None:
    bench = bench_of("furnace_120_split_capacitor")
    first = open_panel(bench=bench)
    show(first, "board")
    second = Host(first.page.context.new_page(), first.panel)
    show(second, "board")
    assert second.page.get_attribute(".blowerbench", "data-sent") is None  # nothing was asked for again
    assert second.errors == []


@pytest.mark.parametrize("unit", ["furnace_120_constant_airflow", "outdoor_fan_240"])  # the first and the least alike
def test_in_every_view_of_a_unit_targets_are_24_pixels_wide_and_every_stop_can_be_focused(open_panel: Open, unit: str) -> None:
    # WCAG 2.2, success criterion 2.5.8, target size (minimum): 24 by 24 CSS px; from memory
    host = open_panel(bench=bench_of(unit), width=848)
    person = Mouse(host)
    person.do(a.SetDoor(False))
    if host.panel._bench.equipment.electronic:
        person.do(a.OpenControl())
    for name in names(host):
        show(host, name)
        small = host.page.eval_on_selector_all(
            "[role=tab], .bp-hit, .bp-thing",
            "es => es.map((e) => [e.getBoundingClientRect(), e.dataset.key ?? e.parentNode.dataset.key])"
            ".filter(([r]) => r.width > 0 && (r.width < 23.9 || r.height < 23.9)).map(([r, k]) => [k, r.width, r.height])",
        )
        assert small == [], name
        focused = host.page.evaluate(
            """(stops) => stops.filter((s) => {
                const e = document.querySelector(`[data-terminal='${s}'], [data-key='${s}']`);
                e?.focus();
                return !e || document.activeElement !== e;
            })""",
            list(ways(host, name)),
        )
        assert focused == [], name
    assert host.errors == [] and host.panel.problem == ""


BOXES = """() => [...document.querySelectorAll("svg text")].filter((t) => t.textContent.trim() && t.getClientRects().length
    && getComputedStyle(t).visibility === "visible")
  .map((t) => { const b = t.getBoundingClientRect();
    return { text: t.textContent, x: b.x, y: b.y + b.height * 0.16, w: b.width, h: b.height * 0.68 }; })"""


@pytest.fixture
def paper(browser: Browser) -> Iterator[Page]:
    context = browser.new_context(viewport={"width": 1600, "height": 1600})
    yield context.new_page()
    context.close()


@pytest.mark.parametrize(("unit", "language"), [*((unit, "en") for unit in UNITS), (UNITS[1], "es")])
def test_no_word_of_a_view_lies_on_another_or_leaves_the_picture(paper: Page, unit: str, language: str) -> None:
    bench = bench_of(unit)
    acts: list[a.Act] = [a.SetDisconnect(False), a.SetDoor(False)]
    acts += [a.SetSelector(name, True) for name in bench.equipment.selectors]
    acts += [a.OpenControl()] if bench.equipment.electronic else []
    ports = bench.equipment.air.ports if bench.equipment.air else ()
    for port in ports[:1]:
        acts += [a.OpenPort(port.name), a.PlaceHose("low", port.name), a.PlaceProbe("first", port.name)]
    for act in acts:
        bench.act(act)
    panel = BenchPanel(bench, language=language)
    for name, _ in panel.words["views"][1:]:
        paper.set_content(f"<body style='margin:0'>{panel.picture(name)}</body>")
        width, height = paper.evaluate("() => ['width', 'height'].map((n) => +document.querySelector('svg').getAttribute(n))")
        found = paper.evaluate(BOXES)
        assert len(found) > 10
        for one in found:
            inside = one["x"] >= 0 and one["y"] >= 0 and one["x"] + one["w"] <= width and one["y"] + one["h"] <= height
            assert inside, (name, one)
        for one, two in itertools.combinations(found, 2):
            across = min(one["x"] + one["w"], two["x"] + two["w"]) - max(one["x"], two["x"])
            down = min(one["y"] + one["h"], two["y"] + two["h"]) - max(one["y"], two["y"])
            assert across <= 1 or down <= 1, (name, one, two)
