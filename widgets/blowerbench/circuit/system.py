"""The equations of one spectral line, and their solution after edits.

Branch-current form: the unknowns are the node voltages and one current per branch. Node rows say that
currents leaving a node (its leakage and stray capacitance included) sum to what is injected; branch rows
say v_a − v_b − Z·i = E, or i = 0 when open.

Rule: the base inverse X is formed once, with every contact closed; an edit is a low-rank change A' = A +
U·D·Vᵀ, answered by X' = X − X·U·(D⁻¹ + Vᵀ·X·U)⁻¹·Vᵀ·X without forming X' (an opened branch is D⁻¹ = 0).
Between two opened contacts in series a node hangs on its leakage alone and that small matrix loses digits,
so every answer is refined with the residual of the edited equations themselves; where this does not
converge, the edited matrix is inverted directly.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt
from threadpoolctl import threadpool_limits

from blowerbench.circuit.network import Network
from blowerbench.circuit.parts import Capacitor, Part, Source, Transformer
from blowerbench.errors import BenchError

Array = npt.NDArray[Any]
Indices = npt.NDArray[np.intp]

# Two BLAS threads make these small products many times slower (0.22 ms becomes 3.4 ms on two cores).
threadpool_limits(limits=1, user_api="blas")

CLOSE = 1e-13  # a refinement step this small against the largest voltage ends the refinement
LOOSE = 1e-12  # and one that stays above this sends the system to the direct solution
HOLDS = 1e-9  # and the equations are met to this against the largest volts and amperes (at least 1e-3)
STEPS = 6


class CircuitError(BenchError):
    """A circuit that cannot be solved, or a question that it cannot answer; the message says what would be
    right.
    """


@dataclass(frozen=True, slots=True)
class Scales:
    """Tolerance multipliers by group name, as plain numbers."""

    by_group: dict[str, float] = field(default_factory=dict)

    def of(self, group: str) -> float:
        """The multiplier of `group`; 1 for parts without tolerance."""
        return self.by_group.get(group, 1.0)


class BaseLine:
    """One spectral line of a network with every contact closed: its matrix, its inverse, its sources.

    `matrix` is (size, size), `inverse` (size + 1, size + 1): the last row and column are zeros and stand
    for the reference, so that terminal index `size` reads and injects nothing.
    """

    def __init__(self, network: Network, scales: Scales, frequency: float) -> None:
        self.network, self.frequency = network, frequency
        self.nodes = len(network.nodes) - 1
        self.branches = len(network.branches)
        self.size = self.nodes + self.branches
        self.dtype: type = np.float64 if frequency == 0.0 else np.complex128
        self.ends = np.array(
            [[self.terminal(branch.a), self.terminal(branch.b)] for branch in network.branches], dtype=np.intp
        ).reshape(-1, 2)
        self.own_resistance = np.zeros(self.branches)
        self.always_open = np.zeros(self.branches, dtype=bool)
        self.emf = np.zeros(self.branches, dtype=self.dtype)
        self.coupled: list[tuple[int, int, Any]] = []  # rows of windings that share a core
        self.matrix = self._assemble(scales)
        self.inverse = self._invert()
        self.leaving, self.signs = self._currents_of_nodes()

    def terminal(self, name: str) -> int:
        """Index of a node in padded vectors; the reference is the padding itself."""
        index = self.network.node(name)
        return self.size if index < 0 else index

    def _assemble(self, scales: Scales) -> Array:
        omega = 2.0 * math.pi * self.frequency
        matrix = np.zeros((self.size + 1, self.size + 1), dtype=np.complex128)
        leak = 1.0 / self.network.leakage + 1j * omega * self.network.stray_capacitance
        matrix[np.arange(self.nodes), np.arange(self.nodes)] = leak
        mutual: dict[str, tuple[int, complex]] = {}
        for k, branch in enumerate(self.network.branches):
            row, (a, b), part = self.nodes + k, self.ends[k], branch.part
            scale = scales.of(part.group)
            matrix[a, row] += 1.0
            matrix[b, row] -= 1.0
            if isinstance(part, Transformer):
                primary, secondary, coupling = part.impedances(omega, scale)
                impedance = primary if branch.side == "primary" else secondary
                own = part.primary_resistance if branch.side == "primary" else part.secondary_resistance
                other = mutual.setdefault(part.name, (row, coupling))
                if other[0] != row:
                    matrix[row, other[0]] = matrix[other[0], row] = -coupling
                    self.coupled += [(row, other[0], self.cast(-coupling)), (other[0], row, self.cast(-coupling))]
            else:
                impedance = part.impedance(omega, scale)
                own = _own_resistance(branch.part, impedance)
            self.own_resistance[k] = own
            if math.isinf(impedance.real):
                self.always_open[k] = True
                matrix[row, row] = 1.0
                continue
            matrix[row, a] += 1.0
            matrix[row, b] -= 1.0
            matrix[row, row] = -impedance
            if isinstance(part, Source) and part.frequency == self.frequency:
                self.emf[k] = self.cast(part.emf(part.volts * scale))
        return np.ascontiguousarray(matrix[:-1, :-1] if self.dtype is np.complex128 else matrix[:-1, :-1].real)

    def _currents_of_nodes(self) -> tuple[Indices, Array]:
        """(unknown, sign) of each current leaving each node, (node, most), padded."""
        lists: list[list[tuple[int, float]]] = [[] for _ in range(self.nodes)]
        for k, (a, b) in enumerate(self.ends):
            for terminal, sign in ((a, 1.0), (b, -1.0)):
                if terminal < self.size:
                    lists[terminal].append((self.nodes + k, sign))
        most = max(map(len, lists), default=0)
        padded = [row + [(self.size, 0.0)] * (most - len(row)) for row in lists]
        table = np.array(padded).reshape(self.nodes, most, 2)
        return table[:, :, 0].astype(np.intp), table[:, :, 1]

    def times(self, x: Array) -> Array:
        """A·`x` (size,) or (size, q) for padded `x`; by the structure of A where q is large."""
        if x.ndim == 1 or x.shape[1] < 40:
            return np.asarray(self.matrix @ x[: self.size])
        nodes, (a, b) = self.nodes, self.ends.T
        out = np.empty((self.size, x.shape[1]), dtype=x.dtype)
        out[:nodes] = np.diagonal(self.matrix)[:nodes, None] * x[:nodes]
        for column in range(self.leaving.shape[1]):
            some = np.flatnonzero(self.signs[:, column])
            out[some] += self.signs[some, column, None] * x[self.leaving[some, column]]
        volts = x[a] - x[b]
        volts[self.always_open] = 0.0
        out[nodes:] = volts + np.diagonal(self.matrix)[nodes:, None] * x[nodes : self.size]
        for row, other, value in self.coupled:
            out[row] += value * x[other]
        return out

    def cast(self, value: complex) -> Any:
        """`value` as this line's number: real at 0 Hz."""
        return value if self.dtype is np.complex128 else value.real

    def _invert(self) -> Array:
        inverse = invert(self.matrix, f"{self.network.source} at {self.frequency:g} Hz")
        padded: Array = np.zeros((self.size + 1, self.size + 1), dtype=self.dtype)
        padded[:-1, :-1] = inverse
        return padded


def _own_resistance(part: Part, impedance: complex) -> float:
    """The ohmic part of a branch's impedance: what an override of its resistance replaces."""
    return part.esr if isinstance(part, Capacitor) else impedance.real


def invert(matrix: Array, what: str) -> Array:
    """The inverse of `matrix`, polished by two Newton steps; CircuitError instead of anything that is not
    finite.
    """
    identity = np.eye(len(matrix))
    try:
        with np.errstate(all="ignore"):
            inverse = np.linalg.inv(matrix)
            for _ in range(2):
                inverse = inverse + inverse @ (identity - matrix @ inverse)
    except np.linalg.LinAlgError:
        inverse = np.full_like(matrix, np.nan)
    if not np.all(np.isfinite(inverse)):
        raise CircuitError(
            f"{what}: the circuit has no single solution; a loop without resistance or a node without leakage is left in it"
        )
    return np.asarray(inverse)


@dataclass(slots=True)
class LineEdits:
    """Edits as indices into one line's system."""

    opened: list[int] = field(default_factory=list)  # branches
    changed: list[tuple[int, complex]] = field(default_factory=list)  # branch, its new impedance
    shunts: list[tuple[int, int, float]] = field(default_factory=list)  # two terminals, ohms
    held: list[tuple[int, float, float]] = field(default_factory=list)  # branch, volts, series ohms
    emf: list[tuple[int, complex]] = field(default_factory=list)  # branch, volts


class EditedLine:
    """A base line after edits: answers any right-hand side, refined against the edited equations."""

    def __init__(self, base: BaseLine, edits: LineEdits) -> None:
        self.base, self.edits = base, edits
        self._direct: Array | None = None
        self._shunt_a = np.array([a for a, _, _ in edits.shunts], dtype=np.intp)
        self._shunt_b = np.array([b for _, b, _ in edits.shunts], dtype=np.intp)
        self._shunt_ohms = np.array([ohms for _, _, ohms in edits.shunts])
        self._opened = np.array(edits.opened, dtype=np.intp) + base.nodes
        self._rows, self._row_index = self._edited_rows()
        self._ports()

    # -- the edited matrix ---------------------------------------------------

    def _edited_rows(self) -> tuple[Array, Indices]:
        """Rows that replace those of the base matrix, and which ones."""
        base, changed, held = self.base, self.edits.changed, self.edits.held
        index = [base.nodes + k for k, _ in changed] + [base.nodes + k for k, _, _ in held]
        rows: Array = np.zeros((len(index), base.size), dtype=base.dtype)
        for position, (k, impedance) in enumerate(changed):
            rows[position] = base.matrix[base.nodes + k]
            rows[position, base.nodes + k] = -base.cast(impedance)
        for position, (k, _, ohms) in enumerate(held, len(changed)):
            for terminal, sign in zip(base.ends[k], (1.0, -1.0), strict=True):
                if terminal < base.size:
                    rows[position, terminal] += sign
            rows[position, base.nodes + k] = -ohms
        return rows, np.array(index, dtype=np.intp)

    def _ports(self) -> None:
        """Gather X·U and the inverse of D⁻¹ + Vᵀ·X·U."""
        base, edits = self.base, self.edits
        ports: list[tuple[int, int, complex]] = [(base.nodes + k, base.size, 0.0) for k in edits.opened]
        for k, impedance in edits.changed:
            delta = impedance + base.matrix[base.nodes + k, base.nodes + k]
            if delta != 0.0:
                ports.append((base.nodes + k, base.size, -1.0 / delta))
        self._shunt_at = slice(len(ports), len(ports) + len(edits.shunts))
        ports += [(a, b, ohms) for a, b, ohms in edits.shunts]
        first_held = len(ports)
        # a held capacitor replaces its row a by w, so that 1 + (w − a)ᵀ·X·U is wᵀ·X·U alone
        ports += [(base.nodes + k, base.size, 0.0) for k, _, _ in edits.held]
        self._a = np.array([port[0] for port in ports], dtype=np.intp)
        self._b = np.array([port[1] for port in ports], dtype=np.intp)
        self._left_a, self._left_b = self._a.copy(), self._b.copy()
        for position, (k, _, _) in enumerate(edits.held, first_held):
            self._left_a[position], self._left_b[position] = base.ends[k]
        self._held_at = slice(first_held, len(ports))
        self._held_row = np.array([base.nodes + k for k, _, _ in edits.held], dtype=np.intp)
        self._held_ohms = np.array([ohms for _, _, ohms in edits.held])
        if not ports:
            return
        self._right = base.inverse[:, self._a] - base.inverse[:, self._b]
        small = self._left(self._right)
        diagonal = np.arange(len(ports))
        small[diagonal, diagonal] += np.array([base.cast(complex(port[2])) for port in ports])
        inverse = _scaled_inverse(small)
        if inverse is None:
            self.force_direct()
        else:
            self._small = inverse

    def _left(self, padded: Array) -> Array:
        """Vᵀ·`padded`, rows of a padded array; for a held capacitor wᵀ·`padded`."""
        picked = padded[self._left_a] - padded[self._left_b]
        if len(self._held_row):
            ohms = self._held_ohms if padded.ndim == 1 else self._held_ohms[:, None]
            picked[self._held_at] -= ohms * padded[self._held_row]
        return np.asarray(picked)

    def residual(self, rhs: Array, x: Array) -> Array:
        """`rhs` − A'·`x`, vectors (size + 1 + shunts,) or stacks (size + 1 + shunts, q).

        A shunt's current is an unknown of its own, after the padding: as a conductance between nodes, a
        short of micro-ohms would swamp the leakage of a floating pair. Rows that were edited are exact.
        """
        base, size = self.base, self.base.size
        left = rhs.copy()
        left[:size] -= base.times(x[: size + 1])
        left[self._opened] = rhs[self._opened] - x[self._opened]
        if len(self._row_index):
            left[self._row_index] = rhs[self._row_index] - self._rows @ x[:size]
        for number, (a, b, ohms) in enumerate(self.edits.shunts, size + 1):
            left[a] -= x[number]
            left[b] += x[number]
            left[number] = rhs[number] - (x[a] - x[b] - ohms * x[number])
        left[size] = 0.0
        return left

    def _exact_nodes(self, rhs: Array, x: Array, rest: Array) -> Array:
        """Node rows of the residual of `x` + `rest`, summed without rounding.

        A floating island in which amperes circulate needs it: their rounding alone, let into gigohms of
        leakage, would be microvolts. Currents are summed with the error-free sum of two (Knuth), and
        `rest` holds what `x` cannot.
        """
        base, nodes = self.base, self.base.nodes
        stacked = x.ndim > 1
        signs = base.signs[:, :, None] if stacked else base.signs
        terms = np.moveaxis(signs * x[base.leaving], 1, 0)
        total, lost = -rhs[:nodes], np.zeros_like(rhs[:nodes])
        for term in terms:
            total, error = _two_sum(total, term)
            lost = lost + error
        for number, (a, b, _) in enumerate(self.edits.shunts, base.size + 1):
            for terminal, sign in ((a, 1.0), (b, -1.0)):
                if terminal < base.size:
                    total[terminal], error = _two_sum(total[terminal], sign * x[number])
                    lost[terminal] += error + sign * rest[number]
        leak = np.diagonal(base.matrix)[:nodes]
        lost = lost + (signs * rest[base.leaving]).sum(axis=1)
        lost = lost + (leak[:, None] if stacked else leak) * (x[:nodes] + rest[:nodes])
        return np.asarray(-(total + lost))

    def force_direct(self) -> None:
        """Invert the edited matrix itself, bordered by the shunts' rows."""
        base, size, whole = self.base, self.base.size, self.base.size + 1 + len(self.edits.shunts)
        bordered: Array = np.zeros((whole, whole), dtype=base.dtype)
        bordered[:size, :size] = base.matrix
        bordered[self._opened] = 0.0
        bordered[self._opened, self._opened] = 1.0
        if len(self._row_index):
            bordered[self._row_index, :size] = self._rows
        for number, (a, b, ohms) in enumerate(self.edits.shunts, size + 1):
            for terminal, sign in ((a, 1.0), (b, -1.0)):
                bordered[terminal, number] += sign
                bordered[number, terminal] += sign
            bordered[number, number] = -ohms
        bordered[size] = bordered[:, size] = 0.0
        bordered[size, size] = 1.0
        self._direct = invert(bordered, f"{base.network.source} at {base.frequency:g} Hz")
        self._direct[size, size] = 0.0

    @property
    def direct(self) -> bool:
        """Whether the low-rank answer was not good enough and the edited matrix was inverted."""
        return self._direct is not None

    def formed_inverse(self) -> Array:
        """X' in full, as exact as the low-rank change leaves it; rows and columns of opened branches are zero."""
        size = self.base.size
        if self._direct is not None:
            inverse = self._direct[: size + 1, : size + 1].copy()
        elif len(self._a):
            left = self._left(self.base.inverse)
            left[np.arange(self._held_at.start, self._held_at.stop), self._held_row] -= 1.0
            inverse = self.base.inverse - self._right @ (self._small @ left)
        else:
            return self.base.inverse.copy()
        inverse[self._opened] = 0.0
        inverse[:, self._opened] = 0.0
        return inverse

    # -- answers ---------------------------------------------------

    def polished(self, inverse: Array) -> tuple[Array, float]:
        """`inverse`, an X' of `formed_inverse`, after one Newton step, and by what part its diagonal moved."""
        base, size = self.base, self.base.size
        shunts = len(self.edits.shunts)
        unit: Array = np.zeros((size + 1 + shunts, size + 1), dtype=base.dtype)
        unit[np.arange(size), np.arange(size)] = 1.0
        currents = (inverse[self._shunt_a] - inverse[self._shunt_b]) / self._shunt_ohms[:, None]
        wrong = self.residual(unit, np.concatenate([inverse, currents]))[: size + 1]
        wrong[self._opened] = 0.0
        wrong[:, self._opened] = 0.0
        # a correction needs few digits: single precision halves the time, and the next step mends the rest
        single = np.complex64 if base.dtype is np.complex128 else np.float32
        with np.errstate(all="ignore"):  # what overflows has moved without end
            change = inverse.astype(single) @ wrong.astype(single)
            inverse = inverse + change
        if not np.all(np.isfinite(inverse)):
            return inverse, math.inf
        own = np.abs(np.diagonal(inverse))
        moved = np.abs(np.diagonal(change))[own > 0.0] / own[own > 0.0]
        return np.asarray(inverse), float(np.max(moved, initial=0.0))

    def _apply(self, rhs: Array) -> Array:
        if self._direct is not None:
            return np.asarray(self._direct @ rhs)
        first = self.base.size + 1
        answer = self.base.inverse @ rhs[:first]
        if len(self._a):
            across = self._left(answer)
            across[self._shunt_at] -= rhs[first:]
            across[self._held_at] -= rhs[self._held_row]
            currents = self._small @ across
            answer = answer - self._right @ currents
            answer[self._opened] = rhs[self._opened]
            if len(rhs) > first:
                answer = np.concatenate([answer, currents[self._shunt_at]])
        return np.asarray(answer)

    def solve(self, rhs: Array) -> Array:
        """The unknowns (size + 1,) for a right-hand side of that shape; the last one is the reference."""
        nodes = self.base.nodes
        return self._settled(rhs, lambda x: x[:nodes], 1e-3)

    def columns(self, a: Indices, b: Indices) -> Array:
        """As `transfer`, with the voltage of every node made exact."""
        nodes = self.base.nodes
        return self._settled(self._injected(a, b), lambda x: x[:nodes], 1e-3)

    def _injected(self, a: Indices, b: Indices) -> Array:
        pairs = np.arange(len(a))
        injected: Array = np.zeros((self.base.size + 1, len(a)), dtype=self.base.dtype)
        np.add.at(injected, (a, pairs), 1.0)
        np.subtract.at(injected, (b, pairs), 1.0)
        injected[-1] = 0.0
        return injected

    def transfer(self, a: Indices, b: Indices) -> Array:
        """The unknowns (size + 1, pair) for one ampere into each terminal of `a` and out of that of `b`,
        each (pair,).

        Only the voltage between the two is made exact: what a floating pair has in common is left as it
        comes.
        """
        pairs = np.arange(len(a))
        return self._settled(self._injected(a, b), lambda x: (x[a, pairs] - x[b, pairs])[None, :], 1.0)

    def _settled(self, rhs: Array, watched: Callable[[Array], Array], least: float) -> Array:
        """Solve and refine until what is `watched` stands still against its own size or `least`, else solve
        directly.
        """
        first, shunts = self.base.size + 1, len(self.edits.shunts)
        if shunts:
            rhs = np.concatenate([rhs, np.zeros((shunts, *rhs.shape[1:]), dtype=rhs.dtype)])
        with np.errstate(all="ignore"):  # what overflows does not settle, and is caught below
            answer, settled = self._refined(rhs, watched, least, exact=False)
            if not settled:
                answer, settled = self._refined(rhs, watched, least, exact=True)
            if not settled and not self.direct:
                self.force_direct()
                answer, settled = self._refined(rhs, watched, least, exact=True)
        if not np.all(np.isfinite(answer)):
            raise CircuitError(
                f"{self.base.network.source}: no finite solution at {self.base.frequency:g} Hz; "
                "check the values edited for zeros and extremes"
            )
        return answer[:first]

    def _refined(self, rhs: Array, watched: Callable[[Array], Array], least: float, exact: bool) -> tuple[Array, bool]:
        """The answer after refinement and whether it settled; `exact` sums currents without rounding."""
        x, step = self._apply(rhs), math.inf
        rest = np.zeros_like(x)
        for _ in range(STEPS):
            left = self.residual(rhs, x)
            if exact:
                left -= self.residual(np.zeros_like(rhs), -rest)
                left[: self.base.nodes] = self._exact_nodes(rhs, x, rest)
            change = self._apply(left)
            if exact:
                x, rest = _two_sum(x, rest + change)
            else:
                x = x + change
            size = np.abs(watched(x)).max(axis=0, initial=least)
            moved = np.abs(watched(change)).max(axis=0, initial=0.0)
            previous, step = step, float(np.max(moved / size, initial=0.0))
            if not step > CLOSE or step > 0.5 * previous:
                break
        return x, step <= LOOSE and self._holds(left, rhs, x)

    def _holds(self, left: Array, rhs: Array, x: Array) -> bool:
        """Whether residual `left` is small against the volts and amperes of `x`.

        An inverse that lost everything may answer any residual with zero: a small step proves nothing then.
        """
        nodes = self.base.nodes
        volts = np.abs(x[:nodes]).max(axis=0, initial=1e-3) + np.abs(rhs[nodes:]).max(axis=0, initial=0.0)
        amperes = np.abs(x[nodes:]).max(axis=0, initial=1e-3) + np.abs(rhs[:nodes]).max(axis=0, initial=0.0)
        return bool(
            np.all(np.abs(left[nodes:]).max(axis=0, initial=0.0) <= HOLDS * volts)
            and np.all(np.abs(left[:nodes]).max(axis=0, initial=0.0) <= HOLDS * amperes)
        )

    def sources(self) -> Array:
        """The right-hand side (size + 1,) of the sources and of the capacitors held charged."""
        base = self.base
        rhs: Array = np.zeros(base.size + 1, dtype=base.dtype)
        rhs[base.nodes : base.size] = base.emf
        for k, volts in self.edits.emf:
            rhs[base.nodes + k] = base.cast(volts)
        for k, volts, _ in self.edits.held:
            rhs[base.nodes + k] = volts
        rhs[self._opened] = 0.0
        return rhs


def _two_sum(a: Array, b: Array) -> tuple[Array, Array]:
    """(a + b rounded, what the rounding lost), exactly (Knuth, The Art of Computer Programming 2, 4.2.2)."""
    total = a + b
    part = total - a
    return total, (a - (total - part)) + (b - part)


def _scaled_inverse(small: Array) -> Array | None:
    """Inverse of a small matrix whose rows differ by many powers of ten; None when it has none."""
    size = np.sqrt(np.abs(np.diagonal(small)))
    size[size == 0.0] = 1.0
    try:
        with np.errstate(all="ignore"):
            inverse = np.linalg.inv(small / size[:, None] / size) / size[:, None] / size
    except np.linalg.LinAlgError:
        return None
    return np.asarray(inverse) if np.all(np.isfinite(inverse)) else None
