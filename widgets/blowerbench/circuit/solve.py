"""A circuit answers: voltages, currents and Thévenin impedances in any state of its contacts and faults.

Rule: a state is a value (`Edits`) over a network in which every contact is closed; nothing is remembered
between states but answers. Volts and amperes are rms phasors at line frequencies and plain at 0 Hz.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Hashable
from dataclasses import dataclass, fields
from functools import lru_cache
from itertools import islice
from typing import Any

import numpy as np

from blowerbench.circuit.network import Network
from blowerbench.circuit.parts import SMALLEST_RESISTANCE, Capacitor, Source
from blowerbench.circuit.system import Array, BaseLine, CircuitError, EditedLine, LineEdits, Scales


@dataclass(frozen=True, slots=True)
class Tolerances:
    """Multipliers of the parts' values by group; 1.0 is the value in the file."""

    supply: float = 1.0  # EMF of sources
    ratio: float = 1.0  # turns ratio of transformers
    wire: float = 1.0  # resistance of wires
    resistor: float = 1.0
    winding: float = 1.0  # resistance and inductance of windings
    capacitor: float = 1.0

    def __post_init__(self) -> None:
        for field in fields(self):
            value = getattr(self, field.name)
            if not 0.0 < value < float("inf"):
                raise CircuitError(f"tolerance {field.name} = {value!r}; a multiplier is above 0 and finite, nominal 1.0")

    def scales(self) -> Scales:
        """The same as a table by group name."""
        return Scales({field.name: getattr(self, field.name) for field in fields(self)})


@dataclass(frozen=True, slots=True)
class Shunt:
    """An added conductance between two terminals: a short, failed insulation, an equivalent load.

    `lines`: "all", or only "ac" or "dc" lines. An equivalent load of a rectifier is "ac": it must not stay
    in an ohmmeter's circuit.
    """

    a: str
    b: str
    ohms: float
    lines: str = "all"

    def __post_init__(self) -> None:
        if self.lines not in ("all", "ac", "dc"):
            raise CircuitError(f"shunt {self.a} to {self.b}: lines = {self.lines!r}; use all, ac or dc")
        if not self.ohms >= 0.0:
            raise CircuitError(f"shunt {self.a} to {self.b}: {self.ohms!r} ohm; give zero or more")

    def at(self, frequency: float) -> bool:
        """Whether it conducts at this line."""
        return self.lines == "all" or (self.lines == "dc") == (frequency == 0.0)


@dataclass(frozen=True, slots=True)
class Edits:
    """A state of the circuit, over a base in which every contact is closed and every part healthy.

    `opened` lists *every* open branch (contacts that stand open included); `resistances` sets a branch's
    own resistance in ohms; `held` makes a capacitor a charged source of so many volts (a to b) at 0 Hz;
    `emf` sets a source's volts. Values given here are absolute: no tolerance touches them. A transformer's
    branches are NAME.primary, NAME.secondary.
    """

    opened: frozenset[str] = frozenset()
    resistances: tuple[tuple[str, float], ...] = ()
    shunts: tuple[Shunt, ...] = ()
    held: tuple[tuple[str, float], ...] = ()
    emf: tuple[tuple[str, float], ...] = ()

    def merge(self, other: Edits) -> Edits:
        """Both edits at once; where both set one value, that of `other` counts."""
        return Edits(
            self.opened | other.opened,
            tuple({**dict(self.resistances), **dict(other.resistances)}.items()),
            self.shunts + other.shunts,
            tuple({**dict(self.held), **dict(other.held)}.items()),
            tuple({**dict(self.emf), **dict(other.emf)}.items()),
        )


NOTHING = Edits()
KEPT = 48  # lines of a circuit whose equations are kept, some 50 kB each


class _Answer:
    """What is known of one line of a state; states whose edits touch that line alike share it.

    The equations of a line take ten times the memory of its unknowns, so that a circuit keeps those of the latest lines only.
    """

    __slots__ = ("circuit", "edits", "frequency", "impedances", "line", "magnitudes", "unknowns")

    def __init__(self, circuit: Circuit, edits: Edits, frequency: float) -> None:
        self.circuit, self.edits, self.frequency = circuit, edits, frequency
        self.line: EditedLine | None = None
        self.impedances: dict[tuple[str, str], complex] = {}
        self.magnitudes: dict[tuple[str, str], float] = {}
        line = self.equations()
        self.unknowns = line.solve(line.sources())

    def equations(self) -> EditedLine:
        """The edited equations, written anew where the circuit did not keep them."""
        line = self.line
        if line is None:
            edits = self.circuit.line_edits(self.edits, self.frequency)
            line = self.line = EditedLine(self.circuit.base(self.frequency), edits)
            self.circuit.written(self)
        return line

    def impedance(self, a: str, b: str) -> complex:
        """Thévenin impedance in ohms between two terminals."""
        key = (a, b) if a <= b else (b, a)
        known = self.impedances.get(key)
        if known is None:
            line, base = self.equations(), self.circuit.base(self.frequency)
            ends = np.array([base.terminal(a)]), np.array([base.terminal(b)])
            answer = line.transfer(*ends)[:, 0]
            known = self.impedances[key] = complex(answer[ends[0][0]] - answer[ends[1][0]])
        return known


class State:
    """The circuit in one state. Lines are solved when first asked for; answers are kept."""

    __slots__ = ("_answers", "_first_current", "_node", "circuit", "edits", "notes")

    def __init__(self, circuit: Circuit, edits: Edits) -> None:
        self.circuit, self.edits = circuit, edits
        self._node = circuit.network.node_index
        self._first_current = len(circuit.network.nodes) - 1
        self._answers: dict[float, _Answer] = {}
        self.notes: dict[str, Any] = {}  # what rules have worked out of this state alone, by their own names

    @property
    def frequencies(self) -> tuple[float, ...]:
        """The spectral lines in Hz, 0 first."""
        return self.circuit.network.frequencies

    def line(self, frequency: float) -> EditedLine:
        """The edited equations at `frequency` Hz; CircuitError when there is no such line."""
        return self._answer(frequency).equations()

    def _answer(self, frequency: float) -> _Answer:
        answer = self._answers.get(frequency)
        if answer is None:
            answer = self._answers[frequency] = self.circuit.answer(self.edits, frequency)
        return answer

    def unknowns(self, frequency: float) -> Array:
        """All node voltages and branch currents (size + 1,) at `frequency`; the last is the reference's
        zero.
        """
        return self._answer(frequency).unknowns

    def voltage(self, a: str, b: str, frequency: float) -> complex:
        """Volts of `a` against `b` with no meter connected."""
        solved, node = (self._answers.get(frequency) or self._answer(frequency)).unknowns, self._node
        try:  # the reference's index −1 is the padded zero at the end
            return complex(solved.item(node[a]) - solved.item(node[b]))
        except KeyError:
            known = self.circuit.network.node
            return complex(solved[known(a)] - solved[known(b)])  # raises, and says which terminals there are

    def rms(self, a: str, b: str, frequency: float) -> float:
        """The magnitude of `voltage`."""
        known = (self._answers.get(frequency) or self._answer(frequency)).magnitudes
        found = known.get((a, b))
        if found is None:
            found = known[a, b] = abs(self.voltage(a, b, frequency))
        return found

    def current(self, branch: str, frequency: float) -> complex:
        """Amperes through `branch`, from its a to its b."""
        return complex(self._answer(frequency).unknowns.item(self._first_current + self.circuit.network.branch(branch)))

    def impedance(self, a: str, b: str, frequency: float) -> complex:
        """Thévenin impedance in ohms seen between `a` and `b`, sources and held capacitors as their own
        impedances.
        """
        return self._answer(frequency).impedance(a, b)

    def port(self, a: str, b: str, frequency: float) -> tuple[complex, complex]:
        """(open-circuit volts, Thévenin ohms) between `a` and `b`."""
        return self.voltage(a, b, frequency), self.impedance(a, b, frequency)


class Circuit:
    """A network with the tolerances of one unit; `solve` gives its states and keeps the latest ones."""

    def __init__(self, network: Network, tolerances: Tolerances | None = None, remembered: int = 512) -> None:
        self.network = network
        self.tolerances = tolerances if tolerances is not None else Tolerances()
        self.remembered = remembered
        self._bases: dict[float, BaseLine] = {}
        self._remembered = lru_cache(maxsize=remembered)(self._state)
        self._known: dict[Hashable, State] = {}
        self._answers = lru_cache(maxsize=remembered)(self._solved)
        self._written: deque[_Answer] = deque()

    def base(self, frequency: float) -> BaseLine:
        """The line at `frequency` Hz with nothing edited; CircuitError when the network has no such line."""
        base = self._bases.get(frequency)
        if base is None:
            if frequency not in self.network.frequencies:
                known = ", ".join(f"{line:g}" for line in self.network.frequencies)
                raise CircuitError(f"no line at {frequency!r} Hz; {self.network.source} has {known} Hz")
            base = self._bases[frequency] = BaseLine(self.network, self.tolerances.scales(), frequency)
        return base

    def solve(self, edits: Edits = NOTHING) -> State:
        """The state after `edits`, from memory when it was asked for lately.

        Raises NetworkError for names that the network does not have, CircuitError for values that make no
        sense.
        """
        return self._remembered(edits)

    def solve_as(self, key: Hashable, edits: Callable[[], Edits]) -> State:
        """The state after `edits()`, which are only asked for where `key`, that stands for them, is not remembered.

        For callers that know what their edits depend on: comparing that is cheaper than writing the edits.
        """
        state = self._known.get(key)
        if state is None:
            state = self.solve(edits())
            if self.remembered:
                if len(self._known) >= self.remembered:
                    for oldest in list(islice(self._known, (self.remembered + 1) // 2)):
                        self._known.pop(oldest, None)
                self._known[key] = state
        return state

    def forget(self) -> None:
        """Let go of everything remembered, some MB; it is computed again when it is next asked for."""
        for cache in (self._remembered, self._answers):
            cache.cache_clear()
        for kept in (self._known, self._bases, self._written):
            kept.clear()

    def answer(self, edits: Edits, frequency: float) -> _Answer:
        """What a line of the state after `edits` answers, shared by all states whose edits touch this line alike."""
        shunts = tuple(s for s in edits.shunts if s.at(frequency))
        held = edits.held if frequency == 0.0 else ()
        return self._answers(frequency, edits.opened, edits.resistances, shunts, held, self._sources_at(edits, frequency))

    def _sources_at(self, edits: Edits, frequency: float) -> tuple[tuple[str, float], ...]:
        branches, found = self.network.branches, []
        for name, volts in edits.emf:
            part = branches[self.network.branch(name)].part
            if isinstance(part, Source) and part.frequency == frequency:
                found.append((name, volts))
        return tuple(found)

    def _solved(
        self, frequency: float, opened: frozenset[str], resistances: tuple[tuple[str, float], ...], shunts: tuple[Shunt, ...],
        held: tuple[tuple[str, float], ...], emf: tuple[tuple[str, float], ...],
    ) -> _Answer:  # fmt: skip
        return _Answer(self, Edits(opened, resistances, shunts, held, emf), frequency)

    def written(self, answer: _Answer) -> None:
        """Keep the equations of `answer` in mind, and let go of those that were written longest ago."""
        self._written.append(answer)
        while len(self._written) > KEPT:
            self._written.popleft().line = None

    def _state(self, edits: Edits) -> State:
        self.check(edits)
        return State(self, edits)

    def check(self, edits: Edits) -> None:
        """Raise NetworkError for a name that the network does not have, CircuitError for a value that makes
        no sense.
        """
        network = self.network
        for name in edits.opened:
            network.branch(name)
        for name, ohms in edits.resistances:
            network.branch(name)
            if not 0.0 <= ohms < float("inf"):
                raise CircuitError(f"{name}: resistance {ohms!r} ohm; give a finite value of zero or more, or open it")
        for shunt in edits.shunts:
            network.node(shunt.a)
            network.node(shunt.b)
        for kind, named in ((Capacitor, edits.held), (Source, edits.emf)):
            for name, volts in named:
                part = network.branches[network.branch(name)].part
                if not isinstance(part, kind):
                    raise CircuitError(f"{name} is a {part.kind}; name a {kind.kind}")
                if not abs(volts) < float("inf"):
                    raise CircuitError(f"{name}: {volts!r} V; give a finite value")

    def line_edits(self, edits: Edits, frequency: float) -> LineEdits:
        """`edits` as indices into the line at `frequency`."""
        network, base = self.network, self.base(frequency)
        branch = network.branch_index
        opened = {branch[name] for name in edits.opened}
        ohms_of = {branch[name]: max(ohms, SMALLEST_RESISTANCE) for name, ohms in edits.resistances}
        held = {branch[name]: volts for name, volts in edits.held if branch[name] not in opened} if frequency == 0.0 else {}
        out = LineEdits(opened=sorted(k for k in opened if not base.always_open[k]))
        for k, ohms in sorted(ohms_of.items()):
            if k in opened or base.always_open[k]:
                continue
            impedance = -complex(base.matrix[base.nodes + k, base.nodes + k])
            out.changed.append((k, impedance - base.own_resistance[k] + ohms))
        for shunt in edits.shunts:
            if shunt.at(frequency) and shunt.a != shunt.b and shunt.ohms < float("inf"):
                ends = base.terminal(shunt.a), base.terminal(shunt.b)
                out.shunts.append((*ends, max(shunt.ohms, SMALLEST_RESISTANCE)))
        for k, volts in sorted(held.items()):
            series = ohms_of.get(k, base.own_resistance[k])
            out.held.append((k, volts, max(float(series), SMALLEST_RESISTANCE)))
        for name, volts in edits.emf:
            part = network.branches[branch[name]].part
            if isinstance(part, Source) and part.frequency == frequency:
                out.emf.append((branch[name], part.emf(volts)))
        return out
