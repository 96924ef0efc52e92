"""One attempt as the service holds it: a bench, its call record as chained lines, and the state that its page shows.

Rule: nothing leaves here but what a learner could see. The fault stays inside the session; what goes out are displays,
sentences and the lines of the record, which never hold it.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable, Sequence
from typing import Any

import msgspec

from blowerbench import acts as a
from blowerbench.bench import LocalBench, View, checked, compare
from blowerbench.errors import BenchError
from blowerbench.faults import Hypothesis
from blowerbench.observation import Accepted, Outcome, Refused
from blowerbench.panels.state import PanelState
from blowerbench.panels.views_part import DRAWN
from blowerbench.record import GENESIS, Header, Line, RecordError, chained, unchained
from blowergrade.exam.texts import texts

#: What a page may call itself, and what an intent from elsewhere may be called: both are kept in a database.
VIEW = re.compile(r"[\w.-]{1,64}", re.ASCII)
INTENT = re.compile(r"[!-~]{1,100}")
MOST_INTENTS = 2**31  # of one page
MOST_VIEWS = 500  # pages of one call: each is named in every answer
#: Parts of a page's state that never change.
FIXED = ("drawing", "forms", "words")


class NotOpen(BenchError):  # noqa: N818 - reads as what it says
    """Something is asked of a call that is not open here."""


class Plan(msgspec.Struct, frozen=True):
    """What stands on one candidate's bench for one call; `fault` is ID/SEVERITY. Only the service reads it."""

    attempt: str
    equipment: str
    fault: str
    complaint: str
    variant: str
    language: str = "en"
    assignment: str = ""
    person: str = ""
    item: str = ""  # of the form: the same for everybody who has it, unlike the variant
    competency: str = ""
    difficulty: int = 0


class Kept(msgspec.Struct, frozen=True):
    """A line of the record together with the intent that made it."""

    seq: int
    intent: str
    digest: str
    line: bytes


class Answer(msgspec.Struct, frozen=True):
    """What came of one message: new lines, what the page changes (JSON), and the outcome for a bench that is asked directly."""

    lines: tuple[Kept, ...] = ()
    changes: bytes = b"{}"
    outcome: Outcome | None = None
    conflict: bool = False  # the same intent came before with another content
    ended: bool = False
    acts: int = 0
    head: str = ""


def digest_of(content: object) -> str:
    """SHA-256 of a message's content, whatever the order of its keys."""
    return hashlib.sha256(msgspec.json.encode(content, order="sorted")).hexdigest()


class Attempt:
    """The bench of `plan`, brought to where `kept` left it; raises `RecordError` where replay says something else."""

    def __init__(self, plan: Plan, kept: Sequence[Kept] = ()) -> None:
        fault, _, severity = plan.fault.partition("/")
        self.bench = LocalBench(
            plan.equipment, Hypothesis(fault, int(severity or 0)), plan.complaint, variant=plan.variant,
            assignment=plan.assignment, person=plan.person,
        )  # fmt: skip
        self.plan, self.head = plan, GENESIS
        self._known: dict[str, str] = {}  # intent → digest of its content
        self._by_intent: dict[str, int | Refused] = {}  # intent → the act's number, or why it was refused
        self._fresh: list[Kept] = []
        self._panel: PanelState | None = None
        self._changes: dict[str, Any] = {}
        for one in kept:
            self._replay(one)
        if not kept:
            self._keep(self.bench.header, 0, "", "")

    def _replay(self, kept: Kept) -> None:
        if kept.seq == 0:
            header, self.head = unchained(self.head, kept.line, Header)
            if header != self.bench.header:
                raise RecordError(f"{self.plan.attempt}: the record was begun with another unit, catalogue or version")
            return
        line, self.head = unchained(self.head, kept.line, Line)
        outcome = self.bench.act(line.act)
        heard = outcome.observation if isinstance(outcome, Accepted) else None
        problem = "replay refuses it" if heard is None else compare(line, heard, self.bench.view().clock)
        if problem:
            raise RecordError(f"{self.plan.attempt}: act {line.seq}: {problem}")
        self.bench.lines[-1], self.bench.last = line, line.observation
        self._known[kept.intent], self._by_intent[kept.intent] = kept.digest, line.seq

    def _keep(self, value: Header | Line, seq: int, intent: str, digest: str) -> None:
        line, self.head = chained(self.head, value)
        self._fresh.append(Kept(seq, intent, digest, line))

    # ------------------------------------------------------------------ one message
    def _answered(self, intent: str, digest: str, work: Callable[[], object]) -> Answer:
        before = len(self.bench.lines)
        outcome = work()
        for line in self.bench.lines[before:]:
            self._keep(line, line.seq, intent, digest)
        self._known[intent] = digest
        kept, self._fresh = tuple(self._fresh), []
        ended = bool(self.bench.session.now.hands.ended)
        known = outcome if isinstance(outcome, Accepted | Refused) else None
        return Answer(kept, self._taken(), known, ended=ended, acts=len(self.bench.lines), head=self.head)

    def _standing(self, *, conflict: bool = False, outcome: Outcome | None = None) -> Answer:
        """Nothing new: how the attempt stands."""
        kept, self._fresh = tuple(self._fresh), []
        ended = bool(self.bench.session.now.hands.ended)
        return Answer(kept, self._taken(), outcome, conflict, ended, len(self.bench.lines), self.head)

    def begin(self) -> Answer:
        """What has to be kept before anything else: the record's header."""
        return self._standing()

    # ------------------------------------------------------------------ a bench that is asked directly
    def act(self, intent: str, raw: object) -> Answer:
        """Do an act for a bench elsewhere; the same `intent` gives the same answer again. Raises `BenchError`."""
        if not INTENT.fullmatch(intent):
            raise BenchError("an act's id is of 1 to 100 ASCII characters without blanks")
        digest = digest_of(raw)
        if intent in self._known:
            if self._known[intent] != digest:
                return self._standing(conflict=True)
            return self._standing(outcome=self._earlier(intent))
        try:
            act: a.Act = msgspec.convert(raw, type=a.AnyAct)
        except msgspec.ValidationError as error:
            raise BenchError(f"that is no act ({error}); send one of blowerbench.acts") from error

        def work() -> Outcome:
            outcome = self.bench.act(checked(act))
            self._by_intent[intent] = outcome.seq if isinstance(outcome, Accepted) else outcome
            return outcome

        return self._answered(intent, digest, work)

    def _earlier(self, intent: str) -> Outcome:
        found = self._by_intent[intent]
        if isinstance(found, Refused):
            return found
        line = self.bench.lines[found - 1]
        return Accepted(line.seq, line.clock, line.observation)

    def close(self) -> None:
        """Let go of what takes memory; the attempt is done with here."""
        self.bench.session.simulator.circuit.forget()

    def view(self) -> View:
        """What a page may draw now."""
        return self.bench.view()

    # ------------------------------------------------------------------ a page
    def page(self, views: Sequence[str] = ()) -> dict[str, Any]:
        """Everything that a page needs to begin, as plain values, with the further `views` drawn that it shows already."""
        panel = self._panel
        if panel is None:
            panel = self._panel = PanelState(self.bench, language=self.plan.language)
            panel.words = {**panel.words, "lost": texts(self.plan.language)["waits"]}
            panel.acks = self._acks()
            panel.observe(lambda change: self._changes.__setitem__(change["name"], change["new"]))
        for name in views:
            if name in DRAWN and not getattr(panel, f"tree_{name}"):
                panel.draw_view(name)
        self._changes.clear()
        return self._whole(panel)

    def _whole(self, panel: PanelState) -> dict[str, Any]:
        """Every trait of the page; what went wrong in here is nobody's business in an exam."""
        made = {name: getattr(panel, name) for name in panel.traits(sync=True)}
        return made | {"problem": texts(self.plan.language)["not_done"] if panel.problem else ""}

    def _acks(self) -> dict[str, int]:
        """The newest intent of each page that the record knows, so that none is done twice after a restart."""
        acks: dict[str, int] = {}
        for intent in self._known:
            view, _, number = intent.rpartition(":")
            if view and number.isdigit():
                acks[view] = max(acks.get(view, 0), int(number))
        return acks

    def hear(self, message: dict[str, Any]) -> Answer:
        """One message of a page."""
        panel = self._panel
        if panel is None:
            raise NotOpen("this call is not open on a page; open it first")
        view, seq = message.get("view"), message.get("seq")
        if not isinstance(view, str) or not VIEW.fullmatch(view) or (isinstance(seq, int) and not 0 <= seq < MOST_INTENTS):
            raise BenchError(f"a page's message has a view of 1 to 64 letters and digits, and a number below {MOST_INTENTS}")
        if view not in panel.acks and len(panel.acks) >= MOST_VIEWS:
            raise BenchError(f"this call was opened on {MOST_VIEWS} pages already; go on with one of them")
        intent = f"{view}:{seq}"
        if message.get("kind") == "hello" or not isinstance(seq, int):
            panel.hear(message)
            return self._standing()
        digest = digest_of(message)
        known = self._known.get(intent)
        if known is not None and known != digest:
            return self._standing(conflict=True)
        if known is not None:  # its answer was lost on the way: the page gets everything that can have changed
            self._changes.update({name: value for name, value in self._whole(panel).items() if name not in FIXED})
            return self._standing()
        return self._answered(intent, digest, lambda: panel.hear(message))

    def _taken(self) -> bytes:
        if self._changes.get("problem"):  # what went wrong in here is nobody's business in an exam
            self._changes["problem"] = texts(self.plan.language)["not_done"]
        made = msgspec.json.encode(self._changes)
        self._changes.clear()
        return made
