"""The table of results: what is written is read again, and what contradicts itself is refused with its line."""

from __future__ import annotations

from pathlib import Path

import pytest
from made_sittings import call, sitting
from numpy.random import Generator

from blowergrade.statistics.responses import StatisticsError
from blowergrade.statistics.table import COLUMNS, CallResult, TableError, forms_of, read_results, write_results

HEAD = ",".join(COLUMNS)


def refused(tmp_path: Path, *lines: str) -> str:
    file = tmp_path / "results.csv"
    file.write_text("\n".join((HEAD, *lines)), encoding="utf-8")
    with pytest.raises(TableError) as error:
        forms_of(read_results(file))
    return str(error.value)


def test_what_is_written_is_read_again(tmp_path: Path, rng: Generator) -> None:
    rows = sitting(rng, {"A": 20, "B": 12}, critical=0.2, waiting=0.1)
    rows.append(CallResult("José, “Pep”", "B", "unit:B0/0:complaint", 69.95, False, True, 0))
    write_results(rows, tmp_path / "results.csv")
    assert read_results(tmp_path / "results.csv") == tuple(rows)


def test_a_name_that_begins_a_formula_is_kept_from_the_spreadsheet_and_read_as_it_was(tmp_path: Path) -> None:
    rows = (call('=HYPERLINK("x")', "k1", True), call("@c", "k1", False), call("'quoted", "k1", False))
    write_results(rows, tmp_path / "results.csv")
    lines = (tmp_path / "results.csv").read_text(encoding="utf-8").splitlines()
    assert all(line[0] not in "=+-@" for line in lines) and lines[2].startswith("'@c,")
    assert read_results(tmp_path / "results.csv") == rows


def test_a_table_that_a_spreadsheet_saved_is_read(tmp_path: Path) -> None:
    file = tmp_path / "results.csv"
    text = "Candidate;Form;Item;Note;Points;Passed;Critical;Seconds\r\nc1;A;k1;late;72.5;TRUE;no;300\r\n\r\nc2;A;k1;;;;yes;\r\n"
    file.write_bytes(b"\xef\xbb\xbf" + text.encode())
    assert read_results(file) == (
        CallResult("c1", "A", "k1", 72.5, True, False, 300), CallResult("c2", "A", "k1", None, None, True, 0),
    )  # fmt: skip


def test_nobody_passes_a_call_with_a_critical_violation_whatever_the_points(tmp_path: Path) -> None:
    assert "line 2" in refused(tmp_path, "c1,A,k1,100,yes,yes,60")
    with pytest.raises(TableError, match="a critical violation fails its call"):
        CallResult("c1", "A", "k1", 100.0, True, critical=True)
    assert CallResult("c1", "A", "k1", 100.0, False, critical=True).critical


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("c1,A,k1,101,no,no,60", "101 points; a call has 0 to 100"),
        ("c1,A,k1,-1,no,no,60", "-1 points"),
        ("c1,A,k1,nan,no,no,60", "'nan' is no number"),
        ("c1,A,k1,1e400,no,no,60", "is no number"),
        ("c1,A,k1,72 %,no,no,60", "'72 %' is no number"),
        ("c1,A,k1,,yes,no,60", "points and passed go together"),
        ("c1,A,k1,72,,no,60", "points and passed go together"),
        ("c1,A,k1,72,perhaps,no,60", "'perhaps' is neither yes nor no"),
        ("c1,A,k1,72,no,,60", "critical: '' is neither yes nor no"),
        ("c1,A,,72,no,no,60", "a name is missing"),
        ("c1,A,k1,72,no,no,-5", "-5 seconds"),
        ("c1,A,k1,72,no,no", "6 cells under 7 titles"),
        ("c1,A,k1,72,no,no,60,1", "8 cells under 7 titles"),
        ('c1,A,"k1,72,no,no,60', "line 2"),
    ],
)
def test_a_line_that_can_not_be_right_is_refused_and_named(tmp_path: Path, line: str, said: str) -> None:
    message = refused(tmp_path, line)
    assert said in message and "line 2" in message


def test_a_call_counts_once_and_a_candidate_sits_one_form(tmp_path: Path) -> None:
    assert "two rows" in refused(tmp_path, "c1,A,k1,72,no,no,60", "c1,A,k1,90,yes,no,60")
    assert "forms 'A' and 'B'" in refused(tmp_path, "c1,A,k1,72,no,no,60", "c1,B,k2,90,yes,no,60")
    assert "holds no results" in refused(tmp_path)


def test_a_file_that_is_no_table_is_refused(tmp_path: Path) -> None:
    for data, said in ((b"", "candidate, form"), (b"candidate,form\n", "item, points"), (b"\xff\xfe", "not UTF-8")):
        file = tmp_path / "results.csv"
        file.write_bytes(data)
        with pytest.raises(StatisticsError, match=said):
            read_results(file)
    with pytest.raises(StatisticsError, match="can't be read"):
        read_results(tmp_path / "missing.csv")


def test_who_lacks_a_graded_call_is_not_complete() -> None:
    rows = [call("c1", "k1", True), call("c1", "k2", False), call("c2", "k1", True)]
    rows += [call("c3", "k1", None), call("c3", "k2", True)]
    form, = forms_of(rows)
    assert form.items == ("k1", "k2") and form.candidates == ("c1", "c2", "c3")
    assert form.complete == ("c1",)
    assert (form.lacking("c2"), form.lacking("c3")) == (("k2",), ("k1",))
    assert [r.candidate for r in form.of_item("k1")] == ["c1", "c2"]
