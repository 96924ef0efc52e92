"""Collecting hand-ins: everybody is matched or nobody is guessed, nothing is lost, and no archive does harm."""

from __future__ import annotations

import io
import shutil
import stat
import sys
import time
import zipfile
from importlib.metadata import version
from pathlib import Path

import pytest
from small_class import NAME

from blowergrade.classwork import check as checks
from blowergrade.classwork import unpack
from blowergrade.classwork.assign import nbgrader_api
from blowergrade.classwork.check import check
from blowergrade.classwork.codes import read_codes
from blowergrade.classwork.collect import collect, handed_in_time, table
from blowergrade.classwork.folder import ClassError, ClassFolder
from blowergrade.classwork.names import People, folded
from blowergrade.classwork.people import Student


@pytest.fixture
def records(folder: ClassFolder, tmp_path: Path) -> dict[str, bytes]:
    """The played records by student, taken out of the class, so that collecting has to bring them."""
    found = {p.parent.parent.name: p.read_bytes() for p in folder.root.glob(f"submitted/*/{NAME}/call.jsonl")}
    shutil.rmtree(folder.root / "submitted")
    (folder.root / "submitted").mkdir()
    return found


def packed(file: Path, entries: dict[str, bytes]) -> Path:
    with zipfile.ZipFile(file, "w") as made:
        for name, data in entries.items():
            made.writestr(name, data)
    return file


def there(folder: ClassFolder, student: str) -> set[str]:
    place = folder.root / "submitted" / student / NAME
    return {p.name for p in place.iterdir()} if place.is_dir() else set()


@pytest.mark.parametrize(
    "path",
    [
        "s01/call.jsonl", "Example_Ada_1234_assignsubmission_file_/call.jsonl", "Ada Example - 7 May/x (1).jsonl",
        "ada@example.org/call.jsonl", "group a/S01_late/call.jsonl", "download/who knows.jsonl",
    ],
)  # fmt: skip
def test_a_record_finds_its_student_whatever_the_path_is_called(
    folder: ClassFolder, records: dict[str, bytes], tmp_path: Path, path: str
) -> None:
    found = collect(folder, NAME, packed(tmp_path / "x.zip", {path: records["s01"], "readme.txt": b"x"}))
    assert [(c.student, c.taken) for c in found] == [("s01", ["call.jsonl"])]
    assert (folder.root / "submitted" / "s01" / NAME / "call.jsonl").read_bytes() == records["s01"]
    assert "s01  taken" in table(folder, NAME, found) and "s03  missing" in table(folder, NAME, found)


def test_a_handed_in_zip_in_a_zip_and_a_renamed_notebook_are_repaired(
    folder: ClassFolder, records: dict[str, bytes], tmp_path: Path
) -> None:
    inner = io.BytesIO()
    with zipfile.ZipFile(inner, "w") as made:
        made.writestr("call.jsonl", records["s02"])
        made.writestr("fan-call (2) FINAL.ipynb", b"{}")
    found = collect(folder, NAME, packed(tmp_path / "x.zip", {f"Ben Muster/{NAME}-handin.zip": inner.getvalue()}))
    assert found[0].student == "s02" and set(found[0].taken) == {"call.jsonl", f"{NAME}.ipynb"}
    assert any("was taken as fan-call.ipynb" in t for t in found[0].told)


def test_a_folder_is_collected_and_a_second_time_changes_nothing(
    folder: ClassFolder, records: dict[str, bytes], tmp_path: Path
) -> None:
    source = tmp_path / "in" / "s01"
    source.mkdir(parents=True)
    (source / "call.jsonl").write_bytes(records["s01"])
    collect(folder, NAME, tmp_path / "in")
    before = {p: p.read_bytes() for p in (folder.root / "submitted").rglob("*") if p.is_file()}
    collect(folder, NAME, tmp_path / "in")
    assert {p: p.read_bytes() for p in before} == before
    assert handed_in_time(folder, "s01", NAME).endswith("+00:00") and handed_in_time(folder, "s03", NAME) == ""
    with pytest.raises(ClassError, match="is not there"):
        collect(folder, NAME, tmp_path / "nothing")


def boxed(record: bytes) -> bytes:
    """The zip file that a student hands in."""
    box = io.BytesIO()
    with zipfile.ZipFile(box, "w") as made:
        made.writestr("call.jsonl", record)
    return box.getvalue()


@pytest.mark.parametrize("as_zip", [False, True])
def test_each_students_own_zip_stays_their_own(
    folder: ClassFolder, records: dict[str, bytes], tmp_path: Path, as_zip: bool
) -> None:
    for student, record in records.items():
        place = tmp_path / "in" / student
        place.mkdir(parents=True)
        (place / "handin.zip").write_bytes(boxed(record))
    source = tmp_path / "in"
    if as_zip:
        source = packed(tmp_path / "x.zip", {f"{s}/handin.zip": boxed(r) for s, r in records.items()})
    collect(folder, NAME, source)
    found = {s: (folder.root / "submitted" / s / NAME / "call.jsonl").read_bytes() for s in records}
    assert found == records


def test_what_a_record_says_decides_between_two_that_its_path_fits(
    folder: ClassFolder, records: dict[str, bytes], tmp_path: Path
) -> None:
    found = collect(folder, NAME, packed(tmp_path / "x.zip", {"s01 and s02/call.jsonl": records["s02"]}))
    assert [(c.student, c.taken) for c in found] == [("s02", ["call.jsonl"])]


def test_a_hand_in_that_replaces_an_earlier_one_says_so(folder: ClassFolder, records: dict[str, bytes], tmp_path: Path) -> None:
    short = b"".join(records["s01"].splitlines(keepends=True)[:20])
    first = collect(folder, NAME, packed(tmp_path / "x.zip", {"s01/call.jsonl": short}))
    second = collect(folder, NAME, packed(tmp_path / "y.zip", {"s01/call.jsonl": records["s01"]}))
    third = collect(folder, NAME, tmp_path / "y.zip")
    assert [any("replaces the call.jsonl" in t for t in found[0].told) for found in (first, second, third)] == [
        False, True, False,
    ]  # fmt: skip


@pytest.mark.skipif(not hasattr(time, "tzset"), reason="this system can't change its zone for a test")
def test_the_local_time_in_a_zip_file_becomes_utc_in_summer_and_winter(
    folder: ClassFolder, records: dict[str, bytes], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # US Eastern time: UTC-4 from 14 March to 7 November 2027, else UTC-5 (15 U.S.C. 260a: second Sunday of March, first of
    # November, at 2:00).
    monkeypatch.setenv("TZ", "America/New_York")
    time.tzset()
    try:
        for k, (local, utc) in enumerate(
            [((2027, 3, 14, 1, 30, 0), "2027-03-14T06:30:00"), ((2027, 3, 14, 3, 30, 0), "2027-03-14T07:30:00"),
             ((2027, 7, 1, 23, 59, 58), "2027-07-02T03:59:58"), ((2027, 11, 7, 3, 0, 0), "2027-11-07T08:00:00")]
        ):  # fmt: skip
            with zipfile.ZipFile(tmp_path / f"{k}.zip", "w") as made:
                made.writestr(zipfile.ZipInfo("s01/call.jsonl", local), records["s01"])
            collect(folder, NAME, tmp_path / f"{k}.zip")
            assert handed_in_time(folder, "s01", NAME) == f"{utc}+00:00"
            assert (folder.root / "submitted" / "s01" / NAME / "timestamp.txt").read_text() == f"{utc.replace('T', ' ')} UTC\n"
    finally:
        monkeypatch.delenv("TZ")
        time.tzset()


def test_of_two_records_the_one_that_fits_and_goes_further_counts_and_both_are_kept(
    folder: ClassFolder, records: dict[str, bytes], tmp_path: Path
) -> None:
    short = b"".join(records["s01"].splitlines(keepends=True)[:20])
    found = collect(folder, NAME, packed(tmp_path / "x.zip", {"s01/a.jsonl": short, "s01/b.jsonl": records["s01"]}))
    assert "s01/b.jsonl counts; beside it came s01/a.jsonl" in found[0].told
    collect(folder, NAME, packed(tmp_path / "y.zip", {"s01/c.jsonl": short}))
    kept = {p.read_bytes() for p in (folder.private / "handed_in" / NAME / "s01").rglob("*call.jsonl")}
    assert {short, records["s01"]} <= kept


def test_nobody_is_guessed_and_nothing_is_lost(folder: ClassFolder, records: dict[str, bytes], tmp_path: Path) -> None:
    odd = {"unknown/note.ipynb": b"{}", "s01 and s02/x.ipynb": b"{1}"}
    found = collect(folder, NAME, packed(tmp_path / "x.zip", odd))
    assert [c.student for c in found] == [""] and len(found[0].told) == 2
    assert "s01 and s02" in found[0].told[1] and "no id, address or name" in found[0].told[0]
    kept = {p.read_bytes() for p in (folder.private / "unmatched" / NAME).iterdir()}
    assert kept == set(odd.values())


def test_a_record_of_another_in_ones_own_folder_stays_there_for_grading_to_name(
    folder: ClassFolder, records: dict[str, bytes], tmp_path: Path
) -> None:
    found = collect(folder, NAME, packed(tmp_path / "x.zip", {"s03/call.jsonl": records["s02"]}))
    assert found[0].student == "s03" and there(folder, "s02") == set()


def test_names_match_without_accents_in_either_order_and_never_in_part() -> None:
    people = People([Student("a1", "Zoë Ångström"), Student("a2", "Jo Li"), Student("a3", "Jo Lin")], {})
    assert people.by_path("angstrom, zoe/x.ipynb") == {"a1"} and people.by_path("x/Jo_Li_77/y.ipynb") == {"a2"}
    assert people.by_path("Jo Linde/y.ipynb") == set() and folded("  ÉCOLE--№ 7 ") == "ecole no 7"


@pytest.mark.skipif(sys.platform == "win32", reason="nbgrader's exchange does not run on Windows")
def test_nbgraders_exchange_brings_hand_ins_with_their_time(folder: ClassFolder, tmp_path: Path) -> None:
    """The assignment goes out over the exchange, a student's folder comes in, and our collecting takes it."""
    root = tmp_path / "exchange"
    (root / "blowers" / "inbound").mkdir(parents=True)
    root.chmod(0o777)
    with (folder.root / "nbgrader_config.py").open("a") as config:
        config.write(f"c = get_config()\nc.Exchange.root = {str(root)!r}\n")
    api = nbgrader_api(folder)
    assert api.release_assignment(NAME)["success"] and (root / "blowers" / "outbound" / NAME / "sealed.json").is_file()
    handed = root / "blowers" / "inbound" / f"s02+{NAME}+2027-03-01 10:00:00 UTC+abcd"
    shutil.copytree(folder.root / "submitted" / "s02" / NAME, handed)
    (handed / "timestamp.txt").write_text("2027-03-01 10:00:00 UTC")
    shutil.rmtree(folder.root / "submitted" / "s02")
    found = {c.student: c for c in collect(folder, NAME)}
    assert "call.jsonl" in found["s02"].taken
    assert handed_in_time(folder, "s02", NAME) == "2027-03-01T10:00:00+00:00"


# ---------------------------------------------------------------------- archives that do harm
def _entry(name: str, data: bytes = b"{}", mode: int = 0) -> tuple[zipfile.ZipInfo, bytes]:
    made = zipfile.ZipInfo(name, (2027, 1, 1, 0, 0, 0))
    made.external_attr = mode << 16
    made.compress_type = zipfile.ZIP_DEFLATED
    return made, data


TRAPS = {
    "leads out": (_entry("../../s01/call.jsonl"), "leads out"),
    "absolute": (_entry("/etc/call.jsonl"), "leads out"),
    "a drive": (_entry("C:/call.jsonl"), "leads out"),
    "backslashes": (_entry("..\\..\\call.jsonl"), "leads out"),
    "a link": (_entry("s01/call.jsonl", b"/etc/passwd", stat.S_IFLNK | 0o777), "is a link"),
    "a bomb": (_entry("s01/call.jsonl", bytes(15_000_000)), "only a bomb"),
    "too large": (_entry("s01/call.jsonl", bytes(21_000_000)), "more than 20"),
}


@pytest.mark.parametrize("name", TRAPS)
def test_a_trap_in_an_archive_is_refused_and_told(folder: ClassFolder, tmp_path: Path, name: str) -> None:
    (info, data), why = TRAPS[name]
    with zipfile.ZipFile(tmp_path / "x.zip", "w") as made:
        made.writestr(info, data)
    before = sorted(p for p in tmp_path.rglob("*") if "class" not in p.parts)
    found = collect(folder, NAME, tmp_path / "x.zip")
    assert [c.student for c in found] == [""] and why in found[0].told[0]
    assert sorted(p for p in tmp_path.rglob("*") if "class" not in p.parts) == before


def test_broken_endless_and_nested_archives_are_told(
    folder: ClassFolder, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "x.zip").write_bytes(b"PK\x03\x04 no zip")
    assert "can't be read as a zip" in collect(folder, NAME, tmp_path / "x.zip")[0].told[0]
    data = b"{}"
    for _ in range(4):
        box = io.BytesIO()
        with zipfile.ZipFile(box, "w") as made:
            made.writestr("s01.zip", data)
        data = box.getvalue()
    (tmp_path / "y.zip").write_bytes(data)
    assert "zip file in a zip file in a zip file" in collect(folder, NAME, tmp_path / "y.zip")[0].told[0]
    monkeypatch.setattr(unpack, "MOST_ENTRIES", 5)
    many = packed(tmp_path / "z.zip", {f"{k}.ipynb": b"{}" for k in range(9)})
    assert any("more than 5 entries" in t for t in collect(folder, NAME, many)[0].told)


def _patched(file: Path, entry: str, *, flag: int = 0, size: int | None = None) -> None:
    """Change an entry's flags or stated size in both of its headers (APPNOTE 4.3.7 and 4.3.12: offsets 6, 22; 8, 24)."""
    data = bytearray(file.read_bytes())
    for mark, name_at, flag_at, size_at in ((b"PK\x03\x04", 30, 6, 22), (b"PK\x01\x02", 46, 8, 24)):
        at = data.find(mark)
        while data[at + name_at : at + name_at + len(entry)] != entry.encode():
            at = data.index(mark, at + 1)
        data[at + flag_at] |= flag
        if size is not None:
            data[at + size_at : at + size_at + 4] = size.to_bytes(4, "little")
    file.write_bytes(data)


@pytest.mark.parametrize("harm", ["encrypted", "says less", "cut stream"])
def test_a_damaged_entry_is_told_and_stops_no_other(
    folder: ClassFolder, records: dict[str, bytes], tmp_path: Path, harm: str
) -> None:
    file = tmp_path / "x.zip"
    with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as made:
        made.writestr("s01/call.jsonl", records["s01"])
        made.writestr("s02/call.jsonl", records["s02"])
    if harm == "encrypted":
        _patched(file, "s01/call.jsonl", flag=1)
    elif harm == "cut stream":
        data = bytearray(file.read_bytes())
        data[60:90] = b"\xff" * 30
        file.write_bytes(data)
    else:
        _patched(file, "s01/call.jsonl", size=len(records["s01"]) - 50)
    found = {c.student: c for c in collect(folder, NAME, file)}
    assert found["s02"].taken == ["call.jsonl"] and "s01" not in found
    assert ("is encrypted" if harm == "encrypted" else "is damaged") in found[""].told[0]


def test_names_that_would_change_a_terminal_are_shown_plain(folder: ClassFolder, tmp_path: Path) -> None:
    odd = "x\x1b[2J\u202ey\x9b/n.ipynb"
    found = collect(folder, NAME, packed(tmp_path / "x.zip", {odd: b"{}"}))
    assert found[0].told[0].startswith("x_[2J_y_/n.ipynb: ")
    place = tmp_path / "in"
    place.mkdir()
    (place / "z\x1b\u202e.ipynb").write_bytes(b"{2}")
    assert collect(folder, NAME, place)[0].told[0].startswith("z__.ipynb: ")


def test_limits_hold_for_all_archives_of_a_folder_together(
    folder: ClassFolder, records: dict[str, bytes], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    place = tmp_path / "in"
    place.mkdir()
    for student, record in records.items():
        packed(place / f"{student}.zip", {f"{student}/call.jsonl": record})
    monkeypatch.setattr(unpack, "MOST_BYTES", len(records["s01"]) + 100)
    found = {c.student: c for c in collect(folder, NAME, place)}
    assert found["s01"].taken == ["call.jsonl"] and "s02" not in found
    assert "all together are more than" in found[""].told[0]


# ---------------------------------------------------------------------- the diagnostic command
def test_a_class_in_order_has_no_problem(folder: ClassFolder) -> None:
    assert [f for f in check(folder) if f.level == "problem"] == []


def _plant(folder: ClassFolder, what: str, monkeypatch: pytest.MonkeyPatch) -> None:
    release, config = folder.root / "release" / NAME, folder.root / "nbgrader_config.py"
    if what == "code":
        (release / "notes.txt").write_text(f"mine is {read_codes(folder.private)['s01']}")
    elif what == "fault":
        (release / "notes.txt").write_text("wall_G_open")
    elif what == "name":
        (folder.root / "source" / NAME / "x.md").write_text("Ada Example")
    elif what == "secret":
        shutil.copyfile(folder.private / "secret.key", release / "k")
    elif what == "readable":
        (folder.private / "secret.key").chmod(0o644)
    elif what == "config":
        config.write_text("c = get_config()\n")
    elif what == "no config":
        config.unlink()
    elif what == "sealed":
        (release / "sealed.json").write_text((release / "sealed.json").read_text().replace('"title"', '"titel"'))
    elif what == "lost code":
        (folder.private / "codes.csv").write_text("id,name,code\n")
    elif what == "lost key":
        (folder.private / "secret.key").unlink()
    elif what == "path":
        monkeypatch.setenv("PATH", "/nowhere")
    elif what == "old nbgrader":
        monkeypatch.setattr(checks, "version", lambda p: "0.9.3" if p == "nbgrader" else version(p))


@pytest.mark.parametrize(
    ("what", "told"),
    [
        ("code", "holds a personal code"), ("fault", "holds an assigned fault"), ("name", "holds a student's name"),
        ("secret", "holds the class's secret"), ("readable", "others can read"), ("config", "does not set this program's"),
        ("no config", "is missing"), ("sealed", "sealed.json"), ("lost code", "no personal code"), ("lost key", "secret.key"),
        ("path", "alembic is not on PATH"), ("old nbgrader", "nbgrader 0.9.3"),
    ],
)  # fmt: skip
def test_each_problem_is_found_with_a_remedy(
    folder: ClassFolder, what: str, told: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    _plant(folder, what, monkeypatch)
    found = [f for f in check(folder) if f.level == "problem"]
    assert any(told in f.what for f in found), found
    assert all(f.remedy for f in found)
