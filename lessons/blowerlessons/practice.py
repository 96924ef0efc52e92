"""Practice: a bench with a fault of one's choice, a coach and undo; and a recorded call stepped through with its explanation.

Rule: nothing here is graded or recorded on the disk; the fault is drawn here and told only to whoever asks what it looks like.
"""

from __future__ import annotations

import random
import subprocess
import sys
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import ipywidgets as w

import blowerdata
from blowerbench import LocalBench
from blowerbench.acts import Act
from blowerbench.bench import Bench, View, describe_hands
from blowerbench.equipment import Equipment, load_equipment
from blowerbench.errors import BenchError
from blowerbench.faults import Catalogue, Hypothesis, load_faults
from blowerbench.hands import Hands, evolve
from blowerbench.messages import translate
from blowerbench.observation import Observation, Outcome, Refused, Said
from blowerbench.panels import BenchPanel
from blowerbench.record import Line, read_record
from blowergrade import policies
from blowergrade.coach import BenchCoach
from blowergrade.explain import Explained, Explainer
from blowergrade.path import table_for
from blowergrade.score import grade_bench, grade_record
from blowergrade.watcher import SafetyWatcher
from blowergrade.wording import clock, hypothesis_named

ANY = ""


class PracticeError(BenchError):
    """A practice call that can't be opened as asked; says why and what can be."""


# ---------------------------------------------------------------------- a call to practise
@dataclass(frozen=True, slots=True)
class Wish:
    """What a practice call may be; an empty text and a difficulty of 0 mean any. `seed` makes the draw come back."""

    equipment: str
    complaint: str = ANY
    fault: str = ANY
    severity: int | None = None
    competency: str = ANY
    difficulty: int = 0
    variant: str = "practice"
    seed: int | None = None


@dataclass(frozen=True, slots=True)
class Drawn:
    """A practice call: the unit, its fault and what the customer says."""

    equipment: Equipment
    hypothesis: Hypothesis
    complaint: str
    variant: str


def draw(wish: Wish) -> Drawn:
    """A call that fits `wish`, each fault as likely as the catalogue says; raises `PracticeError` where none fits."""
    equipment = load_equipment(wish.equipment)
    catalogue = load_faults(equipment)
    fits = [
        h
        for h in catalogue.hypotheses(wish.complaint or None)
        if _fits(catalogue, h, wish)
    ]  # fmt: skip
    if not fits:
        raise PracticeError(f"no fault of {equipment.id} fits all that; choose “any” more often")
    dice = random.Random(wish.seed)
    hypothesis = dice.choices(fits, [catalogue.weight(h) for h in fits])[0]
    complaint = wish.complaint or dice.choice(catalogue.faults[hypothesis.fault].complaints)
    return Drawn(equipment, hypothesis, complaint, wish.variant)


def _fits(catalogue: Catalogue, hypothesis: Hypothesis, wish: Wish) -> bool:
    fault = catalogue.faults[hypothesis.fault]
    return (
        wish.fault in (ANY, fault.id)
        and wish.severity in (None, hypothesis.severity)
        and wish.competency in (ANY, fault.competency)
        and wish.difficulty in (0, fault.difficulty)
    )


def open_practice(drawn: Drawn, language: str = "en", *, table: bool = True) -> BenchPanel:
    """A panel on a bench with that fault, with coach, cautions, undo and, at the end, the score sheet.

    Hints follow the taught order. With `table` the coach takes the table of tests as soon as it is there; where the cache does
    not hold it, another process works it out beside, which takes about a minute once.
    """
    bench = LocalBench(drawn.equipment, drawn.hypothesis, drawn.complaint, variant=drawn.variant)
    coach = BenchCoach.of(bench, language=language)
    if table and policies.folder() is not None:
        threading.Thread(target=_take_table, args=(coach,), name="table of tests", daemon=True).start()
    return BenchPanel(
        bench, coach, watcher=SafetyWatcher(bench), report=lambda b: sheet_html(b, coach, language), language=language
    )


def _take_table(coach: BenchCoach) -> None:
    """Let another process fill the cache with the table of the coach's call, then take it from there."""
    source = "import sys; from blowerlessons.practice import fill_table; fill_table(*sys.argv[1:])"
    name = coach.equipment.path if str(coach.equipment.path).endswith(".toml") else coach.equipment.id
    done = subprocess.run([sys.executable, "-c", source, name, coach.complaint], check=False, capture_output=True)
    if done.returncode == 0:
        coach.use_table()


def fill_table(equipment: str, complaint: str) -> None:
    """Work out the table of `complaint` and its path from arrival, and keep both in the cache."""
    unit = load_equipment(equipment)
    table = table_for(unit, load_faults(unit), complaint)
    table.best(table.mask(table.hypotheses), "as_found")
    table.remember()


def sheet_html(bench: Bench, coach: BenchCoach, language: str = "en") -> str:
    """The score sheet of the practice call on `bench` as HTML, the hints used among its notes."""
    if not isinstance(bench, LocalBench):
        raise PracticeError("this call is on another machine's bench; its score sheet comes from there")
    return coach.noted(grade_bench(bench)).html(language)


# ---------------------------------------------------------------------- the form
class FaultInjector(w.VBox):  # type: ignore[misc] # ipywidgets is typed in part
    """A form that puts a fault into a unit and opens a practice bench on it. `language` is a tag such as "en"."""

    def __init__(self, language: str = "en") -> None:
        self._language = language
        t = self._t

        def row(kind: type[w.Widget], text: str, **more: Any) -> Any:
            wide = w.Layout(width="100%", max_width="560px")
            return kind(description=text, layout=wide, style={"description_width": "150px"}, **more)

        units = [(t(load_equipment(name).title), name) for name in blowerdata.names("equipment")]
        self.equipment = row(w.Dropdown, t("Unit"), options=units)
        self.complaint = row(w.Dropdown, t("The customer says"))
        ways = [(t("Surprise me"), "surprise"), (t("Draw by competency and difficulty"), "draw"), (t("I choose it"), "choose")]
        self.way = row(w.RadioButtons, t("Fault"), options=ways)
        self.competency = row(w.Dropdown, t("Competency"))
        self.difficulty = row(w.Dropdown, t("Difficulty"))
        self.fault = row(w.Dropdown, t("Which"))
        self.severity = row(w.Dropdown, t("How bad"))
        self.variant = row(w.Text, t("Variant"), value="practice")
        self.looks = w.Button(description=t("What will it look like?"), layout=w.Layout(width="auto", min_height="32px"))
        self.start = w.Button(
            description=t("Open the bench"), button_style="primary", layout=w.Layout(width="auto", min_height="32px")
        )
        self.told = w.HTML()
        self.place = w.VBox()
        self.drawn: Drawn | None = None
        self.panel: BenchPanel | None = None
        super().__init__(
            [
                self.equipment, self.complaint, self.way, self.competency, self.difficulty, self.fault, self.severity,
                self.variant, w.HBox([self.looks, self.start]), self.told, self.place,
            ]
        )  # fmt: skip
        self._on(self.equipment, self._other_unit)
        for control in (self.complaint, self.way):
            self._on(control, self._other_faults)
        self._on(self.fault, self._other_severities)
        for control in (self.competency, self.difficulty, self.severity, self.variant):
            self._on(control, self._forget)
        self.looks.on_click(lambda _: self._tell())
        self.start.on_click(lambda _: self._open())
        self._other_unit()

    def _t(self, text: str) -> str:
        return translate(text, self._language)

    def _on(self, control: Any, heard: Callable[[], None]) -> None:
        control.observe(lambda _: heard(), names="value")

    @property
    def _catalogue(self) -> Catalogue:
        return load_faults(load_equipment(self.equipment.value))

    def _other_unit(self) -> None:
        e, t = load_equipment(self.equipment.value), self._t
        faults = self._catalogue.faults.values()
        _offer(self.complaint, [(t("any"), ANY), *((t(c.text), c.id) for c in e.complaints.values())])
        kinds = sorted({f.competency for f in faults})
        _offer(self.competency, [(t("any"), ANY), *((t(k), k) for k in kinds)])
        _offer(self.difficulty, [(t("any"), 0), *((str(d), d) for d in sorted({f.difficulty for f in faults}))])
        self._other_faults()

    def _other_faults(self) -> None:
        faults = [f for f in self._catalogue.faults.values() if self.complaint.value in (ANY, *f.complaints)]
        _offer(self.fault, [(self._t(f.title), f.id) for f in faults])
        for control in (self.competency, self.difficulty):
            control.layout.display = None if self.way.value == "draw" else "none"
        for control in (self.fault, self.severity):
            control.layout.display = None if self.way.value == "choose" else "none"
        self._other_severities()

    def _other_severities(self) -> None:
        fault = self._catalogue.faults.get(self.fault.value or "")
        rows = fault.severities if fault is not None else ()
        _offer(self.severity, [(self._t("any"), None), *((self._t(s.name), k) for k, s in enumerate(rows))])
        self._forget()

    def _forget(self) -> None:
        self.drawn, self.told.value = None, ""

    @property
    def wish(self) -> Wish:
        """What the form asks for."""
        chosen, drawn = self.way.value == "choose", self.way.value == "draw"
        return Wish(
            self.equipment.value, self.complaint.value,
            self.fault.value if chosen else ANY, self.severity.value if chosen else None,
            self.competency.value if drawn else ANY, self.difficulty.value if drawn else 0,
            self.variant.value.strip() or "practice",
        )  # fmt: skip

    def _call(self) -> Drawn | None:
        """The call that was drawn for the form as it stands; None where none fits, which is then told."""
        if self.drawn is None:
            try:
                self.drawn = draw(self.wish)
            except BenchError as error:
                self.told.value = f"<p role='alert'>{_plain(str(error))}</p>"
        return self.drawn

    def _tell(self) -> None:
        """What the drawn call looks like to a person; the fault itself stays untold."""
        call = self._call()
        if call is not None:
            fault = load_faults(call.equipment).faults[call.hypothesis.fault]
            t = self._t
            customer, sees = t("The customer says:"), t("You will see:")
            says, seen = _plain(t(call.equipment.complaints[call.complaint].text)), _plain(t(fault.sees))
            self.told.value = f"<p><b>{customer}</b> “{says}”</p><p><b>{sees}</b> {seen}</p>"

    def _open(self) -> None:
        call = self._call()
        if call is not None:
            self.panel = open_practice(call, self._language)
            self.place.children = (self.panel,)
            if self.way.value != "choose":
                self.drawn = None  # the next one is drawn anew


def _offer(control: Any, options: Sequence[tuple[str, Any]]) -> None:
    """Let `control` offer `options`, the first of them chosen."""
    control.options = options
    control.value = options[0][1] if options else None


def _plain(text: str) -> str:
    return text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")


# ---------------------------------------------------------------------- a recorded call
class RecordedCall:
    """A call that is over, stepped through: a bench on which nothing can be done. It stands after act number `at`."""

    def __init__(
        self, equipment: Equipment, complaint: str, arrival: Observation, lines: Sequence[Line], explainer: Explainer | None
    ) -> None:
        self.equipment, self.at, self.recording = equipment, 0, False
        self._complaint, self._arrival, self._lines, self._explainer = complaint, arrival, tuple(lines), explainer
        hands = Hands(thermostat=equipment.complaints[complaint].call)
        self._hands = [hands]
        for line in self._lines:
            hands = evolve(equipment, hands, line.act)
            self._hands.append(hands)
        self._known: dict[int, Explained] = {}

    # ------------------------------------------------------------------ as a bench
    def act(self, act: Act) -> Outcome:
        """Nothing can be done on a recorded call."""
        return Refused(Said("bench_is_closed"))

    def view(self) -> View:
        """The bench as it was after act number `at`."""
        hands = self._hands[self.at]
        last = self._lines[self.at - 1].observation if self.at else self._arrival
        return View(self.equipment.id, self._complaint, self.at, hands.clock, describe_hands(hands), last)

    def close(self) -> None:
        """Nothing is held."""

    # ------------------------------------------------------------------ as a call stepped through
    @property
    def lines(self) -> tuple[Line, ...]:
        """The acts up to where it stands."""
        return self._lines[: self.at]

    @property
    def whole(self) -> tuple[Line, ...]:
        """All acts of the call."""
        return self._lines

    def go(self, at: int) -> None:
        """Stand after act number `at`; raises `PracticeError` for a number that the call does not have."""
        if not 0 <= at <= len(self._lines):
            raise PracticeError(f"no act {at} in this call; it has acts 1 to {len(self._lines)}, and 0 is the arrival")
        self.at = at

    def next_telling(self) -> int | None:
        """The next act after this one that ruled something out, or None."""
        if self._explainer is None:
            return None
        alive = self._explainer.alive
        return next((n for n in range(self.at + 1, len(self._lines) + 1) if len(alive[n]) < len(alive[n - 1])), None)

    def explained(self) -> dict[str, object]:
        """The act at which it stands: what it told, why, and what would have been best."""
        t = self._t
        where = t("Act {0} of {1}, at {2}").format(self.at, len(self._lines), clock(self._hands[self.at].clock))
        page: dict[str, object] = {"where": where, "head": "", "before": [], "observed": "", "fell": [], "after": []}
        e = self._explainer
        if self.at == 0:
            return page | {"before": [t("The arrival: nothing has been done yet.")]}
        if e is None:
            return page | {"before": [t("What it told is explained where the fault of the call is given.")]}
        x = self._known.setdefault(self.at, e.act(self.at))
        before, after = x.possible
        told = [t("Possible after (causes: {0}): {1}.").format(after, e.shares(x.after))] if x.fallen else [e.told_nothing(x)]
        safety = [t("Safety: {0}").format(v) for v in x.violations]
        return page | {
            "head": x.did,
            "before": [t("Possible before (causes: {0}): {1}.").format(before, e.shares(x.before))],
            "observed": x.observed, "fell": [[f.causes, f.predicted] for f in x.fallen],
            "after": [*told, *e.best_in_words(x), *safety],
        }  # fmt: skip

    def _t(self, text: str) -> str:
        return translate(text, self._explainer.words.language if self._explainer is not None else "en")


def replay(call: Path | str | LocalBench, fault: str = "", language: str = "en") -> BenchPanel:
    """A panel on which a recorded call is stepped through, read-only.

    `call` is a record file or a bench with acts on it. A record holds no fault: with `fault` (ID or ID/SEVERITY) every act is
    explained, without it only shown.
    """
    return BenchPanel(recorded_call(call, fault, language), language=language)


def recorded_call(call: Path | str | LocalBench, fault: str = "", language: str = "en") -> RecordedCall:
    """The call that `replay` shows, without a panel; raises `ReplayError` where the record does not fit the fault."""
    if isinstance(call, LocalBench):
        equipment, complaint, lines = call.equipment, call.session.complaint.id, tuple(call.lines)
        fresh = LocalBench(equipment, call.session.hypothesis, complaint, variant=call.session.variant)
        return RecordedCall(equipment, complaint, fresh.last, lines, Explainer(grade_bench(call), lines, equipment, language))
    record = read_record(Path(call))
    equipment, complaint = load_equipment(record.header.equipment), record.header.complaint
    if not fault:
        return RecordedCall(equipment, complaint, _arrival(complaint), record.lines, None)
    hypothesis = hypothesis_named(fault)
    sheet = grade_record(record, hypothesis)
    fresh = LocalBench(equipment, hypothesis, complaint, variant=record.header.variant)
    return RecordedCall(equipment, complaint, fresh.last, record.lines, Explainer(sheet, record.lines, equipment, language))


def _arrival(complaint: str) -> Observation:
    """What is known of an arrival whose fault is not given: what the customer says."""
    return Observation((Said("complaint", (complaint,)),), ())
