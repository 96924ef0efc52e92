"""A person's own records as they open them: a file in a real Chromium, without any network, for everybody to use."""

from __future__ import annotations

from pathlib import Path

from browser.test_access import violations, wear
from playwright.sync_api import Browser, Dialog
from records.lives import rich

from blowergrade.records.export import show


def test_everybody_can_read_their_records(browser: Browser, tmp_path: Path) -> None:
    """axe (WCAG 2.2 A and AA) in every theme; a narrow screen scrolls one way only (1.4.10); a name is text in any case."""
    name = "</title><script>alert(1)</script><img src=x onerror=alert(1)> O'Neil"
    _, files = show(rich(tmp_path, name), "c01", "A. Marsh", tmp_path / "out")
    context = browser.new_context(offline=True, viewport={"width": 900, "height": 1200})
    page = context.new_page()
    asked: list[str] = []
    errors: list[str] = []

    def dismissed(dialog: Dialog) -> None:
        errors.append(dialog.message)
        dialog.dismiss()

    page.on("request", lambda request: asked.append(request.url))
    page.on("console", lambda message: errors.append(message.text))
    page.on("pageerror", lambda error: errors.append(str(error)))
    page.on("dialog", dismissed)
    page.goto(files[1].as_uri())
    for theme in ("light", "dark", "forced"):
        wear(page, theme)
        assert violations(page) == [], theme
    assert page.inner_text("dl dd") == name and name in page.title()
    assert page.locator("script, img").count() == 0
    headings = page.locator("h1, h2").all_inner_texts()
    assert headings[0] == "What the school has on record about you" and "Who was told what about you" in headings
    page.set_viewport_size({"width": 320, "height": 700})
    assert page.evaluate("document.documentElement.scrollWidth") <= 320
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.getAttribute('role')") == "region", "wide tables are scrolled by keyboard"
    assert asked == [files[1].as_uri()] and errors == []
    context.close()
