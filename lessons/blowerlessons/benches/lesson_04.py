"""The benches of lesson 4, air first, and the values that its exercises expect.

Rule: an expected value is what manometer and thermometers show for the same acts, or the formula's result; none is typed in.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib import pyplot
from matplotlib.figure import Figure

from blowerbench import LocalBench
from blowerbench import acts as a
from blowerbench.equipment import load_equipment
from blowerbench.faults import Hypothesis
from blowerbench.hands import Hands
from blowerbench.units import ureg
from blowergrade import procedure
from blowerlessons.benches.lesson_05 import at_static, curve
from blowerlessons.hands_on import quietly

FURNACE, SPLIT = "furnace_120_constant_airflow", "furnace_120_split_capacitor"
VARIANT = "lesson-04"
PORTS = ("return", "inlet", "outlet", "supply")
#: Btu/h per cfm and °F of standard air: 60 min/h · 0.075 lb/ft³ · 0.24 Btu/(lb·°F).
FACTOR = 60.0 * 0.075 * 0.24


# ---------------------------------------------------------------------- benches
def hands(bench: LocalBench) -> Hands:
    """What the learner's hands have done on `bench` so far."""
    return bench.session.now.hands


def healthy() -> LocalBench:
    """The furnace with nothing wrong, calling for the fan."""
    return LocalBench(FURNACE, "healthy_unit", "second_opinion", variant=VARIANT)


def starved() -> LocalBench:
    """A furnace whose return duct is far too small, as the customer left it: loud and weak."""
    return LocalBench(FURNACE, Hypothesis("duct_undersized", 1), "loud_and_weak", variant=VARIANT)


def short_of_air_in_heat() -> LocalBench:
    """The same duct on a heat call."""
    return LocalBench(FURNACE, Hypothesis("duct_undersized", 1), "warm_then_cold", variant=VARIANT)


def steady(bench: LocalBench, call: a.Call = "cool", seconds: int = 300) -> LocalBench:
    """`bench` on `call`, `seconds` old, doors on, every test port open."""
    if hands(bench).thermostat != call:
        quietly(bench, a.SetThermostat(call=call))
    quietly(bench, a.Wait(seconds=seconds), *procedure.open_ports(hands(bench), PORTS))
    return bench


# ---------------------------------------------------------------------- readings
def static(bench: LocalBench, high: str, low: str = "") -> Any:
    """The manometer from port `high` to port `low`, or to the room (in. w.c.)."""
    quietly(bench, *procedure.hoses(high, low))
    return _shown(bench, "manometer", "in_wc")


def temperature(bench: LocalBench, port: str) -> Any:
    """The first thermometer in `port` (°F)."""
    quietly(bench, a.PlaceProbe(probe="first", port=port))
    return _shown(bench, "first_thermometer", "degF")


def _shown(bench: LocalBench, instrument: str, unit: str) -> Any:
    shown = next(s for s in bench.view().observation.shown if s.instrument == instrument)
    return ureg.Quantity(float(shown.text), unit)


def external(bench: LocalBench) -> Any:
    """Supply static less return static, as the manometer's two hoses give it (in. w.c.)."""
    return static(bench, "outlet", "inlet")


def healthy_external() -> Any:
    """External static pressure of the healthy furnace on a cooling call (in. w.c.)."""
    return external(steady(healthy()))


def healthy_filter() -> Any:
    """Across the filter of the healthy furnace: before it less after it (in. w.c.)."""
    return static(steady(healthy()), "return", "inlet")


def starved_external() -> Any:
    """External static pressure with the small return duct, on a cooling call (in. w.c.)."""
    return external(steady(starved()))


def rise_of(bench: LocalBench) -> Any:
    """Supply less return temperature after a steady quarter of an hour of heat (°F difference)."""
    warm = steady(bench, "heat", 900)
    return (temperature(warm, "supply") - temperature(warm, "return")).to("delta_degF")


def healthy_rise() -> Any:
    """The temperature rise of the healthy furnace (°F difference)."""
    return rise_of(healthy())


def output() -> Any:
    """What the burner gives to the air, from the unit's data (Btu/h)."""
    return ureg.Quantity(19.0, "kilowatt").to("Btu_it/hour")


def air_from_rise(rise: Any = None) -> Any:
    """Air from output and rise: Btu/h ÷ (1.08 · ΔT) (cfm)."""
    degrees = (healthy_rise() if rise is None else rise).to("delta_degF").magnitude
    return ureg.Quantity(output().magnitude / (FACTOR * degrees), "cfm")


def air_of(btu_per_hour: float, degrees: float) -> Any:
    """Air that carries `btu_per_hour` at a rise of `degrees` °F (cfm)."""
    return ureg.Quantity(btu_per_hour / (FACTOR * degrees), "cfm")


def electric_output(watts: float) -> Any:
    """The heat of an electric strip: 3.412 Btu/h for each watt (Btu/h)."""
    return ureg.Quantity(watts, "watt").to("Btu_it/hour")


def what_the_limit_does() -> str:
    """After half an hour of heat with the small duct: "burner goes off, blower runs on", "both go off" or "nothing"."""
    bench = short_of_air_in_heat()
    seen = set()
    for _ in range(60):
        quietly(bench, a.Wait(seconds=30))
        plant = bench.session.now.plant
        seen.add((plant.limit, "blower_running" in bench.view().observation.senses))
    if (False, True) in seen:
        return "burner goes off, blower runs on"
    return "both go off" if (False, False) in seen else "nothing"


def static_when_short() -> str:
    """The external static of the small duct against the healthy one: "higher", "lower" or "the same"."""
    short, good = starved_external().magnitude, healthy_external().magnitude
    return "higher" if short > 1.1 * good else "lower" if short < 0.9 * good else "the same"


# ---------------------------------------------------------------------- plots
def profile_plot() -> Figure:
    """Static pressure along the air path, healthy and with the small return duct, to the room (in. w.c.)."""
    figure, axes = pyplot.subplots(figsize=(7, 3.4))
    for bench, mark, name in ((healthy(), "o-", "healthy"), (starved(), "s--", "small return duct")):
        unit = steady(bench)
        axes.plot(range(4), [static(unit, port).magnitude for port in PORTS], mark, label=name)
    axes.axhline(0.0, color="grey", linewidth=0.8)
    axes.axvspan(1.0, 2.0, color="#dddddd", alpha=0.6)
    axes.text(1.5, axes.get_ylim()[0], "blower", ha="center", va="bottom")
    axes.set_xticks(range(4), ["return duct", "after the filter", "furnace outlet", "after the coil"])
    axes.set_ylabel("static to the room (in. w.c.)")
    axes.legend(frameon=False)
    return figure


def fan_and_duct_plot() -> Figure:
    """Air of both kinds of motor against external static, and what two ducts ask for; they meet where the unit runs."""
    figure, axes = pyplot.subplots(figsize=(7, 3.8))
    rows = curve(load_equipment(FURNACE))
    for unit, mark, name in ((FURNACE, "-", "constant airflow"), (SPLIT, "--", "split capacitor")):
        found = curve(load_equipment(unit))
        axes.plot([r[1] for r in found], [r[0] for r in found], mark, color="black", label=name)
    flow = np.linspace(1.0, 1400.0, 80)
    usual = at_static(rows, 0.5)
    for share, name in ((1.0, "clean"), (3.0, "choked")):
        axes.plot(flow, 0.5 * share * (flow / usual) ** 2, color="#33628f", linewidth=1)
        place = (0.75 * usual / share**0.5, 0.5 * 0.75**2)
        axes.annotate(name, place, color="#33628f", xytext=(-34, 4), textcoords="offset points")
    axes.set_ylim(0, 1.6)
    axes.set_xlim(0, 1500)
    axes.set_xlabel("air (cfm)")
    axes.set_ylabel("external static (in. w.c.)")
    axes.legend(frameon=False, loc="upper right")
    return figure
