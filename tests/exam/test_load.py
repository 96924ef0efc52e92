"""A small hall under load, over real sockets: every act is acknowledged once and stands in the journal as its page was told."""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest
from exam.hall_room import AT_ONCE, room
from exam.load import run
from exam.walks import UNITS, messages, walk
from msgspec.structs import replace

from blowerbench import LocalBench
from blowerbench import acts as a
from blowerbench.equipment import load_equipment
from blowerbench.observation import Accepted
from blowergrade.exam.hall import Refusal
from blowergrade.exam.release import SLOWEST, Ticks
from blowergrade.exam.sitting import Opened
from blowergrade.exam.solver import Look
from blowergrade.exam.solvers import WARMING

PEOPLE, EVERY, SECONDS = 40, 2.0, 10.0


def test_forty_candidates_act_every_two_seconds_and_each_act_is_acknowledged_once() -> None:
    load = run(PEOPLE, EVERY, SECONDS)
    assert load.errors == {}
    assert load.acknowledged == load.counts["sent"] == sum(load.ready) == PEOPLE * SECONDS / EVERY
    assert 0 < load.cores < 2 and load.memory > 0
    assert load.waits[0] > 0.06  # the guard: with the shipped rules no answer leaves sooner


def test_a_load_that_is_not_acknowledged_is_counted_as_an_error() -> None:
    """The same counts with a service that turns acts away: nobody may send more than a few at once, and hardly another."""
    load = run(3, 0.5, 1.5, rules=replace(AT_ONCE, rate=0.01, burst=2))
    assert load.errors["refused slow_down"] > 0


@pytest.mark.parametrize("unit", UNITS)
def test_a_walk_is_real_work_that_any_bench_of_its_unit_accepts(unit: str) -> None:
    acts = walk(unit, 0, 60)
    complaint = next(iter(load_equipment(unit).complaints))
    bench = LocalBench(unit, "healthy_unit", complaint, variant="another")
    assert all(isinstance(bench.act(act), Accepted) for act in acts)
    assert sum(isinstance(act, a.PlaceLead) for act in acts) >= 8  # among them readings
    assert [m["seq"] for m in messages(unit, 0, 60, "page")] == list(range(1, 61))


def test_the_count_of_waits_says_when_answers_were_ready() -> None:
    async def go() -> list[int]:
        ticks, loop = Ticks(0.0, 0.0), asyncio.get_running_loop()
        for waited in (0.0004, 0.0031, 0.0032, 99.0):
            await ticks.leave(0, loop.time() - waited)
        return ticks.ready

    ready = asyncio.run(go())
    assert sum(ready) == 4 and ready[SLOWEST] == 1 and sum(ready[3:20]) == 2


def test_the_call_left_longest_ago_makes_room_and_comes_back_as_it_was(tmp_path: Path) -> None:
    async def go() -> None:
        folder = room(tmp_path / "exam", 1, calls=[("wall_G_open", "nothing_blows")] * 3)
        hall = folder.open_hall()
        hall.solvers.most = 2
        await hall.happened(Opened())
        await hall.begin("c01")
        for item in ("k1", "k2", "k3"):
            await hall.page("c01", item)
            await hall.hear("c01", item, {"kind": "act", "view": "p", "seq": 1, "act": {"do": "look", "where": "around"}})
        assert list(hall.solvers.open) == ["c01/k2", "c01/k3"]
        again = {"kind": "act", "view": "p", "seq": 2, "act": {"do": "wait", "seconds": 5}}
        with pytest.raises(Refusal) as error:
            await hall.hear("c01", "k1", again)
        assert error.value.word == "open_first"  # on which a page opens its call anew
        await hall.page("c01", "k1")
        assert (await hall.hear("c01", "k1", again)).acts == 2
        assert len(await hall.lines("c01", "k1")) == 3  # the header and two acts
        await hall.stop()
        folder.unlock()

    asyncio.run(go())


def test_solvers_that_were_warmed_up_hold_nothing_and_keep_nothing(tmp_path: Path) -> None:
    async def go() -> None:
        folder = room(tmp_path / "exam", 1, rules=replace(AT_ONCE, solvers=1))
        hall = folder.open_hall()
        await hall.solvers.start()
        await hall.solvers.warm(plan for plans in hall.programme.plans.values() for plan in plans)
        assert hall.solvers.open == {} and hall.journal.attempts() == () and hall.acts == {}
        reply = await hall.solvers.ask(WARMING, Look(f"{WARMING}/furnace_120_constant_airflow/en"))
        assert reply.error == "open_first"
        await hall.stop()
        folder.unlock()

    asyncio.run(go())
