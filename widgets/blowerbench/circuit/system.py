"""The equations of one spectral line, and their solution after edits.

Branch-current form: the unknowns are the node voltages and one current per branch. Node rows say that currents leaving a node
(its leakage and stray capacitance included) sum to what is injected; branch rows say v_a − v_b − Z·i = E, or i = 0 when open.

Rule: the base inverse X is formed once, with every contact closed; an edit is a low-rank change A' = A + U·D·Vᵀ, answered by
X' = X − X·U·(D⁻¹ + Vᵀ·X·U)⁻¹·Vᵀ·X without forming X' (an opened branch is D⁻¹ = 0). Between two opened contacts in series
a node hangs on its leakage alone and that small matrix loses digits, so every answer is refined with the residual of the
edited equations themselves; where this does not converge, the edited matrix is inverted directly.
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
from blowerbench.circuit.parts import Capacitor, Source, Transformer, Winding
from blowerbench.errors import BenchError

Array = npt.NDArray[Any]
Indices = npt.NDArray[np.intp]

# Two BLAS threads make these small products many times slower (0.22 ms becomes 3.4 ms on two cores).
threadpool_limits(limits=1, user_api="blas")

CLOSE = 1e-13  # a refinement step this small against the largest voltage ends the refinement
LOOSE = 1e-11  # and one that stays above this sends the system to the direct solution
STEPS = 6


class CircuitError(BenchError):
    """A circuit that cannot be solved, or a question that it cannot answer; the message says what would be right."""


@dataclass(frozen=True, slots=True)
class Scales:
    """Tolerance multipliers by group name, as plain numbers."""

    by_group: dict[str, float] = field(default_factory=dict)

    def of(self, group: str) -> float:
        """The multiplier of `group`; 1 for parts without tolerance."""
        return self.by_group.get(group, 1.0)


class BaseLine:
    """One spectral line of a network with every contact closed: its matrix, its inverse, its sources.

    `matrix` is (size, size), `inverse` (size + 1, size + 1): the last row and column are zeros and stand for the reference,
    so that terminal index `size` reads and injects nothing.
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
        self.matrix = self._assemble(scales)
        self.inverse = self._invert()

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
                self.emf[k] = self._cast(part.emf(part.volts * scale))
        return np.ascontiguousarray(matrix[:-1, :-1] if self.dtype is np.complex128 else matrix[:-1, :-1].real)

    def _cast(self, value: complex) -> Any:
        return value if self.dtype is np.complex128 else value.real

    def _invert(self) -> Array:
        inverse = invert(self.matrix, f"{self.network.source} at {self.frequency:g} Hz")
        padded = np.zeros((self.size + 1, self.size + 1), dtype=self.dtype)
        padded[:-1, :-1] = inverse
        return padded


def _own_resistance(part: Any, impedance: complex) -> float:
    """The ohmic part of a branch's impedance: what an override of its resistance replaces."""
    if isinstance(part, Capacitor):
        return part.esr
    if isinstance(part, (Source, Winding)):
        return impedance.real
    return impedance.real


def invert(matrix: Array, what: str) -> Array:
    """The inverse of `matrix`, polished by two Newton steps; CircuitError instead of anything that is not finite."""
    identity = np.eye(len(matrix))
    try:
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
        self._opened = np.array(edits.opened, dtype=np.intp) + base.nodes
        self._rows, self._row_index = self._edited_rows()
        self._ports()

    # -- the edited matrix ------------------------------------------------------------------------------------------

    def _edited_rows(self) -> tuple[Array, Indices]:
        """Rows that replace those of the base matrix, and which ones."""
        base, changed, held = self.base, self.edits.changed, self.edits.held
        index = [base.nodes + k for k, _ in changed] + [base.nodes + k for k, _, _ in held]
        rows = np.zeros((len(index), base.size), dtype=base.dtype)
        for position, (k, impedance) in enumerate(changed):
            rows[position] = base.matrix[base.nodes + k]
            rows[position, base.nodes + k] = -base._cast(impedance)
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
        ports += [(a, b, ohms) for a, b, ohms in edits.shunts]
        first_held = len(ports)
        ports += [(base.nodes + k, base.size, 1.0) for k, _, _ in edits.held]
        self._a = np.array([port[0] for port in ports], dtype=np.intp)
        self._b = np.array([port[1] for port in ports], dtype=np.intp)
        self._left_a, self._left_b = self._a.copy(), self._b.copy()
        for position, (k, _, _) in enumerate(edits.held, first_held):
            self._left_a[position], self._left_b[position] = base.ends[k]
        self._held_at = slice(first_held, len(ports))
        self._held_row = np.array([base.nodes + k for k, _, _ in edits.held], dtype=np.intp)
        self._held_factor = np.array([ohms + 1.0 for _, _, ohms in edits.held])
        if not ports:
            return
        self._right = base.inverse[:, self._a] - base.inverse[:, self._b]
        small = self._left(self._right)
        diagonal = np.arange(len(ports))
        small[diagonal, diagonal] += np.array([base._cast(complex(port[2])) for port in ports])
        self._small = _scaled_inverse(small)
        if self._small is None:
            self._force_direct()

    def _left(self, padded: Array) -> Array:
        """Vᵀ·`padded`, rows of a padded array."""
        picked = padded[self._left_a] - padded[self._left_b]
        if len(self._held_row):
            factor = self._held_factor if padded.ndim == 1 else self._held_factor[:, None]
            picked[self._held_at] -= factor * padded[self._held_row]
        return np.asarray(picked)

    def residual(self, rhs: Array, x: Array) -> Array:
        """`rhs` − A'·`x` for vectors (size + 1,) or stacks (size + 1, q); exact rows for what was edited."""
        base = self.base
        left = rhs.copy()
        left[:-1] -= base.matrix @ x[:-1]
        left[self._opened] = rhs[self._opened] - x[self._opened]
        if len(self._row_index):
            left[self._row_index] = rhs[self._row_index] - self._rows @ x[:-1]
        for a, b, ohms in self.edits.shunts:
            current = (x[a] - x[b]) / ohms
            left[a] -= current
            left[b] += current
        left[-1] = 0.0
        return left

    def _force_direct(self) -> None:
        """Invert the edited matrix itself."""
        base = self.base
        matrix = base.matrix.copy()
        matrix[self._opened] = 0.0
        matrix[self._opened, self._opened] = 1.0
        if len(self._row_index):
            matrix[self._row_index] = self._rows
        for a, b, ohms in self.edits.shunts:
            for here, there in ((a, b), (b, a)):
                if here < base.size:
                    matrix[here, here] += 1.0 / ohms
                    if there < base.size:
                        matrix[here, there] -= 1.0 / ohms
        padded = np.zeros_like(base.inverse)
        padded[:-1, :-1] = invert(matrix, f"{base.network.source} at {base.frequency:g} Hz")
        self._direct = padded

    @property
    def direct(self) -> bool:
        """Whether the low-rank answer was not good enough and the edited matrix was inverted."""
        return self._direct is not None

    # -- answers ----------------------------------------------------------------------------------------------------

    def _apply(self, rhs: Array) -> Array:
        if self._direct is not None:
            return np.asarray(self._direct @ rhs)
        answer = self.base.inverse @ rhs
        if len(self._a):
            answer = answer - self._right @ (self._small @ self._left(answer))
        answer[self._opened] = rhs[self._opened]
        return np.asarray(answer)

    def solve(self, rhs: Array) -> Array:
        """The unknowns (size + 1,) or (size + 1, q) for right-hand sides of that shape; the last row is the reference."""
        answer, settled = self._refined(rhs)
        if not settled and not self.direct:
            self._force_direct()
            answer, settled = self._refined(rhs)
        if not np.all(np.isfinite(answer)):
            raise CircuitError(
                f"{self.base.network.source}: no finite solution at {self.base.frequency:g} Hz; "
                "check the values edited for zeros and extremes"
            )
        return answer

    def _refined(self, rhs: Array) -> tuple[Array, bool]:
        nodes = self.base.nodes
        x = self._apply(rhs)
        step = math.inf
        for _ in range(STEPS):
            change = self._apply(self.residual(rhs, x))
            x = x + change
            size = np.abs(x[:nodes]).max(axis=0)
            moved = np.abs(change[:nodes]).max(axis=0)
            previous, step = step, float(np.max(moved / (size + 1e-300))) if nodes else 0.0
            if not step > CLOSE or step > 0.5 * previous:
                break
        return x, step <= LOOSE

    def sources(self) -> Array:
        """The right-hand side (size + 1,) of the sources and of the capacitors held charged."""
        base = self.base
        rhs = np.zeros(base.size + 1, dtype=base.dtype)
        rhs[base.nodes : base.size] = base.emf
        for k, volts in self.edits.emf:
            rhs[base.nodes + k] = base._cast(volts)
        for k, volts, _ in self.edits.held:
            rhs[base.nodes + k] = volts
        rhs[self._opened] = 0.0
        return rhs


def _scaled_inverse(small: Array) -> Array | None:
    """Inverse of a small matrix whose rows differ by many powers of ten; None when it has none."""
    size = np.sqrt(np.abs(np.diagonal(small)))
    size[size == 0.0] = 1.0
    try:
        inverse = np.linalg.inv(small / size[:, None] / size) / size[:, None] / size
    except np.linalg.LinAlgError:
        return None
    return np.asarray(inverse) if np.all(np.isfinite(inverse)) else None


Solver = Callable[[Array], Array]
