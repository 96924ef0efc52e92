"""English words of the further views: devices by the word before a terminal's point, parts by their names.

Rule: a number at the end of a name is left out here and set behind the word; a name that is missing is shown as its own words.
"""

from __future__ import annotations

#: Devices, as they stand over their terminals.
DEVICES = {
    "aux": "Auxiliary limit", "blower": "Blower plug", "board": "Board", "box": "Box", "cabinet": "Cabinet", "cap": "Capacitor",
    "capacitor": "Capacitor", "choke": "Choke", "compressor": "Compressor", "contactor": "Contactor", "control": "Control plug",
    "data": "Data plug", "door": "Door switch", "earth": "Earth", "fan": "Fan plug", "float": "Float switch", "fuse": "Fuse",
    "ground": "Ground", "heat": "Heat strips", "high": "High pressure", "igniter": "Igniter", "indoor": "Indoor unit",
    "inducer": "Inducer", "limit": "Limit", "low": "24 V strip", "module": "Module", "motor": "Motor",
    "outdoor": "Outdoor unit", "outlet": "Receptacle", "panel": "Panel", "power": "Power plug",
    "pressure": "Pressure switch", "prove": "Proving relay",
    "relay": "Relay", "rollout": "Rollout", "seq": "Sequencer", "source": "Reference source", "splice": "Splice",
    "squeeze": "Compressor plug", "stat": "Thermostat", "strip": "Strip", "suction": "Low pressure", "tap": "Tap plug",
    "transformer": "Transformer", "valve": "Gas valve", "winding": "Winding plug",
}  # fmt: skip

#: Parts, as they stand under their symbols.
PARTS = {
    "aux": "auxiliary", "aux_limit": "auxiliary limit", "aux_winding": "auxiliary", "breaker": "breaker",
    "compressor_run": "compressor, run", "compressor_section": "capacitor", "compressor_start": "compressor, start",
    "contactor": "contactor", "contactor_coil": "contactor coil", "contactor_core": "contactor coil",
    "control_module": "control module", "disconnect": "disconnect", "door_switch": "door switch", "fan_relay": "fan relay",
    "fan_section": "capacitor", "feedback": "feedback", "feedback_series": "feedback",
    "field": "main winding", "float": "float switch",
    "float_switch": "float switch", "gas_valve": "gas valve", "high_pressure": "high pressure", "igniter": "igniter",
    "indoor_board": "indoor board", "indoor_fan_input": "indoor board", "indoor_neutral": "neutral", "inducer": "inducer",
    "input": "board input", "input_feedback": "feedback input", "limit": "limit switch", "line_choke": "choke",
    "link": "fusible link", "low_pressure": "low pressure", "low_voltage_fuse": "24 V fuse", "main_field": "main winding",
    "main_winding": "main winding", "module_inlet": "module", "module_input": "module input", "module_serial": "module data",
    "out": "board", "out_cool": "board, cool", "out_fan": "board, fan", "out_gas": "board, gas", "out_heat": "board, heat",
    "out_igniter": "board, igniter", "out_inducer": "board, inducer", "out_strips": "board, strips",
    "outdoor_coil": "outdoor contactor", "outdoor_contactor": "outdoor contactor", "outdoor_logic": "outdoor board",
    "overload": "overload", "phase_u": "winding U", "phase_v": "winding V", "phase_w": "winding W",
    "pressure": "pressure switch", "proving_relay": "proving relay", "receiver_data": "module data",
    "receiver_five": "module data", "reply_series": "module data", "rollout": "rollout switch",
    "run_capacitor": "run capacitor",
    "sense": "board input", "sequencer": "sequencer", "stat_cool": "cool", "stat_display": "thermostat", "stat_fan": "fan",
    "stat_heat": "heat", "strip": "heat strip", "transformer": "transformer", "winding": "winding",
}  # fmt: skip
