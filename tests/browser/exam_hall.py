"""An exam service in a process of its own and its pages in a real browser: what the tests and the pictures of the exam share.

Rule: the service is the real one, on loopback, killed as a power cut kills it. What a page asked for is kept, and whatever its
console said.
"""

from __future__ import annotations

import os
import signal
import socket
import sqlite3
import subprocess
import sys
import threading
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from typing import Any
from urllib.parse import urlparse

import msgspec
from browser.page import Host
from playwright.sync_api import Browser, BrowserContext, Page

from blowerbench import LocalBench
from blowerbench import acts as a
from blowerbench.faults import Hypothesis
from blowerbench.panels.state import PanelState
from blowergrade.exam.attempt import Plan
from blowergrade.exam.folder import DESK, JOURNAL, ExamFolder

PATIENCE = 30.0  # s for a service to answer
SERVE = """import asyncio, sys
from pathlib import Path
from blowergrade.exam.folder import ExamFolder
from blowergrade.exam.service import Place, run
hall = ExamFolder(Path(sys.argv[1])).open_hall()
if sys.argv[3:]:
    hall.results = lambda number, candidate: sys.argv[3:]
asyncio.run(run(hall, Place(port=int(sys.argv[2])), print))
"""


class Service:
    """The service of `folder` on a port that stays the same when it is started again."""

    def __init__(self, folder: ExamFolder) -> None:
        self.folder = folder
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            self.port: int = probe.getsockname()[1]
        self.home = f"http://127.0.0.1:{self.port}/"
        self._process: subprocess.Popen[bytes] | None = None

    def start(self, *results: str) -> None:
        """Start it and wait until it answers; `results` are what a released grading would tell anybody."""
        log = self.folder.root / "service.log"
        with log.open("ab") as out:
            self._process = subprocess.Popen(
                [sys.executable, "-c", SERVE, str(self.folder.root), str(self.port), *results], stdout=out, stderr=out,
                env=os.environ | {"PYTHONPATH": os.pathsep.join(p for p in sys.path if p)},
            )  # fmt: skip
        end = time.monotonic() + PATIENCE
        while time.monotonic() < end and self._process.poll() is None:
            try:
                urllib.request.urlopen(self.home, timeout=5).close()
                return
            except (urllib.error.URLError, ConnectionError, TimeoutError):
                time.sleep(0.05)
        raise AssertionError(f"the service did not start: {log.read_text(encoding='utf-8')[-2000:]}")

    def kill(self) -> None:
        """End it as a power cut would: no goodbye, nothing written any more."""
        if self._process is not None:
            self._process.send_signal(signal.SIGKILL)
            self._process.wait(10)
            self._process = None

    @property
    def code(self) -> str:
        """The proctor's code."""
        return self.folder.codes[DESK]


@contextmanager
def serving(folder: ExamFolder) -> Iterator[Service]:
    """A running service; it is ended afterwards."""
    service = Service(folder)
    service.start()
    try:
        yield service
    finally:
        service.kill()


class Seat:
    """A browser of its own at the service: `asked` holds every address that it asked for, `said` what its console said."""

    def __init__(self, browser: Browser, service: Service, *, width: int = 1280, height: int = 800, **more: Any) -> None:
        self.service = service
        self.context: BrowserContext = browser.new_context(viewport={"width": width, "height": height}, **more)
        self.page: Page = self.context.new_page()
        self.asked: list[str] = []
        self.said: list[str] = []
        self.errors: list[str] = []
        self.page.on("request", lambda request: self.asked.append(request.url))
        self.page.on("websocket", lambda socket: self.asked.append(socket.url))
        self.page.on("console", lambda message: self.said.append(f"{message.type}: {message.text}"))
        self.page.on("pageerror", lambda error: self.errors.append(str(error)))
        self.page.on("dialog", lambda dialog: dialog.accept())

    @property
    def strangers(self) -> set[str]:
        """The hosts off this machine that the page asked."""
        found = {urlparse(url) for url in self.asked}
        return {str(u.hostname) for u in found if u.scheme not in ("data", "blob") and u.hostname != "127.0.0.1"}

    def close(self) -> None:
        """Leave."""
        self.context.close()


class CandidateSeat(Seat):
    """A candidate at the exam's page."""

    def sign_in(self, name: str, home: str = "") -> None:
        """Open the page, over another way to the service where one is given, and sign in."""
        self.page.goto(home or self.service.home)
        self.page.fill("#code", self.service.folder.codes[name])
        self.page.keyboard.press("Enter")
        self.page.wait_for_selector(".ex-bar")

    def begin(self) -> None:
        """Start the exam."""
        self.page.click("button.ex-first")
        self.page.wait_for_selector(".ex-calls")

    def open(self, number: int) -> None:
        """Open a call from the list."""
        self.page.click(f".ex-calls li:nth-child({number}) button")
        self.drawn()

    def drawn(self) -> None:
        """Wait until the panel is there and knows the service."""
        self.page.wait_for_selector(".blowerbench[data-ack]")

    @property
    def left(self) -> int:
        """Seconds on the page's clock."""
        parts = [int(x) for x in (self.page.text_content(".ex-clock [role=timer]") or "").split(":")]
        return sum(n * 60**k for k, n in enumerate(reversed(parts)))


class ProctorSeat(Seat):
    """The proctor at the desk."""

    def sign_in(self) -> None:
        """Open the desk."""
        self.page.goto(f"{self.service.home}proctor")
        self.page.fill("#code", self.service.code)
        self.page.keyboard.press("Enter")
        self.page.wait_for_selector(".ex-desk")

    def let_begin(self) -> None:
        """Let candidates begin."""
        self.page.click("text=Let candidates begin")
        self.page.wait_for_selector("text=Close the sitting")

    def see(self, name: str) -> None:
        """Open a candidate's dialog: `name` is an id of an unnamed person, or a name."""
        person = name if " " in name else f"Person {name}"
        self.page.click(f"[aria-label='Open {person}']")
        self.page.wait_for_selector("dialog[open]")

    def row(self, name: str) -> str:
        """The text of a candidate's row."""
        return " | ".join(self.page.locator(f"tr:has-text('({name})') > *").all_text_contents())


class Work(Host):
    """A panel on a candidate's page beside a bench of the same plan that has no service: people (`fingers`) work on both."""

    def __init__(self, seat: CandidateSeat, plan: Plan) -> None:
        fault, _, severity = plan.fault.partition("/")
        self.bench = LocalBench(
            plan.equipment, Hypothesis(fault, int(severity or 0)), plan.complaint, variant=plan.variant,
            assignment=plan.assignment, person=plan.person,
        )  # fmt: skip
        self.page, self.panel = seat.page, PanelState(self.bench, language=plan.language)  # type: ignore[assignment] # what a person reads of it
        self._number = 0

    def both(self, act: a.Act) -> None:
        """Do `act` on the bench without a service too: the page has done it already."""
        self._number += 1
        self.panel.hear({"kind": "act", "view": "beside", "seq": self._number, "act": msgspec.to_builtins(act)})
        assert self.panel.problem == ""

    def shown(self) -> dict[str, str]:
        """What the page shows of the unit: display, what is seen and heard, clock, and the log's newest line."""
        text = "(s) => document.querySelector(s)?.textContent.trim() ?? ''"
        every = "(s) => [...document.querySelectorAll(s)].map((e) => e.textContent.trim()).join('|')"
        return {
            "display": self.page.evaluate(text, ".bp-display"), "clock": self.page.evaluate(text, ".bp-clock"),
            "senses": self.page.evaluate(every, "[aria-label='What you see, hear and read'] li"),
            "log": self.page.evaluate(text, ".bp-texts ol li:last-child"),
        }  # fmt: skip

    def right(self) -> dict[str, str]:
        """The same of the bench without a service."""
        scene, note = self.panel.scene, self.panel.notes[-1]
        return {
            "display": f"{scene['display']['text']} {scene['display']['unit']}".strip(), "clock": str(scene["clock"]),
            "senses": "|".join(scene["senses"]), "log": f"{note['done']} {note['text']}".strip(),
        }  # fmt: skip


def plan_of(folder: ExamFolder, name: str, item: str) -> Plan:
    """What stands on a candidate's bench."""
    plan = folder.programme.plan(name, item)
    assert plan is not None
    return plan


def kept(folder: ExamFolder, attempt: str) -> list[tuple[int, bytes]]:
    """The acts of an attempt as they lie on the disk, read past the service: number and line."""
    with closing(sqlite3.connect(f"file:{folder.root / JOURNAL}?mode=ro", uri=True)) as base:
        return list(base.execute("SELECT seq, line FROM acts WHERE attempt = ? AND seq > 0 ORDER BY seq", (attempt,)))


class NoWebSockets:
    """A way to the service that carries plain HTTP only, as many a school's proxy does."""

    def __init__(self, service: Service) -> None:
        self._target = ("127.0.0.1", service.port)
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.home = f"http://127.0.0.1:{self._listener.getsockname()[1]}/"
        self.turned_away = 0
        threading.Thread(target=self._accept, daemon=True).start()

    def _accept(self) -> None:
        while True:
            try:
                client, _ = self._listener.accept()
            except OSError:
                return
            threading.Thread(target=self._carry, args=(client,), daemon=True).start()

    def _carry(self, client: socket.socket) -> None:
        with client, suppress(OSError), socket.create_connection(self._target) as service:
            threading.Thread(target=self._back, args=(service, client), daemon=True).start()
            while data := client.recv(65536):
                if b"upgrade: websocket" in data.lower():
                    self.turned_away += 1
                    client.sendall(b"HTTP/1.1 403 Forbidden\r\nContent-Length: 0\r\nConnection: close\r\n\r\n")
                    return
                service.sendall(data)

    @staticmethod
    def _back(service: socket.socket, client: socket.socket) -> None:
        with suppress(OSError):
            while data := service.recv(65536):
                client.sendall(data)
            client.shutdown(socket.SHUT_RDWR)

    def close(self) -> None:
        """Take no more."""
        self._listener.close()
