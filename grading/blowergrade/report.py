"""The score sheet as a page: one self-contained, printable HTML document.

Rule: a page is a function of the sheet, the language and the installed version. It computes no score, runs no script,
fetches nothing, and says nothing by colour alone. All text passes through the template's escaping.
"""

from __future__ import annotations

import gettext
import platform
from dataclasses import dataclass
from functools import lru_cache
from importlib.metadata import PackageNotFoundError, version
from typing import TYPE_CHECKING

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from blowerbench.equipment import Equipment, load_equipment
from blowerbench.faults import Catalogue, load_faults
from blowerbench.hands import Hands, evolve
from blowerbench.messages import catalogue as translations
from blowerbench.messages import describe
from blowergrade.report_chart import Chart, Drop, draw
from blowergrade.wording import Words, clock, hypothesis_named

if TYPE_CHECKING:  # the sheet imports this module when it is asked for a page
    from blowergrade.sheet import Broken, Moment, Part, Reason, Sheet

SCHOOL = "Alderwick Trade School"  # invented
PACKAGES = ("blowerbench-courseware", "msgspec", "numpy", "Jinja2")
PARTS = {"safety": "Safety", "isolation": "Isolation", "repair": "Repair and verification", "write_up": "Write-up"}
LEVELS = {"critical": "Critical", "major": "Major", "minor": "Minor"}
MOST_LABELS = 5  # drops labelled in the picture
MOST_COSTLY = 4  # rows for acts that told nothing and cost time
MOST_TOLD = 10  # rows for acts that ruled something out, those that ruled out most
MOST_TIMES = 2  # acts told in words for one broken rule; the others by number
MOST_ACTS = 8  # acts named at all
MOST_NUMBERS = 24  # numbers of acts in the table of points
MOST_CAUSES = 5  # causes named that one prediction ruled out together
MOST_PLACES = 6  # rows of the table of the same acts elsewhere

__all__ = ["SCHOOL", "clock", "environment", "points", "render", "versions"]


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


@dataclass(frozen=True, slots=True)
class Elsewhere:
    """The counterfactual in one sentence and a table: correction, causes, isolated, against a rule, right and safe."""

    words: str
    rows: tuple[tuple[str, ...], ...]


NOTHING = Markup("")


@dataclass(frozen=True, slots=True)
class Added:
    """What a page has beside its sheet: who it is for, whose it is, and sections of our own making before and after it."""

    person: str = ""
    school: str = ""
    before: Markup = NOTHING
    after: Markup = NOTHING


def render(sheet: Sheet, language: str = "en", added: Added | None = None) -> str:
    """The whole page for `sheet` in `language` (English where there is no translation)."""
    return _Page(sheet, language).html(added or Added())


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
def environment() -> Environment:
    """The templates of this package, with everything escaped."""
    return Environment(
        loader=PackageLoader("blowergrade", "templates"), autoescape=True, undefined=StrictUndefined, trim_blocks=True,
        lstrip_blocks=True,
    )  # fmt: skip


class _Page:
    """What the template needs, worked out of one sheet."""

    def __init__(self, sheet: Sheet, language: str) -> None:
        self.sheet, self.language = sheet, language
        self.equipment: Equipment = load_equipment(sheet.equipment)
        self.catalogue: Catalogue = load_faults(self.equipment)
        self.words = Words(self.equipment, self.catalogue, language)
        self.t, self.units = self.words.t, self.words.units

    def html(self, added: Added) -> str:
        found = isinstance(translations(self.language), gettext.GNUTranslations)
        sheet = self.sheet
        return environment().get_template("score_sheet.html").render(
            _=self.t, sheet=sheet, lang=self.language if found else "en", school=added.school, demo=SCHOOL,
            clock=clock, points=points, person=added.person or sheet.person, before=added.before, after=added.after,
            equipment=self.t(self.equipment.title),
            complaint=self.words.name("complaint", sheet.complaint),
            result=self.result(), reasons=self.why_failed(), declared=self.units("; ".join(sheet.declared)),
            correction=self.units(sheet.correction), fault=self.catalogue.faults.get(hypothesis_named(sheet.fault).fault),
            severity=self.severity(), violations=self.violations(), parts=tuple(map(self.section, sheet.parts)),
            story=self.story() if sheet.timeline else None, elsewhere=self.elsewhere(), versions=versions(),
        )  # fmt: skip

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
        named = hypothesis_named(self.sheet.fault)
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
                (*((self.t("act {0} at {1}", b.seq, clock(b.clock)), done.get(b.seq, "")) for b in broken[:MOST_TIMES]),
                 *((self.t("act {0} at {1}", b.seq, clock(b.clock)), "") for b in broken[MOST_TIMES:MOST_ACTS]),
                 *(((self.t("and {0} more", len(broken) - MOST_ACTS), ""),) if len(broken) > MOST_ACTS else ())),
                self.t(broken[0].text), self.t(broken[0].clause),
            )
            for broken in rules.values()
        )  # fmt: skip

    def section(self, part: Part) -> Section:
        """One part with its reasons; what one rule cost at several acts stands in one line."""
        rows = []
        if part.name == "safety" and len(part.reasons) == len(self.sheet.violations) > 0:
            return Section(self.t(PARTS["safety"]), points(part.tenths), points(part.of), self.lost(part))
        for same in self.alike(part):
            first, tenths = same[0], sum(r.tenths for r in same)
            full = tenths >= max(0, first.of)
            if tenths < 0:
                word, shown = self.t("lost"), points(tenths)
            else:
                word = self.t("earned") if full else self.t("in part") if tenths else self.t("missed")
                shown = self.t("{0} of {1}", points(tenths), points(first.of))
            args = list(map(self.units, first.args))
            if len(same) > 1:
                args[0] = ", ".join(r.args[0] for r in same)
            rows.append(Point(shown, word, full, self.t(first.why, *args)))
        return Section(self.t(PARTS.get(part.name, part.name)), points(part.tenths), points(part.of), tuple(rows))

    def lost(self, part: Part) -> tuple[Point, ...]:
        """What the violations of each level cost together: the rules stand under "Safety"."""
        rows = []
        for level, word in LEVELS.items():
            own = [(r, v) for r, v in zip(part.reasons, self.sheet.violations, strict=True) if v.level == level]
            if own:
                seqs = list(dict.fromkeys(str(v.seq) for _, v in own))
                acts = ", ".join([*seqs[:MOST_NUMBERS], *(["…"] if len(seqs) > MOST_NUMBERS else [])])
                why = self.t("{0} violations: {1} (acts {2}); the rules stand under Safety above", self.t(word), len(own), acts)
                rows.append(Point(points(sum(r.tenths for r, _ in own)), self.t("lost"), False, why))
        return tuple(rows)

    def alike(self, part: Part) -> list[list[Reason]]:
        """The reasons of a part; those that differ only in the number of the act go together."""
        groups: dict[tuple[object, ...], list[Reason]] = {}
        for k, reason in enumerate(part.reasons):
            alone = k if reason.tenths >= 0 or not reason.args else -1
            groups.setdefault((alone, reason.why, reason.args[1:], reason.tenths), []).append(reason)
        return list(groups.values())

    # ------------------------------------------------------------------ the same acts elsewhere
    def elsewhere(self) -> Elsewhere | None:
        """What the same acts would have found in the other causes of the complaint; None where that was not computed."""
        found = self.sheet.counterfactual
        if found is None:
            return None
        words = self.t(
            "The same acts in the same order would have led to the right diagnosis, with no rule of safe work broken, for {0} "
            "of the {1} other causes of this complaint: {2} % of their likelihood.",
            found.right, found.causes, found.percent,
        )  # fmt: skip
        rows = [(self.units(r.correction), (r.causes, r.isolated, r.violated, r.right)) for r in found.rows]
        if len(rows) > MOST_PLACES:
            rest = [counts for _, counts in rows[MOST_PLACES - 1 :]]
            sums = [sum(column) for column in zip(*rest, strict=True)]
            rows[MOST_PLACES - 1 :] = [(self.t("{0} other places", len(rest)), (sums[0], sums[1], sums[2], sums[3]))]
        return Elsewhere(words, tuple((place, *map(str, counts)) for place, counts in rows))

    # ------------------------------------------------------------------ isolation
    def story(self) -> Story:
        timeline = self.sheet.timeline
        first = timeline[0].left + len(timeline[0].ruled_out)
        most = max(first, len(self.catalogue.hypotheses(self.sheet.complaint)))
        did = self.acts_in_words()
        costly = sorted((m for m in timeline if m.regret and not m.ruled_out), key=lambda m: (-m.regret, m.seq))
        telling = sorted((m for m in timeline if m.ruled_out), key=lambda m: (-len(m.ruled_out), m.seq))
        shown = {m.seq for m in (*costly[:MOST_COSTLY], *telling[:MOST_TOLD])}
        rest = costly[MOST_COSTLY:]
        others = self.t(
            "{0} more acts told nothing new and cost about {1} more than the best next acts.", len(rest),
            self.words.time(sum(m.regret for m in rest)),
        ) if rest else ""  # fmt: skip
        if len(telling) > MOST_TOLD:
            fewer = self.t("{0} more acts ruled out a cause or two each; `blowergrade explain` tells them all.",
                           len(telling) - MOST_TOLD)  # fmt: skip
            others = f"{fewer} {others}".strip()
        told = tuple(self.told(m, did[m.seq]) for m in timeline if m.seq in shown)
        drops = telling[:MOST_LABELS]
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
        path = self.words.time(sheet.path_seconds)
        if regret:
            cost = self.t(
                "The best path takes {0} on average; the acts here cost about {1} more than the best next acts, all together.",
                path, self.words.time(regret),
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
            words[moment.seq] = self.words.act(moment.act, hands, moment.observed)
        return words

    def named(self, names: list[str]) -> str:
        """The first causes by title, and how many more there are."""
        shown = self.words.causes(map(hypothesis_named, names[:MOST_CAUSES]))
        return self.t("{0}; {1} more", shown, len(names) - MOST_CAUSES) if len(names) > MOST_CAUSES else shown

    def told(self, moment: Moment, did: str) -> Told:
        by_prediction: dict[str, list[str]] = {}
        for name, predicted in zip(moment.ruled_out, moment.predicted, strict=True):
            by_prediction.setdefault(self.words.shown(predicted), []).append(name)
        fell = tuple(
            Fell(predicted, self.named(names), len(names))
            for predicted, names in sorted(by_prediction.items(), key=lambda item: -len(item[1]))
        )
        more = self.t("Cost about {0} more than the best next act.", self.words.time(moment.regret))
        return Told(
            moment.seq, clock(moment.clock), did,
            self.words.shown(moment.observed) if moment.ruled_out else "",
            fell, moment.left, more if moment.regret else "",
        )  # fmt: skip
