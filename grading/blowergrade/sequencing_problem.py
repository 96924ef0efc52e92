"""What is asked of the test sequencing: hypotheses, modes, tests; what a set weighs, what a test tells, what a policy costs.

Rule: whole numbers only, and nothing is looked for here; a problem that can't be right is refused with what would be right.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field

from blowerbench.errors import BenchError

FORMAT = "test sequencing 1"
_WIDEST = 1 << 40  # weights, costs and distances stay below, so that sums fit in 64 bits wherever they are stored

PolicyFunction = Callable[[int, int], "int | None"]


class SequencingError(BenchError):
    """A problem, a set or a stored policy that can't be right."""


def bits(mask: int) -> Iterator[int]:
    """The numbers in a set, ascending."""
    while mask:
        low = mask & -mask
        yield low.bit_length() - 1
        mask ^= low


def split(mask: int, alike: Sequence[int]) -> list[int]:
    """The outcomes of a test within `mask`: connected components of `alike` restricted to it, by their lowest members."""
    groups: list[int] = []
    left = mask
    while left:
        group = frontier = left & -left
        left ^= group
        while frontier and left:
            near = alike[(frontier & -frontier).bit_length() - 1] & left
            frontier &= frontier - 1
            if near:
                group |= near
                frontier |= near
                left ^= near
        groups.append(group)
    return groups


@dataclass(frozen=True, slots=True)
class Test:
    """A test: bench mode by number, cost in whole seconds, and for each hypothesis the mask of those it can't be told from."""

    __test__ = False  # not a case for pytest

    mode: int
    cost: int
    alike: tuple[int, ...]

    @classmethod
    def of_outcomes(cls, mode: int, cost: int, outcomes: Sequence[int]) -> Test:
        """A test from its outcomes: masks that share no hypothesis and together hold all of them."""
        alike: dict[int, int] = {}
        for mask in outcomes:
            for k in bits(mask):
                if k in alike:
                    raise SequencingError(f"hypothesis {k} lies in two outcomes; each lies in exactly one")
                alike[k] = mask
        if sorted(alike) != list(range(len(alike))):
            missing = next(k for k in range(len(alike)) if k not in alike)
            raise SequencingError(f"hypothesis {missing} lies in no outcome; each lies in exactly one")
        return cls(mode, cost, tuple(alike[k] for k in range(len(alike))))


def whole(value: object, least: int, what: str) -> int:
    if not isinstance(value, int) or isinstance(value, bool) or not least <= value < _WIDEST:
        raise SequencingError(f"{what} is {value!r}; it has to be a whole number from {least} to {_WIDEST - 1}")
    return value


@dataclass(frozen=True, slots=True)
class Problem:
    """What can be wrong, what can be asked and what it costs.

    `weights`: one positive integer a hypothesis; `units`: its correction unit's number; `distance[m][n]`: whole seconds of
    set-up from mode m to n (0 on the diagonal; shortest ways through other modes are found here); `start`: the mode on arrival.
    Raises SequencingError where anything does not fit.
    """

    weights: tuple[int, ...]
    units: tuple[int, ...]
    distance: tuple[tuple[int, ...], ...]
    tests: tuple[Test, ...]
    start: int = 0
    #: The shortest set-up seconds from mode to mode.
    closed: tuple[tuple[int, ...], ...] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        n, modes = len(self.weights), len(self.distance)
        if n == 0:
            raise SequencingError("there are no hypotheses; a problem has at least one")
        for k, weight in enumerate(self.weights):
            whole(weight, 1, f"the weight of hypothesis {k}")
        if len(self.units) != n:
            raise SequencingError(f"{len(self.units)} units for {n} hypotheses; each hypothesis has one")
        for k, unit in enumerate(self.units):
            whole(unit, 0, f"the unit of hypothesis {k}")
        for m, row in enumerate(self.distance):
            if len(row) != modes:
                raise SequencingError(f"distance row {m} has {len(row)} columns; with {modes} modes it has {modes}")
            for k, seconds in enumerate(row):
                whole(seconds, 0, f"the distance from mode {m} to {k}")
            if row[m]:
                raise SequencingError(f"the distance from mode {m} to itself is {row[m]}; it has to be 0")
        self._mode(self.start, "the start")
        for k, test in enumerate(self.tests):
            self._mode(test.mode, f"test {k}")
            whole(test.cost, 0, f"the cost of test {k}")
            self._check_alike(k, test.alike)
        closed = [list(row) for row in self.distance]
        for via in range(modes):
            for a in range(modes):
                for b in range(modes):
                    closed[a][b] = min(closed[a][b], closed[a][via] + closed[via][b])
        object.__setattr__(self, "closed", tuple(map(tuple, closed)))

    def _mode(self, mode: int, what: str) -> None:
        if mode not in range(len(self.distance)):
            raise SequencingError(f"{what} is in mode {mode!r}; there are modes 0 to {len(self.distance) - 1}")

    def _check_alike(self, number: int, alike: tuple[int, ...]) -> None:
        n = len(self.weights)
        if len(alike) != n:
            raise SequencingError(f"test {number} speaks of {len(alike)} hypotheses; there are {n}")
        for k, mask in enumerate(alike):
            if mask < 0 or mask >> n:
                raise SequencingError(f"test {number}: hypothesis {k} is like numbers beyond {n - 1}")
            if not mask >> k & 1:
                raise SequencingError(f"test {number}: hypothesis {k} is not like itself; set its own bit")
        if sum(mask.bit_count() for mask in set(alike)) == n:
            return  # blocks that share nothing: an equivalence
        for k, mask in enumerate(alike):
            for j in bits(mask):
                if not alike[j] >> k & 1:
                    raise SequencingError(f"test {number}: {k} is like {j} but {j} not like {k}; alike goes both ways")

    @property
    def everything(self) -> int:
        """The set of all hypotheses."""
        return (1 << len(self.weights)) - 1

    def weight(self, mask: int) -> int:
        """The weight of a set."""
        return sum(self.weights[k] for k in bits(mask))

    def solved(self, mask: int) -> bool:
        """Whether all of the set is one correction unit."""
        return len({self.units[k] for k in bits(mask)}) < 2

    def check(self, mask: int, mode: int) -> None:
        """SequencingError unless the set and the mode belong to this problem."""
        if mask <= 0 or mask >> len(self.weights):
            raise SequencingError(f"the set {mask:#x} is empty or goes beyond hypothesis {len(self.weights) - 1}")
        self._mode(mode, "the set")

    def digest(self) -> str:
        """SHA-256 of the problem as bytes, little-endian, tests in their order; a stored policy names it."""
        n = len(self.weights)
        numbers = [n, len(self.distance), len(self.tests), self.start, *self.weights, *self.units]
        numbers += [seconds for row in self.closed for seconds in row]
        made = hashlib.sha256(FORMAT.encode() + b"\0")
        made.update(b"".join(x.to_bytes(8, "little") for x in numbers))
        for test in self.tests:
            made.update(test.mode.to_bytes(8, "little") + test.cost.to_bytes(8, "little"))
            made.update(b"".join(mask.to_bytes((n + 7) // 8, "little") for mask in test.alike))
        return made.hexdigest()


def finest(problem: Problem, mask: int) -> list[int]:
    """What of `mask` no order of tests parts, as blocks by their lowest members; one with two units is an ambiguity group."""
    open_sets, blocks = [mask], []
    while open_sets:
        current = open_sets.pop()
        for test in problem.tests:
            groups = split(current, test.alike)
            if len(groups) > 1:
                open_sets += groups
                break
        else:
            blocks.append(current)
    return sorted(blocks, key=lambda b: b & -b)


def expected_cost(problem: Problem, policy: PolicyFunction, subset: int | None = None, mode: int | None = None) -> int:
    """Weight × seconds that `policy` costs: it names the next test for (set, mode), or None to stop.

    SequencingError where it names a test that tells nothing, or stops although a test would tell more.
    """
    mask = problem.everything if subset is None else subset
    at = problem.start if mode is None else mode
    problem.check(mask, at)
    total, todo = 0, [(mask, at)]
    while todo:
        mask, at = todo.pop()
        if problem.solved(mask):
            continue
        number = policy(mask, at)
        if number is None:
            if any(len(split(mask, test.alike)) > 1 for test in problem.tests):
                raise SequencingError(f"the policy stops at {mask:#x}, where a test tells more")
            continue
        test = problem.tests[number]
        groups = split(mask, test.alike)
        if len(groups) < 2:
            raise SequencingError(f"the policy asks test {number} at {mask:#x}, where it tells nothing")
        total += problem.weight(mask) * (problem.closed[at][test.mode] + test.cost)
        todo += [(group, test.mode) for group in groups]
    return total
