"""The formgrader in JupyterLab 4: it opens in the class folder and shows each call's parts with their reasons and points."""

from __future__ import annotations

import os
import re
import shutil
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from browser.servers import Server, running
from playwright.sync_api import Browser, expect
from small_class import COMPLAINT, FAULT, FURNACE, NAME, ROSTER, play

from blowergrade.classwork import grading
from blowergrade.classwork.assign import assign
from blowergrade.classwork.class_picture import draw
from blowergrade.classwork.draw import Wanted
from blowergrade.classwork.feedback import write_feedback
from blowergrade.classwork.folder import ClassFolder
from blowergrade.classwork.gradebook import write_grades
from blowergrade.classwork.new import make_class

CONFIG = """from pathlib import Path
from blowergrade.classwork.configure import configure
configure(get_config(), Path({root!r}))
"""


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    """JupyterLab on a class folder whose first student's call is graded."""
    base = tmp_path_factory.mktemp("formgrader")
    old = os.environ["PATH"]
    os.environ["PATH"] = os.pathsep.join((str(Path(sys.executable).parent), old))
    try:
        (base / "roster.csv").write_text(ROSTER, encoding="utf-8")
        folder = make_class(base / "notes", base / "roster.csv", "blowers", "Blower class")
        assign(folder, NAME, Wanted(FURNACE, FAULT, COMPLAINT), title="A fan call", seed=1)
        play(folder, "s01")
        grading.grade_class(folder, NAME, processes=1, progress=False)
        assert write_grades(folder, NAME, progress=False) == ()
        (base / "config").mkdir(exist_ok=True)
        (base / "config" / "nbgrader_config.py").write_text(CONFIG.format(root=str(folder.root)), encoding="utf-8")
        with running("lab", base) as started:
            yield started
    finally:
        os.environ["PATH"] = old
        shutil.rmtree(base, ignore_errors=True)


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore")
def test_the_formgrader_opens_in_jupyterlab_and_lists_the_assignment(server: Server, browser: Browser) -> None:
    with server.page(browser, "lab") as page:
        page.get_by_role("menuitem", name="Nbgrader").click(timeout=60_000)
        page.get_by_role("menuitem", name="Formgrader", exact=True).click()
        frame = page.frame_locator("iframe")
        expect(frame.get_by_role("link", name=NAME).first).to_be_visible(timeout=60_000)


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore")
def test_a_submission_shows_its_parts_with_reasons_and_points(server: Server, browser: Browser) -> None:
    with server.page(browser, "lab", height=1000) as page:  # signs in
        page.goto(f"{server.home}formgrader/gradebook/{NAME}/{NAME}")
        page.get_by_role("link", name="Submission #1").click(timeout=60_000)
        scores = page.locator("input.score")
        expect(scores).to_have_count(4, timeout=60_000)
        for k, worth in enumerate((40, 30, 20, 10)):  # the page fills them in after it has drawn them
            expect(scores.nth(k)).to_have_attribute("placeholder", re.compile(rf"^{worth}(\.0)?$"), timeout=30_000)
        expect(page.get_by_text("no rule was broken")).to_be_visible()
        expect(page.get_by_text("the right unit was put right")).to_be_visible()
        out = os.environ.get("BLOWER_PICTURES")
        if out:
            page.locator("input.score").first.scroll_into_view_if_needed()
            page.screenshot(path=str(Path(out) / "class-formgrader.png"))


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore")
def test_axe_finds_nothing_on_a_students_page_and_on_the_class_picture(server: Server, browser: Browser) -> None:
    folder = ClassFolder(server.folder)
    pages = [*write_feedback(folder, NAME, ("s01", "s03"), progress=False), draw(folder, [NAME], folder.private / "picture")]
    for file in pages:
        # The page's own policy lets no script in: its text is read into a page that does.
        plain = browser.new_page()
        try:
            plain.set_content(re.sub(r'<meta http-equiv="Content-Security-Policy"[^>]*>', "", file.read_text(encoding="utf-8")))
            found = Axe().run(plain, options={"runOnly": ["wcag2a", "wcag2aa", "wcag21aa", "wcag22aa"]}).response["violations"]
            assert [(v["id"], v["nodes"][0]["html"][:120]) for v in found] == [], file
            out = os.environ.get("BLOWER_PICTURES")
            if out:
                plain.screenshot(path=str(Path(out) / f"{file.parts[-3]}-{file.stem}.png"), full_page=True)
        finally:
            plain.close()
