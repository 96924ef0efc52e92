"""Instruments and cautions in a real Chromium: dial, kept readings, strip chart, waiting, and what is said after a slip."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from browser.fingers import Keyboard, Mouse
from browser.page import Host
from browser.test_panel_host import luminance

from blowerbench import LocalBench
from blowerbench import acts as a
from blowergrade.watcher import SafetyWatcher

UNIT = "furnace_120_constant_airflow"
Open = Callable[..., Host]
ON_THE_BUS = (
    a.SetThermostat("off"), a.SetDisconnect(False), a.SetLock(True), a.SetDoor(False), a.OpenControl(),
    a.SetMeter("volts_dc"), a.PlaceLead("red", "module.bus_pos", True), a.PlaceLead("black", "module.bus_neg", True),
)  # fmt: skip
RADIO = "[data-form=dial] [role=radio]"


def bench_with(*acts: a.Act) -> LocalBench:
    bench = LocalBench(UNIT, "healthy_unit", "nothing_blows")
    for act in acts:
        bench.act(act)
    return bench


def lines(host: Host) -> list[a.Act]:
    return [line.act for line in host.panel._bench.lines]  # type: ignore[attr-defined] # a local bench keeps its lines


@pytest.mark.parametrize("width", [848, 1280])
def test_the_dial_is_one_tab_stop_and_turns_only_when_told_to(open_panel: Open, width: int) -> None:
    # WAI-ARIA Authoring Practices, radio group inside a toolbar (from memory): arrows move, Space or Enter checks
    host = open_panel(width=width)
    Keyboard(host).tab_to(RADIO)
    assert host.focused() == "Off"
    host.press("ArrowRight", "ArrowRight", "End", "ArrowRight", "ArrowLeft", "Home", "ArrowDown")
    assert host.focused() == "AC volts" and lines(host) == []
    host.press("Space")
    assert lines(host) == [a.SetMeter("volts_ac")]
    assert host.page.locator(f"{RADIO}[aria-checked=true]").all_text_contents() == ["AC volts"]
    assert host.page.locator(f"{RADIO}[tabindex='0']").count() == 1
    host.press("Tab", "Shift+Tab")
    assert host.focused() == "AC volts"


def test_the_knob_points_at_the_position_that_is_chosen(open_panel: Open) -> None:
    host = open_panel()
    person = Mouse(host)
    host.page.emulate_media(reduced_motion="reduce")
    knob, column = "[data-form=dial] .bp-buttons", f"{RADIO}[aria-checked=true]"
    for function in ("off", "low_z", "clamp"):
        person.do(a.SetMeter(function))
        aim = host.page.evaluate(
            """([knob, column]) => {
                const m = new DOMMatrix(getComputedStyle(document.querySelector(knob), "::after").transform);
                const k = document.querySelector(knob).getBoundingClientRect();
                const c = document.querySelector(column).getBoundingClientRect();
                const across = c.left - (k.left + 42); // px from the knob's middle, where its pointer turns
                return [k.top + k.height / 2 + across * m.b / m.a, c.top, c.bottom];
            }""",
            [knob, column],
        )
        assert aim[1] - 8 <= aim[0] <= aim[2] + 8, (function, aim)  # px; within a row of 30


def test_a_reading_settles_through_passing_digits_that_nobody_hears_and_at_once_with_less_motion(open_panel: Open) -> None:
    host = open_panel(bench=bench_with(*ON_THE_BUS[:-1]))
    host.page.evaluate(
        """() => {
            window.seen = [];
            new MutationObserver(() => window.seen.push(document.querySelector(".bp-passing").textContent))
                .observe(document.querySelector(".bp-passing"), { childList: true, characterData: true, subtree: true });
        }"""
    )
    Mouse(host).do(ON_THE_BUS[-1])
    final = host.page.text_content(".bp-display")
    host.page.wait_for_selector(".bp-meter:not(.bp-settling)")
    passed = [text for text in host.page.evaluate("window.seen") if text]
    assert len(passed) == 3 and final not in passed
    assert host.page.get_attribute(".bp-passing", "aria-hidden") == "true"
    assert host.page.text_content(".bp-display") == final
    assert str(final) in str(host.page.text_content("[role=status]"))
    host.page.emulate_media(reduced_motion="reduce")
    host.page.evaluate("() => { window.seen = []; }")
    Mouse(host).do(a.Wait(60))
    assert not any(host.page.evaluate("window.seen"))


def test_hold_and_lowest_and_highest_work_by_keyboard_and_stand_beside_the_display(open_panel: Open) -> None:
    host = open_panel(bench=bench_with(*ON_THE_BUS))
    person = Keyboard(host)
    first = host.page.text_content(".bp-display")
    person.push(".bp-keeping button:nth-child(1)")
    person.push(".bp-keeping button:nth-child(2)")
    host.settled()
    person.do(a.Wait(60))
    assert str(host.page.text_content(".bp-kept")).startswith(f"Held: {first} at ")
    assert f"Highest: {first}" in str(host.page.text_content(".bp-kept"))
    assert f"Lowest: {host.page.text_content('.bp-display')}" in str(host.page.text_content(".bp-kept"))
    assert host.page.text_content(".bp-display") != first
    assert host.page.text_content(".bp-keeping button:nth-child(1)") == "Let the held reading go"
    person.push(".bp-keeping button:nth-child(1)")
    host.settled()
    assert "Held" not in str(host.page.text_content(".bp-kept"))


def test_the_tone_is_silent_until_asked_for_and_always_said(open_panel: Open) -> None:
    host = open_panel(bench=bench_with(a.SetMeter("ohms")))
    host.page.evaluate(
        """() => {
            window.sounds = 0;
            const start = OscillatorNode.prototype.start;
            OscillatorNode.prototype.start = function (...x) { window.sounds += 1; return start.apply(this, x); };
        }"""
    )
    Mouse(host).do(a.ZeroLeads())
    assert "The meter gives a tone." in str(host.page.text_content("[role=status]"))
    assert "The meter gives a tone." in str(host.page.text_content(".bp-kept"))
    assert host.page.evaluate("window.sounds") == 0
    assert not host.page.is_checked(".bp-tone input")
    host.page.check(".bp-tone input")
    Mouse(host).do(a.ZeroLeads())
    assert host.page.evaluate("window.sounds") == 1


def test_waiting_until_a_reading_by_keyboard_fills_the_chart_and_its_table(open_panel: Open) -> None:
    host = open_panel(bench=bench_with(*ON_THE_BUS))
    person = Keyboard(host)
    before = len(lines(host))
    person.push("[data-form=until] summary")
    person.write("[data-form=until] [id$='-until-value']", "45.5")
    person.push("[data-form=until] .bp-buttons button")
    host.settled()
    waits = lines(host)[before:]
    assert waits and set(waits) == {a.Wait(10)}
    assert float(str(host.page.text_content(".bp-display")).split()[0]) < 45.5
    said = host.page.text_content("[role=status]")
    assert f"number of looks: {len(waits)}." in str(said)
    assert str(host.page.get_attribute(".bp-plot", "aria-label")) == host.page.text_content(".bp-says")
    person.push(".bp-strip summary")
    table = host.page.locator(".bp-rows tbody tr")
    assert table.count() == len(waits) + 1
    assert table.first.locator("td").last.text_content() == host.page.text_content(".bp-display")
    person.push(".bp-strip .bp-buttons button")
    host.settled()
    assert host.page.locator(".bp-plot").count() == 0 and table.count() == 0
    assert len(lines(host)) == before + len(waits)


@pytest.mark.parametrize("width", [700, 1280])
def test_no_two_words_of_the_chart_lie_on_each_other(open_panel: Open, width: int) -> None:
    host = open_panel(bench=bench_with(*ON_THE_BUS, *[a.Wait(60)] * 30), width=width)
    boxes = host.page.eval_on_selector_all(
        ".bp-plot text", "es => es.map((e) => e.getBoundingClientRect()).map((b) => [b.left, b.right, b.top + 3, b.bottom - 3])"
    )
    assert len(boxes) > 6
    for k, one in enumerate(boxes):
        for two in boxes[k + 1 :]:
            assert one[1] <= two[0] or two[1] <= one[0] or one[3] <= two[2] or two[3] <= one[2], (one, two)


def watched(open_panel: Open, **more: object) -> Host:
    bench = bench_with(a.SetDoor(False))
    return open_panel(bench=bench, watcher=SafetyWatcher(bench), **more)


def test_a_slip_is_answered_by_a_caution_that_moves_nothing_and_is_closed_by_keyboard(open_panel: Open) -> None:
    host = watched(open_panel)
    person = Keyboard(host)
    assert host.page.is_hidden(".bp-cautions")
    place = "() => document.querySelector('.bp-picture').getBoundingClientRect().top + scrollY"
    person.choose(".bp-work select", [t["id"] for t in host.panel.things].index("power_plug"), "power_plug")
    before = host.page.evaluate(place)
    person.do(a.Unplug("power_plug"))
    caution = host.page.locator(".bp-cautions")
    assert caution.is_visible()
    text = str(caution.text_content())
    for said in ("DANGER", "Act 2: Released the latch", "What can happen:", "Instead:", "29 CFR 1910.333(a)(1)"):
        assert said in text
    assert caution.locator("[role=alert]").count() == 1 and caution.locator("svg").count() == 1
    assert host.page.evaluate(place) == before
    assert host.focused() == "Plug it in"  # the focus stays where the hands are
    assert host.page.get_attribute(".blowerbench", "data-ended") == "false"
    host.press("Escape")
    assert caution.is_hidden() and host.panel.cautions == []
    person.do(a.PlugIn("power_plug"))
    assert caution.is_visible()
    person.push(".bp-cautions > button")
    host.settled()
    assert caution.is_hidden()


def test_without_a_watcher_nothing_is_said_and_the_act_is_worded_the_same(open_panel: Open) -> None:
    plain = open_panel(bench=bench_with(a.SetDoor(False)))
    Mouse(plain).do(a.Unplug("power_plug"))
    assert plain.page.is_hidden(".bp-cautions")
    host = watched(open_panel)
    Mouse(host).do(a.Unplug("power_plug"))
    assert host.page.text_content("[role=status]") == plain.page.text_content("[role=status]")


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_instruments_and_cautions_can_be_read_on_either_theme(open_panel: Open, scheme: str) -> None:
    # WCAG 2.2, success criteria 1.4.3 (text 4.5:1) and 1.4.11 (parts 3:1), 2.5.8 (targets 24 px); from memory
    bench = bench_with(*ON_THE_BUS, *[a.Wait(20)] * 5)
    host = open_panel(bench=bench, watcher=SafetyWatcher(bench), scheme=scheme)
    Mouse(host).do(a.SetMeter("ohms"))
    assert host.page.is_visible(".bp-cautions")
    seen = host.page.evaluate(
        """() => {
            const behind = (e) => {
                for (; e; e = e.parentElement) {
                    const c = getComputedStyle(e).backgroundColor;
                    if (c !== "rgba(0, 0, 0, 0)") return c;
                }
                return getComputedStyle(document.body).backgroundColor;
            };
            const css = (least, name, ...where) => where.flatMap((s) =>
                [...document.querySelectorAll(s)].map((e) => [least, getComputedStyle(e)[name], behind(e), s]));
            return [
                ...css(4.5, "color", ".bp-signal", ".bp-cautiontext p", "[role=radio]", ".bp-leadstate li"),
                ...css(4.5, "fill", ".bp-plot text"),
                ...css(3, "stroke", ".bp-plot-line", ".bp-plot-axis", ".bp-alertedge"),
            ];
        }"""
    )
    assert len(seen) > 20
    for least, front, back, what in seen:
        high, low = sorted((luminance(front), luminance(back)), reverse=True)
        assert (high + 0.05) / (low + 0.05) >= least, (what, front, back)
    small = host.page.eval_on_selector_all(
        ".bp-instruments :is(button, .bp-choice), .bp-cautions button, .bp-strip :is(button, select, summary)",
        "es => es.map((e) => e.getBoundingClientRect()).filter((b) => b.width && (b.width < 23.99 || b.height < 23.99)).length",
    )
    assert small == 0
