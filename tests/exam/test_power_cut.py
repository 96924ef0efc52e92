"""Power cuts: what the journal acknowledged is on a disk that forgets everything that was not synced.

Rule: the journal is the shipped one, with the shipped settings of a connection, over the layer of `cut_disk`; afterwards the
files are opened with the standard library's sqlite3, which knows nothing of that layer. The control shows that the test bites:
with synchronous=NORMAL, under which SQLite syncs a log only when it copies it (its documentation of PRAGMA synchronous), acts
must be lost.
"""

from __future__ import annotations

import random
import sqlite3
import time
from concurrent.futures import Future
from contextlib import closing, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa
from exam.cut_disk import CutConnection, CutDisk
from sampling import seed

from blowergrade.exam.journal import ActRow, Journal, JournalError, check_events, durable, engine_for
from blowergrade.exam.sitting import Incident

CUTS = 120
ACTS = 40  # of a round
SMALL = 20  # pages after which the log is copied into the database, so that rounds see that too


@dataclass(frozen=True, slots=True)
class Outcome:
    """One round: how many acts and events were acknowledged, how many of them are gone, and what else the disk shows."""

    acknowledged: int
    lost: int
    unheard: int
    problem: str
    operations: int
    dropped: int  # bytes that were never synced


def _engine(file: Path, disk: CutDisk, level: str) -> sa.Engine:
    """The journal's engine over `disk`; `level` other than FULL weakens it behind the journal's back."""
    engine = sa.create_engine("sqlite://", creator=lambda: CutConnection(file, disk), poolclass=sa.pool.QueuePool)
    sa.event.listen(engine, "connect", durable)

    def more(connection: Any, _: object) -> None:
        connection.cursor().execute(f"PRAGMA wal_autocheckpoint={SMALL}")
        if level != "FULL":
            connection.cursor().execute(f"PRAGMA synchronous={level}")

    sa.event.listen(engine, "connect", more)
    return engine


def _act(seq: int) -> ActRow:
    return ActRow("c01/k1", seq, f"v:{seq}", "d" * 64, b"%d " % seq * 60, seq)


def _sit(journal: Journal, dice: random.Random, told: list[tuple[str, int]]) -> None:
    """Acts and events as they come, some together, until the power is gone; `told` is what was acknowledged."""
    waiting: list[tuple[str, int, Future[None]]] = []
    with suppress(JournalError):
        for seq in range(1, ACTS + 1):
            waiting.append(("act", seq, journal.add_act(_act(seq))))
            if seq % 5 == 0:
                row, done = journal.add_event(Incident("c01", str(seq)), seq)
                waiting.append(("event", row.number, done))
            if dice.random() < 0.5:
                waiting[-1][2].exception(10)
    for kind, number, done in waiting:
        if done.exception(10) is None:
            told.append((kind, number))


def _after(file: Path) -> tuple[dict[str, list[int]], str]:
    """What a reader finds after the power is back, and what is wrong with it."""
    file.with_name(file.name + "-shm").unlink(missing_ok=True)  # memory: gone with the power
    with closing(sqlite3.connect(file)) as reader:
        sound = reader.execute("PRAGMA integrity_check").fetchone()[0]
        tables = {row[0] for row in reader.execute("SELECT name FROM sqlite_master")}
        acts = [row[0] for row in reader.execute("SELECT seq FROM acts ORDER BY seq")] if "acts" in tables else []
    if sound != "ok":
        return {"act": acts, "event": []}, f"the file is not sound: {sound}"
    journal = Journal(engine_for(f"sqlite:///{file}"))  # and the service comes up on it
    events, lines = journal.events(), journal.acts("c01/k1")
    journal.add_act(ActRow("later/k1", 0, "", "", b"", 0)).result(10)
    journal.close()
    problem = check_events(events)
    if acts != list(range(1, len(acts) + 1)):
        problem = f"there are acts {acts}"
    if lines != tuple(_act(seq) for seq in acts):
        problem = "an act is not what was written"
    return {"act": acts, "event": [row.number for row in events]}, problem


def cut(folder: Path, number: int, level: str = "FULL") -> Outcome:
    """One sitting that a power cut ends at an operation drawn with `number`."""
    file, dice = folder / f"{level}-{number}.sqlite", random.Random(f"{seed()} {number}")
    disk = CutDisk(f"cut-{level}-{number}", sectors=random.Random(number) if number % 2 else None)
    journal, told = Journal(_engine(file, disk, level)), list[tuple[str, int]]()
    disk.cut_at = disk.done + dice.randrange(1, 4 * ACTS)
    _sit(journal, dice, told)
    if not disk.off:
        disk.cut()  # after the last act
    journal.close()
    disk.unregister()
    found, problem = _after(file)
    lost = sum(k not in found[kind] for kind, k in told)
    return Outcome(len(told), lost, sum(map(len, found.values())) - len(told) + lost, problem, disk.done, disk.dropped)


@pytest.mark.slow
def test_a_power_cut_loses_nothing_that_was_acknowledged(tmp_path: Path) -> None:
    begun = time.monotonic()
    rounds = [cut(tmp_path, k) for k in range(CUTS)]
    assert [r for r in rounds if r.lost or r.problem] == []
    assert sum(r.acknowledged for r in rounds) > 10 * CUTS
    assert sum(r.dropped > 0 for r in rounds) > CUTS // 4, "cuts fall between a write and its sync"
    print(
        f"{CUTS} cuts: {sum(r.acknowledged for r in rounds)} acknowledged, 0 lost, {sum(r.unheard for r in rounds)} unheard, "
        f"{sum(r.dropped for r in rounds)} bytes dropped, {time.monotonic() - begun:.1f} s"
    )


def test_the_same_cuts_lose_acts_where_commits_are_not_synced(tmp_path: Path) -> None:
    rounds = [cut(tmp_path, k, "NORMAL") for k in range(30)]
    losing = sum(r.lost > 0 for r in rounds)
    assert losing >= 5, f"{losing} of {len(rounds)}: the test would not see a journal that forgets"
    lost, told = sum(r.lost for r in rounds), sum(r.acknowledged for r in rounds)
    print(f"control: {lost} of {told} lost, in {losing} of {len(rounds)} cuts")


def test_the_layer_itself_keeps_what_was_synced_and_drops_the_rest(tmp_path: Path) -> None:
    """Without a journal: one commit with sync, one without, a cut."""
    disk = CutDisk("cut-alone")
    connection = CutConnection(tmp_path / "x.sqlite", disk)
    run = connection.cursor().execute
    for statement in ("PRAGMA journal_mode=WAL", "PRAGMA synchronous=FULL", "CREATE TABLE t (n)", "INSERT INTO t VALUES (1)"):
        run(statement)
    connection.commit()
    run("PRAGMA synchronous=NORMAL")
    run("INSERT INTO t VALUES (2)")
    connection.commit()
    assert run("SELECT n FROM t").fetchall() == [(1,), (2,)]
    disk.cut()
    with suppress(sqlite3.Error):
        connection.close()
    disk.unregister()
    (tmp_path / "x.sqlite-shm").unlink(missing_ok=True)
    with closing(sqlite3.connect(tmp_path / "x.sqlite")) as reader:
        assert reader.execute("SELECT n FROM t").fetchall() == [(1,)]
