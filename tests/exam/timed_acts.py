"""Many candidates at the exam service who time each answer, by its first byte, on the clock that the service's ticks hang on.

Rule: what is sent, and when, hangs on a number drawn before; nothing of it on the fault or on an answer.
"""

from __future__ import annotations

import asyncio
import json
import random
import re
import subprocess
import sys
import time
from collections.abc import Sequence
from contextlib import AbstractAsyncContextManager, nullcontext
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from alone import alone
from exam.hall_room import FURNACE, room
from tornado.httpclient import HTTPRequest
from tornado.websocket import WebSocketClientConnection, websocket_connect

from blowerbench.equipment import load_equipment
from blowergrade.exam.folder import ExamFolder
from blowergrade.exam.programme import Rules

HEAD = re.compile(rb'\{"item":"(\w+)","(?:seq":(\d+),"frame|state)"')  # a frame, or an opened call


@dataclass(frozen=True, slots=True)
class Timed:
    """One act's answer: seconds from sending to the first byte heard, the moment of that byte, and its length."""

    fault: str
    candidate: str
    live: bool  # over the WebSocket, otherwise over plain HTTP
    waited: float
    heard: float  # time.monotonic(): the event loop's clock of every process of this machine (CLOCK_MONOTONIC)
    length: int


@dataclass(frozen=True, slots=True)
class Run:
    """What came of it: every answer, and by fault how many left and how many of them missed their tick."""

    answers: tuple[Timed, ...]
    left: dict[str, int]
    missed: dict[str, int]


def acts(dice: random.Random) -> list[dict[str, Any]]:
    """A round at the unit, the same for every fault: it heats, and each second act is a wait, the most telling act there is.

    A unit that starts and goes off on its limit computes some 7 ms for it, a dead one less than 1 ms.
    """
    terminals = load_equipment(FURNACE).terminals
    black, red = dice.sample(terminals, 2)
    wait = {"do": "wait", "seconds": 1200}
    others: list[dict[str, Any]] = [
        {"do": "set_thermostat", "call": "heat"},
        {"do": "set_meter", "function": dice.choice(("volts_ac", "volts_dc", "ohms"))},
        {"do": "place_lead", "lead": "black", "terminal": black}, {"do": "place_lead", "lead": "red", "terminal": red},
        {"do": "read_meter"}, {"do": "lift_lead", "lead": "red"}, {"do": "lift_lead", "lead": "black"},
    ]  # fmt: skip
    return [act for other in others for act in (other, wait)]


class Person:
    """One candidate: a WebSocket and plain connections, a call on the bench for each fault."""

    def __init__(self, port: int, name: str, answers: list[Timed], faults: Sequence[str]) -> None:
        self.port, self.name, self.answers, self.faults = port, name, answers, faults
        self._waiting: dict[tuple[str, int], asyncio.Future[tuple[float, int]]] = {}
        self._socket: WebSocketClientConnection | None = None
        self.cookie = ""

    async def enter(self, code: str) -> None:
        """Sign in, begin, and open the WebSocket."""
        wire = await asyncio.open_connection("127.0.0.1", self.port)
        head, _ = await self._post(wire, "/sign-in", {"code": code})
        self.cookie = re.search(r"Set-Cookie: (exam_session=[^;]+)", head)[1]  # type: ignore[index]  # it is there
        await self._post(wire, "/begin", {})
        wire[1].close()
        await wire[1].wait_closed()
        self._socket = await websocket_connect(
            HTTPRequest(f"ws://127.0.0.1:{self.port}/live", headers={"Cookie": self.cookie}), max_message_size=2**24
        )
        self._reading = asyncio.create_task(self._read())

    async def open_calls(self) -> None:
        """Have every call set up, so that the answers timed are those of acts."""
        assert self._socket is not None
        loop = asyncio.get_running_loop()
        futures = [self._waiting.setdefault((f"k{k + 1}", 0), loop.create_future()) for k in range(len(self.faults))]
        for k in range(len(self.faults)):
            await self._socket.write_message(json.dumps({"item": f"k{k + 1}"}))
        await asyncio.wait_for(asyncio.gather(*futures), 120)

    async def leave(self) -> None:
        """Close the WebSocket."""
        assert self._socket is not None
        self._socket.close()
        await asyncio.wait_for(self._reading, 30)

    async def _post(self, wire: Any, path: str, body: object) -> tuple[str, int]:
        data = json.dumps(body).encode()
        head = f"POST {path} HTTP/1.1\r\nHost: x\r\nCookie: {self.cookie}\r\nContent-Length: {len(data)}\r\n\r\n"
        wire[1].write(head.encode() + data)
        _, text, length = await _heard(wire[0])
        assert " 200 " in text.partition("\r\n")[0], text
        return text, length

    async def _read(self) -> None:
        assert self._socket is not None
        while True:
            message = await self._socket.read_message()
            now = time.monotonic()
            if message is None:
                return
            assert isinstance(message, str)
            found = HEAD.match(message[:80].encode())
            if found:
                self._waiting.pop((found[1].decode(), int(found[2] or 0))).set_result((now, len(message.encode())))

    async def work(
        self, number: int, count: int, spread: float, seed: int, turn: AbstractAsyncContextManager[object]
    ) -> None:
        """Send `count` acts to call `number`, each up to `spread` s after the answer before it, on one way or the other."""
        dice = random.Random(f"{seed} {self.name}")  # the same round and terminals on each of this candidate's benches
        own = random.Random(f"{seed} {self.name} {number}")
        item, fault = f"k{number + 1}", self.faults[number]
        wire = await asyncio.open_connection("127.0.0.1", self.port)
        todo: list[dict[str, Any]] = []
        for seq in range(1, count + 1):
            todo = todo or acts(dice)
            message = {"kind": "act", "view": "v", "seq": seq, "act": todo.pop(0)}
            await asyncio.sleep(own.random() * spread)
            live = own.random() < 0.5
            async with turn:
                sent = time.monotonic()
                if live:
                    heard, length = await self._live(item, seq, message)
                else:
                    heard, length = await self._plain(wire, item, message)
            self.answers.append(Timed(fault, self.name, live, heard - sent, heard, length))
        wire[1].close()
        await wire[1].wait_closed()

    async def _live(self, item: str, seq: int, message: object) -> tuple[float, int]:
        assert self._socket is not None
        future = self._waiting[item, seq] = asyncio.get_running_loop().create_future()
        await self._socket.write_message(json.dumps({"item": item, "message": message}))
        return await asyncio.wait_for(future, 60)

    async def _plain(self, wire: Any, item: str, message: object) -> tuple[float, int]:
        data = json.dumps(message).encode()
        head = f"POST /call/{item} HTTP/1.1\r\nHost: x\r\nCookie: {self.cookie}\r\nContent-Length: {len(data)}\r\n\r\n"
        wire[1].write(head.encode() + data)
        heard, text, length = await asyncio.wait_for(_heard(wire[0]), 60)
        assert " 200 " in text.partition("\r\n")[0], text
        return heard, length


async def _heard(reader: asyncio.StreamReader) -> tuple[float, str, int]:
    head = await reader.readuntil(b"\r\n\r\n")
    now = time.monotonic()
    text = head.decode("latin-1")
    length = int(re.search(r"Content-Length: (\d+)", text)[1])  # type: ignore[index]  # it is there
    await reader.readexactly(length)
    return now, text, length + len(head)


async def _all(
    folder: ExamFolder, port: int, faults: Sequence[str], count: int, spread: float, seed: int, together: bool
) -> list[Timed]:
    answers: list[Timed] = []
    codes = {n: c for n, c in folder.codes.items() if n != "proctor"}
    people = [Person(port, name, answers, faults) for name in codes]
    await _proctor_opens(port, folder.codes["proctor"])
    for person in people:
        await person.enter(codes[person.name])
    await asyncio.gather(*(p.open_calls() for p in people))
    turn = nullcontext() if together else asyncio.Lock()
    works = [p.work(k, count, spread, seed, turn) for p in people for k in range(len(faults))]
    await asyncio.gather(*works)
    for person in people:
        await person.leave()
    return answers


async def _proctor_opens(port: int, code: str) -> None:
    wire = await asyncio.open_connection("127.0.0.1", port)
    desk = Person(port, "proctor", [], ())
    head, _ = await desk._post(wire, "/proctor/sign-in", {"code": code})
    desk.cookie = re.search(r"Set-Cookie: (exam_desk=[^;]+)", head)[1]  # type: ignore[index]  # it is there
    await desk._post(wire, "/proctor/do", {"do": "open"})
    wire[1].close()
    await wire[1].wait_closed()


def timed(
    root: Path, faults: Sequence[str], people: int, count: int, *, rules: Rules, spread: float, seed: int, together: bool = True
) -> Run:
    """`count` acts by each of `people` at each of `faults`, at the same time or in turn, at a service of its own process."""
    folder = room(root, people, rules=rules, calls=[(f, "nothing_blows") for f in faults], minutes=600)
    service = subprocess.Popen(
        [sys.executable, str(Path(__file__).with_name("timed_service.py")), str(root)], stdin=subprocess.PIPE,
        stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    assert service.stdin is not None and service.stdout is not None
    with service:
        try:
            port = int(service.stdout.readline())
            answers = alone(_all(folder, port, faults, count, spread, seed, together))
            service.stdin.close()
            counts: dict[str, list[int]] = json.loads(service.stdout.readline())
        finally:
            service.kill()
    left = {f: sum(c[0] for a, c in counts.items() if a.endswith(f"/k{k}")) for k, f in enumerate(faults, 1)}
    missed = {f: sum(c[1] for a, c in counts.items() if a.endswith(f"/k{k}")) for k, f in enumerate(faults, 1)}
    return Run(tuple(answers), left, missed)
