"""The lower part of a unit in a generated drawing: plugs with their two facing rows of pins, and what hangs on them.

Rule: the blower's own device comes first, beside the wheel; a winding plug stands between control module and motor.
"""

from __future__ import annotations

from collections.abc import Sequence

from blowerbench.equipment import Connector
from blowerbench.panels.auto_blocks import titled, wide
from blowerbench.panels.auto_nets import groups, prefix
from blowerbench.panels.auto_sheet import COLUMN, PIN, Sheet


class Stations(Sheet):
    """Plugs, control module, motor, wheel, and any other device that hangs on a plug."""

    def _stations(self) -> list[tuple[str, list[Connector]]]:
        """Devices that hang on plugs, with them: the blower's first. A winding plug under a cover is part of the module."""
        made: dict[str, list[Connector]] = {}
        for c in self.e.connectors.values():
            if c.name == self.e.module.get("winding_plug"):
                continue
            if self.e.electronic and c.name in (self.e.module.get("plug"), self.e.source.get("connector")):
                made.setdefault("module", []).append(c)
            else:
                made.setdefault(self._hangs_on(c), []).append(c)
        blower = "module" if self.e.electronic else "motor"
        return sorted(made.items(), key=lambda row: row[0] != blower)

    def _hangs_on(self, connector: Connector) -> str:
        found = []
        for p in self.e.network.parts.values():
            a, b = getattr(p, "a", ""), getattr(p, "b", "")
            for one, two in ((a, b), (b, a)):
                if one in connector.device and two and two not in self.e.connector_of:
                    found.append(prefix(two))
        return max(sorted(set(found)), key=found.count) if found else connector.name

    @staticmethod
    def _plug_width(connector: Connector) -> float:
        return PIN * (len(connector.pins) - 1) + 2 * PIN

    def _station_widths(self) -> list[float]:
        made = []
        for name, plugs in self._stations():
            own = sum(self._plug_width(c) for c in plugs) + 12 * (len(plugs) - 1)
            extra = self._extra(name)
            if name == "module":
                winding = self.e.connectors.get(self.e.module.get("winding_plug", ""))
                made.append(max(own, 216 + COLUMN * len(extra) + PIN * (len(winding.pins) if winding else 0)))
            else:
                made.append(max(own, 36 + sum(self._reach(n) for n in extra) + wide(titled(name)), 120))
        return made

    def _station_width(self) -> float:
        widths = self._station_widths()
        return sum(widths) + 24 * max(0, len(widths) - 1)

    def _pin_spots(self, start: float) -> dict[str, float]:
        """Where the harness pins of each plug stand when the first station begins at `start`."""
        spots: dict[str, float] = {}
        x = start + (-start) % 12
        for (_, plugs), width in zip(self._stations(), self._station_widths(), strict=True):
            at = x
            for c in plugs:
                for k, pin in enumerate(self._pin_order(c)):
                    spots[pin] = at + PIN + PIN * k
                at += self._plug_width(c) + 12
            x += width + 24
            x += -x % 12
        return spots

    def _pin_order(self, connector: Connector) -> list[str]:
        """The pins in the order of their numbers; turned round where the board's right side feeds the first."""
        rows = sorted(connector.harness, key=lambda n: int("".join(ch for ch in n.partition(".")[2] if ch.isdigit()) or 0))
        right = self.e.board.get("supply", ())
        feeds = [k for k, n in enumerate(rows) if any(o in right for o in self.ways.get(n, ()))]
        return rows[::-1] if feeds and sum(feeds) / len(feeds) < (len(rows) - 1) / 2 else rows

    def _extra(self, name: str) -> list[str]:
        """Terminals on the device itself, besides its plug."""
        if name == "module":
            return list(self.covered)
        return [n for n in groups(self.inside).get(name, ()) if n not in self.e.connector_of]

    def _stations_band(self, start: float, y: float, wheel_x: float) -> float:
        """Plugs with their harness side at `y`, their devices below and the wheel beside them; the lower border."""
        spots = self._pin_spots(start)
        x = start + (-start) % 12
        self.far = x
        depth = y + 48 + 26
        motor: list[float] = []
        for (name, plugs), width in zip(self._stations(), self._station_widths(), strict=True):
            for c in plugs:
                self._plug(c, spots, y)
            extra = self._extra(name)
            height = 98 if name == "module" or extra else 62
            at = [x - 0, y + 22, width, height + 26]
            if name == "module":
                motor = self._module(at, y)
                depth = max(depth, motor[1] + motor[3])
            else:
                self._device(name, at, extra, y)
                depth = max(depth, at[1] + at[3])
                motor = at if name == "motor" else motor
            self.far = max(self.far, x + width)
            x += width + 24
            x += -x % 12
        if not motor:
            motor = [wheel_x + 120, y + 60, 160, 60]
            depth = max(depth, y + 144)
        self.raw.setdefault("motor", {"at": motor, "title": "Motor", "title_at": [motor[0] + motor[2] - 72, motor[1] + 34]})
        wheel_y = motor[1] + motor[3] / 2
        radius = 60
        wheel_y = max(wheel_y - 20, y + 76)
        self.raw["wheel"] = {"at": [wheel_x, wheel_y], "radius": radius, "shaft": motor[1] + motor[3] / 2 - 3}
        self.raw["hits"]["wheel"] = [wheel_x - radius, wheel_y - radius, 2 * radius, 2 * radius]
        bottom = max(depth + 18, wheel_y + radius + 18)
        return float(bottom + (6 - bottom) % 12)

    def _plug(self, connector: Connector, spots: dict[str, float], y: float) -> None:
        pairs = dict(zip(connector.harness, connector.device, strict=True))
        xs = [spots[h] for h in connector.harness]
        for h, d in pairs.items():
            number = "".join(ch for ch in h.partition(".")[2] if ch.isdigit())
            self.terminals[h] = (spots[h], y, number, "in")
            self.terminals[d] = (spots[h], y + 48, number, "in")
            self.exits[h], self.exits[d] = ((0, -1),), ((0, 1),)
        left, width = min(xs) - 24, max(xs) - min(xs) + 48
        title = titled(connector.name)
        self.raw["plug"].append({
            "name": connector.name, "title": title, "title_at": [left + 4, y + 90], "moving": "harness", "shift": [0, -14],
            "harness": [left, y - 20, width, 40], "device": [left, y + 28, width, 40],
        })  # fmt: skip
        self.raw["hits"][connector.name] = [left, y + 66, max(width, 96), 32]

    def _device(self, name: str, at: list[float], extra: Sequence[str], y: float) -> None:
        row = y + 120
        self._in_a_row(extra, at[0] + 36, row)
        title_at = [at[0] + at[2] - 12 - wide(titled(name)), row + 6]
        if not extra:
            at[3] = 108
            row = y + 114
            title_at = [at[0] + 12, row]
        if name == "motor":
            self.raw["motor"] = {"at": at, "title": titled(name), "title_at": title_at}
        else:
            self._box(name, at[0], at[1], at[2], at[3], titled(name), solid=True, title_at=title_at)

    def _module(self, at: list[float], y: float) -> list[float]:
        """The control module's box with its cover, the winding plug and the motor below; the motor's box."""
        self.raw["module"] = {"at": at, "title": "Control module", "title_at": [at[0] + 12, y + 126]}
        winding = self.e.connectors.get(self.e.module.get("winding_plug", ""))
        count = len(winding.pins) if winding else 0
        row = y + 120
        right = at[0] + at[2] - 12
        x0 = right - 24 - PIN * (count - 1)
        x0 -= x0 % 12
        points = self.covered
        start = x0 - (48 if count else 0) - 48 * (len(points) - 1)
        cover_x = (start if points else x0) - 24
        for k, n in enumerate(points):
            self._put(n, start + 48 * k, row)
        self.raw["cover"] = [cover_x, row - 22, right - cover_x + 4, 46]
        self.raw["hits"]["control_module"] = [at[0] + 6, row - 14, max(60, cover_x - at[0] - 12), 32]
        motor = [at[0] + at[2] - 204, row + 66, 204, 60]
        frames = [n for n in groups(self.inside).get("motor", ()) if n not in self.e.connector_of]
        self._in_a_row(frames, motor[0] + 48, row + 96)
        title = {"at": motor, "title": "Motor", "title_at": [motor[0] + 136, row + 114]}
        self.raw["motor"] = title
        if winding:
            xs = [x0 + PIN * k for k in range(count)]
            for x, h, d in zip(xs, winding.harness, winding.device, strict=True):
                number = "".join(ch for ch in h.partition(".")[2] if ch.isdigit())
                self.terminals[h], self.terminals[d] = (x, row, number, "in"), (x, row + 48, number, "in")
            left, width = xs[0] - 20, xs[-1] - xs[0] + 40
            self.raw["plug"].append({
                "name": winding.name, "title": titled(winding.name), "title_at": [left - 8, row + 54], "moving": "device",
                "shift": [0, 20], "harness": [left, row - 20, width, 40], "device": [left, row + 28, width, 40],
                "carries": frames,
            })  # fmt: skip
            self.raw["hits"][winding.name] = [left - 120, row + 34, 112, 32]
        return motor
