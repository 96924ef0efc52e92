"""The one base class of every error that this package raises on purpose."""


class BenchError(Exception):
    """Something asked of the bench is wrong; the message says what, and what would be right."""
