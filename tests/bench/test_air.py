"""The air a blower moves, against handbooks and other libraries; how each motor takes a dirty filter, as properties."""

from __future__ import annotations

import copy
import math
from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise
from typing import Any, TypeVar

import fluids
import psychrolib
import pytest
import sampling
from CoolProp.CoolProp import PropsSI
from hypothesis import given, seed, settings
from hypothesis import strategies as st
from scipy import constants
from scipy.optimize import brentq

from blowerbench.air import (
    STANDARD_CELSIUS,
    STANDARD_DENSITY,
    STILL,
    Air,
    AirError,
    Changes,
    Element,
    Fan,
    Induction,
    Point,
    Port,
    at_speed,
    density,
    duct_drop,
    external_static,
    follow,
    friction_factor,
    hold_flow,
    hold_torque,
    line_watts_induction,
    load_air,
    sensible_watts,
    static,
    temperature_rise,
    velocity,
    velocity_pressure,
)

_Test = TypeVar("_Test", bound=Callable[..., None])
CFM = constants.foot**3 / constants.minute
FPM = constants.foot / constants.minute
IN_WC = 249.0889  # Pa, conventional inch of water (NIST SP 811)
POUND_PER_FOOT3 = constants.lb / constants.foot**3
HEALTHY = Changes()

#: A furnace and its duct as they are found in houses: about 0.5 in. w.c. outside the unit at 1200 cfm.
TYPICAL: dict[str, Any] = {
    "air": {
        "altitude": "0 m",
        "reference": "1200 cfm",
        "return_air": "20.66 degC",
        "external": ["outlet", "inlet"],
        "fan": {
            "speed": "1050 rpm",
            "shutoff": "1.6 in_wc",
            "free": "1750 cfm",
            "shaft_shutoff": "130 W",
            "shaft_free": "480 W",
        },
    },
    "air_element": [
        {"name": "return_duct", "title": "return grilles and duct", "drop": "0.10 in_wc", "exponent": 1.9},
        {"name": "filter", "title": "filter", "drop": "0.15 in_wc", "exponent": 1.5},
        {"name": "fan"},
        {"name": "exchanger", "title": "heat exchanger", "drop": "0.30 in_wc", "exponent": 2},
        {"name": "coil", "title": "cooling coil", "drop": "0.15 in_wc", "exponent": 1.8},
        {"name": "supply_duct", "title": "supply duct", "drop": "0.08 in_wc", "exponent": 1.9},
        {"name": "registers", "title": "registers", "drop": "0.02 in_wc", "exponent": 2},
    ],
    "port": [
        {"name": "return", "title": "return duct", "after": "return_duct"},
        {"name": "inlet", "title": "blower inlet", "after": "filter"},
        {"name": "outlet", "title": "outlet", "after": "exchanger", "near_heat": True},
        {"name": "supply", "title": "supply duct", "after": "coil"},
    ],
}


def typical(**change: Any) -> Air:
    air = load_air(TYPICAL, "typical.toml")
    assert air is not None
    return replace(air, **change)


# ---- general formulas against the outside


def test_the_fan_laws_give_the_handbooks_example() -> None:
    # DOE-HDBK-1012/3 p. 50: 1800 -> 3600 rpm takes flow 400 -> 800, pressure 48 -> 192, power 45 -> 360.
    # A curve through the first point, on a duct whose drop goes with flow squared.
    fan = Fan(speed=1200.0, shutoff=64.0 / 2.25, free=800.0 / 1.5, shaft_shutoff=30.0 / 3.375, shaft_free=60.0 / 3.375)
    air = Air((Element("duct", "duct", 48.0, 2.0),), 1, fan, (), 400.0, 0.0, STANDARD_CELSIUS, ("", ""))
    for rpm, flow, pressure, power in ((1800.0, 400.0, 48.0, 45.0), (3600.0, 800.0, 192.0, 360.0)):
        point = at_speed(air, HEALTHY, rpm)
        assert point.flow == pytest.approx(flow, rel=1e-9)
        assert point.pressure == pytest.approx(pressure, rel=1e-9)
        assert point.shaft == pytest.approx(power, rel=1e-9)


def test_standard_air_carries_one_point_oh_eight_btu_per_hour_per_cfm_and_degree() -> None:
    watts = sensible_watts(5 / 9, CFM)
    btu_per_hour = watts * constants.hour / constants.Btu_IT
    assert btu_per_hour == pytest.approx(1.08, rel=1e-4)  # 60 x 0.075 x 0.24, the trade's factor
    kelvin = 294.261  # 70 degF
    dry = PropsSI("D", "T", kelvin, "P", 101325.0, "Air") * PropsSI("C", "T", kelvin, "P", 101325.0, "Air")
    assert watts == pytest.approx(dry * CFM * 5 / 9, rel=3e-3)  # CoolProp: 1.0802 with its own density and heat


@pytest.mark.parametrize(
    ("btu_per_hour", "fahrenheit", "cfm"),
    [
        (80_000 * 0.8, 50.0, 1185.2),  # 64,000 / (1.08 x 50), computed
        (10_000 * constants.hour / constants.Btu_IT, 25.0, 1263.8),  # 10 kW of strips: 34,121 / (1.08 x 25), computed
    ],
)
def test_the_temperature_rise_tells_the_flow(btu_per_hour: float, fahrenheit: float, cfm: float) -> None:
    watts = btu_per_hour * constants.Btu_IT / constants.hour
    assert temperature_rise(watts, cfm * CFM) * 9 / 5 == pytest.approx(fahrenheit, rel=2e-4)


def test_heat_into_air_that_stands_still_has_no_finite_rise() -> None:
    assert temperature_rise(10_000.0, 0.0) == math.inf
    assert temperature_rise(-9_000.0, 0.0) == -math.inf
    assert temperature_rise(0.0, 0.0) == 0.0


def test_thin_air_is_warmed_more_by_the_same_heat() -> None:
    low, high = (temperature_rise(19_000.0, 0.5, altitude=metres) for metres in (0.0, 1828.8))
    assert low / high == pytest.approx(0.801, abs=6e-4)  # relative density at 6000 ft, air tables


@pytest.mark.parametrize("inches", [0.01, 0.1, 0.5, 1.0])
def test_the_velocity_is_four_thousand_and_five_times_the_root_of_the_velocity_pressure(inches: float) -> None:
    feet_per_minute = velocity(inches * IN_WC) / FPM
    assert feet_per_minute == pytest.approx(4005 * math.sqrt(inches), rel=1e-3)  # the trade's constant; 0.2 % on VP
    back = velocity_pressure(feet_per_minute * FPM) / IN_WC
    assert back == pytest.approx((feet_per_minute / 4005) ** 2, rel=2e-3)


@pytest.mark.parametrize(("feet", "ratio"), [(6000, 0.801), (7000, 0.772), (8000, 0.743)])
def test_air_thins_with_altitude_as_the_tables_say(feet: float, ratio: float) -> None:
    metres = feet * constants.foot
    assert density(metres, 20.0) / density(0.0, 20.0) == pytest.approx(ratio, abs=6e-4)  # tables give three digits


@pytest.mark.parametrize("metres", [0.0, 150.0, 1600.0, 2500.0])
@pytest.mark.parametrize("celsius", [-10.0, 21.0, 60.0])
def test_dry_air_weighs_what_psychrolib_says(metres: float, celsius: float) -> None:
    psychrolib.SetUnitSystem(psychrolib.SI)
    theirs = psychrolib.GetDryAirDensity(celsius, psychrolib.GetStandardAtmPressure(metres))
    assert density(metres, celsius) == pytest.approx(theirs, rel=3e-4)  # 287.042 there for R, 287.055 here


@pytest.mark.parametrize("celsius", [-10.0, 21.11, 60.0])
def test_dry_air_weighs_what_coolprop_says(celsius: float) -> None:
    theirs = PropsSI("D", "T", celsius + 273.15, "P", 101325.0, "Air")
    assert density(0.0, celsius) == pytest.approx(theirs, rel=8e-4)  # a real gas there, an ideal one here


def test_standard_air_is_seventy_five_thousandths_of_a_pound_a_cubic_foot() -> None:
    assert pytest.approx(0.075 * POUND_PER_FOOT3, rel=1e-5) == STANDARD_DENSITY
    assert density(0.0, STANDARD_CELSIUS) == pytest.approx(0.075 * POUND_PER_FOOT3, rel=1e-5)


@pytest.mark.parametrize(
    ("cfm", "inches", "drop"),
    # Colebrook, roughness 0.0003 ft, in. w.c. per 100 ft, standard air: computed with another program.
    [
        (100, 6, 0.0831),
        (400, 10, 0.0855),
        (600, 12, 0.0736),
        (800, 12, 0.1250),
        (1000, 14, 0.0885),
        (1200, 16, 0.0643),
        (2000, 18, 0.0927),
    ],
)
def test_duct_friction_is_colebrooks(cfm: float, inches: float, drop: float) -> None:
    ours = duct_drop(cfm * CFM, inches * constants.inch, 100 * constants.foot, 0.0003 * constants.foot)
    assert ours / IN_WC == pytest.approx(drop, rel=3e-3)  # four digits, and the viscosity of another temperature


@pytest.mark.parametrize("reynolds", [500.0, 2e3, 5e3, 1e5, 3e6])
@pytest.mark.parametrize("relative", [0.0, 1e-4, 1e-2])
def test_the_friction_factor_is_that_of_fluids(reynolds: float, relative: float) -> None:
    theirs = fluids.friction_factor(Re=reynolds, eD=relative, Method="Colebrook")
    assert friction_factor(reynolds, relative) == pytest.approx(theirs, rel=1e-9)


def test_a_ducts_drop_is_that_of_fluids() -> None:
    flow, diameter, length, roughness = 0.5, 0.30, 20.0, 9e-5
    theirs = fluids.one_phase_dP(flow * STANDARD_DENSITY, STANDARD_DENSITY, 1.813e-5, diameter, roughness, length)
    assert duct_drop(flow, diameter, length, roughness) == pytest.approx(theirs, rel=1e-6)


@pytest.mark.parametrize("wrong", [(-0.1, 0.3, 1.0), (0.5, 0.0, 1.0), (0.5, 0.3, -1.0)])
def test_an_impossible_duct_is_refused(wrong: tuple[float, float, float]) -> None:
    with pytest.raises(AirError, match="must be above 0"):
        duct_drop(*wrong, roughness=9e-5)


def test_air_beyond_the_standard_atmosphere_is_refused() -> None:
    with pytest.raises(AirError, match="11000 m"):
        density(20_000.0, 20.0)


# ---- a typical house


def test_a_split_capacitor_blower_in_a_house_takes_what_field_studies_found() -> None:
    air, curve = typical(), Induction(1200.0, 3.9, 0.4, 0.35)
    point = follow(air, HEALTHY, curve)
    assert point is not None
    watts = line_watts_induction(point, curve, 0.78, 35.0)
    moved = external_static(air, HEALTHY, point) * point.flow
    assert 0.10 <= moved / watts <= 0.15  # LBNL residential-furnace-blower study: total efficiency 10 to 15 %
    assert 500 <= watts <= 700  # same study: 500 to 700 W, about 2 cfm a watt
    assert watts / (point.flow / CFM) == pytest.approx(0.5, rel=0.15)  # OpenStudio-HPXML default, 0.5 W/cfm


def test_a_brushless_blower_in_the_same_house_takes_less() -> None:
    point = hold_flow(typical(), HEALTHY, 1200 * CFM, 1350.0, 600.0)
    watts_per_cfm = point.shaft / 0.80 / 1200  # motor and control together, 80 % (common practice)
    assert watts_per_cfm == pytest.approx(0.375, rel=0.15)  # OpenStudio-HPXML default, 0.375 W/cfm


def test_the_reference_flow_makes_the_drops_that_were_written() -> None:
    air = typical()
    point = hold_flow(air, HEALTHY, 1200 * CFM, 2000.0, 2000.0)
    sums = {"return": -0.10, "inlet": -0.25, "outlet": 0.25, "supply": 0.10}  # of the rows of TYPICAL above
    for port, inches in sums.items():
        assert static(air, HEALTHY, point, port) / IN_WC == pytest.approx(inches, rel=1e-3)
    assert external_static(air, HEALTHY, point) / IN_WC == pytest.approx(0.50, rel=1e-3)
    # 1200 cfm at 0.5 in. w.c. is 70.5 W of air (1 in. w.c. x 1 cfm = 0.11756 W).
    assert external_static(air, HEALTHY, point) * point.flow == pytest.approx(70.5, rel=2e-3)


# ---- the wheel


def test_a_wheel_turned_backwards_moves_about_a_third_the_right_way() -> None:
    right, wrong = (at_speed(typical(), Changes(backwards=way), 1050.0) for way in (False, True))
    assert 0.25 < wrong.flow / right.flow < 0.40  # common practice for forward-curved wheels
    assert wrong.torque < right.torque  # and the motor runs lightly loaded: it cannot be told by a high current


def test_a_slipping_wheel_moves_the_air_of_its_own_speed_and_not_the_motors() -> None:
    slipping = at_speed(typical(), Changes(slip=0.3), 1000.0)
    wheel = at_speed(typical(), HEALTHY, 700.0)
    assert slipping.flow == pytest.approx(wheel.flow, rel=1e-9)
    assert slipping.torque == pytest.approx(wheel.torque, rel=1e-9)  # what slips carries one torque on both sides
    assert slipping.shaft == pytest.approx(wheel.shaft / 0.7, rel=1e-9)  # the rest is heat


def test_a_loose_wheel_lets_every_motor_run_away_and_moves_nothing() -> None:
    air, loose = typical(), Changes(slip=1.0)
    assert at_speed(air, loose, 900.0) == Point(0.0, 900.0, 0.0, 0.0, 0.0)
    for point in (hold_flow(air, loose, 0.5, 1350.0, 560.0), hold_torque(air, loose, 2.0, 1350.0, 560.0)):
        assert (point.flow, point.speed, point.limit) == (0.0, 1350.0, "speed")
    running = follow(air, loose, Induction(1200.0, 3.4, 0.4, 0.35))
    assert running is not None
    assert running.flow == 0.0
    assert running.speed == pytest.approx(1200.0)  # an unloaded induction motor runs at synchronous speed


def test_a_dirty_wheel_moves_less_air_at_less_torque() -> None:
    clean, dirty = (at_speed(typical(), Changes(fan_pressure=factor), 1050.0) for factor in (1.0, 0.6))
    assert dirty.flow < 0.95 * clean.flow
    assert dirty.torque < clean.torque  # common practice: less air, less current on a forward-curved wheel


def test_a_motor_that_friction_holds_does_not_turn() -> None:
    assert hold_torque(typical(), Changes(drag=3.0), 2.9, 1350.0, 560.0) == STILL
    assert follow(typical(), Changes(drag=2.0), Induction(1200.0, 3.4, 0.4, 0.35)) is None


def test_a_motor_told_nothing_stands() -> None:
    assert at_speed(typical(), HEALTHY, 0.0) == STILL
    assert hold_flow(typical(), HEALTHY, 0.0, 1350.0, 560.0) == STILL
    assert external_static(typical(), HEALTHY, STILL) == 0.0


def test_friction_takes_its_own_torque_beside_the_wheels() -> None:
    free, rough = (hold_flow(typical(), Changes(drag=drag), 0.5, 1350.0, 560.0) for drag in (0.0, 0.5))
    assert rough.torque - free.torque == pytest.approx(0.5)
    assert rough.shaft - free.shaft == pytest.approx(0.5 * rough.speed * 2 * math.pi / 60)


def test_a_motor_without_its_capacitor_does_not_start_and_a_weak_one_moves_less() -> None:
    curve = Induction(1200.0, 3.9, 0.4, 0.35)
    flows = []
    for boost in (1.0, 0.8, 0.6):
        point = follow(typical(), HEALTHY, replace(curve, boost=boost))
        assert point is not None
        flows.append(point.flow)
    assert flows == sorted(flows, reverse=True)
    assert flows[0] > flows[-1]
    assert follow(typical(), HEALTHY, replace(curve, boost=0.0)) is None  # it hums (common practice)


def test_the_torque_curve_has_its_given_points() -> None:
    curve = Induction(1200.0, 3.4, 0.25, 0.35)
    assert curve.torque(0.0) == pytest.approx(0.35 * 3.4)
    assert curve.torque(900.0) == pytest.approx(3.4)
    assert curve.torque(1200.0) == 0.0
    assert curve.torque(1260.0) < 0.0  # driven beyond synchronous speed it brakes
    half = 1200 * (1 - 0.125)
    assert curve.torque(half) == pytest.approx(3.4 * 2 / (0.5 + 2))  # Kloss' formula at half the slip
    assert replace(curve, strength=0.5).torque(900.0) == pytest.approx(1.7)  # torque goes with voltage squared


# ---- properties


def checked(test: _Test) -> _Test:
    """One property under the run's seed, nothing remembered on disk, no clock."""
    count = 120 * (10 if sampling.long_run() else 1)
    settled: _Test = settings(max_examples=count, deadline=None, database=None)(test)
    return seed(sampling.seed())(settled)


@st.composite
def airs(draw: st.DrawFn) -> Air:
    """Blowers of 0.1 to 1 m3/s on duct work of every kind."""
    free = draw(st.floats(0.2, 1.2))
    shutoff = draw(st.floats(150.0, 700.0))
    carried = shutoff * free  # W; the air takes at most 0.385 of it
    shaft_shutoff = carried * draw(st.floats(0.2, 0.6))
    shaft_free = shaft_shutoff + carried * draw(st.floats(0.5, 1.0))
    fan = Fan(draw(st.floats(600.0, 1400.0)), shutoff, free, shaft_shutoff, shaft_free)
    names = ["return_duct", "filter", "exchanger", "coil", "registers"]
    elements = tuple(Element(name, name, shutoff * draw(st.floats(0.02, 0.25)), draw(st.floats(1.0, 2.0))) for name in names)
    ports = (Port("inlet", "inlet", "filter"), Port("fan", "fan", "fan"), Port("outlet", "outlet", "exchanger"))
    altitude, celsius = draw(st.floats(0.0, 3000.0)), draw(st.floats(0.0, 40.0))
    return Air(elements, 2, fan, ports, 0.6 * free, altitude, celsius, ("outlet", "inlet"))


changes = st.builds(
    Changes,
    drops=st.tuples(st.tuples(st.just("filter"), st.floats(0.3, 5.0))),
    duct=st.floats(0.5, 4.0),
    fan_pressure=st.floats(0.5, 1.05),
    slip=st.floats(0.0, 0.5),
    backwards=st.booleans(),
    drag=st.floats(0.0, 0.3),
)
factors = st.floats(1.01, 12.0)


def clogged(change: Changes, factor: float) -> Changes:
    return replace(change, drops=(*change.drops, ("filter", factor)))


def induction_for(air: Air, change: Changes, reserve: float) -> Induction:
    """A motor that has `reserve` times the torque that this wheel wants at the motor's fastest pull: a fitting one."""
    synchronous, slip_at_max = air.fan.speed * 1.2, 0.35
    load = at_speed(air, change, synchronous * (1 - slip_at_max)).torque
    return Induction(synchronous, (load + 3 * change.drag) * reserve, slip_at_max, 0.5)


@checked
@given(airs(), changes, st.floats(0.2, 1.5))
def test_the_operating_point_lies_on_the_wheels_curve_and_on_the_ducts(air: Air, change: Changes, ratio: float) -> None:
    change = replace(change, backwards=False)
    rpm = air.fan.speed * ratio
    point = at_speed(air, change, rpm)
    rho = density(air.altitude, air.return_air) / STANDARD_DENSITY
    pace = ratio * (1 - change.slip)
    multiplied = dict(change.drops)

    def needed(flow: float) -> float:  # the duct, by its own formula
        total = 0.0
        for element in air.elements:
            house = change.duct if element.name in ("return_duct", "registers") else 1.0
            drop = element.drop * multiplied.get(element.name, 1.0) * house
            total += drop * rho * (flow / air.reference) ** element.exponent
        return total

    def made(flow: float) -> float:  # the wheel, by the fan laws
        return air.fan.shutoff * change.fan_pressure * rho * (pace**2 - (flow / air.fan.free) ** 2)

    flow = brentq(lambda at: made(at) - needed(at), 1e-12, pace * air.fan.free, xtol=1e-14)  # scipy's own search
    assert point.flow == pytest.approx(flow, rel=1e-7)
    assert point.pressure == pytest.approx(made(flow), rel=1e-6)
    assert point.speed == pytest.approx(rpm, rel=1e-9)
    # Static pressures add up: what lies before the fan plus what lies after it is what the fan makes.
    assert static(air, change, point, "fan") - static(air, change, point, "inlet") == pytest.approx(point.pressure)


@checked
@given(airs(), changes, factors, st.floats(0.3, 1.0), st.floats(1.05, 1.6))
def test_more_filter_never_gives_more_air(air: Air, change: Changes, factor: float, ask: float, reserve: float) -> None:
    dirty = clogged(change, factor)
    most = at_speed(air, change, air.fan.speed)
    speed, shaft = most.speed * 1.1, most.shaft * 1.1
    slack = 1 + 1e-9
    target = ask * most.flow
    assert hold_flow(air, dirty, target, speed, shaft).flow <= hold_flow(air, change, target, speed, shaft).flow * slack
    torque = ask * most.torque
    clean_torque = hold_torque(air, change, torque, speed, shaft)
    assert hold_torque(air, dirty, torque, speed, shaft).flow <= clean_torque.flow * slack
    curve = induction_for(air, change, reserve)
    clean, worse = follow(air, change, curve), follow(air, dirty, curve)
    assert clean is not None
    assert worse is not None
    assert worse.flow < clean.flow


@checked
@given(airs(), changes, st.floats(0.5, 1.0), st.floats(1.0, 1.6), st.floats(1.0, 2.0))
def test_constant_airflow_holds_within_five_percent_until_its_limit_and_falls_after(
    air: Air, change: Changes, ask: float, fast: float, strong: float
) -> None:
    most = at_speed(air, change, air.fan.speed)
    target, speed, shaft = ask * most.flow, most.speed * fast, most.shaft * strong
    series = [hold_flow(air, clogged(change, factor), target, speed, shaft) for factor in (1.0, 2.0, 5.0, 20.0, 100.0, 1e4)]
    reached = False
    for before, after in pairwise(series):
        if after.limit:
            reached = True
            assert after.flow < before.flow
            assert after.flow < target
        else:
            assert not reached  # once at its limit, more filter does not bring it back
            assert after.flow == pytest.approx(target, rel=0.05)
            assert after.speed > before.speed  # it speeds up
            assert after.shaft > before.shaft  # and works harder (common practice)
        assert after.speed <= speed * (1 + 1e-9)
        assert after.shaft <= shaft * (1 + 1e-9)
    assert reached  # a filter as good as shut brings every blower to its limit
    last = series[-1]
    met = last.speed / speed if last.limit == "speed" else last.shaft / shaft
    assert met == pytest.approx(1.0, rel=1e-9)


@checked
@given(airs(), changes, factors, st.floats(1.05, 1.6))
def test_a_split_capacitor_motor_takes_less_from_the_line_the_more_its_air_is_held_back(
    air: Air, change: Changes, factor: float, reserve: float
) -> None:
    curve = induction_for(air, change, reserve)
    clean, dirty = follow(air, change, curve), follow(air, clogged(change, factor), curve)
    assert clean is not None
    assert dirty is not None
    assert dirty.speed > clean.speed  # a forward-curved wheel unloads (common practice)
    assert line_watts_induction(dirty, curve, 0.8, 30.0) < line_watts_induction(clean, curve, 0.8, 30.0)
    assert curve.torque(clean.speed) == pytest.approx(clean.torque, rel=1e-6)  # the motor gives what the wheel takes


@checked
@given(airs(), changes, factors, st.floats(1.05, 1.6))
def test_on_one_duct_constant_airflow_keeps_most_constant_torque_less_and_split_capacitor_least(
    air: Air, change: Changes, factor: float, reserve: float
) -> None:
    curve = induction_for(air, change, reserve)
    clean = follow(air, change, curve)
    assert clean is not None
    dirty, free = clogged(change, factor), 1e9  # no limit in the way
    induction = follow(air, dirty, curve)
    assert induction is not None
    torque = hold_torque(air, dirty, clean.torque, free, free)
    airflow = hold_flow(air, dirty, clean.flow, free, free)
    assert induction.flow < torque.flow < airflow.flow  # common practice
    assert hold_torque(air, change, clean.torque, free, free).flow == pytest.approx(clean.flow, rel=1e-6)


@checked
@given(airs(), changes, st.floats(0.3, 1.3), st.floats(1.05, 1.6))
def test_no_blower_gives_the_air_more_than_its_shaft_or_the_shaft_more_than_the_line(
    air: Air, change: Changes, ratio: float, reserve: float
) -> None:
    point = at_speed(air, change, air.fan.speed * ratio)
    assert 0.0 < point.pressure * point.flow < point.shaft
    assert point.shaft == pytest.approx(point.torque * point.speed * 2 * math.pi / 60)
    curve = induction_for(air, change, reserve)
    running = follow(air, change, curve)
    assert running is not None
    assert running.pressure * running.flow < running.shaft < line_watts_induction(running, curve, 0.8, 30.0)


@checked
@given(airs(), changes, st.floats(100.0, 2500.0), st.floats(1.05, 1.6))
def test_thinner_air_turns_more_easily(air: Air, change: Changes, climb: float, reserve: float) -> None:
    high = replace(air, altitude=air.altitude + climb)
    thinner = density(high.altitude, air.return_air) / density(air.altitude, air.return_air)
    free = replace(change, drag=0.0)
    low_point, high_point = at_speed(air, free, air.fan.speed), at_speed(high, free, air.fan.speed)
    assert high_point.flow == pytest.approx(low_point.flow, rel=1e-9)  # the fan laws: flow does not know density,
    assert high_point.pressure == pytest.approx(low_point.pressure * thinner)  # pressure goes with it,
    assert high_point.shaft == pytest.approx(low_point.shaft * thinner)  # and so does power
    torque = low_point.torque
    assert hold_torque(high, free, torque, 1e9, 1e9).flow > hold_torque(air, free, torque, 1e9, 1e9).flow
    curve = induction_for(air, change, reserve)
    slow, fast = follow(air, change, curve), follow(high, change, curve)
    assert slow is not None
    assert fast is not None
    assert fast.speed > slow.speed
    assert hold_flow(high, change, slow.flow, 1e9, 1e9).shaft < hold_flow(air, change, slow.flow, 1e9, 1e9).shaft


@checked
@given(airs(), changes, st.floats(1.05, 1.6))
def test_equal_values_are_one_question_whatever_objects_carry_them(air: Air, change: Changes, reserve: float) -> None:
    twin, curve = copy.deepcopy(air), induction_for(air, change, reserve)
    assert twin == air
    assert hash(twin) == hash(air)
    assert follow(twin, copy.deepcopy(change), replace(curve)) is follow(air, change, curve)


# ---- the file


def broken(*path: str | int, to: Any) -> dict[str, Any]:
    """TYPICAL with one entry changed, or taken out where `to` is None."""
    raw: Any = copy.deepcopy(TYPICAL)
    place = raw
    for step in path[:-1]:
        place = place[step]
    if to is None:
        del place[path[-1]]
    else:
        place[path[-1]] = to
    result: dict[str, Any] = raw
    return result


@pytest.mark.parametrize(
    ("raw", "says"),
    [
        (broken("port", 0, "after", to="chimney"), "port 'return' is after 'chimney'.*choose return_duct, filter"),
        (broken("port", 3, to=None), "3 ports; give 4"),
        (broken("port", 0, "name", to="inlet"), "port 'inlet' stands twice"),
        (broken("port", 2, "near_heat", to="yes"), "near_heat is 'yes'; write true or false"),
        (broken("air_element", 2, to=None), "no air element is named 'fan'; add"),
        (broken("air_element", 3, to={"name": "fan"}), "two air elements are named 'fan'"),
        (broken("air_element", 1, "name", to="coil"), "'coil' stands twice"),
        (broken("air_element", 1, "exponent", to=3.0), "exponent is 3.0; write a number from 1"),
        (broken("air_element", 1, "drop", to="0.1"), "drop: '0.1' has no unit"),
        (broken("air_element", 1, "drop", to="-1 Pa"), "write a pressure of 0 or more"),
        (broken("air_element", 1, "drop", to=None), "lacks drop; add"),
        (broken("air_element", 1, "width", to="2 m"), "unknown keys width"),
        (broken("air_element", to=[{"name": "fan"}]), "no air element drops any pressure; add"),
        (broken("air", "altitude", to="9000 m"), "between -500 m and 5000 m"),
        (broken("air", "return_air", to="300 degC"), "between -40 degC and 60 degC"),
        (broken("air", "reference", to="0 cfm"), "need a flow above 0"),
        (broken("air", "reference", to="1200 fpm"), "reference: '1200 fpm' cannot be told in"),
        (broken("air", "fan", to=None), "lacks fan; add"),
        (broken("air", "fan", to="big"), "must be a table with free"),
        (broken("air", "fan", "free", to="0 cfm"), "free is 0 cfm; it must be above 0"),
        (broken("air", "fan", "shaft_free", to="100 W"), "shaft power falls with flow"),
        (broken("air", "fan", "shutoff", to="9 in_wc"), "no such wheel passes 85 %"),
        (broken("air", "external", to=["outlet", "attic"]), "from return, inlet, outlet, supply"),
        (broken("air", "external", to=["inlet", "outlet"]), "first port must lie after the fan"),
        (broken("air", "external", to=None), r"write \[supply port, return port\]"),
        (broken("air", to=None), r"without \[air\]; add"),
        (broken("port", to=[]), "but the unit has no ports"),
    ],
)
def test_a_wrong_file_is_refused_with_its_name_and_a_remedy(raw: dict[str, Any], says: str) -> None:
    with pytest.raises(AirError, match=says) as refused:
        load_air(raw, "unit.toml")
    assert str(refused.value).startswith("unit.toml: ")


def test_a_unit_without_air_has_none_and_one_without_ports_has_no_external_static() -> None:
    assert load_air({}, "unit.toml") is None
    raw = broken("port", to=[])
    del raw["air"]["external"]
    air = load_air(raw, "unit.toml")
    assert air is not None
    with pytest.raises(AirError, match="this unit has none"):
        external_static(air, HEALTHY, STILL)


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (Changes(drops=(("chimney", 2.0),)), "no air element 'chimney'.*return_duct"),
        (Changes(drops=(("filter", -1.0),)), "finite and 0 or more"),
        (Changes(fan_pressure=0.0), "must be above 0"),
        (Changes(slip=1.5), "between 0 and 1"),
        (Changes(drag=-0.1), "0 or more"),
    ],
)
def test_a_change_that_no_fault_can_make_is_refused(change: Changes, says: str) -> None:
    with pytest.raises(AirError, match=says):
        at_speed(typical(), change, 1000.0)
