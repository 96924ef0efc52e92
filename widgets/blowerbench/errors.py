"""The one base class of every error that this project raises on purpose."""

from __future__ import annotations


class BenchError(Exception):
    """Something asked of the bench is wrong; the message says what was wrong and what would be right."""
