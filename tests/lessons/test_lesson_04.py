"""Lesson 4: the air that it shows agrees with published factors and with what the trade expects of duct, filter and limit."""

from __future__ import annotations

from blowerbench.units import ureg
from blowerlessons.benches import lesson_04 as l4


def test_the_factor_of_standard_air_and_its_worked_examples() -> None:
    # 60·0.075·0.24 = 1.08 Btu/h per cfm and °F; 80 kBtu/h × 0.8 at 50 °F = 1185.2 cfm; 10 kW at 25 °F = 1263.8 cfm.
    assert abs(l4.FACTOR - 1.08) < 1e-12
    assert abs(l4.air_of(64000.0, 50.0).magnitude - 1185.2) < 0.05
    watts = l4.electric_output(10_000.0).magnitude
    assert abs(watts / 10_000.0 - 3.412) < 0.0005
    assert abs(l4.air_of(watts, 25.0).magnitude - 1263.8) < 0.5


def test_air_from_the_rise_agrees_with_the_air_that_moves() -> None:
    # The formula leaves altitude and the exact density out: agreement within 5 % is what it is good for (common practice).
    bench = l4.steady(l4.healthy(), "heat", 900)
    moved = ureg.Quantity(bench.session.now.plant.point.flow, "m^3/s").to("cfm").magnitude
    assert abs(l4.air_from_rise().magnitude - moved) < 0.05 * moved


def test_static_readings_add_up_along_the_path() -> None:
    bench = l4.steady(l4.healthy())
    values = {port: l4.static(bench, port).magnitude for port in l4.PORTS}
    assert values["return"] < 0 and values["inlet"] < values["return"] and values["outlet"] > values["supply"] > 0
    # A manometer of 0.01 in. w.c. resolution, three readings: within 0.03.
    assert abs(l4.external(bench).magnitude - (values["outlet"] - values["inlet"])) < 0.03
    assert abs(l4.static(bench, "return", "inlet").magnitude - (values["return"] - values["inlet"])) < 0.03
    # A clean filter takes 0.1 to 0.25 in. w.c. (common practice; designed 0.10, found 0.28: ASHRAE Journal 10/2012, cited).
    assert 0.08 <= l4.healthy_filter().magnitude <= 0.28


def test_a_tight_return_shows_before_the_filter_and_opens_the_limit_in_heat() -> None:
    bench = l4.steady(l4.starved())
    assert l4.static(bench, "return").magnitude < -0.8 < l4.static(l4.steady(l4.healthy()), "return").magnitude
    assert bench.session.now.plant.point.limit == "speed" and "blower_loud" in bench.view().observation.senses
    assert l4.static_when_short() == "higher"
    # Common practice: an open limit puts the burner out and the blower runs on.
    assert l4.what_the_limit_does() == "burner goes off, blower runs on"
