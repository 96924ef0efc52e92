"""The solvers as the service sees them: attempts shared out over processes, each attempt always with the same one.

Rule: orders of one attempt are answered in the order in which they were given. A solver that dies is replaced, and what it held
is built again from the journal when it is next asked for.
"""

from __future__ import annotations

import asyncio
import hashlib
import os
import socket
import subprocess
import sys
from collections import deque
from collections.abc import Iterable
from contextlib import suppress

import msgspec
from msgspec.structs import replace

from blowerbench.errors import BenchError
from blowergrade.exam.attempt import Plan
from blowergrade.exam.solver import HEAD, Drop, Open, Order, Page, Reply, Solver

WARMING = "warming-up"  # the name of attempts that are nobody's


class SolverLost(BenchError):  # noqa: N818 - it is nobody's error: the process died and was replaced
    """The process that held this attempt ended; ask again, and it is built anew from the journal."""


class _Process:
    """One solver process and the orders that wait for its answers."""

    def __init__(self) -> None:
        ours, theirs = socket.socketpair()
        self.process = subprocess.Popen(
            [sys.executable, "-m", "blowergrade.exam.solver", str(theirs.fileno())], pass_fds=(theirs.fileno(),),
            stdin=subprocess.DEVNULL, env={**os.environ, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"},
        )  # fmt: skip
        theirs.close()
        self._ours = ours
        self._waiting: deque[asyncio.Future[Reply]] = deque()
        self._encoder, self._decoder = msgspec.msgpack.Encoder(), msgspec.msgpack.Decoder(Reply)
        self._writer: asyncio.StreamWriter | None = None
        self.lost = False

    async def start(self) -> None:
        reader, self._writer = await asyncio.open_connection(sock=self._ours, limit=2**26)
        self._reading = asyncio.create_task(self._read(reader))

    async def _read(self, reader: asyncio.StreamReader) -> None:
        try:
            while True:
                size = int.from_bytes(await reader.readexactly(HEAD), "big")
                reply = self._decoder.decode(await reader.readexactly(size))
                future = self._waiting.popleft()
                if not future.done():
                    future.set_result(reply)
        except (asyncio.IncompleteReadError, ConnectionError, msgspec.MsgspecError):
            self.lost = True
            for future in self._waiting:
                if not future.done():
                    future.set_exception(SolverLost("a solver process ended; what it held is built again from the journal"))
            self._waiting.clear()

    def ask(self, order: Order) -> asyncio.Future[Reply]:
        future: asyncio.Future[Reply] = asyncio.get_running_loop().create_future()
        if self.lost or self._writer is None:
            future.set_exception(SolverLost("a solver process ended; what it held is built again from the journal"))
            return future
        data = self._encoder.encode(order)
        self._waiting.append(future)
        self._writer.write(len(data).to_bytes(HEAD, "big") + data)
        return future

    def stop(self) -> None:
        with suppress(Exception):
            if self._writer is not None:
                self._writer.close()
        self.process.kill()
        self.process.wait()


class Solvers:
    """`count` solver processes; 0: this process computes itself, for a small hall or a test.

    Together they hold `most` attempts (some 5 MB each); the one that was asked for longest ago makes room for another.
    """

    def __init__(self, count: int, most: int = 256) -> None:
        self.count, self.most = count, most
        self._here = Solver() if count == 0 else None
        self._pool: list[_Process] = []
        self.open: dict[str, object] = {}  # attempt → the solver that holds it, the one asked for last at the end
        self.seconds = 0.0  # that solvers worked in all
        self.replaced = 0

    async def start(self) -> None:
        """Start the processes."""
        for _ in range(self.count):
            one = _Process()
            await one.start()
            self._pool.append(one)

    async def warm(self, plans: Iterable[Plan]) -> None:
        """Have each process set up the kinds of bench of `plans` once, so that no candidate waits for the first drawing."""
        kinds = {(p.equipment, p.language): p for p in plans}
        orders: list[Order] = []
        for plan in kinds.values():
            name = f"{WARMING}/{plan.equipment}/{plan.language}"
            orders += [Open(replace(plan, attempt=name)), Page(name), Drop(name)]
        with suppress(SolverLost):
            await asyncio.gather(*(one.ask(order) for one in self._pool for order in orders))

    def _place(self, attempt: str) -> int:
        return hashlib.blake2b(attempt.encode(), digest_size=2).digest()[0] % self.count

    async def holder(self, attempt: str) -> object:
        """The solver that is to hold `attempt`, replaced where its process ended."""
        if self._here is not None:
            return self._here
        place = self._place(attempt)
        if self._pool[place].lost:
            self._pool[place].stop()
            fresh = _Process()
            self._pool[place] = fresh
            self.replaced += 1
            await fresh.start()
        return self._pool[place]

    async def holds(self, attempt: str) -> bool:
        """Whether `attempt` is open with a living solver."""
        found = self.open.pop(attempt, None)
        if found is None:
            return False
        self.open[attempt] = found  # at the end: asked for last
        return found is await self.holder(attempt)

    async def _make_room(self) -> None:
        while len(self.open) >= self.most:
            oldest = next(iter(self.open))
            del self.open[oldest]
            with suppress(SolverLost):
                await self.ask(oldest, Drop(oldest))

    async def ask(self, attempt: str, order: Order) -> Reply:
        """The reply to `order`; raises `SolverLost` when the process ends meanwhile."""
        if isinstance(order, Open):
            await self._make_room()
        holder = await self.holder(attempt)
        if isinstance(holder, Solver):
            reply = holder.answer(order)
        else:
            assert isinstance(holder, _Process)
            reply = await holder.ask(order)
        self.seconds += reply.seconds
        return reply

    def processes(self) -> tuple[int, ...]:
        """The processes' ids."""
        return tuple(p.process.pid for p in self._pool)

    def stop(self) -> None:
        """End the processes."""
        for one in self._pool:
            one.stop()
        self._pool.clear()
