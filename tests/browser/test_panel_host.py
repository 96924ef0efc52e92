"""The panel's page module in a real Chromium, joined to the real Python class."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import msgspec
import pytest
from browser.fingers import Keyboard, Mouse, Person, plain
from browser.page import HOME, Host

from blowerbench import LocalBench
from blowerbench import acts as a
from blowerbench.bench import Bench
from blowerbench.record import Line, read_record
from blowergrade.technicians import Technician

UNIT = "furnace_120_constant_airflow"
Open = Callable[..., Host]


def call_of_a_technician(fault: str, complaint: str) -> list[Line]:
    """What the scripted technician, who works as taught (trade.md §4), did and perceived on the same bench without a page."""
    bench = LocalBench(UNIT, fault, complaint)
    Technician(bench).work()
    return bench.lines


def held(host: Host) -> dict[str, str]:
    """Which lead the bench says is on which terminal."""
    leads: Any = host.panel._bench.view().hands["leads"]
    return {lead: terminal for lead, terminal, _ in leads}


def play(person: Person, lines: list[Line]) -> None:
    for line in lines:
        person.do(line.act)


@pytest.mark.slow
def test_a_whole_service_call_goes_by_mouse_to_its_end_and_leaves_the_technicians_record(
    open_panel: Open, tmp_path: Path
) -> None:
    # the same by keys alone, to a passed score sheet, stands in test_access.py
    fault = "wall_G_open"
    lines = call_of_a_technician(fault, "nothing_blows")
    sheet: list[Bench] = []

    def report(bench: Bench) -> str:
        sheet.append(bench)
        return "<h1>Score sheet of this call</h1>"

    bench = LocalBench(UNIT, fault, "nothing_blows", record=tmp_path / "call.jsonl")
    host = open_panel(bench=bench, report=report)
    assert host.page.is_hidden(".bp-sheet")
    play(Mouse(host), lines)
    bench.close()
    # the outside source: the same acts done on a bench that has no page
    assert read_record(tmp_path / "call.jsonl").lines == tuple(lines)
    assert host.page.get_attribute(".blowerbench", "data-ended") == "true"
    assert sheet == [bench]
    frame = host.page.frame_locator(".bp-sheet iframe")
    assert frame.locator("h1").text_content() == "Score sheet of this call"
    assert host.errors == []
    assert host.panel.problem == ""


def test_every_act_that_hands_can_do_has_a_control_of_its_own(open_panel: Open) -> None:
    panel = open_panel().panel
    offered = {does["act"]["do"] for thing in panel.things for does in thing["does"]}
    offered |= {button["act"]["do"] for form in panel.forms for button in form["buttons"]}
    # the outside source: the list of acts
    known = {str(kind.__struct_config__.tag) for kind in a.DURATION} | {"wait", "repair"}
    # what undoes another act is offered once that act is done
    assert known - offered == {"plug_in", "land_wire", "close_control", "plug_port"}


def test_what_undoes_an_act_takes_its_place_so_that_the_keyboard_stays_on_it(open_panel: Open) -> None:
    host = open_panel()
    person = Keyboard(host)
    person.do(a.SetDoor(False))
    for there, back in (
        (a.Unplug("power_plug"), a.PlugIn("power_plug")),
        (a.LiftWire("wall_G"), a.LandWire("wall_G")),
        (a.OpenControl(), a.CloseControl()),
    ):
        person.do(there)
        assert any(does["act"] == plain(back) for thing in host.panel.things for does in thing["does"])
        host.press("Enter")
        assert host.panel._bench.lines[-1].act == back  # type: ignore[attr-defined] # a local bench keeps its lines


def test_every_terminal_takes_the_focus_by_arrow_keys_alone(open_panel: Open) -> None:
    host = open_panel()
    person = Keyboard(host)
    for act in (a.SetDisconnect(False), a.SetDoor(False), a.OpenControl()):
        person.do(act)
    person.tab_to("[data-terminal]")
    for terminal in host.panel._bench.equipment.terminals:
        person.walk(terminal)
        assert host.page.locator(f"[data-terminal='{terminal}']").is_visible()


def test_the_terminals_are_one_tab_stop_and_those_behind_the_door_none_at_all(open_panel: Open) -> None:
    host = open_panel()
    assert host.page.locator("[data-terminal][tabindex='0']").count() == 1
    shown = {t for t in host.panel._bench.equipment.terminals if host.page.locator(f"[data-terminal='{t}']").is_visible()}
    zones = host.panel._bench.equipment.zones
    assert shown == {n for z in zones.values() if not z.behind_door for n in z.nodes}


def test_home_and_end_go_to_the_first_and_last_terminal_and_delete_takes_the_lead_off(open_panel: Open) -> None:
    host = open_panel()
    Keyboard(host).tab_to("[data-terminal]")
    host.press("End")
    last = host.focused()
    host.press("Home")
    assert host.focused() != last
    first = host.focused()
    host.press("-", "Space")
    assert held(host) == {"black": first}
    assert host.page.locator(f"[data-terminal='{first}'] .bp-lead-black").is_visible()
    assert "black lead held here" in str(host.page.get_attribute(f"[data-terminal='{first}']", "aria-label"))
    host.press("Delete")
    assert held(host) == {}


def test_two_hundred_acts_in_a_burst_are_all_done_once_and_in_order(open_panel: Open) -> None:
    host = open_panel()
    host.page.evaluate(
        """() => {
            const [ten, minute] = document.querySelectorAll("[data-form=wait] .bp-buttons button:nth-child(n+2)");
            for (let k = 0; k < 200; k++) (k % 2 ? ten : minute).click();
        }"""
    )
    host.settled()
    waited = [line.act for line in host.panel._bench.lines]  # type: ignore[attr-defined] # a local bench keeps its lines
    assert waited == [a.Wait(10 if k % 2 else 60) for k in range(200)]
    assert host.page.get_attribute(".blowerbench", "data-seq") == "200"


def test_an_intent_that_comes_twice_is_done_once(open_panel: Open) -> None:
    host = open_panel()
    message = {"kind": "act", "view": "other", "seq": 1, "act": plain(a.Wait(10))}
    for _ in range(2):
        host.panel._handle_custom_msg(message, [])
    assert host.panel._bench.view().seq == 1


def test_nothing_asks_for_an_address_off_this_page(open_panel: Open) -> None:
    host = open_panel(report=lambda bench: "<p>done</p>")
    Mouse(host).do(a.SetThermostat("heat"))
    Mouse(host).do(a.Finish())
    assert set(host.asked) == {HOME, f"{HOME}panel.js"}


def test_keys_without_a_modifier_stay_inside_and_those_a_notebook_needs_get_out(open_panel: Open) -> None:
    host = open_panel()
    Keyboard(host).tab_to("[data-terminal]")
    host.page.evaluate("() => { window.leaked = []; }")
    host.press("d", "d", "a", "b", "j", "k", "x", "ArrowDown", "Enter", "Space", "Delete", "0", "Shift+D")
    assert host.page.evaluate("() => window.leaked.filter((k) => k !== 'Shift')") == []
    host.press("Escape", "Shift+Enter", "Control+s", "Tab")
    assert host.page.evaluate("() => window.leaked.filter((k) => k !== 'Shift' && k !== 'Control')") == [
        "Escape", "Enter", "s", "Tab",
    ]  # fmt: skip


def test_a_page_whose_kernel_is_gone_says_so_after_three_seconds_and_takes_no_act(open_panel: Open) -> None:
    host = open_panel(answers=False)
    host.page.wait_for_selector(".blowerbench.bp-lost", timeout=6000)
    assert host.page.text_content(".bp-banner") == "This bench is not connected. Run its cell again."
    assert host.page.locator("button:enabled, select:enabled, input:enabled, textarea:enabled").count() == 0


def test_a_kernel_that_dies_during_the_call_is_reported_at_the_next_act(open_panel: Open) -> None:
    host = open_panel()
    host.page.evaluate("() => { window.dead = true; }")
    host.page.click("[data-form=wait] .bp-buttons button:nth-child(2)")
    assert host.page.text_content(".bp-banner") == "This bench is not connected. Run its cell again."


def test_a_bench_that_stops_answering_is_called_busy_then_lost_and_is_taken_back_when_it_answers(open_panel: Open) -> None:
    host = open_panel(clock=True)
    host.answers = False
    host.page.click("[data-form=wait] .bp-buttons button:nth-child(2)")
    host.page.clock.fast_forward(4000)
    assert "The bench is busy." in str(host.page.text_content(".bp-banner"))
    assert host.page.locator("button:disabled").count() == 0
    host.page.clock.fast_forward(13000)
    assert host.page.text_content(".bp-banner") == "This bench is not connected. Run its cell again."
    view = next(iter(host.panel.acks))
    host.page.evaluate("([view]) => window.apply({ acks: { [view]: 1 } })", [view])
    assert host.page.is_hidden(".bp-banner")
    assert host.page.locator("button:disabled").count() == 0


def test_an_error_inside_the_handler_is_shown_and_the_page_goes_on(open_panel: Open) -> None:
    class Broken:
        def hint(self, lines: tuple[Line, ...], strength: int) -> str:
            raise RuntimeError("the coach has lost its voice")

    host = open_panel(coach=Broken())
    host.page.click("text=Hint: a nudge")
    host.settled()
    assert "the coach has lost its voice" in str(host.page.text_content(".bp-banner:not([hidden])"))
    Mouse(host).do(a.Wait(10))
    assert host.page.locator(".bp-banner:visible").count() == 0


def test_each_act_is_spoken_once_and_a_refusal_says_what_is_in_the_way(open_panel: Open) -> None:
    host = open_panel()
    status = host.page.locator("[role=status]")
    assert status.text_content() == ""
    Mouse(host).do(a.Look("panel"))
    assert str(status.text_content()).startswith("Looked at: electrical panel. The breaker's handle stands at on.")
    Mouse(host).do(a.Unplug("power_plug"))
    assert "That is behind the blower door." in str(status.text_content())
    assert host.panel._bench.view().seq == 1


def test_what_the_picture_shows_is_also_said_in_words(open_panel: Open) -> None:
    host = open_panel()
    person = Mouse(host)
    acts = (
        a.SetThermostat("off"), a.SetDisconnect(False), a.SetLock(True), a.SetDoor(False), a.Unplug("power_plug"),
        a.OpenControl(), a.ClipSource(True), a.LiftWire("wall_G"), a.Wear("gloves"),
    )  # fmt: skip
    for act in acts:
        person.do(act)
    words = " ".join(host.page.locator(".bp-texts li").all_text_contents()).lower()
    for said in (
        "the disconnect is open", "your lock is on the disconnect", "the blower door is off", "apart: motor power plug",
        "the control module is open", "clipped on r and c", "off its terminal: wire between g on the board",
        "you wear: gloves", "the blower stands still", "the thermostat is set to off",
    ):  # fmt: skip
        assert said in words


def test_the_unit_changes_visibly_with_its_door_and_its_plugs(open_panel: Open) -> None:
    host = open_panel()
    person = Mouse(host)
    door = host.page.locator("[data-key=door]")
    assert door.is_visible()
    person.do(a.SetDoor(False))
    assert not door.is_visible()
    harness = host.page.locator("[data-key='plug:power_plug'] > rect")
    device = host.page.locator("[data-key='rest:power_plug'] > rect")

    def gap() -> float:
        upper, lower = harness.bounding_box(), device.bounding_box()
        assert upper is not None and lower is not None
        return lower["y"] - (upper["y"] + upper["height"])

    mated = gap()
    person.do(a.Unplug("power_plug"))
    assert gap() > mated + 10  # px; apart at a glance


def test_the_wheel_stands_still_on_a_page_that_asks_for_less_motion(open_panel: Open) -> None:
    host = open_panel()
    person = Mouse(host)
    for act in (a.SetThermostat("fan"), a.Wait(20), a.SetDoor(False), a.HoldDoorSwitch(True), a.Wait(20)):
        person.do(act)
    assert host.page.text_content(".bp-blower") == "The blower runs."
    name = "() => getComputedStyle(document.querySelector('[data-key=wheel]')).animationName"
    host.page.emulate_media(reduced_motion="no-preference")
    assert host.page.evaluate(name) == "bp-turn"
    host.page.emulate_media(reduced_motion="reduce")
    assert host.page.evaluate(name) == "none"


@pytest.mark.parametrize("width", [848, 1280])
def test_every_target_is_at_least_24_px_in_both_directions(open_panel: Open, width: int) -> None:
    # WCAG 2.2, success criterion 2.5.8 (Target Size, Minimum): 24 by 24 CSS px; from memory
    host = open_panel(width=width)
    for act in (a.SetDoor(False), a.OpenControl()):
        Mouse(host).do(act)
    small = host.page.evaluate(
        """() => [...document.querySelectorAll("button, select, summary, .bp-choice, .bp-hit, textarea, input[type=text]")]
            .map((e) => [e.textContent || e.parentNode.dataset.terminal, e.getBoundingClientRect()])
            .filter(([, r]) => r.width > 0 && (r.width < 23.99 || r.height < 23.99)).map(([n, r]) => [n, r.width, r.height])"""
    )
    assert small == []


def test_labels_in_the_picture_do_not_lie_on_each_other(open_panel: Open) -> None:
    host = open_panel()
    for act in (a.SetDisconnect(False), a.SetDoor(False), a.OpenControl()):
        Mouse(host).do(act)
    over = host.page.evaluate(
        """() => {
            const shown = [...document.querySelectorAll(".bp-picture svg text")]
                .map((e) => [e.textContent, e.getBoundingClientRect()])
                .filter(([t, r]) => t && r.width > 0)
                .map(([t, r]) => [t, r.left + 1, r.right - 1, r.top + 3, r.bottom - 4]);
            const found = [];
            shown.forEach((p, i) => shown.slice(i + 1).forEach((q) => {
                if (p[1] < q[2] && q[1] < p[2] && p[3] < q[4] && q[3] < p[4]) found.push([p[0], q[0]]);
            }));
            return found;
        }"""
    )
    assert over == []


def luminance(colour: str) -> float:
    """Relative luminance of a computed CSS colour: W3C, WCAG 2.2, definition of relative luminance; from memory."""
    found = re.findall(r"[\d.]+", colour)
    parts = [float(x) / (1.0 if colour.startswith("color(") else 255.0) for x in found[:3]]
    linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_text_keeps_a_contrast_of_4_5_to_1_on_either_theme(open_panel: Open, scheme: str) -> None:
    # WCAG 2.2, success criterion 1.4.3 (Contrast, Minimum): 4.5:1; from memory
    host = open_panel(scheme=scheme)
    Mouse(host).do(a.SetDoor(False))
    seen = host.page.evaluate(
        """() => {
            const behind = (e) => {
                for (; e; e = e.parentElement) {
                    const c = getComputedStyle(e).backgroundColor;
                    if (c !== "rgba(0, 0, 0, 0)") return c;
                }
                return getComputedStyle(document.body).backgroundColor;
            };
            return [...document.querySelectorAll(".blowerbench *")].filter((e) => e.checkVisibility() && !e.closest("svg")
                && [...e.childNodes].some((n) => n.nodeType === 3 && n.data.trim())).map((e) =>
                [e.textContent, getComputedStyle(e).color, behind(e)]).concat(
                [...document.querySelectorAll(".bp-picture svg text")].map((e) =>
                    [e.textContent, getComputedStyle(e).fill, getComputedStyle(document.querySelector(".bp-board")).fill]));
        }"""
    )
    assert len(seen) > 100
    for text, front, back in seen:
        high, low = sorted((luminance(front), luminance(back)), reverse=True)
        assert (high + 0.05) / (low + 0.05) >= 4.5, (text, front, back)


def test_the_page_is_told_nothing_of_the_fault(open_panel: Open) -> None:
    fault = "transformer_secondary_open"
    host = open_panel(fault=fault, complaint="dead_after_storm")
    for act in (a.SetDoor(False), a.HoldDoorSwitch(True), a.SetMeter("volts_ac")):
        Mouse(host).do(act)
    panel = host.panel
    synced = {n: getattr(panel, n) for n in panel.traits(sync=True) if not n.startswith("_") and n not in ("layout",)}
    text = msgspec.json.encode(synced).decode()
    assert fault not in text
    assert "healthy" not in text
    assert panel._bench.session.variant.name not in text  # type: ignore[attr-defined] # a local bench has a session
