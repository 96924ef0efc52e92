"""Repair, verification and write-up: what was put right, how it was shown to work, and how it was written down.

Rule: each check is (earned, worth, why); a check reads acts and observations of the record only.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from typing import NamedTuple

from blowerbench import acts as a
from blowerbench.equipment import Equipment
from blowerbench.faults import NO_FAULT
from blowerbench.hands import Hands, place_of
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
    """Whether the blower ran on `call`, door on: on that call's own command, and on heat with the burner lit."""
    return any(
        s.after.hands.thermostat == call
        and s.after.hands.door_on
        and "blower_running" in s.observation.senses
        and s.after.plant.speed == f"run_{call}"
        and (call != "heat" or "burner_lit" in s.observation.senses)
        for s in steps
    )


def _read(steps: Iterable[Step], function: str, low: float, high: float, unit: str) -> bool:
    """Whether `function` showed a value from `low` to `high` while the blower ran."""
    return any(
        low <= quantity(f"{shown.text} {shown.unit}", unit) <= high
        for step in steps
        if "blower_running" in step.observation.senses
        for shown in step.observation.shown
        if shown.instrument == function and "OL" not in shown.text
    )


def repair_points(
    equipment: Equipment, corrections: Sequence[str], steps: Sequence[Step], violations: Sequence[Violation]
) -> list[Check]:
    """Repair and verification: the right unit, made safe first, every call shown, volts under load, amps, left in order."""
    units = [s.act.unit for s in steps if isinstance(s.act, a.Repair)]
    effects = [u.name for u in equipment.units.values() if u.effect_only]
    wanted = [c for c in corrections if c != NO_FAULT]
    others = [u for u in units if u not in (*wanted, *effects)]
    repairs = {s.seq for s in steps if isinstance(s.act, a.Repair)}
    unsafe = [v for v in violations if v.seq in repairs and v.level == "critical"]
    after = _after_repair(steps)
    right = set(wanted) <= set(units) and not others
    end = steps[-1].after.hands if steps else None
    tidy = end is not None and _in_order(end)
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
        Check(2 if _runs(after, "fan") else 0, 2, "shown to run on a call for the fan, door on, past any off-delay"),
        Check(2 if _runs(after, "heat") else 0, 2, "shown to run on a call for heat, door on, burner lit"),
        Check(2 if _runs(after, "cool") else 0, 2, "shown to run on a call for cooling, door on, past any off-delay"),
        Check(2 if _volts(equipment, after) else 0, 2, "line volts measured under load after the repair"),
        Check(
            2 if _read(after, "clamp", 0.2, ratings["blower_amps_max"], "ampere") else 0,
            2,
            "amps measured, within the nameplate",
        ),
        Check(
            2 if tidy else 0, 2, "left in order: power and gas on, thermostat off, door on, plugs mated, no jumper, lock or tag"
        ),
    ]


def _in_order(hands: Hands) -> bool:
    loose = hands.parted or hands.lifted or hands.jumpers or hands.switch_taped or hands.locked or hands.tagged
    on = hands.door_on and hands.disconnect_closed and hands.breaker_on and hands.gas_on and not hands.control_open
    return bool(on and hands.thermostat == "off" and not loose)


def _volts(equipment: Equipment, steps: Sequence[Step]) -> bool:
    """Whether line volts in range were read at the unit (a receptacle elsewhere says nothing) while the blower ran."""
    low, high = equipment.ratings["supply_low"] * 0.97, equipment.ratings["supply_high"] * 1.03
    inside = [s for s in steps if all(place_of(equipment, node) == "unit" for _, node, _ in s.after.hands.leads)]
    return any(_read(inside, f, low, high, "volt") for f in ("volts_ac", "low_z"))


_NUMBER = re.compile(r"(-?\d+(?:\.\d+)?)\s*([kMm]?(?:V|A|ohm))\b")


def _readings_in(text: str) -> Iterator[str]:
    for number, unit in _NUMBER.findall(text):
        yield f"{number} {unit}"


def write_up_points(steps: Sequence[Step], corrections: Sequence[str], equipment: Equipment) -> list[Check]:
    """Write-up: complaint, readings with units that the record shows, cause, correction, why it failed, the customer."""
    report = next((s.act for s in reversed(steps) if isinstance(s.act, a.WriteUp)), None)
    if report is None:
        return [Check(0, 10, "no write-up was handed in")]
    shown = {f"{x.text} {x.unit}" for s in steps for x in s.observation.shown if x.instrument != "leads"}
    true = {r for text in report.readings for r in _readings_in(text) if r in shown and _parses(r)}
    cause = units_named(equipment, report.cause) == set(corrections)
    return [
        Check(_written(report.complaint), 1, "the complaint is stated"),
        Check(min(4, 2 * len(true)), 4, "{0} different readings that the record shows (two are asked)", (str(len(true)),)),
        Check(2 if cause else 0, 2, "the cause names what failed, and nothing else"),
        Check(_written(report.correction), 1, "the correction is stated"),
        Check(_written(report.why), 1, "why it failed is stated"),
        Check(_written(report.customer), 1, "what the customer was told is stated"),
    ]


def _written(text: str) -> int:
    """1 for a text that holds at least a word ("surge" is an answer, "ok" is none)."""
    return 1 if sum(c.isalpha() for c in text) >= 3 else 0


def _plain(text: str) -> str:
    return " ".join(re.sub(r"[_\W]+", " ", text.lower()).split())


def units_named(equipment: Equipment, text: str) -> set[str]:
    """The correction units that `text` names, by id or by title; the longest name counts, effects (a fuse) do not."""
    names = {_plain(NO_FAULT): NO_FAULT, "nothing wrong": NO_FAULT}
    for unit in equipment.units.values():
        names[_plain(unit.name)] = unit.name
        names[_plain(unit.title)] = unit.name
        names[_plain(re.split(r"[,:(]| with ", unit.title)[0])] = unit.name
    left, found = f" {_plain(text)} ", set()
    for name in sorted(names, key=len, reverse=True):
        if f" {name} " in left:
            found.add(names[name])
            left = left.replace(f" {name} ", " | ")
    effects = {u.name for u in equipment.units.values() if u.effect_only}
    return found - effects


def _parses(reading: str) -> bool:
    number, unit = reading.split()
    try:
        quantity(f"{number} {unit}", {"V": "volt", "A": "ampere"}.get(unit[-1], "ohm"))
    except UnitError:
        return False
    return True
