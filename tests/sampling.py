"""How much of a large population a test tries.

Rule: every run tries at least one twentieth: half of it is always the same, so that a failure comes back, and as
much is drawn with the printed seed, so that in time all is tried. BLOWER_LONG=1 tries everything.
"""

from __future__ import annotations

import os
import random

SHARE = 20  # one in so many is tried at least


def seed() -> int:
    """The run's one random seed, from BLOWER_SEED (conftest.py sets it when nobody else has)."""
    return int(os.environ["BLOWER_SEED"])


def long_run() -> bool:
    """Whether full counts are asked for, by BLOWER_LONG=1."""
    return os.environ.get("BLOWER_LONG") == "1"


def sampled(n: int, at_least: int = 1) -> list[int]:
    """Indices below `n` to try, in order: max(n / 40, `at_least`) fixed ones and as many random ones.

    The random ones are drawn from those that are not among the fixed. All of them in a long run.
    """
    count = max(-(-n // (2 * SHARE)), at_least)
    if long_run() or 2 * count >= n:
        return list(range(n))
    fixed = set(random.Random(0).sample(range(n), count))
    rest = [index for index in range(n) if index not in fixed]
    return sorted(fixed | set(random.Random(seed()).sample(rest, count)))
