"""Generated drawings: whole, readable, and true to the circuit, for every shipped unit."""

from __future__ import annotations

import itertools
import json
import re
import subprocess
import sys
import xml.etree.ElementTree as ET
from collections import deque
from collections.abc import Iterator, Sequence
from dataclasses import replace

import pytest
from sampling import sampled

import blowerdata
from blowerbench import load_equipment
from blowerbench.circuit import Wire
from blowerbench.equipment import Equipment
from blowerbench.panels.auto_layout import auto_layout
from blowerbench.panels.auto_nets import classes, links, wire_class
from blowerbench.panels.auto_wires import text_boxes
from blowerbench.panels.layout import draw, picture
from blowerbench.panels.places import NARROWEST, R
from blowerbench.panels.routing import Board

UNITS = blowerdata.names("equipment")
Point = tuple[float, float]


def ways(equipment: Equipment) -> dict[str, list[Point]]:
    """The corners of each wire that runs across the drawing, its ends included."""
    layout = auto_layout(equipment)
    made = {}
    for name, spec in layout.raw["wires"].items():
        if "via" in spec:
            part = equipment.network.parts[name]
            assert isinstance(part, Wire)
            ends = [layout.terminals[e][:2] for e in (part.a, part.b)]
            made[name] = [ends[0], *((x, y) for x, y in spec["via"]), ends[1]]
    return made


def ends_of(equipment: Equipment, wire: str) -> set[str]:
    part = equipment.network.parts[wire]
    assert isinstance(part, Wire)
    return {part.a, part.b}


@pytest.mark.parametrize("unit", UNITS)
def test_a_generated_drawing_holds_every_terminal_once_and_every_wire_between_two_terminals(unit: str) -> None:
    equipment = load_equipment(unit)
    text = json.dumps(draw(equipment, layout=auto_layout(equipment)))
    assert sorted(re.findall(r'"data-terminal": "([^"]+)"', text)) == sorted(equipment.terminals)
    known = set(equipment.terminals)
    wanted = {n for n, p in equipment.network.parts.items() if isinstance(p, Wire) and p.a in known and p.b in known}
    assert wanted <= set(re.findall(r'"data-key": "wire:([^"]+)"', text))


@pytest.mark.parametrize("unit", UNITS)
def test_generated_terminals_can_each_be_hit_alone(unit: str) -> None:
    # WCAG 2.2, success criterion 2.5.8: targets of 24 by 24 CSS pixels that do not overlap; from memory
    apart = 24 / NARROWEST
    placed = auto_layout(load_equipment(unit)).terminals.items()
    for (name, (x, y, *_)), (other, (u, v, *_)) in itertools.combinations(placed, 2):
        assert max(abs(x - u), abs(y - v)) >= apart, (name, other)


@pytest.mark.parametrize("unit", UNITS)
def test_no_wire_of_a_generated_drawing_runs_over_a_terminal_that_is_not_its_end(unit: str) -> None:
    equipment = load_equipment(unit)
    terminals = auto_layout(equipment).terminals
    for wire, way in ways(equipment).items():
        for (x, y), (u, v) in itertools.pairwise(way):
            assert x == u or y == v, wire  # square to the page
            for name, (p, q, *_) in terminals.items():
                if name not in ends_of(equipment, wire):
                    gap = max(min(x, u) - p, p - max(x, u), min(y, v) - q, q - max(y, v))
                    assert gap >= R - 2, (wire, name)


@pytest.mark.parametrize("unit", UNITS)
def test_two_wires_of_a_generated_drawing_lie_on_one_line_only_where_they_meet_at_a_terminal(unit: str) -> None:
    equipment = load_equipment(unit)
    for (one, way), (two, other) in itertools.combinations(ways(equipment).items(), 2):
        if ends_of(equipment, one) & ends_of(equipment, two):
            continue
        for ((x, y), (u, v)), ((p, q), (r, s)) in itertools.product(itertools.pairwise(way), itertools.pairwise(other)):
            level = y == v == q == s and min(max(x, u), max(p, r)) > max(min(x, u), min(p, r))
            upright = x == u == p == r and min(max(y, v), max(q, s)) > max(min(y, v), min(q, s))
            assert not level and not upright, (one, two)


@pytest.mark.parametrize("unit", UNITS)
def test_no_wire_of_a_generated_drawing_is_left_without_a_way(unit: str) -> None:
    wires = auto_layout(load_equipment(unit)).raw["wires"]
    assert [n for n, spec in wires.items() if "tags" in spec] == []


@pytest.mark.parametrize("unit", UNITS)
def test_the_room_kept_for_titles_and_words_is_free_of_other_titles_and_of_terminals(unit: str) -> None:
    layout = auto_layout(load_equipment(unit))
    kept = text_boxes(layout.terminals, layout.raw)
    circles = [(n, (x - R, y - R, 2.0 * R, 2.0 * R)) for n, (x, y, *_) in layout.terminals.items()]
    for (name, one), (other, two) in itertools.chain(itertools.combinations(kept, 2), itertools.product(kept, circles)):
        across = min(one[0] + one[2], two[0] + two[2]) - max(one[0], two[0])
        down = min(one[1] + one[3], two[1] + two[3]) - max(one[1], two[1])
        assert across <= 2 or down <= 2, (name, other)


@pytest.mark.parametrize("unit", UNITS)
def test_every_supply_is_drawn_in_the_classes_that_its_conductors_have(unit: str) -> None:
    """A role's wires: line hot, neutral white, ground green (common practice: NEC 200.6, 250.119, from memory)."""
    equipment = load_equipment(unit)
    kinds = classes(equipment)
    wanted = {"line": "hot", "line_2": "hot", "neutral": "neutral", "ground": "ground"}
    checked = 0
    for supply in equipment.supplies.values():
        for role, kind in wanted.items():
            for name, part in equipment.network.parts.items():
                if isinstance(part, Wire) and {part.a, part.b} <= set(supply.roles.get(role, ())):
                    assert wire_class(part, kinds) == kind, name
                    checked += 1
    assert checked > 0


def test_a_unit_without_board_source_gas_or_door_switch_has_no_place_for_them() -> None:
    hits = auto_layout(load_equipment("outdoor_fan_240")).raw["hits"]
    assert not {"gas", "source", "source_switch", "status", "door_switch", "control_module"} & set(hits)


def test_two_supplies_have_two_breakers_disconnects_locks_and_tags_in_the_drawing() -> None:
    equipment = load_equipment("air_handler_240_electric")
    hits = auto_layout(equipment).raw["hits"]
    second = next(s for s in equipment.supplies if s != "main")
    assert {f"{thing}{of}" for thing in ("breaker", "disconnect", "lock", "tag") for of in ("", f"_{second}")} <= set(hits)


def lessened(equipment: Equipment) -> Iterator[Equipment]:
    """`equipment` without one of its zones, plugs, or its board, air or source: what somebody's own unit may lack."""
    for gone in equipment.zones:
        zones = {k: z for k, z in equipment.zones.items() if k != gone}
        zone_of = {n: z for z in zones.values() for n in z.nodes}
        yield replace(equipment, digest=f"{equipment.digest} {gone}", zones=zones, zone_of=zone_of)
    for gone in equipment.connectors:
        plugs = {k: c for k, c in equipment.connectors.items() if k != gone}
        plug_of = {n: c for c in plugs.values() for n in (*c.harness, *c.device)}
        yield replace(equipment, digest=f"{equipment.digest} {gone}", connectors=plugs, connector_of=plug_of)
    yield replace(equipment, digest=f"{equipment.digest} no board", board={})
    yield replace(equipment, digest=f"{equipment.digest} no source", source={})
    yield replace(equipment, digest=f"{equipment.digest} no air", air=None)


@pytest.mark.parametrize("unit", UNITS)
def test_a_unit_that_lacks_something_is_still_drawn_with_all_that_it_has(unit: str) -> None:
    rest = list(lessened(load_equipment(unit)))
    for equipment in [rest[k] for k in sampled(len(rest), at_least=2)]:
        layout = auto_layout(equipment)
        assert set(layout.terminals) == set(equipment.terminals)
        assert draw(equipment, layout=layout)["tag"] == "g"


@pytest.mark.parametrize("unit", UNITS)
def test_the_door_covers_every_terminal_behind_it_and_none_beside_it(unit: str) -> None:
    equipment = load_equipment(unit)
    layout = auto_layout(equipment)
    text = json.dumps(draw(equipment, layout=layout))
    found = re.search(r'"x": "([\d.]+)", "y": "([\d.]+)", "width": "([\d.]+)", "height": "([\d.]+)", "class": "bp-door"', text)
    assert found is not None
    x, y, w, h = (float(n) for n in found.groups())
    for name, (p, q, *_) in layout.terminals.items():
        covered = x + R <= p <= x + w - R and y + R <= q <= y + h - R
        zone = equipment.zone_of.get(name)
        behind = name in equipment.connector_of or (zone is not None and zone.behind_door)
        assert covered == behind or name.startswith("source."), name  # the source is shown beside the unit that it is used in


def test_a_fuse_in_a_lead_between_two_devices_is_drawn() -> None:
    equipment = load_equipment("air_handler_240_electric")
    assert {n for n, _ in links(equipment)} == {spec["part"] for spec in auto_layout(equipment).raw["link"]} != set()


@pytest.mark.parametrize("unit", UNITS)
def test_a_picture_is_a_whole_svg_document_with_its_styles_and_without_script(unit: str) -> None:
    text = picture(load_equipment(unit))
    root = ET.fromstring(text)
    space = "{http://www.w3.org/2000/svg}"
    assert root.tag == f"{space}svg" and root.find(f"{space}style") is not None
    assert not list(root.iter(f"{space}script")) and "href" not in text


def test_a_picture_is_drawn_without_loading_a_notebook() -> None:
    code = (
        "import sys; from blowerbench import load_equipment; from blowerbench.panels.layout import picture; "
        "picture(load_equipment('outdoor_fan_240')); "
        "print([m for m in ('ipywidgets', 'anywidget', 'IPython') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=60)
    assert done.stdout.strip() == "[]"


# ---------------------------------------------------------------------- the router
def shortest(board: Board, start: tuple[int, int], end: tuple[int, int]) -> int | None:
    """Steps of a shortest way by breadth-first search, which is exact where every step costs the same."""
    seen, todo = {start: 0}, deque([start])
    while todo:
        i, j = todo.popleft()
        for cell in ((i + 1, j), (i, j + 1), (i - 1, j), (i, j - 1)):
            inside = 0 < cell[0] < board.width and 0 < cell[1] < board.height
            if inside and cell not in seen and (cell not in board.blocked or cell == end):
                seen[cell] = seen[i, j] + 1
                todo.append(cell)
    return seen.get(end)


def length(way: Sequence[Point]) -> float:
    return sum(abs(x - u) + abs(y - v) for (x, y), (u, v) in itertools.pairwise(way))


@pytest.mark.parametrize(
    "walls",
    [[], [(60, 24, 12, 120)], [(60, 24, 12, 120), (120, 100, 12, 120)], [(36, 60, 150, 12)]],
)
def test_a_way_around_walls_is_as_short_as_breadth_first_search_finds_where_corners_hardly_count(
    walls: list[tuple[int, int, int, int]], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("blowerbench.panels.routing.BEND", 0.001)
    board = Board(20, 20)
    for wall in walls:
        board.block(*wall)
    way = board.route("a", "b", (24, 96), (204, 96), {})
    assert way is not None
    assert length(way) / 12 == shortest(board, (2, 8), (17, 8))


def test_a_terminal_that_is_walled_in_has_no_way() -> None:
    board = Board(20, 20)
    for wall in ((60, 60, 84, 12), (60, 132, 84, 12), (60, 60, 12, 84), (132, 60, 12, 84)):
        board.block(*wall)
    assert board.route("a", "b", (24, 24), (96, 96), {}) is None


def test_a_second_wire_crosses_the_first_square_and_never_turns_on_it() -> None:
    board = Board(20, 20)
    first = board.route("a", "b", (24, 96), (204, 96), {})
    second = board.route("c", "d", (96, 24), (108, 204), {})
    assert first == [(24, 96), (204, 96)]
    assert second is not None
    assert all(y != 96 for _, y in second)
