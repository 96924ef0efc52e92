"""The panel in real notebooks: JupyterLab, Notebook and Voilà, a reload, a kernel that is gone, an export, many benches."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path

import nbclient
import nbconvert
import nbformat
import pytest
import traitlets.config
from browser.servers import BENCH, LOST, Server, running, settled, write_book
from playwright.sync_api import Browser, Locator, Page

from blowerbench import LocalBench
from blowerbench import acts as a
from blowerbench.messages import reading

MANY = """import time
from ipywidgets import VBox
from blowerbench import LocalBench
from blowerbench.panels import BenchPanel
from IPython.display import display
for _ in range(30):
    display(BenchPanel(LocalBench("furnace_120_constant_airflow", "healthy_unit", "nothing_blows")))"""


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    """A Notebook server of its own; it serves JupyterLab, too."""
    base = tmp_path_factory.mktemp("jupyter")
    with running("notebook", base) as made:
        yield made


def first_cell(server: Server, page: Page) -> Locator:
    """Run the first cell, which shows a bench; the notebook's cells."""
    cells = page.locator(".jp-Notebook .jp-CodeCell")
    cells.first.wait_for(timeout=60_000)
    server.connected(page)
    cells.first.locator(".cm-content").click()
    page.keyboard.press("Shift+Enter")
    page.wait_for_selector(".blowerbench[data-ack]", timeout=60_000)
    return cells


def work_by_keys(page: Page) -> None:
    """Put a lead on a terminal by keys; keys that mean something to a notebook are tried on the way."""
    page.locator("[data-terminal][tabindex='0']").focus()
    for key in ("d", "d", "a", "b", "j", "k", "x", "m", "ArrowRight"):
        page.keyboard.press(key)
    assert page.evaluate("() => document.activeElement.matches('[data-terminal]')")
    page.keyboard.press("Enter")
    settled(page)
    assert page.locator(".blowerbench").get_attribute("data-seq") == "1"
    assert page.locator("[data-terminal].bp-has-red").count() == 1


def wait_10_s(page: Page, times: int = 1) -> None:
    page.locator("[data-form=wait] button", has_text="Wait 10 s").focus()
    for _ in range(times):
        page.keyboard.press("Enter")


@pytest.mark.slow
def test_in_jupyterlab_keys_stay_inside_a_burst_is_kept_and_a_page_outlives_a_reload_but_not_a_new_kernel(
    browser: Browser, server: Server
) -> None:
    write_book(server.folder / "call.ipynb", BENCH, "1 + 1")
    with server.page(browser, "lab/tree/call.ipynb") as page:
        cells = first_cell(server, page)
        work_by_keys(page)
        assert cells.count() == 2
        assert page.locator(".jp-Notebook .jp-MarkdownCell").count() == 0
        wait_10_s(page, 20)
        settled(page)
        assert page.locator(".blowerbench").get_attribute("data-seq") == "21"

        page.keyboard.press("Control+s")
        page.wait_for_function("() => !document.querySelector('.jp-mod-dirty')")
        page.reload()
        page.wait_for_selector(".blowerbench[data-ack]", timeout=60_000)
        assert page.locator(".blowerbench").get_attribute("data-seq") == "21", "the kernel lives: nothing is lost"
        wait_10_s(page)
        settled(page)
        assert page.locator(".blowerbench").get_attribute("data-seq") == "22"

        page.locator(".jp-NotebookPanel-toolbar [data-jp-item-name='restart']").click()
        page.locator(".jp-Dialog .jp-mod-accept").click()
        wait_10_s(page)
        page.get_by_text(LOST).wait_for(timeout=20_000)
        assert server.away == set()


@pytest.mark.slow
def test_in_notebook_7_the_panel_works_by_keyboard_and_leaves_the_cells_alone(browser: Browser, server: Server) -> None:
    write_book(server.folder / "seven.ipynb", BENCH, "1 + 1")
    with server.page(browser, "notebooks/seven.ipynb") as page:
        cells = first_cell(server, page)
        work_by_keys(page)
        assert cells.count() == 2
        assert page.locator(".jp-Notebook .jp-MarkdownCell").count() == 0
        page.keyboard.press("Control+s")  # and what a notebook needs gets out
        page.wait_for_function(
            "() => document.querySelector('.jp-NotebookCheckpoint')?.textContent.includes('Last Checkpoint')"
        )
        assert "BenchPanel" in (server.folder / "seven.ipynb").read_text(encoding="utf-8")
        assert server.away == set()


@pytest.mark.slow
def test_a_file_that_is_opened_again_without_its_kernel_shows_no_panel_that_looks_alive(
    browser: Browser, server: Server
) -> None:
    path = write_book(server.folder / "again.ipynb", BENCH)
    book = nbformat.read(path, as_version=4)
    nbclient.NotebookClient(book, timeout=60, store_widget_state=False).execute()
    nbformat.write(book, path)
    with server.page(browser, "notebooks/again.ipynb") as page:
        page.locator(".jp-OutputArea-output").first.wait_for(timeout=60_000)
        server.connected(page)
        page.wait_for_timeout(500)
        assert page.locator(".blowerbench button:enabled").count() == 0


@pytest.mark.slow
def test_thirty_benches_in_one_notebook_all_work_and_one_of_them_answers_as_quickly_as_alone(
    browser: Browser, server: Server
) -> None:
    write_book(server.folder / "many.ipynb", MANY)
    with server.page(browser, "notebooks/many.ipynb") as page:
        first_cell(server, page)
        page.wait_for_function("() => document.querySelectorAll('.blowerbench[data-ack]').length === 30", timeout=60_000)
        took = []
        for k in (0, 14, 29):
            one = page.locator(".blowerbench").nth(k)
            start = time.perf_counter()
            one.locator("[data-form=wait] button", has_text="Wait 10 s").press("Enter")
            page.wait_for_function("(k) => document.querySelectorAll('.blowerbench')[k].dataset.seq === '1'", arg=k)
            took.append(time.perf_counter() - start)
        assert page.locator(".blowerbench[data-seq='1']").count() == 3, "the others stand where they were"
        assert min(took) < 1.0  # s, Playwright's own time with it; an act that nobody has to wait for (common practice)


@pytest.mark.slow
def test_in_voila_the_panel_works_and_goes_on_without_a_notebook(browser: Browser, tmp_path: Path) -> None:
    (tmp_path / "notes").mkdir()
    write_book(tmp_path / "notes" / "call.ipynb", BENCH)
    with running("voila", tmp_path) as server, server.page(browser, "voila/render/call.ipynb") as page:
        page.wait_for_selector(".blowerbench[data-ack]", timeout=60_000)
        work_by_keys(page)
        wait_10_s(page, 5)
        settled(page)
        assert page.locator(".blowerbench").get_attribute("data-seq") == "6"
        # Voilà's own page asks a CDN for its icons; the bench asks for nothing, and works where no answer comes
        assert all("fontawesome" in url.lower() or "font-awesome" in url.lower() for url in server.strangers)


@pytest.mark.slow
def test_an_export_to_html_shows_picture_and_reading_where_no_script_runs(browser: Browser, tmp_path: Path) -> None:
    source = "\n".join(
        [
            "from blowerbench import acts as a",
            *BENCH.splitlines()[:2],
            'bench = LocalBench("furnace_120_constant_airflow", "healthy_unit", "second_opinion")',
            'for act in (a.SetMeter("volts_ac"), a.PlaceLead("black", "outlet.N"), a.PlaceLead("red", "outlet.L")):',
            "    bench.act(act)",
            "BenchPanel(bench)",
        ]
    )
    book = nbformat.read(write_book(tmp_path / "call.ipynb", source), as_version=4)
    nbclient.NotebookClient(book, timeout=60, store_widget_state=False).execute()
    settings = traitlets.config.Config()
    settings.NbConvertBase.display_data_priority = ["text/html", "image/svg+xml", "text/plain"]
    html, _ = nbconvert.HTMLExporter(config=settings).from_notebook_node(book)
    (tmp_path / "call.html").write_text(html, encoding="utf-8")
    context = browser.new_context(java_script_enabled=False, viewport={"width": 1280, "height": 800})
    try:
        page = context.new_page()
        page.goto((tmp_path / "call.html").as_uri())
        picture = page.locator("figure img")
        box = picture.bounding_box()
        assert box is not None and box["width"] > 600 and box["height"] > 400
        # the outside source: a fresh bench on which the same was done
        bench = LocalBench("furnace_120_constant_airflow", "healthy_unit", "second_opinion")
        for act in (a.SetMeter("volts_ac"), a.PlaceLead("black", "outlet.N"), a.PlaceLead("red", "outlet.L")):
            bench.act(act)
        shown = reading(bench.view().observation.shown[0])
        assert shown in page.locator("figcaption").inner_text()
        assert shown in str(picture.get_attribute("alt"))
    finally:
        context.close()
