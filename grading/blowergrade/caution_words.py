"""What the trade says after a broken rule: a signal word, and what to do instead, for every rule of the safety monitor.

Rule: what was done, why it hurts and the clause stand in `safety_rules`; here stands only what a caution adds. Signal words
after the definitions of ANSI Z535.4 (from memory): danger, will kill or seriously injure if it is not avoided; warning, could;
caution, could injure lightly; notice, harms property or a reading, not a person.
"""

from __future__ import annotations

from types import MappingProxyType
from typing import NamedTuple

from blowerbench.bench import Signal


class Advice(NamedTuple):
    """The signal word of a rule, what can happen where it is broken, and what to do instead."""

    signal: Signal
    harm: str
    instead: str


_SHOCK = "electric shock, which can stop a heart, and burns"
_STARTS = "somebody or something puts the power on while your hands are in it"
_STORED = "a shock from stored energy, with the power long off"
_WHEEL = "a started or moving wheel cuts and breaks fingers"
_FIRE = "overheating and fire, with nothing left to stop them"
_FLAME = "flame outside the burner box, fire and carbon monoxide"
_FUMES = "carbon monoxide in the rooms, and a wheel that turns in the open"
_ARC = "an arc: burns, hot metal in the eyes, fire in the wires"
_GAS = "explosion or poisoning"
_BURNT = "a burnt fuse, transformer or board"
_RUNS = "the unit starts or runs when nobody expects it"
_WRONG = "a good motor is condemned, or a bad one passed"

#: The advice for each rule of `safety_rules.RULES`.
ADVICE = MappingProxyType({
    "live_work": Advice(
        "danger", _SHOCK,
        "open the disconnect, lock and tag it, prove every pair dead, then part or open it",
    ),
    "not_locked_out": Advice(
        "warning", _STARTS,
        "open the disconnect and put your own lock and tag on it before hands go in",
    ),
    "source_left_on": Advice(
        "warning", _SHOCK,
        "find every supply of the unit, open and lock each one, and prove each one dead",
    ),
    "not_proved_dead": Advice(
        "warning", _SHOCK,
        "prove the meter on a known live source, read every pair dead on the line side, then prove the meter again",
    ),
    "opened_early": Advice(
        "warning", _STORED,
        "wait at least five minutes after power-off, then open it and measure the bus",
    ),
    "bus_not_measured": Advice(
        "warning", _STORED,
        "measure DC volts across the bus test points first; over 50 V, wait or use the resistor",
    ),
    "capacitor_not_discharged": Advice(
        "warning", _STORED,
        "hold the rated resistor across the capacitor with insulated probes, then measure that it is under 50 V",
    ),
    "energised_open": Advice(
        "danger", _SHOCK,
        "close the motor's control before any power comes on",
    ),
    "wheel_turning": Advice(
        "danger", _WHEEL,
        "open and lock the disconnect, wait until the wheel stands still, then reach in",
    ),
    "safety_jumpered_on_call": Advice(
        "warning", _FIRE,
        "take the jumper off; measure across the switch instead: 0 V closed, 24 V open",
    ),
    "safety_left_jumpered": Advice(
        "warning", _FIRE,
        "take every jumper off a safety before you hand the unit back",
    ),
    "door_switch_left_defeated": Advice(
        "warning", _FUMES,
        "take tape and jumpers off the door switch, and let the door press it",
    ),
    "reclosed_unchecked": Advice(
        "warning", _ARC,
        "leave it off; look over and measure its circuit first, power locked out",
    ),
    "reclosed_again": Advice(
        "warning", _ARC,
        "leave it off; find and repair the short before it is closed again",
    ),
    "rollout_reset_unchecked": Advice(
        "warning", _FLAME,
        "look for why flame came out, burner, flue and heat exchanger, before the reset",
    ),
    "rollout_reset_again": Advice(
        "warning", _FLAME,
        "leave it tripped; find and repair the cause first",
    ),
    "stayed_in_danger": Advice(
        "danger", _GAS,
        "touch no switch, get everybody out, leave, and report from outside",
    ),
    "fuse_replaced_unchecked": Advice(
        "notice", _BURNT,
        "find the short first: take wires off one by one and measure ohms, power off",
    ),
    "safety_jumpered": Advice(
        "warning", _FIRE,
        "leave the safety in the circuit and measure across it",
    ),
    "ohms_live": Advice(
        "warning", _ARC,
        "power off, locked and proved dead; part the circuit, then turn to ohms",
    ),
    "meter_not_inspected": Advice(
        "warning", _SHOCK,
        "look over meter and leads, rating, insulation and tips, before they go near a live part",
    ),
    "unprotected": Advice(
        "warning", _ARC,
        "put on eye protection and gloves before you measure live",
    ),
    "wheel_not_isolated": Advice(
        "warning", _WHEEL,
        "open and lock the disconnect before a hand goes to the wheel",
    ),
    "jumper_left": Advice(
        "caution", _RUNS,
        "take your jumpers off and count your tools before you hand the unit back",
    ),
    "wire_moved_live": Advice(
        "notice", _BURNT,
        "open the disconnect before a 24 V wire, plug or switch is moved",
    ),
    "leads_not_zeroed": Advice(
        "notice", _WRONG,
        "touch the leads together on ohms and zero the meter before you judge a winding",
    ),
    "controls_not_tried": Advice(
        "warning", _STARTS,
        "call at the thermostat on the locked-out unit, watch that nothing starts, set it off",
    ),
})  # fmt: skip
