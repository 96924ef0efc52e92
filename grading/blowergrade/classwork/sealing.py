"""Sealing an assignment: the payloads of all students in one file, each for its own code.

Rule: what a payload holds comes from the class folder; what a student hands back of it is never read.
"""

from __future__ import annotations

import secrets
from collections.abc import Mapping

import msgspec

from blowerbench.sealed import FORMAT, PADDED, Entry, Kdf, Payload, Sealed, bound, keys_of, plain_code
from blowergrade.classwork.folder import Assigned, ClassError


def seal(
    name: str, title: str, assigned: tuple[Assigned, ...], codes: Mapping[str, str], *,
    languages: Mapping[str, str] | None = None, old: Sealed | None = None,
) -> tuple[bytes, tuple[Assigned, ...]]:  # fmt: skip
    """The bytes of ``sealed.json``, and `assigned` with their entry ids; raises `ClassError` where somebody has no code.

    `languages` leads from a student's id to the panel's language. With `old` its entries are kept and `assigned` is added.
    """
    from cryptography.hazmat.primitives.ciphers.aead import AESGCM

    cost = old.kdf if old is not None else Kdf()
    salt = bytes.fromhex(old.salt) if old is not None else secrets.token_bytes(32)
    entries: dict[str, Entry] = dict(old.entries) if old is not None else {}
    placed: list[Assigned] = []
    for one in assigned:
        if one.student not in codes:
            raise ClassError(f"{one.student} has no personal code; `blowergrade class roster` makes the missing ones")
        key, entry = keys_of(plain_code(codes[one.student]), salt, cost)
        language = (languages or {}).get(one.student, "en")
        payload = Payload(entry, name, one.equipment, one.fault, one.complaint, one.variant, language)
        plain = msgspec.json.encode(payload)
        if len(plain) > PADDED:
            raise ClassError(f"the payload of {one.student} has {len(plain)} bytes, {PADDED} fit; use shorter names")
        nonce = secrets.token_bytes(12)
        data = AESGCM(key).encrypt(nonce, plain.ljust(PADDED), bound(name, entry))
        entries[entry] = Entry(nonce.hex(), data.hex())
        placed.append(msgspec.structs.replace(one, entry=entry))
    sealed = Sealed(FORMAT, name, title, cost, salt.hex(), dict(sorted(entries.items())))
    return msgspec.json.format(msgspec.json.encode(sealed), indent=1) + b"\n", tuple(placed)
