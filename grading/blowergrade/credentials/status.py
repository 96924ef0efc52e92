"""Revocation: one bit per certificate in a list that the issuer signs (W3C Bitstring Status List 1.0).

Rule: a certificate's place in the list is random and the list is never short, so that neither tells how many were issued or to
whom (section 5.1: at least 131,072 entries). The list is a file: a verifier without network takes the one it was given.
"""

from __future__ import annotations

import gzip
import secrets
import zlib
from collections.abc import Collection, Iterable
from datetime import datetime, timedelta

from blowergrade.credentials import multibase
from blowergrade.credentials import profile as p
from blowergrade.credentials.files import CredentialError
from blowergrade.credentials.issuer import IssuerDocument
from blowergrade.credentials.strict import stamp

SIZE = 131_072  # entries: 16 kB uncompressed
LARGEST = 1 << 24  # entries that a list of somebody else may have
DAYS = 92  # for which a published list stands


def free_index(taken: Collection[int], size: int = SIZE) -> int:
    """A random place of a list that nobody has; raises `CredentialError` once half of the list is taken."""
    if len(taken) >= size // 2:
        raise CredentialError(f"the status list of {size} places is half full; begin another issuer folder for new ones")
    while (index := secrets.randbelow(size)) in taken:
        pass
    return index


def encoded(revoked: Iterable[int], size: int = SIZE) -> str:
    """A list with these places set, as `encodedList`: the first place is the leftmost bit of the first byte (section 3.2)."""
    bits = bytearray(size // 8)
    for index in revoked:
        if not 0 <= index < size:
            raise CredentialError(f"place {index} is outside a list of {size}")
        bits[index // 8] |= 0x80 >> index % 8
    return "u" + multibase.base64url(gzip.compress(bytes(bits), 9, mtime=0))


def bits_of(text: str) -> bytes:
    """The bits in an `encodedList`; raises `CredentialError`, also for a list that is too short or swells without end."""
    if not text.startswith("u"):
        raise CredentialError("a status list begins with u (base64url); get the issuer's list again")
    unpacker = zlib.decompressobj(31)
    try:
        bits = unpacker.decompress(multibase.from_base64url(text[1:]), LARGEST // 8)
    except zlib.error as error:
        raise CredentialError(f"the status list is not gzipped ({error}); get the issuer's list again") from error
    if not unpacker.eof or unpacker.unused_data:
        raise CredentialError(f"the status list is cut off or has more than {LARGEST} places; get the issuer's list again")
    if len(bits) * 8 < SIZE:
        raise CredentialError(f"the status list has {len(bits) * 8} places; the standard asks for {SIZE} or more")
    return bits


def is_set(bits: bytes, index: int) -> bool:
    """Whether the place `index` is set; raises `CredentialError` where the list has no such place."""
    if index >= len(bits) * 8:
        raise CredentialError(f"the certificate has place {index} of a list of {len(bits) * 8}; this is another list")
    return bool(bits[index // 8] & 0x80 >> index % 8)


def status_list(issuer: IssuerDocument, revoked: Iterable[int], now: datetime, days: int = DAYS) -> p.StatusList:
    """The issuer's list as an unsigned credential that stands for `days` days from `now`."""
    address = issuer.status_address()
    return p.StatusList(
        context=(p.CREDENTIALS,),
        id=address,
        type=("VerifiableCredential", "BitstringStatusListCredential"),
        issuer=issuer.id,
        valid_from=stamp(now),
        valid_until=stamp(now + timedelta(days=days)),
        credential_subject=p.Listed(
            id=f"{address}#list", type="BitstringStatusList", status_purpose="revocation", encoded_list=encoded(revoked)
        ),
    )
