"""Blocking connections for fuzzing: plain HTTP, and a WebSocket by hand (RFC 6455), for both may say what no library would."""

from __future__ import annotations

import base64
import os
import socket
import struct
import time
from dataclasses import dataclass, field

PATIENCE = 20.0  # s without a byte: the service is stuck
KEY = base64.b64encode(b"sixteen bytes ok").decode()


class StuckError(AssertionError):
    """The service kept a connection open and said nothing."""


@dataclass(slots=True)
class Wire:
    """One connection to a port of loopback, made anew when the other side closed it."""

    port: int
    _socket: socket.socket | None = None
    _kept: bytes = b""

    def _open(self) -> socket.socket:
        if self._socket is None:
            self._socket = socket.create_connection(("127.0.0.1", self.port), PATIENCE)
            self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self._kept = b""
        return self._socket

    def close(self) -> None:
        """Close it."""
        if self._socket is not None:
            self._socket.close()
            self._socket = None

    def send(self, data: bytes) -> None:
        """Send `data`."""
        self._open().sendall(data)

    def more(self) -> bytes:
        """More bytes, b"" where the other side closed; raises `StuckError`."""
        try:
            return self._open().recv(262_144)
        except TimeoutError as error:
            raise StuckError(f"nothing came within {PATIENCE} s") from error
        except ConnectionError:
            return b""

    def _until(self, mark: bytes) -> bytes | None:
        while mark not in self._kept:
            data = self.more()
            if not data:
                return None
            self._kept += data
        found, _, self._kept = self._kept.partition(mark)
        return found

    def exactly(self, count: int) -> bytes | None:
        """`count` bytes, or None where the other side closed before."""
        parts, got = [self._kept[:count]], len(self._kept[:count])
        self._kept = self._kept[count:]
        while got < count:
            data = self.more()
            if not data:
                return None
            parts.append(data[: count - got])
            self._kept = data[count - got :]
            got += len(parts[-1])
        return b"".join(parts)

    def answer(self) -> tuple[int, bytes, bytes] | None:
        """Status, head and body of one HTTP answer, or None where there is none."""
        head = self._until(b"\r\n\r\n")
        if head is None:
            self.close()
            return None
        lower = head.lower()
        body: bytes | None = b""
        if b"content-length:" in lower:
            body = self.exactly(int(lower.split(b"content-length:")[1].split(b"\r\n")[0]))
        status = int(head.split(b" ")[1])
        if body is None or b"connection: close" in lower:
            self.close()
        return status, head, body or b""

    def ask(self, data: bytes) -> tuple[int, bytes, bytes] | None:
        """The answer to the request `data`; once more over a new connection where the one kept was closed meanwhile."""
        for _ in range(2):
            fresh = self._socket is None
            try:
                self.send(data)
            except ConnectionError:
                self.close()
                continue
            found = self.answer()
            if found is not None or fresh:
                return found
        return None

    def raw(self, data: bytes) -> tuple[int, bytes, bytes] | None:
        """What comes back for `data` when nothing follows it."""
        self.close()
        try:
            self.send(data)
            self._open().shutdown(socket.SHUT_WR)
        except OSError:
            self.close()
            return None
        found = self.answer()
        self.close()
        return found


@dataclass(slots=True)
class Socket:
    """A candidate's WebSocket."""

    port: int
    cookie: str
    wire: Wire = field(init=False)

    def __post_init__(self) -> None:
        """Open it."""
        self.wire = Wire(self.port)
        self.open()

    def open(self) -> None:
        """Begin anew."""
        self.wire.close()
        head = f"GET /live HTTP/1.1\r\nHost: x\r\nUpgrade: websocket\r\nConnection: Upgrade\r\nSec-WebSocket-Key: {KEY}\r\n"
        self.wire.send(f"{head}Sec-WebSocket-Version: 13\r\nCookie: {self.cookie}\r\n\r\n".encode())
        found = self.wire.answer()
        assert found is not None and found[0] == 101, found

    def send(self, data: bytes, code: int = 1) -> None:
        """Send one frame of `code` (1: text), masked."""
        size = len(data)
        length = bytes([0x80 | size]) if size < 126 else b"\xfe" + struct.pack("!H", size) if size < 65_536 else (
            b"\xff" + struct.pack("!Q", size)
        )  # fmt: skip
        mask = os.urandom(4)
        masked = (int.from_bytes(data, "big") ^ int.from_bytes((mask * (size // 4 + 1))[:size], "big")).to_bytes(size, "big")
        self.wire.send(bytes([0x80 | code]) + length + mask + masked)

    def hear(self) -> bytes | None:
        """The next message that is no standing, or None where the other side closed; raises `StuckError`, whatever it pings."""
        end = time.monotonic() + PATIENCE
        while True:
            if time.monotonic() > end:
                raise StuckError(f"no answer came within {PATIENCE} s")
            head = self.wire.exactly(2)
            if head is None:
                return None
            size = head[1] & 0x7F
            if size >= 126:
                more = self.wire.exactly(2 if size == 126 else 8)
                assert more is not None
                size = int.from_bytes(more, "big")
            data = self.wire.exactly(size)
            code = head[0] & 0x0F
            if code == 8 or data is None:
                return None
            if code == 9:
                self.send(data, 10)
            elif code in (1, 2) and not data.startswith(b'{"standing"'):
                return data

    def ask(self, data: bytes, code: int = 1) -> bytes | None:
        """The answer to one message; None: the other side closed, and another connection is there."""
        try:
            self.send(data, code)
            found = self.hear()
        except ConnectionError:
            found = None
        if found is None:
            self.open()
        return found
