"""How fast the circuit answers, against ngspice on the same netlist in the same run.

An ngspice run gives one reading of one state; the table's peer is one running ngspice that is driven
analysis by analysis (its start and its reading of the netlist not counted), timed for 200 analyses and scaled
to the number of readings.
"""

from __future__ import annotations

import random
import time
from collections.abc import Callable, Iterator
from statistics import median
from typing import Any

import cases
import spice

from blowerbench.circuit import Circuit, Edits, Shunt, display, read_volts, table

OPEN = (
    "stat_heat",
    "stat_cool",
    "clip_r",
    "clip_c",
    "source_run",
    "source_return",
    "out_igniter",
    "out_inducer",
    "out_gas",
    "out_heat",
    "out_cool",
    "select_b",
)
FAULTS, STATES, PAIRS = 151, 12, 297  # the size of the design's table


def fan_call(number: int) -> Edits:
    """A fan call with twelve contacts open, a corroded pin, a leak and the rectifier's equivalent load."""
    return Edits(
        opened=frozenset(OPEN),
        resistances=(("power_3", 0.5 + 1e-3 * number),),
        shunts=(Shunt("board.G", "board.C", 5e3), Shunt("module.L", "module.N", 70.0, "ac")),
    )


def timed(act: Callable[[int], object], times: int) -> float:
    """Median seconds of `act`, called with a number that is never the same."""
    seconds = []
    for number in range(times):
        start = time.perf_counter()
        act(number)
        seconds.append(time.perf_counter() - start)
    return median(seconds)


def figures() -> Iterator[dict[str, Any]]:
    """Cached reading, cold change of state with 15 edits, whole table."""
    network = cases.network_of(smallest=1e-3)
    circuit = Circuit(network)
    for frequency in network.frequencies:
        circuit.base(frequency)
    case = cases.Case(fan_call(0), "volts", "control.m3", "module.COM", cases.HIGH_AC)

    text = spice.netlist(network, case, plain=True)
    whole_run = timed(lambda _: spice.run(text), 9)
    analysis = spice.seconds_per_analysis(network, case)

    def cached(_: int) -> object:
        state = circuit.solve(case.edits)
        return display(read_volts(state, case.red, case.black, case.meter), case.meter, 0.3)

    cached(0)
    seconds = timed(cached, 2000)
    yield {
        "name": "cached reading (state from memory, meter, display)",
        "value": seconds * 1e6,
        "unit": "us",
        "against": f"goal 50 us; one ngspice run of the same reading: {whole_run * 1e3:.1f} ms",
        "ratio": whole_run / seconds,
    }

    def change(number: int) -> object:
        state = circuit.solve(fan_call(number + 1))
        return [state.unknowns(frequency) for frequency in state.frequencies]

    seconds = timed(change, 400)
    yield {
        "name": f"cold change of state, 15 edits, {len(network.nodes)} nodes, both spectral lines",
        "value": seconds * 1e3,
        "unit": "ms",
        "against": f"goal 1 ms; two analyses in a running ngspice: {2 * analysis * 1e3:.2f} ms",
        "ratio": 2.0 * analysis / seconds,
    }

    def first_reading(number: int) -> object:
        state = circuit.solve(fan_call(number + 1001))
        return read_volts(state, case.red, case.black, case.meter)

    seconds = timed(first_reading, 400)
    yield {
        "name": "first reading of a new state, Thévenin impedance included",
        "value": seconds * 1e3,
        "unit": "ms",
        "against": f"one ngspice run of the same reading: {whole_run * 1e3:.1f} ms",
        "ratio": whole_run / seconds,
    }
    yield from _tables(circuit, analysis)


def _tables(circuit: Circuit, analysis: float) -> Iterator[dict[str, Any]]:
    network, draw = circuit.network, random.Random(cases.FIXED_SEED)
    states = [cases.random_state(network, draw) for _ in range(STATES)]
    faults = [Edits(), *(cases.random_fault(network, draw) for _ in range(FAULTS - 1))]
    pairs = [(red, black) for red, black in (draw.sample(network.nodes, 2) for _ in range(PAIRS))]
    for words, meters in (
        ("AC, 10 Mohm and 3 kohm", [cases.HIGH_AC, cases.LOW_AC]),
        ("DC, 10 Mohm and 3 kohm", [cases.HIGH_DC, cases.LOW_DC]),
    ):
        readings = FAULTS * STATES * PAIRS * len(meters)
        runs: list[float] = []
        for _ in range(7):
            fresh = Circuit(network)
            for frequency in network.frequencies:
                fresh.base(frequency)
            start = time.perf_counter()
            table(fresh, states, faults, pairs, meters)
            runs.append(time.perf_counter() - start)
        seconds = min(runs)
        scaled = f"one running ngspice driven analysis by analysis: {analysis * 1e3:.2f} ms each (200 timed)"
        yield {
            "name": f"whole table, {readings} readings ({words})",
            "value": seconds * 1e3,
            "unit": "ms",
            "against": f"goal 100 ms; {scaled}, scaled to {readings} readings: {analysis * readings:.0f} s",
            "ratio": analysis * readings / seconds,
        }
        yield {
            "name": f"readings a second ({words})",
            "value": readings / seconds,
            "unit": "1/s",
            "against": f"goal 1e7; {scaled}: {1.0 / analysis:.0f} a second",
            "ratio": readings / seconds * analysis,
        }
