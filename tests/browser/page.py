"""The real page module in a real Chromium, joined to the real Python class: no Jupyter between them.

Rule: the browser reaches nothing but this process. Every request is answered here or counted as an attempt to leave.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from playwright.sync_api import Browser, Page, Playwright, Route

from blowerbench.panels import BenchPanel

CHROMIUM = "/usr/bin/chromium"
ARGUMENTS = (
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
)  # fmt: skip
HOME = "http://bench.test/"


#: The fake model: the ten lines that stand in for a notebook's.
HTML = """<!doctype html><html lang="en"><meta charset="utf-8"><title>bench</title><style>
html {{ color-scheme: {scheme}; }} body {{ margin: 0; background: Canvas; color: CanvasText; }}</style>
<div id="cell" tabindex="-1"><div id="here"></div></div><script type="module">
import panel from "./panel.js";
const state = {state}, heard = new Map();
const model = {{
  get: (name) => state[name],
  on: (event, f) => heard.set(event, [...(heard.get(event) ?? []), f]),
  off: (event, f) => heard.set(event, (heard.get(event) ?? []).filter((g) => g !== f)),
  send: (message) => {{ if (window.dead) throw new Error("dead"); window.toPython(message).then(apply); }},
}};
function apply(changes) {{
  Object.assign(state, changes);
  for (const name of Object.keys(changes)) for (const f of heard.get(`change:${{name}}`) ?? []) f();
}}
window.apply = apply;
window.leaked = [];
document.addEventListener("keydown", (e) => window.leaked.push(e.key));
panel.render({{ model, el: document.getElementById("here") }});
</script></html>"""


class Host:
    """A page with one panel on it. `asked` holds every address that the browser asked for."""

    def __init__(
        self, page: Page, panel: BenchPanel, *, answers: bool = True, scheme: str = "light", clock: bool = False
    ) -> None:
        self.page, self.panel, self.answers = page, panel, answers
        self.asked: list[str] = []
        self.errors: list[str] = []
        self._changes: dict[str, Any] = {}
        panel.observe(lambda change: self._changes.update({change["name"]: change["new"]}))
        page.on("pageerror", lambda error: self.errors.append(str(error)))
        page.expose_function("toPython", self._hear)
        page.route("**/*", self._serve)
        names = [n for n in panel.traits(sync=True) if not n.startswith("_") and n not in ("layout", "tabbable", "tooltip")]
        state = json.dumps({n: getattr(panel, n) for n in names})
        self._files = {
            "": (HTML.format(state=state.replace("</", "<\\/"), scheme=scheme) + f"<style>{panel._css}</style>", "text/html"),
            "panel.js": (str(panel._esm), "text/javascript"),
        }
        if clock:
            page.clock.install()
        page.goto(HOME)
        page.wait_for_selector(".blowerbench [data-terminal]", state="attached")
        if answers:
            page.wait_for_selector(".blowerbench[data-ack]")

    def _serve(self, route: Route) -> None:
        url = route.request.url
        self.asked.append(url)
        name = url.removeprefix(HOME)
        if url.startswith(HOME) and name in self._files:
            body, kind = self._files[name]
            route.fulfill(body=body, content_type=f"{kind}; charset=utf-8")
        elif url == f"{HOME}favicon.ico":
            route.fulfill(status=204)
        else:
            route.abort()

    def _hear(self, message: dict[str, Any]) -> dict[str, Any]:
        if not self.answers:
            return {}
        self._changes.clear()
        self.panel._handle_custom_msg(message, [])
        return json.loads(json.dumps(self._changes))  # type: ignore[no-any-return] # what went in comes out

    # ------------------------------------------------------------------ what a person does
    def settled(self) -> None:
        """Wait until every intent sent has been answered."""
        self.page.wait_for_function("""() => {
            const root = document.querySelector(".blowerbench");
            return (root.dataset.sent ?? "0") === root.dataset.ack;
        }""")

    def press(self, *keys: str) -> None:
        """Press one key after another, then wait for the answers."""
        for key in keys:
            self.page.keyboard.press(key)
        self.settled()

    def focused(self) -> str:
        """The name of the focused terminal, or the text of the focused control."""
        found: str = self.page.evaluate(
            "() => document.activeElement.dataset.terminal ?? document.activeElement.textContent ?? ''"
        )
        return found


@contextmanager
def chromium(playwright: Playwright) -> Iterator[Browser]:
    """The system's Chromium; without one this raises, and so fails the test that asked for it."""
    browser = playwright.chromium.launch(executable_path=CHROMIUM, args=list(ARGUMENTS))
    try:
        yield browser
    finally:
        browser.close()
