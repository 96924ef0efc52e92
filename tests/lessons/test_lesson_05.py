"""Lesson 5: bus, discharge, line current and the three kinds of motor obey published values and first principles."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest

from blowerbench.air import Point
from blowerbench.equipment import load_equipment
from blowerbench.units import ureg
from blowergrade.replay import play
from blowergrade.safety import monitor
from blowerlessons.benches import lesson_05 as l5


@pytest.mark.parametrize(
    ("line", "doubled", "bus"),
    # check-values W16 (computed): peak of a sine, twice that behind a doubler.
    [(120.0, True, 339.41), (240.0, False, 339.41), (120.0, False, 169.71)],
)
def test_the_bus_is_the_peak_and_a_doubler_doubles_it(line: float, doubled: bool, bus: float) -> None:
    assert l5.ideal_bus(line, doubled).to("volt").magnitude == pytest.approx(bus, abs=0.01)


def test_the_discharge_of_the_handbook_example() -> None:
    # OpenStax College Physics m42363: 160 uF at 450 V through 31.2 kohm, time constant 4.99 s; to 50 V in 10.969 s (W9).
    start, ohms, farads = ureg.Quantity(450.0, "volt"), ureg.Quantity(31.2, "kiloohm"), ureg.Quantity(160.0, "microfarad")
    assert (ohms * farads).to("second").magnitude == pytest.approx(4.99, abs=0.005)
    seconds = l5.seconds_to(50.0, start, ohms, farads).to("second").magnitude
    assert seconds == pytest.approx(10.969, abs=0.001)
    assert l5.bus_at(seconds, start, ohms, farads).to("volt").magnitude == pytest.approx(50.0, rel=1e-6)


@pytest.mark.parametrize(("constants", "gone"), [(1, 63.212), (2, 86.466), (3, 95.021), (4, 98.168), (5, 99.326)])
def test_each_time_constant_takes_the_published_share(constants: int, gone: float) -> None:
    # US Army MM0704, RC curve in percent, with more digits computed (check-values W7).
    start = l5.ideal_bus(120.0, doubled=True)
    left = l5.bus_at(constants * l5.time_constant().magnitude, start, l5.bleeder(), l5.farads())
    assert 100.0 * (1.0 - (left / start).to("").magnitude) == pytest.approx(gone, abs=0.001)


def test_this_bus_needs_more_than_five_minutes_of_its_bleeder_to_be_under_50_volts() -> None:
    # 50 V: 29 CFR 1910.333(a)(1); 1.9152 time constants from 339.41 V (check-values W16); five minutes: common practice.
    seconds = l5.seconds_to(l5.SAFE_VOLTS, l5.ideal_bus(120.0, True), l5.bleeder(), l5.farads()).to("second").magnitude
    assert seconds == pytest.approx(1.9152 * l5.time_constant().magnitude, rel=1e-4) and seconds > 300.0


def test_true_rms_is_the_root_of_the_mean_square_and_a_sine_clamp_reads_low() -> None:
    bench = l5.at_work()
    period = l5.rectifier_of(bench)
    times, amps = l5.waveform(period, points=3001)
    one = times < 1000.0 / l5.LINE - 1e-9
    rms = math.sqrt(float(np.mean(amps[one] ** 2)))
    true = l5.clamped(bench).to("ampere").magnitude
    assert true == pytest.approx(rms, rel=0.03)  # the clamp's own accuracy is 2 %
    # An average-responding meter shows pi/(2*sqrt 2) times the mean: exact for a sine, whose mean is 2/pi of its peak.
    assert l5.sine_amps(bench).magnitude == pytest.approx(
        math.pi / (2.0 * math.sqrt(2.0)) * float(np.mean(np.abs(amps[one]))), rel=0.03
    )
    assert float(np.max(amps)) / rms > math.sqrt(2.0)  # more than a sine's crest factor


def _points(kind: str) -> list[Point]:
    equipment = load_equipment(kind)
    return [l5.stands(equipment, duct) for duct in (0.3, 1.0, 3.0, 30.0)]


def test_each_kind_of_motor_holds_what_its_name_says() -> None:
    # The two brushless kinds: ENERGY STAR's criteria for furnaces name them so.
    flow, torque, split = (_points(kind) for kind in l5.KINDS)
    assert [p.flow for p in flow if not p.limit] == pytest.approx([flow[0].flow] * sum(not p.limit for p in flow))
    limited = [p for p in flow if p.limit]
    assert limited and all(p.flow < flow[0].flow for p in limited)
    held = [p.torque for p in torque if not p.limit]
    assert len(held) == 3 and held == pytest.approx([held[0]] * 3)
    assert all(x.flow > y.flow for x, y in pairwise(split))
    assert all(x.shaft > y.shaft for x, y in pairwise(split)), "watts fall with the air (common practice)"


def test_no_wheel_gives_more_power_to_the_air_than_its_shaft_takes() -> None:
    # Air power is pressure times flow: 1200 cfm at 0.5 in. w.c. are 70.5 W (check-values, computed).
    point = l5.stands(load_equipment(l5.KINDS[0]), 1.0)
    assert point.flow * point.pressure < point.shaft
    assert (ureg.Quantity("1200 cfm") * ureg.Quantity("0.5 in_wc")).to("watt").magnitude == pytest.approx(70.5, abs=0.1)


def test_split_capacitor_loses_most_air_to_static_and_constant_airflow_none() -> None:
    lost = [l5.air_lost(name).to("percent").magnitude for name in l5.curves()]
    assert lost[0] == pytest.approx(0.0, abs=1e-6) and 5.0 < lost[1] < lost[2]
    assert l5.watts_go() == "up"


def test_power_is_there_without_a_call_and_the_command_only_with_one() -> None:
    bench = l5.opened_furnace()
    assert 108.0 <= l5.power(bench).to("volt").magnitude <= 126.0  # utilisation range, ANSI C84.1 Range A, from memory
    assert l5.command(bench).to("volt").magnitude < 1.0
    for act in l5.call_fan(bench):
        bench.act(act)
    assert 24.0 <= l5.command(bench).to("volt").magnitude <= 28.0  # common practice
    assert l5.without_link() == "stands still"
    s = bench.session
    steps = play(bench.equipment, s.catalogue, s.hypothesis, s.variant, s.complaint.id, [x.act for x in bench.lines])
    assert [v.text for v in monitor(bench.equipment, False, steps)] == []


def test_a_plain_number_is_taken_as_percent() -> None:
    assert ureg.Quantity(l5.percent("57")).to("percent").magnitude == pytest.approx(57.0)
    assert l5.percent(...) is ... and l5.percent("half") == "half"
