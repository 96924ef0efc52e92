"""The register: which certificates were issued, which place each has in the status list, and which were revoked.

Rule: no names and no scores; a line is never taken out, and a revocation is never taken back (a mistake is mended by a new
certificate).
"""

from __future__ import annotations

from pathlib import Path

import msgspec

from blowergrade.credentials import files
from blowergrade.credentials.files import CredentialError

FILE = "register.json"


class Entry(msgspec.Struct, frozen=True, forbid_unknown_fields=True, omit_defaults=True):
    """One certificate: its id, its place, when it was issued; when and why it was revoked. `reason` stays with the school."""

    id: str
    index: int
    issued: str
    revoked: str = ""
    reason: str = ""


class Register(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """All certificates of an issuer folder."""

    format: int = 1
    entries: tuple[Entry, ...] = ()

    def taken(self) -> frozenset[int]:
        """Places that are given out."""
        return frozenset(e.index for e in self.entries)

    def revoked(self) -> tuple[int, ...]:
        """Places of revoked certificates, in order."""
        return tuple(sorted(e.index for e in self.entries if e.revoked))

    def find(self, name: str) -> Entry:
        """The one certificate whose id is or ends with `name`; raises `CredentialError`."""
        found = [e for e in self.entries if name and e.id.endswith(name)]
        if len(found) != 1:
            raise CredentialError(f"{name!r} fits {len(found)} certificates; give the whole id, as printed on the certificate")
        return found[0]


def load(root: Path) -> Register:
    """The register of the issuer folder `root`, empty where none was issued; raises `CredentialError`."""
    file = root / FILE
    if not file.exists():
        return Register()
    try:
        found = msgspec.json.decode(files.read(file, 64 << 20), type=Register)
    except (msgspec.MsgspecError, UnicodeError) as error:
        raise CredentialError(f"{file} is damaged ({error}); put your copy back") from error
    if found.format != 1:
        raise CredentialError(f"{file} has format {found.format}, this reads 1; install a newer release")
    return found


def save(root: Path, register: Register) -> None:
    """Put `register` in place of the old one, in one step. The caller holds the folder's lock."""
    files.replace(root / FILE, msgspec.json.format(msgspec.json.encode(register), indent=1) + b"\n", files.PRIVATE)
