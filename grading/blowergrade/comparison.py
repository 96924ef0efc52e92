"""An instructor's own meter readings beside what the equipment file predicts, and how far that file may be trusted.

Rule: a prediction is what the bench would show: the same acts, the same instruments, over the whole tolerance range. A row that
can't be read or played is set aside with its line and the reason; the others go on.
"""

from __future__ import annotations

import csv
import io
import math
import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import msgspec

from blowerbench import acts as a
from blowerbench.check_equipment import nearest
from blowerbench.circuit import OVERLOAD, MeterSpec, display, interval
from blowerbench.equipment import Equipment, load_equipment
from blowerbench.errors import BenchError
from blowerbench.faults import HEALTHY, Catalogue, Hypothesis
from blowerbench.hands import NoSuchName, place_of
from blowerbench.instruments import instruments
from blowerbench.messages import say
from blowerbench.session import Session
from blowerbench.units import quantity
from blowerbench.variant import NOMINAL, Variant, extreme_variants
from blowergrade.evidence import GUARD

COLUMNS = ("equipment", "state", "red", "black", "function", "reading", "accuracy", "note")
NEEDED = ("state", "red", "function", "reading")
FUNCTIONS = ("volts_ac", "volts_dc", "low_z", "ohms", "farads", "clamp", "manometer", "thermometer")
METER = FUNCTIONS[:5]  # those with two leads
CALLS = ("off", "fan", "heat", "cool")
_PINT = {"inH2O": "in_wc"}
_ACCURACY = re.compile(r"\s*([0-9.]+)\s*%\s*(?:\+\s*([0-9]+))?\s*")


class ComparisonError(BenchError):
    """A file of readings that can't be used at all, or one row of it; says what would be right."""


@dataclass(frozen=True, slots=True)
class Row:
    """One reading of the instructor: `line` in the file, the acts of its state, what was measured and how.

    `value` is in the instrument's unit (V, ohm, A, F, inH2O, degF), infinite for OL; `accuracy` is (percent, last digits) of
    the instructor's meter, or None for the bench's own; `step` is one last digit of the reading.
    """

    line: int
    state: str
    acts: tuple[a.Act, ...]
    red: str
    black: str
    function: str
    value: float
    step: float
    accuracy: tuple[float, int] | None
    written: str


@dataclass(frozen=True, slots=True)
class BadRow:
    """A row that was kept out, and why."""

    line: int
    why: str


@dataclass(frozen=True, slots=True)
class Compared:
    """A row with its prediction: the middle, the lowest and highest that the bench could show a learner, and half of what the
    meter alone may be off at the middle.
    """

    row: Row
    nominal: float
    low: float
    high: float
    error: float
    unit: str

    @property
    def inside(self) -> bool:
        """Whether the reading lies in the predicted range."""
        return self.low <= self.row.value <= self.high

    @property
    def residual(self) -> float:
        """Reading less prediction, in the unit; 0 where both are OL, infinite where one is."""
        if self.row.value == self.nominal:
            return 0.0
        return self.row.value - self.nominal

    @property
    def percent(self) -> float:
        """The residual in percent of the prediction; NaN where the prediction is nothing."""
        if math.isinf(self.residual) or abs(self.nominal) < 2.0 * self.row.step:
            return math.nan
        return 100.0 * self.residual / abs(self.nominal)

    @property
    def agrees(self) -> bool:
        """Whether the reading differs from the middle by no more than the meter may be off."""
        return abs(self.residual) <= self.error

    @property
    def verdict(self) -> str:
        """Where the reading lies, in one word or two."""
        return "agrees" if self.agrees else "inside" if self.inside else "OUTSIDE"


@dataclass(frozen=True, slots=True)
class Readings:
    """A file of readings, read: the unit it speaks of, the good rows and the bad ones."""

    equipment: Equipment
    rows: tuple[Row, ...]
    bad: tuple[BadRow, ...]


# ---------------------------------------------------------------------- reading the file
def read_readings(path: Path) -> Readings:
    """The readings in `path`, a .csv or .toml file.

    Raises `ComparisonError` for a file that can't be read, has no usable header or names no equipment.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except OSError as error:
        raise ComparisonError(f"{path}: can't be read ({error.strerror}); give a .csv or .toml file of readings") from error
    except UnicodeDecodeError as error:
        raise ComparisonError(f"{path}: not text in UTF-8; save it as UTF-8 (CSV) and compare again") from error
    raw = _from_toml(text, path.name) if path.suffix == ".toml" else _from_csv(text, path.name)
    if not raw:
        raise ComparisonError(f"{path.name}: no readings; write one row for each")
    first = next((str(r["equipment"]) for _, r in raw if r.get("equipment")), "")
    if not first:
        raise ComparisonError(f'{path.name}: names no equipment; put its file into the column "equipment" of the first row')
    equipment = load_equipment(_equipment_path(first, path))
    rows: list[Row] = []
    bad: list[BadRow] = []
    for line, entry in raw:
        try:
            other = str(entry.get("equipment") or first)
            if other != first:
                raise ComparisonError(f"speaks of {other!r}; one file compares one unit, here {first!r}")
            rows.append(_row(line, entry, equipment))
        except BenchError as error:
            bad.append(BadRow(line, str(error)))
    return Readings(equipment, tuple(rows), tuple(bad))


def _equipment_path(name: str, readings: Path) -> str:
    beside = readings.parent / name
    return str(beside) if name.endswith(".toml") and not Path(name).is_absolute() else name


def _from_csv(text: str, name: str) -> list[tuple[int, dict[str, Any]]]:
    lines = text.splitlines()
    start = next((k for k, line in enumerate(lines) if line.strip() and not line.lstrip().startswith("#")), len(lines))
    header = lines[start] if start < len(lines) else ""
    delimiter = max(",;\t", key=header.count)
    fields = [f.strip().lower() for f in next(csv.reader([header], delimiter=delimiter), [])]
    for field in fields:
        if field not in COLUMNS:
            raise ComparisonError(f"{name}: unknown column {field!r}; {nearest(field, COLUMNS)}")
    missing = [f for f in NEEDED if f not in fields]
    if missing:
        raise ComparisonError(f"{name}: no column {', '.join(missing)}; the first row names {', '.join(COLUMNS)}")
    found: list[tuple[int, dict[str, Any]]] = []
    reader = csv.reader(io.StringIO("\n".join(lines[start + 1 :])), delimiter=delimiter)
    for cells in reader:
        if not any(c.strip() for c in cells) or cells[0].lstrip().startswith("#"):
            continue
        entry: dict[str, Any] = dict(zip(fields, (c.strip() for c in cells), strict=False))
        entry["_cells"] = (len(cells), len(fields))
        found.append((start + 1 + reader.line_num, entry))
    return found


def _from_toml(text: str, name: str) -> list[tuple[int, dict[str, Any]]]:
    try:
        raw = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise ComparisonError(f"{name}: not TOML ({error}); mend that line") from error
    for key in raw:
        if key not in ("equipment", "reading"):
            raise ComparisonError(f"{name}: unknown key {key!r}; {nearest(key, ('equipment', 'reading'))}")
    rows = raw.get("reading", [])
    if not isinstance(rows, list) or not all(isinstance(r, dict) for r in rows):
        raise ComparisonError(f"{name}: readings are no tables; write [[reading]] once for each")
    lines = [k for k, line in enumerate(text.splitlines(), 1) if line.strip() == "[[reading]]"]
    places = lines if len(lines) == len(rows) else range(1, len(rows) + 1)
    return [(k, {"equipment": raw.get("equipment", ""), **row}) for k, row in zip(places, rows, strict=True)]


def _row(line: int, entry: Mapping[str, Any], equipment: Equipment) -> Row:
    got, wanted = entry.get("_cells", (0, 0))
    if got > wanted:
        raise ComparisonError(f"has {got} cells where the header has {wanted}; put a cell with a comma into quotes")
    for key in entry:
        if key not in (*COLUMNS, "_cells"):
            raise ComparisonError(f"unknown key {key!r}; {nearest(key, COLUMNS)}")
    function = str(entry.get("function", ""))
    if function not in FUNCTIONS:
        raise ComparisonError(f"no meter function {function!r}; {nearest(function, FUNCTIONS)}")
    red, black = str(entry.get("red", "")), str(entry.get("black", ""))
    _check_places(equipment, function, red, black)
    written = str(entry.get("reading", ""))
    value, step = _value(written, spec_of(function))
    away = function in METER and any(place_of(equipment, t) != "unit" for t in (red, black))
    if away and "held" in str(entry.get("state")):
        raise ComparisonError("nobody holds the door switch from there; measure that with the door on")
    return Row(
        line, str(entry.get("state", "")), state_acts(entry.get("state", ""), equipment), red, black, function, value, step,
        _accuracy(str(entry.get("accuracy", "") or "")), written,
    )  # fmt: skip


def _check_places(equipment: Equipment, function: str, red: str, black: str) -> None:
    ports = tuple(p.name for p in equipment.air.ports) if equipment.air else ()
    known: Sequence[str] = equipment.terminals
    what, names = "terminal", [red, black]
    if function == "clamp":
        known, what, names = equipment.network.conductors, "wire to clamp", [red]
    elif function in ("manometer", "thermometer"):
        known, what, names = ports, "test port", [n for n in (red, black) if n or (function == "thermometer" and n == red)]
    for name in names:
        if name not in known:
            raise ComparisonError(f"no {what} {name!r}; {nearest(name, known)}")


def spec_of(function: str) -> MeterSpec:
    """The bench's instrument for `function`."""
    return instruments()[0]["first_thermometer" if function == "thermometer" else function]


def _value(text: str, spec: MeterSpec) -> tuple[float, float]:
    """(value in the instrument's unit, one last digit of it) of a reading as written."""
    if text.strip().upper().lstrip("-") in ("OL", "O.L", "O.L."):
        return math.inf, 10.0 ** spec.exponent(spec.ranges[-1])
    unit = _PINT.get(spec.unit, spec.unit)
    value = quantity(text, unit)
    number = re.match(r"\s*[+-]?([0-9.]+)", text)
    digits = len(number[1].partition(".")[2]) if number else 0
    tail = text[number.end() :].strip() if number else ""
    if spec.unit == "degF":
        return value, 10.0**-digits
    return value, abs(quantity(f"{10.0**-digits:.12f} {tail}", unit))


def _accuracy(text: str) -> tuple[float, int] | None:
    if not text.strip():
        return None
    match = _ACCURACY.fullmatch(text)
    if match is None:
        raise ComparisonError(f'accuracy {text!r} is not understood; write it as in the meter\'s booklet, such as "1 % + 3"')
    return float(match[1]), int(match[2] or 0)


# ---------------------------------------------------------------------- states
def state_acts(state: Any, equipment: Equipment) -> tuple[a.Act, ...]:
    """The acts that bring the healthy unit into `state`: words joined by +, or a list of acts.

    Words: a call (off, fan, heat, cool); "door off"; "held" (door off, door switch held in); "dead" (every disconnect open);
    "PLUG apart"; "WIRE off"; "SWITCH on" or "SWITCH off" (a board switch); "wait N" (seconds before reading). Raises
    `ComparisonError` for anything else.
    """
    if isinstance(state, list) or (isinstance(state, str) and state.lstrip().startswith("[")):
        try:
            data = state.encode() if isinstance(state, str) else msgspec.json.encode(state)
            return tuple(msgspec.json.decode(data, type=list[a.AnyAct]))
        except (msgspec.MsgspecError, TypeError) as error:
            right = 'write { do = "set_thermostat", call = "fan" } and so on'
            raise ComparisonError(f"the list of acts is not understood ({error}); {right}") from error
    words = [w.strip() for w in str(state).split("+") if w.strip()]
    if not words:
        raise ComparisonError(f"the state is empty; write a call ({', '.join(CALLS)}) and what else was done, joined by +")
    call = next((w for w in words if w in CALLS), "off")
    known = {
        "dead": (), "held": (), "door off": (a.SetDoor(False),), **dict.fromkeys(CALLS, ()),
        **{f"{c} apart": (a.Unplug(c),) for c in equipment.connectors},
        **{f"{w} off": (a.LiftWire(w),) for w in equipment.liftable},
        **{f"{s} {p}": (a.SetSelector(s, p == "on"),) for s in equipment.selectors for p in ("on", "off")},
    }  # fmt: skip
    seconds, changes = int(equipment.expect["seconds"].get(call, 20)), []
    for word in words:
        number = re.fullmatch(r"wait (\d+)", word)
        if number:
            seconds = int(number[1])
        elif word in known:
            changes += [x for x in known[word] if not isinstance(x, a.SetDoor)]
        else:
            raise ComparisonError(f"unknown state {word!r}; {nearest(word, [*known, 'wait 60'])}")
    held = "held" in words and bool(equipment.protection["door_switch"])
    door_off = bool(changes) or "held" in words or "door off" in words
    off = [a.SetDisconnect(False, s) for s in equipment.supplies]
    return (
        a.SetThermostat("off"), *_waits(int(equipment.expect["seconds"]["off"])),
        *(off if changes or "dead" in words else []), *([a.SetDoor(False)] if door_off else []), *changes,
        *([a.SetDisconnect(True, s) for s in equipment.supplies] if changes and "dead" not in words else []),
        *([] if call == "off" else [a.SetThermostat(call)]),  # type: ignore[arg-type] # one of CALLS
        *([a.HoldDoorSwitch(True)] if held else []), *_waits(seconds),
    )  # fmt: skip


def _waits(seconds: int) -> list[a.Act]:
    return [a.Wait(min(3600, seconds - k)) for k in range(0, seconds, 3600)]


def _reading_acts(row: Row) -> tuple[a.Act, ...]:
    match row.function:
        case "clamp":
            return (a.SetMeter("clamp"), a.PlaceClamp(row.red))
        case "manometer":
            ports = [p for p in (row.red, row.black) if p]
            hoses = [a.PlaceHose(h, p) for h, p in (("high", row.red), ("low", row.black)) if p]  # type: ignore[arg-type] # Hose
            return (*(a.OpenPort(p) for p in dict.fromkeys(ports)), *hoses)
        case "thermometer":
            return (a.OpenPort(row.red), a.PlaceProbe("first", row.red))
        case function:
            zero = (a.ZeroLeads(),) if function == "ohms" else ()
            return (a.SetMeter(function), *zero, a.PlaceLead("red", row.red), a.PlaceLead("black", row.black))  # type: ignore[arg-type] # one of FUNCTIONS


# ---------------------------------------------------------------------- predictions
class Predictor:
    """What the bench would read on the healthy unit; every state is played once for each variant."""

    def __init__(self, equipment: Equipment) -> None:
        self.equipment = equipment
        self._catalogue = Catalogue(equipment.id, "", {})
        self._sessions: dict[tuple[tuple[a.Act, ...], Variant], Session] = {}

    def value(self, row: Row, variant: Variant) -> float:
        """The unrounded reading of `row`; raises `ComparisonError` where hands can't do it."""
        key = (row.acts, variant)
        if key not in self._sessions:
            start = next(iter(self.equipment.complaints))
            session = Session(self.equipment, self._catalogue, Hypothesis(HEALTHY), variant, start)
            self._play(session, row.acts)
            self._sessions[key] = session
        session = self._sessions[key].copy()
        readings = self._play(session, _reading_acts(row))
        wanted = "first_thermometer" if row.function == "thermometer" else row.function
        for reading in readings:
            if reading.shown.instrument == wanted:
                return float(reading.value)
        raise ComparisonError("the bench's instrument shows nothing there; check function, red and black")

    def _play(self, session: Session, acts: Sequence[a.Act]) -> Any:
        readings: Any = ()
        for act in acts:
            try:
                refusal = session.decide(act)
            except NoSuchName as error:
                raise ComparisonError(str(error)) from error
            if refusal is not None:
                words = say(refusal.reason, tuple(v for _, v in refusal.args), "en", self.equipment)
                raise ComparisonError(f"the bench can't do that: {words}")
            readings = session.play(act).readings
        return readings

    def compared(self, row: Row) -> Compared:
        """`row` beside its prediction over all variants and the whole error of the instrument."""
        values = [self.value(row, v) for v in extreme_variants()]
        low, high = min(values), max(values)
        guard = GUARD * (high - low) if math.isfinite(high) else 0.0
        spec = spec_of(row.function)
        low, high = (max(0.0, low - guard) if low >= 0.0 else low - guard), high + guard
        bounds, middle = self._bounds(row, spec, low, high), self._bounds(row, spec, values[0], values[0])
        error = (middle[1] - middle[0]) / 2.0 if math.isfinite(middle[1]) else 0.0
        nominal = math.inf if display(values[0], spec).counts >= OVERLOAD else values[0]  # beyond what the meter can show
        return Compared(row, nominal, *bounds, max(error, row.step / 2.0), spec.unit)

    @staticmethod
    def _bounds(row: Row, spec: MeterSpec, low: float, high: float) -> tuple[float, float]:
        """What the meter of `row` may show of true values from `low` to `high`."""
        if row.accuracy is not None:
            share, digits = row.accuracy[0] / 100.0, row.accuracy[1] * row.step
            if math.isinf(high):
                return (high if math.isinf(low) else low * (1.0 - share) - digits), high
            return low - share * abs(low) - digits, high + share * abs(high) + digits
        first, last, exponent = interval(low, high, spec)
        return tuple(math.inf if c >= OVERLOAD else c * 10.0**exponent for c in (first, last))  # type: ignore[return-value] # two


def compare_rows(readings: Readings) -> tuple[tuple[Compared, ...], tuple[BadRow, ...]]:
    """(rows with their predictions, all rows that were kept out, in the file's order)."""
    predictor = Predictor(readings.equipment)
    good: list[Compared] = []
    bad = list(readings.bad)
    for row in readings.rows:
        try:
            good.append(predictor.compared(row))
        except BenchError as error:
            bad.append(BadRow(row.line, str(error)))
    return tuple(good), tuple(sorted(bad, key=lambda b: b.line))


# ---------------------------------------------------------------------- which number of the file to mend
@dataclass(frozen=True, slots=True)
class Advice:
    """One number of the equipment file that would explain the residuals: what to set it to, and what that brings.

    `agreeing` readings would then agree within the meter's error; the misfits are sums of squared residuals over that error.
    """

    part: str
    words: str
    now: float
    then: float
    unit: str
    agreeing: int
    misfit: float
    before: float


#: The number of each kind of part that an instructor would set: its field, its words and its unit.
_NUMBERS = {
    "source": ("volts", "voltage", "V"), "transformer": ("ratio", "ratio", ""), "resistor": ("resistance", "resistance", "ohm"),
    "winding": ("resistance", "resistance", "ohm"), "capacitor": ("capacitance", "capacitance", "F"),
    "wire": ("resistance", "resistance (length or gauge)", "ohm"),
}  # fmt: skip
MOST_CANDIDATES = 24
LARGEST_CHANGE = 0.5
#: One number is advised where it leaves less than this share of the misfit.
MUST_EXPLAIN = 0.6


def advise(equipment: Equipment, compared: Sequence[Compared]) -> Advice | None:
    """The one number that explains most of the residuals, or None where no single number does."""
    rows = [c for c in compared if math.isfinite(c.residual)]
    before, already = _misfit(rows, [c.nominal for c in rows]), sum(c.agrees for c in rows)
    if already == len(rows):
        return None
    found = [x for x in (_try(equipment, part, rows, before) for part in _candidates(equipment, rows)) if x is not None]
    best = min(found, key=lambda x: x.misfit, default=None)
    return best if best is not None and best.agreeing > already and best.misfit < MUST_EXPLAIN * before else None


def _misfit(rows: Sequence[Compared], predicted: Sequence[float]) -> float:
    return sum(((c.row.value - p) / c.error) ** 2 for c, p in zip(rows, predicted, strict=True))


def _candidates(equipment: Equipment, rows: Sequence[Compared]) -> list[str]:
    """Sources and transformers, then what lies between measured terminals, then what touches one; a limited number."""
    touched = {n for c in rows for n in (c.row.red, c.row.black)}

    def order(name: str) -> tuple[int, str]:
        part = equipment.network.parts[name]
        if part.kind in ("source", "transformer"):
            return 0, name
        ends = len({getattr(part, "a", ""), getattr(part, "b", "")} & touched)
        return (3 - ends) + (2 if part.kind == "wire" else 0), name

    known = [n for n, p in equipment.network.parts.items() if p.kind in _NUMBERS]
    return sorted(known, key=order)[:MOST_CANDIDATES]


def with_number(equipment: Equipment, part: str, factor: float) -> Equipment:
    """`equipment` with the number of `part` that an instructor would set multiplied by `factor`."""
    old = equipment.network.parts[part]
    field = _NUMBERS[old.kind][0]
    new = replace(old, **{field: getattr(old, field) * factor})
    network = replace(
        equipment.network,
        parts={n: new if n == part else p for n, p in equipment.network.parts.items()},
        branches=tuple(replace(b, part=new) if b.part is old else b for b in equipment.network.branches),
    )
    return replace(equipment, network=network, digest=f"{equipment.digest}:{part}:{factor!r}")


def _predicted(equipment: Equipment, rows: Sequence[Compared]) -> list[float]:
    predictor = Predictor(equipment)
    return [predictor.value(c.row, NOMINAL) for c in rows]


def _try(equipment: Equipment, part: str, rows: Sequence[Compared], before: float) -> Advice | None:
    """The change of one number by weighted least squares on its sensitivity, played again to see what it brings."""
    field, words, unit = _NUMBERS[equipment.network.parts[part].kind]
    now = float(getattr(equipment.network.parts[part], field))
    change, predicted = 0.0, [c.nominal for c in rows]
    for _ in range(2):  # twice, since readings are not quite straight lines of the number
        step = 0.02
        try:
            moved = _predicted(with_number(equipment, part, 1.0 + change + step), rows)
            slopes = [(m - p) / step / c.error for m, p, c in zip(moved, predicted, rows, strict=True)]
            size = sum(s * s for s in slopes if math.isfinite(s))
            if size < 1e-9:
                return None
            rest = [(c.row.value - p) / c.error for p, c in zip(predicted, rows, strict=True)]
            change += sum(s * r for s, r in zip(slopes, rest, strict=True) if math.isfinite(s)) / size
            if now == 0.0 or abs(change) > LARGEST_CHANGE:
                return None
            predicted = _predicted(with_number(equipment, part, 1.0 + change), rows)
        except BenchError:
            return None
    agreeing = sum(abs(c.row.value - p) <= c.error for c, p in zip(rows, predicted, strict=True))
    return Advice(part, words, now, now * (1.0 + change), unit, agreeing, _misfit(rows, predicted), before)
