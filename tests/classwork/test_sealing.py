"""Codes and sealed files: the primitives are the published ones, a file tells nothing, each mistake has its own sentence."""

from __future__ import annotations

import hashlib
import json
import shutil
import zipfile
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.ciphers.aead import AESGCM
from lesson_texts import run
from msgspec import structs
from small_class import COMPLAINT, FAULT, FURNACE, NAME

from blowerbench.acts import Look, ReadStatus
from blowerbench.homework import HomeworkError, hand_in, open_assignment, show_panel
from blowerbench.record import read_record
from blowerbench.sealed import (
    ALPHABET,
    Kdf,
    SealError,
    check_character,
    keys_of,
    open_sealed,
    plain_code,
    read_sealed,
)
from blowergrade.classwork.assign import add_late_comers, assign
from blowergrade.classwork.codes import new_code, read_codes
from blowergrade.classwork.draw import Wanted
from blowergrade.classwork.folder import ClassError, ClassFolder
from blowergrade.classwork.new import make_class, update_roster
from blowergrade.classwork.sealing import seal


def test_scrypt_is_that_of_rfc_7914() -> None:
    # RFC 7914, section 12, second and third vector.
    made = hashlib.scrypt(b"password", salt=b"NaCl", n=1024, r=8, p=16, dklen=64, maxmem=2**26)
    assert made.hex().startswith("fdbabe1c9d3472007856e7190d01e9fe7c6ad7cbc8237830e77376634b373162")
    made = hashlib.scrypt(b"pleaseletmein", salt=b"SodiumChloride", n=16384, r=8, p=1, dklen=64, maxmem=2**26)
    assert made.hex().startswith("7023bdcb3afd7348461c06cd81fd38ebfda8fbba904f8e3ea9b543f6545da1f2")


def test_a_codes_key_and_entry_are_scrypts_first_48_bytes() -> None:
    # RFC 7914, section 12, third vector: the derived bytes do not hang on how many are asked for (PBKDF2's blocks).
    key, entry = keys_of("pleaseletmein", b"SodiumChloride", Kdf(n=16384, r=8, p=1))
    assert key.hex() == "7023bdcb3afd7348461c06cd81fd38ebfda8fbba904f8e3ea9b543f6545da1f2"
    assert entry == "d5432955613f0fcf62d49705242a9af9"


def test_aes_gcm_is_that_of_its_authors() -> None:
    # McGrew & Viega, The Galois/Counter Mode of Operation, test cases 13 and 14 (256-bit key; from memory).
    key, nonce = bytes(32), bytes(12)
    assert AESGCM(key).encrypt(nonce, b"", None).hex() == "530f8afbc74536b9a963b4f1c4cb738b"
    made = AESGCM(key).encrypt(nonce, bytes(16), None)
    assert made.hex() == "cea7403d4d606b6e074ec5d3baf39d18" + "d0d1c8a799996bf0265b98b5d48ab919"


def test_the_check_character_finds_every_single_typing_error_and_most_swaps() -> None:
    code = plain_code(new_code())
    for place, right in enumerate(code):
        for wrong in ALPHABET:
            changed = code[:place] + wrong + code[place + 1 :]
            assert (check_character(changed[:-1]) == changed[-1]) is (wrong == right)
    pairs = [(a, b) for a in ALPHABET for b in ALPHABET if a != b]
    unseen = [p for p in pairs if check_character(p[0] + p[1]) == check_character(p[1] + p[0])]
    assert len(unseen) <= 2  # Luhn's algorithm misses the swap of its first and last character only


@pytest.mark.parametrize("written", [str.lower, lambda c: c.replace("-", " "), lambda c: c.replace("0", "O").replace("1", "I")])
def test_a_code_is_read_however_it_is_written(folder: ClassFolder, written: object) -> None:
    code = read_codes(folder.private)["s01"]
    assert plain_code(written(code)) == plain_code(code)  # type: ignore[operator] # one of the functions above


def test_a_code_opens_its_own_payload_and_no_other(folder: ClassFolder) -> None:
    file = folder.root / "release" / NAME / "sealed.json"
    for one in folder.assignment(NAME).assigned:
        payload = open_sealed(file, read_codes(folder.private)[one.student])
        assert (payload.entry, payload.fault, payload.variant) == (one.entry, one.fault, one.variant)
    with pytest.raises(SealError, match="another class's or another person's"):
        open_sealed(file, new_code())
    with pytest.raises(SealError, match="is no personal code"):
        open_sealed(file, "hello")
    code = read_codes(folder.private)["s01"]
    with pytest.raises(SealError, match="typing error"):
        open_sealed(file, code[:-1] + ("0" if code[-1] != "0" else "1"))


def test_a_sealed_file_tells_no_name_no_fault_and_no_length(folder: ClassFolder) -> None:
    text = (folder.root / "release" / NAME / "sealed.json").read_text()
    sealed = json.loads(text)
    assert not [w for w in (FAULT, FURNACE, COMPLAINT, "s01", "Ada", "class-") if w in text]
    assert len({len(e["data"]) for e in sealed["entries"].values()}) == 1
    assert list(sealed["entries"]) == sorted(sealed["entries"])


@pytest.mark.parametrize("harm", ["data", "swap", "format", "cost", "odd cost", "cut"])
def test_a_file_that_was_changed_is_refused(folder: ClassFolder, harm: str, tmp_path: Path) -> None:
    sealed = json.loads((folder.root / "release" / NAME / "sealed.json").read_text())
    mine, other = folder.assignment(NAME).assigned[0].entry, folder.assignment(NAME).assigned[1].entry
    if harm == "data":
        sealed["entries"][mine]["data"] = "00" + sealed["entries"][mine]["data"][2:]
    elif harm == "swap":
        sealed["entries"][mine] = sealed["entries"][other]
    elif harm == "format":
        sealed["format"] = 9
    elif harm == "cost":
        sealed["kdf"]["n"] = 2**30
    elif harm == "odd cost":
        sealed["kdf"]["n"] = 3
    file = tmp_path / "sealed.json"
    file.write_text(json.dumps(sealed)[: -20 if harm == "cut" else None])
    with pytest.raises(SealError):
        open_sealed(file, read_codes(folder.private)["s01"])


def test_a_payload_carried_into_another_assignments_file_is_refused(folder: ClassFolder, tmp_path: Path) -> None:
    codes, mine = read_codes(folder.private), folder.assignment(NAME).assigned[:1]
    first = folder.root / "release" / NAME / "sealed.json"
    salted = structs.replace(read_sealed(first), entries={})
    made, _ = seal("second", "Second", mine, codes, old=salted)  # the same salt: only what is bound tells them apart
    other = json.loads(made)
    other["entries"] = json.loads(first.read_text())["entries"]
    (tmp_path / "sealed.json").write_text(json.dumps(other))
    with pytest.raises(SealError, match="was changed since it was made"):
        open_sealed(tmp_path / "sealed.json", codes["s01"])


def test_a_record_deleted_while_its_bench_is_open_is_begun_anew_and_nothing_is_lost(
    folder: ClassFolder, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, release = read_codes(folder.private)["s01"], folder.root / "release" / NAME / "sealed.json"
    first = open_assignment(release, code, tmp_path / "call.jsonl")
    first.act(Look())
    (tmp_path / "call.jsonl").unlink()
    second = open_assignment(release, code, tmp_path / "call.jsonl")
    second.act(ReadStatus())
    second.close()
    assert second is not first and [x.act for x in read_record(tmp_path / "call.jsonl").lines] == [ReadStatus()]


def test_homework_refuses_to_mix_records_and_to_play_while_it_is_graded(
    folder: ClassFolder, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    codes, release = read_codes(folder.private), folder.root / "release" / NAME / "sealed.json"
    bench = open_assignment(release, codes["s01"], tmp_path / "call.jsonl")
    assert open_assignment(release, codes["s01"], tmp_path / "call.jsonl") is bench
    bench.close()
    with pytest.raises(HomeworkError, match="another personal code"):
        open_assignment(release, codes["s02"], tmp_path / "call.jsonl")
    packed = hand_in(NAME, tmp_path)
    assert packed.name == f"{NAME}-handin.zip" and "Receipt" in capsys.readouterr().out
    with pytest.raises(HomeworkError, match="open the bench"):
        hand_in(NAME, tmp_path / "nowhere")
    monkeypatch.setenv("NBGRADER_EXECUTION", "autograde")
    with pytest.raises(HomeworkError, match="being graded"):
        open_assignment(release, codes["s01"], tmp_path / "other.jsonl")


def test_the_panel_speaks_the_students_language(
    folder: ClassFolder, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    codes, release = read_codes(folder.private), folder.root / "release" / NAME / "sealed.json"
    bench = open_assignment(release, codes["s02"], tmp_path / "call.jsonl")
    try:
        assert "El cliente dice" in capsys.readouterr().out
        assert "Horno de gas" in show_panel(bench)._repr_mimebundle_()[0]["text/plain"]
    finally:
        bench.close()


@pytest.mark.slow
def test_the_students_cells_run_in_a_kernel_of_their_own_up_to_the_hand_in(folder: ClassFolder, tmp_path: Path) -> None:
    place = tmp_path / "mine"
    shutil.copytree(folder.root / "release" / NAME, place)
    book = json.loads((place / f"{NAME}.ipynb").read_text())
    code = read_codes(folder.private)["s01"]
    kept = []
    for cell in book["cells"]:
        marks = cell["metadata"].get("nbgrader", {})
        if marks.get("solution"):
            cell["source"] = "".join(cell["source"]).replace("...", code, 1)
        if not marks.get("grade"):  # those raise, as they must
            kept.append(cell)
    ran = run(book | {"cells": kept}, place)
    said = "".join(o.get("text", "") for c in ran.cells for o in c.get("outputs", ()))
    assert "The customer says" in said and f"Hand in {NAME}-handin.zip" in said
    with zipfile.ZipFile(place / f"{NAME}-handin.zip") as packed:
        assert set(packed.namelist()) == {"call.jsonl", f"{NAME}.ipynb"}


def test_late_comers_get_the_call_and_the_others_keep_their_payloads(folder: ClassFolder, tmp_path: Path) -> None:
    before = json.loads((folder.root / "release" / NAME / "sealed.json").read_text())["entries"]
    roster = tmp_path / "new.csv"
    roster.write_text("id,name\ns01,Ada Example\nnew1,Nova New\n")
    assert update_roster(folder, roster) == (("new1",), ("s02", "s03", "s04"))
    assert add_late_comers(folder, NAME) == ("new1",) and add_late_comers(folder, NAME) == ()
    after = json.loads((folder.root / "release" / NAME / "sealed.json").read_text())["entries"]
    assert {k: after[k] for k in before} == before and len(after) == len(before) + 1
    assert open_sealed(folder.root / "release" / NAME / "sealed.json", read_codes(folder.private)["new1"]).fault == f"{FAULT}/0"


# ---------------------------------------------------------------------- roster and assignment
@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("", "line 1"), ("name\nA\n", "needed are id and name"), ("id,name\n", "nobody is in it"),
        ("id,name\n../x,A\n", "line 2: '../x' is no id"), ("id,name\na,A\nA,B\n", "stands twice"),
        ("id,name\ncon,A\n", "is no id"), ("id,name\na,\n", "line 2: the name"),
        ("id,name,language\na,A,english\n", "no language tag"),
    ],
)  # fmt: skip
def test_a_roster_that_can_t_be_used_is_told_by_its_line(tmp_path: Path, text: str, why: str) -> None:
    (tmp_path / "r.csv").write_text(text)
    with pytest.raises(Exception, match=why):
        make_class(tmp_path / "c", tmp_path / "r.csv")
    assert not (tmp_path / "c").exists()


def test_a_class_is_never_made_over_something(folder: ClassFolder, tmp_path: Path) -> None:
    with pytest.raises(ClassError, match="not an empty folder"):
        make_class(folder.root, folder.root / "roster.csv")
    with pytest.raises(ClassError, match="no class folder"):
        ClassFolder(tmp_path)


@pytest.mark.parametrize(
    ("wanted", "why"),
    [
        (Wanted(FURNACE, "no_such"), "has no fault"), (Wanted(FURNACE, FAULT, "smell"), "does not lead to"),
        (Wanted(FURNACE, competency="juggling"), "no catalogued fault fits"),
        (Wanted(FURNACE, difficulty=1, competency="sequence"), "fits"),
    ],
)  # fmt: skip
def test_what_can_t_be_assigned_is_named(folder: ClassFolder, wanted: Wanted, why: str) -> None:
    with pytest.raises(ClassError, match=why):
        assign(folder, "other", wanted, release=False)
    assert "other" not in folder.assignments()


def test_a_draw_comes_back_with_its_seed_and_each_gets_one_of_the_same_difficulty(folder: ClassFolder) -> None:
    from blowerbench.equipment import load_equipment
    from blowerbench.faults import load_faults

    wanted = Wanted(competency="command", difficulty=2)
    one = assign(folder, "one", wanted, each=True, seed=7, release=False)
    two = assign(folder, "two", wanted, each=True, seed=7, release=False)
    assert [x.fault for x in one.assigned] == [x.fault for x in two.assigned]
    assert len({(x.equipment, x.fault) for x in one.assigned}) > 1
    for x in one.assigned:
        fault = load_faults(load_equipment(x.equipment)).faults[x.fault.partition("/")[0]]
        assert (fault.competency, fault.difficulty) == ("command", 2) and x.complaint in fault.complaints
    assert len({x.variant for x in (*one.assigned, *two.assigned)}) == 8, "variants hang on student and assignment"
    with pytest.raises(ClassError, match="already"):
        assign(folder, "one", wanted)
    with pytest.raises(ClassError, match="hand-ins already"):
        assign(folder, NAME, wanted, again=True)


def test_the_release_holds_no_key_and_its_grade_cells_only_raise(folder: ClassFolder) -> None:
    release = folder.root / "release" / NAME
    text = "".join(p.read_text() for p in release.iterdir())
    assert not [w for w in (FAULT, "class-", folder.secret.hex(), *read_codes(folder.private).values(), "Ada") if w in text]
    cells = json.loads((release / f"{NAME}.ipynb").read_text())["cells"]
    stub = next("".join(c["source"]) for c in cells if c["metadata"].get("nbgrader", {}).get("solution"))
    assert stub.startswith('code = "..."'), "nbgrader's own stub would leave the student without a cell to fill in"
    grades = [c for c in cells if c["metadata"].get("nbgrader", {}).get("grade")]
    assert [c["metadata"]["nbgrader"]["points"] for c in grades] == [40, 30, 20, 10]
    assert all("".join(c["source"]).startswith("raise NotImplementedError") for c in grades)
