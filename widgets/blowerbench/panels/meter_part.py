"""Displays of the instruments, kept readings and the strip chart.

Rule: everything here is of the page and reads what the bench observed; holding, keeping extremes and charting are no acts and
stand in no record. The display itself is never frozen: a held reading stands beside it, for a frozen one hides a live circuit.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any, get_args

import traitlets

from blowerbench import acts as a
from blowerbench.bench import View
from blowerbench.errors import BenchError
from blowerbench.messages import duration_text, label, perceived
from blowerbench.observation import Shown
from blowerbench.panels import strip_chart
from blowerbench.panels.parts import Part
from blowerbench.panels.strip_chart import BASE, Point, Trail, clock, sign, value_of
from blowerbench.panels.waiting import asked, form, wait_until

#: Ohms under which a meter sounds its continuity tone (common practice: 20 to 50).
CONTINUITY_OHMS = 30.0
#: Shares of the way to a new reading that a settling display passes through.
SETTLING = (0.62, 0.91, 0.985)
#: Pixels between two positions of the dial where they stand in a column, and from the knob's middle to that column.
ROW, REACH = 32, 48


class MeterPart(Part):
    """Displays of the instruments, kept readings and the strip chart."""

    meter = traitlets.Dict().tag(sync=True)  # what the instruments show, hold and keep
    chart = traitlets.Dict().tag(sync=True)  # the strip chart of one instrument

    _trail: Trail
    _held: Point | None = None
    _extremes_from: int | None = None  # the act after which lowest and highest are kept
    _charted = ""  # the instrument chosen for the chart; empty: that of the newest reading
    _chart_from = -1
    _function = ""
    _placed: object = None
    _displayed: tuple[str, str, float] = ("", "", 0.0)  # instrument, unit, value

    # ------------------------------------------------------------------ what does not change
    def _part_texts(self) -> dict[str, object]:
        t = self._words.t
        air = self._bench.equipment.air is not None
        return {
            "instruments": {
                "title": t("Meter and instruments"), "dial": t("Dial of the meter"), "hold": t("Hold this reading"),
                "release": t("Let the held reading go"), "extremes": t("Keep lowest and highest"),
                "reset": t("Restart lowest and highest"), "stop": t("Stop lowest and highest"),
                "sound": t("Sound the continuity tone"),
                "dial_help": t("Arrow keys choose a position, Enter or Space turns the dial to it."),
                "positions": dial_angles(len(get_args(a.Function))),
            },
            "strip": {
                "title": t("Strip chart"), "of": t("Chart of"), "latest": t("the newest reading"),
                "clear": t("Clear the chart"),
                "table": t("The readings as a table"), "clock": t("Clock"), "reading": t("Reading"),
            },
            "until": form(self._language, air),
        }  # fmt: skip

    # ------------------------------------------------------------------ after every act
    def _part_start(self) -> None:
        self._trail = Trail()

    def _part_show(self, view: View) -> None:
        self._take(view)
        function = str(view.hands["function"])
        if function != self._function:  # turning the dial lets go of everything, as on a meter
            self._held, self._function = None, function
            self._extremes_from = None
        self._show_meter(view)
        self._show_chart()

    def _part_say(self, view: View) -> str:
        """What is heard beside the display: a continuity tone, in words."""
        shown = self._own(view)
        if shown is None or shown.instrument not in ("ohms", "leads"):
            return ""
        return self._words.t("The meter gives a tone.") if _sounds(shown) else self._words.t("The meter gives no tone.")

    def _take(self, view: View) -> None:
        """Keep every reading since the last look; an undone act takes its readings along."""
        trail, lines = self._trail, getattr(self._bench, "lines", None)
        if view.seq < trail.seq:
            trail.back_to(view.seq)
            self._held = self._held if self._held and self._held.seq <= view.seq else None
            self._chart_from = min(self._chart_from, view.seq)
        if lines is not None:
            for line in lines[max(trail.seq, 0) :]:
                trail.take(line.seq, line.clock, line.observation, isinstance(line.act, strip_chart.MOVES))
            return
        placed = tuple(str(view.hands[k]) for k in ("function", "leads", "clamp", "hoses", "probes"))
        if view.seq > trail.seq:
            trail.take(view.seq, view.clock, view.observation, placed != self._placed)
        self._placed = placed

    @staticmethod
    def _own(view: View) -> Shown | None:
        """What the meter itself shows."""
        beside = ("manometer", "first_thermometer", "second_thermometer")
        return next((s for s in reversed(view.observation.shown) if s.instrument not in beside), None)

    def _show_meter(self, view: View) -> None:
        t, shown = self._words.t, self._own(view)
        held, extremes = self._held, list[str]()
        if self._extremes_from is not None:
            kept = [p for p in self._trail.of(self._function, self._extremes_from) if math.isfinite(p.value)]
            low, high = min(kept, key=_value, default=None), max(kept, key=_value, default=None)
            extremes = [self._kept(t("Lowest"), low), self._kept(t("Highest"), high)]
        self.meter = {
            "seq": view.seq, "text": shown.text if shown else "", "unit": sign(shown.unit) if shown else "",
            "steps": self._settling(shown), "function": self._function, "extremes": extremes,
            "held": self._kept(t("Held"), held) if held else "", "keeps": self._extremes_from is not None,
            "tone": "" if shown is None or shown.instrument not in ("ohms", "leads") else "on" if _sounds(shown) else "off",
            "tone_text": self._part_say(view), "leads": self._leads(view.hands), "gauges": self._gauges(view),
        }  # fmt: skip

    def _kept(self, word: str, point: Point | None) -> str:
        if point is None:
            return f"{word}: - - -"
        return self._words.t("{0}: {1} at {2}").format(word, f"{point.text} {sign(point.unit)}", clock(point.clock))

    def _settling(self, shown: Shown | None) -> list[str]:
        """Digits that the display passes through on its way; decoration only, never spoken."""
        before = self._displayed
        if shown is None or "OL" in shown.text or shown.instrument not in BASE:
            self._displayed = ("", "", 0.0)
            return []
        number, places = float(shown.text), len(shown.text.partition(".")[2])
        self._displayed = (shown.instrument, shown.unit, number)
        start = before[2] if before[:2] == (shown.instrument, shown.unit) else 0.0
        if abs(number - start) < 3 * 10.0**-places:
            return []
        return [f"{start + (number - start) * share:.{places}f}" for share in SETTLING]

    def _leads(self, hands: Mapping[str, Any]) -> list[str]:
        """The state of meter and leads, in words."""
        w, e = self._words, self._bench.equipment
        made = [w.t("Meter and leads: looked over.") if hands["meter_inspected"] else w.t("Meter and leads: not looked over.")]
        at = {str(lead): (str(where), bool(clip)) for lead, where, clip in hands["leads"]}
        for lead in ("red", "black"):
            name = w.name("lead", lead)
            if lead in at:
                where = label("terminal", at[lead][0], e, self._language)
                made.append(w.t("{0}: clipped on {1}." if at[lead][1] else "{0}: held on {1}.").format(name, where))
            else:
                made.append(w.t("{0}: off.").format(name))
        if hands["zeroed"]:
            made.append(w.t("The leads are zeroed."))
        return made

    def _gauges(self, view: View) -> list[dict[str, Any]]:
        """The instruments beside the meter that stand somewhere: what they show, and where their hoses and probes are."""
        w, hands, e, language = self._words, view.hands, self._bench.equipment, self._language
        shown = {s.instrument: s for s in view.observation.shown}
        made: list[dict[str, Any]] = []

        def gauge(name: str, places: list[str]) -> None:
            read = shown.get(name)
            made.append({
                "id": name, "title": w.name("instrument", name), "text": read.text if read else "- - -",
                "unit": sign(read.unit) if read else "", "places": places,
            })  # fmt: skip

        hoses: Any = hands["hoses"]
        probes: Any = hands["probes"]
        if hoses:
            ends = dict(hoses)
            room = w.t("open to the room")
            where = {h: label("port", str(ends[h]), e, language) if h in ends else room for h in ("high", "low")}
            gauge("manometer", [f"{w.name('hose', h)}: {at}" for h, at in where.items()])
        for probe, port in probes:
            gauge(f"{probe}_thermometer", [f"{w.name('probe', probe)}: {label('port', str(port), e, language)}"])
        return made

    def _show_chart(self) -> None:
        trail, language = self._trail, self._language
        seen = list(dict.fromkeys(p.instrument for p in trail.points if p.seq > self._chart_from))
        newest = next((p.instrument for p in reversed(trail.points) if p.seq > self._chart_from), "")
        points = trail.of(self._charted or newest, self._chart_from)
        options = [{"value": i, "label": label("instrument", i, None, language)} for i in BASE if i in (*seen, self._charted)]
        self.chart = {
            "chosen": self._charted, "options": options, "tree": strip_chart.draw(points, language),
            "says": strip_chart.spoken(points, language), "rows": strip_chart.rows(points),
        }  # fmt: skip

    # ------------------------------------------------------------------ messages of the page
    def _part_hear(self, kind: str, content: Mapping[str, Any], seq: int) -> bool:
        if kind == "until":
            self._until(content, seq)
        elif kind == "keep":
            self._keep(str(content.get("do", "")), seq)
        elif kind == "chart":
            self._choose(content, seq)
        else:
            return False
        return True

    def _until(self, content: Mapping[str, Any], seq: int) -> None:
        before = self._bench.view().seq
        try:
            until = asked({k: v for k, v in content.items() if k not in ("kind", "view", "seq")}, self._language)
        except BenchError as error:
            self._note("", str(error), seq)
            return
        waited = wait_until(self._bench, until, self._language)
        t, view = self._words.t, self._bench.view()
        done = ""
        if waited.acts:
            done = t("Waited {0}; number of looks: {1}.").format(duration_text(waited.seconds, self._language), waited.acts)
        heard = ""
        if view.seq > before:
            heard = " ".join((*perceived(view.observation, self._language, self._bench.equipment), self._part_say(view)))
        self._note(done, f"{waited.sentence} {heard}".strip(), seq)

    def _keep(self, do: str, seq: int) -> None:
        t, view = self._words.t, self._bench.view()
        readings = self._trail.of(self._function)
        if do == "hold":
            current = self._own(view)
            if current is None or current.instrument != self._function or not readings:
                self._refresh(t("The meter shows no reading to hold."), seq)
                return
            self._held = readings[-1]
            self._refresh(self._kept(t("Held"), self._held), seq)
        elif do == "release":
            self._held = None
            self._refresh(t("No reading is held."), seq)
        elif do in ("extremes", "reset"):
            self._extremes_from = view.seq - 1  # the present reading is the first
            self._refresh(t("Lowest and highest are kept from this reading on."), seq)
        elif do == "stop":
            self._extremes_from = None
            self._refresh(t("Lowest and highest are no longer kept."), seq)
        else:
            raise BenchError(f"a meter can't {do!r}; it can hold, release, extremes, reset or stop")

    def _choose(self, content: Mapping[str, Any], seq: int) -> None:
        chosen = str(content.get("of", ""))
        if chosen and chosen not in BASE:
            raise BenchError(f"no instrument {chosen!r} to chart; there are {', '.join(BASE)}")
        if content.get("clear"):
            self._chart_from = self._trail.seq
            sentence = self._words.t("The chart is empty; it goes on from here.")
        else:
            self._charted = chosen
            after = self._chart_from
            newest = self._trail.points[-1].instrument if self._trail.points else ""
            sentence = strip_chart.spoken(self._trail.of(chosen or newest, after), self._language)
        self._refresh(sentence, seq)


def _value(point: Point) -> float:
    return point.value


def _sounds(shown: Shown) -> bool:
    """Whether a meter on ohms gives its tone."""
    return abs(value_of(shown) if shown.instrument in BASE else math.inf if "OL" in shown.text else 0.0) < CONTINUITY_OHMS


def dial_angles(positions: int) -> list[int]:
    """Degrees that the knob's pointer is turned by at each position, 0 being straight right, where the middle one stands."""
    middle = (positions - 1) / 2
    return [round(math.degrees(math.atan2((k - middle) * ROW, REACH))) for k in range(positions)]
