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
from blowerbench.observation import Observation
from blowerbench.panels.controls import Words, in_port
from blowerbench.panels.layout import load_layout, reachable
from blowerbench.panels.places import of_supply

#: The blower's motion as the picture prints it; the sentence stands beside it.
MOTIONS = {
    "still": "Blower: still", "running": "Blower: running", "starting": "Blower: starting", "coasting": "Blower: running down",
    "twitching": "Blower: jerking", "humming": "Blower: humming", "hunting": "Blower: on and off",
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
        "door": {"class": "" if hands.door_on else "bp-gone"},
        "cover": {"class": "bp-gone" if hands.control_open else ""},
        "cable": {"class": "" if hands.source_fitted else "bp-gone"},
        "wheel": {"class": f"bp-{motion(view.observation)}"},
        **{f"plug:{p['name']}": _shift(p, p["name"] in hands.parted) for p in layout.raw["plug"]},
        **{f"wire:{w}": {"class": "bp-lifted" if w in hands.lifted else ""} for w in layout.raw["wires"]},
        **_printed(view, hands, words),
    }
    if hands.clamp:
        made[f"wire:{hands.clamp}"] = {"class": "bp-clamped"}
    for s in equipment.supplies:
        made[f"symbol:{of_supply('breaker', s)}"] = {"class": "bp-isopen" if s in hands.breakers_off else ""}
        made[f"symbol:{of_supply('disconnect', s)}"] = {"class": "bp-isopen" if s in hands.disconnects_open else ""}
        made[f"slot:{of_supply('lock', s)}"] = {"class": "bp-set" if ("disconnect", s) in hands.locks else ""}
        made[f"slot:{of_supply('tag', s)}"] = {"class": "bp-set" if ("disconnect", s) in hands.tags else ""}
    for port in equipment.air.ports if equipment.air else ():
        made[f"port:{port.name}"] = {"class": "bp-isopenport" if port.name in hands.ports_open else ""}
    made["slot:source"] = {"class": "bp-set" if hands.source_clipped else ""}
    made["box:source"] = {"class": "" if hands.source_fitted or hands.source_clipped else "bp-stowed"}
    return made | _terminals(hands, equipment, words)


def motion(observation: Observation) -> str:
    """How the blower moves, as its sense says: a key of `MOTIONS`."""
    found = (s.removeprefix("blower_") for s in observation.senses if s.startswith("blower_"))
    return next((m for m in found if m in MOTIONS), "still")


def _shift(plug: Mapping[str, Any], apart: bool) -> dict[str, str]:
    x, y = plug["shift"]
    return {"class": "bp-isapart", "transform": f"translate({x} {y})"} if apart else {"class": "", "transform": ""}


def _printed(view: View, hands: Hands, words: Words) -> Dress:
    t, e = words.t, words.equipment
    lamp = next((s for s in view.observation.senses if s.startswith("source_lamp")), "")
    texts = {
        "thermostat": t("calls"), "thermostat2": label("call", hands.thermostat, None, words.language),
        "gas": words.state("gas", "open" if hands.gas_on else "shut"),
        "source": {"source_lamp_lit": t("lamp lit"), "source_lamp_dark": t("lamp dark")}.get(lamp, t("not clipped")),
        "source2": t("on motor") if hands.source_fitted else t("off motor"),
        "source_switch": t("switch"), "source_switch2": t("run") if hands.source_on else t("off"),
        "door_switch": t("taped") if hands.switch_taped else t("held") if hands.switch_held else t("out"),
        "status": t("status glass"), "glass": t("glass"),
        "wheel": t(MOTIONS[motion(view.observation)]),
    }  # fmt: skip

    def p(text: str) -> str:
        return words.state("picture", text)

    for s in e.supplies:
        on, locked = s not in hands.breakers_off, ("breaker", s) in hands.locks
        texts[of_supply("breaker", s)] = p("left on") if on else p("locked off") if locked else p("left off")
        texts[of_supply("disconnect", s)] = t("open") if s in hands.disconnects_open else t("closed")
        texts[of_supply("lock", s)] = p("lock on") if ("disconnect", s) in hands.locks else p("no lock")
        texts[of_supply("tag", s)] = p("tag on") if ("disconnect", s) in hands.tags else p("no tag")
    set_to = dict(hands.selectors)
    for name in e.selectors:
        texts[f"selector_{name}"] = p(e.selectors[name].title)
        texts[f"selector_{name}2"] = p("as found") if name not in set_to else t("on") if set_to[name] else t("off")
    for port in e.air.ports if e.air else ():
        inside = in_port(words, view.hands, port.name)
        texts[f"port_{port.name}"] = ", ".join(inside) or (t("open") if port.name in hands.ports_open else "")
    return {f"note:{k}": {"text": v} for k, v in texts.items()}


def _terminals(hands: Hands, equipment: Equipment, words: Words) -> Dress:
    shown = reachable(equipment, hands)
    jumpers = {t: (b if t == a else a) for a, b in hands.jumpers for t in (a, b)}
    made = dict(_bare(equipment, words, shown))
    for name in {at for _, at, _ in hands.leads}.union(jumpers).intersection(load_layout(equipment).terminals):
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


def _bare(equipment: Equipment, words: Words, shown: tuple[str, ...]) -> Dress:
    """Every terminal with nothing on it, while a probe gets to those that are `shown`. Nobody changes the rows."""
    if words.bare is None or words.bare[0] != shown:
        within = set(shown)
        words.bare = shown, {
            f"t:{name}": {"class": "" if name in within else "bp-hidden", "label": words.name("terminal", name), "lifts": ""}
            for name in load_layout(equipment).terminals
        }
    return words.bare[1]


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
    outdoor = equipment.kind == "outdoor_unit"
    door_on, door_off = (t("The access panel is on."), t("The access panel is off.")) if outdoor else (
        t("The blower door is on."), t("The blower door is off.")
    )  # fmt: skip
    adapter = label("adapter", hands.source_adapter, None, language)
    states = [
        *_circuits(words, hands),
        (door_on, hands.door_on), (door_off, not hands.door_on),
        (t("You hold the door switch in."), hands.switch_held), (t("The door switch is taped in."), hands.switch_taped),
        (t("The gas valve at the unit is shut."), not hands.gas_on),
        (t("The control module is open."), hands.control_open),
        (t("The reference source is on the motor, with its {0}.").format(adapter), hands.source_fitted),
        (t("The reference source is clipped on R and C."), hands.source_clipped),
        (t("The reference source gives its run command."), hands.source_on),
    ]  # fmt: skip
    made += [text for text, so in states if so]
    made.append(t("The thermostat is set to {0}.").format(label("call", hands.thermostat, None, language)))
    for name, on in hands.selectors:
        text = t("You set the {0} on.") if on else t("You set the {0} off.")
        made.append(text.format(label("selector", name, equipment, language)))
    for port in sorted(hands.ports_open):
        inside = ", ".join(in_port(words, view.hands, port)) or t("nothing")
        made.append(t("Test port open: {0}; in it: {1}.").format(label("port", port, equipment, language), inside))
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


def _circuits(words: Words, hands: Hands) -> list[tuple[str, bool]]:
    """For each supply what hands left at its breaker and disconnect: a sentence and whether it is so."""
    made = []
    for s, supply in words.equipment.supplies.items():
        of = f" ({words.t(supply.title)})" if len(words.equipment.supplies) > 1 else ""
        closed, locks, tags = s not in hands.disconnects_open, hands.locks, hands.tags
        rows = [
            ("The disconnect{0} is closed.", closed), ("The disconnect{0} is open.", not closed),
            ("You left the breaker{0} off.", s in hands.breakers_off),
            ("Your lock is on the disconnect{0}.", ("disconnect", s) in locks),
            ("Your lock is on the breaker{0}.", ("breaker", s) in locks),
            ("Your tag is on the disconnect{0}.", ("disconnect", s) in tags),
            ("Your tag is on the breaker{0}.", ("breaker", s) in tags),
        ]  # fmt: skip
        made += [(words.t(text).format(of), so) for text, so in rows]
    return made
