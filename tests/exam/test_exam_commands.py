"""The exam's commands, in the order in which a school uses them: each says what it did, what waits, and what comes next."""

from __future__ import annotations

import http.client
import json
import re
import signal
import subprocess
import sys
from pathlib import Path

import pytest
from exam.sat_exam import sat_exam
from exam.test_planning import question

from blowergrade.cli import main
from blowergrade.exam.folder import ExamFolder
from blowergrade.exam.forms import save_forms
from blowergrade.exam.gradings import sitting_of
from blowergrade.exam.sitting import Opened, Started

CANDIDATES = """id,name,language,extra_time_percent,reader
c01,Robin Ashdown,en,,
c02,"<b>Ayda</b> Marsh",es,25,yes
c03,=1+1,en,,
"""


def say(capsys: pytest.CaptureFixture[str], *arguments: object) -> tuple[int, str]:
    """Exit code and everything that a command printed."""
    try:
        code = main([str(a) for a in ("exam", *arguments)])
    except SystemExit as end:
        code = int(end.code or 0)
    told = capsys.readouterr()
    return code, told.out + told.err


@pytest.fixture
def made(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Path:
    """A folder made by `exam new` from the shipped example."""
    _, forms = question()
    save_forms(forms, tmp_path / "forms.json")
    (tmp_path / "candidates.csv").write_text(CANDIDATES, encoding="utf-8")
    code, text = say(capsys, "new", tmp_path / "may", "--blueprint", "example", "--forms", tmp_path / "forms.json",
                     "--candidates", tmp_path / "candidates.csv", "--school", "Harrow Lane Trade School")  # fmt: skip
    assert code == 0, text
    assert "3 candidates" in text and "c02: extra time 25 %; reader, 188 minutes" in text
    return tmp_path / "may"


def test_nothing_readable_in_a_new_folder_names_a_fault(made: Path) -> None:
    faults = {i.fault.partition("/")[0] for f in question()[1].forms for i in f.items}
    for file in made.rglob("*"):
        if file.is_file():
            assert not any(f.encode() in file.read_bytes() for f in faults), file.name


def test_slips_carry_codes_and_escape_names(made: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, text = say(capsys, "slips", made)
    page = (made / "private" / "slips.html").read_text("utf-8")
    assert code == 0 and "print it" in text
    assert all(c in page for c in ExamFolder(made).codes.values())
    assert "<b>" not in page and "&lt;b&gt;Ayda" in page and "reader" in page.split("</header>")[0]
    assert "reader" not in page.split("</header>")[1], "what was granted stands on the proctor's sheet only"


def test_a_mistake_ends_in_one_line_and_changes_nothing(made: Path, capsys: pytest.CaptureFixture[str]) -> None:
    before = {p: p.read_bytes() for p in made.rglob("*") if p.is_file()}
    for arguments, says in (
        (("new", made, "--blueprint", "example", "--forms", made.parent / "forms.json", "--candidates",
          made.parent / "candidates.csv"), "holds an exam already"),
        (("status", made.parent), "is no exam folder"),
        (("close", made), "only an open sitting"),
        (("results", made), "close it first"),
        (("release", made), "nothing was graded"),
        (("appeal", made, "c01", "-o", made.parent / "a.zip"), "nothing was graded"),
        (("serve", made, "--address", "192.0.2.1"), "--certificate"),
        (("serve", made, "--checkpoints", made / "no" / "where"), "can't be written"),
        (("status", made, "--exam-key", made / "none"), "is no key"),
        (("forms", "example", "-o", made.parent / "forms.json"), "never overwritten"),
        (("decide", made, "c01", "call-1", "--points", "70.25", "--passed", "--by", "x", "--reason", "y"), "decimal"),
    ):  # fmt: skip
        code, text = say(capsys, *arguments)
        assert code == 2 and says in text and "Traceback" not in text, text
    after = {p: p.read_bytes() for p in made.rglob("*") if p.is_file() and "journal" not in p.name and "lock" not in p.name}
    assert {p: b for p, b in before.items() if p in after} == after


def test_the_service_starts_is_locked_says_where_it_is_and_stops(made: Path, capsys: pytest.CaptureFixture[str]) -> None:
    stick = made.parent / "stick.jsonl"
    program = "import sys; from blowergrade.cli import main; sys.exit(main(sys.argv[1:]))"
    command = [sys.executable, "-c", program, "exam", "serve", str(made), "--port", "0", "--checkpoints", str(stick)]
    running = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    assert running.stdout is not None
    try:
        told = "".join(running.stdout.readline() for _ in range(4))
        found = re.search(r"proctor +http://127\.0\.0\.1:(\d+)/proctor", told)
        assert found is not None, told
        connection = http.client.HTTPConnection("127.0.0.1", int(found[1]), timeout=20)
        connection.request("POST", "/sign-in", json.dumps({"code": ExamFolder(made).codes["c02"]}))
        answer = json.loads(connection.getresponse().read())
        assert answer["name"] == "<b>Ayda</b> Marsh" and answer["left"] == 188 * 60_000
        connection.close()
        code, text = say(capsys, "close", made)
        assert code == 2 and "another service" in text
    finally:
        running.send_signal(signal.SIGINT)
        assert running.wait(30) == 0
        running.stdout.close()
    code, text = say(capsys, "status", made)
    assert code == 0 and "planned" in text and "not begun" in text
    assert say(capsys, "check", made, "--checkpoints", stick)[0] == 0


def test_from_results_to_an_appeal(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = sat_exam(tmp_path)
    root = folder.root
    code, text = say(capsys, "results", root, "--csv", tmp_path / "r.csv", "--processes", 1)
    assert code == 0 and "passed" in text and "!" in text and (tmp_path / "r.csv").exists()
    assert say(capsys, "completions", root, "--out", tmp_path / "done")[0] == 2
    code, text = say(capsys, "release", root)
    assert code == 0 and "grading 1" in text
    code, text = say(capsys, "completions", root, "--out", tmp_path / "done")
    assert code == 0 and [p.name for p in (tmp_path / "done").iterdir()] == ["c01.json"]
    journal = folder.journal()
    row = journal.acts("c02/call-2")[-1]
    journal.close()
    head = json.loads(row.line)["chain"]
    assert say(capsys, "receipt", root, "c02", "call-2", row.seq, head)[0] == 0
    assert say(capsys, "receipt", root, "c02", "call-2", row.seq, "0" * 64)[0] == 1
    assert say(capsys, "appeal", root, "c02", "-o", tmp_path / "c02.zip")[0] == 0
    assert say(capsys, "check", tmp_path / "c02.zip")[0] == 0
    decided = say(capsys, "decide", root, "c02", "call-2", "--points", "70", "--passed", "--by", "A. Marsh", "--reason", "r")
    assert decided[0] == 0
    code, text = say(capsys, "results", root, "--why", "appeal of c02", "--processes", 1)
    assert code == 0 and "Grading 2 (appeal of c02)" in text
    assert say(capsys, "release", root)[0] == 0
    journal = folder.journal()
    assert sitting_of(folder.programme, journal).grading == 2
    journal.close()
    code, text = say(capsys, "check", root)
    assert code == 0 and text.count("all well") == 4, text
    code, text = say(capsys, "status", root)
    assert "released" in text and "ended by candidate" in text


def test_a_retake_is_on_another_form(made: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = ExamFolder(made)
    had = {c.id: {p.item for p in folder.programme.plans[c.id]} for c in folder.programme.candidates}
    journal = folder.journal()
    journal.add_event(Opened(), 1_800_000_000_000)
    for name in ("c01", "c02"):
        journal.add_event(Started(name, 60), 1_800_000_001_000)[1].result()
    journal.close()
    code, text = say(capsys, "new", made.parent / "june", "--blueprint", "example", "--forms", made.parent / "forms.json",
                     "--candidates", made.parent / "candidates.csv", "--retake-of", made)  # fmt: skip
    assert code == 0, text
    again = ExamFolder(made.parent / "june").programme
    assert all(had[n].isdisjoint(p.item for p in again.plans[n]) for n in ("c01", "c02"))
    code, text = say(capsys, "new", made.parent / "july", "--blueprint", "example", "--forms", made.parent / "forms.json",
                     "--candidates", made.parent / "candidates.csv", "--retake-of", made, "--retake-of",
                     made.parent / "june")  # fmt: skip
    assert code == 0, "nobody began in June"
