"""An examiner of form sets that shares nothing with their making: it reads the fault files itself and counts by hand."""

from __future__ import annotations

import itertools
import tomllib
from collections import Counter
from collections.abc import Iterator
from typing import Any

import blowerdata
from blowergrade.exam.blueprint import Blueprint
from blowergrade.exam.forms import Form, FormItem, FormSet

Faults = dict[tuple[str, str], dict[str, Any]]


def faults_of(units: tuple[str, ...]) -> Faults:
    """The fault tables of the shipped `units`, by unit and id, straight from the files."""
    found: Faults = {}
    for unit in units:
        for fault in tomllib.loads(blowerdata.path("faults", f"{unit}.toml").read_text(encoding="utf-8"))["fault"]:
            found[unit, fault["id"]] = fault
    return found


def complaints_about(formset: FormSet, blueprint: Blueprint, faults: Faults | None = None) -> list[str]:
    """Everything in which `formset` breaks `blueprint`; empty where it satisfies it. `faults` None: invented items."""
    found = [] if len(formset.forms) == blueprint.forms else [f"{len(formset.forms)} forms"]
    if len({f.id for f in formset.forms}) != len(formset.forms):
        found.append("two forms of one name")
    uses = Counter(i.id for f in formset.forms for i in f.items)
    found += [f"{name} stands in {n} forms" for name, n in uses.items() if n > blueprint.exposure]
    for form in formset.forms:
        found += [f"form {form.id}: {text}" for text in _about(form, blueprint, faults)]
    return found


def _about(form: Form, b: Blueprint, faults: Faults | None) -> Iterator[str]:
    if len({i.id for i in form.items}) < len(form.items):
        yield "an item twice"
    for number, section in enumerate(b.section, 1):
        there = [i for i in form.items if i.section == number]
        if len(there) != section.count:
            yield f"section {number} has {len(there)} calls"
        for i in there:
            if i.competency not in section.competencies or not section.difficulty[0] <= i.difficulty <= section.difficulty[1]:
                yield f"{i.id} does not fit section {number}"
            if section.equipment and i.equipment not in section.equipment:
                yield f"{i.id} is on another unit than section {number} has"
            if i.minutes != section.minutes:
                yield f"{i.id} is worth {i.minutes} minutes"
    if len(form.items) != b.calls or sum(i.minutes for i in form.items) > b.minutes:
        yield "too many calls or minutes"
    if faults is not None:
        for one in form.items:
            yield from _facts(one, b, faults)
        catalogued = [i for i in form.items if (i.equipment, i.fault.split("/")[0]) in faults]
        for one, other in itertools.combinations(catalogued, 2):
            yield from (f"{one.id} and {other.id}: {why}" for why in enmity(one, other, b, faults))


def _facts(i: FormItem, b: Blueprint, faults: Faults) -> Iterator[str]:
    name, _, severity = i.fault.partition("/")
    fault = faults.get((i.equipment, name))
    if fault is None or i.equipment not in b.equipment or not 0 <= int(severity) < len(fault.get("severities", [0])):
        yield f"{i.fault} is not in the catalogue of the exam's units"
        return
    if i.complaint not in fault["complaints"]:
        yield f"{i.fault} does not lead to {i.complaint}"
    if (i.competency, i.difficulty) != (fault["competency"], fault["difficulty"]):
        yield f"{i.id} says another competency or difficulty than the catalogue"
    if any(named(p, i) for p in b.excluded):
        yield f"{i.id} is excluded"
    if b.longest_minutes and i.seconds > 60 * b.longest_minutes:
        yield f"{i.id} takes {i.seconds} s"
    trying = b.familiarisation
    if trying is not None and (i.equipment, name) == (trying.equipment, trying.fault.split("/")[0]):
        yield f"{i.id} stood on the bench for trying out"


def named(pattern: str, i: FormItem) -> bool:
    """Whether `pattern` (ID, ID/SEVERITY, UNIT:ID or UNIT:ID/SEVERITY) means the fault of `i`."""
    name = i.fault.split("/")[0]
    return pattern in (name, i.fault, f"{i.equipment}:{name}", f"{i.equipment}:{i.fault}")


def enmity(one: FormItem, other: FormItem, b: Blueprint, faults: Faults) -> Iterator[str]:
    """Why two calls may not meet in one form."""
    names = (one.fault.split("/")[0], other.fault.split("/")[0])
    first, second = (faults[i.equipment, n] for i, n in zip((one, other), names, strict=True))
    mended = [{f["correction"], *f.get("with_units", [])} for f in (first, second)]
    if names[0] == names[1]:
        yield "the same fault"
    if (one.equipment, one.complaint) == (other.equipment, other.complaint) and mended[0] == mended[1]:
        yield "the same complaint and the same correction"
    if all("no_fault_found" in m for m in mended):
        yield "both healthy"
    if first.get("stop_work") and second.get("stop_work"):
        yield "both stop work"
    if one.equipment == other.equipment:
        for fault, part in ((first, names[1]), (second, names[0])):
            if fault["change"] == "both" and part in fault["target"]:
                yield "one is half of the other"
    if any(any(named(p, one) for p in g) and any(named(p, other) for p in g) for g in b.enemies):
        yield "enemies by the blueprint"
