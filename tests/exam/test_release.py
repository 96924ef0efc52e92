"""On which tick answers leave, and in which order."""

from __future__ import annotations

import asyncio
import json
from pathlib import Path

import msgspec
from alone import alone
from exam.hall_room import AT_ONCE, room
from exam.served import Served, act, run

from blowergrade.exam.release import Ticks


def test_the_tick_hangs_on_arrival_and_kind_alone() -> None:
    ticks = Ticks(0.3, 0.06)
    assert [ticks.due(t) for t in (0.0, 0.239, 0.241, 0.539, 0.541)] == [1, 1, 2, 2, 3]
    assert ticks.due(0.0, 0.6) == 3


def test_answers_of_one_tick_leave_in_no_order_that_tells_which_was_ready_first() -> None:
    async def one_tick(names: list[str]) -> list[str]:
        ticks, left = Ticks(0.05, 0.0), []
        due = ticks.due(asyncio.get_running_loop().time() + 0.02)

        async def answer(name: str) -> None:
            await ticks.leave(due, 0.0, name)
            left.append(name)

        await asyncio.gather(*map(answer, names))
        return left

    names = [f"c{k}" for k in range(40)]
    orders = [alone(one_tick(names)) for _ in range(3)]
    assert all(sorted(order) == sorted(names) and order != names for order in orders)
    assert orders[0] != orders[1] != orders[2]


def test_answers_of_one_attempt_leave_in_the_order_of_its_messages() -> None:
    async def whole() -> list[tuple[str, int]]:
        ticks, left = Ticks(0.05, 0.0), []
        start = asyncio.get_running_loop().time()
        due = ticks.due(start + 0.02)

        async def answer(name: str, number: int) -> None:
            await ticks.leave(due, start + number, name)
            left.append((name, number))

        await asyncio.gather(*(answer(f"c{k}", n) for n in (3, 1, 2) for k in range(20)))
        return left

    order = alone(whole())
    assert all([n for name, n in order if name == f"c{k}"] == [1, 2, 3] for k in range(20))


def test_no_answer_overtakes_an_earlier_one_of_its_call_that_was_given_more_time(tmp_path: Path) -> None:
    rules = msgspec.structs.replace(AT_ONCE, tick_ms=100, guard_ms=20)

    async def work(served: Served) -> None:
        await served.desk()
        cookie = await served.enter("c01")
        page = await served.page(cookie)
        await page.ask({"item": "k1"})
        slow = {"kind": "view", "view": "v1", "seq": 1, "name": "ladder"}  # given 0.3 s more
        for message in (slow, act(2), act(3)):
            await page.socket.write_message(json.dumps({"item": "k1", "message": message}))
        heard: list[int] = []
        while len(heard) < 3:
            found = await page.hear()
            assert found is not None
            heard += [found["seq"]] if "frame" in found else []
        assert heard == [1, 2, 3]
        await page.close()

    run(room(tmp_path / "exam", 1, rules=rules), work)
