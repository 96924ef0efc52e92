"""The plots of an exam report and of a cut score, as SVG that needs no font and no network.

Rule: a plot draws what its table says and nothing more. Nothing is told by colour alone, and the same numbers give the same
bytes.
"""

from __future__ import annotations

import io
import itertools
from collections.abc import Sequence
from typing import Any

from blowergrade.statistics.classical import ItemStatistics
from blowergrade.statistics.irt import Fit

INK, SOFT, ACCENT, AREA = "#1c2630", "#7b8791", "#1d5b69", "#9cc3cb"
#: More numbers than so many on one plot can't be read.
MOST_NUMBERS = 60


def figure(width: float, height: float) -> tuple[Any, Any]:
    """A figure of so many inches, and its axes."""
    from matplotlib.figure import Figure

    drawn = Figure(figsize=(width, height), layout="constrained")
    return drawn, drawn.subplots()


def drawn_svg(drawn: Any) -> bytes:
    """The figure as SVG."""
    import matplotlib as mpl

    data = io.BytesIO()
    with mpl.rc_context({"svg.fonttype": "path", "svg.hashsalt": "exam report"}):
        drawn.savefig(data, format="svg", metadata={"Date": None, "Creator": None})
    return data.getvalue()


def plain(axes: Any) -> None:
    """Take the lines away that frame nothing."""
    axes.spines[["top", "right"]].set_visible(False)


def item_map(items: Sequence[ItemStatistics]) -> bytes:
    """Items by their number: share right (across) against the correlation with the other items (up)."""
    drawn, axes = figure(7.5, 4.2)
    axes.axhline(0, color=INK, linewidth=0.8)
    axes.axhline(0.2, color=SOFT, linewidth=0.8, linestyle="--")
    axes.text(0.01, 0.2, " .2", color=INK, fontsize=8, va="bottom")
    for number, one in enumerate(items, 1):
        if one.excluded.value is not None:
            axes.plot(one.difficulty, one.excluded.value, "o", color=ACCENT, markersize=4)
            if len(items) <= MOST_NUMBERS:
                axes.text(one.difficulty + 0.008, one.excluded.value, str(number), fontsize=8)
    axes.set_xlim(0, 1)
    axes.set_xlabel("share that passed the call (left hard, right easy)")
    axes.set_ylabel("correlation with the other calls")
    plain(axes)
    return drawn_svg(drawn)


def shares(rows: Sequence[tuple[str, float, float, float]], label: str, what: str) -> bytes:
    """A share (0 to 1) with its interval for each name, one below the other."""
    drawn, axes = figure(7.5, 0.9 + 0.32 * len(rows))
    for k, (_, share, low, high) in enumerate(rows):
        axes.plot([low, high], [k, k], color=ACCENT, linewidth=1.6)
        axes.plot([low, high], [k, k], "|", color=ACCENT, markersize=9)
        axes.plot(share, k, "o", color=INK, markersize=5)
    names = [name if name.isascii() and "$" not in name else f"no. {k}" for k, (name, *_) in enumerate(rows, 1)]
    axes.set_yticks(range(len(rows)), names)  # the plot's font lacks most letters of the world
    axes.set_ylim(len(rows) - 0.5, -0.5)
    axes.set_xlim(-0.02, 1.02)
    axes.set_xlabel(label)
    axes.set_ylabel(what)
    axes.grid(axis="x", color="#e3e8ec", linewidth=0.8)
    plain(axes)
    return drawn_svg(drawn)


def histogram(edges: Sequence[float], counts: Sequence[int], cut: float | None, label: str) -> bytes:
    """Candidates by total; all right of the line at `cut`, an edge, have reached it. Bars of whole numbers stand on them."""
    drawn, axes = figure(7.5, 3.6)
    widths = [b - a for a, b in itertools.pairwise(edges)]
    shift = -0.5 if set(widths) == {1.0} else 0.0
    axes.bar([e + shift for e in edges[:-1]], counts, width=widths, align="edge", color=AREA, edgecolor=ACCENT)
    if shift:
        axes.set_xticks(edges[:-1])
    if cut is not None:
        axes.axvline(cut + shift, color=INK, linewidth=1.6, linestyle="--")
        axes.text(cut + shift, 1.01, label, transform=axes.get_xaxis_transform(), va="bottom", ha="center", fontsize=9)
    axes.set_xlabel("calls passed")
    axes.set_ylabel("candidates")
    axes.yaxis.get_major_locator().set_params(integer=True)
    plain(axes)
    return drawn_svg(drawn)


def person_item_map(fit: Fit, edges: Sequence[float], counts: Sequence[int]) -> bytes:
    """Candidates to the left, items (by number) to the right of one scale of logits."""
    drawn, axes = figure(7.5, 5.0)
    most = max(*counts, 1)
    heights = [b - a for a, b in itertools.pairwise(edges)]
    axes.barh(edges[:-1], [-c / most for c in counts], height=heights, align="edge", color=AREA, edgecolor=ACCENT)
    axes.axvline(0, color=INK, linewidth=1.0)
    places = [one.b for one in fit.items]
    low, high = min(edges[0], *places) - 0.3, max(edges[-1], *places) + 0.3
    columns: list[float] = []  # the highest item in each
    for number, place in sorted(enumerate(places, 1), key=lambda x: x[1]):
        free = (k for k, top in enumerate(columns) if place - top > (high - low) / 35)
        column = next(free, len(columns))
        columns[column : column + 1] = [place]
        axes.text(0.07 + 0.08 * column, place, str(number), fontsize=8, va="center", ha="center")
    axes.set_ylim(low, high)
    axes.set_xlim(-1.05, max(1.05, 0.15 + 0.08 * len(columns)))
    axes.set_xticks([-0.5, 0.5], ["candidates", "calls (their numbers)"])
    axes.set_ylabel("logits (up: able candidates, hard calls)")
    plain(axes)
    return drawn_svg(drawn)
