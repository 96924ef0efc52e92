"""A served hall on loopback for tests, and the plainest client of it: it says what goes over the wire and what came back.

Rule: nothing here knows what an answer should be.
"""

from __future__ import annotations

import asyncio
import json
import re
from collections.abc import AsyncIterator, Callable, Coroutine, Mapping
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass
from typing import Any

from tornado.httpclient import HTTPRequest
from tornado.websocket import WebSocketClientConnection, websocket_connect

from blowergrade.exam.folder import ExamFolder
from blowergrade.exam.hall import Hall
from blowergrade.exam.service import Place, start

PATIENCE = 30.0  # s for one answer


@dataclass(frozen=True, slots=True)
class Reply:
    """An HTTP answer; `status` 0: the connection was closed without one."""

    status: int
    head: str
    body: bytes

    @property
    def json(self) -> Any:
        """The body's JSON."""
        return json.loads(self.body)

    @property
    def word(self) -> str:
        """The word of a refusal, or ""."""
        return str(self.json.get("refused", "")) if self.body else ""

    def cookie(self) -> str:
        """The cookie that it sets."""
        found = re.search(r"Set-Cookie: (\w+=[^;]+)", self.head)
        assert found, self.head
        return found[1]


@dataclass(frozen=True, slots=True)
class Served:
    """A hall that listens."""

    folder: ExamFolder
    hall: Hall
    port: int

    async def ask(
        self, method: str, path: str, body: object = None, cookie: str = "", *, raw: bytes | None = None,
        headers: Mapping[str, str] | None = None, source: str = "127.0.0.1",
    ) -> Reply:  # fmt: skip
        """The answer to one request over a connection of its own, from the address `source`; `raw` in place of a JSON body."""
        data = raw if raw is not None else b"" if body is None else json.dumps(body).encode()
        fields = {"Host": f"127.0.0.1:{self.port}", "Connection": "close"} | ({"Cookie": cookie} if cookie else {})
        if method != "GET" or data:
            fields["Content-Length"] = str(len(data))
        lines = "".join(f"{k}: {v}\r\n" for k, v in (fields | dict(headers or {})).items())
        return await self.wire(f"{method} {path} HTTP/1.1\r\n{lines}\r\n".encode("latin-1") + data, source)

    async def wire(self, data: bytes, source: str = "127.0.0.1") -> Reply:
        """What comes back for the bytes `data`, whatever they are."""
        reader, writer = await asyncio.open_connection("127.0.0.1", self.port, local_addr=(source, 0))
        try:
            with suppress(ConnectionError):
                writer.write(data)
                await writer.drain()
            return await asyncio.wait_for(heard(reader), PATIENCE)
        finally:
            writer.close()
            with suppress(ConnectionError):
                await writer.wait_closed()

    async def enter(self, name: str) -> str:
        """Sign `name` in, begin, and return the session's cookie."""
        cookie = (await self.ask("POST", "/sign-in", {"code": self.folder.codes[name]})).cookie()
        await self.ask("POST", "/begin", {}, cookie)
        return cookie

    async def desk(self, *, opened: bool = True) -> str:
        """The proctor's cookie, with the sitting `opened`."""
        cookie = (await self.ask("POST", "/proctor/sign-in", {"code": self.folder.codes["proctor"]})).cookie()
        if opened:
            await self.ask("POST", "/proctor/do", {"do": "open"}, cookie)
        return cookie

    async def page(self, cookie: str) -> Page:
        """A WebSocket of the candidate with this `cookie`."""
        request = HTTPRequest(f"ws://127.0.0.1:{self.port}/live", headers={"Cookie": cookie})
        return Page(await websocket_connect(request, max_message_size=2**24))

    def records(self, attempt: str) -> tuple[bytes, ...]:
        """The lines that the journal has of `attempt`, without the header."""
        return tuple(row.line for row in self.hall.journal.acts(attempt)[1:])


@dataclass(slots=True)
class Page:
    """A candidate's WebSocket."""

    socket: WebSocketClientConnection

    async def hear(self) -> dict[str, Any] | None:
        """The next message, or None where the other side has closed."""
        found = await asyncio.wait_for(self.socket.read_message(), PATIENCE)
        return None if found is None else dict(json.loads(found))

    async def ask(self, message: object) -> dict[str, Any]:
        """The next answer after `message` that is no standing."""
        await self.socket.write_message(message if isinstance(message, str | bytes) else json.dumps(message))
        while True:
            found = await self.hear()
            assert found is not None, f"closed with {self.socket.close_code} after {message!r}"
            if "standing" not in found:
                return found

    async def end(self) -> int | None:
        """Hear on until the other side closes; its code."""
        while await self.hear() is not None:
            pass
        self.socket.close()
        return self.socket.close_code

    async def close(self) -> None:
        """Close it."""
        self.socket.close()
        while await self.hear() is not None:
            pass


async def heard(reader: asyncio.StreamReader) -> Reply:
    """One HTTP answer."""
    try:
        head = (await reader.readuntil(b"\r\n\r\n")).decode("latin-1")
        length = re.search(r"Content-Length: (\d+)", head)
        body = await reader.readexactly(int(length[1])) if length else await reader.read()
    except (asyncio.IncompleteReadError, ConnectionError):
        return Reply(0, "", b"")
    return Reply(int(head.split(" ", 2)[1]), head, body)


@asynccontextmanager
async def serving(folder: ExamFolder, **more: Any) -> AsyncIterator[Served]:
    """Serve `folder` on a free port of loopback."""
    hall = folder.open_hall(**more)
    server, port = await start(hall, Place(port=0))
    try:
        yield Served(folder, hall, port)
    finally:
        server.stop()
        await server.close_all_connections()
        await asyncio.sleep(0)
        await hall.stop()
        folder.unlock()


def run(folder: ExamFolder, work: Callable[[Served], Coroutine[Any, Any, None]]) -> None:
    """Serve `folder` while `work` is done."""

    async def whole() -> None:
        async with serving(folder) as served:
            await work(served)

    asyncio.run(whole())


#: What a browser sends to begin a WebSocket (RFC 6455, section 4.1).
UPGRADE = {
    "Connection": "Upgrade", "Upgrade": "websocket", "Sec-WebSocket-Version": "13",
    "Sec-WebSocket-Key": "dGhlIHNhbXBsZSBub25jZQ==",
}  # fmt: skip


def act(seq: int, what: str = "wait", *, view: str = "v1", **fields: Any) -> dict[str, Any]:
    """A page's message with one act."""
    fields = fields or ({"seconds": 10} if what == "wait" else {})
    return {"kind": "act", "view": view, "seq": seq, "act": {"do": what, **fields}}
