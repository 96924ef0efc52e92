"""The capstone: ten calls of rising difficulty that this learner has not met, drawn by a seed of their own.

Rule: the same folder always has the same ten, whatever is met or updated later; what is kept there names none of them.
"""

from __future__ import annotations

import hashlib
import json
import random
import secrets
from collections.abc import Collection, Iterable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

import blowerdata
from blowerbench.equipment import load_equipment
from blowerbench.errors import BenchError
from blowerbench.faults import load_faults
from blowerlessons.assigned import PracticeCall, practice_calls

FILE = "capstone.json"
FORMAT = 1
LESSON = "13-capstone"
#: The difficulty of each of the ten.
LEVELS = (1, 2, 2, 3, 3, 3, 4, 4, 5, 5)
#: What passes the course (ours): so many of the ten, and no critical safety act in the last so many.
PASSES, CLEAN = 7, 5
_TRIES = 2000
DRAWN = "Drawn for this learner."

Met = frozenset[tuple[str, str]]  # (unit, fault id)


class CapstoneError(BenchError):
    """Ten calls can't be drawn; says why."""


@dataclass(frozen=True, slots=True)
class _Candidate:
    unit: str
    fault: str
    severities: int
    complaints: tuple[str, ...]
    competency: str
    difficulty: int
    correction: str


def calls(folder: Path, met: Collection[tuple[str, str]] = ()) -> tuple[PracticeCall, ...]:
    """The ten calls of the learner whose records lie in `folder`; `met` are the faults (unit, id) of their calls so far.

    The first time they are drawn, and `folder` keeps a salted digest of each: enough to find it again in the catalogue after an
    update of the course, and too little to read it. A file that can't be read, or that names a call which is gone, is moved
    aside. Where nothing can be written the ten hold for this session.
    """
    found = _read(folder / FILE)
    if found is None:
        found = draw(secrets.randbelow(2**31), frozenset(met) | in_lessons())
        with suppress(OSError):
            _write(folder / FILE, found)
    return found


def in_lessons() -> Met:
    """The faults of all lessons' practice calls."""
    from blowerlessons.build import lessons

    return frozenset((c.equipment, c.fault.partition("/")[0]) for x in lessons() for c in practice_calls(x.key))


def draw(seed: int, without: Met) -> tuple[PracticeCall, ...]:
    """Ten calls by `seed`: difficulty as in `LEVELS`, every unit and every competency at least once, no correction twice.

    Raises `CapstoneError` where so few faults are left that this can't be done.
    """
    pool = [c for c in _pool() if (c.unit, c.fault) not in without]
    dice = random.Random(seed)
    for _ in range(_TRIES):
        found = _attempt(pool, dice)
        if found is not None:
            return tuple(_call(c, dice) for c in found)
    raise CapstoneError("too few faults are left that you have not met; the capstone needs ten, on every unit")


def _pool() -> list[_Candidate]:
    made = []
    for name in blowerdata.names("equipment"):
        equipment = load_equipment(name)
        for f in load_faults(equipment).faults.values():
            made.append(
                _Candidate(name, f.id, max(1, len(f.severities)), f.complaints, f.competency, f.difficulty, f.correction)
            )
    return made


def _attempt(pool: list[_Candidate], dice: random.Random) -> list[_Candidate] | None:
    """Ten of `pool`, each chosen among those that add most to what is still missing; None where something stays missing."""
    units, kinds = {c.unit for c in pool}, {c.competency for c in pool}
    found: list[_Candidate] = []
    for level in LEVELS:
        taken = {(c.unit, c.correction) for c in found}
        open_units, open_kinds = units - {c.unit for c in found}, kinds - {c.competency for c in found}
        fits = [c for c in pool if c.difficulty == level and (c.unit, c.correction) not in taken]
        if not fits:
            return None
        most = max((c.unit in open_units) + (c.competency in open_kinds) for c in fits)
        found.append(dice.choice([c for c in fits if (c.unit in open_units) + (c.competency in open_kinds) == most]))
    whole = units == {c.unit for c in found} and kinds == {c.competency for c in found}
    return found if whole else None


def _call(c: _Candidate, dice: random.Random) -> PracticeCall:
    fault = f"{c.fault}/{dice.randrange(c.severities)}"
    return PracticeCall(c.unit, fault, dice.choice(c.complaints), DRAWN)


# ---------------------------------------------------------------------- what is kept
def _digest(salt: str, call: PracticeCall) -> str:
    return hashlib.sha256(f"{salt} {call.equipment} {call.fault} {call.complaint}".encode()).hexdigest()


def _every_call() -> Iterator[PracticeCall]:
    for c in _pool():
        for severity in range(c.severities):
            for complaint in c.complaints:
                yield PracticeCall(c.unit, f"{c.fault}/{severity}", complaint, DRAWN)


def _read(file: Path) -> tuple[PracticeCall, ...] | None:
    try:
        raw = json.loads(file.read_text(encoding="utf-8"))
        if raw["format"] != FORMAT or len(raw["calls"]) != len(LEVELS):
            raise ValueError(raw["format"])
        known = {_digest(str(raw["salt"]), call): call for call in _every_call()}
        return tuple(known[str(digest)] for digest in raw["calls"])
    except FileNotFoundError:
        return None
    except (OSError, ValueError, KeyError, TypeError):
        with suppress(OSError):
            file.replace(file.with_name(f"{file.name}.damaged"))
        return None


def _write(file: Path, found: Iterable[PracticeCall]) -> None:
    file.parent.mkdir(parents=True, exist_ok=True)
    salt = secrets.token_hex(16)
    part = file.with_name(f".{file.name}.part")
    kept = {"format": FORMAT, "salt": salt, "calls": [_digest(salt, c) for c in found]}
    part.write_text(json.dumps(kept, indent=1), encoding="utf-8")
    part.replace(file)


def verdict(results: Collection[tuple[bool, bool]]) -> str:
    """What ten results (passed, critical act) come to: "passed", "not yet" or "open" while calls are left."""
    rows = list(results)
    if len(rows) < len(LEVELS):
        return "open"
    clean = not any(critical for _, critical in rows[-CLEAN:])
    return "passed" if clean and sum(passed for passed, _ in rows) >= PASSES else "not yet"


def results(folder: Path = Path("records")) -> tuple[tuple[bool, bool], ...]:
    """Of each of the ten that was finished, in order: whether it passed, and whether a critical safety act was in it."""
    from blowerlessons.progress import read_progress

    found = read_progress(folder)
    last = [done[-1] for n in range(1, len(LEVELS) + 1) if (done := found.calls_of(LESSON, n))]
    return tuple((c.passed, c.critical > 0) for c in last)


def tell_results(folder: Path = Path("records")) -> None:
    """Print the ten calls with what came of them, and what they come to."""
    from blowerlessons.progress import read_progress

    found = read_progress(folder)
    print("call  level  result")
    for number, level in enumerate(LEVELS, 1):
        done = found.calls_of(LESSON, number)
        told = "open" if not done else "passed" if done[-1].passed else "not passed"
        safety = ", critical safety act" if done and done[-1].critical else ""
        print(f"{number:>4}  {level:>5}  {told}{safety}")
    print("capstone:", verdict(results(folder)))
