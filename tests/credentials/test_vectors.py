"""The published vectors, byte for byte (see vectors/SOURCES.md): W3C's for `eddsa-rdfc-2022`, 1EdTech's for Open Badges 3.0."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import Any

import pytest
from credentials.school import VECTORS
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey

from blowergrade.credentials import canonical, keys, multibase, proof, status
from blowergrade.credentials.credential import identity_hash
from blowergrade.credentials.files import CredentialError
from blowergrade.credentials.verify import verify

W3C, BADGES = VECTORS / "vc-di-eddsa", VECTORS / "open-badges" / "obv3p0"
SUITE = W3C / "eddsa-rdfc-2022"
#: The context that W3C's vectors name, as published at its address (from memory; the canonical text below proves it right).
EXAMPLES = {"https://www.w3.org/ns/credentials/examples/v2": {"@context": {"@vocab": "https://www.w3.org/ns/credentials/examples#"}}}


def read(file: Path) -> Any:
    return json.loads(file.read_text("utf-8"))


def text(name: str) -> str:
    return (SUITE / name).read_text("utf-8").strip()


def w3c_key() -> Ed25519PrivateKey:
    """W3C's published private key: multikey with the code 0x1300 (ed25519-priv)."""
    raw = multibase.from_base58(read(W3C / "keyPair.json")["privateKeyMultibase"])
    assert raw[:2] == b"\x80\x26"
    return Ed25519PrivateKey.from_private_bytes(raw[2:])


def test_w3c_s_document_and_proof_options_come_out_in_the_published_canonical_form() -> None:
    known = {**canonical.contexts(), **EXAMPLES}
    for given, published in (
        (W3C / "unsigned.json", "canonDocDataInt.txt"), (SUITE / "proofConfigDataInt.json", "proofCanonDataInt.txt"),
    ):  # fmt: skip
        assert canonical.canonical(read(given), known) == (SUITE / published).read_text("utf-8")


def test_w3c_s_hashes_and_signature_are_reproduced_from_its_document_and_private_key() -> None:
    known = {**canonical.contexts(), **EXAMPLES}
    unsigned, published = read(W3C / "unsigned.json"), read(SUITE / "signedDataInt.json")["proof"]
    told = proof.signed_bytes(unsigned, published, known)
    assert told[:32].hex() == text("proofHashDataInt.txt")
    assert told[32:].hex() == text("docHashDataInt.txt")
    assert told.hex() == text("combinedHashDataInt.txt")
    made = proof.sign(unsigned, w3c_key(), published["verificationMethod"], published["created"], known)
    assert made["proof"] == [published]
    assert multibase.from_base58(published["proofValue"]).hex() == text("sigHexDataInt.txt")
    assert published["proofValue"] == text("sigBTC58DataInt.txt")


def test_w3c_s_second_signature_follows_from_its_canonical_texts() -> None:
    """Its context is not at hand, its canonical texts are: hashes and signature from there."""
    folder = SUITE / "employ"
    hashes = [hashlib.sha256((folder / n).read_bytes()).digest() for n in ("proofCanonDataInt.txt", "canonDocDataInt.txt")]
    signature = w3c_key().sign(b"".join(hashes))
    assert signature.hex() == (folder / "sigHexDataInt.txt").read_text("utf-8").strip()
    assert multibase.base58(signature) == read(folder / "signedDataInt.json")["proof"]["proofValue"]


def test_w3c_s_public_key_is_spelled_as_published() -> None:
    spelled = read(W3C / "keyPair.json")["publicKeyMultibase"]
    assert keys.multikey_of(w3c_key().public_key()) == spelled
    assert keys.multikey_of(keys.from_multikey(spelled)) == spelled


def badge(name: str, which: int = 0) -> tuple[dict[str, Any], dict[str, Any], Ed25519PublicKey]:
    """A vector's document, its proof, and the key whose spelling ends the proof's method."""
    document = read(BADGES / name)
    proofs = document.pop("proof")
    given: dict[str, Any] = proofs[which] if isinstance(proofs, list) else proofs
    key = keys.from_multikey(given["verificationMethod"].split("#")[-1])
    assert isinstance(key, Ed25519PublicKey)
    return document, given, key


#: Vectors with a good proof. What is wrong in those called err is not the proof but a date, a type, an issuer.
GOOD = (
    ("simple.json", 0), ("simple-context-alias.json", 0), ("simple-did-web-method.json", 0), ("simple-multiple-proofs.json", 1),
    ("simple-err-expired.json", 0), ("simple-err-issued.json", 0), ("simple-err-issuer.json", 0), ("testlist", 0),
    ("credential-status-revoked-blank-nodes.json", 0),
)  # fmt: skip


@pytest.mark.parametrize(("name", "which"), GOOD)
def test_1edtech_s_proofs_hold(name: str, which: int) -> None:
    """Ed25519 is deterministic, so a proof that holds means the very bytes that 1EdTech signed."""
    assert proof.holds(*badge(name, which))


@pytest.mark.parametrize("name", ["simple-err-proof-value.json", "simple-err-proof-method.json", "simple-err-type.json"])
def test_1edtech_s_bad_proofs_do_not_hold(name: str) -> None:
    try:
        held = proof.holds(*badge(name))
    except CredentialError:  # one names a key that is none
        held = False
    assert not held


UNTYPED = (
    "simple-err-context.json", "simple-err-credential-subject-type.json", "simple-err-credential-subject-result-type.json",
    "simple-err-credential-subject-achievement-result-description-type.json", "simple-err-evidence-type.json",
    "simple-err-credential-subject-identifier-type.json", "simple-err-issuer-otheridentifier-type.json",
)  # fmt: skip


@pytest.mark.parametrize("name", UNTYPED)
def test_1edtech_s_vectors_with_a_wrong_type_have_members_that_nobody_signed(name: str) -> None:
    with pytest.raises(canonical.NotCanonicalError, match="nobody signed it"):
        proof.holds(*badge(name))


def test_a_context_from_elsewhere_is_never_fetched() -> None:
    with pytest.raises(canonical.NotCanonicalError, match="nothing is fetched"):
        proof.holds(*badge("simple-context-version.json"))


@pytest.mark.parametrize("file", sorted(BADGES.iterdir()), ids=lambda f: str(f.name))
def test_no_vector_of_others_passes_as_a_certificate_of_ours(file: Path) -> None:
    verdict = verify(file.read_bytes(), [])
    assert not verdict.valid and verdict.reason


def test_1edtech_s_status_list_unpacks_to_the_smallest_list_that_is_allowed() -> None:
    bits = status.bits_of(read(BADGES / "testlist")["credentialSubject"]["encodedList"])
    assert len(bits) * 8 == 131_072  # Bitstring Status List 1.0, section 5.1
    marked = [k for k in range(131_072) if status.is_set(bits, k)]
    assert len(marked) == 1
    assert status.bits_of(status.encoded(marked)) == bits


def test_the_pinned_contexts_are_the_published_ones() -> None:
    published = {"credentials-v2.jsonld": "credentials-v2.jsonld", "open-badges-3.0.3.jsonld": "ob-v3p0-3.0.3.json"}
    for name, digest in canonical.PINNED.values():
        source = (VECTORS / "open-badges" / published[name]).read_bytes()
        assert hashlib.sha256(source).hexdigest() == digest
    assert set(canonical.contexts()) == set(canonical.PINNED)


def test_an_identity_is_hashed_as_in_the_open_badges_specification() -> None:
    """The specification's own example of an IdentityHash: a@example.com with the salt Kosher (value from memory)."""
    published = "sha256$b5809d8a92f8858436d7e6b87c12ebc0ae1eac4baecc2c0b913aee2c922ef399"
    assert identity_hash("a@example.com", "Kosher") == published
    assert identity_hash("A@Example.com", "Kosher") == published
