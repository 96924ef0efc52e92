"""A data file that cannot be solved is refused, with file, part and remedy in the message."""

from __future__ import annotations

import copy
import math
from collections.abc import Callable
from typing import Any

import cases
import pytest

from blowerbench.circuit import (
    Circuit,
    CircuitError,
    Edits,
    MeterSpec,
    NetworkError,
    Shunt,
    Tolerances,
    load_network,
)
from blowerbench.errors import BenchError

Table = dict[str, Any]

LAMP: Table = {
    "network": {
        "reference": "earth",
        "stray_capacitance": "20 pF",
        "leakage": "50 Gohm",
        "nodes": ["earth", "panel.L", "lamp.1", "lamp.2"],
    },
    "part": [
        {
            "kind": "source",
            "name": "mains",
            "a": "panel.L",
            "b": "earth",
            "frequency": "60 Hz",
            "voltage": "120 V",
            "resistance": "0.1 ohm",
        },
        {"kind": "contact", "name": "switch", "a": "panel.L", "b": "lamp.1", "resistance": "10 mohm"},
        {"kind": "resistor", "name": "lamp", "a": "lamp.1", "b": "lamp.2", "resistance": "240 ohm"},
        {"kind": "wire", "name": "neutral", "a": "lamp.2", "b": "earth", "awg": 14, "length": "10 m"},
    ],
}


def lamp() -> Table:
    """A lamp on a switch, to be spoilt."""
    return copy.deepcopy(LAMP)


def field(part: int, name: str, value: object) -> Callable[[Table], None]:
    def spoil(table: Table) -> None:
        table["part"][part][name] = value

    return spoil


def without(part: int, name: str) -> Callable[[Table], None]:
    def spoil(table: Table) -> None:
        del table["part"][part][name]

    return spoil


def added(**row: object) -> Callable[[Table], None]:
    def spoil(table: Table) -> None:
        table["part"].append(row)

    return spoil


def header(name: str, value: object) -> Callable[[Table], None]:
    def spoil(table: Table) -> None:
        table["network"][name] = value

    return spoil


def node(name: str) -> Callable[[Table], None]:
    def spoil(table: Table) -> None:
        table["network"]["nodes"].append(name)

    return spoil


def both(*spoilers: Callable[[Table], None]) -> Callable[[Table], None]:
    def spoil(table: Table) -> None:
        for one in spoilers:
            one(table)

    return spoil


def no_tables(name: str) -> Callable[[Table], None]:
    def spoil(table: Table) -> None:
        del table[name]

    return spoil


PIN = {"kind": "pin", "a": "lamp.1", "b": "lamp.2", "connector": "plug", "number": 1}
IDEAL = {"kind": "source", "a": "panel.L", "b": "earth", "frequency": "60 Hz", "voltage": "24 V"}
TRANSFORMER = {
    "kind": "transformer",
    "name": "t",
    "p1": "panel.L",
    "p2": "earth",
    "s1": "lamp.1",
    "s2": "lamp.2",
    "ratio": 5,
    "primary_resistance": "1 ohm",
    "secondary_resistance": "0.1 ohm",
    "primary_leakage": "1 mH",
    "secondary_leakage": "1 mH",
    "magnetising": "1 H",
}

# what is spoilt, which part is named, what is wrong, what would be right
SPOILT: dict[str, tuple[Callable[[Table], None], str, str, str]] = {
    "unknown node": (field(1, "b", "lamp.9"), "switch", "unknown node 'lamp.9'", "declare it"),
    "unknown reference": (header("reference", "soil"), "[network]", "unknown node 'soil'", "declare it"),
    "one node twice": (field(1, "b", "panel.L"), "switch", "both ends on 'panel.L'", "two different"),
    "duplicate terminal": (node("lamp.1"), "'lamp.1'", "duplicate terminal", "each terminal once"),
    "duplicate part": (field(2, "name", "switch"), "switch", "duplicate part", "its own name"),
    "duplicate pin": (
        both(added(name="p", **PIN), added(name="q", **PIN)),
        "q",
        "duplicate terminal",
        "each pin its own number",
    ),
    "floating node": (node("lamp.3"), "[network]", "floating island: 'lamp.3'", "islands ="),
    "floating island": (
        both(
            node("box.1"),
            node("box.2"),
            added(kind="resistor", name="r", a="box.1", b="box.2", resistance="1 ohm"),
        ),
        "r",
        "floating island: 'box.1'",
        "connect it",
    ),
    "two ideal sources side by side": (
        both(without(0, "resistance"), added(name="second", **IDEAL)),
        "second",
        "zero-ohm loop",
        "its resistance",
    ),
    "source across a zero resistor": (
        both(
            without(0, "resistance"),
            added(kind="resistor", name="short", a="panel.L", b="earth", resistance="0 ohm"),
        ),
        "short",
        "zero-ohm loop at 0 Hz",
        "its resistance",
    ),
    "coil without resistance across a source, at 0 Hz": (
        both(
            without(0, "resistance"),
            added(kind="winding", name="coil", a="panel.L", b="earth", resistance="0 ohm", inductance="1 H"),
        ),
        "coil",
        "zero-ohm loop at 0 Hz",
        "its resistance",
    ),
    "wrong dimension": (field(2, "resistance", "240 V"), "lamp", "resistance", 'resistance = "1 ohm"'),
    "unparseable": (field(2, "resistance", "many ohm"), "lamp", "resistance", 'resistance = "1 ohm"'),
    "bare number": (field(2, "resistance", 240), "lamp", "has no unit", 'resistance = "1 ohm"'),
    "negative": (field(2, "resistance", "-240 ohm"), "lamp", "negative", "zero or more"),
    "no length": (field(3, "length", "0 m"), "neutral", "length is zero", "above zero"),
    "unknown kind": (field(2, "kind", "lightbulb"), "lamp", "unknown kind 'lightbulb'", "resistor"),
    "unknown field": (field(2, "colour", "red"), "lamp", "unknown field 'colour'", "resistance"),
    "missing field": (without(0, "voltage"), "mains", "missing field 'voltage'", "add it"),
    "missing terminal": (without(2, "b"), "lamp", "missing field 'b'", "add it"),
    "wire of no size": (without(3, "awg"), "neutral", "gauge and length", "awg = 14"),
    "no name": (without(2, "name"), "part 3", "no name", "name ="),
    "flag that is a word": (field(1, "closed", "yes"), "switch", "closed = 'yes'", "bool"),
    "group of another kind": (field(2, "group", "wire"), "lamp", "group = 'wire'", "resistor"),
    "zero ratio": (added(**{**TRANSFORMER, "ratio": 0}), "t", "ratio is zero", "above zero"),
    "name of a winding taken": (
        both(added(**TRANSFORMER), field(1, "name", "t.primary")),
        "t.primary",
        "duplicate part",
        "rename",
    ),
    "no leakage": (header("leakage", "0 ohm"), "[network]", "leakage is zero", "50 Gohm"),
    "strange header": (header("colour", "red"), "[network]", "unknown field 'colour'", "reference"),
    "island without a reason": (header("islands", [{"node": "lamp.1"}]), "islands", "lamp.1", "why ="),
    "nodes that are no list": (header("nodes", "earth"), "[network]", "nodes is not a list", "nodes ="),
    "no parts": (no_tables("part"), "[[part]]", "there are no parts", "[[part]]"),
    "no network": (no_tables("network"), "[network]", "missing", "reference"),
}


@pytest.mark.parametrize("spoilt", SPOILT)
def test_a_spoilt_file_is_refused_by_file_part_and_remedy(spoilt: str) -> None:
    spoil, part, wrong, remedy = SPOILT[spoilt]
    table = lamp()
    load_network(table, "lamp.toml")  # it is right before
    spoil(table)
    with pytest.raises(NetworkError) as caught:
        load_network(table, "lamp.toml")
    message = str(caught.value)
    assert message.startswith("lamp.toml: ")
    assert part in message.split(": ", 2)[1]
    assert wrong in message
    assert remedy in message.rsplit("; ", 1)[1]


def test_an_island_on_purpose_is_accepted_and_has_finite_volts() -> None:
    table = lamp()
    table["network"]["nodes"] += ["box.1", "box.2"]
    table["network"]["islands"] = [{"node": "box.1", "why": "a battery in a drawer"}]
    table["part"].append(
        {
            "kind": "source",
            "name": "battery",
            "a": "box.1",
            "b": "box.2",
            "frequency": "0 Hz",
            "voltage": "9 V",
        }
    )
    state = Circuit(load_network(table, "lamp.toml")).solve()
    # symmetric leakage: each pole sits at half of it from the reference
    assert state.voltage("box.1", "earth", 0.0).real == pytest.approx(4.5)
    assert state.voltage("box.1", "box.2", 0.0).real == pytest.approx(9.0)


def test_a_wire_or_contact_of_no_resistance_is_a_micro_ohm() -> None:
    """So that parallel contacts are no zero-ohm loop: the current divides evenly between two of them."""
    table = lamp()
    table["part"][1]["resistance"] = "0 ohm"
    table["part"].append({**table["part"][1], "name": "second"})
    state = Circuit(load_network(table, "lamp.toml")).solve()
    assert state.current("switch", 60.0) == pytest.approx(state.current("second", 60.0))
    # 120 V behind 0.1 ohm, 240 ohm and 10 m of 14 AWG (8.2865 ohm/km by 1/58 ohm mm2/m): Ohm's law
    total = 0.1 + 5e-7 + 240.0 + 10.0 * 1.0 / 58.0 / (math.pi / 4.0 * (0.0641 * 25.4) ** 2)
    assert abs(state.current("lamp", 60.0)) == pytest.approx(120.0 / total, rel=1e-6)


QUESTIONS: dict[str, tuple[Callable[[Circuit], object], str]] = {
    "opened": (lambda circuit: circuit.solve(Edits(opened=frozenset({"swich"}))), "switch"),
    "raised": (lambda circuit: circuit.solve(Edits(resistances=(("lmap", 1.0),))), "lamp"),
    "resistance": (lambda circuit: circuit.solve(Edits(resistances=(("lamp", math.nan),))), "finite"),
    "shunt": (lambda circuit: circuit.solve(Edits(shunts=(Shunt("panel.L", "box", 1.0),))), "lamp.1"),
    "held": (lambda circuit: circuit.solve(Edits(held=(("lamp", 1.0),))), "capacitor"),
    "emf": (lambda circuit: circuit.solve(Edits(emf=(("lamp", 1.0),))), "source"),
    "endless emf": (lambda circuit: circuit.solve(Edits(emf=(("mains", math.inf),))), "finite"),
    "terminal": (lambda circuit: circuit.solve().voltage("panel.L", "ground", 60.0), "earth"),
    "branch": (lambda circuit: circuit.solve().current("lmap", 60.0), "lamp"),
    "line": (lambda circuit: circuit.solve().voltage("panel.L", "earth", 50.0), "60"),
    "ohms below zero": (lambda circuit: Shunt("panel.L", "earth", -1.0), "zero or more"),
    "lines of a shunt": (lambda circuit: Shunt("panel.L", "earth", 1.0, "hf"), "all, ac or dc"),
    "tolerance": (lambda circuit: Tolerances(supply=0.0), "nominal 1.0"),
    "coupling": (lambda circuit: MeterSpec("m", coupling="rf"), "ac, dc or ac+dc"),
}


@pytest.mark.parametrize("question", QUESTIONS)
def test_a_question_that_makes_no_sense_is_answered_with_what_would(question: str) -> None:
    ask, remedy = QUESTIONS[question]
    with pytest.raises(BenchError, match=remedy.replace("+", r"\+")):
        ask(Circuit(load_network(lamp(), "lamp.toml")))


def test_any_state_of_the_furnace_is_finite_or_refused_by_name() -> None:
    """Never a NaN, never a bare linear-algebra error: values up to the ends of the range of floats."""
    network = cases.network_of()
    circuit = Circuit(network)
    for draw, wanted in cases.generators(fixed=40, drawn=40):
        for _ in range(wanted):
            case = cases.wild_case(network, draw)
            name = draw.choice([branch.name for branch in network.branches])
            extreme = Edits(
                resistances=((name, draw.choice([0.0, 1e-300, 1e30, 1e300])),),
                shunts=(Shunt("board.R", "board.C", draw.choice([0.0, 1e-300, 1e300, math.inf])),),
                emf=(("mains", draw.choice([0.0, 1e-300, 1e300])),),
            )
            try:
                state = circuit.solve(case.edits.merge(extreme))
                values = [value for frequency in state.frequencies for value in state.port(case.red, case.black, frequency)]
            except CircuitError as error:
                assert network.source in str(error)
            else:
                assert all(math.isfinite(abs(value)) for value in values)
