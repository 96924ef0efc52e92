"""What stands in the desk's log: the events that a proctor answers for, in words.

Rule: of acts and readings nothing, of people their ids only; what somebody wrote is given as text and shown as text.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from blowergrade.exam.sitting import (
    AnyEvent,
    Closed,
    Granted,
    Incident,
    Let,
    Opened,
    Outage,
    Paused,
    Released,
    Resumed,
    Submitted,
)

#: The events that the log shows.
NOTED = (Opened, Closed, Released, Let, Granted, Paused, Resumed, Outage, Submitted, Incident)
MOST = 100  # entries that the desk is sent, the newest first
ENDS = {"candidate": "handed in", "time": "time ran out", "proctor": "ended by the proctor"}


def words_of(event: AnyEvent) -> str:
    """`event` in words, without the name of whom it is about."""
    match event:
        case Opened():
            return "candidates may begin"
        case Closed():
            return "the sitting was closed"
        case Released():
            return "the results were released"
        case Let():
            return "may sign in again"
        case Granted(seconds=seconds, reason=reason):
            return f"{seconds // 60} minutes given: {reason}"
        case Paused(reason=reason):
            return f"break began: {reason}"
        case Resumed():
            return "break over"
        case Outage(milliseconds=lost, note=note):
            return note or f"the service was away for {-(-lost // 1000)} s; every clock that ran was given as much"
        case Submitted(by=by):
            return ENDS[by]
        case Incident(text=text):
            return f"incident: {text}"
        case _:
            return ""


def log_of(noted: Iterable[tuple[int, AnyEvent]]) -> list[dict[str, Any]]:
    """The newest entries, the newest first: when (ms), of whom ("" for the hall), and what."""
    newest = list(noted)[-MOST:][::-1]
    return [{"at": at, "candidate": getattr(event, "candidate", ""), "text": words_of(event)} for at, event in newest]
