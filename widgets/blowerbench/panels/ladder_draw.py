"""The ladder diagram's lines and symbols, from its plan of rungs.

Rule: a symbol says what a part is, never how it stands now, but for what hands set.
"""

from __future__ import annotations

from functools import lru_cache

from blowerbench.circuit import Capacitor, Winding, Wire
from blowerbench.equipment import Equipment
from blowerbench.messages import translate
from blowerbench.panels.air_strip import wrapped
from blowerbench.panels.auto_nets import wire_class
from blowerbench.panels.drawings import Drawing, breadth, spot
from blowerbench.panels.elements import Node, earth, el, rect
from blowerbench.panels.ladder import LEFT, LETTERS, PITCH, Plan, Rung, Section
from blowerbench.panels.ladder_circuit import Branch
from blowerbench.panels.places import of_supply

HALF = 26  # half the width of a symbol


@lru_cache(maxsize=32)
def ladder(equipment: Equipment, language: str = "en") -> Drawing:
    """The ladder diagram of `equipment`: rails, rungs with numbers, cross-references; its terminals can be probed."""
    plan = Plan(equipment, language)
    plan.plan()
    size = plan.place()
    made = _Pen(plan, plan.width).draw()
    stops = {n: at for n, at in plan.places.items() if n in set(equipment.terminals)}
    order = sorted(stops, key=lambda n: (stops[n][1], stops[n][0]))
    return Drawing("ladder", size, el("g", made, key="ladder"), {n: stops[n] for n in order})


class _Pen:
    """Draws one plan."""

    def __init__(self, plan: Plan, width: float) -> None:
        self.p, self.e, self.language, self.width = plan, plan.e, plan.language, width
        self.lines: list[Node] = []
        self.top: list[Node] = []
        self.poles: set[str] = set()  # what has its symbol: a second pole's gets a name of its own

    def t(self, text: str) -> str:
        return translate(text, self.language)

    def draw(self) -> list[Node]:
        note = self.t("Contacts are drawn at rest, not as they stand now.")
        self.top.append(el("text", note, kind="bp-note", x=14, y=26))
        for section in self.p.sections:
            self._section(section)
        terminals = set(self.e.terminals)
        spots = [
            spot(n, self.e, at, self.language) if n in terminals else el("circle", kind="bp-dot", cx=at[0], cy=at[1], r=4)
            for n, at in self.p.places.items()
        ]
        dots = [el("circle", kind="bp-dot", cx=at[0], cy=at[1], r=4) for n, at in self.p.places.items() if n in terminals]
        return [*self.lines, *dots, *self.top, *spots]

    def _section(self, section: Section) -> None:
        first, last = section.rungs[0].y, section.rungs[-1].y
        lift = 84 if section.left else 44
        self.top.append(el("text", section.title, kind="bp-big", x=14, y=first - lift - 12))
        self.lines.append(el("path", kind="bp-line bp-faintline", d=f"M14 {first - lift:g}H{self.width + 52:g}"))
        if section.left:
            ends = any(r.ending == "rail" for r in section.rungs)
            for node, x, side in ((section.left, LEFT, "left"), *([(section.right, self.width, "right")] if ends else [])):
                y = self.p.places[node][1]
                if self.p.places[node][0] != x or abs(y - (first - 62)) > 1:
                    y = first - 40
                self.lines.append(el("path", kind="bp-line bp-rail", d=f"M{x:g} {y:g}V{last:g}"))
                text = self.p.name(node)
                far = x + 22 if side == "left" else x - 22
                self.top.append(el("text", text, kind="bp-title" + (" bp-end" if side == "right" else ""), x=far, y=y + 6))
        for rung in section.rungs:
            self._rung(section, rung)

    # ------------------------------------------------------------------ one rung
    def _rung(self, section: Section, rung: Rung) -> None:
        y = rung.y
        self.top.append(el("text", str(rung.number), kind="bp-rung bp-end", x=LEFT - 26, y=y + 5))
        x, before = rung.x0, rung.begins
        if rung.how == "branch":
            top = self.p.places[rung.begins][1]
            self.lines.append(el("path", kind="bp-line", d=f"M{x:g} {top:g}V{y:g}"))
        elif rung.how == "flag":
            self._flag(self.p.begins_text(rung.begins), x - 6, y, left=True)
        elif rung.how == "open":
            self._over(rung.begins, "", x, y)
        for step in rung.left:
            self._part(step.branch, x, step.x, y, before)
            if step.node:
                self._over(step.node, before if rung.how != "branch" or before != rung.begins else "", step.x, y)
            x, before = step.x, step.node
        edge = self.width if rung.ending == "rail" else self.width - 34 - breadth(self.p.flag_text(rung))
        goal = rung.right[0].x if rung.right else edge
        if rung.load:
            start = goal - PITCH[rung.load.kind]
            if start > x:
                self.lines.append(el("path", kind="bp-line", d=f"M{x:g} {y:g}H{start:g}"))
            self._part(rung.load, start, goal, y, before or rung.begins)
        elif rung.left and rung.ending == "flag":
            goal = edge = x + 8
        elif rung.ending == "fold":
            edge = x + 30
            self.lines.append(el("path", kind="bp-line", d=f"M{x:g} {y:g}H{edge:g}"))
        for k, step in enumerate(rung.right):
            self._over(step.node, rung.right[k - 1].node if k else "", step.x, y)
            self._part(step.branch, step.x, step.start, y, step.node)
        if rung.ending in ("flag", "fold"):
            self._flag(self.p.flag_text(rung), edge, y)
        elif rung.ending == "earth":
            self.lines.append(el("g", [earth(edge + 6, y, "right")]))

    def _flag(self, text: str, x: float, y: float, *, left: bool = False) -> None:
        w = breadth(text) + 12
        if left:
            d = f"M{x:g} {y:g}l-8 -11h{-w:g}v22h{w:g}z"
            at = x - 8 - w / 2
        else:
            d = f"M{x:g} {y:g}l8 -11h{w:g}v22h{-w:g}z"
            at = x + 8 + w / 2
        self.top.append(el("path", kind="bp-tag", d=d))
        self.top.append(el("text", text, kind="bp-small bp-mid", x=at, y=y + 5))

    def _over(self, node: str, before: str, x: float, y: float) -> None:
        """The device's word over the first of its terminals on a rung."""
        if before and self.p.device(before) == self.p.device(node):
            return
        self.top.append(el("text", self.p.device(node), kind="bp-small bp-mid", x=x, y=y - 21))

    # ------------------------------------------------------------------ parts
    def _part(self, branch: Branch, x1: float, x2: float, y: float, start: str) -> None:
        match branch.kind:
            case "wire":
                self._wire(branch, x1, x2, y)
            case "pin":
                self._pin(branch, x1, x2, y)
            case _:
                self._symbol(branch, x1, x2, y)

    def _wire(self, branch: Branch, x1: float, x2: float, y: float) -> None:
        part = self.e.network.parts[branch.part]
        kind = wire_class(part, self.p.kinds) if isinstance(part, Wire) else "low"
        d = f"M{x1:g} {y:g}H{x2:g}"
        lines = [el("path", kind="bp-casing", d=d), el("path", kind="bp-core", d=d)]
        self.lines.append(el("g", lines, kind=f"bp-wire bp-{kind}", key=f"wire:{branch.part}", data_part=branch.part))

    def _pin(self, branch: Branch, x1: float, x2: float, y: float) -> None:
        """Two chevrons that nest while the plug is mated; the harness side's is the receptacle of the other."""
        mx, part = (x1 + x2) / 2, branch.part
        way = 1 if branch.a == self._near(branch, x1) else -1
        d = f"M{x1:g} {y:g}H{mx + 2 * way:g}M{mx - 4 * way:g} {y - 8:g}l{6 * way} 8l{-6 * way} 8"
        two = f"M{x2:g} {y:g}H{mx + 8 * way:g}M{mx + 2 * way:g} {y - 8:g}l{6 * way} 8l{-6 * way} 8"
        gap = f"M{mx:g} {y - 15:g}v30"
        self.lines.append(el("g", [
            el("path", kind="bp-line", d=d if way > 0 else f"M{x1:g} {y:g}H{mx - 8:g}M{mx - 2:g} {y - 8:g}l-6 8l6 8"),
            el("path", kind="bp-line", d=two if way > 0 else f"M{x2:g} {y:g}H{mx - 2:g}M{mx + 4:g} {y - 8:g}l-6 8l6 8"),
            el("path", kind="bp-blade bp-apart bp-gap", d=gap),
        ], key=f"pin:{part}", data_part=part))  # fmt: skip

    def _near(self, branch: Branch, x: float) -> str:
        """The end of `branch` that stands at `x`."""
        return min((branch.a, branch.b), key=lambda n: abs(self.p.places.get(n, (1e9, 0.0))[0] - x))

    def _symbol(self, branch: Branch, x1: float, x2: float, y: float) -> None:
        mx = (x1 + x2) / 2
        drawn, key, thing = self._shape(branch, mx, y)
        ends = [el("path", kind="bp-line", d=f"M{x1:g} {y:g}H{mx - HALF:g}M{mx + HALF:g} {y:g}H{x2:g}")]
        self.lines.append(el("g", [*ends, *drawn], key=key, data_part=branch.part))
        under = wrapped(self.p.called(branch), LETTERS)[:2]
        reference = self.p.reference(branch)
        under = [*under[:1], reference] if reference else under
        for k, text in enumerate(under):
            kind = "bp-small bp-mid" + (" bp-ref" if reference and k == len(under) - 1 else "")
            self.top.append(el("text", text, kind=kind, x=mx, y=y + 27 + 14 * k))
        if thing:
            self.top.append(rect((mx - HALF, y - 16, 2 * HALF, 32), kind="bp-thing", rx=6, key=f"thing:{branch.part}",
                                 data_thing=thing))  # fmt: skip

    def _shape(self, branch: Branch, mx: float, y: float) -> tuple[list[Node], str, str]:
        """The symbol between mx ± HALF, its name for the dress, and the thing that it is of."""
        part, e = branch.part, self.e
        plain = f"part:{part}"
        for s, supply in e.supplies.items():
            for word, poles in (("breaker", supply.breaker), ("disconnect", supply.disconnect)):
                if part in poles:
                    thing = of_supply(word, s)
                    return _switch(mx, y), f"symbol:{thing}" + (f"#{poles.index(part)}" if part != poles[0] else ""), thing
        if part == e.protection["door_switch"]:
            return _switch(mx, y), plain, "door_switch"
        if branch.kind == "fuse":
            box = rect((mx - 20, y - 8, 40, 16), kind="bp-part bp-through")
            through = el("path", kind="bp-line", d=f"M{mx - HALF:g} {y:g}h{2 * HALF}")
            return [through, box], plain, "fuse" if part == e.protection["fuse"] and "fuse" in e.places else ""
        if branch.kind == "contact":
            return self._contact(part, mx, y, plain)
        return self._load(branch, mx, y, plain)

    def _contact(self, part: str, mx: float, y: float, plain: str) -> tuple[list[Node], str, str]:
        for s in self.e.selectors.values():
            if part == s.contact:
                box = rect((mx - HALF, y - 10, 2 * HALF, 20), kind="bp-part", rx=3)
                return [box, el("text", self.t("switch"), kind="bp-tiny bp-mid", x=mx, y=y + 4)], plain, f"selector_{s.name}"
        rests = self.e.protection
        closed = part in self.p.opens or part in self._rest_closed()
        d = f"M{mx - HALF:g} {y:g}H{mx - 6:g}M{mx + 6:g} {y:g}H{mx + HALF:g}M{mx - 6:g} {y - 11:g}v22M{mx + 6:g} {y - 11:g}v22"
        slash = f"M{mx - 13:g} {y + 11:g}L{mx + 13:g} {y - 11:g}" if closed else ""
        thing = "thermostat" if any(part in v for v in rests["thermostat"].values()) else \
            "rollout" if part == rests["rollout"] else ""  # fmt: skip
        return [el("path", kind="bp-line", d=d + slash)], plain, thing

    def _rest_closed(self) -> set[str]:
        """Contacts that are closed with nothing running: no relay's, no board's, none that proves a running part."""
        e = self.e
        stat = {c for row in e.protection["thermostat"].values() for c in row}
        board = {n for phase in e.phases.values() for n in phase.outputs}
        driven = {n for n in e.network.parts if n.startswith("out_")} | board | stat | {e.protection["pressure"]}
        relays = {c for r in e.relays for c in r.contacts}
        return {b.part for _, b in self.p.parts() if b.kind == "contact"} - driven - relays

    def _load(self, branch: Branch, mx: float, y: float, plain: str) -> tuple[list[Node], str, str]:
        part = self.e.network.parts.get(branch.part.partition("/")[0])
        if isinstance(part, Capacitor):
            d = (f"M{mx - HALF:g} {y:g}H{mx - 4:g}M{mx + 3:g} {y:g}H{mx + HALF:g}M{mx - 4:g} {y - 11:g}v22"
                 f"M{mx + 9:g} {y - 11:g}q-12 11 0 22")  # fmt: skip
            return [el("path", kind="bp-line", d=d)], plain, "look_capacitor" if "capacitor" in self.e.places else ""
        if frozenset((branch.a, branch.b)) in self.p.coils:
            lines = el("path", kind="bp-line", d=f"M{mx - HALF:g} {y:g}H{mx - 16:g}M{mx + 16:g} {y:g}H{mx + HALF:g}")
            return [lines, el("circle", kind="bp-part", cx=mx, cy=y, r=16)], plain, ""
        if isinstance(part, Winding) or part is None or branch.part == "transformer" or branch.part.startswith("field"):
            if branch.part == "control_module":
                box = rect((mx - HALF, y - 15, 2 * HALF, 30), kind="bp-board", rx=4)
                return [box], plain, "control_module"
            turn = HALF / 4
            humps = "".join(f"a{turn:g} {turn:g} 0 0 1 {2 * turn:g} 0" for _ in range(4))
            return [el("path", kind="bp-line", d=f"M{mx - HALF:g} {y:g}{humps}")], plain, ""
        if {branch.a, branch.b} in [set(pair) for pair in self.e.heat.get("elements", ())]:
            d = f"M{mx - HALF:g} {y:g}h8l3 -8l6 16l6 -16l6 16l6 -16l6 16l3 -8h8"
            return [el("path", kind="bp-line", d=d)], plain, ""
        return [rect((mx - HALF, y - 10, 2 * HALF, 20), kind="bp-part", rx=3)], plain, ""


def _switch(mx: float, y: float) -> list[Node]:
    """A switch that hands set: both ways it may stand, one of them hidden."""
    return [
        el("path", kind="bp-line", d=f"M{mx - HALF:g} {y:g}H{mx - 14:g}M{mx + 14:g} {y:g}H{mx + HALF:g}"),
        el("circle", kind="bp-dot", cx=mx - 14, cy=y, r=3), el("circle", kind="bp-dot", cx=mx + 14, cy=y, r=3),
        el("path", kind="bp-blade bp-shut", d=f"M{mx - 14:g} {y:g}H{mx + 14:g}"),
        el("path", kind="bp-blade bp-apart", d=f"M{mx - 14:g} {y:g}L{mx + 10:g} {y - 18:g}"),
    ]  # fmt: skip
