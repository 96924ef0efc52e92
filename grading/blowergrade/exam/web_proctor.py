"""The proctor's side of the service: who is there, who has how much time, and what can be done about it.

Rule: the desk sees standings and nothing of what anybody measures; in an exam it is told of no fault and of no mistake.
Whatever it does is an event in the journal.
"""

from __future__ import annotations

import hashlib
import hmac
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any

from blowergrade.exam.desk_words import log_of
from blowergrade.exam.hall import Hall, Refusal
from blowergrade.exam.intake import plain
from blowergrade.exam.sitting import AnyEvent, Granted, Incident, Let, Opened, Paused, Released, Resumed, Submitted, left
from blowergrade.exam.web import DESK, Base, read, same

MOST_MINUTES = 24 * 60
LONGEST_TEXT = 2_000


def desk_token(hall: Hall, code: str) -> str:
    """The token of a desk that was opened with `code`."""
    message = f"desk\n{hall.programme.sitting}\n{hashlib.sha256(code.encode()).hexdigest()}".encode()
    return hmac.new(hall.desk_secret, message, hashlib.sha256).hexdigest()


class DeskHome(Base):
    """The proctor's page."""

    def get(self) -> None:
        """The page; all else is asked for by its script."""
        self.set_header("Content-Type", "text/html; charset=utf-8")
        self.write(read("proctor.html").replace("{known}", "yes" if self.get_cookie(DESK) else "no"))


class DeskBase(Base):
    """What needs the proctor's session."""

    async def prepare(self) -> None:
        """Only the desk."""
        await super().prepare()
        if not self._desk():
            raise Refusal("sign_in", "This page is the proctor's. Sign in with the proctor's code.", 401)

    def _desk(self) -> bool:
        return same(self.get_cookie(DESK) or "", desk_token(self.hall, self.hall.desk_code))

    def welcome(self) -> bool:
        """The desk always is."""
        return self._desk() or self.stranger()


class DeskSignIn(Base):
    """The proctor's code for a session."""

    def welcome(self) -> bool:
        """A code that is tried counts as a stranger's, whoever tries it."""
        return self.stranger()

    def post(self) -> None:
        """Open the desk."""
        code = "".join(c for c in str(self.body().get("code", ""))[:100].upper() if c.isalnum())
        if not self.hall.desk_code or not same(code, self.hall.desk_code):
            raise Refusal("no_code", "This is not the proctor's code. It stands on the first slip.", 403)
        token = desk_token(self.hall, self.hall.desk_code)
        self.set_cookie(DESK, token, httponly=True, samesite="Strict", secure=self.request.protocol == "https", path="/proctor")
        self.answer({"title": self.hall.programme.title})


class DeskState(DeskBase):
    """The hall as a table."""

    def get(self) -> None:
        """Every candidate's standing."""
        self.answer(state(self.hall))


def state(hall: Hall) -> dict[str, Any]:
    """The hall as the desk sees it; times in ms."""
    return {
        "title": hall.programme.title, "school": hall.programme.school, "kind": hall.programme.kind,
        "stage": hall.sitting.stage, "now": hall.line.now(), "timed": bool(hall.programme.minutes),
        "candidates": [_row(hall, c.id) for c in hall.programme.candidates],
        "log": log_of(hall.noted), "missed": hall.ticks.missed, "released": hall.ticks.released,
        "checkpoint": list(hall.journal.head),
    }  # fmt: skip


def _row(hall: Hall, name: str) -> dict[str, Any]:
    p, one, now = hall.sitting.of(name), hall.programme.candidate(name), hall.line.now()
    assert one is not None
    items = hall.programme.items(name)
    last = hall.last_act.get(name)
    return {
        "id": name, "name": plain(one.name), "granted": [plain(x) for x in one.accommodation.words()], "language": one.language,
        "signed_in": p.signed_in > 0, "may_sign_in": p.may_sign_in, "connected": hall.here(name),
        "started": p.started is not None, "paused": p.paused is not None,
        "submitted": p.by if p.submitted is not None else "", "left": left(p, now),
        "begun": len(p.begun), "ended": len(p.ended), "of": len(items),
        "acts": sum(hall.acts.get(f"{name}/{i}", 0) for i in items),
        "idle": None if last is None else now - last, "incidents": p.incidents,
        **(hall.insight(name) if hall.insight is not None else {}),
    }  # fmt: skip


class DeskDo(DeskBase):
    """Something that the proctor does."""

    async def post(self) -> None:
        """Do it and show the hall."""
        body = self.body()
        what, name = str(body.get("do", "")), str(body.get("candidate", ""))
        if what not in DOINGS:
            raise Refusal("no_act", f"There is no such thing to do here; there are {', '.join(DOINGS)}.", 400)
        needs_name = what not in ("open", "close", "incident")
        if (needs_name or name) and self.hall.programme.candidate(name) is None:
            raise Refusal("nobody", "There is no such candidate.", 404)
        if what == "close":
            await self.hall.close()
        else:
            await self.hall.happened(DOINGS[what](self.hall, name, body))
        await self.hall.tell(name)
        self.answer(state(self.hall))


def _open(hall: Hall, _name: str, _body: dict[str, Any]) -> AnyEvent:
    if hall.sitting.stage != "planned":
        raise Refusal("stage", f"The sitting is {hall.sitting.stage}; only a planned one can be opened.")
    return Opened()


def _grant(hall: Hall, name: str, body: dict[str, Any]) -> AnyEvent:
    if hall.sitting.stage in ("closed", "released"):
        raise Refusal("stage", "The sitting is closed; nobody's clock runs any more.")
    minutes, reason = body.get("minutes"), _text(body, "reason")
    if not isinstance(minutes, int) or isinstance(minutes, bool) or not 1 <= minutes <= MOST_MINUTES or not reason:
        raise Refusal("no_grant", f"Give whole minutes from 1 to {MOST_MINUTES}, and a reason.", 400)
    return Granted(name, 60 * minutes, reason)


def _pause(hall: Hall, name: str, body: dict[str, Any]) -> AnyEvent:
    p = hall.sitting.of(name)
    if p.started is None or p.submitted is not None or p.paused is not None:
        raise Refusal("stage", "A break needs a clock that runs.")
    return Paused(name, _text(body, "reason") or "break")


def _resume(hall: Hall, name: str, _body: dict[str, Any]) -> AnyEvent:
    if hall.sitting.of(name).paused is None:
        raise Refusal("stage", "This candidate is not on a break.")
    return Resumed(name)


def _end(hall: Hall, name: str, _body: dict[str, Any]) -> AnyEvent:
    p = hall.sitting.of(name)
    if p.started is None or p.submitted is not None:
        raise Refusal("stage", "This exam has not begun, or is over.")
    return Submitted(name, "proctor")


def _note(_hall: Hall, name: str, body: dict[str, Any]) -> AnyEvent:
    text = _text(body, "text")
    if not text:
        raise Refusal("no_text", "Write down what happened.", 400)
    return Incident(name, text)


def _text(body: dict[str, Any], name: str) -> str:
    return plain(str(body.get(name, "")).strip()[:LONGEST_TEXT])


#: What the desk can do, by the word that its page sends.
DOINGS: dict[str, Callable[[Hall, str, dict[str, Any]], AnyEvent]] = {
    "open": _open, "close": _open, "let": lambda _h, name, _b: Let(name), "grant": _grant, "pause": _pause,
    "resume": _resume, "end": _end, "incident": _note,
}  # fmt: skip


def said_at(milliseconds: int) -> str:
    """A moment of the server's time line as UTC, ISO 8601."""
    return datetime.fromtimestamp(milliseconds / 1000, UTC).isoformat(timespec="milliseconds")


__all__ = ["DeskDo", "DeskHome", "DeskSignIn", "DeskState", "Released", "desk_token", "said_at", "state"]
