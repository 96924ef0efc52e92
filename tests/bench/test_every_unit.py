"""Every shipped unit behaves: it runs on its calls, protects itself by its curves, and balances its energy.

Behaviour that no book states is common practice and says so.
"""

from __future__ import annotations

import itertools
import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace as changed

import blowerdata
from blowerbench import acts as a
from blowerbench.air import external_static
from blowerbench.circuit import Shunt
from blowerbench.equipment import Equipment, load_equipment
from blowerbench.faults import NO_EFFECTS, Effects, Hypothesis, Intermittent, load_faults
from blowerbench.hands import Hands
from blowerbench.plant import Plant, air_changes
from blowerbench.sequence import trip_seconds
from blowerbench.session import Session
from blowerbench.simulator import Simulator
from blowerbench.units import quantity
from blowerbench.variant import NOMINAL, Variant, draw_variant, extreme_variants

NAMES = tuple(sorted(path.stem for path in blowerdata.path("equipment").glob("*.toml")))
UNITS = {name: load_equipment(name) for name in NAMES}
CFM = quantity("1 cfm", "meter ** 3 / second")
CALLS = ("fan", "heat", "cool")


def running(unit: Equipment, call: str, fx: Effects = NO_EFFECTS, variant: Variant = NOMINAL, more: float = 600.0) -> Plant:
    """The unit with `fx` in it, 15 minutes and `more` seconds after the call."""
    simulator = Simulator(unit, fx, variant)
    hands, plant = simulator.start(call)
    return simulator.advance(plant, hands, more)


def effect(**settings_: float) -> Effects:
    """Device settings, written with two underscores for the point."""
    return Effects(settings={name.replace("__", "."): value for name, value in settings_.items()})


@pytest.mark.parametrize("variant", extreme_variants(), ids=lambda v: v.name)
@pytest.mark.parametrize("name", NAMES)
def test_a_healthy_unit_runs_on_its_calls_and_on_no_other_and_trips_nothing(name: str, variant: Variant) -> None:
    unit = UNITS[name]
    simulator = Simulator(unit, NO_EFFECTS, variant)
    hands, plant = simulator.start("off")
    assert plant.motor == "still"
    for call in CALLS:
        hands = changed(hands, thermostat=call)
        plant = simulator.advance(plant, hands, float(unit.expect["seconds"][call]))
        assert plant.motor == ("running" if call in unit.calls() else "still"), call
        plant = simulator.advance(plant, hands, 3600.0)
        assert plant.limit and plant.rollout and not plant.tripped and not plant.fuse_blown and not plant.overloaded
        assert not plant.chatters and plant.point.limit == ""
        hands = changed(hands, thermostat="off")
        plant = simulator.advance(plant, hands, float(unit.expect["seconds"]["off"]))
        assert plant.motor == "still", f"{call} does not end"


@pytest.mark.parametrize("name", NAMES)
def test_watts_per_cfm_lie_where_published_models_put_them(name: str) -> None:
    # NREL OpenStudio-HPXML documentation: 0.5 W/cfm split-capacitor, 0.375 W/cfm brushless as defaults; LBNL field study:
    # about 2 cfm per watt. A third either way is allowed for one unit on one duct. The outdoor fan moves free air.
    unit = UNITS[name]
    if unit.kind == "outdoor_unit":
        return
    plant = running(unit, "cool")
    default = 0.5 if unit.module["kind"] == "split_capacitor" else 0.375
    assert plant.watts / (plant.point.flow / CFM) == pytest.approx(default, rel=0.34)


@pytest.mark.parametrize("name", NAMES)
def test_the_heat_that_goes_in_comes_out_with_the_air(name: str) -> None:
    # Btu/h = 1.08 x cfm x deg F at standard air (trade handbooks; 60 x 0.075 x 0.24), corrected by density.
    unit = UNITS[name]
    if unit.heat["kind"] == "none" or unit.air is None:
        return
    plant = running(unit, "heat", more=3600.0)
    room = unit.air.return_air
    rise_f = (plant.plenum - room) / unit.heat["limit_factor"] * 1.8
    ratio = (1.0 - 6.8754e-6 * unit.air.altitude / 0.3048) ** 5.2559 * (294.26 / (room + 273.15))  # NACA standard atmosphere
    watts = 1.08 * ratio * (plant.point.flow / CFM) * rise_f * 0.29307107
    assert watts == pytest.approx(plant.heat + plant.point.shaft, rel=0.02)
    assert unit.ratings["rise_low"] * 1.8 <= rise_f <= unit.ratings["rise_high"] * 1.8


@pytest.mark.parametrize("name", NAMES)
def test_external_static_of_a_healthy_unit_is_inside_its_rating(name: str) -> None:
    unit = UNITS[name]
    if unit.air is None or unit.kind == "outdoor_unit":
        return
    plant = running(unit, "cool")
    inches = external_static(unit.air, air_changes(unit, NO_EFFECTS, NOMINAL), plant.point) / quantity("1 in_wc", "pascal")
    # Ratings are often 0.5 in. w.c., field mean 0.82 (check-values of published field studies).
    assert 0.3 <= inches <= unit.ratings["external_static_max"]


@settings(max_examples=30, deadline=None)
@given(st.sampled_from([n for n in NAMES if UNITS[n].kind != "outdoor_unit"]), st.floats(1.0, 30.0), st.floats(1.05, 3.0))
def test_more_filter_never_gives_more_air(name: str, factor: float, more: float) -> None:
    less, much = (running(UNITS[name], "cool", effect(air__filter=f), more=30.0) for f in (factor, factor * more))
    assert much.point.flow <= less.point.flow * (1.0 + 1e-9)


@pytest.mark.parametrize("name", [n for n in NAMES if UNITS[n].module["kind"] in ("constant_airflow", "serial")])
def test_a_constant_airflow_motor_holds_its_flow_to_its_limit_and_falls_after(name: str) -> None:
    # Common practice: within 5 % until its speed limit, then it falls; watts rise with restriction until then.
    unit = UNITS[name]
    held: list[Plant] = []
    fell: list[Plant] = []
    for factor in (1.0, 2.0, 3.0, 5.0, 8.0, 12.0, 20.0, 30.0, 45.0):
        plant = running(unit, "cool", effect(air__filter=factor), more=30.0)
        (fell if plant.point.limit else held).append(plant)
    assert len(held) >= 2 and len(fell) >= 2
    assert all(p.point.flow == pytest.approx(held[0].point.flow, rel=0.05) for p in held)
    assert [p.watts for p in held] == sorted(p.watts for p in held)
    flows = [held[-1].point.flow, *(p.point.flow for p in fell)]
    assert all(x > y for x, y in itertools.pairwise(flows))


@pytest.mark.parametrize("name", [n for n in NAMES if UNITS[n].kind != "outdoor_unit"])
def test_a_split_capacitor_motor_takes_less_and_a_constant_airflow_motor_more_behind_a_dirty_filter(name: str) -> None:
    # Common practice.
    unit = UNITS[name]
    clean, dirty = (running(unit, "cool", effect(air__filter=f), more=30.0) for f in (1.0, 3.0))
    if unit.module["kind"] == "split_capacitor":
        assert dirty.watts < clean.watts and dirty.point.flow < 0.97 * clean.point.flow
    elif unit.module["kind"] == "constant_torque":
        assert dirty.point.flow < 0.99 * clean.point.flow
    else:
        assert dirty.watts > clean.watts


def test_air_falls_most_on_split_capacitor_less_on_constant_torque_least_on_constant_airflow() -> None:
    # Common practice, on the same added drop (0.4 in. w.c. at the flow of the clean filter).
    left: dict[str, list[float]] = {}
    for name in NAMES:
        unit = UNITS[name]
        if unit.kind == "outdoor_unit" or unit.air is None:
            continue
        clean = running(unit, "cool", more=30.0)
        filter_ = next(e for e in unit.air.elements if e.name == "filter")
        own = filter_.drop * (clean.point.flow / unit.air.reference) ** filter_.exponent
        dirty = running(unit, "cool", effect(air__filter=1.0 + quantity("0.4 in_wc", "pascal") / own), more=30.0)
        left.setdefault(unit.module["kind"], []).append(dirty.point.flow / clean.point.flow)
    assert max(left["split_capacitor"]) < min(left["constant_torque"]) < min(left["constant_airflow"] + left["serial"])


@pytest.mark.parametrize("multiple", [1.2, 1.5, 2.0, 4.0, 7.9])
def test_breaker_and_fuse_open_when_their_curve_says(multiple: float) -> None:
    # The curve is ours: constant/(m^2 - 1) seconds, 40 for the breaker and 0.6 for the fuse.
    unit = UNITS["furnace_120_constant_airflow"]
    for parts, ends, volts, rating, constant, floor in (
        ("breaker", ("board.L", "board.N"), 118.0, 15.0, 40.0, 1.15),
        ("fuse", ("board.R", "board.C"), 22.0, 3.0, 0.6, 1.35),
    ):
        shunt = Shunt(*ends, volts / (rating * multiple))
        simulator = Simulator(unit, Effects(shunts=(shunt,)), NOMINAL)
        plant = simulator.advance(Plant(plenum=21.0), Hands(thermostat="off"), 0.0)
        state = simulator.state(plant, Hands(thermostat="off"))
        protection = unit.main.breaker[0] if parts == "breaker" else unit.protection["fuse"]
        real = abs(state.current(protection, 60.0)) / rating
        due = trip_seconds(real, constant, floor)
        if math.isinf(due) or due < 0.2:
            continue
        opened = (lambda p: bool(p.tripped)) if parts == "breaker" else (lambda p: p.fuse_blown)
        early, late = (simulator.advance(plant, Hands(thermostat="off"), due * f) for f in (0.9, 1.1))
        assert not opened(early) and opened(late), (parts, real, due)


@pytest.mark.parametrize("name", [n for n in NAMES if UNITS[n].electronic])
def test_the_bus_is_still_dangerous_after_a_minute_and_safe_after_five(name: str) -> None:
    # Common practice: five minutes; a healthy bus starts at 170 to 340 V (sqrt 2 x line, doubled or not).
    unit = UNITS[name]
    simulator = Simulator(unit, NO_EFFECTS, NOMINAL)
    hands, plant = simulator.start("off")
    top = math.sqrt(2.0) * unit.ratings["supply"] * (2.0 if unit.ratings["supply"] < 200 else 1.0)
    assert plant.bus == pytest.approx(top, rel=0.03)
    hands = changed(hands, disconnects_open=frozenset(unit.supplies))
    assert simulator.advance(plant, hands, 60.0).bus > 50.0
    assert simulator.advance(plant, hands, 300.0).bus < 50.0


@pytest.mark.parametrize("name", [n for n in NAMES if not UNITS[n].electronic])
def test_amps_and_volts_at_the_run_capacitor_give_its_microfarads(name: str) -> None:
    # C = I / (2 pi f V): 2652.6 I/V in microfarads at 60 Hz, the field formula.
    unit = UNITS[name]
    simulator = Simulator(unit, NO_EFFECTS, NOMINAL)
    hands, plant = simulator.start(unit.calls()[-1])
    state = simulator.state(plant, hands)
    first, second = unit.module["capacitor_points"]
    volts = abs(state.voltage(first, second, 60.0))
    amps = abs(sum(state.current(part, 60.0) for part in unit.module["capacitors"]))
    assert 2652.6 * amps / volts == pytest.approx(unit.module["capacitor"] * 1e6, rel=0.03)


@pytest.mark.parametrize("by", ["powered", "running"])
def test_an_intermittent_fault_comes_after_its_time_and_goes_after_its_rest(by: str) -> None:
    unit = UNITS["furnace_120_constant_airflow"]
    when = Intermittent(by, after=200.0, rest=90.0, provoke="wiggle", at="control_plug")
    simulator = Simulator(unit, Effects(opened=frozenset({"control_3"}), when=when), NOMINAL)
    hands = Hands(thermostat="fan")
    plant = simulator.advance(Plant(plenum=21.0), hands, 150.0)
    assert plant.motor == "running"
    plant = simulator.advance(plant, hands, 70.0)
    assert plant.motor == "still" or plant.motor == "coasting"
    plant = simulator.advance(plant, hands, 110.0)
    assert (plant.motor == "running") == (by == "running")  # powered goes on; a motor that stopped has rested


@pytest.mark.parametrize("name", NAMES)
def test_two_variants_of_a_fault_show_different_numbers_and_the_same_trouble(name: str) -> None:
    unit = UNITS[name]
    catalogue = load_faults(unit)
    fault = next(f for f in catalogue.faults.values() if f.correction == "no_fault_found")
    red, black = unit.pairs("in_box")[0]
    shown = set()
    for seed in ("one", "two", "three", "four"):
        session = Session(unit, catalogue, Hypothesis(fault.id), draw_variant(seed), fault.complaints[0])
        for act in (a.SetMeter("volts_ac"), a.PlaceLead("black", black)):
            session.play(act)
        heard = session.play(a.PlaceLead("red", red))
        shown.add(heard.observation.shown[0].text)
        volts = float(heard.observation.shown[0].text)
        assert unit.ratings["supply_low"] <= volts <= unit.ratings["supply_high"] * 1.03
    assert len(shown) >= 3


def test_the_units_are_six_and_their_faults_are_at_least_a_hundred_and_fifty() -> None:
    catalogues = [load_faults(unit) for unit in UNITS.values()]
    assert len(UNITS) == 6
    assert sum(len(c.faults) for c in catalogues) >= 150
    for unit, catalogue in zip(UNITS.values(), catalogues, strict=True):
        faults = catalogue.faults.values()
        assert any(f.when for f in faults) and any(f.change == "both" for f in faults), unit.id
        assert any(f.correction == "no_fault_found" for f in faults), unit.id
        assert any(f.with_units for f in faults), f"{unit.id}: no secondary damage"
        assert {f.correction for f in faults} >= {u.name for u in unit.units.values() if not (u.effect_only or u.tool)} - {
            u for f in faults for u in f.with_units
        }, unit.id
