"""Displays of the instruments, kept readings and the strip chart."""

from __future__ import annotations

from blowerbench.panels.parts import Part


class MeterPart(Part):
    """Displays of the instruments, kept readings and the strip chart."""
