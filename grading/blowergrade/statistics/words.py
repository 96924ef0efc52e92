"""What the numbers of an exam say to a school, in sentences.

Rule: a sentence is a function of the number beside it; a number that could not be worked out becomes its reason.
"""

from __future__ import annotations

from blowergrade.statistics.agreement import Agreement
from blowergrade.statistics.classical import Reliability
from blowergrade.statistics.decision import Decision
from blowergrade.statistics.passing import FormsCompared
from blowergrade.statistics.responses import Value

#: Words for kappa up to each bound (Landis & Koch 1977, table 2; from memory).
KAPPA_WORDS = ((0.0, "poor"), (0.2, "slight"), (0.4, "fair"), (0.6, "moderate"), (0.8, "substantial"), (1.0, "almost perfect"))
#: A chance of so much or less is called small. Common practice.
SMALL_CHANCE = 0.05
MINUS = "−"


def number(value: float | Value | None, digits: int = 2) -> str:
    """A number with a true minus sign, or the reason why there is none."""
    if isinstance(value, Value):
        if value.value is None:
            return f"– ({value.reason})"
        value = value.value
    return "–" if value is None else f"{value:.{digits}f}".replace("-", MINUS)


def percent(share: float) -> str:
    """A share as whole percents; one decimal where that would read 0 or 100."""
    digits = 1 if 0 < share < 0.005 or 0.995 <= share < 1 else 0
    return f"{100 * share:.{digits}f} %"


def trust_words(trust: Reliability, unit: str = "points") -> tuple[str, ...]:
    """What alpha, its interval and the standard error of measurement (in `unit`) say."""
    alpha, low, high = trust.alpha.value, trust.low.value, trust.high.value
    if alpha is None or low is None or high is None:
        return (f"The reliability can't be worked out: {trust.alpha.reason}.",)
    if alpha < 0:
        return ("A negative alpha says that the calls do not measure one thing. Look at those that correlate below 0.",)
    said = [
        _line(
            f"An alpha of {number(alpha)} says: about {percent(alpha)} of the differences between totals come from what",
            "candidates can do, the rest from chance (these calls, this day).",
        ),
        _line(
            f"From {trust.candidates} candidates alpha is known only roughly: the {percent(trust.level)} interval goes from",
            f"{number(low)} to {number(high)}.",
        ),
    ]
    if trust.sem.value is not None:
        said.append(
            f"About two candidates in three are within {number(trust.sem, 1)} {unit} of the total that they would have on "
            "average over many such forms. A total closer than that to the cut is decided partly by chance."
        )
    return tuple(said)


def decision_words(decision: Decision) -> tuple[str, ...]:
    """What consistency, kappa and accuracy say."""
    said = [
        _line(
            f"Of 100 candidates about {100 * decision.consistency:.0f} would be on the same side of the cut on a second form",
            "like this one.",
        ),
        _line(
            f"About {percent(decision.accuracy)} are decided as their true score deserves. {percent(decision.false_pass)}",
            f"reach the cut without deserving it, {percent(decision.false_fail)} deserve it and do not.",
        ),
        _line(
            f"Worked out on a scale of {decision.length} steps (the effective length of the form); {decision.steps} steps or",
            "more reach the cut.",
        ),
        "The safety gate is not in these numbers: a gate that is passed or not once says nothing of a second time.",
    ]
    if decision.kappa.value is not None:
        said.insert(1, f"Kappa is {number(decision.kappa)}: so much of the agreement that chance leaves open is reached.")
    if decision.true_scores.parameters == 2:
        said.append(f"True scores are taken to spread over the whole range, because {decision.true_scores.note}.")
    return tuple(said)


def _line(*parts: str) -> str:
    return " ".join(parts)


def kappa_words(agreement: Agreement) -> str:
    """A word for kappa, or the reason why it is undefined."""
    kappa = agreement.kappa.value
    if kappa is None:
        return agreement.kappa.reason
    return next((word for bound, word in KAPPA_WORDS if kappa <= bound), KAPPA_WORDS[-1][1])


def compared_words(found: FormsCompared) -> str:
    """Whether the forms' pass rates differ by more than chance."""
    if found.chi_squared is None or found.p is None:
        return f"Whether pass rates differ by more than chance is not tested: {found.reason}."
    chance = "less than 0.1 %" if found.p < 0.001 else f"{100 * found.p:.1f} %"
    said = (
        f"If all forms were equally hard and given out at random, pass rates as different as these would come up with a chance "
        f"of {chance} (chi-squared {number(found.chi_squared)}, {found.degrees} degrees of freedom)."
    )
    if found.p <= SMALL_CHANCE:
        return f"{said} Look at the hardest and the easiest form before results go out."
    return f"{said} That is no sign that one form was harder."
