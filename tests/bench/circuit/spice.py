"""Writes a network in any state as an ngspice netlist and runs it: an outside answer for the circuit tests.

ngspice silently replaces a resistance of 0 ohm, so none below 1 mohm is ever written; the networks compared
have none either. Each run is one analysis of one line, with the meter as a part of the netlist. A node that
hangs on 50 Gohm beside milliohms asks for more than ngspice's defaults: resistances up to 10 ohm are written
with a current of their own (v = R·i), and its elimination takes the largest pivot (`pivrel`); by default
some such nodes are wrong by 1e-5 of themselves against 30 digits.
"""

from __future__ import annotations

import math
import re
import subprocess
import tempfile
import time
from pathlib import Path

from cases import Case

from blowerbench.circuit import Capacitor, Edits, Network, Source, Transformer, Winding

SMALL = 10.0


class _Writer:
    def __init__(self, network: Network, edits: Edits, frequency: float, plain: bool) -> None:
        self.network, self.edits, self.frequency, self.plain = network, edits, frequency, plain
        accuracy = "" if plain else " pivrel=0.99 pivtol=1e-30"
        self.lines = ["* one state of one network", f".options noacct numdgt=15{accuracy}"]
        self.number = {name: str(index + 1) for index, name in enumerate(network.nodes)}
        self.number[network.reference] = "0"
        self.extra = 0
        self.current: dict[str, str] = {}  # branch: the voltage source that measures its current, a to b

    def node(self) -> str:
        self.extra += 1
        return f"x{self.extra}"

    def add(self, *words: object) -> None:
        self.lines.append(" ".join(repr(float(word)) if isinstance(word, float) else str(word) for word in words))

    def resistor(self, a: str, b: str, ohms: float) -> None:
        assert ohms >= 1e-3, f"{ohms} ohm: ngspice would not solve the same circuit"
        self.extra += 1
        if ohms > SMALL or self.plain:
            self.add(f"R{self.extra}", a, b, ohms)
            return
        inner = self.node()  # v = R·i through a zero-volt source
        self.add(f"V{self.extra}", a, inner, "dc 0 ac 0")
        self.add(f"H{self.extra}", inner, b, f"v{self.extra}", ohms)

    def probe(self, a: str, name: str) -> str:
        """A zero-volt source from `a`; what follows hangs on the node returned."""
        if self.plain and not name.endswith(".secondary"):
            return a
        self.extra += 1
        inner = self.node()
        self.add(f"V{self.extra}", a, inner, "dc 0 ac 0")
        self.current[name] = f"v{self.extra}"
        return inner

    def emf(self, plus: str, minus: str, volts: float, phase: float = 0.0) -> None:
        self.extra += 1
        if self.frequency == 0.0:
            self.add(f"V{self.extra}", plus, minus, "dc", float(volts))
        else:
            self.add(f"V{self.extra}", plus, minus, "dc 0 ac", float(volts), float(phase))

    def inductor(self, a: str, b: str, henry: float) -> None:
        self.extra += 1
        self.add(f"L{self.extra}", a, b, henry)

    def capacitor(self, a: str, b: str, farad: float) -> None:
        self.extra += 1
        self.add(f"C{self.extra}", a, b, farad)

    def impedance(self, a: str, b: str, ohms: float, henry: float) -> None:
        """Resistance and inductance in series; either may be absent, not both."""
        if henry == 0.0:
            self.resistor(a, b, ohms)
        elif ohms == 0.0:
            self.inductor(a, b, henry)
        else:
            middle = self.node()
            self.resistor(a, middle, ohms)
            self.inductor(middle, b, henry)

    def network_parts(self) -> None:
        for node in self.network.nodes:
            if node != self.network.reference:
                self.resistor(self.number[node], "0", self.network.leakage)
                self.capacitor(self.number[node], "0", self.network.stray_capacitance)
        ohms_of, held, emf = dict(self.edits.resistances), dict(self.edits.held), dict(self.edits.emf)
        for part in self.network.parts.values():
            if isinstance(part, Transformer):
                self.transformer(part, ohms_of)
                continue
            if part.name in self.edits.opened:
                continue
            a, b = self.probe(self.number[part.a], part.name), self.number[part.b]
            if isinstance(part, Source):
                inner = self.node()
                volts = emf.get(part.name, part.volts) if part.frequency == self.frequency else 0.0
                self.emf(a, inner, volts, part.phase_deg)
                self.impedance(inner, b, ohms_of.get(part.name, part.resistance), part.inductance)
            elif isinstance(part, Winding):
                self.impedance(a, b, ohms_of.get(part.name, part.resistance), part.inductance)
            elif isinstance(part, Capacitor):
                inner = self.node()
                self.resistor(a, inner, ohms_of.get(part.name, part.esr))
                if self.frequency == 0.0 and part.name in held:
                    self.emf(inner, b, held[part.name])
                else:
                    self.capacitor(inner, b, part.capacitance)
            else:
                self.resistor(a, b, ohms_of.get(part.name, part.resistance))
        for shunt in self.edits.shunts:
            if shunt.a != shunt.b and shunt.at(self.frequency):
                self.resistor(self.number[shunt.a], self.number[shunt.b], shunt.ohms)

    def transformer(self, part: Transformer, ohms_of: dict[str, float]) -> None:
        """Leakage impedances around an ideal transformer (a VCVS and a CCCS), with the magnetising branch
        on the primary.
        """
        core, primary, secondary = self.node(), f"{part.name}.primary", f"{part.name}.secondary"
        back = self.number[part.p2]
        if primary not in self.edits.opened:
            front = self.probe(self.number[part.p1], primary)
            self.impedance(front, core, ohms_of.get(primary, part.primary_resistance), part.primary_leakage)
        self.inductor(core, back, part.magnetising)
        if not math.isinf(part.core_resistance):
            self.resistor(core, back, part.core_resistance)
        if secondary in self.edits.opened:
            return
        front, inner = self.probe(self.number[part.s1], secondary), self.node()
        self.impedance(front, inner, ohms_of.get(secondary, part.secondary_resistance), part.secondary_leakage)
        self.extra += 1
        self.add(f"E{self.extra}", inner, self.number[part.s2], core, back, 1.0 / part.ratio)
        self.add(f"F{self.extra}", back, core, self.current[secondary], 1.0 / part.ratio)


def netlist(network: Network, case: Case, plain: bool = False) -> str:
    """The netlist of `case`, its meter included, with one analysis and one printed quantity.

    `plain` leaves out what makes it exact, and with it what makes it slow: ngspice at its own pace.
    """
    writer = _Writer(network, case.edits, case.frequency, plain)
    writer.network_parts()
    number = writer.number
    if case.ask == "amps":
        printed = f"i({writer.current[case.red]})" if case.red in writer.current else "0"
    else:
        red, black = number[case.red], number[case.black]
        if case.ask == "volts":
            writer.resistor(red, black, case.meter.input_ohms)
        else:
            inner = writer.node()
            writer.resistor(red, inner, case.meter.test_ohms)
            writer.emf(inner, black, case.meter.test_volts)
        printed = " - ".join(f"v({node})" for node in (red, black) if node != "0")
        printed = f"0 - {printed}" if red == "0" else printed
    analysis = "op" if case.frequency == 0.0 else f"ac lin 1 {case.frequency!r} {case.frequency!r}"
    writer.lines += [".control", "set numdgt=15", analysis, f"print {printed}", ".endc", ".end"]
    return "\n".join(writer.lines) + "\n"


def run(text: str) -> complex:
    """What ngspice prints for a netlist of `netlist`."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "one.cir"
        path.write_text(text, encoding="utf-8")
        done = subprocess.run(["ngspice", "-b", str(path)], capture_output=True, text=True, timeout=60, check=False)
    found = re.findall(r"^\S.*? = ([-+0-9.eE]+)(?:,([-+0-9.eE]+))?\s*$", done.stdout, flags=re.MULTILINE)
    if not found:
        raise AssertionError(f"ngspice gave no number:\n{done.stdout}\n{done.stderr}")
    real, imaginary = found[-1]
    return complex(float(real), float(imaginary or 0.0))


def reading(network: Network, case: Case) -> complex:
    """The reading of `case` by ngspice: |V| for an AC voltmeter, V, ohm or a complex current otherwise."""
    if case.ask == "amps" and case.red in case.edits.opened:
        return 0j
    answer = run(netlist(network, case))
    if case.ask == "volts":
        return complex(abs(answer)) if case.meter.coupling == "ac" else answer
    if case.ask == "ohms":
        volts = answer.real
        over = volts >= case.meter.test_volts
        return complex(math.inf) if over else complex(case.meter.test_ohms * volts / (case.meter.test_volts - volts))
    return answer


def seconds_per_analysis(network: Network, case: Case, count: int = 200) -> float:
    """What one more analysis costs in one running ngspice, the meter's resistance altered before each.

    The plain netlist, which ngspice solves fastest.
    The difference of a long and a short run, so that starting the program and reading the netlist are out.
    """
    head, tail = netlist(network, case, plain=True).split(".control\n", 1)
    analysis = next(line for line in tail.splitlines() if line.startswith(("op", "ac")))
    meter = [line.split()[0] for line in head.splitlines() if line.startswith("R")][-1]

    def timed(times: int) -> float:
        loop = [f"repeat {times}", f"alter {meter} = 1e7", analysis, "destroy all", "end"]
        script = "\n".join([".control", *loop, "echo reading = 0.0", ".endc", ".end"]) + "\n"
        start = time.perf_counter()
        run(head + script)
        return time.perf_counter() - start

    few = count // 10
    return (min(timed(few + count) for _ in range(3)) - min(timed(few) for _ in range(3))) / count
