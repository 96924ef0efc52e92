"""What instruments read of a circuit, and what they display of it.

Rule: an instrument is part of the network it reads. A voltmeter loads its terminals with its own
resistance, so a floating wire shows a ghost voltage on a 10 Mohm input and none on 3 kohm; an ohmmeter is a
source, so a charged circuit makes it lie. The `read_...` functions return true values (V, ohm, A);
`display` adds the instrument's error and counts; `interval` says which counts any instrument within its
specification may show.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from blowerbench.circuit.solve import State
from blowerbench.circuit.system import CircuitError

OVERLOAD = 10**15  # counts of "OL", above anything that a range can show
SINE_FORM_FACTOR = math.pi / (
    2.0 * math.sqrt(2.0)
)  # rms over rectified mean of a sine: what an average-responding meter assumes


@dataclass(frozen=True, slots=True)
class MeterSpec:
    """The electrical data of one function of an instrument.

    `ranges` are full scales in the unit, ascending; a range's resolution is the smallest power of ten that
    shows its full scale within `counts`. The error is at most `accuracy_percent` of the reading plus
    `accuracy_counts` last digits.
    """

    name: str
    input_ohms: float = 10e6
    coupling: str = "ac"  # "ac", "dc" or "ac+dc"
    response: str = "true_rms"  # or "average": rectified mean, scaled for a sine
    counts: int = 6000
    ranges: tuple[float, ...] = (6.0, 60.0, 600.0)
    accuracy_percent: float = 1.0
    accuracy_counts: int = 3
    bandwidth: float = 1000.0  # Hz
    unit: str = "V"  # "V", "ohm", "A", "F", or that of a manometer or thermometer
    test_volts: float = 1.0  # ohmmeter: its EMF, red positive
    test_ohms: float = 10e3  # ohmmeter: the resistance in series with it

    def __post_init__(self) -> None:
        if self.coupling not in ("ac", "dc", "ac+dc") or self.response not in ("true_rms", "average"):
            raise CircuitError(
                f"meter {self.name}: coupling {self.coupling!r}, response {self.response!r}; "
                "use ac, dc or ac+dc and true_rms or average"
            )
        if (
            not self.ranges
            or list(self.ranges) != sorted(self.ranges)
            or self.ranges[0] <= 0.0
            or self.counts < 1
        ):
            raise CircuitError(
                f"meter {self.name}: ranges {self.ranges!r}; give full scales above 0, ascending"
            )
        if not (self.input_ohms > 0.0 and self.accuracy_percent >= 0.0 and self.accuracy_counts >= 0):
            raise CircuitError(f"meter {self.name}: give an input resistance above 0 and errors of 0 or more")

    def exponent(self, full_scale: float) -> int:
        """Power of ten of one count on the range of `full_scale`."""
        return math.ceil(math.log10(full_scale / self.counts) - 1e-9)

    @property
    def signed(self) -> bool:
        """Whether it can show a value below zero."""
        return self.coupling == "dc" and self.unit != "ohm"


@dataclass(frozen=True, slots=True)
class Display:
    """What stands on the display: `counts` × 10^`resolution_exponent` V, ohm or A, written as `text` in
    `unit`.
    """

    text: str
    unit: str
    counts: int
    resolution_exponent: int


# -- true values -------------------------------------------------------------------------------------------


def read_volts(
    state: State, red: str, black: str, spec: MeterSpec, extra_lines: Sequence[tuple[float, complex]] = ()
) -> float:
    """Volts that the meter measures from `red` to `black` with its own resistance connected.

    Direct coupling gives line 0 with its sign; alternating coupling the rms of the other lines within its
    bandwidth, or the rectified mean scaled for a sine. `extra_lines` are (Hz, rms phasor) present there
    beside the network's own, as loaded.
    """
    lines: list[tuple[float, complex]] = []
    direct = 0.0
    for frequency in state.frequencies:
        if frequency > spec.bandwidth or (frequency == 0.0 and spec.coupling == "ac"):
            continue
        if frequency > 0.0 and spec.coupling == "dc":
            continue
        volts = state.voltage(red, black, frequency)
        loaded = volts * spec.input_ohms / (spec.input_ohms + state.impedance(red, black, frequency))
        if frequency == 0.0:
            direct = loaded.real
        else:
            lines.append((frequency, loaded))
    if spec.coupling == "dc":
        return direct
    lines += [(frequency, volts) for frequency, volts in extra_lines if 0.0 < frequency <= spec.bandwidth]
    alternating = average_responding(lines) if spec.response == "average" else _root_sum_square(lines)
    return alternating if spec.coupling == "ac" else math.hypot(alternating, direct)


def _root_sum_square(lines: Sequence[tuple[float, complex]]) -> float:
    return math.sqrt(sum(abs(phasor) ** 2 for _, phasor in lines))


def average_responding(lines: Sequence[tuple[float, complex]]) -> float:
    """What a rectified-mean instrument scaled for a sine shows of these (Hz, rms phasor) lines; exact for
    one line.
    """
    present = [(frequency, phasor) for frequency, phasor in lines if phasor != 0.0]
    if len({frequency for frequency, _ in present}) <= 1:
        return abs(sum(phasor for _, phasor in present))
    lowest = min(frequency for frequency, _ in present)
    harmonic = all(abs(frequency / lowest - round(frequency / lowest)) < 1e-9 for frequency, _ in present)
    cycles = 1 if harmonic else 200
    turns = np.arange(4096 * (1 if harmonic else 32)) * (cycles / (4096 * (1 if harmonic else 32)))
    wave = np.zeros(len(turns))
    for frequency, phasor in present:
        wave += math.sqrt(2.0) * (phasor * np.exp(2j * math.pi * (frequency / lowest) * turns)).real
    return float(SINE_FORM_FACTOR * np.abs(wave).mean())


def read_ohms(
    state: State, red: str, black: str, spec: MeterSpec, lead_ohms: float = 0.0, zero_ohms: float = 0.0
) -> float:
    """Ohms that the meter works out from `red` to `black`; infinite when its input is driven beyond its own
    source.

    The meter is `test_volts` behind `test_ohms` at 0 Hz and works out the ratio of its terminal voltage to
    its current, taking the circuit for dead; volts that the circuit holds add to its own, so the result may
    be wrong by any amount, or below zero. `lead_ohms` is in series, `zero_ohms` what was stored when the
    leads were zeroed. An alternating voltage above `test_volts` rms at its terminals overloads it.
    """
    held, impedance = state.port(red, black, 0.0)
    series = impedance.real + lead_ohms
    terminal = (spec.test_volts * series + held.real * spec.test_ohms) / (spec.test_ohms + series)
    hum = _root_sum_square(
        [
            (frequency, volts * spec.test_ohms / (spec.test_ohms + lead_ohms + ohms))
            for frequency in state.frequencies
            if frequency > 0.0
            for volts, ohms in [state.port(red, black, frequency)]
        ]
    )
    if terminal >= spec.test_volts or hum > spec.test_volts:
        return math.inf
    if held == 0.0:
        return series - zero_ohms
    return spec.test_ohms * terminal / (spec.test_volts - terminal) - zero_ohms


def read_clamp(current_rms: float, spec: MeterSpec, average_responding_rms: float | None = None) -> float:
    """Amperes that a clamp measures of a current of `current_rms`; what an average-responding one shows is
    given beside it.

    For a sine both are equal, so `average_responding_rms` may be left out.
    """
    if spec.response == "average" and average_responding_rms is not None:
        return average_responding_rms
    return current_rms


def pwm(amplitude: float, duty: float) -> tuple[float, float]:
    """(direct volts, rms of the alternating part) of a rectangular wave from 0 to `amplitude`, on for
    `duty` (0 to 1).

    D·A and A·√(D·(1 − D)), from the definition of mean and rms. CircuitError for a duty outside 0 to 1.
    """
    if not 0.0 <= duty <= 1.0:
        raise CircuitError(f"duty {duty!r}; give a fraction from 0 to 1")
    return duty * amplitude, abs(amplitude) * math.sqrt(duty * (1.0 - duty))


# -- displays ----------------------------------------------------------------------------------------------


def display(
    value: float, spec: MeterSpec, error_fraction: float = 0.0, offset_fraction: float | None = None
) -> Display:
    """The display of an instrument whose error is `error_fraction` (−1 to 1) of what its specification
    allows.

    shown = value · (1 + gain) + offset counts; `offset_fraction` is the same for the
    offset, that of the gain if left out. The range is the lowest that can show it; beyond the last one the
    display is "OL".
    """
    gain = error_fraction * spec.accuracy_percent / 100.0
    offset = (error_fraction if offset_fraction is None else offset_fraction) * spec.accuracy_counts
    if not math.isnan(value) and not math.isinf(value):
        for full_scale in spec.ranges:
            exponent = spec.exponent(full_scale)
            step = 10.0**exponent
            counts = round(value * (1.0 + gain) / step + offset)
            if counts < 0 and not spec.signed:
                counts = 0
            if abs(counts) <= _top(full_scale, exponent):
                return Display(*_written(counts, exponent, full_scale, spec.unit), counts, exponent)
    negative = spec.signed and value < 0.0
    return Display(
        "-OL" if negative else "OL",
        spec.unit,
        -OVERLOAD if negative else OVERLOAD,
        spec.exponent(spec.ranges[-1]),
    )


def _top(full_scale: float, exponent: int) -> int:
    """Counts at full scale; a reading beyond them takes the next range."""
    return round(full_scale / 10.0**exponent)


def _written(counts: int, exponent: int, full_scale: float, unit: str) -> tuple[str, str]:
    """Text with a point and ASCII unit with its prefix."""
    prefix, power = "", 0
    if unit == "F":
        prefix, power = "u", -6
    elif full_scale < 1.0:
        prefix, power = "m", -3
    elif unit == "ohm" and full_scale >= 1e6:
        prefix, power = "M", 6
    elif unit == "ohm" and full_scale >= 1e3:
        prefix, power = "k", 3
    digits = power - exponent
    sign, magnitude = "-" if counts < 0 else "", abs(counts)
    if digits <= 0:
        return f"{sign}{magnitude * 10 ** (-digits)}", prefix + unit
    whole, part = divmod(magnitude, 10**digits)
    return f"{sign}{whole}.{part:0{digits}d}", prefix + unit


def units_of(shown: Display, spec: MeterSpec) -> int:
    """A display in steps of the smallest resolution of `spec`, comparable with `interval`; ±OVERLOAD for
    OL.
    """
    if abs(shown.counts) >= OVERLOAD:
        return shown.counts
    return int(shown.counts * 10 ** (shown.resolution_exponent - spec.exponent(spec.ranges[0])))


def interval(lo: float, hi: float, spec: MeterSpec) -> tuple[int, int, int]:
    """(lowest, highest, exponent): what any instrument within `spec` may show of a true value from `lo` to
    `hi`.

    Bounds are whole steps of 10^exponent, the smallest resolution of the instrument, rounded outward over
    every range that it might have chosen; ±OVERLOAD stands for "OL". `lo` and `hi` may be infinite (an open
    circuit in ohms).
    """
    if math.isnan(lo) or math.isnan(hi) or lo > hi:
        raise CircuitError(f"no interval from {lo!r} to {hi!r}; give the lower bound first")
    finest = spec.exponent(spec.ranges[0])
    if hi < 0.0:
        low, high = _magnitudes(-hi, -lo, spec, finest)
        low, high = -high, -low
    elif lo < 0.0:
        below, above = _magnitudes(0.0, -lo, spec, finest), _magnitudes(0.0, hi, spec, finest)
        low, high = min(-below[1], above[0]), max(-below[0], above[1])
    else:
        low, high = _magnitudes(lo, hi, spec, finest)
    if not spec.signed:
        low, high = max(low, 0), max(high, 0)
    return low, high, finest


def _magnitudes(lo: float, hi: float, spec: MeterSpec, finest: int) -> tuple[int, int]:
    """Bounds for true magnitudes from `lo` to `hi`, 0 ≤ lo ≤ hi."""
    gain = spec.accuracy_percent / 100.0
    lows: list[int] = []
    highs: list[int] = []
    enters = 0.0  # the smallest magnitude that some instrument shows on this range
    for full_scale in spec.ranges:
        exponent = spec.exponent(full_scale)
        step, top, slack = 10.0**exponent, _top(full_scale, exponent), spec.accuracy_counts + 0.5
        leaves = (top + slack) * step / (1.0 - gain) if gain < 1.0 else math.inf  # the largest one
        first, last = max(lo, enters), min(hi, leaves)
        if first <= last * (1.0 + 1e-12):
            scale = 10 ** (exponent - finest)
            lows.append(scale * math.floor(first / step * (1.0 - gain) - slack))
            highs.append(scale * min(math.ceil(last / step * (1.0 + gain) + slack), top))
        enters = max(0.0, (top - slack) * step / (1.0 + gain))
    if hi >= enters:
        lows.append(OVERLOAD)
        highs.append(OVERLOAD)
    return min(lows), max(highs)
