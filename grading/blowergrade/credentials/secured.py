"""A signed document as it comes in: what is signed, by which key, when; nothing of it proven yet.

Rule: both kinds of file are read into the same thing, strictly, before any signature is looked at: one spelling, one proof, one
header, claims equal to the credential's members.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Literal

import msgspec
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey
from cryptography.hazmat.primitives.asymmetric.rsa import RSAPublicKey

from blowergrade.credentials import profile as p
from blowergrade.credentials import proof, token
from blowergrade.credentials.files import CredentialError
from blowergrade.credentials.keys import Public
from blowergrade.credentials.strict import convert, parse

Form = Literal["", "data-integrity", "jwt"]


@dataclass(frozen=True, slots=True)
class Secured:
    """A document without its securing; `key` is the address that it names, `signed` the time that it gives."""

    form: Form
    document: dict[str, Any]
    key: str
    signed: str
    holds: Callable[[Public], bool]


def form_of(data: bytes | str) -> Form:
    """What `data` looks like; empty where it is neither JSON nor a token."""
    text = _text(data)
    if text.startswith("{"):
        return "data-integrity"
    return "jwt" if text.count(".") == 2 and text.isascii() and len(text.split()) == 1 else ""


def opened(data: bytes | str) -> Secured:
    """The signed document in `data`; raises `CredentialError`."""
    return _token(_text(data)) if form_of(data) == "jwt" else _json(data)


def _text(data: bytes | str) -> str:
    return (data if isinstance(data, str) else data.decode("utf-8", "replace")).strip()


def _json(data: bytes | str) -> Secured:
    document = parse(data)
    if not isinstance(document, dict) or not isinstance(document.get("proof"), list):
        raise CredentialError("it has no array of proofs; give the file as it was issued")
    proofs = document.pop("proof")
    if len(proofs) != 1:
        raise CredentialError(f"it carries {len(proofs)} proofs; this profile has exactly one")
    try:
        given = convert(proofs[0], p.Proof)
    except msgspec.ValidationError as error:
        raise CredentialError(f"its proof is not of the closed profile: {error}") from error

    def holds(key: Public) -> bool:
        return isinstance(key, Ed25519PublicKey) and proof.holds(document, proofs[0], key)

    return Secured("data-integrity", document, given.verification_method, given.created, holds)


def _token(text: str) -> Secured:
    header, document, claims = token.read(text)
    try:
        wanted = token.claims_of(document)
    except (KeyError, TypeError, AttributeError) as error:
        raise CredentialError(f"it lacks the member {error} that its claims must equal") from error
    for name in token.CLAIMS:
        told, own = claims.get(name), wanted.get(name)
        if told != own or type(told) is not type(own):
            told, own = str(told)[:80], str(own)[:80]
            raise CredentialError(f"its claim {name} is {told} and the certificate says {own}; the two must be equal")

    def holds(key: Public) -> bool:
        return isinstance(key, RSAPublicKey) and token.holds(text, key)

    return Secured("jwt", document, header.kid, str(document["validFrom"]), holds)
