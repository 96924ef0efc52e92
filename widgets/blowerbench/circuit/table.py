"""Readings by the million: every fault in every state between every pair of terminals with every meter.

Rule: the numbers are those of `Circuit.solve(state.merge(fault))` read one at a time; only the order of
work differs. For each state the edited inverse X' is formed once, and a fault is a low-rank correction on
the pairs asked for. Where such a correction would lose digits (a difference of nearly equal numbers), or a
fault is no low-rank change of the state, that cell is solved by itself.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from blowerbench.circuit.meters import MeterSpec, average_responding
from blowerbench.circuit.solve import Circuit, Edits, State
from blowerbench.circuit.system import Array, BaseLine, EditedLine, LineEdits

LOST = 1e-9  # a correction that leaves less than this of what it started from is done again from the equations
ILL = 1e4  # condition of a fault's own small matrix beyond which it is not trusted
LOSSY = 1e-6  # a port whose ohms are less than this of its terminals' own is solved by itself
POLISHES = 5
ENOUGH = 1e-4  # a polishing step that moves the edited inverse by less leaves about the square of it

Terminals = dict[tuple[int, int], int]  # two terminals: the one that stands for the port between them


def table(
    circuit: Circuit,
    states: Sequence[Edits],
    faults: Sequence[Edits],
    pairs: Sequence[tuple[str, str]],
    meters: Sequence[MeterSpec],
) -> Array:
    """Volts read, as floats (fault, state, pair, meter), by voltmeters `meters` red on the first terminal
    of each pair.

    Raises NetworkError for unknown names and CircuitError for values that make no sense, as `Circuit.solve`
    does.
    """
    out = np.zeros((len(faults), len(states), len(pairs), len(meters)))
    wanted = [_lines_of(circuit, meter) for meter in meters]
    lines = sorted({line for several in wanted for line in several})
    probes = {line: _probes(circuit, pairs, line) for line in lines}
    prepared = {line: _prepare(circuit, faults, line) for line in lines}
    for position, edits in enumerate(states):
        state = circuit.solve(edits)
        ports = {line: _ports(circuit, state, faults, prepared[line], probes[line], line) for line in lines}
        for column, (meter, several) in enumerate(zip(meters, wanted, strict=True)):
            out[:, position, :, column] = _read(meter, several, ports)
    return out


def _lines_of(circuit: Circuit, meter: MeterSpec) -> list[float]:
    """The spectral lines that `meter` reads."""
    return [
        line
        for line in circuit.network.frequencies
        if (meter.coupling != "ac" if line == 0.0 else meter.coupling != "dc") and line <= meter.bandwidth
    ]


def _read(meter: MeterSpec, lines: list[float], ports: dict[float, tuple[Array, Array]]) -> Array:
    """Readings (fault, pair) from (open-circuit volts, Thévenin ohms) of each line, each (fault, pair)."""
    loaded = {}
    for line in lines:
        volts, ohms = ports[line]
        loaded[line] = volts * (meter.input_ohms / (ohms + meter.input_ohms))
    if meter.coupling == "dc":
        return np.asarray(loaded[0.0])
    alternating = [line for line in lines if line > 0.0]
    if meter.response == "average" and len(alternating) > 1:
        shape = loaded[alternating[0]].shape
        total = np.array(
            [average_responding([(line, complex(loaded[line][cell])) for line in alternating]) for cell in np.ndindex(shape)]
        ).reshape(shape)
    elif len(alternating) == 1:
        total = np.abs(loaded[alternating[0]])
    else:
        total = np.sqrt(sum((np.abs(loaded[line]) ** 2 for line in alternating), np.zeros(1)))
    return total if meter.coupling == "ac" else np.hypot(total, loaded[0.0])


def _probes(circuit: Circuit, pairs: Sequence[tuple[str, str]], line: float) -> tuple[Array, Array]:
    base = circuit.base(line)
    ends = np.array([[base.terminal(red), base.terminal(black)] for red, black in pairs], dtype=np.intp).reshape(-1, 2)
    return ends[:, 0], ends[:, 1]


@dataclass(slots=True)
class _Fault:
    """A fault at one line: its ports as (terminal a, terminal b, ohms or None for an opened branch)."""

    edits: LineEdits
    alone: bool  # no low-rank change of any state


def _prepare(circuit: Circuit, faults: Sequence[Edits], line: float) -> list[_Fault]:
    prepared = []
    for fault in faults:
        circuit.check(fault)
        prepared.append(_Fault(circuit.line_edits(fault, line), bool(fault.held) and line == 0.0))
    return prepared


def _fault_ports(
    fault: _Fault, opened: set[int], changed: dict[int, complex], terminals: Terminals, base: BaseLine
) -> list[tuple[int, int, complex]]:
    """(terminal a, terminal b, D⁻¹) of what `fault` adds to a state with these branches changed."""
    ports: list[tuple[int, int, complex]] = [(base.nodes + k, base.size, 0.0) for k in fault.edits.opened if k not in opened]
    for k, impedance in fault.edits.changed:
        before = changed.get(k, -base.matrix[base.nodes + k, base.nodes + k])
        if k not in opened and impedance != before:
            ports.append((base.nodes + k, base.size, -1.0 / (impedance - before)))
    for a, b, ohms in fault.edits.shunts:
        ports.append((terminals[a, b], base.size, ohms) if (a, b) in terminals else (a, b, ohms))
    return ports


def _with_ports(line: EditedLine, inverse: Array, shorts: set[tuple[int, int]]) -> tuple[Array, Terminals]:
    """`inverse` with a further row and column for each of `shorts` that would lose digits, and where it is.

    Between two terminals of a floating island the port's ohms are a small difference of gigohms: its column
    is solved by itself and stands as one terminal against the reference.
    """
    ends = np.array(sorted(shorts), dtype=np.intp).reshape(-1, 2)
    a, b = ends[:, 0], ends[:, 1]
    own = np.abs(inverse[a, a] + inverse[b, b] - inverse[a, b] - inverse[b, a])
    lossy = own < LOSSY * (np.abs(inverse[a, a]) + np.abs(inverse[b, b]))
    a, b = a[lossy], b[lossy]
    if not len(a):
        return inverse, {}
    columns = line.columns(a, b)
    columns[np.array(line.edits.opened, dtype=np.intp) + line.base.nodes] = 0.0
    between = columns[a] - columns[b]
    whole = np.block([[inverse, columns], [columns.T, between]])
    return whole, {(int(i), int(j)): len(inverse) + k for k, (i, j) in enumerate(zip(a, b, strict=True))}


def _extended(unknowns: Array, terminals: Terminals) -> Array:
    """`unknowns` with the volts across each port of `_with_ports`."""
    across = np.array([unknowns[a] - unknowns[b] for a, b in terminals], dtype=unknowns.dtype)
    return np.concatenate([unknowns, across])


def _ports(
    circuit: Circuit,
    state: State,
    faults: Sequence[Edits],
    prepared: list[_Fault],
    probes: tuple[Array, Array],
    frequency: float,
) -> tuple[Array, Array]:
    """(open-circuit volts, Thévenin ohms), each (fault, pair), of every fault in one state at one line."""
    line, base = state.line(frequency), circuit.base(frequency)
    shorts = {(a, b) for fault in prepared for a, b, _ in fault.edits.shunts}
    inverse, terminals = _with_ports(line, _edited_inverse(line), shorts)
    unknowns = _extended(state.unknowns(frequency), terminals)
    red, black = probes
    volts_0 = unknowns[red] - unknowns[black]
    # the transfer of a pair: how its voltage answers each unknown's row, (pair, size + 1)
    transfer = inverse[red] - inverse[black]
    ohms_0 = transfer[np.arange(len(red)), red] - transfer[np.arange(len(red)), black]
    volts = np.repeat(volts_0[None, :], len(faults), axis=0)
    ohms = np.repeat(ohms_0[None, :], len(faults), axis=0)
    opened, changed = set(line.edits.opened), dict(line.edits.changed)
    held = {k for k, _, _ in line.edits.held}
    by_rank: dict[int, list[tuple[int, list[tuple[int, int, complex]], Array]]] = {}
    again: list[tuple[int, Array]] = []  # fault, pairs to be solved by themselves
    everything = np.arange(len(red))
    for number, fault in enumerate(prepared):
        if fault.alone or (held and _touches(circuit, faults[number], held)):
            again.append((number, everything))
            continue
        ports, solved = _fault_ports(fault, opened, changed, terminals, base), unknowns
        if fault.edits.emf:
            rhs = line.sources()
            for k, emf in fault.edits.emf:
                if k not in opened:
                    rhs[base.nodes + k] = base.cast(emf)
            solved = _extended(line.solve(rhs), terminals)
            volts[number] = solved[red] - solved[black]
        if ports:
            by_rank.setdefault(len(ports), []).append((number, ports, solved))
    columns = np.ascontiguousarray(transfer.T)
    for some in by_rank.values():
        again += _correct(inverse, columns, some, volts, ohms)
    for number, lost in again:
        _alone(circuit, state.edits.merge(faults[number]), frequency, lost, probes, volts[number], ohms[number])
    return volts, ohms


def _touches(circuit: Circuit, fault: Edits, held: set[int]) -> bool:
    """Whether `fault` opens or changes a capacitor that the state holds charged."""
    branch = circuit.network.branch_index
    return any(branch[name] in held for name in (*fault.opened, *(name for name, _ in fault.resistances)))


def _correct(
    inverse: Array,
    columns: Array,
    some: list[tuple[int, list[tuple[int, int, complex]], Array]],
    volts: Array,
    ohms: Array,
) -> list[tuple[int, Array]]:
    """Faults of equally many ports, all at once, into `volts` and `ohms`; returns (fault, pairs) whose
    digits were lost.

    `columns` is (size + 1, pair): how each pair's voltage answers each row. X' is symmetric, as all parts
    are reciprocal, so one set of transfers serves both ways.
    """
    numbers = np.array([number for number, _, _ in some], dtype=np.intp)
    a = np.array([[port[0] for port in ports] for _, ports, _ in some], dtype=np.intp)  # (fault, port)
    b = np.array([[port[1] for port in ports] for _, ports, _ in some], dtype=np.intp)
    added = np.array([[port[2] for port in ports] for _, ports, _ in some])
    across = np.array([solved[ends_a] - solved[ends_b] for (_, _, solved), ends_a, ends_b in zip(some, a, b, strict=True)])
    own = _between(inverse, a, a) - _between(inverse, a, b) - _between(inverse, b, a) + _between(inverse, b, b)
    diagonal = np.arange(a.shape[1])
    before_own = np.abs(own[:, diagonal, diagonal])
    own[:, diagonal, diagonal] += added.real if inverse.dtype == np.float64 else added
    size = np.sqrt(np.abs(own[:, diagonal, diagonal]))
    bad = (size**2 <= LOST * np.maximum(before_own, np.abs(added))).any(axis=1)
    own[bad], size[bad] = np.eye(len(diagonal)), 1.0
    scaled = own / size[:, :, None] / size[:, None, :]
    if len(diagonal) > 1:
        bad |= np.linalg.cond(scaled) > ILL
        scaled[bad] = np.eye(len(diagonal))
    factor = np.linalg.inv(scaled) / size[:, :, None] / size[:, None, :]
    seen = columns[a] - columns[b]  # (fault, port, pair)
    weighted = factor @ seen if len(diagonal) > 1 else factor * seen
    volts[numbers] -= (across[:, :, None] * weighted).sum(axis=1)
    before = ohms[numbers[0]].copy()  # no fault has touched these rows yet: all are the state's own
    weighted *= seen
    after = before - weighted.sum(axis=1)
    ohms[numbers] = after
    lost = np.abs(after) < LOST * np.abs(before)
    lost[bad] = True
    return [(int(numbers[row]), np.flatnonzero(lost[row])) for row in np.flatnonzero(lost.any(axis=1))]


def _between(inverse: Array, a: Array, b: Array) -> Array:
    """Entries (fault, port, port) of `inverse` at rows `a` and columns `b`, each (fault, port)."""
    return np.asarray(inverse[a[:, :, None], b[:, None, :]])


def _alone(
    circuit: Circuit,
    edits: Edits,
    frequency: float,
    some: Array,
    probes: tuple[Array, Array],
    volts: Array,
    ohms: Array,
) -> None:
    """Solve the pairs `some` of one cell from its own equations, into `volts` and `ohms` (pair,)."""
    line = EditedLine(circuit.base(frequency), circuit.line_edits(edits, frequency))
    unknowns = line.solve(line.sources())
    red, black = probes[0][some], probes[1][some]
    answers, columns = line.transfer(red, black), np.arange(len(some))
    volts[some] = unknowns[red] - unknowns[black]
    ohms[some] = answers[red, columns] - answers[black, columns]


def _edited_inverse(line: EditedLine) -> Array:
    """X' (size + 1, size + 1), padded; rows and columns of opened branches are zero."""
    inverse = line.formed_inverse()
    for _ in range(POLISHES):
        inverse, moved = line.polished(inverse)
        if moved <= ENOUGH:
            return inverse
    line.force_direct()
    inverse = line.formed_inverse()
    better, moved = line.polished(inverse)
    return better if moved <= ENOUGH else inverse
