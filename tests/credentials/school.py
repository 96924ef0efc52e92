"""What the tests of credentials share: an invented school, its papers, and the tools of a forger."""

from __future__ import annotations

import base64
import hashlib
import hmac
import json
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import padding, rsa

from blowergrade.credentials.credential import Completion
from blowergrade.credentials.issuer import IssuerDocument, IssuerFolder, Signers, make_issuer
from blowergrade.credentials.issuing import Issued, Signed, issue, published_list, secure

VECTORS = Path(__file__).parent.parent / "vectors"
PASSPHRASE = "seven blue lanterns at noon"
ISSUED = datetime(2027, 3, 1, 9, 0, tzinfo=UTC)
NOW = ISSUED + timedelta(days=4)
COMPLETION = Completion(
    candidate="Robin Ashdown", recipient="robin.ashdown@example.org", exam="Diagnosis of furnace blowers", form="B-2",
    day="2027-02-26", score="86.5", cut="70", safety_gate=True, program="0.1.0",
    record_head=hashlib.sha256(b"record").hexdigest(),
)  # fmt: skip


@dataclass(frozen=True)
class School:
    """An issuer folder and what came out of it."""

    folder: IssuerFolder
    document: IssuerDocument
    signers: Signers
    issued: Issued
    listed: Signed

    @property
    def json(self) -> dict[str, Any]:
        """The certificate with its proof, for a forger to change."""
        made: dict[str, Any] = json.loads(self.issued.signed.json)
        return made

    @property
    def unsigned(self) -> dict[str, Any]:
        """The certificate without its proof."""
        return {k: v for k, v in self.json.items() if k != "proof"}

    @property
    def jwt(self) -> str:
        """The certificate as a token."""
        return self.issued.signed.jwt.decode().strip()

    def signed(self, document: dict[str, Any], created: str = "2027-03-01T09:00:00Z") -> Signed:
        """What the school's own keys make of `document`."""
        return secure(document, self.signers, created)


def school(root: Path, address: str, name: str) -> School:
    """A school whose certificate ends a year after it was issued."""
    folder = make_issuer(root, name, address, address.replace("issuer", "verify"), PASSPHRASE, ISSUED)
    issued = issue(folder, COMPLETION, PASSPHRASE, days=365, when=ISSUED)
    listed = published_list(folder, PASSPHRASE, ISSUED + timedelta(days=1))
    return School(folder, folder.document, folder.signers(PASSPHRASE), issued, listed)


# ---------------------------------------------------------------------- a forger's tools: none of the program's own code
def b64(data: bytes) -> str:
    """Base64url without padding."""
    return base64.urlsafe_b64encode(data).rstrip(b"=").decode()


def unb64(text: str) -> bytes:
    """Its bytes."""
    return base64.urlsafe_b64decode(text + "=" * (-len(text) % 4))


def payload_of(token: str) -> dict[str, Any]:
    """What a token says."""
    made: dict[str, Any] = json.loads(unb64(token.split(".")[1]))
    return made


def token(header: dict[str, Any] | str, payload: dict[str, Any] | str, key: rsa.RSAPrivateKey | bytes | None) -> str:
    """A token with any header and payload, signed by an RSA key (RS256), a shared secret (HS256) or nobody."""
    told = [x if isinstance(x, str) else json.dumps(x, separators=(",", ":")) for x in (header, payload)]
    text = ".".join(b64(t.encode()) for t in told)
    if key is None:
        return text + "."
    if isinstance(key, bytes):
        return f"{text}.{b64(hmac.digest(key, text.encode(), 'sha256'))}"
    return f"{text}.{b64(key.sign(text.encode(), padding.PKCS1v15(), hashes.SHA256()))}"
