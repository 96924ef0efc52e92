"""The isolation path's questions: only what a unit has, and never through an unsafe act."""

from __future__ import annotations

from functools import lru_cache

import pytest

import blowerdata
from blowerbench import Hypothesis, load_equipment, load_faults
from blowerbench import acts as a
from blowerbench.equipment import Equipment
from blowerbench.session import Session
from blowerbench.variant import NOMINAL
from blowergrade import path
from blowergrade.path import Table, mode_of, modes_of, table_for
from blowergrade.replay import Step
from blowergrade.safety import Known, Violation, judge

UNITS = blowerdata.names("equipment")


def smallest(equipment: Equipment) -> str:
    """The complaint with the fewest hypotheses, three or more of them."""
    count = {c: len(load_faults(equipment).hypotheses(c)) for c in equipment.complaints}
    return min((c for c in count if count[c] >= 3), key=lambda c: (count[c], c))


@lru_cache
def table(name: str) -> Table:
    equipment = load_equipment(name)
    return table_for(equipment, load_faults(equipment), smallest(equipment))


def follow(session: Session, known: Known, acts: tuple[a.Act, ...]) -> tuple[Session, Known, list[Violation]]:
    """The session and what the monitor knows after `acts` (refused ones left out), and what they violated."""
    session = session.copy()
    broken: list[Violation] = []
    for seq, act in enumerate(acts, 1):
        if session.decide(act) is None:
            before = session.now
            observation = session.play(act).observation
            known, new = judge(session.equipment, known, Step(seq, act, before, session.now, observation))
            broken += new
    return session, known, broken


@pytest.mark.parametrize("name", UNITS)
def test_no_question_of_the_path_breaks_a_safety_rule(name: str) -> None:
    # design §6: the path never goes through an unsafe act.
    equipment = load_equipment(name)
    setups, healthy = table(name).setups, Hypothesis("healthy_unit")
    call = load_faults(equipment).faults["healthy_unit"].complaints[0]
    start = Session(equipment, load_faults(equipment), healthy, NOMINAL, call)
    stood = {mode: follow(start, Known(), acts) for mode, acts in setups.items()}
    assert {mode: broken for mode, (_, _, broken) in stood.items() if broken} == {}
    for test in path.tests_of(equipment):
        session, known, _ = stood[test.mode]
        bus: tuple[a.Act, ...] = ()
        if test.mode == "opened" and test.name != "bus":  # the bus is measured first: it is asked on the way in
            bus = next(x.acts for x in path.tests_of(equipment) if x.name == "bus")
            session, known, _ = follow(session, known, (*bus, a.LiftLead("red"), a.LiftLead("black")))
        _, _, broken = follow(session, known, test.acts)
        assert [v.rule for v in broken] == [], f"{test.mode}: {test.name}"


@pytest.mark.parametrize("name", UNITS)
def test_a_unit_is_asked_only_in_modes_that_it_has(name: str) -> None:
    equipment = load_equipment(name)
    modes = modes_of(equipment)
    assert ("source" in modes) == bool(equipment.source) and ("opened" in modes) == equipment.electronic
    assert {t.mode for t in path.tests_of(equipment)} == set(modes) == set(table(name).setups)
    for mode, acts in table(name).setups.items():
        call = load_faults(equipment).faults["healthy_unit"].complaints[0]
        start = Session(equipment, load_faults(equipment), Hypothesis("healthy_unit"), NOMINAL, call)
        assert mode_of(equipment, follow(start, Known(), acts)[0].now.hands) == mode


@pytest.mark.parametrize("name", UNITS)
def test_the_path_costs_no_more_than_asking_everything_once_and_ends_in_one_unit_where_it_can(name: str) -> None:
    found = table(name)
    whole = found.mask(found.hypotheses)
    everything = sum(t.cost for t in path.tests_of(found.equipment)) + sum(found.distance["as_found", m] for m in found.modes)
    assert 0 < found.cost(whole, "as_found") <= found.weight(whole) * everything
    told = [row for row in found.rows if len(found.split(whole, row)) > 1]
    assert told and all(min(row.alike) > 0 for row in found.rows)


def test_the_planned_set_up_stands_where_playing_every_act_would() -> None:
    # Planning leaves readings out on the way; hands, clock and unit must be where the acts themselves lead.
    name = "furnace_120_constant_airflow"
    equipment, found = load_equipment(name), table(name)
    start = Session(equipment, load_faults(equipment), Hypothesis("healthy_unit"), NOMINAL, smallest(equipment))
    planned = found._stand(start)
    for mode, acts in found.setups.items():
        played = follow(start, Known(), acts)[0].now
        assert planned[mode].now.hands == played.hands
        assert planned[mode].now.plant.bus == pytest.approx(played.plant.bus, rel=1e-6, abs=1e-6)
        assert planned[mode].now.plant.time == pytest.approx(played.plant.time)
