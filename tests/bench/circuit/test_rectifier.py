"""The rectifier's steady state against ngspice transients, and against the conservation of energy."""

from __future__ import annotations

import math
import time

import numpy as np
import pytest
from figures_rectifier import NGSPICE, Port, transient

from blowerbench.circuit.rectifier import RectifierError, Topology, port_values, steady_state
from blowerbench.errors import BenchError

PORTS = [
    Port(120.0, 0.2, 50e-6, "doubler", 60.0),
    Port(120.0, 0.2, 50e-6, "doubler", 300.0),
    Port(120.0, 0.2, 50e-6, "doubler", 500.0),
    Port(120.0, 10.0, 50e-6, "doubler", 100.0),  # a corroded pin
    Port(120.0, 30.0, 50e-6, "doubler", 300.0),  # a worse one: the power cannot be supplied
    Port(120.0, 0.2, 50e-6, "doubler", 3000.0),  # a capacitor runs empty every cycle, its idle diode holds it
    Port(240.0, 0.3, 80e-6, "bridge", 60.0),
    Port(240.0, 0.3, 80e-6, "bridge", 500.0),
    Port(240.0, 20.0, 100e-6, "bridge", 500.0),
    Port(120.0, 0.2, 50e-6, "bridge", 200.0),  # the voltage-select link is missing
]


@pytest.mark.skipif(NGSPICE is None, reason="ngspice is not installed")
@pytest.mark.parametrize("port", PORTS, ids=lambda port: f"{port.topology}-{port.volts:g}V-{port.ohms:g}ohm-{port.watts:g}W")
def test_the_steady_state_is_where_an_ngspice_transient_settles(port: Port) -> None:
    ours = port.ours()
    before, last = transient(port)
    rms = math.sqrt(last.mean(last.amperes**2))
    assert last.mean(last.bus) == pytest.approx(before.mean(before.bus), rel=2e-4), "the peer has not settled"
    # Source of every expected number here: ngspice, the same circuit, diode stated in figures_rectifier.
    assert ours.converged
    assert ours.bus_mean == pytest.approx(last.mean(last.bus), rel=1e-3)
    assert ours.bus_min == pytest.approx(last.bus.min(), rel=1e-3)
    assert ours.bus_max == pytest.approx(last.bus.max(), rel=1e-3)
    assert ours.line_rms == pytest.approx(rms, rel=1e-2)
    mean = last.mean(np.abs(last.amperes))
    assert ours.average_responding_rms == pytest.approx(math.pi / (2.0 * math.sqrt(2.0)) * mean, rel=1e-2)
    for order in (1, 3, 5, 7, 9, 11, 21, 39):  # magnitude and phase, in parts of the RMS current
        assert abs(ours.harmonics[order] - last.harmonic(order)) < 2e-3 * rms, order
    loaded = np.where(last.bus > port.fold, port.watts, port.watts * (last.bus / port.fold) ** 2)
    assert ours.supplied_watts == pytest.approx(last.mean(loaded), rel=2e-3)
    assert ours.limited == (last.bus.min() < port.fold)


@pytest.mark.parametrize("port", [port for port in PORTS if port.watts < 3000.0], ids=str)
def test_power_from_the_line_is_what_load_bleeder_diodes_and_port_take(port: Port) -> None:
    # Source: conservation of energy; only the fundamental carries power from a sinusoidal EMF.
    ours = port.ours()
    diodes = 1 if port.topology == "doubler" else 2
    mean_amperes = ours.average_responding_rms * 2.0 * math.sqrt(2.0) / math.pi
    lost = (port.ohms + diodes * 0.02) * ours.line_rms**2 + diodes * 0.9 * mean_amperes
    spent = ours.supplied_watts + ours.bus_mean**2 / port.bleeder + lost
    assert port.volts * ours.harmonics[1].real == pytest.approx(spent, rel=1e-3)


def test_the_three_clamps_differ_and_the_harmonics_add_up_to_the_true_rms() -> None:
    # Source: Parseval; design §4: true RMS, then the fundamental, then an average-responding clamp.
    ours = Port(120.0, 0.2, 50e-6, "doubler", 350.0).ours()
    assert ours.harmonics.shape == (41,)
    assert ours.line_rms > 1.3 * abs(ours.harmonics[1])
    assert abs(ours.harmonics[1]) > 1.1 * ours.average_responding_rms
    assert np.linalg.norm(ours.harmonics) == pytest.approx(ours.line_rms, rel=1e-3)
    assert not ours.harmonics[::2].any()


def test_a_standby_load_charges_the_bus_to_the_published_peak_less_the_diode_drops() -> None:
    # Source: check-values W16 (C): 339.41 V (120 doubler, 240 bridge), 169.71 V (120 bridge); less two knees.
    doubler = Port(120.0, 0.2, 50e-6, "doubler", 0.0), 339.41
    for port, peak in (
        doubler,
        (Port(240.0, 0.2, 50e-6, "bridge", 0.0), 339.41),
        (Port(120.0, 0.2, 50e-6, "bridge", 0.0), 169.71),
    ):
        ours = port.ours()
        assert ours.bus_mean == pytest.approx(peak - 1.8, rel=1e-3)
        assert not ours.limited


def test_a_finer_grid_changes_nothing_that_a_meter_shows() -> None:
    coarse = steady_state(120.0, 0.2, 50e-6, "doubler", 680e-6, 300.0, 480e3)
    fine = steady_state(120.0, 0.2, 50e-6, "doubler", 680e-6, 300.0, 480e3, steps=8192)
    assert coarse.bus_mean == pytest.approx(fine.bus_mean, rel=1e-5)
    assert coarse.line_rms == pytest.approx(fine.line_rms, rel=1e-3)


def test_a_dead_line_gives_zeros() -> None:
    for volts in (0j, 0.3 + 0j):  # nothing, and a ghost below the diodes' knee
        ours = steady_state(volts, 0.2, 50e-6, "doubler", 680e-6, 300.0, 480e3)
        assert (ours.bus_mean, ours.line_rms, ours.supplied_watts) == (0.0, 0.0, 0.0)
        assert not ours.harmonics.any()
        assert ours.limited


def test_without_any_load_the_bus_stays_at_the_peak_and_no_current_flows() -> None:
    ours = steady_state(120.0, 0.2, 50e-6, "doubler", 680e-6, 0.0, math.inf)
    assert ours.bus_min == ours.bus_max == pytest.approx(2.0 * (math.sqrt(2.0) * 120.0 - 0.9))
    assert ours.line_rms == 0.0


def test_every_weak_or_overloaded_port_gives_a_finite_answer_that_never_exceeds_what_it_can_supply() -> None:
    random = np.random.default_rng(20)
    for _ in range(150):
        volts = float(random.choice([108.0, 120.0, 240.0, 15.0]))
        ohms = float(10.0 ** random.uniform(-2.0, 7.0))
        henries = float(random.choice([0.0, 20e-6, 1e-3]))
        watts = float(random.choice([0.0, 1.5, 60.0, 500.0, 5000.0]))
        topology: Topology = "doubler" if random.random() < 0.5 else "bridge"
        ours = steady_state(volts, ohms, henries, topology, 680e-6, watts, 480e3)
        shown = (ours.bus_mean, ours.bus_min, ours.bus_max, ours.line_rms, ours.average_responding_rms)
        assert ours.converged, (volts, ohms, henries, watts, topology)
        assert all(math.isfinite(number) and number >= 0.0 for number in shown)
        assert np.isfinite(ours.harmonics).all()
        assert ours.supplied_watts <= watts * (1.0 + 1e-12)
        # Source: maximum power theorem, |V|²/4R from an EMF behind R (reactance can only lessen it).
        assert ours.supplied_watts <= volts**2 / (4.0 * ohms) * 1.001
        assert ours.limited == (ours.supplied_watts < watts)


def test_harmonics_are_injected_in_the_networks_phase_reference() -> None:
    ours = Port(120.0, 0.2, 50e-6, "doubler", 300.0).ours()
    turned = ours.injected(120.0 * np.exp(0.5j))
    # Source: shift theorem; what turns the fundamental by 0.5 rad turns the third harmonic by 1.5 rad.
    assert np.angle(turned[3] / ours.harmonics[3]) == pytest.approx(1.5)


def test_a_capacitive_port_is_taken_by_its_magnitude() -> None:
    assert port_values(3.0 - 4.0j, 60.0) == (5.0, 0.0)
    assert port_values(0.2 + 0.0188496j, 60.0) == pytest.approx((0.2, 50e-6), rel=1e-5)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"topology": "tripler"}, "'doubler' or 'bridge'"),
        ({"r_th": math.nan}, "r_th"),
        ({"l_th": -1e-6}, "port_values"),
        ({"capacitance": 0.0}, "capacitance"),
        ({"load_watts": -1.0}, "load_watts"),
        ({"bleeder_ohms": 0.0}, "math.inf"),
        ({"frequency": 0.0}, "frequency"),
        ({"steps": 100}, "at least 256"),
        ({"fold_volts": -5.0}, "fold_volts"),
        ({"v_th": complex(math.nan, 0.0)}, "v_th"),
    ],
)
def test_an_impossible_argument_is_named_with_what_would_be_right(change: dict[str, object], words: str) -> None:
    usual: dict[str, object] = {
        "v_th": 120.0, "r_th": 0.2, "l_th": 50e-6, "topology": "doubler",
        "capacitance": 680e-6, "load_watts": 300.0, "bleeder_ohms": 480e3, "frequency": 60.0,
    }  # fmt: skip
    with pytest.raises(RectifierError, match=words) as caught:
        steady_state(**(usual | change))  # type: ignore[arg-type]  # wrong on purpose
    assert isinstance(caught.value, BenchError)


def test_a_cold_steady_state_is_quick_enough_for_a_bench_in_a_notebook() -> None:
    quickest = math.inf
    for trial in range(5):  # another load each time: nothing is cached
        start = time.perf_counter()
        steady_state(120.0, 0.2, 50e-6, "doubler", 680e-6, 301.0 + trial, 480e3)
        quickest = min(quickest, time.perf_counter() - start)
    assert quickest < 0.015  # the goal set for this project, seconds
