"""The middle of a generated drawing: the unit's devices and its board, and the cabinet around them.

Rule: a device stands in the row of the board's terminal that feeds it, so that most wires are straight; what is joined stands
next to each other.
"""

from __future__ import annotations

from collections.abc import Sequence

from blowerbench.panels.auto_blocks import Block, block, titled, wide
from blowerbench.panels.auto_nets import groups, links, prefix
from blowerbench.panels.auto_plugs import Stations
from blowerbench.panels.auto_sheet import COLUMN, LANES, PER_COLUMN, PIN, TOP


class Middle(Stations):
    """The cabinet with everything in it."""

    def _devices(self) -> list[Block]:
        stations = {s for s, _ in self._stations()}
        skip = stations | {self.board} | ({"motor"} if "module" in stations else set())
        found = groups([*self.inside, *([] if "module" in stations else self.covered)])
        made = []
        for name, terminals in found.items():
            if name in skip:
                continue
            busy = {t: min(len(self.ways[o]) for o in others) for t in terminals
                    if (others := [o for o in self.ways.get(t, ()) if prefix(o) == self.board])}  # fmt: skip
            right = [t for t, n in busy.items() if n == min(busy.values())]
            piece = block(self.e, name, terminals, right[:1])
            if name == "cabinet" and any(self.kinds[t] != "ground" for t in terminals):
                piece.title = "Splices"
            made.append(piece)
        return made

    def _unit(self, x: float) -> tuple[float, float]:
        """The cabinet with its left border at `x`; comes back with its right border and its lower border."""
        self.left_edge = x
        upper, columns = self._bands()
        lane = x + LANES + (-(x + LANES)) % 12  # the first column's left terminals
        board_x = lane
        for column in columns:
            board_x += max((b.span for b in column), default=0) + LANES
        board_width = self._board_width() if self.board else 0
        stations = self._station_width()
        inner = max(board_x + board_width - lane if self.board else 0, self._flow_width(upper), stations + 192)
        y = self._flow(upper, lane, inner)
        low = y
        if self.board:
            low = self._board_band(columns, lane, board_x, y, board_width)
        wheel_x = x + 96
        wheel_x += -wheel_x % 12
        start = max(wheel_x + 108, board_x if self.board and stations <= board_width + 48 else 0)
        bottom = self._stations_band(start, low + 72 + (-(low + 72)) % 12, wheel_x)
        right = max(t[0] for n, t in self.terminals.items() if self._in_cabinet(n)) + 54
        right = max(right, self.far + 24, lane + inner + 24)
        right += (6 - right) % 12
        word = "Inside the access panel" if self.e.kind == "outdoor_unit" else "Blower compartment"
        self._box("cabinet", x, TOP, right - x, bottom - TOP, word, dashed=True, title_at=[right - 12 - wide(word), TOP + 24])
        self.raw["cabinet"] = "cabinet"
        return right, bottom

    def _bands(self) -> tuple[list[Block], list[list[Block]]]:
        """The devices above the board, and the columns of those left of it, the nearest column last."""
        if not self.board:
            return self.devices, []
        upper: list[Block] = []
        beside: list[Block] = []
        for piece in self.devices:
            above = any(s["kind"] == "transformer" for s in piece.symbols) or len(piece.terminals) != 2 or \
                self.e.protection.get("door_switch") in [s.get("part") for s in piece.symbols]  # fmt: skip
            (upper if above else beside).append(piece)
        beside = self._chained(beside)
        columns: list[list[Block]] = []
        near = [b for b in beside if any(prefix(o) == self.board and o not in self.hubs for t in b.terminals
                                         for o in self.ways.get(t, ()))]  # fmt: skip
        far = [b for b in beside if b not in near]
        ordered = [*far, *near] if len(beside) > PER_COLUMN else beside
        count = -(-len(ordered) // PER_COLUMN) or 1
        size = -(-len(ordered) // count) if ordered else 0
        for k in range(count):
            columns.append(ordered[k * size : (k + 1) * size])
        return upper, columns

    def _chained(self, pieces: Sequence[Block]) -> list[Block]:
        """`pieces` in an order in which each stands next to one that it is joined to, where that can be."""
        joins = [frozenset((p.a, p.b)) for _, p in links(self.e)]
        for n, others in self.ways.items():
            joins += [frozenset((n, o)) for o in others]
        devices = {frozenset(prefix(n) for n in pair) for pair in joins}
        rest, made = list(pieces), list[Block]()
        while rest:
            last = made[-1].name if made else ""
            found = next((b for b in rest if frozenset((b.name, last)) in devices), rest[0])
            rest.remove(found)
            if made and len(found.terminals) == 2 and not self._fixed(found):
                found = self._turned(found, made[-1], joins)
            made.append(found)
        return made

    def _fixed(self, piece: Block) -> bool:
        """Whether the board decides which of a device's terminals stands on the right."""
        return any(prefix(o) == self.board and o not in self.hubs for t in piece.terminals for o in self.ways.get(t, ()))

    def _turned(self, piece: Block, above: Block, joins: Sequence[frozenset[str]]) -> Block:
        """`piece` with the terminal that is joined to the device above it on that one's side."""
        for t, (x, _) in piece.terminals.items():
            for o, (u, _) in above.terminals.items():
                if frozenset((t, o)) in joins and (x == 0) != (u == 0):
                    other = next(n for n in piece.terminals if n != t)
                    return block(self.e, piece.name, list(piece.terminals), [other if u == 0 else t])
        return piece

    def _flow_width(self, pieces: Sequence[Block]) -> float:
        if self.board or not pieces:
            return 320
        return 3 * (84 + LANES)

    def _flow(self, pieces: Sequence[Block], x: float, width: float) -> float:
        """`pieces` in rows from left to right in `width`; comes back with the y below them."""
        y, at, height = float(TOP) - 6, x, 0.0
        for piece in pieces:
            if at > x and at + piece.width > x + width - 60:
                y += height + 24
                at, height = x, 0.0
            first = y + 66 + (-(y + 66)) % 12
            self._block(piece, at, first)
            low = 18 if any(t[3] == "below" for t in (self.terminals[n] for n in piece.terminals)) else 0
            height = max(height, first - y + piece.pitch * max(0, piece.rows - 1) + 24 + low)
            at += max(piece.width, wide(piece.title) - 40) + LANES
            at += -at % 12
        return y + height if pieces else y + 12

    # ------------------------------------------------------------------ the board
    def _sides(self) -> dict[str, str]:
        """On which side of the board each of its terminals stands."""
        stat = {n for z in self.e.zones.values() if z.place != "unit" or z in self.open_zones for n in z.nodes}
        stat -= {n for n in stat if self.e.zone_of[n].name in ("panel", "outlet")}
        upper = {t for b in self.upper_pieces for t in b.terminals}
        made = {}
        for n in groups(self.inside)[self.board]:
            others = self.ways.get(n, [])
            line = self.kinds[n] in ("hot", "neutral")
            if n in self.e.board["supply"] or any(o in stat for o in others):
                made[n] = "right"
            elif line and (n in self.hubs or any(o in upper or not self._in_cabinet(o) for o in others)):
                made[n] = "left"
            elif any(o in self.e.connector_of for o in others):
                made[n] = "bottom"
            elif others and (line or any(o not in upper for o in others)):
                made[n] = "left"
            else:
                made[n] = "right"
        return made

    @property
    def upper_pieces(self) -> list[Block]:
        return self._bands()[0]

    def _fuse_input(self) -> str:
        """The board terminal in front of the fuse, where both ends of the fuse are on the board."""
        fuse = self.e.protection.get("fuse")
        if not fuse:
            return ""
        part = self.e.wire(fuse)
        own = set(groups(self.inside).get(self.board, ()))
        r = self.e.board["supply"][0] if self.board else ""
        return "" if not {part.a, part.b} <= own or r not in (part.a, part.b) else part.a if part.b == r else part.b

    def _board_width(self) -> float:
        return max(372.0, self._station_width() + 36)

    def _board_band(self, columns: list[list[Block]], lane: float, x: float, y: float, width: float) -> float:
        """Devices and board with its terminals, below `y`; comes back with the board's lower border."""
        sides = self._sides()
        fuse = self._fuse_input()
        sides.pop(fuse, None)
        top = y + 24
        first = top + 30 + (-(top + 30)) % 12
        left = [n for n, s in sides.items() if s == "left"]
        upper = {t for b in self.upper_pieces for t in b.terminals}
        supply = [n for n in left if self.kinds[n] in ("hot", "neutral") and
                  (n in self.hubs or any(o in upper or not self._in_cabinet(o) for o in self.ways.get(n, ())))]  # fmt: skip
        supply.sort(key=lambda n: self.kinds[n] != "hot")
        row = first
        for n in supply:
            self._put(n, x, row)
            row += COLUMN
        low = row
        at = lane
        for column in columns:
            down = row
            for piece in column:
                self._block(piece, at, down)
                self._beside(piece, left, x)
                down += piece.pitch * piece.rows
            low = max(low, down)
            at += max((b.span for b in column), default=0) + LANES
        for n in left:
            if n not in self.terminals:
                taken = {t[1] for m, t in self.terminals.items() if prefix(m) == self.board and t[0] == x}
                spare = next(v for v in range(int(row), 9999, COLUMN) if v not in taken)
                self._put(n, x, spare)
                low = max(low, spare + COLUMN)
        far = x + width - 48
        far += -far % 12
        down = self._right_side(sides, far, first, fuse)
        bottom = [n for n, s in sides.items() if s == "bottom"]
        height = max(low, down, first + 240) - top + (36 if bottom else 0)
        self._board_bottom(bottom, x, far, top + height - 12)
        edge = top + height + (18 if bottom else -6)
        edge += (6 - edge) % 12
        self._box(self.board, x - 18, top - 6 + (6 - (top - 6)) % 12, far - x + 36, edge - top + 6, titled(self.board)
                  if self.board != "board" else "Control board", solid=True,
                  title_at=[(x + far) / 2 - 52, (first + edge) / 2 - 72])  # fmt: skip
        self._board_slots((x + far) / 2, (first + edge) / 2 - 60)
        for n, side in sides.items():
            out = {"left": ((-1, 0), (0, -1), (0, 1)), "right": ((1, 0), (0, -1), (0, 1)), "bottom": ((0, 1), (-1, 0), (1, 0))}
            self.exits[n] = out[side]
        return edge

    def _beside(self, piece: Block, left: Sequence[str], x: float) -> None:
        """Board terminals at the height of the device that they feed."""
        for t in piece.terminals:
            for o in self.ways.get(t, ()):
                if o in left and o not in self.terminals:
                    y = self.terminals[t][1]
                    if not any(q[0] == x and abs(q[1] - y) < 36 for q in self.terminals.values()):
                        self._put(o, x, y)

    def _right_side(self, sides: dict[str, str], x: float, y: float, fuse: str) -> float:
        wanted = [n for z in self.e.zones.values() if z.name == "thermostat" for n in z.nodes]
        r, c = self.e.board["supply"]
        own = [n for n, s in sides.items() if s == "right"]

        def rank(n: str) -> tuple[int, int]:
            partner = [wanted.index(o) for o in self.ways.get(n, ()) if o in wanted]
            return (0 if n == r else 2 if n == c else 1, min(partner, default=99))

        for n in sorted(own, key=rank):
            self._put(n, x, y)
            if n == r and fuse:
                text = f"Fuse {self.e.protection.get('fuse_amps', 0):g} A"
                self.terminals[fuse] = (x - 120, y, fuse.partition(".")[2], "below")
                self.exits[fuse] = ((0, -1),)
                self.raw["symbol"].append({"kind": "fuse", "title": text, "title_at": [x - 60, y - 14], "from": [x - 120, y],
                                           "to": [x, y]})  # fmt: skip
                self.raw["hits"]["fuse"] = [x - 88, y - 16, 56, 32]
            y += COLUMN
        return y

    def _board_bottom(self, names: Sequence[str], x: float, far: float, y: float) -> None:
        """The board's lower row: over the pin that each feeds; the plugs are placed to suit, from the left."""
        self.bottom_row = (list(names), x, far, y)
        spots = self._pin_spots(x)
        taken: list[float] = []
        for n in names:
            pins = [o for o in self.ways.get(n, ()) if o in spots]
            at = spots[pins[0]] if pins else x + 24
            while any(abs(at - u) < PIN for u in taken) or at < x + 36:
                at += PIN
            taken.append(at)
            self._put(n, at, y)

    def _board_slots(self, x: float, y: float) -> None:
        self._slot("status", x - 66, y, 132, 42)
        for k, s in enumerate(self.e.selectors):
            self._slot(f"selector_{s}", x - 66, y + 54 + 54 * k, 132, 48, (f"selector_{s}", f"selector_{s}2"))
