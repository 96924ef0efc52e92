"""What a person changes after grading: a part's points, a due time, a hand-in that came late.

Rule: a change adds to an outcome and to the class's journal; what the record earned stays readable beside it.
"""

from __future__ import annotations

import json
import os
from datetime import UTC, datetime, timedelta
from decimal import Decimal, InvalidOperation

import msgspec

from blowergrade.classwork.folder import ClassError, ClassFolder, Settings, write
from blowergrade.classwork.outcome import PARTS, Outcome, Override
from blowergrade.rubric import load_rubric

DAY = timedelta(days=1)


# ---------------------------------------------------------------------- points set by a person
def override(folder: ClassFolder, student: str, assignment: str, part: str, points: str | int, reason: str, by: str) -> Outcome:
    """Set `part` of an outcome to `points` (at most one decimal), with a reason; returns the outcome as it now is."""
    outcome = folder.outcome(student, assignment)
    if outcome is None:
        raise ClassError(f"{student} has no outcome of {assignment!r} yet; run `blowergrade class grade {assignment}` first")
    if part not in PARTS:
        raise ClassError(f"no part {part!r}; a call has {', '.join(PARTS)}")
    if not reason.strip() or not by.strip():
        raise ClassError("an override needs a reason and a name: --reason TEXT --by NAME; the student reads the reason")
    most = 10 * int(getattr(load_rubric(folder.assignment(assignment).rubric).rubric, part))
    tenths = _tenths(points, most)
    made = Override(part, tenths, reason.strip(), by.strip(), _now())
    changed = msgspec.structs.replace(outcome, overrides=(*outcome.overrides, made))
    changed = with_late(folder, changed)
    folder.keep_outcome(changed)
    journal(folder, "override", by, student=student, assignment=assignment, part=part, tenths=tenths, reason=made.reason)
    return changed


def _tenths(points: str | int, most: int) -> int:
    try:
        tenths = Decimal(str(points)) * 10
    except InvalidOperation as error:
        raise ClassError(f"{points!r} is no number of points; write it like 17 or 17.5") from error
    if not tenths.is_finite() or tenths != tenths.to_integral_value() or not 0 <= tenths <= most:
        raise ClassError(f"{points} points can't be given; this part has 0 to {most // 10}, in steps of 0.1")
    return int(tenths)


# ---------------------------------------------------------------------- late
def late_taken_off(settings: Settings, due: str, handed_in: str, tenths: int) -> tuple[int, int, str]:
    """Days late, tenths taken off of `tenths`, and the reason to wait for a person or "".

    A day counts once it has begun, after the grace time; points are rounded down for the taking, in the student's favour.
    """
    if not due or not handed_in:
        return 0, 0, ""
    over = datetime.fromisoformat(handed_in) - datetime.fromisoformat(due) - timedelta(minutes=settings.late_grace_minutes)
    if over <= timedelta(0):
        return 0, 0, ""
    days = -(-over // DAY)
    if days > settings.late_days:
        return days, 0, f"handed in {days} days late, more than {settings.late_days}; decide whether it counts"
    return days, min(tenths, tenths * settings.late_percent_a_day * days // 100), ""


def with_late(folder: ClassFolder, outcome: Outcome) -> Outcome:
    """`outcome` with the class's late policy applied to what its parts earn now."""
    due = extension(folder, outcome.student, outcome.assignment) or folder.assignment(outcome.assignment).due
    got = [outcome.part(p)[0] for p in PARTS]
    whole = sum(points for points in got if points is not None)
    days, taken, hold = late_taken_off(folder.settings, due, outcome.handed_in, whole)
    changed = msgspec.structs.replace(outcome, late_days=days, late_tenths=taken)
    decided = {o.part for o in outcome.overrides} >= set(PARTS)  # a person gave every part's points, late or not
    if hold and outcome.status == "graded" and not decided:
        return msgspec.structs.replace(changed, status="manual", reason=hold)
    return changed


def extension(folder: ClassFolder, student: str, assignment: str) -> str:
    """The due time that `student` was given for `assignment`, or ""."""
    return _extensions(folder).get(assignment, {}).get(student, "")


def extend(folder: ClassFolder, student: str, assignment: str, due: str, reason: str, by: str) -> None:
    """Give `student` until `due` (UTC, ISO 8601) for `assignment`; takes effect on what is graded already, too."""
    if folder.assignment(assignment).of(student) is None:
        raise ClassError(f"{assignment!r} was not assigned to {student!r}; see roster.csv")
    if not reason.strip() or not by.strip():
        raise ClassError("more time needs a reason and a name: --reason TEXT --by NAME")
    due = _utc(due)
    known = _extensions(folder)
    known.setdefault(assignment, {})[student] = due
    write(folder.private / "extensions.json", msgspec.json.format(msgspec.json.encode(known, order="sorted"), indent=1))
    journal(folder, "extension", by, student=student, assignment=assignment, due=due, reason=reason)
    outcome = folder.outcome(student, assignment)
    if outcome is not None:
        held = outcome.status == "manual" and outcome.sheet is not None and outcome.reason.startswith("handed in ")
        freed = msgspec.structs.replace(outcome, status="graded", reason="") if held else outcome
        folder.keep_outcome(with_late(folder, freed))


def _utc(text: str) -> str:
    try:
        when = datetime.fromisoformat(text)
    except ValueError as error:
        raise ClassError(f"{text!r} is no time; write it like 2027-03-05T17:00+00:00") from error
    if when.tzinfo is None:
        raise ClassError(f"{text!r} has no zone; write it like {text}+00:00")
    return when.astimezone(UTC).isoformat()


def _extensions(folder: ClassFolder) -> dict[str, dict[str, str]]:
    file = folder.private / "extensions.json"
    try:
        return msgspec.json.decode(file.read_bytes(), type=dict[str, dict[str, str]])
    except FileNotFoundError:
        return {}
    except msgspec.MsgspecError as error:
        raise ClassError(f"{file} is damaged ({error}); put the copy back that you kept") from error


# ---------------------------------------------------------------------- the journal
def journal(folder: ClassFolder, what: str, by: str, **about: object) -> None:
    """Append a line to the class's journal, ``private/changes.jsonl``: when, who, what."""
    line = json.dumps({"when": _now(), "by": by, "what": what, **about}, ensure_ascii=False) + "\n"
    file = folder.private / "changes.jsonl"
    with file.open("ab") as out:
        out.write(line.encode())
        out.flush()
        os.fsync(out.fileno())


def _now() -> str:
    return datetime.now(UTC).replace(microsecond=0).isoformat()
