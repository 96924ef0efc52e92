"""A sitting's clocks as a fold over events, against a stopwatch kept in this file and sums done by hand.

Rule: the stopwatch knows nothing of the fold: it counts down piece by piece, where the fold moves a deadline.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import get_args

import msgspec
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import seed as hypothesis_seed
from hypothesis import strategies as st
from sampling import long_run, seed

from blowergrade.exam import sitting as s
from blowergrade.exam.texts import REFUSALS

SECOND, MINUTE = 1000, 60_000  # ms
NOON = 1_795_780_800_000  # 2026-11-27 12:00 UTC in ms since 1970
NAMES = ("ann", "bo")
Timed = tuple[s.AnyEvent, int]


def fold(*happened: Timed) -> s.Sitting:
    """The sitting after events with their minutes after noon."""
    now = s.Sitting()
    for event, minutes in happened:
        now = s.evolve(now, event, NOON + MINUTE * minutes)
    return now


def minutes_left(sitting: s.Sitting, at: float, name: str = "ann") -> float:
    """What the clock of `name` shows `at` minutes after noon."""
    return s.left(sitting.of(name), NOON + int(MINUTE * at)) / MINUTE


OPENED: tuple[Timed, ...] = ((s.Opened(), 0), (s.SignedIn("ann"), 1), (s.Started("ann", 3600), 10))


# ---------------------------------------------------------------------- each event once
def test_a_clock_runs_down_from_its_start_and_stops_at_nothing() -> None:
    sitting = fold(*OPENED)
    assert [minutes_left(sitting, at) for at in (10, 11, 40, 69, 70, 500)] == [60, 59, 30, 1, 0, 0]
    assert s.running(sitting.of("ann")) and not s.running(sitting.of("bo"))


def test_a_second_start_does_not_wind_the_clock_up_again() -> None:
    assert minutes_left(fold(*OPENED, (s.Started("ann", 7200), 30)), 40) == 30


def test_a_break_stops_the_clock_and_its_length_is_added() -> None:
    paused = fold(*OPENED, (s.Paused("ann", "insulin"), 20))
    assert [minutes_left(paused, at) for at in (20, 35, 300)] == [50, 50, 50]
    assert s.may_act(paused, "ann", NOON + 21 * MINUTE) == "paused"
    resumed = s.evolve(paused, s.Resumed("ann"), NOON + 45 * MINUTE)
    assert [minutes_left(resumed, at) for at in (45, 46, 95)] == [50, 49, 0]


def test_a_second_break_within_a_break_changes_nothing() -> None:
    breaks = (s.Paused("ann", "a"), 20), (s.Paused("ann", "b"), 25), (s.Resumed("ann"), 30), (s.Resumed("ann"), 40)
    twice = fold(*OPENED, *breaks)
    assert minutes_left(twice, 40) == 40


def test_a_break_before_the_start_or_after_the_end_changes_nothing() -> None:
    for sitting in (
        fold((s.Opened(), 0), (s.Paused("ann", "early"), 1), (s.Started("ann", 3600), 10)),
        fold((s.Opened(), 0), (s.Resumed("ann"), 1), (s.Started("ann", 3600), 10)),
    ):
        assert minutes_left(sitting, 30) == 40
    over = fold(*OPENED, (s.Submitted("ann", "candidate"), 20), (s.Paused("ann", "late"), 21))
    assert over.of("ann").paused is None and minutes_left(over, 22) == 0


def test_granted_time_counts_before_the_start_while_it_runs_and_on_a_break() -> None:
    early = fold((s.Opened(), 0), (s.Granted("ann", 600, "late bus"), 1))
    assert s.left(early.of("ann"), NOON + 2 * MINUTE) == 600 * SECOND
    assert minutes_left(s.evolve(early, s.Started("ann", 3600), NOON + 10 * MINUTE), 10) == 70
    assert minutes_left(fold(*OPENED, (s.Granted("ann", 600, "noise"), 20)), 20) == 60
    assert minutes_left(fold(*OPENED, (s.Paused("ann", "b"), 20), (s.Granted("ann", 600, "noise"), 30)), 50) == 60


def test_time_granted_after_time_out_is_all_there_however_late_it_comes() -> None:
    out = fold(*OPENED, (s.Submitted("ann", "time"), 70))
    assert out.of("ann").by == "time" and s.may_act(out, "ann", NOON + 71 * MINUTE) == "over"
    again = s.evolve(out, s.Granted("ann", 600, "fire drill"), NOON + 95 * MINUTE)
    assert [minutes_left(again, at) for at in (95, 100, 105)] == [10, 5, 0]
    assert s.running(again.of("ann")) and s.may_act(again, "ann", NOON + 96 * MINUTE) == ""


@pytest.mark.parametrize("by", ["candidate", "proctor"])
def test_time_granted_after_a_hand_in_opens_nothing(by: s.By) -> None:
    over = fold(*OPENED, (s.Submitted("ann", by), 30), (s.Granted("ann", 600, "mistake"), 31))
    assert (over.of("ann").by, minutes_left(over, 31)) == (by, 0)


def test_a_time_out_that_meets_a_break_or_granted_time_on_its_way_to_the_disk_does_not_count() -> None:
    broken_off = fold(*OPENED, (s.Paused("ann", "b"), 69), (s.Submitted("ann", "time"), 70))
    assert broken_off.of("ann").submitted is None and minutes_left(broken_off, 80) == 1
    more = fold(*OPENED, (s.Granted("ann", 60, "noise"), 69), (s.Submitted("ann", "time"), 70))
    assert s.running(more.of("ann")) and minutes_left(more, 70) == 1


def test_a_candidate_on_a_break_may_hand_in() -> None:
    assert fold(*OPENED, (s.Paused("ann", "b"), 20), (s.Submitted("ann", "candidate"), 30)).of("ann").by == "candidate"


def test_an_outage_is_added_to_the_clocks_that_ran_and_to_no_other() -> None:
    hall = fold(
        *OPENED, (s.Started("paused", 3600), 10), (s.Paused("paused", "b"), 15), (s.Started("done", 3600), 10),
        (s.Submitted("done", "candidate"), 16), (s.SignedIn("waiting"), 16), (s.Connected("ann"), 17),
        (s.Outage(5 * MINUTE), 30),
    )  # fmt: skip
    assert minutes_left(hall, 30) == 45 and not hall.of("ann").connected
    assert minutes_left(hall, 30, "paused") == 55  # its break goes on and is added when it ends
    assert minutes_left(s.evolve(hall, s.Resumed("paused"), NOON + 31 * MINUTE), 31, "paused") == 55
    assert (minutes_left(hall, 30, "done"), hall.of("waiting").added) == (0, 0)


def test_an_outage_in_which_time_ran_out_gives_back_what_was_left() -> None:
    hall = fold(*OPENED, (s.Outage(20 * MINUTE), 85))  # the last sign of life at 65: five minutes were left
    assert minutes_left(hall, 85) == 5


def test_the_end_of_the_sitting_ends_every_exam_that_had_begun() -> None:
    hall = fold(*OPENED, (s.SignedIn("bo"), 11), (s.Closed(), 30))
    assert (hall.stage, hall.of("ann").by, minutes_left(hall, 31)) == ("closed", "proctor", 0)
    assert hall.of("bo").submitted is None and s.may_act(hall, "bo", NOON + 31 * MINUTE) == "over"


def test_after_the_end_no_start_and_no_granted_time_makes_a_clock_run() -> None:
    hall = fold(
        *OPENED, (s.Submitted("ann", "time"), 70), (s.Closed(), 71), (s.Started("bo", 3600), 71),
        (s.Granted("ann", 600, "x"), 72),
    )  # fmt: skip
    assert not any(s.running(p) for p in hall.candidates.values())
    released = s.evolve(hall, s.Released(), NOON + 80 * MINUTE)
    assert released.stage == "released"
    assert not s.running(s.evolve(released, s.Granted("ann", 600, "x"), NOON + 81 * MINUTE).of("ann"))


def test_a_newer_sign_in_counts_and_only_the_proctor_lets_in_again() -> None:
    once = fold(*OPENED)
    assert (once.of("ann").signed_in, once.of("ann").may_sign_in) == (1, False)
    let = s.evolve(once, s.Let("ann"), NOON)
    assert let.of("ann").may_sign_in
    twice = s.evolve(let, s.SignedIn("ann"), NOON)
    assert (twice.of("ann").signed_in, twice.of("ann").may_sign_in) == (2, False)
    assert minutes_left(twice, 40) == 30


def test_who_is_there_and_which_calls_were_begun_and_ended_is_kept() -> None:
    hall = fold(
        *OPENED, (s.Connected("ann"), 10), (s.CallBegun("ann", "k2"), 11), (s.CallBegun("ann", "k1"), 12),
        (s.CallBegun("ann", "k2"), 13), (s.CallEnded("ann", "k2"), 14), (s.CallEnded("ann", "k2"), 15),
    )  # fmt: skip
    ann = hall.of("ann")
    assert (ann.connected, ann.begun, ann.ended) == (True, ("k2", "k1"), ("k2",))
    assert not s.evolve(hall, s.Disconnected("ann"), NOON).of("ann").connected


def test_an_incident_is_counted_where_it_belongs_and_touches_no_clock() -> None:
    hall = fold(*OPENED, (s.Incident("ann", "phone"), 20), (s.Incident("", "alarm bell"), 21))
    assert (hall.of("ann").incidents, minutes_left(hall, 30)) == (1, 40)
    assert set(hall.candidates) == {"ann"}


def test_who_may_act_is_told_by_stage_start_and_clock() -> None:
    at = NOON + 20 * MINUTE
    assert s.may_act(fold(), "ann", at) == "not_open"
    assert s.may_act(fold((s.Opened(), 0)), "ann", at) == "not_started"
    assert s.may_act(fold(*OPENED), "ann", at) == ""
    assert s.may_act(fold(*OPENED), "ann", NOON + 70 * MINUTE) == "over"  # before anybody wrote the end down
    assert s.may_act(fold(*OPENED, (s.Closed(), 15)), "ann", at) == "over"


# ---------------------------------------------------------------------- any sequence of events
SAID = st.text(max_size=8)
WHO = st.sampled_from(NAMES)
SECONDS = st.integers(0, 4 * 3600)
ITEM = st.sampled_from(("k1", "k2"))
FIELDS = {
    "candidate": WHO, "seconds": SECONDS, "item": ITEM, "reason": SAID, "text": SAID, "note": SAID,
    "milliseconds": st.integers(0, 10**8), "by": st.sampled_from(get_args(s.By)),
    "grading": st.integers(1, 9),
}  # fmt: skip
KINDS: tuple[type[s.Event], ...] = get_args(s.AnyEvent)
ANY = st.one_of(*(st.builds(kind, **{f: FIELDS[f] for f in kind.__struct_fields__}) for kind in KINDS))
STEPS = st.lists(st.tuples(ANY, st.integers(0, 40 * MINUTE)), max_size=60)  # each with the ms since the one before
MANY = settings(
    max_examples=5000 if long_run() else 250, deadline=None, database=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
)  # fmt: skip


def timed(steps: Sequence[tuple[s.AnyEvent, int]]) -> list[Timed]:
    """Events with their times on the server's time line, which never goes back."""
    made, at = [], NOON
    for event, later in steps:
        at += later
        made.append((event, at))
    return made


@dataclass
class Stopwatch:
    """One candidate's clock, counted down piece by piece."""

    given: int = 0
    remaining: int = 0
    at: int = 0
    started: bool = False
    paused: bool = False
    ended: str = ""
    shut: bool = False  # the sitting is over

    @property
    def runs(self) -> bool:
        return self.started and not self.paused and not self.ended

    def happened(self, event: s.AnyEvent, at: int, name: str) -> None:
        """Count down to `at`, then do as the rules of the exam say."""
        if self.runs:
            self.remaining -= at - self.at
        self.at = at
        own = getattr(event, "candidate", name) == name
        if isinstance(event, s.Closed) and self.started and not self.ended:
            self.ended = "proctor"
        if isinstance(event, s.Closed | s.Released):
            self.shut = True
        elif isinstance(event, s.Opened):
            self.shut = False
        elif isinstance(event, s.Outage):
            self.remaining += event.milliseconds if self.runs else 0
        elif own:
            self._own(event)

    def _own(self, event: s.AnyEvent) -> None:
        match event:
            case s.Started(seconds=seconds) if not self.started and not self.shut:
                self.started, self.remaining = True, 1000 * seconds + self.given
            case s.Granted(seconds=seconds) if not self.shut:
                if not self.started:
                    self.given += 1000 * seconds
                elif self.ended == "time":
                    self.ended, self.remaining = "", 1000 * seconds
                else:
                    self.remaining += 1000 * seconds
            case s.Paused() if self.runs:
                self.paused = True
            case s.Resumed():
                self.paused = False
            case s.Submitted(by=by) if self.started and not self.ended:
                if by != "time" or (self.runs and self.remaining <= 0):
                    self.ended = by

    def shows(self) -> int:
        """What is left, in ms."""
        if self.ended:
            return 0
        return max(0, self.remaining) if self.started else self.given


@hypothesis_seed(seed())
@MANY
@given(STEPS)
def test_every_clock_agrees_with_a_stopwatch_after_every_event(steps: list[tuple[s.AnyEvent, int]]) -> None:
    sitting, watches = s.Sitting(), {name: Stopwatch() for name in NAMES}
    for event, at in timed(steps):
        sitting = s.evolve(sitting, event, at)
        for name, watch in watches.items():
            watch.happened(event, at, name)
            assert s.left(sitting.of(name), at) == watch.shows()
            assert s.running(sitting.of(name)) == watch.runs


@hypothesis_seed(seed())
@MANY
@given(STEPS)
def test_replay_of_the_written_events_gives_the_same_sitting(steps: list[tuple[s.AnyEvent, int]]) -> None:
    events = timed(steps)
    now = again = s.Sitting()
    for event, at in events:
        now = s.evolve(now, event, at)
    for body, at in [(msgspec.json.encode(event), at) for event, at in events]:
        again = s.evolve(again, msgspec.json.decode(body, type=s.AnyEvent), at)
    assert now == again


@hypothesis_seed(seed())
@MANY
@given(st.lists(st.tuples(ANY, st.integers(-(2**62), 2**62)), max_size=40), st.integers(-(2**62), 2**62))
def test_no_event_at_any_time_is_ever_refused(steps: list[tuple[s.AnyEvent, int]], now: int) -> None:
    sitting = s.Sitting()
    for event, at in steps:
        sitting = s.evolve(sitting, event, at)
        for name in NAMES:
            assert s.left(sitting.of(name), now) >= 0
            assert s.may_act(sitting, name, now) in ("", *REFUSALS)


@hypothesis_seed(seed())
@MANY
@given(STEPS, st.lists(st.integers(0, 60 * MINUTE), min_size=1, max_size=4))
def test_what_is_left_grows_for_a_reason_only(steps: list[tuple[s.AnyEvent, int]], later: list[int]) -> None:
    sitting = s.Sitting()
    for event, at in timed(steps):
        after = s.evolve(sitting, event, at)
        for name in NAMES:
            before, now = s.left(sitting.of(name), at), s.left(after.of(name), at)
            own = getattr(event, "candidate", None) == name
            if now > before:
                assert isinstance(event, s.Outage) or (own and isinstance(event, s.Started | s.Granted))
                assert now - before <= getattr(event, "milliseconds", 0) + 1000 * getattr(event, "seconds", 0)
            shown = [s.left(after.of(name), at + more) for more in (0, *sorted(later))]
            assert shown == sorted(shown, reverse=True)
            if not s.running(after.of(name)):
                assert len(set(shown)) == 1
        sitting = after


@hypothesis_seed(seed())
@MANY
@given(STEPS, st.integers(0, 60 * MINUTE))
def test_acts_are_taken_only_in_an_open_sitting_on_a_running_clock_with_time_left(
    steps: list[tuple[s.AnyEvent, int]], later: int
) -> None:
    sitting, at = s.Sitting(), NOON
    for event, at in timed(steps):
        sitting = s.evolve(sitting, event, at)
    for name in NAMES:
        may = s.may_act(sitting, name, at + later) == ""
        p = sitting.of(name)
        assert may == (sitting.stage == "open" and s.running(p) and s.left(p, at + later) > 0)


def test_the_stopwatch_would_see_a_clock_that_loses_an_outage() -> None:
    """The oracle itself: a fold that forgets outages disagrees with it."""
    watch, sitting = Stopwatch(), s.Sitting()
    for event, at in ((s.Started("ann", 3600), NOON), (s.Outage(MINUTE), NOON + 2 * MINUTE)):
        watch.happened(event, at, "ann")
        sitting = sitting if isinstance(event, s.Outage) else s.evolve(sitting, event, at)
    assert watch.shows() == 59 * MINUTE != s.left(sitting.of("ann"), NOON + 2 * MINUTE)
