"""Worked examples as real networks, and what instruments make of a circuit.

Published numbers are those of the worked examples named beside each assertion; each tolerance is half of the
last published digit unless it says otherwise.
"""

from __future__ import annotations

import dataclasses
import math
import random
from fractions import Fraction
from typing import Any

import cases
import numpy as np
import pytest

from blowerbench.circuit import (
    OVERLOAD,
    Circuit,
    CircuitError,
    Display,
    Edits,
    MeterSpec,
    Shunt,
    State,
    display,
    interval,
    load_network,
    pwm,
    read_clamp,
    read_ohms,
    read_volts,
    units_of,
    wire_resistance,
)

IDEAL_DC = MeterSpec("ideal DC", 1e15, "dc")
IDEAL_AC = MeterSpec("ideal AC", 1e15, "ac")
OHMS = MeterSpec("ohms", coupling="dc", unit="ohm", ranges=(600.0, 6e3, 60e3, 600e3, 6e6, 60e6))

Part = dict[str, Any]


def state_of(*parts: Part, edits: Edits | None = None, leakage: str = "1e18 ohm") -> State:
    """The parts as a network whose reference is "0", in a state; strays are left out of worked examples."""
    ends = [part[end] for part in parts for end in ("a", "b", "p1", "p2", "s1", "s2") if end in part]
    table = {
        "network": {
            "reference": "0",
            "stray_capacitance": "0 F",
            "leakage": leakage,
            "nodes": sorted({*ends, "0"}),
        },
        "part": list(parts),
    }
    return Circuit(load_network(table, "example.toml")).solve(edits or Edits())


def battery(volts: float, ohms: float, a: str = "+") -> Part:
    return {
        "kind": "source",
        "name": "battery",
        "a": a,
        "b": "0",
        "frequency": "0 Hz",
        "voltage": f"{volts} V",
        "resistance": f"{ohms} ohm",
    }


def mains(volts: float, a: str = "L", ohms: float = 0.0) -> Part:
    return {**battery(volts, ohms, a), "name": "mains", "frequency": "60 Hz"}


def resistor(name: str, a: str, b: str, ohms: float) -> Part:
    return {"kind": "resistor", "name": name, "a": a, "b": b, "resistance": f"{ohms} ohm"}


# -- worked examples ------------------------------------------------------------------------


def test_w1_a_corroded_pin_takes_the_power_of_a_starter_motor() -> None:
    pin = {"kind": "pin", "name": "post", "a": "+", "b": "m", "connector": "post", "number": 1}
    motor = resistor("motor", "m", "0", 0.05)
    # OpenStax College Physics, m42357: 200 A, 10.0 V, 2.00 kW; with 0.09 ohm of corrosion 80 A, 4.0 V, 320 W
    for ohms, amperes, volts, watts in ((1e-6, 200.0, 10.0, 2000.0), (0.09, 80.0, 4.0, 320.0)):
        edits = Edits(resistances=(("post", ohms),))
        state = state_of(battery(12.0, 0.01), {**pin, "resistance": "5 mohm"}, motor, edits=edits)
        current, across = state.current("motor", 0.0).real, read_volts(state, "m", "0", IDEAL_DC)
        assert current == pytest.approx(amperes, abs=0.5)
        assert across == pytest.approx(volts, abs=0.05)
        assert current * across == pytest.approx(watts, abs=5.0)


def test_w2_terminal_voltage_falls_with_load() -> None:
    # OpenStax College Physics, m42357: 12 V behind 0.1 ohm; 10 ohm: 11.9 V; 0.5 ohm: 20 A, 10.0 V
    light = state_of(battery(12.0, 0.1), resistor("load", "+", "0", 10.0))
    assert read_volts(light, "+", "0", IDEAL_DC) == pytest.approx(11.9, abs=0.05)
    heavy = state_of(battery(12.0, 0.1), resistor("load", "+", "0", 0.5))
    assert heavy.current("load", 0.0).real == pytest.approx(20.0, abs=0.5)
    assert read_volts(heavy, "+", "0", IDEAL_DC) == pytest.approx(10.0, abs=0.05)


def test_w3_a_voltmeter_draws_current_from_the_cell_that_it_measures() -> None:
    meter = MeterSpec("moving coil", 1e3, "dc")
    state = state_of(battery(1.585, 0.1))
    read = read_volts(state, "+", "0", meter)
    # OpenStax College Physics, m42360: 1.58 mA through the meter, 1.5848 V at the terminals
    assert read / meter.input_ohms == pytest.approx(1.58e-3, abs=0.005e-3)
    assert read == pytest.approx(1.5848, abs=0.00005)


def test_w5_a_10_megohm_meter_in_a_divider_of_250_megohms() -> None:
    high, low = resistor("high", "+", "m", 250e6), resistor("low", "m", "0", 250e6)
    state = state_of(battery(24.0, 1e-3), high, low)
    # electronicsteacher.com, voltmeter impact: 9.615 Mohm in parallel, 0.889 V instead of 12 V
    assert read_volts(state, "m", "0", MeterSpec("digital", 10e6, "dc")) == pytest.approx(0.889, abs=0.0005)
    assert read_volts(state, "m", "0", IDEAL_DC) == pytest.approx(12.0, abs=0.001)
    alone = state_of(low, edits=Edits(shunts=(Shunt("m", "0", 10e6),)))
    assert read_ohms(alone, "m", "0", OHMS) == pytest.approx(9.615e6, abs=500.0)


def test_w6_a_400_kilohm_meter_reads_10_volts_of_15() -> None:
    divider = resistor("high", "+", "m", 400e3), resistor("low", "m", "0", 400e3)
    state = state_of(battery(30.0, 1e-3), *divider)
    # edudirectory elect99: 10 V, not 15
    assert read_volts(state, "m", "0", MeterSpec("moving coil", 400e3, "dc")) == pytest.approx(10.0, abs=0.05)
    assert read_volts(state, "m", "0", IDEAL_DC) == pytest.approx(15.0, abs=0.05)


# check-values §2: gauge, ohm per 1000 ft at 20 °C (from the ASTM B258 diameter and 1/58 ohm mm²/m), ohm per
# 1000 ft at 75 °C, solid (NEC Chapter 9, Table 8)
AWG = {
    18: (6.385, 7.77),
    16: (4.016, 4.89),
    14: (2.525, 3.07),
    12: (1.588, 1.93),
    10: (0.9989, 1.21),
}


@pytest.mark.parametrize("awg", AWG)
def test_the_volts_dropped_along_a_thousand_feet_of_wire_are_the_tables(awg: int) -> None:
    run = {"kind": "wire", "name": "run", "a": "+", "b": "m", "awg": awg, "length": "1000 foot"}
    state = state_of(battery(120.0, 1e-3), run, resistor("load", "m", "0", 100.0))
    at_20, at_75 = AWG[awg]
    drop, current = read_volts(state, "+", "m", IDEAL_DC), state.current("load", 0.0).real
    assert drop / current == pytest.approx(at_20, rel=0.005)  # check-values §2, C
    assert wire_resistance(awg, 304.8, 75.0) == pytest.approx(at_75, rel=0.005)  # NEC Ch. 9 T8, R


def transformer(ratio: float, **changed: object) -> Part:
    """A transformer so good that only its turns count."""
    return {
        "kind": "transformer",
        "name": "t",
        "p1": "L",
        "p2": "0",
        "s1": "R",
        "s2": "C",
        "ratio": ratio,
        "primary_resistance": "1 uohm",
        "secondary_resistance": "1 uohm",
        "primary_leakage": "0 H",
        "secondary_leakage": "0 H",
        "magnetising": "1e6 H",
        **changed,
    }


BOND = {"kind": "wire", "name": "bond", "a": "C", "b": "0", "resistance": "1 mohm"}


def test_turns_give_24_volts() -> None:
    # US Army Mm070470082: 3000:300 turns, 240 V on the primary, 24 V on the secondary
    state = state_of(mains(240.0), transformer(3000 / 300), BOND)
    assert read_volts(state, "R", "C", IDEAL_AC) == pytest.approx(24.0, abs=0.05)


def test_a_40_va_transformer_at_its_rating_draws_its_rated_amperes() -> None:
    # check-values §2 (C): 40 VA is 1.667 A at 24 V and 0.333 A at 120 V
    state = state_of(mains(120.0), transformer(5.0), BOND, resistor("load", "R", "C", 24.0**2 / 40.0))
    assert abs(state.current("load", 60.0)) == pytest.approx(1.667, abs=0.0005)
    assert abs(state.current("t.primary", 60.0)) == pytest.approx(0.333, abs=0.0005)


def test_a_load_is_seen_through_a_transformer_by_the_square_of_its_turns() -> None:
    # OpenStax University Physics m58494: 110 V to 9 V at 0.5 A: 12.2:1, 0.0409 A, 2689 ohm reflected
    state = state_of(mains(110.0), transformer(110.0 / 9.0), BOND, resistor("load", "R", "C", 9.0 / 0.5))
    assert abs(state.current("load", 60.0)) == pytest.approx(0.5, abs=0.005)
    primary = abs(state.current("t.primary", 60.0))
    assert primary == pytest.approx(0.0409, abs=0.00005)
    assert 110.0 / primary == pytest.approx(2689.0, abs=0.5)
    assert pytest.approx(12.2, abs=0.05) == 110.0 / 9.0


# -- loading, ghosts, liars ---------------------------------------------------------------------


def test_a_floating_wire_shows_a_ghost_on_10_megohm_and_none_on_3_kilohm() -> None:
    cable = {"kind": "capacitor", "name": "cable", "a": "L", "b": "m", "capacitance": "1.5 nF"}
    state = state_of(mains(120.0), cable)
    reactance = 1.0 / (2.0 * math.pi * 60.0 * 1.5e-9)
    for ohms in (10e6, 3e3):
        # voltage divider of a resistance and a reactance: 120 · R / √(R² + X²)
        expected = 120.0 * ohms / math.hypot(ohms, reactance)
        assert read_volts(state, "m", "0", MeterSpec("volts", ohms, "ac")) == pytest.approx(expected, rel=1e-9)
    assert read_volts(state, "m", "0", MeterSpec("digital", 10e6, "ac")) > 100.0
    assert read_volts(state, "m", "0", MeterSpec("low-impedance", 3e3, "ac")) < 0.3


def test_on_the_furnace_an_open_wall_wire_is_a_ghost_only_to_the_high_impedance_meter() -> None:
    opened = frozenset({"wall_G", "stat_fan", "stat_heat", "stat_cool", "clip_r", "clip_c", "source_run"})
    state = Circuit(cases.network_of()).solve(Edits(opened=opened | {"source_return"}))
    assert read_volts(state, "stat.G", "stat.C", cases.HIGH_AC) > 5.0
    assert read_volts(state, "stat.G", "stat.C", cases.LOW_AC) < 0.1


def test_a_corroded_pin_passes_unloaded_and_fails_under_load() -> None:
    pin = {
        "kind": "pin",
        "name": "line",
        "a": "L",
        "b": "m",
        "connector": "p",
        "number": 3,
        "resistance": "5 mohm",
    }
    load = {"kind": "contact", "name": "control", "a": "m", "b": "n", "resistance": "1 mohm"}
    parts = (mains(120.0), pin, load, resistor("load", "n", "0", 40.0))
    corroded = (("line", 60.0),)
    idle = state_of(*parts, edits=Edits(frozenset({"control"}), corroded))
    busy = state_of(*parts, edits=Edits(frozenset(), corroded))
    # Ohm's law: nothing flows, nothing drops; 120 V · 40 / (40 + 60 + 0.001)
    assert read_volts(idle, "m", "0", cases.HIGH_AC) == pytest.approx(120.0, abs=0.01)
    assert read_volts(busy, "m", "0", cases.HIGH_AC) == pytest.approx(48.0, abs=0.01)


def test_an_opened_contact_has_the_whole_supply_across_it() -> None:
    door = {"kind": "contact", "name": "door", "a": "L", "b": "m", "resistance": "10 mohm"}
    state = state_of(mains(120.0), door, resistor("load", "m", "0", 40.0), edits=Edits(frozenset({"door"})))
    assert read_volts(state, "L", "m", cases.HIGH_AC) == pytest.approx(120.0, abs=0.001)
    assert read_volts(state, "m", "0", cases.HIGH_AC) == pytest.approx(0.0, abs=1e-6)
    assert state.current("door", 60.0) == 0.0


def test_an_ohmmeter_reads_the_dead_part_its_leads_and_what_was_zeroed() -> None:
    state = state_of(resistor("winding", "u", "0", 2.0))
    assert read_ohms(state, "u", "0", OHMS) == pytest.approx(2.0, rel=1e-9)
    assert read_ohms(state, "u", "0", OHMS, lead_ohms=0.3) == pytest.approx(2.3, rel=1e-9)
    assert read_ohms(state, "u", "0", OHMS, lead_ohms=0.3, zero_ohms=0.3) == pytest.approx(2.0, rel=1e-9)


@pytest.mark.parametrize("held", [0.2, -0.2, 0.05])
def test_a_charged_circuit_makes_an_ohmmeter_lie(held: float) -> None:
    bus = {"kind": "capacitor", "name": "bus", "a": "p", "b": "0", "capacitance": "340 uF", "esr": "1 ohm"}
    parts = (bus, resistor("winding", "p", "w", 100.0))
    read = read_ohms(state_of(*parts, edits=Edits(held=(("bus", held),))), "w", "0", OHMS)
    # superposition by hand: 1 V behind 10 kohm against `held` behind 101 ohm, taken for a dead part
    terminal = (1.0 * 101.0 + held * 10e3) / (10e3 + 101.0)
    assert read == pytest.approx(10e3 * terminal / (1.0 - terminal), rel=1e-9)
    assert abs(read - 101.0) > 400.0


def test_an_ohmmeter_on_a_live_or_well_charged_circuit_shows_overload() -> None:
    live = state_of(mains(24.0), resistor("load", "L", "0", 10.0))
    assert display(read_ohms(live, "L", "0", OHMS), OHMS).text == "OL"
    bus = {"kind": "capacitor", "name": "bus", "a": "p", "b": "0", "capacitance": "340 uF", "esr": "1 ohm"}
    charged = state_of(bus, edits=Edits(held=(("bus", 300.0),)))
    assert display(read_ohms(charged, "p", "0", OHMS), OHMS).text == "OL"
    assert read_volts(charged, "p", "0", cases.HIGH_DC) == pytest.approx(300.0, rel=1e-6)


def test_an_equivalent_load_of_alternating_current_is_not_in_the_ohmmeters_circuit() -> None:
    edits = Edits(shunts=(Shunt("u", "0", 10.0, "ac"),))
    state = state_of(resistor("load", "u", "0", 1e3), mains(0.0, "x"), edits=edits)
    assert read_ohms(state, "u", "0", OHMS) == pytest.approx(1e3, rel=1e-9)
    assert state.impedance("u", "0", 60.0).real == pytest.approx(10.0 * 1e3 / 1010.0, rel=1e-9)


def test_pwm_has_the_mean_and_rms_of_its_samples() -> None:
    for duty in (0.0, 0.1, 0.5, 0.73, 1.0):
        wave = np.where((np.arange(10_000) + 0.5) / 10_000 < duty, 5.0, 0.0)
        mean, alternating = pwm(5.0, duty)
        assert mean == pytest.approx(wave.mean(), abs=1e-9)
        assert alternating == pytest.approx(wave.std(), abs=1e-9)
    with pytest.raises(CircuitError, match="from 0 to 1"):
        pwm(5.0, 1.2)


def test_an_average_responding_meter_reads_a_square_wave_11_percent_high() -> None:
    """Fourier series of a square wave of 1 V: odd harmonics of 4/(πn); its rms and rectified mean are 1 V."""
    odd = range(1, 401, 2)
    lines = [(60.0 * n, complex(0.0, -4.0 / (math.pi * n) / math.sqrt(2.0))) for n in odd]
    dead = state_of(mains(0.0), resistor("load", "L", "0", 10.0))
    wide = dataclasses.replace(IDEAL_AC, bandwidth=1e6)
    assert read_volts(dead, "L", "0", wide, lines) == pytest.approx(1.0, abs=0.002)
    average = dataclasses.replace(wide, response="average")
    # the form factor of a sine, π/(2√2) = 1.1107
    assert read_volts(dead, "L", "0", average, lines) == pytest.approx(math.pi / (2.0 * math.sqrt(2.0)), abs=0.002)
    narrow = dataclasses.replace(IDEAL_AC, bandwidth=100.0)  # only the fundamental
    assert read_volts(dead, "L", "0", narrow, lines) == pytest.approx(4.0 / math.pi / math.sqrt(2.0), rel=1e-9)


def test_both_responses_agree_on_a_sine() -> None:
    state = state_of(mains(120.0), resistor("load", "L", "0", 10.0))
    average = dataclasses.replace(IDEAL_AC, response="average")
    assert read_volts(state, "L", "0", average) == pytest.approx(120.0, rel=1e-9)
    assert read_volts(state, "L", "0", IDEAL_AC) == pytest.approx(120.0, rel=1e-9)


def test_a_clamp_shows_by_its_response() -> None:
    clamp = MeterSpec("clamp", coupling="ac", unit="A", ranges=(6.0, 60.0))
    # the design's example of one rectifier load: 4.74 A true rms, 2.47 A on an average-responding clamp
    assert read_clamp(4.74, clamp, 2.47) == 4.74
    assert read_clamp(4.74, dataclasses.replace(clamp, response="average"), 2.47) == 2.47


# -- displays -----------------------------------------------------------------------------------

VOLTS = MeterSpec("volts", 10e6, "dc", ranges=(0.6, 6.0, 60.0, 600.0, 1000.0), accuracy_percent=0.5)
AC_VOLTS = MeterSpec("AC volts", 10e6, "ac", ranges=(6.0, 60.0, 600.0), accuracy_percent=1.0)
CLAMP = MeterSpec("clamp", coupling="ac", unit="A", ranges=(6.0, 60.0, 600.0), accuracy_percent=2.0, accuracy_counts=5)
SPECS = (VOLTS, AC_VOLTS, OHMS, CLAMP)


@pytest.mark.parametrize(
    ("value", "spec", "text", "unit"),
    [
        (24.518, AC_VOLTS, "24.52", "V"),
        (120.04, AC_VOLTS, "120.0", "V"),
        (5.9996, AC_VOLTS, "6.000", "V"),
        (6.0006, AC_VOLTS, "6.00", "V"),
        (0.0, AC_VOLTS, "0.000", "V"),
        (601.0, AC_VOLTS, "OL", "V"),
        (-0.01234, VOLTS, "-12.3", "mV"),
        (-340.07, VOLTS, "-340.1", "V"),
        (999.6, VOLTS, "1000", "V"),
        (-1200.0, VOLTS, "-OL", "V"),
        (2.04, OHMS, "2.0", "ohm"),
        (47e3, OHMS, "47.00", "kohm"),
        (9.615e6, OHMS, "9.62", "Mohm"),
        (math.inf, OHMS, "OL", "ohm"),
        (3.061, CLAMP, "3.061", "A"),
    ],
)
def test_a_display_is_read_as_the_instrument_shows_it(value: float, spec: MeterSpec, text: str, unit: str) -> None:
    """6000 counts, lowest range that fits; written out by hand."""
    shown = display(value, spec)
    assert (shown.text, shown.unit) == (text, unit)
    assert text.isascii() and unit.isascii()


def shown_value(shown: Display) -> Fraction:
    """The number on the display, from its text and unit alone."""
    power = {"m": Fraction(1, 1000), "k": Fraction(1000), "M": Fraction(10**6)}.get(shown.unit[0], Fraction(1))
    return Fraction(shown.text) * (power if len(shown.unit.lstrip("mkM")) < len(shown.unit) else 1)


def random_value(spec: MeterSpec, draw: random.Random) -> float:
    magnitude: float = 10.0 ** draw.uniform(-4.0, math.log10(spec.ranges[-1]) + 0.2)
    near = draw.choice(spec.ranges) * draw.uniform(0.98, 1.02)  # where the range changes
    value = draw.choice([magnitude, near, 0.0])
    return -value if spec.signed and draw.random() < 0.5 else value


@pytest.mark.parametrize("spec", SPECS, ids=lambda spec: spec.name)
def test_text_counts_and_steps_are_one_number(spec: MeterSpec) -> None:
    for draw, wanted in cases.generators(fixed=300, drawn=300):
        for _ in range(wanted):
            shown = display(random_value(spec, draw), spec, draw.uniform(-1.0, 1.0))
            if abs(shown.counts) == OVERLOAD:
                assert shown.text.endswith("OL") and units_of(shown, spec) == shown.counts
                continue
            value = shown_value(shown)
            assert value == shown.counts * Fraction(10) ** shown.resolution_exponent
            assert value == units_of(shown, spec) * Fraction(10) ** spec.exponent(spec.ranges[0])
            assert abs(shown.counts) <= spec.counts


@pytest.mark.parametrize("spec", SPECS, ids=lambda spec: spec.name)
def test_every_instrument_within_its_specification_shows_a_count_of_the_interval(spec: MeterSpec) -> None:
    for draw, wanted in cases.generators(fixed=1500, drawn=1500):
        for _ in range(wanted):
            lo = random_value(spec, draw)
            hi = lo + draw.choice([0.0, 0.01, 0.2, 3.0]) * abs(random_value(spec, draw))
            low, high, exponent = interval(lo, hi, spec)
            assert exponent == spec.exponent(spec.ranges[0])
            value = draw.choice([lo, hi, draw.uniform(lo, hi)])
            gain, offset = (
                draw.choice([-1.0, 1.0, draw.uniform(-1, 1)]),
                draw.choice([-1.0, 1.0, draw.uniform(-1, 1)]),
            )
            shown = display(value, spec, gain, offset)
            assert low <= units_of(shown, spec) <= high, (lo, hi, value, shown)


@pytest.mark.parametrize("spec", SPECS, ids=lambda spec: spec.name)
def test_an_interval_is_no_wider_than_the_specification_and_rounding_make_it(spec: MeterSpec) -> None:
    """Away from range changes: percent and digits on both sides, and two counts of rounding."""
    for full_scale in spec.ranges:
        value = 0.55 * full_scale
        steps = 10 ** (spec.exponent(full_scale) - spec.exponent(spec.ranges[0]))
        if value <= max([0.0, *(scale for scale in spec.ranges if scale < full_scale)]) * 1.05:
            continue
        low, high, exponent = interval(value, value, spec)
        widest = 2 * value * spec.accuracy_percent / 100.0 + 2 * (spec.accuracy_counts + 2) * steps * 10.0**exponent
        assert (high - low) * 10.0**exponent <= widest * (1.0 + 1e-9)


def test_an_open_circuit_in_ohms_is_an_interval_of_overload_alone() -> None:
    assert interval(math.inf, math.inf, OHMS)[:2] == (OVERLOAD, OVERLOAD)
    assert interval(100.0, math.inf, OHMS)[1] == OVERLOAD
    with pytest.raises(CircuitError, match="lower bound first"):
        interval(2.0, 1.0, OHMS)
