"""The plots of a cut score: each judge's own cut, each item's ratings, the share that passes.

Rule: as `plots`: a plot draws what its table says, in SVG that needs no font and no network, the same bytes each time. The
first round is a ring, the second a dot.
"""

from __future__ import annotations

from collections.abc import Sequence

from blowergrade.statistics.angoff import Cut, ItemRow
from blowergrade.statistics.consequences import Consequences
from blowergrade.statistics.plots import ACCENT, AREA, INK, SOFT, drawn_svg, figure, plain


def judges(first: Sequence[float], second: Sequence[float], cut: Cut) -> bytes:
    """The cut of each judge (by number) alone, on one form, in both rounds; the band is the cut as rated ± its error."""
    drawn, axes = figure(7.5, 1.3 + 0.3 * len(second))
    axes.axvspan(cut.rated - cut.standard_error, cut.rated + cut.standard_error, color=AREA, alpha=0.6)
    axes.axvline(cut.rated, color=INK, linewidth=1.4, linestyle="--")
    for k, (one, two) in enumerate(zip(first, second, strict=True), 1):
        axes.plot([one, two], [k, k], color=SOFT, linewidth=0.9)
        axes.plot(one, k, "o", color=INK, markerfacecolor="white", markersize=8)
        axes.plot(two, k, "o", color=ACCENT, markersize=4)
    axes.set_yticks(range(1, len(second) + 1))
    axes.set_ylim(len(second) + 0.5, 0.5)
    axes.set_xlim(0, cut.maximum)
    axes.set_ylabel("judge")
    axes.set_xlabel("the judge's own cut (ring: round 1, dot: round 2)")
    plain(axes)
    return drawn_svg(drawn)


def items(rows: Sequence[ItemRow]) -> bytes:
    """Mean rating of each item (by its number) in both rounds ± one deviation of round 2; a cross is what was observed."""
    drawn, axes = figure(7.5, 1.2 + 0.26 * len(rows))
    for k, row in enumerate(rows, 1):
        low, high = row.second - row.second_deviation, row.second + row.second_deviation
        axes.plot([low, high], [k, k], color=AREA, linewidth=6, solid_capstyle="butt")
        axes.plot(row.first, k, "o", color=INK, markerfacecolor="white", markersize=8)
        axes.plot(row.second, k, "o", color=ACCENT, markersize=4)
        if row.observed is not None:
            axes.plot(row.observed, k, "x", color=INK, markersize=6)
    axes.set_yticks(range(1, len(rows) + 1))
    axes.set_ylim(len(rows) + 0.7, 0.3)
    axes.set_xlim(-2, 102)
    axes.set_xlabel("percent (ring: round 1, dot: round 2, bar: ± one deviation, cross: observed)")
    axes.set_ylabel("item")
    plain(axes)
    return drawn_svg(drawn)


def passing(found: Consequences) -> bytes:
    """The share that passes at each step (dots, joined), and that reaches it by calls alone (rings)."""
    drawn, axes = figure(7.5, 3.0)
    at = [s.errors for s in found.steps]
    for label, style, counts in (
        ("by calls alone", "o--", [s.reached for s in found.steps]),
        ("passed, safety gate first", "o-", [s.passed for s in found.steps]),
    ):
        shares = [(c or 0) / (s.decided or 1) for c, s in zip(counts, found.steps, strict=True)]
        face = "white" if style == "o--" else ACCENT
        axes.plot(at, shares, style, color=ACCENT, markerfacecolor=face, markersize=6, label=label)
    axes.set_xticks(at, [f"{f'{s.errors:+d} SE'.replace('-', '−') if s.errors else 'cut'}\n{s.cut:.2f}" for s in found.steps])
    axes.set_ylim(-0.02, 1.02)
    axes.set_ylabel("share of the decided")
    axes.legend(frameon=False, loc="lower left")
    plain(axes)
    return drawn_svg(drawn)
