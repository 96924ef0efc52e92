"""The instructor's lesson plans, made from the lessons themselves: times, what to have ready, questions, misconceptions, calls.

Rule: what a plan says of a lesson comes from the lesson; only purpose, what to have ready and the questions are written here.
"""

from __future__ import annotations

from functools import lru_cache

import blowerdata
from blowerbench.equipment import load_equipment
from blowerbench.faults import load_faults
from blowergrade.safety_rules import RULES
from blowergrade.wording import hypothesis_named
from blowerlessons.assigned import practice_calls
from blowerlessons.build import Lesson, lessons
from blowerlessons.misconceptions import Misconception, misconceptions

#: Share of a lesson's time: the problem, teaching and exercises, calls to practise, talk at the end.
SHARES = (("problem and predictions, together", 0.15), ("text and exercises, each alone", 0.35),
          ("practice calls, in pairs", 0.40), ("what did each reading rule out? together", 0.10))  # fmt: skip
#: The same for a lesson that is calls only.
CALLS_ONLY = (("how it works, together", 0.05), ("calls, each alone", 0.75),
              ("score sheets, in pairs: what would a better reading have been?", 0.15), ("talk, together", 0.05))  # fmt: skip
PURPOSE = {
    "01": "Nobody measures anything before they can make a unit dead and prove it. Everything later rests on this.",
    "02": "A reading is made by meter and circuit together. Who knows how it lies is not fooled later.",
    "03": "Most blowers that stand still are waiting or told to. The diagram and the order say which.",
    "04": "A blower that runs is an air problem until air is ruled out. It is quick, and mostly needs no tool on live parts.",
    "05": "Two inputs and two parts: with this picture in mind the rest of the course is a matter of order.",
    "06": "The first of the two inputs. Three pairs, under load, from the breaker to the plug.",
    "07": "The second of the two inputs, and the tool for where a meter can't read it.",
    "08": "It runs on the source, so the motor is good. Between which two points does the command get lost?",
    "09": "It does not run on the source. The most dangerous place of the course, and the dearest part to be wrong about.",
    "10": "The older motor: a capacitor, taps and an overload in place of a control module.",
    "11": "Motors between the two, and the one outdoors: the same questions at other terminals.",
    "12": "A part changed is not a repair. It is one when every call has been tried and the cause is gone.",
    "13": "All of it at once, on calls that nobody has seen before.",
}
QUESTIONS = {
    "01": "Where in this room could you make a unit dead, and how would you prove it? Who may take your lock off?",
    "02": "What does your meter do to what it reads? When did a reading last lie to you?",
    "03": "Which part has the full supply across it now, and why? What is the board waiting for?",
    "04": "Is it trying and failing, or not trying? Between which two ports is the air lost?",
    "05": "Which two things does it need? What stays inside when the power is off?",
    "06": "Which of the three pairs is missing? Where is the last place where it was right?",
    "07": "Is your source alive? What does this answer clear, and what does it leave?",
    "08": "Between which two readings is it lost? Which part lies between them?",
    "09": "Why may you touch this now? Which of the two is good, and how do you know?",
    "10": "Is it silent or does it hum? What would you measure if you had one reading left?",
    "11": "Which tap does this call feed? Which leg is still live with the contactor open?",
    "12": "On which call would you have seen that it is not mended? Why did it fail?",
    "13": "For each reading: what did it rule out? What would a better one have been?",
}
READY = {
    "01": "a real meter with leads to look over, a lock and a tag, gloves, glasses; slips with codes if graded",
    "02": "two meters of different kind, if there are any, and a resistor or two",
    "04": "a manometer and two thermometers, if there are any",
    "10": "an old run capacitor and a rated discharge resistor, to show, never charged",
}
ALWAYS = "a computer for each pair, the lesson's handout on paper"


def timing(minutes: int, calls_only: bool = False) -> tuple[tuple[str, int], ...]:
    """How the minutes of a lesson are spent, to five minutes; they add up to `minutes`."""
    shares = CALLS_ONLY if calls_only else SHARES
    made = [(what, 5 * round(minutes * share / 5)) for what, share in shares[:-1]]
    return (*made, (shares[-1][0], minutes - sum(m for _, m in made)))


@lru_cache(maxsize=1)
def _practised() -> frozenset[tuple[str, str]]:
    """Unit and fault of every practice call of the course."""
    calls = [call for lesson in lessons() for call in practice_calls(lesson.key)]
    return frozenset((c.equipment, hypothesis_named(c.fault).fault) for c in calls)


@lru_cache(maxsize=1)
def _difficulty() -> dict[tuple[str, str], int]:
    """Unit and fault to its difficulty."""
    names = blowerdata.names("equipment")
    return {(n, f.id): f.difficulty for n in names for f in load_faults(load_equipment(n)).faults.values()}


def to_assign(wrong: Misconception) -> tuple[str, str] | None:
    """Unit and id of the easiest fault that exposes `wrong` and is no practice call of the course; None where all are."""
    free = [pair for pair in wrong.faults if pair not in _practised()]
    return min(free, key=lambda pair: (_difficulty()[pair], pair), default=None)


def _told(wrong: Misconception) -> str:
    """One misconception as a line of a plan."""
    pair = to_assign(wrong)
    more = f" To assign: `{pair[1]}` on {load_equipment(pair[0]).title}." if pair else ""
    return f"- *{wrong.believes}* {wrong.tempting} Against it: {wrong.upset_by}{more}"


def plan(lesson: Lesson) -> str:
    """The plan of one lesson as Markdown."""
    about, number = lesson.about, lesson.key[:2]
    calls = practice_calls(lesson.key)
    rows = "\n".join(f"| {what} | {minutes} |" for what, minutes in timing(int(about["minutes"]), not calls))
    wrong = [m for m in misconceptions() if m.lesson == number]
    ready = "; ".join(x for x in (READY.get(number, ""), ALWAYS) if x)
    parts = [
        f"## {number.lstrip('0')}. {about['title']}",
        f"*For: {about['learner']}* {about['minutes']} minutes, about {lesson.words} words to read.",
        PURPOSE[number],
        "**They can, afterwards:**\n\n" + "\n".join(f"- {goal}" for goal in about["objectives"]),
        f"| what | minutes |\n|---|---|\n{rows}",
        f"**Have ready:** {ready}.",
        f"**Ask:** {QUESTIONS[number]}",
    ]
    if wrong:
        parts.append("**What they may believe:**\n\n" + "\n".join(map(_told, wrong)))
    if calls:
        parts.append("**Calls to practise** (faults are in the answer key of the kit):\n\n" + "\n".join(
            f"{n}. {c.teaches}" for n, c in enumerate(calls, 1)
        ))  # fmt: skip
    elif number == "13":
        parts.append("**Calls:** ten for each learner, drawn for them alone from what they have not met.")
    return "\n\n".join(parts)


HEAD = """# Lesson plans

Made from the lessons; times are for a first run with beginners. Let them say what a reading rules out before they take the
next one. Nothing here replaces supervised work on live equipment: local codes, the unit's own instructions and licensed
practice come first. The table `misconceptions.csv` says for each fault of the catalogue which misconceptions it exposes.

Keep this folder to yourself: it holds every answer."""


def critical_list() -> str:
    """The acts that fail a graded call by themselves, with clause and reason: a Markdown list made of the monitor's rules."""
    rows = [f"- **{x.what[0].upper()}{x.what[1:]}**: {x.why}. *{x.clause}*" for x in RULES.values() if x.level == "critical"]
    head = "## What fails a call by itself\n\n"
    told = "No rubric changes this list. Read it with the class before the first graded call.\n"
    told += "Clauses are those read for this course: check the current text and your local code.\n\n"
    return head + told + "\n".join(rows)


def plans() -> str:
    """All plans as one Markdown page, the kit's ``lesson-plans.md``."""
    return "\n\n".join([HEAD, *(plan(x) for x in lessons() if x.language == "en"), critical_list()]) + "\n"
