"""The motor: when it starts, what it moves, what it takes from its line.

Rule: every function takes the plant and the solved circuit at one instant and returns the plant. Electronic motors
(constant airflow, constant torque, serial) obey a command on a charged bus; a split-capacitor motor obeys the volts on its
winding. Flow, speed and watts come from `blowerbench.air`, so that the duct decides what the motor does.
"""

from __future__ import annotations

import math
from dataclasses import replace as replace_curve
from functools import lru_cache

from msgspec.structs import replace

from blowerbench import air as a
from blowerbench.circuit import State, Transformer
from blowerbench.circuit.rectifier import discharge
from blowerbench.equipment import Equipment
from blowerbench.faults import NO_EFFECTS, Effects
from blowerbench.hands import Hands
from blowerbench.plant import (
    FOREVER,
    LINE,
    TURNING,
    Plant,
    air_changes,
    phase_outputs,
    selector_closed,
    source_speaks,
)
from blowerbench.sequence import TICK, TOO_MANY, volts, volts_dc
from blowerbench.variant import Variant
from blowerbench.warmth import crossing, return_air

CHARGES = 40.0  # line volts from which the rectifier counts as fed
LINE_STEP = 0.001  # a relative change of the line volts below this is left alone
WEAK = 0.4  # share of the line watts that a motor without its capacitor wastes on top (ours: the backward field)
FLUX_STEP = 0.001  # a change of flux below this is left alone, so that motor and circuit settle
RETRY = 10.0  # seconds until an electronic motor on a low bus tries again
IDLE = ("", 0.0)


def linked(equipment: Equipment, fx: Effects, hands: Hands) -> bool:
    """Whether the control module's rectifier doubles the line now."""
    module = equipment.module
    if module["rectifier"] != "linked":
        return bool(module["rectifier"] == "doubler")
    return not any(x in fx.opened for x in module["link_parts"]) and module["plug"] not in hands.parted


# ---------------------------------------------------------------------- electronic motors
def bleeder_ohms(equipment: Equipment, fx: Effects, variant: Variant) -> float:
    """Ohms across the bus capacitors when nothing else draws on them."""
    module, values = equipment.module, dict(fx.resistances)
    siemens = 0.0
    for name in (module["bleeder"], module["bus_leak"]):
        if name not in fx.opened:
            siemens += 1.0 / (values.get(name, equipment.wire(name).resistance) * variant.tolerances.resistor)
    return 1.0 / siemens


def bus_volts(equipment: Equipment, fx: Effects, variant: Variant, plant: Plant, when: float) -> float:
    """Volts of the bus at `when`: held while the line feeds it, else running down by the closed form."""
    if plant.charged or not equipment.electronic:
        return plant.bus
    if plant.bus0 <= 0.0:
        return 0.0
    module = equipment.module
    farads = float(module["farads"]) * variant.tolerances.capacitor
    stage = plant.bus_watts if not fx.setting("module.dead") else 0.0
    ohms = bleeder_ohms(equipment, fx, variant)
    return discharge(plant.bus0, stage, ohms, farads, when - plant.bus_at, float(module["bus_stop"]))


def _command(equipment: Equipment, fx: Effects, hands: Hands, plant: Plant, state: State) -> tuple[str, float]:
    """The command that the control module obeys, and the factor on its airflow; no command is an empty name."""
    module = equipment.module
    if fx.setting("module.dead"):
        return IDLE
    name = ""
    read = volts_dc if module.get("input_line", "ac") == "dc" else volts
    if "data" in module:
        data = module["data"]
        if volts_dc(state, data["pair"]) >= data["on"] and not fx.setting("module.deaf.data"):
            outputs = (equipment.source["run"],) if source_speaks(equipment, hands, plant) else phase_outputs(equipment, plant)
            name = next((n for n in module["order"] if n in outputs), "")
    else:
        for wanted in module["order"]:
            if not fx.setting(f"module.deaf.{wanted}") and read(state, module["inputs"][wanted]) >= module["input_on"]:
                name = str(wanted)
                break
    if not name:
        return IDLE
    factor = 1.0 if source_speaks(equipment, hands, plant) and "data" in module else _selection(equipment, fx, hands, state)
    return (name, factor) if factor > 0.0 else IDLE


def _selection(equipment: Equipment, fx: Effects, hands: Hands, state: State) -> float:
    module = equipment.module
    if "selection" not in module:
        return 1.0
    if "selection_selectors" in module:
        bits = [selector_closed(equipment, fx, hands, name) for name in module["selection_selectors"]]
    else:
        read = volts_dc if module.get("input_line", "ac") == "dc" else volts
        bits = [read(state, pair) >= module["input_on"] for pair in module["selection_inputs"]]
    return float(module["selection"]["".join("01"[b] for b in bits)])


def _able(equipment: Equipment, fx: Effects) -> bool:
    """Whether the windings, the shaft and the output stage let the rotor turn."""
    module = equipment.module
    blocked = ("motor.seized", "motor.turn_short", "module.output_short", "motor.to_frame", "module.output_open")
    broken = any(w in fx.opened for w in (*module["phases"], *module["inverter"]))
    shorted = any("winding" in s.a or "module." in s.a for s in fx.shunts if s.ohms < 1e5)
    return not (any(fx.setting(b) for b in blocked) or broken or shorted)


def electronic_point(
    equipment: Equipment, fx: Effects, variant: Variant, speed: str, factor: float, door_on: bool = True
) -> a.Point:
    """Where the blower stands on the command `speed`."""
    module, path = equipment.module, equipment.air
    if path is None:
        return a.STILL
    changes, room = air_changes(equipment, fx, variant, door_on), return_air(equipment, variant)
    top, most = module["max_speed"], module["max_shaft"]
    if module["kind"] == "constant_torque":
        return a.hold_torque(path, changes, module["torque"][speed], top, most, room)
    return a.hold_flow(path, changes, module["airflow"][speed] * factor, top, most, room)


def electronic(equipment: Equipment, fx: Effects, variant: Variant, plant: Plant, hands: Hands, state: State) -> Plant:
    """Rectifier, bus, command and rotor of a motor with a control module."""
    module, now = equipment.module, plant.time
    line = volts(state, module["line"])
    charged = line >= CHARGES
    if charged and plant.charged and abs(line - plant.line) < LINE_STEP * line:
        line = plant.line
    peak = math.sqrt(2.0) * line
    bus = (2.0 * (peak - 0.9) if linked(equipment, fx, hands) else peak - 1.8) if charged else plant.bus
    bus0, bus_at, drawn = plant.bus0, plant.bus_at, plant.bus_watts
    if charged:
        bus0, bus_at, drawn = bus, now, plant.watts
    elif plant.charged:
        bus0, bus_at = plant.bus, now
    burnt = plant.burnt | {"module"} if _overfed(equipment, state) else plant.burnt
    want, factor = _command(equipment, fx, hands, plant, state) if "module" not in burnt else IDLE
    ready = charged and bus >= module["bus_stop" if plant.motor in TURNING else "bus_run"]
    motor, since, speed = _motion(equipment, fx, plant, hands, bool(want) and charged, ready, want)
    running = motor == "running"
    point = electronic_point(equipment, fx, variant, speed, factor, hands.door_on) if running else a.STILL
    if motor == "running":
        watts = point.shaft / module["efficiency"] + module["idle_watts"]
    else:
        watts = float(module["trying_watts"] if motor in ("starting", "twitching", "hunting") else module["idle_watts"])
    return replace(
        plant, line=line if charged else 0.0, charged=charged, bus=bus, bus0=bus0, bus_at=bus_at, bus_watts=drawn, burnt=burnt,
        motor=motor, motor_at=since, speed=speed, point=point, watts=watts,
    )  # fmt: skip


def _overfed(equipment: Equipment, state: State) -> bool:
    """Whether a command input stands at volts that kill it."""
    found: bool | None = state.notes.get("overfed")
    if found is None:
        inputs = equipment.module.get("inputs", {}).values()
        found = state.notes["overfed"] = any(volts(state, pair) > TOO_MANY for pair in inputs)
    return found


def _motion(
    equipment: Equipment, fx: Effects, plant: Plant, hands: Hands, want: bool, ready: bool, speed: str
) -> tuple[str, float, str]:
    now, module = plant.time, equipment.module
    motor, since = plant.motor, plant.motor_at
    if module["winding_plug"] in hands.parted:
        return "still", (since if motor == "still" else now), ""
    if not want:
        return _stopping(equipment, plant)
    if not ready:
        if motor in TURNING:
            return "hunting", now, speed
        if motor == "hunting":
            return motor, since, speed
        return "still", (since if motor == "still" else now), ""
    if motor == "hunting" and now < since + RETRY - TICK:
        return motor, since, speed
    if not _able(equipment, fx):
        return "twitching", (since if motor == "twitching" else now), speed
    return _starting(equipment, plant, speed)


def _stopping(equipment: Equipment, plant: Plant) -> tuple[str, float, str]:
    motor, since, now = plant.motor, plant.motor_at, plant.time
    if motor in TURNING:
        return "coasting", now, ""
    if motor == "coasting" and now < since + equipment.module["coast_seconds"] - TICK:
        return motor, since, ""
    return "still", (since if motor == "still" else now), ""


def _starting(equipment: Equipment, plant: Plant, speed: str) -> tuple[str, float, str]:
    motor, since, now = plant.motor, plant.motor_at, plant.time
    if motor == "running":
        return motor, since, speed
    if motor == "starting":
        return ("running", now, speed) if now >= since + equipment.module["start_seconds"] - TICK else (motor, since, speed)
    return "starting", now, speed


# ---------------------------------------------------------------------- split-capacitor motors
@lru_cache(maxsize=4096)
def induction(equipment: Equipment, flux: float, boost: float) -> a.Induction:
    """The torque curve of the unit's split-capacitor motor at `flux` (of nominal) and `boost` (of its capacitor)."""
    m = equipment.module
    return a.Induction(m["synchronous"], m["max_torque"], m["slip_at_max"], m["start_torque"], flux * flux, boost)


def _energised(equipment: Equipment, plant: Plant, state: State) -> str:
    """The tap that is fed: the one the board calls for if it is live, else the one nearest nominal volts; empty when none is.

    Taps that are not fed are live too, through the winding.
    """
    module = equipment.module
    found = {name: volts(state, pair) for name, pair in module["taps"].items()}
    live = [name for name in module["order"] if found[name] >= module["tap_on"]]
    asked = [name for name in phase_outputs(equipment, plant) if name in live]
    return asked[0] if len(asked) == 1 else min(live, key=lambda name: abs(found[name] - module["nominal"]), default="")


def _copper(equipment: Equipment, state: State) -> float:
    """Watts in the tap sections of the field: next to nothing, unless two taps are energised at once."""
    watts: float | None = state.notes.get("copper")
    if watts is None:
        watts = 0.0
        for branch, ohms in _sections(equipment):
            watts += abs(state.current(branch, LINE)) ** 2 * ohms
        state.notes["copper"] = watts
    return watts


@lru_cache(maxsize=32)
def _sections(equipment: Equipment) -> tuple[tuple[str, float], ...]:
    """The branches of the field's tap sections with their ohms."""
    found: list[tuple[str, float]] = []
    for name, part in equipment.network.parts.items():
        if isinstance(part, Transformer) and name.startswith("field"):
            found += [(f"{name}.primary", part.primary_resistance), (f"{name}.secondary", part.secondary_resistance)]
    return tuple(found)


def split_capacitor(equipment: Equipment, fx: Effects, variant: Variant, plant: Plant, hands: Hands, state: State) -> Plant:
    """Tap, flux, capacitor and rotor of a split-capacitor motor, and what heats its winding."""
    module = equipment.module
    on = volts(state, module["main"])
    flux, boost = on / module["nominal"], 0.0
    if flux > 0.2:
        share = abs(state.current(module["aux"], LINE)) / module["aux_amps"] / flux
        boost = min(1.0, round(share, 2)) if share <= 1.6 else 0.0  # a shorted capacitor turns nothing
    if abs(flux - plant.flux) < FLUX_STEP:
        flux = plant.flux
    if abs(boost - plant.boost) < 2 * FLUX_STEP:
        boost = plant.boost
    flux, boost = round(flux, 4), round(boost, 4)
    speed = _energised(equipment, plant, state) if flux > 0.2 else ""
    pushed = plant.pushed and bool(speed)
    point = _follow(equipment, fx, variant, flux, boost, pushed, hands.door_on) if speed else None
    if not speed:
        motor, since, _ = _stopping(equipment, plant) if plant.motor != "humming" else ("still", plant.time, "")
    elif point is None:
        motor, since = "humming", (plant.motor_at if plant.motor == "humming" else plant.time)
    else:
        motor, since, _ = _starting(equipment, plant, speed)
    standing = a.STILL if motor != "running" or point is None else point
    watts = lost = 0.0
    if motor == "running":
        curve = induction(equipment, flux, boost)
        watts = a.line_watts_induction(standing, curve, module["stator_efficiency"], module["iron_watts"])
        watts *= 1.0 + WEAK * (1.0 - boost)
        lost = watts - standing.shaft
    elif speed:
        watts = lost = module["locked_watts"] * flux * flux
    lost += _copper(equipment, state) if speed else 0.0
    opened = plant.overloaded
    if module["overload"]:
        if not opened and plant.winding >= module["overload_opens"] - 1e-6:
            opened = True
        elif opened and plant.winding <= module["overload_closes"] + 1e-6:
            opened = False
    return replace(
        plant, flux=flux, boost=boost, motor=motor, motor_at=since, speed=speed, point=standing, watts=watts,
        lost=round(lost, 1), pushed=pushed, overloaded=opened,
        switched_at=plant.switched_at if opened == plant.overloaded else plant.time,
        switches=plant.switches + (opened != plant.overloaded),
    )  # fmt: skip


def _follow(
    equipment: Equipment, fx: Effects, variant: Variant, flux: float, boost: float, pushed: bool, door_on: bool
) -> a.Point | None:
    """Where the motor stands; None where it can't start by itself and nobody has pushed it."""
    if equipment.air is None or fx.setting("motor.seized"):
        return None
    curve, room = induction(equipment, flux, boost), return_air(equipment, variant)
    if pushed:  # once it turns, it keeps turning: no starting torque is asked of it
        curve = replace_curve(curve, start_torque=0.9, breakaway=0.0, boost=max(boost, 0.1))
    return a.follow(equipment.air, air_changes(equipment, fx, variant, door_on), curve, room)


def healthy_flow(equipment: Equipment, variant: Variant, plant: Plant) -> float:
    """The flow (m3/s) of a healthy unit on the command or the flux that the blower has now; 0 when it stands."""
    if plant.motor != "running" or equipment.air is None:
        return 0.0
    if equipment.electronic:
        return electronic_point(equipment, NO_EFFECTS, variant, plant.speed, 1.0).flow
    curve = induction(equipment, round(20.0 * plant.flux) / 20.0, 1.0)
    point = a.follow(equipment.air, air_changes(equipment, NO_EFFECTS, variant), curve)
    return point.flow if point else 0.0


def winding_target(equipment: Equipment, plant: Plant, variant: Variant) -> float:
    """Degrees Celsius that the winding goes to with what it loses now."""
    return return_air(equipment, variant) + float(equipment.module["winding_rise"]) * plant.lost


def overload_time(equipment: Equipment, plant: Plant, variant: Variant) -> float:
    """When the overload opens or closes, if it goes on like this."""
    module = equipment.module
    if not module.get("overload"):
        return FOREVER
    threshold = float(module["overload_closes" if plant.overloaded else "overload_opens"])
    target = winding_target(equipment, plant, variant)
    return plant.time + crossing(plant.winding, target, threshold, float(module["winding_tau"]))
