"""Forged and damaged certificates, each refused for its own reason."""

from __future__ import annotations

import json
import uuid
from datetime import timedelta
from typing import Any

import jwt
import pytest
from credentials.forgeries import (
    JSON_FORGERIES,
    JWT_FORGERIES,
    by_school,
    dumped,
    header,
    judged,
    own_key,
    own_rsa,
    resigned,
    with_value,
)  # fmt: skip
from credentials.school import ISSUED, School, payload_of
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pyld import jsonld

from blowergrade.credentials import canonical, token
from blowergrade.credentials.verify import Verdict, verify


@pytest.mark.parametrize("name", JSON_FORGERIES)
def test_a_forged_certificate_is_refused(name: str, school: School, rival: School) -> None:
    forge, check, words = JSON_FORGERIES[name]
    _refused(judged(school, forge(school, rival)), check, words)


@pytest.mark.parametrize("name", JWT_FORGERIES)
def test_a_forged_token_is_refused(name: str, school: School, rival: School) -> None:
    forge, check, words = JWT_FORGERIES[name]
    _refused(judged(school, forge(school, rival)), check, words)


def _refused(verdict: Verdict, check: str, words: str) -> None:
    assert not verdict.valid
    assert [c.name for c in verdict.checks if c.passed is False] == [check], verdict.reason
    assert words in verdict.reason, verdict.reason


@pytest.mark.parametrize("alg", ["PS256", "RS512"])
def test_a_signature_of_another_kind_does_not_hold_even_by_the_right_key(school: School, alg: str) -> None:
    """The kind of signature is the verifier's, one floor below the check of the header."""
    told = jwt.PyJWS().encode(b"{}", own_rsa(school), algorithm=alg)
    public = own_rsa(school).public_key()
    assert jwt.PyJWS().decode(told, public, algorithms=[alg]) == b"{}"
    assert not token.holds(told, public)


def test_the_same_tools_make_a_certificate_that_passes_when_nothing_is_changed(school: School) -> None:
    """The control: what refuses the forgeries above is what they change."""
    assert judged(school, by_school(school, header(school), payload_of(school.jwt))).valid
    assert judged(school, resigned(school, school.unsigned, own_key(school), school.document.signing("Ed25519").id)).valid
    assert judged(school, dumped(school.json)).valid


def test_an_undefined_term_leaves_the_signature_valid_in_plain_json_ld(school: School) -> None:
    """The trap that the closed profile is for: the canonical text, and so the signature, does not see the added member."""
    def load(address: str, options: Any) -> dict[str, Any]:
        return {"contextUrl": None, "documentUrl": address, "document": canonical.contexts()[address]}

    options = {"documentLoader": load, "algorithm": "URDNA2015", "format": "application/n-quads"}
    added = with_value(school.unsigned, "yes", "credentialSubject", "isLicensed")
    assert jsonld.normalize(added, options) == jsonld.normalize(school.unsigned, options)
    with pytest.raises(canonical.NotCanonicalError, match="isLicensed"):
        canonical.canonical(added)


@pytest.mark.parametrize(
    ("value", "path"),
    [
        (["AchievementSubject", "Licence"], ("credentialSubject", "type")), ("licence", ("id",)),
        ("licence", ("credentialSubject", "id")), ("/licence", ("issuer", "id")), ("licence", ("evidence", 0, "type")),
    ],
)  # fmt: skip
def test_what_is_neither_defined_nor_an_absolute_address_is_never_signed(
    school: School, value: Any, path: tuple[str | int, ...]
) -> None:
    """RDF has no relative addresses: a library leaves them out or completes them with an address of its own."""
    with pytest.raises(canonical.NotCanonicalError, match="icence"):
        canonical.canonical(with_value(school.unsigned, value, *path))


@pytest.mark.parametrize("kind", ["json", "jwt"])
def test_an_expired_certificate_is_refused_from_the_second_of_its_end(school: School, kind: str) -> None:
    data, end = getattr(school.issued.signed, kind), ISSUED + timedelta(days=365)
    assert verify(data, [school.document], now=end - timedelta(seconds=1)).valid
    assert verify(data, [school.document], now=end).reason == "Expired: it ended 2028-02-29T09:00:00Z."


@pytest.mark.parametrize("kind", ["json", "jwt"])
def test_a_certificate_dated_ahead_is_not_yet_valid(school: School, kind: str) -> None:
    data = getattr(school.issued.signed, kind)
    assert verify(data, [school.document], now=ISSUED - timedelta(minutes=4)).valid  # clocks differ
    assert "Not yet valid" in verify(data, [school.document], now=ISSUED - timedelta(minutes=6)).reason


def test_a_proof_dated_ahead_is_refused(school: School) -> None:
    ahead = school.signed(school.unsigned, "2027-04-01T00:00:00Z").json
    assert judged(school, ahead).reason.endswith("its signature is dated 2027-04-01T00:00:00Z, which is in the future.")


def test_a_certificate_that_begins_later_than_it_was_signed_is_not_yet_valid(school: School) -> None:
    later = {**school.unsigned, "validFrom": "2027-06-01T00:00:00Z"}
    made = resigned(school, later, own_key(school), school.document.signing("Ed25519").id)
    assert judged(school, made).reason == "Not yet valid: it begins 2027-06-01T00:00:00Z."


@pytest.mark.parametrize(
    ("value", "path", "words"),
    [
        ("60", ("credentialSubject", "result", 0, "value"), "below the cut"),
        (f"urn:uuid:{uuid.UUID(int=0)}", ("credentialSubject", "result", 0, "resultDescription"), "other scales"),
        (False, ("credentialSubject", "identifier", 0, "hashed"), "not a salted"),
        ("https://ashbrook.example/issuer/status/1#1", ("credentialStatus", "id"), "status entry"),
        ("2027-02-30T00:00:00Z", ("awardedDate",), "no time"), ("2027-03-02T00:00:00Z", ("awardedDate",), "before the exam"),
        ("2027-01-01T00:00:00Z", ("validUntil",), "ends before it begins"),
    ],
)  # fmt: skip
def test_even_the_school_can_t_sign_a_certificate_that_contradicts_itself(
    school: School, value: Any, path: tuple[str | int, ...], words: str
) -> None:
    document = with_value(school.unsigned, value, *path)
    verdict = judged(school, resigned(school, document, own_key(school), school.document.signing("Ed25519").id))
    _refused(verdict, "content", words)


RUBBISH = (
    b"", b"\xff\xfe\x00", "hello", b"a.b.c", "..", "{", "[]", "{}", "\u00e9.\u00e9.\u00e9", "{" * 5000, b"[" * 99999,
    b" " * (3 << 20),
)  # fmt: skip


@pytest.mark.parametrize("data", RUBBISH, ids=lambda d: repr(d[:12]))
def test_rubbish_is_refused_without_an_error(school: School, data: bytes | str) -> None:
    assert judged(school, data).reason


@settings(max_examples=150, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(place=st.integers(0, 10**6), sign=st.integers(0, 255), kind=st.sampled_from(["json", "jwt"]))
def test_no_changed_byte_leaves_a_certificate_valid_with_other_content(
    school: School, place: int, sign: int, kind: str
) -> None:
    """One byte anywhere: refused, or the very same content (white space between members)."""
    data = bytearray(getattr(school.issued.signed, kind))
    data[place % len(data)] = sign
    verdict = judged(school, bytes(data))
    if verdict.valid:
        true = judged(school, getattr(school.issued.signed, kind))
        assert verdict.credential == true.credential
    else:
        assert verdict.reason


json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=6,
)


@settings(max_examples=150, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(value=json_values, data=st.data())
def test_no_value_anywhere_raises_or_passes(school: School, value: Any, data: st.DataObject) -> None:
    """Any value at any place of document or proof: a refusal with a reason, unless it is the value that stood there."""
    document: Any = school.json
    path: list[str | int] = []
    place = document
    while isinstance(place, (dict, list)) and place and (not path or data.draw(st.booleans())):
        step = data.draw(st.sampled_from(sorted(place) if isinstance(place, dict) else list(range(len(place)))))
        path.append(step)
        place = place[step]
    verdict = judged(school, json.dumps(with_value(document, value, *path)))
    assert verdict.valid == (value == place and type(value) is type(place))
    assert verdict.valid or verdict.reason
