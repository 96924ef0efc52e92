"""What is stored is found by content, believed only as it was written, and never changes an answer."""

from __future__ import annotations

import json
import random
from pathlib import Path

import pytest
import sampling

import blowerdata
from blowerbench import load_equipment, load_faults
from blowergrade import policies
from blowergrade import sequencing as q
from blowergrade.path import Table

EQUIPMENT = load_equipment("outdoor_fan_240")
CATALOGUE = load_faults(EQUIPMENT)
COMPLAINT = "buzzes_and_clicks"


def built() -> Table:
    """The table of a small complaint with its path followed to the end and stored."""
    table = Table(EQUIPMENT, CATALOGUE, COMPLAINT)
    table.best(table.mask(table.hypotheses), "as_found")
    table.remember()
    return table


@pytest.fixture
def cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """An empty cache folder of this test's own."""
    monkeypatch.setenv("BLOWER_CACHE", str(tmp_path / "cache"))
    return tmp_path / "cache"


def facts(table: Table) -> tuple[object, ...]:
    """Rows, values of the whole in every mode, and the test to begin with."""
    whole = table.mask(table.hypotheses)
    return table.rows, [table.value(whole, m) for m in table.modes], table.best(whole, "as_found")


def test_a_table_from_the_cache_is_the_table_that_was_played(cache: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    played = facts(built())

    def never(*_: object) -> None:
        raise AssertionError("the table was played again")

    monkeypatch.setattr(Table, "_rows", never)
    assert facts(built()) == played and list(cache.glob("table-*.json"))


@pytest.mark.parametrize("harm", ["cut", "emptied", "edited", "binary", "swapped"])
def test_a_damaged_file_is_computed_again_and_written_anew(cache: Path, harm: str) -> None:
    sound = facts(built())
    (file,) = cache.glob("table-*.json")
    whole = file.read_bytes()
    data = json.loads(whole)
    body = data["body"].replace('"1"', '"2"', 1)
    assert body != data["body"]
    spoilt = {
        "cut": whole[: len(whole) // 2],
        "emptied": b"",
        "edited": json.dumps(data | {"body": body}).encode(),
        "binary": bytes(range(256)),
        "swapped": json.dumps(data | {"key": "0" * 64}).encode(),
    }
    file.write_bytes(spoilt[harm])
    assert facts(built()) == sound
    assert file.read_bytes() == whole, "written anew, byte for byte"


def test_a_changed_prior_a_missing_fault_and_another_complaint_have_files_of_their_own() -> None:
    faults = dict(CATALOGUE.faults)
    less = {name: fault for name, fault in faults.items() if name != next(iter(faults))}
    keys = {
        policies.key_of(EQUIPMENT, faults, COMPLAINT),
        policies.key_of(EQUIPMENT, less, COMPLAINT),
        policies.key_of(EQUIPMENT, faults, "tingle"),
        policies.key_of(EQUIPMENT, faults, COMPLAINT, [1]),
    }
    assert len(keys) == 4
    assert policies.key_of(EQUIPMENT, dict(reversed(faults.items())), COMPLAINT) in keys, "a mapping has no order"


def test_a_folder_that_can_not_be_made_costs_no_answer(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "file").write_text("in the way")
    monkeypatch.setenv("BLOWER_CACHE", str(tmp_path / "file" / "cache"))
    without = facts(built())
    monkeypatch.setenv("BLOWER_CACHE", "off")
    assert facts(built()) == without


def test_the_path_costs_what_its_own_tests_cost_and_no_less_than_the_proven_optimum(cache: Path) -> None:
    # the definition of W (Ruan et al. 2004): summed along the policy it gives the value of the root
    table = built()
    problem, number = table.problem, {row.test: k for k, row in enumerate(table.rows)}
    whole = table.mask(table.hypotheses)

    def asked(mask: int, mode: int) -> int | None:
        test = table.best(mask, table.modes[mode])
        return None if test is None else number[test]

    value = table.value(whole, "as_found")
    assert value.exact and q.expected_cost(problem, asked) == value.upper == q.solve(problem).lower


def test_a_value_does_not_depend_on_what_was_asked_before(cache: Path) -> None:
    first, second = built(), Table(EQUIPMENT, CATALOGUE, COMPLAINT)
    second._values = {}
    sets = [mask for mask in range(1, 1 << len(first.hypotheses)) if not first.solved(mask)][:40]
    forward = [(first.value(s, "dead"), first.best(s, "dead")) for s in sets]
    backward = [(second.value(s, "dead"), second.best(s, "dead")) for s in reversed(sets)]
    assert forward == backward[::-1]


# ---------------------------------------------------------------------- the optima that are shipped
UNITS = blowerdata.names("equipment")
POPULATION = [(name, c) for name in UNITS for c in load_equipment(name).complaints]
AGAIN = f"equipment, faults, costs or predictions changed: run {policies.SHIP}"


def chosen() -> list[tuple[str, str]]:
    """All of them in a long run; else each unit's smallest complaint (more than 5 % of all) and one drawn with the seed."""
    if sampling.long_run():
        return POPULATION
    fixed = []
    for name in UNITS:
        equipment = load_equipment(name)
        count = {c: len(load_faults(equipment).hypotheses(c)) for c in equipment.complaints}
        fixed.append((name, min((c for c in count if count[c] >= 3), key=lambda c: (count[c], c))))
    assert 20 * len(fixed) >= len(POPULATION)
    left = [x for x in POPULATION if x not in fixed]
    return [*fixed, random.Random(sampling.seed()).choice(left)]


@pytest.mark.parametrize("name", UNITS)
def test_the_shipped_file_of_a_unit_is_about_this_equipment_and_these_faults(name: str) -> None:
    equipment = load_equipment(name)
    file = policies.shipped(name)
    assert list(file.complaints) == list(equipment.complaints), AGAIN
    assert (file.equipment_digest, file.catalogue_digest) == (equipment.digest, load_faults(equipment).digest), AGAIN
    assert blowerdata.path("policies", f"{name}.json").read_bytes() == file.json(), AGAIN


def test_every_shipped_policy_is_proven_and_costs_less_than_an_hour_and_a_half() -> None:
    # a proven optimum for every complaint is what the path promises; a service call is an hour or two (common practice)
    proofs = {(name, c): proof for name in UNITS for c, proof in policies.shipped(name).complaints.items()}
    assert [where for where, proof in proofs.items() if not (proof.proven and proof.lower == proof.upper)] == []
    assert [where for where, proof in proofs.items() if not 0 <= proof.seconds < 5400] == []


@pytest.mark.parametrize(("name", "complaint"), chosen())
def test_a_shipped_policy_is_proved_again(name: str, complaint: str) -> None:
    equipment = load_equipment(name)
    table = Table(equipment, load_faults(equipment), complaint)
    shipped = policies.shipped(name).complaints[complaint]
    assert table.problem.digest() == shipped.table, AGAIN
    solution = q.solve(table.problem)  # proven here, whatever a cache holds
    assert (solution.lower, solution.upper, solution.exact) == (shipped.lower, shipped.upper, shipped.proven), AGAIN
    assert q.expected_cost(table.problem, solution.policy) == shipped.upper
    assert shipped.weight == sum(table.weights) and shipped.hypotheses == len(table.weights)


def test_a_unit_with_no_shipped_policies_is_told_how_to_make_them() -> None:
    with pytest.raises(policies.ShippedError, match="--ship"):
        policies.shipped("no_such_unit")
