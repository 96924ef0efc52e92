"""What the safety monitor holds against a record: one row per rule, with its level, its clause and why.

Rule: a row is data; when it applies is decided in `blowergrade.safety`. Clauses are those read for this
project (CFR: the 2015 annual edition): check the current text and the local code. A row marked "common
practice" has no published source.
"""

from __future__ import annotations

from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

Level = Literal["critical", "major", "minor"]
Side = Literal["load", "supply", "low", "none"]  # as `blowerbench.equipment.Unit.side`

#: AC volts that a known live source must show, and under which a pair counts as dead (30 V rms: hazardous
#: live in dry places, IEC 61010-1, from memory).
LIVE_VOLTS = 100.0
DEAD_VOLTS = 30.0
#: Volts under which the opened bus or a run capacitor may be touched: 29 CFR 1910.303(g)(2)(i), .333(a)(1), 50 V to ground.
BUS_VOLTS = 50.0
#: Simulated seconds between power-off and opening the motor's control (common practice).
BUS_SECONDS = 300


@dataclass(frozen=True, slots=True)
class Rule:
    """One thing not to do: `what` was done, `why` it matters, and the clause that says so."""

    id: str
    level: Level
    clause: str
    what: str
    why: str


_ROWS = (
    # ------------------------------------------------------------------ critical: each alone fails the
    # attempt
    Rule(
        "live_work", "critical", "29 CFR 1910.333(a)(1); 29 CFR 1910.334(b)(1)",
        "a part above 50 V to ground was parted, opened or touched with the power on",
        "a thermostat at off or an open door switch isolates nothing, and a plug is not made to break a load",
    ),
    Rule(
        "not_locked_out", "critical", "29 CFR 1910.333(b)(1); 29 CFR 1910.333(b)(2)(iii)",
        "hands went to a part above 50 V with the disconnect not open under the own lock",
        "switched off but not locked counts as energised: anybody may close it",
    ),
    Rule(
        "source_left_on", "critical", "29 CFR 1910.333(b)(2)(ii)(B)",
        "hands went to a part above 50 V with one of the unit's supplies locked out and another not",
        "all sources are disconnected and locked; the second breaker feeds what the first does not",
    ),
    Rule(
        "not_proved_dead", "critical", "29 CFR 1910.333(b)(2)(iv)(B); NFPA 70E-2018 120.5",
        "hands went to a part above 50 V that was not proved dead",
        "live, dead, live on every pair of every supply, on the line side of the door switch: a zero behind that "
        "open switch, or on a meter not tried before and after, proves nothing",
    ),
    Rule(
        "opened_early", "critical", "29 CFR 1910.333(b)(2)(ii)(C); five minutes: common practice",
        "the motor's control was opened less than five minutes after power-off",
        "its capacitors hold over 300 V when the power goes",
    ),
    Rule(
        "bus_not_measured", "critical", "29 CFR 1910.333(b)(2)(ii)(C); 29 CFR 1910.333(b)(2)(iv)(B)",
        "the inner plug or windings were touched, or ohms measured there, before the bus was measured "
        "under 50 V DC",
        "waiting never replaces measuring: a bleeder may be open",
    ),
    Rule(
        "capacitor_not_discharged", "critical", "29 CFR 1910.333(b)(2)(ii)(C); 29 CFR 1910.333(b)(2)(iv)(B)",
        "the run capacitor was touched, replaced or measured on ohms or farads before it was discharged and "
        "measured under 50 V",
        "it keeps its charge when the power goes; a rated resistor takes it, and the meter shows that it did",
    ),
    Rule(
        "energised_open", "critical", "29 CFR 1910.333(b)(2)(v)(A)",
        "power was put on with the motor's control open",
        "the bus stands bare at over 300 V",
    ),
    Rule(
        "wheel_turning", "critical", "29 CFR 1910.147(d)",
        "a hand went to the wheel while it turned",
        "a moving wheel takes fingers and sleeves with it",
    ),
    Rule(
        "safety_jumpered_on_call", "critical", "29 CFR 1910.333(b)(2)(v)(A); common practice",
        "a limit, rollout or pressure switch was bridged while what it guards was called",
        "the heat or the compressor can run with nothing to stop it",
    ),
    Rule(
        "safety_left_jumpered", "critical", "29 CFR 1910.333(b)(2)(v)(A)",
        "a limit, rollout or pressure switch was left bridged",
        "the next overheating ends in a fire",
    ),
    Rule(
        "door_switch_left_defeated", "critical", "29 CFR 1910.333(b)(2)(v)(A)",
        "the door switch was left taped, clamped or bridged",
        "the blower runs with its door off and can draw combustion products into the room",
    ),
    Rule(
        "reclosed_unchecked", "critical", "29 CFR 1910.334(b)(2)",
        "a tripped breaker was closed with no inspection or measurement of its circuit since the trip",
        "a short feeds on every re-closing",
    ),
    Rule(
        "reclosed_again", "critical", "29 CFR 1910.334(b)(2)",
        "a breaker was closed on the same fault a second time with no repair between",
        "repeated re-closing is how breakers fail and wires burn",
    ),
    Rule(
        "rollout_reset_unchecked", "critical", "29 CFR 1910.334(b)(2), applied to a safety; common practice",
        "a tripped rollout was reset with no inspection or measurement of its circuit since the trip",
        "it tripped because flame came out of the burner box",
    ),
    Rule(
        "rollout_reset_again", "critical", "29 CFR 1910.334(b)(2), applied to a safety; common practice",
        "a rollout was reset a second time with no repair between",
        "it trips again for the same reason",
    ),
    Rule(
        "stayed_in_danger", "critical", "US DOT PHMSA public guidance; 29 CFR 1910.1000 Table Z-1",
        "work went on after a gas smell or a carbon monoxide alarm",
        "touch no switch, leave, call from elsewhere; any spark can be the last",
    ),
    # ------------------------------------------------------------------ major
    Rule(
        "fuse_replaced_unchecked", "major", "29 CFR 1910.334(b)(2)",
        "the blown 24 V fuse was replaced without looking for the short",
        "a fuse is an effect; the next one blows as well, or the transformer does",
    ),
    Rule(
        "safety_jumpered", "major", "29 CFR 1910.333(b)(2)(v)(A); common practice",
        "a limit, rollout or pressure switch was bridged",
        "measure across it instead: 0 V closed, 24 V open",
    ),
    Rule(
        "ohms_live", "major", "29 CFR 1910.334(c)(1)-(3)",
        "ohms were measured on a circuit that was not dead",
        "the reading lies, and the meter may not survive it",
    ),
    Rule(
        "meter_not_inspected", "major", "29 CFR 1910.334(c)(1)-(3)",
        "a meter that was not inspected went to a live part",
        "a cracked lead or a meter not rated for the circuit puts the fault in your hand",
    ),
    Rule(
        "unprotected", "major", "29 CFR 1910.335(a)(1)(i), (v)",
        "a live part was measured, moved or warmed without eye protection and gloves",
        "an arc throws metal before you see it",
    ),
    Rule(
        "wheel_not_isolated", "major", "29 CFR 1910.333(b)(2)(ii)(B); 29 CFR 1910.147(d)",
        "a hand went to the wheel with the disconnect not locked open",
        "any call can start it",
    ),
    Rule(
        "jumper_left", "major", "29 CFR 1910.333(b)(2)(v)(A)",
        "a test jumper was left in",
        "tools and jumpers come out before the unit is handed back",
    ),
    # ------------------------------------------------------------------ minor
    Rule(
        "wire_moved_live", "minor", "29 CFR 1910.333(a)(1): under 50 V may be exempt; common practice",
        "a 24 V wire, plug, switch or part was moved live",
        "one slip to the cabinet blows the fuse and adds a fault of your own",
    ),
    Rule(
        "leads_not_zeroed", "minor", "common practice",
        "a winding of a few ohms was judged with leads that were not zeroed",
        "0.2 ohm of lead is a tenth of the winding",
    ),
    Rule(
        "controls_not_tried", "minor", "29 CFR 1910.333(b)(2)(iv)(A)",
        "hands went in without the controls having been tried on the locked-out unit",
        "it shows a wrong or a second source before the meter does",
    ),
)  # fmt: skip

#: Every rule by its id, in order of level.
RULES = MappingProxyType({row.id: row for row in _ROWS})

#: Messages that tell of a danger to leave at once.
DANGERS = frozenset({"smell_of_gas", "co_alarm"})


def rule_words(name: str) -> str:
    """What the rule `name` forbids, in words; a name that is no rule's stands for itself (a person's own finding)."""
    return RULES[name].what if name in RULES else name
