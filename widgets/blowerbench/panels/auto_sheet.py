"""A sheet that a drawing of a unit is laid out on: what the unit has, and what has been placed so far.

Rule: every terminal stands on the router's grid and every border half a step off it, so that no wire runs on a border.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from blowerbench.circuit import Contact, Wire
from blowerbench.equipment import Equipment, Zone
from blowerbench.panels.auto_blocks import SHORT, Block, placed, printed, spot, wide
from blowerbench.panels.auto_nets import classes, hubs, prefix, visible_wires

LEFT, TOP = 18, 18  # borders stand half a step off the router's grid
COLUMN = 48  # between two columns of terminals in the boxes at the sides
PIN = 36  # between two pins of a plug
LANES = 84  # between two columns of devices: room for flags and for wires
PER_COLUMN = 8  # rows of devices before another column begins


class Sheet:
    """The places of one unit, filled in bit by bit. `raw` becomes the layout's tables."""

    def __init__(self, equipment: Equipment) -> None:
        self.e = equipment
        self.terminals: dict[str, tuple[float, float, str, str]] = {}
        self.exits: dict[str, tuple[tuple[int, int], ...]] = {}
        self.raw: dict[str, Any] = {"equipment": equipment.id, "box": [], "symbol": [], "plug": [], "hits": {}, "slot": []}
        names = equipment.terminals
        self.wires = visible_wires(equipment, names)
        self.hubs = hubs(equipment, self.wires)
        self.kinds = classes(equipment)
        self.ways: dict[str, list[str]] = {}
        for n in self.wires:
            part = equipment.network.parts[n]
            assert isinstance(part, Wire)
            self.ways.setdefault(part.a, []).append(part.b)
            self.ways.setdefault(part.b, []).append(part.a)
        self.inside: list[str] = []  # terminals in the cabinet that devices carry
        self.covered: list[str] = []
        self.open_zones: list[Zone] = []
        self.devices: list[Block] = []  # the unit's, without board, module and what hangs on plugs
        self.far = 0.0  # how far right the lower part of the unit reaches
        self.left_width = self.left_bottom = 0.0
        for zone in equipment.zones.values():
            if zone.behind_cover:
                self.covered += zone.nodes
            elif self._in_unit(zone):
                self.inside += [n for n in zone.nodes if n not in equipment.connector_of and prefix(n) != "source"]
            elif zone.name not in ("panel", "outlet", "thermostat") and not self._has_disconnect(zone):
                self.open_zones.append(zone)
        board = prefix(equipment.board["supply"][0]) if equipment.board else ""
        self.board = board if any(prefix(n) == board for n in self.inside) else ""

    @staticmethod
    def _in_unit(zone: Zone) -> bool:
        """Whether a zone lies in the box that the door closes, or in one that has no door."""
        return zone.behind_door or zone.name == "cabinet"

    def _has_disconnect(self, zone: Zone) -> bool:
        parts = self.e.network.parts
        poles = [parts[c] for s in self.e.supplies.values() for c in s.disconnect]
        return any(isinstance(p, Contact) and p.a in zone.nodes for p in poles)

    def _box(self, name: str, x: float, y: float, w: float, h: float, title: str, **more: Any) -> None:
        at = more.pop("title_at", [x + 8, y + 22])
        self.raw["box"].append({"id": name, "x": x, "y": y, "w": w, "h": h, "title": title, "title_at": at, **more})

    def _put(self, name: str, x: float, y: float) -> None:
        self.terminals[name] = spot(name, x, y)

    def _slot(self, thing: str, x: float, y: float, w: float, h: float, lines: Sequence[str] = ()) -> None:
        """A frame that prints a thing's state: one line of that name, or the `lines`."""
        self.raw["hits"][thing] = [x, y, w, h]
        self.raw["slot"].append({"id": thing, "lines": list(lines) or [thing]})

    def _block(self, piece: Block, x: float, y: float, title: str = "") -> None:
        """`piece` with its first row's left terminal at (x, y)."""
        terminals, symbols = placed(piece, x, y)
        self.terminals.update(terminals)
        middle = x + (piece.span / 2 if len(piece.terminals) > 1 else 0)
        for k, symbol in enumerate(symbols):
            name = symbol.get("part", piece.name)
            if k == 0:
                symbol.update(title=title or piece.title, title_at=[middle, y - 20])
            if name == self.e.protection.get("door_switch"):
                symbol.update(thing="door_switch", note_at=[middle, y + 32])
                self.raw["hits"]["door_switch"] = [middle - 24, y - 16, 48, 32]
            elif name == self.e.protection.get("rollout"):
                self.raw["hits"]["rollout"] = [middle - 24, y - 16, 48, 32]
            elif name == self.e.protection.get("fuse"):
                self.raw["hits"]["fuse"] = [middle - 24, y - 16, 48, 32]
            self.raw["symbol"].append(symbol)
        if not symbols:
            self._box(
                f"title_{piece.name}", x - 20, y - 20, piece.width + 40, 40, title or piece.title, title_at=[middle, y - 20],
                mid=True, hidden=True,
            )  # fmt: skip
        for t, (_, v) in piece.terminals.items():
            alone = sum(1 for _, q in piece.terminals.values() if q == v) == 1
            if v == 0 and alone:  # its title stands right above it
                self.exits[t] = ((-1, 0), (1, 0), (0, 1))
        if piece.name in self.e.places and piece.name not in ("fuse", "wheel", "control_module"):
            self.raw["hits"].setdefault(f"look_{piece.name}", [middle - 24, y - 46, 48, 32])

    def _in_cabinet(self, n: str) -> bool:
        zone = self.e.zone_of.get(n)
        return n in self.e.connector_of or bool(zone and self._in_unit(zone) and prefix(n) != "source")

    @staticmethod
    def _reach(terminal: str) -> float:
        """How far apart a terminal on a device stands from the next one: its word stands to its right."""
        return COLUMN + (12 + 12 * round(wide(printed(terminal), 15) / 12) if len(printed(terminal)) > SHORT else 0)

    def _in_a_row(self, names: Sequence[str], x: float, y: float) -> None:
        x += -x % 12
        for n in names:
            text = printed(n)
            self.terminals[n] = (x, y, text, "in" if len(text) <= SHORT else "right")
            self.exits[n] = ((0, 1), (-1, 0), (0, -1))
            x += self._reach(n)
