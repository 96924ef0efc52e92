"""Data Integrity proofs, cryptosuite `eddsa-rdfc-2022` (W3C Data Integrity EdDSA Cryptosuites 1.0, section 3.2).

Rule: what is signed is SHA-256 of the canonical proof options, then SHA-256 of the canonical document, in this order
(section 3.2.4); the proof's own value and nothing else is left out.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from typing import Any

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey

from blowergrade.credentials import multibase
from blowergrade.credentials.canonical import canonical
from blowergrade.credentials.files import CredentialError

SUITE = "eddsa-rdfc-2022"
Document = Mapping[str, Any]


def signed_bytes(document: Document, proof: Document, known: Mapping[str, Any] | None = None) -> bytes:
    """The 64 bytes that a proof signs; `document` has no proof, `proof` may have its value. `known` as in `canonical`."""
    options = {k: v for k, v in proof.items() if k != "proofValue"} | {"@context": document["@context"]}
    return b"".join(hashlib.sha256(canonical(part, known).encode()).digest() for part in (options, document))


def sign(
    document: Document, key: Ed25519PrivateKey, method: str, created: str, known: Mapping[str, Any] | None = None
) -> dict[str, Any]:
    """`document` with its proof (an array of one, as the Open Badges schema wants it).

    `method` is the public key's address, `created` a time as ``2027-03-01T17:00:00Z``.
    """
    if "proof" in document:
        raise CredentialError("it has a proof already; sign what has none")
    proof = {
        "type": "DataIntegrityProof",
        "cryptosuite": SUITE,
        "created": created,
        "verificationMethod": method,
        "proofPurpose": "assertionMethod",
    }
    value = multibase.base58(key.sign(signed_bytes(document, proof, known)))
    return {**document, "proof": [{**proof, "proofValue": value}]}


def holds(document: Document, proof: Document, key: Ed25519PublicKey, known: Mapping[str, Any] | None = None) -> bool:
    """Whether `proof` is `key`'s signature under `document` (which has no proof)."""
    signature = multibase.from_base58(str(proof.get("proofValue", "")))
    try:
        key.verify(signature, signed_bytes(document, proof, known))
    except InvalidSignature:
        return False
    return True
