"""An equipment file and its fault file, checked as a whole: everything that is wrong, not just the first thing.

Rule: what a file may hold is a table here (`TABLES`), so that a mistyped key is found and the nearest right one is named.
What only a running unit can show (whether it runs, what it draws) is not looked at here.
"""

from __future__ import annotations

import difflib
import tomllib
from collections import Counter
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

from blowerbench.check_tables import FIXED, HEATS, MODULES, ROWS, SETTINGS, TABLES
from blowerbench.circuit import NetworkError, load_network
from blowerbench.equipment import MAIN, PLACES, parse_equipment
from blowerbench.errors import BenchError
from blowerbench.faults import NO_FAULT, parse_faults
from blowerbench.messages import has_sentence
from blowerbench.units import quantity


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing in a file: where it stands, what is wrong, what would be right. `advice`: it works, but look at it."""

    file: str
    place: str
    wrong: str
    right: str
    advice: bool = False

    def __str__(self) -> str:
        return f"{self.file}: {self.place}: {self.wrong}; {self.right}"


_KINDS: dict[str, tuple[Callable[[Any], bool], str]] = {
    "text": (lambda v: isinstance(v, str) and bool(v), "a text that is not empty"),
    "any": (lambda v: True, ""),
    "table": (lambda v: isinstance(v, Mapping), "a table"),
    "flag": (lambda v: isinstance(v, bool), "true or false"),
    "whole": (lambda v: _number(v) and v == int(v) and v >= 1, "a whole number of 1 or more"),
    "number": (lambda v: _number(v), "a plain number"),
    "positive": (lambda v: _number(v) and v > 0, "a number above 0"),
    "seconds": (lambda v: _number(v) and v > 0, "seconds above 0; a time of 0 would never let the unit settle"),
    "share": (lambda v: _number(v) and 0 < v <= 1, "a number above 0 and up to 1"),
    "difficulty": (lambda v: v in (1, 2, 3, 4, 5), "a whole number from 1 to 5"),
}


def _number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def nearest(word: str, known: Iterable[str]) -> str:
    """ "did you mean X?" for the known word nearest to `word`, or the known words where none is near."""
    names = [n for n in dict.fromkeys(known) if n]
    lower = {n.lower(): n for n in reversed(names)}
    close = [lower[word.lower()]] if word.lower() in lower else difflib.get_close_matches(word, names, 1, 0.6)
    if close:
        return f"did you mean {close[0]!r}?"
    listed = ", ".join(names[:12]) + (", ..." if len(names) > 12 else "")
    return f"use one of {listed}" if names else "this file has none"


# ---------------------------------------------------------------------- the checker
def check_equipment(
    text: str, source: str, faults: str | None = None, faults_source: str = "fault file"
) -> tuple[Finding, ...]:
    """All that is wrong with the equipment file `text` (called `source`) and, if given, with its fault file.

    Findings come in the order of the checks; those with `advice` do not keep the files from being used. Never raises for what a
    file holds.
    """
    raw, broken = _read(text, source)
    if raw is None:
        return (broken,) if broken else ()
    check = _Checker(source, raw)
    check.network()
    check.tables()
    check.hands()
    check.machines()
    rows: list[Any] = []
    if faults is None:
        check.say("faults", "there is no fault file", f"write {source.removesuffix('.toml')}.faults.toml beside it")
    else:
        table, broken = _read(faults, faults_source)
        check.found += [broken] if broken else []
        rows = check.rows("fault", table or {}, faults_source)
        check.faults(rows, faults_source)
        if not check.bad:
            check.load(text, faults, faults_source)
    return tuple(dict.fromkeys(check.found))


def _read(text: str, source: str) -> tuple[dict[str, Any] | None, Finding | None]:
    try:
        return tomllib.loads(text), None
    except tomllib.TOMLDecodeError as error:
        return None, Finding(source, "the file", f"not TOML ({error})", "mend that line and check it again")


def _strings(value: object) -> list[str]:
    return [v for v in value if isinstance(v, str)] if isinstance(value, list) else []


@dataclass(slots=True)
class _Checker:
    """Collects findings about one equipment file; every check goes on as far as the one before allows."""

    source: str
    raw: Mapping[str, Any]
    found: list[Finding] = field(default_factory=list)
    names: dict[str, Collection[str]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        parts = self.rows_of("part")
        kinds: dict[str, list[str]] = {}
        for p in parts:
            kinds.setdefault(str(p.get("kind")), []).append(str(p.get("name")))
        named = {t: [str(r.get(k)) for r in self.rows_of(t)] for t, k in ROWS.items() if k}
        every = [n for names in kinds.values() for n in names]
        windings = [f"{n}.{side}" for n in kinds.get("transformer", ()) for side in ("primary", "secondary")]
        sides = {str(p[s]) for p in parts if p.get("kind") == "pin" for s in ("a", "b") if s in p}
        zoned = {n for z in self.rows_of("zone") for n in _strings(z.get("nodes"))}
        outputs = self.table("board").get("outputs", {})
        self.names = {
            **FIXED, "terminal": _strings(self.table("network").get("nodes")), "part": every,
            "contact": kinds.get("contact", []),
            "wire": kinds.get("wire", []), "branch": [n for n in every if n not in kinds.get("transformer", ())] + windings,
            "connector": named["connector"], "selector": named["selector"], "unit": named["unit"],
            "correction": [*named["unit"], NO_FAULT], "complaint": named["complaint"], "port": named["port"],
            "element": [*named["air_element"], "fan"], "place": [*PLACES, *named["place"], *named["connector"]],
            "output": list(outputs) if isinstance(outputs, Mapping) else [], "reached": zoned | sides,
        }  # fmt: skip

    # ------------------------------------------------------------------ small helpers
    def say(self, place: str, wrong: str, right: str, *, file: str = "", advice: bool = False) -> None:
        """Note one finding."""
        self.found.append(Finding(file or self.source, place, wrong, right, advice))

    @property
    def bad(self) -> bool:
        """Whether anything found so far keeps the files from being used."""
        return any(not f.advice for f in self.found)

    def table(self, name: str) -> Mapping[str, Any]:
        value = self.raw.get(name, {})
        return value if isinstance(value, Mapping) else {}

    def rows_of(self, name: str) -> list[Mapping[str, Any]]:
        value = self.raw.get(name, [])
        return [r for r in value if isinstance(r, Mapping)] if isinstance(value, list) else []

    # ------------------------------------------------------------------ network
    def network(self) -> None:
        """Each part by itself, then all of them together."""
        declared, header = self.names["terminal"], dict(self.table("network"))
        good: list[dict[str, Any]] = []
        for k, row in enumerate(self.rows_of("part"), 1):
            ends = [row[e] for e in ("a", "b", "p1", "p2", "s1", "s2") if isinstance(row.get(e), str)]
            for end in ends:
                if end not in declared:
                    self.say(f"part {row.get('name', k)!r}", f"unknown node {end!r}", nearest(end, declared))
            islands = [{"node": n, "why": "alone"} for n in ends[2:]]
            alone = {"reference": (ends or ["x"])[0], "nodes": sorted({*ends} or {"x"}), "islands": islands}
            try:
                load_network({"network": alone, "part": [row]}, self.source)
                good.append(dict(row))
            except NetworkError as error:
                self._network_error(error)
        touched = {str(r[e]) for r in good for e in ("a", "b", "p1", "p2", "s1", "s2") if e in r}
        if touched:
            header["nodes"] = sorted({*touched, *declared}) if not self.bad else sorted(touched)
            header.setdefault("reference", "earth")
            self._together(header, good)

    def _together(self, header: dict[str, Any], rows: list[dict[str, Any]]) -> None:
        """All parts at once, each trouble taken out of the way so that the next one shows."""
        for _ in range(len(rows) + 1):
            if not rows:
                return
            try:
                load_network({"network": header, "part": rows}, self.source)
                return
            except NetworkError as error:
                self._network_error(error)
                named = [r for r in rows if r["name"] == error.part]
                if not named:
                    return
                rows = [r for r in rows if r is not named[-1]]
                touched = {str(r[e]) for r in rows for e in ("a", "b", "p1", "p2", "s1", "s2") if e in r}
                header = {**header, "nodes": sorted(touched | {str(header["reference"])})}

    def _network_error(self, error: NetworkError) -> None:
        wrong = str(error).removeprefix(f"{error.source}: {error.part}: ").removesuffix(f"; {error.remedy}")
        place = error.part if error.part.startswith(("[", "part ")) else f"part {error.part!r}"
        right = error.remedy
        if "unknown field" in wrong:
            right = f"{nearest(wrong.split(chr(39))[1], right.partition(' has ')[2].split(', '))} ({right})"
        self.say(place, wrong, right)

    # ------------------------------------------------------------------ tables against TABLES
    def tables(self) -> None:
        """Every table and row: unknown keys, missing keys, values of the wrong kind, names that nothing has."""
        self.keys("the file", self.raw, TABLES[""])
        for name in TABLES[""]:
            name = name.rstrip("?")
            value = self.raw.get(name)
            if name in ROWS:
                self.rows(name, self.raw, self.source)
            elif isinstance(value, Mapping) and name in TABLES:
                self.keys(f"[{name}]", value, TABLES[name])
        for name, by_kind in (("module", MODULES), ("heat", HEATS)):
            table = self.table(name)
            kind = str(table.get("kind"))
            if kind in by_kind:
                self.keys(f"[{name}]", table, by_kind[kind])
            elif table:
                self.say(f"[{name}] kind", f"unknown kind {kind!r}", nearest(kind, by_kind))
        for key in self.table("labels"):
            self.value(f"[labels] {key!r}", key, "terminal")
        self._measuring()
        self._ratings()

    def rows(self, name: str, raw: Mapping[str, Any], file: str) -> list[Mapping[str, Any]]:
        """The rows of the list of tables `name`, each checked; a name may stand once."""
        value, key, good = raw.get(name, []), "id" if name == "fault" else ROWS[name], []
        if not isinstance(value, list):
            self.say(f"[{name}]", "it is one table", f"write [[{name}]] with two brackets, once for each", file=file)
            return []
        seen: set[tuple[str, str]] = set()
        for k, row in enumerate(value, 1):
            place = f"[[{name}]] {row.get(key, k)!r}" if isinstance(row, Mapping) and key else f"[[{name}]] {k}"
            if not isinstance(row, Mapping):
                self.say(place, f"{row!r} is no table", f"write [[{name}]]", file=file)
                continue
            own = (str(row.get("machine", "")), str(row.get(key, k)))
            if own in seen:
                self.say(place, "it stands twice", "give each its own name", file=file)
            seen.add(own)
            self.keys(place, row, TABLES[name], file)
            good.append(row)
        return good

    def keys(self, place: str, table: Mapping[str, Any], shape: Mapping[str, str], file: str = "") -> None:
        """`table` against its shape."""
        known = {k.rstrip("?"): v for k, v in shape.items()}
        for key, value in table.items():
            if key not in known:
                self.say(f"{place} {key}", "unknown key", nearest(key, known), file=file)
            else:
                self.value(f"{place} {key}", value, known[key], file)
        for key in shape:
            if not key.endswith("?") and key not in table:
                self.say(place, f"{key!r} is missing", f"add it{self._example(shape[key])}", file=file)

    def _example(self, kind: str) -> str:
        if kind.startswith("q:"):
            return f', such as "1 {kind[2:]}"'
        return f": {_KINDS[kind][1]}" if kind in _KINDS and _KINDS[kind][1] else ""

    def value(self, place: str, value: Any, kind: str, file: str = "") -> None:
        """One value against its kind."""
        head, _, rest = kind.partition(":")
        if head == "none_or":
            if value != "":
                self.value(place, value, rest, file)
        elif head == "q":
            try:
                quantity(value, rest)
            except BenchError as error:
                wrong, _, right = str(error).rpartition("; ")
                self.say(place, wrong, right, file=file)
        elif head == "list":
            if not isinstance(value, list):
                self.say(place, f"{value!r} is no list", "write it in square brackets", file=file)
            for one in value if isinstance(value, list) else ():
                self.value(place, one, rest, file)
        elif head == "map":
            if not isinstance(value, Mapping):
                self.say(place, f"{value!r} is no table", "write { name = ..., ... }", file=file)
            for key, one in value.items() if isinstance(value, Mapping) else ():
                self.value(f"{place}.{key}", one, rest, file)
        elif head in ("pair", "pairs"):
            self._pairs(place, value, head, file)
        elif head in _KINDS:
            good, wanted = _KINDS[head]
            if not good(value):
                self.say(place, f"{value!r} will not do", f"write {wanted}", file=file)
        elif head in TABLES and head not in self.names:
            if isinstance(value, Mapping):
                self.keys(place, value, TABLES[head], file)
            else:
                self.say(place, f"{value!r} is no table", f"write {{ {', '.join(TABLES[head])} }}", file=file)
        elif head == "sentence":
            self._sentence(place, value, file)
        elif value not in self.names[head]:
            what = head.replace("_", " ")
            self.say(place, f"no {what} {value!r}", nearest(str(value), self.names[head]), file=file)

    def _pairs(self, place: str, value: Any, kind: str, file: str) -> None:
        flat = isinstance(value, list) and len(value) == 2 and all(isinstance(v, str) for v in value)
        if flat:
            for one in value:
                self.value(place, one, "terminal", file)
        elif kind == "pairs" and isinstance(value, list):
            for one in value:
                self._pairs(place, one, "pair", file)
        else:
            self.say(place, f"{value!r} is no pair", 'write two terminals, such as ["board.R", "board.C"]', file=file)

    def _sentence(self, place: str, value: Any, file: str) -> None:
        own = self.table("sentences")
        if not (isinstance(value, str) and (value in own or has_sentence(value))):
            right = f"write it under [sentences]; {nearest(str(value), own)}"
            self.say(place, f"there is no sentence {value!r}", right, file=file)

    # ------------------------------------------------------------------ what hands and leads reach
    def hands(self) -> None:
        """Zones against nodes: each terminal in one place, none forgotten that something is measured on."""
        nodes, reached = self.names["terminal"], self.names["reached"]
        where = Counter(n for z in self.rows_of("zone") for n in set(_strings(z.get("nodes"))))
        for node, times in where.items():
            if times > 1:
                self.say(f"terminal {node!r}", f"it lies in {times} zones", "leave it in the one where a person reaches it")
        hidden = [n for n in nodes if n not in reached and n != self.table("network").get("reference")]
        if hidden:
            right = "put them into a [[zone]] unless they lie inside a part"
            self.say("[[zone]]", f"no lead can be put on {', '.join(hidden)}", right, advice=True)
        for name in self.names["connector"]:
            own = [p for p in self.rows_of("part") if p.get("kind") == "pin" and p.get("connector") == name]
            if not own:
                self.say(f"[[connector]] {name!r}", "it has no pins", "give it parts of kind pin, or leave it out")
        for p in self.rows_of("part"):
            if p.get("kind") == "pin" and p.get("connector") not in self.names["connector"]:
                right = nearest(str(p.get("connector")), self.names["connector"])
                self.say(f"part {p.get('name')!r}", f"no connector {p.get('connector')!r}", right)
        for supply in self.rows_of("supply"):
            roles = supply.get("roles", {})
            for role, terminals in roles.items() if isinstance(roles, Mapping) else ():
                for node in _strings(terminals):
                    self._reached(f"[[supply]] {supply.get('name')!r} roles.{role}", node)
        if [s.get("name") for s in self.rows_of("supply")][:1] != [MAIN]:
            self.say("[[supply]]", "the first one feeds the blower and has another name", f'name it "{MAIN}"')
        for node in _strings(self.table("protection").get("live_source")):
            self._reached("[protection] live_source", node)

    def _reached(self, place: str, node: Any) -> None:
        if node in self.names["terminal"] and node not in self.names["reached"]:
            self.say(place, f"nobody can reach {node!r}", "put it into a [[zone]], or measure somewhere else")

    def _measuring(self) -> None:
        liftable = [w for row in self.rows_of("lift") for w in _strings(row.get("wires"))]
        for name, rows in self.table("measure").items():
            if name == "clamp" or not isinstance(rows, list):
                continue
            for row in rows:
                pair = row if isinstance(row, list) else rows
                if name == "lift_ohms" and isinstance(row, list):
                    if len(row) != 3:
                        self.say("[measure] lift_ohms", f"{row!r}", 'write ["wire", "red terminal", "black terminal"]')
                        continue
                    if row[0] not in liftable:
                        right = f"{nearest(str(row[0]), liftable)} (see [[lift]])"
                        self.say("[measure] lift_ohms", f"{row[0]!r} can't be taken off", right)
                    pair = row[1:]
                    self._pairs("[measure] lift_ohms", pair, "pair", "")
                for node in pair:
                    self._reached(f"[measure] {name}", node)

    def _ratings(self) -> None:
        ratings = self.table("ratings")
        for low, high, unit in (
            ("supply_low", "supply_high", "volt"), ("r_c_low", "r_c_high", "volt"), ("rise_low", "rise_high", "delta_degC"),
        ):  # fmt: skip
            try:
                bounds = quantity(ratings[low], unit), quantity(ratings[high], unit)
            except (KeyError, BenchError):
                continue
            if bounds[0] >= bounds[1]:
                self.say(f"[ratings] {low}", f"{ratings[low]} is not below {high} = {ratings[high]}", "turn them round")
        expect = self.table("expect")
        seconds = expect.get("seconds", {})
        for call in (*_strings(expect.get("runs_on")), "off"):
            if isinstance(seconds, Mapping) and call not in seconds:
                self.say("[expect] seconds", f"none for the call {call!r}", f"add {call} = 20 (long enough for it to show)")
        thermostat = self.table("protection").get("thermostat", {})
        for call in FIXED["call"]:
            if call != "off" and isinstance(thermostat, Mapping) and call not in thermostat:
                right = f"add {call} = [] where it does not exist"
                self.say("[protection] thermostat", f"no entry for the call {call!r}", right)

    # ------------------------------------------------------------------ the board's machines
    def machines(self) -> None:
        """Phases: conditions that mean something, ways out, none that is never reached; timings above 0."""
        board, timing, phases = self.table("board"), self.table("timing"), self.rows_of("phase")
        heater = [str(p.get("name")) for p in phases if p.get("machine") == "heater"]
        facts = {"flame", "tried_out"}
        for key in ("inputs", "inputs_dc"):
            facts |= set(board.get(key, {})) if isinstance(board.get(key, {}), Mapping) else set()
        used: set[str] = set()
        graph: dict[tuple[str, str], list[str]] = {}
        for p in phases:
            machine, name, place = str(p.get("machine")), str(p.get("name")), f"[[phase]] {p.get('machine')}.{p.get('name')}"
            own = [str(x.get("name")) for x in phases if x.get("machine") == machine]
            ways = [g for g in p.get("go", ()) if isinstance(g, Mapping)] if isinstance(p.get("go"), list) else []
            if not ways:
                self.say(place, "it goes nowhere", 'give it go = [{ when = ["..."], to = "..." }]')
            graph[machine, name] = [str(g.get("to")) for g in ways]
            for way in ways:
                if way.get("to") not in own:
                    self.say(f"{place} go", f"it goes to unknown phase {way.get('to')!r}", nearest(str(way.get("to")), own))
                for condition in _strings(way.get("when")):
                    self._condition(f"{place} when", condition, heater, facts, used)
            status = f"status_{p.get('status')}"
            if p.get("status"):
                self._sentence(f"{place} status", status, "")
        for machine, first in (("heater", "off"), ("blower", "still")):
            if board and (machine, first) not in graph:
                self.say("[[phase]]", f"there is no phase {machine}.{first}", "add it; that machine starts there")
            reached = _reachable((machine, first), graph)
            for owner, name in graph:
                if owner == machine and (owner, name) not in reached and (machine, first) in graph:
                    self.say(f"[[phase]] {machine}.{name}", "no way leads there", "add a go to it, or leave it out")
        for key, value in timing.items():
            if not _number(value) or value < 0 or (value == 0 and key in used):
                self.say(f"[timing] {key}", f"{value!r} will not do", f"write {_KINDS['seconds'][1]}")
            elif key not in used and key != "retries":
                self.say(f"[timing] {key}", "no phase waits for it", "leave it out, or use it", advice=True)

    def _condition(self, place: str, text: str, heater: Collection[str], facts: set[str], used: set[str]) -> None:
        word = text.removeprefix("not ")
        verb, _, name = word.partition(" ")
        if verb == "after":
            used.add(name)
            if name not in self.table("timing") and not name.replace(".", "", 1).isdigit():
                self.say(place, f"no timing {name!r}", nearest(name, self.table("timing")))
            elif name.replace(".", "", 1).isdigit() and float(name) == 0:
                self.say(place, f"{text!r} waits for no time at all", f"write {_KINDS['seconds'][1]}")
        elif verb == "in":
            if name not in heater:
                self.say(place, f"no phase {name!r} of the heater", nearest(name, heater))
        elif word not in facts:
            self.say(place, f"unknown condition {text!r}", nearest(word, [*facts, "after KEY", "in PHASE"]))

    # ------------------------------------------------------------------ faults
    def faults(self, rows: list[Mapping[str, Any]], file: str) -> None:
        """Each fault's parts, settings, sights and severities; then complaints and units that no fault leads to."""
        ids = [str(r.get("id")) for r in rows]
        for row in rows:
            place, change = f"[[fault]] {row.get('id')!r}", row.get("change")
            known, what = self.names["branch"], "part"
            if change == "short":
                known, what = self.names["terminal"], "terminal"
            elif change == "both":
                known, what = ids, "fault"
            targets = _strings(row.get("target"))
            for target in targets if change != "set" else ():
                if target not in known:
                    self.say(f"{place} target", f"no {what} {target!r}", nearest(target, known), file=file)
            if change in ("short", "swap", "both") and len(targets) != 2:
                self.say(f"{place} target", f"{len(targets)} names", f"a {change} needs two", file=file)
            also = row.get("also", {})
            for setting in (*(targets if change == "set" else ()), *(also if isinstance(also, Mapping) else ())):
                self._setting(f"{place} target", setting, file)
            for sight in row.get("sights", ()) if isinstance(row.get("sights", []), list) else ():
                self.value(f"{place} sights", sight, "sight", file)
            self._severities(place, row, file)
        told = [c for r in rows for c in _strings(r.get("complaints"))]
        for complaint in self.names["complaint"]:
            if complaint not in told:
                right = "name it in a fault's complaints, or leave it out"
                self.say(f"[[complaint]] {complaint!r}", "no fault leads to it", right)
            elif told.count(complaint) == 1:
                right = "let a second fault lead to it"
                self.say(f"[[complaint]] {complaint!r}", "one fault alone leads to it: nothing to find out", right, advice=True)
        mended = {u for r in rows for u in (r.get("correction"), *_strings(r.get("with_units")))}
        idle = [str(u.get("name")) for u in self.rows_of("unit") if u.get("name") not in mended and not u.get("effect_only")]
        if idle:
            right = "add a fault, or leave it as a wrong answer to choose"
            self.say("[[unit]]", f"no fault is put right at {', '.join(idle)}", right, advice=True)
        if not any(r.get("correction") == NO_FAULT for r in rows):
            right = f"add one with correction = {NO_FAULT!r}, change = 'set', target = ['none']"
            self.say("[[fault]]", "no call ends in no fault found", right, file=file, advice=True)

    def _setting(self, place: str, setting: str, file: str) -> None:
        module, inputs = self.table("module"), self.table("module").get("inputs", {})
        known = [
            *SETTINGS, *(f"air.{n}" for n in self.names["element"] if n != "fan"),
            *(f"selector.{n}" for n in self.names["selector"]), *(f"timing.{n}" for n in self.table("timing")),
            *(f"module.deaf.{n}" for n in (inputs if isinstance(inputs, Mapping) else ())),
            *(["module.deaf.data"] if "data" in module else []),
        ]  # fmt: skip
        if setting not in known:
            self.say(place, f"no setting {setting!r}", nearest(setting, known), file=file)

    def _severities(self, place: str, row: Mapping[str, Any], file: str) -> None:
        rows = row.get("severities")
        needs = row.get("change") in ("resistance", "set", "short")
        if rows is None:
            if needs and row.get("change") != "short":
                right = 'add severities = [{ name = "bad", value = ... }]'
                self.say(place, f"a {row['change']} has no severities", right, file=file)
            return
        if not isinstance(rows, list) or not 1 <= len(rows) <= 5:
            self.say(f"{place} severities", f"{rows!r}", "give a list of one to five", file=file)
            return
        for one in rows:
            self.value(f"{place} severities", one, "severity", file)
            value = one.get("value") if isinstance(one, Mapping) else None
            if isinstance(value, str):
                self.value(f"{place} severities", value, f"q:{row.get('unit', '')}", file)
            elif not _number(value):
                self.say(f"{place} severities", f"value = {value!r}", "write a number or a quantity", file=file)

    # ------------------------------------------------------------------ the loader's own word
    def load(self, text: str, faults: str, file: str) -> None:
        """What the loader itself still refuses."""
        for load in (
            lambda: parse_equipment(text, self.source),
            lambda: parse_faults(faults, parse_equipment(text, self.source), file),
        ):
            try:
                load()
            except BenchError as error:
                wrong, _, right = str(error).removeprefix(f"{self.source}: ").rpartition("; ")
                self.say("the file", wrong or right, right)
                return


def _reachable(start: tuple[str, str], graph: Mapping[tuple[str, str], list[str]]) -> set[tuple[str, str]]:
    seen, todo = set(), [start]
    while todo:
        here = todo.pop()
        if here not in seen:
            seen.add(here)
            todo += [(start[0], to) for to in graph.get(here, ())]
    return seen


def problems(findings: Iterable[Finding]) -> Iterator[Finding]:
    """Those of `findings` that keep the files from being used."""
    return (f for f in findings if not f.advice)
