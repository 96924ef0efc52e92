"""What the coach says: a nudge, the question, or the act in the words of the page.

Rule: a text says what to do and what to think about, never what is wrong; it is made from the plan alone.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import msgspec

from blowerbench import acts as a
from blowerbench.bench import describe_hands
from blowerbench.hands import Hands
from blowerbench.messages import describe
from blowerbench.panels import controls
from blowergrade.path import Test, mode_of
from blowergrade.wording import Words

Translate = Callable[..., str]


def asked(words: Words, acts: tuple[a.Act, ...], hands: Hands) -> str:
    """The question that `acts` ask, as an order; empty where they ask nothing."""
    if not acts:
        return ""
    leads = [a.PlaceLead(_lead(n), t, c) for n, t, c in hands.leads]
    stands: list[a.Act] = [a.SetMeter(hands.function), *leads]  # type: ignore[arg-type] # hands hold a dial's names
    return words.question(Test(mode_of(words.equipment, hands), "", acts, 0), stands) if _asks(acts[-1]) else ""


def _lead(name: str) -> a.Lead:
    return "red" if name == "red" else "black"


def _asks(act: a.Act) -> bool:
    return isinstance(
        act,
        a.Look | a.ReadStatus | a.TurnShaft | a.ZeroLeads | a.PlaceHose | a.Wiggle | a.Warm | a.Wait | a.PlaceLead | a.ReadMeter
        | a.PlaceClamp | a.PlaceProbe | a.SetThermostat,
    )  # fmt: skip


# ---------------------------------------------------------------------- strength 1
def nudge(t: Translate, stage: str, acts: tuple[a.Act, ...], mode: str) -> str:
    """What kind of thing to think about next."""
    match stage:
        case "leave":
            return t("Stop. Something here is more urgent than the blower: what do you smell or hear?")
        case "safe":
            return t("The next question needs hands inside. How does the unit become safe, and how do you know that it is?")
        case "declare":
            return t("Ask yourself whether one more question could change your mind.")
        case "repair":
            return t("You know enough. What comes before a hand goes in to repair?")
        case "verify":
            return t("A repair is not the end: how do you show that it works, on every call?")
        case "write_up":
            return t("What would the next technician and the customer need to read?")
        case "finish":
            return t("Is the unit in order, as you would want to find it?")
        case "stuck":
            return t("What you saw does not fit anything in the catalogue. Which reading would you take again?")
        case _:
            return _search_nudge(t, acts, mode)


def _search_nudge(t: Translate, acts: tuple[a.Act, ...], mode: str) -> str:
    match acts[-1] if acts else None:
        case None:
            return t("Get ready for the next reading: yourself, the meter, then the unit.")
        case a.Look() | a.ReadStatus():
            return t("Eyes, ears and nose first: something may be seen that no meter shows.")
        case a.SetThermostat() | a.Wait() if any(isinstance(x, a.SwitchSource) for x in acts):
            return t("Would the motor run if something else than its harness told it to?")
        case a.Wait() if any(isinstance(x, a.PlaceProbe) for x in acts):
            return t("Heat and air belong together: what does the temperature rise say about the air?")
        case a.SetThermostat() | a.Wait():
            return t("On which calls does it run, and on which not? Give every delay its time.")
        case a.PlaceHose() | a.PlaceProbe():
            return t("It may be the air and not the motor: where is the pressure lost?")
        case a.TurnShaft():
            return t("What does your hand feel when it turns the wheel?")
        case a.Wiggle() | a.Warm():
            return t("It may come and go: what could bring it out while you watch?")
        case a.PlaceClamp():
            return t("Volts say that it could, amps say that it does.")
        case _ if mode == "opened":
            return t("Control module or motor: what can only be measured with the control open?")
        case _ if mode == "dead":
            return t("Some things can only be measured on a dead, isolated part.")
        case _ if mode in ("plug_apart", "source"):
            return t("Divide it in two: what reaches the motor's plugs, and what does the motor make of it?")
        case _:
            return t("Follow the supply or the command: up to where is it there, and where is it gone?")


# ---------------------------------------------------------------------- strength 2
def question(words: Words, stage: str, test: str, mode: str) -> str:
    """Which test, and where (`test` in words, empty for none); for the other parts of a call what belongs to it."""
    t = words.t
    match stage:
        case "leave":
            return t("Touch no switch. Stop work, leave, and report what you smell or hear.")
        case "safe":
            safe = t(
                "Make it safe: thermostat off, every disconnect open, locked and tagged, the controls tried, then live, dead, "
                "live on every pair in the junction box."
            )
            return f"{safe} {t('Then: {0}', _stopped(_lower(test)))}" if test else safe
        case "declare":
            return t("All that is still possible lies in one place, or no question tells the rest apart: state the diagnosis.")
        case "repair":
            return t("Make the unit safe, repair or replace what you stated, and put everything back.")
        case "verify":
            return t(
                "Verify: volts under load, amps, then with the door on every call, the air within its range, and everything "
                "off again."
            )
        case "write_up":
            return t(
                "Write it up: the complaint, two readings with their units, the cause, the correction, why it failed, what the "
                "customer was told."
            )
        case "finish":
            return t("Thermostat off, door on, power on, ports plugged, no lock, tag or jumper left: then hand the unit back.")
        case "stuck":
            return t("Nothing in the catalogue fits all that you saw. Put the unit in order, hand it back and say so.")
        case _ if test:
            return t("{0} The unit for it: {1}.", _stopped(test), words.stands(mode))
        case _:
            return t("Put on eye protection and gloves, look the meter over, try it on the live source, and set the unit up.")


# ---------------------------------------------------------------------- strength 3
def the_act(words: Words, act: a.Act, stage: str, test: str, last: bool, hands: Hands) -> str:
    """The act itself as the page names it, and unless it is the `last` of the question, the question that it leads to.

    What follows from the evidence is told without naming the place.
    """
    t = words.t
    match act:
        case a.Declare() if hands.declared:
            return t(
                "What you stated does not fit all that you saw. Look at what is still possible, and state the diagnosis anew."
            )
        case a.Declare():
            return t(
                "State the diagnosis: under “{0}” choose the place that is left among what is still possible. Then "
                "repair, verify, write up and hand back.", t("Diagnosis")
            )  # fmt: skip
        case a.Repair() if stage == "repair":
            return t("Under “{0}” choose what you stated, or what you found blown, and repair it.", t("Repair"))
        case a.WriteUp():
            return t("Fill in the form “{0}” and hand it in.", t("Write-up"))
        case _:
            told = on_page(words, act, hands)
    if test and not last:
        return t("{0} This leads to: {1}", told, _stopped(_lower(test)))
    return told


def on_page(words: Words, act: a.Act, hands: Hands) -> str:
    """Where on the page `act` is done, in the page's own words."""
    t, page = words.t, controls.Words(words.equipment, words.language)
    if isinstance(act, a.PlaceLead):
        place = t("Put the {0} on: {1}.", words.name("lead", act.lead), words.name("terminal", act.terminal))
        return f"{place} {t('Clip it on, hands off.')}" if act.clip else place
    wanted = msgspec.to_builtins(act)
    for thing in controls.things(page, describe_hands(hands)):
        for does in thing["does"]:
            if does["act"] == wanted:
                return t("At “{0}”: {1}.", thing["name"], does["label"])
    return _in_a_form(words, act, page, wanted)


def _in_a_form(words: Words, act: a.Act, page: controls.Words, wanted: Mapping[str, Any]) -> str:
    t = words.t
    found = [
        (len(button.get("fields", [])), form, button)
        for form in controls.forms(page)
        for button in form["buttons"]
        if {**button["act"], **{n: wanted.get(n) for n in button.get("fields", [])}} == wanted
    ]
    if not found:
        return describe(act, words.equipment, words.language)
    _, form, button = min(found, key=lambda x: x[0])
    values = [_value(field, wanted[field["name"]]) for field in form["fields"] if field["name"] in button.get("fields", [])]
    if values:
        return t("Under “{0}” set {1}, then press “{2}”.", form["title"], "; ".join(values), button["label"])
    return t("Under “{0}” press “{1}”.", form["title"], button["label"])


def _value(field: Mapping[str, Any], value: Any) -> str:
    shown = next((o["label"] for o in field.get("options", ()) if o["value"] == value), value)
    return f"{field['label']}: {shown}"


def _stopped(text: str) -> str:
    return text if text.endswith((".", "…")) else f"{text}."


def _lower(text: str) -> str:
    return text[:1].lower() + text[1:]
