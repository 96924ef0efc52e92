"""Where a learner stands, in words and as a picture.

Rule: the words come first and say everything that the picture shows.
"""

from __future__ import annotations

from typing import Any

from blowerbench.messages import translate as t
from blowerlessons.mastery import MASTERED, mastery
from blowerlessons.next_step import next_steps
from blowerlessons.progress import Progress
from blowerlessons.skills import title


def in_words(progress: Progress, language: str = "en") -> list[str]:
    """What to do next, one sentence a line, the first of them the one to do."""
    lines = [t("What to do next:", language)]
    lines += [f"{n}. {step.sentence(language)}" for n, step in enumerate(next_steps(progress), 1)]
    if progress.skipped:
        lost = t(
            "Lines of your progress file that could not be read: {0}. They stay as they are and count for nothing.", language
        )
        lines.append(lost.format(progress.skipped))
    return lines


def told(known: dict[str, float], language: str = "en") -> str:
    """The chance that each skill is known, in whole percent, as one sentence."""
    rows = ", ".join(f"{title(name, language)} {round(100 * p)} %" for name, p in known.items())
    return t("How surely you know each skill: {0}. Mastered from {1} % on.", language).format(rows, round(100 * MASTERED))


def picture(progress: Progress, language: str = "en") -> Any:
    """A bar for each skill, for a notebook to show; its alt text names every value."""
    from matplotlib.figure import Figure

    from blowerlessons.hands_on import show

    known = mastery(progress)
    figure = Figure(figsize=(7.0, 3.6))
    axes = figure.subplots()
    names = [title(name, language) for name in known][::-1]
    values = [100 * p for p in known.values()][::-1]
    colours = ["#0b6e4f" if v >= 100 * MASTERED else "#5b7db1" for v in values]
    axes.barh(names, values, color=colours)
    for row, value in enumerate(values):
        axes.text(min(value + 1.5, 92), row, f"{value:.0f}", va="center", fontsize=8, color="black" if value < 90 else "white")
    axes.axvline(100 * MASTERED, color="black", linewidth=1, linestyle="--")
    axes.set_xlim(0, 100)
    axes.set_xlabel(t("how surely you know it, % (dashed: mastered)", language))
    axes.tick_params(labelsize=9)
    return show(figure, told(known, language))
