"""A sitting as events and what follows from them: who is there, whose clock runs, how much time is left.

Rule: state changes only in `evolve`, a pure fold over the journal's events; times are whole milliseconds of the server's own
time line, never a candidate's. A clock never loses what the school took: breaks and outages are added to it.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal

import msgspec
from msgspec.structs import replace

from blowerbench.errors import BenchError

Stage = Literal["planned", "open", "closed", "released"]
By = Literal["candidate", "time", "proctor"]


class SittingError(BenchError):
    """Something that this sitting does not allow now; says why and what would be right."""


class Event(msgspec.Struct, frozen=True, tag_field="event", forbid_unknown_fields=True):
    """Something that happened in a sitting."""


class Opened(Event, frozen=True, tag="opened"):
    """The proctor let candidates begin."""


class Closed(Event, frozen=True, tag="closed"):
    """The sitting is over: nobody's clock runs any more, and grading may begin."""


class Released(Event, frozen=True, tag="released"):
    """The results of the grading of this number may be seen."""

    grading: int = 1


class SignedIn(Event, frozen=True, tag="signed_in"):
    """A candidate signed in; a newer sign-in ends the older one's session."""

    candidate: str


class Let(Event, frozen=True, tag="let"):
    """The proctor lets a candidate sign in once more, after a machine failed."""

    candidate: str


class Connected(Event, frozen=True, tag="connected"):
    """A candidate's page holds a connection."""

    candidate: str


class Disconnected(Event, frozen=True, tag="disconnected"):
    """The last connection of a candidate's page is gone."""

    candidate: str


class Started(Event, frozen=True, tag="started"):
    """A candidate's clock runs; `seconds` is what this candidate was given, extra time included."""

    candidate: str
    seconds: int


class CallBegun(Event, frozen=True, tag="call_begun"):
    """A candidate looked at a call for the first time."""

    candidate: str
    item: str


class CallEnded(Event, frozen=True, tag="call_ended"):
    """A candidate handed the unit of a call back, or left and reported."""

    candidate: str
    item: str


class Granted(Event, frozen=True, tag="granted"):
    """The proctor gave a candidate more time (s); an exam that ended for want of time goes on with it."""

    candidate: str
    seconds: int
    reason: str


class Paused(Event, frozen=True, tag="paused"):
    """A break began; the clock stands."""

    candidate: str
    reason: str


class Resumed(Event, frozen=True, tag="resumed"):
    """The break is over."""

    candidate: str


class Outage(Event, frozen=True, tag="outage"):
    """The service was away for so many ms; every clock that ran has that much more."""

    milliseconds: int
    note: str = ""


class Submitted(Event, frozen=True, tag="submitted"):
    """A candidate's exam ended: handed in, or out of time."""

    candidate: str
    by: By


class Incident(Event, frozen=True, tag="incident"):
    """What the proctor wrote down; `candidate` empty: of the whole hall."""

    candidate: str
    text: str


AnyEvent = (
    Opened | Closed | Released | SignedIn | Let | Connected | Disconnected | Started | CallBegun | CallEnded | Granted | Paused
    | Resumed | Outage | Submitted | Incident
)


class Progress(msgspec.Struct, frozen=True):
    """One candidate's standing. Times in ms of the server's time line; None: not yet."""

    signed_in: int = 0  # how often; the newest session counts
    may_sign_in: bool = True
    connected: bool = False
    started: int | None = None
    allotted: int = 0  # ms
    added: int = 0  # ms: granted, breaks that are over, outages
    paused: int | None = None
    submitted: int | None = None
    by: str = ""
    begun: tuple[str, ...] = ()
    ended: tuple[str, ...] = ()
    incidents: int = 0


class Sitting(msgspec.Struct, frozen=True):
    """The sitting after some events."""

    stage: Stage = "planned"
    candidates: Mapping[str, Progress] = {}
    grading: int = 0  # the one that was released

    def of(self, candidate: str) -> Progress:
        """How `candidate` stands."""
        return self.candidates.get(candidate, Progress())


def left(progress: Progress, now: int) -> int:
    """Milliseconds left at `now`: all of it before the start, 0 after the end."""
    if progress.submitted is not None:
        return 0
    if progress.started is None:
        return progress.allotted + progress.added
    until = progress.paused if progress.paused is not None else now
    return max(0, progress.started + progress.allotted + progress.added - until)


def running(progress: Progress) -> bool:
    """Whether the clock of this candidate runs."""
    return progress.started is not None and progress.submitted is None and progress.paused is None


def evolve(sitting: Sitting, event: AnyEvent, at: int) -> Sitting:
    """The sitting after `event`, which happened at `at` (ms). Total: an event that came to be is never refused here."""
    match event:
        case Opened():
            return replace(sitting, stage="open")
        case Closed():
            ended = {c: _submitted(p, at, "proctor") for c, p in sitting.candidates.items()}
            return replace(sitting, stage="closed", candidates=ended)
        case Released(grading=number):
            return replace(sitting, stage="released", grading=number)
        case Outage(milliseconds=lost):
            return replace(sitting, candidates={c: _after_outage(p, lost) for c, p in sitting.candidates.items()})
        case Incident(candidate=""):
            return sitting
        case Started() | Granted() if sitting.stage in ("closed", "released"):
            return sitting  # sent just before the end, written just after it
        case _:
            one = _of_one(sitting.of(event.candidate), event, at)
            return replace(sitting, candidates={**sitting.candidates, event.candidate: one})


def _submitted(progress: Progress, at: int, by: By) -> Progress:
    if progress.started is None or progress.submitted is not None:
        return progress
    return replace(progress, submitted=at, by=by)


def _granted(p: Progress, more: int, at: int) -> Progress:
    if p.submitted is None or p.by != "time" or p.started is None:
        return replace(p, added=p.added + more)
    passed = max(0, at - (p.started + p.allotted + p.added))  # since time was up
    return replace(p, added=p.added + passed + more, submitted=None, by="")


def _after_outage(progress: Progress, lost: int) -> Progress:
    progress = replace(progress, connected=False)
    return replace(progress, added=progress.added + lost) if running(progress) else progress


def _of_one(p: Progress, event: AnyEvent, at: int) -> Progress:
    match event:
        case SignedIn():
            return replace(p, signed_in=p.signed_in + 1, may_sign_in=False)
        case Let():
            return replace(p, may_sign_in=True)
        case Connected():
            return replace(p, connected=True)
        case Disconnected():
            return replace(p, connected=False)
        case Started(seconds=seconds):
            return p if p.started is not None else replace(p, started=at, allotted=1000 * seconds)
        case CallBegun(item=item):
            return p if item in p.begun else replace(p, begun=(*p.begun, item))
        case CallEnded(item=item):
            return p if item in p.ended else replace(p, ended=(*p.ended, item))
        case Granted(seconds=seconds):
            return _granted(p, 1000 * seconds, at)
        case Paused():
            return replace(p, paused=at) if running(p) else p
        case Resumed():
            return replace(p, paused=None, added=p.added + at - p.paused) if p.paused is not None else p
        case Submitted(by="time") if not running(p) or left(p, at) > 0:
            return p  # a break or granted time came first
        case Submitted(by=by):
            return _submitted(p, at, by)
        case Incident():
            return replace(p, incidents=p.incidents + 1)
        case _:
            return p


def may_act(sitting: Sitting, candidate: str, now: int) -> str:
    """Why `candidate` can't act at `now`: a word of `texts.REFUSALS`, or "" where nothing is against it."""
    p = sitting.of(candidate)
    if sitting.stage != "open":
        return "not_open" if sitting.stage == "planned" else "over"
    if p.submitted is not None:
        return "over"
    if p.started is None:
        return "not_started"
    if p.paused is not None:
        return "paused"
    return "over" if left(p, now) <= 0 else ""
