"""When an answer leaves: on a tick that hangs on the message's arrival and kind alone, so that its moment tells nothing.

Rule: the tick is chosen before anything is computed. Only an answer that is not ready by then waits for the next one; that is
counted, and the guard is chosen so that it does not happen (DEVELOPERS.md says how the guard was measured).
"""

from __future__ import annotations

import asyncio
import math
import random
from collections.abc import Callable

SLOWEST = 2000  # ms: the last entry of a count of waits holds all that took longer


class Ticks:
    """Common moments, `tick` s apart, on the event loop's clock; `tick` 0 releases at once (for measuring only).

    `guard` s are given to every answer beyond its arrival, and `more` s (by kind of message) to those that may take longer.
    `ready` counts, by whole ms since its message came, when each answer could have left.
    """

    def __init__(self, tick: float, guard: float) -> None:
        self.tick, self.guard = tick, guard
        self.released = self.missed = 0
        self.ready = [0] * (SLOWEST + 1)
        self._waiting: dict[int, list[tuple[str, float, asyncio.Future[None]]]] = {}

    def due(self, arrival: float, more: float = 0.0) -> int:
        """The number of the tick on which an answer to a message that came at `arrival` is to leave."""
        return math.ceil((arrival + self.guard + more) / self.tick) if self.tick else 0

    async def leave(self, due: int, came: float, whose: str = "", *, counted: bool = True) -> bool:
        """Wait for tick `due`, or the next one where that is past; False where it was missed. `came`: the message's arrival.

        Answers of one tick leave in an order of chance, whichever was ready first; those of one attempt (`whose`) in the order
        in which their messages came.
        """
        now = asyncio.get_running_loop().time()
        if counted:
            self.released += 1
            self.ready[max(0, min(SLOWEST, int(1000 * (now - came))))] += 1
        if not self.tick:
            return True
        kept = now <= due * self.tick
        if not kept:
            self.missed += counted
            due = math.ceil(now / self.tick)
        await self._at(due, came, whose)
        return kept

    def _at(self, number: int, came: float, whose: str) -> asyncio.Future[None]:
        loop = asyncio.get_running_loop()
        future: asyncio.Future[None] = loop.create_future()
        if number not in self._waiting:
            self._waiting[number] = []
            loop.call_at(number * self.tick, self._let_go, number)
        self._waiting[number].append((whose, came, future))
        return future

    def _let_go(self, number: int) -> None:
        waiting = self._waiting.pop(number)
        place = {whose: random.random() for whose, _, _ in waiting}
        for _, _, future in sorted(waiting, key=lambda one: (place[one[0]], one[1])):
            if not future.done():
                future.set_result(None)


class Bucket:
    """A token bucket: `rate` a second, `burst` at once. `rate` 0 lets everything through."""

    def __init__(self, rate: float, burst: int, clock: Callable[[], float]) -> None:
        self.rate, self.burst, self._clock = rate, burst, clock
        self._tokens, self._at = float(burst), clock()

    def take(self) -> float:
        """Take one token and return how many seconds to wait until it is there (0: now)."""
        if not self.rate:
            return 0.0
        now = self._clock()
        self._tokens = min(float(self.burst), self._tokens + (now - self._at) * self.rate)
        self._at = now
        self._tokens -= 1.0
        return max(0.0, -self._tokens / self.rate)

    def give_back(self) -> None:
        """Put the token back that was taken last: nothing was done for it."""
        self._tokens += 1.0
