"""Further views of the same bench."""

from __future__ import annotations

from blowerbench.panels.parts import Part


class ViewsPart(Part):
    """Further views of the same bench."""
