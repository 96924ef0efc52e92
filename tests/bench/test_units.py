"""Units against NIST SP 811 and against what a technician writes."""

from __future__ import annotations

import pytest

from blowerbench.errors import BenchError
from blowerbench.units import UnitError, quantity, ureg


@pytest.mark.parametrize(
    ("text", "unit", "published", "digits"),
    [
        ("1 in_wc", "Pa", 249.0889, 4),  # NIST SP 811, inch of water, conventional
        ("1 inH2O", "Pa", 249.0889, 4),  # the same row: pint's own name means the same inch
        ("1 inH2O_4C", "Pa", 249.082, 3),  # NIST SP 811, inch of water at 39.2 °F, which is 4 °C
        ("1 inH2O_60F", "Pa", 248.84, 2),  # NIST SP 811, inch of water at 60 °F
        ("1 cfm", "m**3/s", 4.719474e-4, 10),  # NIST SP 811, from memory
        ("1 Btu_it/hour", "W", 0.2930711, 7),  # NIST SP 811, from memory
        ("1 ton_cooling", "W", 3516.853, 3),  # NIST SP 811, ton of refrigeration
        ("1 hp", "W", 745.6999, 4),  # NIST SP 811, horsepower of 550 ft·lbf/s
        ("1 electrical_horsepower", "W", 746.0, 9),  # NIST SP 811, exact
    ],
)
def test_a_unit_has_the_published_size(text: str, unit: str, published: float, digits: int) -> None:
    assert abs(quantity(text, unit) - published) <= 0.5001 * 10.0**-digits


def test_cfm_is_a_flow_of_air_and_not_a_length() -> None:
    with pytest.raises(UnitError, match="cfm"):
        quantity("400 cfm", "m")
    # 4005 ft/min is the velocity of 1 in. w.c. of velocity pressure (check value); flow = velocity × area.
    flow = ureg.Quantity(4005, "fpm") * ureg.Quantity(1, "ft**2")
    assert flow.to("cfm").magnitude == pytest.approx(4005)
    assert flow.to("m**3/s").magnitude == pytest.approx(
        4005 * 0.3048**3 / 60
    )  # the international foot, exact


def test_a_temperature_and_a_difference_of_temperatures_are_two_things() -> None:
    assert quantity("75 degF", "degC") == pytest.approx((75 - 32) / 1.8)  # the definition of the scale
    assert quantity("25 delta_degF", "delta_degC") == pytest.approx(25 / 1.8)


@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [
        ("5 mohm", "ohm", 0.005),
        ("50 Gohm", "ohm", 50e9),
        ("20 pF", "F", 20e-12),
        (" 1.5e3 Ω ", "kohm", 1.5),
        ("-24V", "volt", -24.0),
        (".5 in_wc", "in_wc", 0.5),
        ("12 m", "ft", 12 / 0.3048),  # the international foot, exact
        ("4.8", "", 4.8),
        ("5 %", "", 0.05),
    ],
)
def test_a_written_quantity_is_read_in_the_unit_asked_for(text: str, unit: str, value: float) -> None:
    assert quantity(text, unit) == pytest.approx(value, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "unit", "complaint"),
    [
        ("5 V", "ohm", "cannot be told in ohm"),
        ("5", "ohm", "no unit"),
        ("ohm", "ohm", "does not begin with a number"),
        ("", "ohm", "does not begin with a number"),
        ("5 blorks", "ohm", "unknown unit 'blorks'"),
        ("5,5 ohm", "ohm", "write one number and a unit"),
        ("5 + 3 ohm", "ohm", "write one number and a unit"),
        ("nan ohm", "ohm", "does not begin with a number"),
        ("1 ton", "W", "cannot be told in W"),
        ("3 A", "", "cannot be told in no unit"),
        ("1e999 ohm", "ohm", "too large"),
    ],
)
def test_what_is_no_such_quantity_is_refused_with_its_remedy(text: str, unit: str, complaint: str) -> None:
    with pytest.raises(UnitError, match=complaint) as refusal:
        quantity(text, unit)
    assert isinstance(refusal.value, BenchError)
    assert "write" in str(refusal.value)


def test_a_number_from_a_file_that_forgot_the_quotes_is_refused_by_name() -> None:
    with pytest.raises(UnitError, match="float, not a written quantity"):
        quantity(5.0, "ohm")  # type: ignore[arg-type]  # what a TOML file gives for a bare number
