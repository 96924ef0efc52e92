"""Work over the cores of one machine: a result per job as it comes, whatever becomes of a process.

Rule: a process that dies takes at most the jobs with it that were under way; they are tried once more, each by itself, and one
that kills its process again gets the result that the caller has for it. No more than a few jobs are under way at once.
"""

from __future__ import annotations

import multiprocessing
import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from itertools import islice
from typing import TypeVar

Job = TypeVar("Job")
Result = TypeVar("Result")


def in_processes(
    jobs: Sequence[Job], work: Callable[[Job], Result], lost: Callable[[Job], Result], processes: int = 0
) -> Iterator[Result]:
    """The results of `jobs` as they come; `processes` 0 means one per core, 1 means in this process.

    `lost` makes the result of a job that ends its process. `work` must be importable, for the processes start afresh.
    """
    count = processes or (os.cpu_count() or 1)
    if count == 1 or len(jobs) < 2:
        yield from map(work, jobs)
        return
    left = dict(enumerate(jobs))
    while left:
        under_way: set[int] = set()
        try:
            for number, result in _pooled(left, min(count, len(left)), work, under_way):
                del left[number]
                yield result
        except BrokenProcessPool:
            for number in sorted(under_way):
                yield _alone(left.pop(number), work, lost)


def _pooled(
    jobs: dict[int, Job], count: int, work: Callable[[Job], Result], under_way: set[int]
) -> Iterator[tuple[int, Result]]:
    """The results of `jobs` by number; `under_way` holds the numbers that a process was given and that are not out yet."""
    waiting = iter(tuple(jobs.items()))
    with _pool(count) as pool:
        running: dict[Future[Result], int] = {}

        def start(most: int) -> None:
            for number, job in islice(waiting, most):
                under_way.add(number)
                running[pool.submit(work, job)] = number

        start(2 * count)
        while running:
            done, _ = wait(running, return_when=FIRST_COMPLETED)
            for future in done:
                number = running.pop(future)
                result = future.result()
                under_way.discard(number)
                yield number, result
            start(len(done))


def _pool(count: int) -> ProcessPoolExecutor:
    # A fork would copy whatever threads hold at that moment; a fresh process starts clean on every platform.
    return ProcessPoolExecutor(count, multiprocessing.get_context("spawn"), one_thread)


def one_thread() -> None:
    """Each process gets one core: two threads of linear algebra in each would fight over two cores."""
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ[name] = "1"


def _alone(job: Job, work: Callable[[Job], Result], lost: Callable[[Job], Result]) -> Result:
    """`job` in a process of its own; one that dies again gets what the caller has for it."""
    try:
        with _pool(1) as pool:
            return pool.submit(work, job).result()
    except BrokenProcessPool:
        return lost(job)
