"""Which fault each student gets: one that was chosen, or one drawn by competency and difficulty.

Rule: within one assignment everybody gets the same difficulty; the same seed draws the same.
"""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import dataclass

import blowerdata
from blowerbench.equipment import load_equipment
from blowerbench.faults import Catalogue, Hypothesis, load_faults
from blowergrade.classwork.folder import ClassError
from blowergrade.wording import hypothesis_named


@dataclass(frozen=True, slots=True)
class Wanted:
    """What an assignment asks for; empty texts and a difficulty of 0 mean any."""

    equipment: str = ""
    fault: str = ""
    complaint: str = ""
    competency: str = ""
    difficulty: int = 0


@dataclass(frozen=True, slots=True)
class Call:
    """A call that can be assigned: the unit's id, the fault as ID/SEVERITY, the complaint's id."""

    equipment: str
    fault: str
    complaint: str


def draw_calls(wanted: Wanted, students: Sequence[str], each: bool, seed: int) -> tuple[Call, ...]:
    """A call for each of `students`: one for all, or with `each` one drawn for each; raises `ClassError` where none fits."""
    dice = random.Random(seed)
    fits = _fitting(wanted)
    if not each:
        call = _pick(dice, fits)
        return (call,) * len(students)
    level = wanted.difficulty or _pick_level(dice, fits)
    band = [f for f in fits if f[2] == level]
    return tuple(_pick(dice, band) for _ in students)


_Fit = tuple[str, Hypothesis, int, float, tuple[str, ...]]  # unit, hypothesis, difficulty, weight, complaints


def _fitting(wanted: Wanted) -> list[_Fit]:
    names = [wanted.equipment] if wanted.equipment else list(blowerdata.names("equipment"))
    fits = [fit for name in names for fit in _of_unit(name, wanted)]
    if not fits:
        raise ClassError(_nothing_fits(wanted))
    return fits


def _of_unit(name: str, wanted: Wanted) -> list[_Fit]:
    equipment = load_equipment(name)
    catalogue = load_faults(equipment)
    chosen = hypothesis_named(wanted.fault) if wanted.fault else None
    if chosen is not None:
        _check_chosen(catalogue, chosen, wanted)
    made: list[_Fit] = []
    for h in catalogue.hypotheses(wanted.complaint or None):
        fault = catalogue.faults[h.fault]
        if chosen is not None and (h.fault != chosen.fault or ("/" in wanted.fault and h.severity != chosen.severity)):
            continue
        if wanted.competency not in ("", fault.competency) or wanted.difficulty not in (0, fault.difficulty):
            continue
        complaints = tuple(c for c in fault.complaints if wanted.complaint in ("", c))
        if complaints:
            made.append((equipment.id, h, fault.difficulty, catalogue.weight(h), complaints))
    return made


def _check_chosen(catalogue: Catalogue, chosen: Hypothesis, wanted: Wanted) -> None:
    fault = catalogue.faults.get(chosen.fault)
    if fault is None or chosen.severity >= max(1, len(fault.severities)):
        if wanted.equipment:
            raise ClassError(f"{wanted.equipment} has no fault {wanted.fault!r}; `blowerbench faults` lists those it has")
        return
    if wanted.complaint and wanted.complaint not in fault.complaints:
        raise ClassError(
            f"{fault.id} does not lead to the complaint {wanted.complaint!r}; it leads to {', '.join(fault.complaints)}"
        )


def _nothing_fits(wanted: Wanted) -> str:
    asked = [f"{what} {value!r}" for what, value in (
        ("unit", wanted.equipment), ("fault", wanted.fault), ("complaint", wanted.complaint),
        ("competency", wanted.competency), ("difficulty", wanted.difficulty or ""),
    ) if value]  # fmt: skip
    return f"no catalogued fault fits {' and '.join(asked)}; ask for less, or see `blowerbench faults`"


def _pick(dice: random.Random, fits: Sequence[_Fit]) -> Call:
    unit, h, _, _, complaints = dice.choices(fits, [f[3] for f in fits])[0]
    return Call(unit, f"{h.fault}/{h.severity}", dice.choice(complaints))


def _pick_level(dice: random.Random, fits: Sequence[_Fit]) -> int:
    return dice.choices([f[2] for f in fits], [f[3] for f in fits])[0]
