"""The simulated bench: equipment, faults, circuit, session and call record. Loads no Jupyter package."""

from blowerbench.bench import Bench, Coach, LocalBench, View
from blowerbench.equipment import Equipment, load_equipment
from blowerbench.errors import BenchError
from blowerbench.faults import Catalogue, Hypothesis, load_faults
from blowerbench.variant import Variant, draw_variant

__all__ = [
    "Bench", "BenchError", "Catalogue", "Coach", "Equipment", "Hypothesis", "LocalBench", "Variant", "View",
    "draw_variant", "load_equipment", "load_faults",
]  # fmt: skip
