"""Exam forms: they satisfy the blueprint by an examiner apart, are alike, come back from their seed, and say what lacks."""

from __future__ import annotations

import itertools
import json
import os
import random
import re
import subprocess
import sys
from collections.abc import Iterator, Sequence
from functools import cache
from importlib.resources import files
from pathlib import Path

import msgspec
import pytest
from exam.form_check import complaints_about, enmity, faults_of
from msgspec.structs import replace
from sampling import seed as run_seed

from blowerbench.bench import LocalBench
from blowerbench.faults import Hypothesis
from blowerbench.variant import draw_variant
from blowergrade.exam.blueprint import Blueprint, PassRule, Section, load_blueprint, parse_blueprint
from blowergrade.exam.form_model import FormError, fits, objective_of, solve, why_not
from blowergrade.exam.form_pool import ESTIMATED_ON, Enemies, Item, Pool, item_id, pool_of
from blowergrade.exam.form_start import exchanged, random_choice
from blowergrade.exam.forms import FormItem, FormSet, assemble, form_name, load_forms, random_forms, save_forms
from blowergrade.technicians import Technician

#: Deterministic seconds of the solver: enough for the example, few enough for a test.
EFFORT = 0.2
COMPETENCIES = ("power input", "command", "airflow")


@cache
def example() -> tuple[Blueprint, Pool]:
    """The shipped example with the pool whose times are known at once."""
    blueprint = load_blueprint("example")
    return blueprint, pool_of(blueprint, "complaint")


@cache
def assembled() -> FormSet:
    """The example's forms under the run's seed."""
    blueprint, pool = example()
    return assemble(pool, blueprint, run_seed(), EFFORT)


def invented(count: int, seed: int, *, coarse: bool = False) -> Pool:
    """A pool of `count` invented items: competencies in turn, difficulty about 3, times spread by a factor of three."""
    dice = random.Random(seed)
    items = []
    for k in range(count):
        level = min(5, max(1, round(dice.gauss(3, 1))))
        expected = 1000 * level if coarse else max(300, round(1000 * (level + dice.gauss(0, 0.4))))
        seconds = 60 * dice.randint(1, 20) if coarse else round(dice.lognormvariate(6.5, 0.5))
        items.append(Item(f"i{k}", "u", f"f{k}/0", "c", COMPETENCIES[k % 3], level, expected, seconds))
    return Pool(tuple(items), ())


def call(i: Item, minutes: int, section: int) -> FormItem:
    """The item as a form holds it."""
    return FormItem(
        i.id, i.equipment, i.fault, i.complaint, i.competency, i.difficulty, i.expected, minutes, i.seconds, section
    )  # fmt: skip


def asking(*sections: Section, forms: int, exposure: int = 1) -> Blueprint:
    calls = sum(s.count for s in sections)
    return Blueprint("t", ("u",), calls, forms, 20 * calls, PassRule(70, 1), sections, exposure)


# ---------------------------------------------------------------------- forms satisfy the blueprint
def test_assembled_forms_satisfy_the_blueprint_by_an_examiner_that_reads_the_catalogue_itself() -> None:
    blueprint, pool = example()
    faults = faults_of(blueprint.equipment)
    for made in (assembled(), random_forms(pool, blueprint, run_seed()), random_forms(pool, blueprint, 1)):
        assert complaints_about(made, blueprint, faults) == []


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("exposure = 1 ", "exposure = 2 "), ("forms = 4", "forms = 6"), ("forms = 4", "forms = 1"),
        ("longest_minutes = 45", "longest_minutes = 20"),
        ("count = 2", 'count = 2\nequipment = ["furnace_120_split_capacitor"]'),
    ],
)  # fmt: skip
def test_other_blueprints_are_satisfied_as_well(old: str, new: str) -> None:
    text = example_text()
    assert old in text
    blueprint = parse_blueprint(text.replace(old, new), "mine.toml")
    made = assemble(pool_of(blueprint, "complaint"), blueprint, run_seed(), 0.1)
    assert complaints_about(made, blueprint, faults_of(blueprint.equipment)) == []


def example_text() -> str:
    """The example's file as text."""
    return (Path(str(files("blowergrade"))) / "exam" / "blueprints" / "example.toml").read_text(encoding="utf-8")


def spoiled(made: FormSet) -> Iterator[tuple[str, FormSet]]:
    """`made` with one mistake each, and a word of what the examiner has to say."""
    first, second = made.forms[0], made.forms[1]
    one, other = first.items[0], second.items[0]

    def with_first(*items: FormItem) -> FormSet:
        return replace(made, forms=(replace(first, items=items), *made.forms[1:]))

    yield "stands in 2 forms", with_first(other, *first.items[1:])
    yield "an item twice", with_first(first.items[2], *first.items[1:])
    yield "section 1 has 0 calls", with_first(*first.items[1:])
    yield "does not fit section 1", with_first(replace(one, competency="airflow"), *first.items[1:])
    yield "another competency or difficulty", with_first(replace(one, difficulty=5 - one.difficulty % 2), *first.items[1:])
    yield "worth 29 minutes", with_first(replace(one, minutes=29), *first.items[1:])
    yield "takes 9999 s", with_first(replace(one, seconds=9999), *first.items[1:])
    yield "is excluded", with_first(replace(one, fault="healthy_unit/0", complaint="second_look"), *first.items[1:])
    yield "not in the catalogue", with_first(replace(one, fault="no_such/0"), *first.items[1:])
    yield "does not lead to", with_first(replace(one, complaint="nothing"), *first.items[1:])
    yield "the same fault", with_first(*first.items[:-1], replace(first.items[-1], fault=one.fault, equipment=one.equipment))
    yield "3 forms", replace(made, forms=made.forms[:3])
    yield "two forms of one name", replace(made, forms=(*made.forms[:3], replace(made.forms[3], id="A")))


def test_the_examiner_finds_every_mistake_that_is_put_in() -> None:
    blueprint, _ = example()
    faults = faults_of(blueprint.equipment)
    for word, wrong in spoiled(assembled()):
        assert any(word in text for text in complaints_about(wrong, blueprint, faults)), word


# ---------------------------------------------------------------------- the pool
def test_the_pool_holds_every_catalogued_call_that_is_not_left_out_and_nothing_else() -> None:
    blueprint = replace(load_blueprint("example"), longest_minutes=0)
    expected = set()
    for (unit, name), fault in faults_of(blueprint.equipment).items():
        trying = blueprint.familiarisation
        shown = trying is not None and (unit, name) == (trying.equipment, trying.fault)
        if name != "healthy_unit" and not shown:
            severities = range(len(fault.get("severities", [0])))
            expected |= {item_id(unit, f"{name}/{s}", c) for s in severities for c in fault["complaints"]}
    pool = pool_of(blueprint, "complaint")
    assert {i.id for i in pool.items} == expected and len(pool.items) == len(expected)


def test_enemies_of_the_pool_are_those_of_the_examiner() -> None:
    blueprint = replace(load_blueprint("example"), longest_minutes=0, excluded=())
    faults = faults_of(blueprint.equipment)
    pool = pool_of(blueprint, "complaint")
    together = {frozenset(pair) for group in pool.enemies for pair in itertools.combinations(sorted(group.items), 2)}
    calls = [call(i, 30, 1) for i in pool.items]
    pairs = itertools.combinations(calls, 2)
    by_hand = {frozenset((a.id, b.id)) for a, b in pairs if list(enmity(a, b, blueprint, faults))}
    assert together == by_hand and len(by_hand) > 100
    reasons = " ".join(group.why for group in pool.enemies)
    for why in ("the same fault", "the same correction", "nothing to correct", "stop work and leave", " holds ", "group 1"):
        assert why in reasons


def test_difficulty_that_was_observed_takes_the_place_of_the_authors() -> None:
    blueprint, pool = example()
    one = pool.items[0]
    seen = pool_of(blueprint, "complaint", {one.id: 3.456})
    assert seen.item(one.id).expected == 3456 and seen.item(one.id).difficulty == one.difficulty
    assert all(i.expected == 1000 * i.difficulty for i in seen.items if i.id != one.id)
    with pytest.raises(StopIteration):
        pool.item("no such")


def test_the_taught_procedures_time_is_within_its_own_call() -> None:
    unit, complaint = "outdoor_fan_240", "never_stops"
    every = {fault for _, fault in faults_of((unit,))}
    leads = {name for (_, name), f in faults_of((unit,)).items() if complaint in f["complaints"]}
    assert {c for n in leads for c in faults_of((unit,))[unit, n]["complaints"]} == {complaint}
    asked = asking(Section("command", (1, 5), 1, 20), forms=1)
    blueprint = replace(asked, equipment=(unit,), excluded=tuple(sorted(every - leads)))
    heard: list[int] = []
    pool = pool_of(blueprint, progress=heard.append)
    assert heard == list(range(1, len(pool.items) + 1)) and {i.fault_id for i in pool.items} == leads
    for item in pool.items:
        fault, _, severity = item.fault.partition("/")
        bench = LocalBench(unit, Hypothesis(fault, int(severity)), complaint, variant=draw_variant(ESTIMATED_ON))
        Technician(bench).work()
        assert 0 <= item.seconds <= bench.view().clock
    assert any(item.seconds for item in pool.items)


# ---------------------------------------------------------------------- alike
def test_assembled_forms_lie_far_closer_together_than_forms_drawn_by_chance() -> None:
    blueprint, pool = example()
    chance = [random_forms(pool, blueprint, run_seed() + k) for k in range(8)]
    assert len({c.digest for c in chance}) == 8
    for made in (assembled(), *(assemble(pool, blueprint, run_seed() + k, 0.1) for k in (1, 2))):
        assert made.objective <= min(c.objective for c in chance) / 5
        assert made.spread.difficulty <= 1.0 and made.spread.minutes <= 5.0


def test_six_forms_of_eight_from_a_hundred_and_twenty_are_made_alike_to_a_tenth_of_what_chance_gives() -> None:
    """The size of a real exam: 120 invented faults whose difficulty is known to a thousandth of a level."""
    pool = invented(120, run_seed())
    groups = tuple(Enemies("x", frozenset(f"i{j}" for j in range(k, k + 3))) for k in range(0, 120, 6))
    pool = Pool(pool.items, groups)
    blueprint = asking(*(Section(c, (1, 5), n, 20) for c, n in zip(COMPETENCIES, (3, 3, 2), strict=True)), forms=6)
    chance = [random_forms(pool, blueprint, run_seed() + k) for k in range(10)]
    middle = sorted(c.objective for c in chance)[5]
    made = assemble(pool, blueprint, run_seed(), 0.5)
    assert complaints_about(made, blueprint) == []
    assert not any(len({i.id for i in f.items} & g.items) > 1 for f in made.forms for g in groups)
    assert made.objective <= middle / 10 and made.bound <= made.objective


def test_the_spread_and_the_objective_are_those_of_the_calls_themselves() -> None:
    made, (blueprint, _) = assembled(), example()
    levels = [sum(i.expected for i in f.items) for f in made.forms]
    seconds = [sum(i.seconds for i in f.items) for f in made.forms]
    assert made.spread.difficulty == pytest.approx((max(levels) - min(levels)) / 1000)
    assert made.spread.minutes == pytest.approx((max(seconds) - min(seconds)) / 60)
    worth = made.spread.difficulty * blueprint.level_minutes + made.spread.minutes  # in minutes
    assert made.objective == pytest.approx(60_000 * worth) and 0 <= made.bound <= made.objective
    assert [f.difficulty for f in made.forms] == [x / 1000 for x in levels] and [f.seconds for f in made.forms] == seconds
    assert {f.minutes for f in made.forms} == {145}


# ---------------------------------------------------------------------- small questions, all answers
def choices(pool: Pool, blueprint: Blueprint) -> list[frozenset[str]]:
    """Every single form that the blueprint allows, by trying all combinations."""
    per_section = [
        list(itertools.combinations([i for i in pool.items if fits(i, s)], s.count)) for s in blueprint.section
    ]
    found = set()
    for picked in itertools.product(*per_section):
        names = [i.id for part in picked for i in part]
        if len(set(names)) == len(names) and all(len(g.items & set(names)) <= 1 for g in pool.enemies):
            found.add(frozenset(names))
    return sorted(found, key=sorted)


def best_by_hand(pool: Pool, blueprint: Blueprint) -> int | None:
    """The least objective of all sets of forms, found by trying every one; None where there is none."""
    known = {i.id: i for i in pool.items}
    least: int | None = None
    for forms in itertools.combinations_with_replacement(choices(pool, blueprint), blueprint.forms):
        if all(sum(name in form for form in forms) <= blueprint.exposure for name in frozenset().union(*forms)):
            levels = [sum(known[n].expected for n in form) for form in forms]
            seconds = [sum(known[n].seconds for n in form) for form in forms]
            worth = 60 * blueprint.level_minutes * (max(levels) - min(levels)) + 1000 * (max(seconds) - min(seconds))
            least = worth if least is None else min(least, worth)
    return least


def small_question(seed: int) -> tuple[Pool, Blueprint]:
    """A question small enough that every answer can be tried: some have none."""
    dice = random.Random(seed)
    pool = invented(dice.randint(5, 8), seed, coarse=True)
    names = [i.id for i in pool.items]
    groups = tuple(Enemies("x", frozenset(dice.sample(names, dice.randint(2, 3)))) for _ in range(dice.randint(0, 2)))
    sections = [Section(("power input", "airflow"), (1, 5), dice.randint(1, 2), 20)]
    if dice.random() < 0.6:
        sections.append(Section(("command", "airflow"), (1, dice.randint(3, 5)), 1, 20))
    forms = dice.randint(2, 3)
    return Pool(pool.items, groups), asking(*sections, forms=forms, exposure=dice.randint(1, min(2, forms)))


def test_small_questions_are_solved_to_the_proven_best_of_all_answers() -> None:
    solved = without = 0
    for k in range(60):
        pool, blueprint = small_question(1000 * (run_seed() if k % 2 else 0) + k)
        best = best_by_hand(pool, blueprint)
        if best is None:
            without += 1
            with pytest.raises(FormError, match="lacks"):
                solve(pool, blueprint, k, 5.0)
            continue
        solved += 1
        found = solve(pool, blueprint, k, 5.0)
        assert (found.status, found.objective, found.bound) == ("optimal", best, best), k
        known = {i.id: i for i in pool.items}
        assert objective_of([[known[n] for ids in form for n in ids] for form in found.chosen], blueprint) == best
    assert solved >= 15 and without >= 5


def test_the_whole_way_of_assembly_ends_at_the_proven_best_too() -> None:
    tried = 0
    for k in itertools.count():
        pool, blueprint = small_question(k)
        best = best_by_hand(pool, blueprint)
        if best is not None and best > 0:
            made = assemble(pool, blueprint, k, 5.0)
            assert (made.status, made.objective, made.bound) == ("optimal", best, best)
            assert complaints_about(made, blueprint) == []
            tried += 1
        if tried == 4:
            break


def test_exchanges_never_break_a_rule_nor_make_a_set_worse() -> None:
    blueprint, pool = example()
    faults = faults_of(blueprint.equipment)
    known = {i.id: i for i in pool.items}
    for k in range(3):
        dice = random.Random(run_seed() + k)
        start = random_choice(pool, blueprint, dice)
        assert start is not None
        then = exchanged(pool, blueprint, start, dice, steps=2000)
        before, after = (objective_of([[known[n] for ids in f for n in ids] for f in c], blueprint) for c in (start, then))
        assert after <= before
        assert complaints_about(as_set(then, pool, blueprint), blueprint, faults) == []


def as_set(chosen: Sequence[Sequence[Sequence[str]]], pool: Pool, blueprint: Blueprint) -> FormSet:
    made = random_forms(pool, blueprint, 1)
    forms = []
    for number, form in enumerate(chosen):
        items = [
            call(i, s.minutes, k)
            for k, (s, ids) in enumerate(zip(blueprint.section, form, strict=True), 1)
            for i in map(pool.item, ids)
        ]
        forms.append(replace(made.forms[0], id=form_name(number), items=tuple(items)))
    return replace(made, forms=tuple(forms))


# ---------------------------------------------------------------------- seeds
def test_the_same_seed_gives_the_same_forms_in_another_process_and_another_seed_others() -> None:
    blueprint, pool = example()
    program = (
        "from blowergrade.exam.blueprint import load_blueprint\nfrom blowergrade.exam.form_pool import pool_of\n"
        "from blowergrade.exam.forms import assemble\nb = load_blueprint('example')\n"
        f"print(assemble(pool_of(b, 'complaint'), b, {run_seed()}, {EFFORT}).digest)"
    )
    there = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=True, env={**os.environ, "PYTHONHASHSEED": "7"}
    )
    assert there.stdout.strip() == assembled().digest
    assert assemble(pool, blueprint, run_seed() + 1, 0.1).digest != assembled().digest
    assert random_forms(pool, blueprint, 3) == random_forms(pool, blueprint, 3)


def test_forms_are_not_named_in_order_of_difficulty() -> None:
    """A candidate who knows the letter of a form knows nothing of it; invented items, so that no two forms tie."""
    pool = invented(24, 5)
    blueprint = asking(Section(COMPETENCIES, (1, 5), 2, 20), forms=3)
    first = {max(assemble(pool, blueprint, k, 0.01).forms, key=lambda f: f.difficulty).id for k in range(5)}
    assert len(first) > 1


# ---------------------------------------------------------------------- what can't be made
def test_a_section_that_lacks_items_is_named_with_how_many_and_every_cure_that_is_offered_works() -> None:
    pool = invented(12, 3)  # four of each competency
    blueprint = asking(Section("command", (1, 5), 2, 20), Section("airflow", (1, 5), 1, 20), forms=3)
    with pytest.raises(FormError) as caught:
        assemble(pool, blueprint, 1, EFFORT)
    told = str(caught.value)
    first, second, *_, last = told.splitlines()
    assert first == "no 3 forms of 3 calls can be made from this pool:" and "section 2" not in told
    assert second.startswith("section 1 (command, difficulty 1 to 5) lacks 2 of 6 places: 4 items fit it, each")
    fewer = (replace(blueprint.section[0], count=1), blueprint.section[1])
    cures = {
        "exposure = 2": replace(blueprint, exposure=2), "forms = 2": replace(blueprint, forms=2),
        "count = 1 in section 1": replace(blueprint, calls=2, section=fewer),
    }  # fmt: skip
    assert last == f"What would be right: {'; or '.join(cures)}."
    for cured in cures.values():
        assert complaints_about(assemble(pool, cured, 1, 0.05), cured) == []


def test_what_is_lacking_is_counted_as_trying_everything_counts_it() -> None:
    seen = 0
    for k in range(40):
        pool, blueprint = small_question(k)
        if best_by_hand(pool, blueprint) is not None:
            continue
        told = why_not(pool, blueprint)
        missing = sum(int(n) for n in re.findall(r"lacks (\d+) of", told))
        assert missing == least_missing(pool, blueprint), (k, told)
        seen += 1
    assert seen >= 3


def least_missing(pool: Pool, blueprint: Blueprint) -> int:
    """The least number of empty places, by trying every way of filling them."""
    fitting = [[i.id for i in pool.items if fits(i, s)] for s in blueprint.section]
    parts = [
        [c for n in range(s.count + 1) for c in itertools.combinations(names, n)]
        for s, names in zip(blueprint.section, fitting, strict=True)
    ]  # fmt: skip
    bags = set()
    for picked in itertools.product(*parts):
        names = [n for part in picked for n in part]
        if len(set(names)) == len(names) and all(len(g.items & set(names)) <= 1 for g in pool.enemies):
            bags.add(frozenset(names))
    reached = {tuple(0 for _ in pool.items)}
    order = [i.id for i in pool.items]
    for _ in range(blueprint.forms):
        reached = {
            sums
            for uses in reached for bag in bags
            if max(sums := tuple(u + (n in bag) for u, n in zip(uses, order, strict=True))) <= blueprint.exposure
        }  # fmt: skip
    return blueprint.forms * blueprint.calls - max(map(sum, reached))


def test_enemies_that_leave_too_little_are_said_so() -> None:
    pool = invented(9, 3)
    hostile = Pool(pool.items, (Enemies("x", frozenset(i.id for i in pool.items if i.competency == "command")),))
    blueprint = asking(Section("command", (1, 5), 2, 20), forms=1)
    assert complaints_about(assemble(pool, blueprint, 1, 0.05), blueprint) == []
    with pytest.raises(FormError, match=r"lacks 1 of 2 places: 3 items fit it.*\n.*fewer enemies: without them"):
        assemble(hostile, blueprint, 1, EFFORT)


def test_one_form_that_lacks_several_places_says_how_many() -> None:
    told = why_not(invented(12, 3), asking(Section("command", (1, 5), 7, 20), forms=1))
    assert "lacks 3 of 7 places: 4 items fit it" in told and "count = 4 in section 1" in told


def test_a_wider_difficulty_is_offered_where_it_helps() -> None:
    items = tuple(Item(f"i{d}", "u", f"f{d}/0", "c", "command", d, 1000 * d, 60) for d in (1, 2, 3, 5))
    blueprint = asking(Section("command", (2, 3), 3, 20), forms=1)
    told = why_not(Pool(items, ()), blueprint)
    assert "lacks 1 of 3 places: 2 items fit it" in told and "difficulty = [1, 3] in section 1" in told
    harder = why_not(Pool(items, ()), asking(Section("command", (3, 3), 2, 20), forms=1))
    assert "difficulty = [2, 3] in section 1" in harder and "count = 1 in section 1" in harder


def test_an_empty_pool_is_said_so_and_random_forms_point_to_assembly() -> None:
    blueprint = asking(Section("command", (1, 5), 1, 20), forms=1)
    with pytest.raises(FormError, match="lacks 1 of 1 places: 0 items fit it") as caught:
        assemble(Pool((), ()), blueprint)
    assert "exclude less, or name more units: the pool is empty" in str(caught.value)
    with pytest.raises(FormError, match=r"500 random draws made no forms; `assemble` searches, and says what lacks"):
        random_forms(Pool((), ()), blueprint)


# ---------------------------------------------------------------------- names and files
def test_forms_are_named_as_columns_of_a_spreadsheet() -> None:
    letters = [chr(k) for k in range(ord("A"), ord("Z") + 1)]
    names = ["".join(word) for length in (1, 2, 3) for word in itertools.product(letters, repeat=length)]
    assert [form_name(k) for k in range(len(names))] == names and names[25:28] == ["Z", "AA", "AB"]


def test_a_form_is_found_by_its_name() -> None:
    made = assembled()
    assert [made.form(n).id for n in "ABCD"] == list("ABCD")
    with pytest.raises(FormError, match="no form 'E'; this set has A, B, C, D"):
        made.form("E")


def test_a_set_of_forms_comes_back_from_its_file_which_only_its_owner_reads(tmp_path: Path) -> None:
    file = tmp_path / "forms.json"
    save_forms(assembled(), file)
    assert load_forms(file) == assembled() and load_forms(file).digest == assembled().digest
    assert file.stat().st_mode & 0o777 == 0o600 and [f.name for f in tmp_path.iterdir()] == ["forms.json"]
    other = replace(assembled(), seed=5)
    save_forms(other, file)
    assert load_forms(file) == other


def test_a_file_that_was_changed_anywhere_is_refused(tmp_path: Path) -> None:
    file = tmp_path / "forms.json"
    save_forms(assembled(), file)
    whole = json.loads(file.read_bytes())

    def changes(value: object, path: tuple[str | int, ...] = ()) -> Iterator[tuple[str | int, ...]]:
        inner = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
        for key, one in inner:
            yield from changes(one, (*path, key)) if isinstance(one, dict | list) else ((*path, key),)

    places = [p for p in changes(whole) if p != ("format",)]
    assert len(places) > 150
    for path in (*random.Random(run_seed()).sample(places, 60), ("digest",), ("set", "seed"), ("set", "forms", 0, "id")):
        copy = json.loads(file.read_bytes())
        inner = copy
        for key in path[:-1]:
            inner = inner[key]
        old = inner[path[-1]]
        inner[path[-1]] = f"{old}x" if isinstance(old, str) else old + 1
        (tmp_path / "other.json").write_text(json.dumps(copy), encoding="utf-8")
        with pytest.raises(FormError, match=r"other\.json: changed since it was written; put the copy back"):
            load_forms(tmp_path / "other.json")


def test_a_file_that_is_missing_cut_or_of_another_kind_is_refused(tmp_path: Path) -> None:
    file = tmp_path / "forms.json"
    with pytest.raises(FormError, match=r"forms\.json: can't be read \(No such file"):
        load_forms(file)
    save_forms(assembled(), file)
    data = file.read_bytes()
    for wrong in (data[:-20], b"", b"[]", b"\xff\xfe", data.replace(b'"seed"', b'"seeds"')):
        file.write_bytes(wrong)
        with pytest.raises(FormError, match=r"forms\.json: damaged"):
            load_forms(file)
    file.write_bytes(data.replace(b"blowergrade forms 1", b"blowergrade forms 2"))
    with pytest.raises(FormError, match="format 'blowergrade forms 2', not 'blowergrade forms 1'"):
        load_forms(file)
    assert msgspec.json.decode(data)["set"]["status"] in ("optimal", "feasible")
