"""The state behind a page: what the bench lets be seen, as traits, and the page's intents, handed to the bench.

Rule: one way each. The page sends messages {kind, view, seq, act}; this class answers with traits and an ack. The page is
trusted with nothing and told nothing that the learner could not know: traits are open to anyone who looks. Who carries messages
and traits (a notebook's widget, the exam service) is not its business.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping, Sequence
from contextlib import AbstractContextManager, nullcontext
from typing import Any

import msgspec
import traitlets

from blowerbench import acts as a
from blowerbench.bench import Bench, Coach, Watcher
from blowerbench.errors import BenchError
from blowerbench.messages import describe, label, perceived, reading, said, spoken, symbol
from blowerbench.observation import Accepted, Observation
from blowerbench.panels import controls
from blowerbench.panels.caution_part import CautionPart
from blowerbench.panels.guide_part import GuidePart
from blowerbench.panels.layout import arrows, draw, reachable, view_of
from blowerbench.panels.meter_part import MeterPart
from blowerbench.panels.parts import Part
from blowerbench.panels.places import NARROWEST
from blowerbench.panels.scene import dress, hands_of, motion, sentences
from blowerbench.panels.views_part import ViewsPart
from blowerbench.record import Line

KEPT_NOTES = 60  # lines of the page's log
BESIDE = ("manometer", "first_thermometer", "second_thermometer")  # instruments with displays of their own


PARTS: tuple[type[Part], ...] = (ViewsPart, MeterPart, GuidePart, CautionPart)


class PanelState(ViewsPart, MeterPart, GuidePart, CautionPart):
    """What one page shows of `bench`, and what it may ask for.

    `coach` adds hints, `watcher` cautions after unsafe acts (both in practice only). `report` is asked for the score sheet,
    as HTML, once the call has ended.
    `language` is a tag such as "en"; a text without a translation is English.
    """

    drawing = traitlets.Dict().tag(sync=True)  # the picture's tree and view box; does not change
    forms: Any = traitlets.List().tag(sync=True)  # the forms beside it; do not change
    words = traitlets.Dict().tag(sync=True)  # the page's own texts
    things: Any = traitlets.List().tag(sync=True)  # what can be worked on, with its state
    ways = traitlets.Dict().tag(sync=True)  # where the arrow keys lead
    scene = traitlets.Dict().tag(sync=True)  # what is seen, heard and read now
    notes: Any = traitlets.List().tag(sync=True)  # what was done and perceived, newest last
    acks = traitlets.Dict().tag(sync=True)  # the last intent dealt with, by view
    problem = traitlets.Unicode().tag(sync=True)  # what went wrong in here, for the page to show
    sheet = traitlets.Unicode().tag(sync=True)  # the score sheet, once there is one

    def __init__(
        self, bench: Bench, coach: Coach | None = None, *, watcher: Watcher | None = None,
        report: Callable[[Bench], str] | None = None, language: str = "en",
    ) -> None:  # fmt: skip
        self._bench, self._coach, self._report, self._language = bench, coach, report, language
        self._watcher = watcher
        self._guard = threading.RLock()
        self._words = controls.Words(bench.equipment, language)
        super().__init__(
            drawing={"view": list(view_of(bench.equipment)), "narrowest": NARROWEST, "tree": draw(bench.equipment, language)},
            forms=controls.forms(self._words), words=self._texts(),
        )  # fmt: skip
        for part in PARTS:
            part._part_start(self)
        self._show_lines(tuple(getattr(bench, "lines", ())))
        self._refresh("", 0)

    # ------------------------------------------------------------------ page → bench
    def _together(self) -> AbstractContextManager[object]:
        """Within it, changes of traits go out as one message; who carries them knows how."""
        return nullcontext()

    def hear(self, content: object) -> None:
        """One message of the page. Whatever goes wrong is published: an exception in here would show nowhere."""
        with self._guard:
            try:
                self._intent(content)
            except Exception as error:
                self.problem = f"{type(error).__name__}: {error}"

    def _intent(self, content: object) -> None:
        if not isinstance(content, Mapping):
            raise BenchError(f"a message of the page was {type(content).__name__}; it has to be an object with a kind")
        kind, view, seq = content.get("kind"), str(content.get("view", "")), content.get("seq")
        if not isinstance(seq, int) or not view:
            raise BenchError("a message of the page had no view or number; reload the page")
        last = int(self.acks.get(view, 0))
        if kind == "hello":
            self.acks = {**self.acks, view: last}
            return
        if seq <= last:  # heard before: an intent is done once, however often it comes
            return
        with self._together():  # what an act changes and its ack go out as one message
            try:
                if kind == "act":
                    self._do(content.get("act"), seq)
                elif kind == "hint":
                    self._hint(content.get("strength"), seq)
                elif not any(part._part_hear(self, str(kind), content, seq) for part in PARTS):
                    raise BenchError(f"the page sent a message of kind {kind!r}, which nothing here knows; reload the page")
            finally:
                self.acks = {**self.acks, view: seq}

    def _do(self, raw: object, seq: int) -> None:
        try:
            act: a.Act = msgspec.convert(raw, type=a.AnyAct)
        except msgspec.ValidationError as error:
            raise BenchError(f"the page sent an act that is none ({error}); reload the page") from error
        outcome = self._bench.act(act)
        if isinstance(outcome, Accepted):
            done = describe(act, self._bench.equipment, self._language)
            view = self._bench.view()
            beside = (part._part_say(self, view) for part in PARTS)
            text = " ".join((*perceived(outcome.observation, self._language, self._bench.equipment), *filter(None, beside)))
        else:
            done = ""
            text = f"{self._words.t('Not done.')} {said(outcome.reason, self._language, self._bench.equipment)}"
        self._note(done, text, seq)

    def _hint(self, strength: object, seq: int) -> None:
        if self._coach is None:
            raise BenchError("there is no coach on this bench; hints come only in practice")
        if strength not in (1, 2, 3):
            raise BenchError(f"no hint of strength {strength!r}; there are 1, 2 and 3")
        lines = tuple(getattr(self._bench, "lines", ()))
        text = self._coach.hint(lines, int(str(strength)))
        self._hinted = {"seq": self._bench.view().seq, "text": text}
        self._note(self._words.t("You asked for a hint."), text, seq)

    # ------------------------------------------------------------------ bench → page
    def _line(self, seq: int, done: str, observation: Observation) -> dict[str, object]:
        text = " ".join(perceived(observation, self._language, self._bench.equipment))
        return {"seq": seq, "done": done, "text": text}

    def _show_lines(self, lines: Sequence[Line]) -> None:
        bench, view = self._bench, self._bench.view()
        earlier = [self._line(x.seq, describe(x.act, bench.equipment, self._language), x.observation) for x in lines]
        self.notes = earlier[-KEPT_NOTES:] or [self._line(view.seq, "", view.observation)]

    def _note(self, done: str, text: str, seq: int) -> None:
        with self._together():
            self.problem = ""
            self.notes = [*self.notes, {"seq": self._bench.view().seq, "done": done, "text": text}][-KEPT_NOTES:]
            self._refresh(f"{done} {text}".strip(), seq)

    def refresh(self) -> None:
        """Show the bench as it is now; for a cell that acted on the bench itself."""
        with self._guard:
            self._refresh("", 0)

    def _refresh(self, sentence: str, seq: int) -> None:
        view = self._bench.view()
        hands = view.hands
        equipment, language = self._bench.equipment, self._language
        shown = reachable(equipment, hands_of(hands))
        self.things = controls.things(self._words, hands)
        self.ways = {t: list(row) for t, row in arrows(equipment, shown).items()}
        self.scene = {
            "seq": view.seq, "sentence": sentence, "answer": seq, "clock": _clock(view.clock),
            "display": self._display(view.observation, hands), "others": self._others(view.observation),
            "blower": self._blower(view.observation),
            "senses": sentences(view, equipment, language), "ended": bool(hands["ended"]),
            "pressed": [f"function:{hands['function']}"], "dress": dress(view, equipment, self._words),
        }  # fmt: skip
        for part in PARTS:
            part._part_show(self, view)
        if hands["ended"] and self._report is not None and not self.sheet:
            self.sheet = self._report(self._bench)

    def _display(self, observation: Observation, hands: Mapping[str, Any]) -> dict[str, str]:
        name = label("function", str(hands["function"]), None, self._language)
        own = [s for s in observation.shown if s.instrument not in BESIDE]
        if not own:
            return {"text": "" if hands["function"] == "off" else "- - -", "unit": "", "function": name}
        return {"text": own[-1].text, "unit": symbol(own[-1].unit), "function": name}

    def _others(self, observation: Observation) -> list[str]:
        """What the instruments beside the meter show, in words."""
        return [reading(s, self._language) for s in observation.shown if s.instrument in BESIDE]

    def _blower(self, observation: Observation) -> dict[str, str]:
        moves = motion(observation)
        signs = {"running": "⟳", "starting": "⟳", "coasting": "⟲", "twitching": "≈", "humming": "≈", "hunting": "≈"}
        text = label("message", f"blower_{moves}", None, self._language)
        return {"motion": moves, "sign": signs.get(moves, "■"), "text": text}

    def _texts(self) -> dict[str, object]:
        t = self._words.t
        equipment = self._bench.equipment
        complaint = equipment.complaints[self._bench.view().complaint].text
        own = {k: v for part in PARTS for k, v in part._part_texts(self).items()}
        return own | {
            "language": spoken(self._language),
            "title": t(equipment.title), "notice": t(equipment.notice), "complaint": t(complaint),
            "complaint_title": t("The customer says:"), "clock": t("Clock"), "meter": t("Meter"), "blower": t("Blower"),
            "work": t("Work on"), "picture": t("The unit"), "more": t("More controls"),
            "senses": t("What you see, hear and read"), "log": t("What you did"),
            "sheet": t("Score sheet"), "waiting": t("The bench is busy. Your acts are kept and will be done in order."),
            "lost": t("This bench is not connected. Run its cell again."), "empty": t("Fill in: {0}"),
            "hints": [t("Hint: a nudge"), t("Hint: which test"), t("Hint: the act itself")] if self._coach is not None else [],
            "keys": t(
                "Arrow keys go to the nearest terminal, Home and End to the first and last. Enter or Space puts the "
                "lead in hand on it, Delete takes a lead off it. Plus takes the red lead in hand, minus the black one. "
                "Tab leaves the picture."
            ),
        }  # fmt: skip


def _clock(seconds: int) -> str:
    return f"{seconds // 3600}:{seconds // 60 % 60:02d}:{seconds % 60:02d}"
