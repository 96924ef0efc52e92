"""What of the picture changes during a call, and the same in sentences.

Rule: both are made from a bench's `View` alone, so they hold what hands did and senses perceived, and nothing else.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import msgspec

from blowerbench.bench import View
from blowerbench.equipment import Equipment
from blowerbench.hands import Hands
from blowerbench.messages import label, perceived
from blowerbench.panels.controls import Words
from blowerbench.panels.layout import load_layout, reachable

#: The blower's motion as the picture prints it; the sentence stands beside it.
MOTIONS = {
    "still": "Blower: still", "running": "Blower: running", "starting": "Blower: starting", "coasting": "Blower: running down",
    "twitching": "Blower: jerking", "hunting": "Blower: on and off",
}  # fmt: skip

Dress = dict[str, dict[str, str]]


def hands_of(values: Mapping[str, Any]) -> Hands:
    """The hands behind a view's plain values."""
    return msgspec.convert(dict(values), type=Hands, strict=False)


def dress(view: View, equipment: Equipment, words: Words) -> Dress:
    """For each element of the picture that is not as drawn: its class, its text, its shift, its name for a screen reader."""
    hands = hands_of(view.hands)
    layout = load_layout(equipment)
    made: Dress = {
        "symbol:breaker": {"class": "" if hands.breaker_on else "bp-isopen"},
        "symbol:disconnect": {"class": "" if hands.disconnect_closed else "bp-isopen"},
        "door": {"class": "" if hands.door_on else "bp-gone"},
        "cover": {"class": "bp-gone" if hands.control_open else ""},
        "cable": {"class": "" if hands.source_fitted else "bp-gone"},
        "wheel": {"class": f"bp-{_motion(view)}"},
        **{f"plug:{p['name']}": _shift(p, p["name"] in hands.parted) for p in layout.raw["plug"]},
        **{f"wire:{w}": {"class": "bp-lifted" if w in hands.lifted else ""} for w in layout.raw["wires"]},
        **_printed(view, hands, words),
    }
    if hands.clamp:
        made[f"wire:{hands.clamp}"] = {"class": "bp-clamped"}
    for name in ("lock", "tag"):
        made[f"slot:{name}"] = {"class": "bp-set" if (hands.locked if name == "lock" else hands.tagged) else ""}
    made["slot:source"] = {"class": "bp-set" if hands.source_clipped else ""}
    made["box:source"] = {"class": "" if hands.source_fitted or hands.source_clipped else "bp-stowed"}
    return made | _terminals(hands, equipment, words)


def _motion(view: View) -> str:
    return next((s.removeprefix("blower_") for s in view.observation.senses if s.startswith("blower_")), "still")


def _shift(plug: Mapping[str, Any], apart: bool) -> dict[str, str]:
    x, y = plug["shift"]
    return {"class": "bp-isapart", "transform": f"translate({x} {y})"} if apart else {"class": "", "transform": ""}


def _printed(view: View, hands: Hands, words: Words) -> Dress:
    t = words.t
    lamp = next((s for s in view.observation.senses if s.startswith("source_lamp")), "")
    texts = {
        "breaker": t("left on") if hands.breaker_on else t("left off"),
        "disconnect": t("closed") if hands.disconnect_closed else t("open"),
        "lock": t("lock on") if hands.locked else t("no lock"),
        "tag": t("tag on") if hands.tagged else t("no tag"),
        "thermostat": t("calls"), "thermostat2": label("call", hands.thermostat, None, words.language),
        "gas": t("open") if hands.gas_on else t("shut"),
        "source": {"source_lamp_lit": t("lamp lit"), "source_lamp_dark": t("lamp dark")}.get(lamp, t("not clipped")),
        "source2": t("on motor") if hands.source_fitted else t("off motor"),
        "source_switch": t("switch"), "source_switch2": t("run") if hands.source_on else t("off"),
        "door_switch": t("taped") if hands.switch_taped else t("held") if hands.switch_held else t("out"),
        "status": t("status glass"), "glass": t("glass"),
        "wheel": t(MOTIONS.get(_motion(view), "Blower")),
    }  # fmt: skip
    return {f"note:{k}": {"text": v} for k, v in texts.items()}


def _terminals(hands: Hands, equipment: Equipment, words: Words) -> Dress:
    shown = set(reachable(equipment, hands))
    jumpers = {t: (b if t == a else a) for a, b in hands.jumpers for t in (a, b)}
    made: Dress = {}
    for name in load_layout(equipment).terminals:
        leads = [(lead, clipped) for lead, at, clipped in hands.leads if at == name]
        spoken = words.name("terminal", name)
        for lead, clipped in leads:
            spoken += ", " + words.t("{0} clipped here" if clipped else "{0} held here").format(
                label("lead", lead, None, words.language)
            )
        classes = [f"bp-has-{lead}" for lead, _ in leads]
        if name in jumpers:
            other = label("terminal", jumpers[name], equipment, words.language)
            spoken += ", " + words.t("jumper to {0}").format(other)
            classes.append("bp-jumped")
        if name not in shown:
            classes.append("bp-hidden")
        made[f"t:{name}"] = {"class": " ".join(classes), "label": spoken, "lifts": leads[0][0] if leads else ""}
    return made


def sentences(view: View, equipment: Equipment, language: str) -> list[str]:
    """Everything that the picture shows, in words: what senses perceive, then how the bench was left."""
    hands = hands_of(view.hands)
    words = Words(equipment, language)
    t = words.t
    made = list(perceived(view.observation, language, equipment))
    for lead, at, clipped in hands.leads:
        made.append(
            t("The {0} is clipped on {1}." if clipped else "The {0} is held on {1}.").format(
                label("lead", lead, None, language), label("terminal", at, equipment, language)
            )
        )
    states = [
        (t("The blower door is on."), hands.door_on), (t("The blower door is off."), not hands.door_on),
        (t("The disconnect is closed."), hands.disconnect_closed), (t("The disconnect is open."), not hands.disconnect_closed),
        (t("You left the breaker off."), not hands.breaker_on), (t("Your lock is on the disconnect."), hands.locked),
        (t("Your tag is on the disconnect."), hands.tagged), (t("You hold the door switch in."), hands.switch_held),
        (t("The door switch is taped in."), hands.switch_taped), (t("The gas valve at the unit is shut."), not hands.gas_on),
        (t("The control module is open."), hands.control_open),
        (t("The reference source is on the motor."), hands.source_fitted),
        (t("The reference source is clipped on R and C."), hands.source_clipped),
        (t("The reference source gives its run command."), hands.source_on),
    ]  # fmt: skip
    made += [text for text, so in states if so]
    made.append(t("The thermostat is set to {0}.").format(label("call", hands.thermostat, None, language)))
    made += [t("Apart: {0}.").format(label("connector", p, equipment, language)) for p in sorted(hands.parted)]
    made += [t("Off its terminal: {0}.").format(label("wire", w, equipment, language)) for w in sorted(hands.lifted)]
    made += [
        t("A jumper joins {0} and {1}.").format(*(label("terminal", x, equipment, language) for x in pair))
        for pair in sorted(hands.jumpers)
    ]
    made += [t("You wear: {0}.").format(label("item", i, None, language)) for i in sorted(hands.worn)]
    if hands.clamp:
        made.append(t("The clamp is around the {0}.").format(label("wire", hands.clamp, equipment, language)))
    stated = ["; ".join(label("unit", u, equipment, language) for u in units) for units in hands.declared]
    made += [t("Diagnosis stated: {0}.").format(text) for text in stated]
    made += [t("Repaired: {0}.").format(label("unit", u, equipment, language)) for u in hands.repaired]
    if hands.written:
        made.append(t("The write-up is handed in."))
    if hands.ended:
        made.append(t("The call is over."))
    return made
