"""Which certificates the school issued to whom, and which of them it revoked, from the issuer's folder.

Rule: only a certificate that holds by the school's own keys is taken; the record's head in it says whose it is.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from blowergrade.credentials import profile, register
from blowergrade.credentials.issuer import IssuerFolder
from blowergrade.credentials.verify import verify
from blowergrade.records.entries import Certificate, CertificateFacts, Particulars, RecordsError, Result, Revocation, Revoked
from blowergrade.records.school import Person, Records


@dataclass(frozen=True, slots=True)
class Noted:
    """How many certificates and how many revocations were added."""

    certificates: int
    revoked: int


def note_certificates(records: Records, issuer: IssuerFolder, given: Sequence[tuple[str, bytes]]) -> Noted:
    """Add the certificates in `given` (file name, content) and all revocations of known ones; raises `RecordsError`."""
    added = gone = 0
    with records.adding() as adding:
        people = [p for p in records.people() if p.identity is not None]
        facts = {f.id: p for p in people for f in certificates(records, p)}
        for name, data in given:
            made = _checked(name, data, issuer)
            if made.id in facts:
                continue
            person, result = _whose(records, people, name, made)
            adding.about(Certificate, person.pseudonym, CertificateFacts(made.id, made.valid_from, result))
            facts[made.id] = person
            added += 1
        known = {r.id for p in people for r in revocations(records, p)}
        for entry in register.load(issuer.root).entries:
            if entry.revoked and entry.id in facts and entry.id not in known:
                adding.about(Revoked, facts[entry.id].pseudonym, Revocation(entry.id, entry.revoked, entry.reason))
                gone += 1
        adding.done()
    return Noted(added, gone)


def certificates(records: Records, person: Person) -> tuple[CertificateFacts, ...]:
    """The certificates of `person`."""
    return tuple(records.told(e, CertificateFacts) for e in person.entries if isinstance(e, Certificate))


def revocations(records: Records, person: Person) -> tuple[Revocation, ...]:
    """Those of `person` that were revoked."""
    return tuple(records.told(e, Revocation) for e in person.entries if isinstance(e, Revoked))


def _checked(name: str, data: bytes, issuer: IssuerFolder) -> profile.Credential:
    verdict = verify(data, [issuer.document])
    failed = {c.name for c in verdict.checks if c.passed is False} - {"dates"}  # one that has ended was issued all the same
    if failed or verdict.credential is None:
        raise RecordsError(f"{name} was not taken: {verdict.reason}; give a certificate of {issuer.document.name}")
    return verdict.credential


def _whose(records: Records, people: Sequence[Person], name: str, made: profile.Credential) -> tuple[Person, int]:
    """The person and the number of the newest result on which `made` rests."""
    head = made.evidence[0].narrative.removeprefix(profile.RECORD_HEAD)
    for person in people:
        for entry in reversed(person.entries):
            if isinstance(entry, Result) and entry.verdict == "passed" and records.told(entry, Particulars).record_head == head:
                return person, entry.number
    raise RecordsError(f"{name} rests on no result in these records; take its exam first (`blowergrade records take`)")
