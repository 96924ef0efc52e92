"""How well a learner knows each skill, as a probability: Bayesian knowledge tracing.

Rule: the model is Corbett and Anderson's (User Modeling and User-Adapted Interaction 4, 1995, 253-278): a skill is known or
not; each chance to use it tells something about that by Bayes' rule, and may teach it; what is known is not forgotten. The
parameters are ours. They come from reasoning, not from a class of learners, and stand in one place.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from blowerlessons.progress import Answer, Call, Progress
from blowerlessons.skills import SKILLS

#: A skill counts as mastered from this probability on (Corbett and Anderson's criterion).
MASTERED = 0.95


@dataclass(frozen=True, slots=True)
class Chance:
    """What one chance to use a skill is worth: `guess` to be right without it, `slip` to be wrong with it, `learn` from it."""

    guess: float
    slip: float
    learn: float


#: The probability that a skill is known before any evidence: the learner has never held a meter. The two that daily life and
#: school touch on begin higher.
KNOWN: dict[str, float] = {"safety": 0.2, "circuits": 0.2}
KNOWN_ELSE = 0.1

#: A number with its unit is hardly guessed, but it can be copied from the lines above.
NUMBER = Chance(guess=0.1, slip=0.1, learn=0.15)
#: Of a choice, `guess` is one by the number of choices and never less than this: some choices can be seen to be wrong.
LEAST_GUESS, CHOICE_SLIP, CHOICE_LEARN = 0.2, 0.1, 0.15
#: Before the measurement a good mechanic is often wrong, and a number within a tenth is luck for who does not know.
PREDICTION_SLIP, PREDICTION_LEARN, PREDICTION_GUESS = 0.3, 0.15, 0.2
#: A whole call: nobody isolates a fault by luck, but hints help; a slip in a long call is likelier than in one answer.
CALL = Chance(guess=0.15, slip=0.15, learn=0.2)
#: What a call tells about the skills that its fault's competency builds on: less, since the call may fail for another reason.
UNDERLYING = Chance(guess=0.4, slip=0.15, learn=0.1)
#: The share of its points from which repair and write-up count as done rightly; safety must be without a critical violation.
WELL_DONE = 0.75
#: Skills that no catalogued fault has as its competency: calls tell about them through the skills above them.
NO_FAULT = frozenset({"circuits", "motors", "repair"})


def posterior(known: float, right: bool, chance: Chance) -> float:
    """The probability that the skill was known, after one answer (Corbett and Anderson, equations of P(L|evidence))."""
    yes = known * ((1.0 - chance.slip) if right else chance.slip)
    no = (1.0 - known) * (chance.guess if right else 1.0 - chance.guess)
    return yes / (yes + no) if yes + no else known


def step(known: float, right: bool, chance: Chance) -> float:
    """The probability that the skill is known after the answer and what was learnt from it."""
    after = posterior(known, right, chance)
    return after + (1.0 - after) * chance.learn


def predicted(known: float, chance: Chance) -> float:
    """The probability that the next answer will be right."""
    return known * (1.0 - chance.slip) + (1.0 - known) * chance.guess


@dataclass(frozen=True, slots=True)
class Evidence:
    """One chance that was taken: the skill, whether it went right, what it is worth, and whether a whole call gave it."""

    skill: str
    right: bool
    chance: Chance
    call: bool = False
    direct: bool = True  # asked for this skill, not for one that builds on it


def chance_of(answer: Answer) -> Chance:
    """What an answer is worth, by its kind and its number of choices."""
    least = PREDICTION_GUESS if answer.is_prediction else LEAST_GUESS
    if answer.choices:
        guess = min(max(1.0 / answer.choices, least), 0.5)
        slip = PREDICTION_SLIP if answer.is_prediction else CHOICE_SLIP
        return Chance(guess, slip, CHOICE_LEARN)
    return Chance(PREDICTION_GUESS, PREDICTION_SLIP, PREDICTION_LEARN) if answer.is_prediction else NUMBER


def _of_call(call: Call) -> Iterator[Evidence]:
    """A call tells about its fault's competency, about safety and repair, and a little about what the competency builds on."""
    safe = not call.critical and call.share("safety") >= WELL_DONE
    own = call.found and (call.competency != "safety" or safe)
    yield Evidence(call.competency, own, CALL, True)
    if call.competency != "safety":
        yield Evidence("safety", safe, CALL, True)
    if not call.stop_work:
        yield Evidence("repair", call.share("repair", "write_up") >= WELL_DONE, CALL, True)
    for name in sorted(underlying(call.competency) - {"safety"}):
        yield Evidence(name, own, UNDERLYING, True, False)


def underlying(skill: str) -> set[str]:
    """The skills that `skill` builds on: directly, and of those farther below the ones that no fault stands for."""

    def below(name: str) -> set[str]:
        return {x for parent in SKILLS[name].after for x in (parent, *below(parent))}

    return set(SKILLS[skill].after) | (below(skill) & NO_FAULT)


def evidence(progress: Progress) -> tuple[Evidence, ...]:
    """All chances that `progress` shows, oldest first."""
    found: list[Evidence] = []
    for entry in progress.evidence():
        if isinstance(entry, Answer):
            found.append(Evidence(entry.skill, entry.right, chance_of(entry)))
        else:
            found += _of_call(entry)
    return tuple(found)


def mastery(progress: Progress) -> dict[str, float]:
    """The probability, 0 to 1, that each skill of `skills.SKILLS` is known."""
    known = {name: KNOWN.get(name, KNOWN_ELSE) for name in SKILLS}
    for e in evidence(progress):
        known[e.skill] = step(known[e.skill], e.right, e.chance)
    return known
