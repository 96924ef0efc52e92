"""The search behind `sequencing`: bounds, branch and bound with memo, greedy plans.

Rule: sets are those of one bare problem (a root set in which what no test ever parts is one member), numbers are whole, limits
count nodes. Two facts make it small. Outcomes within a subset are never coarser than within the set, so which hypotheses no
order of tests can part does not depend on the order: they are found once and carried as one. And all that remains can be parted
pair by pair, so a subset never costs more than the set, a finer test never more than a coarser one, and every pair of different
units at least its cheapest parting test: bounds, and tests that need not be tried.
"""

from __future__ import annotations

from bisect import insort
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from blowergrade.sequencing_problem import Problem, bits, finest, split

#: Bounds are counted in twelfths of a second, so that the price of half, a third or a quarter of a test stays whole.
TWELFTHS = 12
#: The goal of each round lies this share above what the round before has proven: one in so many.
ROUND = 12

Key = tuple[int, int]  # a set and a mode
Entry = tuple[int, int]  # W and the number of the best test


@dataclass(frozen=True, slots=True)
class _Ask:
    """A test of the bare problem. `blocks`: its outcomes in the whole set, and whether all in it are alike pairwise."""

    number: int
    mode: int
    cost: int
    alike: tuple[int, ...]
    blocks: tuple[tuple[int, bool], ...]
    most: int  # at most so many outcomes in any subset


Option = tuple[int, int, int, tuple[int, ...]]  # test of the bare problem, its mode, its cost, outcomes
Thresholds = tuple[tuple[int, int], ...]  # (price, mask): the price of parting from those in the mask, dearest first
Prices = list[list[Thresholds]]  # per mode and hypothesis


class Bare:
    """One root set with what can't be parted carried as one, and without tests that another one beats in any set."""

    def __init__(self, problem: Problem, root: int) -> None:
        self.distance = problem.closed
        self.blocks = finest(problem, root)
        self.size = len(self.blocks)
        self.weights = [problem.weight(b) for b in self.blocks]
        owners = [{problem.units[k] for k in bits(b)} for b in self.blocks]
        self.mixed = tuple(b for b, units in zip(self.blocks, owners, strict=True) if len(units) > 1)
        members: dict[object, int] = {}
        for k, units in enumerate(owners):
            name: object = ("unit", *units) if len(units) == 1 else ("group", k)
            members[name] = members.get(name, 0) | 1 << k
        self.units = list(members.values())
        self.unit_of = [next(u for u in self.units if u >> k & 1) for k in range(self.size)]
        self.asks = self._asks(problem)
        self.cheapest = min((t.cost for t in self.asks), default=0)
        self.halving = min((t.cost * TWELFTHS // _doublings(t.most) for t in self.asks), default=0)
        self.prices = (
            self._prices([t.cost * TWELFTHS for t in self.asks]),
            self._prices([(t.cost - self.cheapest) * TWELFTHS for t in self.asks]),
            self._prices([t.cost * TWELFTHS - self.halving * _doublings(t.most) for t in self.asks]),
        )

    def pack(self, mask: int) -> int | None:
        """A set of the problem as a set of blocks; None when it cuts through one or leaves the root."""
        packed = 0
        for k, block in enumerate(self.blocks):
            if mask & block:
                if block & ~mask:
                    return None
                packed |= 1 << k
                mask &= ~block
        return None if mask else packed

    def unpack(self, packed: int) -> int:
        """A set of blocks as a set of the problem."""
        return sum(self.blocks[k] for k in bits(packed))

    def _asks(self, problem: Problem) -> list[_Ask]:
        block_of = {k: b for b, block in enumerate(self.blocks) for k in bits(block)}
        root = sum(self.blocks)
        whole = (1 << self.size) - 1
        packings: dict[int, int] = {}
        best: dict[tuple[int, tuple[int, ...]], tuple[int, int]] = {}
        for number, test in enumerate(problem.tests):
            alike = [0] * self.size
            for k, b in block_of.items():
                alike[b] |= test.alike[k] & root
            for mask in alike:
                if mask not in packings:
                    packings[mask] = sum({1 << block_of[j] for j in bits(mask)})
            packed = tuple(packings[mask] for mask in alike)
            if any(mask != whole for mask in packed):
                key = (test.mode, packed)
                best[key] = min(best.get(key, (test.cost, number)), (test.cost, number))
        found = sorted((mode, cost, alike, number) for (mode, alike), (cost, number) in best.items())
        return [_ask(number, mode, cost, alike) for mode, cost, alike, number in self._unbeaten(found)]

    def _unbeaten(self, found: list[tuple[int, int, tuple[int, ...], int]]) -> list[tuple[int, int, tuple[int, ...], int]]:
        """Without tests that another tells at least as much as, at no more cost even with the way back to their mode."""
        modes = range(len(self.distance))
        extra = [
            [max(self.distance[z][b] + self.distance[b][a] - self.distance[z][a] for z in modes) for a in modes] for b in modes
        ]
        flat = [sum(mask << self.size * k for k, mask in enumerate(alike)) for _, _, alike, _ in found]
        kept = list(range(len(found)))
        for x in range(len(found)):
            mode, cost = found[x][0], found[x][1]
            for y in kept:
                if y != x and not flat[y] & ~flat[x] and found[y][1] + extra[found[y][0]][mode] <= cost:
                    kept.remove(x)
                    break
        return [found[x] for x in kept]

    def _prices(self, costs: Sequence[int]) -> Prices:
        """For each mode and hypothesis: what parting it from others of another unit costs at least, set-up included."""
        near: list[list[dict[int, int]]] = []  # by mode of the test: price in that mode → mask
        order = sorted(range(len(costs)), key=lambda t: costs[t])
        modes = range(len(self.distance))
        for mode in modes:
            asks = [(costs[t], self.asks[t].alike) for t in order if self.asks[t].mode == mode]
            rows: list[dict[int, int]] = []
            for k in range(self.size):
                left = (1 << self.size) - 1 & ~self.unit_of[k]
                row: dict[int, int] = {}
                for price, alike in asks:
                    parted = left & ~alike[k]
                    if parted:
                        row[price] = row.get(price, 0) | parted
                        left &= ~parted
                        if not left:
                            break
                rows.append(row)
            near.append(rows)
        return [[self._merged(mode, [rows[k] for rows in near], k) for k in range(self.size)] for mode in modes]

    def _merged(self, mode: int, rows: Sequence[Mapping[int, int]], k: int) -> Thresholds:
        prices = sorted(
            (price + self.distance[mode][there] * TWELFTHS, mask)
            for there, row in enumerate(rows)
            for price, mask in row.items()
        )
        left = (1 << self.size) - 1 & ~self.unit_of[k]
        made: dict[int, int] = {}
        for price, mask in prices:
            if mask & left:
                made[price] = made.get(price, 0) | mask & left
                left &= ~mask
        return tuple(sorted(made.items(), reverse=True))


def _ask(number: int, mode: int, cost: int, alike: tuple[int, ...]) -> _Ask:
    blocks, most = [], 0
    for block in split((1 << len(alike)) - 1, alike):
        clique = all(alike[k] & block == block for k in bits(block))
        blocks.append((block, clique))
        left = block
        while left:  # cliques that cover the block: no subset has more components than cliques
            taken, others = left & -left, alike[(left & -left).bit_length() - 1] & left & ~(left & -left)
            while others:
                low = others & -others
                taken |= low
                others &= alike[low.bit_length() - 1] & ~low
            left &= ~taken
            most += 1
    return _Ask(number, mode, cost, alike, tuple(blocks), most)


def _doublings(outcomes: int) -> int:
    """So many yes-or-no tests one after the other tell that many outcomes apart."""
    return max(1, (outcomes - 1).bit_length())


def huffman(masses: Sequence[int], arity: int) -> int:
    """The least Σ weight × depth of a tree over ascending `masses` with `arity` branches (Huffman, Proc. IRE 40, 1952)."""
    queue, total = list(masses), 0
    if len(queue) < 2:
        return 0
    take = (len(queue) - 2) % (arity - 1) + 2
    while len(queue) > 1:
        merged = sum(queue[:take])
        del queue[:take]
        insort(queue, merged)
        total += merged
        take = arity
    return total


# ------------------------------------------------------------------------------------------------------------- the search
@dataclass(slots=True)
class _Facts:
    """Of a set, whatever the mode: its weight, members with their weights, masses of its units ascending, Huffman sums."""

    weight: int
    members: tuple[tuple[int, int], ...]
    masses: tuple[int, ...]
    huffman: dict[int, int]


class Search:
    """Depth-first AND/OR branch and bound with memo, in rounds of rising goals.

    `lower[S, m]` is proven; `exact[S, m]` holds W and the best test where they are known.
    """

    def __init__(self, bare: Bare) -> None:
        self.bare = bare
        self.lower: dict[Key, int] = {}
        self.exact: dict[Key, Entry] = {}
        self.planned: dict[Key, Entry] = {}
        self.answers: dict[Key, tuple[int, int, bool]] = {}
        self.nodes = 0
        self.limit = 0
        self._facts: dict[int, _Facts] = {}
        self._options: dict[int, tuple[int, list[Option]]] = {}

    def solved(self, mask: int) -> bool:
        return not mask & ~self.bare.unit_of[(mask & -mask).bit_length() - 1]

    def facts(self, mask: int) -> _Facts:
        found = self._facts.get(mask)
        if found is None:
            weights = self.bare.weights
            masses = sorted(sum(weights[k] for k in bits(mask & unit)) for unit in self.bare.units if mask & unit)
            members = tuple((k, weights[k]) for k in bits(mask))
            found = self._facts[mask] = _Facts(sum(masses), members, tuple(masses), {})
        return found

    def bound(self, mask: int, mode: int, arity: int) -> int:
        """A lower bound of W(mask, mode), in weight × whole seconds; no test has more than `arity` outcomes in `mask`.

        The greatest of three sums. Each hypothesis needs a test that parts it from each hypothesis of another unit; the dearest
        of these cheapest partings, from `mode`, is the first. For the others, the units' masses are leaves of a tree: with n
        branches at most, each test at least the cheapest; or, a test with k outcomes being at most log2 k halvings, each
        halving at its cheapest. What the parting test costs beyond comes on top, once.
        """
        facts, bare = self.facts(mask), self.bare
        sums = []
        for prices in bare.prices:
            total, row = 0, prices[mode]
            for k, weight in facts.members:
                for price, others in row[k]:
                    if others & mask:
                        total += weight * price
                        break
            sums.append(total)
        n_way, halvings = (self._huffman(facts, arity), self._huffman(facts, 2))
        most = max(sums[0], bare.cheapest * TWELFTHS * n_way + sums[1], bare.halving * halvings + sums[2])
        return -(-most // TWELFTHS)

    def _huffman(self, facts: _Facts, arity: int) -> int:
        known = facts.huffman.get(arity)
        if known is None:
            known = facts.huffman[arity] = huffman(facts.masses, arity)
        return known

    def options(self, mask: int) -> tuple[int, list[Option]]:
        """The most outcomes that a test can have in any subset, and the tests that split `mask`, the cheapest of equals."""
        found = self._options.get(mask)
        if found is not None:
            return found
        best: dict[tuple[int, tuple[int, ...]], int] = {}
        arity = 2
        for number, ask in enumerate(self.bare.asks):
            groups: list[int] = []
            count = 0
            for block, clique in ask.blocks:
                part = block & mask
                if not part:
                    continue
                if clique or not part & (part - 1):
                    groups.append(part)
                    count += 1
                else:
                    groups += split(part, ask.alike)
                    count += part.bit_count()
            arity = max(arity, min(count, ask.most))  # a chain that holds together here may fall apart in a subset
            if len(groups) < 2:
                continue
            groups.sort(key=lambda g: g & -g)
            best.setdefault((ask.mode, tuple(groups)), number)  # tests of a mode come by ascending cost
        asks = self.bare.asks
        found = arity, [(number, mode, asks[number].cost, groups) for (mode, groups), number in best.items()]
        if len(self._options) >= 20_000:
            self._options.clear()
        self._options[mask] = found
        return found

    def least(self, mask: int, mode: int, arity: int) -> int:
        """What is proven of W(mask, mode) so far."""
        if self.solved(mask):
            return 0
        known = self.exact.get((mask, mode))
        if known is not None:
            return known[0]
        proven = self.lower.get((mask, mode))
        if proven is None:
            proven = self.lower[mask, mode] = self.bound(mask, mode, arity)
        return proven

    def run(self, mask: int, mode: int, node_limit: int) -> tuple[int, int, bool]:
        """Lower bound, upper bound and whether they are equal, for one set; `node_limit` nodes are spent at most, once."""
        found = self.answers.get((mask, mode))
        if found is None:
            found = self.answers[mask, mode] = self._rounds(mask, mode, self.nodes + node_limit)
        return found

    def _rounds(self, mask: int, mode: int, limit: int) -> tuple[int, int, bool]:
        self.limit, arity = limit, max(2, self.bare.size)
        lower = self.least(mask, mode, arity)
        while not self._known(mask, mode):
            upper = self.plan(mask, mode)[0]
            assert lower <= upper, "a bound is wrong"
            if self.nodes >= limit:
                upper = self._planned_again(mask, mode)
                return min(lower, upper), upper, lower >= upper
            lower = self._descend(mask, mode, min(upper + 1, lower + max(1, lower // ROUND)), arity)
        return lower, lower, True

    def _descend(self, mask: int, mode: int, goal: int, arity: int) -> int:
        """W(mask, mode) if it lies below `goal`, then also in `exact`; else a proven lower bound."""
        start = self.least(mask, mode, arity)
        if start >= goal or self.solved(mask) or (mask, mode) in self.exact or self.nodes >= self.limit:
            return start
        self.nodes += 1
        arity, options = self.options(mask)
        weight, way = self.facts(mask).weight, self.bare.distance[mode]
        ranked: list[tuple[int, int, int, int, tuple[int, ...]]] = []
        for number, there, cost, groups in options:
            price = weight * (way[there] + cost)
            promise = price
            if promise < goal:
                promise += sum(self.least(g, there, arity) for g in groups)
            ranked.append((promise, number, there, price, groups))
        ranked.sort()
        best, best_number, proven = goal, -1, None
        for promise, number, there, price, groups in ranked:
            if promise >= best:
                proven = promise if proven is None else min(proven, promise)
                break
            total = price + sum(self.least(g, there, arity) for g in groups)
            for group in sorted(groups, key=lambda g: -self.facts(g).weight):
                if total >= best:
                    break
                before = self.least(group, there, arity)
                total += self._descend(group, there, best - (total - before), arity) - before
            proven = total if proven is None else min(proven, total)
            if total < best and all(self._known(g, there) for g in groups):
                best, best_number = total, number
        if best_number >= 0 and proven == best:
            self.exact[mask, mode] = best, best_number
            return best
        assert proven is not None  # blocks can be parted, so there is an option
        self.lower[mask, mode] = max(start, proven)
        return self.lower[mask, mode]

    def _known(self, mask: int, mode: int) -> bool:
        return self.solved(mask) or (mask, mode) in self.exact

    # ------------------------------------------------------------------ plans: upper bounds that a technician can follow
    def plan(self, mask: int, mode: int) -> Entry:
        """An upper bound of W(mask, mode) and the test to begin with: the best mix of two greedy rules below what is exact."""
        if self.solved(mask):
            return 0, -1
        found = self.exact.get((mask, mode)) or self.planned.get((mask, mode))
        if found is not None:
            return found
        weight, way = self.facts(mask).weight, self.bare.distance[mode]
        made: list[Entry] = []
        for number, there, cost, groups in self._greedy(mask, mode):
            total = weight * (way[there] + cost) + sum(self.plan(g, there)[0] for g in groups)
            made.append((total, number))
        found = self.planned[mask, mode] = min(made)
        return found

    def _planned_again(self, mask: int, mode: int) -> int:
        """The upper bound of a plan made with all that is proven by now, if it is better than the plan made before."""
        before, self.planned = self.planned, {}
        if self.plan(mask, mode)[0] > before[mask, mode][0]:
            self.planned = before
        return self.planned[mask, mode][0]

    def _greedy(self, mask: int, mode: int) -> list[Option]:
        """Most weight of pairs told apart a second; least promise by the bounds. One option when both agree."""
        arity, options = self.options(mask)
        weight, way = self.facts(mask).weight, self.bare.distance[mode]
        teller, most, seconds = options[0], 0, 1
        promising, least = options[0], None
        for option in sorted(options):
            _, there, cost, groups = option
            told = weight * weight - sum(self.facts(g).weight ** 2 for g in groups)
            if told * seconds > most * (way[there] + cost):
                teller, most, seconds = option, told, way[there] + cost
            promise = weight * (way[there] + cost) + sum(self.least(g, there, arity) for g in groups)
            if least is None or promise < least:
                promising, least = option, promise
        return [teller] if teller == promising else [teller, promising]
