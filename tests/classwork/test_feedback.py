"""A student's page: whole without a network, in their language, and with nothing of anybody else."""

from __future__ import annotations

import hashlib
import re
import shutil
import sys
from html.parser import HTMLParser
from pathlib import Path

import pytest
from small_class import NAME, graded, waits

from blowerbench.record import read_record
from blowergrade.classwork import changes
from blowergrade.classwork.assign import nbgrader_api
from blowergrade.classwork.codes import read_codes
from blowergrade.classwork.feedback import write_feedback
from blowergrade.classwork.folder import ClassFolder


class Page(HTMLParser):
    """Collects what a page loads or leads to, its tags, its text with the language that holds there, and what stays open."""

    VOID = frozenset({"meta", "link", "img", "br", "hr", "input", "col", "path", "line", "rect", "circle", "use", "wbr"})

    def __init__(self, text: str) -> None:
        super().__init__()
        self.loads: list[str] = []
        self.tags: list[str] = []
        self.text: list[tuple[str, str]] = []
        self.open: list[tuple[str, str]] = []
        self.misnested: list[str] = []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Note a tag."""
        self.tags.append(tag)
        found = {k: v or "" for k, v in attrs}
        self.loads += [v for k, v in found.items() if k in ("src", "href", "data", "action", "srcset", "poster")]
        self.loads += [k for k in found if k.startswith("on")]
        if tag not in self.VOID:
            self.open.append((tag, found.get("lang", self.open[-1][1] if self.open else "")))

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Note a tag that closes itself."""
        self.tags.append(tag)

    def handle_endtag(self, tag: str) -> None:
        """Close a tag."""
        if tag in self.VOID:
            return
        if not self.open or self.open[-1][0] != tag:
            self.misnested.append(tag)
        elif self.open:
            self.open.pop()

    def handle_data(self, data: str) -> None:
        """Note text."""
        if data.strip():
            self.text.append((self.open[-1][1] if self.open else "", " ".join(data.split())))


def pages(folder: ClassFolder) -> dict[str, str]:
    files = write_feedback(folder, NAME, progress=False)
    return {f.parents[1].name: f.read_text(encoding="utf-8") for f in files}


def test_a_page_is_whole_loads_nothing_and_runs_nothing(folder: ClassFolder) -> None:
    waits(graded(folder), "s03", "<img src=http://x.example onerror=alert(1)>")
    changes.override(folder, "s01", NAME, "repair", "3", "</style><script>alert(1)</script>", "A. Teacher")
    for student, text in pages(folder).items():
        page = Page(text)
        assert [x for x in page.loads if not x.startswith("#")] == [], student
        assert not {"script", "iframe", "object", "embed", "base", "form", "link"} & set(page.tags), student
        assert page.misnested == [] and page.open == [], student
        styles = " ".join(re.findall(r"<style>(.*?)</style>", text, re.DOTALL))
        assert "url(" not in styles and "@import" not in styles
        assert "default-src 'none'" in text


def test_a_page_holds_no_secret_and_nobody_else(folder: ClassFolder) -> None:
    waits(graded(folder), "s03", "this record is of s02")
    made, codes = pages(folder), read_codes(folder.private)
    entries = {x.student: x.entry for x in folder.assignment(NAME).assigned}
    for student, text in made.items():
        for other in {"s01", "s02", "s03", "s04"} - {student}:
            assert not re.search(rf"\b{other}\b", text) and entries[other] not in text and codes[other] not in text
        assert folder.secret.hex() not in text and codes[student] not in text
        assert ("Ada Example" in text, "Ben Muster" in text) == (student == "s01", student == "s02")
    assert "a person looks at it" in made["s03"]


def test_what_came_of_it_is_said_to_who_waits_and_to_who_handed_in_nothing(folder: ClassFolder) -> None:
    graded(folder)
    roster = folder.root / "roster.csv"
    roster.write_text(roster.read_text(encoding="utf-8").replace(",en", ",es"), encoding="utf-8")
    waits(folder, "s03", "look at the call yourself")
    made = pages(folder)
    assert "No se entregó nada." in made["s04"]
    waiting = Page(made["s03"])
    assert ("en", "look at the call yourself") in waiting.text  # a reason is English, and says so to a screen reader
    assert {language for language, _ in waiting.text} == {"es", "en"}


def test_a_page_tells_no_acts_where_another_record_lies_now(folder: ClassFolder) -> None:
    graded(folder)
    own = folder.root / "submitted" / "s01" / NAME / "call.jsonl"
    assert "What the acts told" in pages(folder)["s01"]
    shutil.copyfile(folder.root / "submitted" / "s02" / NAME / "call.jsonl", own)
    assert read_record(own).header.person
    assert "What the acts told" not in pages(folder)["s01"]


@pytest.mark.skipif(sys.platform == "win32", reason="nbgrader's exchange does not run on Windows")
def test_nbgraders_release_of_feedback_finds_every_page_whoever_handed_in_how(folder: ClassFolder, tmp_path: Path) -> None:
    """Its name in the exchange is the MD5 of the hand-in's secret and the notebook's name (nbgrader 0.9.6, notebook_hash)."""
    root = tmp_path / "exchange"
    (root / "blowers").mkdir(parents=True)
    with (folder.root / "nbgrader_config.py").open("a", encoding="utf-8") as config:
        config.write(f"c = get_config()\nc.Exchange.root = {str(root)!r}\n")
    place = folder.root / "submitted" / "s01" / NAME
    (place / "submission_secret.txt").write_text("by the exchange")
    (place / "timestamp.txt").write_text("2027-03-01 10:00:00 UTC")
    (folder.root / "submitted" / "s02" / NAME / "submission_secret.txt").write_text("")
    made = pages(graded(folder))
    assert nbgrader_api(folder).release_feedback(NAME)["success"]
    released = {f.stem: f.read_text(encoding="utf-8") for f in (root / "blowers" / "feedback").glob("*.html")}
    assert sorted(released.values()) == sorted(made.values()) and len(released) == 4
    assert released[hashlib.md5(b"by the exchange" + NAME.encode(), usedforsecurity=False).hexdigest()] == made["s01"]
    guessed = {hashlib.md5(x + NAME.encode(), usedforsecurity=False).hexdigest() for x in (b"", b"s02", b"s03", b"s04")}
    assert not guessed & set(released)
