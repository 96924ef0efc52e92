"""What the panel keeps and draws of the instruments, without a page."""

from __future__ import annotations

import math
from itertools import pairwise
from typing import Any

import pytest

from blowerbench import LocalBench, load_equipment
from blowerbench import acts as a
from blowerbench.bench import Caution
from blowerbench.errors import BenchError
from blowerbench.observation import Observation, Shown
from blowerbench.panels import BenchPanel
from blowerbench.panels.strip_chart import SIZE, Trail, draw, rows, spoken, steps, times, value_of
from blowerbench.panels.waiting import MOST_WAITS, Until, asked, wait_until
from blowerbench.record import Line

UNIT = "furnace_120_constant_airflow"
ON_THE_BUS = (
    a.SetThermostat("off"), a.SetDisconnect(False), a.SetLock(True), a.SetDoor(False), a.OpenControl(),
    a.SetMeter("volts_dc"), a.PlaceLead("red", "module.bus_pos", True), a.PlaceLead("black", "module.bus_neg", True),
)  # fmt: skip


def bench_with(*acts: a.Act, unit: str = UNIT) -> LocalBench:
    bench = LocalBench(unit, "healthy_unit", next(iter(load_equipment(unit).complaints)))
    for act in acts:
        bench.act(act)
    return bench


def message(panel: BenchPanel, seq: int, **content: Any) -> None:
    """What a page would send."""
    panel._handle_custom_msg({"view": "page", "seq": seq, **content}, [])
    assert panel.problem == ""


def children(tree: dict[str, Any], kind: str) -> list[dict[str, Any]]:
    return [n for n in tree["children"] if n["attrs"].get("class", "").split()[0] == kind]


# ---------------------------------------------------------------------- numbers
@pytest.mark.parametrize(
    ("shown", "value"),
    [
        # SI prefixes: k = 1000, M = 1 000 000, u = 1/1 000 000 (SI brochure, table 7; from memory)
        (Shown("ohms", "3.300", "kohm"), 3300.0),
        (Shown("ohms", "1.25", "Mohm"), 1.25e6),
        (Shown("ohms", "0.2", "ohm"), 0.2),
        (Shown("farads", "9.87", "uF"), 9.87),
        (Shown("volts_dc", "-24.1", "V"), -24.1),
        (Shown("manometer", "-0.31", "inH2O"), -0.31),
        (Shown("first_thermometer", "105.2", "degF"), 105.2),
        (Shown("ohms", "OL", "ohm"), math.inf),
    ],
)
def test_a_display_is_read_with_its_prefix(shown: Shown, value: float) -> None:
    assert value_of(shown) == value


@pytest.mark.parametrize(("low", "high"), [(0.0, 120.0), (-3.2, 1.1), (119.2, 121.4), (0.0, 0.0), (1e-3, 4e6), (-0.4, -0.39)])
def test_axis_marks_are_round_cover_the_readings_and_are_few(low: float, high: float) -> None:
    marks = steps(low, high)
    assert marks[0] <= low and marks[-1] >= high
    assert 2 <= len(marks) <= 8 or low == high
    for one, two in pairwise(marks):
        # round means 1, 2 or 5 times a power of ten: the usual rule for scales (common practice)
        mantissa = (two - one) / 10.0 ** math.floor(math.log10(two - one) + 1e-6)
        assert min(abs(mantissa - m) for m in (1.0, 2.0, 5.0, 10.0)) < 1e-3


def test_time_marks_stand_at_whole_steps_inside_the_chart() -> None:
    assert times(2, 600) == [120, 240, 360, 480, 600]
    assert times(7190, 7230) == [7190, 7200, 7210, 7220, 7230]


# ---------------------------------------------------------------------- the chart
def test_the_bus_is_charted_as_a_capacitor_that_discharges_through_a_resistor() -> None:
    panel = BenchPanel(bench_with(*ON_THE_BUS))
    message(panel, 1, kind="until", when="below", reading="meter", value=20, minutes=20, step=20)
    values = [p.value for p in panel._trail.of("volts_dc")]
    assert len(values) > 5
    # the outside source: V falls by one factor in equal times, V0·exp(-t/RC) (any circuits text; from memory)
    ratios = [two / one for one, two in pairwise(values[1:])]
    assert max(ratios) - min(ratios) < 0.02
    assert 0.5 < ratios[0] < 0.99
    tree = panel.chart["tree"]
    assert len(children(tree, "bp-plot-dots")[0]["attrs"]["d"].split("M")) - 1 == len(values)
    printed = {n.get("text") for n in tree["children"]}
    assert {"V", "clock (h:min:s)"} <= printed
    shown = [x.observation.shown[0].text for x in panel._bench.lines if x.observation.shown]  # type: ignore[attr-defined] # a local bench has lines
    assert panel.chart["says"].endswith(f"Lowest {shown[-1]} V, highest {shown[0]} V.")
    assert [row[1] for row in panel.chart["rows"]] == [f"{text} V" for text in reversed(shown)]


def test_every_point_and_word_of_a_chart_lies_inside_it_and_higher_readings_stand_higher() -> None:
    trail = Trail()
    for k, text in enumerate(("70.1", "84.0", "118.6", "121.3")):
        trail.take(k, 60 * k, Observation(shown=(Shown("first_thermometer", text, "degF"),)), moved=False)
    tree = draw(trail.points)
    assert tree is not None
    dots = [
        tuple(float(x) for x in d.split("h")[0].split()) for d in children(tree, "bp-plot-dots")[0]["attrs"]["d"].split("M")[1:]
    ]
    assert all(0 <= x <= SIZE[0] and 0 <= y <= SIZE[1] for x, y in dots)
    assert [x for x, _ in dots] == sorted(x for x, _ in dots)
    assert [y for _, y in dots] == sorted((y for _, y in dots), reverse=True)


def test_a_lead_that_moved_starts_a_line_of_its_own_and_ol_is_no_number() -> None:
    trail = Trail()
    for k, (text, moved) in enumerate((("1.0", True), ("2.0", False), ("OL", False), ("3.0", False), ("9.0", True))):
        trail.take(k, 10 * k, Observation(shown=(Shown("ohms", text, "ohm"),)), moved)
    tree = draw(trail.points)
    assert tree is not None
    assert children(tree, "bp-plot-line")[0]["attrs"]["d"].count("M") == 3
    assert rows(trail.points)[2] == ["0:00:20", "OL Ω"]
    assert "5 readings" in spoken(trail.points)


def test_a_cleared_chart_goes_on_with_the_readings_that_follow() -> None:
    panel = BenchPanel(bench_with(*ON_THE_BUS))
    assert panel.chart["rows"]
    message(panel, 1, kind="chart", clear=True)
    assert panel.chart["rows"] == [] and panel.chart["tree"] is None
    message(panel, 2, kind="act", act={"do": "wait", "seconds": 10})
    assert len(panel.chart["rows"]) == 1


def test_a_chart_of_a_long_call_stays_small_enough_to_send() -> None:
    trail = Trail()
    for k in range(3000):
        trail.take(k, 10 * k, Observation(shown=(Shown("volts_ac", f"{100 + 20 * math.sin(k):.1f}", "V"),)), moved=False)
    tree = draw(trail.points)
    assert tree is not None
    size = len(str(tree)) + len(str(rows(trail.points)))
    assert size < 40_000  # characters; what one act may send
    ys = [float(p.split()[1]) for p in children(tree, "bp-plot-line")[0]["attrs"]["d"][1:].split(" L")]
    assert max(ys) - min(ys) > 100  # the swings are still there


# ---------------------------------------------------------------------- waiting
def test_waiting_until_a_reading_is_below_makes_real_waits_and_stops_at_the_first_that_is() -> None:
    bench = bench_with(*ON_THE_BUS)
    already = len(bench.lines)
    waited = wait_until(bench, Until("below", 20, 10, "meter", 50.0))
    done = bench.lines[already:]
    assert [line.act for line in done] == [a.Wait(10)] * waited.acts
    # the outside source: what the same bench showed at each wait
    shown = [float(line.observation.shown[0].text) for line in done]
    assert shown[-1] < 50.0 and min(shown[:-1]) >= 50.0
    assert waited.seconds == 10 * waited.acts


def test_waiting_ends_at_its_limit_and_says_that_it_did_not_come() -> None:
    bench = bench_with(*ON_THE_BUS)
    waited = wait_until(bench, Until("above", 1, 25, "meter", 500.0))
    assert [line.act.seconds for line in bench.lines if isinstance(line.act, a.Wait)] == [25, 25, 10]
    assert "did not come" in waited.sentence


def test_waiting_without_a_reading_does_nothing_and_says_why() -> None:
    bench = bench_with(a.SetMeter("volts_ac"))
    waited = wait_until(bench, Until("below", 5, 10, "meter", 50.0))
    assert waited.acts == 0 and len(bench.lines) == 1
    assert "shows no number" in waited.sentence


def test_waiting_until_something_changes_ends_when_the_blower_starts() -> None:
    bench = bench_with(a.SetThermostat("off"), a.Wait(600), a.SetThermostat("heat"))
    before = bench.view().observation.senses
    waited = wait_until(bench, Until("change", 10, 5))
    assert waited.acts >= 1
    assert bench.view().observation.senses != before
    assert all(line.observation.senses == before for line in bench.lines[3:-1])


@pytest.mark.parametrize(
    "raw",
    [
        {"when": "below", "minutes": 0, "step": 10, "value": 5},
        {"when": "below", "minutes": 61, "step": 10, "value": 5},
        {"when": "below", "minutes": 10, "step": 0, "value": 5},
        {"when": "below", "minutes": 60, "step": 1, "value": 5},
        {"when": "below", "minutes": 10, "step": 10, "value": None},
        {"when": "above", "minutes": 1.5, "step": 10, "value": 5},
        {"when": "sideways", "minutes": 10, "step": 10, "value": 5},
    ],
)
def test_a_wait_that_can_not_be_is_refused_with_what_would_be_right(raw: dict[str, Any]) -> None:
    with pytest.raises(BenchError, match=r"Fill in|Wait at most|Choose steps"):
        asked(raw, "en")
    panel = BenchPanel(bench_with())
    message(panel, 1, kind="until", **raw)
    assert panel._bench.view().seq == 0
    assert panel.scene["sentence"]


def test_the_longest_wait_that_is_taken_makes_no_more_acts_than_promised() -> None:
    bench = bench_with()
    waited = wait_until(bench, asked({"when": "change", "minutes": 60, "step": 10}, "en"))
    assert waited.acts <= MOST_WAITS == 360


# ---------------------------------------------------------------------- what the meter keeps
def test_a_held_reading_stands_beside_the_display_which_goes_on() -> None:
    panel = BenchPanel(bench_with(*ON_THE_BUS))
    first = panel.meter["text"]
    message(panel, 1, kind="keep", do="hold")
    message(panel, 2, kind="act", act={"do": "wait", "seconds": 60})
    assert panel.meter["held"].startswith(f"Held: {first} V at ")
    assert float(panel.meter["text"]) < float(first)
    message(panel, 3, kind="keep", do="release")
    assert panel.meter["held"] == ""


def test_lowest_and_highest_are_those_shown_since_they_were_started() -> None:
    panel = BenchPanel(bench_with(*ON_THE_BUS))
    message(panel, 1, kind="act", act={"do": "wait", "seconds": 30})
    seen = [float(panel.meter["text"])]
    message(panel, 2, kind="keep", do="extremes")
    for k in range(3):
        message(panel, 3 + k, kind="act", act={"do": "wait", "seconds": 30})
        seen.append(float(panel.meter["text"]))
    low, high = panel.meter["extremes"]
    assert low.startswith(f"Lowest: {min(seen):g}") and high.startswith(f"Highest: {max(seen):g}")
    message(panel, 6, kind="keep", do="reset")
    assert panel.meter["extremes"][1].startswith(f"Highest: {seen[-1]:g}")


def test_turning_the_dial_lets_go_of_what_was_kept() -> None:
    # common practice: a meter leaves hold and min/max when its dial is turned
    panel = BenchPanel(bench_with(*ON_THE_BUS))
    message(panel, 1, kind="keep", do="hold")
    message(panel, 2, kind="keep", do="extremes")
    message(panel, 3, kind="act", act={"do": "set_meter", "function": "volts_ac"})
    assert panel.meter["held"] == "" and panel.meter["extremes"] == []


def test_keeping_and_charting_put_nothing_into_the_record() -> None:
    bench = bench_with(*ON_THE_BUS)
    panel = BenchPanel(bench)
    before = tuple(bench.lines)
    for seq, content in enumerate(
        ({"kind": "keep", "do": "hold"}, {"kind": "keep", "do": "extremes"}, {"kind": "chart", "of": "volts_dc"}), 1
    ):
        message(panel, seq, **content)
    assert tuple(bench.lines) == before


def test_continuity_is_said_in_words_below_thirty_ohms_and_not_above() -> None:
    # common practice: a continuity tone comes under some 20 to 50 ohms, and never on OL
    panel = BenchPanel(bench_with(*ON_THE_BUS[:4], a.SetMeter("ohms")))
    message(panel, 1, kind="act", act={"do": "zero_leads"})
    assert "gives a tone" in panel.scene["sentence"] and panel.meter["tone"] == "on"
    seq = 1
    # a whole fuse; a call's input over its thousands of ohms; the door switch with the door off
    for red, black, tone in (("board.SEC", "board.R", True), ("board.R", "board.G", False), ("door.line", "door.load", False)):
        for lead in ("red", "black"):
            message(panel, seq := seq + 1, kind="act", act={"do": "lift_lead", "lead": lead})
        assert panel.meter["tone"] == ""
        for lead, at in (("red", red), ("black", black)):
            message(panel, seq := seq + 1, kind="act", act={"do": "place_lead", "lead": lead, "terminal": at})
        assert (panel.meter["tone"] == "on") == tone
        assert panel.scene["sentence"].endswith("The meter gives a tone." if tone else "The meter gives no tone.")


def test_passing_digits_end_before_the_reading_and_keep_its_places() -> None:
    panel = BenchPanel(bench_with(*ON_THE_BUS[:-1]))
    message(panel, 1, kind="act", act={"do": "place_lead", "lead": "black", "terminal": "module.bus_neg", "clip": True})
    final, passing = panel.meter["text"], panel.meter["steps"]
    assert final not in passing and len(passing) == 3
    assert {len(x.partition(".")[2]) for x in passing} == {len(final.partition(".")[2])}
    assert all(0.0 < float(x) < float(final) for x in passing)


def test_the_instruments_beside_the_meter_say_where_their_hoses_and_probes_are() -> None:
    unit = "furnace_120_split_capacitor"
    bench = bench_with(unit=unit)
    air = bench.equipment.air
    assert air is not None
    port = air.ports[0]
    for act in (a.OpenPort(port.name), a.PlaceHose("high", port.name), a.PlaceProbe("first", port.name)):
        bench.act(act)
    gauges = {g["id"]: g for g in BenchPanel(bench).meter["gauges"]}
    assert set(gauges) == {"manometer", "first_thermometer"}
    assert gauges["manometer"]["places"] == [f"High hose: {port.title}", "Low hose: open to the room"]
    assert gauges["manometer"]["unit"] == "in. w.c."
    assert gauges["first_thermometer"]["unit"] == "°F"
    shown = {s.instrument: s.text for s in bench.view().observation.shown}
    assert {g["id"]: g["text"] for g in gauges.values()} == shown


def test_the_leads_say_whether_they_were_looked_over() -> None:
    bench = bench_with()
    panel = BenchPanel(bench)
    assert panel.meter["leads"][0] == "Meter and leads: not looked over."
    message(panel, 1, kind="act", act={"do": "inspect_meter"})
    assert panel.meter["leads"][0] == "Meter and leads: looked over."


def test_an_undone_act_takes_its_readings_out_of_chart_and_meter() -> None:
    bench = bench_with(*ON_THE_BUS)
    panel = BenchPanel(bench, watcher=Strict())
    was = panel.chart["rows"], panel.meter["text"]
    message(panel, 1, kind="act", act={"do": "wait", "seconds": 60})
    message(panel, 2, kind="keep", do="hold")
    assert panel.cautions and len(panel.chart["rows"]) == 2
    bench.undo()
    panel.refresh()
    assert (panel.chart["rows"], panel.meter["text"]) == was
    assert panel.meter["held"] == "" and panel.cautions == []


# ---------------------------------------------------------------------- cautions
class Strict:
    """A watcher that objects to every wait."""

    def cautions(self, lines: tuple[Line, ...]) -> tuple[Caution, ...]:
        return tuple(
            Caution(x.seq, "warning", "you waited", "time goes by", "time is money", "do not wait", "house rule")
            for x in lines
            if isinstance(x.act, a.Wait)
        )


def test_cautions_are_shown_for_new_acts_only_newest_first_and_go_when_read() -> None:
    panel = BenchPanel(bench_with(a.Wait(10)), watcher=Strict())
    assert panel.cautions == []
    for seq in (1, 2):
        message(panel, seq, kind="act", act={"do": "wait", "seconds": seq})
    assert [c["act"] for c in panel.cautions] == ["Act 3: Waited 2 s."]
    assert panel.cautions[0]["what"] == "You waited." and panel.cautions[0]["why"] == "Time goes by. Time is money."
    message(panel, 3, kind="caution_read")
    assert [c["act"] for c in panel.cautions] == ["Act 2: Waited 1 s."]
    message(panel, 4, kind="caution_read")
    assert panel.cautions == []


def test_a_bench_without_a_watcher_shows_no_caution_whatever_is_done() -> None:
    panel = BenchPanel(bench_with(a.SetDoor(False)))
    message(panel, 1, kind="act", act={"do": "unplug", "connector": "power_plug"})
    assert panel.cautions == []
