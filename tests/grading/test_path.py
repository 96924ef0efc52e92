"""The isolation path's questions: only what a unit has, and never through an unsafe act."""

from __future__ import annotations

from functools import lru_cache

import pytest

import blowerdata
from blowerbench import Hypothesis, load_equipment, load_faults
from blowerbench import acts as a
from blowerbench.equipment import Equipment
from blowerbench.hands import Hands, decide, evolve
from blowerbench.session import Session
from blowerbench.variant import NOMINAL
from blowergrade import path
from blowergrade.path import LIVE_READING, Table, live_charge, mode_of, modes_of, table_for
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
    for test in (*path.tests_of(equipment), *path.extra_tests(equipment, load_faults(equipment))):
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
    everything = sum(t.cost for t in found.tests) + sum(found.distance["as_found", m] for m in found.modes)
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


@pytest.mark.parametrize("name", UNITS)
def test_the_way_from_mode_to_mode_is_the_taught_procedure_and_breaks_no_rule(name: str) -> None:
    # what a change of set-up costs is the sum of its acts; played, they lead where the table says and violate nothing
    equipment = load_equipment(name)
    catalogue = load_faults(equipment)
    call = catalogue.faults["healthy_unit"].complaints[0]
    start = Session(equipment, catalogue, Hypothesis("healthy_unit"), NOMINAL, call)
    ways, found = path.ways_of(equipment), table(name)
    for (mode, to), acts in ways.items():
        standing, known, _ = follow(start, Known(), found.setups[mode])
        if mode == "opened":  # the bus is measured before hands go near it
            bus = next(x.acts for x in found.ordinary if x.name == "bus")
            standing, known, _ = follow(standing, known, bus)
        after, _, broken = follow(standing, known, acts)
        assert mode_of(equipment, after.now.hands) == to, (mode, to)
        assert [v.rule for v in broken] == [], (mode, to)
        assert found.distance[mode, to] <= sum(a.duration(x) for x in acts)
    for m in found.modes:
        assert all(0 < found.distance[m, n] < 3600 for n in found.modes if n != m), "every mode is reached from every other"


@pytest.mark.parametrize("name", UNITS)
def test_what_a_question_costs_is_what_asking_it_takes_and_is_charged(name: str) -> None:
    # E[cost] = V* + E[sum of regrets] holds only where the table and the record charge the same: played act by act
    equipment = load_equipment(name)
    catalogue = load_faults(equipment)
    start = Session(equipment, catalogue, Hypothesis("healthy_unit"), NOMINAL, smallest(equipment))
    stood = {mode: follow(start, Known(), acts)[0].now.hands for mode, acts in table(name).setups.items()}
    charged = 0
    for test in path.tests_of(equipment):
        hands, spent = stood[test.mode], 0
        for act in test.acts:
            if decide(equipment, hands, act) is None:
                spent += live_charge(equipment, hands, act)
                hands = evolve(equipment, hands, act)
        charged += spent > 0
        assert test.cost == sum(a.duration(x) for x in test.acts) + spent
        assert test.mode not in ("dead", "opened") or spent == 0, f"{test.name}: nothing has its supply"
    assert charged


def test_only_a_reading_on_live_parts_above_50_volts_is_charged() -> None:
    # above 50 V: 29 CFR 1910.333(a)(1); a thermostat has 24 V (common practice), the outlet is where a meter is proved
    equipment = load_equipment("furnace_120_constant_airflow")
    line, neutral, outlet = "box.L_out", "box.N", equipment.protection["live_source"]

    def read(hands: Hands, red: str, black: str) -> int:
        for act in (a.SetMeter("volts_ac"), a.PlaceLead("black", black)):
            assert live_charge(equipment, hands, act) == 0, "one lead is no reading"
            hands = evolve(equipment, hands, act)
        return live_charge(equipment, hands, a.PlaceLead("red", red))

    live, off = Hands(), Hands(disconnects_open=frozenset(equipment.supplies), door_on=False)
    assert read(live, line, neutral) == LIVE_READING
    assert read(off, line, neutral) == 0, "behind an open disconnect"
    assert read(off, "box.L", neutral) == LIVE_READING, "before it"
    assert read(live, outlet[0], outlet[1]) == 0, "proving a meter"
    thermostat = equipment.pairs("thermostat")[0]
    assert read(live, *thermostat) == 0, "24 V"


def test_extra_questions_come_in_only_where_a_pair_of_units_is_split_by_no_ordinary_one() -> None:
    equipment = load_equipment("outdoor_fan_240")
    for complaint in ("fades_in_the_heat", "second_opinion", "tingle"):
        found = table_for(equipment, load_faults(equipment), complaint)
        ordinary = [row for row in found.rows if row.test in found.ordinary]
        extra = [row for row in found.rows if row.test not in found.ordinary]
        left = found.unsplit(ordinary)
        assert bool(extra) <= bool(left), complaint
        for row in extra:
            assert any(not row.alike[i] >> j & 1 for i, j in left), row.test.name
        assert len(found.unsplit(found.rows)) <= len(left)
