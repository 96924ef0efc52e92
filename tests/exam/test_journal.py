"""The journal on a real file: what is acknowledged is there, in order and whole, and what is wrong is said.

Rule: the file is looked at through the standard library's sqlite3 and hashlib, not through the journal.
"""

from __future__ import annotations

import asyncio
import hashlib
import sqlite3
import subprocess
import threading
from collections.abc import Callable
from concurrent.futures import Future
from contextlib import closing
from functools import partial
from pathlib import Path

import pytest
import sqlalchemy as sa
from alone import alone
from exam.hall_room import room

from blowergrade.exam.journal import ActRow, EventRow, Journal, JournalError, check_events, engine_for
from blowergrade.exam.programme import ExamError
from blowergrade.exam.sitting import AnyEvent, CallBegun, Closed, Granted, Incident, Opened, SignedIn, Started

PATIENCE = 10  # s for a commit on a busy machine


def act(seq: int, attempt: str = "c01/k1", line: bytes = b"line") -> ActRow:
    """A row, recognisable by its number."""
    return ActRow(attempt, seq, f"v:{seq}", "d" * 64, line + b" %d\n" % seq, 1000 + seq)


def opened(file: Path, after_commit: Callable[[], None] | None = None) -> Journal:
    """The journal in `file`."""
    return Journal(engine_for(f"sqlite:///{file}"), after_commit=after_commit)


def on_disk(file: Path, query: str) -> list[tuple[object, ...]]:
    """What another reader finds in the file now."""
    with closing(sqlite3.connect(file)) as reader:
        return reader.execute(query).fetchall()


class Gate:
    """Holds the writer after a commit until it is let go on, and counts commits."""

    def __init__(self) -> None:
        self.commits, self.free, self.there = 0, threading.Event(), threading.Event()

    def __call__(self) -> None:
        self.commits += 1
        self.there.set()
        assert self.free.wait(PATIENCE)


# ---------------------------------------------------------------------- written before it is told
def test_whoever_is_told_finds_the_act_on_the_disk(tmp_path: Path) -> None:
    file, seen = tmp_path / "j.sqlite", []
    journal = opened(file)
    for seq in range(1, 31):
        done = journal.add_act(act(seq))
        done.add_done_callback(lambda _: seen.append(on_disk(file, "SELECT max(seq) FROM acts")[0][0]))
        done.result(PATIENCE)
    journal.close()
    assert seen == list(range(1, 31))


def test_nobody_is_told_before_the_commit_returned(tmp_path: Path) -> None:
    gate = Gate()
    journal = opened(tmp_path / "j.sqlite", after_commit=gate)
    done = journal.add_act(act(1))
    assert gate.there.wait(PATIENCE)
    assert not done.done()
    gate.free.set()
    done.result(PATIENCE)
    journal.close()


def test_what_waits_is_written_as_one_transaction(tmp_path: Path) -> None:
    gate = Gate()
    journal = opened(tmp_path / "j.sqlite", after_commit=gate)
    journal.add_act(act(0, "first"))
    assert gate.there.wait(PATIENCE)
    waiting: list[Future[None]] = [journal.add_act(act(seq)) for seq in range(1, 501)]
    waiting += [journal.add_event(Opened(), 5)[1], journal.sign(6)]
    gate.free.set()
    for done in waiting:
        done.result(PATIENCE)
    journal.close()
    assert gate.commits == 2


def test_a_transaction_holds_no_more_than_it_was_told(tmp_path: Path) -> None:
    gate = Gate()
    journal = Journal(engine_for(f"sqlite:///{tmp_path / 'j.sqlite'}"), most=10, after_commit=gate)
    journal.add_act(act(0, "first"))
    assert gate.there.wait(PATIENCE)
    waiting = [journal.add_act(act(seq)) for seq in range(1, 96)]
    gate.free.set()
    for done in waiting:
        done.result(PATIENCE)
    journal.close()
    assert gate.commits == 1 + 10
    assert on_disk(tmp_path / "j.sqlite", "SELECT count(*) FROM acts") == [(96,)]


def test_lines_of_one_message_are_written_together_or_not_at_all(tmp_path: Path) -> None:
    file = tmp_path / "j.sqlite"
    journal = opened(file)
    journal.add_act(act(5)).result(PATIENCE)
    with pytest.raises(JournalError):
        journal.add_acts([act(3), act(4), act(5)]).result(PATIENCE)
    journal.close()
    assert on_disk(file, "SELECT seq FROM acts") == [(5,)]


def test_everything_is_acknowledged_in_the_order_in_which_it_came(tmp_path: Path) -> None:
    journal, told, waiting = opened(tmp_path / "j.sqlite"), list[int](), list[Future[None]]()

    def note(seq: int, _: object) -> None:
        told.append(seq)

    for seq in range(1, 301):
        done = journal.add_act(act(seq)) if seq % 3 else journal.add_event(Incident("", str(seq)), seq)[1]
        done.add_done_callback(partial(note, seq))
        waiting.append(done)
    for done in waiting:
        done.result(PATIENCE)
    journal.close()
    assert told == list(range(1, 301))
    assert [r[0] for r in on_disk(tmp_path / "j.sqlite", "SELECT seq FROM acts ORDER BY rowid")] == [
        n for n in range(1, 301) if n % 3
    ]


def test_events_of_many_threads_get_one_row_of_numbers_and_one_chain(tmp_path: Path) -> None:
    journal = opened(tmp_path / "j.sqlite")

    def write(name: str) -> None:
        for k in range(50):
            journal.add_event(Incident(name, str(k)), k)[1].result(PATIENCE)

    threads = [threading.Thread(target=write, args=(f"t{n}",)) for n in range(8)]
    for one in threads:
        one.start()
    for one in threads:
        one.join()
    rows = journal.events()
    assert [r.number for r in rows] == list(range(1, 401)) and check_events(rows) == ""
    for n in range(8):
        own = [r.event.text for r in rows if isinstance(r.event, Incident) and r.event.candidate == f"t{n}"]
        assert own == [str(k) for k in range(50)]
    journal.close()


def test_what_was_written_is_read_back_by_the_next_journal(tmp_path: Path) -> None:
    file = tmp_path / "j.sqlite"
    journal = opened(file)
    assert (journal.last_sign(), journal.head, journal.attempts()) == (None, (0, "0" * 64), ())
    journal.add_acts([act(0), act(1), act(2), act(0, "c02/k1")]).result(PATIENCE)
    row, done = journal.add_event(Granted("c01", 60, "Zürich 漢 \x00"), 900)
    done.result(PATIENCE)
    for at in (2000, 3000):
        journal.sign(at).result(PATIENCE)
    journal.close()
    again = opened(file)
    assert again.acts("c01/k1") == (act(0), act(1), act(2)) and again.acts("nobody") == ()
    assert again.attempts() == ("c01/k1", "c02/k1") and again.counts() == {"c01/k1": 2, "c02/k1": 0}
    assert again.events() == (row,) and row.event == Granted("c01", 60, "Zürich 漢 \x00")
    assert again.head == (1, row.chain) and again.last_sign() == 3000
    assert again.add_event(Closed(), 4000)[0].number == 2
    again.close()
    assert on_disk(file, "SELECT id, at FROM signs") == [(1, 3000)]


def test_the_last_sign_of_life_is_the_newest_of_signs_acts_and_events(tmp_path: Path) -> None:
    journal = opened(tmp_path / "j.sqlite")
    puts: tuple[tuple[Callable[[], Future[None]], int], ...] = (
        (lambda: journal.sign(500), 500), (lambda: journal.add_act(act(1)), 1001),
        (lambda: journal.add_event(Opened(), 1500)[1], 1500), (lambda: journal.sign(1400), 1500),
    )  # fmt: skip
    for put, newest in puts:
        put().result(PATIENCE)
        assert journal.last_sign() == newest
    journal.close()


def test_every_connection_syncs_its_commits(tmp_path: Path) -> None:
    """SQLite's documentation of PRAGMA synchronous: 2 is FULL; in WAL mode only FULL syncs the log at each commit."""
    engine = engine_for(f"sqlite:///{tmp_path / 'j.sqlite'}")
    with engine.connect() as one, engine.connect() as two:
        for connection in (one, two):
            assert connection.execute(sa.text("PRAGMA journal_mode")).scalar() == "wal"
            assert connection.execute(sa.text("PRAGMA synchronous")).scalar() == 2
            assert connection.execute(sa.text("PRAGMA fullfsync")).scalar() == 1
    engine.dispose()


# ---------------------------------------------------------------------- the chain
EVENTS: tuple[AnyEvent, ...] = (
    Opened(), SignedIn("c01"), Started("c01", 3600), CallBegun("c01", "k1"), SignedIn("c01"), Granted("c01", 60, "noise"),
    Closed(),
)  # fmt: skip


@pytest.fixture
def written(tmp_path: Path) -> Path:
    """A journal's file with a few events, two of them alike."""
    journal = opened(tmp_path / "j.sqlite")
    for k, event in enumerate(EVENTS):
        journal.add_event(event, 1000 * (k // 2))
    journal.close()
    return tmp_path / "j.sqlite"


def checked(file: Path) -> tuple[str, tuple[int, str]]:
    """What the chain check says of the file, and its head."""
    journal = opened(file)
    found = check_events(journal.events()), journal.head
    journal.close()
    return found


def changed(file: Path, *statements: str) -> str:
    """What the chain check says once somebody with the file in hand did `statements`."""
    with closing(sqlite3.connect(file)) as hand, hand:
        for statement in statements:
            hand.execute(statement)
    return checked(file)[0]


def test_the_chain_is_sha_256_over_the_value_before_number_time_and_body(written: Path) -> None:
    head = b"0" * 64
    for number, at, body, chain in on_disk(written, "SELECT number, at, body, chain FROM events ORDER BY number"):
        assert isinstance(body, bytes)
        head = hashlib.sha256(head + f"\n{number}\n{at}\n".encode() + body).hexdigest().encode()
        assert head.decode() == chain
    assert checked(written) == ("", (len(EVENTS), head.decode()))


@pytest.mark.parametrize("number", range(1, len(EVENTS) + 1))
@pytest.mark.parametrize(
    "change",
    [
        "UPDATE events SET body = CAST(replace(body, 'event', 'evenT') AS BLOB) WHERE number = {0}",
        "UPDATE events SET body = replace(body, 'event', 'evenT') WHERE number = {0}",
        "UPDATE events SET at = at + 1 WHERE number = {0}",
        "UPDATE events SET chain = replace(chain, substr(chain, 1, 1), 'x') WHERE number = {0}",
        "UPDATE events SET number = number + 100 WHERE number = {0}",
    ],
    ids=["body", "text", "time", "chain", "number"],
)  # fmt: skip
def test_a_changed_event_is_found(written: Path, number: int, change: str) -> None:
    assert changed(written, change.format(number))


@pytest.mark.parametrize("number", range(1, len(EVENTS)))
def test_a_removed_event_is_found_whether_or_not_the_others_move_up(written: Path, number: int) -> None:
    gap = changed(written, f"DELETE FROM events WHERE number = {number}")
    assert gap == f"event {number} is missing"
    closed = [f"UPDATE events SET number = {k} WHERE number = {k + 1}" for k in range(number, len(EVENTS))]
    assert changed(written, *closed) == f"event {number} does not follow from the one before: it was changed, moved or removed"


@pytest.mark.parametrize("number", range(1, len(EVENTS)))
def test_two_events_that_changed_places_are_found(written: Path, number: int) -> None:
    assert changed(
        written, f"UPDATE events SET number = 99 WHERE number = {number}",
        f"UPDATE events SET number = {number} WHERE number = {number + 1}",
        f"UPDATE events SET number = {number + 1} WHERE number = 99",
    )  # fmt: skip


def test_a_repeated_event_is_found(written: Path) -> None:
    last = len(EVENTS)
    assert changed(written, f"INSERT INTO events SELECT {last + 1}, at, body, chain FROM events WHERE number = {last}")


def test_a_cut_off_end_shows_only_against_the_head_that_was_noted_before(written: Path) -> None:
    """A stated limit: no chain can tell this; the noted head and the candidates' receipts can."""
    _, noted = checked(written)
    assert changed(written, f"DELETE FROM events WHERE number = {len(EVENTS)}") == ""
    assert checked(written)[1] != noted


# ---------------------------------------------------------------------- a disk that fails
def full_after(file: Path, pages: int) -> Journal:
    """A journal whose disk takes only so many pages of 4,096 bytes."""
    engine = engine_for(f"sqlite:///{file}")

    def limit(connection: sqlite3.Connection, _: object) -> None:
        connection.execute(f"PRAGMA max_page_count={pages}").close()

    sa.event.listen(engine, "connect", limit)
    return Journal(engine)


def test_a_full_disk_says_so_and_loses_nothing_that_was_acknowledged(tmp_path: Path) -> None:
    file, acknowledged = tmp_path / "j.sqlite", 0
    journal = full_after(file, 40)
    with pytest.raises(JournalError, match=r"full.*mend the disk"):
        for seq in range(1, 1000):
            journal.add_act(act(seq, line=b"x" * 1000)).result(PATIENCE)
            acknowledged = seq
    for again in (lambda: journal.add_act(act(2000)), lambda: journal.add_event(Closed(), 1), lambda: journal.sign(1)):
        with pytest.raises(JournalError, match=r"can't be written any more .*full"):
            again()
    journal.close()
    assert 50 < acknowledged < 200
    assert on_disk(file, "SELECT count(*), max(seq) FROM acts") == [(acknowledged, acknowledged)]
    mended = opened(file)
    mended.add_act(act(acknowledged + 1)).result(PATIENCE)
    mended.close()


def test_after_one_failure_nothing_more_is_written_so_that_no_hole_is_left(tmp_path: Path) -> None:
    """The disk fails for one commit only; what waited behind it must not be written without it."""
    file, gate, trouble = tmp_path / "j.sqlite", Gate(), [OSError(5, "Input/output error")]
    engine = engine_for(f"sqlite:///{file}")
    journal = Journal(engine, most=1, after_commit=gate)
    journal.add_event(Opened(), 1)
    assert gate.there.wait(PATIENCE)

    def fail(*_: object) -> None:
        if trouble:
            raise trouble.pop()

    sa.event.listen(engine, "before_cursor_execute", fail)
    waiting = [journal.add_event(SignedIn(f"c{k}"), k)[1] for k in range(5)]
    gate.free.set()
    for done in waiting:
        with pytest.raises(JournalError, match="Input/output error"):
            done.result(PATIENCE)
    journal.close()
    again = opened(file)
    assert [r.number for r in again.events()] == [1] and check_events(again.events()) == ""
    again.close()


def test_a_reader_gets_a_sentence_when_the_database_is_gone(written: Path) -> None:
    journal = opened(written)
    with closing(sqlite3.connect(written)) as hand, hand:
        hand.execute("DROP TABLE acts")
    with pytest.raises(JournalError, match="can't be read"):
        journal.acts("c01/k1")
    journal.close()


def test_a_waiter_who_leaves_takes_nobody_with_him(tmp_path: Path) -> None:
    """A request may be cancelled while its act waits for the disk."""
    gate = Gate()
    journal = opened(tmp_path / "j.sqlite", after_commit=gate)

    async def leave_one() -> None:
        journal.add_act(act(1))
        await asyncio.to_thread(gate.there.wait, PATIENCE)
        leaving = asyncio.wrap_future(journal.add_act(act(2)))
        staying = asyncio.wrap_future(journal.add_act(act(3)))
        await asyncio.sleep(0)
        leaving.cancel()
        await asyncio.sleep(0)
        gate.free.set()
        await asyncio.wait_for(staying, PATIENCE)

    alone(leave_one())
    journal.add_act(act(4)).result(PATIENCE)
    journal.close()
    assert on_disk(tmp_path / "j.sqlite", "SELECT count(*) FROM acts") == [(4,)]


def test_closing_writes_what_waits_and_then_takes_no_more(tmp_path: Path) -> None:
    journal = opened(tmp_path / "j.sqlite")
    waiting = [journal.add_act(act(seq)) for seq in range(1, 201)]
    journal.close()
    assert all(done.done() and done.exception() is None for done in waiting)
    with pytest.raises(JournalError, match="is closed"):
        journal.add_act(act(201))


@pytest.mark.parametrize("name", ["x" * 121, "nul\0", "line\nbreak", "\ud800"])
def test_a_name_that_some_database_refuses_is_turned_away_and_stops_nobody_else(tmp_path: Path, name: str) -> None:
    journal = opened(tmp_path / "j.sqlite")
    with pytest.raises(JournalError, match="120 printable characters"):
        journal.add_act(ActRow("c01/k1", 1, name, "", b"", 0))
    journal.add_act(ActRow("c01/k1", 1, "x" * 120, "", b"", 0)).result(PATIENCE)
    journal.close()


# ---------------------------------------------------------------------- what is no journal
def test_another_format_is_refused_and_left_as_it_is(written: Path) -> None:
    with closing(sqlite3.connect(written)) as hand, hand:
        hand.execute("UPDATE facts SET value = '2' WHERE name = 'format'")
        hand.execute("DROP TABLE signs")
    before = on_disk(written, "SELECT * FROM sqlite_master")
    with pytest.raises(JournalError, match=r"has format 2, this program reads 1; install the release"):
        opened(written)
    assert on_disk(written, "SELECT * FROM sqlite_master") == before


def test_a_file_that_is_no_database_and_a_folder_that_is_not_there_are_said(tmp_path: Path) -> None:
    other = tmp_path / "letter.txt"
    other.write_text("Dear school, " * 100)
    with pytest.raises(JournalError, match=r"can't be opened .*not a database"):
        opened(other)
    with pytest.raises(JournalError, match=r"can't be opened .*check the file's folder and rights"):
        opened(tmp_path / "nowhere" / "j.sqlite")


@pytest.mark.parametrize("url", ["nonsense", "oracle9://x", "journal.sqlite"])
def test_a_url_that_names_no_database_is_said(url: str) -> None:
    with pytest.raises(JournalError, match=r"use sqlite:///FILE or postgresql\+psycopg"):
        engine_for(url)


# ---------------------------------------------------------------------- one writer
def test_a_second_service_on_the_same_folder_is_turned_away(tmp_path: Path) -> None:
    folder = room(tmp_path / "exam", 1)
    folder.lock()
    ask = ["flock", "--nonblock", str(folder.private / "service.lock"), "true"]  # util-linux: another process's view of it
    assert subprocess.run(ask, check=False).returncode == 1
    with pytest.raises(ExamError, match=r"another service has .* open; stop it first"):
        type(folder)(folder.root).lock()
    folder.unlock()
    assert subprocess.run(ask, check=False).returncode == 0


def test_of_two_writers_past_the_lock_one_is_stopped_and_the_chain_stays_whole(tmp_path: Path) -> None:
    file = tmp_path / "j.sqlite"
    one, two = opened(file), opened(file)
    one.add_event(Opened(), 1)[1].result(PATIENCE)
    with pytest.raises(JournalError, match="UNIQUE"):
        two.add_event(Closed(), 2)[1].result(PATIENCE)
    one.add_event(Closed(), 3)[1].result(PATIENCE)
    two.close()
    one.close()
    assert checked(file)[0] == ""
    assert on_disk(file, "SELECT number, at FROM events") == [(1, 1), (2, 3)]


def test_the_check_itself_passes_an_empty_journal_and_fails_a_foreign_row() -> None:
    assert check_events(()) == ""
    assert check_events((EventRow(1, 0, b"{}", "0" * 64),)) != ""
