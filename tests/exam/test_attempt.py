"""An attempt: replay brings it back as it was, an intent is done once, and another content under its id is a conflict.

Rule: what a replay must give is told by a plain `LocalBench` on the same unit, or by the attempt that was never interrupted.
"""

from __future__ import annotations

import asyncio
import json
import os
import signal
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import msgspec
import pytest
from alone import alone
from exam.hall_room import AT_ONCE, FURNACE, room
from exam.walks import walk
from hypothesis import given, settings
from hypothesis import seed as hypothesis_seed
from hypothesis import strategies as st
from sampling import long_run, seed

from blowerbench import LocalBench
from blowerbench import acts as a
from blowerbench.equipment import load_equipment
from blowerbench.errors import BenchError
from blowerbench.observation import Accepted, Refused
from blowerbench.record import RecordError, read_record
from blowergrade.exam import hall as hall_module
from blowergrade.exam.attempt import Answer, Attempt, Kept, NotOpen, Plan
from blowergrade.exam.hall import Frame, Hall, Refusal, refused
from blowergrade.exam.programme import Rules
from blowergrade.exam.sitting import Opened
from blowergrade.exam.web_candidate import sign_in

PLAN = Plan("c01/k1", FURNACE, "healthy_unit", "nothing_blows", "exam-c01-1", assignment="sitting", person="c01")
WALK = tuple(msgspec.to_builtins(act) for act in walk(FURNACE, 7, 40))
REFUSED = {"do": "plug_in", "connector": next(iter(load_equipment(FURNACE).connectors))}  # which is in its place already


def done(attempt: Attempt, acts: Sequence[Any], begin: int = 1) -> list[Answer]:
    """Acts of a bench elsewhere, each under an id of its own."""
    return [attempt.act(f"intent-{k}", act) for k, act in enumerate(acts, begin)]


def kept(*answers: Answer) -> list[Kept]:
    """The lines that the service writes down."""
    return [line for answer in answers for line in answer.lines]


def message(seq: int, act: object, view: str = "page") -> dict[str, Any]:
    """What a page sends for an act."""
    return {"kind": "act", "view": view, "seq": seq, "act": act}


def whole_walk() -> tuple[Attempt, list[Kept]]:
    """An attempt after the walk, and all its lines."""
    attempt = Attempt(PLAN)
    return attempt, kept(attempt.begin(), *done(attempt, WALK))


# ---------------------------------------------------------------------- replay
def test_an_attempt_says_what_a_plain_bench_says() -> None:
    bench = LocalBench(FURNACE, "healthy_unit", "nothing_blows", variant=PLAN.variant)
    attempt = Attempt(PLAN)
    for raw, answer in zip(WALK, done(attempt, WALK), strict=True):
        assert answer.outcome == bench.act(msgspec.convert(raw, type=a.AnyAct))
    assert attempt.view() == bench.view()


def test_the_kept_lines_are_a_whole_call_record(tmp_path: Path) -> None:
    attempt, lines = whole_walk()
    (tmp_path / "call.jsonl").write_bytes(b"".join(line.line for line in lines))
    record = read_record(tmp_path / "call.jsonl")
    assert record.damage == "" and record.head == attempt.head
    assert [msgspec.to_builtins(line.act) for line in record.lines] == list(WALK)
    assert [line.seq for line in lines] == list(range(len(WALK) + 1))
    assert [line.intent for line in lines] == ["", *(f"intent-{k}" for k in range(1, len(WALK) + 1))]


@pytest.mark.parametrize("stop", [0, 1, 13, len(WALK)])
def test_an_attempt_built_again_stands_where_it_was_left(stop: int) -> None:
    whole, lines = whole_walk()
    again = Attempt(PLAN, lines[: stop + 1])
    rest = done(again, WALK[stop:], stop + 1)
    assert kept(*rest) == lines[stop + 1 :]
    assert (again.head, again.view()) == (whole.head, whole.view())


@hypothesis_seed(seed())
@settings(max_examples=200 if long_run() else 10, deadline=None, database=None)
@given(st.lists(st.sampled_from(range(len(WALK))), min_size=1, max_size=12), st.data())
def test_any_acts_in_any_order_survive_any_number_of_interruptions(picks: list[int], data: st.DataObject) -> None:
    straight, broken = Attempt(PLAN), Attempt(PLAN)
    lines = kept(broken.begin())
    straight.begin()
    for number, pick in enumerate(picks):
        if data.draw(st.booleans()):
            broken = Attempt(PLAN, lines)
        one, two = (attempt.act(f"intent-{number}", WALK[pick]) for attempt in (straight, broken))
        assert (one.outcome, one.lines, one.head, one.acts) == (two.outcome, two.lines, two.head, two.acts)
        lines += two.lines


def test_a_changed_moved_removed_or_foreign_line_is_not_replayed() -> None:
    _, lines = whole_walk()
    swapped = [*lines[:3], lines[4], lines[3], *lines[5:]]
    first = lines[1].line
    for wrong in (
        [msgspec.structs.replace(lines[0], line=lines[0].line.replace(b"sitting", b"another")), *lines[1:]],
        [lines[0], msgspec.structs.replace(lines[1], line=first.replace(b'"clock":', b'"clock":1')), *lines[2:]],
        [*lines[:5], *lines[6:]], swapped, [lines[0], lines[1], *lines[1:]], [msgspec.structs.replace(lines[0], line=b"{")],
    ):  # fmt: skip
        with pytest.raises(RecordError, match=r"changed|moved"):
            Attempt(PLAN, wrong)


def test_a_record_of_another_plan_is_not_replayed() -> None:
    _, lines = whole_walk()
    with pytest.raises(RecordError, match="begun with another unit, catalogue or version"):
        Attempt(msgspec.structs.replace(PLAN, person="c02"), lines)


def test_a_record_whose_readings_another_fault_would_not_give_is_not_replayed() -> None:
    """A chain that is whole and yet not this bench's: the readings are played again and compared."""
    acts = [{"do": "set_thermostat", "call": "fan"}, {"do": "wait", "seconds": 120}]
    attempt = Attempt(PLAN)
    lines = kept(attempt.begin(), *done(attempt, acts))
    with pytest.raises(RecordError, match=r"act \d+: "):
        Attempt(msgspec.structs.replace(PLAN, fault="wall_G_open"), lines)


# ---------------------------------------------------------------------- intents of a bench elsewhere
@pytest.mark.parametrize("rebuilt", [False, True])
def test_the_same_intent_is_done_once_and_answered_alike(rebuilt: bool) -> None:
    attempt = Attempt(PLAN)
    lines = kept(attempt.begin())
    answers = done(attempt, WALK[:10])
    attempt = Attempt(PLAN, lines + kept(*answers)) if rebuilt else attempt
    for k, first in enumerate(answers, 1):
        again = attempt.act(f"intent-{k}", WALK[k - 1])
        assert (again.outcome, again.lines, again.conflict) == (first.outcome, (), False)
        assert (again.acts, again.head) == (10, answers[-1].head)


def test_the_order_of_an_acts_keys_does_not_make_it_another_act() -> None:
    attempt = Attempt(PLAN)
    done(attempt, [{"do": "set_meter", "function": "ohms"}])
    again = attempt.act("intent-1", {"function": "ohms", "do": "set_meter"})
    assert not again.conflict and again.acts == 1


@pytest.mark.parametrize("rebuilt", [False, True])
def test_another_act_under_a_known_id_is_a_conflict_and_not_done(rebuilt: bool) -> None:
    attempt = Attempt(PLAN)
    lines = kept(attempt.begin(), *done(attempt, WALK[:3]))
    attempt = Attempt(PLAN, lines) if rebuilt else attempt
    answer = attempt.act("intent-2", {"do": "wait", "seconds": 5})
    assert answer.conflict and not answer.lines and answer.outcome is None and answer.acts == 3


def test_a_refused_act_keeps_nothing_and_is_refused_again() -> None:
    attempt = Attempt(PLAN)
    first, again = attempt.act("intent-1", REFUSED), attempt.act("intent-1", REFUSED)
    assert isinstance(first.outcome, Refused) and again.outcome == first.outcome
    assert (attempt.begin().acts, len(attempt.bench.lines)) == (0, 0)


@pytest.mark.parametrize("raw", [None, 3, {}, {"do": "fly"}, {"do": "wait", "seconds": "x"}, {"do": "look", "x": 1}])
def test_what_is_no_act_is_said_and_may_be_put_right_under_the_same_id(raw: object) -> None:
    attempt = Attempt(PLAN)
    with pytest.raises(BenchError, match=r"send one of blowerbench\.acts"):
        attempt.act("intent-1", raw)
    assert isinstance(attempt.act("intent-1", WALK[0]).outcome, Accepted)


@pytest.mark.parametrize("intent", ["", "x" * 101, "nul\0", "a b", "naïve", "\ud800"])
def test_an_id_that_a_database_might_refuse_is_turned_away(intent: str) -> None:
    with pytest.raises(BenchError, match="1 to 100 ASCII characters"):
        Attempt(PLAN).act(intent, WALK[0])


# ---------------------------------------------------------------------- intents of a page
def opened_page(lines: Sequence[Kept] = ()) -> Attempt:
    """An attempt with its page."""
    attempt = Attempt(PLAN, lines)
    attempt.page()
    return attempt


def test_a_page_has_to_be_opened_before_it_is_heard() -> None:
    with pytest.raises(NotOpen):
        Attempt(PLAN).hear(message(1, WALK[0]))


def test_a_page_and_a_bench_elsewhere_leave_the_same_record() -> None:
    page, (bench, _) = opened_page(), whole_walk()
    answers = [page.hear(message(k, act)) for k, act in enumerate(WALK, 1)]
    assert [answer.acts for answer in answers] == list(range(1, len(WALK) + 1))
    assert (page.head, page.view()) == (bench.head, bench.view())
    assert [x.intent for x in kept(*answers)][1:] == [f"page:{k}" for k in range(1, len(WALK) + 1)]


def test_a_message_that_comes_again_is_done_once_and_the_page_gets_what_it_missed() -> None:
    attempt = opened_page()
    attempt.hear(message(1, WALK[0]))
    first = attempt.hear(message(2, WALK[1]))
    again = attempt.hear(message(2, WALK[1]))
    assert (again.lines, again.acts, again.head, again.conflict) == ((), 2, first.head, False)
    shown, missed = json.loads(first.changes), json.loads(again.changes)
    assert shown["acks"] == {"page": 2}
    assert {name: missed[name] for name in shown} == shown


def test_after_a_restart_a_page_is_told_what_was_kept_and_may_send_the_rest_again() -> None:
    attempt = Attempt(PLAN)
    lines = kept(attempt.begin())
    attempt.page()
    lines += kept(*(attempt.hear(message(k, act)) for k, act in enumerate(WALK[:5], 1)))
    again = Attempt(PLAN, lines)
    assert again.page()["acks"] == {"page": 5}
    for k in (4, 5):  # acknowledged or not: they are on the disk
        assert (again.hear(message(k, WALK[k - 1])).lines, again.begin().acts) == ((), 5)
    assert again.hear(message(6, WALK[5])).acts == 6


@pytest.mark.parametrize("rebuilt", [False, True])
def test_another_message_under_a_known_number_is_a_conflict_and_not_done(rebuilt: bool) -> None:
    attempt = Attempt(PLAN)
    lines = kept(attempt.begin())
    attempt.page()
    lines += kept(*(attempt.hear(message(k, act)) for k, act in enumerate(WALK[:3], 1)))
    attempt = opened_page(lines) if rebuilt else attempt
    assert attempt.hear(message(2, {"do": "wait", "seconds": 5})).conflict
    assert attempt.begin().acts == 3
    assert not attempt.hear(message(1, WALK[5], view="other")).conflict, "another page counts for itself"


def test_a_wait_that_makes_many_acts_is_one_intent() -> None:
    attempt = opened_page()
    answer = attempt.hear({"kind": "until", "view": "page", "seq": 1, "when": "change", "minutes": 1, "step": 10})
    assert [x.seq for x in answer.lines][1:] == list(range(1, answer.acts + 1)) and answer.acts > 1
    assert {x.intent for x in answer.lines[1:]} == {"page:1"}
    again = opened_page(answer.lines)
    assert again.hear({"kind": "until", "view": "page", "seq": 1, "when": "change", "minutes": 1, "step": 10}).lines == ()
    assert again.view() == attempt.view()


@pytest.mark.parametrize(
    ("view", "seq"), [("", 1), ("x" * 65, 1), ("nul\0", 1), ("a:b", 1), (None, 1), (3, 1), ("page", -1), ("page", 10**40)]
)
def test_a_message_without_a_proper_name_or_number_is_turned_away(view: object, seq: int) -> None:
    attempt = opened_page()
    with pytest.raises(BenchError, match="a view of 1 to 64 letters"):
        attempt.hear({"kind": "act", "view": view, "seq": seq, "act": WALK[0]})
    assert attempt.hear(message(1, WALK[0])).acts == 1


def test_nothing_that_leaves_names_the_fault() -> None:
    attempt = Attempt(msgspec.structs.replace(PLAN, fault="wall_G_open", variant="secret-variant"))
    sent = [json.dumps(attempt.page()).encode()]
    answers = [attempt.hear(message(k, act)) for k, act in enumerate(WALK, 1)]
    sent += [answer.changes for answer in answers] + [msgspec.json.encode(attempt.view())]
    assert not any(word in data for data in sent for word in (b"wall_G_open", b"secret-variant"))
    assert b"wall_G_open" not in b"".join(x.line for x in kept(*answers))


# ---------------------------------------------------------------------- the same through the hall
def in_hall(tmp_path: Path, work: Any, rules: Rules) -> Any:
    """What `work(hall)` comes to in an open hall with one candidate whose clock runs."""

    async def sit() -> Any:
        folder = room(tmp_path / "exam", 1, rules=rules, calls=[("healthy_unit", "nothing_blows")])
        hall = folder.open_hall()
        await hall.start()
        await hall.happened(Opened())
        await hall.begin("c01")
        await hall.page("c01", "k1")
        try:
            return await work(hall)
        finally:
            await hall.stop()
            folder.unlock()

    return alone(sit())


def test_a_message_that_was_turned_away_for_haste_is_not_overtaken(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """An intent counts every earlier one of its page for done, so one that was turned away must come before the later ones."""
    monkeypatch.setattr(hall_module, "LONGEST_QUEUE", 0.15)

    async def hurry(hall: Hall) -> list[bytes]:
        waiting = list(range(1, 13))
        refusals = 0
        for _ in range(200):  # as a page does: everything that was not taken is sent again, in order
            came = await asyncio.gather(
                *(hall.hear("c01", "k1", message(k, WALK[k - 1])) for k in waiting), return_exceptions=True
            )
            refusals += sum(isinstance(x, Refusal) and x.word == "slow_down" for x in came)
            waiting = [k for k, x in zip(waiting, came, strict=True) if not isinstance(x, Frame)]
            if not waiting:
                break
            await asyncio.sleep(0.004)
            late = waiting[-1]  # and the newest one once more by itself, when a token may just have come in
            try:
                await hall.hear("c01", "k1", message(late, WALK[late - 1]))
                waiting.pop()
            except Refusal:
                pass
        assert not waiting and refusals
        return [row.line for row in hall.journal.acts("c01/k1")][1:]

    lines = in_hall(tmp_path, hurry, Rules(tick_ms=0, guard_ms=0, rate=25.0, burst=2, solvers=0))
    assert [json.loads(line)["body"]["act"] for line in lines] == list(WALK[:12])


def test_of_two_sign_ins_at_the_same_moment_only_one_is_let_in(tmp_path: Path) -> None:
    async def both(hall: Hall) -> list[str]:
        came = await asyncio.gather(*(sign_in(hall, "c01") for _ in range(2)), return_exceptions=True)
        return [x.word if isinstance(x, Refusal) else "in" for x in came] + [str(hall.sitting.of("c01").signed_in)]

    assert in_hall(tmp_path, both, AT_ONCE) == ["in", "signed_in", "1"]


def test_a_killed_solver_is_replaced_and_the_call_goes_on_from_the_journal(tmp_path: Path) -> None:
    async def kill_solver(hall: Hall) -> tuple[int, list[int], int]:
        for k in range(1, 6):
            await hall.hear("c01", "k1", message(k, WALK[k - 1]))
        (solver,) = hall.solvers.processes()
        os.kill(solver, signal.SIGKILL)
        words = []
        for _ in range(3):  # as a page does: it opens the call again and sends again what was not acknowledged
            try:
                frame = await hall.hear("c01", "k1", message(6, WALK[5]))
                break
            except BenchError as error:
                words.append(refused(error)[0])
                await hall.page("c01", "k1")
        assert words and set(words) <= {"trouble", "open_first"}
        return frame.acts, [row.seq for row in hall.journal.acts("c01/k1")], hall.solvers.replaced

    rules = Rules(tick_ms=0, guard_ms=0, rate=0.0, solvers=1)
    assert in_hall(tmp_path, kill_solver, rules) == (6, [0, 1, 2, 3, 4, 5, 6], 1)


def test_when_the_journal_fails_nobody_is_told_of_the_act_and_the_page_is_asked_to_wait(tmp_path: Path) -> None:
    async def fail(hall: Hall) -> tuple[str, int, int]:
        await hall.hear("c01", "k1", message(1, WALK[0]))
        hall.journal._broken = OSError(28, "No space left on device")
        with pytest.raises(Refusal) as refused:
            await hall.hear("c01", "k1", message(2, WALK[1]))
        return refused.value.word, refused.value.status, len(hall.journal.acts("c01/k1"))

    assert in_hall(tmp_path, fail, AT_ONCE) == ("trouble", 503, 2)
