"""An instructor's own equipment file: checked as a whole, tried out healthy, described and drawn.

Rule: everything that is wrong is said in one go, each with its file, its place and the remedy; nothing is changed in the files.
The trial plays the healthy unit through its calls at the middle and at the corners of the tolerances, as learners will get it.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from msgspec.structs import replace

from blowerbench.air import external_static, temperature_rise
from blowerbench.check_equipment import Finding, check_equipment
from blowerbench.circuit import Wire
from blowerbench.equipment import Equipment, Supply, load_equipment
from blowerbench.errors import BenchError
from blowerbench.faults import NO_EFFECTS, Catalogue, load_faults
from blowerbench.hands import Hands
from blowerbench.instruments import PASCALS_PER_INCH, read_instruments
from blowerbench.plant import Plant, air_changes
from blowerbench.simulator import Simulator
from blowerbench.units import ureg
from blowerbench.variant import NOMINAL, Variant, extreme_variants

#: For how long the healthy unit must go on without a trip, in simulated seconds, and how often it is looked at.
STEADY, STEP = 1800, 60
CFM = float(ureg.Quantity(1.0, "m**3/s").to("cfm").magnitude)


class OwnEquipmentError(BenchError):
    """A file of an instructor that can't be used; the message says what to mend."""


@dataclass(frozen=True, slots=True)
class Running:
    """What one call does on the healthy unit: volts, amps and watts of the blower motor; air; 24 V.

    `static` is in inches of water column, `rise` in degrees Fahrenheit; NaN where the unit has nothing of the kind.
    """

    call: str
    motor: str
    volts: float
    amps: float
    watts: float
    cfm: float
    rpm: float
    static: float
    rise: float
    control_volts: float
    supply_amps: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Checked:
    """All that `check_file` found out; `equipment` is None where the file could not even be loaded."""

    findings: tuple[Finding, ...]
    equipment: Equipment | None
    catalogue: Catalogue | None
    runs: tuple[Running, ...]

    @property
    def good(self) -> bool:
        """Whether the files can be used."""
        return not any(not f.advice for f in self.findings)


def check_file(path: Path, faults: Path | None = None) -> Checked:
    """Check the equipment file at `path` with its fault file (NAME.faults.toml beside it unless given), and try it out.

    Raises `OwnEquipmentError` where the equipment file can't be read at all.
    """
    text = _text(path)
    beside = faults or path.with_name(f"{path.stem}.faults.toml")
    fault_text = _text(beside) if faults or beside.is_file() else None
    findings = check_equipment(text, path.name, fault_text, beside.name)
    if any(not f.advice for f in findings):
        return Checked(findings, None, None, ())
    equipment = load_equipment(str(path))
    runs, troubles = trial(equipment)
    catalogue = load_faults(equipment) if beside == path.with_name(f"{path.stem}.faults.toml") else None
    return Checked((*findings, *troubles), equipment, catalogue, runs)


def _text(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8")
    except OSError as error:
        raise OwnEquipmentError(f"{path}: can't be read ({error.strerror}); give the path of a .toml file") from error
    except UnicodeDecodeError as error:
        raise OwnEquipmentError(f"{path}: not text in UTF-8; save it as UTF-8 and check it again") from error


# ---------------------------------------------------------------------- the healthy unit tried out
def trial(equipment: Equipment) -> tuple[tuple[Running, ...], tuple[Finding, ...]]:
    """(what each call does at nominal values, what a healthy unit ought not to do) of `equipment`."""
    runs: list[Running] = []
    found: list[Finding] = []
    for variant in extreme_variants():
        simulator = Simulator(equipment, NO_EFFECTS, variant)
        for call in ("off", *equipment.calls()):
            say = _Trouble(equipment, call, variant, found)
            try:
                run = _one_call(equipment, simulator, variant, call, say)
            except (KeyError, RuntimeError, ArithmeticError) as error:
                say(f"it does not play ({error})", "compare [board], [module] and [[phase]] with a shipped equipment file")
                break
            if variant is NOMINAL:
                runs.append(run)
            _judge(equipment, run, say)
    return tuple(runs), tuple(dict.fromkeys(found))


@dataclass(frozen=True, slots=True)
class _Trouble:
    """Notes findings about one call; a corner of the tolerances speaks only where the middle was silent."""

    equipment: Equipment
    call: str
    variant: Variant
    found: list[Finding]

    def __call__(self, wrong: str, right: str, *, advice: bool = False) -> None:
        place = f"healthy unit, call {self.call}"
        if any(f.place.startswith(place) and f.right == right for f in self.found):
            return
        where = "" if self.variant is NOMINAL else f", corner {self.variant.name!r} of the tolerances"
        file = Path(self.equipment.path).name or self.equipment.id
        self.found.append(Finding(file, f"{place}{where}", wrong, right, advice))


def _one_call(equipment: Equipment, simulator: Simulator, variant: Variant, call: str, say: _Trouble) -> Running:
    hands, plant = simulator.start("off")
    if plant.motor not in ("still", "coasting"):
        say(f"the blower is {plant.motor} with no call", "look for a contact that should be open: thermostat, relay, outputs")
    hands = replace(hands, thermostat=call)
    plant = simulator.advance(plant, hands, float(equipment.expect["seconds"][call]))
    if call != "off" and plant.motor != "running":
        right = f"let [expect] seconds.{call} be long enough, and follow the call from the thermostat to the motor"
        say(f"the blower is {plant.motor} after {equipment.expect['seconds'][call]} s", right)
    for _ in range(STEADY // STEP if variant is NOMINAL else 900 // (3 * STEP)):
        plant = simulator.advance(plant, hands, float(STEP if variant is NOMINAL else 3 * STEP))
        _tripped(equipment, plant, say)
    run = measure(equipment, simulator, hands, plant, variant, call)
    if call != "off":
        plant = simulator.advance(plant, replace(hands, thermostat="off"), float(equipment.expect["seconds"]["off"]))
        if plant.motor not in ("still", "coasting"):
            right = "let [expect] seconds.off be longer than the off-delay"
            say(f"the blower is {plant.motor} {equipment.expect['seconds']['off']} s after the call", right)
    return run


def _tripped(equipment: Equipment, plant: Plant, say: _Trouble) -> None:
    for name in sorted(plant.tripped):
        say(f"the breaker of supply {name!r} trips", "look for too low an impedance, or too small [[supply]] amps")
    if plant.fuse_blown:
        say("the 24 V fuse blows", "look for a low resistance on the 24 V side, or too small [protection] fuse_amps")
    if not plant.limit:
        say("the limit opens", "more air, less heat, a smaller [heat] limit_factor or a higher limit_opens")
    if not plant.rollout:
        say("the rollout opens", "look at [heat] and the contact named in [protection] rollout")
    if plant.overloaded:
        say("the motor's overload opens", "smaller winding_rise, higher overload_opens, or a motor that fits the wheel")
    if plant.chatters:
        say("a relay chatters", "set pull_in further from drop_out, or look for a coil that opens its own circuit")


def _judge(equipment: Equipment, run: Running, say: _Trouble) -> None:
    rating = equipment.ratings
    if run.control_volts == run.control_volts and not rating["r_c_low"] <= run.control_volts <= rating["r_c_high"]:
        right = f"{rating['r_c_low']:g} to {rating['r_c_high']:g} V by [ratings]; set the transformer's ratio or its load"
        say(f"the 24 V side reads {run.control_volts:.1f} V", right, advice=say.variant is not NOMINAL)
    if run.call == "off" or run.motor != "running":
        return
    for value, top, what, unit in (
        (run.amps, rating["blower_amps_max"], "the blower draws", "A"),
        (run.static, rating.get("external_static_max", float("inf")), "the external static is", "inH2O"),
    ):
        if value > top:
            right = f"{top:.2f} {unit} at most by [ratings]; look at [module], [air.fan] and the drops"
            say(f"{what} {value:.2f} {unit}", right, advice=say.variant is not NOMINAL)
    if run.call == "heat" and "rise_low" in rating:
        low, high = 1.8 * rating["rise_low"], 1.8 * rating["rise_high"]
        if not low <= run.rise <= high:
            right = f"{low:.0f} to {high:.0f} degF by [ratings]; look at [heat] and the airflow"
            say(f"the air is warmed by {run.rise:.0f} degF", right, advice=say.variant is not NOMINAL)


def control_pair(equipment: Equipment) -> tuple[str, str]:
    """The terminals between which the 24 V side is judged: the board's supply, else the first relay's coil, else none."""
    if equipment.board:
        a, b = equipment.board["supply"]
        return str(a), str(b)
    return equipment.relays[0].coil if equipment.relays else ("", "")


def measure(
    equipment: Equipment, simulator: Simulator, hands: Hands, plant: Plant, variant: Variant, call: str
) -> Running:
    """What the unit does now, read with the bench's own instruments where it has them for that."""
    state = simulator.state(plant, hands)
    a, b = equipment.module["line" if equipment.electronic else "main"]
    clamp = equipment.pairs("clamp")[0][0] if equipment.pairs("clamp") else ""

    def clamped(conductor: str) -> float:
        read = replace(hands, function="clamp", clamp=conductor)
        return read_instruments(equipment, simulator, read, plant, variant)[0].value

    amps = clamped(clamp) if clamp else float("nan")
    pair = control_pair(equipment)
    control = abs(state.voltage(*pair, 60.0)) if pair[0] else float("nan")
    if not equipment.board and call == "off":
        control = float("nan")  # a coil has its volts only while it is called for
    static = rise = float("nan")
    if equipment.air is not None:
        if equipment.air.external[0]:
            static = external_static(equipment.air, air_changes(equipment, NO_EFFECTS, variant), plant.point) / PASCALS_PER_INCH
        if plant.point.flow > 0.0:
            room = equipment.air.return_air + variant.room_kelvin
            watts = plant.heat + plant.point.shaft - plant.cold
            rise = 1.8 * temperature_rise(watts, plant.point.flow, altitude=equipment.air.altitude, celsius=room)
    supplies = tuple(clamped(w) if (w := _feeder(equipment, s)) else float("nan") for s in equipment.supplies.values())
    return Running(
        call, plant.motor, abs(state.voltage(a, b, 60.0)), amps, plant.watts, plant.point.flow * CFM, plant.point.speed,
        static, rise, control, supplies,
    )  # fmt: skip


def _feeder(equipment: Equipment, supply: Supply) -> str:
    """The wire behind the first pole of the breaker of `supply`; empty where none is."""
    pole = equipment.wire(supply.breaker[0])
    return next((n for n, p in equipment.network.parts.items() if isinstance(p, Wire) and pole.b in (p.a, p.b)), "")


# ---------------------------------------------------------------------- in words
def unit_text(checked: Checked) -> list[str]:
    """What the unit is and what its calls do, as lines of a short table."""
    equipment, catalogue = checked.equipment, checked.catalogue
    if equipment is None:
        return []
    network = equipment.network
    sizes = {
        "nodes": network.nodes, "parts": network.parts, "terminals in reach": equipment.terminals,
        "plugs": equipment.connectors, "complaints": equipment.complaints, "units to correct": equipment.units,
    }  # fmt: skip
    lines = [
        f"{equipment.title} ({equipment.id}, version {equipment.raw.get('version')})",
        "  " + ", ".join(f"{name}: {len(things)}" for name, things in sizes.items()),
    ]
    if catalogue is not None:
        lines.append(f"  {len(catalogue.faults)} faults, {len(catalogue.hypotheses())} with their severities")
    lines += [f"  supply {s.name}: {s.title}, {s.amps:g} A" for s in equipment.supplies.values()]
    head = ("call", "blower", "volts", "amps", "watts", "cfm", "rpm", "static inH2O", "rise degF", "24 V side", "breaker amps")
    rows = [head, *(_row(r) for r in checked.runs)]
    return lines + table_lines(rows, left=2)


def table_lines(rows: Sequence[Sequence[str]], left: int) -> list[str]:
    """`rows` as lines with their columns under each other, the first `left` of them to the left, the others to the right."""
    wide = [max(len(r[k]) for r in rows) for k in range(len(rows[0]))]
    return [
        "  " + "  ".join(c.ljust(w) if k < left else c.rjust(w) for k, (c, w) in enumerate(zip(r, wide, strict=True))).rstrip()
        for r in rows
    ]


def _row(run: Running) -> tuple[str, ...]:
    if run.motor != "running":
        still = ("-",) * 7
        return (run.call, run.motor, *still, _figure(run.control_volts, 1), _amps(run))
    return (
        run.call, run.motor, _figure(run.volts, 1), _figure(run.amps, 2), _figure(run.watts, 0), _figure(run.cfm, 0),
        _figure(run.rpm, 0), _figure(run.static, 2), _figure(run.rise, 0), _figure(run.control_volts, 1), _amps(run),
    )  # fmt: skip


def _amps(run: Running) -> str:
    return " + ".join(_figure(a, 2) for a in run.supply_amps)


def _figure(value: float, digits: int) -> str:
    return "-" if value != value else f"{value:.{digits}f}"


def findings_text(findings: Iterable[Finding]) -> list[str]:
    """The findings as lines: what is wrong first, what only asks for a look after it."""
    ordered = sorted(findings, key=lambda f: f.advice)
    return [f"  {'look at' if f.advice else 'wrong':<8} {f}" for f in ordered]


def draw(equipment: Equipment, folder: Path) -> Path:
    """Write the drawing of `equipment` into `folder` as a standalone SVG; returns its path."""
    from blowerbench.panels.layout import picture  # only a drawing needs the panels

    file = folder / f"{equipment.id}.svg"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        file.write_text(picture(equipment), encoding="utf-8", newline="\n")
    except OSError as error:
        raise OwnEquipmentError(f"{file}: can't be written ({error.strerror}); give another --out") from error
    return file

