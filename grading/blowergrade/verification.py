"""Repair, verification and write-up: what was put right, how it was shown to work, and how it was written down.

Rule: each check is (earned, worth, why); a check reads acts and observations of the record only.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Iterator, Sequence
from typing import NamedTuple

from blowerbench import acts as a
from blowerbench.equipment import Equipment
from blowerbench.faults import NO_FAULT
from blowerbench.hands import Hands, place_of
from blowerbench.messages import label, languages, translate
from blowerbench.plant import phase_outputs
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


def _runs(equipment: Equipment, steps: Sequence[Step], call: str) -> bool:
    """Whether the blower ran on `call`, door on: on that call's own command, and on heat with the heat on."""
    return any(
        s.after.hands.thermostat == call
        and s.after.hands.door_on
        and "blower_running" in s.observation.senses
        and (not equipment.board or f"run_{call}" in phase_outputs(equipment, s.after.plant))
        and (call != "heat" or s.after.plant.heat > 0.0)
        for s in steps
    )


#: What is shown for each call, as it stands on the sheet.
_SHOWN = {
    "fan": "shown to run on a call for the fan, door on, past any off-delay",
    "heat": "shown to run on a call for heat, door on, heat on",
    "cool": "shown to run on a call for cooling, door on, past any off-delay",
}


def _read(steps: Iterable[Step], function: str, low: float, high: float, unit: str) -> bool:
    """Whether `function` showed a value from `low` to `high` while the blower ran."""
    return any(
        low <= quantity(f"{shown.text} {shown.unit}", unit) <= high
        for step in steps
        if "blower_running" in step.observation.senses
        for shown in step.observation.shown
        if shown.instrument == function and "OL" not in shown.text
    )


def all_put_right(corrections: Sequence[str], steps: Sequence[Step]) -> bool:
    """Whether every part that had to be was repaired; with nothing wrong there is nothing to do."""
    return set(corrections) - {NO_FAULT} <= {s.act.unit for s in steps if isinstance(s.act, a.Repair)}


def repair_points(
    equipment: Equipment, corrections: Sequence[str], steps: Sequence[Step], violations: Sequence[Violation]
) -> list[Check]:
    """Repair and verification: the right unit, made safe first, every call shown, volts under load, amps, air, left in order.

    The calls are those on which a healthy blower of this unit runs; the air is asked only where the unit has rated it.
    """
    units = [s.act.unit for s in steps if isinstance(s.act, a.Repair)]
    effects = [u.name for u in equipment.units.values() if u.effect_only]
    wanted = [c for c in corrections if c != NO_FAULT]
    others = [u for u in units if u not in (*wanted, *effects)]
    repairs = {s.seq for s in steps if isinstance(s.act, a.Repair)}
    unsafe = [v for v in violations if v.seq in repairs and v.level == "critical"]
    after = _after_repair(steps)
    right = all_put_right(corrections, steps) and not others
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
    air = [Check(2 if _air(equipment, after) else 0, 2, "static pressure or temperature rise measured, in range")]
    return [
        put_right,
        Check(0 if unsafe or not (units or not wanted) else 3, 3, why_safe),
        *(Check(2 if _runs(equipment, after, call) else 0, 2, _SHOWN[call]) for call in equipment.calls()),
        Check(2 if _volts(equipment, after) else 0, 2, "line volts measured under load after the repair"),
        Check(
            2 if _read(after, "clamp", 0.2, ratings["blower_amps_max"], "ampere") else 0,
            2,
            "amps measured, within the nameplate",
        ),
        *(air if equipment.air is not None and _rated(equipment) else ()),
        Check(
            2 if tidy else 0,
            2,
            "left in order: power and gas on, thermostat off, door on, plugs mated, test ports plugged, no jumper, lock or tag",
        ),
    ]


def _in_order(hands: Hands) -> bool:
    loose = bool(hands.parted or hands.lifted or hands.jumpers or hands.switch_taped or hands.locks or hands.tags)
    loose = loose or hands.source_fitted or hands.source_clipped
    ports = hands.ports_open or any(port for _, port in (*hands.hoses, *hands.probes))
    off = hands.disconnects_open or hands.breakers_off or not hands.gas_on
    closed = hands.door_on and not hands.control_open
    return bool(closed and hands.thermostat == "off" and not (loose or ports or off))


def _rated(equipment: Equipment) -> bool:
    return "external_static_max" in equipment.ratings or "rise_high" in equipment.ratings


def _displays(step: Step, *names: str) -> list[float]:
    """The values of the displays `names`, those that show a number, in order."""
    shown = {x.instrument: x.text for x in step.observation.shown if "OL" not in x.text}
    return [float(shown[n]) for n in names if n in shown]


def _air(equipment: Equipment, steps: Iterable[Step]) -> bool:
    """Whether, running with the door on, external static or temperature rise was read within the unit's ratings."""
    running = [s for s in steps if "blower_running" in s.observation.senses and s.after.hands.door_on]
    return any(_static_in_range(equipment, s) or _rise_in_range(equipment, s) for s in running)


def _static_in_range(equipment: Equipment, step: Step) -> bool:
    assert equipment.air is not None
    shown, hoses = _displays(step, "manometer"), dict(step.after.hands.hoses)
    if not shown or (hoses.get("high", ""), hoses.get("low", "")) != equipment.air.external:
        return False
    return 0.0 < shown[0] <= equipment.ratings.get("external_static_max", 0.0)


def _rise_in_range(equipment: Equipment, step: Step) -> bool:
    """Supply less return on a call for heat, both probes in the air and out of sight of the heat exchanger."""
    assert equipment.air is not None
    ports = [port.name for port in equipment.air.ports if not port.near_heat]
    placed = dict(step.after.hands.probes)
    shown = _displays(step, "first_thermometer", "second_thermometer")
    at = [placed.get("first", ""), placed.get("second", "")]
    if len(shown) != 2 or step.after.hands.thermostat != "heat" or not set(at) <= set(ports) or at[0] == at[1]:
        return False
    rise = abs(shown[1] - shown[0]) / 1.8  # degF to kelvin
    return equipment.ratings.get("rise_low", 0.0) <= rise <= equipment.ratings.get("rise_high", 0.0)


def _volts(equipment: Equipment, steps: Sequence[Step]) -> bool:
    """Whether line volts in range were read at the unit (a receptacle elsewhere says nothing) while the blower ran."""
    low, high = equipment.ratings["supply_low"] * 0.97, equipment.ratings["supply_high"] * 1.03
    inside = [s for s in steps if all(place_of(equipment, node) == "unit" for _, node, _ in s.after.hands.leads)]
    return any(_read(inside, f, low, high, "volt") for f in ("volts_ac", "low_z"))


_NUMBER = re.compile(r"(-?\d+(?:\.\d+)?)\s*([kMmun]?(?:V|A|ohm|F)|inH2O|degF)\b")


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
    """Lower-case words without accents, one space between them."""
    letters = "".join(c for c in unicodedata.normalize("NFKD", text.lower()) if not unicodedata.combining(c))
    return " ".join(re.sub(r"[_\W]+", " ", letters).split())


def units_named(equipment: Equipment, text: str) -> set[str]:
    """The correction units that `text` names, by id or by title; the longest name counts, effects (a fuse) do not.

    A title counts in every language that has a catalogue: nobody loses points for the language of a write-up.
    """
    names = {_plain(NO_FAULT): NO_FAULT, "nothing wrong": NO_FAULT}
    for language in (*languages(), "en"):
        names[_plain(label("unit", NO_FAULT, None, language))] = NO_FAULT
        for unit in equipment.units.values():
            title = translate(unit.title, language)
            names[_plain(unit.name)] = unit.name
            names[_plain(title)] = unit.name
            names[_plain(re.split(r"[,:(]| with | con ", title)[0])] = unit.name
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
        if unit not in ("inH2O", "degF"):
            quantity(f"{number} {unit}", {"V": "volt", "A": "ampere", "F": "farad"}.get(unit[-1], "ohm"))
        float(number)
    except (UnitError, ValueError):
        return False
    return True
