"""Collecting hand-ins from a zip file, a folder or nbgrader's exchange: whose they are, and the names that nbgrader wants.

Rule: nothing handed in is lost or overwritten: each version is kept under ``private/handed_in``, what can't be matched under
``private/unmatched``, each with its reason.
"""

from __future__ import annotations

import json
import shutil
import tempfile
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

import msgspec

from blowerbench.record import CallRecord, RecordError, read_record
from blowergrade.classwork.folder import Assignment, ClassError, ClassFolder, write
from blowergrade.classwork.hand_in import RECORD, digest_of
from blowergrade.classwork.names import People
from blowergrade.classwork.unpack import Found, Refused, files_of


@dataclass(slots=True)
class Collected:
    """What collecting found for one student (or for nobody: `student` is ""): files taken, and what was done, in sentences."""

    student: str
    taken: list[str] = field(default_factory=list)
    told: list[str] = field(default_factory=list)


def handed_in_time(folder: ClassFolder, student: str, assignment: str) -> str:
    """When `student` handed `assignment` in: UTC, ISO 8601, or "" where it is not known."""
    stamp = folder.root / "submitted" / student / assignment / "timestamp.txt"
    try:
        return _parsed(stamp.read_text(encoding="utf-8")) or _times(folder, assignment).get(student, "")
    except (OSError, UnicodeDecodeError):
        return _times(folder, assignment).get(student, "")


def _parsed(text: str) -> str:
    """The time in nbgrader's timestamp file ("2027-03-01 17:00:00 UTC") as ISO 8601, or ""."""
    try:
        when = datetime.fromisoformat(text.strip().replace(" UTC", "+00:00"))
    except ValueError:
        return ""
    return (when if when.tzinfo else when.replace(tzinfo=UTC)).astimezone(UTC).replace(microsecond=0).isoformat()


def _times(folder: ClassFolder, assignment: str) -> dict[str, str]:
    try:
        return msgspec.json.decode((folder.private / "handed_in" / f"{assignment}.json").read_bytes(), type=dict[str, str])
    except (OSError, msgspec.MsgspecError):
        return {}


def collect(folder: ClassFolder, name: str, source: Path | None = None) -> tuple[Collected, ...]:
    """Take the hand-ins of assignment `name` from `source` (a zip file or folder), or from the exchange when it is None.

    Returns what was found per student, then what belongs to nobody. Raises `ClassError` where `source` can't be read.
    """
    assignment = folder.assignment(name)
    if source is None:
        return _from_exchange(folder, assignment)
    if not source.exists():
        raise ClassError(f"{source} is not there; give the zip file or folder that holds the hand-ins")
    people = People(folder.students, {x.entry: x.student for x in assignment.assigned})
    made: dict[str, Collected] = {}
    with tempfile.TemporaryDirectory(prefix="hand-ins-") as scratch:
        sorted_out: dict[str, list[_File]] = {}
        for item in files_of(source, Path(scratch)):
            if isinstance(item, Refused):
                made.setdefault("", Collected("")).told.append(f"{item.path}: {item.why}")
                continue
            file = _File.of(item)
            student, why = _whose(file, people, name)
            if student:
                sorted_out.setdefault(student, []).append(file)
            else:
                _keep_unmatched(folder, name, file)
                made.setdefault("", Collected("")).told.append(f"{item.path}: {why}")
        for student, files in sorted(sorted_out.items()):
            made[student] = _take(folder, assignment, student, files)
    order = [x.student for x in assignment.assigned if x.student in made]
    return tuple(made[s] for s in (*order, *(("",) if "" in made else ())))


@dataclass(frozen=True, slots=True)
class _File:
    found: Found
    record: CallRecord | None
    problem: str

    @classmethod
    def of(cls, found: Found) -> _File:
        """A found file, its record read where it is one."""
        if found.file.suffix.lower() != ".jsonl":
            return cls(found, None, "")
        try:
            return cls(found, read_record(found.file), "")
        except (RecordError, OSError, RecursionError, ValueError) as error:
            return cls(found, None, str(error)[:200])

    @property
    def is_record(self) -> bool:
        return self.found.file.suffix.lower() == ".jsonl"


def _whose(file: _File, people: People, assignment: str) -> tuple[str, str]:
    """The student whose `file` is, or "" and why nobody's."""
    by_path = people.by_path(file.found.path)
    if file.record is not None:
        header = file.record.header
        by_header = people.entries.get(header.person)
        if by_header is not None and by_path and by_path != {by_header}:
            # Somebody handed in another's record: it stays where it was put, and grading says whose it is.
            return (by_path.pop(), "") if len(by_path) == 1 else (by_header, "")
        if by_header is not None:
            return by_header, ""
    if len(by_path) == 1:
        return by_path.pop(), ""
    if by_path:
        return "", f"its path fits {' and '.join(sorted(by_path))}; put it into a folder named by one id"
    return "", "its path holds no id, address or name of the roster; put it into a folder named by the student's id"


def _keep_unmatched(folder: ClassFolder, name: str, file: _File) -> None:
    place = folder.private / "unmatched" / name
    place.mkdir(parents=True, exist_ok=True)
    target = place / f"{digest_of(file.found.file)[:16]}{file.found.file.suffix.lower()}"
    if not target.exists():
        shutil.copyfile(file.found.file, target)


def _take(folder: ClassFolder, assignment: Assignment, student: str, files: Sequence[_File]) -> Collected:
    """Put the hand-in of `student` where nbgrader looks for it, each version kept."""
    made = Collected(student)
    record = _best(assignment, student, [f for f in files if f.is_record], made)
    notebook = _best(assignment, student, [f for f in files if not f.is_record], made)
    chosen = [(f, target) for f, target in ((record, RECORD), (notebook, f"{assignment.name}.ipynb")) if f is not None]
    if not chosen:
        return made
    when = max(f.found.when for f, _ in chosen)
    place = folder.root / "submitted" / student / assignment.name
    stamp = (when or datetime.now(UTC).isoformat()).replace(":", "").replace("+0000", "Z")
    for file, target in chosen:
        _keep_version(folder, assignment.name, student, stamp, file, target)
        if Path(file.found.path).name != target:
            made.told.append(f"{file.found.path} was taken as {target}")
        if _replace(folder, assignment.name, student, place / target, file.found.file):
            made.told.append(f"it replaces the {target} taken before, which is kept in private/handed_in")
        made.taken.append(target)
    if notebook is None and not (place / f"{assignment.name}.ipynb").exists():
        made.told.append("the notebook is missing; the record counts")
    if record is None:
        made.told.append(f"there is no call record ({RECORD}); ask for it")
    if when:
        _keep_time(folder, assignment.name, student, when)
        write(place / "timestamp.txt", f"{when.replace('T', ' ').replace('+00:00', ' UTC')}\n".encode())
    return made


def _best(assignment: Assignment, student: str, files: Sequence[_File], made: Collected) -> _File | None:
    """The file that counts: a record that fits, with the most acts, the newest; the others are told."""
    if not files:
        return None
    entry = next((x.entry for x in assignment.assigned if x.student == student), "")

    def rank(f: _File) -> tuple[bool, int, str, str]:
        header = f.record.header if f.record is not None else None
        fits = header is not None and (header.assignment, header.person) == (assignment.name, entry)
        return fits, len(f.record.lines) if f.record is not None else 0, f.found.when, f.found.path

    ranked = sorted(files, key=rank, reverse=True)
    best = ranked[0]
    different = [f for f in ranked[1:] if digest_of(f.found.file) != digest_of(best.found.file)]
    if different:
        made.told.append(f"{best.found.path} counts; beside it came {', '.join(f.found.path for f in different)}")
    return best


def _keep_version(folder: ClassFolder, name: str, student: str, stamp: str, file: _File, target: str) -> None:
    kept = folder.private / "handed_in" / name / student / stamp / f"{digest_of(file.found.file)[:12]}-{target}"
    if not kept.exists():
        kept.parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(file.found.file, kept)


def _replace(folder: ClassFolder, name: str, student: str, target: Path, new: Path) -> bool:
    """Put `new` at `target`; what lay there goes to the versions first. Returns whether something else lay there."""
    there = False
    if target.is_file() and not target.is_symlink():
        digest = digest_of(target)
        if digest == digest_of(new):
            return False
        there = True
        known = folder.private / "handed_in" / name / student
        if not any(known.glob(f"*/{digest[:12]}-*")):
            place = known / "before"
            place.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(target, place / f"{digest[:12]}-{target.name}")
    elif target.is_symlink():
        target.unlink()
    write(target, new.read_bytes())
    return there


def _keep_time(folder: ClassFolder, name: str, student: str, when: str) -> None:
    times = _times(folder, name) | {student: when}
    write(folder.private / "handed_in" / f"{name}.json", json.dumps(times, indent=1, sort_keys=True).encode())


# ---------------------------------------------------------------------- the exchange
def _from_exchange(folder: ClassFolder, assignment: Assignment) -> tuple[Collected, ...]:
    """What nbgrader's own collecting brings (Linux, with an account per student)."""
    from blowergrade.classwork.assign import nbgrader_api

    before = _present(folder, assignment.name)
    api = nbgrader_api(folder)
    result: Mapping[str, object] = api.collect(assignment.name, update=True)
    if not result["success"]:
        text = str(result.get("error") or result.get("log") or "").strip().splitlines()
        why = text[-1] if text else "it said nothing"
        raise ClassError(f"nbgrader could not collect ({why}); it needs an exchange folder that all accounts can use")
    return tuple(
        Collected(s, sorted(names), [] if RECORD in names else [f"there is no call record ({RECORD}); ask for it"])
        for s, names in _present(folder, assignment.name).items()
        if names != before.get(s) or names
    )


def _present(folder: ClassFolder, name: str) -> dict[str, set[str]]:
    places = sorted((folder.root / "submitted").glob(f"*/{name}"))
    return {p.parent.name: {f.name for f in p.iterdir() if f.is_file()} for p in places if p.is_dir()}


def table(folder: ClassFolder, name: str, collected: Iterable[Collected]) -> str:
    """Who handed in, who is missing, what was repaired, as lines for a terminal."""
    found = {c.student: c for c in collected}
    lines = []
    for one in folder.assignment(name).assigned:
        c = found.get(one.student)
        there = _present(folder, name).get(one.student, set())
        state = "taken" if c is not None and c.taken else "there" if RECORD in there else "missing"
        lines.append(f"{one.student}  {state}" + "".join(f"\n    {t}" for t in (c.told if c is not None else ())))
    if "" in found:
        lines += ["not matched (kept in private/unmatched):", *(f"    {t}" for t in found[""].told)]
    return "\n".join(lines)
