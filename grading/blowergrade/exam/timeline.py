"""The server's own time line: milliseconds that never jump while it runs, whatever happens to the machine's clock.

Rule: wall time is read once, at the start; from then on only the monotonic clock counts. What a candidate's machine says about
time is never used.
"""

from __future__ import annotations

import time
from collections.abc import Callable

from blowerbench.messages import duration_text

#: An absence above this (ms) is noted: the machine's clock may have been set ahead.
LONG = 12 * 3600 * 1000


class TimeLine:
    """Milliseconds since 1970 as this process counts them."""

    def __init__(
        self, wall: Callable[[], float] = time.time, monotonic: Callable[[], float] = time.monotonic, not_before: int = 0
    ) -> None:
        self._monotonic = monotonic
        self._mono_start = monotonic()
        self._wall_start = int(1000 * wall())
        self._start = max(self._wall_start, not_before)

    def now(self) -> int:
        """The present, in ms."""
        return self._start + int(1000 * (self._monotonic() - self._mono_start))

    def wall(self) -> int:
        """What the machine's clock said at the start, gone on with: behind `now` where it was set back before."""
        return self.now() - self._start + self._wall_start


def outage(last_sign: int, now_wall: int) -> tuple[int, str]:
    """How long (ms) the service was away between its last sign of life and now, with a note where the machine's clock is odd.

    A clock that stands before the last sign of life was set back. The time line then goes on from that sign as if no time had
    passed, so 0 is right for every candidate's clock. A clock that was set ahead moves the time line and the absence alike, so
    adding all of it is right too, however long it is.
    """
    lost = now_wall - last_sign
    if lost < 0:
        return 0, (
            f"the machine's clock was set back: it stands {duration_text(-lost // 1000)} before the last sign of life. The "
            "exam's own time goes on from that sign; if the service was away meanwhile, give the minutes by hand"
        )
    if lost > LONG:
        return lost, f"the last sign of life is {lost // 3_600_000} h old by the machine's clock: all of it was added"
    return lost, ""
