"""What was handed in as files on the disk: a folder as it is, a zip file unpacked with every trap refused.

Rule: nothing is written outside the place that was made for it, nothing grows past its limit, and what is refused is told.
"""

from __future__ import annotations

import lzma
import os
import re
import stat
import zipfile
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path, PurePosixPath

from blowergrade.classwork.hand_in import LARGEST

MOST_ENTRIES = 20_000
MOST_BYTES = 2_000_000_000  # of a whole class
DEEPEST = 2  # a zip in a zip, and no further
#: What no path that is shown may hold: control characters, marks that turn the direction of writing, signs of file systems.
_BAD = re.compile(r'[\x00-\x1f\x7f-\x9f\u200e\u200f\u2028-\u202e\u2066-\u2069<>:"|?*\\]')
#: What reading a damaged archive raises, with whatever compression.
_DAMAGED = (
    zipfile.BadZipFile, zlib.error, lzma.LZMAError, OSError, NotImplementedError, RuntimeError, EOFError, ValueError,
)  # fmt: skip
WANTED = (".ipynb", ".jsonl", ".zip")


@dataclass(frozen=True, slots=True)
class Found:
    """A file that was handed in: where it lies, the path that it had (for people and matching), and when (UTC, or "")."""

    file: Path
    path: str
    when: str


@dataclass(frozen=True, slots=True)
class Refused:
    """Something that was not taken, and why."""

    path: str
    why: str


def files_of(source: Path, scratch: Path) -> Iterator[Found | Refused]:
    """Every notebook and record in `source` (a folder or a zip file); zips are unpacked into `scratch`."""
    used = [0, 0]
    if source.is_dir():
        yield from _of_folder(source, scratch, used)
    else:
        yield from _of_zip(source, "", "", scratch, 1, used)


def _of_folder(source: Path, scratch: Path, used: list[int]) -> Iterator[Found | Refused]:
    for place, folders, names in os.walk(source, followlinks=False):
        folders.sort()
        for name in sorted(names):
            file = Path(place) / name
            path = _plain(file.relative_to(source).as_posix())
            if file.suffix.lower() not in WANTED:
                continue
            about = file.lstat()
            if not stat.S_ISREG(about.st_mode):
                yield Refused(path, "it is a link or a device, not a file")
            elif file.suffix.lower() == ".zip":
                yield from _of_zip(file, path, _utc(about.st_mtime), scratch, 1, used)
            elif about.st_size > LARGEST:
                yield Refused(path, f"it has {about.st_size // 1_000_000} MB, more than {LARGEST // 1_000_000}")
            else:
                yield Found(file, path, _utc(about.st_mtime))


def _utc(seconds: float) -> str:
    return datetime.fromtimestamp(seconds, UTC).replace(microsecond=0).isoformat()


def _of_zip(file: Path, inside: str, when: str, scratch: Path, depth: int, used: list[int]) -> Iterator[Found | Refused]:
    """`used` counts entries and bytes over all zips of one collection, so that no two files are unpacked to one name."""
    shown = _plain(inside or file.name)
    try:
        with zipfile.ZipFile(file) as packed:
            for entry in packed.infolist():
                used[0] += 1
                if used[0] > MOST_ENTRIES:
                    yield Refused(shown, f"more than {MOST_ENTRIES} entries; the rest was left alone")
                    return
                try:
                    yield from _entry(packed, entry, inside, when, scratch, depth, used)
                except _DAMAGED as error:  # one damaged entry never stops the others
                    path = "/".join(p for p in (inside, entry.filename) if p)
                    yield Refused(_plain(path), f"it is damaged ({_plain(str(error))})")
    except _DAMAGED as error:
        yield Refused(shown, f"it can't be read as a zip file ({_plain(str(error))})")


def _entry(
    packed: zipfile.ZipFile, entry: zipfile.ZipInfo, inside: str, when: str, scratch: Path, depth: int, used: list[int]
) -> Iterator[Found | Refused]:
    path = "/".join(p for p in (inside, entry.filename) if p)
    if entry.is_dir() or PurePosixPath(entry.filename).suffix.lower() not in WANTED:
        return
    why = _refusal(entry)
    if why:
        yield Refused(_plain(path), why)
        return
    if used[1] + entry.file_size > MOST_BYTES:
        yield Refused(_plain(path), f"all together are more than {MOST_BYTES // 1_000_000} MB; the rest was left alone")
        return
    target = scratch / f"{used[0]:05d}{PurePosixPath(entry.filename).suffix.lower()}"  # our name, never the archive's
    used[1] += _copy(packed, entry, target)
    stamp = _stamp(entry) or when
    if target.suffix == ".zip":
        if depth < DEEPEST:
            yield from _of_zip(target, path, stamp, scratch, depth + 1, used)
        else:
            yield Refused(_plain(path), "it is a zip file in a zip file in a zip file")
        return
    yield Found(target, _plain(path), stamp)


def _refusal(entry: zipfile.ZipInfo) -> str:
    name = entry.filename.replace("\\", "/")
    if name.startswith("/") or re.match(r"^[A-Za-z]:", name) or ".." in name.split("/"):
        return "its path leads out of the zip file"
    if stat.S_ISLNK(entry.external_attr >> 16):
        return "it is a link, not a file"
    if entry.flag_bits & 0x1:
        return "it is encrypted"
    limit = MOST_BYTES if name.lower().endswith(".zip") else LARGEST
    if entry.file_size > limit:
        return f"it has {entry.file_size // 1_000_000} MB, more than {limit // 1_000_000}"
    if entry.file_size > 1_000_000 and entry.file_size > 400 * max(1, entry.compress_size):
        return "it is packed as only a bomb is"
    return ""


def _copy(packed: zipfile.ZipFile, entry: zipfile.ZipInfo, target: Path) -> int:
    """Write an entry, and no byte more than it said it has; returns how many."""
    target.parent.mkdir(parents=True, exist_ok=True)
    left = entry.file_size
    with packed.open(entry) as data, target.open("wb") as out:
        while left > 0 and (block := data.read(min(left, 1 << 20))):
            out.write(block)
            left -= len(block)
        if data.read(1):
            raise zipfile.BadZipFile(f"{entry.filename} is longer than it says")
    return entry.file_size - left


def _stamp(entry: zipfile.ZipInfo) -> str:
    try:
        when = datetime(*entry.date_time)
    except ValueError:
        return ""
    # A zip file holds local time without a zone; the years before this program are those of archives that hold none.
    return "" if when.year < 2020 else when.astimezone(UTC).isoformat()


def _plain(path: str) -> str:
    """`path` as it may be shown: no sign that changes a terminal or can't be written as UTF-8."""
    return _BAD.sub("_", path.encode("utf-8", "replace").decode())[:300]
