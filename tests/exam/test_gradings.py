"""Results that stand: graded from the journal, safety first, every grading kept, and every change found."""

from __future__ import annotations

import io
import sqlite3
import zipfile
from pathlib import Path

import msgspec
import pytest
from exam.sat_exam import NAMES, programme, sat_exam

from blowergrade.exam import gradings as g
from blowergrade.exam.appeal import bundle, check_bundle
from blowergrade.exam.audit import audit, check_receipt
from blowergrade.exam.blueprint import PassRule
from blowergrade.exam.checkpoints import Checkpoints
from blowergrade.exam.completions import completions, head_of
from blowergrade.exam.folder import ExamFolder, make_folder
from blowergrade.exam.passing import CallResult, CandidateResult, decide
from blowergrade.exam.programme import ExamError
from blowergrade.exam.released import sentences
from blowergrade.exam.results_csv import rows_of, write_results
from blowergrade.exam.sitting import Opened, Released
from blowergrade.statistics.table import read_results


@pytest.fixture
def folder(tmp_path: Path) -> ExamFolder:
    return sat_exam(tmp_path)


def graded(folder: ExamFolder, why: str = "first grading") -> g.Grading:
    journal = folder.journal()
    made = g.grade_sitting(folder, journal, why, processes=1, progress=False)
    journal.close()
    return made


def result(grading: g.Grading, name: str) -> CandidateResult:
    found = grading.of(name)
    assert found is not None
    return found


def wrong(folder: ExamFolder, checkpoints: Path | None = None) -> dict[str, tuple[str, ...]]:
    journal = folder.journal()
    found = {f.what: f.wrong for f in audit(folder, journal, checkpoints)}
    journal.close()
    return {what: texts for what, texts in found.items() if texts}


def sql(folder: ExamFolder, text: str, *values: object) -> None:
    with sqlite3.connect(folder.root / "journal.sqlite") as db:
        assert db.execute(text, values).rowcount != 0
    db.close()


# ---------------------------------------------------------------------- verdicts
def test_each_candidate_gets_what_was_done(folder: ExamFolder) -> None:
    made = graded(folder)
    verdicts = {r.candidate: r.verdict for r in made.results}
    assert verdicts == {"c01": "passed", "c02": "not passed", "c03": "not passed", "c04": "absent"}
    reckless = result(made, "c02").calls[1]
    assert "live_work" in reckless.critical and not reckless.passed
    assert "with the power on" in result(made, "c02").reasons[0] and len(result(made, "c03").calls) == 2
    assert all(c.status == "not begun" and c.tenths == 0 for c in result(made, "c04").calls)


def test_the_safety_gate_comes_before_points() -> None:
    def call(k: int, tenths: int | None, passed: bool, *critical: str) -> CallResult:
        return CallResult(f"call-{k}", f"i{k}", "u", "c", "f/0", "command", 2, "graded", tenths, passed, critical)

    best = [call(k, 1000, True) for k in range(1, 5)]
    hurt = call(5, 990, False, "live_work")
    assert decide([*best, hurt], PassRule(70, 4, "call"))[0] == "passed"
    assert decide([*best, hurt], PassRule(70, 4, "sitting"))[0] == "not passed"
    assert decide([*best[:3], hurt], PassRule(70, 4, "call"))[0] == "not passed"
    waits = call(6, None, False)
    assert decide([*best[:3], waits], PassRule(70, 4))[0] == "undecided"
    assert decide([*best[:3], waits], PassRule(70, 3, "call"))[0] == "passed", "whatever the person decides"
    assert decide([*best[:3], waits], PassRule(70, 3, "sitting"))[0] == "undecided", "the call may hold a critical violation"
    assert decide([*best[:2], waits], PassRule(70, 4))[0] == "not passed", "it can't be reached any more"


def test_only_a_closed_sitting_is_graded(tmp_path: Path) -> None:
    made, codes = programme()
    folder = make_folder(tmp_path / "x", made, codes)
    journal = folder.journal()
    for _ in range(2):
        with pytest.raises(ExamError, match="close it first"):
            g.grade_sitting(folder, journal, processes=1)
        journal.add_event(Opened(), 1)[1].result()
    journal.close()


# ---------------------------------------------------------------------- gradings add
def test_grading_again_says_the_same_and_adds_nothing(folder: ExamFolder) -> None:
    first = graded(folder)
    before = {p.name: p.read_bytes() for p in folder.private.rglob("*.json")}
    assert graded(folder, "again") == first
    assert {p.name: p.read_bytes() for p in folder.private.rglob("*.json")} == before


def test_a_persons_decision_makes_a_second_grading_and_leaves_the_first(folder: ExamFolder) -> None:
    first = graded(folder)
    file = folder.gradings / "001.json"
    kept = file.read_bytes()
    with pytest.raises(ExamError, match="0 to 100"):
        g.add_decision(folder, g.Decision("c03", "call-2", 1001, True, "A. Marsh", "x", "t"))
    with pytest.raises(ExamError, match="no call"):
        g.add_decision(folder, g.Decision("c03", "call-9", 700, True, "A. Marsh", "x", "t"))
    g.add_decision(folder, g.Decision("c03", "call-2", 750, True, "A. Marsh", "the bench was shown wrong", "t"))
    second = graded(folder, "appeal of c03")
    assert second.number == 2 and second.previous == g.digest_of(first) and file.read_bytes() == kept
    changed = [(a.candidate, a.verdict, b.verdict) for a, b in zip(first.results, second.results, strict=True) if a != b]
    assert changed == [("c03", "not passed", "passed")]
    call = result(second, "c03").calls[1]
    assert (call.status, call.by, call.reason) == ("decided", "A. Marsh", "the bench was shown wrong")
    assert not wrong(folder)


def test_records_lie_beside_the_journal_and_hold_no_fault(folder: ExamFolder) -> None:
    graded(folder)
    files = sorted((folder.root / "records").rglob("*.jsonl"))
    assert [f"{f.parent.name}/{f.stem}" for f in files] == [f"c0{c}/call-{k}" for c in (1, 2, 3) for k in (1, 2)]
    assert all(b"wall_G_open" not in f.read_bytes().split(b"declare")[0] for f in files)


def test_only_a_person_who_says_so_takes_a_critical_violation_away(folder: ExamFolder) -> None:
    graded(folder)
    g.add_decision(folder, g.Decision("c02", "call-2", 900, True, "A. Marsh", "x", "t"))
    assert result(graded(folder, "appeal"), "c02").verdict == "not passed"
    g.add_decision(folder, g.Decision("c02", "call-2", 900, True, "A. Marsh", "the plug was dead: seen on film", "t", False))
    third = result(graded(folder, "appeal heard"), "c02")
    assert third.verdict == "passed" and third.calls[1].critical == ()


# ---------------------------------------------------------------------- what was changed is found
def test_an_untouched_exam_has_nothing_wrong(folder: ExamFolder) -> None:
    graded(folder)
    assert wrong(folder) == {}


def test_a_changed_act_or_event_is_found(folder: ExamFolder) -> None:
    journal = folder.journal()
    line = journal.line("c01/call-1", 7)
    journal.close()
    assert line is not None
    sql(folder, "UPDATE acts SET line = ? WHERE attempt = 'c01/call-1' AND seq = 7", line.replace(b"clock", b"clack"))
    sql(folder, "UPDATE events SET at = at + 1 WHERE number = 4")
    found = wrong(folder)
    assert "c01/call-1" in found["records"][0] and "event 4" in found["events"][0]


def test_a_removed_act_is_found(folder: ExamFolder) -> None:
    sql(folder, "DELETE FROM acts WHERE attempt = 'c03/call-1' AND seq = 5")
    assert "line 5 is missing" in wrong(folder)["records"][0]


def test_a_changed_grading_sheet_or_rubric_is_found(folder: ExamFolder) -> None:
    graded(folder)
    file = folder.gradings / "001.json"
    text = file.read_text()
    file.write_text(text.replace('"verdict": "not passed"', '"verdict": "passed"', 1))
    assert any("does not follow" in x for x in wrong(folder)["gradings"])
    file.write_text(text)
    folder.rubric.write_text(folder.rubric.read_text().replace("pass_points = 70", "pass_points = 10"))
    assert any("rubric" in x for x in wrong(folder)["gradings"])


def test_a_missing_grading_is_found(folder: ExamFolder) -> None:
    graded(folder)
    g.add_decision(folder, g.Decision("c03", "call-2", 750, True, "A. Marsh", "x", "t"))
    graded(folder, "appeal")
    (folder.gradings / "001.json").unlink()
    with pytest.raises(ExamError, match="does not follow"):
        g.gradings(folder)


def test_whoever_chains_a_record_anew_is_found_by_receipt_and_checkpoint(folder: ExamFolder, tmp_path: Path) -> None:
    """An insider who owns the journal can make every chain agree again; what was given away before can't be."""
    from blowerbench.record import GENESIS, Header, Line, chained, unchained

    journal = folder.journal()
    file = tmp_path / "checkpoints.jsonl"
    assert Checkpoints(file, "may").write(journal, 1) == ""
    rows = journal.acts("c03/call-2")
    receipt = msgspec.json.decode(rows[-1].line)["chain"]
    assert check_receipt(folder, journal, "c03", "call-2", rows[-1].seq, receipt) == ""
    assert check_receipt(folder, journal, "c03", "call-2", rows[-1].seq, receipt[:16]) == ""
    journal.close()
    header, old = unchained(GENESIS, rows[0].line, Header)
    _, new = chained(GENESIS, header)
    for row in rows[1:]:
        line, old = unchained(old, row.line, Line)
        made, new = chained(new, msgspec.structs.replace(line, clock=line.clock + 1))
        sql(folder, "UPDATE acts SET line = ? WHERE attempt = 'c03/call-2' AND seq = ?", made, row.seq)
    found = wrong(folder, file)
    assert set(found) == {"checkpoints"} and "c03/call-2" in found["checkpoints"][0]
    journal = folder.journal()
    assert "was changed" in check_receipt(folder, journal, "c03", "call-2", rows[-1].seq, receipt)
    journal.close()


def test_receipts_say_what_is_wrong(folder: ExamFolder) -> None:
    journal = folder.journal()
    rows = journal.acts("c01/call-1")
    last, before = (msgspec.json.decode(r.line)["chain"] for r in (rows[-1], rows[-2]))
    n = rows[-1].seq
    assert "goes on" in check_receipt(folder, journal, "c01", "call-1", n - 1, before)
    assert "gone" in check_receipt(folder, journal, "c01", "call-1", n + 3, last)
    assert "is no receipt" in check_receipt(folder, journal, "c01", "call-1", n, last[:8]), "eight characters are too few"
    assert "Compare what was typed" in check_receipt(folder, journal, "c01", "call-1", n, "0" + last[:15])
    assert "has no" in check_receipt(folder, journal, "c01", "call-7", n, last)
    journal.close()


def test_a_checkpoint_file_may_be_cut_off_and_others_sittings_stand_in_it(folder: ExamFolder, tmp_path: Path) -> None:
    journal = folder.journal()
    file = tmp_path / "stick.jsonl"
    Checkpoints(file, "june").write(journal, 1)
    kept = Checkpoints(file, "may")
    kept.write(journal, 2)
    kept.write(journal, 3)
    journal.close()
    lines = file.read_bytes().splitlines(keepends=True)
    assert len(lines) == 3 and len(lines[2]) < len(lines[1]) / 3, "only what changed is written again"
    file.write_bytes(file.read_bytes() + lines[1][:40])
    assert wrong(folder, file) == {}
    with pytest.raises(ExamError, match="can't be written"):
        Checkpoints(tmp_path / "no" / "where.jsonl", "may")


# ---------------------------------------------------------------------- appeals
def test_an_appeal_holds_one_candidate_and_checks_from_the_records_alone(folder: ExamFolder) -> None:
    graded(folder)
    journal = folder.journal()
    data = bundle(folder, journal, "c02")
    assert bundle(folder, journal, "c02") == data, "the same bytes"
    with pytest.raises(ExamError, match="nothing was graded"):
        bundle(folder, journal, "c99")
    journal.close()
    assert list(check_bundle(data)) == []
    files = {i.filename: i for i in zipfile.ZipFile(io.BytesIO(data)).infolist()}
    assert {"facts.json", "rubric.toml", "events.jsonl", "READ-ME.txt", "records/call-1.jsonl"} <= set(files)
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        whole = b"".join(archive.read(n) for n in files)
    assert b"Harrow Lane Trade School" in whole and b"Alderwick" not in whole, "a school's sheets bear no demo's name"
    assert b'"c02' in whole and not any(x.encode() in whole for x in ('"c01', '"c03', NAMES["c01"], NAMES["c03"]))


def changed(data: bytes, name: str, old: bytes, new: bytes) -> bytes:
    """The bundle with the first `old` in file `name` replaced."""
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as archive, zipfile.ZipFile(out, "w") as other:
        for i in archive.infolist():
            content = archive.read(i)
            if i.filename == name:
                assert old in content
                content = content.replace(old, new, 1)
            other.writestr(i.filename, content)
    return out.getvalue()


@pytest.mark.parametrize(
    ("name", "old", "new", "says"),
    [
        ("facts.json", b'"verdict": "not passed"', b'"verdict": "passed"', "verdict"),
        ("facts.json", b'"version": "', b'"version": "9', "install that one"),
        ("records/call-1.jsonl", b'"red"', b'"rad"', "call-1"),
        ("rubric.toml", b"major = 15", b"major = 90", "another sheet"),
    ],
)
def test_a_changed_appeal_is_found(folder: ExamFolder, name: str, old: bytes, new: bytes, says: str) -> None:
    graded(folder)
    journal = folder.journal()
    data = bundle(folder, journal, "c02")
    journal.close()
    assert any(says in x for x in check_bundle(changed(data, name, old, new)))


def test_what_is_no_bundle_says_so() -> None:
    for data in (b"", b"PK\x03\x04 no", changed_zip()):
        with pytest.raises(ExamError, match="bundle"):
            list(check_bundle(data))


def changed_zip() -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        archive.writestr("facts.json", b"{}")
    return out.getvalue()


# ---------------------------------------------------------------------- release, statistics, certificates
def test_released_results_name_points_and_broken_rules_and_never_the_fault(folder: ExamFolder) -> None:
    made = graded(folder)
    own = folder.programme
    told = {n: " ".join(sentences(folder, own, 1, n)) for n in NAMES}
    assert "You passed." in told["c01"] and "2 of 2 calls" in told["c01"]
    assert "power on" in told["c02"] and "fails the exam" in told["c02"]
    assert "You began no call." in told["c04"] and "not begun" in told["c04"]
    assert not any("wall" in t or result(made, n).calls[0].fault in t for n, t in told.items())
    with pytest.raises(ExamError, match="no grading 2"):
        sentences(folder, own, 2, "c01")
    spanish = msgspec.structs.replace(own, candidates=tuple(msgspec.structs.replace(c, language="es") for c in own.candidates))
    assert "You" not in sentences(folder, spanish, 1, "c01")[0]


def test_the_table_for_the_statistics_reads_back(folder: ExamFolder, tmp_path: Path) -> None:
    made = graded(folder)
    write_results(made, tmp_path / "r.csv")
    rows = read_results(tmp_path / "r.csv")
    assert rows == rows_of(made) and {r.candidate for r in rows} == {"c01", "c02", "c03"}
    assert [r.critical for r in rows if r.candidate == "c02"] == [False, True]


def test_completions_are_of_who_passed_and_only_after_the_release(folder: ExamFolder) -> None:
    made = graded(folder)
    journal = folder.journal()
    with pytest.raises(ExamError, match="release"):
        completions(folder, journal)
    journal.add_event(Released(1), 1_900_000_000_000)[1].result()
    (one,) = completions(folder, journal)
    journal.close()
    assert (one.candidate, one.score, one.cut, one.day[:4]) == ("Robin Ashdown", "100", "100", "2027")
    assert one.record_head == head_of(result(made, "c01"))
