"""The exam service in a process of its own, which notes of each answer whether it left on its tick; for the test of timing.

Rule: the service is the shipped one; only what `Ticks.leave` returns is written down, on the standard output at the end.
"""

from __future__ import annotations

import asyncio
import json
import sys
from contextvars import ContextVar
from pathlib import Path
from typing import Any

from blowergrade.exam.folder import ExamFolder
from blowergrade.exam.hall import Hall
from blowergrade.exam.service import Place, start

OF: ContextVar[str] = ContextVar("OF", default="")  # the attempt that a message is of


def watch(hall: Hall) -> dict[str, list[int]]:
    """Have `hall` count, by attempt, its messages' answers and those of them that missed their tick."""
    counts: dict[str, list[int]] = {}
    released: Any = hall._released
    leave = hall.ticks.leave

    async def noted_released(candidate: str, item: str, *more: Any) -> Any:
        OF.set(f"{candidate}/{item}")
        return await released(candidate, item, *more)

    async def noted_leave(due: int, came: float, whose: str = "", *, counted: bool = True) -> bool:
        kept = await leave(due, came, whose, counted=counted)
        if counted:
            count = counts.setdefault(OF.get(), [0, 0])
            count[0] += 1
            count[1] += not kept
        return kept

    anything: Any = hall
    anything._released, anything.ticks.leave = noted_released, noted_leave
    return counts


async def main(root: Path) -> None:
    """Serve the folder `root` until the standard input ends: the port first, the counts last."""
    hall = ExamFolder(root).open_hall()
    counts = watch(hall)
    server, port = await start(hall, Place(port=0))
    print(port, flush=True)
    await asyncio.to_thread(sys.stdin.read)
    server.stop()
    await hall.stop()
    print(json.dumps(counts), flush=True)


if __name__ == "__main__":
    asyncio.run(main(Path(sys.argv[1])))
