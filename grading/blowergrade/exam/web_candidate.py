"""The candidate's side of the service: sign-in, standing, and calls over a WebSocket or plain HTTP.

Rule: both ways carry the same messages and the same frames; a page that can't keep a WebSocket loses nothing but a little time.
"""

from __future__ import annotations

import asyncio
import html
from contextlib import suppress
from typing import Any

import msgspec
from tornado.iostream import StreamClosedError
from tornado.websocket import WebSocketClosedError, WebSocketHandler

from blowerbench.errors import BenchError
from blowerbench.messages import spoken
from blowerbench.sealed import SealError, plain_code
from blowergrade.exam.hall import Frame, Hall, Refusal, refused
from blowergrade.exam.intake import LARGEST_NUMBER, plain
from blowergrade.exam.programme import FAMILIARISATION
from blowergrade.exam.sitting import SignedIn
from blowergrade.exam.texts import REFUSALS, door_texts, texts
from blowergrade.exam.web import FRAME_WIDTH, PAGE_WIDTH, SESSION, TARPIT, Base, read, refusal_body, same_site, wide


class Home(Base):
    """The candidate's page."""

    def get(self) -> None:
        """The page; all else is asked for by its script."""
        self.set_header("Content-Type", "text/html; charset=utf-8")
        words = html.escape(msgspec.json.encode(door_texts()).decode())
        known = "yes" if self.get_cookie(SESSION) else "no"
        self.write(read("candidate.html").replace("{words}", words).replace("{known}", known))


class SignIn(Base):
    """A personal code for a session."""

    def welcome(self) -> bool:
        """A code that is tried counts as a stranger's, whoever tries it."""
        return self.stranger()

    async def post(self) -> None:
        """Open a session; only the proctor can let somebody in a second time."""
        name = await self._let_in(str(self.body().get("code", ""))[:100])
        token = self.hall.token(name, self.hall.sitting.of(name).signed_in)
        self.set_cookie(
            SESSION, token, httponly=True, samesite="Strict", secure=self.request.protocol == "https", path="/"
        )
        self.answer(whole_standing(self.hall, name))

    async def _let_in(self, code: str) -> str:
        try:
            one = self.hall.by_code(plain_code(code))
        except SealError as error:
            raise Refusal("no_code", str(error), 403) from error
        if one is None:
            raise Refusal("no_code", status=403)
        return await sign_in(self.hall, one.id)


async def sign_in(hall: Hall, name: str) -> str:
    """Open a session for the candidate `name`; raises `Refusal` where one is open and the proctor has not let them in again."""
    async with hall.doors[name]:  # of two at the same moment the second must see the first
        exam, stage = hall.programme.kind == "exam", hall.sitting.stage
        if exam and stage == "closed":
            raise Refusal("over", status=403)
        if exam and stage != "released" and not hall.sitting.of(name).may_sign_in:
            raise Refusal("signed_in", status=403)
        await hall.happened(SignedIn(name))
    await hall.tell(name)  # a page of the session before shows nothing any more
    return name


def whole_standing(hall: Hall, name: str) -> dict[str, Any]:
    """What the candidate's page shows beside its calls."""
    one = hall.programme.candidate(name)
    assert one is not None
    return {
        **hall.standing(name), "name": plain(one.name), "title": hall.programme.title, "school": hall.programme.school,
        "language": spoken(one.language), "texts": texts(one.language),
        "trying": FAMILIARISATION if hall.programme.familiarisation is not None else "",
    }  # fmt: skip


class Me(Base):
    """How the candidate stands."""

    def get(self) -> None:
        """Clock and calls."""
        name = self.candidate()
        if self.get_query_argument("plain", ""):
            self.hall.asked(name)
        self.answer(whole_standing(self.hall, name))


class Begin(Base):
    """The start of the candidate's clock."""

    async def post(self) -> None:
        """Start it."""
        name = self.candidate()
        await self.hall.begin(name)
        self.answer(whole_standing(self.hall, name))


class Submit(Base):
    """The end of the candidate's exam."""

    async def post(self) -> None:
        """End it, and give the receipts."""
        name = self.candidate()
        await self.hall.submit(name)
        self.answer(whole_standing(self.hall, name))


class Receipts(Base):
    """What a candidate may take home: for each call the number of acts and the record's chain value."""

    async def get(self) -> None:
        """The receipts."""
        name = self.candidate()
        self.answer({"receipts": await receipts(self.hall, name), "results": await results(self.hall, name)})


async def results(hall: Hall, name: str) -> list[str] | None:
    """What the released grading tells this candidate, or None before the release."""
    if hall.sitting.stage != "released" or hall.results is None:
        return None
    return await asyncio.to_thread(hall.results, hall.sitting.grading, name)


async def receipts(hall: Hall, name: str) -> list[dict[str, Any]]:
    """For each call that was begun its number, its acts and the head of its record."""
    made = []
    for number, item in enumerate(hall.programme.items(name), 1):
        rows = await asyncio.to_thread(hall.journal.acts, f"{name}/{item}")
        if rows:
            head = str(msgspec.json.decode(rows[-1].line)["chain"])
            made.append({"call": number, "acts": rows[-1].seq, "head": head})
    return made


def frame_body(frame: Frame) -> bytes:
    """A frame as the page reads it."""
    return wide(msgspec.json.encode(frame), FRAME_WIDTH)


class Call(Base):
    """A call over plain HTTP."""

    async def get(self, item: str) -> None:
        """Everything that the call's page needs to begin."""
        name = self.candidate()
        views = tuple(self.get_query_argument("views", "").split(",")[:8])
        self.answer(await self.hall.page(name, item, views), PAGE_WIDTH)

    async def post(self, item: str) -> None:
        """One message of the page; its frame comes back on the tick."""
        name, message = self.candidate(), self.body()
        body = await self.hall.heard(name, item, message, frame_body)
        self.set_header("Content-Type", "application/json; charset=utf-8")
        self.write(body)


class Live(WebSocketHandler):
    """A candidate's page over one WebSocket: calls are opened and heard, standings are told."""

    hall: Hall
    name = ""
    open_pages: dict[str, Live] = {}  # noqa: RUF012 - replaced per service in `initialize`

    def initialize(self, hall: Hall, pages: dict[str, Live]) -> None:
        """Tornado's: the service, and the newest page of each candidate."""
        self.hall, self.open_pages = hall, pages
        self._busy: set[asyncio.Task[None]] = set()

    async def prepare(self) -> None:
        """Turn away what is no WebSocket, and strangers that come too fast, in the one shape of a refusal."""
        self.clear_header("Server")
        if self.request.headers.get("Upgrade", "").lower() != "websocket":
            self._turned_away("refused", "The service does not know this request.", 400)
        elif not self._known() and not self.settings["strangers"].take_one(self.request.remote_ip):
            await asyncio.sleep(TARPIT)
            self._turned_away("slow_down", REFUSALS["slow_down"], 429)

    def _known(self) -> bool:
        with suppress(Refusal):
            return bool(self.hall.who(self.get_cookie(SESSION) or ""))
        return False

    def _turned_away(self, word: str, text: str, status: int) -> None:
        self.set_status(status)
        self.set_header("Content-Type", "application/json; charset=utf-8")
        self.finish(refusal_body(word, text))

    def check_origin(self, origin: str) -> bool:
        """Only the exam's own page."""
        return same_site({"Origin": origin}, self.request.host)

    async def open(self, *_args: str, **_more: str) -> None:
        """A page connected; the newest one is the one that counts."""
        try:
            self.name = self.hall.who(self.get_cookie(SESSION) or "")
        except Refusal as error:
            await self._send(refusal_body(error.word, str(error)))
            self.close(4401, "signed out")
            return
        older = self.open_pages.get(self.name)
        self.open_pages[self.name] = self
        self.set_nodelay(True)
        self.hall.arrived(self.name)
        if older is not None:
            older.close(4409, "opened elsewhere")
        await self.tell()

    def on_close(self) -> None:
        """The page went away."""
        if self.name:
            if self.open_pages.get(self.name) is self:
                del self.open_pages[self.name]
            self.hall.gone(self.name)

    async def tell(self) -> None:
        """Tell the page how its candidate stands; a page whose session has ended is closed."""
        if not self._known():
            self.close(4409, "opened elsewhere")
            return
        await self._send(wide(msgspec.json.encode({"standing": self.hall.standing(self.name)}), 1024))

    async def on_message(self, message: str | bytes) -> None:
        """One message; its answer leaves on the tick, later messages are heard meanwhile."""
        try:
            found = msgspec.json.decode(message)
            item, content, views = found["item"], found.get("message"), found.get("views", [])
            fits = isinstance(item, str) and isinstance(views, list) and (content is None or isinstance(content, dict))
            if not fits or not all(isinstance(v, str) for v in views):
                raise TypeError
        except (msgspec.MsgspecError, RecursionError, UnicodeError, KeyError, TypeError, AttributeError):
            await self._send(refusal_body("no_json", "The message can't be read. Load the page again."))
            await asyncio.sleep(TARPIT)  # nothing more of this page is read meanwhile
            return
        task = asyncio.ensure_future(self._answer(item, content, tuple(views[:8])))
        self._busy.add(task)
        task.add_done_callback(self._busy.discard)
        task.add_done_callback(_seen)
        if len(self._busy) >= MOST_WAITING:  # nothing more of this page is read until something of it is done
            await asyncio.wait(self._busy, return_when=asyncio.FIRST_COMPLETED)

    async def _answer(self, item: str, content: dict[str, Any] | None, views: tuple[str, ...]) -> None:
        number = _number(content)
        try:
            name = self.hall.who(self.get_cookie(SESSION) or "")
            if content is None:
                state = await self.hall.page(name, item, views)
                await self._send(wide(msgspec.json.encode({"item": item, "state": msgspec.Raw(state)}), PAGE_WIDTH))
                return

            def shaped(frame: Frame) -> bytes:
                return wide(msgspec.json.encode({"item": item, "seq": number, "frame": frame}), FRAME_WIDTH)

            await self._send(await self.hall.heard(name, item, content, shaped))
        except BenchError as error:
            word, text, _ = refused(error)
            told = {"refused": word, "text": text, "item": item[:64], "seq": number}
            await self._send(wide(msgspec.json.encode(told), NARROW_SOCKET))

    async def _send(self, data: bytes) -> None:
        with suppress(WebSocketClosedError, StreamClosedError):
            await self.write_message(data)


NARROW_SOCKET = 1024  # bytes: a refusal beside the call and number that it is of
MOST_WAITING = 32  # messages of one page that are answered at the same time


def _number(content: dict[str, Any] | None) -> int | None:
    number = (content or {}).get("seq")
    return number if type(number) is int and 0 <= number < LARGEST_NUMBER else None


def _seen(task: asyncio.Task[None]) -> None:
    if not task.cancelled() and task.exception() is not None:
        from tornado.log import app_log

        app_log.error("a page's message failed", exc_info=task.exception())
