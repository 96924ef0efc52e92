"""How fast the cheapest order of tests is proven: complaints of the shipped units, made-up ones, a whole unit.

A row's value is the seconds of one solution in one process; the ratio is how many times as much the best mix of two greedy
rules costs as the optimum (as the bound, where the search was cut short). The table of a complaint is played by `path.Table`
and not counted. Each unit's complaint with the most hypotheses is taken; BLOWER_LONG=1 takes all, and one whole unit.
"""

from __future__ import annotations

import random
import time
from collections.abc import Iterator
from typing import Any

from sampling import long_run

import blowerdata
from blowerbench import load_equipment, load_faults
from blowerbench.faults import Catalogue, Hypothesis
from blowergrade import sequencing as q
from blowergrade.path import Table, table_for

WHOLE = (
    "furnace_120_constant_airflow",
    "nothing_blows",
)  # the complaint says what the customer did; the faults are all there are


class EveryFault(Catalogue):
    """A catalogue whose every fault leads to every complaint."""

    def hypotheses(self, complaint: str | None = None) -> tuple[Hypothesis, ...]:
        return super().hypotheses()


def problem_of(table: Table) -> q.Problem:
    """A table's hypotheses, modes and tests as a sequencing problem; the tests keep their numbers."""
    modes = {mode: k for k, mode in enumerate(table.modes)}
    units = tuple(next(u for u, mask in enumerate(table.unit_masks) if mask >> k & 1) for k in range(len(table.weights)))
    tests = tuple(q.Test(modes[row.test.mode], row.test.cost, row.alike) for row in table.rows)
    distance = tuple(tuple(table.distance[m, n] for n in table.modes) for m in table.modes)
    return q.Problem(table.weights, units, distance, tests)


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
            yield row(f"{name} {complaint}", problem_of(table_for(equipment, catalogue, complaint)))
    yield row("made up, a complaint", made_up(60, 500, 10, 16, random.Random(1)))
    yield row("made up, a whole unit", made_up(150, 600, 10, 40, random.Random(1)), node_limit=2_000)
    if long_run():
        equipment = load_equipment(WHOLE[0])
        catalogue = load_faults(equipment)
        whole = EveryFault(**{name: getattr(catalogue, name) for name in catalogue.__match_args__})
        yield row(f"{WHOLE[0]} as a whole", problem_of(Table(equipment, whole, WHOLE[1])))
