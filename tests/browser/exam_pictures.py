"""Pictures of an exam for its guide: `python tests/browser/exam_pictures.py [FOLDER]`, by default beside the guides.

Rule: every picture is a real page of a real service on which invented people worked; what the guide shows is what a hall gets.
"""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Iterator, Sequence
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from browser.exam_hall import CandidateSeat, ProctorSeat, Service, Work, plan_of, serving
from browser.fingers import Mouse
from browser.page import chromium
from browser.pictures import GUIDES, WORK, written
from exam.hall_room import room
from playwright.sync_api import Browser, expect, sync_playwright

from blowergrade.exam.programme import Rules

PEOPLE = ("Robin Ashdown", "Mina Okafor", "Pavel Lindqvist", "Ana Ribeiro", "Tomas Hale")  # invented
CALLS = tuple((fault, "nothing_blows") for fault in ("wall_G_open", "control_fan_pin_out", "door_switch_open"))
SIZE = {"width": 1280, "height": 760}


def pictures(browser: Browser, folder: Path) -> Iterator[Path]:
    """Write every picture into `folder`, one after another."""
    with tempfile.TemporaryDirectory() as base:
        exam = room(
            Path(base) / "exam", 5, rules=Rules(tick_ms=40, guard_ms=10, rate=0.0, solvers=0, sign_seconds=0.5), minutes=120,
            calls=CALLS, extra=(0, 25), languages=("en", "en", "en", "es"), called=PEOPLE,
        )  # fmt: skip
        with serving(exam) as service:
            desk = ProctorSeat(browser, service, **SIZE)
            desk.sign_in()
            seats = {f"c0{k}": CandidateSeat(browser, service, **SIZE) for k in range(1, 5)}
            yield from _before(seats["c01"], desk, folder)
            yield from _during(service, seats, desk, folder)
            for seat in (desk, *seats.values()):
                seat.close()


def _before(seat: CandidateSeat, desk: ProctorSeat, folder: Path) -> Iterator[Path]:
    seat.sign_in("c01")
    seat.page.set_viewport_size({"width": 1280, "height": 440})
    yield written(seat.page.screenshot(), folder / "exam-before.png")
    seat.page.set_viewport_size(SIZE)  # type: ignore[arg-type] # width and height
    desk.let_begin()
    seat.begin()


def _during(service: Service, seats: dict[str, CandidateSeat], desk: ProctorSeat, folder: Path) -> Iterator[Path]:
    for name in ("c02", "c03", "c04"):
        seats[name].sign_in(name)
        seats[name].begin()
    for name, acts in (("c02", 4), ("c04", 7), ("c01", len(WORK))):
        seats[name].open(1)
        work = Work(seats[name], plan_of(service.folder, name, "k1"))
        for act in WORK[:acts]:
            Mouse(work).do(act)
            work.both(act)
    first = seats["c01"].page
    expect(first.locator(".bp-settling")).to_have_count(0)
    expect(first.locator(".ex-said")).to_be_hidden(timeout=30_000)
    yield written(first.screenshot(), folder / "exam-call.png")
    seats["c03"].close()
    desk.page.fill("main textarea", "A phone rang at seat 3. It was taken away.")
    desk.page.click("main >> text=Write it down")
    expect(desk.page.locator(".ex-counts")).to_contain_text("Not connected: Pavel Lindqvist.")
    expect(desk.page.locator(".ex-log")).to_contain_text("A phone rang")
    yield written(desk.page.screenshot(), folder / "exam-desk.png")
    desk.page.set_viewport_size({"width": 1280, "height": 900})
    desk.see(PEOPLE[2])
    yield written(desk.page.locator("dialog").screenshot(), folder / "exam-candidate.png")
    first.click("text=Back to the list")
    first.click("text=Hand in the exam")
    first.click("text=Yes, hand in")
    first.wait_for_selector("tbody code")
    first.set_viewport_size({"width": 1280, "height": 420})
    yield written(first.screenshot(), folder / "exam-receipts.png")


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
