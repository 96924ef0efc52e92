"""An instructor's readings beside the predictions: what is read, kept out and said about trust, and which number is named."""

from __future__ import annotations

import math
import random
import xml.etree.ElementTree as ElementTree
from importlib.resources import files
from pathlib import Path

import pytest

from blowerbench.equipment import Equipment, load_equipment
from blowerbench.variant import NOMINAL, draw_variant
from blowergrade import cli
from blowergrade.comparison import (
    Advice,
    Compared,
    ComparisonError,
    Predictor,
    Readings,
    Row,
    advise,
    compare_rows,
    read_readings,
    state_acts,
    with_number,
)
from blowergrade.comparison_report import figure, plot, rms, summary, table, worst

GUIDES = Path(str(files("blowerlessons"))) / "guides"
UNIT = GUIDES / "small_unit.toml"
HEADER = "equipment,state,red,black,function,reading,accuracy,note\n"

#: What is read on the rig in the tests that make readings: (state, red, black, function).
PLACES = [
    ("off", "box.L", "box.N", "volts_ac"),
    ("off + door off", "low.R", "low.C", "volts_ac"),
    ("fan + door off", "low.R", "low.C", "volts_ac"),
    ("fan + door off", "low.G", "low.C", "volts_ac"),
    ("fan + door off", "motor.m3", "motor.m1", "volts_ac"),
    ("fan + door off", "motor_common", "", "clamp"),
    ("fan + door off", "capacitor_aux", "", "clamp"),
    ("fan + door off", "capacitor.1", "capacitor.2", "volts_ac"),
    ("dead + motor_plug apart", "motor.m3", "motor.m1", "ohms"),
    ("dead + motor_plug apart", "motor.m4", "motor.m1", "ohms"),
    ("dead + motor_plug apart", "capacitor.1", "capacitor.2", "farads"),
    ("fan", "outlet", "inlet", "manometer"),
    ("fan", "supply", "", "thermometer"),
]
UNITS = {"volts_ac": "V", "clamp": "A", "ohms": "ohm", "farads": "uF", "manometer": "inH2O", "thermometer": "degF"}


@pytest.fixture(scope="module")
def unit() -> Equipment:
    return load_equipment(str(UNIT))


def readings_file(folder: Path, rows: str, name: str = "mine.csv") -> Path:
    file = folder / name
    file.write_text(HEADER + rows, encoding="utf-8")
    return file


def row_of(unit: Equipment, place: tuple[str, str, str, str], value: float, accuracy: tuple[float, int] = (1.0, 3)) -> Row:
    state, red, black, function = place
    return Row(0, state, state_acts(state, unit), red, black, function, value, 1e-3, accuracy, "")


def read_on(real: Equipment, unit: Equipment) -> tuple[Compared, ...]:
    """The places of `PLACES` read without error on the unit `real`, beside the predictions for `unit`."""
    predictor = Predictor(real)
    exact = [row_of(unit, p, 0.0) for p in PLACES]
    rows = tuple(row_of(unit, p, predictor.value(r, NOMINAL), (0.5, 0)) for p, r in zip(PLACES, exact, strict=True))
    compared, bad = compare_rows(Readings(unit, rows, ()))
    assert not bad
    return compared


# ---------------------------------------------------------------------- predictions
def test_readings_of_the_very_unit_agree_everywhere_and_nothing_is_advised(unit: Equipment) -> None:
    compared = read_on(unit, unit)
    assert len(compared) == len(PLACES) and all(c.agrees and c.inside for c in compared)
    assert all(abs(c.residual) < 1e-9 for c in compared) and advise(unit, compared) is None


def test_what_any_learners_unit_shows_lies_in_the_predicted_range(unit: Equipment) -> None:
    predictor = Predictor(unit)
    compared = read_on(unit, unit)
    for k in range(12):
        variant = draw_variant(f"comparison {random.random()} {k}")
        for c in compared:
            assert c.low <= predictor.value(c.row, variant) <= c.high, (c.row, variant)


def test_the_capacitor_of_the_example_has_the_farads_that_its_amps_and_volts_say(unit: Equipment) -> None:
    found = {(c.row.function, c.row.red): c.nominal for c in read_on(unit, unit)}
    farads = found["farads", "capacitor.1"]
    # C[uF] = 2652.6 I/V at 60 Hz, from 1/(2 pi 60): the trade's check of a run capacitor under load.
    assert farads * 1e6 == pytest.approx(2652.6 * found["clamp", "capacitor_aux"] / found["volts_ac", "capacitor.1"], rel=0.01)


def test_the_transformer_of_the_example_gives_its_ratio_less_its_load(unit: Equipment) -> None:
    compared = {(c.row.state, c.row.red): c.nominal for c in read_on(unit, unit)}
    # An ideal transformer gives primary volts over the turns ratio: 120/4.5; this one carries a little magnetising current.
    assert compared["off + door off", "low.R"] == pytest.approx(120.0 / 4.5, rel=0.01)
    assert compared["fan + door off", "low.R"] < compared["off + door off", "low.R"]


def test_residual_percent_and_rms_are_the_plain_formulas(unit: Equipment) -> None:
    row = row_of(unit, PLACES[0], 121.2)
    high = Compared(row, 120.0, 113.0, 127.0, 1.5, "V")
    low = Compared(row_of(unit, PLACES[0], 118.4), 120.0, 113.0, 127.0, 1.5, "V")
    assert high.residual == pytest.approx(1.2) and high.percent == pytest.approx(1.0) and high.agrees
    assert low.residual == pytest.approx(-1.6) and not low.agrees and low.inside
    value, number = rms([high, low])["V"]
    assert (value, number) == pytest.approx((math.sqrt((1.2**2 + 1.6**2) / 2), 2))
    assert worst([high, low]) is low


def test_the_meters_booklet_widens_the_range_by_percent_and_last_digits(tmp_path: Path) -> None:
    rows = f"{UNIT},fan + door off,low.R,low.C,volts_ac,26.0 V,1 % + 3,\n,fan + door off,low.R,low.C,volts_ac,26.0 V,5 %,\n"
    good, bad = compare_rows(read_readings(readings_file(tmp_path, rows)))
    assert not bad
    # ±(1 % of 26.05 + 3 x 0.1 V) and ±5 % of it: how such a booklet is read is common practice.
    assert good[0].error == pytest.approx(0.01 * good[0].nominal + 0.3, rel=1e-6)
    assert good[1].error == pytest.approx(0.05 * good[1].nominal, rel=1e-6)
    assert good[1].low < good[0].low and good[0].high < good[1].high


# ---------------------------------------------------------------------- which number is named
@pytest.mark.parametrize(
    ("part", "factor"),
    [("transformer", 0.96), ("run_capacitor", 0.85), ("field", 1.25), ("mains", 0.97), ("aux", 1.2), ("transformer", 1.05)],
)
def test_a_number_that_is_wrong_in_the_file_is_found_from_the_readings(unit: Equipment, part: str, factor: float) -> None:
    advice = advise(unit, read_on(with_number(unit, part, factor), unit))
    assert advice is not None and advice.part == part
    assert advice.then / advice.now == pytest.approx(factor, rel=0.01)
    assert advice.misfit < 0.05 * advice.before and advice.agreeing == len(PLACES)


def test_scatter_without_a_pattern_names_no_number(unit: Equipment) -> None:
    compared = [
        Compared(row_of(unit, p, c.nominal * (1.0 + (0.004 if k % 2 else -0.004))), c.nominal, c.low, c.high, c.error, c.unit)
        for k, (p, c) in enumerate(zip(PLACES, read_on(unit, unit), strict=True))
    ]
    assert advise(unit, compared) is None


def test_a_wires_advice_is_told_as_its_length(unit: Equipment) -> None:
    wire = Advice("feed_line", "resistance", 0.1, 0.2, "ohm", 3, 0.1, 5.0)
    said = " ".join(summary(read_on(unit, unit), (), wire, unit))
    assert "length = 30 m (now 15 m)" in said


# ---------------------------------------------------------------------- bad rows
BAD_ROWS = [
    (",fan,low.R,low.C,volts_ac,26 V,,", "the bench can't do that"),  # behind the door, and the door is on
    (",fan + door off,low.X,low.C,volts_ac,26 V,,", "no terminal 'low.X'; did you mean 'low.R'?"),
    (",fan + door off,low.R,low.C,volt_ac,26 V,,", "did you mean 'volts_ac'?"),
    (",fan + door off,low.R,low.C,volts_ac,26,,", "has no unit"),
    (",fan + door off,low.R,low.C,volts_ac,26 ohm,,", "cannot be told in V"),
    (",fan + door off,low.R,low.C,volts_ac,,,", "does not begin with a number"),
    (",fun,low.R,low.C,volts_ac,26 V,,", "unknown state 'fun'; did you mean 'fan'?"),
    (",,low.R,low.C,volts_ac,26 V,,", "the state is empty"),
    (",fan + door of,low.R,low.C,volts_ac,26 V,,", "did you mean 'door off'?"),
    (",fan + motor_plag apart,low.R,low.C,volts_ac,26 V,,", "did you mean 'motor_plug apart'?"),
    (",fan + door off,low.R,low.C,volts_ac,26 V,good,", "accuracy 'good' is not understood"),
    (",fan + door off,motor_1,,clamp,2.5 A,,", "no wire to clamp 'motor_1'"),
    (",fan,cellar,,thermometer,70 degF,,", "no test port 'cellar'"),
    (",fan + held,stat.R,stat.G,volts_ac,26 V,,", "nobody holds the door switch from there"),
    (",fan + door off,stat.R,low.C,volts_ac,26 V,,", "the bench can't do that"),  # leads do not reach that far
    ("other.toml,off,box.L,box.N,volts_ac,120 V,,", "one file compares one unit"),
    (",off,box.L,box.N,volts_ac,120 V,,,more,and more", "put a cell with a comma into quotes"),
    (',"[{""do"": ""sing""}]",box.L,box.N,volts_ac,120 V,,', "the list of acts is not understood"),
]


def test_bad_rows_are_kept_out_by_their_line_and_the_rest_goes_on(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    rows = [f"{UNIT},off,box.L,box.N,volts_ac,119.9 V,,", *(r for r, _ in BAD_ROWS), ",off,box.L,box.G,volts_ac,119.9 V,,"]
    file = readings_file(tmp_path, "\n".join(rows) + "\n")
    good, bad = compare_rows(read_readings(file))
    assert [c.row.line for c in good] == [2, len(rows) + 1] and [b.line for b in bad] == list(range(3, len(rows) + 1))
    for row, (written, says) in zip(bad, BAD_ROWS, strict=True):
        assert says in row.why, (written, row.why)
    assert cli.main(["compare", str(file)]) == 0
    said = capsys.readouterr().out
    assert "2 of 2 readings lie in the range" in said and f"{len(bad)} rows were kept out" in said
    for row in bad:
        assert f"line {row.line} kept out: " in said


@pytest.mark.parametrize(
    ("text", "names"),
    [
        ("", "no column"),
        (HEADER, "no readings"),
        ("state,red,black,functions,reading\n", "did you mean 'function'?"),
        ("state,red,black\noff,box.L,box.N\n", "no column function, reading"),
        (HEADER + ",off,box.L,box.N,volts_ac,120 V,,\n", "names no equipment"),
        (HEADER + "no_such_unit,off,box.L,box.N,volts_ac,120 V,,\n", "no_such_unit"),
        (HEADER + "nowhere.toml,off,box.L,box.N,volts_ac,120 V,,\n", "nowhere.toml"),
        (HEADER + f"{UNIT},off,box.L,box.Q,volts_ac,120 V,,\n", "no reading could be compared"),
    ],
)
def test_a_file_that_cant_be_used_gets_one_line_and_exit_code_2(
    text: str, names: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "mine.csv").write_text(text, encoding="utf-8")
    assert cli.main(["compare", str(tmp_path / "mine.csv")]) == 2
    said = capsys.readouterr().err
    assert names in said and said.startswith("blowergrade: ") and said.count("\n") == 1
    assert not list(tmp_path.glob("*.svg"))


@pytest.mark.parametrize("content", [None, b"\xff\xfe\x00"])
def test_a_missing_or_binary_file_gets_one_line(content: bytes | None, tmp_path: Path) -> None:
    if content is not None:
        (tmp_path / "mine.csv").write_bytes(content)
    with pytest.raises(ComparisonError, match=r"mine\.csv"):
        read_readings(tmp_path / "mine.csv")


# ---------------------------------------------------------------------- forms of the file
def test_semicolons_a_byte_order_mark_comments_and_blank_lines_are_read_as_a_spreadsheet_writes_them(tmp_path: Path) -> None:
    text = f"# mine\n\nequipment;state;red;black;function;reading\n{UNIT};off;box.L;box.N;volts_ac;119.2 V\n;;;;;\n# end\n"
    (tmp_path / "mine.csv").write_text(text, encoding="utf-8-sig")
    readings = read_readings(tmp_path / "mine.csv")
    assert not readings.bad and [(r.line, r.value) for r in readings.rows] == [(4, 119.2)]


def test_a_toml_file_with_a_list_of_acts_says_the_same_as_words(tmp_path: Path, unit: Equipment) -> None:
    text = f"""
equipment = "{UNIT}"

[[reading]]
state = "fan + door off"
red = "low.R"
black = "low.C"
function = "volts_ac"
reading = "26.2 V"

[[reading]]
state = [{{ do = "set_door", on = false }}, {{ do = "set_thermostat", call = "fan" }}, {{ do = "wait", seconds = 60 }}]
red = "low.R"
black = "low.C"
function = "volts_ac"
reading = "26200 mV"
"""
    (tmp_path / "mine.toml").write_text(text, encoding="utf-8")
    readings = read_readings(tmp_path / "mine.toml")
    good, bad = compare_rows(readings)
    assert not bad and [c.row.line for c in good] == [4, 11]
    # The order of the acts differs, and motor and circuit settle to a thousandth whatever the history.
    assert good[0].nominal == pytest.approx(good[1].nominal, rel=1e-3) and good[0].row.value == pytest.approx(good[1].row.value)
    (tmp_path / "typo.toml").write_text(text.replace("[[reading]]", "[[raeding]]"), encoding="utf-8")
    with pytest.raises(ComparisonError, match="did you mean 'reading'"):
        read_readings(tmp_path / "typo.toml")


@pytest.mark.parametrize(
    ("written", "value"),
    [("26.4 V", 26.4), ("26400 mV", 26.4), ("0.0264 kV", 26.4), ("OL", math.inf), ("-OL", math.inf)],
)
def test_a_reading_is_taken_with_its_unit(written: str, value: float, tmp_path: Path) -> None:
    file = readings_file(tmp_path, f"{UNIT},off,box.L,box.N,volts_ac,{written},,\n")
    assert read_readings(file).rows[0].value == pytest.approx(value)


def test_an_open_circuit_agrees_with_ol_and_a_number_there_is_far_off(tmp_path: Path) -> None:
    state = "dead + motor_plug apart"
    rows = f"{UNIT},{state},motor.h3,motor.m3,ohms,OL,1 % + 2,\n,{state},motor.h3,motor.m3,ohms,3.0 ohm,1 % + 2,\n"
    good, bad = compare_rows(read_readings(readings_file(tmp_path, rows)))
    assert not bad and good[0].nominal == math.inf and good[0].verdict == "agrees"
    assert good[1].verdict == "OUTSIDE" and worst(good) is good[1]
    assert advise(read_readings(readings_file(tmp_path, rows)).equipment, good) is None


# ---------------------------------------------------------------------- in words and as a picture
def test_the_verdict_follows_the_share_of_readings_in_range(unit: Equipment) -> None:
    inside = Compared(row_of(unit, PLACES[0], 120.0), 120.0, 113.0, 127.0, 1.5, "V")
    outside = Compared(row_of(unit, PLACES[1], 40.0), 26.0, 24.0, 29.0, 0.5, "V")
    for good, bad, words in (
        (9, 1, "may be used for what was measured here"),
        (7, 3, "for practice"),
        (3, 7, "do not teach from it"),
    ):
        said = " ".join(summary([inside] * good + [outside] * bad, (), None, unit))
        assert words in said and f"{good} of 10 readings lie in the range" in said
    few = " ".join(summary([inside] * 3, (), None, unit))
    assert "3 readings are few" in few and "All readings are of one state" in few
    assert "not measured" in few
    assert summary([], (), None, unit) == ["No reading could be compared."]


def test_numbers_are_written_with_the_prefixes_of_the_trade() -> None:
    assert [figure(5e-6, "F"), figure(9040.0, "ohm"), figure(2.2e6, "ohm"), figure(0.31, "ohm"), figure(math.inf, "ohm")] == [
        "5 uF", "9.04 kohm", "2.2 Mohm", "0.31 ohm", "OL",
    ]  # fmt: skip


def test_the_table_has_a_line_for_each_reading(unit: Equipment) -> None:
    compared = read_on(unit, unit)
    lines = table(compared)
    assert len(lines) == len(PLACES) + 1 and all("agrees" in line for line in lines[1:])
    assert "residual" in lines[0] and table([]) == []


def test_the_plot_is_a_picture_and_the_same_each_time(unit: Equipment) -> None:
    compared = read_on(with_number(unit, "transformer", 0.96), unit)
    drawn = plot(compared, unit.title)
    root = ElementTree.fromstring(drawn)
    words = " ".join("".join(t.itertext()) for t in root.iter("{http://www.w3.org/2000/svg}text"))
    assert root.tag.endswith("svg") and unit.title in words and "Residuals" in words and "low.R to low.C" in words
    assert plot(compared, unit.title) == drawn
    assert ElementTree.fromstring(plot([], "nothing")).tag.endswith("svg")


def test_a_plot_that_cant_be_written_gets_one_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = readings_file(tmp_path, f"{UNIT},off,box.L,box.N,volts_ac,119.9 V,,\n")
    (tmp_path / "taken").write_text("mine", encoding="utf-8")
    assert cli.main(["compare", str(file), "--out", str(tmp_path / "taken")]) == 2
    assert capsys.readouterr().err.count("\n") == 1
    assert (tmp_path / "taken").read_text(encoding="utf-8") == "mine"
