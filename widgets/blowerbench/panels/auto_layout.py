"""A drawing for any equipment file: boxes, devices, plugs and wires placed by rule where no hand-made layout exists.

Rule: supply and outside on the left, thermostat and what stands elsewhere on the right, the unit between them: devices left of
the board, plugs under it, module, motor and wheel at the bottom. The same file always gives the same layout.
"""

from __future__ import annotations

from functools import lru_cache

from blowerbench.equipment import Equipment
from blowerbench.panels.auto_sides import Sides
from blowerbench.panels.auto_unit import Middle
from blowerbench.panels.auto_wires import draw_wires
from blowerbench.panels.places import Layout


@lru_cache(maxsize=16)
def auto_layout(equipment: Equipment) -> Layout:
    """A readable layout of `equipment`, made from its file alone; the same file always gives the same layout."""
    plan = _Plan(equipment)
    plan.place()
    wires, joined = draw_wires(equipment, plan.terminals, plan.raw, plan.exits)
    raw = {**plan.raw, "wires": wires, "link": joined}
    return Layout((plan.raw["view"][0], plan.raw["view"][1]), plan.terminals, raw)


class _Plan(Middle, Sides):
    """One unit's drawing, from left to right."""

    def place(self) -> None:
        left = self._left()
        inner = left + 48
        self.devices = self._devices()
        right, bottom = self._unit(inner)
        side, low = self._right(right + 24)
        view = [int(side + 12), int(max(self.left_bottom, bottom, low) + 12)]
        self.raw["view"] = view
