"""The time line of a call as a picture: time across, the causes down by unit, each line as long as its cause was possible.

Rule: nothing is said by colour alone (lines differ in width and dash, marks in shape), letters stay readable in print, and the
same call gives the same bytes. Whatever the picture says, its text alternative says too.
"""

from __future__ import annotations

import io
import textwrap
from dataclasses import dataclass

import matplotlib
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from blowerbench.faults import Hypothesis
from blowergrade.explain import Explained, Explainer
from blowergrade.wording import clock, hypothesis_named

INK, SOFT, ACCENT, BAD = "#1c2630", "#8a949d", "#1d5b69", "#8c1d18"
ROW = 0.155  # inches for one cause
WIDTH = 10.0
MOST_LABELS = 14  # acts told by number at the top
#: Marks of violations by level: the shape says it, the colour repeats it.
LEVELS = {"critical": ("X", "critical"), "major": ("^", "major"), "minor": ("v", "minor")}


@dataclass(frozen=True, slots=True)
class Picture:
    """A drawing with its text alternative."""

    figure: Figure
    title: str
    text: str

    def svg(self) -> str:
        """The picture as a standalone SVG with title and description; the same bytes every time."""
        file = io.StringIO()
        with matplotlib.rc_context({"svg.hashsalt": "blowergrade", "svg.fonttype": "none"}):
            self.figure.savefig(file, format="svg", metadata={"Date": None})
        made = file.getvalue()
        start = made.index("<svg")
        end = made.index(">", start)
        named = f'<title id="picture-title">{_escaped(self.title)}</title><desc id="picture-text">{_escaped(self.text)}</desc>'
        tag = f'{made[start:end]} role="img" aria-labelledby="picture-title picture-text">\n {named}'
        return made[:start] + tag + made[end + 1 :]

    def inline(self) -> str:
        """The SVG element alone, to stand in a page."""
        made = self.svg()
        return made[made.index("<svg") :]

    def png(self) -> bytes:
        """The picture as PNG, 150 dots per inch, its text alternative in the file's description."""
        file = io.BytesIO()
        about = {"Title": self.title, "Description": self.text, "Software": None}
        self.figure.savefig(file, format="png", dpi=150, metadata=about)
        return file.getvalue()


def _escaped(text: str) -> str:
    return text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")


def timeline(explainer: Explainer) -> Picture:
    """The time line of the search of `explainer`'s call."""
    t, told = explainer.words.t, explainer.telling
    title = t("Which causes were still possible, and when")
    return Picture(_drawn(explainer, told, title), title, _alternative(explainer, told))


def _ends(explainer: Explainer) -> dict[Hypothesis, int]:
    """The simulated second at which each cause that was possible at arrival fell; the end of the search for what is left."""
    moments = explainer.sheet.timeline
    end = moments[-1].clock if moments else 0
    ends = dict.fromkeys(explainer.alive[0], end)
    for moment in moments:
        ends |= {h: moment.clock for h in map(hypothesis_named, moment.ruled_out) if h in ends}
    return ends


def _rows(explainer: Explainer) -> list[tuple[str, list[Hypothesis]]]:
    """The causes by correction unit: units that lasted longest first, and in each the causes that lasted longest."""
    ends = _ends(explainer)
    by_unit: dict[str, list[Hypothesis]] = {}
    for h in ends:
        by_unit.setdefault(explainer.words.correction(h), []).append(h)
    order = sorted(by_unit, key=lambda u: (-max(ends[h] for h in by_unit[u]), -len(by_unit[u]), u))
    return [(u, sorted(by_unit[u], key=lambda h: (-ends[h], h))) for u in order]


def _drawn(explainer: Explainer, told: tuple[Explained, ...], title: str) -> Figure:
    t, sheet, ends, rows = explainer.words.t, explainer.sheet, _ends(explainer), _rows(explainer)
    last = set(explainer.alive[sheet.timeline[-1].seq]) if sheet.timeline else set()
    labels = {u: textwrap.wrap(t("{0} ({1})", u, len(hs)), 34) for u, hs in rows}
    rooms = {u: max(1.25 * len(labels[u]), float(len(hs))) for u, hs in rows}
    figure = Figure(figsize=(WIDTH, 1.9 + ROW * (sum(rooms.values()) + 0.8 * len(rows))), layout="constrained")
    axes = figure.subplots()
    minutes, y, middles = max(1.0, max(ends.values(), default=60) / 60), 0.0, []
    for unit, causes in rows:
        room = rooms[unit]
        top, first = y, y + (room - len(causes)) / 2 + 0.5
        for k, h in enumerate(causes):
            at, end = first + k, ends[h] / 60
            alive = h in last
            axes.plot([0, end], [at, at], color=ACCENT if alive else SOFT, linewidth=3.2 if alive else 1.1,
                      linestyle="-" if alive else (0, (4, 1.5)), solid_capstyle="butt")  # fmt: skip
            if not alive:
                axes.plot([end], [at], marker="|", markersize=5, color=INK, markeredgewidth=1.3)
        middles.append((top + room / 2, "\n".join(labels[unit])))
        y += room + 0.8
        axes.axhline(y - 0.4, color="#e3e8ec", linewidth=0.6)
    if sheet.outside_catalogue:
        axes.text(minutes / 2, y / 2, t("no catalogued cause explains every reading"), ha="center", color=BAD)
    _acts(explainer, told, axes, y)
    axes.set_yticks([m for m, _ in middles], [words for _, words in middles], fontsize=8)
    axes.tick_params(axis="y", length=0)
    axes.set(xlim=(0, minutes * 1.02), ylim=(y, -3.4))
    axes.set_title(title, loc="left", fontsize=11, color=INK)
    axes.set_xlabel(t("simulated minutes\nthick line: still possible at the end; dashed: ruled out where it stops; "
                      "numbers: the acts"), fontsize=8)  # fmt: skip
    axes.spines[["top", "right", "left"]].set_visible(False)
    return figure


def _acts(explainer: Explainer, told: tuple[Explained, ...], axes: Axes, bottom: float) -> None:
    """All acts as ticks along the top; those that ruled something out as numbers with a line down; violations as marks."""
    moments, sheet, t = explainer.sheet.timeline, explainer.sheet, explainer.words.t
    axes.plot([m.clock / 60 for m in moments], [-0.6] * len(moments), linestyle="", marker="|", color=SOFT, markersize=4)
    end = moments[-1].clock / 60 if moments else 1.0
    ruled = sorted((x for x in told if x.fallen), key=lambda x: x.possible[1] - x.possible[0])[:MOST_LABELS]
    right = -1.0
    for x in sorted(ruled, key=lambda x: x.seq):
        at = x.clock / 60
        axes.plot([at, at], [-0.6, bottom], color=INK, linewidth=0.5, linestyle=":")
        place = max(at, right + 0.028 * end)
        axes.text(place, -1.1, str(x.seq), ha="center", va="bottom", fontsize=7.5, color=INK)
        right = place
    for level, (marker, word) in LEVELS.items():
        found = [b.clock / 60 for b in sheet.violations if b.level == level and b.clock / 60 <= end]
        if found:
            axes.plot(found, [-2.5] * len(found), linestyle="", marker=marker, color=BAD, markersize=6,
                      label=t("{0} violation", t(word)))  # fmt: skip
    if axes.get_legend_handles_labels()[0]:
        axes.legend(loc="lower right", fontsize=7.5, frameon=False, ncols=3, bbox_to_anchor=(1.0, 1.0), borderaxespad=0.1)


def _alternative(explainer: Explainer, told: tuple[Explained, ...]) -> str:
    """What the picture shows, in words."""
    t = explainer.words.t
    first = explainer.act(1).before if explainer.lines else ()
    lines = [t("At arrival (causes: {0}): {1}.", len(explainer.alive[0]), explainer.shares(first))]
    for x in told:
        if x.fallen:
            lines.append(t("Act {0} at {1}: {2} Left: {3}; {4}.", x.seq, clock(x.clock), x.did, x.possible[1],
                           explainer.shares(x.after)))  # fmt: skip
    rules: dict[tuple[str, str], list[str]] = {}
    for b in explainer.sheet.violations:
        rules.setdefault((b.level, b.text), []).append(str(b.seq))
    lines += [
        t("Violation ({0}), acts {1}: {2}.", t(level), ", ".join(dict.fromkeys(seqs)), t(text))
        for (level, text), seqs in rules.items()
    ]
    return " ".join(lines)
