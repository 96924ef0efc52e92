"""What evidence, faults and tests are called on pages and in print: ids in, plain sentences out.

Rule: no score and no physics is worked out here, and no id is left in a sentence. All text passes through gettext.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence

from blowerbench import acts as a
from blowerbench.equipment import Equipment
from blowerbench.faults import Catalogue, Fault, Hypothesis
from blowerbench.hands import Hands, evolve
from blowerbench.messages import describe, duration_text, has_sentence, label, say, symbol, translate
from blowergrade.path import Test

#: The bench modes of a path, as a person would say them.
MODE_WORDS = {
    "as_found": "as found, door on",
    "held": "door off, door switch held, power on",
    "plug_apart": "power plug apart, leads clipped, power on",
    "source": "reference source on the motor, power on",
    "dead": "locked, tagged and proved dead",
    "opened": "dead five minutes, control module open",
}
#: The same where a unit has no door switch.
_NO_SWITCH = {"held": "door off, power on"}
#: Two ends of a range; a language says it in its own words.
RANGE = "{0} to {1}"
#: Units that are shown with a prefix, and the prefixes: (from this size on, sign).
_PREFIXES = {"ohm": ((1e6, "M"), (1e3, "k")), "F": ((1.0, ""), (1e-3, "m"), (1e-6, "µ"), (1e-9, "n"))}
ARRIVAL = Hands()
_PRINTED = {"inH2O": "inH₂O", "degF": "°F"}
_READING = re.compile(r"^-?\d|^OL\b")
_RANGE = re.compile(r"^(-?[\d.e+-]+|-?OL) to (-?[\d.e+-]+|-?OL) (\w+)$")


def clock(seconds: int) -> str:
    """Simulated seconds as mm:ss."""
    return f"{seconds // 60}:{seconds % 60:02d}"


def hypothesis_named(name: str) -> Hypothesis:
    """The hypothesis that `str` wrote as ID or ID/SEVERITY."""
    fault, _, severity = name.partition("/")
    return Hypothesis(fault, int(severity or 0))


def after(equipment: Equipment, acts: Iterable[a.Act], start: Hands = ARRIVAL) -> Hands:
    """The hands after `acts`, from `start` on."""
    hands = start
    for act in acts:
        hands = evolve(equipment, hands, act)
    return hands


def number(value: float, unit: str) -> str:
    """`value` with its unit and a prefix that suits it, to four digits: (1.2e6, "ohm") is "1.2 MΩ"."""
    prefixes = _PREFIXES.get(unit, ())
    fits = ((s, p) for s, p in prefixes if abs(value) >= s)
    scale, prefix = next(fits, prefixes[-1] if prefixes and unit != "ohm" else (1.0, ""))
    return f"{value / scale:.4g} {prefix}{symbol(_PRINTED.get(unit, unit))}".replace("-", "−")


def span(low: float, high: float, unit: str, form: str = RANGE) -> str:
    """A range with its unit said once where it is the same: "24.1 to 28.8 V", "0.9 kΩ to 1.2 MΩ"."""
    return _joined(number(low, unit), number(high, unit), form)


def range_in_words(low: str, high: str, unit: str, form: str = RANGE) -> str:
    """A predicted range as a person reads it: ("1.2e+06", "OL", "ohm") is "1.2 MΩ to OL"; `form` is `RANGE` translated."""
    one, other = (x.replace("-", "−") if x.endswith("OL") else number(float(x), unit) for x in (low, high))
    return _joined(one, other, form)


def _joined(one: str, other: str, form: str) -> str:
    if one == other:
        return one
    same = one.partition(" ")[2] == other.partition(" ")[2]
    return form.format(one.partition(" ")[0] if same else one, other)


class Words:
    """The words of one equipment and its faults in one language (English where there is no translation)."""

    def __init__(self, equipment: Equipment, catalogue: Catalogue, language: str = "en") -> None:
        self.equipment, self.catalogue, self.language = equipment, catalogue, language

    def t(self, text: str, *args: object) -> str:
        """`text` in the language, with `args` for its {0}, {1}, …"""
        made = translate(text, self.language)
        return made.format(*args) if args else made

    def name(self, kind: str, name: str) -> str:
        """The label of a name of `kind`."""
        return label(kind, name, self.equipment, self.language)

    def time(self, seconds: int) -> str:
        """`seconds` as read aloud."""
        return duration_text(seconds, self.language)

    # ------------------------------------------------------------------ faults and units
    def units(self, argument: str) -> str:
        """Correction units joined by "; " or "+", by their titles; anything else as it is."""
        return "; ".join(
            " + ".join(self.name("unit", u) if u in self.equipment.units or u == "no_fault_found" else u for u in x.split("+"))
            for x in argument.split("; ")
        )  # fmt: skip

    def correction(self, hypothesis: Hypothesis) -> str:
        """What puts `hypothesis` right, by title."""
        return self.units("+".join(self.catalogue.corrections(hypothesis)))

    def causes(self, hypotheses: Iterable[Hypothesis]) -> str:
        """The titles of hypotheses; severities of one fault together."""
        severities: dict[str, list[int]] = {}
        for hypothesis in hypotheses:
            severities.setdefault(hypothesis.fault, []).append(hypothesis.severity)
        return "; ".join(self._cause(self.catalogue.faults[f], s) for f, s in severities.items() if f in self.catalogue.faults)

    def _cause(self, fault: Fault, severities: Sequence[int]) -> str:
        title = self.t(fault.title)
        if len(severities) == len(fault.severities):
            return title
        return f"{title} ({', '.join(self.t(fault.severities[k].name) for k in severities)})"

    # ------------------------------------------------------------------ observations and predictions
    def shown(self, text: str) -> str:
        """What evidence writes for an observation or a prediction, as a person reads it."""
        ways = [self._one_shown(x) for x in text.split(" | ")]
        return self.t(" or ").join([*(w.removesuffix(".") for w in ways[:-1]), ways[-1]])

    def _one_shown(self, text: str) -> str:
        parts = text.split()
        if text in ("-", ""):
            return self.t("nothing to note")
        ids = [p.removeprefix("(").removesuffix("?)").split("/") for p in parts]
        if all(has_sentence(i[0], self.equipment) for i in ids):
            sure = [say(i[0], i[1:], self.language, self.equipment) for p, i in zip(parts, ids, strict=True) if p[0] != "("]
            unsure = [say(i[0], i[1:], self.language, self.equipment) for p, i in zip(parts, ids, strict=True) if p[0] == "("]
            return " ".join([*sure, *(self.t("Perhaps: {0}", u) for u in unsure)])
        match = _RANGE.match(text)
        if match:
            low, high, unit = match.groups()
            return range_in_words(low, high, unit, self.t(RANGE))
        value, _, unit = text.partition(" ")
        return symbol(f"{value} {_PRINTED.get(unit, unit)}") if _READING.match(text) else self.t(text)

    # ------------------------------------------------------------------ acts and tests
    def measured(self, hands: Hands) -> str:
        """The measurement that `hands` stand in as one sentence in the past tense; empty where they hold none."""
        function = self.name("function", hands.function)
        red, black = hands.lead("red"), hands.lead("black")
        if hands.function == "clamp" and hands.clamp:
            return self.t("Measured {0} around the {1}.", function, self.name("conductor", hands.clamp))
        if hands.function != "off" and red and black:
            return self.t("Measured {0}: {1} to {2}.", function, self.name("terminal", red), self.name("terminal", black))
        return ""

    def act(self, act: a.Act, hands: Hands, observed: str) -> str:
        """The act, or the measurement that it completed; `hands` are those after it, `observed` what ruled something out."""
        measured = self.measured(hands) if _READING.match(observed) and not isinstance(act, a.PlaceHose | a.PlaceProbe) else ""
        return measured or describe(act, self.equipment, self.language)

    def stands(self, mode: str) -> str:
        """How the unit stands in a bench mode."""
        own = {} if self.equipment.protection["door_switch"] else _NO_SWITCH
        return self.t(own.get(mode) or MODE_WORDS.get(mode, mode))

    def question(self, test: Test, setup: Sequence[a.Act] = ()) -> str:
        """A test as an order: what to measure, look at or call for. `setup` are the acts that lead into its mode."""
        hands = after(self.equipment, (*setup, *test.acts))
        asked = self._asked(test, hands)
        last = next((x for x in reversed(test.acts) if isinstance(x, a.SetThermostat)), None)
        if last is not None:
            seconds = sum(x.seconds for x in test.acts if isinstance(x, a.Wait))
            call = self.name("call", last.call)
            before = self.t("set the thermostat to {0}, wait {1}", call, self.time(seconds)) if seconds else (
                self.t("set the thermostat to {0}", call)
            )  # fmt: skip
            asked = f"{before}, {asked}" if asked else before
        lifted = next((x for x in test.acts if isinstance(x, a.LiftWire)), None)
        if lifted is not None:
            asked = self.t("take off the {0}, {1}", self.name("wire", lifted.wire), asked)
        asked = asked or self.t(test.name)
        for plug in reversed([x.connector for x in test.acts if isinstance(x, a.Unplug)]):
            asked = self.t("part the {0}, {1}", self.name("connector", plug), asked)
        return asked[:1].upper() + asked[1:]

    def _asked(self, test: Test, hands: Hands) -> str:
        match test.acts[-1]:
            case a.Look(where=where):
                return self.t("look at: {0}", self.name("place", where))
            case a.ReadStatus():
                return self.t("read the status")
            case a.TurnShaft():
                return self.t("turn the wheel by hand")
            case a.ZeroLeads():
                return self.t("touch the leads together on ohms")
            case a.PlaceHose():
                high, low = (self.name("port", dict(hands.hoses).get(h, "")) for h in ("high", "low"))
                return self.t("measure the pressure: {0} against {1}", high, low)
            case a.Wiggle(where=where):
                return self.t("move with a stick, and watch: {0}", self.name("place", where))
            case a.Warm(where=where):
                return self.t("warm, and watch: {0}", self.name("place", where))
            case a.Wait() if any(isinstance(x, a.SwitchSource) for x in test.acts):
                return self.t("give the run command from the reference source")
            case a.Wait() if any(isinstance(x, a.PlaceProbe) for x in test.acts):
                return self.t("measure the temperatures at both probes")
            case a.PlaceLead() | a.ReadMeter() | a.SetMeter() | a.PlaceClamp():
                function, red, black = self.name("function", hands.function), hands.lead("red"), hands.lead("black")
                if hands.function == "clamp" and hands.clamp:
                    return self.t("measure {0} around the {1}", function, self.name("conductor", hands.clamp))
                if red and black:
                    ends = (self.name("terminal", red), self.name("terminal", black))
                    return self.t("measure {0}: {1} to {2}", function, *ends)
                return self.t(test.name)
            case _:
                return ""
