"""The benches of lesson 5, how an electronically commutated motor works, and the values that its exercises expect.

Rule: an expected value is what the simulation shows for the same acts, or the formula's result; no number is typed in.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
from matplotlib import pyplot
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from blowerbench import LocalBench, air, motors
from blowerbench import acts as a
from blowerbench.air import Changes, Point
from blowerbench.circuit.rectifier import SteadyState, discharge
from blowerbench.equipment import Equipment, load_equipment
from blowerbench.hands import Hands
from blowerbench.instruments import rectifier_state
from blowerbench.messages import translate as t
from blowerbench.units import ureg
from blowergrade import procedure
from blowerlessons.hands_on import measure, quietly, reading

FURNACE = "furnace_120_constant_airflow"
VARIANT = "lesson-05"
LINE = 60.0  # hertz
#: A bus under this may be touched: 29 CFR 1910.333(a)(1).
SAFE_VOLTS = 50.0
#: Factors on the drop of all ductwork, from wide open to nearly shut.
DUCTS = tuple(float(x) for x in np.geomspace(0.25, 60.0, 160))
#: External static pressures (in. w.c.) at which the motors are compared; the first is a usual rating.
STATICS = (0.5, 1.0, 1.3)
#: The units whose air is compared, with the words for their motors in the same order as in `curves`.
KINDS = ("furnace_120_constant_airflow", "furnace_120_constant_torque", "furnace_120_split_capacitor")


# ---------------------------------------------------------------------- benches
def hands(bench: LocalBench) -> Hands:
    """What the learner's hands have done on `bench` so far."""
    return bench.session.now.hands


def opened_furnace(fault: str = "healthy_unit") -> LocalBench:
    """The furnace with `fault`: protected, meter proved, door off, door switch held in, nothing called, all at rest."""
    bench = LocalBench(FURNACE, fault, "second_opinion", variant=VARIANT)
    quietly(bench, *procedure.protect(), *procedure.prove_meter(bench.equipment), *procedure.lift())
    quietly(bench, a.SetThermostat(call="off"), a.SetDoor(on=False), a.HoldDoorSwitch(held=True), a.Wait(seconds=200))
    return bench


def call_fan(bench: LocalBench) -> tuple[a.Act, ...]:
    """The acts that call for the fan, with the door switch held in, and wait until a healthy blower is up to speed."""
    return (*procedure.call_and_hold(bench.equipment, hands(bench), "fan"), a.Wait(seconds=20))


def power(bench: LocalBench) -> Any:
    """Line to neutral at the mated power plug, harness side (V AC); leads off afterwards."""
    found = measure(bench, "power.h3", "power.h5", "volts_ac")
    quietly(bench, *procedure.lift())
    return found


def command(bench: LocalBench) -> Any:
    """The fan line to C at the mated control plug, harness side, on low impedance (V AC); leads off afterwards."""
    found = measure(bench, "control.h3", "board.C", "low_z")
    quietly(bench, *procedure.lift())
    return found


def without_link() -> str:
    """What the furnace with its voltage link missing does on a fan call: "runs", "stands still" or "runs slowly"."""
    bench = opened_furnace("power_link_missing")
    quietly(bench, *call_fan(bench), a.Wait(seconds=40))
    healthy = opened_furnace()
    quietly(healthy, *call_fan(healthy), a.Wait(seconds=40))
    speed, right = (b.session.now.plant.point.speed for b in (bench, healthy))
    return "stands still" if speed < 0.05 * right else "runs" if speed > 0.9 * right else "runs slowly"


# ---------------------------------------------------------------------- the bus
def ideal_bus(line_volts: float, doubled: bool) -> Any:
    """The bus of an unloaded ideal rectifier (V DC): the peak of `line_volts` rms, twice that with a doubler."""
    return ureg.Quantity(math.sqrt(2.0) * line_volts * (2.0 if doubled else 1.0), "volt")


def time_constant() -> Any:
    """The bleeder's ohms times the bus's farads, from the furnace's data (s)."""
    return (bleeder() * farads()).to("second")


def bleeder() -> Any:
    """The bleeder of the furnace's control (kohm)."""
    equipment = load_equipment(FURNACE)
    return ureg.Quantity(equipment.wire(equipment.module["bleeder"]).resistance, "ohm").to("kiloohm")


def farads() -> Any:
    """The bus capacitance of the furnace's control, its two capacitors in series (uF)."""
    return ureg.Quantity(float(load_equipment(FURNACE).module["farads"]), "farad").to("microfarad")


def seconds_to(volts: float, start: Any, ohms: Any, capacitance: Any) -> Any:
    """How long a bleeder takes from `start` volts to `volts` (s): RC times the natural logarithm of their ratio."""
    return (ohms * capacitance * math.log(start.to("volt").magnitude / volts)).to("second")


def bus_at(seconds: float, start: Any, ohms: Any, capacitance: Any) -> Any:
    """The bus `seconds` after power-off (V) with nothing but its bleeder: V0 times e to the minus t over RC."""
    r, c = ohms.to("ohm").magnitude, capacitance.to("farad").magnitude
    return ureg.Quantity(discharge(start.to("volt").magnitude, 0.0, r, c, seconds), "volt")


# ---------------------------------------------------------------------- the line's current
def at_work() -> LocalBench:
    """The healthy furnace on a fan call: protected, door off, door switch held in, the clamp around the motor's line wire."""
    bench = opened_furnace()
    quietly(bench, *call_fan(bench), a.SetMeter(function="clamp"), a.PlaceClamp(conductor="power_line"))
    return bench


def clamped(bench: LocalBench) -> Any:
    """What the clamp shows (A); it reads true RMS."""
    return reading(bench)


def rectifier_of(bench: LocalBench) -> SteadyState:
    """One period of the control's rectifier as it works on `bench` now."""
    now = bench.session.now
    return rectifier_state(bench.equipment, bench.session.simulator, now.hands, now.plant)


def waveform(period: SteadyState, points: int = 600) -> tuple[Any, Any]:
    """Milliseconds over one and a half periods, and amperes of the line's current then, summed from its harmonics."""
    seconds = np.linspace(0.0, 1.5 / LINE, points)
    orders = np.arange(len(period.harmonics))
    turned = np.exp(2j * np.pi * LINE * np.outer(seconds, orders))
    return seconds * 1000.0, math.sqrt(2.0) * np.real(turned @ period.harmonics)


def peak_amps(bench: LocalBench) -> Any:
    """The highest current in the line (A)."""
    return ureg.Quantity(float(np.max(waveform(rectifier_of(bench))[1])), "ampere")


def sine_amps(bench: LocalBench) -> Any:
    """What a clamp that is not true RMS shows on the same conductor (A): it is built for a sine."""
    return ureg.Quantity(rectifier_of(bench).average_responding_rms, "ampere")


def reads_low(true: Any, shown: Any) -> Any:
    """By how much `shown` is below `true` (percent)."""
    return ((true - shown) / true).to("percent")


def percent(answer: Any) -> Any:
    """`answer` with a percent sign where it is a plain number; anything else as it is."""
    try:
        return f"{float(answer)} %" if isinstance(answer, str | int | float) else answer
    except ValueError:
        return answer


# ---------------------------------------------------------------------- air
def stands(equipment: Equipment, duct: float) -> Point:
    """Where the cooling speed of `equipment` stands with `duct` times the drop of its ductwork."""
    path, module, changes = equipment.air, equipment.module, Changes(duct=duct)
    assert path is not None  # the three furnaces have an air path
    if module["kind"] == "split_capacitor":
        found = air.follow(path, changes, motors.induction(equipment, 1.0, 1.0))
        assert found is not None  # a healthy motor starts
        return found
    top, most = module["max_speed"], module["max_shaft"]
    if module["kind"] == "constant_torque":
        return air.hold_torque(path, changes, module["torque"][module["order"][0]], top, most)
    return air.hold_flow(path, changes, module["airflow"]["run_cool"], top, most)


def _cfm(point: Point) -> Any:
    return ureg.Quantity(point.flow, "meter ** 3 / second").to("cfm")


def curve(equipment: Equipment) -> list[tuple[float, float, float, str]]:
    """External static (in. w.c.), air (cfm), shaft power (W) and the limit met, for each of `DUCTS`."""
    path = equipment.air
    assert path is not None  # the three furnaces have an air path
    rows = []
    for duct in DUCTS:
        point = stands(equipment, duct)
        static = ureg.Quantity(air.external_static(path, Changes(duct=duct), point), "pascal").to("in_wc").magnitude
        rows.append((float(static), float(_cfm(point).magnitude), point.shaft, point.limit))
    return rows


def curves() -> dict[str, list[tuple[float, float, float, str]]]:
    """`curve` of each of `KINDS`, by the words for its motor."""
    names = (t("constant airflow"), t("constant torque"), t("split capacitor"))
    return {name: curve(load_equipment(kind)) for name, kind in zip(names, KINDS, strict=True)}


def at_static(rows: list[tuple[float, float, float, str]], static: float, column: int = 1) -> float:
    """The air (cfm; column 2: watts at the shaft) of a `curve` at external `static` (in. w.c.), between its points."""
    return float(np.interp(static, [r[0] for r in rows], [float(r[column]) for r in rows]))


def air_lost(name: str) -> Any:
    """How much air the motor `name` of `curves` loses from 0.5 to 1.0 in. w.c. (percent)."""
    rows = curves()[name]
    return ureg.Quantity(100.0 * (1.0 - at_static(rows, 1.0) / at_static(rows, 0.5)), "percent")


def tell_air() -> None:
    """Print air and shaft power of the three kinds of motor at the external static pressures of `STATICS`."""
    for name, rows in curves().items():
        row = "; ".join(
            t("{0} in. w.c.: {1:.0f} cfm, {2:.0f} W").format(s, at_static(rows, s), at_static(rows, s, 2)) for s in STATICS
        )
        print(f"{name:<18}{row}")


def watts_go() -> str:
    """What the watts of the constant-airflow motor do from 0.5 to 1.0 in. w.c.: "up", "down" or "stay"."""
    rows = curves()[t("constant airflow")]
    ratio = at_static(rows, 1.0, 2) / at_static(rows, 0.5, 2)
    return "up" if ratio > 1.05 else "down" if ratio < 0.95 else "stay"


# ---------------------------------------------------------------------- pictures
def _plain(size: tuple[float, float]) -> tuple[Figure, Any]:
    figure, axes = pyplot.subplots(figsize=size)
    axes.spines[["top", "right"]].set_visible(False)
    return figure, axes


def inside_figure() -> Figure:
    """What is inside: rectifier, bus, output stage and the small computer in the control; windings and rotor in the motor."""
    figure, axes = pyplot.subplots(figsize=(8.0, 3.0))
    axes.set_xlim(0, 100)
    axes.set_ylim(0, 40)
    axes.axis("off")
    for x, wide, name in ((17, 51, t("control module")), (73, 26, t("motor"))):
        axes.add_patch(Rectangle((x, 2), wide, 33, fill=False, linestyle="--", linewidth=1.3))
        axes.text(x + wide / 2, 36.5, name, ha="center", weight="bold")
    boxes = (
        (20, 22, t("rectifier")),
        (36, 22, t("DC bus,\ncapacitors")), (53, 22, t("output stage")), (53, 6, t("small\ncomputer")),
        (76, 22, t("three\nwindings")), (88, 22, t("rotor with\nmagnets")),
    )  # fmt: skip
    for x, y, name in boxes:
        across = 10.5 if x > 70 else 13.0
        axes.add_patch(Rectangle((x, y), across, 9, facecolor="#e6edf2", edgecolor="black"))
        axes.text(x + across / 2, y + 4.5, name, ha="center", va="center", fontsize=8)
    arrows = (((15, 26.5), (20, 26.5)), ((33, 26.5), (36, 26.5)), ((49, 26.5), (53, 26.5)), ((66, 26.5), (76, 26.5)))
    for start, end in (*arrows, ((86.5, 26.5), (88, 26.5)), ((15, 10.5), (53, 10.5)), ((59.5, 15), (59.5, 22))):
        axes.annotate("", xy=end, xytext=start, arrowprops={"arrowstyle": "->", "lw": 1.5})
    axes.text(0, 26.5, t("line power,\nalways there"), va="center", fontsize=9)
    axes.text(0, 10.5, t("command,\non a call"), va="center", fontsize=9)
    axes.text(71, 29.5, t("winding\nplug"), ha="center", fontsize=7)
    return figure


def _two_lines(draw: Callable[[Any], None], x: str, y: str) -> Figure:
    figure, axes = _plain((7.0, 3.2))
    draw(axes)
    axes.set_xlabel(x)
    axes.set_ylabel(y)
    axes.legend(frameon=False)
    return figure


def current_figure(bench: LocalBench) -> Figure:
    """The line's current on `bench`, and a sine of the same true RMS, against time."""
    period = rectifier_of(bench)
    times, amps = waveform(period)
    sine = math.sqrt(2.0) * period.line_rms * np.cos(2.0 * np.pi * LINE * times / 1000.0)

    def draw(axes: Any) -> None:
        axes.plot(times, amps, color="#b35900", label=t("current of the control"))
        axes.plot(times, sine, "--", color="0.4", label=t("a sine of the same true RMS"))

    return _two_lines(draw, t("milliseconds"), t("amperes"))


def air_figure() -> Figure:
    """Air against external static for the three kinds of motor; a dot where the constant-airflow motor meets its limit."""

    def draw(axes: Any) -> None:
        for (name, rows), style in zip(curves().items(), ("-", "--", "-."), strict=True):
            axes.plot([r[0] for r in rows], [r[1] for r in rows], style, label=name, linewidth=2)
            met = next((r for r in rows if r[3]), None)
            if met is not None and style == "-":
                axes.plot(met[0], met[1], "o", color="black", label=t("its limit is met"))
        axes.set_xlim(0.35, 1.5)
        axes.set_ylim(0, None)

    return _two_lines(draw, t("external static, in. w.c."), t("air, cfm"))


def discharge_figure(start: Any) -> Figure:
    """The bus after power-off with its bleeder alone, from `start` volts, and with the bleeder open."""
    minutes = np.linspace(0.0, 10.0, 200)
    open_bleeder = ureg.Quantity(20.0, "megaohm")  # what is left is leakage; ours

    def draw(axes: Any) -> None:
        for ohms, name, style in ((bleeder(), t("bleeder good"), "-"), (open_bleeder, t("bleeder open"), "-.")):
            volts = [bus_at(60.0 * m, start, ohms, farads()).magnitude for m in minutes]
            axes.plot(minutes, volts, style, label=name, linewidth=2)
        axes.axhline(SAFE_VOLTS, color="#b35900", linewidth=1)
        axes.text(0.1, SAFE_VOLTS + 5, t("50 V"), color="#b35900")
        axes.set_ylim(0, None)

    return _two_lines(draw, t("minutes since power-off"), t("bus, volts DC"))
