"""Guidance in practice: what is still possible, counted hints, taking back the last act, and stepping through a recorded call.

Rule: the coach is asked, never looked into; it knows acts and observations only. Where there is no coach and no recorded call,
nothing of this is on the page.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any, Protocol, runtime_checkable

import traitlets

from blowerbench.bench import View
from blowerbench.errors import BenchError
from blowerbench.panels.parts import Part
from blowerbench.record import Line


class Possible(Protocol):
    """A place that may be at fault."""

    @property
    def title(self) -> str:
        """What a technician would write on the invoice."""

    @property
    def band(self) -> str:
        """How common a fault there is, in words."""

    @property
    def causes(self) -> tuple[str, ...]:
        """What may be wrong there."""


@runtime_checkable
class Adviser(Protocol):
    """A coach that also tells what is still possible."""

    hints: Mapping[int, int]

    def possible(self, lines: Sequence[Line]) -> Sequence[Possible]:
        """The places that may be at fault after these acts."""

    def causes(self, lines: Sequence[Line]) -> int:
        """How many causes are still possible after these acts."""


@runtime_checkable
class Undoing(Protocol):
    """A bench that can take back its last act."""

    @property
    def undoable(self) -> bool:
        """Whether there is an act to take back."""

    def undo(self) -> None:
        """Take it back."""


@runtime_checkable
class Stepping(Protocol):
    """A recorded call that is stepped through."""

    at: int

    @property
    def lines(self) -> Sequence[Line]:
        """The acts up to where it stands."""

    @property
    def whole(self) -> Sequence[Line]:
        """All acts of the call."""

    def go(self, at: int) -> None:
        """Stand after act number `at`."""

    def next_telling(self) -> int | None:
        """The next act after this one that ruled something out, or None."""

    def explained(self) -> dict[str, object]:
        """What the act at which it stands told, for the page: see `GuidePart.replay`."""


class GuidePart(Part):
    """Guidance in practice."""

    #: hints used, the last hint, what is still possible (as of which act), and whether the last act can be taken back
    guidance = traitlets.Dict().tag(sync=True)
    #: at, of, telling (whether one comes), lines before, a table of what fell, lines after; empty where no call is replayed
    replay = traitlets.Dict().tag(sync=True)

    _report: Callable[[Any], str] | None
    _hinted: Mapping[str, object] | None = None
    _listed: Mapping[str, object] | None = None

    def _part_texts(self) -> dict[str, object]:
        t = self._words.t
        return {
            "guide": {
                "title": t("Coach"), "possible": t("What is still possible?"), "hide": t("Hide the list"),
                "undo": t("Take back the last act"), "last": t("Last hint"),
                "nothing": t("Nothing in the catalogue fits all that was seen."),
            },
            "replaying": {
                "title": t("Recorded call"), "first": t("To the start"), "back": t("Back"), "forward": t("Forward"),
                "end": t("To the end"), "telling": t("To the next act that ruled something out"),
                "go": t("Go to act"), "act": t("Act"), "causes": t("Ruled out"), "predicted": t("Would have shown"),
                "observed": t("It showed"), "explanation": t("What this act told"),
                "note": t("You look at a recorded call: nothing in it can be changed."),
            } if isinstance(self._bench, Stepping) else {},
        }  # fmt: skip

    def _part_show(self, view: View) -> None:
        if self._coach is not None:
            self.guidance = self._guidance(view)
        if isinstance(self._bench, Stepping):
            self.replay = self._replaying(self._bench)

    # ------------------------------------------------------------------ coach
    def _guidance(self, view: View) -> dict[str, object]:
        t, coach = self._words.t, self._adviser
        used = sum(coach.hints.values()) if coach is not None else 0
        count = t("1 hint used") if used == 1 else t("{0} hints used").format(used)
        undo = isinstance(self._bench, Undoing) and self._bench.undoable
        recorded = bool(getattr(self._bench, "recording", False))
        why = t("This call is being recorded, and a record only grows: acts can't be taken back.") if recorded else ""
        listed = self._listed
        if listed is not None and listed["seq"] != view.seq:
            listed = {**listed, "stale": t("This was so after act {0}. Ask again for now.").format(listed["seq"])}
        return {"used": count, "hint": self._hinted or {}, "possible": listed or {}, "undo": undo, "why": why,
                "lists": coach is not None}  # fmt: skip

    @property
    def _adviser(self) -> Adviser | None:
        """The coach, where it also tells what is still possible."""
        coach: object = self._coach
        return coach if isinstance(coach, Adviser) else None

    def _lines(self) -> tuple[Line, ...]:
        return tuple(getattr(self._bench, "lines", ()))

    def _list(self, seq: int) -> None:
        """Show what is still possible; asked again for the same act, hide it."""
        t, coach, now = self._words.t, self._adviser, self._bench.view().seq
        if coach is None:
            raise BenchError("nobody here knows what is still possible; a coach comes only in practice")
        if self._listed is not None and self._listed["seq"] == now:
            self._listed = None
            self._refresh("", seq)
            return
        places, causes = coach.possible(self._lines()), coach.causes(self._lines())
        rows = [{"title": p.title, "band": p.band, "causes": list(p.causes)} for p in places]
        text = t("Still possible: {0} causes in {1} places.").format(causes, len(places))
        if causes == 1:
            text = t("Still possible: 1 cause.")
        elif len(places) == 1:
            text = t("Still possible: {0} causes, all in 1 place.").format(causes)
        self._listed = {"seq": now, "text": text, "rows": rows}
        self._refresh(text, seq)

    def _undo(self, seq: int) -> None:
        if self._coach is None or not isinstance(self._bench, Undoing):
            raise BenchError("acts can be taken back in practice only")
        self._bench.undo()
        self._listed = None
        self.set_trait("sheet", "")
        lines = self._lines()
        self._show_lines(lines)
        self._note(self._words.t("You took back the last act."), self._words.t("The bench is as it was before it."), seq)

    def _show_lines(self, lines: Sequence[Line]) -> None:
        """Show `lines` as the log; the panel does it."""
        raise NotImplementedError

    # ------------------------------------------------------------------ a recorded call
    def _replaying(self, call: Stepping) -> dict[str, object]:
        return {"at": call.at, "of": len(call.whole), "telling": call.next_telling() is not None, **call.explained()}

    def _step(self, to: object, seq: int) -> None:
        call = self._bench
        if not isinstance(call, Stepping):
            raise BenchError("this is no recorded call; open one with blowerlessons.practice.replay")
        last = len(call.whole)
        ways = {"first": 0, "back": call.at - 1, "forward": call.at + 1, "end": last, "telling": call.next_telling()}
        at = ways.get(to) if isinstance(to, str) else to
        if not isinstance(at, int):
            raise BenchError("the page asked for an act that this call does not have; reload the page")
        call.go(max(0, min(last, at)))
        self._show_lines(call.lines)
        where = self._words.t("Act {0} of {1}.").format(call.at, last)
        self._refresh(f"{where} {self._told(call)}".strip(), seq)

    def _told(self, call: Stepping) -> str:
        """The act at which `call` stands, as the log tells it."""
        return str(call.explained().get("head", ""))

    def _part_hear(self, kind: str, content: Mapping[str, Any], seq: int) -> bool:
        match kind:
            case "possible":
                self._list(seq)
            case "undo":
                self._undo(seq)
            case "replay":
                self._step(content.get("to"), seq)
            case _:
                return False
        return True
