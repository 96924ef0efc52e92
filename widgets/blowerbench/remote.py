"""A bench that stands in the school's service: simulator, fault and record are there, acts and observations travel.

Rule: nothing of the fault ever reaches this side, and the personal code is sent once and kept nowhere. An act has an id of its
own; sent again, it is done once.
"""

from __future__ import annotations

import ipaddress
import re
import secrets
import ssl
import threading
import time
import weakref
from collections.abc import Mapping, Sequence
from contextlib import suppress
from http.client import HTTPConnection, HTTPException, HTTPSConnection
from pathlib import Path
from typing import Any, TypeVar
from urllib.parse import urlsplit

import msgspec

from blowerbench import acts as a
from blowerbench.bench import View, checked
from blowerbench.equipment import load_equipment
from blowerbench.errors import BenchError
from blowerbench.hands import Hands, decide
from blowerbench.observation import Accepted, Outcome, Refused, Said
from blowerbench.record import Line
from blowerbench.sealed import plain_code

#: Seconds that one answer may take, and seconds for which an act is sent again by itself before the learner is told.
ANSWER, PATIENCE = 15.0, 8.0
FIRST_PAUSE, LONGEST_PAUSE = 0.2, 2.0  # seconds between two attempts
LARGEST = 50_000_000  # bytes of an answer
#: Refusals after which the same message is sent again: the service was busy, or set the bench up again.
PASSING = ("slow_down", "trouble", "open_first")
#: What some refusals mean in class, where the service's own words speak of an exam.
TEXTS: Mapping[str, str] = {
    "not_open": "the class has not begun; wait for your instructor",
    "paused": "your instructor has stopped your call for a while; wait until you are told to go on",
    "over": "your instructor has closed this call; everything that you did is kept",
    "no_code": "this code opens nothing at this service; compare it with your slip, or ask your instructor",
    "trouble": "the service could not do that; try again, and tell your instructor if it stays so",
    "no_act": "that is nothing that can be done on this bench; use one of blowerbench.acts",
    "page_only": "an exam is sat on its own page, not in a notebook; open the service's address in a browser",
}


class RemoteError(BenchError):
    """The service did not take something; says why and what to do."""


class ServiceAway(RemoteError):  # noqa: N818 - reads as what it says
    """The service does not answer; the act may be done again safely."""


class SignedOut(RemoteError):  # noqa: N818 - reads as what it says
    """The call was opened elsewhere, or the service ended the session."""


class _Refusal(msgspec.Struct, frozen=True):
    refused: str
    text: str


class _Kept(msgspec.Struct, frozen=True):
    chain: str
    body: Line


class _Opened(msgspec.Struct, frozen=True):
    token: str
    item: str
    equipment: str
    equipment_digest: str
    complaint: str
    language: str
    assignment: str
    head: str
    lines: tuple[str, ...]
    view: View


class _Told(msgspec.Struct, frozen=True):
    outcome: Outcome
    view: View
    head: str


class _Seen(msgspec.Struct, frozen=True):
    lines: tuple[str, ...]
    view: View


Kind = TypeVar("Kind", _Opened, _Told, _Seen)


class _Wire:
    """One connection to the service, made anew whenever it broke; no proxy of the machine is used."""

    def __init__(self, url: str, trust: Path | str | None, patience: float) -> None:
        self.url, self._patience = checked_address(url), patience
        parts = urlsplit(self.url)
        self._host, self._port = parts.hostname or "", parts.port
        self._context = _context(trust) if parts.scheme == "https" else None
        self._open: HTTPConnection | None = None

    def ask(self, method: str, path: str, token: str = "", body: object = None) -> bytes:
        """The service's answer; sent again for a while where there is none. Raises `RemoteError`."""
        end, pause = time.monotonic() + self._patience, FIRST_PAUSE
        while True:
            try:
                status, data = self._once(method, path, token, body)
                refusal = _refusal(status, data)
                if refusal is None:
                    return data
                if refusal.refused not in PASSING or time.monotonic() + pause > end:
                    raise _error(refusal, status)
            except ssl.SSLCertVerificationError as error:
                raise RemoteError(
                    f"{self.url} can't prove that it is your school's service ({error.verify_message}); put the certificate "
                    "file that you got beside the notebook, or ask your instructor"
                ) from error
            except (OSError, HTTPException) as error:
                if time.monotonic() + pause > end:
                    raise ServiceAway(
                        f"the school's service at {self.url} does not answer ({_plain(error)}). Everything that was done is "
                        "kept there. Do the last act again when it is back: if it was done already it is not done twice. Tell "
                        "your instructor if it stays so"
                    ) from error
            time.sleep(pause)
            pause = min(2 * pause, LONGEST_PAUSE)

    def _once(self, method: str, path: str, token: str, body: object) -> tuple[int, bytes]:
        headers = {"Accept": "application/json"} | ({"Authorization": f"Bearer {token}"} if token else {})
        data = None if body is None else msgspec.json.encode(body)
        if data is not None:
            headers["Content-Type"] = "application/json"
        if self._open is None:
            self._open = self._connection()
        try:
            self._open.request(method, path, data, headers)
            response = self._open.getresponse()
            return response.status, response.read(LARGEST)
        except BaseException:  # an interrupted answer must not be taken for the next one's
            self.close()
            raise

    def _connection(self) -> HTTPConnection:
        if self._context is not None:
            return HTTPSConnection(self._host, self._port, timeout=ANSWER, context=self._context)
        return HTTPConnection(self._host, self._port, timeout=ANSWER)

    def close(self) -> None:
        """Let go of the connection."""
        if self._open is not None:
            with suppress(OSError):
                self._open.close()
            self._open = None


def checked_address(url: str) -> str:
    """`url` as the address of a bench service, such as https://bench.example.org:8444; raises `RemoteError`.

    Plain http goes to this machine only: elsewhere it would send personal codes in the clear.
    """
    parts = urlsplit(url)
    try:
        host, port = parts.hostname or "", parts.port
    except ValueError as error:
        raise RemoteError(f"{url!r}: {error}; the port is a number up to 65535") from error
    bare = not (parts.path.strip("/") or parts.query or parts.fragment or parts.username) and port != 0
    if parts.scheme not in ("http", "https") or not re.fullmatch(r"[\w.:-]+", host) or not bare:
        raise RemoteError(f"{url!r} is no address of a bench service; it looks like https://bench.example.org:8444")
    if parts.scheme == "http" and not _here(host):
        raise RemoteError(f"{url!r} would send personal codes over the network in the clear; use the service's https address")
    return f"{parts.scheme}://{parts.netloc}"


def _here(host: str) -> bool:
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def _context(trust: Path | str | None) -> ssl.SSLContext:
    try:
        context = ssl.create_default_context(cafile=None if trust is None else str(trust))
    except (OSError, ssl.SSLError) as error:
        raise RemoteError(f"{trust} is no certificate file (PEM); put the one that you got beside the notebook") from error
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    return context


def _refusal(status: int, data: bytes) -> _Refusal | None:
    if status < 400:
        return None
    try:
        return msgspec.json.decode(data, type=_Refusal)
    except (msgspec.MsgspecError, UnicodeDecodeError):
        word = "trouble" if status >= 500 else "unknown"
        return _Refusal(word, f"what answers there (status {status}) is no bench service; compare the address")


def _error(refusal: _Refusal, status: int) -> RemoteError:
    if status == 401:
        return SignedOut(
            "this call was opened elsewhere with the same code, or your session has ended. Everything that was done is kept. "
            "Run the cell that opened the bench again to go on here"
        )
    return RemoteError(TEXTS.get(refusal.refused, refusal.text))


def _plain(error: BaseException) -> str:
    return (getattr(error, "strerror", None) or str(error) or type(error).__name__).splitlines()[0][:120]


def _read(data: bytes, kind: type[Kind]) -> Kind:
    try:
        return msgspec.json.decode(data, type=kind)
    except (msgspec.MsgspecError, UnicodeDecodeError) as error:
        raise RemoteError(
            f"the service's answer can't be read ({error}); it runs another release than this machine: install the same one"
        ) from error


class RemoteBench:
    """The bench that `code` opens at the service `url`; a call that was begun goes on where it stopped.

    `item` is the call's id where a code opens several. `trust` is a PEM file with the service's own certificate, where no
    public authority signed it. `lines` are the acts so far, as on a `LocalBench`. Raises `RemoteError`, and `SealError` for a
    code with a typing error.
    """

    def __init__(
        self, url: str, code: str, *, item: str = "", trust: Path | str | None = None, patience: float = PATIENCE
    ) -> None:
        self._wire = _Wire(url, trust, patience)
        weakref.finalize(self, self._wire.close)
        asked = {"code": plain_code(code)} | ({"item": item} if item else {})
        opened = _read(self._wire.ask("POST", "/bench/open", body=asked), _Opened)
        self._token, self.item, self.head = opened.token, opened.item, opened.head
        self.assignment, self.complaint, self.language = opened.assignment, opened.complaint, opened.language
        self.equipment = load_equipment(opened.equipment)
        if self.equipment.digest != opened.equipment_digest:
            raise RemoteError(
                f"this machine and the service describe {opened.equipment} differently; install the school's release"
            )
        self.lines: list[Line] = []
        self._view = opened.view
        self._take(opened.lines)
        self._pending: tuple[str, a.AnyAct] | None = None  # an act that nobody knows the outcome of
        self._guard = threading.RLock()
        self._closed = False

    @property
    def url(self) -> str:
        """Where the service is."""
        return self._wire.url

    def act(self, act: a.Act) -> Outcome:
        """Do `act` there; what comes back is on the service's disk. Raises `NoSuchName`, `ActError` and `RemoteError`.

        After `ServiceAway` the same act may be asked again: where it was done already, its first outcome comes back.
        """
        with self._guard:
            if self._closed:
                return Refused(Said("bench_is_closed"))
            act = checked(act)
            hands = msgspec.convert(self._view.hands, Hands, strict=False)
            decide(self.equipment, hands, act)  # for a wrong name, which never leaves; all else is decided there
            if self._pending is not None and self._pending[1] != act:
                self.catch_up()
            intent = self._pending[0] if self._pending is not None else secrets.token_hex(12)
            self._pending = intent, act
            try:
                told = self._asked("POST", f"/bench/act/{self.item}", _Told, {"id": intent, "act": act})
            except ServiceAway:
                raise
            except RemoteError:
                self._pending = None
                raise
            self._pending = None
            self._heard(told, act)
            return told.outcome

    def _heard(self, told: _Told, act: a.AnyAct) -> None:
        outcome = told.outcome
        if isinstance(outcome, Accepted) and outcome.seq == len(self.lines) + 1:
            self.lines.append(Line(outcome.seq, outcome.clock, act, outcome.observation))
        self._view, self.head = told.view, told.head
        if self._view.seq > len(self.lines):  # something was done elsewhere, or before an answer that was lost
            self.catch_up()

    def catch_up(self) -> None:
        """Take over what the service has; what was done before an answer got lost is in `lines` then."""
        with self._guard:
            seen = self._asked("GET", f"/bench/look/{self.item}?after={len(self.lines)}", _Seen)
            self._take(seen.lines)
            self._view, self._pending = seen.view, None

    def view(self) -> View:
        """What a page may draw now, as the service said with its last answer."""
        return self._view

    @property
    def ended(self) -> bool:
        """Whether the unit was handed back, or left and reported."""
        return bool(self._view.hands["ended"])

    def close(self) -> None:
        """Let go of the connection and of the session; the record stays at the service."""
        self._closed, self._token = True, ""
        self._wire.close()

    def _asked(self, method: str, path: str, kind: type[Kind], body: Mapping[str, Any] | None = None) -> Kind:
        return _read(self._wire.ask(method, path, self._token, body), kind)

    def _take(self, lines: Sequence[str]) -> None:
        for raw in lines:
            try:
                kept = msgspec.json.decode(raw, type=_Kept)
            except msgspec.MsgspecError as error:
                raise RemoteError(f"a line of the call can't be read ({error}); install the school's release") from error
            if kept.body.seq == len(self.lines) + 1:
                self.lines.append(kept.body)
                self.head = kept.chain
