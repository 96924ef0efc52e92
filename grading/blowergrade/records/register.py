"""The file of the records: lines that are only ever added, each chained by SHA-256 to the one before.

Rule: what `append` has returned for is on the disk. One process writes at a time; a last line that a crash cut off was never
acknowledged and is taken back. Whole lines missing at the end show only against a head that was kept elsewhere.
"""

from __future__ import annotations

import os
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import IO

import msgspec

from blowerbench.record import GENESIS, link
from blowergrade.credentials import files
from blowergrade.credentials.files import CredentialError
from blowergrade.records.entries import FORMAT, AnyEntry, Header, RecordsError

FILE = "register.jsonl"
PATIENCE = 10.0  # seconds that a command waits for another one to end
LEAST_HEAD = 16  # characters of a head that prove something


class _Line(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    chain: str
    body: msgspec.Raw


@dataclass(frozen=True, slots=True)
class Log:
    """A read register: entries with their chain values; `whole` bytes of the file are good, `torn` says that more follow."""

    header: Header
    entries: tuple[AnyEntry, ...]
    chains: tuple[str, ...]  # of the header, then of each entry
    whole: int
    torn: bool

    @property
    def head(self) -> str:
        """The chain value of the last line."""
        return self.chains[-1]

    def entry(self, number: int) -> AnyEntry:
        """The entry of this number; raises `RecordsError`."""
        if not 1 <= number <= len(self.entries):
            raise RecordsError(f"there is no entry {number}; the records have 1 to {len(self.entries)}")
        return self.entries[number - 1]


def now() -> str:
    """This moment: UTC, ISO 8601, whole seconds."""
    return datetime.now(UTC).isoformat(timespec="seconds")


def _line(previous: str, value: Header | AnyEntry) -> tuple[bytes, str]:
    body = msgspec.json.encode(value)
    chain = link(previous, body)
    return msgspec.json.encode(_Line(chain, msgspec.Raw(body))) + b"\n", chain


_LINES = msgspec.json.Decoder(_Line)
_ENTRIES: msgspec.json.Decoder[AnyEntry] = msgspec.json.Decoder(AnyEntry)


# ---------------------------------------------------------------------- reading
def read_log(root: Path) -> Log:
    """The register in the folder `root`; raises `RecordsError` at the first line that was changed, moved or taken out."""
    file = root / FILE
    try:
        data = file.read_bytes()
    except OSError as error:
        why = f"{root} holds no records ({FILE}: {error.strerror})"
        raise RecordsError(f"{why}; `blowergrade records new` makes some") from error
    whole = data.rfind(b"\n") + 1
    head, header, chains = GENESIS, None, []
    entries: list[AnyEntry] = []
    for number, raw in enumerate(data[:whole].split(b"\n")[:-1]):
        try:
            line = _LINES.decode(raw)
            if link(head, bytes(line.body)) != line.chain:
                raise ValueError("it does not follow from the line before: one was changed, moved or taken out")
            if header is None:
                header = _header(bytes(line.body))
            else:
                entries.append(_entry(line.body, number))
        except (ValueError, msgspec.MsgspecError) as error:
            raise RecordsError(f"{file}, line {number + 1}: {error}; put the copy back that you kept") from error
        head = line.chain
        chains.append(head)
    if header is None:
        raise RecordsError(f"{file} has no first line; put the copy back that you kept")
    return Log(header, tuple(entries), tuple(chains), whole, whole < len(data))


def _header(body: bytes) -> Header:
    version = msgspec.json.decode(body, type=dict[str, object]).get("format")
    if version != FORMAT:
        raise ValueError(f"these records have format {version}, this reads {FORMAT}: install the release that wrote them")
    return msgspec.json.decode(body, type=Header)


def _entry(body: msgspec.Raw, number: int) -> AnyEntry:
    entry = _ENTRIES.decode(body)
    if entry.number != number:
        raise ValueError(f"it is numbered {entry.number} where {number} was due")
    return entry


def check_head(log: Log, number: int, head: str) -> str:
    """What is wrong with `log` by a head that was kept when it had `number` entries, or ""."""
    if number < 0 or len(head) < LEAST_HEAD:
        return f"a kept head is a number of entries and at least {LEAST_HEAD} characters, as `check` prints them"
    if number > len(log.entries):
        return f"there were {number} entries when the head was kept, and {len(log.entries)} are here: the last were taken out"
    if not log.chains[number].startswith(head.lower()):
        return f"entry {number} is not the one of the kept head: the records were written anew since"
    return ""


# ---------------------------------------------------------------------- writing
class Writer:
    """The register open for adding, its folder locked; `log` is what it held when it was opened."""

    def __init__(self, file: IO[bytes], log: Log) -> None:
        self._file, self.log = file, log
        self.entries = list(log.entries)
        self._head, self._good = log.head, log.whole

    @property
    def number(self) -> int:
        """The number of the next entry."""
        return len(self.entries) + 1

    def append(self, *entries: AnyEntry) -> None:
        """Add `entries`, numbered from `number` on; they are on the disk when this returns. Raises `RecordsError`."""
        lines, head = [], self._head
        for n, entry in enumerate(entries, self.number):
            if entry.number != n:
                raise RecordsError(f"entry {entry.number} was added where {n} was due")
            line, head = _line(head, entry)
            lines.append(line)
        data = b"".join(lines)
        try:
            left = memoryview(data)
            while left:  # unbuffered: a write may take a part only
                left = left[self._file.write(left) :]
            os.fsync(self._file.fileno())
        except OSError as error:
            self._file.truncate(self._good)
            self._file.seek(self._good)
            raise RecordsError(f"the records can't be written ({error.strerror}); nothing was added: make room") from error
        self.entries += entries
        self._head, self._good = head, self._good + len(data)


def make_register(root: Path, school: str) -> None:
    """Begin records in the folder `root`; raises `RecordsError` where there are some."""
    try:
        files.write_new(root / FILE, _line(GENESIS, Header(FORMAT, school, now()))[0], files.PRIVATE)
    except CredentialError as error:
        raise RecordsError(f"{root} holds records already; take another folder ({error})") from error


@contextmanager
def writing(root: Path) -> Iterator[Writer]:
    """The register in `root`, to be added to; waits for another writer, and raises `RecordsError` if that takes long."""
    read_log(root)  # says what is wrong before a lock file is made
    with ExitStack() as held:
        _lock(root, held)
        log = read_log(root)
        file = held.enter_context((root / FILE).open("r+b", buffering=0))
        if log.torn:
            file.truncate(log.whole)
            os.fsync(file.fileno())
        file.seek(log.whole)
        yield Writer(file, log)


def _lock(root: Path, held: ExitStack) -> None:
    until = time.monotonic() + PATIENCE
    while True:
        try:
            held.enter_context(files.locked(root))
            return
        except CredentialError as error:
            if time.monotonic() > until:
                raise RecordsError(f"another command writes the records in {root}; wait until it has ended") from error
            time.sleep(0.02)
