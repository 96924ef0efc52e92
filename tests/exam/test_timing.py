"""Timing and bytes tell nothing of what stands on a bench.

What is measured. Candidates at a service of its own process (the shipped one, with the shipped tick of 300 ms, guard of 60 ms
and solver process; only the rate of two acts a second is lifted) send the same acts to benches that differ in their fault,
each at a random moment, half of them over the WebSocket and half over plain HTTP; half of the acts are those whose
computation differs most. Of each answer the client takes, on the
monotonic clock that the service's ticks hang on too: how long it took, how long after its tick the first byte was there (which
a candidate who knows the ticks could see, and which shows far smaller differences), and how many bytes it had. Dead units are
compared with units that start, for their computations take the most different times: the control, the same service without
ticks, shows that.

What is asked. For each of the 16 pairs the area under the ROC curve (Mann and Whitney's U over the number of pairs; 0.5:
nothing can be told) has a 99.5 % interval that contains 0.5; in a long run, of 10,000 acts for each fault, that interval also
lies within 0.47 to 0.53. 16 true intervals of 99.5 % all hold 0.5 in about 92 of 100 runs only; so a pair whose interval does
not is measured once more with acts of its own, and only what shows twice counts. The shares of missed ticks are compared by
Fisher's exact test, at 0.5 % for all pairs together. A short run is a twentieth of the acts; what it can't tell by pair it
tells for all pairs together.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pytest
import sampling
from exam.timed_acts import Run, Timed, timed
from numpy.typing import NDArray
from scipy import stats

from blowergrade.exam.programme import Rules

DEAD = ("feeder_line_open", "transformer_secondary_open", "short_R_C_cable", "wall_R_open")
RUNS = ("module_output_short", "phase_open", "bearing_seized", "power_link_missing")
PAIRS = tuple((dead, runs) for dead in DEAD for runs in RUNS)
ACTS = 10_000  # of each fault in a long run
LEVEL = 0.995
WITHIN = (0.47, 0.53)
TICK = 0.3  # s
SHIPPED = Rules(rate=0.0)
NO_TICK = Rules(rate=0.0, tick_ms=0, guard_ms=0)

Value = Callable[[Timed], float]


def after_tick(one: Timed) -> float:
    """Seconds from the tick to the answer's first byte."""
    return float(one.heard % TICK)


MEASURES: dict[str, Value] = {"time taken": lambda one: one.waited, "time after the tick": after_tick}


class Area(NamedTuple):
    """An area under the ROC curve with its interval."""

    value: float
    low: float
    high: float

    @property
    def blind(self) -> bool:
        """Whether nothing can be told by it."""
        return self.low <= 0.5 <= self.high


def area_of(answers: Sequence[Timed], pairs: Sequence[tuple[str, str]], value: Value) -> Area:
    """The mean area over `pairs` of faults, with its interval from a bootstrap of whole candidates.

    A candidate's acts hang together, so candidates are drawn, each with all their acts at all faults (Field and Welsh 2007,
    "Bootstrapping clustered data"); the interval is Student's, of candidates - 1 degrees of freedom.
    """
    people = sorted({one.candidate for one in answers})
    by: dict[tuple[str, str], list[float]] = {}
    for one in answers:
        by.setdefault((one.fault, one.candidate), []).append(value(one))
    draws = np.random.default_rng(1).multinomial(len(people), np.full(len(people), 1 / len(people)), 4000).astype(float)
    drawn, whole = np.zeros(len(draws)), 0.0
    for first, second in pairs:
        xs, ys = ([np.array(by[fault, p]) for p in people] for fault in (first, second))
        wins = np.array([[_wins(x, y) for y in ys] for x in xs])
        nx, ny = np.array([len(x) for x in xs]), np.array([len(y) for y in ys])
        drawn += np.einsum("ra,ab,rb->r", draws, wins, draws) / (draws @ nx) / (draws @ ny) / len(pairs)
        whole += wins.sum() / nx.sum() / ny.sum() / len(pairs)
    spread = float(drawn.std(ddof=1)) * np.sqrt(len(people) / (len(people) - 1))
    reach = float(stats.t.ppf((1 + LEVEL) / 2, len(people) - 1)) * spread
    return Area(float(whole), float(whole - reach), float(whole + reach))


def _wins(x: NDArray[np.float64], y: NDArray[np.float64]) -> float:
    """How many (x, y) have y above x, equal ones counted half: Mann and Whitney's U of the y."""
    ordered = np.sort(x)
    return float(np.searchsorted(ordered, y, "left").sum() + np.searchsorted(ordered, y, "right").sum()) / 2


def measure(root: Path, faults: Sequence[str], rules: Rules, count: int, people: int, spread: float, seed: int) -> Run:
    """About `count` acts of each of `faults`."""
    return timed(root, faults, people, -(-count // people), rules=rules, spread=spread, seed=seed)


@pytest.fixture(scope="module")
def shipped(tmp_path_factory: pytest.TempPathFactory) -> Run:
    """All faults at the shipped service."""
    people, count = (25, ACTS) if sampling.long_run() else (16, ACTS // sampling.SHARE)
    spread = 1.1 if sampling.long_run() else 0.6  # s: some 200 acts a second
    run = measure(tmp_path_factory.mktemp("ticks") / "exam", DEAD + RUNS, SHIPPED, count, people, spread, sampling.seed())
    assert min(run.left.values()) >= count
    return run


@pytest.mark.slow
@pytest.mark.parametrize("name", MEASURES)
def test_the_moment_of_an_answer_tells_no_two_faults_apart(shipped: Run, name: str, tmp_path: Path) -> None:
    everything = area_of(shipped.answers, PAIRS, MEASURES[name])
    found = {pair: area_of(shipped.answers, [pair], MEASURES[name]) for pair in PAIRS}
    for pair, area in found.items():
        print(f"{name}: {' and '.join(pair)}: {area.value:.4f} ({area.low:.4f} to {area.high:.4f})")
    print(f"{name}: all pairs: {everything.value:.4f} ({everything.low:.4f} to {everything.high:.4f}); load {os.getloadavg()}")
    for k, pair in enumerate(pair for pair, area in found.items() if not area.blind):
        count = len(shipped.answers) // len(DEAD + RUNS)
        again = measure(tmp_path / f"{k}", pair, SHIPPED, count, 16, 0.3, sampling.seed() + 1 + k)
        found[pair] = area_of(again.answers, [pair], MEASURES[name])
        print(f"{name}: {' and '.join(pair)} once more: {found[pair]}")
    assert all(area.blind for area in found.values()), found
    if sampling.long_run():
        assert all(WITHIN[0] <= area.low and area.high <= WITHIN[1] for area in found.values()), found
    assert everything.low <= 0.5 <= everything.high or sampling.long_run()
    assert everything.low >= 0.45 and everything.high <= 0.55


@pytest.mark.slow
def test_all_answers_of_one_way_have_one_length(shipped: Run) -> None:
    for live in (True, False):
        assert len({one.length for one in shipped.answers if one.live == live}) == 1
    zero = area_of([one for one in shipped.answers if one.live], PAIRS, lambda one: one.length)
    assert zero == Area(0.5, 0.5, 0.5)


@pytest.mark.slow
def test_no_fault_misses_its_ticks_more_often_than_another(shipped: Run) -> None:
    for first, second in PAIRS:
        table = [[shipped.missed[f], shipped.left[f] - shipped.missed[f]] for f in (first, second)]
        chance = stats.fisher_exact(table).pvalue
        print(f"missed ticks: {first} {table[0]}, {second} {table[1]}: p {chance:.3f}")
        assert chance > (1 - LEVEL) / len(PAIRS), f"{first} {table[0]} and {second} {table[1]} (missed, kept)"


@pytest.mark.slow
def test_the_same_check_fails_for_a_service_without_ticks(tmp_path: Path) -> None:
    """The control: else the check could not tell anything."""
    faults = (DEAD[1], RUNS[1])
    run = timed(tmp_path / "exam", faults, 8, 28, rules=NO_TICK, spread=0.001, seed=sampling.seed(), together=False)
    area = area_of(run.answers, [faults], lambda one: one.waited)
    print(f"without ticks: {area}")
    assert not area.blind


def test_the_interval_is_that_of_independent_answers_where_they_are_independent() -> None:
    """Its width against the variance of U without ties under no difference, (m + n + 1) / 12mn (Mann and Whitney 1947)."""
    dice = np.random.default_rng(5)
    count, people = 4000, 50
    answers = [
        Timed(fault, f"c{k % people}", True, float(dice.normal()), 0.0, 0) for fault in ("a", "b") for k in range(count)
    ]  # fmt: skip
    area = area_of(answers, [("a", "b")], lambda one: one.waited)
    theirs = np.sqrt((2 * count + 1) / (12 * count * count)) * stats.t.ppf((1 + LEVEL) / 2, people - 1)
    assert (area.high - area.low) / 2 == pytest.approx(theirs, rel=0.35)
    x, y = ([one.waited for one in answers if one.fault == f] for f in ("a", "b"))
    assert area.value == pytest.approx(stats.mannwhitneyu(y, x).statistic / count**2, abs=1e-12)


def test_the_check_sees_a_shift_of_a_tenth_of_the_spread_in_a_long_run() -> None:
    """What 10,000 answers of each can tell: an area of 0.528, which a shift of 0.1 standard deviations gives (Φ(0.1/√2))."""
    dice = np.random.default_rng(6)
    answers = [
        Timed(fault, f"c{k % 25}", True, float(dice.normal(0.1 * (fault == "b"))), 0.0, 0) for fault in ("a", "b")
        for k in range(ACTS)
    ]  # fmt: skip
    area = area_of(answers, [("a", "b")], lambda one: one.waited)
    assert area.low > 0.5
    assert area.value == pytest.approx(float(stats.norm.cdf(0.1 / np.sqrt(2))), abs=0.015)
