"""The journal's database: its tables, and connections whose commits are on the disk when they return.

Rule: what would let a power cut lose an acknowledged act is set right where a connection can do it, and refused where it can't.
"""

from __future__ import annotations

from typing import Any

import sqlalchemy as sa
from sqlalchemy.engine import Engine

from blowerbench.errors import BenchError

META = sa.MetaData()
ACTS = sa.Table(
    "acts", META,
    sa.Column("attempt", sa.String(120), primary_key=True),
    sa.Column("seq", sa.Integer, primary_key=True, autoincrement=False),  # from 1; 0 is the record's header
    sa.Column("intent", sa.String(120), nullable=False),  # the page's own number of the intent that made it
    sa.Column("digest", sa.String(64), nullable=False),  # of the intent's content
    sa.Column("line", sa.LargeBinary, nullable=False),  # as it stands in the call record, chained
    sa.Column("at", sa.BigInteger, nullable=False),  # ms of the server's time line
    sa.Index("acts_intent", "attempt", "intent"),
)  # fmt: skip
EVENTS = sa.Table(
    "events", META,
    sa.Column("number", sa.Integer, primary_key=True, autoincrement=False),
    sa.Column("at", sa.BigInteger, nullable=False),
    sa.Column("body", sa.LargeBinary, nullable=False),
    sa.Column("chain", sa.String(64), nullable=False),
)  # fmt: skip
SIGNS = sa.Table(  # the last sign of life: one row, the only one that is ever changed
    "signs", META, sa.Column("id", sa.Integer, primary_key=True, autoincrement=False), sa.Column("at", sa.BigInteger)
)
FACTS = sa.Table("facts", META, sa.Column("name", sa.String(40), primary_key=True), sa.Column("value", sa.Text))
LONGEST_NAME = 120  # characters of an attempt's or intent's name


class JournalError(BenchError):
    """A journal that can't be opened, read or written; says what to do."""


def engine_for(url: str) -> Engine:
    """A database engine that syncs each commit. Raises `JournalError` for a URL that names no database."""
    try:
        engine = sa.create_engine(url)
    except (sa.exc.ArgumentError, sa.exc.NoSuchModuleError, ImportError) as error:
        raise JournalError(
            f"{url.partition('://')[0]!r} is no database known here ({error}); use sqlite:///FILE or postgresql+psycopg://…"
        ) from error
    if engine.dialect.name == "sqlite":
        sa.event.listen(engine, "connect", durable)
    if engine.dialect.name == "postgresql":
        sa.event.listen(engine, "connect", durable_postgresql)
    return engine


def durable(connection: Any, _record: object) -> None:
    """Have SQLite sync the log at each commit: with less, a power cut loses acts that were acknowledged.

    Where plain fsync leaves data in the drive's cache (macOS), SQLite is told to have that written too (its documentation of
    ``PRAGMA fullfsync``; the pragma means nothing elsewhere).
    """
    cursor = connection.cursor()
    for pragma in ("journal_mode=WAL", "synchronous=FULL", "fullfsync=ON", "checkpoint_fullfsync=ON"):
        cursor.execute(f"PRAGMA {pragma}")
    cursor.close()


def durable_postgresql(connection: Any, _record: object) -> None:
    """Have PostgreSQL wait for its log at each commit; raises `JournalError` for a server that never syncs.

    PostgreSQL's documentation, 20.5 Write Ahead Log: ``synchronous_commit`` is a session's choice, ``fsync`` the server's.
    """
    cursor = connection.cursor()
    cursor.execute("SELECT current_setting('fsync'), current_setting('synchronous_commit')")
    syncs, waits = cursor.fetchone()
    if syncs == "off":
        connection.close()
        raise JournalError(
            "this PostgreSQL runs with fsync = off: a power cut would lose acts that were acknowledged; set fsync = on in its "
            "postgresql.conf and restart it"
        )
    if waits == "off":
        cursor.execute("SET SESSION synchronous_commit TO on")
    cursor.close()
    connection.commit()


def plain(error: BaseException) -> str:
    """The first line of what a database says went wrong."""
    return (str(getattr(error, "orig", None) or error).splitlines() or [type(error).__name__])[0][:200]
