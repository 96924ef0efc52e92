"""Multibase and multikey: how public keys and signatures are written in Data Integrity.

Rule: one value has one spelling; anything else is refused. Sources: W3C Controlled Identifiers 1.0, section 2.4 (Multibase,
alphabets) and 2.2.2 (Multikey); the codes are those of the multicodec table.
"""

from __future__ import annotations

import base64
import re

from blowergrade.credentials.files import CredentialError

ALPHABET = "123456789ABCDEFGHJKLMNPQRSTUVWXYZabcdefghijkmnopqrstuvwxyz"
ED25519 = b"\xed\x01"
RSA = b"\x85\x24"  # 0x1205 rsa-pub as an unsigned varint; what follows is PKCS #1 RSAPublicKey in DER
_URL = re.compile(r"[A-Za-z0-9_-]*")


def base58(data: bytes) -> str:
    """`data` in base58btc, with the leading "z"."""
    number, text = int.from_bytes(data, "big"), ""
    while number:
        number, digit = divmod(number, 58)
        text = ALPHABET[digit] + text
    return "z" + "1" * (len(data) - len(data.lstrip(b"\0"))) + text


def from_base58(text: str) -> bytes:
    """The bytes of a "z…" text; raises `CredentialError`."""
    if not text.startswith("z") or len(text) > 2000 or any(c not in ALPHABET for c in text[1:]):
        raise CredentialError(f"{text[:20]!r} is no base58btc text; one begins with z and has neither 0, O, I nor l")
    number = 0
    for sign in text[1:]:
        number = number * 58 + ALPHABET.index(sign)
    zeros = len(text) - 1 - len(text[1:].lstrip("1"))
    return b"\0" * zeros + number.to_bytes((number.bit_length() + 7) // 8, "big")


def base64url(data: bytes) -> str:
    """`data` in base64url without padding (RFC 7515, section 2)."""
    return base64.urlsafe_b64encode(data).rstrip(b"=").decode()


def from_base64url(text: str) -> bytes:
    """The bytes of a base64url text without padding; raises `CredentialError`, also for a second spelling of the same bytes."""
    if not _URL.fullmatch(text) or len(text) % 4 == 1:
        raise CredentialError("a part is no base64url text; give the file as it was issued")
    data = base64.urlsafe_b64decode(text + "=" * (-len(text) % 4))
    if base64url(data) != text:
        raise CredentialError("a part of base64url text has stray bits at its end; give the file as it was issued")
    return data
