"""The rectifier's peer, ngspice's transient of the same circuit, and the figures that compare the two.

Each diode there is a 0.896 V source in series with a junction of IS = 1 µA, N = 0.01 (4 mV ± 1 mV from 0.1 to
100 A) and RS = 20 mΩ, which is our piecewise-linear diode (0.9 V, 20 mΩ) within 1e-5 of the bus. 1 MΩ from
the diodes' line side to the neutral gives the interrupted inductor a path, else ngspice's step collapses.
"""

from __future__ import annotations

import math
import shutil
import subprocess
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from statistics import median
from typing import Any

import numpy as np
from numpy.typing import NDArray

from blowerbench.circuit import rectifier

NGSPICE = shutil.which("ngspice")
# Tried in turn: near-ideal diodes make ngspice's step control give up now and then, differently with each.
OPTIONS = (
    "reltol=1e-4 method=trap",
    "reltol=1e-3 method=trap",
    "reltol=1e-4 method=gear",
    "reltol=1e-3 method=gear",
)


@dataclass(frozen=True, slots=True)
class Port:
    """What both programs are asked; volts rms, ohms, henries, farads each, watts, ohms."""

    volts: float
    ohms: float
    henries: float
    topology: rectifier.Topology
    watts: float
    farads: float = 680e-6
    bleeder: float = 480e3

    @property
    def fold(self) -> float:
        """The documented default: half of the ideal unloaded bus."""
        peak = math.sqrt(2.0) * self.volts
        return peak - 0.9 if self.topology == "doubler" else 0.5 * (peak - 1.8)

    def ours(self) -> rectifier.SteadyState:
        return rectifier.steady_state(
            self.volts, self.ohms, self.henries, self.topology, self.farads, self.watts, self.bleeder
        )


@dataclass(frozen=True, slots=True)
class Transient:
    """One line period from ngspice: time (s) from an upward zero of the EMF, line current (A), bus (V)."""

    seconds: NDArray[np.float64]
    amperes: NDArray[np.float64]
    bus: NDArray[np.float64]

    def mean(self, what: NDArray[np.float64]) -> float:
        span = self.seconds[-1] - self.seconds[0]
        return float(np.trapezoid(what, self.seconds) / span)

    def harmonic(self, order: int) -> complex:
        """Rms phasor relative to the peak of the EMF, amperes."""
        angle = order * (2.0 * math.pi * 60.0 * self.seconds - 0.5 * math.pi)
        return math.sqrt(2.0) * complex(
            self.mean(self.amperes * np.cos(angle)), -self.mean(self.amperes * np.sin(angle))
        )


def netlist(port: Port, cycles: int, step: float, charge: float, out: Path, options: str) -> str:
    """The circuit for ngspice: `cycles` line cycles, capacitors starting at `charge` of the EMF's peak."""
    peak = math.sqrt(2.0) * port.volts
    share = charge * peak if port.topology == "doubler" else 0.5 * charge * peak

    def diode(name: str, anode: str, cathode: str) -> list[str]:
        return [f"V{name} {anode} {name} 0.896", f"D{name} {name} {cathode} knee"]

    lines = [
        "rectifier",
        f"Vline a 0 SIN(0 {peak!r} 60)",
        f"Rline a b {port.ohms!r}",
        f"Lline b x {port.henries!r}",
        "Rpath x 0 1e6",
    ]
    lines += diode("d1", "x", "p") + diode("d2", "n", "x") + diode("d3", "0", "p") + diode("d4", "n", "0")
    if port.topology == "doubler":
        lines += [f"C1 p 0 {port.farads!r} ic={share!r}", f"C2 0 n {port.farads!r} ic={share!r}"]
    else:  # the two in series are one; the high resistances place the bus while no diode conducts
        lines += [f"C1 p n {0.5 * port.farads!r} ic={2.0 * share!r}", "Rp p 0 1e7", "Rn n 0 1e7"]
    if port.bleeder < math.inf:
        lines.append(f"Rbleed p n {port.bleeder!r}")
    fold = port.fold
    lines += [
        f"Bload p n I = v(p,n) > {fold!r} ? {port.watts!r}/v(p,n) : v(p,n)*{port.watts / fold**2!r}",
        ".model knee D(IS=1e-6 N=0.01 RS=0.02)",
        f".options {options}",
        ".control",
        "set numdgt=15",
        "set wr_singlescale",
        f"tran {step!r} {cycles / 60.0!r} {(cycles - 2) / 60.0!r} {step!r} uic",
        f"wrdata {out} i(Vline) v(p,n)",
        "quit",
        ".endc",
        ".end",
    ]
    return "\n".join(lines) + "\n"


def transient(
    port: Port, cycles: int = 60, step: float = 5e-6, charge: float = 0.9
) -> tuple[Transient, Transient]:
    """The last two line periods of ngspice's transient; the caller judges by them whether it has settled."""
    assert NGSPICE is not None
    with tempfile.TemporaryDirectory() as folder:
        out, source = Path(folder) / "out.txt", Path(folder) / "rectifier.cir"
        for options in OPTIONS:
            source.write_text(netlist(port, cycles, step, charge, out, options), encoding="utf-8")
            run = subprocess.run([NGSPICE, "-b", str(source)], capture_output=True, text=True, timeout=120)
            if out.exists():
                break
        else:
            raise RuntimeError(f"ngspice gave no result for {port}: {run.stdout[-500:]}{run.stderr[-500:]}")
        table = np.loadtxt(out)
    periods = []
    for back in (2, 1):
        grid = (cycles - back) / 60.0 + np.linspace(0.0, 1.0 / 60.0, 8193)
        amperes, bus = (np.interp(grid, table[:, 0], column) for column in (-table[:, 1], table[:, 2]))
        periods.append(Transient(grid, amperes, bus))
    return periods[0], periods[1]


def figures() -> Iterator[dict[str, Any]]:
    """Our cold steady state with harmonics 1 to 40 against ngspice transients of the same port, in one run.

    Two peers, each with its process start and the reading of its result: the transient that the tests hold
    us to (60 cycles, steps of at most 5 us), and a short one: our own grid (1,024 steps a
    cycle) from discharged capacitors, as at switch-on, until its mean bus repeats within 1e-5 from one cycle
    to the next (ours repeats within 1e-9).
    """
    if NGSPICE is None:
        return
    for port in (Port(120.0, 0.2, 50e-6, "doubler", 300.0), Port(240.0, 0.3, 80e-6, "bridge", 500.0)):
        label = f"{port.topology}, {port.volts:g} V, {port.watts:g} W"
        ours, cold = _cold(port)
        start = time.perf_counter()
        _, reference = transient(port)
        peers = {"the tests' ngspice transient, 60 cycles of 5 us steps": time.perf_counter() - start}
        cycles = 12
        while True:
            start = time.perf_counter()
            before, last = transient(port, cycles, 1.0 / (60.0 * 1024.0), 0.0)
            short = time.perf_counter() - start
            if abs(last.mean(last.bus) / before.mean(before.bus) - 1.0) < 1e-5 or cycles > 200:
                break
            cycles = cycles * 3 // 2
        peers[f"a short ngspice transient, {cycles} cycles of 16 us steps from switch-on"] = short
        for peer, seconds in peers.items():
            yield {
                "name": f"rectifier steady state with harmonics, cold ({label})",
                "value": cold * 1e3,
                "unit": "ms",
                "against": f"{peer}: {seconds * 1e3:.0f} ms",
                "ratio": seconds / cold,
            }
        for name, mine, theirs in (
            ("mean bus", ours.bus_mean, reference.mean(reference.bus)),
            ("line RMS", ours.line_rms, math.sqrt(reference.mean(reference.amperes**2))),
        ):
            yield {
                "name": f"rectifier {name}, relative difference ({label})",
                "value": abs(mine / theirs - 1.0),
                "unit": "1",
                "against": "the tests' ngspice transient",
                "ratio": None,
            }


def _cold(port: Port) -> tuple[rectifier.SteadyState, float]:
    """Our answer, and the median seconds that it takes with nothing cached."""
    seconds = []
    for _ in range(15):
        rectifier._cached.cache_clear()
        start = time.perf_counter()
        ours = port.ours()
        seconds.append(time.perf_counter() - start)
    return ours, median(seconds)
