"""What an equipment file and a fault file may hold, as tables that `check_equipment` walks.

Rule: a key with a ? may be left out. A value's kind is a plain kind (text, flag, positive, seconds, ...), the name of something
in the file (terminal, contact, unit, ...), q:UNIT for a written quantity, list:KIND, map:KIND, none_or:KIND for KIND or an
empty text, or the name of a table inside the table.
"""

from __future__ import annotations

from typing import get_args

from blowerbench.acts import Call
from blowerbench.equipment import SIDES
from blowerbench.faults import CHANGES

_ELECTRONIC = {
    "kind": "text", "line": "pair", "plug": "none_or:connector", "winding_plug": "none_or:connector", "inverter": "list:part",
    "phases": "list:part", "windings": "list:terminal", "bus": "list:part", "bus_points": "pair", "bleeder": "part",
    "bus_leak": "part", "farads": "q:farad", "bus_run": "q:volt", "bus_stop": "q:volt", "start_seconds": "seconds",
    "coast_seconds": "seconds", "idle_watts": "positive", "trying_watts": "positive", "phase_ohms_low": "positive",
    "phase_ohms_high": "positive", "feedback?": "part", "feedback_volts?": "q:volt", "order": "list:text",
    "rectifier": "rectifier", "link_parts?": "list:part", "link_series?": "list:part", "input_line?": "input_line",
    "efficiency": "share", "amps_harmonics?": "flag", "max_speed": "q:rpm", "max_shaft": "q:watt",
}  # fmt: skip
_HOLDS_FLOW = {"airflow": "map:q:m**3/s", "selection?": "map:number"}
_COMMANDED = {"inputs": "map:pair", "input_on": "q:volt"}
MODULES: dict[str, dict[str, str]] = {
    "constant_airflow": {**_ELECTRONIC, **_HOLDS_FLOW, **_COMMANDED, "selection_inputs?": "list:pair"},
    "constant_torque": {**_ELECTRONIC, **_COMMANDED, "torque": "map:q:newton * meter"},
    "serial": {
        **_ELECTRONIC, **_HOLDS_FLOW, "inputs?": "map:pair", "input_on?": "q:volt", "data": "data", "reply?": "emf",
        "selection_selectors?": "list:selector",
    },
    "split_capacitor": {
        "kind": "text", "main": "pair", "nominal": "q:volt", "taps": "map:pair", "tap_on": "q:volt", "order": "list:text",
        "aux": "part", "aux_amps": "q:ampere", "capacitors": "list:part", "capacitor_points": "pair", "capacitor": "q:farad",
        "overload": "none_or:contact", "synchronous": "q:rpm", "max_torque": "q:newton * meter", "slip_at_max": "share",
        "start_torque": "share", "stator_efficiency": "share", "iron_watts": "positive", "locked_watts": "positive",
        "overload_opens": "number", "overload_closes": "number", "winding_tau": "seconds", "winding_rise": "positive",
        "windings": "list:terminal", "plug": "none_or:connector", "start_seconds": "seconds", "coast_seconds": "seconds",
    },
}  # fmt: skip
_COOLING = {"cooling?": "cooling", "cooling_element?": "element", "element?": "element", "ambient?": "any"}
_LIMIT = {
    "limit_factor": "positive", "tau_with_air": "seconds", "tau_no_air": "seconds", "limit_opens": "number",
    "limit_closes": "number", **_COOLING,
}  # fmt: skip
HEATS: dict[str, dict[str, str]] = {
    "none": {"kind": "text", **_COOLING},
    "electric": {"kind": "text", "elements": "list:pair", "no_air": "number", **_LIMIT},
    "gas": {
        "kind": "text", "rate": "q:watt", "inducer": "pair", "inducer_on": "q:volt", "pressure_delay": "seconds",
        "igniter": "pair", "igniter_on": "q:volt", "igniter_hot": "seconds", "gas_valve": "pair", "gas_valve_on": "q:volt",
        "flame_delay": "seconds", "rollout_delay": "seconds", "burner_no_air": "number", **_LIMIT,
    },
}  # fmt: skip
_MEASURE = {
    **dict.fromkeys(
        ("in_box?", "thermostat?", "live_fan?", "live_heat?", "live_cool?", "dead_ohms?", "apart?", "mated?", "windings?",
         "line_ohms?", "under_load?"), "pairs"
    ),
    "lift_ohms?": "list:list:any", "clamp?": "list:wire",
}  # fmt: skip
TABLES: dict[str, dict[str, str]] = {
    "": {
        "id": "text", "version": "whole", "title": "text", "notice": "text", "kind": "equipment_kind", "part": "any",
        **dict.fromkeys(("network", "ratings", "protection", "heat", "module", "expect"), "table"),
        **dict.fromkeys(("board?", "timing?", "source?", "air?", "measure?", "labels?", "sentences?"), "table"),
        **dict.fromkeys(("zone", "supply", "unit", "complaint"), "any"),
        **dict.fromkeys(
            ("connector?", "lift?", "relay?", "selector?", "phase?", "place?", "air_element?", "port?", "sound?"), "any"
        ),
    },
    "ratings": {
        "supply": "q:volt", "supply_low": "q:volt", "supply_high": "q:volt", "blower_amps_max": "q:ampere",
        "r_c_low": "q:volt", "r_c_high": "q:volt", "bus_volts?": "q:volt", "winding_ohms_max": "q:ohm",
        "frame_ohms_min": "q:ohm", "external_static_max?": "q:in_wc", "rise_low?": "q:delta_degC",
        "rise_high?": "q:delta_degC",
    },
    "zone": {
        "name": "text", "title": "text", "nodes": "list:terminal", "behind_door?": "flag", "behind_cover?": "flag",
    },
    "connector": {
        "name": "text", "title": "text", "ways": "whole", "latch": "text", "covered_by": "none_or:connector",
        "behind_cover": "flag", "minimum_wires?": "text",
    },
    "lift": {"wires": "list:wire"},
    "supply": {
        "name": "text", "title": "text", "breaker": "list:contact", "amps": "positive", "disconnect": "list:contact",
        "takes_lock?": "flag", "roles": "map:list:terminal",
    },
    "protection": {
        "fuse": "none_or:part", "fuse_amps?": "positive", "door_switch": "none_or:contact", "limit": "none_or:contact",
        "rollout": "none_or:contact", "pressure": "none_or:contact", "thermostat": "map:list:contact",
        "live_source": "list:terminal", "limit_chain": "list:contact",
    },
    "sound": {"name": "text", "across": "pair", "on": "q:volt"},
    "selector": {"name": "text", "title": "text", "contact": "none_or:contact", "closed": "flag"},
    "relay": {
        "name": "text", "coil": "pair", "pull_in": "q:volt", "drop_out": "q:volt", "on_delay?": "seconds",
        "off_delay?": "seconds", "contacts": "list:contact", "opens?": "list:contact",
    },
    "board": {
        "supply": "pair", "pull_in": "q:volt", "drop_out": "q:volt", "input_on": "q:volt", "inputs": "map:terminal",
        "outputs": "map:none_or:contact", "dc?": "emf", "serial?": "emf", "inputs_dc?": "map:terminal", "dc_on?": "q:volt",
    },
    "phase": {
        "machine": "machine", "name": "text", "outputs": "list:output", "status": "any", "go": "any", "counts?": "flag",
        "resets?": "flag",
    },
    "source": {
        "kind": "adapter", "clips": "list:part", "core": "part", "switch": "part", "outputs": "list:part", "lamp": "pair",
        "lamp_on": "q:volt", "emf?": "part", "emf_volts?": "q:volt", "connector": "connector", "run?": "text",
    },
    "air": {
        "altitude": "q:m", "reference": "q:m**3/s", "return_air": "q:degC", "external?": "list:port", "fan": "fan",
    },
    "air_element": {"name": "text", "title?": "text", "drop?": "q:Pa", "exponent?": "number"},
    "port": {"name": "text", "title": "text", "after": "element", "near_heat?": "flag"},
    "place": {"name": "text", "title": "text", "behind_door": "flag"},
    "expect": {"runs_on": "list:call", "seconds": "map:seconds"},
    "measure": _MEASURE,
    "unit": {
        "name": "text", "title": "text", "minutes": "number", "effect_only?": "flag", "side?": "side",
        "opens_motor?": "flag", "low_voltage?": "flag", "tool?": "flag",
    },
    "complaint": {"id": "text", "call": "call", "text": "text"},
    "fault": {
        "id": "text", "title": "text", "change": "change", "target": "list:text", "unit?": "text", "severities?": "any",
        "correction": "correction", "prior": "whole", "prior_reason": "text", "competency": "text",
        "difficulty": "difficulty", "complaints": "list:complaint", "sees": "text", "repair": "text", "why": "text",
        "sights?": "any", "stop_work?": "flag", "with_units?": "list:unit", "also?": "map:number", "when?": "when",
        "only_by_substitution?": "text",
    },
    # tables inside tables
    "fan": {
        "speed": "q:rpm", "shutoff": "q:Pa", "free": "q:m**3/s", "shaft_shutoff": "q:watt", "shaft_free": "q:watt",
    },
    "emf": {"source": "part", "volts": "q:volt"},
    "data": {"pair": "pair", "on": "q:volt"},
    "cooling": {"sense": "pair", "on": "q:volt", "capacity": "q:watt"},
    "when": {"by": "stirred_by", "after": "seconds", "rest": "seconds", "provoke": "any", "at": "none_or:place"},
    "sight": {"where": "place", "says": "sentence"},
    "severity": {"name": "text", "value": "any"},
}  # fmt: skip
#: The key that names a row of each list of tables.
ROWS = {
    "zone": "name", "connector": "name", "lift": "", "supply": "name", "selector": "name", "relay": "name", "phase": "name",
    "air_element": "name", "port": "name", "place": "name", "unit": "name", "complaint": "id",
    "sound": "name",
}  # fmt: skip
FIXED: dict[str, tuple[str, ...]] = {
    "equipment_kind": ("gas_furnace", "air_handler", "outdoor_unit"), "rectifier": ("linked", "bridge", "doubler"),
    "input_line": ("ac", "dc"), "machine": ("heater", "blower"), "adapter": ("ac", "dc", "serial"), "side": SIDES,
    "call": get_args(Call), "change": tuple(CHANGES), "stirred_by": ("powered", "running", "hot"),
}  # fmt: skip
SETTINGS = (
    "none", "air.fan_pressure", "air.slip", "air.backwards", "heat.rate", "cool.rate", "motor.seized", "motor.rough",
    "motor.drag", "motor.turn_short", "motor.to_frame", "module.dead", "module.output_open", "module.output_short",
    "board.dead", "board.mute", "board.flame_blind", "inducer.seized", "gas.shut", "gas.smell", "flame.rolls_out",
    "co.alarm", "lead.open", "meter.fuse_blown",
)  # fmt: skip
