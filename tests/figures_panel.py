"""One act end to end: from the click on a terminal in real Chromium to the new display in the page.

First without Jupyter between page and Python class, which is the bench's own share: page module, widget, act, physics, record
line (on the disk) and picture; the peer is the same act on the bench alone. Then in a real JupyterLab, in one notebook with a
page of stock ipywidgets that does the same act on a bench of its own; the two take turns. Less motion is asked for, so that a
reading is shown at once instead of after its passing digits.
"""

from __future__ import annotations

import json
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from statistics import median, quantiles
from typing import Any

from browser.page import Host, chromium
from browser.servers import running, settled, write_book
from playwright.sync_api import sync_playwright

from blowerbench import LocalBench
from blowerbench import acts as a
from blowerbench.panels import BenchPanel

UNIT = "furnace_120_constant_airflow"
TIMES = 60
#: Milliseconds from a click on `[data-terminal=NAME]` until every intent sent was answered and drawn.
CLICK = """(name) => new Promise((done) => {
  const root = document.querySelector(".blowerbench");
  const hit = document.querySelector(`[data-terminal='${name}'] .bp-hit`);
  const start = performance.now();
  const look = () => {
    if (Number(root.dataset.sent) > before && root.dataset.sent === root.dataset.ack)
      requestAnimationFrame(() => done(performance.now() - start));
    else setTimeout(look, 0);
  };
  const before = Number(root.dataset.sent ?? "0");
  hit.dispatchEvent(new MouseEvent("click", { bubbles: true }));
  look();
})"""
READY = (a.SetMeter("volts_ac"), a.PlaceLead("black", "outlet.N"))


#: The same act twice in one notebook: stock widgets (buttons, a display, a line of text), then the panel, each on a bench.
STOCK = """
import tempfile, time
from pathlib import Path
import ipywidgets as w
from blowerbench import LocalBench, acts as a
from blowerbench.messages import perceived
from blowerbench.panels import BenchPanel
folder = Path(tempfile.mkdtemp())
def bench(name):
    made = LocalBench("furnace_120_constant_airflow", "healthy_unit", "second_opinion", record=folder / f"{name}.jsonl")
    for act in (a.SetMeter("volts_ac"), a.PlaceLead("black", "outlet.N")):
        made.act(act)
    return made
plain, shown, said = bench("stock"), w.HTML(), w.Label()
def button(at):
    def press(_):
        done = plain.act(a.PlaceLead("red", at))
        shown.value = f"<b class='stock-display'>{done.observation.shown[0].text}</b>"
        said.value = " ".join(perceived(done.observation, "en", plain.equipment))
    made = w.Button(description=at)
    made.on_click(press)
    made.add_class("stock-" + at.replace(".", "-"))
    return made
w.VBox([button("outlet.L"), button("outlet.G"), shown, said])
"""
PANEL = """
class Timed(BenchPanel):
    spent, sent = [], []
    def hear(self, content):
        start = time.perf_counter()
        super().hear(content)
        if content["kind"] == "act":
            self.spent.append(1e3 * (time.perf_counter() - start))
    def _send(self, message, buffers=None):
        self.sent.append(len(str(message)))
        super()._send(message, buffers)
panel = Timed(bench("panel"))
panel
"""
TOLD = "import json; from statistics import median; print(json.dumps([median(panel.spent), median(panel.sent[-60:])]))"
#: Notes when each packet of a notebook's socket left and came.
WIRE = """(() => {
  const Real = WebSocket;
  window.wire = [];
  window.WebSocket = class extends Real {
    constructor(...a) { super(...a); this.addEventListener("message", () => wire.push(["in", performance.now()])); }
    send(d) { wire.push(["out", performance.now()]); super.send(d); }
  };
})()"""
#: Milliseconds from a click to the frame with another text in the display, and of them those in the page itself.
SHOWN = """([target, display]) => new Promise((done) => {
  const text = () => document.querySelector(display)?.textContent ?? "";
  const old = text();
  wire.length = 0;
  const start = performance.now();
  const watch = new MutationObserver(() => {
    if (text() === old) return;
    watch.disconnect();
    const changed = performance.now();
    const out = wire.find((w) => w[0] === "out")[1];
    const last = wire.filter((w) => w[0] === "in").at(-1)[1];
    requestAnimationFrame(() => setTimeout(() => {
      const end = performance.now();
      done([end - start, out - start + (changed - last), end - changed]);
    }, 0));
  });
  watch.observe(document.body, { childList: true, characterData: true, subtree: true });
  document.querySelector(target).dispatchEvent(new MouseEvent("click", { bubbles: true }));
})"""


def figures() -> Iterator[dict[str, Any]]:
    """Median and 95th percentile of a lead placed and its reading shown: without Jupyter, then in JupyterLab."""
    yield from alone_figures()
    yield from lab_figures()


def lab_figures() -> Iterator[dict[str, Any]]:
    """In JupyterLab beside stock widgets, and where the time of the panel goes."""
    stock: list[list[float]] = []
    panel: list[list[float]] = []
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as playwright, chromium(playwright) as browser:
        (Path(folder) / "notes").mkdir()
        write_book(Path(folder) / "notes" / "acts.ipynb", STOCK, PANEL, TOLD)
        with (
            running("lab", Path(folder)) as server,
            server.page(browser, "lab/tree/acts.ipynb", script=WIRE, reduced_motion="reduce") as page,
        ):
            cells = page.locator(".jp-Notebook .jp-CodeCell .cm-content")
            cells.first.wait_for(timeout=60_000)
            server.connected(page)
            cells.first.click()
            page.keyboard.press("Shift+Enter")
            page.wait_for_selector(".stock-outlet-L", timeout=60_000)
            page.keyboard.press("Shift+Enter")
            page.wait_for_selector(".blowerbench[data-ack]", timeout=60_000)
            settled(page)
            page.check("[data-form=leads] input[value=red]")
            for k in range(TIMES + 4):  # the first four warm both up
                at = ("outlet.L", "outlet.G")[k % 2]
                pair = [
                    (stock, [f".stock-{at.replace('.', '-')}", ".stock-display"]),
                    (panel, [f"[data-terminal='{at}'] .bp-hit", ".bp-display"]),
                ]
                for rows, where in pair if k % 4 < 2 else pair[::-1]:
                    rows.append(page.evaluate(SHOWN, where))
                    page.wait_for_timeout(30)  # so that no act meets what is left of the one before
            cells.last.click()
            page.keyboard.press("Shift+Enter")
            told = page.locator(".jp-OutputArea-output pre").last
            told.wait_for(timeout=30_000)
            kernel, sent = json.loads(str(told.text_content()))
    peer, own = [r[0] for r in stock[4:]], [r[0] for r in panel[4:]]
    before, after = median(r[1] for r in panel[4:]), median(r[2] for r in panel[4:])
    rest = median(own) - before - after - kernel
    against = (
        f"the same act by stock ipywidgets in the same notebook: median {median(peer):.1f} ms, 95th percentile "
        f"{quantiles(peer, n=20)[-1]:.1f} ms; {TIMES} acts each, taking turns"
    )
    yield {"name": "one act in JupyterLab from click to display, median", "value": round(median(own), 1), "unit": "ms",
           "against": against, "ratio": median(own) / median(peer)}  # fmt: skip
    late = quantiles(own, n=20)[-1]
    yield {"name": "one act in JupyterLab from click to display, 95th percentile", "value": round(late, 1), "unit": "ms",
           "against": against, "ratio": late / quantiles(peer, n=20)[-1]}  # fmt: skip
    parts = (
        ("the page's script", before), ("the next frame", after), ("the kernel, from message to message", kernel),
        ("server, sockets and the notebook's own script", rest),
    )  # fmt: skip
    for name, value in parts:
        yield {"name": f"of one act in JupyterLab: {name}", "value": round(value, 2), "unit": "ms",
               "against": f"the whole act; a message of the kernel has about {round(sent / 1000)} kB",
               "ratio": value / median(own)}  # fmt: skip


def alone_figures() -> Iterator[dict[str, Any]]:
    """The page joined to the Python class without Jupyter, beside the same act on the bench alone."""
    with tempfile.TemporaryDirectory() as folder:
        alone = LocalBench(UNIT, "healthy_unit", "second_opinion", record=Path(folder) / "alone.jsonl")
        for act in READY:
            alone.act(act)
        plain = []
        for k in range(TIMES):
            start = time.perf_counter()
            alone.act(a.PlaceLead("red", ("outlet.L", "outlet.G")[k % 2]))
            plain.append(1e3 * (time.perf_counter() - start))
        alone.close()
        bench = LocalBench(UNIT, "healthy_unit", "second_opinion", record=Path(folder) / "page.jsonl")
        for act in READY:
            bench.act(act)
        with sync_playwright() as playwright, chromium(playwright) as browser:
            host = Host(browser.new_page(viewport={"width": 1280, "height": 800}), BenchPanel(bench))
            host.page.check("[data-form=leads] input[value=red]")
            taken = [float(host.page.evaluate(CLICK, ("outlet.L", "outlet.G")[k % 2])) for k in range(TIMES)]
        bench.close()
    against = f"the same act on the bench alone, record line on the disk: median {median(plain):.2f} ms; {TIMES} acts each"
    yield {"name": "one panel act end to end, median", "value": round(median(taken), 2), "unit": "ms", "against": against,
           "ratio": median(taken) / median(plain)}  # fmt: skip
    late = quantiles(taken, n=20)[-1]
    yield {"name": "one panel act end to end, 95th percentile", "value": round(late, 2), "unit": "ms", "against": against,
           "ratio": late / quantiles(plain, n=20)[-1]}  # fmt: skip
