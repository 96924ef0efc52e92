"""The journal on a real PostgreSQL, by its URL: the same promises as on SQLite, and a kill -9 of the server in the middle.

Rule: what is on its disk is asked with PostgreSQL's own client. A machine without PostgreSQL fails these tests and is told what
to install; `tests/run.py` installs it where it may.
"""

from __future__ import annotations

import random
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import msgspec
import pytest
import sqlalchemy as sa
from alone import alone
from exam.hall_room import AT_ONCE, FURNACE, room
from exam.postgres_server import Server
from exam.walks import walk
from sampling import seed

from blowergrade.exam.journal import ActRow, Journal, JournalError, check_events, engine_for
from blowergrade.exam.sitting import Closed, Granted, Incident, Opened, Started

PATIENCE = 20  # s
WRITERS = 6
LOAD = 200  # acts and events that are acknowledged before the server dies, at the least
WALK = [msgspec.to_builtins(act) for act in walk(FURNACE, 3, 12)]


@pytest.fixture(scope="module")
def server() -> Iterator[Server]:
    """A running server, for this file's tests."""
    made = Server()
    try:
        made.start()
        yield made
    finally:
        made.remove()


def act(seq: int, attempt: str = "c01/k1") -> ActRow:
    """A row, recognisable by its number."""
    return ActRow(attempt, seq, f"v:{seq}", "d" * 64, b"line \x00\xff %d\n" % seq, 10**12 + seq)


def test_what_was_written_is_read_back_by_the_next_journal(server: Server) -> None:
    url = server.schema("again")
    journal = Journal(engine_for(url))
    assert (journal.last_sign(), journal.head, journal.attempts()) == (None, (0, "0" * 64), ())
    journal.add_acts([act(0), act(1), act(2), act(0, "c02/k1")]).result(PATIENCE)
    row, done = journal.add_event(Granted("c01", 60, "Zürich 漢 \x00"), 900)
    done.result(PATIENCE)
    for at in (2 * 10**12, 3 * 10**12):
        journal.sign(at).result(PATIENCE)
    journal.close()
    again = Journal(engine_for(url))
    assert again.acts("c01/k1") == (act(0), act(1), act(2)) and again.acts("nobody") == ()
    assert again.attempts() == ("c01/k1", "c02/k1") and again.counts() == {"c01/k1": 2, "c02/k1": 0}
    assert again.events() == (row,) and check_events(again.events()) == ""
    assert again.last_sign() == 3 * 10**12
    assert again.add_event(Closed(), 4)[0].number == 2
    again.close()
    assert server.ask("again", "SELECT count(*), max(seq) FROM acts") == ["4|2"]
    assert server.ask("again", "SELECT number FROM events ORDER BY number") == ["1", "2"]


def test_what_waits_is_written_as_one_transaction(server: Server) -> None:
    commits, free, there = [0], threading.Event(), threading.Event()

    def gate() -> None:
        commits[0] += 1
        there.set()
        assert free.wait(PATIENCE)

    journal = Journal(engine_for(server.schema("grouped")), after_commit=gate)
    journal.add_act(act(0, "first"))
    assert there.wait(PATIENCE)
    waiting = [journal.add_act(act(seq)) for seq in range(1, 501)] + [journal.add_event(Opened(), 1)[1]]
    free.set()
    for done in waiting:
        done.result(PATIENCE)
    journal.close()
    assert commits == [2]
    assert len(server.ask("grouped", "SELECT DISTINCT xmin::text FROM acts")) == 2  # the transactions that wrote the rows


def test_a_session_that_would_not_wait_for_the_disk_is_made_to(server: Server) -> None:
    url = server.schema("hasty", synchronous_commit="off")
    plain, ours = sa.create_engine(url), engine_for(url)
    for engine, expected in ((plain, "off"), (ours, "on")):
        with engine.connect() as connection:
            assert connection.execute(sa.text("SHOW synchronous_commit")).scalar() == expected
        engine.dispose()


def test_a_name_that_would_break_the_database_is_turned_away_and_stops_nobody_else(server: Server) -> None:
    """PostgreSQL refuses NUL in text, and more than a column's width."""
    url = server.schema("names")
    journal = Journal(engine_for(url))
    for name in ("nul\0", "x" * 121):
        with pytest.raises(JournalError, match="120 printable characters"):
            journal.add_act(ActRow("c01/k1", 1, name, "d" * 64, b"", 0))
    journal.add_act(ActRow("c01/k1", 1, "x" * 120, "d" * 64, b"", 0)).result(PATIENCE)
    journal.close()
    raw = sa.create_engine(url)  # the control: without that check the database does refuse them
    for name in ("nul\0", "x" * 121):
        insert = sa.text("INSERT INTO acts VALUES ('a', 1, :name, '', '', 0)")
        with pytest.raises(sa.exc.DBAPIError), raw.begin() as connection:
            connection.execute(insert, {"name": name})
    raw.dispose()


def test_another_format_is_refused_and_left_as_it_is(server: Server) -> None:
    url = server.schema("other")
    Journal(engine_for(url)).close()
    server.ask("other", "UPDATE facts SET value = '2'; DROP TABLE signs")
    with pytest.raises(JournalError, match=r"has format 2, this program reads 1; install the release"):
        Journal(engine_for(url))
    left = server.ask("other", "SELECT tablename FROM pg_tables WHERE schemaname = 'other' ORDER BY 1")
    assert left == ["acts", "events", "facts"]


def test_a_database_that_is_not_there_is_said(server: Server) -> None:
    with pytest.raises(JournalError, match=r"can't be opened .*does not exist"):
        Journal(engine_for(server.url("nowhere")))


def test_a_sitting_on_postgresql_goes_on_after_its_service_was_started_again(server: Server, tmp_path: Path) -> None:
    url = server.schema("sitting")
    folder = room(tmp_path / "exam", 1, rules=AT_ONCE, calls=[("healthy_unit", "nothing_blows")])

    async def sit(first: int, last: int) -> tuple[str, int]:
        hall = folder.open_hall(url)
        await hall.start()
        if first == 1:
            await hall.happened(Opened())
            await hall.begin("c01")
        page = await hall.page("c01", "k1")
        for seq in range(first, last + 1):
            frame = await hall.hear("c01", "k1", {"kind": "act", "view": "page", "seq": seq, "act": WALK[seq - 1]})
        assert msgspec.json.decode(page)["acks"].get("page", 0) == first - 1
        await hall.stop()
        folder.unlock()
        return frame.receipt, frame.acts

    alone(sit(1, 6))
    receipt, acts = alone(sit(7, 12))
    assert acts == 12
    assert server.ask("sitting", "SELECT max(seq) FROM acts WHERE attempt = 'c01/k1'") == ["12"]
    last = server.ask("sitting", "SELECT convert_from(line, 'UTF8') FROM acts WHERE attempt = 'c01/k1' AND seq = 12")[0]
    assert msgspec.json.decode(last)["chain"] == receipt


# ---------------------------------------------------------------------- a server that dies
def write(journal: Journal, name: str, told: list[tuple[str, int]], start: int) -> None:
    """Acts and events, one after the other, until the journal says that it can't; `told` is what was acknowledged."""
    try:
        for seq in range(start, start + 100_000):
            journal.add_act(act(seq, name)).result(PATIENCE)
            told.append((name, seq))
            if seq % 10 == 0:
                row, done = journal.add_event(Incident(name, str(seq)), seq)
                done.result(PATIENCE)
                told.append(("event", row.number))
    except JournalError as error:
        assert "start the service again" in str(error)


@pytest.mark.slow
def test_a_kill_of_the_database_server_under_load_loses_no_acknowledged_act(server: Server) -> None:
    url = server.schema("killed")
    journal = Journal(engine_for(url))
    journal.add_event(Started("c01", 3600), 0)[1].result(PATIENCE)
    told: list[tuple[str, int]] = []
    writers = [threading.Thread(target=write, args=(journal, f"w{k}/k1", told, 1)) for k in range(WRITERS)]
    for one in writers:
        one.start()
    deadline = time.monotonic() + PATIENCE
    while len(told) < LOAD and time.monotonic() < deadline:
        time.sleep(0.01)
    time.sleep(random.Random(seed()).uniform(0, 0.3))
    server.kill()
    for one in writers:
        one.join(PATIENCE)
    assert not any(one.is_alive() for one in writers), "everybody is told that the journal is broken"
    with pytest.raises(JournalError, match="can't be read"):
        journal.acts("w0/k1")
    server.start()
    with pytest.raises(JournalError, match="start the service again"):
        journal.add_act(act(10**6))  # once broken, always broken: no hole
    journal.close()

    rows = {(n, int(s)) for n, s in (line.split("|") for line in server.ask("killed", "SELECT attempt, seq FROM acts"))}
    rows |= {("event", int(n)) for n in server.ask("killed", "SELECT number FROM events")}
    assert set(told) - rows == set()
    assert len(told) >= LOAD, "there was a load"
    again = Journal(engine_for(url))
    assert check_events(again.events()) == ""
    for name in again.attempts():
        assert [row.seq for row in again.acts(name)] == list(range(1, again.counts()[name] + 1))
        again.add_act(act(again.counts()[name] + 1, name)).result(PATIENCE)
    again.close()
    print(f"{len(told)} acknowledged, 0 lost, {len(rows) - 1 - len(told)} on the disk but unheard")


def test_a_server_that_never_syncs_is_refused(server: Server) -> None:
    """PostgreSQL's documentation of ``fsync``: off "can result in unrecoverable data corruption" after a power failure."""
    url = server.schema("careless")
    server.stop()
    try:
        server.start(fsync="off")
        with pytest.raises(JournalError, match="fsync = off"):
            Journal(engine_for(url))
    finally:
        server.stop()
        server.start()
    Journal(engine_for(url)).close()
