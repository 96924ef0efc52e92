"""Supervised work in a real browser: the released notebook at the school's service, and the instructor's class page."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from pathlib import Path

import nbformat
import pytest
from browser.servers import running, settled
from browser.test_access import violations
from playwright.sync_api import Browser, Page, expect
from served import SUPERVISED, Served, free_port, local_bench

from blowerbench import acts as a
from blowergrade.classwork.assign import assign
from blowergrade.classwork.codes import grouped
from blowergrade.classwork.draw import Wanted
from blowergrade.classwork.folder import ClassFolder
from blowergrade.classwork.new import make_class
from blowergrade.classwork.supervised import desk_code

CALL = Wanted("furnace_120_constant_airflow", "wall_G_open", "no_fan_new_thermostat")
ROSTER = "id,name\ns01,Ada Example\ns02,Ben Muster\ns03,<b>Chiara</b> Rossi\n"


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """A supervised class and its service, at the address that its notebook asks."""
    os.environ["PATH"] = os.pathsep.join((str(Path(sys.executable).parent), os.environ["PATH"]))
    base, port = tmp_path_factory.mktemp("watched"), free_port()
    (base / "roster.csv").write_text(ROSTER, encoding="utf-8")
    folder: ClassFolder = make_class(base / "class", base / "roster.csv", "blowers", "Harrow Lane Trade School")
    url = f"http://127.0.0.1:{port}"
    assign(folder, SUPERVISED, CALL, title="A watched call", seed=1, service=url, release=False)
    with Served(folder, port=port) as made:
        yield made


def signed_in(page: Page, served: Served) -> None:
    """The class page, open at the instructor's."""
    page.goto(f"{served.url}/proctor/class")
    page.get_by_label("The instructor's code").fill(grouped(desk_code(served.folder, served.name)).lower())
    page.keyboard.press("Enter")
    page.get_by_role("table").wait_for()


def test_the_class_page_says_politely_what_is_new_keeps_ones_place_and_axe_finds_nothing(
    served: Served, browser: Browser
) -> None:
    bench = served.bench("s01")
    bench.act(a.Look("around"))
    context = browser.new_context(viewport={"width": 1366, "height": 800})
    page = context.new_page()
    errors: list[str] = []
    page.on("pageerror", lambda error: errors.append(str(error)))
    page.on("console", lambda message: errors.append(message.text) if message.type == "error" else None)
    signed_in(page, served)
    row = page.get_by_role("row", name="Ada Example")
    expect(row).to_contain_text("working")
    expect(row).to_contain_text("nothing unsafe")
    expect(page.get_by_role("row", name="<b>Chiara</b> Rossi")).to_contain_text("not here")
    region, status = page.get_by_role("region", name="Students"), page.get_by_role("status")
    region.focus()
    plug = str(local_bench(served.folder, "s01").equipment.module["plug"])
    for act in (a.SetDoor(False), a.HoldDoorSwitch(True), a.Unplug(plug)):
        bench.act(act)
    expect(status).to_contain_text("Ada Example (s01): unsafe.", timeout=10_000)
    expect(row).to_contain_text("unsafe, 1×")
    assert region.evaluate("e => e === document.activeElement")
    assert "1 unsafe" in (row.get_by_role("img").get_attribute("aria-label") or "")
    for scheme in ("light", "dark"):
        page.emulate_media(color_scheme=scheme)
        assert violations(page) == [], scheme
    page.get_by_role("button", name="Hold the page still").click()
    page.get_by_role("button", name="Hide names").click()
    expect(page.get_by_role("row", name="Student 1")).to_be_visible()
    assert "Ada" not in page.locator("main table").inner_text()
    bench.act(a.Wait(1))
    page.wait_for_timeout(3_500)
    expect(page.get_by_role("row", name="Student 1")).to_contain_text("4")
    page.get_by_role("button", name="Hold the page still").click()
    expect(page.get_by_role("row", name="Student 1").get_by_role("cell").nth(3)).to_have_text("5")
    assert errors == []
    context.close()


@pytest.mark.slow
def test_the_released_notebook_asks_for_the_code_works_at_the_service_and_is_saved_without_the_code(
    served: Served, browser: Browser, tmp_path: Path
) -> None:
    with running("notebook", tmp_path) as jupyter:
        book = jupyter.folder / "watched.ipynb"
        book.write_bytes((served.folder.root / "source" / SUPERVISED / f"{SUPERVISED}.ipynb").read_bytes())
        with jupyter.page(browser, "lab/tree/watched.ipynb") as page:
            cells = page.locator(".jp-Notebook .jp-CodeCell")
            cells.first.wait_for(timeout=60_000)
            jupyter.connected(page)
            cells.first.locator(".cm-content").click()
            page.keyboard.press("Shift+Enter")
            page.keyboard.press("Shift+Enter")
            asked = page.locator(".jp-Stdin-input")
            asked.wait_for(timeout=60_000)
            assert asked.get_attribute("type") == "password"
            asked.fill(served.code("s02"))
            asked.press("Enter")
            page.wait_for_selector(".blowerbench[data-ack]", timeout=60_000)
            page.locator("[data-form=wait] button", has_text="Wait 10 s").first.click()
            settled(page)
            assert served.class_state()["s02"]["acts"] == 1
            page.screenshot(path=tmp_path / "notebook.png")
            page.keyboard.press("Escape")
            page.keyboard.press("Control+s")
            page.wait_for_timeout(1_500)
        saved = book.read_text(encoding="utf-8")
        assert any(cell.get("outputs") for cell in nbformat.reads(saved, as_version=4).cells)
        plain = served.code("s02").replace("-", "")
        assert plain not in saved.replace("-", "") and "wall_G_open" not in saved
