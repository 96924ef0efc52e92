"""The bench service on the web: one Tornado application on loopback or a school's own network.

Rule: a handler carries and never decides. Every refusal has one shape and one width, every answer one of a few widths, and what
counts leaves on the hall's tick.
"""

from __future__ import annotations

import asyncio
import hmac
import ssl
from collections import OrderedDict
from collections.abc import Callable, Mapping
from importlib.resources import files
from pathlib import Path
from typing import Any

import msgspec
from tornado.httpserver import HTTPServer
from tornado.web import Application, HTTPError, RequestHandler

from blowerbench.errors import BenchError
from blowerbench.panels import page as panel_files
from blowergrade.exam.hall import Hall, Refusal, refused
from blowergrade.exam.release import Bucket

WIDTH = 4096  # bytes: answers are filled up to a multiple of it
FRAME_WIDTH = 65_536  # and what comes of an act: the largest of the shipped units' is 52 kB, so that all have one length
PAGE_WIDTH = 327_680  # and a call that is opened: one or two of it, with all views drawn
TARPIT = 0.2  # seconds that a request waits before it is told that it comes too fast
NARROW = 512  # bytes: refusals are filled up to it
SESSION, DESK = "exam_session", "exam_desk"  # cookies
#: The files of the exam's pages, by their address.
FILES = {
    "exam.js": "text/javascript", "line.js": "text/javascript", "shared.js": "text/javascript", "proctor.js": "text/javascript",
    "exam.css": "text/css",
}  # fmt: skip
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self' 'unsafe-inline'; connect-src 'self'; img-src 'self' data:; "
    "frame-src 'self'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'"
)


def wide(data: bytes, width: int = WIDTH) -> bytes:
    """JSON `data` filled up with blanks to a multiple of `width`."""
    return data.ljust(-(-len(data) // width) * width)


def refusal_body(word: str, text: str) -> bytes:
    """The one shape of a refusal."""
    return wide(msgspec.json.encode({"refused": word, "text": text}), NARROW)


class Base(RequestHandler):
    """What all handlers share: JSON in and out, the guards at the door, one shape of error."""

    hall: Hall

    def initialize(self, hall: Hall) -> None:
        """Tornado's: the service that this handler speaks for."""
        self.hall = hall

    def set_default_headers(self) -> None:
        """No cache, no frame, no foreign script."""
        self.set_header("Cache-Control", "no-store")
        self.set_header("Content-Security-Policy", POLICY)
        self.set_header("X-Content-Type-Options", "nosniff")
        self.set_header("Referrer-Policy", "no-referrer")
        self.clear_header("Server")

    async def prepare(self) -> None:
        """Turn away what comes too fast, and writes from another site."""
        if self.request.method not in ("GET", "HEAD") and not same_site(self.request.headers, self.request.host):
            raise Refusal("foreign", "This request came from another page. Use the exam's own page.", 403)
        if not self.welcome():
            await asyncio.sleep(TARPIT)
            raise Refusal("slow_down", status=429)

    def welcome(self) -> bool:
        """Whether this request is answered now: each living session has its share, and what has none shares one by address."""
        try:
            name = self.candidate()
        except Refusal:
            return self.stranger()
        return self.hall.knock(name)

    def stranger(self) -> bool:
        """Whether a request of no known session is answered now."""
        return bool(self.settings["strangers"].take_one(self.request.remote_ip))

    def token(self) -> str:
        """The session's token: from its cookie, or from the header of a bench elsewhere."""
        header = self.request.headers.get("Authorization", "")
        if header.startswith("Bearer "):
            return header.removeprefix("Bearer ").strip()
        return self.get_cookie(SESSION) or ""

    def candidate(self) -> str:
        """Whose session this is; raises `Refusal`."""
        return self.hall.who(self.token())

    def body(self) -> dict[str, Any]:
        """The request's JSON object; raises `Refusal`."""
        try:
            found = msgspec.json.decode(self.request.body or b"{}")
        except (msgspec.MsgspecError, RecursionError, UnicodeDecodeError):
            found = None
        if not isinstance(found, dict):
            raise Refusal("no_json", "The request holds no JSON object. Load the page again.", 400)
        return found

    def answer(self, data: object, width: int = WIDTH) -> None:
        """Write `data` as JSON."""
        self.set_header("Content-Type", "application/json; charset=utf-8")
        self.write(wide(data if isinstance(data, bytes) else msgspec.json.encode(data), width))

    def write_error(self, status_code: int, **more: Any) -> None:
        """Every refusal in its one shape; what went wrong inside is told to nobody."""
        error = (more.get("exc_info") or (None, None, None))[1]
        word, text = "refused", "The service does not know this request."
        if isinstance(error, BenchError):
            word, text, status_code = refused(error)
        self.set_status(status_code)
        self.set_header("Content-Type", "application/json; charset=utf-8")
        self.finish(refusal_body(word, text))

    def log_exception(self, typ: Any, value: Any, tb: Any) -> None:
        """Refusals are no faults of the program."""
        if not isinstance(value, BenchError | HTTPError):
            super().log_exception(typ, value, tb)


class Nothing(Base):
    """Any other address."""

    async def prepare(self) -> None:
        """There is nothing here."""
        await super().prepare()
        raise Refusal("nothing", "There is nothing at this address.", 404)


class File(Base):
    """The pages and what belongs to them."""

    def get(self, name: str) -> None:
        """A file of the exam's pages."""
        if name == "panel.js":
            data, kind = panel_files.module(), "text/javascript"
        elif name == "panel.css":
            data, kind = panel_files.style(), "text/css"
        elif name in FILES:
            data, kind = read(name), FILES[name]
        else:
            raise Refusal("nothing", "There is nothing at this address.", 404)
        self.set_header("Content-Type", f"{kind}; charset=utf-8")
        self.write(data)


def read(name: str) -> str:
    """The text of a page's file."""
    return files("blowergrade.exam").joinpath("pages").joinpath(name).read_text(encoding="utf-8")


def same_site(headers: Mapping[str, str], host: str) -> bool:
    """Whether a writing request comes from a page of this service, or from no page at all."""
    origin = headers.get("Origin")
    if origin is not None:
        return origin.partition("://")[2] == host
    return headers.get("Sec-Fetch-Site", "none") in ("none", "same-origin")


class Strangers:
    """How many requests of no known session are answered, altogether and to one address.

    `every` and `each` are (a second, at once). Of the newest `most` addresses a count is kept.
    """

    def __init__(
        self, every: tuple[float, int], each: tuple[float, int], clock: Callable[[], float], most: int = 4096
    ) -> None:
        self._every, self._each, self._clock, self._most = Bucket(*every, clock), each, clock, most
        self._buckets: OrderedDict[str, Bucket] = OrderedDict()

    def take_one(self, address: str | None) -> bool:
        """Whether one more of `address` is answered."""
        own = self._buckets.setdefault(address or "", Bucket(*self._each, self._clock))
        self._buckets.move_to_end(address or "")
        while len(self._buckets) > self._most:
            self._buckets.popitem(last=False)
        if own.take() > 0:
            own.give_back()
            return False
        if self._every.take() > 0:
            self._every.give_back()
            own.give_back()
            return False
        return True


def same(one: str, other: str) -> bool:
    """Whether two secrets are equal, in a time that does not tell where they differ."""
    return hmac.compare_digest(one.encode(), other.encode())


def server_for(application: Application, hall: Hall, certificate: Path | None, key: Path | None) -> HTTPServer:
    """The HTTP server with its limits; with TLS where `certificate` and `key` are given."""
    context = None
    if certificate is not None:
        context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
        context.minimum_version = ssl.TLSVersion.TLSv1_2
        try:
            context.load_cert_chain(certificate, key)
        except (OSError, ssl.SSLError) as error:
            raise BenchError(f"{certificate}: no usable certificate and key ({error}); give both files as PEM") from error
    patience = hall.rules.patience_seconds
    return HTTPServer(
        application, ssl_options=context, max_body_size=hall.rules.largest_message, max_header_size=16_384,
        body_timeout=patience, idle_connection_timeout=max(60.0, patience), no_keep_alive=False,
    )  # fmt: skip
