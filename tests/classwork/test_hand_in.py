"""One hand-in: which file counts, what is refused with which reason, and that nothing in it raises."""

from __future__ import annotations

import json
import random
from collections.abc import Callable
from pathlib import Path
from typing import Any

import msgspec
import pytest
from forged import chained
from small_class import NAME

from blowergrade.classwork import hand_in
from blowergrade.classwork.folder import ClassFolder
from blowergrade.classwork.hand_in import Held, Job, find_record, grade_hand_in
from blowergrade.classwork.outcome import Outcome


def job_of(folder: ClassFolder, student: str = "s01") -> Job:
    assignment = folder.assignment(NAME)
    one = assignment.of(student)
    assert one is not None
    entries = {x.entry: x.student for x in assignment.assigned}
    return Job(one, NAME, assignment.rubric, str(folder.root / "submitted" / student / NAME), entries)


def record_of(folder: ClassFolder) -> Path:
    return folder.root / "submitted" / "s01" / NAME / "call.jsonl"


def after(folder: ClassFolder, data: bytes) -> Outcome:
    """What comes of the record `data`."""
    record_of(folder).write_bytes(data)
    return grade_hand_in(job_of(folder))


# ---------------------------------------------------------------------- which file counts
def test_the_usual_name_counts_before_any_other_and_a_lone_other_counts_too(folder: ClassFolder) -> None:
    place = record_of(folder).parent
    (place / "aaa.jsonl").write_text("older")
    assert find_record(place) == record_of(folder)
    (place / "aaa.jsonl").unlink()
    record_of(folder).rename(place / "=cmd <script> (1).JSONL")
    found = find_record(place)
    assert found is not None and found.name == "=cmd <script> (1).JSONL"
    assert grade_hand_in(job_of(folder)).status == "graded"
    (place / "b.jsonl").write_text("x")
    with pytest.raises(Held, match="several records"):
        find_record(place)


def test_nothing_an_empty_folder_and_a_file_in_its_place_are_missing(folder: ClassFolder) -> None:
    for student in ("s03", "s04"):
        place = folder.root / "submitted" / student / NAME
        assert grade_hand_in(job_of(folder, student)).status == "missing"
        place.parent.mkdir(parents=True)
        place.mkdir() if student == "s03" else place.write_text("x")
        outcome = grade_hand_in(job_of(folder, student))
        assert (outcome.status, outcome.tenths) == ("missing", None)


# ---------------------------------------------------------------------- forms of a record
FORMS: dict[str, tuple[Callable[[bytes], bytes], bool, str]] = {
    # what is done to the bytes, whether it is graded with full points, the reason or note
    "the chain twice in a line": (lambda d: d.replace(b'{"chain":', b'{"chain":"0","chain":'), True, ""),
    "a field of the header twice": (lambda d: d.replace(b'"body":{', b'"body":{"person":"x",', 1), False, "line 1"),
    "line ends of another system": (lambda d: d.replace(b"\n", b"\r\n"), True, ""),
    "the whole twice": (lambda d: d + d, False, "was changed after"),
    "the last line twice": (lambda d: d + d.splitlines(keepends=True)[-1], False, "was changed after"),
    "a blank line first": (lambda d: b"\n" + d, False, "no readable header"),
    "a blank line last": (lambda d: d + b"\n", False, "was changed after"),
    "zeros after a crash": (lambda d: d + b"\0" * 4096, True, "cut off"),
    "a mark of UTF-8 first": (lambda d: b"\xef\xbb\xbf" + d, False, "no readable header"),
    "UTF-16": (lambda d: d.decode().encode("utf-16"), False, "no readable header"),
    "the header alone": (lambda d: d.splitlines(keepends=True)[0], False, ""),
}


@pytest.mark.parametrize("name", FORMS)
def test_the_form_of_a_record_never_adds_points(folder: ClassFolder, name: str) -> None:
    change, full, why = FORMS[name]
    outcome = after(folder, change(record_of(folder).read_bytes()))
    assert outcome.tenths == 1000 if full else (outcome.tenths or 0) < 500
    assert why in outcome.reason + "".join(outcome.notes)
    if outcome.status == "manual":
        assert outcome.tenths is None and outcome.reason


def test_no_changed_byte_in_a_record_is_graded(folder: ClassFolder) -> None:
    data = record_of(folder).read_bytes()
    last = data.rstrip(b"\n").rfind(b"\n")
    dice = random.Random(7)
    for place in [0, *(dice.randrange(last) for _ in range(60))]:
        changed = bytearray(data)
        changed[place] ^= 1 << dice.randrange(8)
        outcome = after(folder, bytes(changed))
        assert outcome.status == "manual" and outcome.tenths is None and outcome.reason, place


# ---------------------------------------------------------------------- what a forger writes, with a chain that fits
def _wait(value: object) -> Callable[[list[dict[str, Any]]], Any]:
    def change(lines: list[dict[str, Any]]) -> None:
        next(x for x in lines[1:] if x["body"]["act"]["do"] == "wait")["body"]["act"]["seconds"] = value

    return change


def _many(lines: list[dict[str, Any]]) -> None:
    first = lines[1]
    lines[1:] = [{"body": first["body"] | {"seq": k + 1}} for k in range(hand_in.MOST_ACTS + 1)]


def _saying(lines: list[dict[str, Any]]) -> None:
    lines[3]["body"]["observation"]["senses"] = ["blower_runs"]


REWRITTEN: dict[str, tuple[Callable[[list[dict[str, Any]]], Any], str]] = {
    "a wait of ages": (_wait(10**12), "act 4"),
    "a wait backwards": (_wait(-1), "act 4"),
    "a wait of a fraction": (_wait(1e308), "line 5"),
    "a huge number": (lambda x: x[4]["body"].update(seq=10**30), "line 5"),
    "a clock that runs back": (lambda x: x[4]["body"].update(clock=-5), "clock"),
    "two acts swapped": (lambda x: x.insert(4, x.pop(5)), "line 5"),
    "an act of no kind": (lambda x: x[4]["body"].update(act={"do": "pass_exam"}), "line 5"),
    "points in a line": (lambda x: x[4]["body"].update(points=100), "line 5"),
    "something else seen": (_saying, "act 3"),
    "more acts than a call has": (_many, "more than 3000"),
}


@pytest.mark.parametrize("name", REWRITTEN)
def test_a_rewritten_record_waits_for_a_person(folder: ClassFolder, name: str) -> None:
    change, why = REWRITTEN[name]
    lines = [json.loads(x) for x in record_of(folder).read_bytes().splitlines()]
    change(lines)
    outcome = after(folder, chained(lines))
    assert outcome.status == "manual" and outcome.tenths is None and why in outcome.reason, outcome.reason


def test_an_error_of_our_own_is_a_reason_and_stops_nobody(folder: ClassFolder, monkeypatch: pytest.MonkeyPatch) -> None:
    for error, why in ((MemoryError("no room"), "MemoryError: no room"), (RecursionError(), "nested too deeply")):

        def fail(*_: object, error: Exception = error) -> None:
            raise error

        monkeypatch.setattr(hand_in, "grade_record", fail)
        outcome = grade_hand_in(job_of(folder))
        assert outcome.status == "manual" and why in outcome.reason and outcome.record_digest


def test_a_write_up_in_tags_is_text_wherever_its_reasons_are_shown(folder: ClassFolder) -> None:
    from blowergrade.classwork.record_grader import reasons_html

    lines = [json.loads(x) for x in record_of(folder).read_bytes().splitlines()]
    act = next(x["body"]["act"] for x in lines[1:] if x["body"]["act"]["do"] == "write_up")
    act.update(cause="<script>alert(1)</script>", why="<img src=x onerror=alert(1)>", correction="=cmd", customer="../")
    outcome = after(folder, chained(lines))
    assert outcome.sheet is not None and outcome.part("write_up")[0] in range(100), "a wrong cause costs points"
    hostile = msgspec.structs.replace(outcome, status="manual", reason="<script>alert(2)</script>")
    for part in ("safety", "isolation", "repair", "write_up"):
        assert "<script" not in reasons_html(hostile, part) and "<img" not in reasons_html(hostile, part)
    assert "&lt;script&gt;alert(2)" in reasons_html(hostile, "safety")
