"""The panel: a bench in a notebook.

Rule: a widget carries the state's traits to its page and the page's messages to the state, and adds nothing but a still picture
for pages that have no kernel.
"""

from __future__ import annotations

import base64
from collections.abc import Callable
from contextlib import AbstractContextManager
from html import escape
from typing import Any

import anywidget

from blowerbench.bench import Bench, Coach, Watcher
from blowerbench.panels import page
from blowerbench.panels.layout import svg, view_of
from blowerbench.panels.scene import dress, sentences
from blowerbench.panels.state import PanelState
from blowerbench.panels.views_part import WIRED, drawing, more_dress


class BenchPanel(PanelState, anywidget.AnyWidget):
    """A bench to work on with mouse or keyboard, in a notebook; arguments as for `PanelState`."""

    _esm = page.module()
    _css = page.style()

    def __init__(
        self, bench: Bench, coach: Coach | None = None, *, watcher: Watcher | None = None,
        report: Callable[[Bench], str] | None = None, language: str = "en",
    ) -> None:  # fmt: skip
        super().__init__(bench, coach, watcher=watcher, report=report, language=language)
        self.on_msg(lambda _widget, content, _buffers: self.hear(content))

    def _together(self) -> AbstractContextManager[object]:
        held: AbstractContextManager[object] = self.hold_sync()
        return held

    def picture(self, name: str = WIRED) -> str:
        """The bench as it is now, as an SVG text that needs neither kernel nor script; `name` is one of its views."""
        view, equipment = self._bench.view(), self._bench.equipment
        title = " ".join(sentences(view, equipment, self._language))
        worn = dress(view, equipment, self._words)
        if name == WIRED:
            return svg(self.drawing["tree"], worn, view_of(equipment), title, page.style())
        made = drawing(self._words, name)
        return svg(made.tree, worn | more_dress(view, self._words), made.size, title, page.style())

    def _repr_mimebundle_(self, **kwargs: Any) -> Any:
        """The widget, and for pages without one (an export, a printout) the picture and the reading as text."""
        made = super()._repr_mimebundle_(**kwargs)
        data, metadata = made if isinstance(made, tuple) else ({}, {})
        view = self._bench.view()
        lines = [self._words.t(self._bench.equipment.title), *sentences(view, self._bench.equipment, self._language)]
        drawn = self.picture()
        source = base64.b64encode(drawn.encode()).decode()
        html = (
            f'<figure style="margin:0"><figcaption>{"<br>".join(map(escape, lines))}</figcaption>'
            f'<img style="max-width:100%" alt="{escape(" ".join(lines))}" src="data:image/svg+xml;base64,{source}"></figure>'
        )
        return {**data, "text/html": html, "image/svg+xml": drawn, "text/plain": "\n".join(lines)}, metadata
