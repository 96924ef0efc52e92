"""The exam's pages in a real browser, on a real service in a process of its own.

Rule: what a candidate reads is compared with a bench of the same plan that no service and no page stands before; what is kept
is read from the disk, past the service. The clauses of WCAG 2.2 are quoted from memory.
"""

from __future__ import annotations

import json
import re
import threading
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest
from browser.exam_hall import CandidateSeat, NoWebSockets, ProctorSeat, Seat, Service, Work, kept, plan_of
from browser.fingers import Keyboard, Mouse
from browser.test_access import violations, wear
from exam.hall_room import room
from playwright.sync_api import Browser, Page, expect

from blowerbench import acts as a
from blowerbench.messages import translate
from blowergrade.exam.folder import ExamFolder
from blowergrade.exam.programme import Rules
from blowergrade.exam.sitting import Opened, Released, SignedIn, Started
from blowergrade.exam.texts import LOST, texts

#: Rules for a hall of a few people on a busy machine: answers leave soon, the service signs often.
QUICK = Rules(tick_ms=40, guard_ms=10, rate=0.0, solvers=0, sign_seconds=0.2)
THEMES = ("light", "dark", "forced")
#: Work towards a reading, with two acts that break safety rules: the door off and hands inside a live unit.
WORK: tuple[a.Act, ...] = (
    a.SetThermostat("fan"), a.SetDoor(False), a.HoldDoorSwitch(True), a.SetMeter("volts_ac"),
    a.PlaceLead("black", "board.C", True), a.PlaceLead("red", "board.R", True), a.PlaceLead("red", "board.G", True),
)  # fmt: skip
Open = Callable[..., "Room"]


class Room:
    """An exam that is served, with the seats in it."""

    def __init__(self, browser: Browser, folder: ExamFolder) -> None:
        self.browser, self.folder, self.service = browser, folder, Service(folder)
        self.seats: list[Seat] = []

    def candidate(self, **more: Any) -> CandidateSeat:
        seat = CandidateSeat(self.browser, self.service, **more)
        self.seats.append(seat)
        return seat

    def proctor(self, **more: Any) -> ProctorSeat:
        seat = ProctorSeat(self.browser, self.service, **more)
        self.seats.append(seat)
        seat.sign_in()
        return seat

    def work(self, seat: CandidateSeat, item: str = "k1", name: str = "c01") -> Work:
        return Work(seat, plan_of(self.folder, name, item))

    def leave(self) -> None:
        for seat in self.seats:
            seat.close()
            assert seat.strangers == set(), "nothing off this machine"
            assert seat.errors == []
        self.seats.clear()

    def close(self) -> None:
        self.service.kill()
        self.leave()


@pytest.fixture
def hall(browser: Browser, tmp_path: Path) -> Iterator[Open]:
    """Makes an exam and serves it; at the end every page must have asked this machine only, and raised nothing."""
    rooms = []

    def make(people: int = 2, *, opened: bool = True, serve: bool = True, **more: Any) -> Room:
        folder = room(tmp_path / "exam", people, rules=more.pop("rules", QUICK), **more)
        if opened:
            write(folder, Opened())
        found = Room(browser, folder)
        rooms.append(found)
        if serve:
            found.service.start()
        return found

    yield make
    for one in rooms:
        one.close()


@pytest.fixture(scope="module")
def open_hall(browser: Browser, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Room]:
    """One open exam for tests that leave each other's candidates alone; c04 reads Spanish."""
    folder = room(tmp_path_factory.mktemp("open") / "exam", 4, rules=QUICK, languages=("en", "en", "en", "es"))
    write(folder, Opened())
    found = Room(browser, folder)
    found.service.start()
    yield found
    found.close()


@pytest.fixture
def shared(open_hall: Room) -> Iterator[Room]:
    """The open exam; whoever came in leaves afterwards."""
    yield open_hall
    open_hall.leave()


def write(folder: ExamFolder, *events: Any) -> None:
    """Put events into the journal of a service that does not run."""
    journal = folder.journal()
    for event in events:
        journal.add_event(event, int(1000 * time.time()))[1].result()
    journal.close()


def alike(work: Work) -> None:
    """The page shows what the bench without a service shows, once the display has settled."""
    expect(work.page.locator(".bp-settling")).to_have_count(0)
    assert work.shown() == work.right()


def at_heading(page: Page, text: str) -> None:
    """The focus comes to be on the heading `text`."""
    expect(page.locator("h2:focus")).to_have_text(text)


# ---------------------------------------------------------------------- the way through
@pytest.mark.parametrize("way", ["websocket", "plain"])
def test_a_candidate_reads_what_a_bench_without_a_service_shows_and_hears_no_word_about_safety(hall: Open, way: str) -> None:
    exam = hall(opened=False)
    blocker = NoWebSockets(exam.service) if way == "plain" else None
    seat, desk = exam.candidate(), exam.proctor()
    page = seat.page
    seat.sign_in("c01", blocker.home if blocker else "")
    expect(page.locator(f"body[data-line={'plain' if blocker else 'open'}]")).to_be_attached()
    assert page.locator("text=Start my exam").is_hidden()
    # a bench that counts for nothing comes first; opening the hall does not take it away
    page.click("text=Try the bench out")
    seat.drawn()
    desk.let_begin()
    expect(page.locator(".ex-said")).to_have_text("The exam is open. Go back to the list to start it.", timeout=8000)
    assert page.is_visible(".blowerbench")
    page.click("text=Back to the list")
    seat.begin()
    seat.open(1)
    work = exam.work(seat)
    person = Mouse(work)
    for act in WORK:
        person.do(act)
        work.both(act)
        alike(work)
    assert page.locator(".bp-caution, .bp-cautions:not([hidden]), .bp-hint, .bp-sheet:not([hidden])").count() == 0
    assert len(kept(exam.folder, "c01/k1")) == len(WORK)
    expect(desk.page.locator("tr:has-text('(c01)')")).to_contain_text("working")
    # leave it, look at the other call, and find the first as it was
    page.click("text=Back to the list")
    expect(page.locator(".ex-calls li").first).to_contain_text(f"Begun. Acts kept: {len(WORK)}", ignore_case=True)
    seat.open(2)
    page.click("text=Back to the list")
    seat.open(1)
    alike(work)
    page.click("text=Back to the list")
    page.click("text=Hand in the exam")
    expect(page.locator("#sure + p")).to_have_text("Not handed back yet: Call 1, Call 2")
    page.click("text=Yes, hand in")
    expect(page.locator("main:visible > h2")).to_have_text("Your exam is over")
    assert page.locator("tbody code").first.text_content() == page.evaluate("() => document.body.dataset.receipt")
    noise = [x for x in seat.said if not ("WebSocket" in x and blocker)]
    assert noise == [] and desk.said == []
    if blocker:
        assert blocker.turned_away >= 2
        blocker.close()


@pytest.mark.parametrize(("language", "name"), [("en", "c01"), ("es", "c04")])
def test_the_whole_way_goes_by_keys_alone_and_the_focus_is_never_lost(shared: Room, language: str, name: str) -> None:
    # WCAG 2.2: 2.1.1 Keyboard, 2.4.3 Focus Order, 3.3.8 Accessible Authentication (codes can be pasted), 3.1.1 Language
    exam, t = shared, texts(language)
    seat = exam.candidate()
    page, press = seat.page, seat.page.keyboard.press
    seat.context.grant_permissions(["clipboard-read", "clipboard-write"], origin=exam.service.home)
    page.goto(exam.service.home)
    page.evaluate("() => { window.touched = 0; addEventListener('pointerdown', () => { window.touched += 1; }, true); }")
    page.evaluate("(code) => navigator.clipboard.writeText(code)", f" {exam.folder.codes[name].lower()} ")
    assert page.evaluate("() => document.activeElement.id") == "code"
    press("Control+V")
    press("Enter")
    page.wait_for_selector(".ex-bar")
    assert page.get_attribute("html", "lang") == language
    at_heading(page, t["welcome"].format(f"Person {name}"))
    tab(page, t["begin"])
    at_heading(page, t["calls"])
    tab(page, t["open"].format(t["call"].format(1)))
    seat.drawn()
    at_heading(page, t["call"].format(1))
    work = exam.work(seat, name=name)
    assert page.get_attribute(".blowerbench", "lang") == language
    person = Keyboard(work)
    for act in (a.SetDisconnect(False), a.SetDoor(False), a.SetMeter("volts_ac"), a.PlaceLead("black", "board.C", True)):
        before = page.evaluate("() => document.activeElement !== document.body")
        person.do(act)
        work.both(act)
        assert before and page.evaluate("() => document.activeElement !== document.body")
        assert work.shown()["log"] == work.right()["log"]
    tab(page, t["back"], back=True)
    at_heading(page, t["calls"])
    tab(page, t["submit"])
    expect(page.locator("button:focus")).to_have_text(t["no"])
    press("Enter")
    expect(page.locator("button:focus")).to_have_text(t["submit"])
    press("Enter")
    tab(page, t["yes"])
    page.wait_for_selector("tbody code")
    at_heading(page, t["over_title"])
    assert page.evaluate("() => window.touched") == 0
    if language == "es":
        assert all(t[k] != texts("en")[k] for k in t if k not in ("no",)), "every text has its translation"
        assert translate("The unit", "es") != "The unit"
    assert seat.said == []


def tab(page: Page, text: str, *, back: bool = False) -> None:
    """Go to the button of this text by Tab and press it."""
    for _ in range(200):
        page.keyboard.press("Shift+Tab" if back else "Tab")
        found = page.evaluate("() => document.activeElement.textContent")
        if found == text and page.evaluate("() => document.activeElement.matches('button')"):
            page.keyboard.press("Enter")
            return
    raise AssertionError(f"Tab never reaches {text!r}")


# ---------------------------------------------------------------------- when something breaks
@pytest.mark.parametrize("way", ["websocket", "plain"])
def test_a_killed_service_gives_its_absence_back_and_an_act_made_meanwhile_is_done_once(hall: Open, way: str) -> None:
    exam = hall()
    seat, desk = exam.candidate(), exam.proctor()
    page = seat.page
    seat.sign_in("c01", f"{exam.service.home}?plain" if way == "plain" else "")
    seat.begin()
    seat.open(1)
    work = exam.work(seat)
    person = Mouse(work)
    for act in WORK[:6]:
        person.do(act)
        work.both(act)
    page.click("[role=tab][data-view=ladder]")  # a message that leaves nothing in the record
    work.settled()
    left, began = seat.left, time.monotonic()
    exam.service.kill()
    work.settled = lambda: None  # type: ignore[method-assign]  # nothing to wait for here # nobody answers now
    more = (a.PlaceLead("red", "board.G", True), a.SetThermostat("off"))
    person.do(more[0])
    expect(page.locator(".ex-note[role=alert]", has_text=LOST[:40])).to_be_visible(timeout=8000)
    expect(desk.page.locator(".ex-note")).to_be_visible(timeout=8000)
    person.do(more[1])
    page.focus("[data-terminal='board.R']")
    time.sleep(max(0.0, 3.5 - (time.monotonic() - began)))
    del work.settled
    exam.service.start()
    away = time.monotonic() - began
    for act in more:
        work.both(act)
    page.wait_for_function("() => !document.querySelector('.ex-note:not([hidden])')", timeout=15_000)
    work.settled()
    alike(work)
    assert page.get_attribute("[role=tab][data-view=ladder]", "aria-selected") == "true"
    assert page.evaluate("() => document.activeElement.dataset.terminal") == "board.R", "the focus stayed where it was"
    # every act once, in its order, both on the page and on the disk
    assert [n for n, _ in kept(exam.folder, "c01/k1")] == list(range(1, 9))
    log = [text.strip() for text in page.locator(".bp-texts ol li").all_text_contents()]
    assert log == [f"{n['done']} {n['text']}".strip() for n in work.panel.notes][-len(WORK) - 1 :]
    # the clock lost at most what passed outside the outage (and a sign of life, 0.2 s, before it)
    gone = time.monotonic() - began - away
    assert left - gone - 3 <= seat.left <= left + 1
    expect(page.locator(".ex-said")).to_contain_text(re.compile(r"Added to your time: 0:\d\d"))
    expect(desk.page.locator(".ex-log")).to_contain_text("the service was away for", timeout=8000)
    expect(desk.page.locator("tr:has-text('(c01)')")).to_contain_text("working", timeout=8000)
    # and it goes on
    person.do(a.Wait(30))
    work.both(a.Wait(30))
    alike(work)


def test_an_act_that_is_on_the_disk_while_its_answer_is_lost_with_the_service_is_not_done_again(hall: Open) -> None:
    exam = hall(rules=Rules(tick_ms=2000, guard_ms=10, rate=0.0, solvers=0, sign_seconds=0.2))
    seat = exam.candidate()
    seat.sign_in("c01")
    seat.begin()
    seat.open(1)
    work = exam.work(seat)
    work.settled = lambda: None  # type: ignore[method-assign]  # nothing to wait for here
    Mouse(work).do(a.Wait(30))
    work.both(a.Wait(30))
    end = time.monotonic() + 5
    while not kept(exam.folder, "c01/k1") and time.monotonic() < end:
        time.sleep(0.01)
    exam.service.kill()  # before the tick on which its answer would have left
    assert seat.page.get_attribute(".blowerbench", "data-ack") == "0"
    # the candidate goes back to the list meanwhile: what the call owes goes out all the same
    seat.page.click("text=Back to the list")
    exam.service.start()
    seat.page.wait_for_selector("body[data-line=open]", timeout=15_000)
    seat.open(1)
    del work.settled
    work.settled()
    alike(work)
    assert len(kept(exam.folder, "c01/k1")) == 1


def flood(seat: CandidateSeat, messages: int) -> None:
    """Messages of another program that holds the candidate's session: they fill the queue of 6 s that everybody has."""
    cookie = "; ".join(f"{c['name']}={c['value']}" for c in seat.context.cookies())

    def post(number: int) -> None:
        body = json.dumps({"kind": "hello", "view": f"other{number}", "seq": 0}).encode()
        headers = {"Cookie": cookie, "Content-Type": "application/json"}
        with suppress(urllib.error.HTTPError):
            urllib.request.urlopen(urllib.request.Request(f"{seat.service.home}call/k1", body, headers), timeout=30).close()

    for number in range(messages):
        threading.Thread(target=post, args=(number,), daemon=True).start()


#: Turns the meter's dial many times in the same moment.
TURNS = """(n) => {
    const dial = document.querySelectorAll("[data-form=dial] [role=radio]");
    for (let k = 0; k < n; k += 1) dial[1 + (k % 5)].click();
}"""


def test_acts_that_come_faster_than_the_service_takes_them_are_done_once_each_and_in_order(hall: Open) -> None:
    exam = hall(rules=Rules(tick_ms=40, guard_ms=10, rate=5.0, burst=2, solvers=0, sign_seconds=0.2))
    seat = exam.candidate()
    heard: list[str] = []
    seat.page.on("websocket", lambda line: line.on("framereceived", lambda data: heard.append(str(data))))
    seat.sign_in("c01")
    seat.begin()
    seat.open(1)
    flood(seat, 45)
    seat.page.wait_for_timeout(300)
    seat.page.evaluate(TURNS, 15)
    seat.page.wait_for_function("() => document.body.dataset.acts === '15'", timeout=40_000)
    assert seat.page.get_attribute(".blowerbench", "data-ack") == "15"
    dialled = [json.loads(line)["body"]["act"]["function"] for _, line in kept(exam.folder, "c01/k1")]
    assert len(set(dialled[:5])) == 5 and dialled == dialled[:5] * 3
    assert seat.page.locator(".ex-note:visible").count() == 0
    assert any("slow_down" in data for data in heard), "the service did turn some away"


def test_a_second_sign_in_needs_the_proctor_and_ends_the_first_page(shared: Room) -> None:
    exam = shared
    first, second, desk = exam.candidate(), exam.candidate(), exam.proctor()
    first.sign_in("c02")
    first.begin()
    first.open(1)
    second.page.goto(exam.service.home)
    second.page.fill("#code", exam.folder.codes["c02"])
    second.page.keyboard.press("Enter")
    said = second.page.locator("#code-said")
    expect(said).to_contain_text("This code is signed in already. Ask the proctor to let you in again.")
    expect(said.locator("[lang=es]")).to_contain_text("Pida al vigilante")
    assert violations(second.page) == []
    assert first.page.is_visible(".blowerbench")
    desk.see("c02")
    desk.page.click("text=Let in again")
    expect(desk.page.locator("text=Let in again")).to_be_hidden()
    second.page.keyboard.press("Enter")
    second.page.wait_for_selector(".ex-calls")
    ended = first.page.locator("main .ex-note")
    expect(ended).to_be_visible()
    assert ended.text_content() in (texts("en")["elsewhere"], texts("en")["sign_in"])
    assert first.page.locator(".blowerbench, [role=timer]:visible").count() == 0
    assert first.page.evaluate("() => document.activeElement.className") == "ex-note"
    assert violations(first.page) == []
    first.page.click("main button")
    for language in ("en", "es"):
        expect(first.page.locator(f"#code-said [lang={language}]")).to_have_text(texts(language)["sign_in"])
    second.open(1)
    assert second.page.is_visible(".blowerbench")


def test_time_out_ends_politely_and_the_proctor_can_give_more(hall: Open) -> None:
    # WCAG 2.2, 2.2.1 Timing Adjustable: somebody can give more time; what was done is kept
    exam = hall(serve=False)
    write(exam.folder, SignedIn("c02"), Started("c01", 7))
    exam.service.start()
    seat, desk = exam.candidate(), exam.proctor()
    page = seat.page
    seat.sign_in("c01")
    expect(page.locator("[role=status]").first).to_have_text("One minute left.")
    assert page.get_attribute(".ex-clock [role=timer]", "aria-live") is None, "the clock itself is not read out"
    seat.open(1)
    work = exam.work(seat)
    Mouse(work).do(a.SetThermostat("off"))
    page.focus(".bp-work select")
    expect(page.locator("main:visible > h2")).to_have_text("Your exam is over", timeout=15_000)
    expect(page.locator("main .ex-note")).to_have_text(texts("en")["over_time"])
    at_heading(page, "Your exam is over")
    assert page.locator("tbody code").count() == 1 and page.locator(".blowerbench").count() == 0
    expect(desk.page.locator("tr:has-text('(c01)')")).to_contain_text("out of time")
    desk.see("c01")
    desk.page.get_by_label("Minutes", exact=True).fill("2")
    desk.page.get_by_label("Reason").first.fill("the alarm went off")
    desk.page.click("text=Give minutes")
    expect(page.locator("main:visible > h2")).to_have_text("Service calls")
    expect(page.locator(".ex-said")).to_contain_text("Added to your time: 2:00")
    seat.open(1)
    assert page.text_content(".bp-texts ol li:last-child") == "Set the thermostat to off. The blower stands still."


# ---------------------------------------------------------------------- the proctor
def test_the_desk_follows_the_hall_and_does_what_it_says_by_keys_alone(hall: Open) -> None:
    exam = hall(3, opened=False, extra=(0, 25))
    desk = exam.proctor()
    page = desk.page
    row = {n: page.locator(f"tr:has-text('({n})')") for n in ("c01", "c02", "c03")}
    expect(row["c02"]).to_contain_text("extra time 25 %")
    expect(row["c02"]).to_contain_text("1:15:00")
    expect(row["c01"]).to_contain_text("not here")
    assert violations(page) == []
    seat, other = exam.candidate(), exam.candidate()
    seat.sign_in("c01")
    expect(row["c01"]).to_contain_text("here, not begun")
    tab(page, "Let candidates begin", back=True)
    expect(page.locator("text=Close the sitting")).to_be_focused()
    seat.begin()
    other.sign_in("c02")
    other.begin()
    expect(row["c01"]).to_contain_text("working")
    expect(page.locator(".ex-counts")).to_have_text("3 candidates, 1 not here, 2 working.")
    other.close()
    expect(row["c02"]).to_contain_text("NOT CONNECTED")
    expect(page.locator("[role=status]")).to_have_text("Not connected: Person c02")
    expect(page.locator(".ex-counts")).to_contain_text("Not connected: Person c02.")
    # a break: the bench is covered, the clock stands
    seat.open(1)
    seat.page.focus(".bp-work select")
    open_row = page.locator("[aria-label='Open Person c01']")
    open_row.focus()
    page.keyboard.press("Enter")
    at_heading(page, "Person c01 (c01)")
    assert violations(page) == []
    tab(page, "Begin a break")
    rest = seat.page.locator("main:visible > h2")
    expect(rest).to_have_text("Break")
    at_heading(seat.page, "Break")
    assert seat.page.locator(".blowerbench:visible").count() == 0
    assert violations(seat.page) == []
    left = seat.left
    expect(page.locator("text=End the break")).to_be_focused()
    # what is refused stays to be read, longer than the next look at the hall
    tab(page, "Give minutes", back=True)
    told = page.locator("dialog .ex-said")
    expect(told).to_contain_text("a reason")
    page.wait_for_timeout(2300)
    expect(told).to_be_visible()
    assert seat.left == left
    tab(page, "End the break")
    expect(seat.page.locator(".blowerbench")).to_be_visible()
    assert seat.page.evaluate("() => document.activeElement.matches('.bp-work select')"), "the focus is back where it was"
    # an incident, written as somebody might who means no good
    text = "<img src=x onerror=alert(1)> =1+1"
    page.get_by_label("What happened").last.fill(text)
    tab(page, "Write it down")
    expect(page.locator(".ex-log")).to_contain_text(f"Person c01: incident: {text}")
    # the end is asked for twice
    tab(page, "End this exam")
    expect(page.locator("button:focus")).to_have_text("No")
    tab(page, "Yes, end it")
    expect(seat.page.locator("main .ex-note")).to_have_text(texts("en")["over_proctor"])
    page.keyboard.press("Escape")
    expect(open_row).to_be_focused()
    tab(page, "Close the sitting", back=True)
    tab(page, "Yes, close it")
    expect(page.locator(".ex-bar")).to_contain_text("Closed")
    assert violations(page) == []
    page.reload()
    expect(page.locator(".ex-log")).to_contain_text("the sitting was closed")
    assert [x for x in desk.said if "400" not in x] == []


# ---------------------------------------------------------------------- everybody can use them
def test_axe_finds_nothing_on_any_page_of_the_exam_in_any_theme(hall: Open) -> None:
    exam = hall()
    seat, desk = exam.candidate(), exam.proctor()
    page = seat.page
    counted = 0

    def check(where: str, on: Page, themes: tuple[str, ...] = THEMES) -> None:
        nonlocal counted
        for theme in themes:
            wear(on, theme)
            assert violations(on) == [], f"{where}, {theme}"
            counted += 1

    page.goto(exam.service.home)
    check("sign in", page, ("light", "dark"))
    seat.sign_in("c01")
    check("before", page, ("light",))
    seat.begin()
    page.click("text=Hand in the exam")
    check("list", page)
    desk.page.bring_to_front()
    check("desk", desk.page)
    seat.open(1)
    exam.service.kill()
    expect(page.locator(".ex-note", has_text=LOST[:40])).to_be_visible()
    check("a call without connection", page, ("light", "dark"))
    exam.service.start()
    expect(page.locator(".ex-note", has_text=LOST[:40])).to_be_hidden(timeout=15_000)
    Mouse(exam.work(seat)).do(a.SetThermostat("off"))
    check("a call", page, ("dark", "forced"))
    page.click("text=Back to the list")
    page.click("text=Hand in the exam")
    page.click("text=Yes, hand in")
    page.wait_for_selector("tbody code")
    check("over", page)
    assert counted == 16


#: What sticks out of the page, and what is too small to be hit; tables and drawings may scroll.
UNFIT = """() => {
    const seen = [...document.querySelectorAll("body *")].filter((e) => e.checkVisibility())
        .filter((e) => !e.closest(".ex-hidden, .ex-skip, .bp-hidden-text"));
    const box = (e) => e.getBoundingClientRect();
    const name = (e) => `${innerWidth}: ${e.tagName} ${e.className} ${e.textContent.slice(0, 20)}`;
    const wide = seen.filter((e) => !e.closest(".ex-scroll table, .bp-picture svg"))
        .filter((e) => box(e).width > 1 && box(e).right > innerWidth + 1);
    const targets = seen.filter((e) => e.matches("button, select, summary, textarea, input") && !e.closest("label"));
    const scrolls = document.scrollingElement.scrollWidth > document.documentElement.clientWidth;
    const small = targets.filter((e) => box(e).height < 23.9);
    return [...wide, ...small].map(name).concat(scrolls ? [`${innerWidth}: the page scrolls sideways`] : []);
}"""


def test_at_200_percent_and_on_a_narrow_page_nothing_is_cut_off_and_every_target_keeps_24_pixels(shared: Room) -> None:
    # WCAG 2.2, 1.4.4 (1280 by 800 at 200 % is 640 by 400), 1.4.10 Reflow (320 px), 2.5.8 Target Size
    seat, desk = shared.candidate(), shared.proctor()
    page = seat.page

    def check(on: Page) -> None:
        for width, height in ((640, 400), (390, 844), (320, 568)):
            on.set_viewport_size({"width": width, "height": height})
            assert on.evaluate(UNFIT) == []

    page.goto(shared.service.home)
    check(page)
    seat.sign_in("c03")
    check(page)
    seat.begin()
    page.click("text=Hand in the exam")
    check(page)
    page.click("text=No, go on")
    seat.open(1)
    check(page)
    check(desk.page)
    desk.see("c03")
    check(desk.page)
    page.click("text=Back to the list")
    page.click("text=Hand in the exam")
    page.click("text=Yes, hand in")
    page.wait_for_selector("tbody code")
    check(page)
    page.set_viewport_size({"width": 320, "height": 256})  # the reader of a narrow, low page still gets to the end
    page.click("text=Print this page", trial=True)


def test_results_are_there_after_the_release_and_not_before(hall: Open) -> None:
    exam = hall(serve=False)
    told = ("You passed.", "Call 1: 91 of 100 points, passed.", "<b>Call 2</b>: 84 of 100 points, passed.")
    exam.service.start(*told)
    seat = exam.candidate()
    seat.sign_in("c01")
    seat.begin()
    seat.open(1)
    seat.page.click("text=Back to the list")
    seat.page.click("text=Hand in the exam")
    seat.page.click("text=Yes, hand in")
    expect(seat.page.locator("tbody tr")).to_have_count(1)
    assert seat.page.locator("text=You passed.").count() == 0
    exam.service.kill()
    write(exam.folder, Released())
    exam.service.start(*told)
    expect(seat.page.locator("section:has(h3:text('Results')) p")).to_have_text(list(told), timeout=15_000)
    assert violations(seat.page) == []
    later = exam.candidate()
    later.sign_in("c01")
    expect(later.page.locator("text=You passed.")).to_be_visible()
