"""Others verify what we issue, with nothing of ours in between.

Data Integrity: pyoxigraph (Rust) reads the JSON-LD and canonicalises it, PyNaCl (libsodium) checks the signature; we use pyld
and cryptography (OpenSSL). Tokens: joserfc. Both kinds as Open Badges: openbadgeslib, which knows the specification's rules but
shares pyld and cryptography with us, so it comes second.
"""

from __future__ import annotations

import hashlib
import json
from datetime import UTC, datetime, timedelta
from typing import Any

import msgspec
import nacl.exceptions
import nacl.signing
import pyoxigraph
import pytest
from credentials.school import COMPLETION, PASSPHRASE, VECTORS, School
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat
from joserfc import jwt
from joserfc.errors import BadSignatureError
from joserfc.jwk import RSAKey
from openbadgeslib.ob3 import OB3LdpVerifier, OB3VerificationError, OB3Verifier

from blowergrade.credentials.canonical import canonical
from blowergrade.credentials.issuer import IssuerFolder
from blowergrade.credentials.issuing import issue
from blowergrade.credentials.keys import Kind

PUBLISHED = {
    "https://www.w3.org/ns/credentials/v2": "credentials-v2.jsonld",
    "https://purl.imsglobal.org/spec/ob/v3p0/context-3.0.3.json": "ob-v3p0-3.0.3.json",
}
BASE58 = "123456789ABCDEFGHJKLMNPQRSTUVWXYZabcdefghijkmnopqrstuvwxyz"


def other_canonical(document: dict[str, Any]) -> str:
    """Canonical N-Quads by pyoxigraph, the contexts read from the published files and put in place of their addresses."""
    inline = [json.loads((VECTORS / "open-badges" / PUBLISHED[c]).read_text("utf-8"))["@context"] for c in document["@context"]]
    told = json.dumps({**document, "@context": inline}).encode()
    found = pyoxigraph.Dataset(pyoxigraph.parse(told, format=pyoxigraph.RdfFormat.JSON_LD))
    found.canonicalize(pyoxigraph.CanonicalizationAlgorithm.RDFC_1_0)
    written = pyoxigraph.serialize(found, format=pyoxigraph.RdfFormat.N_QUADS)
    assert written is not None
    return "".join(sorted(f"{line}\n" for line in written.decode().splitlines()))


def other_verdict(document: dict[str, Any], raw_key: bytes) -> bool:
    """Whether the one proof holds, by W3C Data Integrity EdDSA Cryptosuites 1.0, section 3.2, with PyNaCl."""
    body = {k: v for k, v in document.items() if k != "proof"}
    (given,) = document["proof"]
    options = {k: v for k, v in given.items() if k != "proofValue"} | {"@context": body["@context"]}
    told = b"".join(hashlib.sha256(other_canonical(d).encode()).digest() for d in (options, body))
    number = 0
    for sign in given["proofValue"][1:]:
        number = number * 58 + BASE58.index(sign)
    try:
        nacl.signing.VerifyKey(raw_key).verify(told, number.to_bytes(64, "big"))
    except nacl.exceptions.BadSignatureError:
        return False
    return True


def raw(school: School) -> bytes:
    return school.document.signing("Ed25519").public().public_bytes(Encoding.Raw, PublicFormat.Raw)


def test_another_reader_of_json_ld_comes_to_the_same_canonical_text(school: School) -> None:
    assert other_canonical(school.unsigned) == canonical(school.unsigned)
    listed = {k: v for k, v in json.loads(school.listed.json).items() if k != "proof"}
    assert other_canonical(listed) == canonical(listed)


def test_another_stack_verifies_certificate_and_status_list(school: School, rival: School) -> None:
    assert other_verdict(school.json, raw(school))
    assert other_verdict(json.loads(school.listed.json), raw(school))
    assert not other_verdict(school.json, raw(rival))


def test_another_stack_sees_a_changed_score(school: School) -> None:
    forged = school.json
    forged["credentialSubject"]["result"][0]["value"] = "99"
    assert not other_verdict(forged, raw(school))


def test_another_library_verifies_the_token(school: School, rival: School) -> None:
    key = RSAKey.import_key(dict(school.document.signing("RSA").jwk))
    read = jwt.decode(school.jwt, key, algorithms=["RS256"])
    assert read.header == {"alg": "RS256", "typ": "JWT", "kid": school.document.signing("RSA").id}
    assert read.claims["jti"] == read.claims["id"] == school.issued.facts.credential_id
    assert read.claims["iss"] == read.claims["issuer"]["id"]
    assert read.claims["sub"] == read.claims["credentialSubject"]["id"]
    for claim, member in (("nbf", "validFrom"), ("exp", "validUntil")):
        assert datetime.fromtimestamp(read.claims[claim], UTC) == datetime.fromisoformat(read.claims[member])
    with pytest.raises(BadSignatureError):
        jwt.decode(school.jwt, RSAKey.import_key(dict(rival.document.signing("RSA").jwk)), algorithms=["RS256"])


def pem(school: School, kind: Kind) -> bytes:
    return school.document.signing(kind).public().public_bytes(Encoding.PEM, PublicFormat.SubjectPublicKeyInfo)


def test_a_library_for_open_badges_takes_both_kinds_for_open_badges_3(
    school: School, rival: School, folder: IssuerFolder
) -> None:
    """It goes by today's clock, so the certificate is of today."""
    today = datetime.now(UTC) - timedelta(minutes=1)
    told = msgspec.structs.replace(COMPLETION, day="2026-01-05")
    document = json.loads((folder.root / "issuer.json").read_text("utf-8"))
    for key in document["keys"]:
        key["since"] = "2026-01-01T00:00:00Z"
    (folder.root / "issuer.json").write_text(json.dumps(document), "utf-8")
    made = issue(folder, told, PASSPHRASE, when=today)
    by_token = OB3Verifier(pem(school, "RSA")).verify(made.signed.jwt.decode().strip())
    by_proof = OB3LdpVerifier(pem(school, "Ed25519")).verify(made.signed.json.decode())
    for found in (by_token, by_proof):
        assert found.id == made.facts.credential_id
        assert [r.value or r.status for r in found.results] == ["86.5", "Completed"]
        assert found.identifiers[1].identity_hash == "Robin Ashdown"
    with pytest.raises(OB3VerificationError):
        OB3Verifier(pem(rival, "RSA")).verify(made.signed.jwt.decode().strip())
    with pytest.raises(OB3VerificationError):
        OB3LdpVerifier(pem(rival, "Ed25519")).verify(made.signed.json.decode())
