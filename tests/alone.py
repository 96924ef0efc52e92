"""Coroutines in a thread of their own: another test of this process may have left a loop running in the main one."""

from __future__ import annotations

import asyncio
from collections.abc import Coroutine
from concurrent.futures import ThreadPoolExecutor
from typing import Any, TypeVar

T = TypeVar("T")


def alone(work: Coroutine[Any, Any, T]) -> T:
    """What `work` gives, run to its end in a new thread with a loop of its own."""
    with ThreadPoolExecutor(1) as pool:
        return pool.submit(asyncio.run, work).result()
