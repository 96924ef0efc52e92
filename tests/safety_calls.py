"""Short calls for the safety tests: acts played into the first furnace, and the rules that they break."""

from __future__ import annotations

from collections.abc import Sequence

import safety_blocks as blocks

from blowerbench import Hypothesis, load_equipment, load_faults
from blowerbench import acts as a
from blowerbench.equipment import Equipment
from blowerbench.variant import NOMINAL
from blowergrade.replay import Step, play
from blowergrade.safety import Violation, monitor

Acts = list[a.Act]
EQUIPMENT = load_equipment("furnace_120_constant_airflow")
CATALOGUE = load_faults(EQUIPMENT)
DOOR_OFF: Acts = [a.SetDoor(on=False)]
PULL = a.Unplug("power_plug")
INNER = a.Unplug("winding_plug")
LIVE = blocks.prove_live(EQUIPMENT)
PROOF = blocks.prove_dead(EQUIPMENT)
SHUTDOWN = blocks.safe_shutdown(EQUIPMENT)
CHARGED = [*SHUTDOWN, *blocks.open_and_measure_bus(EQUIPMENT)]
OPENED = [*CHARGED, *blocks.lift_leads()]


def steps(
    acts: Sequence[a.Act], fault: str = "healthy_unit", equipment: Equipment = EQUIPMENT
) -> tuple[Step, ...]:
    """The steps of `acts` on a nominal unit with `fault` in it, called by its first complaint."""
    complaint = CATALOGUE.faults[fault].complaints[0]
    return play(equipment, CATALOGUE, Hypothesis(fault), NOMINAL, complaint, acts)


def violations(acts: Sequence[a.Act], fault: str = "healthy_unit") -> tuple[Violation, ...]:
    """What the monitor finds in `acts`."""
    return monitor(EQUIPMENT, CATALOGUE.faults[fault].stop_work, steps(acts, fault))


def rules(acts: Sequence[a.Act], fault: str = "healthy_unit") -> list[str]:
    """The rules that `acts` break, in order."""
    return [v.rule for v in violations(acts, fault)]


def without(acts: Sequence[a.Act], *kinds: type[a.Act]) -> Acts:
    """`acts` with every act of these kinds left out."""
    return [x for x in acts if not isinstance(x, kinds)]
