"""The exam service in a process of its own for fuzzing: everything as shipped but the limits on how fast somebody may ask.

Rule: nothing but speed is let go, so that a hundred thousand inputs take minutes; the limits have tests of their own.
"""

from __future__ import annotations

import asyncio
import sys
from pathlib import Path

from blowergrade.exam import service, web, web_candidate
from blowergrade.exam.folder import ExamFolder


async def main(root: Path) -> None:
    """Serve the folder `root` until the standard input ends; the port goes to the standard output."""
    service.STRANGERS = service.STRANGER = (0.0, 1)
    for module in (web, web_candidate):
        vars(module)["TARPIT"] = 0.0
    hall = ExamFolder(root).open_hall()
    server, port = await service.start(hall, service.Place(port=0))
    print(port, flush=True)
    await asyncio.to_thread(sys.stdin.read)
    server.stop()
    await hall.stop()


if __name__ == "__main__":
    asyncio.run(main(Path(sys.argv[1])))
