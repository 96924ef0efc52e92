"""What a unit's faults can be told apart by: the report against the tables, and every ambiguity documented."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations
from pathlib import Path

import msgspec
import pytest
import sampling

import blowerdata
from blowerbench import load_equipment, load_faults
from blowerbench.equipment import Equipment
from blowerbench.faults import Catalogue, Hypothesis
from blowergrade import cli
from blowergrade.diagnosability import FEW, Report, diagnosability
from blowergrade.pages import diagnosability_page, diagnosability_text
from blowergrade.path import MODES, table_for

UNIT = "outdoor_fan_240"
EQUIPMENT = load_equipment(UNIT)
CATALOGUE = load_faults(EQUIPMENT)
#: Every complaint of every unit; those of one unit are always all tried, of the rest a sample.
POPULATION = [(name, c) for name in blowerdata.names("equipment") if name != UNIT for c in load_equipment(name).complaints]


@pytest.fixture(scope="module")
def report() -> Report:
    return diagnosability(EQUIPMENT, CATALOGUE)


def undocumented(report: Report) -> list[tuple[str, ...]]:
    return [x.causes for x in report.ambiguities if not x.documented]


def test_every_ambiguity_of_one_unit_is_documented(report: Report) -> None:
    assert undocumented(report) == []


@pytest.mark.slow
@pytest.mark.parametrize("index", sampling.sampled(len(POPULATION)))
def test_every_ambiguity_of_a_complaint_is_documented(index: int) -> None:
    name, complaint = POPULATION[index]
    equipment = load_equipment(name)
    assert undocumented(diagnosability(equipment, load_faults(equipment), [complaint])) == [], (name, complaint)


def test_a_pair_counts_as_ambiguous_exactly_when_no_ordinary_test_of_a_shared_complaint_splits_it(report: Report) -> None:
    ambiguous = {frozenset(pair) for x in report.ambiguities for pair in combinations(x.causes, 2)}
    for complaint in EQUIPMENT.complaints:
        table = table_for(EQUIPMENT, CATALOGUE, complaint)
        for one, other in combinations(table.hypotheses, 2):
            if CATALOGUE.corrections(one) == CATALOGUE.corrections(other):
                continue
            pair = table.mask([one, other])
            told = any(len(table.split(pair, row)) > 1 for row in table.rows if row.test in table.ordinary)
            assert told != (frozenset((str(one), str(other))) in ambiguous), (complaint, one, other)


def test_every_pair_of_units_that_share_a_complaint_has_its_cheapest_best_test(report: Report) -> None:
    pairs: dict[tuple[str, str], set[frozenset[Hypothesis]]] = {}
    for complaint in EQUIPMENT.complaints:
        for one, other in combinations(CATALOGUE.hypotheses(complaint), 2):
            first, second = sorted(("+".join(CATALOGUE.corrections(one)), "+".join(CATALOGUE.corrections(other))))
            if first != second:
                pairs.setdefault((first, second), set()).add(frozenset((one, other)))
    assert {(s.first, s.second): s.pairs for s in report.splits} == {k: len(v) for k, v in pairs.items()}
    for split in report.splits:
        assert 0 <= split.split <= split.pairs - split.never and bool(split.test) == bool(split.split) == bool(split.seconds)


def test_no_test_is_cheaper_than_the_one_named_where_it_splits_as_much(report: Report) -> None:
    table = table_for(EQUIPMENT, CATALOGUE, "never_stops")
    only = diagnosability(EQUIPMENT, CATALOGUE, ["never_stops"])
    for split in only.splits:
        first, second = (
            [h for h in table.hypotheses if "+".join(CATALOGUE.corrections(h)) == u] for u in (split.first, split.second)
        )
        price: dict[int, int] = {}
        for row in table.rows:
            told = sum(len(table.split(table.mask([x, y]), row)) > 1 for x in first for y in second)
            seconds = table.distance[MODES[0], row.test.mode] + row.test.cost
            price[told] = min(seconds, price.get(told, seconds))
        assert (max(price), price[max(price)]) == (split.split, split.seconds)


def test_small_complaints_idle_tests_and_unreached_faults_are_those_of_the_catalogue(report: Report) -> None:
    assert dict(report.small) == {
        c: n for c in EQUIPMENT.complaints if (n := len(CATALOGUE.hypotheses(c))) < FEW
    }  # fmt: skip
    assert report.unreached == tuple(f.id for f in CATALOGUE.faults.values() if not f.complaints)
    one = diagnosability(EQUIPMENT, CATALOGUE, ["never_stops"])
    assert set(report.idle) < set(one.idle), "fewer complaints use fewer tests"


def hidden(reason: str) -> tuple[Equipment, Catalogue]:
    """The unit with two faults in different places that are one and the same open wire; `reason` documents the second."""
    fault = CATALOGUE.faults[next(f for f in CATALOGUE.faults if f.startswith("contactor_coil") and "warm" not in f)]
    other = next(u for u in EQUIPMENT.units if u not in CATALOGUE.corrections(Hypothesis(fault.id)))
    copy = replace(fault, id="its_twin", correction=other, with_units=(), only_by_substitution=reason)
    faults = {fault.id: fault, copy.id: copy}
    return EQUIPMENT, Catalogue(CATALOGUE.equipment, f"twin {reason}", faults)


def test_two_places_with_one_and_the_same_effect_are_found_and_a_reason_documents_them() -> None:
    for reason in ("", "nothing but a new part shows which"):
        equipment, catalogue = hidden(reason)
        complaint = next(iter(next(iter(catalogue.faults.values())).complaints))
        found = diagnosability(equipment, catalogue, [complaint])
        assert [len(x.corrections) for x in found.ambiguities] == [2]
        assert found.ambiguities[0].documented == bool(reason)
        text = diagnosability_text(found, equipment, catalogue)
        assert ("NOT DOCUMENTED" in text) == (not reason) and reason in text
        assert ("not documented" in diagnosability_page(found, equipment, catalogue)) == (not reason)


def test_the_command_prints_a_table_and_writes_page_and_data(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["diagnosability", "--equipment", UNIT, "--out", str(tmp_path)]) == 0
    said = capsys.readouterr().out
    assert f"{len(CATALOGUE.faults)} faults" in said and "pairs split" in said and "Tests that never split anything" in said
    data = msgspec.json.decode((tmp_path / f"{UNIT}-diagnosability.json").read_bytes(), type=Report)
    assert data.equipment_digest == EQUIPMENT.digest and len(data.splits) > 50
    page = (tmp_path / f"{UNIT}-diagnosability.html").read_text(encoding="utf-8")
    assert page.count("<th scope=") >= 4 and "<script" not in page and page.count("<tr>") > len(data.splits)
