"""The closed profile: every member that a certificate of ours may have, as types.

Rule: what is not named here is refused. A term that no context defines is not signed at all (JSON-LD drops it), so a verifier
that lets unknown members pass would show a reader lines that nobody vouched for. The statement of what a certificate is not
stands here as a literal: a certificate that claims more is not of this profile.

Sources: Open Badges 3.0 (1EdTech), appendix B (data models); W3C Verifiable Credentials Data Model 2.0; W3C Bitstring Status
List 1.0.
"""

from __future__ import annotations

import re
from decimal import Decimal
from typing import Annotated, Any, Literal

import msgspec
from msgspec import UNSET, Meta, UnsetType, field

from blowergrade.credentials.strict import moment

CREDENTIALS = "https://www.w3.org/ns/credentials/v2"
OPEN_BADGES = "https://purl.imsglobal.org/spec/ob/v3p0/context-3.0.3.json"
STATEMENT = (
    "Training completion on simulated equipment. It is no licence, permit or refrigerant certification, "
    "and no proof of competence on live equipment."
)
Text = Annotated[str, Meta(min_length=1, max_length=300)]
Time = Annotated[str, Meta(pattern=r"^[0-9]{4}-[01][0-9]-[0-3][0-9]T[0-2][0-9]:[0-5][0-9]:[0-5][0-9]Z\Z")]
Urn = Annotated[str, Meta(pattern=r"^urn:uuid:[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}\Z")]
Https = Annotated[str, Meta(pattern=r"^https://[A-Za-z0-9.:/_~#-]{1,300}\Z")]
Points = Annotated[str, Meta(pattern=r"^(100|[1-9]?[0-9])(\.[0-9])?\Z")]
Salt = Annotated[str, Meta(pattern=r"^[0-9a-f]{32}\Z")]
RECORD_HEAD = "SHA-256 head of the exam record: "
Record = Annotated[str, Meta(pattern=rf"^{RECORD_HEAD}[0-9a-f]{{64}}\Z")]
Statement = Annotated[str, Meta(pattern=rf"^{re.escape(STATEMENT)}\Z")]
CredentialsContext = Annotated[str, Meta(pattern=rf"^{re.escape(CREDENTIALS)}\Z")]
OpenBadgesContext = Annotated[str, Meta(pattern=rf"^{re.escape(OPEN_BADGES)}\Z")]
_HASHED = re.compile(r"sha256\$[0-9a-f]{64}")
IdentityKind = Literal["emailAddress", "accountId", "systemId", "sourcedId"]


class _Closed(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True, rename="camel", omit_defaults=True):
    """What all parts share: exactly these members, spelled as in JSON."""


class Profile(_Closed, frozen=True, kw_only=True):
    """The issuer inside a certificate; `url` is where the school lets certificates be checked."""

    id: Https
    type: tuple[Literal["Profile"]]
    name: Text
    url: Https


class Identity(_Closed, frozen=True, kw_only=True):
    """Who holds the certificate: a salted hash of an address or account, or the name as printed (not hashed)."""

    type: Literal["IdentityObject"]
    hashed: bool
    identity_hash: Annotated[str, Meta(min_length=1, max_length=300)]
    identity_type: Literal["name"] | IdentityKind
    salt: Salt | UnsetType = UNSET


class Criteria(_Closed, frozen=True, kw_only=True):
    """What had to be reached, in words."""

    narrative: Annotated[str, Meta(min_length=1, max_length=1000)]


class ScoreDescription(_Closed, frozen=True, kw_only=True):
    """The scale of the score and the cut."""

    id: Urn
    type: tuple[Literal["ResultDescription"]]
    name: Literal["Score"]
    result_type: Literal["RawScore"]
    value_min: Literal["0"]
    value_max: Literal["100"]
    required_value: Points


class SafetyDescription(_Closed, frozen=True, kw_only=True):
    """The safety gate: passed or not, whatever the score."""

    id: Urn
    type: tuple[Literal["ResultDescription"]]
    name: Literal["Safety gate"]
    result_type: Literal["Status"]


class Achievement(_Closed, frozen=True, kw_only=True):
    """The exam: its title as `name`, its form as `human_code`, the program's version as `version`."""

    id: Urn
    type: tuple[Literal["Achievement"]]
    achievement_type: Literal["CertificateOfCompletion"]
    name: Text
    human_code: Text
    version: Text
    description: Statement
    criteria: Criteria
    result_description: tuple[ScoreDescription, SafetyDescription]


class ScoreResult(_Closed, frozen=True, kw_only=True):
    """The score reached, of 100."""

    type: tuple[Literal["Result"]]
    result_description: Urn
    value: Points


class SafetyResult(_Closed, frozen=True, kw_only=True):
    """The safety gate, passed: without it there is no certificate."""

    type: tuple[Literal["Result"]]
    result_description: Urn
    status: Literal["Completed"]


class Subject(_Closed, frozen=True, kw_only=True):
    """What is said about the holder. The id is the certificate's own, so that two certificates of one person do not point at
    each other."""

    id: Urn
    type: tuple[Literal["AchievementSubject"]]
    identifier: Annotated[tuple[Identity, ...], Meta(min_length=1, max_length=2)]
    achievement: Achievement
    result: tuple[ScoreResult, SafetyResult]


class Evidence(_Closed, frozen=True, kw_only=True):
    """The head of the sealed record on which the result rests."""

    type: tuple[Literal["Evidence"]]
    name: Literal["Exam record"]
    narrative: Record


class StatusEntry(_Closed, frozen=True, kw_only=True):
    """Where a revocation would show: one bit of the issuer's list."""

    id: Https
    type: Literal["BitstringStatusListEntry"]
    status_purpose: Literal["revocation"]
    status_list_index: Annotated[str, Meta(pattern=r"^(0|[1-9][0-9]{0,7})\Z")]
    status_list_credential: Https


class Proof(_Closed, frozen=True, kw_only=True):
    """An `eddsa-rdfc-2022` Data Integrity proof."""

    type: Literal["DataIntegrityProof"]
    cryptosuite: Literal["eddsa-rdfc-2022"]
    created: Time
    verification_method: Https
    proof_purpose: Literal["assertionMethod"]
    proof_value: Annotated[str, Meta(pattern=r"^z[1-9A-HJ-NP-Za-km-z]{80,90}\Z")]


class Credential(_Closed, frozen=True, kw_only=True):
    """A certificate without its proof: an Open Badges 3.0 AchievementCredential."""

    context: tuple[CredentialsContext, OpenBadgesContext] = field(name="@context")
    id: Urn
    type: tuple[Literal["VerifiableCredential"], Literal["AchievementCredential"]]
    name: Text
    description: Statement
    issuer: Profile
    valid_from: Time
    valid_until: Time | UnsetType = UNSET
    awarded_date: Time
    credential_subject: Subject
    evidence: tuple[Evidence]
    credential_status: StatusEntry


class Listed(_Closed, frozen=True, kw_only=True):
    """The list itself: one bit per certificate, gzipped, in base64url with the multibase prefix u."""

    id: Https
    type: Literal["BitstringStatusList"]
    status_purpose: Literal["revocation"]
    encoded_list: Annotated[str, Meta(pattern=r"^u[A-Za-z0-9_-]+\Z", max_length=1 << 20)]


class StatusList(_Closed, frozen=True, kw_only=True):
    """The issuer's list of revoked certificates; it stands for the time up to `valid_until`."""

    context: tuple[CredentialsContext] = field(name="@context")
    id: Https
    type: tuple[Literal["VerifiableCredential"], Literal["BitstringStatusListCredential"]]
    issuer: Https
    valid_from: Time
    valid_until: Time
    credential_subject: Listed


def contradiction(made: Credential) -> str:
    """What in `made` contradicts itself, as a sentence, or nothing: what types alone can't say."""
    subject, entry = made.credential_subject, made.credential_status
    who, *more = subject.identifier
    score, safety = subject.achievement.result_description
    reached, gate = subject.result
    if not who.hashed or who.identity_type == "name" or who.salt is UNSET or not _HASHED.fullmatch(who.identity_hash):
        return "the holder's first identifier is not a salted SHA-256 hash"
    if more and (more[0].hashed or more[0].identity_type != "name" or more[0].salt is not UNSET):
        return "the holder's second identifier is not a plain name"
    if (reached.result_description, gate.result_description) != (score.id, safety.id):
        return "the results belong to other scales than the exam's"
    if Decimal(reached.value) < Decimal(score.required_value):
        return f"the score {reached.value} is below the cut {score.required_value}"
    if entry.id != f"{entry.status_list_credential}#{entry.status_list_index}":
        return "the status entry's address is not that of its list and index"
    if made.valid_until is not UNSET and moment(made.valid_until) <= moment(made.valid_from):
        return "it ends before it begins"
    if moment(made.awarded_date) > moment(made.valid_from):
        return "it was issued before the exam"
    return ""


def plain(part: msgspec.Struct) -> dict[str, Any]:
    """`part` as JSON values, lists in place of tuples."""
    made = msgspec.json.decode(msgspec.json.encode(part))
    return made if isinstance(made, dict) else {}
