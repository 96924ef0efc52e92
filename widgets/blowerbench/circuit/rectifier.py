"""The motor's rectifier: its periodic steady state behind a Thévenin port, and the discharge of its bus.

Rule: pure functions of their arguments; nothing here knows the network, the clock or the fault.

The circuit is piecewise linear but for its constant-power load, so a cycle is followed from event to event.
While a diode conducts: linearly implicit trapezoid on a grid of `steps` a cycle, turn-on and turn-off located
inside their step. While none conducts: the closed form of `discharge`. Half-wave symmetry,
i(t + T/2) = −i(t) with the two capacitors changing places, leaves half a cycle and at most three states
to shoot over.
"""

from __future__ import annotations

import cmath
import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from blowerbench.errors import BenchError

Topology = Literal["doubler", "bridge"]
# Line current (A, positive into the line terminal), bus (V), upper − lower capacitor (V).
_State = tuple[float, float, float]

DIODE_VOLTS: Final = 0.9  # forward knee of one diode: our modelling choice
DIODE_OHMS: Final = 0.02  # its slope resistance: our modelling choice
HARMONICS: Final = 40
_AVERAGE_TO_RMS: Final = math.pi / (
    2.0 * math.sqrt(2.0)
)  # 1.1107, a sine's form factor, which such meters assume
_MOST_HALF_CYCLES: Final = 400
_FEWEST_CONDUCTING: Final = 40  # grid nodes in half a cycle with current flowing
_FINEST: Final = 32768  # steps a cycle
_COARSE: Final = 1e-6
_TOLERANCE: Final = 1e-9  # change of state over half a cycle, relative to the line's peak


class RectifierError(BenchError):
    """An argument of the rectifier is impossible; the message names it and says what would be right."""


@dataclass(frozen=True, slots=True, eq=False)
class SteadyState:
    """One period of the rectifier at rest, seen from the line and from the bus.

    `harmonics[h]` (shape 41, complex, read-only) is the rms phasor in amperes of the current drawn from the
    port at h times the line frequency, its phase relative to v_th:
    v(t) = √2·|v_th|·cos ωt, i(t) = Σ √2·Re(harmonics[h]·e^(jhωt)). Even entries are zero by symmetry.
    """

    bus_mean: float  # volts
    bus_min: float  # volts
    bus_max: float  # volts
    line_rms: float  # amperes, true RMS over all harmonics
    harmonics: NDArray[np.complex128]
    average_responding_rms: float  # amperes: 1.1107 × mean |i|, what an average-responding clamp shows
    supplied_watts: float  # what the load really gets; less than asked when `limited`
    limited: bool  # the port could not hold the bus above the fold-back voltage
    converged: bool  # False: no period was found that repeats, these are the last half cycle's
    iterations: int  # half cycles simulated

    def injected(self, v_th: complex) -> NDArray[np.complex128]:
        """The harmonics in the network's phase reference, amperes rms (shape 41), for injecting them back."""
        turned: NDArray[np.complex128] = self.harmonics * np.exp(
            1j * cmath.phase(v_th) * np.arange(HARMONICS + 1)
        )
        return turned


def port_values(impedance: complex, frequency: float) -> tuple[float, float]:
    """Resistance (ohms) and inductance (henries) standing for a port of this impedance at `frequency` (Hz).

    A capacitive port (an open line held up by strays alone) has no inductance; its magnitude, which limits
    the current, is taken as resistance.
    """
    if impedance.imag < 0.0 or impedance.real < 0.0:
        return abs(impedance), 0.0
    return impedance.real, impedance.imag / (2.0 * math.pi * frequency)


def steady_state(
    v_th: complex,
    r_th: float,
    l_th: float,
    topology: Topology,
    capacitance: float,
    load_watts: float,
    bleeder_ohms: float,
    frequency: float = 60.0,
    steps: int = 1024,
    fold_volts: float | None = None,
) -> SteadyState:
    """The periodic steady state on a port of `v_th` (V rms) behind `r_th` (ohms) and `l_th` (henries).

    `capacitance` (farads) is that of each of the two capacitors in series across the bus; the link that
    makes a "doubler" ties their middle to the second line terminal. `load_watts` is drawn at constant power
    while the bus is above `fold_volts`; below, the load is the resistor that would take `load_watts` at
    `fold_volts`, so a port that cannot supply the power gives a lower bus, `supplied_watts` short of the
    asked and `limited` set, never an error. Default `fold_volts`: half the ideal unloaded bus, where a
    resistive d.c. source gives most power and below which constant power has no stable point.
    `bleeder_ohms` (math.inf for an open one) lies across the bus. A dead port gives zeros.

    Arguments are rounded to six digits and the answer is cached. Raises RectifierError for an impossible one.
    """
    _check(r_th, l_th, topology, capacitance, load_watts, bleeder_ohms, frequency, steps, fold_volts)
    volts = abs(v_th)
    if not math.isfinite(volts):
        raise RectifierError(f"v_th is {v_th!r}; it must be a finite rms phasor in volts")
    numbers = (volts, r_th, l_th, capacitance, load_watts, bleeder_ohms, frequency, fold_volts or 0.0)
    return _cached(topology, steps, *(float(f"{number:.6g}") for number in numbers))


def discharge(
    v0: float, watts: float, ohms: float, farads: float, t: float, stop_volts: float = 0.0
) -> float:
    """Bus volts `t` seconds after the line went: `v0` volts on `farads` (the whole bus), `ohms` across it.

    While the stage that draws constant `watts` runs, V² + P·R = (v0² + P·R)·e^(−2t/RC), which solves
    C·dV/dt = −P/V − V/R; it quits at `stop_volts` and a plain exponential follows. `ohms` may be math.inf.
    """
    _check_discharge(v0, watts, ohms, farads, stop_volts)
    if not t >= 0.0:
        raise RectifierError(f"t is {t!r} s; time since the line went must be 0 or more")
    siemens = 1.0 / ohms
    if watts > 0.0 and v0 > stop_volts:
        running = _power_time(v0, stop_volts, watts, siemens, farads)
        if t <= running:
            return _power_volts(v0, watts, siemens, farads, t)
        v0, t = stop_volts, t - running
    return v0 * math.exp(-t * siemens / farads) if v0 > 0.0 else 0.0


def time_to(
    volts: float, v0: float, watts: float, ohms: float, farads: float, stop_volts: float = 0.0
) -> float:
    """Seconds until `discharge` has fallen from `v0` to `volts`; 0 if already there, math.inf if never."""
    _check_discharge(v0, watts, ohms, farads, stop_volts)
    if not volts >= 0.0:
        raise RectifierError(f"volts is {volts!r}; the voltage to wait for must be 0 or more")
    if volts >= v0:
        return 0.0
    siemens = 1.0 / ohms
    running = 0.0
    if watts > 0.0 and v0 > stop_volts:
        running = _power_time(v0, max(volts, stop_volts), watts, siemens, farads)
        if volts >= stop_volts:
            return running
        v0 = stop_volts
    if siemens == 0.0 or volts == 0.0:
        return math.inf
    return running + farads / siemens * math.log(v0 / volts)


def _power_volts(v0: float, watts: float, siemens: float, farads: float, t: float) -> float:
    """The constant-power law, written with expm1 so that it also holds as the conductance goes to zero."""
    if siemens == 0.0:
        square = v0 * v0 - 2.0 * watts * t / farads
    else:
        square = v0 * v0 + (v0 * v0 + watts / siemens) * math.expm1(-2.0 * siemens * t / farads)
    return math.sqrt(square) if square > 0.0 else 0.0


def _power_time(v0: float, volts: float, watts: float, siemens: float, farads: float) -> float:
    fallen = v0 * v0 - volts * volts
    if siemens == 0.0:
        return 0.5 * farads * fallen / watts
    return -0.5 * farads / siemens * math.log1p(-fallen / (v0 * v0 + watts / siemens))


def _check_discharge(v0: float, watts: float, ohms: float, farads: float, stop_volts: float) -> None:
    for name, number in (("v0", v0), ("watts", watts), ("stop_volts", stop_volts)):
        if not 0.0 <= number < math.inf:
            raise RectifierError(f"{name} is {number!r}; it must be a finite number, 0 or more")
    for name, number in (("ohms", ohms), ("farads", farads)):
        if not number > 0.0:
            raise RectifierError(
                f"{name} is {number!r}; it must be more than 0 (an open bleeder is math.inf ohms)"
            )


def _check(
    r_th: float,
    l_th: float,
    topology: str,
    capacitance: float,
    load_watts: float,
    bleeder_ohms: float,
    frequency: float,
    steps: int,
    fold_volts: float | None,
) -> None:
    if topology not in ("doubler", "bridge"):
        raise RectifierError(f"topology is {topology!r}; it must be 'doubler' or 'bridge'")
    for name, number in (("r_th", r_th), ("load_watts", load_watts)):
        if not 0.0 <= number < math.inf:
            raise RectifierError(f"{name} is {number!r}; it must be a finite number, 0 or more")
    if not 0.0 <= l_th < math.inf:
        raise RectifierError(
            f"l_th is {l_th!r} H; it must be finite, 0 or more"
            " (for a capacitive port use port_values, which gives |z| as r_th)"
        )
    for name, number in (("capacitance", capacitance), ("frequency", frequency)):
        if not 0.0 < number < math.inf:
            raise RectifierError(f"{name} is {number!r}; it must be finite and more than 0")
    if not bleeder_ohms > 0.0:
        raise RectifierError(f"bleeder_ohms is {bleeder_ohms!r}; it must be more than 0 (open: math.inf)")
    if steps < 256 or steps % 4:
        raise RectifierError(
            f"steps is {steps}; 40 harmonics need a multiple of 4, at least 256 (1024 is usual)"
        )
    if fold_volts is not None and not 0.0 < fold_volts < math.inf:
        raise RectifierError(
            f"fold_volts is {fold_volts!r}; it must be finite and more than 0, or None for the default"
        )


@lru_cache(maxsize=4096)
def _cached(
    topology: Topology,
    steps: int,
    volts: float,
    r_th: float,
    l_th: float,
    capacitance: float,
    load_watts: float,
    bleeder_ohms: float,
    frequency: float,
    fold_volts: float,
) -> SteadyState:
    knee = DIODE_VOLTS if topology == "doubler" else 2.0 * DIODE_VOLTS
    if math.sqrt(2.0) * volts <= knee:
        return _still(0.0, load_watts)
    shared = (volts, r_th, l_th, capacitance, load_watts, 1.0 / bleeder_ohms, frequency, fold_volts)
    plant = _Plant(topology, steps, *shared)
    if load_watts == 0.0 and math.isinf(bleeder_ohms):  # nothing draws: the capacitors sit at the peak
        return _still(plant.ideal, load_watts)
    coarse = _Plant(topology, max(steps // 4, 256), *shared)  # most of the way for a quarter of the work
    state, shots, _, slope = _shoot(coarse, _guess(coarse), _COARSE)
    while True:
        state, more, converged, slope = _shoot(plant, state, _TOLERANCE, slope)
        shots += more
        period, conducting = _measure(plant, state, shots, converged)
        # A light load conducts for a few steps a cycle only: too few to measure by, so a finer grid.
        if not 0 < conducting < _FEWEST_CONDUCTING or steps >= _FINEST:
            return period
        steps *= 4
        plant = _Plant(topology, steps, *shared)


def _still(bus: float, asked: float) -> SteadyState:
    none = np.zeros(HARMONICS + 1, np.complex128)
    none.flags.writeable = False
    return SteadyState(bus, bus, bus, 0.0, none, 0.0, 0.0, asked > 0.0, True, 0)


class _Plant:
    """The rectifier's numbers, and its motion over the half cycle that begins with the EMF rising through 0.

    Both topologies in one form, j = |line current|, s its sign, u the voltage that the conducting diodes see:
    L·dj/dt = s·e − knee − R·j − u, u = α·V + β·s·D, C·dV/dt = j − m·I(V), C·dD/dt = s·d·j.
    """

    def __init__(
        self,
        topology: Topology,
        steps: int,
        volts: float,
        r_th: float,
        l_th: float,
        capacitance: float,
        watts: float,
        siemens: float,
        frequency: float,
        fold_volts: float,
    ) -> None:
        doubler = topology == "doubler"
        self.doubler = doubler
        self.diodes = 1 if doubler else 2  # in the current's path
        self.alpha, self.beta, self.m, self.d = (0.5, 0.5, 2.0, 1.0) if doubler else (1.0, 0.0, 1.0, 0.0)
        self.c = capacitance if doubler else 0.5 * capacitance
        self.bus_farads = 0.5 * capacitance
        self.peak = math.sqrt(2.0) * volts
        self.knee = self.diodes * DIODE_VOLTS
        self.ideal = (self.peak - self.knee) / self.alpha
        self.omega = 2.0 * math.pi * frequency
        self.nodes = steps // 2
        self.h = 1.0 / (frequency * steps)
        self.half = 0.5 / frequency
        self.r = r_th + self.diodes * DIODE_OHMS
        # A time constant far below the step cannot be told from this one, and the floor damps the trapezoid.
        self.l = max(l_th, 0.25 * self.r * self.h)
        self.watts, self.siemens = watts, siemens
        # The second term: a load that would empty the bus within a step is a resistor.
        self.fold = max(fold_volts or 0.5 * self.ideal, math.sqrt(watts * self.h / self.bus_farads))
        self.fold_siemens = watts / self.fold**2 + siemens
        self.emf = [self.peak * sine for sine in _half_sine(self.nodes)]

    def load(self, bus: float) -> tuple[float, float]:
        """Current (A) that load and bleeder draw at `bus` volts, and its slope (S)."""
        if bus >= self.fold:
            drawn = self.watts / bus
            return drawn + bus * self.siemens, self.siemens - drawn / bus
        return bus * self.fold_siemens, self.fold_siemens

    def coast(self, bus: float, t: float) -> float:
        """Bus volts after `t` seconds with no diode conducting."""
        if bus > self.fold and self.watts > 0.0:
            running = _power_time(bus, self.fold, self.watts, self.siemens, self.bus_farads)
            if t <= running:
                return _power_volts(bus, self.watts, self.siemens, self.bus_farads, t)
            bus, t = self.fold, t - running
        elif bus > self.fold:
            return bus * math.exp(-t * self.siemens / self.bus_farads)
        return bus * math.exp(-t * self.fold_siemens / self.bus_farads)

    def step(self, s: float, j: float, bus: float, d: float, h: float, emf_sum: float) -> _State:
        """One trapezoid step of `h` seconds, current flowing in direction `s`; `emf_sum` is s·(e₀ + e₁)."""
        k = 0.5 * h / self.c
        if bus >= self.fold:  # `load`, written out: this line runs a thousand times an answer
            drawn = self.watts / bus
            drawn, slope = drawn + bus * self.siemens, self.siemens - drawn / bus
        else:
            drawn, slope = bus * self.fold_siemens, self.fold_siemens
        p = k / (1.0 + k * self.m * slope)
        reactance = 2.0 * self.l / h
        pulled = 2.0 * self.m * drawn
        u = self.alpha * bus + self.beta * s * d
        total = (2.0 * j * reactance + emf_sum - 2.0 * (self.knee + u) + self.alpha * p * pulled) / (
            reactance + self.r + self.alpha * p + self.beta * self.d * k
        )
        return total - j, bus + p * (total - pulled), d + s * self.d * k * total

    def clamp(self, bus: float, d: float) -> tuple[float, float]:
        """Bus and difference, each capacitor held above −0.9 V by the bridge's idle diodes."""
        upper, lower = max(0.5 * (bus + d), -DIODE_VOLTS), max(0.5 * (bus - d), -DIODE_VOLTS)
        return upper + lower, upper - lower

    def conduct(
        self, s: float, j: float, bus: float, d: float, t: float, trace: _Trace | None
    ) -> tuple[float, _State]:
        """Follow current in direction `s` from `t` until it stops or the half cycle ends: (time, state)."""
        emf, h, step, last = self.emf, self.h, self.step, self.nodes
        node = min(int(t / h + 1e-9), last - 1)
        here, width = self.peak * math.sin(self.omega * t), (node + 1) * h - t
        while node < last:
            there = emf[node + 1]
            j1, bus1, d1 = step(s, j, bus, d, width, s * (here + there))
            if j1 < 0.0:
                t = (node + 1) * h - width
                width, bus, d = self._turn_off(s, j, bus, d, t, here, width, j1)
                return t + width, (0.0, *self.clamp(bus, d))
            j, bus, d = j1, bus1, d1
            if self.doubler and (bus + d < -2.0 * DIODE_VOLTS or bus - d < -2.0 * DIODE_VOLTS):
                bus, d = self.clamp(bus, d)
            node += 1
            here, width = there, h
            if trace is not None and node < last:
                trace.current[node], trace.bus[node] = s * j, bus
        return self.half, (s * j, bus, d)

    def _turn_off(
        self, s: float, j: float, bus: float, d: float, t: float, here: float, width: float, after: float
    ) -> tuple[float, float, float]:
        """The shorter step (s) at whose end the current is zero, with bus and difference there."""
        low, high, j_low, j_high = 0.0, width, j, after
        for _ in range(20):
            middle = (
                low + (high - low) * min(max(j_low / (j_low - j_high), 0.02), 0.98) if j_low > 0.0 else low
            )
            if middle <= 0.0:
                return 0.0, bus, d
            emf_sum = s * (here + self.peak * math.sin(self.omega * (t + middle)))
            j1, bus1, d1 = self.step(s, j, bus, d, middle, emf_sum)
            if abs(j1) * self.r <= 1e-12 * self.peak or high - low <= 1e-14 * self.half:
                break
            if j1 > 0.0:
                low, j_low = middle, j1
            else:
                high, j_high = middle, j1
        return middle, bus1, d1

    def turn_on(self, bus: float, d: float, t: float) -> float | None:
        """When, from `t` on in this half cycle, the EMF exceeds capacitor and knee; None if it does not."""
        knee, alpha, peak, omega = self.knee + self.beta * d, self.alpha, self.peak, self.omega
        if peak * math.sin(omega * t) - knee - alpha * bus >= 0.0:
            return t
        # The excess is concave in time: its top is where the EMF falls as fast as the capacitor does.
        drain = alpha * self.m / self.c
        top = self.coast(bus, max(0.5 * self.half - t, 0.0))
        crest = math.acos(max(-drain * self.load(top)[0] / (omega * peak), -1.0)) / omega
        if crest <= t:
            return None
        lowest = knee + alpha * self.coast(bus, crest - t)
        if peak * math.sin(omega * crest) < lowest:
            return None
        # Left of the root, from where Newton climbs to it without overshoot.
        on = max(t, math.asin(min(max(lowest / peak, 0.0), 1.0)) / omega)
        for _ in range(60):
            falling = self.coast(bus, on - t)
            excess = peak * math.sin(omega * on) - knee - alpha * falling
            rate = omega * peak * math.cos(omega * on) + drain * self.load(falling)[0]
            if excess >= 0.0 or rate <= 0.0:
                break
            ahead = min(on - excess / rate, crest)
            if ahead - on <= 1e-13 * self.half:
                break
            on = ahead
        return on

    def run(self, start: _State, trace: _Trace | None = None) -> tuple[_State, bool]:
        """The state half a cycle on, turned so that a period repeats it; and whether any current flowed."""
        current, bus, d = start
        t, flowed = 0.0, current != 0.0
        if current != 0.0:
            s = math.copysign(1.0, current)
            t, (current, bus, d) = self.conduct(s, abs(current), bus, d, 0.0, trace)
        for _ in range(2 * self.nodes):  # each round reaches a node or an event; a bound, not a budget
            if t >= self.half * (1.0 - 1e-12):
                break
            if self.doubler and self.coast(bus, self.half - t) - abs(d) < -2.0 * DIODE_VOLTS:
                target: float | None = min((int(t / self.h + 1e-9) + 1) * self.h, self.half)  # crawl, clamped
                on = t if self.peak * math.sin(self.omega * t) - self.knee - 0.5 * (bus + d) > 0.0 else None
            else:
                target = on = self.turn_on(bus, d, t)
            if on is None or on > t:
                until = self.half if target is None else target
                if trace is not None:
                    self._trace_coast(trace, bus, t, until)
                bus, t = self.coast(bus, until - t), until
                if self.doubler:
                    bus, d = self.clamp(bus, d)
            if on is not None:
                flowed = True
                t, (current, bus, d) = self.conduct(1.0, 0.0, bus, d, t, trace)
        return (-current, bus, -d), flowed

    def _trace_coast(self, trace: _Trace, bus: float, t: float, until: float) -> None:
        first, after = (
            math.ceil(t / self.h - 1e-9),
            min(math.floor(until / self.h + 1e-9), self.nodes - 1) + 1,
        )
        if after <= first:
            return
        if self.coast(bus, until - t) > self.fold:
            later = np.maximum(np.arange(first, after) * self.h - t, 0.0) / self.bus_farads
            if self.siemens > 0.0:
                fallen = (bus * bus + self.watts / self.siemens) * np.expm1(-2.0 * self.siemens * later)
            else:
                fallen = -2.0 * self.watts * later
            trace.bus[first:after] = np.sqrt(bus * bus + fallen)
        else:
            for node in range(first, after):
                trace.bus[node] = self.coast(bus, max(node * self.h - t, 0.0))


@dataclass(slots=True)
class _Trace:
    """Line current and bus at the grid's nodes over half a cycle."""

    current: NDArray[np.float64]
    bus: NDArray[np.float64]


@lru_cache(maxsize=8)
def _half_sine(nodes: int) -> tuple[float, ...]:
    return (*(math.sin(math.pi * node / nodes) for node in range(nodes)), 0.0)


def _guess(plant: _Plant) -> _State:
    """A start that conducts: the ideal-capacitor rectifier, pulses of (E·cos φ − u)/R about the peak."""
    impedance = math.hypot(plant.r, 2.0 * plant.omega * plant.l)  # a pulse is about half a second harmonic
    charge = 2.0 / (plant.alpha * math.pi) if not plant.doubler else 1.0 / math.pi
    crest = plant.peak - plant.knee
    low, high = 0.0, 0.5 * math.pi
    for _ in range(20):
        angle = 0.5 * (low + high)
        given = charge * crest / impedance * (math.sin(angle) - angle * math.cos(angle))
        if given < plant.load(crest * math.cos(angle) / plant.alpha)[0]:
            low = angle
        else:
            high = angle
    bus = 0.995 * crest * math.cos(high) / plant.alpha
    drawn = plant.load(bus)[0]
    ripple = min(plant.d * drawn * plant.half / plant.c, 0.5 * bus)
    return 0.0, bus, -ripple


_Slope = tuple[list[int], NDArray[np.float64]]  # which states take part, and the change's derivative by them


def _shoot(
    plant: _Plant, start: _State, relative: float, slope: _Slope | None = None
) -> tuple[_State, int, bool, _Slope | None]:
    """The state that half a cycle repeats: Newton on finite differences, backed by simply running on.

    A `slope` from a coarser grid serves for chord steps as long as they pay.
    """
    ohms = plant.r + plant.l / plant.half
    weight = np.array([ohms, 1.0, 1.0])
    tolerance = relative * plant.peak
    x = np.array(start)
    shots = 0

    def residual(point: NDArray[np.float64]) -> tuple[NDArray[np.float64], float, bool]:
        nonlocal shots
        shots += 1
        after, flowed = plant.run((float(point[0]), float(point[1]), float(point[2])))
        change = np.array(after) - point
        return change, float(np.max(np.abs(change) * weight)), flowed

    change, error, _ = residual(x)
    while error > tolerance and shots < _MOST_HALF_CYCLES:
        moving = x[0] != 0.0 or change[0] != 0.0
        if slope is None or (moving and 0 not in slope[0]):
            active = [*([0] if moving else []), 1, *([2] if plant.doubler else [])]
            columns = []
            for index in active:
                moved = x.copy()
                nudge = -1e-4 * plant.peak / weight[index]
                moved[index] += nudge
                columns.append((residual(moved)[0] - change)[active] / nudge)
            slope = active, np.column_stack(columns)
        active, jacobian = slope
        accepted = False
        while error > tolerance:  # chord steps with the same derivative, as long as they pay
            try:
                newton = -np.linalg.solve(jacobian, change[active])
            except np.linalg.LinAlgError:
                break
            trial = x.copy()
            trial[active] += newton
            if not 0.0 <= trial[1] <= 4.0 * plant.ideal:
                break
            next_change, next_error, flowed = residual(trial)
            if not flowed or next_error > 0.3 * error:
                break
            x, change, error, accepted = trial, next_change, next_error, True
        if error > tolerance:
            slope = None
        if not accepted and error > tolerance:
            x = x + change  # run on for half a cycle: always physical, only slower
            change, error, flowed = residual(x)
            if not flowed and error > tolerance:
                x[1] = min(x[1], 0.5 * (x[1] + 0.999 * plant.ideal))
                change, error, _ = residual(x)
    return (float(x[0]), float(x[1]), float(x[2])), shots, error <= tolerance, slope


def _measure(plant: _Plant, state: _State, shots: int, converged: bool) -> tuple[SteadyState, int]:
    """What meters would make of the period from `state`; and at how many nodes of its half current flows."""
    trace = _Trace(np.zeros(plant.nodes), np.full(plant.nodes, state[1]))
    trace.current[0] = state[0]
    plant.run(state, trace)
    half, bus = trace.current, trace.bus
    shares = np.minimum(bus / plant.fold, 1.0) ** 2
    current = np.concatenate([half, -half])
    orders = np.arange(HARMONICS + 1)
    # The grid starts where the EMF rises through zero, a quarter period before its peak, the phase reference.
    spectrum = np.fft.rfft(current)[: HARMONICS + 1] * (math.sqrt(2.0) / current.size)
    harmonics = spectrum * np.exp(0.5j * math.pi * orders)
    harmonics[::2] = 0.0
    harmonics.flags.writeable = False
    period = SteadyState(
        bus_mean=float(bus.mean()),
        bus_min=float(bus.min()),
        bus_max=float(bus.max()),
        line_rms=math.sqrt(float(np.mean(half * half))),
        harmonics=harmonics,
        average_responding_rms=_AVERAGE_TO_RMS * float(np.mean(np.abs(half))),
        supplied_watts=plant.watts * float(shares.mean()),
        limited=bool(plant.watts > 0.0 and shares.min() < 1.0),
        converged=converged,
        iterations=shots + 1,
    )
    return period, int(np.count_nonzero(half))
