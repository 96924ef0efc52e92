"""The same circuit in branch form at 30 significant digits, assembled from the parts' own numbers with
mpmath.

Nothing of the package's matrices or of its meter formula is used: the equations are written out again here,
the meter is a branch among the others, and they are solved by sparse elimination with ten guard digits.
"""

from __future__ import annotations

import math
from typing import Any

from cases import Case
from mpmath import mp, mpc, mpf

from blowerbench.circuit import Capacitor, Edits, Network, Source, Transformer, Winding

DIGITS = 30
GUARD = 10

Row = dict[Any, Any]


class _Equations:
    def __init__(self, network: Network, edits: Edits, frequency: float) -> None:
        self.network, self.edits, self.ground = network, edits, network.reference
        self.omega = 2 * mp.pi * mpf(frequency)
        self.frequency = frequency
        self.rows: dict[Any, Row] = {}
        self.right: dict[Any, Any] = {}
        for node in network.nodes:
            if node != self.ground:
                leak = mpc(1 / mpf(network.leakage), self.omega * mpf(network.stray_capacitance))
                self.rows["kcl", node] = {("v", node): leak}

    def add(self, row: Any, unknown: Any, value: Any) -> None:
        if unknown != ("v", self.ground):
            self.rows[row][unknown] = self.rows[row].get(unknown, mpf(0)) + value

    def branch(self, name: str, a: str, b: str, impedance: Any, emf: Any = 0, opened: bool = False) -> None:
        """v_a − v_b − Z·i = E, or i = 0; the current leaves a and enters b."""
        row, current = ("branch", name), ("i", name)
        self.rows[row] = {}
        self.right[row] = mpc(0) if opened else mpc(emf)
        for node, sign in ((a, 1), (b, -1)):
            if node != self.ground:
                self.add(("kcl", node), current, mpf(sign))
                if not opened:
                    self.add(row, ("v", node), mpf(sign))
        self.add(row, current, mpf(1) if opened else -impedance)

    def parts(self) -> None:
        ohms_of = {name: mpf(ohms) for name, ohms in self.edits.resistances}
        held, emf = dict(self.edits.held), dict(self.edits.emf)
        omega, opened = self.omega, self.edits.opened
        for part in self.network.parts.values():
            name = part.name
            if isinstance(part, Transformer):
                self.transformer(part, ohms_of)
                continue
            if isinstance(part, Capacitor):
                ohms = ohms_of.get(name, mpf(part.esr))
                if self.frequency == 0.0:
                    charged = name in held
                    self.branch(name, part.a, part.b, ohms, held.get(name, 0.0), name in opened or not charged)
                else:
                    self.branch(
                        name,
                        part.a,
                        part.b,
                        mpc(ohms, -1 / (omega * mpf(part.capacitance))),
                        0,
                        name in opened,
                    )
                continue
            impedance = mpc(ohms_of.get(name, mpf(part.resistance)))
            volts: Any = 0
            if isinstance(part, (Source, Winding)):
                impedance += mpc(0, omega * mpf(part.inductance))
            if isinstance(part, Source) and part.frequency == self.frequency:
                volts = mpf(emf.get(name, part.volts)) * mp.expj(mp.radians(mpf(part.phase_deg)))
            self.branch(name, part.a, part.b, impedance, volts, name in opened)
        for number, shunt in enumerate(self.edits.shunts):
            if shunt.a != shunt.b and shunt.at(self.frequency):
                self.branch(f"shunt {number}", shunt.a, shunt.b, mpf(shunt.ohms))

    def transformer(self, part: Transformer, ohms_of: dict[str, Any]) -> None:
        """Primary and secondary through an ideal transformer of `ratio`, the core on the primary side."""
        first, second = f"{part.name}.primary", f"{part.name}.secondary"
        core = mpc(0, self.omega * mpf(part.magnetising))
        if not math.isinf(part.core_resistance):
            core = core * mpf(part.core_resistance) / (core + mpf(part.core_resistance))
        leak_1 = mpc(ohms_of.get(first, mpf(part.primary_resistance)), self.omega * mpf(part.primary_leakage))
        leak_2 = mpc(ohms_of.get(second, mpf(part.secondary_resistance)), self.omega * mpf(part.secondary_leakage))
        turns = mpf(part.ratio)
        for name, a, b, leak, share in (
            (first, part.p1, part.p2, leak_1, mpf(1)),
            (second, part.s1, part.s2, leak_2, 1 / turns),
        ):
            self.branch(name, a, b, leak, 0, name in self.edits.opened)
            if name in self.edits.opened:
                continue
            # the core's voltage is core·(i_primary + i_secondary / turns); this side sees `share` of it
            self.add(("branch", name), ("i", first), -share * core)
            self.add(("branch", name), ("i", second), -share * core / turns)

    def solve(self) -> dict[Any, Any]:
        """Sparse Gauss elimination; the pivot is the sparsest among rows whose entry is not small in its
        column.
        """
        rows = {key: {unknown: value for unknown, value in row.items() if value != 0} for key, row in self.rows.items()}
        right = {key: self.right.get(key, mpc(0)) for key in rows}
        columns: dict[Any, set[Any]] = {}
        for key, row in rows.items():
            for unknown in row:
                columns.setdefault(unknown, set()).add(key)
        done: list[tuple[Any, Row, Any]] = []
        while columns:
            unknown = min(columns, key=lambda name: (len(columns[name]), str(name)))
            keys = columns.pop(unknown)
            largest = max(abs(rows[key][unknown]) for key in keys)
            able = [key for key in keys if abs(rows[key][unknown]) >= largest * mpf("1e-3")]
            pivot_key = min(able, key=lambda key: (len(rows[key]), str(key)))
            pivot_row, pivot_right = rows.pop(pivot_key), right.pop(pivot_key)
            pivot = pivot_row.pop(unknown)
            for other in pivot_row:
                columns[other].discard(pivot_key)
            for key in keys - {pivot_key}:
                factor = rows[key].pop(unknown) / pivot
                right[key] -= factor * pivot_right
                for other, value in pivot_row.items():
                    if other in rows[key]:
                        rows[key][other] -= factor * value
                    else:
                        rows[key][other] = -factor * value
                        columns[other].add(key)
            done.append((unknown, pivot_row, (pivot, pivot_right)))
        found: dict[Any, Any] = {("v", self.ground): mpc(0)}
        for unknown, row, (pivot, value) in reversed(done):
            found[unknown] = (value - sum((entry * found[other] for other, entry in row.items()), mpc(0))) / pivot
        return found


def reading(network: Network, case: Case) -> complex:
    """The reading of `case`, rounded from 30 digits: |V| for an AC voltmeter, V, ohm or a complex current
    otherwise.
    """
    with mp.workdps(DIGITS + GUARD):
        equations = _Equations(network, case.edits, case.frequency)
        equations.parts()
        if case.ask == "volts":
            equations.branch("the meter", case.red, case.black, mpf(case.meter.input_ohms))
        elif case.ask == "ohms":
            equations.branch("the meter", case.red, case.black, mpf(case.meter.test_ohms), mpf(case.meter.test_volts))
        found = equations.solve()
        if case.ask == "amps":
            return complex(found["i", case.red])
        volts = found["v", case.red] - found["v", case.black]
        if case.ask == "ohms":
            over = volts.real >= case.meter.test_volts
            return complex(
                math.inf if over else mpf(case.meter.test_ohms) * volts.real / (mpf(case.meter.test_volts) - volts.real)
            )
        return complex(abs(volts)) if case.meter.coupling == "ac" else complex(volts.real)
