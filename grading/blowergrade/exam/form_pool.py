"""The pool that forms are drawn from: every catalogued hypothesis with each complaint, and which of them may not meet.

Rule: an item's id is made of what it is and stays the same in every sitting; it names the fault, so no candidate ever sees it.
Difficulty is counted in thousandths of a level, time in whole simulated seconds: forms are compared in integers.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Literal

import msgspec

from blowerbench.equipment import Equipment, load_equipment
from blowerbench.faults import NO_FAULT, Catalogue, Fault, Hypothesis, load_faults
from blowerbench.variant import draw_variant
from blowergrade.exam.blueprint import Blueprint, names_fault
from blowergrade.policies import shipped
from blowergrade.rubric import load_rubric
from blowergrade.score import taught_cost

Estimate = Literal["taught", "complaint"]
#: The unit on which the taught procedure is played for its time: one draw, the same for every form.
ESTIMATED_ON = "form-estimate"


class Item(msgspec.Struct, frozen=True):
    """One call that could be set. `seconds`: simulated work to isolate; `expected`: difficulty in thousandths of a level."""

    id: str
    equipment: str
    fault: str  # ID/SEVERITY
    complaint: str
    competency: str
    difficulty: int
    expected: int
    seconds: int
    corrections: tuple[str, ...] = ()
    parts: tuple[str, ...] = ()  # the faults that a double fault is made of
    stop_work: bool = False

    @property
    def fault_id(self) -> str:
        """The fault without its severity."""
        return self.fault.partition("/")[0]


@dataclass(frozen=True, slots=True)
class Enemies:
    """Items (by id) of which one form holds one at most, and why."""

    why: str
    items: frozenset[str]


@dataclass(frozen=True, slots=True)
class Pool:
    """What forms are drawn from, in a fixed order; `catalogues` are the digests of the fault files by unit."""

    items: tuple[Item, ...]
    enemies: tuple[Enemies, ...]
    catalogues: Mapping[str, str] = field(default_factory=dict)

    def item(self, name: str) -> Item:
        """The item of this id; KeyError where there is none."""
        return next(i for i in self.items if i.id == name)


def unit_id(name: str) -> str:
    """The id of the unit that a blueprint names by its id or by the path of its file."""
    return load_equipment(name).id if name.endswith(".toml") else name


def item_id(equipment: str, fault: str, complaint: str) -> str:
    """The id of an item: the same in every blueprint, form and sitting."""
    return f"{equipment}:{fault}:{complaint}"


def pool_of(
    blueprint: Blueprint, estimate: Estimate = "taught", observed: Mapping[str, float] | None = None,
    progress: Callable[[int], None] | None = None,
) -> Pool:  # fmt: skip
    """The pool of `blueprint`: everything catalogued that it does not exclude and that is not longer than it allows.

    An item's time is, with `estimate` "taught", what the taught procedure costs on one unit (about ten seconds of computing for
    each complaint the first time, then kept; `progress` hears how many calls are done); with "complaint" the least expected
    cost of the complaint's computed path, the same for all its causes and known at once for shipped units. An item's expected
    difficulty is the author's, or what `observed` has for its id, in levels (from item statistics of earlier sittings).
    """
    items: list[Item] = []
    catalogues: dict[str, str] = {}
    done = 0
    free = load_rubric(blueprint.rubric).rubric.free_regret
    for name in blueprint.equipment:
        equipment = load_equipment(name)
        catalogue = load_faults(equipment)
        catalogues[equipment.id] = catalogue.digest
        for h, complaint in _calls(blueprint, equipment, catalogue):
            seconds = _seconds(equipment, catalogue, h, complaint, free, estimate)
            done += 1
            if progress is not None:
                progress(done)
            if not blueprint.longest_minutes or seconds <= 60 * blueprint.longest_minutes:
                items.append(_item(equipment.id, catalogue.faults[h.fault], h, complaint, seconds, observed or {}))
    made = tuple(items)
    return Pool(made, enemies_of(made, blueprint.enemies), catalogues)


def _calls(b: Blueprint, equipment: Equipment, catalogue: Catalogue) -> Iterator[tuple[Hypothesis, str]]:
    for h in catalogue.hypotheses():
        fault = f"{h.fault}/{h.severity}"
        if any(names_fault(p, equipment.id, fault) for p in b.excluded) or _is_shown(b, equipment, h):
            continue
        for complaint in catalogue.faults[h.fault].complaints:
            yield h, complaint


def _is_shown(b: Blueprint, equipment: Equipment, h: Hypothesis) -> bool:
    """Whether candidates meet the fault on the bench that they try out."""
    f = b.familiarisation
    return f is not None and unit_id(f.equipment) == equipment.id and f.fault.partition("/")[0] == h.fault


def _seconds(e: Equipment, catalogue: Catalogue, h: Hypothesis, complaint: str, free: int, estimate: Estimate) -> int:
    if estimate == "taught":
        return taught_cost(e, catalogue, h, complaint, draw_variant(ESTIMATED_ON), free)
    return round(shipped(e.id).complaints[complaint].seconds)


def _item(equipment: str, fault: Fault, h: Hypothesis, complaint: str, seconds: int, observed: Mapping[str, float]) -> Item:
    named = f"{h.fault}/{h.severity}"
    name = item_id(equipment, named, complaint)
    expected = round(1000 * observed.get(name, fault.difficulty))
    parts = fault.target if fault.change == "both" else ()
    corrections = tuple(sorted((fault.correction, *fault.with_units)))
    return Item(
        name, equipment, named, complaint, fault.competency, fault.difficulty, expected, seconds, corrections, parts,
        fault.stop_work,
    )  # fmt: skip


def enemies_of(items: tuple[Item, ...], named: tuple[tuple[str, ...], ...] = ()) -> tuple[Enemies, ...]:
    """All groups of `items` that may not meet in a form: the school's own (`named`) and the rules below."""
    groups: dict[str, set[str]] = defaultdict(set)
    for i in items:
        for why in _rules(i):
            groups[why].add(i.id)
    for i in items:  # two double faults may share a part: each with its parts by itself
        for part in i.parts:
            same = {o.id for o in items if o.equipment == i.equipment and o.fault_id == part}
            groups[f"{i.fault_id} holds {part}, on {i.equipment}"] |= {i.id, *same}
    for number, group in enumerate(named, 1):
        meant = {i.id for i in items if any(names_fault(p, i.equipment, i.fault) for p in group)}
        groups[f"the blueprint's enemies, group {number}"] |= meant
    return tuple(Enemies(why, frozenset(ids)) for why, ids in groups.items() if len(ids) > 1)


def _rules(i: Item) -> Iterator[str]:
    """The groups that an item belongs to by what it is."""
    yield f"the same fault, {i.fault_id}"  # in any severity, with any complaint, on any unit: one call gives the other away
    yield f"the same correction, {' and '.join(i.corrections)}, for {i.complaint} on {i.equipment}"
    if NO_FAULT in i.corrections:
        yield "nothing to correct"
    if i.stop_work:
        yield "stop work and leave"
