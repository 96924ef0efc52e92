"""A sealed assignment: one encrypted payload per student, opened by a personal code.

Rule: the file tells nothing without a code: no names, entry ids that look random, payloads of one length.

A code goes through scrypt (RFC 7914) with the file's salt; 32 bytes of the result are the AES-256-GCM key (NIST SP 800-38D),
16 the entry's id. This is homework: whoever holds a code holds the payload, so it hides a fault from the neighbour and from a
glance, not from its own student.
"""

from __future__ import annotations

import hashlib
import re
from pathlib import Path

import msgspec

from blowerbench.errors import BenchError

FORMAT = 1
#: Digits and letters without I, L, O and U, which are misread.
ALPHABET = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"
CODE_LENGTH = 16  # the last is the check character
PADDED = 512  # bytes of every payload
_READ_AS = str.maketrans("OIL", "011")


class SealError(BenchError):
    """A sealed file or a code that does not open; says which, and what would be right."""


class Kdf(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """scrypt's cost parameters."""

    n: int = 2**15
    r: int = 8
    p: int = 1


class Entry(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One encrypted payload; both fields hexadecimal."""

    nonce: str
    data: str


class Sealed(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """The file ``sealed.json``; `salt` is hexadecimal, entries stand under their ids."""

    format: int
    assignment: str
    title: str
    kdf: Kdf
    salt: str
    entries: dict[str, Entry]


class Payload(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """What one student works on; `fault` is ID/SEVERITY, `language` that of the panel."""

    entry: str
    assignment: str
    equipment: str
    fault: str
    complaint: str
    variant: str
    language: str = "en"


def check_character(data: str) -> str:
    """The character that makes `data` (of `ALPHABET`) a code: Luhn modulo 32, which finds every single typing error."""
    total = 0
    for place, character in enumerate(reversed(data)):
        product = ALPHABET.index(character) * (2 if place % 2 == 0 else 1)
        total += product // 32 + product % 32
    return ALPHABET[-total % 32]


def plain_code(code: str) -> str:
    """`code` as 16 characters without blanks and dashes; raises `SealError` for one that can't be a code."""
    plain = re.sub(r"[\s\-]", "", str(code)).upper().translate(_READ_AS)
    if len(plain) != CODE_LENGTH or any(c not in ALPHABET for c in plain):
        raise SealError(f"{str(code)[:40]!r} is no personal code; it has 16 letters and digits, as in 7K2M-9QXR-4TFA-0BDE")
    if check_character(plain[:-1]) != plain[-1]:
        raise SealError("there is a typing error in the code: its check character does not fit; compare it with your slip")
    return plain


def keys_of(code: str, salt: bytes, kdf: Kdf) -> tuple[bytes, str]:
    """The 32-byte key and the entry's id (32 hexadecimal digits) of a plain code."""
    memory = 128 * kdf.r * (kdf.n + kdf.p + 2)
    made = hashlib.scrypt(code.encode(), salt=salt, n=kdf.n, r=kdf.r, p=kdf.p, dklen=48, maxmem=2 * memory)
    return made[:32], made[32:].hex()


def read_sealed(file: Path | str) -> Sealed:
    """The sealed file; raises `SealError` for one that can't be read."""
    file = Path(file)
    try:
        sealed = msgspec.json.decode(file.read_bytes(), type=Sealed)
        bytes.fromhex(sealed.salt)
    except OSError as error:
        raise SealError(f"{file.name} can't be read ({error.strerror}); put the one you got beside the notebook") from error
    except (msgspec.MsgspecError, ValueError, UnicodeError) as error:
        raise SealError(f"{file.name} is damaged ({error}); fetch it again from your instructor") from error
    if sealed.format != FORMAT:
        raise SealError(f"{file.name} has format {sealed.format}, this reads {FORMAT}; install the release that made it")
    cost = sealed.kdf
    if not (2 <= cost.n <= 2**18 and cost.n.bit_count() == 1 and 1 <= cost.r <= 16 and 1 <= cost.p <= 4):
        raise SealError(f"{file.name} asks for work that no code needs; fetch it again from your instructor")
    return sealed


def open_sealed(file: Path | str, code: str) -> Payload:
    """What `code` opens in the sealed `file`; raises `SealError`."""
    from cryptography.exceptions import InvalidTag
    from cryptography.hazmat.primitives.ciphers.aead import AESGCM

    plain, sealed = plain_code(code), read_sealed(file)
    key, entry = keys_of(plain, bytes.fromhex(sealed.salt), sealed.kdf)
    found = sealed.entries.get(entry)
    if found is None:
        raise SealError(
            f"this code opens nothing in {Path(file).name} ({sealed.title}); "
            "it is another class's or another person's: ask for yours"
        )
    try:
        data = AESGCM(key).decrypt(bytes.fromhex(found.nonce), bytes.fromhex(found.data), bound(sealed.assignment, entry))
        payload = msgspec.json.decode(data.rstrip(b" "), type=Payload)
    except (InvalidTag, ValueError, msgspec.MsgspecError) as error:
        raise SealError(f"{Path(file).name} was changed since it was made; fetch it again from your instructor") from error
    if (payload.entry, payload.assignment) != (entry, sealed.assignment):
        raise SealError(f"{Path(file).name} was put together from two files; fetch it again from your instructor")
    return payload


def bound(assignment: str, entry: str) -> bytes:
    """What a payload's encryption is bound to beside its key."""
    return f"blowerbench sealed {FORMAT}\n{assignment}\n{entry}".encode()
