"""Figures of the grader: records of 40 acts, and a thousand whole ones, graded against the plain way.

The peer is the plain way in the same run: one session a hypothesis and variant, each on circuits that remember nothing.
A whole sheet is replay, safety, evidence, regret from the memo of V, repair and write-up. Warm: tables, optima and arrivals are
known. Records are made by the scripted technician, each on a unit and meter of its own (variant). Then how the grader's time
grows with hypotheses, with acts and with the nodes of a unit: the slope of log time on log size.
"""

from __future__ import annotations

import math
import resource
import statistics
import time
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor

import blowerdata
from blowerbench import LocalBench, load_equipment, load_faults
from blowerbench import plant as plant_module
from blowerbench.circuit import Circuit
from blowerbench.equipment import Equipment
from blowerbench.faults import Catalogue
from blowerbench.record import Line
from blowerbench.session import Session
from blowerbench.variant import extreme_variants
from blowergrade.evidence import Evidence, _arrivals
from blowergrade.path import table_for
from blowergrade.score import grade_bench
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
    plain = plainly(equipment, catalogue, "nothing_blows", lines, 9, whole=True)
    against = f"each of {len(hypotheses)} hypotheses × 5 variants replayed alone to the end, nothing remembered (1 in 9 timed)"
    yield {"name": "evidence_40_acts_warm", "value": warm, "unit": "s", "against": against, "ratio": plain / warm}
    yield {"name": "evidence_40_acts_cold", "value": cold, "unit": "s", "against": against, "ratio": plain / cold}
    yield from graded()
    yield from growth()


def plainly(
    equipment: Equipment, catalogue: Catalogue, complaint: str, lines: Sequence[Line], sample: int, *, whole: bool = False
) -> float:
    """Processor seconds of replaying each hypothesis of `complaint` (of the `whole` unit) alone, one in `sample` timed."""
    hypotheses = catalogue.hypotheses(None if whole else complaint)
    tried, spent = hypotheses[::sample], 0.0
    for hypothesis in tried:
        for variant in extreme_variants():
            start = time.process_time()
            session = Session(equipment, catalogue, hypothesis, variant, complaint)
            session.simulator.circuit = Circuit(equipment.network, variant.tolerances, remembered=0)
            for line in lines:
                session.play(line.act)
            spent += time.process_time() - start
    return spent * len(hypotheses) / len(tried)


# ---------------------------------------------------------------------- whole sheets
#: Complaints that are graded, of four kinds of unit.
GRADED = (
    (NAME, "nothing_blows"),
    ("air_handler_240_electric", "no_air"),
    ("furnace_120_serial", "no_fan"),
    ("outdoor_fan_240", "silent_outside"),
)
EACH = 6  # records of 40 acts for each of them
RECORDS = 120  # whole records, shared by two processes; scaled to a thousand


def technicians_bench(name: str, complaint: str, number: int, acts: int | None = None) -> LocalBench:
    """The call of the scripted technician numbered `number`, or its first `acts` acts, on a variant of its own."""
    equipment = load_equipment(name)
    hypotheses = load_faults(equipment).hypotheses(complaint)
    hypothesis = hypotheses[number * 7 % len(hypotheses)]
    bench = LocalBench(equipment, hypothesis, complaint, variant=f"graded-{number}")
    Technician(bench).work()
    if acts is None:
        return bench
    begun = LocalBench(equipment, hypothesis, complaint, variant=f"graded-{number}")
    for line in bench.lines[:acts]:
        begun.act(line.act)
    return begun


def graded() -> Iterator[dict[str, object]]:
    """Sheets of 40-act records, one by one, then of whole records by two processes."""
    benches: list[LocalBench] = []
    for name, complaint in GRADED:
        equipment = load_equipment(name)
        table_for(equipment, load_faults(equipment), complaint)
        benches += [technicians_bench(name, complaint, number, 40) for number in range(EACH)]
    passes = [[_seconds(bench) for bench in benches] for _ in range(2)]
    plain = statistics.median(
        plainly(b.equipment, b.session.catalogue, b.session.complaint.id, b.lines, 8) for b in benches[:: len(GRADED)]
    )
    against = (
        f"{len(benches)} records of four units; peer: every hypothesis of the complaint × 5 variants replayed alone (1 in 8)"
    )
    for name, seconds in (("first_time", passes[0]), ("again", passes[1])):
        value = statistics.median(seconds)
        row = {"value": value, "unit": "s median", "against": f"{against}; slowest {max(seconds):.3f} s"}
        yield {"name": f"sheet_40_acts_{name}", **row, "ratio": plain / value}
    with ProcessPoolExecutor(max_workers=2) as pool:
        halves = list(pool.map(half, (0, 1)))
    acts, plain = sum(h[2] for h in halves), max(h[3] for h in halves)
    memory = max(h[4] for h in halves)
    for k, name in enumerate(("first_time", "again")):
        value = max(h[k] for h in halves) * 1000 / RECORDS
        against = (
            f"{RECORDS} whole records ({acts / RECORDS:.0f} acts on average) by two processes, scaled to 1000: processor"
            f" seconds of the slower; {memory:.0f} MB each at most; peer: each hypothesis replayed alone (1 record in 30, 1"
            " hypothesis in 16)"
        )
        yield {
            "name": f"sheets_1000_two_cores_{name}", "value": value, "unit": "s", "against": against,
            "ratio": plain * 1000 / RECORDS / value,
        }  # fmt: skip


def _seconds(bench: LocalBench) -> float:
    start = time.process_time()
    grade_bench(bench)
    return time.process_time() - start


def half(which: int) -> tuple[float, float, int, float, float]:
    """Half of the records: seconds to grade them first and again, their acts, seconds of the plain way, MB taken."""
    benches = []
    for number in range(which, RECORDS, 2):
        name, complaint = GRADED[number // 2 % len(GRADED)]
        benches.append(technicians_bench(name, complaint, number))
    first, again = (sum(_seconds(bench) for bench in benches) for _ in range(2))
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    tried = benches[::30]
    plain = sum(plainly(b.equipment, b.session.catalogue, b.session.complaint.id, b.lines, 16) for b in tried)
    return first, again, sum(len(b.lines) for b in benches), plain * len(benches) / len(tried), memory


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
