"""The hall: candidates, clocks, benches and journal of one running sitting.

Rule: nobody is told what is not on the disk. Everything that counts is decided here, by the server's clock and the journal; the
web handlers only carry it.
"""

from __future__ import annotations

import asyncio
import hashlib
import hmac
from collections import defaultdict
from collections.abc import Awaitable, Callable
from itertools import count
from typing import Any, TypeVar

import msgspec

from blowerbench.errors import BenchError
from blowergrade.exam import solver
from blowergrade.exam.attempt import Answer, Kept, Plan
from blowergrade.exam.desk_words import NOTED
from blowergrade.exam.intake import INTENT, unfit, why_not
from blowergrade.exam.journal import ActRow, Journal, JournalError
from blowergrade.exam.programme import FAMILIARISATION, Candidate, Programme
from blowergrade.exam.release import Bucket, Ticks
from blowergrade.exam.sitting import (
    AnyEvent,
    CallBegun,
    CallEnded,
    Closed,
    Connected,
    Disconnected,
    Event,
    Incident,
    Outage,
    SittingError,
    Started,
    Submitted,
    evolve,
    left,
    may_act,
    running,
)  # fmt: skip
from blowergrade.exam.solvers import SolverLost, Solvers
from blowergrade.exam.texts import REFUSALS
from blowergrade.exam.timeline import TimeLine, outage

#: Seconds that some messages are given beyond the guard, by kind: first drawings of a view, acts in a row, opening a call.
MORE = {"view": 0.3, "until": 0.6, "page": 0.6}
#: Requests of one session altogether: a second on average, and at once. Its acts have a rate of their own.
KNOCKS = (10.0, 60)
STALE = 12_000  # ms without a look after which a page with plain HTTP counts as gone; it looks every 5 s
CHECKPOINT_EVERY = 15  # signs of life
LONGEST_QUEUE = 6.0  # seconds a candidate's messages may wait for their rate before more are turned away


class Refusal(SittingError):  # noqa: N818 - it is no fault: a message that is not taken, with the word for it
    """A message that is not taken; `word` (of `REFUSALS`, or with a `text` of its own) says why, `status` says it to HTTP."""

    def __init__(self, word: str, text: str = "", status: int = 409) -> None:
        super().__init__(text or REFUSALS[word])
        self.word, self.status = word, status


Shaped = TypeVar("Shaped")


class Frame(msgspec.Struct, frozen=True):
    """What a page gets back: its changed traits, the receipt, and the call's state."""

    changes: msgspec.Raw
    acts: int
    receipt: str
    ended: bool


class Hall:
    """One sitting while the service runs. Make it, then `await start()`."""

    def __init__(
        self, programme: Programme, key: bytes, journal: Journal, *, desk_code: str = "", line: TimeLine | None = None
    ) -> None:
        self.programme, self.journal = programme, journal
        rules = programme.rules
        self.rules, self._key = rules, key
        self.solvers = Solvers(rules.solvers, 64 + 5 * len(programme.candidates) // 4)
        self.ticks = Ticks(rules.tick_ms / 1000, rules.guard_ms / 1000)
        rows = journal.events()
        self.sitting = programme.sitting_after((row.event, row.at) for row in rows)
        self.noted = [(row.at, row.event) for row in rows if isinstance(row.event, NOTED)]  # for the desk's log
        sign = journal.last_sign()
        self.line = line or TimeLine(not_before=sign or 0)
        self._first_sign = sign
        self._codes = {c.code_digest: c.id for c in programme.candidates}
        self._locks: dict[str, asyncio.Lock] = defaultdict(asyncio.Lock)
        self._buckets: dict[str, Bucket] = {}
        self._knocks: dict[str, Bucket] = {}
        self._due: dict[str, int] = {}  # attempt → the last tick that an answer of it is to leave on
        self.doors: dict[str, asyncio.Lock] = defaultdict(asyncio.Lock)  # candidate → one sign-in at a time
        self._away: dict[str, tuple[str, int]] = {}  # attempt → the message (view, number) that was turned away last
        self._pages: dict[str, int] = defaultdict(int)  # candidate → open connections
        self.acts: dict[str, int] = journal.counts()  # attempt → acts so far
        self.last_act: dict[str, int] = {}  # candidate → ms
        self._looked: dict[str, int] = {}  # candidate → ms of the last look of a page that has plain HTTP only
        self._tasks: list[asyncio.Task[None]] = []
        self.listeners: list[Callable[[AnyEvent], None]] = []
        self.tell: Callable[[str], Awaitable[None]] = _nobody  # tells the pages of a candidate ("": all) how they stand
        self.insight: Callable[[str], dict[str, Any]] | None = None  # what class work shows of a student beside that
        self.results: Callable[[int, str], list[str]] | None = None  # what a released grading tells a candidate
        self.checkpoint: Callable[[Journal, int], str] | None = None  # writes down elsewhere where the chains stand
        self.desk_code = desk_code
        self.desk_secret = hashlib.sha256(b"desk" + key).digest()

    # ------------------------------------------------------------------ life
    async def start(self) -> None:
        """Start the solvers and the clock; a service that was away adds its absence to every running clock."""
        await self.solvers.start()
        if self._first_sign is not None:
            lost, note = outage(self._first_sign, self.line.wall())
            if (lost or note) and any(running(p) or p.connected for p in self.sitting.candidates.values()):
                await self.happened(Outage(lost, note))
        await asyncio.wrap_future(self.journal.sign(self.line.now()))
        kinds = (plan for plans in self.programme.plans.values() for plan in plans)
        self._tasks = [asyncio.create_task(self.solvers.warm(kinds))]
        self._tasks += [asyncio.create_task(self._live()), asyncio.create_task(self._watch_clocks())]

    async def _live(self) -> None:
        told = ""
        for beat in count():
            await asyncio.sleep(self.rules.sign_seconds)
            now = self.line.now()
            await asyncio.wrap_future(self.journal.sign(now))
            if self.checkpoint is not None and beat % CHECKPOINT_EVERY == 0:
                problem = await asyncio.to_thread(self.checkpoint, self.journal, now)
                if problem and problem != told:
                    await self.happened(Incident("", f"no checkpoint could be written: {problem}"))
                told = problem

    async def _watch_clocks(self) -> None:
        while True:
            await asyncio.sleep(0.25)
            now = self.line.now()
            for name, p in self.sitting.candidates.items():
                if running(p) and left(p, now) <= 0:
                    await self.happened(Submitted(name, "time"))
                    await self.tell(name)

    async def stop(self) -> None:
        """Stop; what was acknowledged is in the journal."""
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)
        self.solvers.stop()
        if self.checkpoint is not None:
            await asyncio.to_thread(self.checkpoint, self.journal, self.line.now())
        self.journal.close()

    async def happened(self, event: AnyEvent) -> None:
        """Write `event` down and, once it is on the disk, let it count."""
        row, done = self.journal.add_event(event, self.line.now())
        await asyncio.wrap_future(done)
        self.sitting = evolve(self.sitting, event, row.at)
        if isinstance(event, NOTED):
            self.noted.append((row.at, event))
        for listener in tuple(self.listeners):
            listener(event)

    # ------------------------------------------------------------------ who is there
    def token(self, candidate: str, generation: int) -> str:
        """The token of a candidate's session: it holds as long as no newer sign-in."""
        body = f"{candidate}.{generation}"
        made = hmac.new(self._key, f"{self.programme.sitting}\n{body}".encode(), hashlib.sha256).hexdigest()
        return f"{body}.{made[:40]}"

    def who(self, token: str) -> str:
        """The candidate whose living session `token` names; raises `Refusal`."""
        body, _, _ = token.rpartition(".")
        candidate, _, generation = body.rpartition(".")
        progress = self.sitting.candidates.get(candidate)
        known = progress is not None and generation == str(progress.signed_in) and progress.signed_in > 0
        if not known or not hmac.compare_digest(token.encode(), self.token(candidate, int(generation)).encode()):
            raise Refusal("sign_in", status=401)
        return candidate

    def by_code(self, plain_code: str) -> Candidate | None:
        """The candidate of a personal code."""
        name = self._codes.get(hashlib.sha256(plain_code.encode()).hexdigest())
        return self.programme.candidate(name) if name is not None else None

    def arrived(self, candidate: str) -> None:
        """A page of this candidate opened a connection."""
        self._pages[candidate] += 1
        if self._pages[candidate] == 1:  # also where a Disconnected is still on its way to the disk
            self._later(Connected(candidate))

    def gone(self, candidate: str) -> None:
        """A page of this candidate closed its connection."""
        self._pages[candidate] = max(0, self._pages[candidate] - 1)
        if not self._pages[candidate]:
            self._later(Disconnected(candidate))

    def asked(self, candidate: str) -> None:
        """A page of this candidate that holds no connection looked how things stand."""
        self._looked[candidate] = self.line.now()

    def here(self, candidate: str) -> bool:
        """Whether a page of this candidate holds a connection, or looked a moment ago."""
        return self.sitting.of(candidate).connected or self.line.now() - self._looked.get(candidate, -STALE) < STALE

    def _later(self, event: AnyEvent) -> None:
        task = asyncio.ensure_future(self.happened(event))
        task.add_done_callback(lambda t: t.cancelled() or t.exception())

    # ------------------------------------------------------------------ the candidate
    async def begin(self, candidate: str) -> None:
        """Start this candidate's clock; a second start changes nothing. Raises `Refusal`."""
        p = self.sitting.of(candidate)
        if p.started is not None:
            return
        if self.sitting.stage != "open":
            raise Refusal("not_open" if self.sitting.stage == "planned" else "over")
        one = self.programme.candidate(candidate)
        assert one is not None
        await self.happened(Started(candidate, self.programme.seconds(one)))

    async def submit(self, candidate: str) -> None:
        """End this candidate's exam; raises `Refusal` before it began."""
        p = self.sitting.of(candidate)
        if p.submitted is None:
            if p.started is None:
                raise Refusal("not_started")
            await self.happened(Submitted(candidate, "candidate"))

    def _plan(self, candidate: str, item: str) -> Plan:
        plan = self.programme.plan(candidate, item)
        if plan is None:
            raise Refusal("no_call", status=404)
        if item == FAMILIARISATION:
            if self.sitting.stage in ("closed", "released") or self.sitting.of(candidate).started is not None:
                raise Refusal("trying_over")
            return plan
        why = may_act(self.sitting, candidate, self.line.now())
        if why:
            raise Refusal(why)
        return plan

    # ------------------------------------------------------------------ benches
    async def _open(self, plan: Plan) -> None:
        """Have a solver hold the attempt of `plan`, brought to where the journal left it."""
        attempt = plan.attempt
        if await self.solvers.holds(attempt):
            return
        rows = await asyncio.to_thread(self.journal.acts, attempt)
        kept = tuple(Kept(r.seq, r.intent, r.digest, r.line) for r in rows)
        holder = await self.solvers.holder(attempt)
        reply = await self.solvers.ask(attempt, solver.Open(plan, kept))
        if reply.answer is None:
            raise Refusal("trouble", status=503)
        await self._kept(attempt, reply.answer)
        self.acts[attempt] = reply.answer.acts
        self.solvers.open[attempt] = holder

    async def _kept(self, attempt: str, answer: Answer) -> None:
        """Write the new lines of `answer` down; the attempt is dropped where that fails, for nothing of it happened."""
        try:
            at = self.line.now()
            rows = [ActRow(attempt, k.seq, k.intent, k.digest, k.line, at) for k in answer.lines]
            if rows:
                await asyncio.wrap_future(self.journal.add_acts(rows))
        except JournalError as error:
            self.solvers.open.pop(attempt, None)
            await self.solvers.ask(attempt, solver.Drop(attempt))
            raise Refusal("trouble", status=503) from error

    async def _asked(self, plan: Plan, order: solver.Order) -> solver.Reply:
        """The reply to `order`, with its lines kept; a page opens the call again where its solver had to be replaced."""
        await self._open(plan)
        try:
            reply = await self.solvers.ask(plan.attempt, order)
        except SolverLost:
            self.solvers.open.pop(plan.attempt, None)
            raise
        if reply.error == solver.OPEN_FIRST:
            raise Refusal("open_first")
        if reply.error.startswith(solver.INTERNAL):
            self.solvers.open.pop(plan.attempt, None)
            raise Refusal("trouble")
        if reply.error:
            raise Refusal("no_act", status=400)
        if reply.answer is not None:
            await self._kept(plan.attempt, reply.answer)
        return reply

    async def page(self, candidate: str, item: str, views: tuple[str, ...] = ()) -> bytes:
        """Everything that the page of a call needs to begin, with `views` drawn, as JSON; the call counts as begun.

        It leaves on a tick as messages do: how long a bench took to set up would tell what stands on it.
        """
        data = await self._released(candidate, item, lambda p: solver.Page(p.attempt, views), lambda r: r.data, "page")
        await self.begun(candidate, item)
        return data

    async def begun(self, candidate: str, item: str) -> None:
        """Note that this candidate looked at a call."""
        if item not in self.sitting.of(candidate).begun and item != FAMILIARISATION:
            await self.happened(CallBegun(candidate, item))

    async def hear(self, candidate: str, item: str, message: dict[str, Any]) -> Frame:
        """What comes of a page's `message`. It leaves on its tick; raises `Refusal`, on the same tick."""
        return await self.heard(candidate, item, message, lambda frame: frame)

    async def heard(self, candidate: str, item: str, message: dict[str, Any], shape: Callable[[Frame], Shaped]) -> Shaped:
        """As `hear`, brought into the `shape` in which it is sent before the tick, so that it then only leaves."""
        if why_not(message):
            raise Refusal("no_act", status=400)
        place = str(message.get("view")), message.get("seq")
        return await self._released(
            candidate, item, lambda p: solver.Hear(p.attempt, message), lambda r: shape(_frame(r)),
            str(message.get("kind", "")), place,
        )  # fmt: skip

    async def act(self, candidate: str, item: str, intent: str, act: object) -> tuple[Answer, bytes]:
        """What comes of an act for a bench elsewhere, and what that bench may show then, as JSON; as `hear`."""
        if not INTENT.fullmatch(intent) or unfit(act):
            raise Refusal("no_act", status=400)
        return await self._released(
            candidate, item, lambda p: solver.Act(p.attempt, intent, act), lambda r: (_answer(r), r.data), "act"
        )

    async def _released(
        self, candidate: str, item: str, order: Callable[[Plan], solver.Order], shape: Callable[[solver.Reply], Shaped],
        kind: str, place: tuple[str, object] = ("", None),
    ) -> Shaped:  # fmt: skip
        """What comes of `order`, in its `shape`, on the tick that arrival and kind alone decide; refusals leave on it too."""
        loop = asyncio.get_running_loop()
        came = loop.time()
        due = self.ticks.due(came, MORE.get(kind, 0.0))
        try:
            plan = self._plan(candidate, item)
            wait = self._turn(candidate, plan.attempt, *place)
            came += wait
            # No answer overtakes an earlier one of its attempt that was given more time: the page would show the older state.
            due = self._due[plan.attempt] = max(self.ticks.due(came, MORE.get(kind, 0.0)), self._due.get(plan.attempt, 0))
            if wait:
                await asyncio.sleep(wait)
                plan = self._plan(candidate, item)  # time goes on meanwhile
            async with self._locks[plan.attempt]:
                reply = await self._asked(plan, order(plan))
            if reply.answer is not None:
                if reply.answer.conflict:
                    raise Refusal("conflict")
                await self._noted(candidate, item, reply.answer)
            if self._away.get(plan.attempt) == place:  # a copy of this message was turned away: nothing is missing
                del self._away[plan.attempt]
            return shape(reply)
        finally:
            await self.ticks.leave(due, came, f"{candidate}/{item}", counted=kind != "page")

    def _turn(self, candidate: str, attempt: str, view: str, seq: object) -> float:
        """Seconds until a message's turn. What follows on one that was turned away is turned away too, or it would overtake it:
        a bench that has done an intent takes every earlier one of that page for done."""
        away = self._away.get(attempt)
        if away is not None and isinstance(seq, int):
            if view == away[0] and seq > away[1]:
                raise Refusal("slow_down", status=429)
            if view != away[0]:
                del self._away[attempt]
        try:
            wait = self._bucket(candidate)
        except Refusal:
            if isinstance(seq, int) and seq > 0:  # 0 is a greeting, which is not sent again
                self._away[attempt] = view, seq
            raise
        if self._away.get(attempt) == (view, seq):
            del self._away[attempt]
        return wait

    def _bucket(self, candidate: str) -> float:
        bucket = self._buckets.get(candidate)
        if bucket is None:
            clock = asyncio.get_running_loop().time
            bucket = self._buckets[candidate] = Bucket(self.rules.rate, self.rules.burst, clock)
        wait = bucket.take()
        if wait > LONGEST_QUEUE:
            bucket.give_back()
            raise Refusal("slow_down", status=429)
        return wait

    async def _noted(self, candidate: str, item: str, answer: Answer) -> None:
        attempt = f"{candidate}/{item}"
        if answer.acts != self.acts.get(attempt):
            self.acts[attempt] = answer.acts
            self.last_act[candidate] = self.line.now()
        if answer.ended and item != FAMILIARISATION and item not in self.sitting.of(candidate).ended:
            await self.happened(CallEnded(candidate, item))

    async def view(self, candidate: str, item: str) -> bytes:
        """What a bench elsewhere may show, as JSON; on a tick, as a page."""
        return await self._released(candidate, item, lambda p: solver.Look(p.attempt), lambda r: r.data, "page")

    def knock(self, candidate: str) -> bool:
        """Whether one more request of this session is answered now."""
        if not self.rules.rate:
            return True
        bucket = self._knocks.get(candidate)
        if bucket is None:
            bucket = self._knocks[candidate] = Bucket(*KNOCKS, asyncio.get_running_loop().time)
        if bucket.take() <= 0:
            return True
        bucket.give_back()
        return False

    async def lines(self, candidate: str, item: str) -> tuple[bytes, ...]:
        """The lines of a call's record, the header first."""
        rows = await asyncio.to_thread(self.journal.acts, f"{candidate}/{item}")
        return tuple(row.line for row in rows)

    # ------------------------------------------------------------------ the proctor
    async def close(self) -> None:
        """End the sitting for everybody; raises `SittingError` when it is not open."""
        if self.sitting.stage != "open":
            raise SittingError(f"the sitting is {self.sitting.stage}; only an open one can be closed")
        await self.happened(Closed())

    def standing(self, candidate: str) -> dict[str, Any]:
        """How a candidate stands, for their own page: times in ms."""
        p, now = self.sitting.of(candidate), self.line.now()
        return {
            "stage": self.sitting.stage, "started": p.started is not None, "paused": p.paused is not None,
            "submitted": p.by if p.submitted is not None else "", "left": left(p, now), "runs": running(p),
            "timed": bool(self.programme.minutes),
            "calls": [
                {"id": i, "begun": i in p.begun, "ended": i in p.ended, "acts": self.acts.get(f"{candidate}/{i}", 0)}
                for i in self.programme.items(candidate)
            ],
        }  # fmt: skip


async def _nobody(_name: str) -> None:
    """Before the service has pages, nobody is told."""


def _answer(reply: solver.Reply) -> Answer:
    assert reply.answer is not None
    return reply.answer


def _frame(reply: solver.Reply) -> Frame:
    answer = _answer(reply)
    return Frame(msgspec.Raw(answer.changes), answer.acts, answer.head, answer.ended)


def refused(error: BenchError) -> tuple[str, str, int]:
    """Word, text and HTTP status of `error` for a page."""
    if isinstance(error, Refusal):
        return error.word, str(error), error.status
    if isinstance(error, SolverLost | JournalError):
        return "trouble", REFUSALS["trouble"], 503
    return "refused", str(error), 409


__all__ = ["Event", "Frame", "Hall", "Refusal", "refused"]
