"""One act end to end: from the click on a terminal in real Chromium to the new display in the page.

The page is joined to the Python class without Jupyter between them, so this is the bench's own share: page module, widget, act,
physics, record line (on the disk) and picture. The peer, timed in the same run, is the same act on the bench alone.
"""

from __future__ import annotations

import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from statistics import median, quantiles
from typing import Any

from browser.page import Host, chromium
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


def figures() -> Iterator[dict[str, Any]]:
    """Two rows: median and 95th percentile of a lead placed and its reading shown."""
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
