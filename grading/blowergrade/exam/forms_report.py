"""How alike the forms of a set are, as a table for the terminal and as a picture.

Rule: names no fault and no item, so that it may be shown to colleagues. What the picture draws stands in the table too, and
nothing is told by colour alone.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Literal

from blowergrade.classwork.folder import write
from blowergrade.exam.form_model import FormError
from blowergrade.exam.forms import FormSet

INK, FIRST, SECOND = "#1c2630", "#1d5b69", "#d9e4e7"
#: More bars than so many carry no numbers.
MOST_NUMBERS = 26


def report_text(formset: FormSet, chance: FormSet | None = None) -> str:
    """A table of the forms (difficulty in levels, simulated minutes, calls, minutes of the exam) and how far they lie apart.

    `chance`, forms drawn at random from the same pool, adds their spread for comparison.
    """
    rows = [(f.id, f"{f.difficulty:.3f}", f"{f.seconds / 60:.1f}", str(len(f.items)), str(f.minutes)) for f in formset.forms]
    head = ("form", "difficulty", "simulated min", "calls", "exam min")
    widths = [max(len(r[k]) for r in (head, *rows)) for k in range(len(head))]
    lines = ["  ".join((r[0].ljust(widths[0]), *map(str.rjust, r[1:], widths[1:]))) for r in (head, *rows)]
    return "\n".join([*lines, "", *_findings(formset, chance)]) + "\n"


def _findings(formset: FormSet, chance: FormSet | None) -> list[str]:
    one = formset.spread
    found = [f"Largest less smallest: {one.difficulty:.3f} levels of difficulty, {one.minutes:.2f} simulated minutes."]
    if chance is not None:
        other = chance.spread
        found.append(f"Drawn by chance: {other.difficulty:.3f} levels, {other.minutes:.2f} minutes.")
    if formset.status == "optimal":
        found.append("Proven: no other forms from this pool are more alike.")
    elif formset.status == "feasible":
        gap = (formset.objective - formset.bound) / 60_000
        found.append(f"The most alike that were met; others could gain {gap:.2f} minutes at most, levels weighed in.")
    found.append(f"Seed {formset.seed}, effort {formset.effort:g}, {formset.solver}; set {formset.digest[:16]}.")
    return found


def report_picture(formset: FormSet, chance: FormSet | None = None, kind: Literal["svg", "png"] = "svg") -> bytes:
    """Bars of difficulty and of simulated minutes, form by form; with `chance` beside those of forms drawn at random."""
    import matplotlib as mpl
    from matplotlib.figure import Figure

    names = [f.id for f in formset.forms]
    if chance is not None and [f.id for f in chance.forms] != names:
        raise FormError("the two sets have different forms; compare sets of one blueprint")
    height = 1.6 + (0.42 if chance is None else 0.6) * len(names)
    drawn = Figure(figsize=(9.0, height), layout="constrained")
    left, right = drawn.subplots(1, 2, sharey=True)
    sets = [formset] if chance is None else [formset, chance]
    _bars(left, names, [[f.difficulty for f in s.forms] for s in sets], "expected difficulty, levels in all")
    _bars(right, names, [[f.seconds / 60 for f in s.forms] for s in sets], "simulated minutes in all")
    left.set_ylabel("form")
    left.invert_yaxis()
    if chance is not None:
        drawn.legend(*left.get_legend_handles_labels(), loc="outside upper center", ncols=2, frameon=False)
    data = io.BytesIO()
    with mpl.rc_context({"svg.fonttype": "path", "svg.hashsalt": "exam forms"}):
        undated = {"Date": None, "Creator": None} if kind == "svg" else {"Software": None}
        drawn.savefig(data, format=kind, dpi=120, metadata={"Title": "Exam forms compared", **undated})
    return data.getvalue()


def _bars(axes: Any, names: Sequence[str], sets: Sequence[Sequence[float]], unit: str) -> None:
    thick = 0.8 / len(sets)
    looks = ({"color": FIRST, "label": "assembled"}, {"color": SECOND, "label": "drawn by chance", "hatch": "///"})
    for number, (values, look) in enumerate(zip(sets, looks, strict=False)):
        places = [k + (number - (len(sets) - 1) / 2) * thick for k in range(len(names))]
        bars = axes.barh(places, values, height=thick, edgecolor=INK, linewidth=0.6, **look)
        if len(names) * len(sets) <= MOST_NUMBERS:
            axes.bar_label(bars, fmt="%.1f", padding=3, fontsize=8)
    axes.set_yticks(range(len(names)), list(names))
    axes.set_xlim(0, 1.14 * max(max(v) for v in sets) or 1)
    axes.set_xlabel(unit)
    axes.spines[["top", "right"]].set_visible(False)


def save_picture(file: Path, formset: FormSet, chance: FormSet | None = None) -> None:
    """Write the picture to `file`, SVG or PNG by its ending; raises `FormError` for another ending."""
    if file.suffix not in (".svg", ".png"):
        raise FormError(f"{file.name}: the picture is SVG or PNG; give a name that ends in .svg or .png")
    write(file, report_picture(formset, chance, "svg" if file.suffix == ".svg" else "png"))
