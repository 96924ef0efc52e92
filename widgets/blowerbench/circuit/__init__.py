"""The simulated circuit: parts, network, its solution, what instruments read of it."""

from blowerbench.circuit.meters import (
    OVERLOAD,
    Display,
    MeterSpec,
    display,
    interval,
    pwm,
    read_clamp,
    read_ohms,
    read_volts,
    units_of,
)
from blowerbench.circuit.network import Branch, Network, NetworkError, load_network
from blowerbench.circuit.parts import (
    Capacitor,
    Contact,
    Fuse,
    Part,
    Pin,
    Resistor,
    Source,
    Transformer,
    Winding,
    Wire,
    wire_resistance,
)
from blowerbench.circuit.solve import NOTHING, Circuit, Edits, Shunt, State, Tolerances
from blowerbench.circuit.system import CircuitError
from blowerbench.circuit.table import table

__all__ = [
    "NOTHING",
    "OVERLOAD",
    "Branch",
    "Capacitor",
    "Circuit",
    "CircuitError",
    "Contact",
    "Display",
    "Edits",
    "Fuse",
    "MeterSpec",
    "Network",
    "NetworkError",
    "Part",
    "Pin",
    "Resistor",
    "Shunt",
    "Source",
    "State",
    "Tolerances",
    "Transformer",
    "Winding",
    "Wire",
    "display",
    "interval",
    "load_network",
    "pwm",
    "read_clamp",
    "read_ohms",
    "read_volts",
    "table",
    "units_of",
    "wire_resistance",
]
