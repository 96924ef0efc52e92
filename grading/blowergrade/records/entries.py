"""What may stand in the records: entries about pseudonyms, and what is sealed inside them.

Rule: what counts (exam, form, verdict, calls) stands open under a pseudonym; whatever a person wrote, or says who somebody is,
stands sealed under that person's key. An entry is never changed: a later one corrects it.
"""

from __future__ import annotations

from typing import Annotated, Literal

import msgspec

from blowerbench.errors import BenchError
from blowergrade.exam.passing import Verdict

FORMAT = 1
Outcome = Literal["changed", "unchanged"]
Why = Literal["retention ended", "asked by the person", "entered by mistake", "ordered by law"]
Count = Annotated[int, msgspec.Meta(ge=0)]


class RecordsError(BenchError):
    """Something that the records do not allow, or that is wrong with them; says what would be right."""


class Header(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """The first line: whose records these are, and since when (UTC, ISO 8601)."""

    format: int
    school: str
    made: str


# ---------------------------------------------------------------------- what is sealed
class Secret(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """What only the person's key opens."""


class Identity(Secret, frozen=True):
    """Who a pseudonym is. `school_id` is the id by which the school's exams know the person."""

    name: str
    school_id: str = ""
    email: str = ""
    language: str = "en"


class CallPoints(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One call of an exam: tenths of a point of 1000 (None: undecided), whether it was passed, critical rules broken."""

    call: str
    tenths: int | None
    passed: bool
    critical: tuple[str, ...] = ()


class Particulars(Secret, frozen=True):
    """A result in detail: why this verdict, each call, and the head of all its records (SHA-256)."""

    candidate: str
    reasons: tuple[str, ...]
    calls: tuple[CallPoints, ...]
    record_head: str


class CertificateFacts(Secret, frozen=True):
    """Which certificate was issued, when (UTC, ISO 8601), and the number of the result that it rests on."""

    id: str
    issued: str
    result: int


class Revocation(Secret, frozen=True):
    """Which certificate was revoked, when and why."""

    id: str
    revoked: str
    reason: str


class Granted(Secret, frozen=True):
    """What was granted for a sitting, in words."""

    words: tuple[str, ...]


class Said(Secret, frozen=True):
    """A reason, and who wrote it down."""

    reason: str
    by: str


class Told(Secret, frozen=True):
    """Who was told what, for which legitimate interest, by whom, on which day (ISO 8601)."""

    to: str
    what: str
    interest: str
    by: str
    day: str


class Corrected(Secret, frozen=True):
    """What is right instead, or as a statement what the person says is; `identity` where that changes."""

    text: str
    by: str
    identity: Identity | None = None


# ---------------------------------------------------------------------- entries
class Entry(msgspec.Struct, frozen=True, tag_field="kind", forbid_unknown_fields=True, kw_only=True):
    """A line of the records: its number from 1, and when it was written (UTC, ISO 8601)."""

    number: int
    when: str


class Taken(Entry, frozen=True, tag="taken"):
    """A released grading was taken over from a sitting. About nobody by name."""

    sitting: str
    title: str
    grading: int
    digest: str  # SHA-256 of the grading's file
    released: str  # UTC: when
    people: Count


class About(Entry, frozen=True):
    """An entry about one person, part of it sealed."""

    person: str
    sealed: str


class Enrolled(About, frozen=True, tag="enrolled"):
    """A person came into the records. Sealed: `Identity`."""


class Result(About, frozen=True, tag="result"):
    """What came of a sitting by the grading of this number; a later entry of the same sitting counts instead. `day` ISO 8601.

    Sealed: `Particulars`.
    """

    sitting: str
    title: str
    form: str
    day: str
    grading: int
    verdict: Verdict
    passed: Count
    calls: Count
    needed: Count


class Certificate(About, frozen=True, tag="certificate"):
    """A certificate was issued. Sealed: `CertificateFacts`."""


class Revoked(About, frozen=True, tag="revoked"):
    """A certificate was revoked. Sealed: `Revocation`."""


class Accommodation(About, frozen=True, tag="accommodation"):
    """What was granted for a sitting, under a key of its own. Sealed: `Granted`."""

    sitting: str


class AppealOpened(About, frozen=True, tag="appeal opened"):
    """An appeal was received against the grading of this number. Sealed: `Said`."""

    sitting: str
    grading: int
    day: str


class AppealDecided(About, frozen=True, tag="appeal decided"):
    """The appeal of entry `appeal` was decided; `grading` is the one that counts since. Sealed: `Said`."""

    appeal: int
    outcome: Outcome
    grading: int


class Disclosure(About, frozen=True, tag="disclosure"):
    """Somebody was told. Sealed: `Told`."""


class InspectionAsked(About, frozen=True, tag="inspection asked"):
    """The person asked on `day` (ISO 8601) to see their records. Sealed: `Said`."""

    day: str


class InspectionShown(About, frozen=True, tag="inspection shown"):
    """The person's records were exported for them; `answers` are the requests that this answered. Sealed: `Said`."""

    answers: tuple[int, ...]


class Correction(About, frozen=True, tag="correction"):
    """Entry `corrects` was wrong; or, as a `statement`, the person says so and the school does not. Sealed: `Corrected`."""

    corrects: int
    statement: bool = False


class Erased(Entry, frozen=True, tag="erased"):
    """The key of a person, or only that of their accommodations, was destroyed: what it sealed is unreadable for good."""

    person: str
    what: Literal["person", "accommodations"]
    why: Why
    by: str


AnyAbout = (
    Enrolled | Result | Certificate | Revoked | Accommodation | AppealOpened | AppealDecided | Disclosure | InspectionAsked
    | InspectionShown | Correction
)
AnyEntry = AnyAbout | Taken | Erased
#: What is sealed inside each kind.
SECRETS: dict[type[About], type[Secret]] = {
    Enrolled: Identity, Result: Particulars, Certificate: CertificateFacts, Revoked: Revocation, Accommodation: Granted,
    AppealOpened: Said, AppealDecided: Said, Disclosure: Told, InspectionAsked: Said, InspectionShown: Said,
    Correction: Corrected,
}  # fmt: skip
