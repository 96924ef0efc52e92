"""From a passed exam to a certificate as data: the facts, and the Open Badges 3.0 credential made from them.

Rule: a certificate says only what the record shows, and whether somebody sat with accommodations is not among it: no field
exists for that. Who did not pass score and safety gate gets no certificate.
"""

from __future__ import annotations

import hashlib
import re
import unicodedata
import uuid
from datetime import date
from decimal import Decimal
from typing import Literal

import msgspec
from msgspec import UNSET

from blowergrade.credentials import profile as p
from blowergrade.credentials.files import CredentialError
from blowergrade.credentials.strict import moment

#: What a score counts: points, or the calls that were passed, in percent of all.
Measure = Literal["points", "calls"]
_OF = {"points": "{} of 100 points", "calls": "{} % of the calls passed"}


def of_what(number: str, measure: Measure) -> str:
    """A score or cut in words."""
    return _OF[measure].format(number)


class Completion(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """What an exam says about one candidate who passed.

    `recipient` (an e-mail address, or an id of `recipient_kind`) is only ever hashed. `day` is the exam's date (ISO 8601);
    `score` and `cut` are of 100 with at most one decimal, points or, by `measure`, percent of the calls; `record_head` is the
    exam record's SHA-256 head (hexadecimal).
    """

    candidate: str
    recipient: str
    exam: str
    form: str
    day: str
    score: str
    cut: str
    safety_gate: bool
    program: str
    record_head: str
    measure: Measure = "points"
    recipient_kind: p.IdentityKind = "emailAddress"
    name_in_credential: bool = True


class CertificateFacts(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """A completion, and what the issuer adds: all that stands in a certificate, on paper or as data.

    `issued` and `valid_until` (empty: without end) are times as ``2027-03-01T17:00:00Z``; `salt` is 32 hexadecimal digits.
    """

    completion: Completion
    credential_id: str
    issuer_id: str
    issuer_name: str
    verification: str
    status_list: str
    status_index: int
    salt: str
    issued: str
    valid_until: str = ""


#: Characters that fit the page at their widest.
LONGEST = {"candidate": 120, "recipient": 120, "exam": 120, "form": 40, "program": 40}
_POINTS = re.compile(r"(100|[1-9]?[0-9])(\.[0-9])?")
_BIDI = re.compile("[\u061c\u200b\u200e\u200f\u202a-\u202e\u2060-\u2069\ufeff]")


def checked(given: Completion) -> Completion:
    """`given` with texts in one spelling (NFC, single blanks); raises `CredentialError` where it makes no certificate."""
    texts = {f: _text(f, getattr(given, f)) for f in LONGEST}
    made = msgspec.structs.replace(given, **texts)
    for what, points in (("score", made.score), ("cut", made.cut)):
        if not _POINTS.fullmatch(points) or Decimal(points) > 100:
            raise CredentialError(f"{points[:20]!r} is no {what}; it is points of 100 such as 86.5")
    if Decimal(made.score) < Decimal(made.cut):
        raise CredentialError(f"the score {made.score} is below the cut {made.cut}; there is no certificate for that")
    if not made.safety_gate:
        raise CredentialError("the safety gate was not passed; there is no certificate whatever the score")
    if not re.fullmatch(r"[0-9a-f]{64}", made.record_head):
        raise CredentialError("the record head is no SHA-256 in 64 hexadecimal digits; take it from the exam's result")
    if made.recipient_kind == "emailAddress" and not re.fullmatch(r"[^@\s]+@[^@\s]+", made.recipient):
        raise CredentialError(f"{made.recipient!r} is no e-mail address; give one, or set recipient_kind to accountId")
    try:
        date.fromisoformat(made.day)
    except ValueError as error:
        raise CredentialError(f"{made.day[:20]!r} is no date; one is written as 2027-03-01") from error
    return made


def _text(what: str, text: str) -> str:
    plain = " ".join(unicodedata.normalize("NFC", text).split())
    if not 1 <= len(plain) <= LONGEST[what]:
        raise CredentialError(f"{what} has {len(plain)} characters; it has 1 to {LONGEST[what]}")
    if any(unicodedata.category(c) in ("Cc", "Cs", "Co", "Cn") for c in plain) or _BIDI.search(plain):
        raise CredentialError(f"{what} {plain!a} holds signs that can't be printed or that turn text round; leave them out")
    return plain


def identity_hash(recipient: str, salt: str, kind: str = "emailAddress") -> str:
    """The hash by which a holder can be recognised, as Open Badges 3.0 writes it: SHA-256 of identity and salt.

    An e-mail address is hashed in lower case, so that its spelling does not matter.
    """
    plain = recipient.lower() if kind == "emailAddress" else recipient
    return "sha256$" + hashlib.sha256((plain + salt).encode()).hexdigest()


def is_recipient(made: p.Credential, recipient: str) -> bool:
    """Whether the certificate was made out to `recipient` (its e-mail address or account)."""
    who = made.credential_subject.identifier[0]
    return who.salt is not UNSET and identity_hash(recipient, who.salt, who.identity_type) == who.identity_hash


def credential(facts: CertificateFacts) -> p.Credential:
    """The certificate as an unsigned Open Badges 3.0 AchievementCredential; raises `CredentialError`."""
    told = checked(facts.completion)
    achievement = uuid.uuid5(uuid.NAMESPACE_URL, "\n".join((facts.issuer_id, told.exam, told.form, told.program, told.cut)))
    scale, gate = (f"urn:uuid:{uuid.uuid5(achievement, name)}" for name in ("score", "safety"))
    made = p.Credential(
        context=(p.CREDENTIALS, p.OPEN_BADGES),
        id=facts.credential_id,
        type=("VerifiableCredential", "AchievementCredential"),
        name=f"Training completion: {told.exam}",
        description=p.STATEMENT,
        issuer=p.Profile(id=facts.issuer_id, type=("Profile",), name=facts.issuer_name, url=facts.verification),
        valid_from=facts.issued,
        valid_until=facts.valid_until or UNSET,
        awarded_date=f"{told.day}T00:00:00Z",
        credential_subject=p.Subject(
            id=f"urn:uuid:{uuid.uuid5(uuid.UUID(facts.credential_id), 'holder')}",
            type=("AchievementSubject",),
            identifier=_identifiers(told, facts.salt),
            achievement=_achievement(told, f"urn:uuid:{achievement}", scale, gate),
            result=(
                p.ScoreResult(type=("Result",), result_description=scale, value=told.score),
                p.SafetyResult(type=("Result",), result_description=gate, status="Completed"),
            ),
        ),
        evidence=(p.Evidence(type=("Evidence",), name="Exam record", narrative=f"{p.RECORD_HEAD}{told.record_head}"),),
        credential_status=p.StatusEntry(
            id=f"{facts.status_list}#{facts.status_index}",
            type="BitstringStatusListEntry",
            status_purpose="revocation",
            status_list_index=str(facts.status_index),
            status_list_credential=facts.status_list,
        ),
    )
    wrong = p.contradiction(made)
    if wrong or moment(made.awarded_date).date() > moment(made.valid_from).date():
        raise CredentialError(f"no certificate can be made: {wrong or 'the exam is dated after today'}")
    return msgspec.convert(p.plain(made), p.Credential)  # what we make is of the profile that we ask of others


def _identifiers(told: Completion, salt: str) -> tuple[p.Identity, ...]:
    hashed = p.Identity(
        type="IdentityObject", hashed=True, salt=salt, identity_type=told.recipient_kind,
        identity_hash=identity_hash(told.recipient, salt, told.recipient_kind),
    )  # fmt: skip
    name = p.Identity(type="IdentityObject", hashed=False, identity_hash=told.candidate, identity_type="name")
    return (hashed, name) if told.name_in_credential else (hashed,)


def _achievement(told: Completion, name: str, scale: str, gate: str) -> p.Achievement:
    described: Literal["ResultDescription"] = "ResultDescription"
    return p.Achievement(
        id=name,
        type=("Achievement",),
        achievement_type="CertificateOfCompletion",
        name=told.exam,
        human_code=told.form,
        version=told.program,
        description=p.STATEMENT,
        criteria=p.Criteria(
            narrative=f"{of_what(told.cut, told.measure)}, or more, in a supervised exam on a simulated bench; the safety gate "
            "passed."
        ),
        result_description=(
            p.ScoreDescription(
                id=scale, type=(described,), name="Score", result_type="RawScore", value_min="0", value_max="100",
                required_value=told.cut,
            ),
            p.SafetyDescription(id=gate, type=(described,), name="Safety gate", result_type="Status"),
        ),
    )  # fmt: skip
