"""Figures of the grader: one record of 40 acts replayed into every hypothesis, against replaying it once and plainly.

The peer is the plain way in the same run: one session a hypothesis and variant, each on circuits that remember nothing.
Then how the grader's time grows with hypotheses, with acts and with the nodes of a unit: the slope of log time on log size.
"""

from __future__ import annotations

import math
import time
from collections.abc import Iterator, Sequence

import blowerdata
from blowerbench import LocalBench, load_equipment, load_faults
from blowerbench import plant as plant_module
from blowerbench.circuit import Circuit
from blowerbench.equipment import Equipment
from blowerbench.record import Line
from blowerbench.session import Session
from blowerbench.variant import extreme_variants
from blowergrade.evidence import Evidence, _arrivals
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

    _arrivals.cache_clear()
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
    yield from growth()


def slope(rows: Sequence[tuple[float, float]]) -> float:
    """The least-squares slope of log seconds on log size."""
    points = [(math.log(size), math.log(seconds)) for size, seconds in rows]
    x, y = (sum(c) / len(points) for c in zip(*points, strict=True))
    return float(sum((a - x) * (b - y) for a, b in points) / sum((a - x) ** 2 for a, _ in points))


def worked(equipment: Equipment, complaint: str) -> list[Line]:
    """The lines of a competent call on the complaint's first hypothesis."""
    bench = LocalBench(equipment, load_faults(equipment).hypotheses(complaint)[0], complaint, variant="figures")
    Technician(bench).work()
    return bench.lines


def timed(equipment: Equipment, complaint: str, lines: Sequence[Line], hypotheses: int) -> float:
    """Processor seconds for the evidence of `lines` over so many hypotheses, none falling for good; arrivals remembered."""
    catalogue = load_faults(equipment)
    chosen = catalogue.hypotheses()[:hypotheses]
    Evidence(equipment, catalogue, complaint, chosen)
    plant_module.circuit_for.cache_clear()
    start = time.process_time()
    found = Evidence(equipment, catalogue, complaint, chosen)
    everything = dict(found.alive)
    for line in lines:
        found.observe(line.act, line.observation)
        found.alive = dict(everything)
    return time.process_time() - start


def growth() -> Iterator[dict[str, object]]:
    """Slopes over hypotheses and acts on the first furnace, and over the nodes of all units."""
    furnace = load_equipment(NAME)
    lines = worked(furnace, "nothing_blows")
    by_faults = [(n, timed(furnace, "nothing_blows", lines[:20], n)) for n in (8, 16, 32, 64)]
    by_acts = [(n, timed(furnace, "nothing_blows", lines[:n], 16)) for n in (15, 30, 60)]
    by_nodes = []
    for name in blowerdata.names("equipment"):
        unit = load_equipment(name)
        complaint = max(unit.complaints, key=lambda c, e=unit: len(load_faults(e).hypotheses(c)))  # type: ignore[misc] # a default
        by_nodes.append((len(unit.network.nodes), timed(unit, complaint, worked(unit, complaint)[:20], 16)))
    for what, rows in (("hypotheses", by_faults), ("acts", by_acts), ("nodes", by_nodes)):
        sizes = ", ".join(f"{size:g}: {seconds:.3f} s" for size, seconds in sorted(rows))
        name = f"evidence_growth_with_{what}"
        yield {"name": name, "value": slope(rows), "unit": "log-log slope", "against": sizes, "ratio": 1.0}
