"""The ladder diagram of a unit, drawn from its network: rails, numbered rungs, contacts on the left and loads on the right.

Rule: every part stands once, between the two nodes that the network puts it between; what would cross is a flag with the
number of the rung where it goes on. Contacts are drawn at rest; only what hands set is drawn as they left it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

from blowerbench.circuit import Capacitor
from blowerbench.equipment import Equipment
from blowerbench.messages import label, translate
from blowerbench.panels.auto_blocks import printed, wide
from blowerbench.panels.auto_nets import classes, prefix
from blowerbench.panels.drawings import LETTER, breadth, device, fits, worded
from blowerbench.panels.elements import Point
from blowerbench.panels.ladder_circuit import Branch, Circuit, circuit_of
from blowerbench.panels.views_en import PARTS

ROW = 82  # between two rungs
LEFT = 66  # the left rail; the rungs' numbers stand left of it
PITCH = {"wire": 48.0, "pin": 60.0, "contact": 92.0, "fuse": 92.0, "load": 96.0}
FOLD = 600  # a node further right than this, with more behind it, goes on in a rung of its own
LETTERS = 13  # of a part's name in one line


@dataclass(slots=True)
class Step:
    """A part on a rung, and the node behind it; `node` is empty where the part ends at a rail or a flag."""

    branch: Branch
    node: str
    x: float = 0.0  # of the node, or of the part's far end
    start: float = 0.0  # of the part's near end


@dataclass(slots=True)
class Rung:
    """One row: what it starts from, its steps from the left, its load, its steps back to the right rail, and how it ends."""

    begins: str  # the node it starts at
    how: str  # rail, branch, flag, open: how it starts
    left: list[Step] = field(default_factory=list)
    load: Branch | None = None
    right: list[Step] = field(default_factory=list)  # from the load to the rail: each step's node, then its part
    ends: str = ""  # the node of the rail or the flag; empty for an open end
    ending: str = "open"  # rail, flag, earth, fold, open
    on: Rung | None = None  # of a fold: the first rung that goes on from its last node
    number: int = 0
    y: float = 0.0
    x0: float = 0.0


@dataclass(slots=True)
class Section:
    """A pair of rails, or rows without one."""

    title: str
    left: str = ""
    right: str = ""
    rungs: list[Rung] = field(default_factory=list)


class Plan:
    """Lays the rungs out; numbers and places are known once all of them are."""

    def __init__(self, equipment: Equipment, language: str) -> None:
        self.e, self.language = equipment, language
        self.c: Circuit = circuit_of(equipment)
        self.kinds = classes(equipment)
        self.sections: list[Section] = []
        self.drawn: dict[str, Rung | None] = {}  # node → the rung that it is drawn on; None for a rail
        self.places: dict[str, Point] = {}
        self.folded: list[tuple[Rung, list[tuple[Branch, str | None]]]] = []  # rungs whose last node has more behind it
        self.reach: dict[str, float] = {}  # how far right a node of the left side will stand
        self.rails = {n for r in self.c.rails for n in (r.left, r.right)}
        self.coils = {frozenset(r.coil): r.name for r in equipment.relays}
        self.of_relay = {c: r.name for r in equipment.relays for c in (*r.contacts, *r.opens)}
        self.width = 0.0  # of the right rail
        self.opens = {c for r in equipment.relays for c in r.opens}

    # ------------------------------------------------------------------ which rungs there are
    def plan(self) -> None:
        for n in self.rails:
            self.drawn[n] = None
        for k, rails in enumerate(self.c.rails):
            feeding = Section(self._feed_title(k))
            for start, hub in zip(rails.source, (rails.left, rails.right), strict=True):
                if start != hub and start not in self.drawn:
                    self._tree(feeding, start, "open")
            for root in self.c.roots if k == 0 else ():
                if prefix(root) == "panel":
                    self._tree(feeding, root, "open")
            section = Section(self._rail_title(k), rails.left, rails.right)
            for root in [rails.left] + [r for r in self.c.roots if self._belongs(r, rails.right)]:
                if root in self.drawn and root != rails.left:
                    continue
                self._tree(section, root, "rail" if root == rails.left else "open")
            self._dangling(section, rails.right)
            self.sections += [s for s in (feeding, section) if s.rungs]
        rest = Section(translate("Motor and other parts", self.language))
        for root in self.c.roots:
            if root not in self.drawn and root != "earth":
                self._tree(rest, root, "open")
        ground = Section(translate("Ground", self.language))
        if "earth" in self.c.parent:
            self._tree(ground, "earth", "open")
        for nodes, rows in list(self.c.closing.items()):
            if self.c.side[nodes] == "right":
                for branch, far in rows:
                    self._row(ground, Rung(nodes, "flag"), branch, far)
        self.sections += [s for s in (rest, ground) if s.rungs]
        rungs = [r for s in self.sections for r in s.rungs]
        for number, rung in enumerate(rungs, 1):
            rung.number = number

    def _feed_title(self, k: int) -> str:
        low = self.c.rails[k].title == "24 V circuit"
        return translate("Supply of the 24 V circuit" if low else "Supply", self.language)

    def _rail_title(self, k: int) -> str:
        low = self.c.rails[k].title == "24 V circuit"
        title = translate("24 V circuit" if low else self.c.rails[k].title, self.language)
        return title[:1].upper() + title[1:]

    def _belongs(self, root: str, right: str) -> bool:
        """Whether a tree that hangs on no rail ends at the rail `right`: it is drawn with its rungs."""
        if root == "earth":
            return False
        stack, ends = [root], set()
        while stack:
            node = stack.pop()
            ends |= {self._root(far) for _, far in self.c.closing.get(node, ())}
            stack += [b.other(node) for b in self.c.children.get(node, ())]
        return right in ends

    def _root(self, node: str) -> str:
        while (branch := self.c.parent[node]) is not None:
            node = branch.other(node)
        return node

    def _tree(self, section: Section, root: str, how: str) -> None:
        """Rungs from `root`: each of its branches begins one, and each further branch of a node on the way another."""
        self.drawn.setdefault(root, None)
        if how == "rail":
            for branch, far in self._items(root):
                self._grow(section, Rung(root, "rail"), branch, far)
                self._unfold(section)
            return
        rung = Rung(root, "open")
        self.drawn[root] = rung
        items = self._items(root)
        if not items:
            section.rungs.append(rung)
        for k, (branch, far) in enumerate(items):
            self._grow(section, rung if k == 0 else Rung(root, "branch"), branch, far)
        self._unfold(section)

    def _unfold(self, section: Section) -> None:
        """The rungs that go on where one was folded: below all that hangs on this tree, so that no branch crosses them."""
        while self.folded:
            rung, items = self.folded.pop(0)
            for branch, far in items:
                further = Rung(rung.ends, "flag")
                rung.on = rung.on or further
                self._grow(section, further, branch, far)

    def _items(self, node: str) -> list[tuple[Branch, str | None]]:
        """What goes on from `node`: branches of its tree (far end None), then parts that close a rung."""
        tree: list[tuple[Branch, str | None]] = [(b, None) for b in self.c.children.get(node, ())]
        return tree + [(b, far) for b, far in self.c.closing.get(node, ())]

    def _grow(self, section: Section, rung: Rung, branch: Branch, far: str | None) -> None:
        if far is not None:
            self._row(section, rung, branch, far)
            return
        node = branch.other(rung.left[-1].node if rung.left else rung.begins)
        if node in self.rails:  # a feed that has come to its rail
            rung.left.append(Step(branch, ""))
            rung.ends, rung.ending = node, "flag"
            section.rungs.append(rung)
            return
        before = rung.left[-1].node if rung.left else rung.begins
        start = self.reach.get(before, LEFT) if rung.how != "flag" or rung.left else self._flagged(before)
        self.reach[node] = start + self.pitch(branch, before, node)
        rung.left.append(Step(branch, node))
        self.drawn[node] = rung
        items = self._items(node)
        folds = self.reach[node] > FOLD and any(next_far is None for _, next_far in items)
        if not items or folds:
            section.rungs.append(rung)
        if folds:
            rung.ends, rung.ending = node, "fold"
            self.folded.append((rung, items))
            return
        for k, (next_branch, next_far) in enumerate(items):
            self._grow(section, rung if k == 0 else Rung(node, "branch"), next_branch, next_far)

    def _flagged(self, node: str) -> float:
        """Where the first part of a rung stands that begins with a flag."""
        return LEFT + 40 + breadth(self.begins_text(node))

    def _row(self, section: Section, rung: Rung, branch: Branch, far: str) -> None:
        """Close `rung` with `branch`: its return to the rail as far as nothing of it is drawn yet."""
        rung.load = branch
        node = far
        while node not in self.drawn and self.c.side[node] == "right" and (back := self.c.parent[node]) is not None:
            self.drawn[node] = rung
            rung.right.append(Step(back, node))
            node = back.other(node)
        rung.ends = node
        at_rail = node == section.right
        rung.ending = "rail" if at_rail else "earth" if self.kinds[node] == "ground" and branch.kind == "wire" else "flag"
        section.rungs.append(rung)

    def _dangling(self, section: Section, right: str) -> None:
        """Nodes of the right rail that no rung came by: their way to the rail, with an open end."""
        stack, leaves = [right], []
        while stack:
            node = stack.pop()
            below = [b.other(node) for b in self.c.children.get(node, ())]
            stack += below
            if not below and node not in self.drawn:
                leaves.append(node)
        for node in sorted(leaves):
            rung = Rung(node, "none")
            while node not in self.drawn and (back := self.c.parent[node]) is not None:
                self.drawn[node] = rung
                rung.right.append(Step(back, node))
                node = back.other(node)
            rung.ends, rung.ending = node, "rail" if node == section.right else "flag"
            if any(step.node in self.e.zone_of or step.node in self.e.connector_of for step in rung.right):
                section.rungs.append(rung)

    # ------------------------------------------------------------------ where they stand
    def place(self) -> tuple[int, int]:
        """Set every place; comes back with the drawing's size."""
        y = 34.0
        xs: dict[str, float] = {}
        spans: list[float] = []
        for section in self.sections:
            for rung in section.rungs:
                rung.x0 = LEFT if rung.how in ("rail", "none") else xs[rung.begins] if rung.how == "branch" else LEFT + 34
                if rung.how == "flag":
                    rung.x0 = self._flagged(rung.begins)
                x, before = rung.x0, rung.begins
                xs.setdefault(before, x)
                for step in rung.left:
                    step.start = x
                    x += self.pitch(step.branch, before, step.node)
                    step.x = xs[step.node] = x
                    before = step.node
                back = PITCH[rung.load.kind] if rung.load else 0.0
                names = [s.node for s in rung.right]
                for k, step in enumerate(rung.right):
                    back += self.pitch(step.branch, step.node, names[k + 1] if k + 1 < len(names) else "")
                flag = 34 + breadth(self.flag_text(rung)) if rung.ending in ("flag", "earth", "fold") else 0
                spans.append(x + back + flag)
        width = max([*spans, 760.0])
        for section in self.sections:
            y += 46
            if section.left:
                y += 44
            for rung in section.rungs:
                rung.y = y = y + ROW if rung is not section.rungs[0] else y + 38
                self._across(rung, width)
            y += 52
        self.width = width
        for section in self.sections:
            if section.left:
                top = section.rungs[0].y - 62
                self.places.setdefault(section.left, (LEFT, top))
                self.places.setdefault(section.right, (width, top))
        return int(width + 66), int(y + 10)

    def _across(self, rung: Rung, width: float) -> None:
        if rung.how == "open" and rung.begins not in self.places:
            self.places[rung.begins] = (rung.x0, rung.y)
        for step in rung.left:
            if step.node:
                self.places[step.node] = (step.x, rung.y)
        x = width
        if rung.ending in ("flag", "earth"):
            x -= 34 + breadth(self.flag_text(rung))
        for k, step in reversed(list(enumerate(rung.right))):
            step.start = x
            x -= self.pitch(step.branch, step.node, rung.right[k + 1].node if k + 1 < len(rung.right) else "")
            step.x = x
            self.places[step.node] = (x, rung.y)

    def pitch(self, branch: Branch, one: str, two: str) -> float:
        """Between two nodes of a rung: room for the part and for the words over and in both nodes."""
        words = (
            (self.over(one, two) + self.over(two, one)) / 2 + 8 if one and two and self.device(one) != self.device(two) else 0.0
        )
        named = self.called(branch) if branch.kind not in ("wire", "pin") else ""
        under = min(breadth(named), LETTERS * LETTER)
        below = max((wide(printed(n), 14) for n in (one, two) if n and not fits(printed(n))), default=0.0)
        return max(PITCH[branch.kind], words, under + below + 10 if below else 0.0)

    def over(self, node: str, _other: str) -> float:
        return breadth(self.device(node)) if node else 0.0

    def device(self, node: str) -> str:
        """The word over the first terminal of a device."""
        return device(node, self.e, self.language)

    def name(self, node: str) -> str:
        """A node in short words, for a flag."""
        return self.device(node) if node == "earth" else f"{self.device(node)} {translate(printed(node), self.language)}"

    def begins_text(self, node: str) -> str:
        """What stands in the flag that a rung begins with: the node, and the rung that it is on."""
        there = self.drawn.get(node)
        return self.name(node) + (f", {there.number}" if there is not None else "")

    def flag_text(self, rung: Rung) -> str:
        if rung.ending == "earth":
            return ""
        if rung.ending == "fold":
            return translate("on: {0}", self.language).format(rung.on.number if rung.on else "")
        there = self.drawn.get(rung.ends)
        number = f", {there.number}" if there is not None else ""
        return f"{self.name(rung.ends)}{number}"

    # ------------------------------------------------------------------ what a part is called
    def called(self, branch: Branch) -> str:
        """A part's name under its symbol."""
        part, e = branch.part, self.e
        relay = self.of_relay.get(part) or self.coils.get(frozenset((branch.a, branch.b)))
        if relay:
            return worded(relay, PARTS, self.language)
        for supply in e.supplies.values():
            for word, poles in (("breaker", supply.breaker), ("disconnect", supply.disconnect)):
                if part in poles:
                    return worded(word, PARTS, self.language)
        for selector in e.selectors.values():
            if part == selector.contact:
                return translate(selector.title, self.language)
        if part.startswith("winding/"):
            return f"{worded('winding', PARTS, self.language)} {part.partition('/')[2]}"
        if isinstance(e.network.parts.get(part), Capacitor):
            part = part.rstrip("_0123456789")
        if part in PARTS or part.rstrip("_0123456789") in PARTS:
            return worded(part, PARTS, self.language)
        if part in e.units:
            return label("unit", part, e, self.language)
        for start, word in (("out_", "out"), ("board_", "out"), ("input_", "input"), ("burden_", "module_input")):
            if part.startswith(start):
                return worded(word, PARTS, self.language)
        return worded(part, PARTS, self.language)

    def reference(self, branch: Branch) -> str:
        """Where the other half of a relay is: the coil's rung beside a contact, the contacts' rungs beside a coil."""
        relay = self.of_relay.get(branch.part)
        mine = self.coils.get(frozenset((branch.a, branch.b)))
        found: list[int] = []
        for rung, other in self.parts():
            if relay and self.coils.get(frozenset((other.a, other.b))) == relay:
                found.append(rung.number)
            if mine and self.of_relay.get(other.part) == mine:
                found.append(rung.number)
        if not found:
            return ""
        text = translate("coil: {0}", self.language) if relay else translate("contacts: {0}", self.language)
        return text.format(", ".join(str(n) for n in sorted(set(found))))

    def parts(self) -> Iterator[tuple[Rung, Branch]]:
        """Every part drawn, with its rung."""
        for section in self.sections:
            for rung in section.rungs:
                for step in (*rung.left, *rung.right):
                    yield rung, step.branch
                if rung.load:
                    yield rung, rung.load
