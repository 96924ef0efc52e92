"""The furnace's circuit against mpmath at 30 digits, assembled independently (exact.py)."""

from __future__ import annotations

import math
import random

import cases
import exact
import pytest

from blowerbench.circuit import Circuit, Edits, Network, Tolerances, load_network

ALLOWED = 1e-9  # of 1 V + |V| (of 1 A + |A| for a current)


@pytest.fixture(scope="module")
def furnace() -> Network:
    return cases.network_of()


def assert_exact(circuit: Circuit, case: cases.Case) -> None:
    ours, theirs = case.ours(circuit.solve(case.edits)), exact.reading(circuit.network, case)
    if case.ask == "ohms":  # as volts at the meter's terminals, infinite being all of its own
        volts = case.meter.test_volts
        ours, theirs = (
            complex(volts) if math.isinf(ohms.real) else volts * ohms / (ohms + case.meter.test_ohms) for ohms in (ours, theirs)
        )
    assert abs(ours - theirs) <= ALLOWED * (1.0 + abs(theirs)), (case, ours, theirs)


@pytest.mark.slow
@pytest.mark.parametrize("unit", cases.UNITS)
def test_random_faults_and_states_agree_to_a_nanovolt(unit: str) -> None:
    network = cases.network_of(unit)
    circuit, each = Circuit(network), 80 if unit == cases.FURNACE else 20
    for draw, wanted in cases.generators(fixed=each, drawn=each):
        for _ in range(wanted):
            assert_exact(circuit, cases.random_case(network, draw))


@pytest.mark.slow
def test_nodes_between_two_opened_contacts_agree_to_a_nanovolt(furnace: Network) -> None:
    """They hang on 20 pF and 50 Gohm alone; 10 Mohm shows ghosts there, 3 kohm none."""
    circuit = Circuit(furnace)
    for draw, wanted in cases.generators(fixed=30, drawn=30):
        for _ in range(wanted):
            opened = cases.series_open(furnace, draw)
            touched = [furnace.branches[furnace.branch(name)] for name in sorted(opened.opened)]
            edits = cases.random_state(furnace, draw).merge(opened)
            ends = [node for branch in touched for node in (branch.a, branch.b)]
            red = draw.choice(ends)
            black = draw.choice([node for node in (*ends, "board.C", "cabinet.G", "box.N") if node != red])
            assert_exact(circuit, cases.Case(edits, "volts", red, black, draw.choice(cases.VOLTMETERS)))


@pytest.mark.slow
def test_states_that_nobody_would_meet_agree_to_a_nanovolt(furnace: Network) -> None:
    circuit = Circuit(furnace)
    for draw, wanted in cases.generators(fixed=40, drawn=40):
        for _ in range(wanted):
            assert_exact(circuit, cases.wild_case(furnace, draw))


def test_a_floating_island_that_carries_amperes_agrees_to_a_nanovolt(furnace: Network) -> None:
    """Without its bond the 24 V side floats on gigohms while amperes circulate in it."""
    edits = Edits(opened=frozenset({"common_bond", "frame_bond"}), resistances=(("gas_valve", 8.0),))
    circuit = Circuit(furnace)
    for red in ("board.R", "board.C", "stat.R", "valve.1"):
        for meter in cases.VOLTMETERS:
            assert_exact(circuit, cases.Case(edits, "volts", red, "cabinet.G", meter))


def test_contradicting_charges_in_a_floating_island_agree_to_a_nanovolt(furnace: Network) -> None:
    """Two capacitors held at odds drive 2.5 A around an island that 88 Mohm alone tie to ground."""
    edits = Edits(
        resistances=(("disconnect", 7e4), ("unit_ground", 3.4e9)),
        held=(("couple_RY", 50.3), ("couple_YC", -54.2)),
    )
    assert_exact(Circuit(furnace), cases.Case(edits, "volts", "panel.L", "board.KC", cases.HIGH_DC))


def test_a_tolerance_is_the_same_network_with_other_values() -> None:
    """Each group's multiplier against a table whose values were multiplied by hand."""
    table = cases.table_of()
    draw = random.Random(cases.FIXED_SEED)
    factors = {
        "supply": 1.04,
        "wire": 0.9,
        "resistor": 1.05,
        "winding": 0.97,
        "capacitor": 1.1,
        "ratio": 1.02,
    }
    scaled = {
        "source": ("supply", ["voltage"]),
        "resistor": ("resistor", ["resistance"]),
        "winding": ("winding", ["resistance", "inductance"]),
        "capacitor": ("capacitor", ["capacitance"]),
    }
    for row in table["part"]:
        if row["kind"] in scaled:
            group, fields = scaled[row["kind"]]
            for field in fields:
                number, unit = row[field].split()
                row[field] = f"{float(number) * factors[group]!r} {unit}"
        elif row["kind"] == "wire":
            number, unit = row["length"].split()
            row["length"] = f"{float(number) * factors['wire']!r} {unit}"
        elif row["kind"] == "transformer":
            row["ratio"] *= factors["ratio"]
    by_hand = load_network(table, "by hand")
    circuit = Circuit(cases.network_of(), Tolerances(**factors))
    for _ in range(20):
        case = cases.random_case(by_hand, draw)
        ours, theirs = case.ours(circuit.solve(case.edits)), exact.reading(by_hand, case)
        if case.ask != "ohms":
            assert abs(ours - theirs) <= ALLOWED * (1.0 + abs(theirs)), case
