"""Nobody gets stuck: whatever was done, the course has a next step, and on the bench the coach knows an act to do."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TypeVar

import numpy as np
import pytest
from sampling import long_run, sampled, seed

import blowerdata
from blowerbench import LocalBench, load_equipment, load_faults
from blowerbench import acts as a
from blowerbench.equipment import Equipment
from blowerbench.observation import Accepted
from blowergrade.coach import BenchCoach
from blowergrade.wording import hypothesis_named
from blowerlessons.assigned import PracticeCall, practice_calls
from blowerlessons.build import keys, names
from blowerlessons.mastery import MASTERED, NO_FAULT, mastery
from blowerlessons.next_step import (
    FINAL_CALLS,
    Outline,
    Step,
    course,
    difficulties,
    difficulty_for,
    drawn_from,
    next_steps,
    notebook_of,
)
from blowerlessons.progress import PRACTICE, Answer, Call, Entry, Progress
from blowerlessons.skills import SKILLS

T = TypeVar("T")
SEED = seed()


# ---------------------------------------------------------------------- over the course
def made_up() -> tuple[Outline, ...]:
    """A course of thirteen lessons, not the shipped one: each teaches its skills with six exercises and two calls."""
    found = []
    for n in range(1, 13):
        number = f"{n:02d}"
        skills = tuple(s.name for s in SKILLS.values() if s.lesson == number) or ("command",)
        exercises = tuple((e, skills[k % len(skills)]) for k, e in enumerate(("1", "p1", "2", "3", "p2", "4")))
        found.append(Outline(f"{number}-x", skills, exercises, 2))
    return (*found, Outline("13-x", ("repair",), (("1", "repair"), ("2", "safety")), FINAL_CALLS))


COURSES = {"shipped": course(), "made up": made_up()}


class Learner:
    """A learner with a memory for nothing: each thing tried goes right with the probability `right`."""

    def __init__(self, rng: np.random.Generator, lessons: Sequence[Outline], right: float) -> None:
        self.rng, self.lessons, self.right = rng, {x.key: x for x in lessons}, right
        self.entries: list[Entry] = []

    @property
    def progress(self) -> Progress:
        return Progress(tuple(self.entries))

    def lucky(self) -> bool:
        return bool(self.rng.random() < self.right)

    def answer(self, lesson: str, exercise: str) -> None:
        skill = dict(self.lessons[lesson].exercises)[exercise]
        kind = "right" if self.lucky() else "wrong_value"
        choices = int(self.rng.integers(0, 5))
        self.entries.append(Answer("", lesson, exercise, skill, kind, choices if choices > 1 else 0))  # type: ignore[arg-type] # one of two kinds

    def call(self, lesson: str, number: int, competency: str) -> None:
        found, safe = self.lucky(), self.lucky()
        parts = {"safety": (400 if safe else 100, 400), "repair": (200 if found else 0, 200), "write_up": (100, 100)}
        self.entries.append(
            Call(
                "",
                lesson,
                number,
                "furnace_120_serial",
                "x",
                competency,
                2,
                parts,
                found,
                found and safe,
                int(not safe),
                str(len(self.entries)),
            )
        )

    def follow(self, step: Step) -> None:
        """Do what the step says."""
        if step.exercises:
            for exercise in step.exercises:
                self.answer(step.lesson, exercise)
        elif step.call:
            self.call(step.lesson, step.call, drawn_from(self.lessons[step.lesson].skills[0]))
        else:
            self.call(PRACTICE, len(self.entries), drawn_from(step.skill))

    def wander(self) -> None:
        """Do anything at all, whatever the steps say."""
        x = list(self.lessons.values())[int(self.rng.integers(len(self.lessons)))]
        if x.calls and self.lucky():
            self.call(x.key, int(self.rng.integers(1, x.calls + 1)), drawn_from(x.skills[0]))
        elif x.exercises:
            self.answer(x.key, x.exercises[int(self.rng.integers(len(x.exercises)))][0])


def check(steps: Sequence[Step], lessons: Sequence[Outline]) -> None:
    """There is a step, and each names something that exists."""
    known = {x.key: x for x in lessons}
    assert 1 <= len(steps) <= 3
    for step in steps:
        if step.lesson:
            x = known[step.lesson]
            assert set(step.exercises) <= {e for e, _ in x.exercises}
            assert step.exercises or 1 <= step.call <= x.calls
        else:
            assert step.difficulty in difficulties()[drawn_from(step.skill)]
        for language in ("en", "es"):
            assert step.sentence(language).endswith((".", ")"))


@pytest.mark.parametrize("kind", COURSES)
@pytest.mark.parametrize("index", sampled(200, 6))
def test_a_learner_who_wanders_always_has_a_next_step_that_exists(kind: str, index: int) -> None:
    lessons = COURSES[kind]
    learner = Learner(np.random.default_rng([41, index]), lessons, (index % 11) / 10)
    for n in range(120):
        if n % 4 == 0:
            check(next_steps(learner.progress, lessons), lessons)
        learner.wander()


@pytest.mark.parametrize("kind", COURSES)
@pytest.mark.parametrize("right", [1.0, 0.9, 0.8])
def test_who_follows_the_first_step_masters_every_skill_and_comes_to_the_end(kind: str, right: float) -> None:
    lessons = COURSES[kind]
    for index in range(3):
        learner = Learner(np.random.default_rng([42, index, SEED]), lessons, right)
        work = sum(bool(x.exercises) + x.calls for x in lessons)  # the least number of steps that go through everything
        for _ in range(20 * work):
            steps = next_steps(learner.progress, lessons)
            check(steps, lessons)
            if steps[0].what == "free":
                break
            learner.follow(steps[0])
        assert steps[0].what == "free", f"after {len(learner.entries)} entries: {steps[0]}"
        assert min(mastery(learner.progress).values()) >= MASTERED


def test_a_learner_who_is_always_wrong_is_never_told_to_go_on_unready_nor_left_alone() -> None:
    lessons = made_up()
    learner = Learner(np.random.default_rng(43), lessons, 0.0)
    for _ in range(80):
        steps = next_steps(learner.progress, lessons)
        check(steps, lessons)
        assert steps[0].what not in ("final", "free")
        learner.follow(steps[0])


def test_the_steps_come_in_the_order_of_the_course_for_one_who_is_always_right() -> None:
    lessons = made_up()
    learner = Learner(np.random.default_rng(44), lessons, 1.0)
    seen = []
    while (step := next_steps(learner.progress, lessons)[0]).what != "free":
        seen.append(step)
        learner.follow(step)
    numbers = [x.lesson for x in seen if x.lesson]
    assert numbers == sorted(numbers) and set(numbers) == {x.key for x in lessons}
    kinds = [x.what for x in seen]
    assert kinds.index("final") > max(k for k, w in enumerate(kinds) if w in ("call", "drill"))


def test_two_wrong_answers_send_back_to_them_with_the_reason_before_anything_new() -> None:
    lessons = made_up()
    wrong = tuple(Answer("", "01-x", e, lessons[0].exercises[0][1], "wrong_value") for e in ("1", "2"))
    skill = wrong[0].skill
    mine = tuple(Answer("", "01-x", e, s, "wrong_value") for e, s in lessons[0].exercises if s == skill and e.isdigit())
    step = next_steps(Progress(mine), lessons)[0]
    assert step.what == "again" and step.wrong == len(mine) and step.exercises == tuple(e.exercise for e in mine)
    assert "were wrong" in step.sentence() and "01-x.ipynb" in step.sentence()


def test_a_drawn_call_gets_harder_with_mastery() -> None:
    for skill in SKILLS:
        levels = [difficulty_for(skill, p) for p in (0.1, 0.5, 0.8, 1.0)]
        assert levels == sorted(levels) and set(levels) <= set(difficulties()[drawn_from(skill)])


def test_every_skill_is_taught_by_a_lesson_of_the_course_and_drilled_by_the_catalogue() -> None:
    assert set(difficulties()) == set(SKILLS) - NO_FAULT
    assert {drawn_from(s) for s in SKILLS} <= set(difficulties())
    taught = {s for x in course() for _, s in x.exercises}
    assert taught == set(SKILLS), set(SKILLS) - taught
    assert [x.key for x in course()] == list(keys())


def test_a_step_names_the_notebook_in_the_learners_language_where_there_is_one() -> None:
    for key in keys():
        assert notebook_of(key) == f"{key}.ipynb"
        assert notebook_of(key, "es").removesuffix(".ipynb") in names()


# ---------------------------------------------------------------------- on the bench
def one(rng: np.random.Generator, things: Sequence[T]) -> T:
    return things[int(rng.integers(len(things)))]


def any_acts(rng: np.random.Generator, e: Equipment) -> list[a.Act]:
    """A few acts on `e` that a person might do next, sensible, useless or dangerous; hands refuse some of them."""
    ends = sorted({x for name in ("in_box", "live_fan", "mated", "thermostat") for pair in e.pairs(name) for x in pair})
    on, supply, plugs = bool(rng.integers(2)), one(rng, tuple(e.supplies)), tuple(e.connectors)
    functions: tuple[a.Function, ...] = ("volts_ac", "volts_dc", "low_z", "ohms", "farads", "off")
    calls: tuple[a.Call, ...] = ("off", "fan", "heat", "cool")
    units = sorted(e.units)
    make: list[Callable[[], list[a.Act]]] = [
        lambda: [a.SetMeter(one(rng, functions)), a.PlaceLead("black", one(rng, ends)), a.PlaceLead("red", one(rng, ends))],
        lambda: [a.SetThermostat(one(rng, calls)), a.Wait(int(rng.integers(1, 400)))],
        lambda: [a.SetDoor(on)],
        lambda: [a.SetDoor(False), a.TapeDoorSwitch(True)],
        lambda: [a.HoldDoorSwitch(on)],
        lambda: [a.SetDisconnect(on, supply), a.SetBreaker(on, supply)],
        lambda: [a.SetDisconnect(False, supply), a.SetLock(True, supply), a.SetTag(True, supply)],
        lambda: [a.SetLock(False, supply), a.SetTag(False, supply)],
        lambda: [a.Unplug(one(rng, plugs))],
        lambda: [a.PlugIn(one(rng, plugs))],
        lambda: [a.LiftWire(one(rng, e.liftable))],
        lambda: [a.SetJumper(one(rng, ends), one(rng, ends), on)],
        lambda: [a.OpenControl()],
        lambda: [a.CloseControl()],
        lambda: [a.TurnShaft(), a.ReadStatus(), a.Look(one(rng, tuple(e.places)))],
        lambda: [a.Repair(one(rng, units))],
        lambda: [a.Declare((one(rng, units),))],
        lambda: [a.SetGas(on)],
        lambda: [a.Wear("gloves", on), a.Wear("eye_protection", on), a.InspectMeter()],
        lambda: [a.Wiggle(one(rng, plugs)), a.Warm(one(rng, tuple(e.places)))],
    ]
    if e.selectors:
        make.append(lambda: [a.SetSelector(one(rng, tuple(e.selectors)), on)])
    if e.source:
        make.append(lambda: [a.FitSource(on, e.source["kind"]), a.ClipSource(on), a.SwitchSource(on)])
    if e.air is not None:
        ports = tuple(p.name for p in e.air.ports)
        make.append(
            lambda: [a.OpenPort(one(rng, ports)), a.PlaceHose("high", one(rng, ports)), a.PlaceProbe("first", one(rng, ports))]
        )
    return one(rng, make)()


def every_call() -> list[tuple[str, PracticeCall]]:
    """The practice calls of the lessons, then one call of every catalogued fault."""
    lessons = [(f"{key[:2]}-{n}", c) for key in keys() for n, c in enumerate(practice_calls(key), 1)]
    faults = [
        (name, PracticeCall(name, str(h), load_faults(load_equipment(name)).faults[h.fault].complaints[0], ""))
        for name in blowerdata.names("equipment")
        for h in load_faults(load_equipment(name)).hypotheses()
    ]
    picks = sampled(len(lessons)) if not long_run() else range(len(lessons))
    drawn = sampled(len(faults)) if long_run() else [seed() % len(faults), len(faults) // 3, len(faults) // 2]
    return [*(lessons[k] for k in picks), *(faults[k] for k in dict.fromkeys(drawn))]


MOST_ACTS = 1500


@pytest.mark.parametrize(("name", "call"), every_call(), ids=lambda x: x if isinstance(x, str) else x.fault)
def test_after_any_acts_the_coach_has_an_act_that_hands_can_do_and_following_it_ends_the_call(
    name: str, call: PracticeCall
) -> None:
    rng = np.random.default_rng([45, SEED, *name.encode()])
    bench = LocalBench(call.equipment, hypothesis_named(call.fault), call.complaint, variant=f"stuck-{name}")
    for _ in range(int(rng.integers(1, 14))):
        for act in any_acts(rng, bench.equipment):
            bench.act(act)
    done = [line.act for line in bench.lines]
    coach = BenchCoach.of(bench)
    assert coach.hint(tuple(bench.lines), 3)
    for _ in range(MOST_ACTS):
        advice = coach.advice(bench.lines)
        if advice.act is None:
            break
        outcome = bench.act(advice.act)
        assert isinstance(outcome, Accepted), f"after {done} the coach asked for {advice.act}, which hands can't do: {outcome}"
    assert bench.view().hands["ended"], f"after {done} the call is not over, {len(bench.lines)} acts on"
