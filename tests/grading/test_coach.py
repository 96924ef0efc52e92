"""The coach: hints that are safe and right for whatever is still possible, that never name a fault, and that cost no points."""

from __future__ import annotations

import random
import re
from collections.abc import Sequence
from functools import lru_cache

import pytest
from sampling import long_run, sampled, seed

import blowerdata
from blowerbench import LocalBench, load_equipment, load_faults
from blowerbench import acts as a
from blowerbench.bench import describe_hands
from blowerbench.equipment import Equipment
from blowerbench.faults import Hypothesis
from blowerbench.messages import perceived
from blowerbench.observation import Accepted
from blowerbench.record import Line
from blowergrade.coach import BenchCoach, CoachError
from blowergrade.path import table_for
from blowergrade.replay import play
from blowergrade.safety import monitor
from blowergrade.score import grade_bench
from blowergrade.technicians import Technician

UNIT = "furnace_120_constant_airflow"
EQUIPMENT = load_equipment(UNIT)
CATALOGUE = load_faults(EQUIPMENT)
MOST_ACTS = 1500


def calls_of(name: str) -> list[tuple[Hypothesis, str]]:
    """Every fault of a unit with one of its complaints: that with the fewest causes, so that the test is quick."""
    catalogue = load_faults(load_equipment(name))
    size = {c: len(catalogue.hypotheses(c)) for c in load_equipment(name).complaints}
    return [(h, min(catalogue.faults[h.fault].complaints, key=lambda c: (size[c], c))) for h in catalogue.hypotheses()]


def drawn(name: str) -> list[tuple[str, Hypothesis, str]]:
    """One call of a unit by the run's seed, on the furnace one more that is always the same; all of them in a long run."""
    calls = calls_of(name)
    fixed = [len(calls) // 2] if name == UNIT else []
    picks = sampled(len(calls)) if long_run() else [*fixed, seed() % len(calls)]
    return [(name, *calls[k]) for k in dict.fromkeys(picks)]


CALLS = [call for name in blowerdata.names("equipment") for call in drawn(name)]


def obey(bench: LocalBench, coach: BenchCoach) -> None:
    """Do what the third hint asks, act by act, until the call is over."""
    for _ in range(MOST_ACTS):
        advice = coach.advice(bench.lines)
        if advice.act is None:
            return
        outcome = bench.act(advice.act)
        assert isinstance(outcome, Accepted), f"the coach asked for {advice.act}, which hands can't do: {outcome}"
    raise AssertionError(f"the call is not over after {MOST_ACTS} acts")


def check(bench: LocalBench) -> None:
    """The call was safe (the grader's monitor, which knows nothing of the coach) and its diagnosis the sealed one."""
    equipment, hypothesis = bench.equipment, bench.session.hypothesis
    catalogue = load_faults(equipment)
    fault, hands = catalogue.faults[hypothesis.fault], bench.session.now.hands
    complaint = bench.session.complaint.id
    steps = play(equipment, catalogue, hypothesis, bench.session.variant, complaint, [x.act for x in bench.lines])
    assert [(v.rule, v.seq) for v in monitor(equipment, fault.stop_work, steps)] == []
    assert hands.ended
    if fault.stop_work:
        assert isinstance(bench.lines[-1].act, a.Leave)
    elif not fault.only_by_substitution:  # there no act tells: the likeliest is stated
        assert hands.declared == (catalogue.corrections(hypothesis),)
        assert set(catalogue.corrections(hypothesis)) - {"no_fault_found"} <= set(hands.repaired)


@pytest.mark.parametrize(("name", "hypothesis", "complaint"), CALLS, ids=str)
def test_a_learner_who_does_only_what_the_third_hint_says_reaches_the_right_diagnosis_safely(
    name: str, hypothesis: Hypothesis, complaint: str
) -> None:
    bench = LocalBench(name, hypothesis, complaint, variant=f"hints-{hypothesis}")
    obey(bench, BenchCoach.of(bench))
    check(bench)


@lru_cache(maxsize=1)
def small() -> str:
    """The complaint of the furnace with the fewest causes that still lie in three places or more."""
    rows = {c: CATALOGUE.hypotheses(c) for c in EQUIPMENT.complaints}
    places = {c: {CATALOGUE.corrections(h) for h in rows[c]} for c in rows}
    return min((c for c in rows if len(places[c]) > 2), key=lambda c: (len(rows[c]), c))


def test_with_the_table_of_tests_the_way_is_as_safe_and_not_longer() -> None:
    table = table_for(EQUIPMENT, CATALOGUE, small())
    taken = {True: 0, False: 0}
    for hypothesis in CATALOGUE.hypotheses(small())[:3]:
        for by_table in taken:
            bench = LocalBench(EQUIPMENT, hypothesis, small(), variant="table")
            obey(bench, BenchCoach.of(bench, table=table if by_table else None))
            check(bench)
            declared = next(k for k, x in enumerate(bench.lines) if isinstance(x.act, a.Declare))
            taken[by_table] += bench.lines[declared].clock
    assert taken[True] <= taken[False], (
        "the path is cheapest in expectation; over these calls it took longer than the taught order"
    )


# ---------------------------------------------------------------------- what hints say
def technicians_lines(hypothesis: Hypothesis, complaint: str) -> tuple[LocalBench, list[Line]]:
    """A bench with the fault, untouched, and the lines of a competent technician's whole call on it."""
    bench = LocalBench(EQUIPMENT, hypothesis, complaint, variant="names")
    lines = Technician(LocalBench(EQUIPMENT, hypothesis, complaint, variant="names"))
    lines.work()
    return bench, lines.bench.lines


def mentions(text: str, title: str) -> bool:
    """Whether `text` holds the whole `title`, however written."""
    plain = re.sub(r"\W+", " ", text.lower())
    return f" {re.sub(r'[^a-z0-9]+', ' ', title.lower()).strip()} " in f" {plain} "


def test_a_hint_never_names_the_fault_and_after_the_search_not_even_its_place() -> None:
    calls = calls_of(UNIT)
    for k in range(0, len(calls), 1 if long_run() else 1 + len(calls) // 3):
        hypothesis, complaint = calls[(k + seed()) % len(calls)]
        bench, lines = technicians_lines(hypothesis, complaint)
        fault, coach = CATALOGUE.faults[hypothesis.fault], BenchCoach.of(bench)
        places = [EQUIPMENT.units[u].title for u in CATALOGUE.corrections(hypothesis) if u in EQUIPMENT.units]
        dice = random.Random(seed() + k)
        for cut in sorted({0, *dice.sample(range(len(lines)), 3)}):
            stage = coach.advice(lines[:cut]).stage
            for strength in (1, 2, 3):
                told = coach.hint(tuple(lines[:cut]), strength)
                assert told and not mentions(told, fault.title) and not mentions(told, hypothesis.fault), told
                if stage == "declare":
                    assert not any(mentions(told, p) for p in places), told


def test_two_faults_that_look_alike_so_far_get_the_same_hints() -> None:
    # the outside source: the bench itself, which shows the same for both
    hidden = CATALOGUE.hypotheses("nothing_blows")
    seen: dict[object, list[str]] = {}
    for hypothesis in hidden[:: max(1, len(hidden) // 8)]:
        bench = LocalBench(EQUIPMENT, hypothesis, "nothing_blows", variant="alike")
        coach = BenchCoach.of(bench)
        for act in (a.Look("around"), a.Look("panel")):
            bench.act(act)
        perceivable = (bench.last.senses, tuple(x.observation for x in bench.lines))
        hints = [coach.hint(tuple(bench.lines), s) for s in (1, 2, 3)]
        assert seen.setdefault(perceivable, hints) == hints
    assert len(seen) < 8, "no two of them looked alike: nothing was compared"


def test_once_one_place_is_left_the_hint_says_to_state_it_then_to_repair_verify_write_up_and_hand_back() -> None:
    bench = LocalBench(EQUIPMENT, "door_switch_open", "nothing_blows", variant="end")
    coach = BenchCoach.of(bench)
    stages: list[str] = []
    for _ in range(MOST_ACTS):
        advice = coach.advice(bench.lines)
        if advice.stage == "declare":
            told = coach.hint(tuple(bench.lines), 3)
            order = [told.index(word) for word in ("State the diagnosis", "repair", "verify", "write up", "hand back")]
            assert order == sorted(order)
            assert {p.unit for p in coach.possible(bench.lines)} == {"door_switch"}
        if advice.act is None:
            break
        stages += [advice.stage] if advice.stage not in stages[-1:] else []
        bench.act(advice.act)
    # trade.md's order, common practice: diagnosis, repair, verification, write-up, hand-over
    assert stages[stages.index("declare") :] == ["declare", "repair", "verify", "write_up", "finish"]


def test_a_diagnosis_that_does_not_fit_what_was_seen_is_called_so_without_naming_the_right_one() -> None:
    bench = LocalBench(EQUIPMENT, "door_switch_open", "nothing_blows", variant="wrong")
    coach = BenchCoach.of(bench)
    while (advice := coach.advice(bench.lines)).stage != "declare":
        assert advice.act is not None
        bench.act(advice.act)
    bench.act(a.Declare(("motor",)))
    assert coach.advice(bench.lines).act == a.Declare(("door_switch",))
    told = coach.hint(tuple(bench.lines), 3)
    assert "does not fit" in told and not mentions(told, EQUIPMENT.units["door_switch"].title)


def test_a_unit_that_was_only_switched_off_is_locked_and_proved_dead_before_hands_go_in() -> None:
    hypothesis = CATALOGUE.hypotheses(small())[0]
    bench = LocalBench(EQUIPMENT, hypothesis, small(), variant="inside")
    for act in (a.Wear("gloves"), a.Wear("eye_protection"), a.InspectMeter(), a.SetDisconnect(False), a.SetDoor(False)):
        bench.act(act)
    obey(bench, BenchCoach.of(bench))
    check(bench)
    inside = next(k for k, x in enumerate(bench.lines) if isinstance(x.act, a.Unplug | a.Repair))
    # 29 CFR 1910.333(b)(2): opened, locked, tagged, then tested (check-values)
    assert {a.SetLock(True), a.SetTag(True), a.TryControls()} <= {x.act for x in bench.lines[:inside]}


def test_a_hint_tells_the_act_in_the_words_of_the_page() -> None:
    from blowerbench.panels import controls

    bench = LocalBench(EQUIPMENT, "door_switch_open", "nothing_blows")
    coach = BenchCoach.of(bench)
    page = controls.things(controls.Words(EQUIPMENT, "en"), describe_hands(bench.session.now.hands))
    thing = next(x for x in page if any(d["act"] == {"do": "look", "where": "around"} for d in x["does"]))
    button = next(d for d in thing["does"] if d["act"] == {"do": "look", "where": "around"})
    told = coach.hint((), 3)
    assert thing["name"] in told and button["label"] in told


def test_gas_is_told_at_once_whatever_else_was_being_done() -> None:
    bench = LocalBench(EQUIPMENT, "gas_smell", "smell")
    coach = BenchCoach.of(bench)
    bench.act(a.Look("around"))
    # common practice: touch no switch, leave, report
    assert coach.advice(bench.lines).act == a.Leave("gas_smell")
    assert "Touch no switch" in coach.hint(tuple(bench.lines), 2)


# ---------------------------------------------------------------------- counting, following, taking back
def test_hints_are_counted_and_stand_on_the_sheet_as_information_that_changes_no_point() -> None:
    bench = LocalBench(EQUIPMENT, CATALOGUE.hypotheses(small())[0], small())
    coach = BenchCoach.of(bench)
    sheet = grade_bench(bench)
    assert coach.noted(sheet) == sheet, "no hint, no note"
    for strength in (1, 3, 3):
        coach.hint((), strength)
    noted = coach.noted(sheet)
    assert coach.used == "3 hints used" and noted.notes[-1].startswith("3 hints used: nudges 1, tests 0, acts 2")
    assert (noted.tenths, noted.passed, noted.parts) == (sheet.tenths, sheet.passed, sheet.parts)
    with pytest.raises(CoachError, match="1, 2 and 3"):
        coach.hint((), 4)
    assert coach.used == "3 hints used"


def possible(equipment: Equipment, hypotheses: Sequence[Hypothesis]) -> set[str]:
    return {"+".join(load_faults(equipment).corrections(h)) for h in hypotheses}


def test_what_is_still_possible_is_what_the_technicians_evidence_says_with_the_bands_of_the_catalogue() -> None:
    bench, lines = technicians_lines(Hypothesis("door_switch_open"), "nothing_blows")
    coach, judge = BenchCoach.of(bench), Technician(bench)
    for line in lines[:40]:
        if isinstance(line.act, a.Declare):
            break
        bench.act(line.act)
        judge.evidence.observe(line.act, line.observation)
        if line.seq % 9 == 0:
            rows = coach.possible(bench.lines)
            assert {p.unit for p in rows} == possible(EQUIPMENT, tuple(judge.evidence.alive))
            assert coach.causes(bench.lines) == len(judge.evidence.alive)
            bands = [("common", "occasional", "rare").index(p.band) for p in rows]
            assert bands == sorted(bands)
    assert coach.words.correction(Hypothesis("door_switch_open")) in {p.title for p in coach.possible(bench.lines)}


def test_an_act_taken_back_is_forgotten_by_bench_and_coach_alike() -> None:
    bench = LocalBench(EQUIPMENT, "door_switch_open", "nothing_blows")
    coach = BenchCoach.of(bench)
    views, left, told = [], [], []
    for _ in range(14):
        views.append(bench.view())
        left.append(coach.possible(bench.lines))
        told.append(coach.advice(bench.lines))
        asked = told[-1].act
        assert asked is not None
        bench.act(asked)
    coach.possible(bench.lines)
    for view, was, advice in zip(reversed(views), reversed(left), reversed(told), strict=True):
        bench.undo()
        assert bench.view() == view  # the outside source: the view that was there before the act
        assert perceived(bench.last, "en", EQUIPMENT) == perceived(view.observation, "en", EQUIPMENT)
        assert coach.possible(bench.lines) == was
        assert coach.advice(bench.lines) == advice
    assert bench.lines == [] and not bench.undoable
