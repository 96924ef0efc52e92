"""What stands beside the unit in a generated drawing: supply and outside on the left, thermostat and tools on the right."""

from __future__ import annotations

from collections.abc import Sequence

from blowerbench.circuit import Contact
from blowerbench.equipment import Supply, Zone
from blowerbench.panels.auto_blocks import block, titled
from blowerbench.panels.auto_nets import groups, prefix
from blowerbench.panels.auto_sheet import COLUMN, LEFT, TOP, Sheet
from blowerbench.panels.places import of_supply


class Sides(Sheet):
    """The boxes left and right of the unit."""

    # ------------------------------------------------------------------ left: panel, disconnects, gas, receptacle
    def _left(self) -> float:
        box_nodes = [n for z in self.e.zones.values() if self._has_disconnect(z) for n in z.nodes]
        shares = self._shares(box_nodes)
        panel = [n for z in self.e.zones.values() if z.name == "panel" for n in z.nodes]
        tops = {s: self._columns(nodes, self.e.supplies[s].disconnect) for s, nodes in shares.items()}
        poles = [c for s in self.e.supplies.values() for c in s.breaker]
        order = self._panel_order(panel, next(iter(tops.values()), []), poles)
        columns = max(3, len(order), *(len(t) for t in tops.values())) if tops else max(3, len(order))
        self.left_width = COLUMN * columns + 24
        y = self._panel(order, columns)
        for name, top in tops.items():
            y = self._disconnect(self.e.supplies[name], top, shares[name], y + 36, columns)
        if self.e.heat.get("kind") == "gas":
            self._box("gas", LEFT, y + 24, self.left_width, 84, "Gas at the unit")
            self._slot("gas", LEFT + 8, y + 58, self.left_width - 16, 40)
            y += 108
        for zone in self.e.zones.values():
            if zone.name == "outlet":
                self._box("outlet", LEFT, y + 24, self.left_width, 84, "Receptacle")
                for k, n in enumerate(zone.nodes):
                    self._put(n, 48 + COLUMN * k, y + 78 + (-(y + 78)) % 12)
                y += 108
        self.left_bottom = y
        return LEFT + self.left_width

    def _shares(self, nodes: Sequence[str]) -> dict[str, list[str]]:
        """Which terminals of the disconnects' box belong to which supply: by its switch, its roles, else the first."""
        parts = self.e.network.parts
        made: dict[str, list[str]] = {s: [] for s in self.e.supplies}
        owner: dict[str, str] = {}
        for supply in self.e.supplies.values():
            own = [e for c in supply.disconnect if isinstance(p := parts[c], Contact) for e in (p.a, p.b)]
            for n in (*own, *(n for row in supply.roles.values() for n in row)):
                owner.setdefault(n, supply.name)
        first = next(iter(self.e.supplies))
        for n in nodes:
            made[owner.get(n, first)].append(n)
        return {s: row for s, row in made.items() if row}

    def _columns(self, nodes: Sequence[str], poles: Sequence[str]) -> list[str]:
        """The upper row of a disconnect's box from left to right: ground, neutral, then the incoming side of each pole."""
        parts = self.e.network.parts
        incoming = [p.a if p.a in nodes else p.b for c in poles if isinstance(p := parts[c], Contact)]
        out = {p.b for c in poles if isinstance(p := parts[c], Contact)}
        rest = [n for n in nodes if n not in incoming and n not in out]
        rank = {"ground": 0, "neutral": 1}
        return [*sorted(rest, key=lambda n: rank.get(self.kinds[n], 2)), *incoming]

    def _panel_order(self, panel: Sequence[str], top: Sequence[str], poles: Sequence[str]) -> list[str | None]:
        """The panel's terminals from left to right, over what they feed where that can be."""
        order: list[str | None] = []
        rest = list(panel)
        for below in top:
            above = next((n for n in rest if below in self.ways.get(n, ())), None)
            order.append(above)
            if above:
                rest.remove(above)
        for n in [n for n in rest if self.kinds[n] == "neutral"]:
            if None in order:
                order[order.index(None)] = n
                rest.remove(n)
        return [*order, *rest]

    def _panel(self, order: Sequence[str | None], columns: int) -> float:
        h = 144
        self._box("panel", LEFT, TOP, self.left_width, h, "Electrical panel")
        for k, n in enumerate(order):
            if n is not None:
                self._put(n, 48 + COLUMN * k, 132)
        for supply in self.e.supplies.values():
            xs = [x for c in supply.breaker for x in self._ends_x(c)]
            if xs:
                self._blades(of_supply("breaker", supply.name), [[[x, 78], [x, 132]] for x in xs], [sum(xs) / len(xs), 66])
        return TOP + h

    def _ends_x(self, contact: str) -> list[float]:
        part = self.e.network.parts[contact]
        assert isinstance(part, Contact)
        return [self.terminals[n][0] for n in (part.a, part.b) if n in self.terminals][:1]

    def _blades(self, thing: str, poles: list[list[list[float]]], note_at: list[float]) -> None:
        xs = [p[0][0] for p in poles]
        top, low = min(p[0][1] for p in poles), max(p[1][1] for p in poles)
        self.raw["symbol"].append({"kind": "blade", "thing": thing, "poles": poles, "note_at": note_at,
                                   "from": poles[0][0], "to": poles[0][1]})  # fmt: skip
        self.raw["hits"][thing] = [min(xs) - 26, top + (16 if note_at[1] > top else -24), max(xs) - min(xs) + 52,
                                   (low - top - 32) if note_at[1] > top else 58]  # fmt: skip

    def _disconnect(self, supply: Supply, top: Sequence[str], nodes: Sequence[str], y: float, columns: int) -> float:
        h = 228
        title = "Disconnect" if len(self.e.supplies) == 1 else supply.title[:1].upper() + supply.title[1:]
        self._box(of_supply("box", supply.name), LEFT, y, self.left_width, h, title, title_at=[LEFT + 8, y + h - 50])
        row = y + 42 + (-(y + 42)) % 12
        for k, n in enumerate(top):
            self._put(n, 48 + COLUMN * k, row)
        poles = []
        for c in supply.disconnect:
            part = self.e.network.parts[c]
            assert isinstance(part, Contact)
            a, b = (part.a, part.b) if part.a in self.terminals else (part.b, part.a)
            x = self.terminals[a][0]
            self._put(b, x, row + 72)
            poles.append([[x, row], [x, row + 72]])
        xs = [p[0][0] for p in poles]
        self._blades(of_supply("disconnect", supply.name), poles, [sum(xs) / len(xs), row + 106])
        rest = [n for n in nodes if n not in self.terminals]
        for k, n in enumerate(rest):
            self._put(n, 48 + COLUMN * k, row + 72)
        half = (self.left_width - 24) / 2
        self._slot(of_supply("lock", supply.name), LEFT + 8, y + h - 42, half, 34)
        self._slot(of_supply("tag", supply.name), LEFT + 16 + half, y + h - 42, half, 34)
        return y + h

    # ------------------------------------------------------------------ right: thermostat, other places, reference source
    def _right(self, x: float) -> tuple[float, float]:
        """The boxes right of the cabinet from `x` on; comes back with the right border and the lower one."""
        width = 168.0
        stat = [z for z in self.e.zones.values() if z.name == "thermostat"]
        columns = list(groups(stat[0].nodes).items()) if stat else []
        columns.sort(key=lambda row: -sum(self._in_cabinet(o) for n in row[1] for o in self.ways.get(n, ())))
        width = max(width, 96.0 * len(columns) + 96)
        sources = [n for n in self.e.terminals if prefix(n) == "source"]
        y = float(TOP + 108)
        if columns:
            y = self._thermostat(stat[0], columns, x, width)
        for zone in self.open_zones:
            y = self._elsewhere(zone, x, y + 24, width)
        if sources:
            y = self._source(sources, x, y + 24, width)
        return x + width, y

    def _thermostat(self, zone: Zone, columns: list[tuple[str, list[str]]], x: float, width: float) -> float:
        first = {n: t[1] for n, t in self.terminals.items()}
        for n in zone.nodes:  # a wire that goes another way round stands at its namesake's height all the same
            same = f"{self.board}.{n.partition('.')[2]}"
            if not any(o in first for o in self.ways.get(n, ())) and same in first:
                first[f"={n}"] = first[same]
                self.ways.setdefault(n, []).append(f"={n}")
        tops, low = [], 0.0
        for k, (_, nodes) in enumerate(columns):
            at = x + 36 + 96 * k
            at += -at % 12
            own = sorted(nodes, key=lambda n: min((first[o] for o in self.ways.get(n, ()) if o in first), default=999))
            y = min((first[o] for n in own for o in self.ways.get(n, ()) if o in first), default=120.0)
            for n in own:
                wish = min((first[o] for o in self.ways.get(n, ()) if o in first), default=y)
                y = max(y, wish)
                y += -y % 12
                self._put(n, at, y)
                first[n] = y
                tops.append(y)
                y += COLUMN
            low = max(low, y)
        top = min(tops) - 54
        top += (6 - top) % 12
        title = "Thermostat" if len(columns) == 1 else "Indoors"
        self._box("thermostat", x, top, width, low - top, title)
        sx = x + 66 + 96 * (len(columns) - 1) + 12
        self._slot("thermostat", sx, min(tops) - 8, x + width - 12 - sx, 96, ("thermostat", "thermostat2"))
        for _, nodes in columns[:1]:
            for n in nodes:
                self.exits[n] = ((-1, 0), (0, 1), (0, -1), (1, 0)) if len(columns) > 1 else ((-1, 0),)
        return low

    def _elsewhere(self, zone: Zone, x: float, y: float, width: float) -> float:
        y += (6 - y) % 12
        row = y + 66 + (-(y + 66)) % 12
        start = y
        at = x + 36
        at += -at % 12
        for name, nodes in groups(zone.nodes).items():
            piece = block(self.e, name, nodes)
            self._block(piece, at, row)
            row += piece.pitch * piece.rows + 24
        text = zone.title[:1].upper() + zone.title[1:]
        room = int((width - 16) / 9.6)
        self._box(zone.name, x, start, width, row - start - 36, text if len(text) <= room else titled(zone.name))
        return row - 36

    def _source(self, names: Sequence[str], x: float, y: float, width: float) -> float:
        y += (6 - y) % 12
        height = max(180, 48 * len(names) + 54)
        self._box("source", x, y, width, height, "Reference source")
        at = x + 36
        at += -at % 12
        for k, n in enumerate(names):
            self._put(n, at, y + 54 + COLUMN * k)
            self.exits[n] = ((-1, 0),)
        sx = x + 66
        self._slot("source", sx, y + 36, x + width - 10 - sx, 66, ("source", "source2"))
        self._slot("source_switch", sx, y + 112, x + width - 10 - sx, 58, ("source_switch", "source_switch2"))
        return y + height
