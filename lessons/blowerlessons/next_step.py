"""What a learner should do next, and why: never nothing.

Rule: a step names something that exists: a lesson's notebook, exercises in it, one of its calls, or a call drawn for practice.
The first step is the one to take. The order: a skill that went wrong twice, the earliest lesson that is ready, its calls, calls
for the weakest skill, the final calls, free practice.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Literal

import blowerdata
from blowerbench.equipment import load_equipment
from blowerbench.errors import BenchError
from blowerbench.faults import load_faults
from blowerbench.messages import translate as t
from blowerlessons.assigned import practice_calls
from blowerlessons.build import exercises_of, keys, lesson_numbered, names
from blowerlessons.mastery import MASTERED, evidence, mastery
from blowerlessons.progress import Progress
from blowerlessons.skills import SKILLS, title

What = Literal["exercises", "again", "call", "drill", "final", "free"]
#: The lesson of the final calls, how many they are, and how many steps are told at most.
CAPSTONE, FINAL_CALLS, MOST = "13", 10, 3
#: A lesson is ready once what it builds on is likelier known than not.
READY = 0.5
#: So many wrong answers on one skill, one after the other, come before anything new.
WRONG = 2
#: The difficulty of a drawn call by mastery: up to each bound the number beside it. In free practice the last.
DIFFICULTIES = ((0.4, 1), (0.7, 2), (MASTERED, 3), (1.0, 4))
#: Where calls on a skill come from that no single fault stands for: a competency that uses it.
DRAWN_FROM = {"circuits": "power input", "motors": "command", "repair": "power input"}


@dataclass(frozen=True, slots=True)
class Outline:
    """What of a lesson counts here: its name, its skills, its exercises with their skills, and how many calls it has."""

    key: str
    skills: tuple[str, ...]
    exercises: tuple[tuple[str, str], ...]
    calls: int

    @property
    def number(self) -> str:
        """Its number, as "06"."""
        return self.key[:2]


@dataclass(frozen=True, slots=True)
class Step:
    """One thing to do next: `exercises` or `call` (from 1) of `lesson`, or a drawn call of a difficulty.

    `skill` is what it is about; `wrong` says how many of the last answers on it were wrong, `weakest` that it is the weakest.
    """

    what: What
    lesson: str = ""
    skill: str = ""
    exercises: tuple[str, ...] = ()
    call: int = 0
    difficulty: int = 0
    wrong: int = 0
    weakest: bool = False

    def sentence(self, language: str = "en") -> str:
        """The step, with its reason, for a person."""
        about = title(self.skill, language) if self.skill else ""
        if self.wrong:
            why = t("The last {0} answers on “{1}” were wrong.", language).format(self.wrong, about)
        elif self.weakest:
            why = t("Of your skills, “{0}” is the weakest so far.", language).format(about)
        else:
            return self._what(language)
        return f"{why} {self._what(language)}"

    def _what(self, language: str) -> str:
        file = notebook_of(self.lesson, language) if self.lesson else ""
        if self.what == "exercises":
            return t("Open {0}. Still to do: {1}.", language).format(file, _named(self.exercises, language))
        if self.what == "again":
            return t("Read {0} once more and answer again: {1}.", language).format(file, _named(self.exercises, language))
        if self.what == "call":
            return t("Do call {0} in {1}.", language).format(self.call, file)
        if self.what == "final":
            return t("You are ready for the final calls. Do call {0} in {1}.", language).format(self.call, file)
        asked = f'lesson.practise("{drawn_from(self.skill)}", {self.difficulty})'
        if self.what == "free":
            told = t("You have done the course. To stay in practice, put this into a cell and run it: {0}", language)
            return told.format(asked)
        told = t("Do one more call of difficulty {0} (of 5). Put this into a cell and run it: {1}", language)
        return told.format(self.difficulty, asked)


def _named(exercises: Sequence[str], language: str) -> str:
    """Exercises and predictions as words: "exercise 2, prediction 1"."""
    return ", ".join(
        (t("prediction {0}", language) if e.startswith("p") else t("exercise {0}", language)).format(e.removeprefix("p"))
        for e in exercises
    )


def notebook_of(key: str, language: str = "en") -> str:
    """The file name of the lesson's notebook, in `language` where there is one."""
    own = f"{key}.{language}"
    return f"{own if own in names() else key}.ipynb"


# ---------------------------------------------------------------------- what there is
@lru_cache(maxsize=1)
def course() -> tuple[Outline, ...]:
    """The lessons in order; one that can't be read is left out."""
    found = []
    for key in keys():
        try:
            lesson = lesson_numbered(key[:2])
            calls = FINAL_CALLS if key.startswith(CAPSTONE) else len(practice_calls(key))
            found.append(Outline(key, tuple(lesson.about["skills"]), exercises_of(lesson), calls))
        except (BenchError, OSError, SyntaxError, ValueError):
            continue
    return tuple(found)


@lru_cache(maxsize=1)
def difficulties() -> Mapping[str, tuple[int, ...]]:
    """The difficulties, lowest first, of the catalogued faults of each competency, all units together."""
    found: dict[str, set[int]] = {}
    for name in blowerdata.names("equipment"):
        for fault in load_faults(load_equipment(name)).faults.values():
            found.setdefault(fault.competency, set()).add(fault.difficulty)
    return {competency: tuple(sorted(levels)) for competency, levels in found.items()}


def drawn_from(skill: str) -> str:
    """The competency whose faults train `skill`: itself, or one that uses it."""
    return skill if skill in difficulties() else DRAWN_FROM[skill]


def difficulty_for(skill: str, known: float) -> int:
    """The difficulty, 1 to 5, of a call for who knows `skill` with that probability; one that the catalogue has."""
    wanted = next(d for bound, d in DIFFICULTIES if known <= bound)
    return min(difficulties()[drawn_from(skill)], key=lambda d: (abs(d - wanted), d))


# ---------------------------------------------------------------------- what to do
def next_steps(progress: Progress, lessons: Sequence[Outline] | None = None) -> tuple[Step, ...]:
    """One to three steps, the first of them the one to take; `lessons` are the course's unless they are given."""
    there = course() if lessons is None else lessons
    known = mastery(progress)
    steps: list[Step] = []
    for step in _in_order(progress, there, known):
        if not any(_same(step, s) for s in steps):
            steps.append(step)
        if len(steps) == MOST:
            break
    return tuple(steps)


def _same(one: Step, other: Step) -> bool:
    """Whether both send the learner to the same work; the reasons may differ."""
    if one.lesson:
        return (one.what, one.lesson, one.call) == (other.what, other.lesson, other.call)
    return (one.what, drawn_from(one.skill), one.difficulty) == (other.what, drawn_from(other.skill), other.difficulty)


def _in_order(progress: Progress, lessons: Sequence[Outline], known: Mapping[str, float]) -> Iterator[Step]:
    teaching = [x for x in lessons if x.number != CAPSTONE]
    todo = [(x, s) for x in teaching for s in _left(progress, x)]
    following = ([p for p in todo if _is_ready(p[0], known)] or todo)[:1]
    for skill, count in wrong_runs(progress).items():
        if count >= WRONG and known[skill] < MASTERED:
            yield _remedy(progress, teaching, following, replace(_drill(skill, known), wrong=count, weakest=False))
    yield from (s for _, s in following)
    weak = sorted((s for s in SKILLS if known[s] < MASTERED), key=lambda s: known[s])
    if not todo:
        yield from (_drill(s, known) for s in weak)
    if not todo and not weak:
        final = [s for x in lessons if x.number == CAPSTONE for s in _left(progress, x)]
        yield from final
        if not final:
            yield from _free(progress)


def wrong_runs(progress: Progress) -> dict[str, int]:
    """How many of the last answers and calls on each skill were wrong, one after the other; the longest run first."""
    runs = dict.fromkeys(SKILLS, 0)
    for e in evidence(progress):
        runs[e.skill] = 0 if e.right else runs[e.skill] + e.direct
    return dict(sorted(((s, n) for s, n in runs.items() if n), key=lambda x: -x[1]))


def _remedy(progress: Progress, lessons: Sequence[Outline], following: Sequence[tuple[Outline, Step]], drill: Step) -> Step:
    """What to do about a skill: answer again what went wrong, go on in a lesson that asks for it, or the drawn call `drill`."""
    tried = {(e.lesson, e.exercise) for e in progress.answers}
    skill = drill.skill
    for x in lessons:
        missed = tuple(e for e, s in x.exercises if s == skill and (x.key, e) in tried and not progress.is_done(x.key, e))
        if missed:
            return Step("again", x.key, skill, missed, wrong=drill.wrong)
    for x, step in following:
        if skill in x.skills:
            return replace(step, skill=skill, wrong=drill.wrong)
    return drill


def _drill(skill: str, known: Mapping[str, float]) -> Step:
    return Step("drill", skill=skill, difficulty=difficulty_for(skill, known[skill]), weakest=True)


def _left(progress: Progress, x: Outline) -> Iterator[Step]:
    """What of a lesson is still to do: its exercises, then its calls one by one."""
    undone = tuple(e for e, _ in x.exercises if not progress.is_done(x.key, e))
    if undone:
        yield Step("exercises", x.key, exercises=undone)
    for number in range(1, x.calls + 1):
        if not progress.calls_of(x.key, number):
            yield Step("final" if x.number == CAPSTONE else "call", x.key, call=number)


def _is_ready(x: Outline, known: Mapping[str, float]) -> bool:
    needed = {p for s in x.skills for p in SKILLS[s].after} - set(x.skills)
    return all(known[p] >= READY for p in needed)


def _free(progress: Progress) -> Iterator[Step]:
    """Calls on the competencies that came least often, at the highest difficulty that there is."""
    counted = {c: sum(x.competency == c for x in progress.calls) for c in difficulties()}
    for competency in sorted(counted, key=lambda c: (counted[c], c)):
        yield Step("free", skill=competency, difficulty=difficulty_for(competency, 1.0))
