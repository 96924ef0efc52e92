"""Figures of the grader: one record of 40 acts replayed into every hypothesis, against replaying it once and plainly.

The peer is the plain way in the same run: one session a hypothesis and variant, each on circuits that remember nothing.
"""

from __future__ import annotations

import time
from collections.abc import Iterator

from blowerbench import LocalBench, load_equipment, load_faults
from blowerbench import plant as plant_module
from blowerbench.circuit import Circuit
from blowerbench.session import Session
from blowerbench.variant import extreme_variants
from blowergrade.evidence import Evidence, _arrival
from blowergrade.technicians import Technician

NAME = "furnace_120_constant_airflow"


def figures() -> Iterator[dict[str, object]]:
    """One row: seconds for the evidence of a 40-act record over all hypotheses of its complaint."""
    equipment = load_equipment(NAME)
    catalogue = load_faults(equipment)
    bench = LocalBench(equipment, "module_dead", "nothing_blows", variant="figures")
    Technician(bench).work()
    lines = bench.lines[:40]

    def evidence() -> float:
        start = time.perf_counter()
        found = Evidence(equipment, catalogue, "nothing_blows", catalogue.hypotheses())
        for line in lines:
            found.observe(line.act, line.observation)
        return time.perf_counter() - start

    _arrival.cache_clear()
    plant_module.circuit_for.cache_clear()
    cold = evidence()
    warm = min(evidence() for _ in range(3))

    hypotheses = catalogue.hypotheses()
    plain = 0.0
    tried = hypotheses[::9]  # one hypothesis in nine, scaled up
    for hypothesis in tried:
        for variant in extreme_variants():
            start = time.perf_counter()
            session = Session(equipment, catalogue, hypothesis, variant, "nothing_blows")
            session.simulator.circuit = Circuit(equipment.network, variant.tolerances, remembered=0)
            for line in lines:
                session.play(line.act)
            plain += time.perf_counter() - start
    plain *= len(hypotheses) / len(tried)
    against = f"each of {len(hypotheses)} hypotheses × 5 variants replayed alone to the end, nothing remembered (1 in 9 timed)"
    yield {"name": "evidence_40_acts_warm", "value": warm, "unit": "s", "against": against, "ratio": plain / warm}
    yield {"name": "evidence_40_acts_cold", "value": cold, "unit": "s", "against": against, "ratio": plain / cold}
