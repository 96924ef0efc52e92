"""The panel on every shipped unit: what a unit has can be worked on with either hand, and what it has not is not offered."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from browser.fingers import Keyboard, Mouse, Person, plain
from browser.page import Host

import blowerdata
from blowerbench import LocalBench, load_equipment
from blowerbench import acts as a
from blowerbench.equipment import Equipment
from blowerbench.faults import load_faults
from blowerbench.observation import Accepted

UNITS = blowerdata.names("equipment")
Open = Callable[..., Host]


def bench_of(unit: str) -> LocalBench:
    return LocalBench(unit, "healthy_unit", next(iter(load_equipment(unit).complaints)))


def work(equipment: Equipment) -> list[a.Act]:
    """A round through everything that differs from unit to unit, each act possible when its turn comes."""
    acts: list[a.Act] = [a.SetThermostat("off")]
    for supply in equipment.supplies.values():
        acts += [a.SetDisconnect(False, supply.name), a.SetTag(True, supply.name)]
        acts += [a.SetLock(True, supply.name)] if supply.takes_lock else []
        acts += [a.SetBreaker(False, supply.name), a.SetLock(True, supply.name, "breaker")]
    acts.append(a.SetDoor(False))
    acts += [a.SetSelector(name, True) for name in equipment.selectors]
    if equipment.module.get("capacitors"):
        acts += [a.Discharge("capacitor"), a.SetMeter("farads")]
    for plug in list(equipment.connectors)[:1]:
        acts += [a.Wiggle(plug), a.Warm(plug)]
    if equipment.air and equipment.air.ports:
        first, last = equipment.air.ports[0].name, equipment.air.ports[-1].name
        acts += [a.OpenPort(first), a.OpenPort(last), a.PlaceHose("high", last), a.PlaceHose("low", first)]
        acts += [a.PlaceProbe("first", first), a.PlaceProbe("first", ""), a.PlaceHose("low", ""), a.PlugPort(first)]
    if equipment.source:
        command = equipment.connectors[equipment.source["connector"]]
        acts += [a.Unplug(p) for p in (command.covered_by, command.name) if p] + [
            a.FitSource(True, "serial"),
            a.FitSource(False),
        ]
    return acts


@pytest.mark.parametrize("unit", UNITS)
@pytest.mark.parametrize("hands", [Keyboard, Mouse])
def test_everything_that_a_unit_has_can_be_worked_on_with_one_kind_of_hands(
    open_panel: Open, hands: type[Person], unit: str
) -> None:
    bench = bench_of(unit)
    host = open_panel(bench=bench)
    person = hands(host)
    acts = work(bench.equipment)
    for act in acts:
        person.do(act)
        assert host.panel.problem == ""
    assert [line.act for line in bench.lines] == acts  # every one was accepted, and nothing else was done
    assert host.errors == []


@pytest.mark.parametrize("unit", UNITS)
def test_a_panel_offers_no_act_that_the_unit_can_never_take(open_panel: Open, unit: str) -> None:
    bench = bench_of(unit)
    equipment = bench.equipment
    offered = [does["act"] for thing in open_panel(bench=bench).panel.things for does in thing["does"]]
    kinds = {act["do"] for act in offered}
    lacking = {
        "hold_door_switch": not equipment.protection["door_switch"], "set_gas": equipment.heat["kind"] != "gas",
        "fit_source": not equipment.source, "read_status": not equipment.board, "open_control": not equipment.electronic,
        "set_selector": not equipment.selectors, "open_port": equipment.air is None or not equipment.air.ports,
        "reset_safety": not equipment.protection["rollout"],
    }  # fmt: skip
    assert {kind for kind, absent in lacking.items() if (kind in kinds) == absent} == set()
    assert (plain(a.Discharge("capacitor")) in offered) == bool(equipment.module.get("capacitors"))
    assert (plain(a.Discharge()) in offered) == equipment.electronic


@pytest.mark.parametrize("unit", UNITS)
def test_every_fault_that_comes_and_goes_can_be_brought_out_by_a_control_of_the_panel(open_panel: Open, unit: str) -> None:
    bench = bench_of(unit)
    offered = [does["act"] for thing in open_panel(bench=bench).panel.things for does in thing["does"]]
    faults = load_faults(bench.equipment).faults.values()
    provoked = [(when.provoke, when.at) for f in faults if (when := f.when) is not None and when.provoke]
    assert provoked
    for provoke, at in provoked:
        assert plain(a.Wiggle(at) if provoke == "wiggle" else a.Warm(at)) in offered


def test_a_port_is_chosen_in_the_picture_and_what_stands_in_it_is_read_beside_the_meter(open_panel: Open) -> None:
    unit = "furnace_120_split_capacitor"
    bench = bench_of(unit)
    equipment = bench.equipment
    host = open_panel(bench=bench)
    person = Mouse(host)
    assert equipment.air is not None
    supply, back = equipment.air.external
    host.page.click(f"[data-thing='port_{supply}']")
    assert host.page.input_value(".bp-work select") == f"port_{supply}"
    for act in (a.OpenPort(supply), a.PlaceHose("high", supply), a.OpenPort(back), a.PlaceHose("low", back)):
        person.do(act)
    shown = bench.view().observation.shown
    assert [s.instrument for s in shown] == ["manometer"]
    assert shown[0].text in (host.page.text_content(".bp-others") or "")
    assert host.page.text_content(f"[data-key='note:port_{supply}']") == "high hose"
    # common practice: one hose open to the room reads the duct against the room, the other way round with the other sign
    assert isinstance(bench.act(a.PlaceHose("high", "")), Accepted)


@pytest.mark.parametrize("unit", UNITS)
def test_the_picture_keeps_its_targets_24_pixels_wide_on_a_narrow_page(open_panel: Open, unit: str) -> None:
    # WCAG 2.2, success criterion 2.5.8, target size (minimum); from memory
    host = open_panel(bench=bench_of(unit), width=640)
    Mouse(host).do(a.SetDoor(False))
    sizes = host.page.eval_on_selector_all(
        "[data-terminal] .bp-hit, .bp-thing",
        "es => es.map(e => e.getBoundingClientRect()).filter(b => b.width).map(b => [b.width, b.height])",
    )
    assert len(sizes) > 20
    assert min(min(pair) for pair in sizes) >= 23.9
