"""How the work grows: a table of readings with nodes, faults and terminal pairs; the evidence with hypotheses and acts.

A row's value is the slope of log time over log size, fitted by least squares: 1 is linear growth, 2 quadratic. `against` holds
the measured points; the ratio is how many times longer the largest took than the smallest.
"""

from __future__ import annotations

import math
import random
import time
from collections.abc import Callable, Iterator, Sequence
from statistics import linear_regression
from typing import Any

import cases

from blowerbench import LocalBench, load_equipment, load_faults
from blowerbench import acts as a
from blowerbench.circuit import Circuit, Edits, Network, load_network, table
from blowergrade import procedure as p
from blowergrade.evidence import Evidence

UNIT = "furnace_120_constant_airflow"


def _copies(count: int) -> Network:
    """`count` furnaces on one earth, as one network of about a hundred nodes each."""
    raw = cases.table_of()
    ends = ("a", "b", "p1", "p2", "s1", "s2")
    parts, nodes = [], ["earth"]
    for k in range(count):
        for row in raw["part"]:
            named = {**row, "name": f"{row['name']}_{k}"} | {e: _node(row[e], k) for e in ends if e in row}
            parts.append(named | ({"connector": f"{row['connector']}_{k}"} if "connector" in row else {}))
        nodes += [_node(n, k) for n in raw["network"]["nodes"] if n != "earth"]
    return load_network({"network": {**raw["network"], "nodes": nodes}, "part": parts}, f"{count} furnaces")


def _node(name: str, k: int) -> str:
    return name if name == "earth" else f"{name}_{k}"


def _best(act: Callable[[], object], times: int = 3) -> float:
    seconds = []
    for _ in range(times):
        start = time.perf_counter()
        act()
        seconds.append(time.perf_counter() - start)
    return min(seconds)


def _row(name: str, what: str, sizes: Sequence[int], seconds: Sequence[float]) -> dict[str, Any]:
    slope, _ = linear_regression([math.log(n) for n in sizes], [math.log(s) for s in seconds])
    points = ", ".join(f"{n}: {s * 1e3:.0f} ms" for n, s in zip(sizes, seconds, strict=True))
    return {
        "name": f"growth of {name} with {what}", "value": round(slope, 2), "unit": "log-log slope", "against": points,
        "ratio": seconds[-1] / seconds[0],
    }  # fmt: skip


def _table_seconds(network: Network, faults: int, pairs: int) -> float:
    draw = random.Random(cases.FIXED_SEED)
    states = [cases.random_state(network, draw) for _ in range(6)]
    wrong = [Edits(), *(cases.random_fault(network, draw) for _ in range(faults - 1))]
    ends = [(red, black) for red, black in (draw.sample(network.nodes, 2) for _ in range(pairs))]

    def once() -> None:
        circuit = Circuit(network)
        for frequency in network.frequencies:
            circuit.base(frequency)
        table(circuit, states, wrong, ends, [cases.HIGH_AC, cases.LOW_AC])

    return _best(once)


def figures() -> Iterator[dict[str, Any]]:
    """Five slopes."""
    copies = (1, 2, 4)
    networks = [_copies(k) for k in copies]
    seconds = [_table_seconds(n, 60, 150) for n in networks]
    yield _row("table time (60 faults, 6 states, 150 pairs, 2 meters)", "nodes", [len(n.nodes) for n in networks], seconds)
    sizes = (40, 80, 160, 320)
    yield _row("table time", "faults", sizes, [_table_seconds(networks[0], n, 150) for n in sizes])
    sizes = (75, 150, 300, 600)
    yield _row("table time", "terminal pairs", sizes, [_table_seconds(networks[0], 60, n) for n in sizes])
    yield from _evidence()


def _evidence() -> Iterator[dict[str, Any]]:
    equipment = load_equipment(UNIT)
    catalogue = load_faults(equipment)
    bench = LocalBench(equipment, "healthy_unit", "second_opinion", variant="growth")
    script: list[a.Act] = [*p.protect(), a.SetMeter("volts_ac")]
    while len(script) < 170:
        for red, black in equipment.pairs("in_box"):
            script += [x for x in p.probe(red, black) if not isinstance(x, a.LiftLead) or len(script) > 4]
    for act in script:
        bench.act(act)
    lines = bench.lines[:160]
    hypotheses = catalogue.hypotheses()

    def observe(count: int, many: int) -> float:
        def once() -> None:
            found = Evidence(equipment, catalogue, "second_opinion", hypotheses[:many])
            for line in lines[:count]:
                found.observe(line.act, line.observation)

        once()
        return _best(once)

    sizes = (20, 40, 80, 160)
    yield _row("evidence of a record, warm", "acts", sizes, [observe(n, 24) for n in sizes])
    sizes = (10, 20, 40, 80)
    yield _row("evidence of 40 acts, warm", "hypotheses", sizes, [observe(40, n) for n in sizes])
