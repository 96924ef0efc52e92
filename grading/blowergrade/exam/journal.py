"""The sitting's journal: acts and events in a database, each on the disk before anybody is told.

Rule: one thread writes. What waits is written as one transaction (group commit), and a future is done only after its commit
returned, so what was acknowledged survives a kill and a power cut. Rows are only ever added.

SQLite in WAL mode with synchronous=FULL by default (one file, one machine); any database that SQLAlchemy speaks by its URL.
"""

from __future__ import annotations

import hashlib
import queue
import threading
from collections.abc import Callable, Sequence
from concurrent.futures import Future
from typing import Any

import msgspec
import sqlalchemy as sa
from sqlalchemy.engine import Connection, Engine

from blowergrade.exam.database import ACTS, EVENTS, FACTS, LONGEST_NAME, META, SIGNS, JournalError, durable, engine_for, plain
from blowergrade.exam.sitting import AnyEvent

FORMAT = 1
GENESIS = "0" * 64


class ActRow(msgspec.Struct, frozen=True):
    """One line of a call record as the journal keeps it."""

    attempt: str
    seq: int
    intent: str
    digest: str
    line: bytes
    at: int


class EventRow(msgspec.Struct, frozen=True):
    """One event with its number, time (ms) and chain value."""

    number: int
    at: int
    body: bytes
    chain: str

    @property
    def event(self) -> AnyEvent:
        """What happened."""
        found: AnyEvent = msgspec.json.decode(self.body, type=AnyEvent)
        return found


class _Sign(msgspec.Struct, frozen=True):
    at: int


def event_chain(previous: str, number: int, at: int, body: bytes) -> str:
    """The chain value of an event: SHA-256 over the one before, its number, its time and its body."""
    return hashlib.sha256(b"%s\n%d\n%d\n%s" % (previous.encode(), number, at, body)).hexdigest()


Row = ActRow | EventRow | _Sign


class Journal:
    """The open journal of one sitting."""

    def __init__(self, engine: Engine, *, most: int = 4096, after_commit: Callable[[], None] | None = None) -> None:
        self._engine = engine
        self._queue: queue.SimpleQueue[tuple[Sequence[Row], Future[None]] | None] = queue.SimpleQueue()
        self._most = most
        self._after_commit = after_commit
        self._guard = threading.RLock()
        self._broken: BaseException | None = None
        self._closed = False
        try:
            with engine.begin() as connection:
                FACTS.create(connection, checkfirst=True)
                self._check_format(connection)  # before anything is changed
                META.create_all(connection)
            events = self.events()
            self._writing = engine.connect()
        except (sa.exc.SQLAlchemyError, JournalError) as error:
            engine.dispose()
            if isinstance(error, JournalError):
                raise
            raise JournalError(f"the journal can't be opened ({plain(error)}); check the file's folder and rights") from error
        self._number = events[-1].number if events else 0
        self._head = events[-1].chain if events else GENESIS
        self._thread = threading.Thread(target=self._write_all, name="journal", daemon=True)
        self._thread.start()

    def _check_format(self, connection: Connection) -> None:
        found = connection.execute(sa.select(FACTS.c.value).where(FACTS.c.name == "format")).scalar()
        if found is None:
            connection.execute(FACTS.insert().values(name="format", value=str(FORMAT)))
        elif found != str(FORMAT):
            raise JournalError(f"the journal has format {found}, this program reads {FORMAT}; install the release that made it")

    # ------------------------------------------------------------------ writing
    def add_acts(self, rows: Sequence[ActRow]) -> Future[None]:
        """Have `rows` written, all or none of them; the future is done once they are on the disk."""
        for row in rows:
            for name in (row.attempt, row.intent):
                if len(name) > LONGEST_NAME or not name.isprintable():  # one such row would stop a database for everybody
                    raise JournalError(f"{name[:20]!r}… can't be kept; a name has up to {LONGEST_NAME} printable characters")
        return self._put(rows)

    def add_act(self, row: ActRow) -> Future[None]:
        """Have `row` written; the future is done once it is on the disk."""
        return self.add_acts((row,))

    def add_event(self, event: AnyEvent, at: int) -> tuple[EventRow, Future[None]]:
        """Have `event` written with the next number; returns its row and the future of its commit."""
        with self._guard:
            body = msgspec.json.encode(event)
            number = self._number + 1
            row = EventRow(number, at, body, event_chain(self._head, number, at, body))
            done = self._put((row,))
            self._number, self._head = number, row.chain
        return row, done

    def sign(self, at: int) -> Future[None]:
        """Write down that the service lives at `at` (ms)."""
        return self._put((_Sign(at),))

    def _put(self, rows: Sequence[Row]) -> Future[None]:
        done: Future[None] = Future()
        done.set_running_or_notify_cancel()  # what waits to be written can't be called back
        with self._guard:
            if self._broken is not None:
                raise self._unwritable(self._broken)
            if self._closed:
                raise JournalError("the journal is closed; start the service again")
            self._queue.put((rows, done))
        return done

    @staticmethod
    def _unwritable(error: BaseException) -> JournalError:
        return JournalError(
            f"the journal can't be written any more ({plain(error)}), and nothing is acknowledged; mend the disk or the "
            "database, then start the service again"
        )

    def _write_all(self) -> None:
        with self._writing:
            last = False
            while not last:
                batch: list[tuple[Sequence[Row], Future[None]]] = []
                more = self._queue.get()
                while more is not None:
                    batch.append(more)
                    if len(batch) == self._most:
                        break
                    try:
                        more = self._queue.get_nowait()
                    except queue.Empty:
                        break
                last = more is None
                if batch:
                    self._commit(batch)

    def _commit(self, batch: Sequence[tuple[Sequence[Row], Future[None]]]) -> None:
        try:
            if self._broken is None:
                with self._writing.begin():
                    _insert(self._writing, [row for rows, _ in batch for row in rows])
                if self._after_commit is not None:
                    self._after_commit()
        except BaseException as error:
            self._broken = error
        for _, done in batch:  # once broken, always broken: a later commit would leave a hole before it
            if self._broken is None:
                done.set_result(None)
            else:
                done.set_exception(self._unwritable(self._broken))

    def close(self) -> None:
        """Write what waits and let go of the database."""
        with self._guard:
            self._closed = True
            self._queue.put(None)
        self._thread.join()
        self._engine.dispose()

    # ------------------------------------------------------------------ reading
    def _read(self, *queries: sa.Select[Any]) -> list[list[tuple[Any, ...]]]:
        try:
            with self._engine.connect() as connection:
                return [[tuple(row) for row in connection.execute(query)] for query in queries]
        except sa.exc.SQLAlchemyError as error:
            raise JournalError(f"the journal can't be read ({plain(error)}); see that its disk or database is there") from error

    def acts(self, attempt: str) -> tuple[ActRow, ...]:
        """The lines of one attempt, in order."""
        (found,) = self._read(sa.select(*ACTS.c).where(ACTS.c.attempt == attempt).order_by(ACTS.c.seq))
        return tuple(ActRow(r[0], r[1], r[2], r[3], _raw(r[4]), r[5]) for r in found)

    def line(self, attempt: str, seq: int) -> bytes | None:
        """One line of an attempt, or None."""
        found = sa.select(ACTS.c.line).where(ACTS.c.attempt == attempt, ACTS.c.seq == seq)
        with self._engine.connect() as connection:
            line = connection.execute(found).scalar()
        return None if line is None else bytes(line)

    def attempts(self) -> tuple[str, ...]:
        """The attempts that have a line, sorted."""
        (found,) = self._read(sa.select(ACTS.c.attempt).distinct())
        return tuple(sorted(r[0] for r in found))

    def counts(self) -> dict[str, int]:
        """How many acts each attempt has."""
        (found,) = self._read(sa.select(ACTS.c.attempt, sa.func.max(ACTS.c.seq)).group_by(ACTS.c.attempt))
        return {r[0]: r[1] for r in found}

    def events(self) -> tuple[EventRow, ...]:
        """Every event, in order."""
        (found,) = self._read(sa.select(*EVENTS.c).order_by(EVENTS.c.number))
        return tuple(EventRow(r[0], r[1], _raw(r[2]), r[3]) for r in found)

    def last_sign(self) -> int | None:
        """The newest time (ms) at which the service is known to have lived, or None."""
        newest = self._read(*(sa.select(sa.func.max(column)) for column in (SIGNS.c.at, EVENTS.c.at, ACTS.c.at)))
        return max((rows[0][0] for rows in newest if rows[0][0] is not None), default=None)

    @property
    def head(self) -> tuple[int, str]:
        """The number and the chain value of the newest event."""
        return self._number, self._head


def _insert(connection: Connection, rows: Sequence[Row]) -> None:
    acts = [msgspec.structs.asdict(r) for r in rows if isinstance(r, ActRow)]
    events = [msgspec.structs.asdict(r) for r in rows if isinstance(r, EventRow)]
    signs = [r.at for r in rows if isinstance(r, _Sign)]
    if acts:
        connection.execute(ACTS.insert(), acts)
    if events:
        connection.execute(EVENTS.insert(), events)
    if signs:
        changed = connection.execute(SIGNS.update().where(SIGNS.c.id == 1).values(at=max(signs)))
        if not changed.rowcount:
            connection.execute(SIGNS.insert().values(id=1, at=max(signs)))


def _raw(value: object) -> bytes:
    return value.encode() if isinstance(value, str) else bytes(value)  # type: ignore[call-overload] # text: somebody's hand


def check_events(rows: Sequence[EventRow]) -> str:
    """What is wrong with the chain of `rows`, or ""."""
    head = GENESIS
    for k, row in enumerate(rows, 1):
        if row.number != k:
            return f"event {k} is missing"
        head = event_chain(head, row.number, row.at, row.body)
        if head != row.chain:
            return f"event {k} does not follow from the one before: it was changed, moved or removed"
    return ""


__all__ = ["ActRow", "EventRow", "Journal", "JournalError", "check_events", "durable", "engine_for", "event_chain"]
