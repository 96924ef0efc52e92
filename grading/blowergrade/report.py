"""The score sheet as a page: one self-contained, printable HTML document.

Rule: a page is a function of the sheet, the language and the installed version. It computes no score, runs no script,
fetches nothing, and says nothing by colour alone. All text passes through the template's escaping.
"""

from __future__ import annotations

import gettext
import platform
import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from importlib.metadata import PackageNotFoundError, version
from typing import TYPE_CHECKING

from jinja2 import Environment, PackageLoader, StrictUndefined

from blowerbench.equipment import Equipment, load_equipment
from blowerbench.faults import Catalogue, Fault, Hypothesis, load_faults
from blowerbench.hands import Hands, evolve
from blowerbench.messages import catalogue as translations
from blowerbench.messages import describe, duration_text, has_sentence, label, say, symbol, translate
from blowergrade.report_chart import Chart, Drop, draw

if TYPE_CHECKING:  # the sheet imports this module when it is asked for a page
    from blowergrade.sheet import Broken, Moment, Part, Sheet

SCHOOL = "Alderwick Trade School"  # invented
PACKAGES = ("blowerbench-courseware", "msgspec", "numpy", "Jinja2")
PARTS = {"safety": "Safety", "isolation": "Isolation", "repair": "Repair and verification", "write_up": "Write-up"}
LEVELS = {"critical": "Critical", "major": "Major", "minor": "Minor"}
MOST_LABELS = 5  # drops labelled in the picture
MOST_COSTLY = 6  # rows for acts that told nothing and cost time

_READING = re.compile(r"^-?\d|^OL\b")
_RANGE = re.compile(r"^(\S+) to (\S+) (V|A|ohm)$")


@dataclass(frozen=True, slots=True)
class Violated:
    """A broken rule in words: `acts` are (which act, what was done as far as the sheet holds the act)."""

    level: str
    critical: bool
    acts: tuple[tuple[str, str], ...]
    text: str
    clause: str


@dataclass(frozen=True, slots=True)
class Point:
    """One reason: points as a text, and how they stand in a word."""

    points: str
    word: str
    full: bool
    why: str


@dataclass(frozen=True, slots=True)
class Section:
    """One part of the score with its reasons."""

    title: str
    points: str
    of: str
    reasons: tuple[Point, ...]


@dataclass(frozen=True, slots=True)
class Fell:
    """Causes that an act ruled out because each would have shown `predicted`."""

    predicted: str
    causes: str
    count: int


@dataclass(frozen=True, slots=True)
class Told:
    """An act that told something, or cost more than the best next act."""

    seq: int
    clock: str
    act: str
    showed: str
    fell: tuple[Fell, ...]
    left: int
    cost: str


@dataclass(frozen=True, slots=True)
class Story:
    """The isolation in words and as a picture."""

    chart: Chart
    summary: tuple[str, ...]
    told: tuple[Told, ...]
    others: str  # what the costly acts without a row of their own cost together


def render(sheet: Sheet, language: str = "en") -> str:
    """The whole page for `sheet` in `language` (English where there is no translation)."""
    return _Page(sheet, language).html()


def clock(seconds: int) -> str:
    """Simulated seconds as mm:ss."""
    return f"{seconds // 60}:{seconds % 60:02d}"


def points(tenths: int) -> str:
    """Tenths of a point as a number, with a true minus sign."""
    whole, rest = divmod(abs(tenths), 10)
    return ("−" if tenths < 0 else "") + (f"{whole}.{rest}" if rest else f"{whole}")


@lru_cache(maxsize=1)
def versions() -> tuple[str, ...]:
    """The versions that made the page: this package, what it stands on, and Python."""
    found = [f"Python {platform.python_version()}"]
    for package in reversed(PACKAGES):
        try:
            found.insert(0, f"{package} {version(package)}")
        except PackageNotFoundError:  # a checkout that was never installed
            found.insert(0, f"{package} (not installed)")
    return tuple(found)


@lru_cache(maxsize=1)
def _environment() -> Environment:
    return Environment(
        loader=PackageLoader("blowergrade", "templates"), autoescape=True, undefined=StrictUndefined, trim_blocks=True,
        lstrip_blocks=True,
    )  # fmt: skip


def _hypothesis(name: str) -> Hypothesis:
    fault, _, severity = name.partition("/")
    return Hypothesis(fault, int(severity or 0))


class _Page:
    """What the template needs, worked out of one sheet."""

    def __init__(self, sheet: Sheet, language: str) -> None:
        self.sheet, self.language = sheet, language
        self.equipment: Equipment = load_equipment(sheet.equipment)
        self.catalogue: Catalogue = load_faults(self.equipment)

    def html(self) -> str:
        found = isinstance(translations(self.language), gettext.GNUTranslations)
        sheet = self.sheet
        return _environment().get_template("score_sheet.html").render(
            _=self.t, sheet=sheet, lang=self.language if found else "en", school=SCHOOL, clock=clock, points=points,
            equipment=translate(self.equipment.title, self.language),
            complaint=label("complaint", sheet.complaint, self.equipment, self.language),
            result=self.result(), reasons=self.why_failed(), declared="; ".join(map(self.unit, sheet.declared)),
            correction=self.units(sheet.correction), fault=self.catalogue.faults.get(_hypothesis(sheet.fault).fault),
            severity=self.severity(), violations=self.violations(), parts=tuple(map(self.section, sheet.parts)),
            story=self.story() if sheet.timeline else None, versions=versions(),
        )  # fmt: skip

    def t(self, text: str, *args: object) -> str:
        """`text` in the page's language, with `args` for its {0}, {1}, …"""
        made = translate(text, self.language)
        return made.format(*args) if args else made

    def unit(self, name: str) -> str:
        """What a correction unit is called."""
        return label("unit", name, self.equipment, self.language)

    def units(self, argument: str) -> str:
        """An argument of a reason, with correction units by their titles."""
        return "; ".join(self.unit(x) if x in self.equipment.units else x for x in argument.split("; "))

    # ------------------------------------------------------------------ result and points
    def result(self) -> str:
        if self.sheet.outside_catalogue:
            return self.t("To be graded by hand")
        return self.t("Passed") if self.sheet.passed else self.t("Not passed")

    def why_failed(self) -> tuple[str, ...]:
        """Why it was not a pass, most important first; empty for a pass."""
        sheet = self.sheet
        if sheet.passed:
            return ()
        found = []
        if any(v.level == "critical" for v in sheet.violations):
            found.append(self.t("A critical safety violation fails the attempt, whatever else is right."))
        if sheet.outside_catalogue:
            found.append(self.t("No catalogued fault explains every reading."))
        elif not sheet.declared:
            found.append(self.t("No diagnosis was declared."))
        elif not sheet.entailed:
            found.append(self.t("The readings left other faults possible: the diagnosis does not follow from them."))
        return tuple(found) or (self.t("The points are fewer than a pass needs."),)

    def severity(self) -> str:
        """How bad the fault was, where it has more than one severity."""
        named = _hypothesis(self.sheet.fault)
        fault = self.catalogue.faults.get(named.fault)
        return self.t(fault.severities[named.severity].name) if fault and len(fault.severities) > 1 else ""

    def violations(self) -> tuple[Violated, ...]:
        """Every violation, those of one rule together, the gravest first, then by time."""
        order = list(LEVELS)
        done = {m.seq: describe(m.act, self.equipment, self.language) for m in self.sheet.timeline}
        rules: dict[str, list[Broken]] = {}
        for broken in sorted(self.sheet.violations, key=lambda b: (order.index(b.level), b.seq)):
            rules.setdefault(broken.rule, []).append(broken)
        return tuple(
            Violated(
                self.t(LEVELS[broken[0].level]), broken[0].level == "critical",
                tuple((self.t("act {0} at {1}", b.seq, clock(b.clock)), done.get(b.seq, "")) for b in broken),
                self.t(broken[0].text), broken[0].clause,
            )
            for broken in rules.values()
        )  # fmt: skip

    def section(self, part: Part) -> Section:
        rows = []
        for reason in part.reasons:
            full = reason.tenths >= max(0, reason.of)
            if reason.tenths < 0:
                word, shown = self.t("lost"), points(reason.tenths)
            else:
                word = self.t("earned") if full else self.t("in part") if reason.tenths else self.t("missed")
                shown = self.t("{0} of {1}", points(reason.tenths), points(reason.of))
            rows.append(Point(shown, word, full, self.t(reason.why, *map(self.units, reason.args))))
        return Section(self.t(PARTS.get(part.name, part.name)), points(part.tenths), points(part.of), tuple(rows))

    # ------------------------------------------------------------------ isolation
    def story(self) -> Story:
        timeline = self.sheet.timeline
        first = timeline[0].left + len(timeline[0].ruled_out)
        most = max(first, len(self.catalogue.hypotheses(self.sheet.complaint)))
        did = self.acts_in_words()
        costly = sorted((m for m in timeline if m.regret and not m.ruled_out), key=lambda m: (-m.regret, m.seq))
        shown = {m.seq for m in costly[:MOST_COSTLY]} | {m.seq for m in timeline if m.ruled_out}
        rest = costly[MOST_COSTLY:]
        others = self.t(
            "{0} more acts told nothing new and cost about {1} more than the best next acts.", len(rest),
            duration_text(sum(m.regret for m in rest), self.language),
        ) if rest else ""  # fmt: skip
        told = tuple(self.told(m, did[m.seq]) for m in timeline if m.seq in shown)
        drops = sorted((m for m in timeline if m.ruled_out), key=lambda m: (-len(m.ruled_out), m.seq))[:MOST_LABELS]
        chart = draw(
            [(0, first), *((m.clock, m.left) for m in timeline)], most,
            [
                Drop(m.clock, m.left + len(m.ruled_out), m.left,
                     f"{self.t('{0} – ruled out {1}', clock(m.clock), len(m.ruled_out))}\n{did[m.seq].rstrip('.')}")
                for m in drops
            ],
        )  # fmt: skip
        return Story(chart, self.summary(most, first, timeline[-1].left), told, others)

    def summary(self, most: int, first: int, left: int) -> tuple[str, ...]:
        """The story in three sentences: how many causes went, whether the diagnosis follows, what the search cost."""
        sheet, regret = self.sheet, sum(m.regret for m in self.sheet.timeline)
        start = self.t(
            "{0} catalogued causes fit this complaint, {1} what was perceived at arrival, and {2} every reading in the end.",
            most, first, left,
        )  # fmt: skip
        follows = self.t("What was left is corrected at one place, the one declared: {0}.", self.units(sheet.correction))
        end = follows if sheet.entailed else self.t("What was left is not just what was declared.")
        path = duration_text(sheet.path_seconds, self.language)
        if regret:
            cost = self.t(
                "The best path takes {0} on average; the acts here cost about {1} more than the best next acts, all together.",
                path, duration_text(regret, self.language),
            )  # fmt: skip
        else:
            cost = self.t("The best path takes {0} on average; no act cost noticeably more than the best next act.", path)
        return start, end, cost

    def acts_in_words(self) -> dict[int, str]:
        """Each act by its number; one that shows a reading is told as the measurement that it is."""
        complaint = self.equipment.complaints[self.sheet.complaint]
        hands, words = Hands(thermostat=complaint.call), {}
        for moment in self.sheet.timeline:
            hands = evolve(self.equipment, hands, moment.act)
            words[moment.seq] = self.act_in_words(moment, hands)
        return words

    def act_in_words(self, moment: Moment, hands: Hands) -> str:
        """The act, or the measurement that it completed; `hands` are those after it."""

        def place(kind: str, name: str) -> str:
            return label(kind, name, self.equipment, self.language)

        if moment.observed and _READING.match(moment.observed):
            function = place("function", hands.function)
            red, black = hands.lead("red"), hands.lead("black")
            if hands.function == "clamp" and hands.clamp:
                return self.t("Measured {0} around the {1}.", function, place("conductor", hands.clamp))
            if red and black:
                return self.t("Measured {0}: {1} to {2}.", function, place("terminal", red), place("terminal", black))
        return describe(moment.act, self.equipment, self.language)

    def told(self, moment: Moment, did: str) -> Told:
        by_prediction: dict[str, list[str]] = {}
        for name, predicted in zip(moment.ruled_out, moment.predicted, strict=True):
            by_prediction.setdefault(self.shown_in_words(predicted), []).append(name)
        fell = tuple(
            Fell(predicted, self.causes(names), len(names))
            for predicted, names in sorted(by_prediction.items(), key=lambda item: -len(item[1]))
        )
        more = self.t("Cost about {0} more than the best next act.", duration_text(moment.regret, self.language))
        return Told(
            moment.seq, clock(moment.clock), did,
            self.shown_in_words(moment.observed) if moment.ruled_out else "",
            fell, moment.left, more if moment.regret else "",
        )  # fmt: skip

    def causes(self, names: Sequence[str]) -> str:
        """The titles of hypotheses; severities of one fault together."""
        severities: dict[str, list[int]] = {}
        for hypothesis in map(_hypothesis, names):
            severities.setdefault(hypothesis.fault, []).append(hypothesis.severity)
        return "; ".join(self.cause(self.catalogue.faults[f], s) for f, s in severities.items() if f in self.catalogue.faults)

    def cause(self, fault: Fault, severities: Sequence[int]) -> str:
        title = self.t(fault.title)
        if len(severities) == len(fault.severities):
            return title
        return f"{title} ({', '.join(self.t(fault.severities[k].name) for k in severities)})"

    def shown_in_words(self, text: str) -> str:
        """What evidence writes for an observation or a prediction, as a person reads it."""
        return self.t(" or ").join(self._one_in_words(x) for x in text.split(" | "))

    def _one_in_words(self, text: str) -> str:
        ids = [part.split("/") for part in text.split()]
        if text == "-":
            return self.t("nothing to note")
        if ids and all(has_sentence(i[0]) for i in ids):
            return " ".join(say(i[0], i[1:], self.language, self.equipment) for i in ids)
        match = _RANGE.match(text)
        if match:
            return _range_in_words(*match.groups())
        return symbol(self.t(text))


def _range_in_words(low: str, high: str, unit: str) -> str:
    """A predicted range with a prefix that suits it: ("1.2e+06", "OL", "ohm") is "1.2 MΩ to OL"."""

    def number(text: str) -> str:
        if text.lstrip("-") == "OL":
            return text
        value = float(text)
        scale, prefix = next(((s, p) for s, p in ((1e6, "M"), (1e3, "k")) if abs(value) >= s), (1.0, ""))
        return f"{value / scale:.4g} {prefix}{symbol(unit)}".replace("-", "−")

    one, other = number(low), number(high)
    return one if one == other else f"{one} to {other}"
