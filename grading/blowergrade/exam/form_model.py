"""Form assembly as a constraint programme: the model, its solution, and why there is none.

Rule: one worker, a fixed seed and a deterministic limit, so that the same question has the same answer with the same solver.
The objective, in integers: (largest − smallest sum of difficulty over the forms) × the weight of a level + (largest − smallest
sum of simulated seconds), both in thousandths of a simulated second.

This is the usual assembly of parallel tests by 0–1 programming (van der Linden, Linear Models for Optimal Test Design, 2005,
ch. 6, from memory), solved by CP-SAT.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from importlib.metadata import version
from typing import TYPE_CHECKING, Any

from msgspec.structs import replace

from blowerbench.errors import BenchError
from blowergrade.exam.blueprint import Blueprint, Section
from blowergrade.exam.form_pool import Item, Pool, unit_id

if TYPE_CHECKING:
    from ortools.sat.python import cp_model

#: Deterministic seconds for one of the short questions that explain why there is no answer.
SHORT = 4.0


class FormError(BenchError):
    """Forms that can't be made or read; says which part of the blueprint lacks what, and what would be right."""


@dataclass(frozen=True, slots=True)
class Solution:
    """The chosen items: for each form, for each section, ids in the pool's order; objective and its proven lower bound (ms)."""

    chosen: tuple[tuple[tuple[str, ...], ...], ...]
    status: str
    objective: int
    bound: int


def _cp_sat() -> Any:
    """The solver's module, loaded when forms are assembled and not before; raises `FormError` where it is not installed."""
    try:
        from ortools.sat.python import cp_model
    except ImportError as error:
        raise FormError("assembling forms needs OR-tools: pip install 'blowerbench-courseware[exam]'") from error
    return cp_model


def solver_name() -> str:
    """The solver with its version: another version may choose other forms of the same quality."""
    _cp_sat()
    return f"CP-SAT, OR-tools {version('ortools')}"


def fits(item: Item, section: Section) -> bool:
    """Whether `item` may fill a call of `section`."""
    units = {unit_id(name) for name in section.equipment}
    low, high = section.difficulty
    return item.competency in section.competencies and low <= item.difficulty <= high and (not units or item.equipment in units)


def objective_of(forms: Sequence[Sequence[Item]], blueprint: Blueprint) -> int:
    """The objective of `forms` in thousandths of a simulated second."""
    return apart([sum(i.expected for i in f) for f in forms], [sum(i.seconds for i in f) for f in forms], blueprint)


def apart(hard: Sequence[int], long: Sequence[int], blueprint: Blueprint) -> int:
    """The objective of forms whose sums of difficulty (thousandths of a level) and of seconds are these."""
    return 60 * blueprint.level_minutes * (max(hard) - min(hard)) + 1000 * (max(long) - min(long))


class _Model:
    """The programme of one question; `slack` lets sections fall short, and asks for the smallest shortage, not spread."""

    def __init__(self, pool: Pool, blueprint: Blueprint, *, slack: bool = False, aim: bool = True) -> None:
        self.pool, self.blueprint = pool, blueprint
        self.model: cp_model.CpModel = _cp_sat().CpModel()
        self.fitting = [tuple(k for k, i in enumerate(pool.items) if fits(i, s)) for s in blueprint.section]
        forms = range(blueprint.forms)
        self.set_ = {
            (f, s, k): self.model.new_bool_var(f"form {f} section {s} item {k}")
            for f in forms for s, ks in enumerate(self.fitting) for k in ks
        }  # fmt: skip
        self.used: dict[int, list[cp_model.IntVar]] = {}
        for (_, _, k), variable in self.set_.items():
            self.used.setdefault(k, []).append(variable)
        self.short = self._counts(slack)
        self._limits()
        if slack:
            self.model.minimize(sum(self.short.values()))
        elif aim:
            self._aim()

    def _of(self, form: int, items: Iterable[int]) -> list[cp_model.IntVar]:
        sections = range(len(self.fitting))
        return [self.set_[form, s, k] for k in items for s in sections if (form, s, k) in self.set_]

    def _counts(self, slack: bool) -> dict[tuple[int, int], cp_model.IntVar]:
        short: dict[tuple[int, int], cp_model.IntVar] = {}
        for f in range(self.blueprint.forms):
            for s, section in enumerate(self.blueprint.section):
                chosen = sum(self.set_[f, s, k] for k in self.fitting[s])
                if slack:
                    short[f, s] = self.model.new_int_var(0, section.count, f"form {f} section {s} lacks")
                    self.model.add(chosen + short[f, s] == section.count)
                else:
                    self.model.add(chosen == section.count)
        return short

    def _limits(self) -> None:
        index = {i.id: k for k, i in enumerate(self.pool.items)}
        groups = [sorted(index[i] for i in g.items) for g in self.pool.enemies]
        for f in range(self.blueprint.forms):
            for group in (*([k] for k in self.used), *groups):
                together = self._of(f, group)
                if len(together) > 1:
                    self.model.add_at_most_one(together)
        for variables in self.used.values():
            self.model.add(sum(variables) <= self.blueprint.exposure)

    def _aim(self) -> None:
        items, forms = self.pool.items, range(self.blueprint.forms)
        hard = [sum(items[k].expected * v for (g, _, k), v in self.set_.items() if g == f) for f in forms]
        long = [sum(items[k].seconds * v for (g, _, k), v in self.set_.items() if g == f) for f in forms]
        # Forms have no names yet: in order of difficulty, each set of forms is met once only.
        for one, next_ in itertools.pairwise(hard):
            self.model.add(one <= next_)
        most = self.blueprint.calls * max((i.seconds for i in items), default=0)
        self.least, self.largest = (self.model.new_int_var(0, most, name) for name in ("least seconds", "most seconds"))
        for sum_ in long:
            self.model.add(self.least <= sum_)
            self.model.add(sum_ <= self.largest)
        level = 60 * self.blueprint.level_minutes
        self.model.minimize(level * (hard[-1] - hard[0]) + 1000 * (self.largest - self.least))

    def solve(self, seed: int, effort: float) -> tuple[cp_model.CpSolver, str]:
        """The solver after at most `effort` deterministic seconds, and its status as a word."""
        solver: cp_model.CpSolver = _cp_sat().CpSolver()
        solver.parameters.num_workers = 1
        solver.parameters.random_seed = seed % 2**31
        solver.parameters.max_deterministic_time = effort
        return solver, solver.status_name(solver.solve(self.model)).lower()

    def hint(self, chosen: Sequence[Sequence[Sequence[str]]]) -> None:
        """Let the search begin at `chosen`, a set of forms that fits."""
        items, index = self.pool.items, {i.id: k for k, i in enumerate(self.pool.items)}
        order = sorted(chosen, key=lambda form: sum(items[index[i]].expected for ids in form for i in ids))
        long = [sum(items[index[i]].seconds for ids in form for i in ids) for form in chosen]
        self.model.add_hint(self.least, min(long))
        self.model.add_hint(self.largest, max(long))
        there = {(f, s, index[i]) for f, form in enumerate(order) for s, ids in enumerate(form) for i in ids}
        for key, variable in self.set_.items():
            self.model.add_hint(variable, key in there)

    def chosen(self, solver: cp_model.CpSolver) -> tuple[tuple[tuple[str, ...], ...], ...]:
        """What the solver chose."""
        return tuple(
            tuple(
                tuple(self.pool.items[k].id for k in ks if solver.boolean_value(self.set_[f, s, k]))
                for s, ks in enumerate(self.fitting)
            )
            for f in range(self.blueprint.forms)
        )  # fmt: skip


def solve(
    pool: Pool, blueprint: Blueprint, seed: int, effort: float, hint: Sequence[Sequence[Sequence[str]]] | None = None
) -> Solution:
    """The best forms found in `effort` deterministic seconds, or proven best before; raises `FormError` saying what lacks."""
    model = _Model(pool, blueprint)
    if hint is not None:
        model.hint(hint)
    solver, status = model.solve(seed, effort)
    if status not in ("optimal", "feasible"):
        raise FormError(why_not(pool, blueprint))
    objective = round(solver.objective_value)
    bound = min(objective, math.ceil(solver.best_objective_bound - 1e-6))  # whole numbers, given as floats
    return Solution(model.chosen(solver), status, objective, bound)


# ---------------------------------------------------------------------- why there is none
def why_not(pool: Pool, blueprint: Blueprint) -> str:
    """Which sections lack how many items, and which changes would be right (each tried)."""
    model = _Model(pool, blueprint, slack=True)
    solver, status = model.solve(0, 2 * SHORT)
    if status not in ("optimal", "feasible"):
        return "no forms were found in the time given, nor a reason; give more effort"
    short = {key: solver.value(v) for key, v in model.short.items()}
    if not any(short.values()):
        return "no forms were found in the time given, though there are some; give more effort"
    lines = [f"no {blueprint.forms} forms of {blueprint.calls} calls can be made from this pool:"]
    for s, section in enumerate(blueprint.section):
        missing = sum(short[f, s] for f in range(blueprint.forms))
        if missing:
            lines.append(_lacks(model, s, section, missing, proven=status == "optimal"))
    cures = list(_cures(pool, blueprint, {s for (_, s), n in short.items() if n}))
    right = "; or ".join(cures) or "add items, or ask for less in those sections"
    return "\n".join([*lines, f"What would be right: {right}."])


def _lacks(model: _Model, s: int, section: Section, missing: int, proven: bool) -> str:
    b = model.blueprint
    needed, there = b.forms * section.count, len(model.fitting[s])
    about = "" if proven else "up to "
    return (
        f"section {s + 1} ({section.title}) lacks {about}{missing} of {needed} places: {there} items fit it, each may stand in "
        f"{b.exposure} of the {b.forms} forms, enemies apart"
    )


def _cures(pool: Pool, b: Blueprint, lacking: set[int]) -> Iterable[str]:
    """Changes that were tried and lead to forms."""
    if not pool.items:
        yield "exclude less, or name more units: the pool is empty"
        return
    for exposure in range(b.exposure + 1, b.forms + 1):
        if _can(pool, replace(b, exposure=exposure)):
            yield f"exposure = {exposure}"
            break
    for forms in range(b.forms - 1, 0, -1):
        if _can(pool, replace(b, forms=forms, exposure=min(b.exposure, forms))):
            yield f"forms = {forms}"
            break
    if _can(Pool(pool.items, ()), b):
        yield "fewer enemies: without them there are enough items"
    for s in sorted(lacking):
        low, high = b.section[s].difficulty
        for wider in ((max(1, low - 1), high), (low, min(5, high + 1)), (1, 5)):
            if wider != (low, high) and _can(pool, _with(b, s, replace(b.section[s], difficulty=wider))):
                yield f"difficulty = {list(wider)} in section {s + 1}"
                break
        for count in range(b.section[s].count - 1, 0, -1):
            if _can(pool, _with(b, s, replace(b.section[s], count=count))):
                yield f"count = {count} in section {s + 1}"
                break


def _with(b: Blueprint, s: int, section: Section) -> Blueprint:
    sections = tuple(section if k == s else x for k, x in enumerate(b.section))
    return replace(b, section=sections, calls=sum(x.count for x in sections))


def _can(pool: Pool, b: Blueprint) -> bool:
    _, status = _Model(pool, b, aim=False).solve(0, SHORT)
    return status in ("optimal", "feasible")
