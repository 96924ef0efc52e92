"""The service put together: hall, addresses, server; started by one command and stopped by a signal.

Rule: it listens on loopback unless it is told an address, and outside loopback it asks for TLS.
"""

from __future__ import annotations

import asyncio
import ipaddress
import signal
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tornado.httpserver import HTTPServer
from tornado.netutil import bind_sockets
from tornado.web import Application

from blowergrade.exam import web_bench
from blowergrade.exam.hall import Hall
from blowergrade.exam.programme import ExamError
from blowergrade.exam.web import File, Nothing, Strangers, server_for
from blowergrade.exam.web_candidate import Begin, Call, Home, Live, Me, Receipts, SignIn, Submit
from blowergrade.exam.web_proctor import DeskDo, DeskHome, DeskSignIn, DeskState

if TYPE_CHECKING:
    from blowergrade.exam.hub import Hub  # needs JupyterHub, which only a service with a Hub has

#: Requests of no known session, a second and at once: altogether, and of one address. A hall of 200 signs in within a minute,
#: behind one address too; whoever floods from one address leaves the others three quarters.
STRANGERS, STRANGER = (200.0, 800), (50.0, 400)


@dataclass(frozen=True, slots=True)
class Place:
    """Where the service listens; `port` 0 takes a free one."""

    address: str = "127.0.0.1"
    port: int = 8444
    certificate: Path | None = None
    key: Path | None = None
    plain: bool = False  # outside loopback without TLS, behind a proxy that has it

    def check(self) -> None:
        """Raise `ExamError` for an address that would send codes and acts in the clear."""
        try:
            loopback = ipaddress.ip_address(self.address).is_loopback
        except ValueError as error:
            raise ExamError(f"{self.address!r} is no address of this machine; give one such as 192.0.2.10") from error
        if not loopback and self.certificate is None and not self.plain:
            raise ExamError(
                f"{self.address} can be reached from other machines: give --certificate FILE and --key FILE (PEM), or "
                "--behind-proxy where a proxy speaks TLS for this service"
            )


def application(hall: Hall, more: tuple[Any, ...] = (), hub: Hub | None = None) -> Application:
    """The service's addresses; `more` are added before the last. With a `hub`, people sign in there."""
    pages: dict[str, Live] = {}

    async def tell(name: str = "") -> None:
        for candidate, page in tuple(pages.items()):
            if not name or candidate == name:
                await page.tell()

    hall.tell = tell
    made: dict[str, Any] = {"hall": hall}
    loop = asyncio.get_running_loop()
    routes = [
        (r"/", Home, made), (r"/sign-in", SignIn, made), (r"/me", Me, made), (r"/begin", Begin, made),
        (r"/submit", Submit, made), (r"/receipts", Receipts, made), (r"/call/([\w-]{1,60})", Call, made),
        (r"/live", Live, {"hall": hall, "pages": pages}),
        (r"/proctor", DeskHome, made), (r"/proctor/sign-in", DeskSignIn, made), (r"/proctor/state", DeskState, made),
        (r"/proctor/do", DeskDo, made), *web_bench.routes(hall), *more, (r"/([\w.-]{1,60})", File, made),
    ]  # fmt: skip
    made_up = Application(
        hub.routes(routes) if hub is not None else routes,
        default_handler_class=Nothing, default_handler_args=made, log_function=lambda _handler: None,
        strangers=Strangers(STRANGERS, STRANGER, loop.time), websocket_max_message_size=hall.rules.largest_message,
        websocket_ping_interval=10, websocket_ping_timeout=10, xsrf_cookies=False, compress_response=False,
    )  # fmt: skip
    if hub is not None:
        hub.settle(made_up, hall)
    return made_up


async def start(hall: Hall, place: Place, more: tuple[Any, ...] = (), hub: Hub | None = None) -> tuple[HTTPServer, int]:
    """Start everything; returns the server and its port. With a `hub`, people sign in there."""
    place.check()
    await hall.start()
    server = server_for(application(hall, more, hub), hall, place.certificate, place.key)
    try:
        sockets = bind_sockets(place.port, place.address)
    except OSError as error:
        await hall.stop()
        raise ExamError(f"can't listen on {place.address} port {place.port} ({error.strerror}); give another --port") from error
    server.add_sockets(sockets)
    port: int = sockets[0].getsockname()[1]
    return server, port


async def run(hall: Hall, place: Place, said: Callable[[str], None], hub: Hub | None = None) -> None:
    """Serve until SIGINT or SIGTERM; `said` is told the address. With a `hub`, people sign in there."""
    server, port = await start(hall, place, hub=hub)
    scheme = "https" if place.certificate is not None else "http"
    host = f"[{place.address}]" if ":" in place.address else place.address
    said(f"{scheme}://{host}:{port}/")
    stop = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(number, stop.set)
    await stop.wait()
    server.stop()
    await hall.stop()
    await server.close_all_connections()
