"""A blower on its air path: the wheel's curve against duct, filter, coil and registers, and the motors that turn it.

Rule: everything is a function of the flow. At a given flow the drops are known, so the speed that makes them, and
with it torque and power, follow in closed form; every question (at this speed, at this torque, at this power) is one
search along the flow, on which all of them rise.

Flows are in m3/s and pressures in Pa, both at the density of the return air; speeds in rpm, torques in N*m, powers in
W. The fan's pressure is the rise from one side of the blower to the other; velocity pressures are left out, as the
trade leaves them out when it measures static pressure at two ports.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Final

from blowerbench.errors import BenchError

__all__ = [
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
    "external_static",
    "follow",
    "hold_flow",
    "hold_torque",
    "line_watts_induction",
    "static",
]

#: Standard air in kg/m3: 0.075 lb/ft3, to which fan curves and drops are stated.
STANDARD_DENSITY: Final = 1.20138
#: A forward-curved wheel turned backwards still moves air the right way, about a third of it (common practice).
BACKWARDS_FLOW: Final = 1 / 3
#: What a wheel turned backwards takes of its torque at the same speed (ours: the blades stall, the load falls).
BACKWARDS_TORQUE: Final = 0.4
_SCAN: Final = 16  # flows looked at between standstill and synchronous speed for the first place where load wins
_MEMORY: Final = 8192  # operating points remembered


class AirError(BenchError):
    """An air path that is described wrongly, or a question that it has no answer to."""


def density(altitude: float, celsius: float) -> float:
    """The density of dry air in kg/m3 at `altitude` m and `celsius` degC.

    Pressure of the International Standard Atmosphere's lowest layer, 101325 Pa (1 - 2.25577e-5 h)^5.25588 (ISO 2533),
    and the ideal gas, p / (R T) with R = 287.055 J/(kg K).
    """
    kelvin = celsius + 273.15
    if not (kelvin > 0.0 and -1000.0 <= altitude <= 11000.0):
        raise AirError(
            f"no air at {altitude:g} m and {celsius:g} degC; the standard atmosphere's lowest layer reaches from -1000 m"
            " to 11000 m, and a temperature lies above -273.15 degC"
        )
    pressure: float = 101325.0 * (1.0 - 2.25577e-5 * altitude) ** 5.25588
    return pressure / (287.055 * kelvin)


@dataclass(frozen=True, slots=True)
class Element:
    """A piece of the air path: it drops `drop` Pa at the reference flow and standard density."""

    name: str
    title: str
    drop: float
    exponent: float  # 2 for fittings and grilles, about 1.9 for duct, 1.5 and less for filters

    @property
    def is_duct(self) -> bool:
        """Whether the house's ductwork, rather than the unit, makes this drop: its name says duct, register or grille."""
        return any(word in self.name for word in ("duct", "register", "grille"))


@dataclass(frozen=True, slots=True)
class Fan:
    """A wheel in its housing at `speed` rpm and standard density.

    Pressure falls from `shutoff` Pa at no flow to 0 at `free` m3/s along a parabola; shaft power rises in a straight
    line from `shaft_shutoff` to `shaft_free` W, as it does on forward-curved wheels (common practice).
    """

    speed: float
    shutoff: float
    free: float
    shaft_shutoff: float
    shaft_free: float


@dataclass(frozen=True, slots=True)
class Port:
    """A test port after element `after`; `near_heat` where a probe sees the heat exchanger and reads high."""

    name: str
    title: str
    after: str
    near_heat: bool = False


@dataclass(frozen=True, slots=True)
class Air:
    """The air path of one unit, from the rooms back to the rooms, and where it stands."""

    elements: tuple[Element, ...]  # without the fan
    before: int  # how many of them lie before the fan
    fan: Fan
    ports: tuple[Port, ...]
    reference: float  # m3/s: the flow at which the drops are stated
    altitude: float  # m
    return_air: float  # degC
    external: tuple[str, str]  # supply port, return port; empty names where the unit has no ports
    _hash: int = field(init=False, repr=False, compare=False, default=0)

    def __post_init__(self) -> None:
        # Numbers only: their hashes are the same in every process, so an Air may be pickled. Kept, because every
        # remembered operating point is looked up by it.
        drops = tuple((element.drop, element.exponent) for element in self.elements)
        fan = (self.fan.speed, self.fan.shutoff, self.fan.free, self.fan.shaft_shutoff, self.fan.shaft_free)
        key = hash((drops, self.before, fan, self.reference, self.altitude, self.return_air))
        object.__setattr__(self, "_hash", key)

    def __hash__(self) -> int:
        return self._hash

    def port(self, name: str) -> Port:
        """The port called `name`; AirError when there is none."""
        for port in self.ports:
            if port.name == name:
                return port
        raise AirError(f"no port {name!r}; this unit has {', '.join(port.name for port in self.ports) or 'none'}")


@dataclass(frozen=True, slots=True)
class Changes:
    """What a fault or a variant does to the air path and the wheel."""

    drops: tuple[tuple[str, float], ...] = ()  # factors on elements' drops, by name
    duct: float = 1.0  # factor on everything that is duct, register or grille
    fan_pressure: float = 1.0  # factor on the wheel's pressure; a wheel caked with dirt is at 0.6
    slip: float = 0.0  # share of the motor's speed that the wheel does not follow; 1: the wheel is loose
    backwards: bool = False
    drag: float = 0.0  # N*m of friction beside the wheel


@dataclass(frozen=True, slots=True)
class Point:
    """Where a blower stands: flow m3/s, motor speed rpm, fan pressure Pa, power W and torque N*m at the motor's shaft."""

    flow: float
    speed: float
    pressure: float
    shaft: float
    torque: float
    limit: str = ""  # "speed" or "power" when that limit keeps the motor from what it was told


STILL: Final = Point(0.0, 0.0, 0.0, 0.0, 0.0)


@dataclass(frozen=True, slots=True)
class Induction:
    """A split-capacitor motor's torque against speed.

    Between synchronous speed and `slip_at_max` it is Kloss' formula, 2 T / (s/sm + sm/s); below, the torque bends down
    to `start_torque` (a fraction of `max_torque`) at standstill. `strength` is the flux squared against nominal, hence
    a factor on every torque. `boost` is what the capacitor still does, from 1 (as rated) to 0 (open): the starting
    torque goes with it, and half of the running torque (ours): without its capacitor such a motor hums and stands,
    and a running one loses torque. `breakaway` is what the bearings hold at standstill, a fraction of `max_torque`.
    """

    synchronous: float  # rpm
    max_torque: float  # N*m
    slip_at_max: float  # 0..1
    start_torque: float
    strength: float = 1.0
    boost: float = 1.0
    breakaway: float = 0.08

    def torque(self, rpm: float) -> float:
        """The torque in N*m at `rpm`; negative above synchronous speed."""
        slip = 1.0 - rpm / self.synchronous
        if slip == 0.0:
            return 0.0
        top = self.strength * self.max_torque * (0.5 + 0.5 * self.boost)
        kloss = 2.0 / (slip / self.slip_at_max + self.slip_at_max / slip)
        if slip <= self.slip_at_max:
            return top * kloss
        standing = self.boost * self.start_torque * self.strength * self.max_torque
        at_rest = 2.0 / (1.0 / self.slip_at_max + self.slip_at_max)
        way = (slip - self.slip_at_max) / (1.0 - self.slip_at_max)  # 0 at the greatest torque, 1 at standstill
        return kloss * (top * (1.0 - way) + standing / at_rest * way)


# ---- the wheel and its path, as numbers


@dataclass(frozen=True, slots=True)
class _System:
    """One wheel on one path, ready to be asked by flow."""

    terms: tuple[tuple[float, float], ...]  # exponent, Pa at 1 m3/s and standard density
    shares: tuple[float, ...]  # per element: Pa at the reference flow, factors applied
    shutoff: float
    free: float
    torque_shutoff: float
    torque_rise: float
    speed: float
    grip: float  # wheel speed / motor speed
    drag: float
    ratio: float  # density / standard density

    def drop(self, flow: float) -> float:
        """All drops at `flow` and standard density, in Pa."""
        total = 0.0
        for exponent, pascals in self.terms:
            total += pascals * flow**exponent
        return total

    def pace(self, flow: float) -> float:
        """The wheel's speed at which it moves `flow`, as a multiple of the speed its curve is given for.

        From drop(Q) = shutoff n^2 (1 - (Q / (n free))^2), the curve under the fan laws; density stands on both sides.
        """
        through: float = flow / self.free
        return math.sqrt(self.drop(flow) / self.shutoff + through * through)

    def wheel_torque(self, flow: float, pace: float) -> float:
        """The torque the wheel takes, in N*m: (shutoff + rise Q / (n free)) n^2, proportional to density."""
        return self.ratio * pace * (self.torque_shutoff * pace + self.torque_rise * flow / self.free)

    def rpm(self, pace: float) -> float:
        return pace * self.speed / self.grip

    def load(self, flow: float) -> tuple[float, float]:
        """The motor's speed in rpm and its torque in N*m at `flow`."""
        pace = self.pace(flow)
        return self.rpm(pace), self.wheel_torque(flow, pace) + self.drag

    def shaft(self, flow: float) -> float:
        rpm, torque = self.load(flow)
        return torque * _radians(rpm)

    def point(self, flow: float, limit: str = "") -> Point:
        rpm, torque = self.load(flow)
        return Point(flow, rpm, self.ratio * self.drop(flow), torque * _radians(rpm), torque, limit)

    def loose(self, rpm: float, limit: str = "") -> Point:
        """The motor alone at `rpm`, the wheel not following."""
        return Point(0.0, rpm, 0.0, self.drag * _radians(rpm), self.drag, limit)

    @property
    def holds(self) -> bool:
        """Whether the wheel follows the motor at all."""
        return self.grip > 1e-6


def _radians(rpm: float) -> float:
    return rpm * (math.pi / 30.0)


@lru_cache(maxsize=_MEMORY)
def _system(air: Air, changes: Changes, celsius: float | None) -> _System:
    if not changes.fan_pressure > 0.0:
        raise AirError(f"a fan pressure factor of {changes.fan_pressure} leaves no wheel; it must be above 0")
    if not 0.0 <= changes.slip <= 1.0:
        raise AirError(f"a slip of {changes.slip} is no share of the motor's speed; it must lie between 0 and 1")
    if changes.drag < 0.0:
        raise AirError(f"a drag of {changes.drag} N*m would drive the motor; it must be 0 or more")
    factors = dict.fromkeys((element.name for element in air.elements), 1.0)
    for name, factor in changes.drops:
        if name not in factors:
            raise AirError(f"no air element {name!r} to change; this unit has {', '.join(factors)}")
        factors[name] *= factor
    shares = []
    terms: dict[float, float] = {}
    for element in air.elements:
        share = element.drop * factors[element.name] * (changes.duct if element.is_duct else 1.0)
        if not 0.0 <= share < math.inf:
            raise AirError(f"the drop of {element.name!r} becomes {share} Pa; its factors must be finite and 0 or more")
        shares.append(share)
        terms[element.exponent] = terms.get(element.exponent, 0.0) + share * air.reference**-element.exponent
    fan, turn = air.fan, _radians(air.fan.speed)
    pressure, free, load = changes.fan_pressure, 1.0, 0.5 + 0.5 * changes.fan_pressure
    # Dirt takes the torque only half as much as the pressure (ours): the wheel turns the air less and wastes more.
    if changes.backwards:  # like the wheel at a third of its speed, but not at a third's power
        pressure, free, load = pressure * BACKWARDS_FLOW**2, BACKWARDS_FLOW, load * BACKWARDS_TORQUE
    return _System(
        terms=tuple(terms.items()),
        shares=tuple(shares),
        shutoff=fan.shutoff * pressure,
        free=fan.free * free,
        torque_shutoff=fan.shaft_shutoff / turn * load,
        torque_rise=(fan.shaft_free - fan.shaft_shutoff) / turn * load,
        speed=fan.speed,
        grip=1.0 - changes.slip,
        drag=changes.drag,
        ratio=density(air.altitude, air.return_air if celsius is None else celsius) / STANDARD_DENSITY,
    )


def _flow_where(value: Callable[[float], float], target: float, guess: float, power: float) -> float:
    """The flow at which the rising function `value` is `target`: the secant rule on logarithms.

    Speed, torque and power are close to powers of the flow, on which this rule is exact at once; `power` starts it.
    """
    x, goal = math.log(guess), math.log(target)
    error = math.log(value(guess)) - goal
    slope = power
    for _ in range(80):
        step = -error / slope
        x_next = x + max(-3.0, min(3.0, step))
        if abs(x_next - x) < 1e-13:
            return math.exp(x_next)
        error_next = math.log(value(math.exp(x_next))) - goal
        if abs(error_next) < 1e-13:
            return math.exp(x_next)
        slope = max(0.2, min(6.0, (error_next - error) / (x_next - x)))
        x, error = x_next, error_next
    return math.exp(x)


def _flow_at_pace(system: _System, pace: float) -> float:
    return _flow_where(system.pace, pace, 0.6 * pace * system.free, 1.0)


# ---- what a motor makes of it


@lru_cache(maxsize=_MEMORY)
def at_speed(air: Air, changes: Changes, rpm: float, celsius: float | None = None) -> Point:
    """The operating point with the motor at `rpm`, of air at `celsius` (the unit's return air when None)."""
    system = _system(air, changes, celsius)
    if rpm <= 0.0:
        return STILL
    if not system.holds:
        return system.loose(rpm)
    return system.point(_flow_at_pace(system, rpm * system.grip / system.speed))


@lru_cache(maxsize=_MEMORY)
def hold_flow(
    air: Air, changes: Changes, target: float, max_speed: float, max_shaft: float, celsius: float | None = None
) -> Point:
    """Constant airflow: the point at which `target` m3/s flow, or the speed (rpm) or power (W) limit that comes first."""
    system = _system(air, changes, celsius)
    if target <= 0.0 or max_speed <= 0.0 or max_shaft <= 0.0:
        return STILL
    if not system.holds:
        return _limited(system, max_speed, max_shaft)
    rpm, torque = system.load(target)
    if rpm <= max_speed and torque * _radians(rpm) <= max_shaft:
        return system.point(target)
    return _limited(system, max_speed, max_shaft)


@lru_cache(maxsize=_MEMORY)
def hold_torque(
    air: Air, changes: Changes, torque: float, max_speed: float, max_shaft: float, celsius: float | None = None
) -> Point:
    """Constant torque: the speed at which the load takes `torque` N*m, or the limit that comes first.

    STILL when friction alone holds the torque.
    """
    system = _system(air, changes, celsius)
    spare = torque - system.drag
    if spare <= 0.0 or max_speed <= 0.0 or max_shaft <= 0.0:
        return STILL
    if not system.holds:
        return _limited(system, max_speed, max_shaft)
    flow = _flow_where(
        lambda at: system.wheel_torque(at, system.pace(at)),
        spare,
        0.6 * system.free * math.sqrt(spare / (system.ratio * (system.torque_shutoff + 0.6 * system.torque_rise))),
        2.0,
    )
    point = system.point(flow)
    if point.speed <= max_speed and point.shaft <= max_shaft:
        return point
    return _limited(system, max_speed, max_shaft)


def _limited(system: _System, max_speed: float, max_shaft: float) -> Point:
    """The point at the speed limit, or at the power limit where that is lower."""
    if not system.holds:
        if system.drag * _radians(max_speed) <= max_shaft:
            return system.loose(max_speed, "speed")
        return system.loose(max_shaft / system.drag * 30.0 / math.pi, "power")
    at_limit = system.point(_flow_at_pace(system, max_speed * system.grip / system.speed), "speed")
    if at_limit.shaft <= max_shaft:
        return at_limit
    guess = at_limit.flow * (max_shaft / at_limit.shaft) ** (1 / 3)
    return system.point(_flow_where(system.shaft, max_shaft, guess, 3.0), "power")


@lru_cache(maxsize=_MEMORY)
def follow(air: Air, changes: Changes, curve: Induction, celsius: float | None = None) -> Point | None:
    """Split capacitor: the first speed on the way up at which the load takes what the motor has.

    None when the motor cannot leave standstill against drag and bearings.
    """
    system = _system(air, changes, celsius)
    if curve.torque(0.0) <= system.drag + curve.breakaway * curve.max_torque:
        return None

    def spare(flow: float) -> float:
        rpm, torque = system.load(flow)
        return curve.torque(rpm) - torque

    def spare_loose(rpm: float) -> float:
        return curve.torque(rpm) - system.drag

    if not system.holds:
        return system.loose(_first_fall(spare_loose, curve.synchronous))
    top = _flow_at_pace(system, curve.synchronous * system.grip / system.speed)
    return system.point(_first_fall(spare, top))


def _first_fall(spare: Callable[[float], float], top: float) -> float:
    """The lowest place in (0, top] at which `spare`, positive at 0, falls through zero; `top` when it never does."""
    low, at_low = 0.0, 1.0
    high, at_high = top, 0.0
    for step in range(1, _SCAN + 1):
        high = top * step / _SCAN
        at_high = spare(high)
        if at_high <= 0.0:
            break
        low, at_low = high, at_high
    else:
        return top
    if low == 0.0:
        at_low = spare(top * 1e-9)
        if at_low <= 0.0:
            return top * 1e-9
    for _ in range(60):  # the Illinois rule: false position that halves the end it is stuck at
        middle = (low * at_high - high * at_low) / (at_high - at_low)
        at_middle = spare(middle)
        if at_middle > 0.0:
            low, at_low, at_high = middle, at_middle, 0.5 * at_high
        else:
            high, at_high, at_low = middle, at_middle, 0.5 * at_low
        if abs(at_middle) < 1e-12 or high - low < 1e-13 * top:
            return middle
    return 0.5 * (low + high)


def line_watts_induction(point: Point, curve: Induction, stator_efficiency: float, iron_watts: float) -> float:
    """The watts a split-capacitor motor takes from the line.

    What crosses the air gap is torque times synchronous speed (the difference to the shaft heats the rotor); the stator
    adds its own loss, and the iron `iron_watts` at full flux, going with flux squared.
    """
    return point.torque * _radians(curve.synchronous) / stator_efficiency + iron_watts * curve.strength


# ---- what a manometer sees


@lru_cache(maxsize=_MEMORY)
def static(air: Air, changes: Changes, point: Point, port: str) -> float:
    """The static pressure in Pa at `port` against the room: negative before the fan, positive after it."""
    shares, after = _at_flow(air, changes, point), air.port(port).after
    names = [element.name for element in air.elements]
    place = air.before if after == "fan" else names.index(after) + 1
    if after != "fan" and place <= air.before:
        return 0.0 - sum(shares[:place])  # no negative zero when the air stands still
    return sum(shares[place:])


def _at_flow(air: Air, changes: Changes, point: Point) -> tuple[float, ...]:
    """Every element's drop in Pa; scaled so that they add up to the fan's pressure, whatever the density was."""
    if point.flow <= 0.0:
        return (0.0,) * len(air.elements)
    shares = _system(air, changes, None).shares
    through = point.flow / air.reference
    drops = [share * through**element.exponent for share, element in zip(shares, air.elements, strict=True)]
    total = sum(drops)
    return tuple(drop * point.pressure / total for drop in drops) if total > 0.0 else (0.0,) * len(drops)


def external_static(air: Air, changes: Changes, point: Point) -> float:
    """The external static pressure in Pa: the supply port's less the return port's."""
    supply, back = air.external
    return static(air, changes, point, supply) - static(air, changes, point, back)
