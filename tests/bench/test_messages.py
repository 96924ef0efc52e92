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

from blowerbench import (
    BenchError,
    Hypothesis,
    LocalBench,
    acts,
    hands,
    load_equipment,
    load_faults,
    plant,
    session,
)
from blowerbench import messages as m
from blowerbench.messages_en import ACTS, SENTENCES
from blowerbench.observation import Accepted, Observation, Refused, Said, Shown

EQUIPMENT = load_equipment("furnace_120_constant_airflow")
CATALOGUE = load_faults(EQUIPMENT)
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
    known = {*EQUIPMENT.connectors, *hands.LOOK_PLACES, *EQUIPMENT.protection, "low_z"}
    found = set().union(*(texts(f) for f in functions(session, "_answers", "_sights", "_status", "_shaft", "senses")))
    found |= {t for f in functions(session, "play", "_consequences") for t in texts(f) if t.startswith("controls_")}
    return {t for t in found if WORDS.fullmatch(t)} - known | {"complaint", "repaired"}


def motor_states() -> set[str]:
    """Every state that `_motion` in plant.py can return."""
    found: set[str] = set()
    for function in functions(plant, "_motion"):
        for node in ast.walk(function):
            if isinstance(node, ast.Return) and isinstance(node.value, ast.Tuple | ast.IfExp):
                found |= {t for t in texts(node) if "_" not in t and t}
    return found


def every_id() -> set[str]:
    statuses = {f"status_{p.status}" for p in EQUIPMENT.phases.values() if p.status}
    sights = {s.says for f in CATALOGUE.faults.values() for s in f.sights}
    return refusals() | answers() | statuses | sights | {f"blower_{s}" for s in motor_states()}


def test_the_walk_finds_the_ids_that_were_counted_by_hand() -> None:
    # Counted in the sources: 22 reasons in hands.py, 6 motor states in plant.py; both may grow.
    assert len(refusals()) >= 22
    assert motor_states() >= {"still", "starting", "running", "coasting", "hunting", "twitching"}
    assert {"shaft_seized", "smell_of_gas", "source_lamp_dark", "breaker_trips_again"} <= answers()


def test_every_message_id_has_a_sentence() -> None:
    assert sorted(i for i in every_id() if not m.has_sentence(i)) == []


#: A walk through everything a learner can perceive, in an order that hands can do on a healthy unit.
WALK: tuple[acts.Act, ...] = (
    *(acts.Look(where=w) for w in ("around", "panel")),
    acts.ReadStatus(),
    acts.TryControls(),
    acts.SetThermostat(call="heat"),
    acts.Wait(seconds=40),
    acts.ReadStatus(),
    acts.Wait(seconds=40),
    acts.ReadStatus(),
    acts.Wait(seconds=600),
    acts.ReadStatus(),
    acts.SetThermostat(call="cool"),
    acts.Wait(seconds=5),
    acts.ReadStatus(),
    acts.SetThermostat(call="fan"),
    acts.SetDoor(on=False),
    acts.HoldDoorSwitch(held=True),
    acts.ReadStatus(),
    acts.SetMeter(function="volts_ac"),
    acts.PlaceLead(lead="red", terminal="power.h3"),
    acts.PlaceLead(lead="black", terminal="power.h5"),
    acts.SetMeter(function="low_z"),
    acts.ClipSource(on=True),
    acts.HoldDoorSwitch(held=False),
    acts.SetDisconnect(closed=False),
    acts.Wait(seconds=60),
    acts.Unplug(connector="power_plug"),
    acts.Unplug(connector="control_plug"),
    *(acts.Look(where=w) for w in ("fuse", "wiring", "control_module", "wheel")),
    *(acts.Look(where=w) for w in ("power_plug", "control_plug")),
    acts.TurnShaft(),
    acts.OpenControl(),
    acts.Unplug(connector="winding_plug"),
    acts.Look(where="winding_plug"),
    acts.TurnShaft(),
    acts.SetMeter(function="ohms"),
    acts.ZeroLeads(),
    acts.PlaceLead(lead="red", terminal="winding.m1"),
    acts.PlaceLead(lead="black", terminal="motor.frame"),
    acts.ResetSafety(safety="rollout"),
    acts.SetBreaker(on=False),
    acts.SetBreaker(on=True),
    acts.InspectMeter(),
    acts.Repair(unit="board"),
    acts.Leave(report="gas_smell"),
    acts.Look(where="around"),
)


@pytest.mark.parametrize("fault", CATALOGUE.faults)
def test_every_id_heard_on_a_walk_through_each_fault_has_a_sentence(fault: str) -> None:
    found = CATALOGUE.faults[fault]
    for severity in range(len(found.severities)):
        bench = LocalBench(EQUIPMENT, Hypothesis(fault, severity), found.complaints[0])
        heard = [m.said(s, "en", EQUIPMENT) for s in bench.last.said]
        for act in WALK:
            outcome = bench.act(act)
            if isinstance(outcome, Refused):
                assert m.has_sentence(outcome.reason.id), outcome
                heard.append(m.said(outcome.reason, "en", EQUIPMENT))
                continue
            assert isinstance(outcome, Accepted)
            ids = [s.id for s in outcome.observation.said] + list(outcome.observation.senses)
            assert [i for i in ids if not m.has_sentence(i)] == []
            heard += m.perceived(outcome.observation, "en", EQUIPMENT)
        assert not [h for h in heard if "{" in h or "_" in h or "…" in h]


def test_no_sentence_judges_advises_or_tells_the_fault() -> None:
    # Trade procedure: the meter and the senses give facts, the technician draws the conclusion.
    telling = re.compile(
        r"\b(fault|faulty|bad|failed|failing|wrong|broken|defective|replace|probably|because|means)\b",
        re.I,
    )
    assert [t for k, t in SENTENCES.items() if telling.search(t)] == [SENTENCES["declare_something"]]


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
    return [*made, acts.PlaceClamp(conductor="")]


def test_every_act_is_told_in_the_past_tense_without_raw_names() -> None:
    told = [m.describe(act, EQUIPMENT) for act in one_of_each()]
    assert len(set(told)) == len(told) == len(ACTS)
    assert not [t for t in told if "_" in t or "{" in t or not t.endswith(".")]
    # "reading", "set" and "put" are their own past; every other first word is a past form of the act's verb.
    past = {
        "Looked",
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


def test_every_terminal_plug_wire_unit_and_zone_has_its_own_label() -> None:
    for kind, names in {
        "terminal": EQUIPMENT.network.nodes,
        "connector": EQUIPMENT.connectors,
        "unit": (*EQUIPMENT.units, "no_fault_found"),
        "zone": EQUIPMENT.zones,
        "wire": EQUIPMENT.network.conductors,
        "complaint": EQUIPMENT.complaints,
        "place": (*hands.LOOK_PLACES, *EQUIPMENT.connectors),
    }.items():
        labels = [m.label(kind, n, EQUIPMENT) for n in names]
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
        "Opened the disconnect.",
    } <= offered
    assert "" not in offered


def test_a_name_that_the_unit_lacks_is_an_error_with_the_known_names() -> None:
    with pytest.raises(BenchError, match="this unit has"):
        LocalBench(EQUIPMENT, "healthy_unit", "second_opinion").act(acts.Look(where="attic"))
