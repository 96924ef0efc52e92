"""The furnace's circuit against ngspice, on its own netlist.

Both solve the same parts; wires below 1 mohm are raised to it in both, as ngspice replaces a resistance of
zero.
"""

from __future__ import annotations

import math
from concurrent.futures import ThreadPoolExecutor

import cases
import pytest
import spice

from blowerbench.circuit import Circuit, Edits

RELATIVE = 1e-6  # where the reading is above LEAST
LEAST = 1e-3  # V or A


@pytest.mark.slow
def test_readings_in_random_faults_and_states_are_those_of_ngspice() -> None:
    network = cases.furnace(smallest=1e-3)
    circuit = Circuit(network)
    compared: dict[str, int] = {"ac": 0, "dc": 0}
    with ThreadPoolExecutor(2) as pool:
        for draw, wanted in cases.generators(fixed=110, drawn=110):
            found = 0
            while found < wanted:
                batch = [cases.random_case(network, draw) for _ in range(100)]
                for case, theirs in zip(
                    batch, pool.map(lambda one: spice.reading(network, one), batch), strict=True
                ):
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
    assert sum(compared.values()) >= 200 and min(compared.values()) >= 20


def _ratio(ohms: complex, test_ohms: float) -> complex:
    return complex(1.0) if math.isinf(ohms.real) else ohms / (ohms + test_ohms)


def test_the_healthy_unit_has_its_volts_where_ngspice_has_them() -> None:
    network = cases.furnace(smallest=1e-3)
    edits = Edits(opened=frozenset({"clip_r", "clip_c", "source_run", "source_return", "stat_cool"}))
    state = Circuit(network).solve(edits)
    for red, black in (("board.L", "board.N"), ("board.R", "board.C"), ("module.L", "module.N")):
        case = cases.Case(edits, "volts", red, black, cases.HIGH_AC)
        theirs = spice.reading(network, case)
        assert theirs.real > 20.0
        assert case.ours(state).real == pytest.approx(theirs.real, rel=RELATIVE)
