"""Taking over: what the released grading says and nothing else, once; a later grading adds; nobody is mixed up with another."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path

import msgspec
import pytest
from credentials.school import PASSPHRASE
from exam.sat_exam import NAMES
from records.people import decide, grade, made_exam, played_exam, release, released_exam, school, taken

from blowergrade.credentials import keys
from blowergrade.credentials.issuer import make_issuer
from blowergrade.credentials.issuing import issue, revoke, secure
from blowergrade.exam import gradings as g
from blowergrade.exam.completions import completions, head_of
from blowergrade.exam.folder import ExamFolder
from blowergrade.exam.programme import Accommodation as Rights
from blowergrade.records.certificates import certificates, note_certificates, revocations
from blowergrade.records.entries import (
    Accommodation,
    Certificate,
    Granted,
    Identity,
    Particulars,
    RecordsError,
    Result,
    Said,
    Taken,
)
from blowergrade.records.keeping import correct, decide_appeal, erase, open_appeal
from blowergrade.records.register import FILE
from blowergrade.records.school import Records
from blowergrade.records.tally import tallies


def results(records: Records, who: str) -> list[Result]:
    return [e for e in records.find(who).entries if isinstance(e, Result)]


def decided(folder: ExamFolder) -> g.Grading:
    """A person's decision lets c03 pass, in a second grading."""
    decide(folder, "c03", "call-2", 75, "the bench was shown wrong")
    return grade(folder, "appeal of c03")


def test_everybody_gets_what_the_released_grading_says(tmp_path: Path) -> None:
    folder, records = released_exam(tmp_path), school(tmp_path)
    took = taken(records, folder)
    assert (took.people, took.results, took.left_out, took.grading) == (4, 4, (), 1)
    grading = g.newest(folder)
    for name, person in zip(NAMES, records.people(), strict=True):
        assert person.identity == Identity(NAMES[name], name)
        (result,), said = person.results, grading.of(name)
        assert said is not None
        assert (result.verdict, result.passed, result.calls, result.needed) == (said.verdict, said.passed_calls, 2, 2)
        told = records.told(result, Particulars)
        assert told.record_head == head_of(said) and told.reasons == said.reasons
        assert [(c.tenths, c.passed, c.critical) for c in told.calls] == [(c.tenths, c.passed, c.critical) for c in said.calls]
    assert [r.verdict for p in records.people() for r in p.results] == ["passed", "not passed", "not passed", "absent"]
    assert {r.day for p in records.people() for r in p.results} <= {"2027-01-14", "2027-01-15", "2027-01-16"}


def test_taking_twice_adds_nothing(tmp_path: Path) -> None:
    folder, records = released_exam(tmp_path), school(tmp_path)
    taken(records, folder)
    before = (records.root / FILE).read_bytes()
    took = taken(Records(records.root), folder)
    assert (took.people, took.results, took.left_out) == (0, 0, ())
    assert (records.root / FILE).read_bytes() == before


def test_nothing_is_taken_before_the_release(tmp_path: Path) -> None:
    folder, records = made_exam(tmp_path, "may", NAMES), school(tmp_path)
    with pytest.raises(RecordsError, match="only released results"):
        taken(records, folder)
    assert not records.people() and not list(records.keys.folder.iterdir())


def test_an_appeal_adds_a_result_and_leaves_the_first(tmp_path: Path) -> None:
    folder, records = released_exam(tmp_path), school(tmp_path)
    taken(records, folder)
    before = (records.root / FILE).read_bytes()
    decided(folder)
    took = taken(records, folder)
    assert (took.people, took.results, took.grading) == (0, 1, 2)
    assert (records.root / FILE).read_bytes().startswith(before)
    assert [(r.verdict, r.grading) for r in results(records, "c03")] == [("not passed", 1), ("passed", 2)]
    assert [r.verdict for r in records.find("c03").results] == ["passed"], "the later one counts"
    assert len(results(records, "c01")) == 1, "what did not change is not said again"
    release(folder, 1, 1_800_020_000_000)  # a release can be taken back to the first grading
    assert taken(records, folder).results == 1
    assert [r.grading for r in results(records, "c03")] == [1, 2, 1]


def test_an_appeal_is_decided_by_what_the_records_say(tmp_path: Path) -> None:
    folder, records = released_exam(tmp_path), school(tmp_path)
    taken(records, folder)
    day = "2024-02-01"
    with pytest.raises(RecordsError, match=r"no result of 'june'; there are: may"):
        open_appeal(records, "c03", "june", day, Said("x", "A. Marsh"))
    first = open_appeal(records, "c03", "may", day, Said("the bench froze", "A. Marsh"))
    other = open_appeal(records, "c02", "may", day, Said("it was safe", "A. Marsh"))
    with pytest.raises(RecordsError, match=f"appeal {first} against may is not decided"):
        open_appeal(records, "c03", "may", day, Said("x", "A. Marsh"))
    with pytest.raises(RecordsError, match="unchanged"):
        decide_appeal(records, first, "changed", Said("x", "J. Ferro"))
    decided(folder)
    taken(records, folder)
    with pytest.raises(RecordsError, match="the result is changed"):
        decide_appeal(records, first, "unchanged", Said("x", "J. Ferro"))
    decide_appeal(records, first, "changed", Said("shown wrong", "J. Ferro"))
    decide_appeal(records, other, "unchanged", Said("the power was on", "J. Ferro"))
    ends = [e for e in records.entries if type(e).__name__ == "AppealDecided"]
    assert [(e.appeal, e.outcome, e.grading) for e in ends] == [(first, "changed", 2), (other, "unchanged", 2)]  # type: ignore[union-attr] # by the name of its class
    for appeal in (first, other):
        with pytest.raises(RecordsError, match="is decided already"):
            decide_appeal(records, appeal, "changed", Said("x", "J. Ferro"))
    with pytest.raises(RecordsError, match="entry 1 is no appeal"):
        decide_appeal(records, 1, "changed", Said("x", "J. Ferro"))
    (tally,) = tallies(records.entries)
    assert (tally.people, dict(tally.verdicts), tally.appeals, tally.changed) == (
        4, {"passed": 2, "not passed": 1, "absent": 1}, 2, 1,
    )  # fmt: skip


# ---------------------------------------------------------------------- who is who
def test_a_person_of_two_sittings_is_one_and_of_the_same_id_and_another_name_nobody_is_guessed(tmp_path: Path) -> None:
    records = school(tmp_path)
    taken(records, released_exam(tmp_path, "may", {"c01": "Robin Ashdown", "c02": "Mina Okafor"}))
    june = released_exam(tmp_path, "june", {"C01": "robin  ashdown", "c02": "Ana Ribeiro"})
    before = (records.root / FILE).read_bytes()
    with pytest.raises(RecordsError, match=r"'c02' is 'Mina Okafor' .* and 'Ana Ribeiro' in june.*--same c02.*--other c02"):
        taken(records, june)
    assert (records.root / FILE).read_bytes() == before and len(list(records.keys.folder.iterdir())) == 2
    with pytest.raises(RecordsError, match="no candidate of june"):
        taken(records, june, other_person=("c09",))
    assert taken(records, june, other_person=("c02",)).people == 1
    assert [r.sitting for r in records.find("Robin Ashdown").results] == ["may", "june"]
    assert [r.sitting for r in records.find("Mina Okafor").results] == ["may"]
    assert [r.sitting for r in records.find("Ana Ribeiro").results] == ["june"]


def test_a_person_with_a_new_name_is_the_same_once_somebody_says_so_or_the_name_was_corrected(tmp_path: Path) -> None:
    records = school(tmp_path)
    taken(records, released_exam(tmp_path, "may", {"c01": "Mina Okafor"}))
    assert taken(records, released_exam(tmp_path, "june", {"c01": "Mina Hale"}), same_person=("c01",)).people == 0
    first = records.find("c01").entries[0].number
    correct(records, "c01", first, "married", "A. Marsh", name="Mina Hale")
    assert taken(records, released_exam(tmp_path, "july", {"c01": "Mina Hale"})).people == 0
    (person,) = records.people()
    assert [r.sitting for r in person.results] == ["may", "june", "july"]


def test_who_was_erased_does_not_come_back_with_a_later_grading(tmp_path: Path) -> None:
    folder, records = released_exam(tmp_path), school(tmp_path)
    taken(records, folder)
    person = records.find("c03").pseudonym
    erase(records, person, "asked by the person", "A. Marsh")
    decided(folder)
    took = taken(records, folder)
    assert (took.people, took.results, took.left_out) == (0, 0, ("c03",))
    assert len(records.people()) == 4 and "Zhukova" not in str(records.people()) and not records.keys.has(person)
    other = released_exam(tmp_path, "june", {"c03": NAMES["c03"]})
    assert taken(records, other).people == 1, "in another sitting they are somebody new"
    assert records.find("c03").pseudonym != person


def test_another_exam_of_the_same_name_is_not_taken_for_it(tmp_path: Path) -> None:
    records = school(tmp_path)
    taken(records, released_exam(tmp_path))
    before = (records.root / FILE).read_bytes()
    other = released_exam(tmp_path / "elsewhere", "may", {"c01": NAMES["c01"], "c05": "Ana Ribeiro"})
    with pytest.raises(RecordsError, match="another exam of the name 'may'"):
        taken(records, other)
    assert (records.root / FILE).read_bytes() == before


def test_accommodations_are_taken_once_sealed_apart_and_shown_in_no_result(tmp_path: Path) -> None:
    granted = Rights(extra_percent=25, breaks=True, note="sits by the door")
    records, folder = school(tmp_path), released_exam(tmp_path, "may", {"c01": "Robin Ashdown"}, granted)
    taken(records, folder)
    person = records.find("c01")
    (entry,) = (e for e in person.entries if isinstance(e, Accommodation))
    assert records.told(entry, Granted).words == ("extra time 25 %", "breaks", "sits by the door")
    assert records.keys.has(person.pseudonym, "accommodations")
    told = records.told(person.results[0], Particulars)
    assert b"25" not in msgspec.json.encode(told) and b"door" not in (records.root / FILE).read_bytes()


# ---------------------------------------------------------------------- certificates
@pytest.fixture
def _cheap(monkeypatch: pytest.MonkeyPatch) -> None:
    """Guessing the issuer's passphrase is made cheap."""
    monkeypatch.setattr(keys, "COST", 1 << 10)


@pytest.mark.usefixtures("_cheap")
def test_after_a_real_exam_certificates_are_taken_by_the_head_of_their_record_and_revocations_follow(tmp_path: Path) -> None:
    folder, records = played_exam(tmp_path), school(tmp_path)
    address = "https://harrow.example/issuer"
    begun = datetime(2024, 5, 2, tzinfo=UTC)
    issuer = make_issuer(
        tmp_path / "issuer", "Harrow Lane Trade School", address, "https://harrow.example/verify", PASSPHRASE, begun
    )
    journal = folder.journal()
    (told,) = completions(folder, journal)
    journal.close()
    made = issue(issuer, msgspec.structs.replace(told, day="2024-05-01"), PASSPHRASE, days=30, when=begun)
    with pytest.raises(RecordsError, match="rests on no result"):
        note_certificates(records, issuer, [("a.jwt", made.signed.jwt)])
    taken(records, folder)
    assert [r.verdict for p in records.people() for r in p.results] == ["passed", "not passed"]
    reckless = records.told(records.find("c02").results[0], Particulars)
    assert "live_work" in reckless.calls[0].critical and "safety" in reckless.reasons[0]
    assert b"wall_G_open" not in (records.root / FILE).read_bytes(), "no fault: forms are used again"
    noted = note_certificates(records, issuer, [("a.jwt", made.signed.jwt), ("a.json", made.signed.json)])
    assert (noted.certificates, noted.revoked) == (1, 0), "two files of one certificate are one"
    (found,) = certificates(records, records.find("c01"))
    assert found.id == made.facts.credential_id and found.result == results(records, "c01")[0].number
    revoke(issuer, found.id, "issued in error")
    for again in (1, 0):
        noted = note_certificates(records, issuer, [("a.jwt", made.signed.jwt)])
        assert (noted.certificates, noted.revoked) == (0, again)
    assert revocations(records, records.find("c01"))[0].reason == "issued in error"
    assert not [e for e in records.find("c02").entries if isinstance(e, Certificate)]
    forged = made.signed.json.replace(b"Robin Ashdown", b"Mina Okafor")
    plain = {k: v for k, v in json.loads(made.signed.json).items() if k != "proof"}
    plain["credentialSubject"]["result"][0]["value"] = "10"  # below the cut, under the school's own signature
    wrong = secure(plain, issuer.signers(PASSPHRASE), made.facts.issued).jwt
    for name, data in (("forged.json", forged), ("rubbish.jwt", b"a.b.c"), ("empty", b""), ("wrong.jwt", wrong)):
        with pytest.raises(RecordsError, match=f"{name} was not taken"):
            note_certificates(records, issuer, [(name, data)])


@pytest.mark.usefixtures("_cheap")
def test_a_certificate_rests_on_the_result_that_passed_even_where_a_later_one_did_not(tmp_path: Path) -> None:
    """A decision changes points and no record, so both results have the same head."""
    folder, records = released_exam(tmp_path), school(tmp_path)
    taken(records, folder)
    issuer = make_issuer(tmp_path / "issuer", "Harrow Lane", "https://harrow.example/i", "https://harrow.example/v", PASSPHRASE)
    journal = folder.journal()
    (told,) = completions(folder, journal)
    journal.close()
    made = issue(issuer, msgspec.structs.replace(told, day="2024-05-01"), PASSPHRASE)
    decide(folder, "c01", "call-1", 20, "a phone was seen")
    grade(folder, "a second look")
    taken(records, folder)
    passed, failed = results(records, "c01")
    assert (passed.verdict, failed.verdict) == ("passed", "not passed")
    note_certificates(records, issuer, [("a.jwt", made.signed.jwt)])
    assert certificates(records, records.find("c01"))[0].result == passed.number


def test_a_sitting_is_noted_with_its_grading_and_how_many_came(tmp_path: Path) -> None:
    folder, records = released_exam(tmp_path), school(tmp_path)
    taken(records, folder)
    (entry,) = (e for e in records.entries if isinstance(e, Taken))
    assert (entry.sitting, entry.grading, entry.people, entry.digest) == ("may", 1, 4, g.digest_of(g.newest(folder)))
    assert entry.released.startswith("2027-01-15T")
