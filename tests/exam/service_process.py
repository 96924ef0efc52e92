"""The exam service as a process of its own, to be killed by tests: ``python service_process.py FOLDER`` serves it until then.

Rule: the process is the shipped service and nothing else; the sitting is opened, as a proctor would, where it is only planned.
"""

from __future__ import annotations

import asyncio
import os
import signal
import subprocess
import sys
from pathlib import Path


class ServiceProcess:
    """A running service; `base` is its address."""

    def __init__(self, folder: Path) -> None:
        self.process = subprocess.Popen(
            [sys.executable, __file__, str(folder)], stdout=subprocess.PIPE, stdin=subprocess.DEVNULL, text=True
        )
        assert self.process.stdout is not None
        self.base = self.process.stdout.readline().strip().rstrip("/")
        assert self.base.startswith("http://127.0.0.1:"), "the service did not start; see its message above"

    def children(self) -> list[int]:
        """The processes that it started: its solvers."""
        listed = Path(f"/proc/{self.process.pid}/task/{self.process.pid}/children").read_text(encoding="ascii")
        return [int(number) for number in listed.split()]

    def kill(self) -> None:
        """kill -9, and wait until it is gone."""
        os.kill(self.process.pid, signal.SIGKILL)
        self._gone()

    def stop(self) -> None:
        """End it as a proctor's terminal does."""
        self.process.send_signal(signal.SIGINT)
        self._gone()

    def _gone(self) -> None:
        self.process.wait(30)
        if self.process.stdout is not None:
            self.process.stdout.close()


async def main(root: str) -> None:
    """Serve the folder `root` on a free port of loopback and print the address."""
    from blowergrade.exam.folder import ExamFolder
    from blowergrade.exam.service import Place, run
    from blowergrade.exam.sitting import Opened

    hall = ExamFolder(root).open_hall()
    if hall.sitting.stage == "planned":
        await hall.happened(Opened())
    await run(hall, Place(port=0), lambda address: print(address, flush=True))


if __name__ == "__main__":
    asyncio.run(main(sys.argv[1]))
