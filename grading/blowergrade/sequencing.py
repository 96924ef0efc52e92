"""The cheapest order of tests, proven: multimode test sequencing with bounds, on whole numbers only.

Rule: every number here is an integer (weights × seconds) and every limit a count of nodes, so a result is the same on every
machine and in every run. For a set S of hypotheses (a bit mask) and a bench mode m

    W(S, m) = 0                                             when all of S is one correction unit, or no test splits S
            = min over tests t that split S:  w(S)·(d(m, m_t) + c_t) + Σ_o W(S_o, m_t)

with w(S) the weight of S, d the shortest set-up, m_t and c_t the test's mode and cost, S_o its outcomes: the connected
components of "alike" within S. W / w(S) is the expected seconds to the diagnosis (Ruan, Tu, Pattipati, Patterson-Hine, IEEE
SMC-B 34(3), 2004). `sequencing_problem` holds the question, `sequencing_search` the search; here are the answer and its cache.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any

from blowergrade.sequencing_problem import (
    FORMAT,
    PolicyFunction,
    Problem,
    SequencingError,
    Test,
    bits,
    expected_cost,
    finest,
    split,
    whole,
)
from blowergrade.sequencing_search import Bare, Entry, Key, Search

__all__ = [
    "NODE_LIMIT", "Entry", "Key", "Policy", "PolicyFunction", "Problem", "SequencingError", "Solution", "Test", "Value", "bits",
    "dump", "expected_cost", "finest", "load", "reached", "solve", "split",
]  # fmt: skip

#: Nodes (sets whose tests were all looked at) after which a search answers with bounds.
NODE_LIMIT = 100_000


@dataclass(frozen=True, slots=True)
class Value:
    """W(S, m) between two bounds, in weight × whole seconds; `exact` when they are proven equal."""

    lower: int
    upper: int
    exact: bool


class Policy:
    """The best known test for any set and mode: called with them, it gives the test's number, or None where none is needed.

    Sets that were not met on the way from the root are solved when asked for, each with the same node limit.
    """

    def __init__(self, problem: Problem, root: int, node_limit: int, known: Mapping[Key, Entry]) -> None:
        self.problem, self.root, self.node_limit = problem, root, node_limit
        self._known = dict(known)
        self._others: dict[int, Policy] = {}

    @cached_property
    def _search(self) -> Search:
        search = Search(Bare(self.problem, self.root))
        numbers = {ask.number: k for k, ask in enumerate(search.bare.asks)}
        for (mask, mode), (cost, number) in self._known.items():
            packed = search.bare.pack(mask)
            if packed and number in numbers:
                search.exact[packed, mode] = cost, numbers[number]
        return search

    @property
    def ambiguous(self) -> tuple[int, ...]:
        """Sets of more than one unit that no order of tests parts."""
        return self._search.bare.mixed

    @property
    def nodes(self) -> int:
        """Nodes spent so far below its root."""
        return self._search.nodes if "_search" in self.__dict__ else 0

    def value(self, mask: int, mode: int) -> Value:
        """W(mask, mode), exact or between bounds."""
        self.problem.check(mask, mode)
        known = self._known.get((mask, mode))
        if known is not None:
            return Value(known[0], known[0], True)
        packed = self._search.bare.pack(mask)
        if packed is None:
            return self._other(mask).value(mask, mode)
        return Value(*self._search.run(packed, mode, self.node_limit))

    def __call__(self, mask: int, mode: int) -> int | None:
        """The number of the test to ask; None when one unit is left or nothing tells the rest apart."""
        self.problem.check(mask, mode)
        if self.problem.solved(mask):
            return None
        known = self._known.get((mask, mode))
        if known is not None:
            return known[1]
        packed = self._search.bare.pack(mask)
        if packed is None:
            return self._other(mask)(mask, mode)
        if self._search.solved(packed):
            return None
        if (packed, mode) not in self._search.planned:
            self._search.run(packed, mode, self.node_limit)
        return self._search.bare.asks[self._search.plan(packed, mode)[1]].number

    def _other(self, mask: int) -> Policy:
        if mask not in self._others:
            self._others[mask] = Policy(self.problem, mask, self.node_limit, self._known)
        return self._others[mask]

    def entries(self) -> dict[Key, Entry]:
        """All that is proven: (set, mode) → (W, number of the best test)."""
        found = dict(self._known)
        for policy in (self, *self._others.values()):
            bare = policy._search.bare
            found |= {(bare.unpack(s), m): (w, bare.asks[t].number) for (s, m), (w, t) in policy._search.exact.items()}
        return found


@dataclass(frozen=True, slots=True)
class Solution:
    """W of the root between bounds, in weight × whole seconds, the nodes that were spent, and a policy that costs `upper`."""

    lower: int
    upper: int
    exact: bool
    nodes: int
    policy: Policy

    @property
    def ambiguous(self) -> tuple[int, ...]:
        """Sets of more than one unit that no order of tests parts."""
        return self.policy.ambiguous

    def value(self, mask: int, mode: int) -> Value:
        """W of any set in any mode."""
        return self.policy.value(mask, mode)


def solve(
    problem: Problem,
    subset: int | None = None,
    mode: int | None = None,
    node_limit: int = NODE_LIMIT,
    known: Mapping[Key, Entry] | None = None,
) -> Solution:
    """The cheapest order of tests for `subset` (all) from `mode` (the start), or bounds when `node_limit` nodes are spent.

    `known`, from `load`, are values proven before.
    """
    root = problem.everything if subset is None else subset
    at = problem.start if mode is None else mode
    problem.check(root, at)
    whole(node_limit, 0, "the node limit")
    policy = Policy(problem, root, node_limit, known or {})
    value = policy.value(root, at)
    return Solution(value.lower, value.upper, value.exact, policy.nodes, policy)


# ------------------------------------------------------------------------------------------------------ the cache on disk
def dump(policy: Policy, reached: Iterable[Key] | None = None) -> dict[str, Any]:
    """All that `policy` has proven (of `reached` sets and modes, if given), for JSON; the same problem gives the same text."""
    entries = policy.entries()
    chosen = sorted(entries if reached is None else set(reached) & set(entries))
    rows = [[f"{mask:x}", mode, *entries[mask, mode]] for mask, mode in chosen]
    return {"format": FORMAT, "problem": policy.problem.digest(), "proven": rows}


def reached(policy: Policy, mode: int | None = None) -> list[Key]:
    """The sets and modes on the way of `policy` from its root: all that following it needs."""
    problem = policy.problem
    todo, found = [(policy.root, problem.start if mode is None else mode)], []
    while todo:
        mask, at = todo.pop()
        number = policy(mask, at)
        if number is not None:
            found.append((mask, at))
            test = problem.tests[number]
            todo += [(group, test.mode) for group in split(mask, test.alike)]
    return found


def load(problem: Problem, data: Mapping[str, Any]) -> dict[Key, Entry]:
    """What `dump` made, for `solve(known=...)`; SequencingError when it is of another problem or not such a table."""
    if data.get("format") != FORMAT:
        raise SequencingError(f"the stored policy has format {data.get('format')!r}; this version reads {FORMAT!r}")
    if data.get("problem") != problem.digest():
        raise SequencingError("the stored policy is of another problem; solve this one and store it again")
    made: dict[Key, Entry] = {}
    try:
        for text, mode, cost, number in data["proven"]:
            mask = int(text, 16)
            problem.check(mask, mode)
            if number not in range(len(problem.tests)) or whole(cost, 0, "a stored W") < 0:
                raise SequencingError(f"the stored policy names test {number!r}; there are {len(problem.tests)}")
            made[mask, mode] = cost, number
    except (KeyError, TypeError, ValueError) as error:
        raise SequencingError("the stored policy is damaged: rows are [set in hex, mode, W, test]; store it again") from error
    return made
