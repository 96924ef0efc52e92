"""A browser for the tests of this folder, and benches to show in it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import pytest
from browser.page import Host, chromium
from playwright.sync_api import Browser, sync_playwright

from blowerbench import LocalBench
from blowerbench.panels import BenchPanel

UNIT = "furnace_120_constant_airflow"


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    """The system's Chromium. Where there is none, every test that asks for it fails and says so."""
    with sync_playwright() as playwright, chromium(playwright) as running:
        yield running


@pytest.fixture
def open_panel(browser: Browser) -> Iterator[Callable[..., Host]]:
    """Opens a page with a panel on a fresh bench; keywords go to the page (`answers`, `scheme`) or to `BenchPanel`."""
    contexts = []

    def make(fault: str = "healthy_unit", complaint: str = "nothing_blows", width: int = 1280, **more: Any) -> Host:
        page_options = {k: more.pop(k) for k in ("answers", "scheme", "clock") if k in more}
        scheme = page_options.get("scheme", "light")
        context = browser.new_context(viewport={"width": width, "height": 800}, color_scheme=scheme)
        contexts.append(context)
        panel = BenchPanel(more.pop("bench", None) or LocalBench(UNIT, fault, complaint), **more)
        return Host(context.new_page(), panel, **page_options)

    yield make
    for context in contexts:
        context.close()
