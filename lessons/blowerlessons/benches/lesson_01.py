"""The benches of lesson 1, working safely, and the values that its exercises expect.

Rule: an expected value is what the simulation shows for the same acts, or the formula's result; no number is typed in.
"""

from __future__ import annotations

from typing import Any

from matplotlib import pyplot
from matplotlib.figure import Figure

from blowerbench import LocalBench
from blowerbench import acts as a
from blowerbench.hands import Hands
from blowerbench.messages import translate as t
from blowerbench.units import ureg
from blowergrade import procedure
from blowerlessons.hands_on import measure, quietly

FURNACE = "furnace_120_constant_airflow"
VARIANT = "lesson-01"
#: The limits of the law that this lesson names: exposed parts at or above this to ground are made dead first.
LIMIT_VOLTS = 50.0
#: What a current of 60 Hz through the body does, men, mA (MIL-HDBK-1025/10, table 1).
EFFECTS = (("felt", 1.1), ("hurts, you can let go", 9.0), ("you can't let go or breathe", 23.0), ("the heart may stop", 75.0))


def hands(bench: LocalBench) -> Hands:
    """What the learner's hands have done on `bench` so far."""
    return bench.session.now.hands


# ---------------------------------------------------------------------- benches
def healthy() -> LocalBench:
    """The furnace with nothing wrong, calling for the fan as the customer left it."""
    return LocalBench(FURNACE, "healthy_unit", "second_opinion", variant=VARIANT)


def door_off() -> LocalBench:
    """The same furnace, glasses and gloves on, meter looked over, thermostat off, door off, disconnect still closed."""
    bench = healthy()
    quietly(bench, *procedure.protect(), a.SetThermostat(call="off"), a.SetDoor(on=False))
    return bench


def locked() -> LocalBench:
    """The furnace with the disconnect open, locked and tagged, controls tried, not yet proved dead."""
    bench = healthy()
    quietly(bench, *procedure.protect(), *procedure.prove_meter(bench.equipment), *procedure.lift())
    quietly(bench, *procedure.lock_out(bench.equipment, hands(bench)), a.TryControls())
    return bench


# ---------------------------------------------------------------------- readings
def line_side_volts() -> Any:
    """Line side of the open door switch to the neutral of the board, disconnect closed (V)."""
    return measure(door_off(), "door.line", "board.N")


def in_front_of_the_switch() -> str:
    """What stands on the line side of the open door switch, the disconnect closed: "full", "half" or "nothing"."""
    volts = abs(line_side_volts().magnitude)
    return "nothing" if volts < 5.0 else "half" if volts < 90.0 else "full"


def receptacle_volts() -> Any:
    """Hot to neutral at the receptacle on another circuit (V)."""
    return measure(healthy(), "outlet.L", "outlet.N")


def largest_left() -> Any:
    """The largest reading of the three pairs in the junction box of the locked furnace (V)."""
    bench = locked()
    pairs = (("box.L_out", "box.N"), ("box.L_out", "box.G"), ("box.N", "box.G"))
    return max((measure(bench, red, black) for red, black in pairs), key=lambda q: abs(q.magnitude))


def is_it_dead() -> str:
    """Whether all three pairs of the locked furnace lie under the limit: "dead", "live" or "can't be told"."""
    return "dead" if abs(largest_left().magnitude) < LIMIT_VOLTS else "live"


def body_current(ohms: float) -> Any:
    """The current of 120 V through a body of `ohms` (mA)."""
    return (ureg.Quantity(120.0, "volt") / ureg.Quantity(ohms, "ohm")).to("milliampere")


def bus_after(seconds: int) -> Any:
    """The module's bus, opened and measured `seconds` after power-off on the locked furnace; at least five minutes (V)."""
    bench = locked()
    quietly(bench, *procedure.prove_dead(bench.equipment), a.SetDoor(on=False), a.Unplug(connector="power_plug"))
    quietly(bench, a.Wait(seconds=seconds), a.OpenControl())
    return measure(bench, "module.bus_pos", "module.bus_neg", "volts_dc")


# ---------------------------------------------------------------------- plot
def current_plot(language: str = "en") -> Figure:
    """What 120 V drives through a dry and a wet body, beside what currents do (mA, logarithmic)."""
    figure, axes = pyplot.subplots(figsize=(7, 3.0))
    words = {
        "felt": t("felt", language),
        "hurts, you can let go": t("hurts, you can let go", language),
        "you can't let go or breathe": t("you can't let go or breathe", language),
        "the heart may stop": t("the heart may stop", language),
    }
    for effect, milliamps in EFFECTS:
        axes.axvline(milliamps, color="#b35900", linewidth=1)
        axes.text(milliamps * 1.06, 1.65, words[effect], color="#b35900", fontsize=8, rotation=20)
    people = ((300e3, t("dry hand, short touch", language)), (4500.0, t("wet or sweating", language)))
    for y, (ohms, name) in enumerate(people):
        milliamps = body_current(ohms).magnitude
        axes.barh(y, milliamps, color="#33628f", height=0.5)
        axes.text(milliamps * 1.1, y, name, va="center", fontsize=9)
    axes.set_xscale("log")
    axes.set_xlim(0.1, 300.0)
    axes.set_ylim(-0.6, 2.6)
    axes.set_yticks([])
    axes.set_xlabel(t("current through the body (mA)", language))
    figure.tight_layout()
    return figure
