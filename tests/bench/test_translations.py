"""No half-translated screen: every text has its Spanish, and a Spanish bench or score sheet shows no English.

The outside source for the catalogues' form is Babel, which reads them with its own parser; for what a page shows it is the page
itself, walked twice, in English and in Spanish.
"""

from __future__ import annotations

import re
import string
import time
from collections.abc import Iterator
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import msgspec
import pytest
from babel.messages.pofile import read_po

import blowerdata
from blowerbench import LocalBench, load_equipment, load_faults
from blowerbench import acts as a
from blowerbench import messages as m
from blowerbench.catalogues import CatalogueError, Texts, read_texts
from blowerbench.equipment import Equipment
from blowerbench.extract import asking, found, main
from blowerbench.panels import BenchPanel
from blowerbench.panels.controls import Words
from blowerbench.panels.views_part import DRAWN
from blowergrade.coach import BenchCoach
from blowergrade.report import render
from blowergrade.score import grade_bench
from blowergrade.sheet import Counterfactual, Elsewhere, Sheet
from blowergrade.verification import units_named
from blowergrade.watcher import SafetyWatcher

UNITS = [load_equipment(p.stem) for p in sorted(blowerdata.path("equipment").glob("*.toml"))]
FOLDER = Path(str(m.locale_root())) / "es" / "LC_MESSAGES"
#: Words that are the same in both languages (looked through by hand), and signs of units.
SAME = {
    "auxiliar", "capacitor", "compresor", "conductor", "contactor", "control", "gas", "motor", "normal", "terminal",
    "s", "min", "h", "kΩ", "MΩ", "mΩ", "mV", "mA", "µF", "nF", "w", "c",
}  # fmt: skip


def has_english(text: str) -> bool:
    """Whether a text that is the same in both languages holds a word: not a number, a unit, or letters printed on a part."""
    words = re.findall(r"[^\W\d_]+", re.sub(r"\{\w*\}|in\. w\.c\.|\([ivx]+\)|^\w+:\w+$", "", text))
    return any(w.lower() not in SAME and w not in SAME and not w.isupper() and len(w) > 1 for w in words)


# ---------------------------------------------------------------------- the catalogues
@pytest.fixture(scope="module")
def texts() -> dict[str, dict[tuple[str, str], list[str]]]:
    return found()


@pytest.mark.parametrize("domain", m.DOMAINS)
def test_every_text_of_a_domain_has_a_finished_translation_and_no_other_is_kept(
    domain: str, texts: dict[str, dict[tuple[str, str], list[str]]]
) -> None:
    with (FOLDER / f"{domain}.po").open("rb") as file:
        catalogue = read_po(file, locale="es")  # Babel's own reader
    entries = {(x.context or "", str(x.id)): x for x in catalogue if x.id}
    assert sorted(set(texts[domain]) - set(entries)) == [], "run `python -m blowerbench.extract` and translate what is new"
    assert sorted(set(entries) - set(texts[domain])) == [], "run `python -m blowerbench.extract`: these are gone"
    assert [k for k, x in entries.items() if not str(x.string).strip()] == []
    assert [k for k, x in entries.items() if x.fuzzy] == []


def test_the_bench_reads_its_catalogues_as_babel_does() -> None:
    read: dict[tuple[str, str], str] = {}
    for domain in m.DOMAINS:
        with (FOLDER / f"{domain}.po").open("rb") as file:
            read |= {(x.context or "", str(x.id)): str(x.string) for x in read_po(file, locale="es") if x.id and x.string}
    assert read_texts((FOLDER / f"{d}.po").read_text(encoding="utf-8") for d in m.DOMAINS) == read


def fields(text: str) -> list[str]:
    return sorted(name for _, name, _, _ in string.Formatter().parse(text) if name is not None)


def spanish() -> dict[tuple[str, str], str]:
    catalogue = m.catalogue("es")
    assert isinstance(catalogue, Texts)
    return dict(catalogue.texts)


def test_translations_keep_places_for_words_numbers_and_the_way_a_text_ends() -> None:
    wrong = []
    for (context, text), translation in spanish().items():
        if context == "picture":  # short forms, which may end in a point of their own
            continue
        numbers = [sorted(re.findall(r"\d+(?:\.\d+)?", re.sub(r"\{\w*\}", "", x))) for x in (text, translation)]
        ends = [x.rstrip()[-1:] if x.rstrip()[-1:] in ".:?" else "" for x in (text, translation)]
        spaces = [(x[:1] == " ", x[-1:] == " ") for x in (text, translation)]
        if fields(text) != fields(translation) or numbers[0] != numbers[1] or ends[0] != ends[1] or spaces[0] != spaces[1]:
            wrong.append((text, translation))
    assert wrong == []


def test_a_translation_that_equals_its_text_is_one_of_the_words_that_are_the_same() -> None:
    equal = {text for (_, text), translation in spanish().items() if text == translation}
    assert sorted(filter(has_english, equal)) == []


def test_a_catalogue_that_was_changed_by_hand_is_read_or_refused_with_its_line(tmp_path: Path) -> None:
    good = '# note\n\nmsgctxt "door"\nmsgid ""\n"on "\n"now"\nmsgstr "puesta \\"ya\\""\n\n#, fuzzy\nmsgid "x"\nmsgstr "y"\n'
    assert read_texts([good]) == {("door", "on now"): 'puesta "ya"'}
    with pytest.raises(CatalogueError, match=r"line 1 .*msgid"):
        read_texts(['message "x"\n'])
    with pytest.raises(CatalogueError, match=r"line 2 .*double quotes"):
        read_texts(['msgid "x"\nmsgstr y\n'])
    folder = tmp_path / "es" / "LC_MESSAGES"
    folder.mkdir(parents=True)
    (folder / "bench.po").write_text('msgid "The blower runs."\nmsgstr "El soplador gira."\n', encoding="utf-8")
    assert m.catalogue("es-MX", tmp_path).gettext("The blower runs.") == "El soplador gira."
    assert m.catalogue("es", tmp_path).gettext("The burner is lit.") == "The burner is lit."


def test_a_new_language_begins_with_every_text_empty_and_keeps_what_is_translated(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["fr", "--out", str(tmp_path)]) == 1
    file = tmp_path / "fr" / "LC_MESSAGES" / "bench.po"
    before = file.read_text(encoding="utf-8")
    assert 'msgid "The blower runs."\nmsgstr ""\n' in before
    done = before.replace('msgid "The blower runs."\nmsgstr ""', 'msgid "The blower runs."\nmsgstr "Le souffleur tourne."')
    file.write_text(done, encoding="utf-8")
    first = capsys.readouterr().out
    assert main(["fr", "--out", str(tmp_path)]) == 1
    assert file.read_text(encoding="utf-8") == done
    assert capsys.readouterr().out != first  # one text fewer is missing


def test_a_catalogue_is_read_in_less_than_a_tenth_of_a_second() -> None:
    times = []
    for _ in range(3):
        m.catalogue.cache_clear()
        start = time.perf_counter()
        m.catalogue("es")
        times.append(time.perf_counter() - start)
    assert min(times) < 0.1  # the limit set for a page that opens


def test_short_words_agree_with_what_they_are_said_of() -> None:
    # Spanish grammar: puerta, etiqueta, válvula are feminine; cable, candado are masculine.
    assert m.translate("off", "es", "door") == "quitada"
    assert m.translate("off", "es", "lock") == "quitado"
    assert m.translate("open", "es", "gas") == "abierta"
    assert m.translate("open", "es") == "abierto"
    assert m.translate("off", "es", "reference source") == "quitada"
    assert Words(UNITS[1], "es").state("source_switch", "off") == "apagado"
    assert Words(UNITS[1], "es").state("wire_wall_G", "off") == "desconectado"
    assert m.translate("off", "en", "door") == "off"
    assert m.translate("off", "xx", "door") == "off"


@pytest.mark.parametrize("unit", UNITS, ids=lambda u: u.id)
def test_two_parts_that_differ_in_english_differ_in_spanish(unit: Equipment) -> None:
    named = {
        "unit": unit.units, "connector": unit.connectors, "zone": unit.zones, "place": unit.places, "supply": unit.supplies,
        "selector": unit.selectors, "terminal": unit.terminals, "wire": unit.network.conductors, "complaint": unit.complaints,
    }  # fmt: skip
    for kind, names in named.items():
        pairs = {(m.label(kind, str(n), unit), m.label(kind, str(n), unit, "es")) for n in names}
        assert len({english for english, _ in pairs}) == len({translation for _, translation in pairs}), kind


# ---------------------------------------------------------------------- a Spanish panel
def leaves(value: Any, path: tuple[object, ...] = ()) -> Iterator[tuple[tuple[object, ...], str]]:
    """Every text in a trait that a person may read, with its place; names, values and marks for the page left out."""
    hidden = ("act", "class", "transform", "lifts", "value", "id", "kind", "tag", "motion", "sign", "name", "state", "step",
              "function", "do", "signal", "key")  # fmt: skip
    if isinstance(value, dict):
        for key, inside in value.items():
            if key == "attrs":
                inside = {k: v for k, v in inside.items() if k == "aria-label"}
            if key == "fields" and all(isinstance(x, str) for x in inside):
                continue  # names of a form's fields
            if key not in hidden or (path[:1] == ("things",) and key in ("name", "state")):
                yield from leaves(inside, (*path, key))
    elif isinstance(value, list | tuple):
        for k, inside in enumerate(value):
            yield from leaves(inside, (*path, k))
    elif isinstance(value, str):
        yield path, value


NOT_READ = ("acks", "ways", "layout", "tooltip", "tabbable", "comm", "sheet")


def shown(panel: BenchPanel) -> tuple[dict[tuple[object, ...], str], set[str]]:
    """The texts of a panel by their place, and those of its drawings, where lines break as the language needs it."""
    names = [n for n in panel.trait_names(sync=True) if not n.startswith(("_", "ways_")) and n not in NOT_READ]
    made = {k: v for n in names for k, v in leaves({n: getattr(panel, n)})}
    assert made.pop(("words", "language")) in ("en", "es")  # what a screen reader is told
    # tabs are pairs of an id and a title
    made = {k: v for k, v in made.items() if not (k[:2] == ("words", "views") and k[-1] == 0)}
    drawn = {k: v for k, v in made.items() if "tree" in k or str(k[0]).startswith("tree_")}
    return {k: v for k, v in made.items() if k not in drawn}, set(drawn.values())


def call(e: Equipment) -> Iterator[a.Act]:
    """A call that comes by everything: each view's states, acts that are refused, two dangers left standing."""
    yield from (a.Look("around"), a.SetThermostat("fan"), a.Wait(90), a.ReadStatus(), a.SetThermostat("heat"), a.Wait(150))
    yield from (a.ReadStatus(), a.SetThermostat("off"), a.TryControls(), a.Wear("gloves"), a.InspectMeter(), a.ZeroLeads())
    for port in e.air.ports[:2] if e.air else ():
        yield from (a.OpenPort(port.name), a.PlaceHose("high", port.name), a.PlaceProbe("first", port.name))
    yield from (a.Unplug(c) for c in e.connectors)  # refused: the door is on
    yield from (a.SetDoor(False), a.SetDoor(False), a.HoldDoorSwitch(True), a.SetMeter("volts_ac"))
    first, second, third = e.terminals[:3]
    yield from (a.PlaceLead("black", first, True), a.PlaceLead("red", first), a.PlaceLead("red", second), a.ReadMeter())
    for s in e.supplies:
        yield from (
            a.SetLock(True, s),
            a.SetDisconnect(False, s),
            a.SetLock(True, s),
            a.SetTag(True, s),
            a.SetBreaker(False, s),
        )
        yield from (a.SetLock(True, s, "breaker"), a.SetDisconnect(True, s), a.SetBreaker(True, s))
    yield from (a.Look(p) for p in e.places)
    yield from (a.SetSelector(s, True) for s in e.selectors)
    for c in e.connectors:
        yield from (a.Look(c), a.Unplug(c), a.Look(c), a.Wiggle(c))
    yield from (a.LiftWire(w) for w in e.liftable[:2])
    yield from (a.FitSource(True, "dc"), a.ClipSource(True), a.SwitchSource(True), a.TurnShaft(), a.ResetSafety("rollout"))
    yield from (a.Wait(300), a.OpenControl(), a.PlaceClamp(e.network.conductors[0]), a.SetJumper(first, third, True))
    yield from (a.SetGas(False), a.Declare(("no_fault_found",)), a.Declare(()), a.Repair(next(iter(e.units))), a.Finish())
    yield a.Wait(1)  # refused: the call is over


@pytest.mark.parametrize("unit", UNITS, ids=lambda u: u.id)
def test_a_spanish_panel_shows_no_english_at_arrival_during_a_call_or_in_a_refusal(unit: Equipment) -> None:
    complaint = next(iter(unit.complaints))
    fault = next(f for f in load_faults(unit).faults.values() if complaint in f.complaints)
    panels = {tag: BenchPanel(LocalBench(unit, fault.id, complaint), language=tag) for tag in ("en", "es")}
    english: dict[str, object] = {}

    def compare() -> None:
        (one, drawn), (other, redrawn) = (shown(p) for p in panels.values())
        assert one.keys() == other.keys()
        alike = {v: k for k, v in one.items() if other[k] == v} | dict.fromkeys(drawn & redrawn, "drawn")
        english.update({v: k for v, k in alike.items() if has_english(v)})

    def send(number: int, **message: object) -> None:
        for panel in panels.values():
            panel.hear({"view": "test", "seq": number, **message})
            assert panel.problem == ""

    compare()
    number = 0
    for name in DRAWN:
        if any(name == view[0] for view in panels["en"].words["views"]):
            number += 1
            send(number, kind="view", name=name)
    acts = list(call(unit))
    for k, act in enumerate(acts):
        number += 1
        send(number, kind="act", act=msgspec.to_builtins(act))
        if k % 12 == 5 or k >= len(acts) - 2:
            compare()
    assert english == {}
    logs = [[note["seq"] for note in p.notes] for p in panels.values()]
    assert logs[0] == logs[1]  # the same acts were done and refused in both


def test_a_spanish_coach_and_its_cautions_speak_no_english() -> None:
    panels = []
    for language in ("en", "es"):
        bench = LocalBench(UNITS[1], "wall_G_open", "no_fan_new_thermostat")
        coach = BenchCoach.of(bench, language=language)
        panels.append(BenchPanel(bench, coach, watcher=SafetyWatcher(bench), language=language))
    unsafe = (a.Look("around"), a.SetThermostat("fan"), a.SetDoor(False), a.HoldDoorSwitch(True), a.Unplug("power_plug"))
    messages: list[dict[str, object]] = [{"kind": "act", "act": msgspec.to_builtins(act)} for act in unsafe]
    messages.append({"kind": "possible"})
    messages += [{"kind": "hint", "strength": k} for k in (1, 2, 3)]
    for number, message in enumerate(messages, 1):
        for panel in panels:
            panel.hear({"view": "test", "seq": number, **message})
            assert panel.problem == ""
        (one, _), (other, _) = map(shown, panels)  # rows may stand in another order: titles are sorted
        assert sorted(filter(has_english, set(one.values()) & set(other.values()))) == []
    assert any(c["what"].startswith("Una parte a más de 50 V") for c in panels[1].cautions)


def test_every_text_that_a_spanish_page_asks_for_is_in_the_catalogue() -> None:
    known = spanish()
    for unit in UNITS:
        with asking() as asked:
            complaint = load_faults(unit).faults["healthy_unit"].complaints[0]
            panel = BenchPanel(LocalBench(unit, "healthy_unit", complaint), language="qab")
            for number, act in enumerate(call(unit), 1):
                panel.hear({"kind": "act", "view": "test", "seq": number, "act": msgspec.to_builtins(act)})
        # a state may be put together of texts that were asked for by themselves, or begin with a capital
        parts = {t: re.sub(r" \([^)]*\)", "", t).split(", ") for t in asked if ("", t) not in known}
        unknown = [
            t for t, of in parts.items() if any(("", x) not in known and ("", x[:1].lower() + x[1:]) not in known for x in of)
        ]
        assert sorted(filter(has_english, unknown)) == []


# ---------------------------------------------------------------------- a Spanish score sheet
class Visible(HTMLParser):
    """The texts of a page, one for each stretch between two tags."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.texts: list[str] = []
        self.inside = ""
        self.feed(page)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.inside = tag

    def handle_data(self, data: str) -> None:
        if self.inside != "style" and data.strip():
            self.texts.append(" ".join(data.split()))


def graded(language: str) -> Sheet:
    """A careless call through a panel in `language`, with its write-up in that language."""
    bench = LocalBench(UNITS[1], "wall_G_open", "no_fan_new_thermostat", variant="sheet", person="Ana Prueba")
    panel = BenchPanel(bench, language=language)
    cause = {"en": "G wire of the thermostat cable", "es": "el hilo G del cable del termostato"}[language]
    acts: tuple[a.Act, ...] = (
        a.Look("around"), a.SetThermostat("fan"), a.Wait(120), a.ReadStatus(), a.SetDoor(False), a.HoldDoorSwitch(True),
        a.SetMeter("volts_ac"), a.PlaceLead("black", "board.C"), a.PlaceLead("red", "board.R"), a.LiftLead("red"),
        a.LiftLead("black"), a.Unplug("power_plug"), a.TurnShaft(), a.PlugIn("power_plug"), a.Declare(("thermostat",)),
        a.Repair("wall_cable"), a.SetDoor(True), a.WriteUp("x", (), cause, "x", "x", "x"), a.Finish(),
    )  # fmt: skip
    for number, act in enumerate(acts, 1):
        panel.hear({"kind": "act", "view": "test", "seq": number, "act": msgspec.to_builtins(act)})
        assert panel.problem == ""
    return grade_bench(bench)


@pytest.fixture(scope="module")
def sheets() -> dict[str, Sheet]:
    return {language: graded(language) for language in ("en", "es")}


def test_the_language_of_page_and_write_up_changes_no_score(sheets: dict[str, Sheet]) -> None:
    one, other = sheets["en"], sheets["es"]
    assert one.parts == other.parts
    assert (one.tenths, one.passed, one.violations, one.entailed) == (
        other.tenths,
        other.passed,
        other.violations,
        other.entailed,
    )
    assert any(
        r.why == "the cause names what failed, and nothing else" and r.tenths > 0 for p in other.parts for r in p.reasons
    )


def test_a_write_up_may_name_the_parts_in_spanish_with_or_without_accents() -> None:
    # Titles as they stand in the Spanish list of the diagnosis form.
    assert units_named(UNITS[1], "Módulo de control quemado") == {"control_module"}
    assert units_named(UNITS[1], "modulo de control y motor") == {"control_module", "motor"}
    assert units_named(UNITS[1], "un pin del arnes de potencia del motor") == {"power_harness"}
    assert units_named(UNITS[1], "no se encontró falla") == {"no_fault_found"}


def test_a_spanish_score_sheet_shows_no_english(sheets: dict[str, Sheet]) -> None:
    elsewhere = Counterfactual(3, 2, 40, (Elsewhere("motor+control_module", 3, 2, 0, 2),))
    sheet = msgspec.structs.replace(sheets["es"], counterfactual=elsewhere)
    pages = {language: render(sheet, language) for language in ("en", "es")}
    assert 'lang="es"' in pages["es"] and 'lang="en"' in pages["en"]
    one, other = (Visible(page).texts for page in pages.values())
    assert len(one) == len(other)
    kept = ("Ana Prueba", "Alderwick Trade School")  # names
    same = {x for x, y in zip(one, other, strict=True) if x == y} - set(kept)
    assert sorted(t for t in same if has_english(t) and "blowerbench-courseware" not in t) == []  # versions are names
