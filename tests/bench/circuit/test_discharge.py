"""The bus after the line went: published examples, and the constant-power law against an integrator."""

from __future__ import annotations

import math

import pytest
from scipy.integrate import solve_ivp

from blowerbench.circuit.rectifier import RectifierError, discharge, time_to


@pytest.mark.parametrize(("taus", "percent"), [(1, 63.212), (2, 86.466), (3, 95.021), (4, 98.168), (5, 99.326)])
def test_a_capacitor_follows_the_rc_table(taus: int, percent: float) -> None:
    # Source: check-values W7, US Army MM0704 (R, rounded) and C. What is charged is 100 % less what is left.
    left = discharge(100.0, 0.0, 1e3, 1e-3, float(taus))
    assert 100.0 - left == pytest.approx(percent, abs=6e-4)


def test_a_bleeder_of_twenty_seconds_reaches_a_quarter_percent_in_two_minutes() -> None:
    # Source: check-values W8, OpenStax College Physics m42363 (R): τ 20.0 s, to 0.25 % in 119.83 s.
    assert time_to(0.0025, 1.0, 0.0, 20e3, 1e-3) == pytest.approx(119.83, abs=5e-3)


def test_a_160_microfarad_capacitor_at_450_volts_is_under_50_volts_after_11_seconds() -> None:
    # Source: check-values W9, College Physics m42363 (R) and C: τ 4.99 s, to 50 V in 10.969 s, 16.2 J.
    assert time_to(450.0 / math.e, 450.0, 0.0, 31.2e3, 160e-6) == pytest.approx(4.99, abs=5e-3)
    assert time_to(50.0, 450.0, 0.0, 31.2e3, 160e-6) == pytest.approx(10.969, abs=1e-3)
    # All of the energy leaves through the resistor: the area under V²/R is the published 16.2 J.
    steps = 4000
    squares = [discharge(450.0, 0.0, 31.2e3, 160e-6, 60.0 * n / steps) ** 2 for n in range(steps + 1)]
    joules = 60.0 / steps * (sum(squares) - 0.5 * (squares[0] + squares[-1])) / 31.2e3
    assert joules == pytest.approx(16.2, abs=0.005)


def test_a_1200_ohm_1_millifarad_circuit_takes_five_and_a_half_seconds_to_99_percent() -> None:
    # Source: check-values W10, College Physics m42363 (R): 24 V, 1.2 kΩ, 1 mF: 20 mA at first, 5.5 s to 99 %.
    assert time_to(0.24, 24.0, 0.0, 1.2e3, 1e-3) == pytest.approx(5.5, abs=0.05)
    first = 1e-3 * (24.0 - discharge(24.0, 0.0, 1.2e3, 1e-3, 1e-6)) / 1e-6
    assert first == pytest.approx(20e-3, rel=1e-5)


@pytest.mark.parametrize(("volts", "taus"), [(60.0, 1.7329), (50.0, 1.9152), (34.0, 2.3008)])
def test_a_rectified_bus_falls_to_the_safety_thresholds_in_the_published_time_constants(volts: float, taus: float) -> None:
    # Source: check-values W16 (C): from 339.41 V. 480 kΩ on two 680 µF in series: τ = 163.2 s.
    tau = 480e3 * 340e-6
    assert time_to(volts, 339.41, 0.0, 480e3, 340e-6) / tau == pytest.approx(taus, abs=1e-4)


@pytest.mark.parametrize(("farads", "joules"), [(470e-6, 27.07), (1000e-6, 57.60)])
def test_without_a_bleeder_constant_power_lasts_as_long_as_the_stored_energy(farads: float, joules: float) -> None:
    # Source: check-values W16 (C): energy at 339.41 V. At 1.5 W it lasts energy ÷ power.
    assert 1.5 * time_to(0.0, 339.41, 1.5, math.inf, farads) == pytest.approx(joules, abs=0.005)


@pytest.mark.parametrize("watts", [1.5, 60.0, 500.0])
@pytest.mark.parametrize("ohms", [480e3, 22e3, math.inf])
def test_the_closed_form_is_what_an_integrator_makes_of_the_differential_equation(watts: float, ohms: float) -> None:
    v0, farads, stop = 330.0, 340e-6, 120.0

    def slope(_: float, volts: list[float]) -> list[float]:
        return [-(watts / volts[0] if volts[0] > stop else 0.0) / farads - volts[0] / (ohms * farads)]

    def stops(_: float, volts: list[float]) -> float:
        return volts[0] - stop

    stops.terminal = True  # type: ignore[attr-defined]  # scipy's way of asking
    running = solve_ivp(slope, (0.0, 1e3), [v0], rtol=1e-10, atol=1e-9, events=stops, dense_output=True)
    quits = float(running.t_events[0][0])
    # Source: scipy.integrate.solve_ivp on C·dV/dt = −P/V − V/R, on either side of the stage's quitting.
    assert time_to(stop, v0, watts, ohms, farads, stop) == pytest.approx(quits, rel=1e-7)
    for share in (0.1, 0.5, 0.9):
        expected = float(running.sol(share * quits)[0])
        assert discharge(v0, watts, ohms, farads, share * quits, stop) == pytest.approx(expected, rel=1e-7)
    after = solve_ivp(lambda _, v: [-v[0] / (ohms * farads)], (0.0, 100.0), [stop], rtol=1e-10, atol=1e-9)
    assert discharge(v0, watts, ohms, farads, quits + 100.0, stop) == pytest.approx(float(after.y[0, -1]), rel=1e-6)


@pytest.mark.parametrize("volts", [200.0, 121.0, 80.0, 50.0])
def test_waiting_for_a_voltage_ends_at_that_voltage(volts: float) -> None:
    wait = time_to(volts, 330.0, 1.5, 480e3, 340e-6, 120.0)
    assert discharge(330.0, 1.5, 480e3, 340e-6, wait, 120.0) == pytest.approx(volts, rel=1e-12)


def test_with_an_open_bleeder_the_bus_stays_where_the_standby_stage_quits() -> None:
    # Source: conservation of charge. Why waiting never replaces measuring: 29 CFR 1910.333(b)(2)(ii)(C).
    assert discharge(330.0, 1.5, math.inf, 340e-6, 86400.0, 120.0) == 120.0
    assert time_to(50.0, 330.0, 1.5, math.inf, 340e-6, 120.0) == math.inf
    assert time_to(340.0, 330.0, 1.5, math.inf, 340e-6, 120.0) == 0.0


def test_a_dead_bus_stays_dead() -> None:
    assert discharge(0.0, 500.0, 480e3, 340e-6, 10.0) == 0.0


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ((-1.0, 0.0, 480e3, 340e-6, 1.0), "v0"),
        ((330.0, math.nan, 480e3, 340e-6, 1.0), "watts"),
        ((330.0, 0.0, 0.0, 340e-6, 1.0), "math.inf"),
        ((330.0, 0.0, 480e3, 0.0, 1.0), "farads"),
        ((330.0, 0.0, 480e3, 340e-6, -1.0), "t is"),
    ],
)
def test_an_impossible_discharge_is_refused_by_name(arguments: tuple[float, ...], words: str) -> None:
    with pytest.raises(RectifierError, match=words):
        discharge(*arguments)
