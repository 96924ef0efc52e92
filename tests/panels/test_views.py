"""The further views of a bench: true to the equipment file, whole, and the same bench as the first picture."""

from __future__ import annotations

import itertools
import re
import tomllib
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

import blowerdata
import blowerlessons
from blowerbench import LocalBench, load_equipment
from blowerbench import acts as a
from blowerbench.hands import Hands
from blowerbench.observation import Accepted
from blowerbench.panels import BenchPanel
from blowerbench.panels.controls import Words
from blowerbench.panels.drawings import Drawing
from blowerbench.panels.elements import Node
from blowerbench.panels.ladder import Plan
from blowerbench.panels.ladder_draw import ladder
from blowerbench.panels.layout import load_layout
from blowerbench.panels.places import HIT
from blowerbench.panels.scene import dress, hands_of
from blowerbench.panels.views_part import WIRED, NoSuchView, drawing, more_dress, paths, titles

SMALL = str(Path(blowerlessons.__file__).parent / "guides" / "small_unit.toml")
UNITS = [*blowerdata.names("equipment"), SMALL]
ALL_OPEN = Hands(door_on=False, control_open=True)
Point = tuple[float, float]


def raw_parts(unit: str) -> list[dict[str, Any]]:
    """The rows of the equipment file itself, read by the standard library: the outside source of these tests."""
    path = Path(unit) if unit.endswith(".toml") else blowerdata.path("equipment", f"{unit}.toml")
    rows: list[dict[str, Any]] = tomllib.loads(path.read_text(encoding="utf-8"))["part"]
    return rows


def views(unit: str) -> dict[str, Drawing]:
    words = Words(load_equipment(unit), "en")
    return {name: drawing(words, name) for name in titles(words) if name != WIRED}


def walk(node: Node) -> Iterator[Node]:
    yield node
    for child in node.get("children", ()):
        yield from walk(child)


# ---------------------------------------------------------------------- every view
@pytest.mark.parametrize("unit", UNITS)
def test_every_terminal_stands_in_some_view_and_in_each_at_most_once(unit: str) -> None:
    equipment = load_equipment(unit)
    seen = set(load_layout(equipment).terminals)
    assert seen == set(equipment.terminals)
    for name, view in views(unit).items():
        there = [n["attrs"]["data-terminal"] for n in walk(view.tree) if "data-terminal" in n["attrs"]]
        assert max(Counter(there).values(), default=1) == 1, name
        assert set(there) == {s for s in view.stops if not s.startswith("thing:")}
        assert set(there) <= set(equipment.terminals)


@pytest.mark.parametrize("unit", UNITS)
def test_the_ladder_leaves_out_only_tools_other_circuits_and_the_inside_of_electronics(unit: str) -> None:
    equipment = load_equipment(unit)
    missing = set(equipment.terminals) - set(views(unit)["ladder"].stops)
    zones = {z.name: z for z in equipment.zones.values()}
    for terminal in missing:
        zone = equipment.zone_of.get(terminal)
        assert zone is not None, terminal
        assert terminal.startswith("source.") or zone is zones["outlet"] or zone.behind_cover, terminal


@pytest.mark.parametrize("unit", UNITS)
def test_names_in_a_view_are_unique_and_its_terminals_do_not_touch(unit: str) -> None:
    for name, view in views(unit).items():
        keys = Counter(n["attrs"]["data-key"] for n in walk(view.tree) if "data-key" in n["attrs"])
        assert [k for k, times in keys.items() if times > 1] == [], name
        for one, two in itertools.combinations(view.stops.values(), 2):
            assert max(abs(one[0] - two[0]), abs(one[1] - two[1])) >= 2 * HIT, (name, one, two)
        for x, y in view.stops.values():
            assert HIT <= x <= view.size[0] - HIT and HIT <= y <= view.size[1] - HIT, name


@pytest.mark.parametrize("unit", UNITS)
@pytest.mark.parametrize("hands", [ALL_OPEN, Hands(), Hands(door_on=False)], ids=["all open", "door on", "door off"])
def test_arrow_keys_lead_from_any_stop_to_every_other_and_to_nothing_that_is_covered(unit: str, hands: Hands) -> None:
    equipment = load_equipment(unit)
    words = Words(equipment, "en")
    for name, view in views(unit).items():
        table = paths(words, name, hands)
        for start in table:
            reached, todo = {start}, [start]
            while todo:
                fresh = set(table[todo.pop()]) - reached
                reached |= fresh
                todo += fresh
            assert reached == set(table), (name, start)
        for terminal in table.keys() & set(equipment.terminals):
            zone, plug = equipment.zone_of.get(terminal), equipment.connector_of.get(terminal)
            inside = plug is not None or (zone is not None and zone.behind_door)
            covered = (plug is not None and plug.behind_cover) or (zone is not None and zone.behind_cover)
            assert not (inside and hands.door_on) and not (covered and not hands.control_open), terminal
        if hands is ALL_OPEN:
            assert set(table) == set(view.stops)


def test_a_unit_without_a_board_has_no_board_view() -> None:
    words = Words(load_equipment("outdoor_fan_240"), "en")
    assert list(titles(words)) == ["wired", "ladder", "connectors", "air"]
    with pytest.raises(NoSuchView, match="no view 'board' of outdoor_fan_240 to draw here; there are ladder, connectors, air"):
        drawing(words, "board")


# ---------------------------------------------------------------------- the ladder against the equipment file
@pytest.mark.parametrize("unit", UNITS)
def test_every_part_on_a_rung_joins_the_two_nodes_that_the_file_puts_it_between(unit: str) -> None:
    equipment = load_equipment(unit)
    plan = Plan(equipment, "en")
    plan.plan()
    ends = {row["name"]: {row.get("a", row.get("p1")), row.get("b", row.get("p2"))} for row in raw_parts(unit)}
    line = equipment.module.get("line")
    taps = {f"winding/{tap.partition('.')[2]}": {tap, common} for tap, common in equipment.module.get("taps", {}).values()}
    made = {**ends, **taps, **({"control_module": set(line)} if line else {})}
    for section in plan.sections:
        for rung in section.rungs:
            here = rung.begins
            for step in rung.left:
                there = step.node or rung.ends
                if step.branch.part != equipment.module.get("aux"):
                    assert made[step.branch.part] == {here, there}
                here = there
            nodes = [*(step.node for step in rung.right), rung.ends]
            if rung.load is not None and rung.load.part != equipment.module.get("aux"):
                assert made[rung.load.part] == {here, nodes[0]}
            for step, (one, two) in zip(rung.right, itertools.pairwise(nodes), strict=True):
                assert made[step.branch.part] == {one, two}


@pytest.mark.parametrize("unit", UNITS)
def test_every_wire_pin_contact_and_fuse_of_the_circuit_stands_on_exactly_one_rung(unit: str) -> None:
    equipment = load_equipment(unit)
    plan = Plan(equipment, "en")
    plan.plan()
    drawn = Counter(branch.part for _, branch in plan.parts())
    assert max(drawn.values()) == 1
    covered = {n for z in equipment.zones.values() if z.behind_cover for n in z.nodes}
    for row in raw_parts(unit):
        ends = {row.get("a"), row.get("b")}
        apart = ends & covered or any(str(n).startswith(("source.", "outlet.")) for n in ends)
        if row["kind"] in ("wire", "pin", "contact", "fuse") and ends & set(equipment.terminals) and not apart:
            assert drawn[row["name"]] == 1, row["name"]


def lines_of(tree: Node) -> tuple[list[tuple[str, Point, Point]], list[tuple[Point, Point]]]:
    """The drawn ladder as geometry alone: parts as (name, end, end), and plain lines as (end, end)."""
    parts, plain = [], []
    for node in tree["children"]:
        attrs = node["attrs"]
        if "data-part" in attrs:
            xs: list[float] = []
            ys: list[float] = []
            for child in walk(node):
                d = child["attrs"].get("d", "")
                for x, y in re.findall(r"M([-\d.]+) ([-\d.]+)", d):
                    ys.append(float(y))
                    xs.append(float(x))
                xs += [float(x) for x in re.findall(r"H([-\d.]+)", d)]
            parts.append((attrs["data-part"], (min(xs), ys[0]), (max(xs), ys[0])))
        elif node["tag"] == "path" and "bp-line" in attrs["class"] and "bp-faintline" not in attrs["class"]:
            (x, y) = (float(v) for v in re.match(r"M([-\d.]+) ([-\d.]+)", attrs["d"]).groups())  # type: ignore[union-attr] # matches
            across, down = re.search(r"H([-\d.]+)", attrs["d"]), re.search(r"V([-\d.]+)", attrs["d"])
            plain.append(((x, y), (float(across[1]) if across else x, float(down[1]) if down else y)))
    return parts, plain


def on(point: Point, line: tuple[Point, Point]) -> bool:
    (x1, y1), (x2, y2) = line
    return min(x1, x2) - 1 <= point[0] <= max(x1, x2) + 1 and min(y1, y2) - 1 <= point[1] <= max(y1, y2) + 1


@pytest.mark.parametrize("unit", UNITS)
def test_what_the_ladder_draws_together_belongs_together_in_the_file(unit: str) -> None:
    """From the drawn lines alone: a line joins points of one node, and a part ends only at nodes that the file gives it."""
    equipment = load_equipment(unit)
    view = ladder(equipment)
    parts, plain = lines_of(view.tree)
    assert len(parts) > 15
    group = {k: k for k in range(len(plain))}
    for one, two in itertools.combinations(range(len(plain)), 2):
        if any(on(p, plain[two]) for p in plain[one]) or any(on(p, plain[one]) for p in plain[two]):
            old, new = group[one], group[two]
            group = {k: new if v == old else v for k, v in group.items()}

    def nodes_at(point: Point) -> set[str]:
        touched = {group[k] for k, line in enumerate(plain) if on(point, line)}
        ends = [point, *(p for k, line in enumerate(plain) if group[k] in touched for p in line)]
        return {n for n, at in view.stops.items() if any(abs(at[0] - x) <= 1 and abs(at[1] - y) <= 1 for x, y in ends)}

    rows = {row["name"]: row for row in raw_parts(unit)}
    inner = {equipment.module.get("aux"), "control_module"}
    for name, start, end in parts:
        for found in (nodes_at(start), nodes_at(end)):
            assert len(found) <= 1, (name, found)  # two terminals on one line would be a short
            if name in inner or name.startswith("winding/"):
                continue
            row = rows[name]
            assert found <= {row.get("a", row.get("p1")), row.get("b", row.get("p2"))}, (name, found)


@pytest.mark.parametrize("unit", [u for u in UNITS if load_equipment(u).relays])
def test_a_relay_s_coil_and_contacts_name_each_other_s_rungs(unit: str) -> None:
    # common practice: a ladder diagram puts the rungs of its contacts beside a coil, and the coil's rung beside a contact
    equipment = load_equipment(unit)
    plan = Plan(equipment, "en")
    plan.plan()
    rungs = {branch.part: (rung.number, branch) for rung, branch in plan.parts()}
    for relay in equipment.relays:
        coils = [k for k, (_, b) in rungs.items() if {b.a, b.b} == set(relay.coil)]
        assert len(coils) == 1
        numbers = sorted({rungs[c][0] for c in relay.contacts})
        assert plan.reference(rungs[coils[0]][1]) == "contacts: " + ", ".join(map(str, numbers))
        for contact in relay.contacts:
            assert plan.reference(rungs[contact][1]) == f"coil: {rungs[coils[0]][0]}"


# ---------------------------------------------------------------------- connectors, air
@pytest.mark.parametrize("unit", UNITS)
def test_a_connector_has_the_ways_of_the_file_and_its_halves_are_mirrored(unit: str) -> None:
    equipment = load_equipment(unit)
    view = views(unit)["connectors"]
    numbers = {row["name"]: row["number"] for row in raw_parts(unit) if row["kind"] == "pin"}
    assert {t for c in equipment.connectors.values() for t in (*c.harness, *c.device)} == set(view.stops)
    for name, connector in equipment.connectors.items():
        for side in ("harness", "device"):
            half = next(n for n in walk(view.tree) if n["attrs"].get("data-key") == f"face:{name}:{side}")
            assert sum(n["attrs"].get("class") == "bp-cavity" for n in walk(half)) == connector.ways
        rows = sorted(zip((numbers[p] for p in connector.pins), connector.harness, connector.device, strict=True))
        for (_, h1, m1), (_, h2, m2) in itertools.pairwise(rows):
            if view.stops[h1][1] == view.stops[h2][1]:
                assert view.stops[h1][0] < view.stops[h2][0]
                assert view.stops[m1][0] > view.stops[m2][0]  # common practice: mating faces are mirror images


@pytest.mark.parametrize("unit", UNITS)
def test_the_duct_shows_elements_and_ports_in_the_order_that_the_air_passes_them(unit: str) -> None:
    equipment = load_equipment(unit)
    path = Path(unit) if unit.endswith(".toml") else blowerdata.path("equipment", f"{unit}.toml")
    raw = tomllib.loads(path.read_text(encoding="utf-8"))
    order = [row["name"] for row in raw["air_element"]]
    ports = sorted(raw["port"], key=lambda row: order.index(row["after"]))
    view = views(unit)["air"]
    xs = [view.stops[f"thing:port_{row['name']}"][0] for row in ports]
    assert xs == sorted(xs)
    assert equipment.air is not None and len(xs) == len(equipment.air.ports)


# ---------------------------------------------------------------------- one bench
def test_plugs_hoses_and_switches_show_as_hands_left_them_whatever_the_fault_is() -> None:
    unit = "furnace_120_constant_airflow"
    acts: list[a.Act] = [
        a.SetDisconnect(False), a.SetDoor(False), a.Unplug("power_plug"), a.OpenPort("supply"), a.PlaceHose("high", "supply"),
        a.SetSelector("select_a", False),
    ]  # fmt: skip
    found = []
    for fault in ("healthy_unit", "feeder_line_open", "unit_line_open"):
        bench = LocalBench(unit, fault, "nothing_blows")
        for act in acts:
            assert isinstance(bench.act(act), Accepted)
        found.append(more_dress(bench.view(), Words(bench.equipment, "en")))
    worn = found[0]
    assert worn["face:power_plug:harness"]["class"] == "bp-isapart" and worn["face:control_plug:harness"]["class"] == ""
    assert worn["pin:power_3"]["class"] == "bp-isopen" and worn["pin:control_3"]["class"] == ""
    assert worn["part:door_switch"]["class"] == "bp-isopen"
    assert worn["hose:high:supply"]["class"] == "bp-set" and worn["hose:low:supply"]["class"] == ""
    assert worn["note:hose_high"]["text"] == "in port 4"
    assert found[1:] == [worn, worn]


@pytest.mark.parametrize("unit", UNITS)
def test_every_name_that_the_further_views_dress_is_in_one_of_them(unit: str) -> None:
    bench = LocalBench(unit, "healthy_unit", next(iter(load_equipment(unit).complaints)))
    words = Words(bench.equipment, "en")
    known = {n["attrs"]["data-key"] for view in views(unit).values() for n in walk(view.tree) if "data-key" in n["attrs"]}
    worn = set(more_dress(bench.view(), words))
    assert worn - known <= ({"note:board_hidden"} if "board" not in views(unit) else set())
    first = set(dress(bench.view(), bench.equipment, words))
    assert first & known  # the terminals at least are dressed by the first picture's dress
    assert {f"t:{t}" for t in bench.equipment.terminals} <= first
    assert hands_of(bench.view().hands).door_on


def test_a_static_picture_of_a_view_needs_no_script() -> None:
    bench = LocalBench("furnace_120_constant_airflow", "healthy_unit", "nothing_blows")
    for act in (a.SetDoor(False), a.PlaceLead("red", "board.R", True)):
        bench.act(act)
    panel = BenchPanel(bench)
    for name in titles(Words(bench.equipment, "en")):
        text = panel.picture(name)
        assert text.startswith("<svg") and "<script" not in text and "The blower stands still." in text
    assert "bp-has-red" in panel.picture("ladder") and "bp-has-red" in panel.picture("board")
    with pytest.raises(NoSuchView):
        panel.picture("cellar")


@pytest.mark.parametrize("unit", UNITS)
def test_no_upright_line_of_the_ladder_runs_through_a_terminal_or_across_another_rung(unit: str) -> None:
    view = ladder(load_equipment(unit))
    parts, plain = lines_of(view.tree)
    upright = [(one, two) for one, two in plain if one[0] == two[0] and one[1] != two[1]]
    assert len(upright) >= 2
    across = [(one, two) for _, one, two in parts] + [(one, two) for one, two in plain if one[1] == two[1]]
    for (x, y1), (_, y2) in upright:
        low, high = min(y1, y2) + 1, max(y1, y2) - 1
        assert [n for n, (u, v) in view.stops.items() if abs(u - x) < HIT and low < v < high] == []
        assert [
            row
            for row in across
            if low < row[0][1] < high and min(row[0][0], row[1][0]) < x - 1 < max(row[0][0], row[1][0]) - 2
        ] == []
