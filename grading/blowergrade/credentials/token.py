"""A certificate as one line of text: a VC-JWT (RFC 7515, 7519; Open Badges 3.0, section 8.2), always RS256.

Rule: the verifier, not the header, says which algorithm and which key. The header is exactly alg, typ and kid; a token that
brings a key along is refused unread. The claims iss, sub, jti, nbf and exp equal the credential's own members.
"""

from __future__ import annotations

from typing import Any, Literal

import jwt
import msgspec
from cryptography.hazmat.primitives.asymmetric.rsa import RSAPrivateKey, RSAPublicKey

from blowergrade.credentials import multibase
from blowergrade.credentials.files import CredentialError
from blowergrade.credentials.strict import convert, moment, parse

CLAIMS = ("iss", "sub", "jti", "nbf", "exp")


class TokenError(CredentialError):
    """A text that is no token of this profile."""


class Header(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """The one header that is accepted."""

    alg: Literal["RS256"]
    typ: Literal["JWT"]
    kid: str


def claims_of(document: dict[str, Any]) -> dict[str, Any]:
    """The registered claims that belong to the credential `document`; times in seconds since 1970."""
    issuer = document["issuer"]
    made = {
        "iss": issuer if isinstance(issuer, str) else issuer["id"],
        "sub": document["credentialSubject"]["id"],
        "jti": document["id"],
        "nbf": int(moment(document["validFrom"]).timestamp()),
    }
    if "validUntil" in document:
        made["exp"] = int(moment(document["validUntil"]).timestamp())
    return made


def sign(document: dict[str, Any], key: RSAPrivateKey, name: str) -> str:
    """The token of the credential `document`, signed by `key`, whose public half is found under the address `name`."""
    payload = msgspec.json.encode({**document, **claims_of(document)})
    return jwt.PyJWS().encode(payload, key, algorithm="RS256", headers={"kid": name})


def read(text: str) -> tuple[Header, dict[str, Any], dict[str, Any]]:
    """Header, credential and claims of a token, *nothing of it proven yet*; raises `TokenError` or `UnreadableError`."""
    parts = text.split(".")
    if len(parts) != 3 or not all(parts):
        raise TokenError("it has not the three parts of a signed token; give the file as it was issued")
    head, body = (parse(multibase.from_base64url(part)) for part in parts[:2])
    multibase.from_base64url(parts[2])
    if not isinstance(head, dict) or not isinstance(body, dict):
        raise TokenError("header or payload is no object; give the file as it was issued")
    try:
        header = convert(head, Header)
    except msgspec.ValidationError as error:
        raise TokenError(f"the header is not exactly alg RS256, typ JWT and kid ({error}); no other one is accepted") from error
    return header, {k: v for k, v in body.items() if k not in CLAIMS}, {k: v for k, v in body.items() if k in CLAIMS}


def holds(text: str, key: RSAPublicKey) -> bool:
    """Whether the token carries `key`'s RS256 signature, whatever its header says."""
    try:
        jwt.PyJWS().decode(text, key, algorithms=["RS256"])
    except jwt.PyJWTError:
        return False
    return True
