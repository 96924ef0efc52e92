"""Guidance in practice."""

from __future__ import annotations

from blowerbench.panels.parts import Part


class GuidePart(Part):
    """Guidance in practice."""
