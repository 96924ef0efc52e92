"""The decision tree as a picture for paper: boxes down the page, indented by depth, the outcome written where a branch begins.

Rule: the same tree gives the same bytes; letters are at least 7 points on the page; nothing is said by colour alone (a question
has square corners, an end has round ones, a branch that is not shown is dashed).
"""

from __future__ import annotations

import textwrap
from dataclasses import dataclass

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import FancyBboxPatch

from blowergrade.decision_tree import Node, lines_of
from blowergrade.explain import percent_in_words
from blowergrade.explain_picture import ACCENT, INK, SOFT, Picture
from blowergrade.wording import Words

WIDTH = 10.0  # inches
INDENT, BOX = 0.28, 8.4
LINE, PAD, GAP = 0.13, 0.035, 0.065  # inches: a line of text, around it, between boxes
SIZE = 7.5  # points
CHARACTERS = 15.5  # of text in an inch of a box


@dataclass(frozen=True, slots=True)
class _Box:
    x: float
    y: float  # downwards from the top
    wide: float
    high: float
    outcome: tuple[str, ...]
    words: tuple[str, ...]
    node: Node
    parent: int


def picture(root: Node, words: Words, complaint: str) -> Picture:
    """The tree as a picture with a text alternative."""
    title = f"“{words.name('complaint', complaint)}”"
    boxes = _laid_out(root, words)
    high = max(b.y + b.high for b in boxes) + 0.25
    figure = Figure(figsize=(WIDTH, high + 0.55))
    axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
    axes.set(xlim=(0, WIDTH), ylim=(high, -0.55))
    axes.axis("off")
    head = "\n".join(textwrap.wrap(words.t("Isolation path: {0}", title), 115)[:2])
    axes.text(0.15, -0.4, head, fontsize=10, va="top", color=INK, fontweight="bold")
    for box in boxes:
        _draw(axes, box, boxes)
    return Picture(figure, words.t("Isolation path: {0}", title), " ".join(x.strip() for x in lines_of(root, words)))


def _laid_out(root: Node, words: Words) -> list[_Box]:
    boxes: list[_Box] = []
    parents: list[int] = []
    y = 0.0
    for depth, node in root.walk():
        x = 0.15 + INDENT * depth
        wide = min(BOX, WIDTH - 0.15 - x)
        outcome = tuple(textwrap.wrap(node.outcome, int((WIDTH - 0.3 - x) * CHARACTERS))) if node.outcome else ()
        lines = tuple(line for part in _words(node, words) for line in textwrap.wrap(part, int(wide * CHARACTERS)))
        y += LINE * len(outcome)
        high = LINE * len(lines) + 2 * PAD
        del parents[depth:]
        boxes.append(_Box(x, y, wide, high, outcome, lines, node, parents[-1] if parents else -1))
        parents.append(len(boxes) - 1)
        y += high + GAP
    return boxes


def _words(node: Node, words: Words) -> tuple[str, ...]:
    if node.question:
        return (words.t("{0} ({1}; {2})", node.question, node.stands, words.time(node.seconds)),)
    if node.closed:
        return (words.t("… {0} causes ({1}): {2}", node.causes, percent_in_words(node.percent), node.places),)
    return (words.t("{0} ({1}): {2}", node.places, percent_in_words(node.percent), node.titles),)


def _draw(axes: Axes, box: _Box, boxes: list[_Box]) -> None:
    ends = not box.node.question
    shape = f"round,pad=0,rounding_size={0.09 if ends else 0.001}"
    patch = FancyBboxPatch(
        (box.x, box.y), box.wide, box.high, boxstyle=shape, facecolor="#eef3f5" if ends else "#ffffff",
        edgecolor=ACCENT if ends else INK, linewidth=1.4 if ends and not box.node.closed else 0.8,
        linestyle="--" if box.node.closed else "-",
    )  # fmt: skip
    axes.add_patch(patch)
    if box.parent >= 0:
        above = boxes[box.parent]
        at, middle = above.x + 0.12, box.y + min(box.high / 2, 0.12)
        axes.plot([at, at, box.x], [above.y + above.high, middle, middle], color=SOFT, linewidth=0.9)
    for k, line in enumerate(box.outcome):
        top = box.y - LINE * (len(box.outcome) - k)
        axes.text(box.x, top, line, fontsize=SIZE, va="top", color=ACCENT, fontweight="bold")
    for k, line in enumerate(box.words):
        axes.text(box.x + 0.08, box.y + PAD + LINE * k, line, fontsize=SIZE, va="top", color=INK)
