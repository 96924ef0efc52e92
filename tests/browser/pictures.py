"""Pictures of the bench for the guides: `python tests/browser/pictures.py [FOLDER]`, by default beside the guides.

Rule: every picture is a real page in a real Chromium on a bench that was worked on; what a guide shows is what a learner gets.
"""

from __future__ import annotations

import io
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from browser.fingers import Mouse
from browser.page import Host, chromium
from PIL import Image
from playwright.sync_api import Browser, sync_playwright

import blowerlessons
from blowerbench import LocalBench
from blowerbench import acts as a
from blowerbench.panels import BenchPanel
from blowergrade.coach import BenchCoach
from blowergrade.watcher import SafetyWatcher

GUIDES = Path(blowerlessons.__file__).parent / "guides"
UNIT = "furnace_120_constant_airflow"
LAPTOP, TABLET = (1280, 800), (810, 1080)  # px
#: A call on the way: the unit made safe and opened, then live again for a reading at the board.
WORK: Sequence[a.Act] = (
    a.SetThermostat("off"), a.SetDisconnect(False), a.SetDoor(False), a.InspectMeter(), a.SetMeter("volts_ac"),
    a.PlaceLead("black", "board.C", True), a.PlaceLead("red", "board.R", True), a.SetThermostat("fan"),
    a.SetDisconnect(True), a.HoldDoorSwitch(True),
)  # fmt: skip
WIDE = 860  # px of a picture in a guide
COLOURS = 96


def worked(*acts: a.Act, fault: str = "healthy_unit") -> LocalBench:
    """A bench on which `acts` were done."""
    bench = LocalBench(UNIT, fault, "nothing_blows")
    for act in acts:
        bench.act(act)
    return bench


def pictures(browser: Browser, folder: Path) -> Iterator[Path]:
    """Write every picture into `folder`, one after another."""
    for kind, (width, height) in (("laptop", LAPTOP), ("tablet", TABLET)):
        for name in ("wired", "ladder", "connectors", "air", "board"):
            context = browser.new_context(
                viewport={"width": width, "height": height}, has_touch=kind == "tablet", reduced_motion="reduce"
            )
            host = Host(context.new_page(), BenchPanel(worked(*WORK)))
            host.page.click(f"[role=tab][data-view={name}]")
            host.settled()
            host.page.wait_for_selector(f"[role=tabpanel][data-view={name}] svg")
            host.page.evaluate("() => scrollTo(0, 0)")
            yield _taken(host, folder / ("panel.png" if (kind, name) == ("laptop", "wired") else f"{kind}-{name}.png"))
            context.close()
    context = browser.new_context(viewport={"width": LAPTOP[0], "height": LAPTOP[1]})
    bench = worked(fault="door_switch_open")
    host = Host(context.new_page(), BenchPanel(bench, BenchCoach.of(bench), watcher=SafetyWatcher(bench)))
    for act in (a.SetDoor(False), a.OpenControl()):
        Mouse(host).do(act)
    yield _taken(host, folder / "laptop-caution.png")
    host.page.keyboard.press("Escape")
    host.settled()
    host.page.click("[data-strength='2']")
    host.page.click(".bp-guide button[aria-expanded]")
    host.settled()
    coach = host.page.locator(".bp-guide")
    coach.scroll_into_view_if_needed()
    yield written(coach.screenshot(), folder / "coach.png")
    context.close()


def _taken(host: Host, path: Path) -> Path:
    return written(host.page.screenshot(), path)


def written(png: bytes, path: Path, colours: int = COLOURS) -> Path:
    """Kept small: as wide as a guide's column, in few colours."""
    image = Image.open(io.BytesIO(png)).convert("RGB")
    if image.width > WIDE:
        image = image.resize((WIDE, round(image.height * WIDE / image.width)), Image.Resampling.LANCZOS)
    image.quantize(colours, Image.Quantize.MAXCOVERAGE, dither=Image.Dither.NONE).save(path, optimize=True)
    return path


def main(arguments: Sequence[str]) -> int:
    """Write the pictures and say how large each is."""
    folder = Path(arguments[0]) if arguments else GUIDES
    folder.mkdir(parents=True, exist_ok=True)
    with sync_playwright() as playwright, chromium(playwright) as browser:
        for path in pictures(browser, folder):
            print(f"{path.name}: {path.stat().st_size // 1024} KiB")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
