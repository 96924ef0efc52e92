"""The sheet as JSON by its published schema, and as a row of a table that no spreadsheet takes for a formula."""

from __future__ import annotations

import csv
import io
import json
from copy import deepcopy
from importlib.resources import files
from pathlib import Path
from typing import Any

import jsonschema
import msgspec
import pytest
from msgspec.structs import replace

from blowerbench import LocalBench, load_faults
from blowerbench import acts as a
from blowergrade import cli
from blowergrade.counterfactual import with_counterfactual
from blowergrade.score import SHEET_FORMAT, grade_bench
from blowergrade.sheet import SCHEMA, Sheet, schema
from blowergrade.sheet_csv import COLUMNS, CsvError, append, row_of, safe
from blowergrade.technicians import Technician

FAULT, COMPLAINT = "wall_G_open", "no_fan_new_thermostat"


@pytest.fixture(scope="module")
def sheet() -> Sheet:
    bench = LocalBench("furnace_120_constant_airflow", FAULT, COMPLAINT, variant="formats", person="=HYPERLINK(1)")
    Technician(bench).work()
    return with_counterfactual(grade_bench(bench), bench.equipment, load_faults(bench.equipment), [x.act for x in bench.lines])


@pytest.fixture(scope="module")
def published() -> Any:
    return json.loads((files("blowergrade") / "schemas" / f"score_sheet-{SCHEMA}.json").read_text(encoding="utf-8"))


def test_the_published_schema_is_a_schema_and_is_that_of_the_code(published: Any) -> None:
    jsonschema.Draft202012Validator.check_schema(published)
    assert published == schema(), "a field or an act changed: write schema() anew, under a new number if old readers break"
    assert SHEET_FORMAT == SCHEMA


def test_a_sheet_keeps_to_the_schema_and_reads_back_as_itself(sheet: Sheet, published: Any) -> None:
    for one in (sheet, replace(sheet, counterfactual=None), replace(sheet, timeline=(), violations=(), parts=(), notes=())):
        jsonschema.validate(json.loads(one.json()), published, cls=jsonschema.Draft202012Validator)
        assert msgspec.json.decode(one.json(), type=Sheet) == one


@pytest.mark.parametrize(
    ("path", "value"),
    [
        (("format",), 2), (("tenths",), "1000"), (("tenths",), 99.5), (("person",), None), (("parts", 0, "reasons"), {}),
        (("timeline", 0, "act", "do"), "teleport"), (("counterfactual", "percent"), "all"), (("timeline", 0, "seq"), None),
    ],
)  # fmt: skip
def test_a_sheet_with_a_wrong_value_breaks_the_schema(
    sheet: Sheet, published: Any, path: tuple[str | int, ...], value: object
) -> None:
    broken = deepcopy(json.loads(sheet.json()))
    place = broken
    for step in path[:-1]:
        place = place[step]
    place[path[-1]] = value
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(broken, published, cls=jsonschema.Draft202012Validator)


@pytest.mark.parametrize("name", ["person", "parts", "violations", "passed", "record_head"])
def test_a_sheet_without_a_field_breaks_the_schema(sheet: Sheet, published: Any, name: str) -> None:
    broken = json.loads(sheet.json())
    del broken[name]
    with pytest.raises(jsonschema.ValidationError, match=name):
        jsonschema.validate(broken, published, cls=jsonschema.Draft202012Validator)


def test_the_row_says_what_the_sheet_says(sheet: Sheet) -> None:
    row = dict(zip(COLUMNS, row_of(sheet), strict=True))
    assert row["result"] == "passed" and row["points"] == f"{sheet.tenths / 10:.1f}" and row["entailed"] == "yes"
    assert sum(float(row[n]) for n in ("safety", "isolation", "repair", "write_up")) == pytest.approx(float(row["points"]))
    assert int(row["lost_seconds"]) == sum(m.regret for m in sheet.timeline) and row["critical"] == "0"
    assert sheet.counterfactual is not None and row["elsewhere_percent"] == str(sheet.counterfactual.percent)
    assert dict(zip(COLUMNS, row_of(replace(sheet, outside_catalogue=True)), strict=True))["result"] == "by hand"


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1", "\n=1", "  =1", "=cmd|' /C calc'!A0"])
def test_a_cell_that_could_start_a_formula_gets_an_apostrophe(text: str) -> None:
    # OWASP, "CSV Injection" (from memory): cells that begin with = + - @, tab or carriage return.
    assert safe(text).startswith("'") and "\n" not in safe(text) and "\r" not in safe(text)


@pytest.mark.parametrize("text", ["Robin Ashdown", "a-b", "O'Hara, \"Jo\"", "", "1=1", "Ωmega"])
def test_any_other_cell_stays_as_it_is(text: str) -> None:
    assert safe(text) == text


def test_rows_are_appended_under_one_header_and_read_back(sheet: Sheet, tmp_path: Path) -> None:
    file = tmp_path / "class.csv"
    append(sheet, file)
    first = file.read_bytes()
    append(replace(sheet, person='O\'Hara, "Jo"\nII'), file)
    assert file.read_bytes().startswith(first), "what was there stays"
    rows = list(csv.DictReader(io.StringIO(file.read_text(encoding="utf-8-sig"))))
    assert [r["person"] for r in rows] == ["'=HYPERLINK(1)", 'O\'Hara, "Jo" II']
    assert all(len(r) == len(COLUMNS) and None not in r.values() for r in rows)


def test_a_row_after_a_last_line_without_an_end_starts_a_line_of_its_own(sheet: Sheet, tmp_path: Path) -> None:
    file = tmp_path / "class.csv"
    append(sheet, file)
    file.write_bytes(file.read_bytes().rstrip(b"\r\n"))
    append(sheet, file)
    assert len(list(csv.reader(io.StringIO(file.read_text(encoding="utf-8-sig"))))) == 3


@pytest.mark.parametrize("content", [b"name,points\r\nA,1\r\n", b"\xff\xfe\x00", b"\x89PNG"])
def test_a_file_of_another_kind_is_refused_and_stays(sheet: Sheet, tmp_path: Path, content: bytes) -> None:
    file = tmp_path / "mine.csv"
    file.write_bytes(content)
    with pytest.raises(CsvError, match="--csv"):
        append(sheet, file)
    assert file.read_bytes() == content


def test_the_grade_command_appends_a_row(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    record, table = tmp_path / "call.jsonl", tmp_path / "class.csv"
    bench = LocalBench("furnace_120_constant_airflow", FAULT, COMPLAINT, record=record)
    bench.act(a.ReadStatus())
    bench.close()
    for _ in range(2):
        assert cli.main(["grade", str(record), "--fault", FAULT, "--csv", str(table)]) == 0
    assert str(table) in capsys.readouterr().out
    rows = list(csv.DictReader(io.StringIO(table.read_text(encoding="utf-8-sig"))))
    assert len(rows) == 2 and rows[0] == rows[1] and rows[0]["result"] == "not passed"
