"""`blowergrade records …` from an empty folder to an erased person: what is printed, what is kept, which exit codes."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from exam.sat_exam import NAMES
from records.people import decide, grade, released_exam

from blowergrade.cli import main
from blowergrade.exam.programme import Accommodation as Rights
from blowergrade.records.register import FILE

BY = ("--by", "A. Marsh")


class Desk:
    """Somebody at a terminal."""

    def __init__(self, place: Path, shown: pytest.CaptureFixture[str]) -> None:
        self.people, self._shown = str(place / "people"), shown

    def says(self, step: str, *words: str, code: int = 0) -> str:
        """What the command prints, on either stream."""
        assert main(["records", step, self.people, *words]) == code
        told = self._shown.readouterr()
        return told.out + told.err


@pytest.fixture
def desk(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Desk:
    made = Desk(tmp_path, capsys)
    assert "retention.toml" in made.says("new", "--school", "Harrow Lane Trade School")
    return made


def test_a_person_from_the_exam_to_the_end(desk: Desk, tmp_path: Path) -> None:
    exam = released_exam(tmp_path)
    assert "4 results added, 4 people new" in desk.says("take", str(exam.root))
    assert "0 results added, 0 people new" in desk.says("take", str(exam.root))
    listed = desk.says("list")
    assert "Robin Ashdown (c01)" in listed and "may: 4 people: 1 absent, 2 not passed, 1 passed; 0 appeals" in listed

    asked = desk.says("request", "c03", *BY, "--on", "2024-03-01")
    assert "Answer by 2024-04-15" in asked
    told = desk.says("disclose", "c03", *BY, "--to", "a court", "--what", "the result", "--interest", "a subpoena")
    assert "Tell them this and no more" in told
    appeal = desk.says("appeal", "c03", *BY, "--sitting", "may", "--reason", "the bench froze", "--on", "2024-03-02")
    number = re.findall(r"Appeal (\d+)", appeal)[0]
    waits = desk.says("list", code=1)
    assert f"Waits: appeal {number}" in waits and "answer by 2024-04-15, LATE" in waits
    assert "the result is unchanged" in desk.says("decide", number, "changed", "--by", "J. Ferro", "--reason", "x", code=2)
    decide(exam, "c03", "call-2", 90)
    grade(exam, "appeal of c03")
    assert "1 results added, 0 people new" in desk.says("take", str(exam.root))
    assert "in writing" in desk.says("decide", number, "changed", "--by", "J. Ferro", "--reason", "the bench was shown wrong")

    out = tmp_path / "for-them"
    shown = desk.says("export", "c03", *BY, "--out", str(out))
    (data,) = out.glob("*.json")
    assert str(data.resolve()) in shown and json.loads(data.read_bytes())["identity"]["name"] == NAMES["c03"]
    assert "Waits" not in desk.says("list")
    stated = desk.says("correct", "c03", "1", *BY, "--text", "x", code=2)
    assert "is not about" in stated
    first = json.loads(data.read_bytes())["entries"][0]["number"]
    desk.says("correct", "c03", str(first), *BY, "--text", "I am spelled otherwise", "--statement")
    again = desk.says("disclose", "c03", *BY, "--to", "x", "--what", "x", "--interest", "x")
    assert f"If they see entry {first}, they see the person's statement" in again

    assert "0 keys are due on 2030-01-01. Nothing was destroyed." in desk.says("retention", "--on", "2030-01-01")
    due = desk.says("retention", "--on", "2200-01-01", code=1)
    pseudonym = data.stem
    assert f"erase {tmp_path / 'people'} {pseudonym} --why 'retention ended' --by NAME" in due
    erased = desk.says("erase", pseudonym, "--why", "asked by the person", *BY)
    assert "The folders of may hold names" in erased
    assert "erased before" in desk.says("erase", pseudonym, "--why", "asked by the person", *BY)
    last = desk.says("list")
    assert f"{pseudonym}  erased" in last and NAMES["c03"] not in last
    assert "may: 4 people: 1 absent, 1 not passed, 2 passed; 1 appeals, 1 of them changed" in last
    decide(exam, "c03", "call-1", 91)
    grade(exam, "another look")
    assert "Left out: c03" in desk.says("take", str(exam.root), code=1)


def test_check_prints_a_head_that_proves_later_that_nothing_was_changed(desk: Desk, tmp_path: Path) -> None:
    desk.says("take", str(released_exam(tmp_path).root))
    said = desk.says("check")
    head = re.findall(r"\d+:[0-9a-f]{64}", said)[0]
    assert said.count("all well") == 3
    assert "Up to entry 9 these are the records" in desk.says("check", "--head", head)
    file = tmp_path / "people" / FILE
    data = file.read_bytes()
    file.write_bytes(b"".join(data.splitlines(keepends=True)[:-1]))
    assert "taken out" in desk.says("check", "--head", head, code=1)
    file.write_bytes(data[:-10])
    assert "cut off by a crash" in desk.says("check")
    file.write_bytes(data.replace(b'"passed":2', b'"passed":1', 1))
    assert "changed, moved or taken out" in desk.says("check", code=2)
    file.write_bytes(data)
    for no in ("5", "x:" + "a" * 64, "5:abc"):
        assert "head" in desk.says("check", "--head", no, code=1 if no == "5:abc" else 2)


def test_what_was_granted_is_listed_only_when_asked_for(desk: Desk, tmp_path: Path) -> None:
    desk.says("take", str(released_exam(tmp_path, "may", {"c01": "Robin"}, Rights(extra_percent=25, reader=True)).root))
    assert "extra time" not in desk.says("list") and "accommodation" not in desk.says("list")
    assert "may: extra time 25 %; reader" in desk.says("list", "--accommodations")


def test_names_that_would_act_on_a_terminal_are_shown_as_signs(desk: Desk, tmp_path: Path) -> None:
    desk.says("take", str(released_exam(tmp_path, "may", {"c01": "Robin\x1b[2J\u202egnp"}).root))
    listed = desk.says("list")
    assert "\x1b" not in listed and "\u202e" not in listed and "Robin<U+001B>[2J<U+202E>gnp" in listed


def test_mistakes_end_in_one_line_that_says_what_would_be_right(desk: Desk, tmp_path: Path) -> None:
    exam = released_exam(tmp_path, "may", {"c01": "Robin Ashdown"})
    desk.says("take", str(exam.root))
    for words, why in (
        (("new", "--school", "X"), "holds records already"),
        (("export", "c09", "--by", "A", "--out", str(tmp_path)), "is nobody in these records"),
        (("disclose", "c01", "--by", "A", "--to", " ", "--what", "x", "--interest", "x"), "to must not be empty"),
        (("request", "c01", "--by", "A", "--on", "2224-01-01"), "has not come yet"),
        (("erase", "c01", "--why", "ordered by law", "--by", "A"), "is no pseudonym"),
        (("decide", "99", "changed", "--by", "A", "--reason", "x"), "there is no entry 99"),
        (("retention", "--on", "soon"), "is no date"),
        (("take", str(tmp_path)), "is no exam folder"),
        (("certificates", "--issuer", str(tmp_path)), "issuer"),
    ):  # fmt: skip
        told = desk.says(words[0], *words[1:], code=2)
        assert why in told and told.count("\n") == 1 and told.startswith("blowergrade: "), told
