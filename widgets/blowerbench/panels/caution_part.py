"""Cautions of the trade after an unsafe act, in lessons and practice.

Rule: the panel shows what a watcher says and judges nothing; without a watcher, as in an exam, nothing is ever shown. A caution
never stops the call.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import traitlets

from blowerbench.bench import Caution, View, Watcher
from blowerbench.messages import describe
from blowerbench.panels.parts import Part
from blowerbench.record import Line

#: The signal words as they are printed (ANSI Z535.4, from memory).
WORDS = {"danger": "DANGER", "warning": "WARNING", "caution": "CAUTION", "notice": "NOTICE"}
KEPT = 8  # cautions that wait to be read


class CautionPart(Part):
    """Cautions that have not been read yet, the newest act's first."""

    cautions: Any = traitlets.List().tag(sync=True)

    _watcher: Watcher | None = None
    _unread: tuple[Caution, ...] = ()
    _watched = 0  # acts that the watcher has been asked about

    def _part_texts(self) -> dict[str, object]:
        t = self._words.t
        return {
            "caution": {
                "could": t("What can happen:"), "instead": t("Instead:"), "rule": t("Rule:"), "read": t("I have read this"),
                "keys": t("Escape closes it, too."),
                "words": {k: t(v) for k, v in WORDS.items()},
            },
        }  # fmt: skip

    def _part_start(self) -> None:
        self._watched = len(self._lines())

    def _lines(self) -> Sequence[Line]:
        lines: Sequence[Line] = getattr(self._bench, "lines", ())
        return lines

    def _part_show(self, view: View) -> None:
        if self._watcher is None:
            return
        lines = tuple(self._lines())
        found = self._watcher.cautions(lines)
        fresh = tuple(c for c in found if c.seq > self._watched)
        left = tuple(c for c in self._unread if c.seq <= len(lines))  # an undone act takes its own along
        self._unread = left[-KEPT:] + fresh
        self._watched = len(lines)
        self._show_cautions()

    def _show_cautions(self) -> None:
        lines = self._lines()
        newest = self._unread[-1].seq if self._unread else 0
        self.cautions = [self._printed(c, lines) for c in self._unread if c.seq == newest]

    def _printed(self, caution: Caution, lines: Sequence[Line]) -> dict[str, str]:
        t = self._words.t
        act = describe(lines[caution.seq - 1].act, self._bench.equipment, self._language)
        why = f"{_sentence(t(caution.harm))} {_sentence(t(caution.why))}"
        return {
            "signal": caution.signal, "act": t("Act {0}: {1}").format(caution.seq, act), "what": _sentence(t(caution.what)),
            "why": why, "instead": _sentence(t(caution.instead)), "clause": t(caution.clause),
        }  # fmt: skip

    def _part_hear(self, kind: str, content: Mapping[str, Any], seq: int) -> bool:
        if kind != "caution_read":
            return False
        newest = self._unread[-1].seq if self._unread else 0
        self._unread = tuple(c for c in self._unread if c.seq != newest)
        self._show_cautions()
        return True


def _sentence(text: str) -> str:
    return f"{text[:1].upper()}{text[1:]}{'' if text.endswith(('.', '!')) else '.'}"
