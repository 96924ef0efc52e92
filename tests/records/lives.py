"""People about whom everything stands in the records that can: for exports and pages."""

from __future__ import annotations

from pathlib import Path

from records.people import decide, grade, released_exam, school, taken

from blowergrade.exam.programme import Accommodation as Rights
from blowergrade.records.entries import Certificate, CertificateFacts, Identity, Revocation, Revoked, Said, Told
from blowergrade.records.keeping import ask, correct, decide_appeal, disclose, open_appeal
from blowergrade.records.school import Records

RIGHTS = Rights(extra_percent=25, breaks=True, note="sits near the door")


def rich(place: Path, name: str = "Robin Ashdown", other: str = "Mina Okafor") -> Records:
    """Records of two people, c01 of the given `name` with an entry of every kind, and c02, the `other`."""
    records, folder = school(place), released_exam(place, "may-2024", {"c01": name, "c02": other}, RIGHTS, 1_715_500_000_000)
    taken(records, folder)
    person = records.find("c01").pseudonym
    first, result = (e.number for e in records.find("c01").entries if type(e).__name__ in ("Enrolled", "Result"))
    froze = Said("The meter froze in call 2, and I told the proctor.", "A. Marsh")
    appeal = open_appeal(records, "c01", "may-2024", "2024-05-20", froze)
    for k in (1, 2):
        decide(folder, "c01", f"call-{k}", 92 - 9 * k, "the bench was shown wrong")
    grade(folder, "appeal of c01")
    taken(records, folder)
    decide_appeal(records, appeal, "changed", Said("The journal shows 4 minutes without a reading.", "J. Ferro"))
    with records.adding() as adding:
        counts = records.living("c01").results[-1].number
        for n in (1, 2):
            facts = CertificateFacts(f"urn:uuid:6f0c0f6e-6a1f-4a53-9d0b-3a1c5c1f00{n:02}", "2024-06-01T09:00:00Z", counts)
            adding.about(Certificate, person, facts)
        gone = Revocation("urn:uuid:6f0c0f6e-6a1f-4a53-9d0b-3a1c5c1f0001", "2024-06-02T09:00:00Z", "printed with another form")
        adding.about(Revoked, person, gone)
        adding.done()
    told = "Northgate Heating", "that the exam was passed, and when", "hires, with consent of 3 June"
    disclose(records, "c01", Told(*told, "A. Marsh", "2024-06-04"))
    disclose(records, "c02", Told("a body of c02", "what is told of c02", "interest in c02", "clerk of c02", "2024-06-05"))
    correct(records, "c01", first, "An address was missing.", "A. Marsh", email="robin@example.org")
    correct(records, "c01", result, "I was given form B by mouth.", "A. Marsh", statement=True)
    ask(records, "c01", "2024-06-10", Said("By letter; wants to see all of it.", "A. Marsh"))
    return records


def identity(records: Records, who: str) -> Identity:
    """Who somebody is."""
    found = records.find(who).identity
    assert found is not None
    return found
