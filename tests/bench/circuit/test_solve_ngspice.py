"""The circuit of every unit against ngspice, on its own netlist.

Both solve the same parts; wires below 1 mohm are raised to it in both, as ngspice replaces a resistance of
zero.
"""

from __future__ import annotations

import math
from concurrent.futures import ThreadPoolExecutor

import cases
import pytest
import spice

from blowerbench.circuit import Circuit
from blowerbench.equipment import load_equipment
from blowerbench.faults import NO_EFFECTS
from blowerbench.plant import edits_for
from blowerbench.simulator import Simulator
from blowerbench.variant import NOMINAL

RELATIVE = 1e-6  # where the reading is above LEAST
LEAST = 1e-3  # V or A


@pytest.mark.slow
@pytest.mark.parametrize("unit", cases.UNITS)
def test_readings_in_random_faults_and_states_are_those_of_ngspice(unit: str) -> None:
    network = cases.network_of(unit, smallest=1e-3)
    circuit = Circuit(network)
    compared: dict[str, int] = {"ac": 0, "dc": 0}
    each = 110 if unit == cases.FURNACE else 40
    with ThreadPoolExecutor(2) as pool:
        for draw, wanted in cases.generators(fixed=each, drawn=each):
            found = 0
            while found < wanted:
                batch = [cases.random_case(network, draw) for _ in range(40)]
                for case, theirs in zip(batch, pool.map(lambda one: spice.reading(network, one), batch), strict=True):
                    ours = case.ours(circuit.solve(case.edits))
                    if case.ask == "ohms":  # compared as the part of its own volts that the meter measures
                        ours, theirs = (_ratio(ohms, case.meter.test_ohms) for ohms in (ours, theirs))
                    if abs(theirs) > LEAST:
                        assert abs(ours - theirs) <= RELATIVE * abs(theirs), (case, ours, theirs)
                        found += 1
                        compared[case.meter.coupling] += 1
                    else:
                        assert abs(ours - theirs) <= RELATIVE * LEAST, (case, ours, theirs)
    print(f"compared with ngspice above {LEAST} V or A: {compared}")
    assert sum(compared.values()) >= 2 * each - 20 and min(compared.values()) >= each // 6


def _ratio(ohms: complex, test_ohms: float) -> complex:
    return complex(1.0) if math.isinf(ohms.real) else ohms / (ohms + test_ohms)


@pytest.mark.parametrize("unit", cases.UNITS)
def test_the_healthy_running_unit_has_its_volts_where_ngspice_has_them(unit: str) -> None:
    equipment = load_equipment(unit)
    network = cases.network_of(unit, smallest=1e-3)
    simulator = Simulator(equipment, NO_EFFECTS, NOMINAL)
    hands, plant = simulator.start(equipment.calls()[0])
    edits = edits_for(equipment, NO_EFFECTS, hands, plant)
    state = Circuit(network).solve(edits)
    compared = 0
    for red, black in (
        *equipment.pairs("under_load"),
        *equipment.pairs("in_box"),
        *equipment.pairs("live_fan"),
        *equipment.pairs("live_cool"),
    ):
        case = cases.Case(edits, "volts", red, black, cases.HIGH_AC)
        theirs = spice.reading(network, case)
        if theirs.real > 20.0:
            assert case.ours(state).real == pytest.approx(theirs.real, rel=RELATIVE)
            compared += 1
    assert compared >= 4
