"""How fast the cheapest order of tests is proven: complaints of the shipped units, made-up ones, a whole unit.

A row's value is the seconds of one solution in one process; the ratio is how many times as much the best mix of two greedy
rules costs as the optimum (as the bound, where the search was cut short). The table of a complaint is played by `path.Table`
and not counted. Each unit's complaint with the most hypotheses is taken; BLOWER_LONG=1 takes all, and one whole unit with no
complaint.

`python tests/figures_sequencing.py --ship` proves all complaints of all units and writes the policies that are shipped. Run it
after any change of equipment, faults, tests, costs or predictions.
"""

from __future__ import annotations

import argparse
import os
import random
import sys
import time
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from typing import Any

from sampling import long_run
from tqdm import tqdm

import blowerdata
from blowerbench import load_equipment, load_faults
from blowerbench.faults import Catalogue, Hypothesis
from blowergrade import policies
from blowergrade import sequencing as q
from blowergrade.path import Table, table_for

WHOLE = (
    "furnace_120_constant_airflow",
    "nothing_blows",
)  # the complaint says what the customer did; the faults are all there are
WHOLE_NODES = 10_000


class EveryFault(Catalogue):
    """A catalogue whose every fault leads to every complaint."""

    def hypotheses(self, complaint: str | None = None) -> tuple[Hypothesis, ...]:
        return super().hypotheses()


def made_up(n: int, tests: int, modes: int, units: int, draw: random.Random) -> q.Problem:
    """Readings that are normal for most hypotheses and one of four others for some; three tests in ten overlap in chains."""
    made = []
    for _ in range(tests):
        share = draw.choice((0.05, 0.1, 0.2, 0.4))
        value = [10 * (draw.randint(1, 4) if draw.random() < share else 0) for _ in range(n)]
        top = [v + draw.choice((3, 3, 3, 12)) if draw.random() < 0.3 else v for v in value]
        alike = tuple(sum(1 << j for j in range(n) if value[k] <= top[j] and value[j] <= top[k]) for k in range(n))
        made.append(q.Test(draw.randrange(modes), draw.choice((10, 15, 22, 32, 50, 78, 126)), alike))
    weights = tuple(draw.choice((60, 90, 120, 180, 240, 300, 480)) for _ in range(n))
    distance = tuple(
        tuple(0 if a == b else draw.choice((20, 45, 85, 185, 285, 420, 620)) for b in range(modes)) for a in range(modes)
    )
    return q.Problem(weights, tuple(draw.randrange(units) for _ in range(n)), distance, tuple(made))


def row(name: str, problem: q.Problem, node_limit: int = q.NODE_LIMIT) -> dict[str, Any]:
    """Time, nodes and bounds of one problem; SequencingError if its policy does not cost what the solution says."""
    start = time.perf_counter()
    solution = q.solve(problem, node_limit=node_limit)
    seconds = time.perf_counter() - start
    if q.expected_cost(problem, solution.policy) != solution.upper:
        raise q.SequencingError(f"{name}: the policy costs something else than {solution.upper}")
    greedy = q.solve(problem, node_limit=0).upper
    weight = problem.weight(problem.everything)
    kind = "proven" if solution.exact else f"cut short, gap {solution.upper / solution.lower:.2f}"
    size = f"{len(problem.weights)} hypotheses × {len(problem.tests)} tests × {len(problem.distance)} modes"
    return {
        "name": f"cheapest order of tests, {name}",
        "value": seconds,
        "unit": "s",
        "against": f"{size}; {kind}: {solution.lower / weight:.1f} to {solution.upper / weight:.1f} s expected, "
        f"{solution.nodes} nodes; mix of two greedy rules {greedy / weight:.1f} s",
        "ratio": greedy / solution.lower if solution.lower else 1.0,
    }


def figures() -> Iterator[dict[str, Any]]:
    """One row a complaint, then made-up problems of the largest shape, then (long) a whole unit."""
    for name in blowerdata.names("equipment"):
        equipment = load_equipment(name)
        catalogue = load_faults(equipment)
        complaints = sorted(equipment.complaints, key=lambda c: -len(catalogue.hypotheses(c)))
        for complaint in complaints if long_run() else complaints[:1]:
            yield row(f"{name} {complaint}", table_for(equipment, catalogue, complaint).problem)
    yield row("made up, a complaint", made_up(60, 500, 10, 16, random.Random(1)))
    yield row("made up, a whole unit", made_up(150, 600, 10, 40, random.Random(1)), node_limit=2_000)
    if long_run():
        equipment = load_equipment(WHOLE[0])
        catalogue = load_faults(equipment)
        whole = EveryFault(**{name: getattr(catalogue, name) for name in catalogue.__match_args__})
        yield row(f"{WHOLE[0]} as a whole, no complaint", Table(equipment, whole, WHOLE[1]).problem, WHOLE_NODES)


# ---------------------------------------------------------------------- the policies that are shipped
def prove(unit: str, complaint: str) -> policies.Proof:
    """The proof of one complaint; what was found on the way is stored in the cache."""
    equipment = load_equipment(unit)
    table = Table(equipment, load_faults(equipment), complaint)
    proof = table.proof()
    table.remember()
    return proof


def ship() -> None:
    """Prove every complaint of every shipped unit on all cores and write one file a unit."""
    population = [(name, c) for name in blowerdata.names("equipment") for c in load_equipment(name).complaints]
    proofs: dict[str, dict[str, policies.Proof]] = {}
    with ProcessPoolExecutor(os.cpu_count()) as workers:
        found = workers.map(prove, *zip(*population, strict=True))
        for (name, complaint), proof in zip(population, tqdm(found, "proving", len(population)), strict=True):
            proofs.setdefault(name, {})[complaint] = proof
    folder = blowerdata.path("equipment").parent / "policies"
    folder.mkdir(exist_ok=True)
    for name, own in proofs.items():
        equipment = load_equipment(name)
        (folder / f"{name}.json").write_bytes(policies.shipment(equipment, load_faults(equipment), own).json())
    every = [proof for own in proofs.values() for proof in own.values()]
    print(f"{sum(p.proven for p in every)} of {len(every)} proven; written to {folder}")


def main(arguments: Sequence[str] | None = None) -> int:
    """Ship; the figures themselves are printed by `tests/run.py --bench sequencing`."""
    parser = argparse.ArgumentParser(description="Prove every complaint of every unit and write the policies that are shipped.")
    parser.add_argument("--ship", action="store_true", required=True, help="write datasets/blowerdata/policies")
    parser.parse_args(arguments)
    ship()
    return 0


if __name__ == "__main__":
    sys.exit(main())
