"""Repair, verification and write-up: what was put right, how it was shown to work, and how it was written down.

Rule: each check is (earned, worth, why); a check reads acts and observations of the record only.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from typing import NamedTuple

from blowerbench import acts as a
from blowerbench.equipment import Equipment
from blowerbench.faults import NO_FAULT
from blowerbench.units import UnitError, quantity
from blowergrade.replay import Step
from blowergrade.safety import Violation


class Check(NamedTuple):
    """Points earned out of what the check is worth, and why: an English template with its arguments."""

    earned: int
    worth: int
    why: str
    args: tuple[str, ...] = ()


def _after_repair(steps: Sequence[Step]) -> list[Step]:
    last = max((k for k, s in enumerate(steps) if isinstance(s.act, a.Repair)), default=-1)
    if last < 0:  # nothing was repaired: what comes after the diagnosis counts
        last = max((k for k, s in enumerate(steps) if isinstance(s.act, a.Declare)), default=-1)
    return list(steps[last + 1 :])


def _runs(steps: Sequence[Step], call: str) -> bool:
    return any(
        s.after.hands.thermostat == call and s.after.hands.door_on and "blower_running" in s.observation.senses for s in steps
    )  # fmt: skip


def _read(steps: Sequence[Step], function: str, low: float, high: float, unit: str) -> bool:
    """Whether `function` showed a value from `low` to `high` while the blower ran."""
    return any(
        low <= quantity(f"{shown.text} {shown.unit}", unit) <= high
        for step in steps
        if "blower_running" in step.observation.senses
        for shown in step.observation.shown
        if shown.instrument == function and "OL" not in shown.text
    )


def repair_points(equipment: Equipment, correction: str, steps: Sequence[Step], violations: Sequence[Violation]) -> list[Check]:
    """Repair and verification: the right unit, made safe first, every call shown, volts under load, amps, left in order."""
    units = [s.act.unit for s in steps if isinstance(s.act, a.Repair)]
    effects = [u.name for u in equipment.units.values() if u.effect_only]
    wanted = [] if correction == NO_FAULT else [correction]
    others = [u for u in units if u not in (*wanted, *effects)]
    repairs = {s.seq for s in steps if isinstance(s.act, a.Repair)}
    unsafe = [v for v in violations if v.seq in repairs and v.level == "critical"]
    after = _after_repair(steps)
    right = set(wanted) <= set(units) and not others
    end = steps[-1].after.hands if steps else None
    loose = end is None or end.parted or end.lifted or end.jumpers or end.switch_taped or end.locked
    tidy = end is not None and end.door_on and not loose
    ratings = equipment.ratings
    done = "; ".join(units)
    put_right = Check(5, 5, "the right unit was put right")
    if not right:
        put_right = (
            Check(0, 5, "repaired: {0}; a wrong or needless part", (done,)) if units else Check(0, 5, "nothing was repaired")
        )
    why_safe = "repaired on a live unit" if unsafe else "made safe before the repair"
    return [
        put_right,
        Check(0 if unsafe or not (units or not wanted) else 3, 3, why_safe),
        Check(2 if _runs(after, "fan") else 0, 2, "shown to run on a call for the fan, door on"),
        Check(2 if _runs(after, "heat") else 0, 2, "shown to run on a call for heat, door on"),
        Check(2 if _runs(after, "cool") else 0, 2, "shown to run on a call for cooling, door on"),
        Check(2 if _volts(equipment, after) else 0, 2, "line volts measured under load after the repair"),
        Check(
            2 if _read(after, "clamp", 0.2, ratings["blower_amps_max"], "ampere") else 0,
            2,
            "amps measured, within the nameplate",
        ),
        Check(2 if tidy else 0, 2, "left in order: door on, plugs mated, no jumper, no lock"),
    ]


def _volts(equipment: Equipment, steps: Sequence[Step]) -> bool:
    low, high = equipment.ratings["supply_low"] * 0.97, equipment.ratings["supply_high"] * 1.03
    return any(_read(steps, f, low, high, "volt") for f in ("volts_ac", "low_z"))


_NUMBER = re.compile(r"(-?\d+(?:\.\d+)?)\s*([kMm]?(?:V|A|ohm))\b")


def _readings_in(text: str) -> Iterator[str]:
    for number, unit in _NUMBER.findall(text):
        yield f"{number} {unit}"


def write_up_points(steps: Sequence[Step], correction: str, equipment: Equipment) -> list[Check]:
    """Write-up: complaint, readings with units that the record shows, cause, correction, why it failed, the customer."""
    report = next((s.act for s in reversed(steps) if isinstance(s.act, a.WriteUp)), None)
    if report is None:
        return [Check(0, 10, "no write-up was handed in")]
    shown = {f"{x.text} {x.unit}" for s in steps for x in s.observation.shown}
    quoted = [r for text in report.readings for r in _readings_in(text)]
    true = [r for r in quoted if r in shown and _parses(r)]
    cause = any(name in _plain(report.cause) for name in _names(equipment, correction))
    return [
        Check(1 if report.complaint.strip() else 0, 1, "the complaint is stated"),
        Check(min(4, 2 * len(true)), 4, "{0} readings with units that the record shows (two are asked)", (str(len(true)),)),
        Check(2 if cause else 0, 2, "the cause names the unit that failed"),
        Check(1 if report.correction.strip() else 0, 1, "the correction is stated"),
        Check(1 if report.why.strip() else 0, 1, "why it failed is stated"),
        Check(1 if report.customer.strip() else 0, 1, "what the customer was told is stated"),
    ]


def _plain(text: str) -> str:
    return " ".join(text.lower().replace("_", " ").split())


def _names(equipment: Equipment, correction: str) -> set[str]:
    """What the unit may be called in a report: its id or its title, without what stands in brackets or after a comma."""
    names = {_plain(correction)}
    if correction in equipment.units:
        names.add(re.split(r"[,:(]| with ", _plain(equipment.units[correction].title))[0].strip())
    return names


def _parses(reading: str) -> bool:
    number, unit = reading.split()
    try:
        quantity(f"{number} {unit}", {"V": "volt", "A": "ampere"}.get(unit[-1], "ohm"))
    except UnitError:
        return False
    return True
