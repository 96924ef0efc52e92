"""The panel's page side: one ES module and one style sheet, put together from the files that lie here.

Rule: the files are joined in this order and share one scope; no build step, nothing from a network.
"""

from __future__ import annotations

from functools import cache
from importlib.resources import files

MODULE = ("core.js", "views.js", "meter.js", "caution.js", "guide.js", "panel.js")
STYLE = ("panel.css", "views.css", "meter.css", "caution.css", "guide.css")


def _joined(names: tuple[str, ...]) -> str:
    folder = files("blowerbench.panels")
    return "\n".join(folder.joinpath(name).read_text(encoding="utf-8") for name in names)


@cache
def module() -> str:
    """The ES module that draws a panel; its default export has `render({model, el})`."""
    return _joined(MODULE)


@cache
def style() -> str:
    """The style sheet of a panel."""
    return _joined(STYLE)
