"""Every message id and name that a page can show has a sentence or label; no sentence tells the fault."""

from __future__ import annotations

import ast
import inspect
import re
import struct
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType

import pytest
from sampling import sampled

import blowerdata
from blowerbench import (
    BenchError,
    Hypothesis,
    LocalBench,
    acts,
    hands,
    load_equipment,
    load_faults,
    motors,
    session,
)
from blowerbench import messages as m
from blowerbench.equipment import Equipment
from blowerbench.messages_en import ACTS, SENTENCES
from blowerbench.observation import Accepted, Observation, Refused, Said, Shown

EQUIPMENT = load_equipment("furnace_120_constant_airflow")
UNITS = [load_equipment(p.stem) for p in sorted(blowerdata.path("equipment").glob("*.toml"))]
FAULTS = [(unit, fault) for unit in UNITS for fault in load_faults(unit).faults]
WORDS = re.compile(r"[a-z]+(_[a-z0-9]+)+")


def functions(module: ModuleType, *names: str) -> Iterator[ast.FunctionDef]:
    """The functions of `module` called `names` (all of them without names)."""
    for node in ast.walk(ast.parse(inspect.getsource(module))):
        if isinstance(node, ast.FunctionDef) and (not names or node.name in names):
            yield node


def texts(node: ast.AST) -> set[str]:
    return {n.value for n in ast.walk(node) if isinstance(n, ast.Constant) and isinstance(n.value, str)}


def refusals() -> set[str]:
    """Every reason given to `_no(...)` in hands.py."""
    calls = [n for n in ast.walk(ast.parse(inspect.getsource(hands))) if isinstance(n, ast.Call)]
    named = [c for c in calls if isinstance(c.func, ast.Name) and c.func.id == "_no"]
    return {str(c.args[0].value) for c in named if isinstance(c.args[0], ast.Constant)}


def answers() -> set[str]:
    """Every message id written in session.py: underscored words that are no plug, place or field name."""
    known = {*EQUIPMENT.connectors, *EQUIPMENT.places, *EQUIPMENT.protection, "low_z"}
    found = set().union(
        *(texts(f) for f in functions(session, "_answers", "_sights", "_handle", "_air_felt", "_status", "_shaft", "_sense"))
    )
    found |= {t for f in functions(session, "play", "_consequences") for t in texts(f) if t.startswith("controls_")}
    return {t for t in found if WORDS.fullmatch(t)} - known | {"complaint", "repaired"}


def motor_states() -> set[str]:
    """Every state that the motors of motors.py can be in."""
    found: set[str] = {"humming"}
    for function in functions(motors, "_motion", "_stopping", "_starting"):
        for node in ast.walk(function):
            if isinstance(node, ast.Return) and isinstance(node.value, ast.Tuple | ast.IfExp):
                found |= {t for t in texts(node) if "_" not in t and t}
    return found


def every_id(unit: Equipment) -> set[str]:
    statuses = {f"status_{p.status}" for p in unit.phases.values() if p.status}
    sights = {s.says for f in load_faults(unit).faults.values() for s in f.sights}
    own = set() if "of" in unit.supplies else {f"{x}_of" for x in answers() if x.startswith("breaker_handle_")}
    return refusals() | answers() | statuses | sights | own | {f"blower_{s}" for s in motor_states()}


def test_the_walk_finds_the_ids_that_were_counted_by_hand() -> None:
    # Counted in the sources: 29 reasons in hands.py, 7 motor states in motors.py; both may grow.
    assert len(refusals()) >= 29
    assert motor_states() >= {"still", "starting", "running", "coasting", "hunting", "twitching", "humming"}
    assert {"shaft_seized", "smell_of_gas", "source_lamp_dark", "breaker_trips_again"} <= answers()


@pytest.mark.parametrize("unit", UNITS, ids=lambda u: u.id)
def test_every_message_id_has_a_sentence(unit: Equipment) -> None:
    assert sorted(i for i in every_id(unit) if not m.has_sentence(i, unit)) == []


def walk(unit: Equipment) -> Iterator[acts.Act]:
    """A walk through everything a learner can perceive on `unit`, in an order that hands can do on a healthy one."""
    places = [acts.Look(where=place) for place in unit.places]
    for call in ("off", "fan", "heat", "cool"):
        yield acts.SetThermostat(call=call)
        for seconds in (5, 40, 40, 600):
            yield from (acts.Wait(seconds=seconds), acts.ReadStatus())
    yield from (*places, acts.TryControls(), acts.SetThermostat(call="fan"))
    for port in unit.air.ports if unit.air else ():
        yield from (acts.OpenPort(port.name), acts.PlaceHose("high", port.name), acts.PlaceProbe("first", port.name))
    yield from (acts.PlaceHose("high", ""), acts.PlaceProbe("first", ""))
    yield from (acts.SetDoor(on=False), acts.HoldDoorSwitch(held=True), acts.ReadStatus(), acts.SetMeter(function="volts_ac"))
    for red, black in (*unit.pairs("live_fan")[:3], *unit.pairs("under_load")):
        yield from (acts.LiftLead("red"), acts.PlaceLead("black", black), acts.PlaceLead("red", red))
    yield from (acts.SetMeter(function="low_z"), acts.ClipSource(on=True), acts.HoldDoorSwitch(held=False))
    yield from (acts.SetDisconnect(closed=False, supply=name) for name in unit.supplies)
    yield from (acts.SetLock(on=True, supply=name) for name in unit.supplies)
    yield acts.Wait(seconds=60)
    for plug in unit.connectors:
        yield from (acts.Wiggle(plug), acts.Warm(plug), acts.Look(plug), acts.Unplug(connector=plug), acts.Look(plug))
    yield from (*places, acts.TurnShaft(), acts.Discharge("capacitor"), acts.OpenControl())
    for plug in unit.connectors:
        yield from (acts.Unplug(connector=plug), acts.Look(plug))
    yield from (
        acts.TurnShaft(),
        acts.LiftLead("red"),
        acts.LiftLead("black"),
        acts.SetMeter(function="ohms"),
        acts.ZeroLeads(),
    )
    for red, black in unit.pairs("windings")[:1]:
        yield from (acts.PlaceLead("black", black), acts.PlaceLead("red", red))
    yield from (acts.SetSelector(name, True) for name in unit.selectors)
    yield from (acts.ResetSafety(safety="rollout"), acts.SetBreaker(on=False), acts.SetBreaker(on=True), acts.InspectMeter())
    yield from (acts.Repair(unit=next(iter(unit.units))), acts.Leave(report="gas_smell"), acts.Look(where="around"))


@pytest.mark.parametrize("index", sampled(len(FAULTS)))
def test_every_id_heard_on_a_walk_through_each_fault_has_a_sentence(index: int) -> None:
    unit, fault = FAULTS[index]
    found = load_faults(unit).faults[fault]
    for severity in range(len(found.severities)):
        bench = LocalBench(unit, Hypothesis(fault, severity), found.complaints[0])
        heard = [m.said(s, "en", unit) for s in bench.last.said]
        for act in walk(unit):
            outcome = bench.act(act)
            if isinstance(outcome, Refused):
                assert m.has_sentence(outcome.reason.id, unit), outcome
                heard.append(m.said(outcome.reason, "en", unit))
                continue
            assert isinstance(outcome, Accepted)
            ids = [s.id for s in outcome.observation.said] + list(outcome.observation.senses)
            assert [i for i in ids if not m.has_sentence(i, unit)] == []
            heard += m.perceived(outcome.observation, "en", unit)
        assert not [h for h in heard if "{" in h or "_" in h or "…" in h]


def test_no_sentence_judges_advises_or_tells_the_fault() -> None:
    # Trade procedure: the meter and the senses give facts, the technician draws the conclusion.
    telling = re.compile(
        r"\b(fault|faulty|bad|failed|failing|wrong|broken|defective|replace|probably|because|means)\b",
        re.I,
    )
    assert [t for k, t in SENTENCES.items() if telling.search(t)] == [SENTENCES["declare_something"]]
    own = [str(t) for unit in UNITS for t in unit.raw.get("sentences", {}).values()]
    assert [t for t in own if telling.search(t)] == []


def test_sentences_are_short_enough_to_be_read_aloud() -> None:
    # Plain-language practice: about 15 to 20 words to a sentence.
    long = [s for text in SENTENCES.values() for s in re.split(r"[.!?:]\s", text) if len(s.split()) > 20]
    assert long == []


def one_of_each() -> list[acts.Act]:
    """One act of every kind, both ways where it has two."""
    given = {
        "where": "power_plug",
        "item": "gloves",
        "call": "heat",
        "function": "ohms",
        "lead": "red",
        "terminal": "board.R",
        "conductor": "power_line",
        "connector": "power_plug",
        "wire": "wall_R",
        "a": "board.R",
        "b": "board.G",
        "seconds": 90,
        "report": "gas_smell",
        "unit": "motor",
        "units": ("motor", "control_module"),
        "safety": "rollout",
        "supply": "main",
        "device": "disconnect",
        "selector": "select_a",
        "port": "supply",
        "hose": "high",
        "probe": "first",
        "adapter": "ac",
        "part": "bus",
        "complaint": "x",
        "readings": (),
        "cause": "x",
        "correction": "x",
        "why": "",
        "customer": "",
    }
    made: list[acts.Act] = []
    kinds: list[type[acts.Act]] = [*acts.DURATION, acts.Wait, acts.Repair]
    for kind in kinds:
        flags = [f for f in kind.__struct_fields__ if f not in given]
        words = {f: given[f] for f in kind.__struct_fields__ if f in given}
        assert len(flags) <= 1, kind
        made += [kind(**words, **dict.fromkeys(flags, value)) for value in ((True, False) if flags else (True,))]
    off: list[acts.Act] = [acts.PlaceClamp(conductor=""), acts.PlaceHose("high", ""), acts.PlaceProbe("first", "")]
    return [*made, *off]


def test_every_act_is_told_in_the_past_tense_without_raw_names() -> None:
    told = [m.describe(act, EQUIPMENT) for act in one_of_each()]
    assert len(set(told)) == len(told) == len(ACTS)
    assert not [t for t in told if "_" in t or "{" in t or not t.endswith(".")]
    # "reading", "set" and "put" are their own past; every other first word is a past form of the act's verb.
    past = {
        "Left",
        "Looked",
        "Moved",
        "Warmed",
        "Read",
        "Put",
        "Took",
        "Closed",
        "Opened",
        "Hung",
        "Tried",
        "Held",
        "Let",
        "Taped",
        "Set",
        "Turned",
        "Touched",
        "Clipped",
        "Released",
        "Plugged",
        "Waited",
        "Fitted",
        "Gave",
        "Ended",
        "Pressed",
        "Shut",
        "Stopped",
        "Repaired",
        "Stated",
        "Wrote",
        "Handed",
    }
    assert {t.split()[0] for t in told} <= past


@pytest.mark.parametrize("unit", UNITS, ids=lambda u: u.id)
def test_every_terminal_plug_wire_unit_and_zone_has_its_own_label(unit: Equipment) -> None:
    for kind, names in {
        "terminal": unit.terminals,
        "connector": unit.connectors,
        "unit": (*unit.units, "no_fault_found"),
        "zone": unit.zones,
        "wire": unit.network.conductors,
        "complaint": unit.complaints,
        "place": (*unit.places, *unit.connectors),
        "port": [p.name for p in unit.air.ports] if unit.air else [],
        "supply": unit.supplies,
        "selector": unit.selectors,
    }.items():
        labels = [m.label(kind, n, unit) for n in names]
        assert len(set(labels)) == len(labels), kind
        assert not [x for x in labels if "_" in x or not x], kind


def test_the_labels_of_the_brief_read_as_a_technician_says_them() -> None:
    assert m.label("terminal", "board.R", EQUIPMENT) == "R on the board"
    assert m.label("terminal", "power.h3", EQUIPMENT) == "pin 3 of the motor power plug, harness side"
    assert m.reading(Shown("ohms", "12.4", "kohm")) == "ohms: 12.4 kΩ"  # SI prefix and symbol, BIPM SI brochure
    assert m.duration_text(45) == "45 s" and m.duration_text(300) == "5 min" and m.duration_text(150) == "2 min 30 s"


def test_an_unknown_id_or_name_comes_back_as_words_and_never_fails() -> None:
    assert m.say("no_such_message", ("x",)) == "no such message x"
    assert m.label("terminal", "no.such_place") == "such_place"
    assert m.perceived(Observation((Said("door_already"),), ("odd_noise",))) == (
        "The blower door is … already.",
        "odd noise",
    )


def compiled(texts: dict[str, str]) -> bytes:
    """A gettext .mo file of `texts` (GNU gettext manual, "The Format of GNU MO Files")."""
    entries = sorted({"": "Content-Type: text/plain; charset=UTF-8\n", **texts}.items())
    keys = [k.encode() for k, _ in entries]
    values = [v.encode() for _, v in entries]
    start = 28 + 16 * len(entries)
    tables, blob = b"", b""
    for column in (keys, values):
        for text in column:
            tables += struct.pack("<II", len(text), start + len(blob))
            blob += text + b"\0"
    return struct.pack("<7I", 0x950412DE, 0, len(entries), 28, 28 + 8 * len(entries), 0, 0) + tables + blob


def test_a_catalogue_is_used_and_what_it_lacks_stays_english(tmp_path: Path) -> None:
    folder = tmp_path / "es" / "LC_MESSAGES"
    folder.mkdir(parents=True)
    (folder / "blowerbench.mo").write_bytes(compiled({"The blower runs.": "El soplador gira."}))
    assert m.catalogue("es-MX", tmp_path).gettext("The blower runs.") == "El soplador gira."
    assert m.catalogue("es", tmp_path).gettext("The burner is lit.") == "The burner is lit."
    assert m.catalogue("fr", tmp_path).gettext("The blower runs.") == "The blower runs."
    assert m.say("blower_running", (), "xx") == "The blower runs."


def test_everything_a_page_shows_is_offered_to_translators() -> None:
    offered = set(m.sources(EQUIPMENT))
    assert {
        EQUIPMENT.title,
        "motor power plug",
        "winding plug",
        "The blower runs.",
        "Opened the disconnect{of}.",
    } <= offered
    assert "" not in offered


def test_a_name_that_the_unit_lacks_is_an_error_with_the_known_names() -> None:
    with pytest.raises(BenchError, match="this unit has"):
        LocalBench(EQUIPMENT, "healthy_unit", "second_opinion").act(acts.Look(where="attic"))
