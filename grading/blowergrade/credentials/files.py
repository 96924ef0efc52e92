"""Files that must not be lost or half written: issuer keys, the register of certificates, published lists.

Rule: a new file never replaces an old one, a changed file is replaced in one step, and private ones are readable by their
owner alone.
"""

from __future__ import annotations

import os
import secrets
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from blowerbench.errors import BenchError

PRIVATE = 0o600
PUBLIC = 0o644


class CredentialError(BenchError):
    """Something about keys, certificates or their checking can't be done; says what, and what would be right."""


def read(file: Path, limit: int = 8 << 20) -> bytes:
    """The bytes of `file`; raises `CredentialError` where it can't be read or has more than `limit` bytes."""
    try:
        if file.stat().st_size > limit:
            raise CredentialError(f"{file} has more than {limit} bytes, which no file of this kind needs; give another")
        return file.read_bytes()
    except OSError as error:
        raise CredentialError(f"{file} can't be read ({error.strerror}); give the right file") from error


def write_new(file: Path, data: bytes, mode: int = PUBLIC) -> None:
    """Write `data` to a `file` that must not exist yet; raises `CredentialError`."""
    _write(file, data, mode, fresh=True)


def replace(file: Path, data: bytes, mode: int = PUBLIC) -> None:
    """Put `data` in place of `file` in one step: a crash leaves the old one or the new one; raises `CredentialError`."""
    _write(file, data, mode, fresh=False)


def _write(file: Path, data: bytes, mode: int, fresh: bool) -> None:
    part = file.with_name(f".{file.name}.{secrets.token_hex(4)}")
    try:
        file.parent.mkdir(parents=True, exist_ok=True)
        handle = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, mode)
        with os.fdopen(handle, "wb") as out:
            out.write(data)
            out.flush()
            os.fsync(out.fileno())
        if fresh:
            _place(part, file)
        else:
            part.replace(file)
        _settle(file.parent)
    except OSError as error:
        raise CredentialError(f"{file} can't be written ({error.strerror}); choose a place that is yours") from error
    finally:
        with suppress(OSError):
            part.unlink()


def _place(part: Path, file: Path) -> None:
    """Give `part` the name `file` unless that is taken. A link does both at once; without links the name is claimed first."""
    try:
        os.link(part, file)
    except FileExistsError as error:
        raise _taken(file) from error
    except OSError:  # a file system without links
        try:
            os.close(os.open(file, os.O_WRONLY | os.O_CREAT | os.O_EXCL, PRIVATE))
        except FileExistsError as error:
            raise _taken(file) from error
        part.replace(file)


def _taken(file: Path) -> CredentialError:
    return CredentialError(f"{file} is there already and is never overwritten; move it away or choose another place")


def _settle(folder: Path) -> None:
    """Make the new name itself durable, where folders can be synchronised."""
    if os.name == "nt":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


@contextmanager
def locked(folder: Path) -> Iterator[None]:
    """Hold `folder` for one writer; raises `CredentialError` while another holds it. The lock ends with its process."""
    try:
        handle = (folder / ".lock").open("a+b")
    except OSError as error:
        raise CredentialError(f"{folder} can't be written ({error.strerror}); choose a folder that is yours") from error
    with handle:
        try:
            if os.name == "nt":
                import msvcrt

                msvcrt.locking(handle.fileno(), msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined,unused-ignore] # Windows only
            else:
                import fcntl

                fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            raise CredentialError(f"another command is at work in {folder}; wait until it has ended") from error
        yield
