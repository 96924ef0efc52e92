"""The bench as a picture with controls, for a notebook. Only asking for `BenchPanel` loads the Jupyter packages."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from blowerbench.panels.widget import BenchPanel

__all__ = ["BenchPanel"]


def __getattr__(name: str) -> Any:
    if name == "BenchPanel":
        from blowerbench.panels.widget import BenchPanel

        return BenchPanel
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
