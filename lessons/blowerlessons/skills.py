"""What the course teaches, as a list of skills: the catalogue's competencies, and four that no single fault stands for.

Rule: a skill has one name everywhere: in a lesson's front matter, in the fault catalogue, in a learner's progress.
"""

from __future__ import annotations

from dataclasses import dataclass

from blowerbench.errors import BenchError
from blowerbench.messages import translate as t


class SkillError(BenchError):
    """A skill that the course does not know; the message lists those it does."""


@dataclass(frozen=True, slots=True)
class Skill:
    """A skill: `lesson` teaches it first; it builds on the skills `after`."""

    name: str
    lesson: str
    after: tuple[str, ...] = ()


SKILLS: dict[str, Skill] = {
    s.name: s
    for s in (
        Skill("safety", "01"),
        Skill("instruments", "01", ("safety",)),
        Skill("circuits", "02", ("instruments",)),
        Skill("sequence", "03", ("circuits",)),
        Skill("airflow", "04", ("sequence",)),
        Skill("motors", "05", ("circuits",)),
        Skill("power input", "06", ("safety", "circuits")),
        Skill("command", "07", ("power input", "motors")),
        Skill("low voltage", "08", ("command", "sequence")),
        Skill("safeties", "08", ("low voltage",)),
        Skill("control or motor", "09", ("command",)),
        Skill("repair", "12", ("safety",)),
    )
}


def skill_named(name: str) -> Skill:
    """The skill `name`; raises `SkillError`."""
    if name not in SKILLS:
        raise SkillError(f"no skill {name!r}; the course has {', '.join(SKILLS)}")
    return SKILLS[name]


def title(name: str, language: str = "en") -> str:
    """The skill's name for a person."""
    titles = {
        "safety": t("working safely", language),
        "instruments": t("using the meter", language),
        "circuits": t("circuits and readings", language),
        "sequence": t("diagrams and sequence of operation", language),
        "airflow": t("airflow", language),
        "motors": t("how the motors work", language),
        "power input": t("the power input", language),
        "command": t("the command input", language),
        "low voltage": t("low-voltage wiring", language),
        "safeties": t("safeties", language),
        "control or motor": t("control or motor", language),
        "repair": t("repair, verification and write-up", language),
    }
    return titles[name]
