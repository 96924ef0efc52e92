"""An export is complete, about nobody else, shows every text as text, and is written down as an inspection."""

from __future__ import annotations

import base64
import hashlib
import json
import re
import stat
from datetime import date, timedelta
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest
from records.lives import identity, rich
from records.people import ODD, school

from blowergrade.records.entries import Identity, InspectionShown, RecordsError, Said, Told
from blowergrade.records.export import Export, export_of, show
from blowergrade.records.keeping import ask, correct, disclose
from blowergrade.records.register import FILE, check_head
from blowergrade.records.retention import answer_by, read_policy
from blowergrade.records.school import Records


class Page(HTMLParser):
    """A page's text, its elements, and the addresses in it."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.words, self.elements, self.addresses, self.named = "", list[str](), list[str](), set[str]()
        self.skip = False
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append(tag)
        self.skip = tag == "style"
        self.words += " " if tag in ("td", "th", "br", "p", "li") else ""
        self.named |= {k for k, _ in attrs}
        self.addresses += [v or "" for k, v in attrs if k in ("href", "src", "action", "srcset", "data")]

    def handle_endtag(self, tag: str) -> None:
        self.skip = False

    def handle_data(self, data: str) -> None:
        if not self.skip:
            self.words += data


def exported(records: Records, who: str) -> tuple[Export, dict[str, Any], Page]:
    found = export_of(Records(records.root), Records(records.root).find(who))
    return found, json.loads(found.json()), Page(found.html())


@pytest.fixture
def records(tmp_path: Path) -> Records:
    return rich(tmp_path)


# ---------------------------------------------------------------------- complete, and nobody else
def test_an_export_holds_every_entry_about_the_person_and_nobody_elses(records: Records) -> None:
    """The other source: the register's lines, read by json alone."""
    lines = [json.loads(x)["body"] for x in (records.root / FILE).read_bytes().splitlines()[1:]]
    for who in ("c01", "c02"):
        person = records.find(who).pseudonym
        _, data, page = exported(records, who)
        about = [x for x in lines if x.get("person") == person]
        assert [x["number"] for x in data["entries"]] == [x["number"] for x in about] and len(about) >= 3
        for made, line in zip(data["entries"], about, strict=True):
            assert {k: v for k, v in made.items() if k not in ("told", "chain")} == {
                k: v for k, v in line.items() if k not in ("sealed", "person")
            }
        assert all(x["told"] for x in data["entries"]), "everything sealed is opened"
        for told in data["entries"]:
            for text in leaves(told["told"]):
                if told["kind"] != "result" and len(text) > 8 and "T" not in text:
                    assert text in page.words, text


def leaves(value: object) -> list[str]:
    """Every text in a piece of data."""
    if isinstance(value, dict):
        return [t for v in value.values() for t in leaves(v)]
    if isinstance(value, list):
        return [t for v in value for t in leaves(v)]
    return [value] if isinstance(value, str) else []


def test_nothing_of_anybody_else_stands_in_an_export(records: Records) -> None:
    found, data, page = exported(records, "c01")  # a short id may stand by chance within a chain value: whole words count
    other = records.find("c02")
    for text in (other.pseudonym, "Mina", "Okafor", "c02"):
        for shown in (json.dumps(data), page.words):
            assert not re.search(rf"\b{text}\b", shown), text
    theirs, _, page = exported(records, "c02")
    for text in (found.person.pseudonym, "Robin", "Ashdown", "c01", "Northgate", "froze", "form B"):
        for shown in (theirs.json().decode(), page.words):
            assert not re.search(rf"\b{text}\b", shown), text
    assert "a body of c02" in page.words, "the control"


def test_the_page_says_who_was_told_what_and_what_counts(records: Records) -> None:
    _, _, page = exported(records, "c01")
    words = " ".join(page.words.split())
    for text in (
        "Northgate Heating 2024-06-04 that the exam was passed, and when hires, with consent of 3 June A. Marsh",
        "may-2024, grading 1", "no: a later entry of the same exam does", "may-2024, grading 2", "extra time 25 %; breaks",
        "Your statement (entry 18): I was given form B by mouth.",
        "appeal of entry 8 decided: the result was changed (grading 2)",
        "It is no licence, permit or refrigerant certification", "robin@example.org", "printed with another form",
    ):  # fmt: skip
        assert text in words, text
    assert words.count("call-1: 83 of 100 points, passed") == 1 and "Nobody, by these records." not in words


def test_an_export_is_an_inspection_answers_what_waits_and_is_no_disclosure(records: Records, tmp_path: Path) -> None:
    disclosed = len(export_of(records, records.find("c01")).of("Disclosure"))
    (waits,) = records.find("c01").open_requests
    found, files = show(records, "c01", "A. Marsh", tmp_path / "out")
    last = Records(records.root).entries[-1]
    assert isinstance(last, InspectionShown) and last.answers == (waits.number,) and last.person == found.person.pseudonym
    assert [x.entry.number for x in found.lines][-1] == last.number, "the export tells of itself"
    assert len(found.of("Disclosure")) == disclosed and not Records(records.root).find("c01").open_requests
    assert {stat.S_IMODE(f.stat().st_mode) for f in files} == {0o600}
    assert json.loads(files[0].read_bytes())["person"] in files[1].read_text("utf-8")
    before = (records.root / FILE).read_bytes()
    with pytest.raises(RecordsError, match="is there already"):
        show(records, "c01", "A. Marsh", tmp_path / "out")
    with pytest.raises(RecordsError, match="--by"):
        show(records, "c01", " ", tmp_path / "other")
    assert (records.root / FILE).read_bytes() == before


def test_the_head_in_an_export_is_a_receipt(records: Records) -> None:
    _, data, page = exported(records, "c01")
    kept = data["register"]["entries"], data["register"]["head"]
    assert kept[1] in page.words
    ask(records, "c02", "2024-07-01", Said("", "A. Marsh"))
    assert check_head(Records(records.root).log, *kept) == ""
    assert all(x["chain"] == records.log.chains[x["number"]] for x in data["entries"])


# ---------------------------------------------------------------------- texts are texts
@pytest.mark.parametrize("odd", ODD)
def test_whatever_is_written_into_a_field_is_shown_as_text(tmp_path: Path, odd: str) -> None:
    records = school(tmp_path)
    with records.adding() as adding:
        person = adding.enrol(Identity(odd, odd, odd))
        adding.done()
    disclose(records, person, Told(odd, odd, odd, odd, "2024-06-01"))
    ask(records, person, "2024-06-01", Said(odd, odd))
    correct(records, person, 1, odd, odd, statement=True)
    found = export_of(records, records.find(person))
    page = Page(found.html())
    shown = odd.replace("\u202e", "<U+202E>")
    assert page.words.count(shown) >= 12 and json.loads(found.json())["identity"]["name"] == odd
    plain = Page(export_of(*_with_a_plain_name(tmp_path / "other")).html())
    assert page.elements == plain.elements and not {"img", "script", "a", "form", "iframe", "link"} & set(page.elements)
    assert page.addresses == [] and not {n for n in page.named if n.startswith("on")}


def _with_a_plain_name(place: Path) -> tuple[Records, Any]:
    records = school(place)
    with records.adding() as adding:
        person = adding.enrol(Identity("Robin", "r", "r"))
        adding.done()
    disclose(records, person, Told("r", "r", "r", "r", "2024-06-01"))
    ask(records, person, "2024-06-01", Said("r", "r"))
    correct(records, person, 1, "r", "r", statement=True)
    return records, records.find(person)


def test_the_pages_policy_allows_its_own_style_and_nothing_else(records: Records) -> None:
    text = exported(records, "c01")[0].html()
    (style,) = re.findall(r"<style>(.*?)</style>", text, re.S)
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    policy = f"default-src 'none'; style-src 'sha256-{digest}'; base-uri 'none'; form-action 'none'"
    assert f'<meta http-equiv="Content-Security-Policy" content="{policy}">' in text and "style=" not in text


# ---------------------------------------------------------------------- what is written down about people
@pytest.mark.parametrize("field", ["to", "what", "interest", "by"])
@pytest.mark.parametrize("empty", ["", "  \n"])
def test_a_disclosure_is_written_down_whole_or_not_at_all(records: Records, field: str, empty: str) -> None:
    """34 CFR 99.32(a)(3), from memory: the parties and their legitimate interests; what, by whom and when are ours."""
    whole = {"to": "a court", "what": "the result", "interest": "a subpoena", "by": "A. Marsh"}
    before = (records.root / FILE).read_bytes()
    with pytest.raises(RecordsError, match=f"{field} must not be empty"):
        disclose(records, "c01", Told(**{**whole, field: empty}, day="2024-06-01"))
    assert (records.root / FILE).read_bytes() == before


def test_a_disclosure_has_a_day_that_has_been(records: Records) -> None:
    for day, why in (("", "is no date"), ("1 June", "is no date"), ("2024-02-30", "is no date"),
                     ((date.today() + timedelta(days=1)).isoformat(), "has not come yet")):  # fmt: skip
        with pytest.raises(RecordsError, match=why):
            disclose(records, "c01", Told("a court", "the result", "a subpoena", "A. Marsh", day))


def test_a_correction_adds_and_points_at_an_entry_of_the_same_person(records: Records) -> None:
    other = records.find("c02").entries[0].number
    result = next(e.number for e in records.find("c01").entries if type(e).__name__ == "Result")
    before = (records.root / FILE).read_bytes()
    for entry, more, why in (
        (other, {}, "is not about"), (999, {}, "is not about"), (result, {"name": "X"}, "corrected at entry 1"),
        (1, {"name": "X", "statement": True}, "corrected at entry 1"),
    ):  # fmt: skip
        with pytest.raises(RecordsError, match=why):
            correct(records, "c01", entry, "text", "A. Marsh", **more)
    with pytest.raises(RecordsError, match="text must not be empty"):
        correct(records, "c01", 1, " ", "A. Marsh")
    assert (records.root / FILE).read_bytes() == before
    correct(records, "c01", 1, "The name was misspelled.", "A. Marsh", name="Robin Ashdowne")
    assert (records.root / FILE).read_bytes().startswith(before)
    assert identity(records, "c01") == Identity("Robin Ashdowne", "c01", "robin@example.org")


def test_a_request_is_answered_within_forty_five_days_by_default(records: Records) -> None:
    """34 CFR 99.10(b), from memory: not more than 45 days after the request was received."""
    (asked,) = records.find("c01").open_requests
    assert asked.day == "2024-06-10" and answer_by(asked, read_policy(records.root)) == date(2024, 7, 25)
