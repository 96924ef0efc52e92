"""Test sequencing: optima from books, exhaustive search over everything small, bounds that hold, answers that stay the same."""

from __future__ import annotations

import itertools
import json
import os
import random
import subprocess
import sys
from collections.abc import Callable, Iterable
from functools import cache
from typing import Any

import pytest
from sampling import sampled, seed

from blowergrade import sequencing as q
from blowergrade.sequencing_search import Bare, Search

Solved = tuple[q.Problem, q.Solution, int]
COUNT = 600  # random problems that are always compared with exhaustive search


# ------------------------------------------------------------------ the same question answered without any cleverness
def outcomes(members: Iterable[int], test: q.Test) -> list[frozenset[int]]:
    """Components of `alike` within the members, by merging sets until nothing merges."""
    groups: list[set[int]] = []
    for k in members:
        near = [g for g in groups if any(test.alike[k] >> j & 1 for j in g)]
        groups = [g for g in groups if g not in near] + [{k}.union(*near)]
    return [frozenset(g) for g in groups]


def way(problem: q.Problem, a: int, b: int) -> int:
    """Shortest set-up by trying every order of stops."""
    stops = [m for m in range(len(problem.distance)) if m not in (a, b)]
    paths = [p for n in range(len(stops) + 1) for p in itertools.permutations(stops, n)]
    return min(sum(problem.distance[x][y] for x, y in itertools.pairwise((a, *p, b))) if a != b else 0 for p in paths)


def exhaustive(problem: q.Problem) -> Callable[[frozenset[int], int], int]:
    """W by trying every test everywhere."""
    modes = range(len(problem.distance))
    ways = {(a, b): way(problem, a, b) for a in modes for b in modes}

    @cache
    def told(members: frozenset[int], number: int) -> list[frozenset[int]]:
        return outcomes(members, problem.tests[number])

    @cache
    def W(members: frozenset[int], mode: int) -> int:
        if len({problem.units[k] for k in members}) == 1:
            return 0
        weight = sum(problem.weights[k] for k in members)
        costs = [
            weight * (ways[mode, t.mode] + t.cost) + sum(W(o, t.mode) for o in told(members, number))
            for number, t in enumerate(problem.tests)
            if len(told(members, number)) > 1
        ]
        return min(costs, default=0)

    return W


def set_of(mask: int) -> frozenset[int]:
    return frozenset(q.bits(mask))


def hard_problem(draw: random.Random) -> q.Problem:
    """Ten hypotheses of as many units, thirty tests in three modes that each tell one to four apart: the search has to work."""
    n, modes, tests = 10, 3, []
    for number in range(30):
        value = [0] * n
        for k in draw.sample(range(n), draw.randint(1, 4)):
            value[k] = draw.randint(1, 2)
        alike = tuple(sum(1 << j for j in range(n) if value[k] == value[j]) for k in range(n))
        tests.append(q.Test(number % modes, draw.randint(10, 30), alike))
    weights = tuple(draw.choice((60, 90, 120, 180, 300)) for _ in range(n))
    distance = tuple(tuple(0 if a == b else draw.choice((20, 45, 85)) for b in range(modes)) for a in range(modes))
    return q.Problem(weights, tuple(range(n)), distance, tuple(tests))


def random_problem(draw: random.Random, most: int = 9) -> q.Problem:
    """Few hypotheses, units, modes and tests; blocks, chains of overlapping readings, copies, and pairs that nothing parts."""
    n, modes = draw.randint(2, most), draw.randint(1, 3)
    tests = []
    for _ in range(draw.randint(1, n + 4)):
        mode, cost = draw.randrange(modes), draw.choice((0, 1, 5, 10, 15, 22, 60))
        if draw.random() < 0.5:
            centre = [draw.randint(0, 12) for _ in range(n)]
            wide = draw.randint(1, 4)
            alike = [sum(1 << j for j in range(n) if abs(centre[k] - centre[j]) < wide) for k in range(n)]
        else:
            rare = draw.choice((2, 4, 8))
            value = [draw.randint(1, 3) if draw.randrange(rare) == 0 else 0 for _ in range(n)]
            alike = [sum(1 << j for j in range(n) if value[k] == value[j]) for k in range(n)]
        tests.append(q.Test(mode, cost, tuple(alike)))
        if draw.random() < 0.2:
            tests.append(q.Test(mode, cost + draw.randint(0, 3), tuple(alike)))
    weights = tuple(draw.choice((1, 3, 60, 120, 300)) for _ in range(n))
    units = tuple(draw.randrange(n) if draw.random() < 0.7 else 0 for _ in range(n))
    distance = tuple(tuple(0 if a == b else draw.choice((0, 3, 20, 85, 285)) for b in range(modes)) for a in range(modes))
    return q.Problem(weights, units, distance, tuple(tests), draw.randrange(modes))


def random_problems(count: int, most: int = 9) -> list[q.Problem]:
    return [random_problem(random.Random(k), most) for k in range(count)]


def plain(weights: Iterable[int], tests: Iterable[q.Test], units: Iterable[int] | None = None) -> q.Problem:
    """One mode; every hypothesis its own unit unless told."""
    weights = tuple(weights)
    return q.Problem(weights, tuple(range(len(weights)) if units is None else units), ((0,),), tuple(tests))


# ------------------------------------------------------------------ optima that others have published
def test_the_optimal_search_tree_of_the_textbook_comes_out() -> None:
    # Cormen, Leiserson, Rivest, Stein, Introduction to Algorithms, optimal binary search trees: expected cost 2.75, where the
    # gaps that end a search in vain count as nodes of their own (from memory). Comparisons alone: 2.75 − 0.40 = 2.35.
    found, between = (15, 10, 5, 10, 20), (5, 10, 5, 5, 5, 10)
    weights = [w for pair in itertools.zip_longest(between, found) for w in pair if w is not None]
    everything = (1 << len(weights)) - 1
    tests = []
    for key in range(5):
        at = 2 * key + 1
        below = (1 << at) - 1
        tests.append(q.Test.of_outcomes(0, 1, (below, 1 << at, everything & ~below & ~(1 << at))))
    solution = q.solve(plain(weights, tests))
    assert solution.exact and solution.upper == 235
    assert solution.upper + sum(between) == 275


def test_the_huffman_code_of_the_textbook_comes_out() -> None:
    # Cormen et al., Huffman codes: a 45, b 13, c 12, d 16, e 9, f 5; 2.24 bits a character (from memory).
    weights = (45, 13, 12, 16, 9, 5)
    tests = [q.Test.of_outcomes(0, 1, (mask, 63 & ~mask)) for mask in range(1, 32)]
    assert len(tests) == 31
    solution = q.solve(plain(weights, tests))
    assert solution.exact and solution.upper == 224


@pytest.mark.parametrize("number", range(12))
def test_components_tested_one_by_one_go_by_ascending_cost_over_probability(number: int) -> None:
    # Kalagnanam & Henrion, A comparison of decision analysis and expert rules for sequential diagnosis, arXiv 1304.2362.
    draw = random.Random(number)
    n = 7
    costs, weights = [draw.randint(1, 90) for _ in range(n)], [draw.randint(1, 300) for _ in range(n)]
    everything = (1 << n + 1) - 1  # the last is "none of them", so that every component has to be tested
    tests = [q.Test.of_outcomes(0, cost, (1 << k, everything & ~(1 << k))) for k, cost in enumerate(costs)]
    problem = plain((*weights, draw.randint(1, 300)), tests)
    left, expected, total = everything, 0, sum(problem.weights)
    for k in sorted(range(n), key=lambda k: (costs[k] / weights[k], k)):
        expected += costs[k] * total
        total -= weights[k]
    solution = q.solve(problem)
    assert solution.exact and solution.upper == expected
    ratios = []
    while (first := solution.policy(left, 0)) is not None:
        ratios.append(costs[first] / weights[first])
        left &= ~(1 << first)
    assert ratios == sorted(ratios) and len(ratios) == n


@pytest.mark.parametrize("k", range(1, 6))
def test_equal_hypotheses_take_as_many_yes_or_no_tests_as_their_number_has_bits(k: int) -> None:
    n = 1 << k
    ones = [sum(1 << h for h in range(n) if h >> bit & 1) for bit in range(k)]
    solution = q.solve(plain([1] * n, [q.Test.of_outcomes(0, 1, (mask, (1 << n) - 1 & ~mask)) for mask in ones]))
    assert solution.exact and solution.upper == n * k


def test_the_polybox_has_its_four_minimal_diagnoses_and_is_probed_at_X_first() -> None:
    # de Kleer & Williams, Diagnosing multiple faults, AIJ 32, 1987 (from memory): A=3 B=2 C=2 D=3 E=3, X=A·C, Y=B·D, Z=C·E,
    # F=X+Y seen 10 in place of 12, G=Y+Z seen 12; minimal diagnoses {A1}, {M1}, {A2,M2}, {M2,M3}; the best first probe is X.
    parts = ("M1", "M2", "M3", "A1", "A2")

    def rows(broken: frozenset[str]) -> list[tuple[int, int, int]]:
        every = range(13)
        return [
            (x, y, z)
            for x in (every if "M1" in broken else (6,))
            for y in (every if "M2" in broken else (6,))
            for z in (every if "M3" in broken else (6,))
            if ("A1" in broken or x + y == 10) and ("A2" in broken or y + z == 12)
        ]

    minimal: list[frozenset[str]] = []
    for size in range(len(parts) + 1):
        for chosen in map(frozenset, itertools.combinations(parts, size)):
            if not any(known <= chosen for known in minimal) and rows(chosen):
                minimal.append(chosen)
    assert set(minimal) == {frozenset(x) for x in (("A1",), ("M1",), ("A2", "M2"), ("M2", "M3"))}

    seen = [rows(diagnosis) for diagnosis in minimal]
    assert all(len(values) == 1 for values in seen)
    tests = []
    for point in range(3):
        values = [v[0][point] for v in seen]
        tests.append(
            q.Test.of_outcomes(0, 1, [sum(1 << k for k, v in enumerate(values) if v == x) for x in sorted(set(values))])
        )
    solution = q.solve(plain([100 if len(d) == 1 else 1 for d in minimal], tests))  # every part fails once in a hundred
    assert solution.exact and solution.policy(15, 0) == 0


# ------------------------------------------------------------------ against exhaustive search
@pytest.fixture(scope="module")
def solved() -> list[Solved]:
    """The fixed random problems, our answer and the optimum by exhaustive search."""
    made = []
    for problem in random_problems(COUNT):
        W = exhaustive(problem)
        made.append((problem, q.solve(problem), W(set_of(problem.everything), problem.start)))
    return made


def test_the_optimum_is_that_of_exhaustive_search(solved: list[Solved]) -> None:
    for problem, solution, optimum in solved:
        assert (solution.lower, solution.upper, solution.exact) == (optimum, optimum, True), problem
    assert sum(optimum > 0 for _, _, optimum in solved) > COUNT // 2  # most of them ask something


def test_hard_problems_come_out_as_by_exhaustive_search_and_short_searches_bracket_them() -> None:
    nodes = 0
    for number in range(16):
        problem = hard_problem(random.Random(number))
        optimum = exhaustive(problem)(set_of(problem.everything), 0)
        solution = q.solve(problem)
        nodes += solution.nodes
        assert solution.exact and solution.lower == solution.upper == optimum
        bounds = [(s.lower, s.upper) for s in (q.solve(problem, node_limit=limit) for limit in (0, 8, 32, 64))]
        assert all(lower <= optimum <= upper for lower, upper in bounds)
        assert sorted(lower for lower, _ in bounds) == [lower for lower, _ in bounds]  # more nodes prove more
    assert nodes > 16 * 20  # they are no trifles


def test_the_optimum_is_that_of_exhaustive_search_for_new_problems_too() -> None:
    draw = random.Random(seed())
    for _ in range(60):
        problem = random_problem(draw)
        assert q.solve(problem).upper == exhaustive(problem)(set_of(problem.everything), problem.start), problem


def test_following_the_policy_costs_the_optimum(solved: list[Solved]) -> None:
    for problem, solution, optimum in solved:
        assert q.expected_cost(problem, solution.policy) == optimum


def test_what_no_test_parts_is_the_same_in_whatever_order_the_tests_come(solved: list[Solved]) -> None:
    for problem, solution, _ in solved:
        parts = [set_of(problem.everything)]
        for _ in range(len(problem.weights)):
            for test in reversed(problem.tests):
                parts = [o for part in parts for o in outcomes(part, test)]
        mixed = {part for part in parts if len({problem.units[k] for k in part}) > 1}
        assert {set_of(mask) for mask in solution.ambiguous} == mixed
    assert sum(bool(solution.ambiguous) for _, solution, _ in solved) > 20


def test_the_value_of_any_set_in_any_mode_is_that_of_exhaustive_search() -> None:
    for problem in random_problems(60, most=6):
        W, solution = exhaustive(problem), q.solve(problem)
        for mask in range(1, problem.everything + 1):
            for mode in range(len(problem.distance)):
                optimum = W(set_of(mask), mode)
                assert solution.value(mask, mode) == q.Value(optimum, optimum, True)


def test_no_bound_exceeds_the_optimum_of_any_set_in_any_mode() -> None:
    compared = tight = 0
    for problem in random_problems(200, most=6):
        W = exhaustive(problem)
        search = Search(Bare(problem, problem.everything))
        for packed in range(1, 1 << search.bare.size):
            arity, options = search.options(packed)
            reachable = {(packed, m, search.bare.size) for m in range(len(problem.distance))}
            reachable |= {(g, mode, arity) for _, mode, _, groups in options for g in groups}
            for mask, mode, most in reachable:
                optimum = W(set_of(search.bare.unpack(mask)), mode)
                bound = search.bound(mask, mode, max(2, most)) if not search.solved(mask) else 0
                assert bound <= optimum
                compared += 1
                tight += bound == optimum > 0
    assert compared > 10_000 and tight > 1_000


def test_a_search_that_is_cut_short_brackets_the_optimum(solved: list[Solved]) -> None:
    open_ended = 0
    for problem, _, optimum in solved:
        for limit in (0, 1, 2, 4):
            short = q.solve(problem, node_limit=limit)
            assert short.nodes <= limit
            assert short.lower <= optimum <= short.upper
            assert short.exact == (short.lower == short.upper)
            assert q.expected_cost(problem, short.policy) == short.upper
            open_ended += not short.exact
    assert open_ended > 100


def test_regrets_add_up_to_what_a_policy_costs_beyond_the_optimum() -> None:
    # E[cost of a policy] = V* + E[ΣΔ], Δ = w·(d + c) + Σ W(outcomes) − W(set): any policy, here tests by chance.
    draw = random.Random(7)
    for problem in random_problems(120):
        solution, regret = q.solve(problem), 0
        chosen: dict[q.Key, int] = {}
        todo = [(problem.everything, problem.start)]
        while todo:
            mask, mode = todo.pop()
            useful = [k for k, t in enumerate(problem.tests) if len(q.split(mask, t.alike)) > 1]
            if problem.solved(mask) or not useful:
                continue
            chosen[mask, mode] = number = draw.choice(useful)
            test = problem.tests[number]
            after = [(g, test.mode) for g in q.split(mask, test.alike)]
            price = problem.weight(mask) * (problem.closed[mode][test.mode] + test.cost)
            delta = price + sum(solution.value(*x).upper for x in after) - solution.value(mask, mode).upper
            assert delta >= 0
            regret += delta
            todo += after

        def by_chance(mask: int, mode: int, chosen: dict[q.Key, int] = chosen) -> int | None:
            return chosen.get((mask, mode))

        assert q.expected_cost(problem, by_chance) == solution.upper + regret


# ------------------------------------------------------------------ the same answer every time
def test_the_order_of_the_tests_changes_neither_the_bounds_nor_the_nodes(solved: list[Solved]) -> None:
    draw = random.Random(3)
    for problem, _, _ in solved[::4]:
        for limit in (2, q.NODE_LIMIT):
            tests = list(problem.tests)
            draw.shuffle(tests)
            other = q.Problem(problem.weights, problem.units, problem.distance, tuple(tests), problem.start)
            one, two = q.solve(problem, node_limit=limit), q.solve(other, node_limit=limit)
            assert (one.lower, one.upper, one.exact, one.nodes) == (two.lower, two.upper, two.exact, two.nodes)


def test_another_process_with_another_hash_seed_says_the_same_byte_for_byte() -> None:
    program = (
        "import json, random, test_sequencing as t\n"
        "from blowergrade import sequencing as q\n"
        "found = [q.solve(t.random_problem(random.Random(k), 9), node_limit=6) for k in range(40)]\n"
        "print(json.dumps([[s.lower, s.upper, s.nodes, q.dump(s.policy)] for s in found]))"
    )
    texts = set()
    for value in ("1", "2"):
        places = os.pathsep.join([os.path.dirname(__file__), *sys.path])  # noqa: PTH120 - a search path is text
        environment = os.environ | {"PYTHONHASHSEED": value, "PYTHONPATH": places}
        done = subprocess.run([sys.executable, "-c", program], env=environment, capture_output=True, text=True, check=True)
        texts.add(done.stdout)
    assert len(texts) == 1 and len(texts.pop()) > 1000


# ------------------------------------------------------------------ the cache on disk
def test_a_stored_policy_comes_back_and_needs_no_search(solved: list[Solved]) -> None:
    for number in sampled(len(solved), 30):
        problem, solution, optimum = solved[number]
        text = json.dumps(q.dump(solution.policy))
        again = q.solve(problem, known=q.load(problem, json.loads(text)))
        assert (again.upper, again.exact, again.nodes) == (optimum, True, 0)
        assert q.expected_cost(problem, again.policy) == optimum and again.policy.nodes == 0
        assert json.dumps(q.dump(again.policy)) == text


def test_what_the_path_reaches_is_enough_to_follow_it() -> None:
    smaller = 0
    for problem in [*random_problems(40, most=20), *(hard_problem(random.Random(k)) for k in range(10))]:
        solution = q.solve(problem)
        whole, path = q.dump(solution.policy), q.dump(solution.policy, q.reached(solution.policy))
        smaller += len(path["proven"]) < len(whole["proven"])
        again = q.solve(problem, known=q.load(problem, path))
        assert q.expected_cost(problem, again.policy) == solution.upper and again.policy.nodes == 0
    assert smaller > 5


def test_a_stored_policy_is_refused_for_another_problem() -> None:
    problem = random_problem(random.Random(0))
    data = q.dump(q.solve(problem).policy)
    weights = (problem.weights[0] + 1, *problem.weights[1:])
    heavier = q.Problem(weights, problem.units, problem.distance, problem.tests, problem.start)
    costs = q.Test(problem.tests[0].mode, problem.tests[0].cost + 1, problem.tests[0].alike)
    dearer = q.Problem(problem.weights, problem.units, problem.distance, (costs, *problem.tests[1:]), problem.start)
    for other in (heavier, dearer):
        with pytest.raises(q.SequencingError, match="of another problem; solve this one and store it again"):
            q.load(other, data)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"format": "test sequencing 0"}, "this version reads 'test sequencing 1'"),
        ({"proven": [["zz", 0, 1, 0]]}, "is damaged"),
        ({"proven": [["3", 0, 1]]}, "is damaged"),
        ({"proven": [["3", 0, 1, 99]]}, "names test 99"),
        ({"proven": [["3", 0, -1, 0]]}, "a stored W is -1"),
        ({"proven": [["ffff", 0, 1, 0]]}, "goes beyond hypothesis"),
    ],
)
def test_a_damaged_stored_policy_is_refused(change: dict[str, Any], words: str) -> None:
    problem = random_problem(random.Random(0))
    with pytest.raises(q.SequencingError, match=words):
        q.load(problem, q.dump(q.solve(problem).policy) | change)


# ------------------------------------------------------------------ what is asked
def test_a_chain_of_readings_falls_apart_once_its_middle_is_gone() -> None:
    # 0 ~ 1 ~ 2 overlap pairwise, so the cheap test says nothing of all three, but parts 0 from 2 once 1 has been ruled out.
    chain = q.Test(0, 5, (0b011, 0b111, 0b110))
    middle = q.Test.of_outcomes(0, 20, (0b010, 0b101))
    problem = plain((1, 1, 1), (chain, middle))
    solution = q.solve(problem)
    assert q.split(7, chain.alike) == [7] and q.split(5, chain.alike) == [1, 4]
    assert solution.policy(7, 0) == 1 and solution.policy(5, 0) == 0
    assert solution.upper == 3 * 20 + 2 * 5
    alone = q.solve(plain((1, 1, 1), (chain,)))
    assert alone.upper == 0 and alone.ambiguous == (7,) and alone.policy(7, 0) is None


def test_a_set_of_one_unit_costs_nothing_and_asks_nothing() -> None:
    problem = plain((3, 4), (q.Test.of_outcomes(0, 5, (1, 2)),), units=(6, 6))
    solution = q.solve(problem)
    assert (solution.upper, solution.exact, solution.nodes, solution.ambiguous) == (0, True, 0, ())
    assert solution.policy(3, 0) is None


def test_the_way_through_a_third_mode_is_taken_where_it_is_shorter() -> None:
    test = q.Test.of_outcomes(2, 5, (1, 2))
    problem = q.Problem((1, 1), (0, 1), ((0, 10, 100), (0, 0, 10), (0, 0, 0)), (test,))
    assert q.solve(problem).upper == 2 * (10 + 10 + 5)


GOOD: dict[str, Any] = {
    "weights": (1, 2),
    "units": (0, 1),
    "distance": ((0, 5), (5, 0)),
    "tests": (q.Test(0, 5, (1, 2)),),
    "start": 0,
}


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"weights": ()}, "no hypotheses; a problem has at least one"),
        ({"weights": (1, 0)}, "weight of hypothesis 1 is 0; it has to be a whole number from 1"),
        ({"weights": (1, 2.0)}, "weight of hypothesis 1 is 2.0"),
        ({"units": (0,)}, "1 units for 2 hypotheses; each hypothesis has one"),
        ({"units": (0, -1)}, "unit of hypothesis 1 is -1"),
        ({"distance": ((0, 5), (5,))}, "distance row 1 has 1 columns; with 2 modes it has 2"),
        ({"distance": ((0, -5), (5, 0))}, "distance from mode 0 to 1 is -5"),
        ({"distance": ((0, 5), (5, 1))}, "from mode 1 to itself is 1; it has to be 0"),
        ({"start": 2}, "the start is in mode 2; there are modes 0 to 1"),
        ({"tests": (q.Test(3, 5, (1, 2)),)}, "test 0 is in mode 3"),
        ({"tests": (q.Test(0, -5, (1, 2)),)}, "cost of test 0 is -5"),
        ({"tests": (q.Test(0, 5, (1,)),)}, "test 0 speaks of 1 hypotheses; there are 2"),
        ({"tests": (q.Test(0, 5, (1, 6)),)}, "hypothesis 1 is like numbers beyond 1"),
        ({"tests": (q.Test(0, 5, (1, 1)),)}, "hypothesis 1 is not like itself; set its own bit"),
        ({"tests": (q.Test(0, 5, (3, 2)),)}, "0 is like 1 but 1 not like 0; alike goes both ways"),
    ],
)
def test_a_problem_that_cant_be_right_is_refused_with_what_would_be(change: dict[str, Any], words: str) -> None:
    assert q.solve(q.Problem(**GOOD)).upper == 15
    with pytest.raises(q.SequencingError, match=words):
        q.Problem(**(GOOD | change))


@pytest.mark.parametrize(
    ("sets", "words"),
    [((1, 3), "hypothesis 0 lies in two outcomes"), ((1, 4), "hypothesis 1 lies in no outcome")],
)
def test_outcomes_that_share_or_lose_a_hypothesis_are_refused(sets: tuple[int, ...], words: str) -> None:
    with pytest.raises(q.SequencingError, match=words):
        q.Test.of_outcomes(0, 5, sets)


def test_a_set_that_is_empty_or_of_another_problem_is_refused() -> None:
    problem = q.Problem(**GOOD)
    for mask in (0, 4, -1):
        with pytest.raises(q.SequencingError, match="is empty or goes beyond hypothesis 1"):
            q.solve(problem, mask)


def test_a_policy_that_stops_early_or_asks_in_vain_is_refused() -> None:
    problem = q.Problem((1, 2, 3), (0, 1, 2), ((0,),), (q.Test.of_outcomes(0, 5, (1, 6)), q.Test.of_outcomes(0, 5, (3, 4))))
    with pytest.raises(q.SequencingError, match="stops at 0x7, where a test tells more"):
        q.expected_cost(problem, lambda mask, mode: None)
    with pytest.raises(q.SequencingError, match="asks test 0 at 0x6, where it tells nothing"):
        q.expected_cost(problem, lambda mask, mode: 0)
