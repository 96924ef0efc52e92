"""Everybody can use the panel: WCAG 2.2 at levels A and AA, measured in a real Chromium.

Rule: the checker (axe-core, by Deque) is the outside source where it can judge; what it is blind to (pictures, targets, reach,
motion) is measured beside it. The criteria are quoted from memory.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from browser.fingers import Keyboard, Mouse
from browser.page import HOME, Host
from browser.test_panel_host import luminance
from playwright.sync_api import Page

from blowerbench import LocalBench, load_equipment, load_faults
from blowerbench import acts as a
from blowerbench.record import read_record
from blowergrade.coach import BenchCoach
from blowergrade.score import grade_bench
from blowergrade.sheet import Sheet
from blowergrade.technicians import Technician
from blowergrade.watcher import SafetyWatcher
from blowerlessons import practice

UNIT = "furnace_120_constant_airflow"
RULES = {"runOnly": {"type": "tag", "values": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]},
         "resultTypes": ["violations"]}  # fmt: skip
THEMES = ("light", "dark", "forced", "forced dark")
Open = Callable[..., Host]


def wear(page: Page, theme: str) -> None:
    """Show the page in one of `THEMES`."""
    scheme = "dark" if "dark" in theme else "light"
    page.emulate_media(color_scheme=scheme, forced_colors="active" if "forced" in theme else "none")  # type: ignore[arg-type] # two literals
    page.evaluate("(scheme) => { document.documentElement.style.colorScheme = scheme; }", scheme)


def violations(page: Page) -> list[str]:
    """What axe finds on the page, each with the first element it names."""
    found = Axe().run(page, options=RULES).response["violations"]
    return [f"{one['id']}: {one['nodes'][0]['html'][:200]}" for one in found]


def practising(open_panel: Open, language: str = "en", **more: Any) -> Host:
    """A panel with coach and cautions, opened up for work: an unsafe act has been done, its caution waits to be read."""
    bench = LocalBench(UNIT, "door_switch_open", "nothing_blows")
    coach = BenchCoach.of(bench, language=language)
    host = open_panel(bench=bench, coach=coach, watcher=SafetyWatcher(bench), language=language, **more)
    person = Mouse(host)
    for act in (a.SetDisconnect(False), a.SetDoor(False), a.OpenControl()):
        person.do(act)
    assert host.page.is_visible(".bp-cautions")
    return host


def show(host: Host, name: str) -> None:
    host.page.click(f"[role=tab][data-view={name}]")
    host.settled()
    host.page.wait_for_selector(f"[role=tabpanel][data-view={name}] svg")


def views(host: Host) -> list[str]:
    return [name for name, _ in host.panel.words["views"]]


def contrast(one: str, other: str) -> float:
    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


# ---------------------------------------------------------------------- what axe can judge
@pytest.mark.slow
@pytest.mark.parametrize("language", ["en", "es"])
def test_axe_finds_nothing_in_any_view_theme_or_state_of_practice(open_panel: Open, language: str) -> None:
    host = practising(open_panel, language)
    page = host.page
    assert page.get_attribute(".blowerbench", "lang") == language
    for theme in THEMES[:3]:
        wear(page, theme)
        assert violations(page) == [], f"caution, {theme}"
    page.keyboard.press("Escape")
    host.settled()
    page.click("[data-strength='2']")
    host.settled()
    page.click(".bp-guide button[aria-expanded]")
    host.settled()
    assert page.is_visible(".bp-hint") and page.is_visible(".bp-possible")
    for name in views(host):
        show(host, name)
        for theme in THEMES[:3]:
            wear(page, theme)
            assert violations(page) == [], f"{name}, {theme}"
    assert len(views(host)) == 5
    assert set(host.asked) == {HOME, f"{HOME}panel.js"}, "nothing off this page"
    assert host.errors == [] and host.panel.problem == ""


@pytest.fixture(scope="module")
def quick() -> LocalBench:
    """A bench on the complaint with the fewest causes: its score sheet is quick to make."""
    equipment = load_equipment(UNIT)
    rows = {c: load_faults(equipment).hypotheses(c) for c in equipment.complaints}
    complaint = min((c for c in rows if len(rows[c]) > 1), key=lambda c: (len(rows[c]), c))
    return LocalBench(equipment, rows[complaint][-1], complaint)


@pytest.fixture(scope="module")
def call(quick: LocalBench) -> Iterator[LocalBench]:
    """That bench, its call carried through by the scripted technician, who works as taught."""
    Technician(quick).work()
    yield quick
    quick.close()


@pytest.mark.slow
def test_a_call_goes_by_keys_alone_from_arrival_to_a_passed_score_sheet_in_which_axe_finds_nothing(
    open_panel: Open, call: LocalBench, tmp_path: Path
) -> None:
    session, record = call.session, tmp_path / "call.jsonl"
    bench = LocalBench(session.equipment, session.hypothesis, session.complaint.id, record=record)
    sheets: list[Sheet] = []

    def report(_: object) -> str:
        sheets.append(grade_bench(bench))
        return sheets[0].html()

    host = open_panel(bench=bench, report=report)
    host.page.evaluate("() => { window.touched = 0; addEventListener('pointerdown', () => { window.touched += 1; }, true); }")
    person = Keyboard(host)
    for line in call.lines:
        person.do(line.act)
    bench.close()
    assert read_record(record).lines == tuple(call.lines)  # the outside source: the same acts done on a bench that has no page
    assert host.page.evaluate("() => window.touched") == 0
    assert host.page.get_attribute(".blowerbench", "data-ended") == "true"
    frame = host.page.frame_locator(".bp-sheet iframe")
    assert "Passed" in (frame.locator(".score-sheet").text_content() or "")
    person.tab_to(".bp-sheet iframe")
    host.press("End")  # it scrolls by keys: WCAG 2.2, 2.1.1
    host.page.wait_for_function("() => document.querySelector('.bp-sheet iframe').contentWindow.scrollY > 100")
    assert host.errors == [] and host.panel.problem == ""
    for theme in THEMES[:3]:
        wear(host.page, theme)
        assert violations(host.page) == [], theme
    # the sheet's own page: its frame lets no script in, so that axe reads it outside
    paper = host.page.context.new_page()
    for language in ("en", "es"):
        paper.set_content(sheets[0].html(language))
        for theme in THEMES[:3]:
            wear(paper, theme)
            assert violations(paper) == [], (language, theme)


@pytest.mark.slow
def test_axe_finds_nothing_in_a_recorded_call(open_panel: Open, call: LocalBench) -> None:
    host = open_panel(bench=practice.recorded_call(call))
    host.page.click("[data-to=telling]")
    host.settled()
    assert host.page.locator(".bp-told table").count() == 1
    for theme in THEMES[:3]:
        wear(host.page, theme)
        assert violations(host.page) == [], theme


def test_axe_finds_nothing_on_a_page_whose_kernel_is_gone(open_panel: Open) -> None:
    host = open_panel(answers=False)
    host.page.wait_for_selector(".blowerbench.bp-lost", timeout=6000)
    assert violations(host.page) == []


def test_axe_is_awake(open_panel: Open) -> None:
    # a checker that finds nothing has to be shown finding something
    host = open_panel()
    host.page.evaluate("""() => {
        document.querySelector(".bp-work select").removeAttribute("aria-label");
        document.querySelector(".bp-said").append("grey on white");
        document.querySelector(".bp-said").style.color = "#aaa";
    }""")
    found = {line.split(":")[0] for line in violations(host.page)}
    assert {"select-name", "color-contrast"} <= found


# ---------------------------------------------------------------------- what axe is blind to
#: Every visible shape of the drawing: its class, stroke and fill, without what the rule for parts does not ask of it:
#: a wire's core lies in its casing and carries its colour's printed code, a mark lies on its lead, louvres are for looks.
SHAPES = """() => [...document.querySelectorAll(".bp-picture svg :is(path, rect, circle, line, ellipse, polygon, polyline)")]
    .filter((e) => e.checkVisibility({ visibilityProperty: true }))
    .filter((e) => !e.matches(".bp-core, .bp-mark, .bp-slots, .bp-hit, .bp-thing"))
    .map((e) => [e.getAttribute("class"), getComputedStyle(e).stroke, getComputedStyle(e).fill])"""
#: What lies behind them: the paper, and the wash of boards and ducts.
BEHIND = """() => ["--bp-paper", "--bp-wash"].map((name) => {
    const probe = document.querySelector(".bp-picture").appendChild(document.createElement("i"));
    probe.style.background = `var(${name})`;
    const colour = getComputedStyle(probe).backgroundColor;
    probe.remove();
    return colour;
})"""


def painted(colour: str) -> bool:
    return colour not in ("none", "transparent") and not (colour.startswith("rgba") and colour.endswith(", 0)"))


@pytest.mark.parametrize("theme", THEMES)
def test_every_part_of_every_drawing_stands_out_3_to_1_from_what_lies_behind_it(open_panel: Open, theme: str) -> None:
    # WCAG 2.2, success criterion 1.4.11 (Non-text Contrast): 3:1
    host = practising(open_panel)
    host.page.keyboard.press("Escape")
    wear(host.page, theme)
    for lead, at in (("red", "board.R"), ("black", "board.C")):
        Mouse(host).do(a.PlaceLead(lead, at, True))  # type: ignore[arg-type] # the two leads
        host.page.keyboard.press("Escape")
    counted = 0
    for name in views(host):
        show(host, name)
        behind = host.page.evaluate(BEHIND)
        for kind, *colours in host.page.evaluate(SHAPES):
            best = max((min(contrast(c, b) for b in behind) for c in colours if painted(c)), default=None)
            assert best is None or best >= 3.0, (name, kind, colours, behind)
            counted += best is not None
    assert counted > 300


@pytest.mark.parametrize("theme", THEMES)
def test_controls_can_be_told_from_the_page_and_the_focus_seen(open_panel: Open, theme: str) -> None:
    # WCAG 2.2, success criteria 1.4.11 and 2.4.7: the border of a control and the ring of the focus, 3:1
    host = practising(open_panel)
    host.page.keyboard.press("Escape")
    wear(host.page, theme)
    host.page.keyboard.press("Tab")  # from here on the focus is one that came by key
    paper = host.page.evaluate(BEHIND)[0]
    controls = host.page.evaluate(
        """() => [...document.querySelectorAll(".blowerbench :is(button, select, textarea, input)")]
            .filter((e) => e.checkVisibility() && e.getAttribute("aria-disabled") !== "true").map((e) => {
                e.focus();
                const s = getComputedStyle(e);
                return [e.textContent.slice(0, 30) || e.type, s.borderTopColor, s.outlineColor, s.outlineStyle, s.outlineWidth,
                    s.backgroundColor];
            })"""
    )
    assert len(controls) > 30
    for name, border, outline, style, width, ground in controls:
        assert max(contrast(border, paper), contrast(ground, paper)) >= 3.0, (name, border, ground)
        assert style not in ("none", "hidden") and float(width.removesuffix("px")) >= 1, name
        assert contrast(outline, paper) >= 3.0, (name, outline)


@pytest.mark.parametrize(("width", "height"), [(640, 400), (400, 700), (320, 568)])
def test_at_200_percent_and_on_a_narrow_page_nothing_is_lost_and_every_target_keeps_24_pixels(
    open_panel: Open, width: int, height: int
) -> None:
    # WCAG 2.2, 1.4.4 (Resize Text: 1280 by 800 at 200 % is 640 by 400), 1.4.10 (Reflow: 320 px; drawings may scroll), 2.5.8
    host = practising(open_panel)
    host.page.keyboard.press("Escape")
    every = """() => [...document.querySelectorAll(".blowerbench :is(button, select, summary, input, textarea)")]
        .filter((e) => e.checkVisibility()).length"""
    before = host.page.evaluate(every)
    host.page.set_viewport_size({"width": width, "height": height})
    assert host.page.evaluate(every) == before > 40
    for name in views(host):
        show(host, name)
        over, small = host.page.evaluate(
            """() => {
                const wide = document.documentElement.clientWidth;
                const own = [...document.querySelectorAll(".blowerbench *")].filter((e) => e.checkVisibility());
                const box = (e) => e.getBoundingClientRect();
                const name = (e) => `${e.tagName} ${e.className} ${e.textContent.slice(0, 20)}`;
                return [
                    own.filter((e) => !e.closest(".bp-picture svg, .bp-hidden-text"))
                        .filter((e) => box(e).width > 1 && box(e).right > wide + 1).map(name),
                    own.filter((e) => e.matches("button, select, summary, .bp-choice, .bp-hit, .bp-thing, textarea, input"))
                        .filter((e) => !e.matches(".bp-choice input")) // the label around it is the target
                        .filter((e) => box(e).width > 0 && (box(e).width < 23.9 || box(e).height < 23.9)).map(name),
                ];
            }"""
        )
        assert over == [], name
        assert small == [], name
    assert host.page.evaluate("() => document.scrollingElement.scrollWidth <= document.documentElement.clientWidth")
    # the header stays over the rest only where it leaves most of the page free
    high = host.page.evaluate(
        "() => { const e = document.querySelector('.bp-head');"
        " return getComputedStyle(e).position === 'sticky' ? e.getBoundingClientRect().height : 0; }"
    )
    assert high <= height / 3


def test_a_page_that_asks_for_less_motion_runs_no_animation_and_shows_every_reading_at_once(open_panel: Open) -> None:
    host = open_panel()
    host.page.emulate_media(reduced_motion="reduce")
    person = Mouse(host)
    running = "() => document.getAnimations().length"
    for act in (a.SetThermostat("fan"), a.Wait(20), a.SetDoor(False), a.HoldDoorSwitch(True), a.Wait(20)):
        person.do(act)
        assert host.page.evaluate(running) == 0
    probing = (a.SetMeter("volts_ac"), a.PlaceLead("red", "board.R", True), a.PlaceLead("black", "board.C", True))
    for probe in probing:
        person.do(probe)
        assert host.page.evaluate(running) == 0
        assert host.page.locator(".bp-settling").count() == 0
    host.page.emulate_media(reduced_motion="no-preference")
    assert host.page.evaluate(running) > 0, "with motion the wheel turns"


def way(table: dict[str, list[str]], start: str, wanted: set[str]) -> list[str]:
    """The arrow keys from `start` to the nearest stop in `wanted`."""
    queue: deque[tuple[str, list[str]]] = deque([(start, [])])
    seen = {start}
    while queue:
        here, keys = queue.popleft()
        if here in wanted:
            return keys
        for key, there in zip(("ArrowLeft", "ArrowUp", "ArrowRight", "ArrowDown"), table[here], strict=True):
            if there not in seen:
                seen.add(there)
                queue.append((there, [*keys, key]))
    raise AssertionError(f"no arrow keys lead from {start} to any of {sorted(wanted)}")


@pytest.mark.parametrize("unit", [UNIT, "outdoor_fan_240"])
def test_every_stop_of_every_view_is_reached_by_arrow_keys_and_together_they_are_every_terminal(
    open_panel: Open, unit: str
) -> None:
    # WCAG 2.2, success criterion 2.1.1 (Keyboard)
    bench = LocalBench(unit, "healthy_unit", next(iter(load_equipment(unit).complaints)))
    host = open_panel(bench=bench)
    person = Keyboard(host)
    acts = [a.SetDisconnect(False), a.SetDoor(False), *([a.OpenControl()] if bench.equipment.electronic else [])]
    for act in acts:
        person.do(act)
    reached: set[str] = set()
    for number, name in enumerate(views(host)):
        person.tab_to("[role=tab]")
        for _ in range(min(number, 1)):
            host.page.keyboard.press("ArrowRight")
        host.settled()
        host.page.wait_for_selector(f"[role=tabpanel][data-view={name}] svg")
        table = host.panel.ways if name == "wired" else getattr(host.panel, f"ways_{name}")
        if not table:
            continue
        person.tab_to(".bp-picture [tabindex='0']")
        at = "() => document.activeElement.dataset.terminal ?? document.activeElement.dataset.key"
        left = set(table) - {host.page.evaluate(at)}
        here: str = host.page.evaluate(at)
        while left:
            for key in way(table, here, left):
                host.page.keyboard.press(key)
            here = host.page.evaluate(at)
            assert here in left, name
            left.discard(here)
        reached |= set(table)
    assert set(bench.equipment.terminals) <= reached
    assert host.errors == []
