"""The server's time line and the outage, under clocks that this file sets as it likes.

Rule: whatever the machine's clock does while the service is down, nobody has more or less time afterwards than at the last sign
of life, but for the time in which the service was there.
"""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest
from alone import alone
from exam.hall_room import room
from hypothesis import given, settings
from hypothesis import seed as hypothesis_seed
from hypothesis import strategies as st
from sampling import long_run, seed

from blowergrade.exam.hall import Hall
from blowergrade.exam.sitting import Opened, Outage, Paused, SignedIn, Sitting, Started, evolve, left
from blowergrade.exam.timeline import TimeLine, outage

NOON = 1_795_780_800_000  # 2026-11-27 12:00 UTC in ms since 1970
SECOND, HOUR = 1000, 3_600_000
DAY = 24 * HOUR


class Clocks:
    """A machine's two clocks, in s; the wall clock may be set."""

    def __init__(self, wall: int = NOON) -> None:
        self.wall_s, self.mono_s = wall / 1000, 17.0

    def pass_by(self, seconds: float) -> None:
        """Let time pass."""
        self.wall_s += seconds
        self.mono_s += seconds

    def line(self, not_before: int = 0) -> TimeLine:
        """A service's time line that begins now."""
        return TimeLine(lambda: self.wall_s, lambda: self.mono_s, not_before)


def test_the_line_begins_at_the_wall_clock_and_goes_on_with_the_monotonic_one() -> None:
    clocks = Clocks()
    line = clocks.line()
    assert line.now() == NOON
    clocks.pass_by(12.5)
    assert line.now() == line.wall() == NOON + 12_500


@pytest.mark.parametrize("step", [-400 * 86_400, -3600, -1, 1, 3600, 400 * 86_400])
def test_setting_the_wall_clock_while_the_service_runs_moves_nothing(step: int) -> None:
    clocks = Clocks()
    line = clocks.line()
    clocks.wall_s += step
    clocks.pass_by(60)
    assert line.now() == NOON + 60 * SECOND


def test_a_line_never_begins_before_the_last_sign_of_life() -> None:
    clocks = Clocks(NOON - HOUR)
    line = clocks.line(not_before=NOON)
    clocks.pass_by(3)
    assert (line.now(), line.wall()) == (NOON + 3 * SECOND, NOON - HOUR + 3 * SECOND)


def test_an_outage_is_what_lies_between_the_last_sign_and_now() -> None:
    assert outage(NOON, NOON) == (0, "")
    assert outage(NOON, NOON + 90 * SECOND) == (90 * SECOND, "")
    assert outage(NOON, NOON + 12 * HOUR) == (12 * HOUR, "")


def test_a_clock_that_was_set_back_and_a_very_long_outage_are_noted() -> None:
    lost, note = outage(NOON, NOON - 5 * SECOND)
    assert lost == 0 and "set back: it stands 5 s before" in note
    lost, note = outage(NOON, NOON + 15 * HOUR)
    assert lost == 15 * HOUR and "15 h old" in note


@hypothesis_seed(seed())
@settings(max_examples=5000 if long_run() else 250, deadline=None, database=None)
@given(
    served=st.integers(0, 2 * HOUR), wall=st.integers(NOON - 400 * DAY, NOON + 400 * DAY), later=st.integers(0, HOUR),
    on_a_break=st.booleans(),
)  # fmt: skip
def test_after_an_outage_everybody_has_what_they_had_at_the_last_sign(
    served: int, wall: int, later: int, on_a_break: bool
) -> None:
    """An exam of 3 h, the last sign of life `served` ms after its start; at the restart the machine's clock says anything."""
    sign = NOON + served
    before = evolve(evolve(Sitting(), Opened(), NOON), Started("ann", 3 * 3600), NOON)
    before = evolve(before, Paused("ann", "break"), sign) if on_a_break else before
    line = Clocks(wall).line(not_before=sign)
    lost, note = outage(sign, line.wall())
    after = evolve(before, Outage(lost, note), line.now()) if lost or note else before
    assert left(after.of("ann"), line.now()) == left(before.of("ann"), sign) == 3 * HOUR - served
    now = line.now() + later
    assert left(after.of("ann"), now) == max(0, 3 * HOUR - served - (0 if on_a_break else later))
    assert bool(note) == (wall < sign or wall > sign + 12 * HOUR)


# ---------------------------------------------------------------------- the same through a service and its journal
async def _sit(hall: Hall) -> None:
    await hall.start()
    for event in (Opened(), SignedIn("c01"), Started("c01", 3600), SignedIn("c02")):
        await hall.happened(event)
    await hall.stop()


async def _come_back(hall: Hall) -> tuple[int, list[Outage]]:
    await hall.start()
    found = left(hall.sitting.of("c01"), hall.line.now()), [
        row.event for row in hall.journal.events() if isinstance(row.event, Outage)
    ]
    await hall.stop()
    return found


@pytest.mark.parametrize(
    ("away", "noted"), [(600 * SECOND, False), (-DAY, True), (20 * HOUR, True)], ids=["ten-minutes", "set-back", "twenty-hours"]
)
def test_a_service_that_comes_back_gives_the_time_back_and_notes_an_odd_clock(tmp_path: Path, away: int, noted: bool) -> None:
    folder = room(tmp_path / "exam", 2)
    clocks = Clocks()

    def hall() -> Hall:
        journal = folder.journal()
        return Hall(folder.programme, folder.key, journal, line=clocks.line(not_before=journal.last_sign() or 0))

    alone(_sit(hall()))
    clocks.wall_s += away / 1000
    had, outages = alone(_come_back(hall()))
    assert had == 3600 * SECOND  # both clocks of this test stand still while the service runs
    assert [(o.milliseconds, bool(o.note)) for o in outages] == [(max(0, away), noted)]


def test_a_page_that_was_open_before_the_outage_is_not_shown_as_connected_after_it(tmp_path: Path) -> None:
    folder = room(tmp_path / "exam", 1)
    clocks = Clocks()

    async def before() -> None:
        hall = Hall(folder.programme, folder.key, folder.journal(), line=clocks.line())
        await hall.start()
        await hall.happened(SignedIn("c01"))
        hall.arrived("c01")
        await asyncio.sleep(0.1)
        assert hall.sitting.of("c01").connected
        await hall.stop()

    async def after() -> bool:
        journal = folder.journal()
        clocks.pass_by(5)
        hall = Hall(folder.programme, folder.key, journal, line=clocks.line(not_before=journal.last_sign() or 0))
        await hall.start()
        await hall.stop()
        return hall.sitting.of("c01").connected

    alone(before())
    assert not alone(after())


def test_a_page_that_comes_back_at_once_is_shown_as_connected(tmp_path: Path) -> None:
    folder = room(tmp_path / "exam", 1)

    async def flicker() -> bool:
        hall = Hall(folder.programme, folder.key, folder.journal())
        await hall.start()
        hall.arrived("c01")
        await asyncio.sleep(0.1)
        hall.gone("c01")  # its event is not yet on the disk …
        hall.arrived("c01")  # … when the next connection opens
        await asyncio.sleep(0.1)
        await hall.stop()
        return hall.sitting.of("c01").connected

    assert alone(flicker())
