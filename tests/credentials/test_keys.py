"""Issuer keys: sealed, rotated, revoked, never overwritten."""

from __future__ import annotations

import json
import os
import stat
from datetime import timedelta
from pathlib import Path

import msgspec
import pytest
from credentials.school import COMPLETION, ISSUED, NOW, PASSPHRASE, School
from cryptography.hazmat.primitives.asymmetric import rsa

from blowergrade.credentials import files, keys
from blowergrade.credentials.files import CredentialError
from blowergrade.credentials.issuer import FILE, KEYS, IssuerFolder, make_issuer, read_document
from blowergrade.credentials.issuing import issue
from blowergrade.credentials.verify import verify

ADDRESSES = ("https://ashbrook.example/issuer", "https://ashbrook.example/verify")


def test_private_keys_lie_on_the_disk_sealed_and_readable_by_their_owner_alone(school: School) -> None:
    root = school.folder.root
    sealed = sorted((root / KEYS).iterdir())
    assert len(sealed) == 2
    for file in (*sealed, root / FILE, root / "register.json"):
        assert stat.S_IMODE(file.stat().st_mode) == 0o600
    for file in sealed:
        text = file.read_bytes()
        assert b"PRIVATE KEY" not in text and PASSPHRASE.encode() not in text
        key = school.signers.rsa if "rsa-" in file.name else school.signers.ed25519
        if isinstance(key, rsa.RSAPrivateKey):
            secret = key.private_numbers().d.to_bytes(384, "big")
        else:
            secret = key.private_bytes_raw()
        assert secret[:16] not in text


def test_a_wrong_passphrase_is_said_in_plain_words(school: School) -> None:
    with pytest.raises(CredentialError, match=r"the passphrase does not open the key .*; type it again"):
        school.folder.signers("seven blue lanterns at dawn")


def test_a_short_passphrase_is_refused(tmp_path: Path) -> None:
    with pytest.raises(CredentialError, match="too short"):
        make_issuer(tmp_path / "new", "Ashbrook", *ADDRESSES, "short")


def test_guessing_a_passphrase_costs_64_mebibytes() -> None:
    """scrypt with N = 2^16, r = 8 takes 128·N·r bytes (RFC 7914, section 2)."""
    source = (Path(keys.__file__)).read_text("utf-8")
    assert "COST = 1 << 16" in source
    assert msgspec.structs.fields(keys.Sealed)[-2].default == 8
    assert 128 * (1 << 16) * 8 == 64 << 20


def test_a_sealed_key_opens_as_itself_only(school: School) -> None:
    document = school.document
    one, other = document.signing("Ed25519"), document.signing("RSA")
    root = school.folder.root / KEYS
    data = (root / (other.id.partition("#")[2] + ".json")).read_bytes()
    with pytest.raises(CredentialError, match="passphrase does not open"):
        keys.unseal(data, one, PASSPHRASE)
    damaged = json.loads(data)
    damaged["data"] = damaged["data"][:-8] + "AAAAAAA="
    with pytest.raises(CredentialError, match=r"does not open|damaged"):
        keys.unseal(json.dumps(damaged).encode(), other, PASSPHRASE)
    swapped = keys.seal(keys.make("Ed25519"), one.id, PASSPHRASE)
    with pytest.raises(CredentialError, match="holds another key"):
        keys.unseal(swapped, one, PASSPHRASE)
    with pytest.raises(CredentialError, match="damaged"):
        keys.unseal(b"{}", other, PASSPHRASE)
    greedy = json.dumps({**json.loads(data), "n": 1 << 30}).encode()
    with pytest.raises(CredentialError, match="asks for work"):
        keys.unseal(greedy, other, PASSPHRASE)


def test_an_rsa_key_has_3072_bits_or_more(school: School) -> None:
    key = school.signers.rsa
    assert isinstance(key, rsa.RSAPrivateKey) and key.key_size == 3072
    with pytest.raises(CredentialError, match="3072 or more"):
        keys.make("RSA", 2048)
    weak = keys.published("https://a.example", rsa.generate_private_key(65537, 2048), "2027-01-01T00:00:00Z")
    with pytest.raises(CredentialError, match="2048 bits"):
        weak.public()


def test_both_spellings_of_a_public_key_are_one_key(school: School, rival: School) -> None:
    mixed = msgspec.structs.replace(school.document.signing("RSA"), jwk=rival.document.signing("RSA").jwk)
    with pytest.raises(CredentialError, match="not one key"):
        mixed.public()


def test_an_issuer_s_document_with_a_strange_key_is_refused(school: School, rival: School) -> None:
    mixed = msgspec.structs.replace(school.document, keys=school.document.keys + rival.document.keys[:1])
    with pytest.raises(CredentialError, match="one of somebody else"):
        read_document(mixed.json())
    with pytest.raises(CredentialError, match="no issuer's document"):
        read_document(b'{"format": 1}')


@pytest.mark.parametrize("kind", keys.KINDS)
def test_a_rotated_key_keeps_old_certificates_valid_and_signs_no_new_ones(
    school: School, folder: IssuerFolder, kind: keys.Kind
) -> None:
    old = folder.document.signing(kind)
    new = folder.rotate(kind, PASSPHRASE, ISSUED + timedelta(days=2))
    document = folder.document
    assert document.signing(kind) == new != old
    assert [k.until for k in document.keys if k.id == old.id] == ["2027-03-03T09:00:00Z"]
    data = school.issued.signed.jwt if kind == "RSA" else school.issued.signed.json
    assert verify(data, [document], now=NOW).valid
    later = issue(folder, COMPLETION, PASSPHRASE, when=NOW)
    for made in (later.signed.json, later.signed.jwt):
        assert verify(made, [document], now=NOW).valid
        refused = verify(made, [school.document], now=NOW).valid
        assert refused == ((made is later.signed.json) != (kind == "Ed25519"))  # an old document does not know the new key


def test_a_key_that_was_replaced_can_t_sign_after_its_end(school: School, folder: IssuerFolder) -> None:
    folder.rotate("Ed25519", PASSPHRASE, ISSUED + timedelta(days=2))
    backdated = school.signed({**school.unsigned, "validFrom": "2027-03-04T09:00:00Z"}, "2027-03-04T09:00:00Z")
    assert "was replaced on 2027-03-03" in verify(backdated.json, [folder.document], now=NOW).reason
    early = school.signed(school.unsigned, "2027-02-28T09:00:00Z")
    assert "dated before that" in verify(early.json, [folder.document], now=NOW).reason


def test_a_revoked_key_proves_nothing_whatever_the_date(school: School, folder: IssuerFolder) -> None:
    for kind, data in (("Ed25519", school.issued.signed.json), ("RSA", school.issued.signed.jwt)):
        name = folder.document.signing(kind).id  # type: ignore[arg-type] # two literals
        folder.revoke_key(name, "laptop stolen", NOW)
        for when in (ISSUED, NOW, NOW + timedelta(days=30)):
            assert "was revoked on 2027-03-05T09:00:00Z: laptop stolen" in verify(data, [folder.document], now=when).reason
    with pytest.raises(CredentialError, match="no Ed25519 key that may sign"):
        issue(folder, COMPLETION, PASSPHRASE, when=NOW)
    folder.rotate("Ed25519", PASSPHRASE, NOW)
    folder.rotate("RSA", PASSPHRASE, NOW)
    assert verify(issue(folder, COMPLETION, PASSPHRASE, when=NOW).signed.json, [folder.document], now=NOW).valid


def test_a_revocation_of_a_key_needs_one_key_and_a_reason_and_stays(folder: IssuerFolder) -> None:
    name = folder.document.signing("RSA").id
    for key, reason, why in (("nothing", "x", "0 keys"), ("", "x", "0 keys"), (name, " ", "for a reason")):
        with pytest.raises(CredentialError, match=why):
            folder.revoke_key(key, reason)
    gone = folder.revoke_key(name, "lost", NOW)
    assert gone.until == gone.revoked == "2027-03-05T09:00:00Z"
    with pytest.raises(CredentialError, match="already"):
        folder.revoke_key(name, "lost again", NOW)


def test_nothing_is_ever_overwritten(school: School, tmp_path: Path) -> None:
    with pytest.raises(CredentialError, match="not empty"):
        make_issuer(school.folder.root, "Other", *ADDRESSES, PASSPHRASE)
    files.write_new(tmp_path / "one", b"first")
    with pytest.raises(CredentialError, match="never overwritten"):
        files.write_new(tmp_path / "one", b"second")
    assert (tmp_path / "one").read_bytes() == b"first"
    assert sorted(p.name for p in tmp_path.iterdir()) == ["one"]


def test_a_rotation_that_dies_halfway_leaves_the_issuer_as_it_was(
    folder: IssuerFolder, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = (folder.root / FILE).read_bytes()

    def dies(handle: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", dies)
    with pytest.raises(CredentialError, match="No space left"):
        folder.rotate("Ed25519", PASSPHRASE, NOW)
    assert (folder.root / FILE).read_bytes() == before
    assert len(list((folder.root / KEYS).iterdir())) == 2


def test_two_commands_do_not_write_one_folder_at_once(folder: IssuerFolder) -> None:
    with files.locked(folder.root), pytest.raises(CredentialError, match="another command"):
        issue(folder, COMPLETION, PASSPHRASE, when=NOW)


@pytest.mark.parametrize(
    "address", ["http://ashbrook.example/issuer", "ashbrook", "https://a b.example/", "https://a.example/#x", ""]
)
def test_an_issuer_s_address_is_an_https_address_of_its_own(tmp_path: Path, address: str) -> None:
    with pytest.raises(CredentialError, match="https address"):
        make_issuer(tmp_path / "new", "Ashbrook", address, ADDRESSES[1], PASSPHRASE)
