"""A supervised class for tests: its service in a thread of its own, with a clock that can be moved on."""

from __future__ import annotations

import asyncio
import http.client
import socket
import threading
import time
from typing import Any

import msgspec

from blowerbench import LocalBench
from blowerbench import acts as a
from blowerbench.faults import Hypothesis
from blowerbench.remote import RemoteBench
from blowergrade.classwork.codes import read_codes
from blowergrade.classwork.folder import ClassFolder
from blowergrade.classwork.serve import Supervised
from blowergrade.classwork.supervised import desk_code
from blowergrade.exam.programme import Rules
from blowergrade.exam.service import Place
from blowergrade.exam.timeline import TimeLine

#: Rules that wait for nothing; the service computes by itself.
AT_ONCE = Rules(tick_ms=0, guard_ms=0, rate=0.0, solvers=0, sign_seconds=0.5)
SUPERVISED = "watched"  # the assignment's name


def free_port() -> int:
    """A port of this machine that nobody has."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


def local_bench(folder: ClassFolder, student: str, name: str = SUPERVISED, record: Any = None) -> LocalBench:
    """The very bench of `student`, in this process."""
    one = folder.assignment(name).of(student)
    assert one is not None
    fault, _, severity = one.fault.partition("/")
    return LocalBench(
        one.equipment, Hypothesis(fault, int(severity)), one.complaint, variant=one.variant, record=record, assignment=name,
        person=one.entry,
    )  # fmt: skip


def acts_of(bench: LocalBench) -> list[a.AnyAct]:
    """What was done on `bench`."""
    return [line.act for line in bench.lines]


class Served:
    """The service of the assignment `name` while it runs. `later` ms are added to its clock."""

    def __init__(self, folder: ClassFolder, name: str = SUPERVISED, rules: Rules = AT_ONCE, **place: Any) -> None:
        self.folder, self.name, self.later = folder, name, 0.0
        self._rules, self._place = rules, {"port": 0, **place}
        self._loop = asyncio.new_event_loop()
        self._ready = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self.port, self.problem = 0, ""
        self._thread.start()
        assert self._ready.wait(30) and not self.problem, self.problem

    def _run(self) -> None:
        asyncio.set_event_loop(self._loop)
        try:
            line = TimeLine(monotonic=lambda: time.monotonic() + self.later / 1000)
            self.service = Supervised(self.folder, self.name, rules=self._rules, line=line)
            self.port = self._loop.run_until_complete(self.service.start(Place(**self._place)))
        except Exception as error:
            self.problem = f"{type(error).__name__}: {error}"
        self._ready.set()
        if not self.problem:
            self._loop.run_forever()
        self._loop.close()

    def stop(self) -> None:
        """Stop as Ctrl-C does."""
        asyncio.run_coroutine_threadsafe(self.service.stop(), self._loop).result(30)
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join(30)

    def __enter__(self) -> Served:
        return self

    def __exit__(self, *_: object) -> None:
        if self._thread.is_alive():
            self.stop()

    @property
    def url(self) -> str:
        """Where it is."""
        return f"http://127.0.0.1:{self.port}"

    def code(self, student: str) -> str:
        """The student's personal code."""
        return read_codes(self.folder.private)[student]

    def bench(self, student: str, **more: Any) -> RemoteBench:
        """The student's bench, as their notebook opens it."""
        return RemoteBench(self.url, self.code(student), **{"patience": 3.0, **more})

    def ask(self, method: str, path: str, body: object = None, cookie: str = "") -> tuple[int, Any, str]:
        """Status, JSON and cookie of an answer."""
        wire = http.client.HTTPConnection("127.0.0.1", self.port, timeout=10)
        try:
            wire.request(method, path, None if body is None else msgspec.json.encode(body), {"Cookie": cookie})
            response = wire.getresponse()
            data, kind = response.read(), response.getheader("Content-Type", "")
            found = msgspec.json.decode(data) if "json" in kind else data.decode()
            return response.status, found, response.getheader("Set-Cookie", "").partition(";")[0]
        finally:
            wire.close()

    def class_state(self) -> dict[str, dict[str, Any]]:
        """The live page's rows, by student, as the instructor's browser gets them."""
        code = desk_code(self.folder, self.name)
        status, _, cookie = self.ask("POST", "/proctor/sign-in", {"code": code})
        assert status == 200
        status, found, _ = self.ask("GET", "/proctor/class/state", cookie=cookie)
        assert status == 200
        return {row["id"]: row for row in found["students"]}
