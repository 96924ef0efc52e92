"""Is this certificate good? Answered offline, check by check, each with a sentence for a reader who is no programmer.

Rule: nothing in a certificate says how it is to be checked. The issuer's keys come from the issuer's document, the algorithm
from the kind of file, the contexts from this program; what is outside the closed profile is refused. What was not checked is
said, never left out.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from typing import TypeVar

import msgspec
from msgspec import UNSET

from blowergrade.credentials import profile as p
from blowergrade.credentials.files import CredentialError
from blowergrade.credentials.issuer import IssuerDocument
from blowergrade.credentials.secured import Form, Secured, form_of, opened
from blowergrade.credentials.status import bits_of, is_set
from blowergrade.credentials.strict import convert, moment

SKEW = timedelta(minutes=5)  # by which clocks may differ
T = TypeVar("T", p.Credential, p.StatusList)


class Check(msgspec.Struct, frozen=True):
    """One check: passed, failed, or not made (None); and the sentence that says so."""

    name: str
    passed: bool | None
    sentence: str


class Verdict(msgspec.Struct, frozen=True):
    """What came of all checks.

    `form` is empty where the data was no certificate at all; `credential` is there once its signature holds.
    """

    valid: bool
    form: Form
    checks: tuple[Check, ...]
    credential: p.Credential | None = None

    @property
    def reason(self) -> str:
        """Why it is not valid; empty where it is."""
        return next((c.sentence for c in self.checks if c.passed is False), "")

    @property
    def unchecked(self) -> tuple[str, ...]:
        """What was not checked."""
        return tuple(c.sentence for c in self.checks if c.passed is None)


def verify(
    data: bytes | str, issuers: Sequence[IssuerDocument], status: bytes | str | None = None, now: datetime | None = None
) -> Verdict:
    """The verdict on a certificate, JSON with a proof or VC-JWT. It never raises for what stands in `data` or `status`.

    `issuers` are the documents that the reader trusts, `status` the issuer's status list in either form, `now` an aware time.
    """
    trail, made = _Trail(issuers, now or datetime.now(UTC)), None
    form = form_of(data)
    try:
        if not form:
            raise trail.no("form", "This is no certificate: neither JSON nor a signed token.")
        made = trail.proven(data, p.Credential)
        trail.agrees(made)
        trail.in_time(made)
        trail.status(made, status)
    except _RefusedError:
        pass
    return Verdict(all(c.passed is not False for c in trail.checks), form, tuple(trail.checks), made)


def verified_list(data: bytes | str, issuers: Sequence[IssuerDocument], now: datetime | None = None) -> p.StatusList:
    """The status list in `data`, once its signature holds; raises `CredentialError`."""
    trail = _Trail(issuers, now or datetime.now(UTC))
    try:
        return trail.proven(data, p.StatusList)
    except _RefusedError as error:
        raise CredentialError(f"the status list can't be used: {error}") from error


class _RefusedError(Exception):
    """The first check that fails ends the checking."""


class _Trail:
    """The checks so far. A check adds its sentence, and raises `_RefusedError` where it fails."""

    def __init__(self, issuers: Sequence[IssuerDocument], at: datetime) -> None:
        self.issuers, self.at = issuers, at
        self.checks: list[Check] = []

    def yes(self, name: str, sentence: str) -> None:
        self.checks.append(Check(name, True, sentence))

    def no(self, name: str, sentence: str) -> _RefusedError:
        self.checks.append(Check(name, False, sentence))
        return _RefusedError(sentence)

    # ------------------------------------------------------------------ signature
    def proven(self, data: bytes | str, kind: type[T]) -> T:
        """The document in `data` as its closed type, once its signature holds under a key of its issuer."""
        try:
            secured = opened(data)
        except CredentialError as error:
            raise self.no("form", f"It can't be read: {error}.") from error
        try:
            made: T = convert(secured.document, kind)
        except msgspec.ValidationError as error:
            sentence = f"It is not of the closed profile: {error}. Nobody vouches for such a part."
            raise self.no("profile", sentence) from error
        self.yes("profile", "It has exactly the members of the profile, and only contexts that ship with this program.")
        name = str(getattr(made.issuer, "id", made.issuer))
        issuer = next((i for i in self.issuers if i.id == name), None)
        if issuer is None:
            raise self.no("issuer", f"Its issuer {name} is none of those whose document you trust.")
        self.yes("issuer", f"Its issuer is {issuer.name} ({issuer.id}), whose document you trust.")
        self._signature(secured, issuer)
        return made

    def _signature(self, secured: Secured, issuer: IssuerDocument) -> None:
        key = issuer.key(secured.key)
        if key is None:
            raise self.no("key", f"It names the key {secured.key[:120]!r}, which is none of this issuer's.")
        wanted = "RSA" if secured.form == "jwt" else "Ed25519"
        if key.kind != wanted:
            raise self.no("key", f"It names a key of the kind {key.kind}; this kind of file is signed by one of {wanted}.")
        try:
            signed = moment(secured.signed)
            refusal, held = key.refusal(signed), secured.holds(key.public())
        except CredentialError as error:
            raise self.no("signature", f"Its signature can't be checked: {error}.") from error
        if refusal:
            raise self.no("key", f"Its key does not count: {refusal}.")
        if not held:
            raise self.no("signature", "Its signature does not hold: something was changed, or another key signed it.")
        if signed > self.at + SKEW:
            raise self.no("dates", f"Not yet valid: its signature is dated {secured.signed}, which is in the future.")
        self.yes("key", f"Its key was the issuer's when it was signed ({secured.signed}) and is not revoked.")
        self.yes("signature", "Its signature holds: nothing was changed since the issuer signed it.")

    # ------------------------------------------------------------------ content
    def agrees(self, made: p.Credential) -> None:
        try:
            wrong = p.contradiction(made)
        except CredentialError as error:
            wrong = str(error)
        if wrong:
            raise self.no("content", f"It contradicts itself: {wrong}.")
        self.yes("content", "Its parts agree: score and cut, safety gate, status entry.")

    def in_time(self, made: p.Credential) -> None:
        if moment(made.valid_from) > self.at + SKEW:
            raise self.no("dates", f"Not yet valid: it begins {made.valid_from}.")
        if made.valid_until is not UNSET and moment(made.valid_until) <= self.at:
            raise self.no("dates", f"Expired: it ended {made.valid_until}.")
        until = "it has no end" if made.valid_until is UNSET else f"it ends {made.valid_until}"
        self.yes("dates", f"It is in force: since {made.valid_from}, {until}.")

    def status(self, made: p.Credential, data: bytes | str | None) -> None:
        if data is None:
            self._unknown("no status list was given. Ask the issuer for its list.")
            return
        inner, entry = _Trail(self.issuers, self.at), made.credential_status
        try:
            listed = inner.proven(data, p.StatusList)
            if listed.issuer != made.issuer.id or listed.id != entry.status_list_credential:
                raise CredentialError("it is another list than the one that the certificate names")
            revoked = is_set(bits_of(listed.credential_subject.encoded_list), int(entry.status_list_index))
            late = moment(listed.valid_until) <= self.at
        except (_RefusedError, CredentialError) as error:
            raise self.no("status", f"The status list given can't be used: {error}") from error
        if revoked:
            raise self.no("status", f"Revoked: the issuer's list of {listed.valid_from} says so.")
        if late:
            self._unknown(f"the list given ended {listed.valid_until}. Ask the issuer for a newer one.")
        else:
            self.yes("status", f"Not revoked, by the issuer's list of {listed.valid_from}; later revocations don't show in it.")

    def _unknown(self, why: str) -> None:
        self.checks.append(Check("status", None, f"Not checked for revocation: {why}"))
