"""A comparison in words, as a table and as a picture.

Rule: plain words, and never more trust than the readings carry. The limits between the three verdicts are ours.
"""

from __future__ import annotations

import io
import math
from collections.abc import Iterable, Sequence
from pathlib import Path

import matplotlib
from matplotlib.figure import Figure

from blowerbench.circuit import Wire
from blowerbench.equipment import Equipment
from blowergrade.comparison import Advice, BadRow, Compared, ComparisonError
from blowergrade.own_equipment import table_lines

#: Shares of readings in the predicted range from which a file may be used as it is, and used with care.
GOOD, FAIR = 0.9, 0.6
#: The fewest readings that say anything about a whole unit.
FEW = 8
_PREFIXES = {"ohm": ((1e6, "M"), (1e3, "k"), (1.0, "")), "F": ((1e-6, "u"),)}
_COLOURS = {"V": "#1b5e8c", "A": "#a4420f", "ohm": "#4b6b1f", "F": "#6b3a86", "inH2O": "#2f6f6a", "degF": "#8a1538"}


def figure(value: float, unit: str, digits: int = 4) -> str:
    """`value` with its unit and a prefix where the trade uses one; OL where it is infinite."""
    if math.isinf(value):
        return "OL"
    for size, prefix in _PREFIXES.get(unit, ((1.0, ""),)):
        if abs(value) >= size or size == _PREFIXES.get(unit, ((1.0, ""),))[-1][0]:
            return f"{value / size:.{digits}g} {prefix}{unit}".strip()
    raise AssertionError("the last prefix always fits")


def _signed(value: float, unit: str) -> str:
    if not math.isfinite(value):
        return "-"
    return ("+" if value > 0 else "") + figure(value, unit, 3)


def where(compared: Compared) -> str:
    """What was measured, in the file's own names."""
    row = compared.row
    return f"{row.red} to {row.black}" if row.black else row.red


def table(compared: Sequence[Compared]) -> list[str]:
    """The readings as lines: what was read, what was predicted, how far apart they are."""
    head = ("line", "state", "measured", "function", "reading", "predicted", "range", "residual", "percent", "")
    rows = [head]
    for c in compared:
        unit = c.unit if c.unit in _PREFIXES else ""
        bounds = f"{figure(c.low, unit)} to {figure(c.high, unit)}"
        percent = "-" if math.isnan(c.percent) else f"{c.percent:+.1f} %"
        rows.append((
            str(c.row.line), c.row.state[:28], where(c), c.row.function, c.row.written, figure(c.nominal, c.unit), bounds,
            _signed(c.residual, c.unit), percent, c.verdict,
        ))  # fmt: skip
    return table_lines(rows, left=4) if compared else []


def rms(compared: Iterable[Compared]) -> dict[str, tuple[float, int]]:
    """Root mean square of the finite residuals by unit, with their number."""
    squares: dict[str, list[float]] = {}
    for c in compared:
        if math.isfinite(c.residual):
            squares.setdefault(c.unit, []).append(c.residual**2)
    return {unit: (math.sqrt(sum(x) / len(x)), len(x)) for unit, x in squares.items()}


def worst(compared: Sequence[Compared]) -> Compared | None:
    """The reading furthest from its prediction, measured by the meter's error; OL against a number is furthest of all."""

    def far(c: Compared) -> float:
        return math.inf if math.isinf(c.residual) else abs(c.residual) / c.error

    return max(compared, key=far, default=None)


def advice_text(advice: Advice, equipment: Equipment, total: int) -> str:
    """What to set in the equipment file, and what it would bring."""
    part, factor = equipment.network.parts[advice.part], advice.then / advice.now
    change = f"{advice.words} = {figure(advice.then, advice.unit, 3)} (now {figure(advice.now, advice.unit, 3)})"
    if isinstance(part, Wire) and part.length is not None:
        change = f"length = {part.length * factor:.3g} m (now {part.length:g} m)"
    return (
        f"One number explains most of what is left: {advice.part}, {change}; "
        f"then {advice.agreeing} of {total} readings would agree within the meter's error. "
        "Measure that part by itself before you set it."
    )


def summary(
    compared: Sequence[Compared], bad: Sequence[BadRow], advice: Advice | None, equipment: Equipment
) -> list[str]:
    """How far the file may be trusted, in plain words."""
    inside, total = sum(c.inside for c in compared), len(compared)
    if not total:
        return ["No reading could be compared."]
    agreeing = sum(c.agrees for c in compared)
    ranged = f"{inside} of {total} readings lie in the range that learners' units show"
    lines = [f"{ranged}; {agreeing} agree with the middle of it within the meter's error."]
    parts = [f"{figure(value, unit, 2)} over {number}" for unit, (value, number) in rms(compared).items()]
    if parts:
        lines.append(f"RMS residual: {'; '.join(parts)}.")
    far = worst(compared)
    if far is not None and not far.agrees:
        share = "" if math.isnan(far.percent) else f", {far.percent:+.1f} %"
        read = f"read {far.row.written}, predicted {figure(far.nominal, far.unit)}{share}"
        lines.append(f"Furthest off: line {far.row.line}, {where(far)}: {read}.")
    if advice is not None:
        lines.append(advice_text(advice, equipment, total))
    if inside >= GOOD * total:
        verdict = "The file may be used for what was measured here."
    elif inside >= FAIR * total:
        verdict = "The file may be used for practice; mend what lies outside before you grade with it."
    else:
        verdict = "The file does not describe this unit yet; do not teach from it."
    lines.append(verdict)
    if total < FEW:
        lines.append(f"{total} readings are few: take at least {FEW}, in more than one state.")
    if len({c.row.state for c in compared}) == 1:
        lines.append("All readings are of one state; what the unit does on other calls is not shown.")
    lines.append("Nothing is shown about parts and states that were not measured.")
    if bad:
        lines.append(f"{len(bad)} rows were kept out; they are listed above.")
    return lines


def plot(compared: Sequence[Compared], title: str) -> str:
    """Readings against predictions, and the residuals with their ranges, as a standalone SVG. The same bytes every time."""
    shown = [c for c in compared if math.isfinite(c.residual) and math.isfinite(c.nominal)]
    drawn = Figure(figsize=(9.0, 4.0 + 0.22 * len(shown)), layout="constrained")
    left, right = drawn.subplots(1, 2, width_ratios=(1, 1.3))
    for unit in dict.fromkeys(c.unit for c in shown):
        own = [c for c in shown if c.unit == unit and c.nominal > 0 and c.row.value > 0]
        left.plot([c.nominal for c in own], [c.row.value for c in own], "o", color=_COLOURS[unit], label=unit, markersize=5)
    positive = [v for c in shown for v in (c.nominal, c.row.value) if v > 0]
    if positive:
        ends = [min(positive) / 1.5, max(positive) * 1.5]
        left.plot(ends, ends, "-", color="#777777", linewidth=0.8)
        left.set(xscale="log", yscale="log")
        left.legend(frameon=False)
    left.set(xlabel="predicted", ylabel="read", title="Readings against predictions")
    for k, c in enumerate(shown):
        hundredth = max(abs(c.nominal), 2.0 * c.row.step) / 100.0
        low, high = (max(-1e3, min(1e3, (v - c.nominal) / hundredth)) for v in (c.low, c.high))
        right.barh(k, high - low, left=low, height=0.8, color="#e1e5e8", zorder=1)
        right.barh(k, 2 * c.error / hundredth, left=-c.error / hundredth, height=0.8, color="#b9c1c8", zorder=1)
        right.barh(k, c.residual / hundredth, height=0.35, color=_COLOURS[c.unit] if c.inside else "#c0392b", zorder=2)
    right.axvline(0.0, color="#777777", linewidth=0.8)
    right.set_yticks(range(len(shown)), [f"line {c.row.line}: {where(c)} ({c.unit})" for c in shown], fontsize=8)
    right.invert_yaxis()
    if shown:
        reach = max(max(abs(c.residual), (c.high - c.low) / 2) / max(abs(c.nominal), 2.0 * c.row.step) for c in shown)
        right.set_xlim(-110.0 * min(1.0, reach), 110.0 * min(1.0, reach))
    right.set(xlabel="residual in % of the prediction\nlight: learners' range; dark: the meter's error", title="Residuals")
    drawn.suptitle(title)
    file = io.StringIO()
    with matplotlib.rc_context({"svg.hashsalt": "blowergrade", "svg.fonttype": "none"}):
        drawn.savefig(file, format="svg", metadata={"Date": None})
    return file.getvalue()


def write_plot(svg: str, file: Path) -> None:
    """Write the picture; raises `ComparisonError` where that fails."""
    try:
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_text(svg, encoding="utf-8", newline="\n")
    except OSError as error:
        raise ComparisonError(f"{file}: can't be written ({error.strerror}); give another --out") from error
