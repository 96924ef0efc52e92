"""What was computed before and need not be computed again: tables, values and taught costs in files named by their content.

Rule: a stored answer is found only under the hash of all that it depends on (equipment, catalogue, hypotheses, model and
numeric library), is believed only where its own hash fits, and is computed again where anything is missing or damaged. Whole
numbers and text only. A folder that can't be written costs time, never an answer.

The folder is that of the environment's BLOWER_CACHE ("off": none), else the user's cache folder. The proven optima are shipped
as well (`Shipped`, one file a unit): what a path costs, for whoever wants to check it; grading never reads them.
"""

from __future__ import annotations

import hashlib
import json
import os
import sys
import tempfile
from collections.abc import Iterator, Mapping, Set
from contextlib import suppress
from dataclasses import fields, is_dataclass
from fractions import Fraction
from functools import lru_cache
from pathlib import Path
from typing import Any

import msgspec
import numpy as np

import blowerbench
import blowerdata
import blowergrade
from blowerbench.equipment import Equipment
from blowerbench.errors import BenchError
from blowerbench.faults import Catalogue
from blowerbench.record import MODEL

FORMAT = "blower cache 1"
#: With more files than this the oldest half goes.
MOST_FILES = 4000
#: Sources of the grader that a table or a taught call depends on; all of the bench but its panels does too.
_GRADER = (
    "evidence", "path", "procedure", "replay", "safety_wiring", "score", "sequencing", "sequencing_problem",
    "sequencing_search", "technicians",
)  # fmt: skip


def folder() -> Path | None:
    """Where answers are stored, or None where they are not."""
    chosen = os.environ.get("BLOWER_CACHE", "")
    if chosen.lower() == "off":
        return None
    if chosen:
        return Path(chosen)
    if sys.platform == "win32":
        base = os.environ.get("LOCALAPPDATA", "")
        user = Path(base) if base else Path.home() / "AppData" / "Local"
    elif sys.platform == "darwin":
        user = Path.home() / "Library" / "Caches"
    else:
        base = os.environ.get("XDG_CACHE_HOME", "")
        user = Path(base) if base else Path.home() / ".cache"
    return user / "blowergrade"


@lru_cache(maxsize=1)
def model_digest() -> str:
    """SHA-256 of everything but equipment and catalogue that a prediction comes from: sources, tables, the numeric library."""
    bench, grader = Path(blowerbench.__path__[0]), Path(blowergrade.__path__[0])
    sources = [f for f in sorted(bench.rglob("*.py")) if "panels" not in f.relative_to(bench).parts]
    sources += [f for name in _GRADER if (f := grader / f"{name}.py").exists()]
    sources += sorted(blowerdata.path("tables").glob("*.toml"))
    made = hashlib.sha256(f"numpy {np.__version__}".encode())
    for file in sources:
        made.update(file.name.encode() + b"\0" + hashlib.sha256(file.read_bytes()).digest())
    return made.hexdigest()


def key_of(*parts: object) -> str:
    """SHA-256 of `parts`, by content and in an order that no run changes."""
    made = hashlib.sha256(model_digest().encode())
    for piece in _pieces(parts):
        made.update(piece.encode() + b"\0")
    return made.hexdigest()


def _pieces(value: object) -> Iterator[str]:
    if is_dataclass(value) and not isinstance(value, type):
        yield type(value).__qualname__
        for field in fields(value):
            yield field.name
            yield from _pieces(getattr(value, field.name))
    elif isinstance(value, Mapping):
        yield f"mapping {len(value)}"
        for name, content in sorted((tuple(_pieces(k)), tuple(_pieces(v))) for k, v in value.items()):
            yield from name
            yield from content
    elif isinstance(value, Set):
        yield f"set {len(value)}"
        for pieces in sorted(tuple(_pieces(v)) for v in value):
            yield from pieces
    elif isinstance(value, list | tuple):
        yield f"row {len(value)}"
        for item in value:
            yield from _pieces(item)
    else:
        yield f"{type(value).__name__} {value!r}"


def stored(kind: str, key: str) -> Any | None:
    """What was stored under `kind` and `key`; None where nothing was or where the file is not as it was written."""
    place = folder()
    if place is None:
        return None
    try:
        data = json.loads((place / f"{kind}-{key}.json").read_bytes())
        body = data["body"]
        whole = data["format"] == FORMAT and data["key"] == key and data["sha256"] == _hash(body)
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        return None
    return json.loads(body) if whole else None


def store(kind: str, key: str, value: Any) -> None:
    """Keep `value` (lists, mappings, text and whole numbers) under `kind` and `key`; at once or not at all."""
    place = folder()
    if place is None:
        return
    body = json.dumps(value, separators=(",", ":"), sort_keys=True)
    text = json.dumps({"format": FORMAT, "key": key, "sha256": _hash(body), "body": body})
    with suppress(OSError):  # a full or closed disk costs time only
        place.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(prefix=".", suffix=".part", dir=place)
        try:
            with os.fdopen(handle, "w", encoding="ascii") as file:
                file.write(text)
            Path(name).replace(place / f"{kind}-{key}.json")
        except OSError:
            Path(name).unlink(missing_ok=True)
            raise
        _prune(place)


def _hash(body: str) -> str:
    return hashlib.sha256(body.encode()).hexdigest()


def _prune(place: Path) -> None:
    if sum(1 for _ in place.glob("*.json")) <= MOST_FILES:
        return
    files = sorted(place.glob("*.json"), key=lambda f: f.stat().st_mtime_ns)
    for file in files[: len(files) // 2]:
        file.unlink(missing_ok=True)


# ---------------------------------------------------------------------- the optima that are shipped
SHIPPED_FORMAT = "blower policies 1"
#: What makes the shipped files again.
SHIP = "python tests/figures_sequencing.py --ship"


class ShippedError(BenchError):
    """A shipped file that is not there or not such a file; says how it is made again."""


class Proof(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """The least expected cost of a complaint's path from arrival: between `lower` and `upper`, over `weight`, in seconds.

    `table` is the hash of the question (priors, units, set-up times, tests and what they tell); `tests` tell something.
    """

    hypotheses: int
    tests: int
    table: str
    weight: int
    lower: int
    upper: int
    proven: bool

    @property
    def seconds(self) -> Fraction:
        """V* in simulated seconds, exactly (its upper bound where it is not proven)."""
        return Fraction(self.upper, self.weight)


class Shipped(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """The proofs of one unit by complaint, with the digests of the files that they are about."""

    format: str
    equipment: str
    equipment_digest: str
    catalogue_digest: str
    model: str
    complaints: dict[str, Proof]

    def json(self) -> bytes:
        """The file's bytes; the same proofs give the same bytes."""
        return msgspec.json.format(msgspec.json.encode(self), indent=1) + b"\n"


def shipment(equipment: Equipment, catalogue: Catalogue, proofs: Mapping[str, Proof]) -> Shipped:
    """The file of one unit, complaints in the equipment's order."""
    ordered = {c: proofs[c] for c in equipment.complaints}
    return Shipped(SHIPPED_FORMAT, equipment.id, equipment.digest, catalogue.digest, MODEL, ordered)


def shipped(equipment: str) -> Shipped:
    """The proofs shipped for the unit of that name; ShippedError where there are none that this version reads."""
    try:
        found = msgspec.json.decode(blowerdata.path("policies", f"{equipment}.json").read_bytes(), type=Shipped)
    except (OSError, msgspec.DecodeError) as error:
        raise ShippedError(f"no shipped policies of {equipment} ({error}); make them with {SHIP}") from error
    if found.format != SHIPPED_FORMAT:
        raise ShippedError(f"the policies of {equipment} have format {found.format!r}; make them again with {SHIP}")
    return found
