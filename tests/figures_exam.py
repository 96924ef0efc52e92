"""What the exam service carries: a hall at its own pace, a closed loop, commits in groups and one by one, pools of solvers.

Every figure is of real pages over WebSockets on loopback, real acts on all units, and a journal on a disk. A ratio against a
limit says how many times better than the limit it is; the machine's load average stands beside the first figure, since other
programs' work shows in all of them.
"""

from __future__ import annotations

import os
from collections.abc import Iterator

from exam.load import AT_ONCE, Load, run
from msgspec.structs import replace

PEOPLE, EVERY, SECONDS = 200, 2.0, 60.0
LIMITS = {0.50: 10, 0.99: 250}  # ms until an answer is ready to leave, before its tick
SLOW_DISK = 0.01  # s a commit is made to take
PAGES, CLOSED = 50, 10.0  # of the closed loop, and its seconds


def figures() -> Iterator[dict[str, object]]:
    """The paced hall against its limits, then what the parts bring, each timed in this run."""
    yield from _paced(run(PEOPLE, EVERY, SECONDS))
    yield from _closed()
    yield from _groups()


def _paced(load: Load) -> Iterator[dict[str, object]]:
    what = f"exam: {PEOPLE} candidates, an act every {EVERY:g} s for {SECONDS:g} s"
    told = f"{load.acknowledged} acts acknowledged once, load average {load.load_average:.1f}"
    yield _row(f"{what}: errors", sum(load.errors.values()), "errors", told, None)
    for share, limit in LIMITS.items():
        ms = load.ready_at(share)
        yield _row(f"{what}: ready before its tick, p{100 * share:g}", ms, "ms", f"limit {limit} ms", limit / ms)
    yield _row(f"{what}: ticks missed", load.missed, "answers", f"{load.acknowledged} answers", None)
    cores = f"limit 25 % of a core; solvers {100 * load.solvers:.0f} %, {load.memory >> 20} MB"
    yield _row(f"{what}: processor time", 100 * load.cores, "% of a core", cores, 0.25 / load.cores)


def _closed() -> Iterator[dict[str, object]]:
    first = 0.0
    for solvers in (0, 1, 2):
        load = run(PAGES, 0.0, CLOSED, rules=replace(AT_ONCE, solvers=solvers), longest=2000)
        _clean(load)
        rate = load.acknowledged / load.seconds
        first = first or rate
        each = f"{rate / load.cores:.0f} acts/s a core; it had {load.cores:.2f} of {os.cpu_count()}, the pages the rest"
        name = f"exam: closed loop of {PAGES} pages, each act synced, solver processes: {solvers}"
        yield _row(name, rate, "acts/s", f"{each}; ratio to no solver process", rate / first)


def _groups() -> Iterator[dict[str, object]]:
    together = run(PEOPLE, EVERY, 15.0, rules=AT_ONCE, slower=SLOW_DISK)
    apart = run(PEOPLE, EVERY, 15.0, rules=AT_ONCE, slower=SLOW_DISK, most=1)
    _clean(together)
    for share in (0.50, 0.99):
        ours, theirs = 1000 * together.wait_at(share), 1000 * apart.wait_at(share)
        name = f"exam: disk of {1000 * SLOW_DISK:g} ms, {PEOPLE} candidates, an act's way and back, p{100 * share:g}"
        yield _row(name, ours, "ms", f"one commit for each act {theirs:.0f} ms", theirs / ours)


def _clean(load: Load) -> None:
    if load.errors:
        raise RuntimeError(f"the load went wrong: {load.errors}")


def _row(name: str, value: float, unit: str, against: str, ratio: float | None) -> dict[str, object]:
    return {
        "name": name, "value": round(value, 1), "unit": unit, "against": against,
        "ratio": None if ratio is None else round(ratio, 2),
    }  # fmt: skip
