"""The issuer: a folder with the school's keys, and the public document that goes to employers.

Rule: nothing is ever taken out. A key that is replaced or revoked stays in the document with the date, so that old
certificates can still be judged; `issuer.json` is changed in one step under a lock, and private files have mode 0600.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import msgspec

from blowergrade.credentials import files, keys
from blowergrade.credentials.files import CredentialError
from blowergrade.credentials.keys import KINDS, Kind, Private, PublicKey
from blowergrade.credentials.strict import moment, stamp

FILE, PUBLISHED, KEYS = "issuer.json", "blower-issuer.json", "keys"
LONGEST = 120  # characters of a name or an address: what fits the page at its widest
_ADDRESS = re.compile(r"https://[A-Za-z0-9.-]+(:\d+)?(/[A-Za-z0-9._~-]+)*/?")


class IssuerDocument(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Who issues: the one thing that a verifier must get from the school itself. `made` is when it was written."""

    format: int
    id: str
    name: str
    verification: str  # where the school hosts its verification page
    made: str
    keys: tuple[PublicKey, ...]

    def key(self, name: str) -> PublicKey | None:
        """The key with the id `name`, if it is this issuer's."""
        return next((k for k in self.keys if k.id == name), None)

    def signing(self, kind: Kind) -> PublicKey:
        """The key that signs now; raises `CredentialError` where there is none."""
        for key in self.keys:
            if key.kind == kind and not key.until and not key.revoked:
                return key
        raise CredentialError(f"{self.name} has no {kind} key that may sign; make one with `blowergrade issuer rotate`")

    def status_address(self) -> str:
        """The address that stands in certificates as the place of the status list."""
        return f"{self.id.rstrip('/')}/status/1"

    def json(self) -> bytes:
        """The document as a file."""
        return msgspec.json.format(msgspec.json.encode(self), indent=1) + b"\n"


def read_document(data: bytes) -> IssuerDocument:
    """The issuer's document in `data`, every key looked at; raises `CredentialError`."""
    try:
        found = msgspec.json.decode(data, type=IssuerDocument)
    except (msgspec.MsgspecError, UnicodeError) as error:
        raise CredentialError(f"this is no issuer's document ({error}); ask the school for {PUBLISHED}") from error
    if found.format != 1:
        raise CredentialError(f"the issuer's document has format {found.format}, this reads 1; install a newer release")
    names = [key.id for key in found.keys]
    if len(set(names)) < len(names) or any(not name.startswith(f"{found.id}#") for name in names):
        raise CredentialError("the issuer's document names a key twice, or one of somebody else; ask the school for it again")
    for key in found.keys:
        key.public()
        for time in filter(None, (key.since, key.until, key.revoked, found.made)):
            moment(time)
    return found


@dataclass(frozen=True, slots=True)
class Signers:
    """The private keys that sign now, with their published halves."""

    ed25519: Private
    rsa: Private
    document: IssuerDocument


class IssuerFolder:
    """A school's issuer folder: ``issuer.json``, sealed keys, the register of certificates (`register`)."""

    def __init__(self, root: Path) -> None:
        self.root = root
        if not (root / FILE).is_file():
            raise CredentialError(f"{root} is no issuer folder; make one with `blowergrade issuer new`")

    @property
    def document(self) -> IssuerDocument:
        """The issuer as it stands now."""
        return read_document(files.read(self.root / FILE))

    def signers(self, passphrase: str) -> Signers:
        """The private keys that sign now; raises `CredentialError`, for a wrong passphrase too."""
        document = self.document
        opened = [self._open(document.signing(kind), passphrase) for kind in KINDS]
        return Signers(opened[0], opened[1], document)

    def _open(self, key: PublicKey, passphrase: str) -> Private:
        return keys.unseal(files.read(self.root / KEYS / _file_name(key)), key, passphrase)

    def rotate(self, kind: Kind, passphrase: str, when: datetime | None = None) -> PublicKey:
        """Replace the signing key of `kind`: the old one ends now and stays for verification; returns the new one.

        The passphrase must open the key's predecessor, or the folder's last key, so that one passphrase opens all.
        """
        now = stamp(when or datetime.now(UTC))
        with files.locked(self.root):
            document = self.document
            old = next((k for k in document.keys if k.kind == kind and not k.until), None)
            self._open(old or document.keys[-1], passphrase)
            new, sealed = _made(document.id, kind, passphrase, now)
            files.write_new(self.root / KEYS / _file_name(new), sealed, files.PRIVATE)
            ended = {old.id: msgspec.structs.replace(old, until=now)} if old is not None else {}
            self._save(document, ended, now, (new,))
        return new

    def revoke_key(self, name: str, reason: str, when: datetime | None = None) -> PublicKey:
        """Revoke the key whose id is or ends with `name`, for good; returns it as it stands now."""
        now = stamp(when or datetime.now(UTC))
        if not reason.strip():
            raise CredentialError("a key is revoked for a reason; give one, such as --reason 'laptop stolen'")
        with files.locked(self.root):
            document = self.document
            meant = [k for k in document.keys if name and (k.id == name or k.id.endswith(name))]
            if len(meant) != 1:
                known = ", ".join(k.id.partition("#")[2] for k in document.keys)
                raise CredentialError(f"{name!r} means {len(meant)} keys; give the id of one: {known}")
            if meant[0].revoked:
                raise CredentialError(f"{meant[0].id} was revoked on {meant[0].revoked} already; that can't be changed")
            gone = msgspec.structs.replace(meant[0], revoked=now, reason=reason.strip(), until=meant[0].until or now)
            self._save(document, {gone.id: gone}, now)
        return gone

    def _save(
        self, document: IssuerDocument, changed: Mapping[str, PublicKey], now: str, new: tuple[PublicKey, ...] = ()
    ) -> None:
        kept = tuple(changed.get(k.id, k) for k in document.keys)
        made = msgspec.structs.replace(document, keys=kept + new, made=now)
        files.replace(self.root / FILE, made.json(), files.PRIVATE)


def make_issuer(
    root: Path, name: str, address: str, verification: str, passphrase: str, when: datetime | None = None
) -> IssuerFolder:
    """A new issuer folder with an Ed25519 and an RSA key; `address` is the issuer's id. Raises `CredentialError`."""
    for what, text in (("id", address), ("verification address", verification)):
        if not _ADDRESS.fullmatch(text) or len(text) > LONGEST:
            raise CredentialError(
                f"{text!r} is no {what}; give an https address of the school with at most {LONGEST} characters, "
                "as https://school.example/issuer"
            )
    if not name.strip() or name != name.strip() or not name.isprintable() or len(name) > LONGEST:
        raise CredentialError(f"{name!r} is no name of a school; give it as it is printed, in at most {LONGEST} characters")
    if root.exists() and any(root.iterdir()):
        raise CredentialError(f"{root} is not empty; an issuer folder is never made over another one, choose a new place")
    now = stamp(when or datetime.now(UTC))
    root.mkdir(parents=True, exist_ok=True, mode=0o700)
    made = [_made(address, kind, passphrase, now) for kind in KINDS]
    for key, sealed in made:
        files.write_new(root / KEYS / _file_name(key), sealed, files.PRIVATE)
    document = IssuerDocument(1, address, name, verification, now, tuple(key for key, _ in made))
    files.write_new(root / FILE, document.json(), files.PRIVATE)
    return IssuerFolder(root)


def _made(issuer: str, kind: Kind, passphrase: str, now: str) -> tuple[PublicKey, bytes]:
    private = keys.make(kind)
    public = keys.published(issuer, private, now)
    return public, keys.seal(private, public.id, passphrase)


def _file_name(key: PublicKey) -> str:
    return key.id.partition("#")[2] + ".json"
