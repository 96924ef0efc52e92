"""A solver: a process that holds attempts and answers for them, so that the service itself never waits for a computation.

Rule: it is told what to do over one socket that it inherited, and speaks to nobody else. When it dies, another one builds the
same attempts from the journal.
"""

from __future__ import annotations

import gc
import os
import socket
import sys
import time
from collections.abc import Callable
from contextlib import suppress
from typing import Any

import msgspec

from blowerbench.errors import BenchError
from blowergrade.exam.attempt import Answer, Attempt, Kept, NotOpen, Plan

HEAD = 4  # bytes of a frame's length
OPEN_FIRST, INTERNAL = "open_first", "internal"


class Open(msgspec.Struct, frozen=True, tag="open"):
    """Build an attempt (or keep the one that is there) and say what has to be kept first."""

    plan: Plan
    kept: tuple[Kept, ...] = ()


class Page(msgspec.Struct, frozen=True, tag="page"):
    """Everything that a page needs to begin."""

    attempt: str
    views: tuple[str, ...] = ()  # drawn already on a page that comes back


class Hear(msgspec.Struct, frozen=True, tag="hear"):
    """A page's message."""

    attempt: str
    message: dict[str, Any]


class Act(msgspec.Struct, frozen=True, tag="act"):
    """An act for a bench elsewhere."""

    attempt: str
    intent: str
    act: Any


class Look(msgspec.Struct, frozen=True, tag="look"):
    """What a bench elsewhere may show."""

    attempt: str


class Drop(msgspec.Struct, frozen=True, tag="drop"):
    """Forget an attempt: what it last did was not kept, or nobody needs it any more."""

    attempt: str


Order = Open | Page | Hear | Act | Look | Drop


class Reply(msgspec.Struct, frozen=True):
    """An answer to an order; `error` says why there is none."""

    answer: Answer | None = None
    data: bytes = b""
    error: str = ""
    seconds: float = 0.0  # that the solver worked


class Solver:
    """The attempts of one process."""

    def __init__(self) -> None:
        self.attempts: dict[str, Attempt] = {}

    def answer(self, order: Order) -> Reply:
        """Carry `order` out; whatever goes wrong becomes an error that names no fault."""
        start = time.perf_counter()
        try:
            answer, data = self._done(order)
        except NotOpen:
            return Reply(error=OPEN_FIRST, seconds=time.perf_counter() - start)
        except BenchError as error:
            return Reply(error=str(error), seconds=time.perf_counter() - start)
        except Exception as error:
            self.attempts.pop(getattr(order, "attempt", ""), None)  # built anew from what was kept
            return Reply(error=f"{INTERNAL}: {type(error).__name__}", seconds=time.perf_counter() - start)
        return Reply(answer, data, seconds=time.perf_counter() - start)

    def _done(self, order: Order) -> tuple[Answer | None, bytes]:
        if isinstance(order, Open):
            held = self.attempts.get(order.plan.attempt)
            if held is None:
                held = self.attempts[order.plan.attempt] = Attempt(order.plan, order.kept)
            return held.begin(), b""
        if isinstance(order, Drop):
            if (left := self.attempts.pop(order.attempt, None)) is not None:
                left.close()
            return None, b""
        held = self.attempts.get(order.attempt)
        if held is None:
            raise NotOpen("this attempt is not open; open it first")
        match order:
            case Page(views=views):
                return None, msgspec.json.encode(held.page(views))
            case Hear(message=message):
                return held.hear(message), b""
            case Act(intent=intent, act=act):
                return held.act(intent, act), msgspec.json.encode(held.view())
            case _:
                return None, msgspec.json.encode(held.view())


def serve(wire: socket.socket, answer: Callable[[Order], Reply]) -> None:
    """Read orders from `wire` and answer them, until it is closed or the service at its other end was killed."""
    encoder, decoder = msgspec.msgpack.Encoder(), msgspec.msgpack.Decoder(Order)
    stream = wire.makefile("rb")
    with suppress(ConnectionError):
        while head := stream.read(HEAD):
            size = int.from_bytes(head, "big")
            body = stream.read(size)
            if len(body) < size:
                return
            data = encoder.encode(answer(decoder.decode(body)))
            wire.sendall(len(data).to_bytes(HEAD, "big") + data)


def main() -> None:
    """Serve the socket whose number is the first argument, with one thread."""
    from threadpoolctl import threadpool_limits

    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ[name] = "1"
    gc.freeze()
    gc.set_threshold(10_000, 20, 100_000)  # looking through all benches of a hall would stop everybody for half a second
    with threadpool_limits(1), socket.socket(fileno=int(sys.argv[1])) as wire:
        serve(wire, Solver().answer)


if __name__ == "__main__":
    main()
