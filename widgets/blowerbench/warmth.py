"""Heat into the air and out of it: burner, electric strips, cooling coil, and what the limit feels of it.

Rule: temperatures are first-order states in closed form between events; their targets come from heat and airflow
(Q = m·c·ΔT), so short air is what opens a limit, not a flag.
"""

from __future__ import annotations

import math
from functools import lru_cache

from msgspec.structs import replace

from blowerbench.air import temperature_rise
from blowerbench.circuit import Resistor, State
from blowerbench.equipment import Equipment, EquipmentError
from blowerbench.faults import Effects
from blowerbench.hands import Hands
from blowerbench.plant import FOREVER, LINE, Plant
from blowerbench.sequence import TICK, volts
from blowerbench.variant import Variant

COLD = 35.0  # degC: a plenum below that has cooled down
COLDEST = 30.0  # kelvin that a coil takes off the air at most: below that it ices (ours)


def _since(before: float, on: bool, now: float) -> float:
    return FOREVER if not on else min(before, now)


@lru_cache(maxsize=256)
def _strip(equipment: Equipment, a: str, b: str) -> str:
    for part in equipment.network.parts.values():
        if isinstance(part, Resistor) and {part.a, part.b} == {a, b}:
            return part.name
    raise EquipmentError(f"{equipment.id}: no resistor between {a!r} and {b!r}; [heat] elements names the ends of its strips")


def _burner(equipment: Equipment, fx: Effects, plant: Plant, hands: Hands, state: State) -> Plant:
    heat, now = equipment.heat, plant.time
    fed: list[bool] | None = state.notes.get("burner")
    if fed is None:
        fed = [volts(state, heat[part]) >= heat[f"{part}_on"] for part in ("inducer", "igniter", "gas_valve")]
        state.notes["burner"] = fed
    inducer_at, igniter_at, gas_at = (
        _since(before, on, now) for before, on in zip((plant.inducer_at, plant.igniter_at, plant.gas_at), fed, strict=True)
    )
    if fx.setting("inducer.seized") or "inducer" in fx.opened:
        inducer_at = FOREVER
    if "igniter" in fx.opened:
        igniter_at = FOREVER
    pressure = now >= inducer_at + heat["pressure_delay"] - TICK
    hot = now >= igniter_at + heat["igniter_hot"] - TICK
    supplied = hands.gas_on and not fx.setting("gas.shut")
    lit = now >= gas_at + heat["flame_delay"] - TICK and supplied and (hot or plant.flame)
    rolled = now >= gas_at + heat["flame_delay"] + heat["rollout_delay"] - TICK and plant.flame
    rollout = plant.rollout and not (rolled and fx.setting("flame.rolls_out"))
    return replace(
        plant, inducer_at=inducer_at, igniter_at=igniter_at, gas_at=gas_at, pressure=pressure, flame=lit, rollout=rollout,
        heat=heat["rate"] * fx.setting("heat.rate", 1.0) if lit else 0.0,
    )  # fmt: skip


def devices(equipment: Equipment, fx: Effects, plant: Plant, hands: Hands, state: State) -> Plant:
    """What heats and cools at this instant, and whether the limit has opened or closed."""
    heat, was = equipment.heat, plant.heat
    if heat["kind"] == "gas":
        plant = _burner(equipment, fx, plant, hands, state)
    elif heat["kind"] == "electric":
        strips = [(ends, _strip(equipment, *ends)) for ends in heat["elements"]]
        watts = sum(volts(state, ends) * abs(state.current(strip, LINE)) for ends, strip in strips)
        plant = replace(plant, heat=float(round(watts)) if watts > 20.0 else 0.0)
    if plant.heat and not was and plant.plenum < COLD:
        plant = replace(plant, heated_at=plant.time)
    cooling = heat.get("cooling")
    if cooling:
        on = volts(state, cooling["sense"]) >= cooling["on"]
        plant = replace(plant, cold=cooling["capacity"] * fx.setting("cool.rate", 1.0) if on else 0.0)
    if "limit_opens" not in heat:
        return plant
    limit = plant.limit
    if limit and plant.plenum >= heat["limit_opens"] - 1e-6:
        limit = False
    elif not limit and plant.plenum <= heat["limit_closes"] + 1e-6:
        limit = True
    if limit == plant.limit:
        return plant
    return replace(plant, limit=limit, switched_at=plant.time, switches=plant.switches + 1)


def return_air(equipment: Equipment, variant: Variant) -> float:
    """Degrees Celsius of the air that comes back from the rooms."""
    nominal = equipment.air.return_air if equipment.air else float(equipment.heat.get("ambient", 21.0))
    return nominal + variant.room_kelvin


def targets(equipment: Equipment, plant: Plant, variant: Variant) -> tuple[float, float, float]:
    """Where plenum (degC) and coil (kelvin below the return) are going, and their time constant (s)."""
    heat, room = equipment.heat, return_air(equipment, variant)
    flow = plant.point.flow if plant.motor == "running" else 0.0
    if heat["kind"] == "none" or equipment.air is None:
        return room, 0.0, 60.0
    if flow <= 0.01:
        still = room if not plant.heat else float(heat["burner_no_air" if heat["kind"] == "gas" else "no_air"])
        return still, 0.0, float(heat["tau_no_air"])
    altitude = equipment.air.altitude
    warmer = temperature_rise(plant.heat + plant.point.shaft, flow, altitude=altitude, celsius=room)
    colder = min(COLDEST, temperature_rise(plant.cold, flow, altitude=altitude, celsius=room))
    return room + heat["limit_factor"] * warmer, colder, float(heat["tau_with_air"])


def limit_time(equipment: Equipment, plant: Plant, variant: Variant) -> float:
    """When the limit will open or close, if what heats now goes on; FOREVER otherwise."""
    if "limit_opens" not in equipment.heat:
        return FOREVER
    target, _, tau = targets(equipment, plant, variant)
    threshold = float(equipment.heat["limit_opens" if plant.limit else "limit_closes"])
    return plant.time + crossing(plant.plenum, target, threshold, tau)


def crossing(now: float, target: float, threshold: float, tau: float) -> float:
    """Seconds until a first-order state that goes from `now` to `target` crosses `threshold`; FOREVER where it never does."""
    ratio = (target - now) / (target - threshold) if target != threshold else 0.0
    return tau * math.log(ratio) if ratio > 1.0 else FOREVER


def drift(equipment: Equipment, plant: Plant, when: float, variant: Variant) -> Plant:
    """Plenum and coil at `when`."""
    warm, cold, tau = targets(equipment, plant, variant)
    left = math.exp(-(when - plant.time) / tau)
    return replace(plant, plenum=warm + (plant.plenum - warm) * left, chill=cold + (plant.chill - cold) * left)


def temperature_at(equipment: Equipment, plant: Plant, variant: Variant, port: str) -> float:
    """Degrees Celsius that a probe in `port` reads; near the heat it sees the exchanger and reads as the limit does."""
    air, room = equipment.air, return_air(equipment, variant)
    if air is None:
        return room
    order = [e.name for e in air.elements]
    place = air.before - 1 if air.port(port).after == "fan" else order.index(air.port(port).after)
    warm, cold = equipment.heat.get("element", "exchanger"), equipment.heat.get("cooling_element", "coil")
    degrees = room
    if warm in order and place >= order.index(warm) and equipment.heat["kind"] != "none":
        rise = plant.plenum - room
        degrees += rise if air.port(port).near_heat else rise / equipment.heat["limit_factor"]
    if cold in order and place >= order.index(cold):
        degrees -= plant.chill
    return degrees
