"""Candidates' pages as one process: each signs in, opens its call over a WebSocket and walks, at a pace or without a pause.

Rule: a page counts what it was told, never what it hopes: an act is acknowledged by a frame of its own number whose count of
acts went up by one. Standard input: a line of JSON that says who walks; then a line that says go. Standard output: "ready" and
a line of JSON with the counts.
"""

from __future__ import annotations

import asyncio
import json
import sys
from collections import Counter, deque
from typing import Any

import msgspec
from exam.walks import messages
from tornado.httpclient import AsyncHTTPClient, HTTPRequest, HTTPResponse
from tornado.websocket import WebSocketClientConnection, websocket_connect

PATIENCE = 20.0  # s without an answer, then it is counted as lost
AT_THE_DOOR = 20  # pages that come in at the same time


class Heard(msgspec.Struct):
    """What a page reads of a frame; its changes are passed over."""

    acts: int
    receipt: str


class Told(msgspec.Struct):
    """One message of the service."""

    seq: int | None = None
    refused: str = ""
    frame: Heard | None = None
    state: msgspec.Raw = msgspec.Raw(b"")


class Who(msgspec.Struct, frozen=True):
    """One candidate: code, call, and the walk (unit and number) that is walked there."""

    name: str
    code: str
    item: str
    unit: str
    number: int


class Order(msgspec.Struct, frozen=True):
    """What is to be done: `every` s an act (0: as fast as it is answered, `ahead` under way at once), for `seconds`."""

    address: str
    people: tuple[Who, ...]
    every: float
    seconds: float
    most: int  # acts of one page


class Page:
    """One candidate's page."""

    def __init__(self, who: Who, order: Order, counts: Counter[str], waits: list[float]) -> None:
        self.who, self.order, self.counts, self.waits = who, order, counts, waits
        self._acts = deque(messages(who.unit, who.number, order.most, f"load-{who.name}"))
        self._sent: dict[int, float] = {}
        self.acknowledged: Counter[int] = Counter()
        self.acts, self.receipt = 0, ""
        self._loop = asyncio.get_running_loop()
        self._answered = asyncio.Event()
        self._socket: WebSocketClientConnection
        self.until = 0.0

    async def enter(self, client: AsyncHTTPClient) -> None:
        """Sign in, begin, connect and open the call."""
        address = self.order.address
        signed = await _post(client, address + "sign-in", {"code": self.who.code}, "")
        cookie = signed.headers["Set-Cookie"].partition(";")[0]
        await _post(client, address + "begin", {}, cookie)
        live = HTTPRequest("ws" + address.removeprefix("http") + "live", headers={"Cookie": cookie})
        self._socket = await websocket_connect(live)
        await self._socket.write_message(json.dumps({"item": self.who.item}))
        while not (told := await self._read()).state:
            if told.refused:
                raise RuntimeError(f"{self.who.name}: the call was not opened ({told.refused})")

    async def _read(self) -> Told:
        data = await self._socket.read_message()
        if data is None:
            raise ConnectionError("the service closed the connection")
        return msgspec.json.decode(data, type=Told)

    async def listen(self) -> None:
        """Count what is told until the page is done."""
        try:
            while True:
                self._hear(await self._read())
        except ConnectionError:
            self.counts["closed"] += 1

    def _hear(self, told: Told) -> None:
        if told.refused:
            self.counts[f"refused {told.refused}"] += 1
        if told.seq is None:
            return
        if told.frame is not None:
            self.acknowledged[told.seq] += 1
            self.counts["acknowledged"] += 1
            self.counts["wrong count"] += told.frame.acts != self.acts + 1
            self.acts, self.receipt = told.frame.acts, told.frame.receipt
        sent = self._sent.pop(told.seq, None)
        if sent is not None:
            self.waits.append(self._loop.time() - sent)
        self._answered.set()

    async def _send(self) -> None:
        message = self._acts.popleft()
        self._sent[int(str(message["seq"]))] = self._loop.time()
        self.counts["sent"] += 1
        await self._socket.write_message(msgspec.json.encode({"item": self.who.item, "message": message}).decode())

    async def walk(self, delay: float) -> None:
        """Act until the time is over, then wait for what is still under way."""
        start = self._loop.time()
        until = start + self.order.seconds
        moment = start + delay
        while self._acts and (moment if self.order.every else self._loop.time()) < until:
            if self.order.every:
                await asyncio.sleep(max(0.0, moment - self._loop.time()))
                moment += self.order.every
                await self._send()
            else:
                self._answered.clear()
                await self._send()
                await asyncio.wait_for(self._answered.wait(), PATIENCE)
        end = self._loop.time() + PATIENCE
        while self._sent and self._loop.time() < end:
            await asyncio.sleep(0.02)
        self.counts["lost"] += len(self._sent)


async def _post(client: AsyncHTTPClient, address: str, body: object, cookie: str) -> HTTPResponse:
    return await client.fetch(HTTPRequest(address, "POST", {"Cookie": cookie}, json.dumps(body), request_timeout=PATIENCE))


async def main() -> None:
    """Take the order, let everybody in, and walk when told to."""
    order = msgspec.json.decode(sys.stdin.readline(), type=Order)
    counts: Counter[str] = Counter()
    waits: list[float] = []
    pages = [Page(who, order, counts, waits) for who in order.people]
    client, door = AsyncHTTPClient(max_clients=AT_THE_DOOR), asyncio.Semaphore(AT_THE_DOOR)

    async def enter(page: Page) -> None:
        async with door:
            await page.enter(client)

    await asyncio.gather(*(enter(page) for page in pages))
    listening = [asyncio.create_task(page.listen()) for page in pages]
    print("ready", flush=True)
    await asyncio.to_thread(sys.stdin.readline)
    loop = asyncio.get_running_loop()
    start = loop.time()
    await asyncio.gather(*(p.walk(order.every * k / len(pages)) for k, p in enumerate(pages)))
    told: dict[str, Any] = {
        "counts": dict(counts), "seconds": loop.time() - start, "waits": sorted(waits),
        "twice": sum(n > 1 for p in pages for n in p.acknowledged.values()),
        "ends": {f"{p.who.name}/{p.who.item}": [p.acts, p.receipt] for p in pages},
    }  # fmt: skip
    print(json.dumps(told), flush=True)
    for task in listening:
        task.cancel()


if __name__ == "__main__":
    asyncio.run(main())
