"""`blowergrade class serve`: the bench service of a supervised assignment, with its class page and its records.

Rule: a call that ended is put where hand-ins lie at once, the others when the service stops. Whatever happens to the service,
`blowergrade class collect` finds every act in its journal.
"""

from __future__ import annotations

import asyncio
import signal
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import IO

from tornado.httpserver import HTTPServer

from blowerbench.errors import BenchError
from blowergrade.classwork.codes import grouped
from blowergrade.classwork.collect import table
from blowergrade.classwork.folder import ClassFolder
from blowergrade.classwork.follow import Patience
from blowergrade.classwork.live import Live, routes
from blowergrade.classwork.supervised import ITEM, RULES, desk_code, lock, open_hall, take_records
from blowergrade.exam.hall import Hall
from blowergrade.exam.programme import Rules
from blowergrade.exam.service import Place, start
from blowergrade.exam.sitting import AnyEvent, CallEnded, Opened
from blowergrade.exam.timeline import TimeLine


class Supervised:
    """The service of assignment `name` in this process: `start`, then `stop`. Raises `ClassError`."""

    def __init__(
        self, folder: ClassFolder, name: str, *, rules: Rules = RULES, line: TimeLine | None = None,
        patience: Patience = Patience(), said: Callable[[str], None] = print,  # noqa: B008 - it is frozen
    ) -> None:  # fmt: skip
        self.folder, self.name, self._said = folder, name, said
        self._lock: IO[bytes] = lock(folder, name)
        self._executor = ThreadPoolExecutor(1, "class")
        try:
            self.hall: Hall = open_hall(folder, name, rules, line)
        except BaseException:
            self._lock.close()
            raise
        self.live = Live(self.hall, self._executor, patience)
        self._server: HTTPServer | None = None
        self._taking: set[asyncio.Task[None]] = set()

    async def start(self, place: Place) -> int:
        """Serve at `place`, open to students at once; returns the port. Raises `ExamError`."""
        try:
            self._server, port = await start(self.hall, place, routes(self.hall, self.live))
        except BaseException:
            self._executor.shutdown()
            self._lock.close()
            raise
        if self.hall.sitting.stage == "planned":
            await self.hall.happened(Opened())
        self.hall.listeners.append(self._heard)
        await self.live.start()
        return port

    def _heard(self, event: AnyEvent) -> None:
        if isinstance(event, CallEnded) and event.item == ITEM:
            task = asyncio.ensure_future(self._take(event.candidate))
            self._taking.add(task)
            task.add_done_callback(self._taking.discard)

    async def _take(self, student: str = "") -> None:
        wanted = (student,) if student else ()
        work = asyncio.get_running_loop().run_in_executor
        try:
            await work(self._executor, take_records, self.folder, self.name, wanted, self.hall.journal.acts)
        except (BenchError, OSError) as error:
            self._said(f"The record of {student or 'some'} could not be put into submitted/ ({error}); it is in the journal.")

    async def stop(self) -> None:
        """Take every record, and stop; students who are at it can go on when the service is started again."""
        if self._server is not None:
            self._server.stop()
        await self.live.stop()
        await asyncio.gather(*self._taking)
        await self._take()
        await self.hall.stop()
        if self._server is not None:
            await self._server.close_all_connections()
        self._executor.shutdown()
        self._lock.close()


async def serve(
    folder: ClassFolder, name: str, place: Place, *, rules: Rules = RULES, said: Callable[[str], None] = print
) -> None:
    """Serve the supervised assignment `name` until SIGINT or SIGTERM; `said` is told where, the code, and then what came."""
    service = Supervised(folder, name, rules=rules, said=said)
    port = await service.start(place)
    scheme = "https" if place.certificate is not None else "http"
    host = f"[{place.address}]" if ":" in place.address else place.address
    told = folder.assignment(name).service
    said(f"The bench service of {name!r} listens at {scheme}://{host}:{port}/; notebooks ask {told}/.")
    said(f"Class page: {told}/proctor/class   Your code for it: {grouped(desk_code(folder, name))}")
    if service.hall.sitting.stage != "open":
        said("This class was closed: students can do nothing more here. Make a new assignment for another round.")
    said("Ctrl-C stops it; every act is kept, and students go on when you start it again.")
    stop = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(number, stop.set)
    await stop.wait()
    await service.stop()
    said(table(folder, name, ()))
    said(f"Next: `blowergrade class grade {name}`.")
