"""The drawing of every shipped unit, measured by a real Chromium with its real letters."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from typing import Any

import pytest
from playwright.sync_api import Browser, Page

import blowerdata
from blowerbench import LocalBench, load_equipment
from blowerbench import acts as a
from blowerbench.panels import BenchPanel
from blowerbench.panels.auto_layout import auto_layout
from blowerbench.panels.layout import load_layout, picture, view_of
from blowerbench.panels.places import HIT, NARROWEST

UNITS = blowerdata.names("equipment")

#: Every printed text with its box, as the browser set it; nothing that is hidden.
BOXES = """() => [...document.querySelectorAll("svg text")].filter((t) => t.textContent.trim() && t.getClientRects().length
    && getComputedStyle(t).visibility === "visible")
  .map((t) => { const b = t.getBoundingClientRect();
    // letters fill about the middle 0.7 of the line's height
    return { text: t.textContent, x: b.x, y: b.y + b.height * 0.16, w: b.width, h: b.height * 0.68 }; })"""


@pytest.fixture
def page(browser: Browser) -> Iterator[Page]:
    context = browser.new_context(viewport={"width": 1600, "height": 1600})
    yield context.new_page()
    context.close()


def boxes(page: Page, svg: str) -> list[dict[str, Any]]:
    page.set_content(f"<body style='margin:0'>{svg}</body>")
    found: list[dict[str, Any]] = page.evaluate(BOXES)
    return found


def apart(found: list[dict[str, Any]]) -> None:
    for one, two in itertools.combinations(found, 2):
        across = min(one["x"] + one["w"], two["x"] + two["w"]) - max(one["x"], two["x"])
        down = min(one["y"] + one["h"], two["y"] + two["h"]) - max(one["y"], two["y"])
        assert across <= 1 or down <= 1, (one, two)


@pytest.mark.parametrize("unit", UNITS)
@pytest.mark.parametrize("generated", [True, False])
def test_no_printed_word_lies_on_another_or_leaves_the_picture(page: Page, unit: str, generated: bool) -> None:
    equipment = load_equipment(unit)
    layout = auto_layout(equipment) if generated else load_layout(equipment)
    width, height = layout.view[0], layout.view[1] + view_of(equipment)[1] - load_layout(equipment).view[1]
    found = boxes(page, picture(equipment, layout=layout))
    assert len(found) > len(equipment.terminals)
    for one in found:
        assert one["x"] >= 0 and one["y"] >= 0 and one["x"] + one["w"] <= width and one["y"] + one["h"] <= height, one
    apart(found)


@pytest.mark.parametrize("unit", UNITS)
def test_what_a_call_prints_into_the_picture_lies_on_no_other_word(page: Page, unit: str) -> None:
    equipment = load_equipment(unit)
    acts: list[a.Act] = [a.SetDoor(False), a.OpenControl(), a.SetThermostat("cool")]
    for supply in equipment.supplies:
        acts += [a.SetBreaker(False, supply), a.SetLock(True, supply, "breaker"), a.SetDisconnect(False, supply)]
        acts += [a.SetLock(True, supply), a.SetTag(True, supply)]
    acts += [a.SetSelector(name, True) for name in equipment.selectors]
    for port, put in zip(equipment.air.ports if equipment.air else (), range(4), strict=False):
        acts += [a.OpenPort(port.name)]
        acts += [a.PlaceHose("high", port.name), a.PlaceProbe("second", port.name)] if put == 1 else []
        acts += [a.PlaceHose("low", port.name), a.PlaceProbe("first", port.name)] if put == 2 else []
    bench = LocalBench(unit, "healthy_unit", next(iter(equipment.complaints)))
    for act in acts:
        bench.act(act)
    found = boxes(page, BenchPanel(bench).picture())
    assert "locked off" in {box["text"] for box in found}
    apart(found)


def test_every_target_is_24_pixels_wide_at_the_narrowest_picture() -> None:
    # WCAG 2.2, success criterion 2.5.8, target size (minimum): 24 by 24 CSS pixels; from memory
    assert 2 * HIT * NARROWEST >= 24
