"""Making a class: rosters of every kind are read or refused by their line, and what is private is private."""

from __future__ import annotations

import csv
import io
import os
import tomllib
from html.parser import HTMLParser
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from blowergrade.classwork.assign import nbgrader_api
from blowergrade.classwork.codes import read_codes, slips
from blowergrade.classwork.folder import ClassError, ClassFolder
from blowergrade.classwork.new import make_class, update_roster
from blowergrade.classwork.people import RosterError, Student, parse_roster

HOSTILE = ('=cmd|" /C calc"!A0', "<script>alert(1)</script>", "../../etc/passwd", "O'Neil, \"Bo\"; Jr.", "名前 Ñandú", "%s{0}")


@given(
    st.lists(
        st.text(st.characters(exclude_categories=("Cc", "Cs", "Zl", "Zp", "Zs")), min_size=1, max_size=30).map("{0} x".format),
        min_size=1,
        max_size=30,
    ),
    st.sampled_from(",;\t"),
    st.sampled_from(("\n", "\r\n")),
    st.sampled_from((csv.QUOTE_MINIMAL, csv.QUOTE_ALL)),
)
def test_any_names_that_a_spreadsheet_writes_are_read_back(names: list[str], mark: str, end: str, quoting: int) -> None:
    # The other side is Python's own csv writer (RFC 4180 quoting), as spreadsheets in several countries export it.
    import unicodedata

    out = io.StringIO(newline="")
    rows = csv.writer(out, delimiter=mark, lineterminator=end, quoting=quoting)  # type: ignore[arg-type] # one of csv's own
    rows.writerow(("ID", "Name", "email"))
    rows.writerows((f"s{k}", name, f"s{k}@example.org") for k, name in enumerate(names))
    read = parse_roster(out.getvalue())
    assert [s.name for s in read] == [unicodedata.normalize("NFC", n).strip() for n in names]
    assert [(s.id, s.email) for s in read] == [(f"s{k}", f"s{k}@example.org") for k in range(len(names))]


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("id,name\ns1,Example, Ada\n", "line 2: 3 cells under 2 titles"),
        ("id,name,email\ns1,Ada\ns2,Muster, Ben\n", "line 3: 'Ben' is no email address"),
        ("id,name\ns1,Ada\ns2,Ben\nS1,Cleo\n", "line 4: the id 'S1' stands twice"),
        ("id,name,id\ns1,Ada,s2\n", "line 1: a title stands twice"),
        ("\n\nid,nom\ns1,Ada\n", "line 3: the columns are id, nom"),
        ('id,name\ns1,"Ada\ns2,Ben\n', "line 3: the name"),
        ("id,name\ns1,Ada\x00\n", "line 2: the name"),
        ("id,name\ns1,A\ns2," + "x" * 140_000 + "\n", "line 3: field larger"),
        ("id,name\ns1,A\ns2," + "x" * 201 + "\n", "line 3: the name"),
        ("id,name\n\uff531,Ada\n", "line 2: '\uff531' is no id"),
        ("id,name\nLPT1,Ada\n", "line 2: 'LPT1' is no id"),
        ("id,name\n-rf,Ada\n", "line 2: '-rf' is no id"),
        ("id,name,language\ns1,Ada,../es\n", "line 2: '../es' is no language tag"),
    ],
)
def test_a_broken_roster_names_its_line(text: str, why: str) -> None:
    with pytest.raises(RosterError) as told:
        parse_roster(text)
    assert why in str(told.value)


def test_a_roster_of_another_encoding_or_none_is_told(tmp_path: Path) -> None:
    (tmp_path / "latin.csv").write_bytes("id,name\ns1,Ñandú\n".encode("latin-1"))
    for name, why in (("latin.csv", "is not UTF-8"), ("none.csv", "can't be read"), (".", "can't be read")):
        with pytest.raises(RosterError, match=why):
            make_class(tmp_path / "c", tmp_path / name)
    assert not (tmp_path / "c").exists()
    (tmp_path / "bom.csv").write_bytes("\ufeffid;name\r\ns1;Ñandú\r\n".encode())
    assert make_class(tmp_path / "c", tmp_path / "bom.csv").students == (Student("s1", "Ñandú"),)


class Tags(HTMLParser):
    """The tags of a page and its text."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.text = ""
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: object) -> None:
        """Keep the tag."""
        self.tags.append(tag)

    def handle_data(self, data: str) -> None:
        """Keep the text."""
        self.text += data


def test_hostile_names_stay_text_in_every_file(tmp_path: Path) -> None:
    out = io.StringIO()
    csv.writer(out).writerows([("id", "name"), *((f"s{k}", n) for k, n in enumerate(HOSTILE))])
    (tmp_path / "r.csv").write_text(out.getvalue(), encoding="utf-8")
    title = 'Blowers "7" \\ </title><script> # {0}'
    folder = make_class(tmp_path / "c", tmp_path / "r.csv", "b1", title)
    assert [s.name for s in folder.students] == list(HOSTILE)
    assert folder.settings.title == title == tomllib.loads(folder.settings_file.read_text(encoding="utf-8"))["title"]
    page = Tags((folder.private / "code-slips.html").read_text(encoding="utf-8"))
    assert page.tags.count("section") == len(HOSTILE) and "script" not in page.tags
    assert all(n in page.text for n in HOSTILE) and all(c in page.text for c in read_codes(folder.private).values())
    with (folder.private / "codes.csv").open(encoding="utf-8", newline="") as file:
        assert not [r for r in csv.reader(file) if any(c.startswith(("=", "+", "@")) for c in r)]
    before = read_codes(folder.private)
    assert update_roster(folder, folder.root / "roster.csv") == ((), ()) and read_codes(folder.private) == before
    assert not {p.name for p in tmp_path.iterdir()} - {"r.csv", "c"}


@pytest.mark.parametrize("title", ["two\nlines", "\x00", "\udc80", "x" * 201])
def test_a_title_that_no_file_can_hold_is_refused(tmp_path: Path, title: str) -> None:
    (tmp_path / "r.csv").write_text("id,name\ns1,Ada\n")
    with pytest.raises(ClassError, match="--title"):
        make_class(tmp_path / "c", tmp_path / "r.csv", title=title)


@pytest.mark.skipif(os.name != "posix", reason="modes are POSIX's")
def test_keys_and_codes_are_the_owners_alone(folder: ClassFolder) -> None:
    assert folder.private.stat().st_mode & 0o077 == 0
    assert all((folder.private / n).stat().st_mode & 0o077 == 0 for n in ("secret.key", "codes.csv"))


@pytest.mark.parametrize(
    ("file", "data", "ask", "why"),
    [
        ("private/secret.key", b"zz", lambda f: f.secret, "missing or damaged"),
        ("private/secret.key", b"00" * 31, lambda f: f.secret, "holds 31 bytes"),
        ("private/codes.csv", b"id,name,code\ns01,Ada,1234\n", lambda f: read_codes(f.private), "is no personal code"),
        ("private/codes.csv", b"\xff\xfe", lambda f: read_codes(f.private), "can't be read"),
        ("class.toml", b"course = 1", lambda f: ClassFolder(f.root), "class.toml"),
        ("class.toml", b"\xff", lambda f: ClassFolder(f.root), "class.toml"),
        ("nbgrader_config.py", b"raise RuntimeError('mine')", nbgrader_api, "nbgrader_config.py can't be run"),
    ],
)
def test_a_damaged_file_of_the_class_is_named(folder: ClassFolder, file: str, data: bytes, ask: object, why: str) -> None:
    (folder.root / file).write_bytes(data)
    with pytest.raises(ClassError) as told:
        ask(folder)  # type: ignore[operator] # one of the functions above
    assert why in str(told.value)


def test_slips_are_one_a_student_even_where_codes_are_more() -> None:
    codes = {"a": "AAAA", "gone": "BBBB"}
    page = slips("T", [Student("a", "Ada")], codes).decode()
    assert page.count("<section>") == 1 and "BBBB" not in page
