"""One kind of unit, read from its data file and checked before anything uses it.

Rule: behaviour that differs from unit to unit is data here, as far as its tables can say it.
"""

from __future__ import annotations

import hashlib
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from typing import Any

import blowerdata
from blowerbench.circuit import Contact, Fuse, Network, Pin, Resistor, Winding, Wire, load_network
from blowerbench.errors import BenchError
from blowerbench.units import quantity


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
    """A correction unit: what a technician would write on the invoice."""

    name: str
    title: str
    minutes: int
    effect_only: bool = False


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
    board: Mapping[str, Any]
    heat: Mapping[str, Any]
    module: Mapping[str, Any]
    source: Mapping[str, Any]
    protection: Mapping[str, Any]
    raw: Mapping[str, Any] = field(repr=False)

    def __hash__(self) -> int:
        return hash(self.digest)

    def wire(self, name: str) -> Wire | Resistor | Contact | Pin | Fuse | Winding:
        """The two-ended part `name` with its resistance (ohm); raises `EquipmentError` for another kind of part."""
        part = self.network.parts[name]
        if isinstance(part, Wire | Resistor | Contact | Pin | Fuse | Winding):
            return part
        raise EquipmentError(f"{self.id}: {name!r} is a {type(part).__name__.lower()}; name a wire, contact, pin or resistor")

    @property
    def terminals(self) -> tuple[str, ...]:
        """Every terminal a lead can be put on, in the file's order."""
        return tuple(self.zone_of) + tuple(n for n in self.connector_of if n not in self.zone_of)


def _si(table: Mapping[str, Any], units: Mapping[str, str]) -> dict[str, Any]:
    return {k: quantity(v, units[k]) if k in units and isinstance(v, str) else v for k, v in table.items()}


_UNITS = {
    "supply": "volt", "supply_low": "volt", "supply_high": "volt", "blower_amps_max": "ampere", "r_c_low": "volt",
    "r_c_high": "volt", "bus_volts": "volt", "winding_ohms_max": "ohm", "frame_ohms_min": "ohm", "pull_in": "volt",
    "drop_out": "volt", "input_on": "volt", "inducer_on": "volt", "igniter_on": "volt", "gas_valve_on": "volt",
    "farads": "farad", "bus_run": "volt", "bus_stop": "volt", "feedback_volts": "volt", "lamp_on": "volt",
}  # fmt: skip


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


def _build(raw: dict[str, Any], network: Network, source: str, digest: str) -> Equipment:
    zones = {z["name"]: Zone(**{**z, "nodes": tuple(z["nodes"])}) for z in raw["zone"]}
    pins: dict[str, list[dict[str, Any]]] = {}
    for p in raw["part"]:
        if p["kind"] == "pin":
            pins.setdefault(p["connector"], []).append(p)
    connectors = {
        c["name"]: Connector(
            c["name"], c["title"], c["ways"], c["latch"], c["covered_by"], c["behind_cover"],
            tuple(p["name"] for p in pins[c["name"]]),
            tuple(p["a"] for p in pins[c["name"]]),
            tuple(p["b"] for p in pins[c["name"]]),
        )
        for c in raw["connector"]
    }  # fmt: skip
    zone_of = {n: z for z in zones.values() for n in z.nodes}
    connector_of = {n: c for c in connectors.values() for n in (*c.harness, *c.device)}
    unknown = [n for n in (*zone_of, *connector_of) if n not in network.nodes]
    if unknown:
        raise EquipmentError(f"{source}: zones name unknown terminals {unknown}; declare them in network.nodes")
    phases = {}
    for p in raw["phase"]:
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
    return Equipment(
        id=raw["id"], title=raw["title"], notice=raw["notice"], kind=raw["kind"], digest=digest, network=network,
        zones=zones, zone_of=zone_of, connectors=connectors, connector_of=connector_of,
        liftable=tuple(w for lift in raw["lift"] for w in lift["wires"]), phases=phases, timing=raw["timing"],
        units={u["name"]: Unit(**u) for u in raw["unit"]}, complaints={c["id"]: Complaint(**c) for c in raw["complaint"]},
        ratings=_si(raw["ratings"], _UNITS), board=_si(raw["board"], _UNITS), heat=_si(raw["heat"], _UNITS),
        module=_si(raw["module"], _UNITS), source=_si(raw["source"], _UNITS), protection=raw["protection"], raw=raw,
    )  # fmt: skip


@lru_cache(maxsize=32)
def load_equipment(name: str) -> Equipment:
    """The equipment called `name` among the shipped files, or at the path `name` when it ends in .toml."""
    try:
        path = Path(name) if name.endswith(".toml") else blowerdata.path("equipment", f"{name}.toml")
        text = path.read_text(encoding="utf-8")
    except OSError as error:
        raise EquipmentError(
            f"{name}: can't be read ({error.strerror or error}); give a shipped name or a .toml path"
        ) from error
    return parse_equipment(text, path.name)
