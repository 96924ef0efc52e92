"""Where the search for alike forms begins: items drawn by chance, then exchanged as long as that brings the forms together.

Rule: every set made here satisfies the blueprint, before and after each exchange. A worse set is accepted less and less often
(simulated annealing: Kirkpatrick, Gelatt, Vecchi, Science 220, 1983); the number of steps is fixed, so that a seed says it all.
"""

from __future__ import annotations

import math
import random
from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence

from blowergrade.exam.blueprint import Blueprint
from blowergrade.exam.form_model import apart, fits
from blowergrade.exam.form_pool import Item, Pool

#: How often a random assembly that has run into a dead end begins anew.
TRIES = 500
STEPS = 20_000
#: The first and the last temperature, in the objective's own unit: ten minutes, and a tenth of a second.
HOT, COLD = 600_000.0, 100.0

Chosen = tuple[tuple[tuple[str, ...], ...], ...]


def barred_by(pool: Pool) -> dict[str, set[str]]:
    """For each item that has enemies: these, and itself."""
    barred: dict[str, set[str]] = defaultdict(set)
    for group in pool.enemies:
        for name in group.items:
            barred[name] |= group.items
    return barred


def random_choice(pool: Pool, blueprint: Blueprint, dice: random.Random, tries: int = TRIES) -> Chosen | None:
    """Items drawn by chance within the blueprint's rules, or None after so many dead ends."""
    fitting = [[i.id for i in pool.items if fits(i, s)] for s in blueprint.section]
    barred = barred_by(pool)
    for _ in range(tries if all(fitting) else 0):
        used: Counter[str] = Counter()
        forms: list[tuple[tuple[str, ...], ...]] = []
        for _ in range(blueprint.forms):
            form = _random_form(blueprint, fitting, barred, used, dice)
            if form is None:
                break
            forms.append(form)
        if len(forms) == blueprint.forms:
            return tuple(forms)
    return None


def _random_form(
    blueprint: Blueprint, fitting: Sequence[Sequence[str]], barred: Mapping[str, set[str]], used: Counter[str],
    dice: random.Random,
) -> tuple[tuple[str, ...], ...] | None:  # fmt: skip
    taken: list[list[str]] = [[] for _ in blueprint.section]
    closed: set[str] = set()
    order = sorted(range(len(fitting)), key=lambda s: len(fitting[s]))  # the scarcest section first
    for s in (k for k in order for _ in range(blueprint.section[k].count)):
        free = [i for i in fitting[s] if i not in closed and used[i] < blueprint.exposure]
        if not free:
            return None
        item = dice.choice(free)
        taken[s].append(item)
        used[item] += 1
        closed |= {item, *barred.get(item, ())}
    return tuple(tuple(ids) for ids in taken)


class _Exchange:
    """A set of forms that is changed one exchange at a time."""

    def __init__(self, pool: Pool, blueprint: Blueprint, chosen: Chosen) -> None:
        self.blueprint, self.barred = blueprint, barred_by(pool)
        self.items: dict[str, Item] = {i.id: i for i in pool.items}
        self.fitting = [[i.id for i in pool.items if fits(i, s)] for s in blueprint.section]
        self.forms = [[list(ids) for ids in form] for form in chosen]
        self.places = [(f, s, p) for f, form in enumerate(chosen) for s, ids in enumerate(form) for p in range(len(ids))]
        self.used = Counter(i for form in chosen for ids in form for i in ids)
        self.hard = [sum(self.items[i].expected for ids in form for i in ids) for form in chosen]
        self.long = [sum(self.items[i].seconds for ids in form for i in ids) for form in chosen]

    def objective(self) -> int:
        return apart(self.hard, self.long, self.blueprint)

    def _bears(self, form: int, leaves: str, comes: str) -> bool:
        """Whether `form` may have `comes` in place of `leaves`."""
        others = {i for ids in self.forms[form] for i in ids if i != leaves}
        return comes not in others and others.isdisjoint(self.barred.get(comes, ()))

    def propose(self, dice: random.Random) -> tuple[tuple[int, int, int, str], ...]:
        """Places with their new items: an unused item for one, or two forms changing items; none where that may not be."""
        f, s, p = dice.choice(self.places)
        mine = self.forms[f][s][p]
        comes = dice.choice(self.fitting[s])
        if comes != mine and self.used[comes] < self.blueprint.exposure:
            return ((f, s, p, comes),) if self._bears(f, mine, comes) else ()
        g, q = dice.randrange(len(self.forms)), dice.randrange(self.blueprint.section[s].count)
        other = self.forms[g][s][q]
        if g == f or other == mine or not (self._bears(f, mine, other) and self._bears(g, other, mine)):
            return ()
        return (f, s, p, other), (g, s, q, mine)

    def do(self, moves: Sequence[tuple[int, int, int, str]]) -> tuple[tuple[int, int, int, str], ...]:
        """Make `moves`; returns those that undo them."""
        back = tuple((f, s, p, self.forms[f][s][p]) for f, s, p, _ in moves)
        for f, s, p, item in moves:
            comes, leaves = self.items[item], self.items[self.forms[f][s][p]]
            self.used[leaves.id] -= 1
            self.used[item] += 1
            self.hard[f] += comes.expected - leaves.expected
            self.long[f] += comes.seconds - leaves.seconds
            self.forms[f][s][p] = item
        return back


def exchanged(pool: Pool, blueprint: Blueprint, chosen: Chosen, dice: random.Random, steps: int = STEPS) -> Chosen:
    """The best set met in `steps` exchanges from `chosen` on; never worse than it."""
    state = _Exchange(pool, blueprint, chosen)
    now = best = state.objective()
    kept = chosen
    for step in range(steps):
        if best == 0:
            break
        warmth = HOT * (COLD / HOT) ** (step / steps)
        moves = state.propose(dice)
        if not moves:
            continue
        back = state.do(moves)
        then = state.objective()
        if then > now and dice.random() >= math.exp((now - then) / warmth):
            state.do(back)
            continue
        now = then
        if now < best:
            best, kept = now, tuple(tuple(tuple(ids) for ids in form) for form in state.forms)
    return kept
