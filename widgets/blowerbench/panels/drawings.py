"""What a further view of a bench is made of: its tree, its size, and where the keyboard can stop in it.

Rule: a view uses the names of the first picture (`t:` for a terminal, `wire:`, `note:`, `symbol:`), so that one dress fits all;
what only a view has is named in its own `dress`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from blowerbench.equipment import Equipment
from blowerbench.messages import translate
from blowerbench.panels.auto_blocks import printed, titled
from blowerbench.panels.auto_nets import prefix
from blowerbench.panels.elements import Node, Point, terminal
from blowerbench.panels.places import Layout
from blowerbench.panels.views_en import DEVICES

LETTER = 7.2  # width of a letter of a view's small words, drawing units
IN_CIRCLE = 4  # letters that a terminal's circle takes


@dataclass(frozen=True, slots=True)
class Drawing:
    """One view, undressed. `stops`: terminals by their name and other targets by their key, each with its place."""

    name: str
    size: tuple[int, int]  # drawing units
    tree: Node
    stops: Mapping[str, Point]


def spot(name: str, equipment: Equipment, at: Point, language: str, where: str = "") -> Node:
    """A terminal to probe at `at`, with its word in the circle where it fits, else below it (or `where`)."""
    text = printed(name)
    side = "in" if fits(text) else where or "below"
    return terminal(name, equipment, Layout((0, 0), {name: (*at, text, side)}, {}), language)


def breadth(text: str) -> float:
    """About how wide `text` is in a view's small words, drawing units."""
    return LETTER * len(text)


def fits(text: str) -> bool:
    """Whether a terminal's word fits into its circle."""
    return len(text) < IN_CIRCLE or (len(text) == IN_CIRCLE and not text.isupper())


def worded(name: str, table: Mapping[str, str], language: str) -> str:
    """The word for `name` in `table`, a number at its end set behind it; the name's own words where the table has none."""
    if name in table:
        return translate(table[name], language, "picture")
    base, _, number = name.rpartition("_")
    if base and len(number) == 1 and base in table:
        return f"{translate(table[base], language, 'picture')} {number}"
    return translate(name.replace("_", " "), language)


def device(node: str, equipment: Equipment, language: str) -> str:
    """The word for the device that a node is on: a plug's own title, else the word of `DEVICES`."""
    connector = equipment.connector_of.get(node)
    if connector is not None:
        text = translate(connector.title.partition(" between ")[0], language, "picture")
        return text[:1].upper() + text[1:]
    word = prefix(node)
    if word == "cabinet" and node.endswith(".G"):
        word = "ground"
    text = worded(word, DEVICES, language)
    return text if text[:1].isupper() else titled(text)
