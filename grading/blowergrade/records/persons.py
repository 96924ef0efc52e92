"""Who a pseudonym is: keys, one per person, and what they seal.

Rule: a key lies in a file of its own and nowhere else. Once it is destroyed nothing brings back what it sealed, here or in any
copy of the register; the chain and whatever stands open in it stay as they were.

Sealing is AES-256-GCM (NIST SP 800-38D) with a random nonce. Person, entry number and kind are its associated data, so that no
sealed text can be moved to another entry; texts are padded, so that their length tells little.
"""

from __future__ import annotations

import base64
import os
import secrets
from collections.abc import Container
from contextlib import suppress
from pathlib import Path
from typing import Literal, TypeVar

import msgspec
from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives.ciphers.aead import AESGCM

from blowerbench.sealed import ALPHABET
from blowergrade.credentials import files
from blowergrade.credentials.files import CredentialError
from blowergrade.records.entries import SECRETS, About, Accommodation, RecordsError, Secret

KEYS = "keys"
PADDED = 256  # sealed texts are filled up with blanks to a multiple of so many bytes
LENGTH = 10  # characters of a pseudonym: 50 random bits
Drawer = Literal["person", "accommodations"]  # accommodations have a key of their own: they may go earlier
DRAWERS: tuple[Drawer, ...] = ("person", "accommodations")


class GoneError(RecordsError):
    """The key was destroyed: what it sealed can't be read any more."""


def new_pseudonym(taken: Container[str]) -> str:
    """A random name that says nothing, such as ``p-7k3m0qd9xw``, and is not among `taken`."""
    while True:
        made = "p-" + "".join(secrets.choice(ALPHABET) for _ in range(LENGTH)).lower()
        if made not in taken:
            return made


def drawer_of(kind: type[About]) -> Drawer:
    """Which of a person's keys seals this kind of entry."""
    return "accommodations" if kind is Accommodation else "person"


Kind = TypeVar("Kind", bound=Secret)


class Keyring:
    """The keys of the records in the folder `root`; each is read from its file once."""

    def __init__(self, root: Path) -> None:
        self.folder = root / KEYS
        self._known: dict[tuple[str, Drawer], bytes] = {}

    def file(self, person: str, drawer: Drawer) -> Path:
        """Where the key lies."""
        return self.folder / (f"{person}.key" if drawer == "person" else f"{person}.{drawer}.key")

    def has(self, person: str, drawer: Drawer = "person") -> bool:
        """Whether there is such a key."""
        return self.file(person, drawer).is_file()

    def make(self, person: str, drawer: Drawer = "person") -> None:
        """Make a key, for this user's eyes only; raises `RecordsError` where there is one."""
        try:
            files.write_new(self.file(person, drawer), secrets.token_bytes(32).hex().encode() + b"\n", files.PRIVATE)
        except CredentialError as error:
            raise RecordsError(str(error)) from error

    def _key(self, person: str, drawer: Drawer) -> bytes:
        found = self._known.get((person, drawer))
        if found is None:
            file = self.file(person, drawer)
            try:
                found = bytes.fromhex(file.read_text(encoding="ascii"))
            except FileNotFoundError as error:
                raise GoneError(f"the key of {person} ({drawer}) is not there: what it sealed can't be read") from error
            except (OSError, ValueError) as error:
                raise RecordsError(f"{file} is no key ({error}); put the copy back that you kept") from error
            if len(found) != 32:
                raise RecordsError(f"{file} holds {len(found)} bytes, not 32; put the copy back that you kept")
            self._known[person, drawer] = found
        return found

    def destroy(self, person: str, drawer: Drawer) -> bool:
        """Write over the key, then take its file away; False where there was none. Raises `RecordsError`."""
        file = self.file(person, drawer)
        self._known.pop((person, drawer), None)
        try:
            with file.open("r+b", buffering=0) as old:
                old.write(secrets.token_bytes(65))
                os.fsync(old.fileno())
            file.unlink()
        except FileNotFoundError:
            return False
        except OSError as error:
            raise RecordsError(f"{file} can't be destroyed ({error.strerror}); do it by hand and say `erase` again") from error
        if os.name != "nt":
            handle = os.open(self.folder, os.O_RDONLY)
            with suppress(OSError):
                os.fsync(handle)
            os.close(handle)
        return True

    # ------------------------------------------------------------------ sealing
    def seal(self, kind: type[About], person: str, number: int, secret: Secret) -> str:
        """`secret` for an entry of this kind and number, in base64; raises `RecordsError`."""
        if not isinstance(secret, SECRETS[kind]):
            raise RecordsError(f"{kind.__name__} seals {SECRETS[kind].__name__}, not {type(secret).__name__}")
        plain = msgspec.json.encode(secret)
        plain += b" " * (-len(plain) % PADDED)
        nonce = secrets.token_bytes(12)
        key = self._key(person, drawer_of(kind))
        return base64.b64encode(nonce + AESGCM(key).encrypt(nonce, plain, _place(kind, person, number))).decode()

    def open(self, entry: About, kind: type[Kind]) -> Kind:
        """What `entry` seals, which is a `kind`; raises `GoneError` where its key is, and `RecordsError`."""
        key = self._key(entry.person, drawer_of(type(entry)))
        try:
            data = base64.b64decode(entry.sealed, validate=True)
            plain = AESGCM(key).decrypt(data[:12], data[12:], _place(type(entry), entry.person, entry.number))
            return msgspec.json.decode(plain, type=kind)
        except (InvalidTag, ValueError, msgspec.MsgspecError) as error:
            raise RecordsError(
                f"entry {entry.number} does not open with the key of {entry.person} ({type(error).__name__}); "
                "put the copy of keys and register back that you kept"
            ) from error


def _place(kind: type[About], person: str, number: int) -> bytes:
    return f"blowergrade records\n{person}\n{number}\n{kind.__struct_config__.tag}".encode()
