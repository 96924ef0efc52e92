"""The instructor's lesson plans, made from the lessons themselves: times, what to have ready, questions, misconceptions, calls.

Rule: what a plan says of a lesson comes from the lesson; only the questions to ask are written here.
"""

from __future__ import annotations

from blowerlessons.assigned import practice_calls
from blowerlessons.build import Lesson, lessons
from blowerlessons.misconceptions import misconceptions

#: Share of a lesson's time: the problem, teaching and exercises, calls to practise, talk at the end.
SHARES = (("problem and predictions, together", 0.15), ("text and exercises, each alone", 0.35),
          ("practice calls, in pairs", 0.40), ("what did each reading rule out? together", 0.10))  # fmt: skip
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


def timing(minutes: int) -> tuple[tuple[str, int], ...]:
    """How the minutes of a lesson are spent, to five minutes; they add up to `minutes`."""
    made = [(what, 5 * round(minutes * share / 5)) for what, share in SHARES[:-1]]
    return (*made, (SHARES[-1][0], minutes - sum(m for _, m in made)))


def plan(lesson: Lesson) -> str:
    """The plan of one lesson as Markdown."""
    about, number = lesson.about, lesson.key[:2]
    rows = "\n".join(f"| {what} | {minutes} |" for what, minutes in timing(int(about["minutes"])))
    wrong = [m for m in misconceptions() if m.lesson == number]
    calls = practice_calls(lesson.key)
    ready = "; ".join(x for x in (READY.get(number, ""), ALWAYS) if x)
    parts = [
        f"## {number.lstrip('0')}. {about['title']}",
        f"*For: {about['learner']}* {about['minutes']} minutes, about {lesson.words} words to read.",
        "**They can, afterwards:**\n\n" + "\n".join(f"- {goal}" for goal in about["objectives"]),
        f"| what | minutes |\n|---|---|\n{rows}",
        f"**Have ready:** {ready}.",
        f"**Ask:** {QUESTIONS[number]}",
    ]
    if wrong:
        told = "\n".join(f"- *{m.believes}* {m.tempting} Ask: {m.upset_by}" for m in wrong)
        parts.append(f"**What they may believe:**\n\n{told}")
    if calls:
        parts.append("**Calls to practise** (faults are in the answer key of the kit):\n\n" + "\n".join(
            f"{n}. {c.teaches}" for n, c in enumerate(calls, 1)
        ))  # fmt: skip
    elif number == "13":
        parts.append("**Calls:** ten for each learner, drawn from what they have not met; none is the same as the neighbour's.")
    return "\n\n".join(parts)


HEAD = """# Lesson plans

Made from the lessons; times are for a first run with beginners. Let them say what a reading rules out before they take the
next one. Nothing here replaces supervised work on live equipment: local codes, the unit's own instructions and licensed
practice come first. The table `misconceptions.csv` says for each fault of the catalogue which misconceptions it exposes.

Keep this folder to yourself: it holds every answer."""


def plans() -> str:
    """All plans as one Markdown page, the file ``guides/lesson-plans.md``."""
    return "\n\n".join([HEAD, *(plan(x) for x in lessons() if x.language == "en")]) + "\n"
