"""Faults as data: what is changed in the unit, how badly, how likely, and what puts it right.

Rule: a fault changes one part (or one instrument) and names exactly one correction unit. A fault file is a list of
``[[fault]]`` tables; adding one needs no code as long as its change is one of `CHANGES`.
"""

from __future__ import annotations

import hashlib
import tomllib
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import Any

import blowerdata
from blowerbench.circuit import Shunt
from blowerbench.equipment import Equipment
from blowerbench.errors import BenchError
from blowerbench.units import quantity

HEALTHY = "healthy"
NO_FAULT = "no_fault_found"

#: What a fault may change. Each severity gives the value; `open`, `stuck_*` and `swap` need none.
CHANGES = {
    "open": "the branch carries no current",
    "resistance": "the branch has this many ohms instead of its own",
    "short": "this many ohms between two terminals",
    "stuck_closed": "the contact never opens",
    "stuck_open": "the contact never closes",
    "swap": "two wires have changed places at their far ends",
    "set": "a number or a state of a device is changed",
    "both": "two catalogued faults at once",
}


#: What a fault asks of the person who finds it; lessons, blueprints and mastery count by these.
COMPETENCIES = (
    "power input", "low voltage", "command", "safeties", "sequence", "control or motor", "airflow", "instruments", "safety",
)  # fmt: skip


class FaultError(BenchError):
    """A fault file that can't be used; says the file, the fault and the remedy."""


@dataclass(frozen=True, slots=True)
class Severity:
    """How bad it is: a name and a value in the change's own unit."""

    name: str
    value: float


@dataclass(frozen=True, slots=True)
class Sight:
    """What eyes find at a place: `where` as in `Look`, and a message id."""

    where: str
    says: str


@dataclass(frozen=True, slots=True)
class Intermittent:
    """When a fault that comes and goes is there: `after` seconds of what stirs it, until `rest` seconds without.

    `by` is powered (board or control has its supply), running (the blower turns) or hot (the plenum is hot). `provoke` (wiggle
    or warm) at the place or connector `at` brings it out at once.
    """

    by: str
    after: float
    rest: float
    provoke: str
    at: str


@dataclass(frozen=True, slots=True)
class Fault:
    """One catalogued fault of one equipment."""

    id: str
    title: str
    equipment: str
    change: str
    target: tuple[str, ...]
    severities: tuple[Severity, ...]
    correction: str
    prior: int
    prior_reason: str
    competency: str
    difficulty: int
    complaints: tuple[str, ...]
    sees: str
    repair: str
    why: str
    sights: tuple[Sight, ...] = ()
    stop_work: bool = False
    with_units: tuple[str, ...] = ()  # other correction units that go with it (a grounded winding takes the control along)
    also: tuple[tuple[str, float], ...] = ()  # device settings that go with a change of the circuit
    when: Intermittent | None = None
    only_by_substitution: str = ""  # why no act tells it from a fault of another unit


@dataclass(frozen=True, slots=True, order=True)
class Hypothesis:
    """A fault at one severity, or healthy."""

    fault: str
    severity: int = 0

    def __str__(self) -> str:
        return self.fault if self.severity == 0 else f"{self.fault}/{self.severity}"


@dataclass(frozen=True, slots=True)
class Effects:
    """What a hypothesis does to the network and to the devices, ready for the plant."""

    opened: frozenset[str] = frozenset()
    closed: frozenset[str] = frozenset()
    resistances: tuple[tuple[str, float], ...] = ()
    shunts: tuple[Shunt, ...] = ()
    settings: Mapping[str, float] | None = None
    sights: tuple[Sight, ...] = ()
    when: Intermittent | None = None

    def __hash__(self) -> int:
        return hash((self.opened, self.closed, self.resistances, self.shunts, self.when))

    def both(self, other: Effects) -> Effects:
        """This and `other` at once."""
        settings = {**(self.settings or {}), **(other.settings or {})}
        return Effects(
            self.opened | other.opened, self.closed | other.closed, self.resistances + other.resistances,
            self.shunts + other.shunts, settings or None, self.sights + other.sights, self.when or other.when,
        )  # fmt: skip

    def setting(self, name: str, healthy: float = 0.0) -> float:
        """The device setting `name`, or `healthy` where the hypothesis leaves it alone."""
        return healthy if self.settings is None else self.settings.get(name, healthy)


NO_EFFECTS = Effects()


@dataclass(frozen=True, slots=True)
class Catalogue:
    """All faults of one equipment, with the file's digest."""

    equipment: str
    digest: str
    faults: Mapping[str, Fault]

    def __hash__(self) -> int:
        return hash(self.digest)

    def hypotheses(self, complaint: str | None = None) -> tuple[Hypothesis, ...]:
        """Every fault × severity (that leads to `complaint`, if given), in the file's order."""
        return tuple(
            Hypothesis(f.id, k)
            for f in self.faults.values()
            if complaint is None or complaint in f.complaints
            for k in range(len(f.severities))
        )

    def weight(self, hypothesis: Hypothesis) -> int:
        """Prior weight as an integer: the fault's, shared among its severities in 60ths."""
        fault = self.faults[hypothesis.fault]
        return fault.prior * 60 // len(fault.severities)

    def corrections(self, hypothesis: Hypothesis) -> tuple[str, ...]:
        """All correction units that put `hypothesis` right together, in order of name."""
        fault = self.faults[hypothesis.fault]
        return tuple(sorted((fault.correction, *fault.with_units)))

    def correction(self, hypothesis: Hypothesis) -> str:
        """The correction unit of `hypothesis`."""
        return self.faults[hypothesis.fault].correction


def _fault(raw: dict[str, Any], equipment: Equipment, source: str) -> Fault:
    where = f"{source}: fault {raw.get('id', '?')!r}"
    try:
        change = raw["change"]
        unit = raw.get("unit", "")
        severities = tuple(
            Severity(s["name"], quantity(s["value"], unit) if isinstance(s["value"], str) else float(s["value"]))
            for s in raw.get("severities", [{"name": "complete", "value": 0.0}])
        )
        fault = Fault(
            id=raw["id"], title=raw["title"], equipment=equipment.id, change=change, target=tuple(raw["target"]),
            severities=severities, correction=raw["correction"], prior=raw["prior"], prior_reason=raw["prior_reason"],
            competency=raw["competency"], difficulty=raw["difficulty"], complaints=tuple(raw["complaints"]),
            sees=raw["sees"], repair=raw["repair"], why=raw["why"],
            sights=tuple(Sight(**s) for s in raw.get("sights", [])), stop_work=raw.get("stop_work", False),
            with_units=tuple(raw.get("with_units", ())),
            also=tuple((k, float(v)) for k, v in raw.get("also", {}).items()),
            when=Intermittent(**raw["when"]) if "when" in raw else None,
            only_by_substitution=raw.get("only_by_substitution", ""),
        )  # fmt: skip
    except (KeyError, TypeError) as error:
        raise FaultError(f"{where}: entry {error} is missing or odd; see 'how to add a fault' in DEVELOPERS.md") from error
    known = {
        "change": (change, CHANGES), "competency": (fault.competency, COMPETENCIES),
        "correction": (fault.correction, (*equipment.units, NO_FAULT)),
    }  # fmt: skip
    for what, (value, allowed) in known.items():
        if value not in allowed:
            raise FaultError(f"{where}: unknown {what} {value!r}; use one of {', '.join(sorted(allowed))}")
    for unit_name in fault.with_units:
        if unit_name not in equipment.units:
            raise FaultError(f"{where}: unknown unit {unit_name!r} in with_units; use one of {', '.join(equipment.units)}")
    for complaint in fault.complaints:
        if complaint not in equipment.complaints:
            raise FaultError(f"{where}: unknown complaint {complaint!r}; the equipment has {', '.join(equipment.complaints)}")
    _check_when(equipment, fault.when, where)
    for sight in fault.sights:
        if sight.where not in (*equipment.places, *equipment.connectors):
            places = ", ".join((*equipment.places, *equipment.connectors))
            raise FaultError(f"{where}: unknown place {sight.where!r} of a sight; the equipment has {places}")
    branches = equipment.network.branch_index
    for target in fault.target:
        if change in ("open", "resistance", "stuck_closed", "stuck_open", "swap") and target not in branches:
            raise FaultError(f"{where}: unknown part {target!r}; name a part of the equipment file")
        if change == "short" and target not in equipment.network.nodes:
            raise FaultError(f"{where}: unknown terminal {target!r}; name two terminals of the equipment file")
    if not 1 <= len(severities) <= 5:
        raise FaultError(f"{where}: {len(severities)} severities; give one to five")
    return fault


def _check_when(equipment: Equipment, when: Intermittent | None, where: str) -> None:
    if when is None:
        return
    for what, value, allowed in (
        ("by", when.by, ("powered", "running", "hot")),
        ("provoke", when.provoke, ("wiggle", "warm", "")),
        ("at", when.at, ("", *equipment.places, *equipment.connectors)),
    ):
        if value not in allowed:
            raise FaultError(f"{where}: when.{what} = {value!r}; use one of {', '.join(x for x in allowed if x)}")
    if min(when.after, when.rest) < 1:
        raise FaultError(f"{where}: when.after and when.rest are whole seconds of 1 or more; give {when.rest} another value")


def _check_pairs(faults: Mapping[str, Fault], source: str) -> None:
    for fault in faults.values():
        if fault.change != "both":
            continue
        known = [t for t in fault.target if t in faults and faults[t].change != "both" and faults[t].when is None]
        if len(known) != 2 or len(fault.target) != 2:
            raise FaultError(
                f"{source}: fault {fault.id!r} joins {', '.join(fault.target)}; name two single, steady faults of this file"
            )
        units = {u for t in fault.target for u in (faults[t].correction, *faults[t].with_units)}
        if units != {fault.correction, *fault.with_units}:
            raise FaultError(f"{source}: fault {fault.id!r} is corrected at {', '.join(sorted(units))}; name all of them")


def parse_faults(text: str, equipment: Equipment, source: str) -> Catalogue:
    """The catalogue in TOML `text`; raises `FaultError` naming `source`, the fault and the remedy."""
    try:
        raw = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise FaultError(f"{source}: not TOML ({error}); mend that line and load it again") from error
    faults: dict[str, Fault] = {}
    for entry in raw.get("fault", []):
        fault = _fault(entry, equipment, source)
        if fault.id in faults:
            raise FaultError(f"{source}: fault {fault.id!r} stands twice; give each its own id")
        faults[fault.id] = fault
    _check_pairs(faults, source)
    return Catalogue(equipment.id, hashlib.sha256(text.encode()).hexdigest(), faults)


@lru_cache(maxsize=32)
def load_faults(equipment: Equipment) -> Catalogue:
    """The fault catalogue of `equipment`: NAME.faults.toml beside its own file if there is one, else the shipped one.

    Raises `FaultError` where there is neither.
    """
    own = Path(equipment.path)
    own = own.with_name(f"{own.stem}.faults.toml")
    try:
        path = own if equipment.path and own.is_file() else blowerdata.path("faults", f"{equipment.id}.toml")
        text = path.read_text(encoding="utf-8")
    except OSError as error:
        raise FaultError(f"{equipment.id}: no fault file; write {own.name} beside the equipment file") from error
    return parse_faults(text, equipment, path.name)


def _swap(equipment: Equipment, first: str, second: str) -> Iterator[Shunt]:
    a, b = equipment.wire(first), equipment.wire(second)
    yield Shunt(a.a, b.b, a.resistance)
    yield Shunt(b.a, a.b, b.resistance)


@lru_cache(maxsize=4096)
def effects(equipment: Equipment, catalogue: Catalogue, hypothesis: Hypothesis) -> Effects:
    """What `hypothesis` changes in `equipment`; raises `FaultError` for a hypothesis that is not catalogued."""
    if hypothesis.fault == HEALTHY:
        return NO_EFFECTS
    fault = catalogue.faults.get(hypothesis.fault)
    if fault is None or not 0 <= hypothesis.severity < len(fault.severities):
        raise FaultError(f"no hypothesis {hypothesis} for {equipment.id}; `blowerbench faults` lists what there is")
    if fault.change == "both":
        first, second = (effects(equipment, catalogue, Hypothesis(t)) for t in fault.target)
        made = first.both(second)
        return replace(made, sights=made.sights + fault.sights)
    value = fault.severities[hypothesis.severity].value
    made = _circuit_change(equipment, fault, value)
    settings = dict(fault.also) | (dict.fromkeys(fault.target, value) if fault.change == "set" else {})
    return replace(made, settings=settings or None, sights=fault.sights, when=fault.when)


def effects_left(
    equipment: Equipment, catalogue: Catalogue, hypothesis: Hypothesis, repaired: Collection[str]
) -> Effects:
    """What `hypothesis` still changes once the units `repaired` were put right: each of two faults goes with its own unit."""
    if hypothesis.fault == HEALTHY:
        return NO_EFFECTS
    fault = catalogue.faults[hypothesis.fault]
    singles = [Hypothesis(t) for t in fault.target] if fault.change == "both" else [hypothesis]
    made = [_single_left(equipment, catalogue, h, frozenset(repaired)) for h in singles]
    return made[0] if len(made) == 1 else made[0].both(made[1])


#: Which correction unit a device setting belongs to, by what stands before its point, where the fault's units have it.
OWNERS = {"board": "board", "module": "control_module", "motor": "motor"}


#: How a fault that comes and goes may have stood so far: as its own times say, never there unless provoked, always there.
TIMELINES = ("natural", "never", "always")


def on_timeline(fx: Effects, timeline: str) -> Effects:
    """`fx` with its coming and going as `timeline` says; a steady fault is the same on every timeline."""
    if fx.when is None or timeline == "natural":
        return fx
    return replace(fx, when=None if timeline == "always" else replace(fx.when, after=float("inf")))


def _single_left(equipment: Equipment, catalogue: Catalogue, hypothesis: Hypothesis, repaired: frozenset[str]) -> Effects:
    """What one fault still changes: its own part goes with its unit, a setting with the unit that owns it.

    A control module that was to be replaced with a grounded motor, and was not, is dead.
    """
    fault = catalogue.faults[hypothesis.fault]
    whole, units = effects(equipment, catalogue, hypothesis), catalogue.corrections(hypothesis)
    left = [u for u in units if u not in repaired]
    if len(left) == len(units):
        return whole
    if not left:
        return NO_EFFECTS

    def owner(setting: str) -> str:
        unit = OWNERS.get(setting.partition(".")[0], "")
        return unit if unit in units else fault.correction

    kept = {k: v for k, v in (whole.settings or {}).items() if owner(k) in left}
    if fault.correction in left:
        return replace(whole, settings=kept or None)
    for device, unit in OWNERS.items():
        if unit in left and device != "motor" and not any(owner(k) == unit for k in kept):
            kept[f"{device}.dead"] = 1.0
    return Effects(settings=kept or None, sights=whole.sights)


def _circuit_change(equipment: Equipment, fault: Fault, value: float) -> Effects:
    match fault.change:
        case "open" | "stuck_open":
            return Effects(opened=frozenset(fault.target))
        case "stuck_closed":
            return Effects(closed=frozenset(fault.target))
        case "resistance":
            return Effects(resistances=tuple((t, value) for t in fault.target))
        case "short":
            return Effects(shunts=(Shunt(fault.target[0], fault.target[1], value),))
        case "swap":
            return Effects(opened=frozenset(fault.target), shunts=tuple(_swap(equipment, *fault.target)))
        case _:
            return NO_EFFECTS
