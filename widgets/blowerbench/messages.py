"""Sentences and labels: the one place where message ids and names become text that a person reads.

Rule: everything passes through gettext, with the English text as the key. A language without a catalogue, or
a text without a translation, falls back to English.
Catalogues are text, at ``locale/LANGUAGE/LC_MESSAGES/DOMAIN.po`` in this package (`catalogues`); a compiled
``blowerbench.mo`` at that place is read in their stead. `blowerbench.extract` keeps them up to date.
"""

from __future__ import annotations

import gettext
from collections.abc import Callable, Iterator, Sequence
from functools import lru_cache
from importlib.resources import files
from importlib.resources.abc import Traversable
from typing import Any

from blowerbench import acts as a
from blowerbench.catalogues import Texts, read_texts
from blowerbench.equipment import Equipment
from blowerbench.messages_en import (
    ACTS,
    ARGUMENTS,
    BOTH,
    LABELS,
    MINUTES,
    OF_SUPPLY,
    PIN,
    PLACES,
    SECONDS,
    SENTENCES,
    SIDES,
    TERMINALS,
    WIRE,
)
from blowerbench.observation import Observation, Said, Shown

DOMAIN = "blowerbench"  # of a compiled catalogue
DOMAINS = ("bench", "units", "faults", "sheet")  # of text catalogues: code, equipment files, fault files, the score sheet

#: Short words whose translation depends on what they are said of; `translate` takes the key as its context.
CONTEXTS = {
    "door": ("on", "off"),
    "wire": ("on", "off"),
    "lock": ("off",),
    "tag": ("off",),
    "gas": ("open",),
    "reference source": ("off",),
    "state": ("on", "off"),
    # in a picture, where room is short
    "picture": (
        "left on", "left off", "locked off", "lock on", "no lock", "tag on", "no tag", "as found", "Reference source",
        "Door switch", "airflow switch A", "airflow switch B", "airflow switch 1", "airflow switch 2", "high hose", "low hose",
        "motor power plug", "motor control plug", "motor data plug", "speed-tap plug", "blower motor plug", "fan motor plug",
    ),
}  # fmt: skip


def locale_root() -> Traversable:
    """The folder of this package's catalogues."""
    return files("blowerbench").joinpath("locale")


@lru_cache(maxsize=1)
def languages() -> tuple[str, ...]:
    """The tags of the languages besides English that this package has a catalogue for."""
    return tuple(sorted(entry.name for entry in locale_root().iterdir() if entry.is_dir()))


@lru_cache(maxsize=16)
def catalogue(language: str, root: Traversable | None = None) -> gettext.NullTranslations:
    """The translations of `language` (a tag such as "es" or "es-MX"); English when `root` holds none."""
    base = root if root is not None else locale_root()
    for tag in (language.replace("-", "_"), language.replace("-", "_").partition("_")[0]):
        if not tag:
            continue
        folder = base.joinpath(tag, "LC_MESSAGES")
        compiled = folder.joinpath(f"{DOMAIN}.mo")
        if compiled.is_file():
            with compiled.open("rb") as file:
                return gettext.GNUTranslations(file)
        texts = [f for f in (folder.joinpath(f"{d}.po") for d in DOMAINS) if f.is_file()]
        if texts:
            return Texts(read_texts(file.read_text(encoding="utf-8") for file in texts))
    return gettext.NullTranslations()


def spoken(language: str) -> str:
    """The tag of the language that texts in `language` come out in: itself where it has a catalogue, else "en"."""
    return language if isinstance(catalogue(language), gettext.GNUTranslations) else "en"


def translate(text: str, language: str = "en", context: str = "") -> str:
    """`text` in `language`, or itself where there is no translation; `context` is a key of `CONTEXTS` or nothing."""
    if not text:
        return ""
    if text in CONTEXTS.get(context, ()):
        found = catalogue(language).pgettext(context, text)
        if found != text:
            return found
    return catalogue(language).gettext(text)


def has_sentence(message: str, equipment: Equipment | None = None) -> bool:
    """Whether there is a sentence for the message id `message`, here or in the file of `equipment`."""
    return message in SENTENCES or (equipment is not None and message in equipment.raw.get("sentences", {}))


def say(message: str, args: Sequence[str] = (), language: str = "en", equipment: Equipment | None = None) -> str:
    """The sentence of the message id `message`; names among `args` become labels of `equipment`.

    An id without a sentence comes back as its own words, for a page must never fail because of a text; a test
    walks the ids.
    """
    kinds = ARGUMENTS.get(message, ())
    shown = [label(kinds[k], arg, equipment, language) if k < len(kinds) else arg for k, arg in enumerate(args)]
    text = _own(equipment, message) or SENTENCES.get(message)
    if text is None:
        return " ".join([_words(message), *shown])
    return translate(text, language).format(*shown, *["…"] * 2)


def _own(equipment: Equipment | None, key: str) -> str:
    """The unit's own text for a message id or ("act." before) an act, from its file's [sentences]; empty without one."""
    return str(equipment.raw.get("sentences", {}).get(key, "")) if equipment is not None else ""


def said(message: Said, language: str = "en", equipment: Equipment | None = None) -> str:
    """The sentence of `message`."""
    return say(message.id, message.args, language, equipment)


def reading(shown: Shown, language: str = "en") -> str:
    """What a display shows, in words: "AC volts: 26.56 V". The number keeps its point in every language."""
    return f"{label('instrument', shown.instrument, None, language)}: {shown.text} {symbol(shown.unit)}"


#: Units whose printed form is not their ASCII one; ohms are dealt with by their ending.
SIGNS = {"degF": "°F", "inH2O": "in. w.c.", "uF": "µF"}


def symbol(unit: str) -> str:
    """The printed form of an ASCII unit: "kohm" is "kΩ", "degF" is "°F"; other units stay as they are."""
    if unit in SIGNS:
        return SIGNS[unit]
    return unit.removesuffix("ohm") + "Ω" if unit.endswith("ohm") else unit


def perceived(observation: Observation, language: str = "en", equipment: Equipment | None = None) -> tuple[str, ...]:
    """Every sentence of `observation`: answers, then displays, then what the senses go on perceiving."""
    answers = [said(s, language, equipment) for s in observation.said]
    displays = [reading(s, language).removesuffix(".") + "." for s in observation.shown]  # "in. w.c." has its own
    senses = [say(s, (), language, equipment) for s in observation.senses]
    return (*answers, *displays, *senses)


# ---------------------------------------------------------------------- labels
def _words(name: str) -> str:
    return name.replace("_", " ").replace(".", " ")


def _terminal(name: str, equipment: Equipment | None, language: str) -> str:
    """The equipment's own label ([labels] in its file), a connector's pin, or its word at its place."""
    own = equipment.raw.get("labels", {}).get(name) if equipment else None
    if own:
        return translate(str(own), language)
    connector = equipment.connector_of.get(name) if equipment else None
    if connector is not None:
        harness = name in connector.harness
        number = name.rpartition(".")[2].lstrip("hm")
        side = ("control" if harness else "device") if connector.behind_cover else ("harness" if harness else "device")
        return translate(PIN, language).format(
            number,
            translate(connector.title.partition(" between ")[0], language),
            translate(SIDES[side], language),
        )
    place, _, word = name.partition(".")
    text = translate(TERMINALS.get(name, word or _words(place)), language)
    return translate(PLACES[place], language).format(text) if word and place in PLACES else text


def _wire(name: str, equipment: Equipment | None, language: str) -> str:
    if not name or equipment is None or name not in equipment.network.parts:
        return _words(name)
    wire = equipment.wire(name)
    return translate(WIRE, language).format(_terminal(wire.a, equipment, language), _terminal(wire.b, equipment, language))


def _place(name: str, equipment: Equipment | None, language: str) -> str:
    for place in equipment.raw.get("place", ()) if equipment is not None else ():
        if place["name"] == name:
            return translate(place["title"], language)
    if name in LABELS["place"]:
        return translate(LABELS["place"][name], language)
    return _titled("connectors")(name, equipment, language)


def _titled(table: str) -> Callable[[str, Equipment | None, str], str]:
    def of(name: str, equipment: Equipment | None, language: str) -> str:
        entry = getattr(equipment, table).get(name) if equipment is not None else None
        return translate(entry.title, language) if entry is not None else _words(name)

    return of


def _port(name: str, equipment: Equipment | None, language: str) -> str:
    for port in equipment.air.ports if equipment is not None and equipment.air is not None else ():
        if port.name == name:
            return translate(port.title, language)
    return _words(name)


def _unit(name: str, equipment: Equipment | None, language: str) -> str:
    if name in LABELS["unit"]:
        return translate(LABELS["unit"][name], language)
    return _titled("units")(name, equipment, language)


def _complaint(name: str, equipment: Equipment | None, language: str) -> str:
    found = equipment.complaints.get(name) if equipment else None
    return translate(found.text, language) if found else _words(name)


_OF_EQUIPMENT: dict[str, Callable[[str, Equipment | None, str], str]] = {
    "terminal": _terminal,
    "connector": _titled("connectors"),
    "zone": _titled("zones"),
    "unit": _unit,
    "wire": _wire,
    "conductor": _wire,
    "complaint": _complaint,
    "place": _place,
    "port": _port,
    "supply": _titled("supplies"),
    "selector": _titled("selectors"),
}

#: Every kind of name that `label` knows.
KINDS = (*sorted(set(LABELS) | set(_OF_EQUIPMENT)), "message", "symbol")


def label(kind: str, name: str, equipment: Equipment | None = None, language: str = "en") -> str:
    """The label of `name`, a name of `kind` (one of `KINDS`); its own words where nothing better is known."""
    if kind in _OF_EQUIPMENT:
        return _OF_EQUIPMENT[kind](name, equipment, language)
    if kind == "symbol":
        return symbol(name)
    if kind == "message":
        return say(name, (), language, equipment)
    return translate(LABELS.get(kind, {}).get(name, _words(name)), language, kind)


# ---------------------------------------------------------------------- acts
def duration_text(seconds: int, language: str = "en") -> str:
    """`seconds` as a clock would be read aloud: "45 s", "5 min", "2 min 30 s"."""
    minutes, rest = divmod(seconds, 60)
    form = SECONDS if not minutes else BOTH if rest else MINUTES
    return translate(form, language).format(*((rest,) if not minutes else (minutes, rest)))


#: The field of an act that chooses between its two sentences.
_CHOICE = {
    "wear": "on",
    "set_breaker": "on",
    "set_disconnect": "closed",
    "set_lock": "on",
    "set_tag": "on",
    "set_door": "on",
    "hold_door_switch": "held",
    "tape_door_switch": "taped",
    "set_jumper": "on",
    "fit_source": "on",
    "clip_source": "on",
    "switch_source": "run",
    "set_gas": "open",
    "set_selector": "closed",
    "place_hose": "port",
    "place_probe": "port",
}

#: What an act's field is a name of.
_FIELD_KIND = {
    "where": "place",
    "item": "item",
    "call": "call",
    "function": "function",
    "lead": "lead",
    "terminal": "terminal",
    "conductor": "conductor",
    "connector": "connector",
    "wire": "wire",
    "a": "terminal",
    "b": "terminal",
    "safety": "safety",
    "report": "danger",
    "unit": "unit",
    "selector": "selector",
    "port": "port",
    "hose": "hose",
    "probe": "probe",
    "adapter": "adapter",
    "device": "device",
    "part": "part",
}
_FIELD_NAME = {"where": "place", "report": "danger"}


def _form(act: a.Act) -> str:
    tag = str(act.__struct_config__.tag)
    if tag in _CHOICE:
        return f"{tag}.{'on' if getattr(act, _CHOICE[tag]) else 'off'}"
    if isinstance(act, a.PlaceLead):
        return f"{tag}.{'clip' if act.clip else 'held'}"
    if isinstance(act, a.PlaceClamp):
        return f"{tag}.{'on' if act.conductor else 'off'}"
    return tag


def describe(act: a.Act, equipment: Equipment | None = None, language: str = "en") -> str:
    """What was done, as one sentence in the past tense."""
    words: dict[str, Any] = {}
    for field in act.__struct_fields__:
        value = getattr(act, field)
        kind = _FIELD_KIND.get(field)
        if kind and isinstance(value, str):
            words[_FIELD_NAME.get(field, field)] = label(kind, value, equipment, language)
    if isinstance(act, a.Wait):
        words["time"] = duration_text(act.seconds, language)
    if isinstance(act, a.SetBreaker | a.SetDisconnect | a.SetLock | a.SetTag):
        several = equipment is not None and len(equipment.supplies) > 1
        words["of"] = translate(OF_SUPPLY, language).format(label("supply", act.supply, equipment, language)) if several else ""
    if isinstance(act, a.Declare):
        words["units"] = "; ".join(label("unit", u, equipment, language) for u in act.units)
    form = _form(act)
    return translate(_own(equipment, f"act.{form}") or ACTS[form], language).format(**words)


def sources(equipment: Equipment | None = None) -> Iterator[str]:
    """Every English text that a catalogue translates, those of `equipment` included."""
    yield from SENTENCES.values()
    yield from ACTS.values()
    for table in LABELS.values():
        yield from table.values()
    yield from (*PLACES.values(), *TERMINALS.values(), *SIDES.values(), PIN, WIRE, SECONDS, MINUTES, BOTH, OF_SUPPLY)
    if equipment is not None:
        yield from (equipment.title, equipment.notice)
        yield from (z.title for z in equipment.zones.values())
        yield from (u.title for u in equipment.units.values())
        yield from (c.title for c in equipment.connectors.values())
        yield from (c.title.partition(" between ")[0] for c in equipment.connectors.values())
        yield from (c.text for c in equipment.complaints.values())
        yield from (s.title for s in equipment.supplies.values())
        yield from (s.title for s in equipment.selectors.values())
        yield from (str(p["title"]) for p in equipment.raw.get("place", ()))
        yield from (p.title for p in (equipment.air.ports if equipment.air is not None else ()))
        yield from (str(x) for x in equipment.raw.get("labels", {}).values())
        yield from (str(x) for x in equipment.raw.get("sentences", {}).values())
