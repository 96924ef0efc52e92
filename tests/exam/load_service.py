"""The exam service as a process of its own for load tests: serves a folder until SIGTERM, then prints what it counted.

Started as ``python load_service.py FOLDER OPTIONS``. OPTIONS is JSON: `most` acts in one commit, and `slower` s that each
commit takes longer, as on a slow disk. SIGUSR1 has it count from then on.
"""

from __future__ import annotations

import asyncio
import json
import signal
import sys
import time

from blowergrade.exam.database import engine_for
from blowergrade.exam.folder import ExamFolder
from blowergrade.exam.hall import Hall
from blowergrade.exam.journal import Journal
from blowergrade.exam.release import Ticks
from blowergrade.exam.service import Place, run
from blowergrade.exam.sitting import Opened


def count_anew(ticks: Ticks) -> None:
    """Forget what was counted so far."""
    ticks.released = ticks.missed = 0
    ticks.ready[:] = [0] * len(ticks.ready)


async def main() -> None:
    """Open the sitting, say the address, serve, and say what was counted."""
    folder, options = ExamFolder(sys.argv[1]), json.loads(sys.argv[2])
    slower = float(options["slower"])
    after = (lambda: time.sleep(slower)) if slower else None
    hall = Hall(folder.programme, folder.key, Journal(engine_for(folder.url()), most=options["most"], after_commit=after))
    if hall.sitting.stage == "planned":
        await hall.happened(Opened())
    asyncio.get_running_loop().add_signal_handler(signal.SIGUSR1, count_anew, hall.ticks)
    await run(hall, Place(port=0), lambda address: print(address, flush=True))
    told = {"ready": hall.ticks.ready, "missed": hall.ticks.missed, "worked": hall.solvers.seconds}
    print(json.dumps(told), flush=True)


if __name__ == "__main__":
    asyncio.run(main())
