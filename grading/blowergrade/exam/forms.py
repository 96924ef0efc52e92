"""Exam forms: sets of calls that satisfy one blueprint, made as alike in difficulty and in length as can be found.

Rule: the same blueprint, pool, seed, effort and solver give the same forms. A form set names faults: it is a secret of the
school, and belongs beside the exam's keys.
"""

from __future__ import annotations

import hashlib
import os
import random
from collections.abc import Mapping, Sequence
from pathlib import Path

import msgspec

from blowergrade.exam.blueprint import Blueprint
from blowergrade.exam.form_model import FormError, objective_of, solve, solver_name
from blowergrade.exam.form_pool import Item, Pool
from blowergrade.exam.form_start import TRIES, Chosen, exchanged, random_choice

FORMAT = "blowergrade forms 1"
#: Deterministic seconds of the solver that assembly may take; one is some seconds by the clock.
EFFORT = 5.0


class FormItem(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One call of a form. `minutes` are the exam's; `seconds` simulated work; `expected` thousandths of a difficulty level."""

    id: str
    equipment: str
    fault: str  # ID/SEVERITY
    complaint: str
    competency: str
    difficulty: int
    expected: int
    minutes: int
    seconds: int
    section: int  # from 1


class Form(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """The calls that one candidate gets, section by section."""

    id: str
    items: tuple[FormItem, ...]

    @property
    def difficulty(self) -> float:
        """Expected difficulty of the whole form, in levels."""
        return sum(i.expected for i in self.items) / 1000

    @property
    def seconds(self) -> int:
        """Expected simulated work of the whole form."""
        return sum(i.seconds for i in self.items)

    @property
    def minutes(self) -> int:
        """Minutes of the exam that the calls are worth."""
        return sum(i.minutes for i in self.items)


class Spread(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Largest less smallest over the forms: difficulty summed over a form, in levels, and simulated minutes."""

    difficulty: float
    minutes: float


class FormSet(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """The forms of a blueprint and how they came about. `objective` and its proven lower `bound`: thousandths of a second."""

    blueprint: str  # digest of what of it forms hang on
    catalogues: Mapping[str, str]  # digests of the fault files by unit
    seed: int
    effort: float
    solver: str
    status: str
    objective: int
    bound: int
    forms: tuple[Form, ...]

    @property
    def spread(self) -> Spread:
        """How far the forms lie apart."""
        hard, long = [sum(i.expected for i in f.items) for f in self.forms], [f.seconds for f in self.forms]
        return Spread((max(hard) - min(hard)) / 1000, (max(long) - min(long)) / 60)

    @property
    def digest(self) -> str:
        """SHA-256 of all that the set says."""
        return hashlib.sha256(msgspec.json.encode(self, order="sorted")).hexdigest()

    def form(self, name: str) -> Form:
        """The form of this id; raises `FormError`."""
        found = next((f for f in self.forms if f.id == name), None)
        if found is None:
            raise FormError(f"no form {name!r}; this set has {', '.join(f.id for f in self.forms)}")
        return found


class _File(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A form set as it lies on the disk."""

    format: str
    digest: str
    set: FormSet


# ---------------------------------------------------------------------- making
def assemble(pool: Pool, blueprint: Blueprint, seed: int = 1, effort: float = EFFORT) -> FormSet:
    """The forms of `blueprint` from `pool` that differ least; raises `FormError` saying which section lacks how many items.

    `effort` is in the solver's deterministic seconds. What is least is said in `blowergrade.exam.form_model`.
    """
    dice = random.Random(seed)
    start = random_choice(pool, blueprint, dice)
    if start is not None:
        start = exchanged(pool, blueprint, start, dice)
    found = solve(pool, blueprint, seed, effort, start)
    chosen = list(found.chosen)
    random.Random(seed).shuffle(chosen)  # the solver's come in order of difficulty: A would always be the easiest
    return _set(
        pool, blueprint, tuple(chosen), seed=seed, effort=effort, solver=solver_name(), status=found.status, bound=found.bound
    )


def random_forms(pool: Pool, blueprint: Blueprint, seed: int = 1) -> FormSet:
    """Forms of `blueprint` drawn by chance, to compare assembled ones with; raises `FormError` where none were found."""
    chosen = random_choice(pool, blueprint, random.Random(seed))
    if chosen is None:
        raise FormError(f"{TRIES} random draws made no forms; `assemble` searches, and says what lacks")
    return _set(pool, blueprint, chosen, seed=seed, effort=0.0, solver="random", status="random", bound=0)


def _set(
    pool: Pool, blueprint: Blueprint, chosen: Chosen, *, seed: int, effort: float, solver: str, status: str, bound: int
) -> FormSet:
    known = {i.id: i for i in pool.items}
    forms = tuple(Form(form_name(k), _form_items(blueprint, known, form)) for k, form in enumerate(chosen))
    objective = objective_of([[known[i.id] for i in f.items] for f in forms], blueprint)
    return FormSet(
        blueprint.digest_for_forms, dict(sorted(pool.catalogues.items())), seed, effort, solver, status, objective, bound, forms
    )


def _form_items(blueprint: Blueprint, known: Mapping[str, Item], form: Sequence[Sequence[str]]) -> tuple[FormItem, ...]:
    return tuple(
        FormItem(
            i.id, i.equipment, i.fault, i.complaint, i.competency, i.difficulty, i.expected, section.minutes, i.seconds, number
        )
        for number, (section, ids) in enumerate(zip(blueprint.section, form, strict=True), 1)
        for i in (known[name] for name in ids)
    )  # fmt: skip


def form_name(number: int) -> str:
    """The name of the form of this number (from 0): A, B, …, Z, AA, AB, …"""
    name = ""
    number += 1
    while number:
        number, letter = divmod(number - 1, 26)
        name = chr(ord("A") + letter) + name
    return name


# ---------------------------------------------------------------------- keeping
def save_forms(formset: FormSet, path: Path) -> None:
    """Write `formset` to `path` (JSON with its digest), readable by its owner only, whole or not at all."""
    data = msgspec.json.format(msgspec.json.encode(_File(FORMAT, formset.digest, formset)), indent=1) + b"\n"
    part = path.with_name(f".{path.name}.part")
    part.unlink(missing_ok=True)
    with os.fdopen(os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as out:
        out.write(data)
        out.flush()
        os.fsync(out.fileno())
    part.replace(path)


def load_forms(path: Path) -> FormSet:
    """The form set in `path`; raises `FormError` where it is missing, damaged, or changed since it was written."""
    try:
        file = msgspec.json.decode(path.read_bytes(), type=_File)
    except OSError as error:
        raise FormError(f"{path.name}: can't be read ({error.strerror}); assemble the forms, or give their file") from error
    except msgspec.MsgspecError as error:
        raise FormError(f"{path.name}: damaged ({error}); put the copy back that you kept, or assemble again") from error
    if file.format != FORMAT:
        raise FormError(f"{path.name}: format {file.format!r}, not {FORMAT!r}; assemble the forms with this release")
    if file.digest != file.set.digest:
        raise FormError(f"{path.name}: changed since it was written; put the copy back that you kept, or assemble again")
    return file.set
