"""The picture as data: complete, reachable, and dressed by what hands did."""

from __future__ import annotations

import itertools
import xml.etree.ElementTree as ET
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import pytest

import blowerdata
from blowerbench import LocalBench, load_equipment
from blowerbench import acts as a
from blowerbench.circuit import Wire
from blowerbench.hands import Hands
from blowerbench.panels import BenchPanel
from blowerbench.panels.layout import LayoutError, arrows, draw, load_layout, parse_layout, reachable

UNIT = "furnace_120_constant_airflow"
TEXT = blowerdata.path("layouts", f"{UNIT}.toml").read_text(encoding="utf-8")


def walk(node: Mapping[str, Any]) -> Iterator[Mapping[str, Any]]:
    yield node
    for child in node.get("children", ()):
        yield from walk(child)


def test_every_terminal_and_every_wire_between_two_terminals_is_in_the_picture() -> None:
    equipment = load_equipment(UNIT)
    drawn = [node["attrs"] for node in walk(draw(equipment))]
    terminals = [x["data-terminal"] for x in drawn if "data-terminal" in x]
    assert sorted(terminals) == sorted(equipment.terminals)
    wires = {x["data-key"] for x in drawn if x.get("data-key", "").startswith("wire:")}
    known = set(equipment.terminals)
    parts = equipment.network.parts.items()
    wanted = {f"wire:{n}" for n, p in parts if isinstance(p, Wire) and p.a in known and p.b in known}
    assert wanted <= wires


def test_terminals_stand_at_least_32_units_apart_so_that_each_can_be_hit_alone() -> None:
    # 24 px (WCAG 2.2, 2.5.8; from memory) at the narrowest picture: 820 px for the layout's width
    layout = load_layout(load_equipment(UNIT))
    assert 32 * 820 / layout.view[0] >= 23.9
    for (name, (x, y, *_)), (other, (u, v, *_)) in itertools.combinations(layout.terminals.items(), 2):
        assert max(abs(x - u), abs(y - v)) >= 32, (name, other)


@pytest.mark.parametrize("door", [True, False])
@pytest.mark.parametrize("cover", [True, False])
def test_arrow_keys_lead_from_every_terminal_in_reach_to_every_other(door: bool, cover: bool) -> None:
    equipment = load_equipment(UNIT)
    shown = reachable(equipment, Hands(door_on=door, control_open=not cover))
    table = arrows(equipment, shown)
    for start in shown:
        found, todo = {start}, [start]
        while todo:
            fresh = set(table[todo.pop()]) - found
            found |= fresh
            todo += fresh
        assert found == set(shown), start


@pytest.mark.parametrize(
    ("old", "new", "remedy"),
    [
        ('"panel.N" = ', '"panel.Q" = ', "not on"),
        ('"panel.N" = [100, 112, "N", "in"]', "", "no place for panel.N"),
        ("wall_R = ", "breaker = ", "no wires"),
        ('wall_R = { kind = "low" }', "", "no way for wall_R"),
        ("view = [", "view = ", "not TOML"),
    ],
)
def test_a_layout_that_does_not_fit_its_equipment_is_refused_with_the_remedy(old: str, new: str, remedy: str) -> None:
    assert old in TEXT
    with pytest.raises(LayoutError, match=remedy) as caught:
        parse_layout(TEXT.replace(old, new, 1), load_equipment(UNIT), "unit.toml")
    assert str(caught.value).startswith("unit.toml: ")


def play(acts: Sequence[a.Act], fault: str = "healthy_unit") -> BenchPanel:
    bench = LocalBench(UNIT, fault, "nothing_blows")
    for act in acts:
        bench.act(act)
    return BenchPanel(bench)


def test_the_static_picture_is_whole_xml_and_shows_the_door_as_hands_left_it() -> None:
    space = "{http://www.w3.org/2000/svg}"
    for acts, hidden in (([], False), ([a.SetDoor(False)], True)):
        panel = play(acts)
        data, _ = panel._repr_mimebundle_()
        root = ET.fromstring(data["image/svg+xml"])
        door = next(g for g in root.iter(f"{space}g") if any(r.get("class") == "bp-door" for r in g.findall(f"{space}rect")))
        assert ("bp-gone" in (door.get("class") or "")) is hidden
        assert data["text/plain"].splitlines()[0] == load_equipment(UNIT).title


def test_the_static_text_holds_the_reading_that_the_record_holds() -> None:
    panel = play([a.SetMeter("volts_ac"), a.PlaceLead("black", "outlet.N"), a.PlaceLead("red", "outlet.L")])
    data, _ = panel._repr_mimebundle_()
    shown = panel._bench.view().observation.shown[0]
    assert f"{shown.text} {shown.unit}" in data["text/plain"]
    # a 120 V receptacle: ANSI C84.1 range A, 114 to 126 V; from memory
    assert 114 <= float(shown.text) <= 126


def test_two_faults_that_nobody_has_looked_for_yet_draw_the_same_picture() -> None:
    """A picture that differed would tell the fault: both units are still and nothing was read."""
    first, second = (play([a.SetDisconnect(False), a.SetDoor(False)], f) for f in ("wall_G_open", "stat_no_fan"))
    assert first.picture() == second.picture()
    assert first.scene == second.scene


def test_a_panel_on_a_bench_with_acts_behind_it_lists_them() -> None:
    panel = play([a.SetDoor(False), a.Wait(60)])
    assert [n["done"] for n in panel.notes] == ["Took the blower door off.", "Waited 1 min."]


@pytest.mark.parametrize(
    "message",
    [
        None, "x", {}, {"kind": "act", "view": "v"}, {"kind": "act", "view": "v", "seq": 1, "act": {"do": "explode"}},
        {"kind": "act", "view": "v", "seq": 1, "act": {"do": "wait", "seconds": "long"}},
        {"kind": "act", "view": "v", "seq": 1, "act": {"do": "place_lead", "lead": "red", "terminal": "nowhere"}},
        {"kind": "spy", "view": "v", "seq": 1}, {"kind": "hint", "view": "v", "seq": 1, "strength": 1},
    ],
)  # fmt: skip
def test_a_message_that_no_page_of_ours_sends_changes_nothing_and_is_published(message: object) -> None:
    panel = play([])
    panel._handle_custom_msg(message, [])
    assert panel.problem != ""
    assert panel._bench.view().seq == 0
