"""Further views of the same bench: ladder diagram, connectors, air side, board.

Rule: a view is drawn once, when somebody first opens its tab; after that only what hands changed in the opened ones is sent.
The same names as in the first picture carry the same state, so a lead placed in one shows in all.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import lru_cache
from typing import Any

import traitlets

from blowerbench.bench import View
from blowerbench.circuit import Pin
from blowerbench.equipment import Equipment
from blowerbench.errors import BenchError
from blowerbench.hands import Hands, reach
from blowerbench.messages import label
from blowerbench.panels.air_view import air_side, dress_air
from blowerbench.panels.board_view import board, dress_board
from blowerbench.panels.controls import Words
from blowerbench.panels.drawings import Drawing
from blowerbench.panels.faces import dress_faces, faces
from blowerbench.panels.ladder_draw import ladder
from blowerbench.panels.layout import ways
from blowerbench.panels.parts import Part
from blowerbench.panels.places import of_supply
from blowerbench.panels.scene import Dress, hands_of

WIRED = "wired"
SMALLEST = 0.9  # px for a drawing unit in the narrowest drawing of a view: its smallest letters are 12 units
DRAWN: Mapping[str, Callable[[Equipment, str], Drawing | None]] = {
    "ladder": ladder, "connectors": faces, "air": air_side, "board": board,
}  # fmt: skip


class NoSuchView(BenchError):  # noqa: N818 - reads as what it says
    """A view that this unit does not have; says which there are."""


def titles(words: Words) -> dict[str, str]:
    """The views of a unit, in the order of their tabs, with their titles; a unit without a board or connectors has fewer."""
    t, e = words.t, words.equipment
    every = {
        WIRED: t("As wired"), "ladder": t("Ladder"), "connectors": t("Connectors"), "air": t("Air"), "board": t("Board"),
    }  # fmt: skip
    without = {"connectors": not e.connectors, "air": e.air is None, "board": board(e, words.language) is None}
    return {name: title for name, title in every.items() if not without.get(name, False)}


def drawing(words: Words, name: str) -> Drawing:
    """The view `name`; raises `NoSuchView` where the unit has none of that name."""
    if name not in titles(words) or name == WIRED:
        have = ", ".join(n for n in titles(words) if n != WIRED)
        raise NoSuchView(f"no view {name!r} of {words.equipment.id} to draw here; there are {have}")
    made = DRAWN[name](words.equipment, words.language)
    assert made is not None
    return made


@lru_cache(maxsize=128)
def _ways(name: str, equipment: Equipment, language: str, stops: tuple[str, ...]) -> dict[str, list[str]]:
    made = DRAWN[name](equipment, language)
    assert made is not None
    return {stop: list(row) for stop, row in ways({n: made.stops[n] for n in stops}).items()}


def paths(words: Words, name: str, hands: Hands) -> dict[str, list[str]]:
    """Where the arrow keys lead in the view `name`: every stop that hands can get to, with its left, up, right and down."""
    known = words.equipment.zone_of.keys() | words.equipment.connector_of.keys()
    stops = tuple(s for s in drawing(words, name).stops if s not in known or reach(words.equipment, hands, s) is None)
    return _ways(name, words.equipment, words.language, stops)


def more_dress(view: View, words: Words) -> Dress:
    """What the further views show beyond the first picture's dress: plugs, pins, second poles, hoses and displays."""
    e, hands = words.equipment, hands_of(view.hands)
    made: Dress = {}
    for name, part in e.network.parts.items():
        if isinstance(part, Pin):
            made[f"pin:{name}"] = {"class": "bp-isopen" if part.connector in hands.parted else ""}
    for s, supply in e.supplies.items():
        for word, poles, opened in (
            ("breaker", supply.breaker, s in hands.breakers_off), ("disconnect", supply.disconnect, s in hands.disconnects_open)
        ):  # fmt: skip
            for k in range(1, len(poles)):
                made[f"symbol:{of_supply(word, s)}#{k}"] = {"class": "bp-isopen" if opened else ""}
    pressed = hands.door_on or hands.switch_held or hands.switch_taped
    if e.protection["door_switch"]:
        made[f"part:{e.protection['door_switch']}"] = {"class": "" if pressed else "bp-isopen"}
    return (
        made | dress_faces(e, hands, words.language) | dress_air(e, hands, view.observation, words.language)
        | dress_board(e, hands, words.language)
    )  # fmt: skip


def lead_line(words: Words, hands: Hands) -> str:
    """Where the leads are, for views that do not show their terminals."""
    return " ".join(
        words.t("The {0} is clipped on {1}." if clipped else "The {0} is held on {1}.").format(
            label("lead", lead, None, words.language), label("terminal", at, words.equipment, words.language)
        )
        for lead, at, clipped in hands.leads
    )


class ViewsPart(Part):
    """The tabs over the picture. The page asks for a view by {kind: "view", name}; its tree and ways come as traits."""

    tree_ladder = traitlets.Dict().tag(sync=True)  # {size, narrowest, tree} once asked for; does not change then
    tree_connectors = traitlets.Dict().tag(sync=True)
    tree_air = traitlets.Dict().tag(sync=True)
    tree_board = traitlets.Dict().tag(sync=True)
    ways_ladder = traitlets.Dict().tag(sync=True)  # where the arrow keys lead, as in `ways`
    ways_connectors = traitlets.Dict().tag(sync=True)
    ways_air = traitlets.Dict().tag(sync=True)
    ways_board = traitlets.Dict().tag(sync=True)
    view_dress = traitlets.Dict().tag(sync=True)  # what only the further views show, once one is open
    lead_line = traitlets.Unicode().tag(sync=True)  # where the leads are, in words

    def _part_texts(self) -> dict[str, object]:
        t = self._words.t
        return {
            "views": [[name, title] for name, title in titles(self._words).items()],
            "views_title": t("Views of the unit"),
            "air_keys": t(
                "Arrow keys go from test port to test port, Home and End to the first and last. Enter chooses a port "
                "under Work on. Tab leaves the picture."
            ),
        }

    def _part_show(self, view: View) -> None:
        hands = hands_of(view.hands)
        self.lead_line = lead_line(self._words, hands)
        opened = [name for name in DRAWN if getattr(self, f"tree_{name}")]
        for name in opened:
            setattr(self, f"ways_{name}", paths(self._words, name, hands))
        if opened:
            self.view_dress = more_dress(view, self._words)

    def _part_hear(self, kind: str, content: Mapping[str, Any], seq: int) -> bool:
        if kind != "view":
            return False
        self.draw_view(str(content.get("name")))
        return True

    def draw_view(self, name: str) -> None:
        """Draw the view `name` and keep it up to date from now on; raises `NoSuchView`."""
        made = drawing(self._words, name)
        with self.hold_trait_notifications():
            view = self._bench.view()
            setattr(self, f"ways_{name}", paths(self._words, name, hands_of(view.hands)))
            self.view_dress = more_dress(view, self._words)
            setattr(self, f"tree_{name}", {"size": list(made.size), "narrowest": SMALLEST, "tree": made.tree})
