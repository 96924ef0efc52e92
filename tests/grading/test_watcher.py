"""The watcher at the learner's side says what the safety monitor finds, at once, and what to do instead."""

from __future__ import annotations

import re
import time
from pathlib import Path

import pytest

import blowerbench
from blowerbench import LocalBench
from blowerbench import acts as a
from blowerbench.bench import Caution
from blowergrade.caution_words import ADVICE
from blowergrade.replay import play
from blowergrade.safety import monitor
from blowergrade.safety_rules import RULES
from blowergrade.technicians import Technician
from blowergrade.watcher import ANSWERED, SafetyWatcher

UNIT = "furnace_120_constant_airflow"
RASH = (
    a.SetMeter("volts_ac"), a.PlaceLead("red", "outlet.L"), a.PlaceLead("black", "outlet.N"), a.SetDoor(False),
    a.LiftLead("red"), a.LiftLead("black"), a.Unplug("power_plug"), a.OpenControl(), a.PlugIn("power_plug"), a.CloseControl(),
    a.TurnShaft(), a.SetDisconnect(False), a.Unplug("control_plug"), a.TapeDoorSwitch(True), a.Finish(),
)  # fmt: skip


def bench_with(*acts: a.Act) -> LocalBench:
    bench = LocalBench(UNIT, "wall_G_open", "nothing_blows")
    for act in acts:
        bench.act(act)
    return bench


def test_a_rash_call_gets_a_caution_for_each_grave_violation_that_the_monitor_finds() -> None:
    bench = bench_with(*RASH)
    watcher = SafetyWatcher(bench)
    got = watcher.cautions(tuple(bench.lines))
    s = bench.session
    steps = play(s.equipment, s.catalogue, s.hypothesis, s.variant, s.complaint.id, [x.act for x in bench.lines])
    # the outside source: the monitor over the whole call at once
    want = [(v.seq, RULES[v.rule].what, v.clause) for v in monitor(s.equipment, False, steps) if v.level in ANSWERED]
    assert [(c.seq, c.what, c.clause) for c in got] == want
    assert len({c.what for c in got}) >= 5


def test_a_caution_comes_with_the_act_itself_and_one_act_at_a_time_says_the_same_as_all_at_once() -> None:
    bench = bench_with()
    watcher, told = SafetyWatcher(bench), list[Caution]()
    for act in RASH:
        before = len(told)
        bench.act(act)
        told = list(watcher.cautions(tuple(bench.lines)))
        assert all(c.seq == len(bench.lines) for c in told[before:])
    assert tuple(told) == SafetyWatcher(bench).cautions(tuple(bench.lines))


def test_an_undone_act_takes_its_caution_along() -> None:
    bench = bench_with(a.SetDoor(False), a.Unplug("power_plug"), a.Wait(10))
    watcher, lines = SafetyWatcher(bench), tuple(bench.lines)
    assert len(watcher.cautions(lines)) == 1
    assert watcher.cautions(lines[:1]) == ()
    assert len(watcher.cautions(lines)) == 1


def test_a_careful_technician_gets_none() -> None:
    # the outside source: the procedure of the trade as `technicians` plays it
    bench = bench_with()
    Technician(bench).work()
    assert SafetyWatcher(bench).cautions(tuple(bench.lines)) == ()


def test_watching_one_more_act_of_a_long_call_costs_under_ten_milliseconds() -> None:
    bench = bench_with()
    Technician(bench).work()
    watcher, lines = SafetyWatcher(bench), tuple(bench.lines)
    watcher.cautions(lines[:-10])
    started = time.perf_counter()
    for k in range(10, 0, -1):
        watcher.cautions(lines[: len(lines) - k + 1])
    assert (time.perf_counter() - started) / 10 < 0.01  # seconds; what a person does not notice, many times over


def test_every_rule_has_its_advice_and_nothing_else_has() -> None:
    assert set(ADVICE) == set(RULES)


@pytest.mark.parametrize("rule", RULES)
def test_signal_words_follow_their_definitions(rule: str) -> None:
    # ANSI Z535.4 (from memory): danger and warning are for death or serious injury, notice is for property only
    signal, harm, instead = ADVICE[rule]
    if RULES[rule].level == "critical":
        assert signal in ("danger", "warning")
    if signal == "notice":
        assert not re.search(r"shock|burns|fire|explosion|fingers|monoxide", harm)
    else:
        assert re.search(r"shock|burns|fire|explosion|fingers|monoxide|power on|nobody expects", harm)
    assert len(instead.split()) > 5


def test_the_colours_of_cautions_mean_nothing_else_anywhere_on_the_page() -> None:
    # ANSI Z535.1 (from memory) gives these colours to the four signal words; design rule: never for right or wrong
    folder = Path(blowerbench.__file__).parent / "panels"
    caution = (folder / "caution.css").read_text(encoding="utf-8")
    safety = set(re.findall(r"background: (#[0-9a-f]{6})", caution))
    assert len(safety) == 4
    for sheet in folder.glob("*.css"):
        if sheet.name != "caution.css":
            assert safety.isdisjoint(re.findall(r"#[0-9a-f]{6}", sheet.read_text(encoding="utf-8"))), sheet.name
