"""The table of all readings against mpmath, cell by cell, and against readings taken one at a time."""

from __future__ import annotations

import math
import random

import cases
import exact
import numpy as np
import pytest

from blowerbench.circuit import Circuit, Edits, MeterSpec, Network, read_volts, table

METERS = (*cases.VOLTMETERS, MeterSpec("both", 1e6, "ac+dc"))


def drawn(network: Network, draw: random.Random) -> tuple[list[Edits], list[Edits], list[tuple[str, str]]]:
    """(states, faults, pairs); states with floating parts and faults of every kind are among them."""
    states = [cases.random_state(network, draw) for _ in range(5)]
    states.append(states[0].merge(cases.series_open(network, draw)))
    faults = [Edits()] + [cases.random_fault(network, draw) for _ in range(25)]
    faults += [
        cases.series_open(network, draw),
        Edits(emf=(("mains", 96.0), ("feedback", 2.0))),
        Edits(opened=frozenset({"wall_R"}), emf=(("mains", 132.0),)),
        Edits(opened=frozenset({"bus_upper"})),
        Edits(held=(("bus_lower", 12.0),)),
        Edits(resistances=(("wall_C", 40.0), ("power_3", 25.0))),
    ]
    pairs = [(red, black) for red, black in (draw.sample(network.nodes, 2) for _ in range(60))]
    return states, faults, pairs


@pytest.mark.slow
def test_cells_of_the_table_are_those_of_mpmath() -> None:
    network = cases.network_of()
    circuit = Circuit(network)
    for draw, wanted in cases.generators(fixed=60, drawn=60):
        states, faults, pairs = drawn(network, draw)
        readings = table(circuit, states, faults, pairs, cases.VOLTMETERS)
        assert readings.shape == (len(faults), len(states), len(pairs), 4)
        for _ in range(wanted):
            fault, state = draw.randrange(len(faults)), draw.randrange(len(states))
            pair, meter = draw.randrange(len(pairs)), draw.randrange(4)
            case = cases.Case(states[state].merge(faults[fault]), "volts", *pairs[pair], meter=cases.VOLTMETERS[meter])
            theirs = exact.reading(network, case).real
            # far under one count of any instrument (0.1 mV): a table may lose digits that no display shows
            assert abs(readings[fault, state, pair, meter] - theirs) <= 1e-6 * (1.0 + abs(theirs)), case


def test_the_table_is_what_readings_one_at_a_time_are() -> None:
    network = cases.network_of()
    circuit = Circuit(network)
    for draw, wanted in cases.generators(fixed=100, drawn=100):
        states, faults, pairs = drawn(network, draw)
        readings = table(circuit, states, faults, pairs, METERS)
        assert np.all(np.isfinite(readings))
        for _ in range(wanted):
            fault, state = draw.randrange(len(faults)), draw.randrange(len(states))
            solved = circuit.solve(states[state].merge(faults[fault]))
            for pair in draw.sample(range(len(pairs)), 4):
                for number, meter in enumerate(METERS):
                    alone = read_volts(solved, *pairs[pair], meter)
                    together = readings[fault, state, pair, number]
                    assert math.isclose(together, alone, rel_tol=1e-6, abs_tol=1e-6)


def test_an_average_responding_meter_has_a_column_too() -> None:
    network = cases.network_of()
    meter = MeterSpec("average", 10e6, "ac", response="average")
    readings = table(Circuit(network), [Edits()], [Edits()], [("board.L", "board.N")], [meter])
    # one sine: both responses agree (definition of the scale of an average-responding meter)
    assert readings[0, 0, 0, 0] == pytest.approx(
        read_volts(Circuit(network).solve(), "board.L", "board.N", cases.HIGH_AC), rel=1e-9
    )
