"""One kind of unit, read from its data file and checked before anything uses it.

Rule: behaviour that differs from unit to unit is data here, as far as its tables can say it.
"""

from __future__ import annotations

import hashlib
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import lru_cache
from pathlib import Path
from typing import Any

import blowerdata
from blowerbench.air import Air, load_air
from blowerbench.circuit import Contact, Fuse, Network, Pin, Resistor, Winding, Wire, load_network
from blowerbench.errors import BenchError
from blowerbench.units import quantity

MAIN = "main"


class EquipmentError(BenchError):
    """An equipment file that can't be used; says the file, the place and the remedy."""


@dataclass(frozen=True, slots=True)
class Zone:
    """A place with terminals; `behind_door` and `behind_cover` say what hides it."""

    name: str
    title: str
    nodes: tuple[str, ...]
    behind_door: bool = False
    behind_cover: bool = False

    @property
    def place(self) -> str:
        """Where a person stands to reach it: panel, thermostat, outlet or unit."""
        return self.name if self.name in ("panel", "thermostat", "outlet") else "unit"


@dataclass(frozen=True, slots=True)
class Connector:
    """A plug and its receptacle; `covered_by` names the plug that must be out before its latch shows."""

    name: str
    title: str
    ways: int
    latch: str
    covered_by: str
    behind_cover: bool
    pins: tuple[str, ...]
    harness: tuple[str, ...]  # nodes on the harness side
    device: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Unit:
    """A correction unit: what a technician would write on the invoice, and where its repair puts the hands.

    `side`: "load" behind the disconnect, "supply" on its supply side (the breaker must be off too), "low" on 24 V parts away
    from line voltage, "none" on nothing of the unit. `low_voltage`: beside line voltage, but itself 24 V.
    """

    name: str
    title: str
    minutes: int
    effect_only: bool = False
    side: str = "load"
    opens_motor: bool = False
    low_voltage: bool = False
    tool: bool = False  # the technician's own instrument


SIDES = ("load", "supply", "low", "none")


@dataclass(frozen=True, slots=True)
class Supply:
    """One circuit that feeds the unit: its breaker and disconnect (contacts of all poles), and who is who in live-dead-live.

    `roles` maps line, line_2 or neutral, ground, incoming, incoming_2 to terminals that stand for them.
    """

    name: str
    title: str
    breaker: tuple[str, ...]
    amps: float
    disconnect: tuple[str, ...]
    takes_lock: bool
    roles: Mapping[str, tuple[str, ...]]

    def __hash__(self) -> int:
        return hash(self.name)


@dataclass(frozen=True, slots=True)
class Relay:
    """A coil with contacts of its own: volts of pull-in and drop-out, delays in seconds."""

    name: str
    coil: tuple[str, str]
    pull_in: float
    drop_out: float
    on_delay: float
    off_delay: float
    contacts: tuple[str, ...]  # closed while pulled in
    opens: tuple[str, ...] = ()  # open while pulled in


@dataclass(frozen=True, slots=True)
class Sound:
    """Something heard while so many volts stand across it: `name` is the message id of the sense."""

    name: str
    across: tuple[str, ...]  # two terminals
    on: float


@dataclass(frozen=True, slots=True)
class Selector:
    """A switch on the board for a person to set; `closed` is how it should stand."""

    name: str
    title: str
    contact: str
    closed: bool


@dataclass(frozen=True, slots=True)
class Complaint:
    """What the customer says, and what the thermostat has been calling for since."""

    id: str
    call: str
    text: str


@dataclass(frozen=True, slots=True)
class Phase:
    """One state of the board: its outputs, its status message, and where it goes on which conditions."""

    machine: str
    name: str
    outputs: tuple[str, ...]
    status: str
    go: tuple[tuple[tuple[str, ...], str], ...]
    counts: bool = False
    resets: bool = False


@dataclass(frozen=True, slots=True)
class Equipment:
    """A loaded, checked equipment file."""

    id: str
    title: str
    notice: str
    kind: str
    digest: str
    network: Network
    zones: Mapping[str, Zone]
    zone_of: Mapping[str, Zone]
    connectors: Mapping[str, Connector]
    connector_of: Mapping[str, Connector]
    liftable: tuple[str, ...]
    phases: Mapping[tuple[str, str], Phase]
    timing: Mapping[str, float]
    units: Mapping[str, Unit]
    complaints: Mapping[str, Complaint]
    ratings: Mapping[str, float]
    supplies: Mapping[str, Supply]
    relays: tuple[Relay, ...]
    selectors: Mapping[str, Selector]
    sounds: tuple[Sound, ...]
    places: Mapping[str, bool]  # what can be looked at besides connectors: whether it lies behind the door
    board: Mapping[str, Any]  # empty where the unit has none; so are heat, module and source
    heat: Mapping[str, Any]
    module: Mapping[str, Any]
    source: Mapping[str, Any]
    protection: Mapping[str, Any]
    expect: Mapping[str, Any]
    measure: Mapping[str, tuple[tuple[str, ...], ...]]
    air: Air | None
    raw: Mapping[str, Any] = field(repr=False)
    path: str = ""  # where the file lies

    def __hash__(self) -> int:
        return hash(self.digest)

    def wire(self, name: str) -> Wire | Resistor | Contact | Pin | Fuse | Winding:
        """The two-ended part `name` with its resistance (ohm); raises `EquipmentError` for another kind of part."""
        part = self.network.parts[name]
        if isinstance(part, Wire | Resistor | Contact | Pin | Fuse | Winding):
            return part
        raise EquipmentError(f"{self.id}: {name!r} is a {type(part).__name__.lower()}; name a wire, contact, pin or resistor")

    @property
    def main(self) -> Supply:
        """The supply that feeds the blower."""
        return self.supplies[MAIN]

    @property
    def electronic(self) -> bool:
        """Whether the motor has a control module with a bus that stays charged."""
        return bool(self.module) and self.module["kind"] != "split_capacitor"

    def calls(self) -> tuple[str, ...]:
        """The thermostat calls on which a healthy blower runs."""
        return tuple(self.expect["runs_on"])

    def pairs(self, name: str) -> tuple[tuple[str, ...], ...]:
        """The measuring list `name` of this unit; empty where it has none."""
        return self.measure.get(name, ())

    @property
    def terminals(self) -> tuple[str, ...]:
        """Every terminal a lead can be put on, in the file's order."""
        return tuple(self.zone_of) + tuple(n for n in self.connector_of if n not in self.zone_of)


_UNITS = {
    "supply": "volt", "supply_low": "volt", "supply_high": "volt", "blower_amps_max": "ampere", "r_c_low": "volt",
    "r_c_high": "volt", "bus_volts": "volt", "winding_ohms_max": "ohm", "frame_ohms_min": "ohm", "pull_in": "volt",
    "drop_out": "volt", "input_on": "volt", "dc_on": "volt", "inducer_on": "volt", "igniter_on": "volt", "gas_valve_on": "volt",
    "farads": "farad", "bus_run": "volt", "bus_stop": "volt", "feedback_volts": "volt", "lamp_on": "volt", "volts": "volt",
    "emf_volts": "volt", "on": "volt", "rate": "watt", "capacity": "watt", "max_speed": "rpm", "max_shaft": "watt",
    "nominal": "volt", "tap_on": "volt", "aux_amps": "ampere", "capacitor": "farad", "synchronous": "rpm",
    "max_torque": "newton * meter", "external_static_max": "in_wc", "rise_low": "delta_degC", "rise_high": "delta_degC",
}  # fmt: skip
_NESTED = {"airflow": "meter ** 3 / second", "torque": "newton * meter"}
PLACES = {"around": False, "panel": False}


def _si(table: Mapping[str, Any]) -> dict[str, Any]:
    """`table` with every written quantity as a float in the unit of `_UNITS`; tables inside it as well."""
    out: dict[str, Any] = {}
    for key, value in table.items():
        if key in _NESTED and isinstance(value, Mapping):
            out[key] = {k: quantity(v, _NESTED[key]) if isinstance(v, str) else v for k, v in value.items()}
        elif isinstance(value, Mapping):
            out[key] = _si(value)
        else:
            out[key] = quantity(value, _UNITS[key]) if key in _UNITS and isinstance(value, str) else value
    return out


def parse_equipment(text: str, source: str) -> Equipment:
    """The equipment in TOML `text`; raises `EquipmentError` naming `source`, the place and the remedy."""
    try:
        raw = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise EquipmentError(f"{source}: not TOML ({error}); mend that line and load it again") from error
    network = load_network(raw, source)
    try:
        return _build(raw, network, source, hashlib.sha256(text.encode()).hexdigest())
    except (KeyError, TypeError) as error:
        raise EquipmentError(
            f"{source}: missing or mistyped entry {error}; compare it with the files in blowerdata/equipment"
        ) from error


def _connectors(raw: Mapping[str, Any], source: str) -> dict[str, Connector]:
    pins: dict[str, list[dict[str, Any]]] = {}
    for p in raw["part"]:
        if p["kind"] == "pin":
            pins.setdefault(p["connector"], []).append(p)
    made = {}
    for c in raw.get("connector", ()):
        own = pins.get(c["name"])
        if own is None:
            raise EquipmentError(f"{source}: connector {c['name']!r} has no pins; give it parts of kind pin, or leave it out")
        made[c["name"]] = Connector(
            c["name"], c["title"], c["ways"], c["latch"], c["covered_by"], c["behind_cover"],
            tuple(p["name"] for p in own), tuple(p["a"] for p in own), tuple(p["b"] for p in own),
        )  # fmt: skip
    return made


def _phases(raw: Mapping[str, Any], source: str) -> dict[tuple[str, str], Phase]:
    phases = {}
    for p in raw.get("phase", ()):
        if p["machine"] not in ("heater", "blower"):
            raise EquipmentError(f"{source}: phase {p['name']!r} of machine {p['machine']!r}; use heater or blower")
        go = tuple((tuple(g["when"]), str(g["to"])) for g in p["go"])
        phases[p["machine"], p["name"]] = Phase(
            p["machine"], p["name"], tuple(p["outputs"]), p["status"], go, p.get("counts", False), p.get("resets", False)
        )
    for phase in phases.values():
        for _, to in phase.go:
            if (phase.machine, to) not in phases:
                raise EquipmentError(
                    f"{source}: phase {phase.machine}.{phase.name} goes to unknown phase {to!r}; "
                    f"known: {', '.join(n for m, n in phases if m == phase.machine)}"
                )
    for machine, first in (("heater", "off"), ("blower", "still")):
        if raw.get("board") and (machine, first) not in phases:
            raise EquipmentError(f"{source}: the board has no phase {machine}.{first}; every machine starts there")
    return phases


def _supplies(raw: Mapping[str, Any], source: str) -> dict[str, Supply]:
    made: dict[str, Supply] = {}
    for s in raw["supply"]:
        roles = {role: tuple(nodes) for role, nodes in s["roles"].items()}
        breaker, disconnect = tuple(s["breaker"]), tuple(s["disconnect"])
        made[s["name"]] = Supply(
            s["name"], s["title"], breaker, float(s["amps"]), disconnect, s.get("takes_lock", True), roles
        )
    if next(iter(made), "") != MAIN:
        raise EquipmentError(f'{source}: the first [[supply]] is the one that feeds the blower; name it "{MAIN}"')
    return made


def _relay(raw: Mapping[str, Any]) -> Relay:
    row = _si(raw)
    return Relay(
        row["name"], (row["coil"][0], row["coil"][1]), row["pull_in"], row["drop_out"],
        max(0.005, row.get("on_delay", 0.02)), max(0.005, row.get("off_delay", 0.02)),
        tuple(row["contacts"]), tuple(row.get("opens", ())),
    )  # fmt: skip


def _lists(rows: list[Any]) -> tuple[tuple[str, ...], ...]:
    """A measuring list: rows of terminals, or one name a row; one flat pair of terminals is a list of one pair."""
    if len(rows) == 2 and all(isinstance(x, str) and "." in x for x in rows):
        return (tuple(rows),)
    return tuple(tuple(x) if isinstance(x, list) else (x,) for x in rows)


def _build(raw: dict[str, Any], network: Network, source: str, digest: str) -> Equipment:
    zones = {z["name"]: Zone(**{**z, "nodes": tuple(z["nodes"])}) for z in raw["zone"]}
    connectors = _connectors(raw, source)
    zone_of = {n: z for z in zones.values() for n in z.nodes}
    connector_of = {n: c for c in connectors.values() for n in (*c.harness, *c.device)}
    unknown = [n for n in (*zone_of, *connector_of) if n not in network.nodes]
    if unknown:
        raise EquipmentError(f"{source}: zones name unknown terminals {unknown}; declare them in network.nodes")
    units = {u["name"]: Unit(**u) for u in raw["unit"]}
    for unit in units.values():
        if unit.side not in SIDES:
            raise EquipmentError(f"{source}: unit {unit.name!r} has side {unit.side!r}; use one of {', '.join(SIDES)}")
    return Equipment(
        id=raw["id"], title=raw["title"], notice=raw["notice"], kind=raw["kind"], digest=digest, network=network,
        zones=zones, zone_of=zone_of, connectors=connectors, connector_of=connector_of,
        liftable=tuple(w for lift in raw.get("lift", ()) for w in lift["wires"]), phases=_phases(raw, source),
        timing=raw.get("timing", {}), units=units, complaints={c["id"]: Complaint(**c) for c in raw["complaint"]},
        ratings=_si(raw["ratings"]), supplies=_supplies(raw, source),
        relays=tuple(_relay(r) for r in raw.get("relay", ())),
        selectors={s["name"]: Selector(**s) for s in raw.get("selector", ())},
        sounds=tuple(Sound(x["name"], tuple(x["across"]), quantity(x["on"], "volt")) for x in raw.get("sound", ())),
        places={**PLACES, **{p["name"]: p["behind_door"] for p in raw.get("place", ())}},
        board=_si(raw.get("board", {})), heat=_si(raw["heat"]), module=_si(raw["module"]), source=_si(raw.get("source", {})),
        protection=_si(raw["protection"]), expect=raw["expect"],
        measure={k: _lists(v) for k, v in raw.get("measure", {}).items()},
        air=load_air(raw, source), raw=raw,
    )  # fmt: skip


_OWN: dict[str, str] = {}  # files loaded by path in this process, by the id they give


@lru_cache(maxsize=32)
def load_equipment(name: str) -> Equipment:
    """The equipment called `name` among the shipped files, or at the path `name` when it ends in .toml.

    A file loaded by its path is found by its id from then on, so that a record of it can be replayed in the same process.
    """
    shipped = blowerdata.names("equipment")
    own = name if name.endswith(".toml") else _OWN.get(name, "") if name not in shipped else ""
    if not own and name not in shipped:
        raise EquipmentError(f"no equipment {name!r}; give one of {', '.join(shipped)}, or the path of a .toml file")
    path = Path(own) if own else blowerdata.path("equipment", f"{name}.toml")
    try:
        text = path.read_text(encoding="utf-8")
    except OSError as error:
        raise EquipmentError(f"{name}: can't be read ({error.strerror or error}); give the path of a .toml file") from error
    equipment = replace(parse_equipment(text, path.name), path=str(path))
    if own:
        _OWN[equipment.id] = own
    return equipment
