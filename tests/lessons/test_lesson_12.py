"""Lesson 12: what is read after a repair agrees with published ranges and with the formula for the temperature rise."""

from __future__ import annotations

from typing import Any

import psychrolib
import pytest

from blowerbench import acts as a
from blowergrade import procedure
from blowerlessons.benches import lesson_12 as l12
from blowerlessons.hands_on import quietly


def size(quantity: Any, unit: str) -> float:
    return float(quantity.to(unit).magnitude)


def test_volts_under_load_lie_in_the_published_range_and_amps_within_the_nameplate() -> None:
    bench = l12.repaired()
    volts, amps = l12.under_load(bench).values()
    # ANSI C84.1 Range A, utilisation 108 to 126 V (check-values, from memory).
    assert 108.0 <= size(volts, "volt") <= 126.0
    assert 0.2 < size(amps, "ampere") <= bench.equipment.ratings["blower_amps_max"]


def test_the_rise_gives_the_airflow_by_the_published_formula() -> None:
    bench = l12.repaired()
    quietly(bench, *([a.HoldDoorSwitch(held=False)] if l12.hands(bench).switch_held else []), a.SetDoor(on=True))
    found = l12.air(bench)
    rise = size(found["temperature rise"], "delta_degF")
    # cfm = Btu/h / (1.08 x rise in degF): 60 x 0.075 lb/ft3 x 0.24 Btu/lb degF = 1.08 for standard air (check-values, Air).
    # 1 W is 3.412 Btu/h and 1 ft3/min is 4.719474e-4 m3/s (NIST SP 811). The density of this place is psychrolib's.
    psychrolib.SetUnitSystem(psychrolib.SI)
    path = bench.equipment.air
    assert path is not None
    thin = psychrolib.GetDryAirDensity(path.return_air, psychrolib.GetStandardAtmPressure(path.altitude)) / 1.20138
    by_formula = 3.412 * float(bench.equipment.heat["rate"]) / (1.08 * thin * rise)
    assert bench.session.now.plant.point.flow / 4.719474e-4 == pytest.approx(by_formula, rel=0.04)
    assert 0.0 < size(found["external static, heat"], "in_wc") <= bench.equipment.ratings["external_static_max"]


def test_the_fan_call_alone_would_have_passed_the_unrepaired_furnace() -> None:
    # Why every call is tried (common practice): with the heat wire open, fan runs before the repair as well.
    assert l12.runs_on_heat_with_the_wire_open() == "runs"
    bench = l12.repaired()
    quietly(bench, a.HoldDoorSwitch(held=False), a.SetDoor(on=True), a.SetThermostat(call="heat"), a.Wait(seconds=180))
    assert "blower_running" in bench.view().observation.senses
    broken = l12.found()
    quietly(broken, *procedure.put_back(broken.equipment, l12.hands(broken)), a.SetDoor(on=True))
    quietly(broken, *procedure.energise(broken.equipment, l12.hands(broken)), a.SetThermostat(call="heat"))
    quietly(broken, a.Wait(seconds=180))
    assert "blower_running" not in broken.view().observation.senses
