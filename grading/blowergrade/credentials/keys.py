"""Signing keys: made, sealed with a passphrase, opened again; and their public halves with the time in which they count.

Rule: a private key never lies on a disk in the clear, and a sealed one opens only as the key that it was sealed as. A rotated
key signs nothing new and goes on to prove what it signed; a revoked one proves nothing, whatever the date (a thief dates back).
"""

from __future__ import annotations

import base64
import hashlib
import secrets
from datetime import datetime
from typing import Literal

import msgspec
from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives.asymmetric import ed25519, rsa
from cryptography.hazmat.primitives.ciphers.aead import AESGCM
from cryptography.hazmat.primitives.serialization import (
    Encoding,
    NoEncryption,
    PrivateFormat,
    PublicFormat,
    load_der_private_key,
    load_der_public_key,
)

from blowergrade.credentials import multibase
from blowergrade.credentials.files import CredentialError
from blowergrade.credentials.strict import moment

Kind = Literal["Ed25519", "RSA"]
KINDS: tuple[Kind, ...] = ("Ed25519", "RSA")
RSA_BITS = 3072  # 128 bits of strength: NIST SP 800-57 part 1 revision 5, table 2
SHORTEST = 12  # characters of a passphrase
COST = 1 << 16  # scrypt's N: 64 MiB and about a quarter of a second per guess
Private = ed25519.Ed25519PrivateKey | rsa.RSAPrivateKey
Public = ed25519.Ed25519PublicKey | rsa.RSAPublicKey


class PublicKey(msgspec.Struct, frozen=True, forbid_unknown_fields=True, omit_defaults=True):
    """A public key as an issuer publishes it.

    `id` is the address that proofs name. `multikey` and `jwk` are the same key in two spellings. It signs from `since` and,
    once rotated, up to `until`; `revoked` is when it was revoked, for `reason`. Times as ``2027-03-01T17:00:00Z``.
    """

    id: str
    kind: Kind
    multikey: str
    jwk: dict[str, str]
    since: str
    until: str = ""
    revoked: str = ""
    reason: str = ""

    def public(self) -> Public:
        """The key itself; raises `CredentialError` where multikey and JWK differ or are no key of this kind."""
        key = from_multikey(self.multikey)
        if self.kind != kind_of(key) or self.jwk != jwk_of(key):
            raise CredentialError(f"key {self.id}: its multikey and its JWK are not one key; get the issuer's document again")
        if isinstance(key, rsa.RSAPublicKey) and key.key_size < RSA_BITS:
            raise CredentialError(f"key {self.id} has {key.key_size} bits; an RSA key has {RSA_BITS} or more")
        return key

    def fingerprint(self) -> str:
        """SHA-256 of the multikey in groups of four, to be compared by telephone."""
        digest = hashlib.sha256(self.multikey.encode()).hexdigest()[:32]
        return " ".join(digest[k : k + 4] for k in range(0, 32, 4))

    def refusal(self, signed: datetime) -> str:
        """Why this key proves nothing that was signed at `signed`, or nothing (empty text)."""
        if self.revoked:
            return f"the key {self.id} was revoked on {self.revoked}: {self.reason}"
        if signed < moment(self.since):
            return f"the key {self.id} signs since {self.since}, and the signature is dated before that"
        if self.until and signed > moment(self.until):
            return f"the key {self.id} was replaced on {self.until}, and the signature is dated after that"
        return ""


# ---------------------------------------------------------------------- kinds and spellings
def make(kind: Kind, bits: int = RSA_BITS) -> Private:
    """A fresh private key."""
    if kind == "Ed25519":
        return ed25519.Ed25519PrivateKey.generate()
    if bits < RSA_BITS:
        raise CredentialError(f"an RSA key of {bits} bits is too short; take {RSA_BITS} or more")
    return rsa.generate_private_key(public_exponent=65537, key_size=bits)


def kind_of(key: Public) -> Kind:
    """What kind of key `key` is."""
    return "Ed25519" if isinstance(key, ed25519.Ed25519PublicKey) else "RSA"


def multikey_of(key: Public) -> str:
    """`key` as a multikey."""
    if isinstance(key, ed25519.Ed25519PublicKey):
        return multibase.base58(multibase.ED25519 + key.public_bytes(Encoding.Raw, PublicFormat.Raw))
    return multibase.base58(multibase.RSA + key.public_bytes(Encoding.DER, PublicFormat.PKCS1))


def from_multikey(text: str) -> Public:
    """The key that the multikey `text` spells; raises `CredentialError`."""
    data = multibase.from_base58(text)
    try:
        if data.startswith(multibase.ED25519):
            return ed25519.Ed25519PublicKey.from_public_bytes(data[2:])
        if data.startswith(multibase.RSA):
            key = load_der_public_key(data[2:])
            if isinstance(key, rsa.RSAPublicKey):
                return key
    except ValueError as error:
        raise CredentialError(f"{text[:20]}… is no public key ({error}); get the issuer's document again") from error
    raise CredentialError(f"{text[:20]}… is neither an Ed25519 nor an RSA key; this reads no other kind")


def jwk_of(key: Public) -> dict[str, str]:
    """`key` as a JSON Web Key (RFC 7517; Ed25519 as in RFC 8037)."""
    if isinstance(key, ed25519.Ed25519PublicKey):
        raw = key.public_bytes(Encoding.Raw, PublicFormat.Raw)
        return {"kty": "OKP", "crv": "Ed25519", "x": multibase.base64url(raw)}
    numbers = key.public_numbers()
    n, e = (x.to_bytes((x.bit_length() + 7) // 8, "big") for x in (numbers.n, numbers.e))
    return {"kty": "RSA", "n": multibase.base64url(n), "e": multibase.base64url(e)}


def published(issuer: str, key: Private, since: str) -> PublicKey:
    """The public half of `key` as `issuer` publishes it, signing from `since`."""
    public = key.public_key()
    spelled = multikey_of(public)
    # An RSA multikey is 500 characters long, so its address ends in the digest instead.
    name = spelled if kind_of(public) == "Ed25519" else "rsa-" + hashlib.sha256(spelled.encode()).hexdigest()[:32]
    return PublicKey(f"{issuer}#{name}", kind_of(public), spelled, jwk_of(public), since)


# ---------------------------------------------------------------------- sealed
class Sealed(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A private key (PKCS #8) under AES-256-GCM; the key for that comes from the passphrase through scrypt (RFC 7914)."""

    format: int
    key: str  # the public key's id: bound to the content
    salt: str
    nonce: str
    data: str
    n: int
    r: int = 8
    p: int = 1


def seal(key: Private, name: str, passphrase: str) -> bytes:
    """The file of the private `key` called `name`, readable with `passphrase` only."""
    if len(passphrase) < SHORTEST:
        raise CredentialError(f"a passphrase of {len(passphrase)} characters is too short; take {SHORTEST} or more")
    salt, nonce = secrets.token_bytes(32), secrets.token_bytes(12)
    shell = Sealed(1, name, _text(salt), _text(nonce), "", COST)
    plain = key.private_bytes(Encoding.DER, PrivateFormat.PKCS8, NoEncryption())
    closed = AESGCM(_derived(shell, passphrase)).encrypt(nonce, plain, name.encode())
    return msgspec.json.format(msgspec.json.encode(msgspec.structs.replace(shell, data=_text(closed))), indent=1) + b"\n"


def unseal(data: bytes, public: PublicKey, passphrase: str) -> Private:
    """The private key in `data`, checked to be that of `public`; raises `CredentialError`."""
    try:
        shell = msgspec.json.decode(data, type=Sealed)
        nonce, closed = base64.b64decode(shell.nonce, validate=True), base64.b64decode(shell.data, validate=True)
        modest = shell.n.bit_count() == 1 and 2 <= shell.n <= 1 << 20 and 1 <= shell.r <= 16 and shell.p == 1
        if shell.format != 1 or not modest:
            raise ValueError("it asks for work that no key file asks for")
        plain = AESGCM(_derived(shell, passphrase)).decrypt(nonce, closed, public.id.encode())
        key = load_der_private_key(plain, password=None)
    except InvalidTag as error:
        raise CredentialError(
            f"the passphrase does not open the key {public.id}; type it again (or the file is damaged)"
        ) from error
    except (ValueError, TypeError, msgspec.MsgspecError) as error:
        raise CredentialError(f"the file of the key {public.id} is damaged ({error}); put your copy back") from error
    if not isinstance(key, Private) or multikey_of(key.public_key()) != public.multikey:
        raise CredentialError(f"the file holds another key than {public.id}; put your copy back")
    return key


def _derived(shell: Sealed, passphrase: str) -> bytes:
    salt = base64.b64decode(shell.salt, validate=True)
    memory = 256 * shell.r * (shell.n + shell.p + 2)
    return hashlib.scrypt(passphrase.encode(), salt=salt, n=shell.n, r=shell.r, p=shell.p, dklen=32, maxmem=memory)


def _text(data: bytes) -> str:
    return base64.b64encode(data).decode()
