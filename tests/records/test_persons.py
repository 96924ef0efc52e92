"""Pseudonyms and keys: sealed as the standard says, opened by one key only, and gone for good once that is destroyed."""

from __future__ import annotations

import base64
import json
import random
import re
import shutil
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.ciphers import Cipher, algorithms, modes
from records.people import ODD, school
from sampling import seed

from blowergrade.records.checking import audit
from blowergrade.records.entries import (
    SECRETS,
    About,
    Accommodation,
    AppealDecided,
    CallPoints,
    Corrected,
    Correction,
    Enrolled,
    Granted,
    Identity,
    InspectionShown,
    Particulars,
    RecordsError,
    Result,
    Said,
    Taken,
    Told,
)
from blowergrade.records.export import export_of, show
from blowergrade.records.keeping import ask, correct, decide_appeal, disclose, erase, open_appeal
from blowergrade.records.persons import PADDED, GoneError, Keyring, new_pseudonym
from blowergrade.records.register import FILE
from blowergrade.records.school import Records
from blowergrade.records.tally import tallies


def wrong(records: Records) -> list[str]:
    return [text for found in audit(Records(records.root)) for text in found.wrong]


def enrolled(records: Records, *names: str) -> list[str]:
    with records.adding() as adding:
        made = [adding.enrol(Identity(name, f"s{n}", f"s{n}@example.org")) for n, name in enumerate(names, 1)]
        adding.done()
    return made


@pytest.fixture
def records(tmp_path: Path) -> Records:
    return school(tmp_path)


# ---------------------------------------------------------------------- sealing
def test_a_pseudonym_is_random_and_says_nothing() -> None:
    made = {new_pseudonym(()) for _ in range(1000)}
    assert len(made) == 1000 and all(re.fullmatch(r"p-[0-9a-hjkmnp-tv-z]{10}", p) for p in made)


def test_a_sealed_text_is_aes_256_in_galois_counter_mode(records: Records) -> None:
    """NIST SP 800-38D, section 7.1: with a nonce of 96 bits the text is enciphered in counter mode from the block nonce‖2."""
    (person,) = enrolled(records, "Robin Ashdown")
    (entry,) = records.entries
    assert isinstance(entry, Enrolled)
    key = bytes.fromhex((records.keys.folder / f"{person}.key").read_text())
    data = base64.b64decode(entry.sealed)
    assert len(key) == 32 and (len(data) - 12 - 16) % PADDED == 0
    counter = Cipher(algorithms.AES(key), modes.CTR(data[:12] + b"\0\0\0\2")).decryptor()
    assert json.loads(counter.update(data[12:-16])) == {
        "name": "Robin Ashdown", "school_id": "s1", "email": "s1@example.org", "language": "en",
    }  # fmt: skip


def test_what_is_sealed_opens_with_its_own_key_at_its_own_place_only(records: Records) -> None:
    one, other = enrolled(records, "Robin Ashdown", "Mina Okafor")
    first, second = (e for e in records.entries if isinstance(e, Enrolled))
    sealed = first.sealed
    moved = [
        Enrolled(number=2, when="", person=one, sealed=sealed), Enrolled(number=1, when="", person=other, sealed=sealed),
        Enrolled(number=1, when="", person=one, sealed=second.sealed),
        Enrolled(number=1, when="", person=one, sealed=sealed[:-8] + "AAAAAAA="),
        Enrolled(number=1, when="", person=one, sealed="%%%"),
    ]  # fmt: skip
    for entry in moved:
        with pytest.raises(RecordsError, match="does not open"):
            records.keys.open(entry, Identity)
    assert records.keys.open(first, Identity).name == "Robin Ashdown"
    shutil.copy(records.keys.file(one, "person"), records.keys.file(other, "person"))
    with pytest.raises(RecordsError, match="does not open"):  # even with the key of the right person under another name
        Keyring(records.root).open(moved[1], Identity)


def test_the_length_of_a_name_does_not_show(records: Records) -> None:
    enrolled(records, "Al", "Maria de los Ángeles Fernández de la Vega y Ruiz de Apodaca")
    assert len({len(e.sealed) for e in records.entries if isinstance(e, Enrolled)}) == 1


def test_a_command_that_fails_leaves_no_key_behind(records: Records) -> None:
    with pytest.raises(RecordsError, match="has a name"), records.adding() as adding:
        adding.enrol(Identity("Robin Ashdown"))
        adding.enrol(Identity("  "))
    assert list(records.keys.folder.iterdir()) == [] and not Records(records.root).entries


def test_a_missing_or_damaged_key_is_said_and_the_others_go_on(records: Records) -> None:
    one, other = enrolled(records, "Robin Ashdown", "Mina Okafor")
    file = records.keys.file(one, "person")
    kept = file.read_bytes()
    for damaged in (b"zz", kept[:-3]):
        file.write_bytes(damaged)
        with pytest.raises(RecordsError, match="put the copy back"):
            Records(records.root).people()
    file.unlink()
    again = Records(records.root)
    assert again.find("Mina Okafor").pseudonym == other
    with pytest.raises(RecordsError, match="put the copy back"):
        again.living(one)
    assert any("is not there" in text for text in wrong(records))
    file.write_bytes(kept)
    file.chmod(0o644)
    assert wrong(records) == [f"{file.name} can be read by others than its owner; chmod 600 it"]


def test_people_are_found_by_pseudonym_id_address_or_name_and_never_guessed(records: Records) -> None:
    one, other, third = enrolled(records, "Zoë Marsh", "Robin Ashdown", "robin  ASHDOWN")
    assert records.find(one).identity == records.find("s1").identity == records.find("S1@example.org").identity
    assert records.find("Zoe\u0308 marsh").pseudonym == one, "the same letters, spelled in two code points"
    with pytest.raises(RecordsError, match=f"{other}, {third}"):
        records.find("Robin Ashdown")
    for nobody in ("", " ", "Robin", "s9"):
        with pytest.raises(RecordsError, match="is nobody"):
            records.find(nobody)


# ---------------------------------------------------------------------- erasing
def canary(chance: random.Random) -> str:
    """A word that stands nowhere by chance."""
    return "".join(chance.choices("bcdfghjklmnpqrstvwxz", k=14))


def spellings(word: str) -> list[bytes]:
    """How `word` could stand in a file: plain, wide, hexadecimal, in base64 at each of the three offsets."""
    plain = word.encode()
    coded = [base64.b64encode(b"\0" * n + plain)[4:-4] for n in range(3)]
    return [plain, word.encode("utf-16-le"), plain.hex().encode(), *coded]


def everything(folder: Path) -> bytes:
    return b"\n".join(f.name.encode() + b"\n" + f.read_bytes() for f in folder.rglob("*") if f.is_file())


def lived(records: Records, words: dict[str, str]) -> str:
    """Somebody about whom every kind of text that a person writes stands in the records."""
    with records.adding() as adding:
        person = adding.enrol(Identity(words["name"], words["id"], f"{words['mail']}@example.org"))
        told = Particulars(words["id"], (words["reason"],), (CallPoints("call-1", 900, True),), words["head"])
        adding.about(
            Result, person, told, sitting="may", title="Blower exam", form="A", day="2024-05-01", grading=1,
            verdict="passed", passed=2, calls=2, needed=2,
        )  # fmt: skip
        adding.about(Accommodation, person, Granted((words["granted"],)), sitting="may")
        adding.done()
    disclose(records, person, Told(words["to"], words["what"], words["interest"], words["by"], "2024-06-01"))
    ask(records, person, "2024-06-02", Said(words["asked"], words["by"]))
    first = records.living(person).entries[0].number
    correct(records, person, first, words["text"], words["by"], name=words["second name"])
    open_appeal(records, person, "may", "2024-06-03", Said(words["appeal"], words["by"]))
    return person


KINDS = ("name", "id", "mail", "granted", "to", "what", "interest", "by", "asked", "text", "second name", "appeal", "reason",
         "head")  # fmt: skip


def ready_to_go(records: Records, person: str, place: Path) -> None:
    """End what waits for an answer, so that the person may be erased."""
    show(records, person, "A. Marsh", place)
    waiting = records.living(person).open_appeals
    with records.adding() as adding:
        adding.plain(Taken, sitting="may", title="Blower exam", grading=1, digest="", released="", people=1)
        adding.done()
    for appeal in waiting:
        decide_appeal(records, appeal.number, "unchanged", Said("looked at again", "J. Ferro"))


def test_no_plaintext_of_a_person_stands_in_any_file_before_or_after_erasing(records: Records, tmp_path: Path) -> None:
    chance = random.Random(seed())
    words = {kind: canary(chance) for kind in KINDS}
    person = lived(records, words)
    ready_to_go(records, person, tmp_path / "for-them")
    page = everything(tmp_path / "for-them")
    assert all(word.encode() in page for word in words.values()), "the control: they are searched for as they are written"
    register = everything(records.root)
    assert not [w for w in words.values() for s in spellings(w) if s in register]
    key = records.keys.file(person, "person").read_bytes().strip()
    assert key in register, "the control for the key"
    erase(records, person, "asked by the person", "A. Marsh")
    left = everything(records.root)
    assert not [w for w in words.values() for s in spellings(w) if s in left]
    assert key not in left and bytes.fromhex(key.decode()) not in left
    assert not list(records.keys.folder.iterdir())


def test_erasing_one_makes_their_texts_unreadable_in_every_copy_and_leaves_the_rest_whole(
    records: Records, tmp_path: Path
) -> None:
    chance = random.Random(seed())
    one, other = (lived(records, {kind: canary(chance) for kind in KINDS}) for _ in range(2))
    ready_to_go(records, one, tmp_path / "x")
    copy = tmp_path / "copy.jsonl"
    shutil.copy(records.root / FILE, copy)
    before, numbers = export_of(records, records.find(other)).json(), tallies(records.entries)
    erase(records, one, "asked by the person", "A. Marsh")

    again = Records(records.root)
    data = (records.root / FILE).read_bytes()
    assert data.startswith(copy.read_bytes()) and again.log.chains[: len(records.log.chains) - 1] == records.log.chains[:-1]
    assert tallies(again.entries) == numbers and numbers[0].people == 2, "the statistics stay whole"
    mine = [e for e in again.entries if isinstance(e, About) and e.person == one]
    assert len(mine) >= 9
    for entry in mine:
        with pytest.raises(GoneError):
            again.told(entry, SECRETS[type(entry)])
        for keys in (Keyring(records.root), records.keys):  # a fresh process, and the one that had read the key
            with pytest.raises(GoneError):
                keys.open(entry, SECRETS[type(entry)])
    strip = re.compile(rb'"(made|kept_until|entries|head)": ("[^"]*"|\d+)')
    assert strip.sub(b"", export_of(again, again.find(other)).json()) == strip.sub(b"", before)
    assert again.find(one).identity is None and again.find(one).is_erased and wrong(records) == []
    with pytest.raises(RecordsError, match="was erased"):
        disclose(again, one, Told("x", "x", "x", "x", "2024-01-01"))


def test_nobody_is_erased_while_something_waits_or_by_a_name(records: Records, tmp_path: Path) -> None:
    """34 CFR 99.10(e), from memory: no record is destroyed while a request to inspect it is outstanding."""
    person = lived(records, {kind: kind for kind in KINDS})
    with pytest.raises(RecordsError, match="appeal 7 is not decided"):
        erase(records, person, "asked by the person", "A. Marsh")
    with pytest.raises(RecordsError, match="appeal 7"):
        erase(records, person, "ordered by law", "A. Marsh", only="accommodations")
    ready_to_go(records, person, tmp_path / "x")
    ask(records, person, "2024-06-05", Said("", "A. Marsh"))
    with pytest.raises(RecordsError, match="request of entry"):
        erase(records, person, "asked by the person", "A. Marsh")
    show(records, person, "A. Marsh", tmp_path / "y")
    for other in ("second name", "id", "p-0000000000"):
        with pytest.raises(RecordsError, match="is no pseudonym"):
            erase(records, other, "asked by the person", "A. Marsh")
    with pytest.raises(RecordsError, match="by must not be empty"):
        erase(records, person, "asked by the person", " ")
    assert records.living(person).identity is not None
    assert erase(records, person, "asked by the person", "A. Marsh")
    assert not erase(records, person, "asked by the person", "A. Marsh"), "twice is once"


def test_accommodations_can_go_earlier_than_the_person(records: Records, tmp_path: Path) -> None:
    person = lived(records, {kind: kind for kind in KINDS})
    ready_to_go(records, person, tmp_path / "x")
    assert erase(records, person, "asked by the person", "A. Marsh", only="accommodations")
    found = export_of(Records(records.root), Records(records.root).living(person))
    assert found.of("Accommodation")[0].told is None and found.of("Result")[0].told is not None
    assert b"granted" not in found.json() and "erased" in found.html()
    with pytest.raises(RecordsError, match="was destroyed"), records.adding() as adding:
        adding.about(Accommodation, person, Granted(("reader",)), sitting="june")
    with pytest.raises(RecordsError, match="erased before"):
        erase(records, person, "asked by the person", "A. Marsh", only="accommodations")
    assert wrong(records) == []


def test_a_crash_between_saying_and_destroying_is_found_and_ended_by_saying_it_again(
    records: Records, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (person,) = enrolled(records, "Robin Ashdown")

    def crash(*_: object) -> bool:
        raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        patch.setattr(Keyring, "destroy", crash)
        with pytest.raises(KeyboardInterrupt):
            erase(records, person, "entered by mistake", "A. Marsh")
    assert Records(records.root).find(person).identity is None, "what the register says counts"
    assert any("say `records erase` once more" in text for text in wrong(records))
    erase(records, person, "entered by mistake", "A. Marsh")
    assert wrong(records) == [] and not records.keys.has(person)


def test_a_key_that_comes_back_from_a_copy_opens_nothing_and_is_found(records: Records, tmp_path: Path) -> None:
    (person,) = enrolled(records, "Robin Ashdown")
    file = records.keys.file(person, "person")
    shutil.copy(file, tmp_path / "kept.key")
    erase(records, person, "asked by the person", "A. Marsh")
    shutil.copy(tmp_path / "kept.key", file)
    again = Records(records.root)
    (entry,) = (e for e in again.entries if isinstance(e, Enrolled))
    with pytest.raises(GoneError):
        again.told(entry, Identity)
    assert again.find(person).identity is None and any("its key (person) is there" in text for text in wrong(records))


def test_entries_that_point_nowhere_or_at_somebody_else_are_found(records: Records) -> None:
    one, other = enrolled(records, "Robin Ashdown", "Mina Okafor")
    with records.adding() as adding:
        adding.about(Correction, one, Corrected("x", "A. Marsh"), corrects=2)
        adding.about(AppealDecided, one, Said("x", "A. Marsh"), appeal=1, outcome="changed", grading=1)
        adding.about(InspectionShown, one, Said("x", "A. Marsh"), answers=(9,))
        adding.about(Correction, other, Corrected("x", "A. Marsh"), corrects=2)
        adding.done()
    assert wrong(records) == [
        "entry 3 points at entry 2, which is nothing of the kind", "entry 4 points at entry 1, which is nothing of the kind",
        "entry 5 points at entry 9, which is nothing of the kind",
    ]  # fmt: skip


def test_a_key_that_nothing_needs_is_found(records: Records) -> None:
    records.keys.make("p-0000000000")
    assert wrong(records) == [
        "p-0000000000.key is a key that nothing needs (an interrupted command leaves one); delete it"
    ]


def test_odd_names_come_back_as_they_were(records: Records) -> None:
    made = enrolled(records, *ODD)
    again = Records(records.root)
    assert [again.find(p).identity for p in made] == [
        Identity(name, f"s{n}", f"s{n}@example.org") for n, name in enumerate(ODD, 1)
    ]
