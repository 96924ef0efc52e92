"""A disk whose power can be cut: what SQLite wrote and did not sync is kept apart, and a cut drops it.

Rule: the real files hold what a disk would hold after the cut, so that afterwards anybody can open them. A layer of SQLite's
own file interface (apsw's VFS over the system's) keeps each file's unsynced writes in memory; a sync passes them on. At the cut
none of them reaches the disk, or, as a drive's cache is written in any order, any choice of whole 512-byte sectors of them.
Creating, deleting and cutting off a file is taken to be on the disk at once: SQLite syncs the folder itself below this layer.
(What a sync promises: sqlite.org/atomiccommit.html, sections 2 and 3.)

`CutConnection` is the DB-API (PEP 249) over apsw, as far as SQLAlchemy's SQLite dialect asks for it: apsw brings a library of
its own, so the standard module can't see the layer.
"""

from __future__ import annotations

import random
import sqlite3
import threading
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import apsw

SECTOR = 512  # bytes that a drive writes whole or not at all


class PowerCutError(IOError):
    """There is no power."""


class CutDisk(apsw.VFS):
    """The layer. `cut_at` counts writes, truncations and syncs: with that one the power goes."""

    def __init__(self, name: str, cut_at: int = 10**9, sectors: random.Random | None = None) -> None:
        self.name, self.cut_at, self.sectors = name, cut_at, sectors
        self.done = 0
        self.off = False
        self.pending: dict[str, list[tuple[int, bytes]]] = {}  # unsynced writes, in order
        self.dropped = 0  # bytes
        self.guard = threading.RLock()
        super().__init__(name, "")

    def xOpen(self, name: Any, flags: list[int]) -> CutFile:
        """A file through this layer."""
        return CutFile(self, name, flags)

    def xDelete(self, filename: str, syncdir: bool) -> None:
        """Delete a file, unless there is no power."""
        self.step()
        super().xDelete(filename, syncdir)
        self.pending.pop(filename, None)

    def step(self) -> None:
        """One more operation on the disk; with the one that was chosen the power goes."""
        with self.guard:
            self.done += 1
            if not self.off and self.done >= self.cut_at:
                self.cut()
            if self.off:
                raise PowerCutError("there is no power")

    def cut(self) -> None:
        """Drop what was not synced, or keep some sectors of it."""
        with self.guard:
            self.off = True
            for file, writes in self.pending.items():
                for offset, data in writes:
                    self.dropped += len(data)
                    self._some(Path(file), offset, data)
            self.pending.clear()

    def _some(self, file: Path, offset: int, data: bytes) -> None:
        if self.sectors is None or not file.exists():
            return
        with file.open("r+b") as out:
            while data:
                size = SECTOR - offset % SECTOR
                if self.sectors.random() < 0.5:
                    out.seek(offset)
                    out.write(data[:size])
                offset, data = offset + size, data[size:]


class CutFile(apsw.VFSFile):
    """A file of the layer. Locks and shared memory are the system's."""

    def __init__(self, disk: CutDisk, name: Any, flags: list[int]) -> None:
        self.disk, self.file = disk, name.filename() if isinstance(name, apsw.URIFilename) else str(name)
        super().__init__("", name, flags)

    @property
    def _pending(self) -> list[tuple[int, bytes]]:
        return self.disk.pending.setdefault(self.file, [])

    def xRead(self, amount: int, offset: int) -> bytes:
        """What a process sees while there is power: the disk with the unsynced writes over it."""
        with self.disk.guard:
            size = min(amount, max(0, self.xFileSize() - offset))
            found = bytearray(super().xRead(amount, offset)[:size].ljust(size, b"\0"))
            for start, data in self._pending:
                low, high = max(start, offset), min(start + len(data), offset + size)
                if low < high:
                    found[low - offset : high - offset] = data[low - start : high - start]
            return bytes(found)

    def xWrite(self, data: bytes, offset: int) -> None:
        """Keep a write apart until the next sync."""
        with self.disk.guard:
            self.disk.step()
            self._pending.append((offset, bytes(data)))

    def xTruncate(self, size: int) -> None:
        """Cut the file off; with what was written to it so far."""
        with self.disk.guard:
            self.disk.step()
            self._flush()
            super().xTruncate(size)

    def xSync(self, flags: int) -> None:
        """Pass the writes on; from here on they survive."""
        with self.disk.guard:
            self.disk.step()
            self._flush()

    def _flush(self) -> None:
        for offset, data in self._pending:
            super().xWrite(data, offset)
        self._pending.clear()

    def xFileSize(self) -> int:
        """The size with the unsynced writes."""
        with self.disk.guard:
            return max([super().xFileSize(), *(start + len(data) for start, data in self._pending)])


# ---------------------------------------------------------------------- PEP 249 over it
@contextmanager
def _translated() -> Iterator[None]:
    try:
        yield
    except apsw.ConstraintError as error:
        raise sqlite3.IntegrityError(str(error)) from error
    except (apsw.Error, PowerCutError) as error:
        raise sqlite3.OperationalError(str(error)) from error


class CutCursor:
    """A cursor of PEP 249."""

    arraysize = 1

    def __init__(self, connection: CutConnection) -> None:
        self._connection = connection
        self._rows: Iterator[tuple[Any, ...]] = iter(())
        self.description: tuple[tuple[Any, ...], ...] | None = None
        self.rowcount, self.lastrowid = -1, 0

    def _run(self, statement: str, work: Callable[[apsw.Cursor], object]) -> None:
        made = self._connection.made
        with _translated():
            if statement.lstrip()[:6].upper() in ("INSERT", "UPDATE", "DELETE") and not made.in_transaction:
                made.execute("BEGIN")
            cursor, columns = made.cursor(), list[str]()

            def describe(running: apsw.Cursor, _sql: str, _values: object) -> bool:
                columns[:] = [column[0] for column in running.get_description()]
                return True

            cursor.exec_trace = describe
            work(cursor)
            rows: list[tuple[Any, ...]] = cursor.fetchall()
        self.description = tuple((column, *[None] * 6) for column in columns) or None
        self._rows, self.rowcount, self.lastrowid = iter(rows), made.changes(), made.last_insert_rowid()

    def execute(self, statement: str, parameters: Sequence[Any] = ()) -> CutCursor:
        """Run one statement."""
        self._run(statement, lambda cursor: cursor.execute(statement, tuple(parameters)))
        return self

    def executemany(self, statement: str, many: Iterable[Sequence[Any]]) -> CutCursor:
        """Run one statement with many rows."""
        self._run(statement, lambda cursor: cursor.executemany(statement, [tuple(row) for row in many]))
        return self

    def fetchone(self) -> Any:
        """The next row, or None."""
        return next(self._rows, None)

    def fetchall(self) -> list[Any]:
        """The rows that are left."""
        return list(self._rows)

    def fetchmany(self, size: int = 1) -> list[Any]:
        """Up to `size` rows."""
        return [row for row, _ in zip(self._rows, range(size), strict=False)]

    def close(self) -> None:
        """Nothing is held."""


class CutConnection:
    """A connection of PEP 249 to `file` on `disk`."""

    def __init__(self, file: Path, disk: CutDisk) -> None:
        with _translated():
            self.made = apsw.Connection(str(file), vfs=disk.name)
            self.made.set_busy_timeout(5000)

    def cursor(self) -> CutCursor:
        """A cursor."""
        return CutCursor(self)

    def _end(self, word: str) -> None:
        if self.made.in_transaction:
            with _translated():
                self.made.execute(word)

    def commit(self) -> None:
        """End the transaction."""
        self._end("COMMIT")

    def rollback(self) -> None:
        """Give the transaction up."""
        self._end("ROLLBACK")

    def close(self) -> None:
        """Close it; without power there is nothing that could be tidied up."""
        with suppress(apsw.Error, PowerCutError):
            self.made.close(force=True)

    def create_function(self, *_: Any, **__: Any) -> None:
        """The dialect's regular expressions, which no query here uses."""
