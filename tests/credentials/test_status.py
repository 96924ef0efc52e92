"""Revocation lists: what a bit means, what a list must be, and what is said where there is none."""

from __future__ import annotations

import base64
import gzip
import json
from collections.abc import Iterable
from datetime import timedelta
from typing import Any

import pytest
from credentials.school import COMPLETION, ISSUED, NOW, PASSPHRASE, School
from hypothesis import given, settings
from hypothesis import strategies as st
from openbadgeslib.ob3.status import decode_encoded_list, set_indices
from openbadgeslib.ob3.status_list import encode_bitstring

from blowergrade.credentials import register, status
from blowergrade.credentials.files import CredentialError
from blowergrade.credentials.issuer import IssuerFolder
from blowergrade.credentials.issuing import Issued, issue, published_list, revoke
from blowergrade.credentials.verify import verify

places = st.sets(st.integers(0, status.SIZE - 1), max_size=30)


@settings(max_examples=30)
@given(places)
def test_lists_read_the_same_in_another_library(marked: Iterable[int]) -> None:
    """openbadgeslib writes and reads Bitstring Status Lists on its own."""
    marked = set(marked)
    assert set(set_indices(decode_encoded_list(status.encoded(marked)))) == marked
    bits = status.bits_of(encode_bitstring(marked))
    assert {k for k in range(status.SIZE) if bits[k // 8] and status.is_set(bits, k)} == marked


def test_the_first_place_is_the_leftmost_bit() -> None:
    """Bitstring Status List 1.0, section 3.2: index 0 is the left-most bit."""
    assert status.bits_of(status.encoded([0]))[0] == 0b1000_0000
    assert status.bits_of(status.encoded([7]))[0] == 0b0000_0001


def swollen() -> str:
    return "u" + base64.urlsafe_b64encode(gzip.compress(bytes(1 << 22), mtime=0)).rstrip(b"=").decode()


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("uAAAA", "not gzipped"), ("x" + status.encoded([])[1:], "begins with u"), (status.encoded([])[:-8], "cut off"),
        ("u" + base64.urlsafe_b64encode(gzip.compress(bytes(100), mtime=0)).rstrip(b"=").decode(), "131072 or more"),
        (swollen(), "more than"), ("u$$", "base64url"),
    ],
)  # fmt: skip
def test_a_list_that_is_none_is_refused(text: str, why: str) -> None:
    with pytest.raises(CredentialError, match=why):
        status.bits_of(text)


def test_places_are_spread_over_the_whole_list(folder: IssuerFolder) -> None:
    """A hundred random places: the chance that all lie in one half is 2^-99."""
    taken: set[int] = set()
    for _ in range(100):
        taken.add(status.free_index(taken))
    assert len(taken) == 100
    assert min(taken) < status.SIZE // 2 <= max(taken)


def test_a_list_never_fills_up_unnoticed() -> None:
    with pytest.raises(CredentialError, match="half full"):
        status.free_index(range(status.SIZE // 2))


def test_without_a_list_the_verdict_says_that_revocation_was_not_checked(school: School) -> None:
    verdict = verify(school.issued.signed.json, [school.document], now=NOW)
    assert verdict.valid
    assert verdict.unchecked == ("Not checked for revocation: no status list was given. Ask the issuer for its list.",)


def test_with_a_list_nothing_is_left_unchecked(school: School) -> None:
    for data in (school.issued.signed.json, school.issued.signed.jwt):
        for listed in (school.listed.json, school.listed.jwt):
            verdict = verify(data, [school.document], listed, NOW)
            assert verdict.valid and verdict.unchecked == ()


def revoked(folder: IssuerFolder) -> Issued:
    """A second certificate, revoked four days after it was issued."""
    made = issue(folder, COMPLETION, PASSPHRASE, when=ISSUED)
    revoke(folder, made.facts.credential_id, "issued to the wrong person", ISSUED + timedelta(days=4))
    return made


def test_a_revoked_certificate_is_refused_and_its_neighbour_is_not(school: School, folder: IssuerFolder) -> None:
    gone = revoked(folder)
    listed = published_list(folder, PASSPHRASE, NOW)
    for data in (gone.signed.json, gone.signed.jwt):
        verdict = verify(data, [folder.document], listed.jwt, NOW)
        assert not verdict.valid and verdict.reason.startswith("Revoked: the issuer's list of 2027-03-05")
    assert verify(school.issued.signed.json, [folder.document], listed.jwt, NOW).valid


def test_an_older_list_does_not_show_a_later_revocation_and_says_its_date(folder: IssuerFolder) -> None:
    gone = revoked(folder)
    before = published_list(folder, PASSPHRASE, ISSUED + timedelta(days=2))
    verdict = verify(gone.signed.jwt, [folder.document], before.json, NOW)
    assert verdict.valid and "by the issuer's list of 2027-03-03" in verdict.checks[-1].sentence


def test_a_list_that_has_ended_counts_as_none_unless_it_says_revoked(school: School, folder: IssuerFolder) -> None:
    late = NOW + timedelta(days=120)
    verdict = verify(school.issued.signed.json, [school.document], school.listed.json, late)
    assert verdict.valid and verdict.unchecked[0].startswith("Not checked for revocation: the list given ended")
    gone = revoked(folder)
    listed = published_list(folder, PASSPHRASE, NOW)
    assert "Revoked" in verify(gone.signed.json, [folder.document], listed.json, late).reason


def changed(document: dict[str, Any], **more: Any) -> bytes:
    return json.dumps({**document, **more}).encode()


def test_a_list_that_was_tampered_with_is_not_taken_for_an_answer(school: School, rival: School, folder: IssuerFolder) -> None:
    gone = revoked(folder)
    true = json.loads(published_list(folder, PASSPHRASE, NOW).json)
    clean = {**true["credentialSubject"], "encodedList": status.encoded([])}
    forged = {
        "signature does not hold": changed(true, credentialSubject=clean),
        "none of those whose document": rival.listed.json,
        "closed profile": gone.signed.json,
        "exactly one": changed(true, proof=true["proof"] * 2),
        "no JSON": b"{",
    }
    for why, listed in forged.items():
        verdict = verify(gone.signed.json, [folder.document], listed, NOW)
        assert not verdict.valid and why in verdict.reason, verdict.reason
    both = verify(gone.signed.json, [folder.document, rival.document], rival.listed.json, NOW)
    assert not both.valid and "another list" in both.reason


def test_another_issuer_who_is_trusted_too_can_t_sign_this_issuer_s_list(school: School, rival: School) -> None:
    """The rival's keys are good for the rival's certificates only, whatever address stands on its list."""
    listed = {k: v for k, v in json.loads(rival.listed.json).items() if k != "proof"}
    copied = rival.signed({**listed, "id": school.document.status_address()}, "2027-03-02T09:00:00Z")
    for data in (copied.json, copied.jwt):
        verdict = verify(school.issued.signed.json, [school.document, rival.document], data, NOW)
        assert not verdict.valid and "another list" in verdict.reason


def test_another_list_of_the_same_issuer_does_not_answer_for_this_one(school: School) -> None:
    listed = {k: v for k, v in json.loads(school.listed.json).items() if k != "proof"}
    other = school.signed({**listed, "id": "https://ashbrook.example/issuer/status/2"}, "2027-03-02T09:00:00Z")
    verdict = verify(school.issued.signed.json, [school.document], other.json, NOW)
    assert not verdict.valid and "another list" in verdict.reason


def test_a_list_from_the_future_is_not_taken_for_an_answer(school: School) -> None:
    verdict = verify(school.issued.signed.json, [school.document], school.listed.json, ISSUED + timedelta(hours=1))
    assert not verdict.valid and "which is in the future" in verdict.reason


def test_the_register_holds_no_names_and_nothing_is_taken_back(folder: IssuerFolder) -> None:
    gone = revoked(folder)
    assert "Ashdown" not in (folder.root / register.FILE).read_text("utf-8")
    with pytest.raises(CredentialError, match="already"):
        revoke(folder, gone.facts.credential_id, "again")
    with pytest.raises(CredentialError, match="0 certificates"):
        revoke(folder, "urn:uuid:nobody", "whoever")
    with pytest.raises(CredentialError, match="for a reason"):
        revoke(folder, gone.facts.credential_id, " ")
    assert len(register.load(folder.root).entries) == 2
