"""What is issued fits the published JSON schemas and says what it must, and nothing that it must not."""

from __future__ import annotations

import json
from typing import Any

import jsonschema
import msgspec
import pytest
from credentials.school import COMPLETION, VECTORS, School, payload_of

from blowergrade.credentials.credential import CertificateFacts, Completion, checked, credential, is_recipient
from blowergrade.credentials.files import CredentialError
from blowergrade.credentials.profile import Credential


def schema(name: str) -> dict[str, Any]:
    made: dict[str, Any] = json.loads((VECTORS / "open-badges" / name).read_text("utf-8"))
    return made


def errors(document: dict[str, Any], name: str) -> list[str]:
    kind = jsonschema.Draft202012Validator if name == "vc_schema.json" else jsonschema.Draft201909Validator
    checker = kind(schema(name), format_checker=kind.FORMAT_CHECKER)
    return [e.message for e in checker.iter_errors(document)]


@pytest.mark.parametrize("name", ["ob_schema.json", "vc_schema.json"])
def test_a_certificate_fits_the_published_schema(school: School, name: str) -> None:
    assert errors(school.json, name) == []
    assert errors(payload_of(school.jwt), name) == []


@pytest.mark.parametrize("member", ["issuer", "credentialSubject", "validFrom", "@context", "type"])
def test_the_schema_refuses_a_certificate_that_lacks_a_member(school: School, member: str) -> None:
    """So that the schema is seen to judge at all."""
    assert errors({k: v for k, v in school.json.items() if k != member}, "ob_schema.json")


def test_the_schema_wants_the_proof_as_an_array(school: School) -> None:
    assert errors({**school.json, "proof": school.json["proof"][0]}, "ob_schema.json")


def test_a_status_list_fits_the_schema_of_credentials(school: School) -> None:
    assert errors(json.loads(school.listed.json), "vc_schema.json") == []


def test_a_certificate_says_what_it_is_not(school: School) -> None:
    told = school.json
    for text in (told["description"], told["credentialSubject"]["achievement"]["description"]):
        assert "simulated equipment" in text
        assert "no licence, permit or refrigerant certification" in text
        assert "no proof of competence on live equipment" in text


def test_neither_recipient_nor_accommodations_stand_in_a_certificate(school: School) -> None:
    text = school.issued.signed.json.decode() + json.dumps(payload_of(school.jwt))
    assert COMPLETION.recipient not in text
    assert not {f for f in Completion.__struct_fields__ if "accommodation" in f or "extra" in f}


def test_its_holder_is_recognised_and_nobody_else(school: School) -> None:
    made = msgspec.convert(school.unsigned, Credential)
    assert is_recipient(made, "Robin.Ashdown@example.org")
    assert not is_recipient(made, "robin.ashdown@example.com")


def test_a_name_can_be_left_out_of_the_data(school: School) -> None:
    facts = msgspec.structs.replace(
        school.issued.facts, completion=msgspec.structs.replace(COMPLETION, name_in_credential=False)
    )
    assert "Ashdown" not in msgspec.json.encode(credential(facts)).decode()


def test_two_certificates_of_one_person_do_not_point_at_each_other(school: School, rival: School) -> None:
    one, other = (s.json["credentialSubject"] for s in (school, rival))
    assert one["id"] != other["id"]
    assert one["identifier"][0]["identityHash"] != other["identifier"][0]["identityHash"]


@pytest.mark.parametrize(
    ("changed", "why"),
    [
        ({"score": "69.9"}, "below the cut"), ({"safety_gate": False}, "safety gate"), ({"score": "101"}, "points of 100"),
        ({"score": "86.55"}, "points of 100"), ({"candidate": " "}, "1 to 120"),
        ({"candidate": "Robin\u202enwodhsA"}, "turn text"), ({"candidate": "Robin\x07"}, "can't be printed"),
        ({"day": "26.02.2027"}, "no date"), ({"record_head": "abc"}, "SHA-256"),
        ({"recipient": "robin"}, "no e-mail"), ({"score": "100.5"}, "points of 100"),
    ],
)  # fmt: skip
def test_what_makes_no_certificate_is_said(changed: dict[str, Any], why: str) -> None:
    with pytest.raises(CredentialError, match=why):
        checked(msgspec.structs.replace(COMPLETION, **changed))


def test_a_certificate_is_never_older_than_its_exam(school: School) -> None:
    facts: CertificateFacts = msgspec.structs.replace(school.issued.facts, issued="2027-02-25T09:00:00Z")
    with pytest.raises(CredentialError, match="before the exam"):
        credential(facts)
