"""The call record: an append-only file of acts and observations, each line chained by SHA-256 to the one before.

Rule: what `append` has returned for is on the disk. Nothing is ever deleted: a torn tail is moved to ``NAME.damaged``.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import IO, TypeVar

import msgspec

from blowerbench.acts import AnyAct
from blowerbench.errors import BenchError
from blowerbench.observation import Observation

FORMAT = 1
MODEL = "2"
GENESIS = "0" * 64


class RecordError(BenchError):
    """A call record that can't be opened; says the file, the line and the remedy."""


class Header(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """The first line: what was played and by whom. It never holds the fault."""

    format: int
    model: str
    equipment: str
    equipment_digest: str
    catalogue_digest: str
    complaint: str
    variant: str
    assignment: str = ""
    person: str = ""
    packages: str = ""


class Line(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One act with its observation: `seq` from 1, `clock` in simulated seconds after it."""

    seq: int
    clock: int
    act: AnyAct
    observation: Observation


class _Chained(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    chain: str
    body: msgspec.Raw


@dataclass(frozen=True, slots=True)
class CallRecord:
    """A read record: header, lines, the head of its chain, and what was wrong with its tail (empty when whole)."""

    header: Header
    lines: tuple[Line, ...]
    head: str
    damage: str = ""
    torn: bool = False  # the damage is just a last line cut off, as a crash leaves it


def link(previous: str, body: bytes) -> str:
    """The chain value of `body` after `previous`: SHA-256 over both, in hex."""
    return hashlib.sha256(previous.encode() + b"\n" + body).hexdigest()


def chained(previous: str, value: Header | Line) -> tuple[bytes, str]:
    """The line of a record that holds `value` after the chain value `previous`, and its own chain value."""
    body = msgspec.json.encode(value)
    chain = link(previous, body)
    return msgspec.json.encode(_Chained(chain, msgspec.Raw(body))) + b"\n", chain


Kind = TypeVar("Kind", Header, Line)


def unchained(previous: str, raw: bytes, kind: type[Kind]) -> tuple[Kind, str]:
    """What the line `raw` of a record holds and its chain value; raises `RecordError` where it does not follow `previous`."""
    try:
        found = msgspec.json.decode(raw, type=_Chained)
        body = bytes(found.body)
        if link(previous, body) != found.chain:
            raise RecordError("a line of the record does not follow from the one before: it was changed, moved or removed")
        return msgspec.json.decode(body, type=kind), found.chain
    except msgspec.MsgspecError as error:
        raise RecordError(f"a line of the record can't be read ({error}); it was changed") from error


def _walk(data: bytes) -> Iterator[tuple[int, int, bytes]]:
    start, number = 0, 1
    while start < len(data):
        end = data.find(b"\n", start)
        stop = len(data) if end < 0 else end + 1
        yield number, start, data[start:stop]
        start, number = stop, number + 1


def _parse(data: bytes, name: str) -> tuple[CallRecord, int]:
    header: Header | None = None
    lines: list[Line] = []
    head, good, damage, torn = GENESIS, 0, "", False
    for number, start, raw in _walk(data):
        try:
            if not raw.endswith(b"\n"):
                raise ValueError("the line is cut off before its end")
            chained = msgspec.json.decode(raw, type=_Chained)
            body = bytes(chained.body)
            if link(head, body) != chained.chain:
                raise ValueError("its chain value does not follow from the line before: it was changed, moved or removed")
            if header is None:
                header = _header(body, name)
            else:
                line = msgspec.json.decode(body, type=Line)
                if line.seq != len(lines) + 1:
                    raise ValueError(f"it is numbered {line.seq} where {len(lines) + 1} was due")
                lines.append(line)
            head, good = chained.chain, start + len(raw)
        except (ValueError, msgspec.MsgspecError) as error:
            damage, torn = f"line {number}: {error}", not raw.endswith(b"\n")
            break
    if header is None:
        why = damage or "the file is empty"
        raise RecordError(
            f"{name}: no readable header ({why}); give a call record (.jsonl), or start a new call under another name"
        )
    return CallRecord(header, tuple(lines), head, damage, torn), good


def _header(body: bytes, name: str) -> Header:
    version = msgspec.json.decode(body, type=dict[str, object]).get("format")
    if version != FORMAT:
        raise RecordError(
            f"{name}: record format {version}; this version reads format {FORMAT}: install the release that wrote it"
        )
    return msgspec.json.decode(body, type=Header)


def read_record(path: Path) -> CallRecord:
    """The record at `path`, up to the first damaged line, which `damage` names; changes nothing on the disk."""
    if not path.exists():
        raise RecordError(f"{path}: there is no such call record; give the path of a .jsonl file that a bench wrote")
    return _parse(_content(path), path.name)[0]


class RecordWriter:
    """Appends to one record file under a lock that dies with its process."""

    def __init__(self, path: Path, header: Header) -> None:
        self.path = path
        self._lock = _lock(path)
        try:
            data = _content(path)
            if data:
                record, good = _parse(data, path.name)
                if record.header != header:
                    raise RecordError(_mismatch(path.name, record.header, header))
                if record.damage and not record.torn:
                    raise RecordError(f"{path.name}: {record.damage}; it can't be gone on with: hand it in as it is")
                if good < len(data):
                    self._move_damage(data[good:])
                    os.truncate(path, good)
            else:
                record = CallRecord(header, (), GENESIS)
            self.record = record
            self.damage = record.damage
            self._file = path.open("ab")
            self.head = record.head
            if not data:
                self._write(header)
        except BaseException:
            self._lock.close()
            raise

    def _move_damage(self, tail: bytes) -> None:
        with self.path.with_name(self.path.name + ".damaged").open("ab") as other:
            other.write(tail if tail.endswith(b"\n") else tail + b"\n")
            other.flush()
            os.fsync(other.fileno())

    def _write(self, value: Header | Line) -> None:
        data, head = chained(self.head, value)
        self._file.write(data)
        self._file.flush()
        os.fsync(self._file.fileno())
        self.head = head

    def append(self, line: Line) -> str:
        """Write `line` and return the new head of the chain; when this returns, the line is on the disk."""
        self._write(line)
        return self.head

    def close(self) -> None:
        """Release file and lock; the record stays."""
        self._file.close()
        self._lock.close()


def _content(path: Path) -> bytes:
    try:
        return path.read_bytes() if path.exists() else b""
    except OSError as error:
        raise RecordError(f"{path.name or path}: can't be read as a call record ({error.strerror}); give a file") from error


def _mismatch(name: str, found: Header, wanted: Header) -> str:
    for key in Header.__struct_fields__:
        if getattr(found, key) != getattr(wanted, key):
            return (
                f"{name}: this record was begun with {key} {getattr(found, key)!r}, not {getattr(wanted, key)!r}; "
                f"open it with the former, or choose another file name"
            )
    return f"{name}: the header differs"


def _lock(path: Path) -> IO[bytes]:
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle = path.with_name(path.name + ".lock").open("a+b")
    except OSError as error:
        raise RecordError(f"{path}: can't be written ({error.strerror}); choose a folder that is yours") from error
    try:
        if os.name == "nt":
            import msvcrt

            msvcrt.locking(handle.fileno(), msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined,unused-ignore] # Windows only
        else:
            import fcntl

            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        handle.close()
        raise RecordError(f"{path.name}: another bench has this record open; close it there, or restart its kernel") from error
    return handle
