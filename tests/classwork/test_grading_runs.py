"""Grading over processes: a process that dies costs nobody their grade, and no more than a few jobs are out at a time."""

from __future__ import annotations

from collections.abc import Callable, Collection
from concurrent.futures import Future
from concurrent.futures.process import BrokenProcessPool
from types import TracebackType

import pytest

from blowergrade import processes
from blowergrade.classwork import grading
from blowergrade.classwork.folder import Assigned
from blowergrade.classwork.hand_in import Job
from blowergrade.classwork.outcome import Outcome


def jobs(count: int) -> list[Job]:
    return [Job(Assigned(f"s{k:03d}", "", "", "", "", ""), "a", "default", "", {}) for k in range(count)]


def graded(job: Job) -> Outcome:
    return Outcome(1, job.assigned.student, job.assignment, "graded")


class Pool:
    """A pool without processes that breaks, as Python's does, with every job that is out when a job kills its process."""

    def __init__(self, killers: tuple[str, ...]) -> None:
        self.killers = killers
        self.out: list[tuple[Future[Outcome], Job]] = []
        self.broken = False

    def __enter__(self) -> Pool:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        """Nothing is open."""

    def submit(self, work: Callable[[Job], Outcome], job: Job) -> Future[Outcome]:
        """A future that is under way until `finish`, or that breaks all."""
        if self.broken:
            raise BrokenProcessPool("broken before")
        future: Future[Outcome] = Future()
        self.out.append((future, job))
        if job.assigned.student in self.killers:
            self.broken = True
            for each, _ in self.out:
                each.set_exception(BrokenProcessPool("died"))
        elif work is not graded:
            raise AssertionError("another work function")
        return future

    def finish(self) -> None:
        """One job ends: the one that was given last."""
        if not self.broken:
            future, job = self.out.pop()
            future.set_result(graded(job))


class Counts:
    """How many pools of one process were made, and how many jobs were out at most."""

    alone = 0
    most_out = 0


@pytest.fixture
def broken_by(monkeypatch: pytest.MonkeyPatch) -> Callable[..., Counts]:
    """Let the named students' jobs kill their process."""

    def use(*killers: str) -> Counts:
        counts, pools = Counts(), [Pool(())]

        def pool(count: int) -> Pool:
            counts.alone += count == 1
            pools.append(Alone(killers) if count == 1 else Pool(killers))
            return pools[-1]

        def wait(running: Collection[Future[Outcome]], return_when: str) -> tuple[set[Future[Outcome]], set[object]]:
            counts.most_out = max(counts.most_out, len(running))
            pools[-1].finish()
            return {f for f in running if f.done()}, set()

        monkeypatch.setattr(processes, "_pool", pool)
        monkeypatch.setattr(processes, "wait", wait)
        return counts

    return use


class Alone(Pool):
    """A pool of one process, whose result is asked for at once."""

    def submit(self, work: Callable[[Job], Outcome], job: Job) -> Future[Outcome]:
        """The finished future."""
        future = super().submit(work, job)
        self.finish()
        return future


@pytest.mark.parametrize("killers", [(), ("s000",), ("s017",), ("s199",), ("s050", "s051"), ("s003", "s090", "s150")])
def test_only_what_was_under_way_is_tried_alone(broken_by: Callable[..., Counts], killers: tuple[str, ...]) -> None:
    counts = broken_by(*killers)
    found = list(grading.run(jobs(200), 2, graded))
    assert sorted(o.student for o in found) == [f"s{k:03d}" for k in range(200)], "each exactly once"
    held = {o.student: o.reason for o in found if o.status == "manual"}
    assert set(held) == set(killers) and all("ended its process" in why for why in held.values())
    assert counts.most_out <= 4, "two processes have two jobs each"
    assert len(killers) <= counts.alone <= 4 * len(killers)


def test_one_process_means_none_of_its_own(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(processes, "_pool", lambda count: pytest.fail("no pool is needed"))
    assert len(list(grading.run(jobs(5), 1, graded))) == 5
    assert len(list(grading.run(jobs(1), 8, graded))) == 1 and list(grading.run([], 8, graded)) == []


def test_the_table_shows_one_decimal_and_a_dash_where_a_person_must_decide() -> None:
    rows = [
        grading.Row("s1", "graded", (400, 295, 0, 5), 700, False, "", True),
        grading.Row("s2", "manual", (None,) * 4, None, False, "why " * 40, True),
        grading.Row("s3", "missing", (None,) * 4, None, False, "nothing was handed in", False),
    ]
    head, *lines = grading.table(rows).splitlines()
    assert head.split()[:6] == ["student", "safety", "isolation", "repair", "write_up", "total"]
    assert lines[0].split() == ["s1", "40.0", "29.5", "0.0", "0.5", "70.0", "not", "passed"]
    assert lines[1].split()[:8] == ["s2", "-", "-", "-", "-", "-", "by", "hand"] and "0.0" not in lines[1]
    assert lines[2].split()[6:] == ["missing", "nothing", "was", "handed", "in"] and max(map(len, lines)) < 140
