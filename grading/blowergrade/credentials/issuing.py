"""Issuing and revoking: what the school does with a passed exam, and what it publishes afterwards.

Rule: the register is written before a certificate leaves this module, so that no certificate exists that can't be revoked.
"""

from __future__ import annotations

import secrets
import uuid
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

import msgspec
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from cryptography.hazmat.primitives.asymmetric.rsa import RSAPrivateKey

from blowergrade.credentials import files, proof, register, status, token
from blowergrade.credentials.credential import CertificateFacts, Completion, checked, credential
from blowergrade.credentials.files import CredentialError
from blowergrade.credentials.issuer import IssuerFolder, Signers
from blowergrade.credentials.pdf import certificate_pdf
from blowergrade.credentials.profile import plain
from blowergrade.credentials.register import Entry, Register
from blowergrade.credentials.strict import moment, stamp


@dataclass(frozen=True, slots=True)
class Signed:
    """One document in both securings: JSON with a Data Integrity proof, and a VC-JWT."""

    json: bytes
    jwt: bytes


@dataclass(frozen=True, slots=True)
class Issued:
    """A certificate that was issued: its facts, its files, and its page as PDF."""

    facts: CertificateFacts
    signed: Signed
    pdf: bytes


def secure(document: dict[str, Any], signers: Signers, created: str) -> Signed:
    """`document` signed both ways at the time `created`."""
    if not isinstance(signers.ed25519, Ed25519PrivateKey) or not isinstance(signers.rsa, RSAPrivateKey):
        raise CredentialError("the issuer's keys are of the wrong kinds; put your copy of the issuer folder back")
    issuer = signers.document
    made = proof.sign(document, signers.ed25519, issuer.signing("Ed25519").id, created)
    line = token.sign(document, signers.rsa, issuer.signing("RSA").id)
    return Signed(msgspec.json.format(msgspec.json.encode(made), indent=1) + b"\n", line.encode() + b"\n")


def issue(
    folder: IssuerFolder, told: Completion, passphrase: str, *,
    days: int = 0, paper: str = "us-letter", when: datetime | None = None,
) -> Issued:  # fmt: skip
    """A certificate for `told`, entered in the register; it ends after `days` days (0: never). Raises `CredentialError`."""
    told, now = checked(told), (when or datetime.now(UTC)).replace(microsecond=0)
    with files.locked(folder.root):
        signers = folder.signers(passphrase)
        known = register.load(folder.root)
        facts = CertificateFacts(
            completion=told,
            credential_id=f"urn:uuid:{uuid.uuid4()}",
            issuer_id=signers.document.id,
            issuer_name=signers.document.name,
            verification=signers.document.verification,
            status_list=signers.document.status_address(),
            status_index=status.free_index(known.taken()),
            salt=secrets.token_hex(16),
            issued=stamp(now),
            valid_until=stamp(now + timedelta(days=days)) if days else "",
        )
        signed, page = secure(plain(credential(facts)), signers, facts.issued), certificate_pdf(facts, paper)
        entry = Entry(facts.credential_id, facts.status_index, facts.issued)
        register.save(folder.root, Register(1, (*known.entries, entry)))
    return Issued(facts, signed, page)


def revoke(folder: IssuerFolder, name: str, reason: str, when: datetime | None = None) -> Entry:
    """Revoke the certificate `name` (its id or the end of it); it counts once the next list is published."""
    if not reason.strip():
        raise CredentialError("a certificate is revoked for a reason; give one, such as --reason 'issued to the wrong person'")
    with files.locked(folder.root):
        known = register.load(folder.root)
        entry = known.find(name)
        if entry.revoked:
            raise CredentialError(f"{entry.id} was revoked on {entry.revoked} already; that can't be changed")
        gone = msgspec.structs.replace(entry, revoked=stamp(when or datetime.now(UTC)), reason=reason.strip())
        register.save(folder.root, Register(1, tuple(gone if e.id == entry.id else e for e in known.entries)))
    return gone


def published_list(folder: IssuerFolder, passphrase: str, when: datetime | None = None, days: int = status.DAYS) -> Signed:
    """The status list as of now, signed; it stands for `days` days."""
    now = (when or datetime.now(UTC)).replace(microsecond=0)
    revoked = [e.index for e in register.load(folder.root).entries if e.revoked and moment(e.revoked) <= now]
    signers = folder.signers(passphrase)
    return secure(plain(status.status_list(signers.document, revoked, now, days)), signers, stamp(now))
