"""Air: the air path in an equipment file, and the formulas of moving air.

Rule: what is written in the trade's units is checked and turned into SI floats here; `blowers` computes with them.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any, Final

from blowerbench.blowers import (
    STANDARD_DENSITY,
    STILL,
    Air,
    AirError,
    Changes,
    Element,
    Fan,
    Induction,
    Point,
    Port,
    at_speed,
    density,
    external_static,
    follow,
    hold_flow,
    hold_torque,
    line_watts_induction,
    static,
)
from blowerbench.units import UnitError, quantity

__all__ = [
    "SPECIFIC_HEAT",
    "STANDARD_CELSIUS",
    "STANDARD_DENSITY",
    "STILL",
    "Air",
    "AirError",
    "Changes",
    "Element",
    "Fan",
    "Induction",
    "Point",
    "Port",
    "at_speed",
    "density",
    "duct_drop",
    "external_static",
    "follow",
    "friction_factor",
    "hold_flow",
    "hold_torque",
    "line_watts_induction",
    "load_air",
    "sensible_watts",
    "static",
    "temperature_rise",
    "velocity",
    "velocity_pressure",
]

#: Dry air at constant pressure, J/(kg K): 0.24 Btu/(lb degF).
SPECIFIC_HEAT: Final = 1004.832
#: The temperature in degC at which dry air at sea level has the standard density.
STANDARD_CELSIUS: Final = 101325.0 / (287.055 * STANDARD_DENSITY) - 273.15
#: Dynamic viscosity of air at 20 degC, Pa s.
_VISCOSITY: Final = 1.813e-5
_PORTS: Final = 4


def sensible_watts(rise: float, flow: float, *, altitude: float = 0.0, celsius: float = STANDARD_CELSIUS) -> float:
    """The heat in W that warms `flow` m3/s by `rise` K; the flow is of air at `altitude` m and `celsius` degC."""
    return density(altitude, celsius) * SPECIFIC_HEAT * flow * rise


def temperature_rise(watts: float, flow: float, *, altitude: float = 0.0, celsius: float = STANDARD_CELSIUS) -> float:
    """By how many K `watts` warm `flow` m3/s (negative for cooling); infinite for heat into air that stands still."""
    if watts == 0.0:
        return 0.0
    if flow <= 0.0:
        return math.copysign(math.inf, watts)
    return watts / (density(altitude, celsius) * SPECIFIC_HEAT * flow)


def velocity_pressure(speed: float, rho: float = STANDARD_DENSITY) -> float:
    """The velocity pressure in Pa of air of density `rho` kg/m3 moving at `speed` m/s."""
    return 0.5 * rho * speed * speed


def velocity(pressure: float, rho: float = STANDARD_DENSITY) -> float:
    """The speed in m/s of air of density `rho` kg/m3 whose velocity pressure is `pressure` Pa."""
    return math.sqrt(2.0 * pressure / rho)


def friction_factor(reynolds: float, relative_roughness: float) -> float:
    """The Darcy friction factor of a round duct: 64/Re below Re 2300, above it Colebrook's equation, solved."""
    if not reynolds > 0.0 or relative_roughness < 0.0:
        raise AirError(
            f"no friction factor at Reynolds number {reynolds:g} and relative roughness {relative_roughness:g}; "
            "the first must be above 0, the second 0 or more"
        )
    if reynolds < 2300.0:
        return 64.0 / reynolds
    root = 8.0  # 1/sqrt(f); each turn below gains about a digit
    for _ in range(60):
        last, root = root, -2.0 * math.log10(relative_roughness / 3.7 + 2.51 * root / reynolds)
        if abs(root - last) < 1e-13 * root:
            break
    return 1.0 / (root * root)


def duct_drop(flow: float, diameter: float, length: float, roughness: float, rho: float = STANDARD_DENSITY) -> float:
    """The friction in Pa of `flow` m3/s in a straight round duct of `diameter`, `length` and `roughness` in m.

    Darcy-Weisbach with Colebrook's friction factor, the viscosity of air at 20 degC. An undersized duct is this number
    at the smaller diameter, over this number at the right one.
    """
    if not (diameter > 0.0 and length >= 0.0 and flow >= 0.0 and rho > 0.0):
        raise AirError(
            f"no duct of {diameter:g} m by {length:g} m with {flow:g} m3/s of {rho:g} kg/m3; diameter and density must "
            "be above 0, length and flow 0 or more"
        )
    if flow == 0.0:
        return 0.0
    speed = flow / (math.pi / 4.0 * diameter * diameter)
    factor = friction_factor(rho * speed * diameter / _VISCOSITY, roughness / diameter)
    return factor * length / diameter * velocity_pressure(speed, rho)


# ---- from the equipment's file

_AIR_KEYS = {"altitude", "reference", "return_air", "external", "fan"}
_FAN_UNITS = {"speed": "rpm", "shutoff": "Pa", "free": "m**3/s", "shaft_shutoff": "W", "shaft_free": "W"}


def load_air(raw: Mapping[str, Any], source: str) -> Air | None:
    """The air path in an equipment file's tables `[air]`, `[[air_element]]` and `[[port]]`; None without `[air]`.

    `source` is the file's name for messages. Raises AirError naming file, entry and remedy.
    """
    if "air" not in raw:
        if raw.get("air_element") or raw.get("port"):
            raise AirError(f"{source}: air elements or ports without [air]; add [air] or take them out")
        return None
    table = _table(raw["air"], f"{source}: [air]", _AIR_KEYS, _AIR_KEYS - {"external"})
    fan = _load_fan(table["fan"], f"{source}: [air.fan]")
    elements, before = _load_elements(raw.get("air_element", []), source)
    ports = _load_ports(raw.get("port", []), source, [*(element.name for element in elements), "fan"])
    reference = _read(table, "reference", "m**3/s", f"{source}: [air]")
    if not reference > 0.0:
        raise AirError(f"{source}: [air] reference is {reference:g} m3/s; the drops need a flow above 0")
    altitude = _read(table, "altitude", "m", f"{source}: [air]")
    if not -500.0 <= altitude <= 5000.0:
        raise AirError(f"{source}: [air] altitude is {altitude:g} m; write one between -500 m and 5000 m")
    return_air = _read(table, "return_air", "degC", f"{source}: [air]")
    if not -40.0 <= return_air <= 60.0:
        raise AirError(f"{source}: [air] return_air is {return_air:g} degC; write one between -40 degC and 60 degC")
    external = _load_external(table.get("external", []), source, ports, elements, before)
    return Air(elements, before, fan, ports, reference, altitude, return_air, external)


def _table(raw: Any, where: str, known: set[str], needed: set[str]) -> Mapping[str, Any]:
    if not isinstance(raw, Mapping):
        raise AirError(f"{where} is a {type(raw).__name__}; it must be a table with {', '.join(sorted(known))}")
    if unknown := sorted(set(raw) - known):
        raise AirError(f"{where} has unknown keys {', '.join(unknown)}; it may have {', '.join(sorted(known))}")
    if missing := sorted(needed - set(raw)):
        raise AirError(f"{where} lacks {', '.join(missing)}; add them")
    return raw


def _rows(raw: Any, where: str) -> list[Any]:
    if not isinstance(raw, list):
        raise AirError(f"{where} is a {type(raw).__name__}; write one {where.rpartition(' ')[2]} table per entry")
    return raw


def _read(table: Mapping[str, Any], key: str, unit: str, where: str) -> float:
    try:
        return quantity(table[key], unit)
    except UnitError as error:
        raise AirError(f"{where} {key}: {error}") from error


def _text(table: Mapping[str, Any], key: str, where: str) -> str:
    value = table[key]
    if not isinstance(value, str) or not value:
        raise AirError(f"{where} {key} is {value!r}; write a text that is not empty")
    return value


def _load_fan(raw: Any, where: str) -> Fan:
    table = _table(raw, where, set(_FAN_UNITS), set(_FAN_UNITS))
    fan = Fan(**{key: _read(table, key, unit, where) for key, unit in _FAN_UNITS.items()})
    for key in _FAN_UNITS:
        if not getattr(fan, key) > 0.0:
            raise AirError(f"{where} {key} is {table[key]}; it must be above 0")
    if fan.shaft_free < fan.shaft_shutoff:
        raise AirError(f"{where} shaft power falls with flow; give a forward-curved wheel: shaft_free at least shaft_shutoff")
    # Of S (1 - x^2) F x over P0 + (P1 - P0) x: the air may not take more than the shaft gives.
    steps = [n / 100 for n in range(101)]
    best = max(
        fan.shutoff * (1 - x * x) * fan.free * x / (fan.shaft_shutoff + (fan.shaft_free - fan.shaft_shutoff) * x) for x in steps
    )
    if best > 0.85:
        raise AirError(
            f"{where}: at best {best:.0%} of the shaft's power would reach the air; no such wheel passes 85 %:"
            " raise the shaft powers, or lower shutoff or free"
        )
    return fan


def _load_elements(raw: Any, source: str) -> tuple[tuple[Element, ...], int]:
    elements: list[Element] = []
    before: int | None = None
    for row in _rows(raw, f"{source}: [[air_element]]"):
        if isinstance(row, Mapping) and row.get("name") == "fan":
            _table(row, f"{source}: air element 'fan'", {"name", "title"}, {"name"})
            if before is not None:
                raise AirError(f"{source}: two air elements are named 'fan'; the blower stands in one place")
            before = len(elements)
            continue
        keys = {"name", "title", "drop", "exponent"}
        where = f"{source}: air element {row.get('name', len(elements) + 1) if isinstance(row, Mapping) else ''!r}"
        table = _table(row, where, keys, keys)
        drop, exponent = _read(table, "drop", "Pa", where), table["exponent"]
        if not 0.0 <= drop < math.inf:
            raise AirError(f"{where} drop is {table['drop']}; write a pressure of 0 or more")
        if isinstance(exponent, bool) or not isinstance(exponent, int | float) or not 1.0 <= exponent <= 2.0:
            raise AirError(f"{where} exponent is {exponent!r}; write a number from 1 (laminar) to 2 (turbulent)")
        if any(table["name"] == element.name for element in elements):
            raise AirError(f"{where} stands twice; give each element a name of its own")
        elements.append(Element(_text(table, "name", where), _text(table, "title", where), drop, float(exponent)))
    if before is None:
        raise AirError(f"{source}: no air element is named 'fan'; add [[air_element]] name = \"fan\" where the blower is")
    if not any(element.drop > 0.0 for element in elements):
        raise AirError(f"{source}: no air element drops any pressure; add the filter, the coil, the ducts")
    return tuple(elements), before


def _load_ports(raw: Any, source: str, places: list[str]) -> tuple[Port, ...]:
    rows = _rows(raw, f"{source}: [[port]]")
    if len(rows) not in (0, _PORTS):
        raise AirError(f"{source}: {len(rows)} ports; give {_PORTS} (or none where nobody can drill one)")
    ports: list[Port] = []
    for row in rows:
        where = f"{source}: port {row.get('name', len(ports) + 1) if isinstance(row, Mapping) else ''!r}"
        table = _table(row, where, {"name", "title", "after", "near_heat"}, {"name", "title", "after"})
        name, after, near_heat = _text(table, "name", where), table["after"], table.get("near_heat", False)
        if after not in places:
            raise AirError(f"{where} is after {after!r}, which is no air element; choose {', '.join(places)}")
        if not isinstance(near_heat, bool):
            raise AirError(f"{where} near_heat is {near_heat!r}; write true or false")
        if any(name == port.name for port in ports):
            raise AirError(f"{where} stands twice; give each port a name of its own")
        ports.append(Port(name, _text(table, "title", where), after, near_heat))
    return tuple(ports)


def _load_external(
    raw: Any, source: str, ports: tuple[Port, ...], elements: tuple[Element, ...], before: int
) -> tuple[str, str]:
    where = f"{source}: [air] external"
    if not ports:
        if raw:
            raise AirError(f"{where} is {raw!r}, but the unit has no ports; leave it out")
        return "", ""
    names = [port.name for port in ports]
    if not isinstance(raw, list) or len(raw) != 2 or any(name not in names for name in raw):
        raise AirError(f"{where} is {raw!r}; write [supply port, return port], from {', '.join(names)}")
    upstream = {element.name for element in elements[:before]}
    after = {port.name: port.after for port in ports}
    if after[raw[0]] in upstream or after[raw[1]] not in upstream:
        raise AirError(f"{where} is {raw!r}; the first port must lie after the fan and the second before it")
    return raw[0], raw[1]
