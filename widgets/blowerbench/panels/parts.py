"""What each part of a panel adds to it: traits, what to show after an act, and messages of the page that it answers.

Rule: a part sees the bench only through the panel, and tells the page nothing that the learner could not know.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import traitlets

from blowerbench.bench import Bench, Coach, View
from blowerbench.panels.controls import Words


class Part(traitlets.HasTraits):
    """One part of the panel; `BenchPanel` inherits from all of them and calls their hooks."""

    _bench: Bench
    _coach: Coach | None
    _language: str
    _words: Words

    def _note(self, done: str, text: str, seq: int) -> None:
        """Add to the log what was done and perceived, say it, and show the bench; the panel does it."""
        raise NotImplementedError

    def _refresh(self, sentence: str, seq: int) -> None:
        """Show the bench as it is now and say `sentence`; the panel does it."""
        raise NotImplementedError

    def _part_texts(self) -> dict[str, object]:
        """The page's own texts for this part."""
        return {}

    def _part_start(self) -> None:
        """Set traits that do not change; called once, before the first `_part_show`."""

    def _part_show(self, view: View) -> None:
        """Set traits for what is to be seen now."""

    def _part_say(self, view: View) -> str:
        """What is to be said after an act besides what the bench observed, or an empty text."""
        return ""

    def _part_hear(self, kind: str, content: Mapping[str, Any], seq: int) -> bool:
        """Deal with a message of the page of `kind`; True where it was this part's."""
        return False
