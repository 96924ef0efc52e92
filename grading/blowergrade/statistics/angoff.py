"""The cut score by a modified Angoff procedure: two rounds of ratings, talk and data in between, an adjustment with a reason.

Rule: a form's cut is the sum, over its items, of the judges' mean rating in round 2 times the item's points. It may be moved
by at most `limit` standard errors, with a reason in writing. The result holds its inputs and their SHA-256 digest, so that
anybody can work it out again; it is written once and never over another.

Sources: Angoff 1971; Cizek & Bunch 2007. Standard error: deviation of the judges' own cuts / √judges; after talk judges are
no longer independent, so it is rather too small (MacCann & Stanley 2004, Practical Assessment, Research & Evaluation 9(5)).
"""

from __future__ import annotations

import hashlib
import math
import statistics
from collections.abc import Mapping, Sequence
from pathlib import Path

import msgspec

from blowergrade.statistics.ratings import Ratings
from blowergrade.statistics.responses import ROUNDING, StatisticsError

LIMIT = 2.0  # standard errors
SHORTEST_REASON = 20  # letters
#: Fewer judges than so many are said to be few. Common practice, no published source.
FEW_JUDGES = 5


class AngoffError(StatisticsError):
    """A step of the procedure that can't be taken; says what was wrong and what would be right."""


class Form(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A form: its items with their points; `step` is the smallest difference between two scores."""

    name: str
    items: tuple[str, ...]
    points: tuple[float, ...]
    step: float = 1.0

    def __post_init__(self) -> None:
        if not self.items or len(set(self.items)) != len(self.items) or len(self.points) != len(self.items):
            raise AngoffError(f"form {self.name!r}: name every item once, each with its points")
        if not all(0 < p < math.inf for p in (*self.points, self.step)):
            raise AngoffError(f"form {self.name!r}: points and step have to be above 0")


class Shown(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """What the panel saw of one item between the rounds, percent; `observed` is how many got it right before, where known."""

    item: str
    mean: float
    lowest: float
    highest: float
    deviation: float
    observed: float | None = None


class Adjustment(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A form's cut moved by `by` points, and why."""

    form: str
    by: float
    reason: str


class Inputs(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Everything that the result follows from."""

    title: str
    first: Ratings
    shown: tuple[Shown, ...]
    second: Ratings
    forms: tuple[Form, ...]
    adjustments: tuple[Adjustment, ...] = ()
    limit: float = LIMIT


class Cut(msgspec.Struct, frozen=True):
    """A form's cut in points: as rated (`round_one`, `rated` in round 2), adjusted, and the `lowest_pass` on its scale."""

    form: str
    maximum: float
    round_one: float
    rated: float
    standard_error: float
    adjusted_by: float
    reason: str
    cut: float
    lowest_pass: float


class JudgeRow(msgspec.Struct, frozen=True):
    """One judge over all rated items: mean rating in both rounds, percent, and how many ratings changed."""

    judge: str
    first: float
    second: float
    changed: int


class ItemRow(msgspec.Struct, frozen=True):
    """One item: mean and deviation of its ratings in both rounds, percent."""

    item: str
    first: float
    first_deviation: float
    second: float
    second_deviation: float
    observed: float | None


class Result(msgspec.Struct, frozen=True):
    """The sealed outcome; `digest` is the SHA-256 of `inputs` as sorted JSON. Keep a copy of the digest elsewhere: it shows
    that the inputs were not exchanged since.
    """

    inputs: Inputs
    cuts: tuple[Cut, ...]
    judges: tuple[JudgeRow, ...]
    items: tuple[ItemRow, ...]
    notes: tuple[str, ...]
    digest: str


def discussion(first: Ratings, observed: Mapping[str, float] | None = None) -> tuple[Shown, ...]:
    """What to show the panel after round 1; `observed` is the share (0 … 1) that got an item right in an earlier exam."""
    known = dict(observed or {})
    for item, share in known.items():
        if item not in first.items or not 0 <= share <= 1:
            raise AngoffError(f"observed {item!r}: {share!r}; name an item that was rated, and a share from 0 to 1")
    return tuple(
        Shown(
            item, statistics.fmean(given), min(given), max(given), statistics.stdev(given),
            100 * known[item] if item in known else None,
        )
        for item in first.items
        for given in (first.of_item(item),)
    )  # fmt: skip


def set_cut(inputs: Inputs) -> Result:
    """The cuts of all forms, sealed; raises `AngoffError` where a step of the procedure is missing or wrong."""
    _check(inputs)
    moved = {a.form: a for a in inputs.adjustments}
    cuts = tuple(_cut(inputs, form, moved.get(form.name)) for form in inputs.forms)
    few = len(inputs.second.judges)
    notes = (f"{few} judges are few: the standard error itself is uncertain",) if few < FEW_JUDGES else ()
    return Result(inputs, cuts, _judges(inputs), _items(inputs), notes, digest(inputs))


def digest(inputs: Inputs) -> str:
    """SHA-256 of the inputs, hexadecimal; 60 and 60.0 are one rating, so the inputs are taken as a file would give them."""
    as_read = msgspec.json.decode(msgspec.json.encode(inputs), type=Inputs)
    return hashlib.sha256(msgspec.json.encode(as_read, order="sorted")).hexdigest()


def _check(inputs: Inputs) -> None:
    first, second = inputs.first, inputs.second
    if (first.round, second.round) != (1, 2):
        raise AngoffError(f"rounds {first.round} and {second.round} were given; the procedure needs round 1, then round 2")
    if set(first.judges) != set(second.judges):
        apart = ", ".join(sorted(set(first.judges) ^ set(second.judges)))
        raise AngoffError(f"{apart}: not in both rounds; a judge who left is taken out of both")
    if set(first.items) != set(second.items):
        apart = ", ".join(sorted(set(first.items) ^ set(second.items)))
        raise AngoffError(f"item {apart}: not rated in both rounds; rate the same items twice")
    seen = {s.item: s.observed / 100 for s in inputs.shown if s.observed is not None}
    if not _alike(inputs.shown, discussion(first, seen)):
        raise AngoffError("what was shown does not follow from round 1; make it with `discussion` from the same ratings")
    names = [f.name for f in inputs.forms]
    if not names or len(set(names)) != len(names):
        raise AngoffError("forms are missing or named twice; give at least one form, each a name of its own")
    for form in inputs.forms:
        if missing := [i for i in form.items if i not in second.items]:
            raise AngoffError(f"form {form.name!r}: {', '.join(missing)} was not rated; every item of a form needs ratings")
    if not 0 <= inputs.limit < math.inf:
        raise AngoffError(f"a limit of {inputs.limit} standard errors is none; give 0 or more")
    moved = [a.form for a in inputs.adjustments]
    if len(set(moved)) != len(moved) or set(moved) - set(names):
        raise AngoffError("an adjustment names no form of these, or a form twice; give at most one per form")


def _alike(shown: Sequence[Shown], right: Sequence[Shown]) -> bool:
    """Whether the same was shown; a percent that went through a share may differ in its last digits."""

    def numbers(row: Shown) -> tuple[float, ...]:
        return row.mean, row.lowest, row.highest, row.deviation

    return [s.item for s in shown] == [s.item for s in right] and all(
        math.isclose(x, y, abs_tol=ROUNDING)
        for one, two in zip(shown, right, strict=True)
        for x, y in zip(numbers(one), numbers(two), strict=True)
    )


def own_cuts(ratings: Ratings, form: Form) -> list[float]:
    """The cut of each judge alone, in points, in the order of `ratings.judges`."""
    places = [ratings.items.index(i) for i in form.items]
    return [math.fsum(row[k] * p for k, p in zip(places, form.points, strict=True)) / 100 for row in ratings.percents]


def _cut(inputs: Inputs, form: Form, adjustment: Adjustment | None) -> Cut:
    own = own_cuts(inputs.second, form)
    rated, error = statistics.fmean(own), statistics.stdev(own) / math.sqrt(len(own))
    by, reason = (adjustment.by, adjustment.reason.strip()) if adjustment else (0.0, "")
    if adjustment is not None and len(reason) < SHORTEST_REASON:
        raise AngoffError(f"form {form.name!r}: no reason for moving the cut; write one of {SHORTEST_REASON} letters or more")
    if not abs(by) <= inputs.limit * error + ROUNDING:
        raise AngoffError(
            f"form {form.name!r}: {by:+g} points are more than {inputs.limit:g} standard errors of {error:.3g}; "
            f"move the cut by at most {inputs.limit * error:.3g} points, or rate again"
        )
    cut, maximum = rated + by, math.fsum(form.points)
    if not 0 < cut <= maximum:
        raise AngoffError(f"form {form.name!r}: a cut of {cut:g} lies outside 0 to {maximum:g}; look at the ratings again")
    lowest = math.ceil(cut / form.step - ROUNDING) * form.step
    first = statistics.fmean(own_cuts(inputs.first, form))
    return Cut(form.name, maximum, first, rated, error, by, reason, cut, lowest)


def _judges(inputs: Inputs) -> tuple[JudgeRow, ...]:
    first, second = inputs.first, inputs.second
    rows = []
    for judge, after in zip(second.judges, second.percents, strict=True):
        before = first.percents[first.judges.index(judge)]
        changed = sum(b != before[first.items.index(i)] for i, b in zip(second.items, after, strict=True))
        rows.append(JudgeRow(judge, statistics.fmean(before), statistics.fmean(after), changed))
    return tuple(rows)


def _items(inputs: Inputs) -> tuple[ItemRow, ...]:
    seen = {s.item: s.observed for s in inputs.shown}
    rows = []
    for item in inputs.second.items:
        one, two = inputs.first.of_item(item), inputs.second.of_item(item)
        (m1, s1), (m2, s2) = ((statistics.fmean(given), statistics.stdev(given)) for given in (one, two))
        rows.append(ItemRow(item, m1, s1, m2, s2, seen[item]))
    return tuple(rows)


def verify(result: Result) -> None:
    """Work `result` out again from its inputs; raises `AngoffError` where anything differs."""
    if result.digest != digest(result.inputs):
        raise AngoffError("the digest is not that of the inputs: something was changed; put back the file that was sealed")
    if result != set_cut(result.inputs):
        raise AngoffError("the result does not follow from its inputs: it was changed; put back the file that was sealed")


def save(result: Result, file: Path) -> None:
    """Write `result` as JSON, once; raises `AngoffError` where `file` exists or can't be written."""
    verify(result)
    try:
        with file.open("xb") as out:
            out.write(msgspec.json.format(msgspec.json.encode(result, order="sorted")) + b"\n")
    except FileExistsError as error:
        raise AngoffError(f"{file} exists; a cut score is never written over: choose another name") from error
    except OSError as error:
        raise AngoffError(f"{file} can't be written ({error.strerror}); choose a folder of yours") from error


def load(file: Path) -> Result:
    """The result in `file`, verified; raises `AngoffError`."""
    try:
        result = msgspec.json.decode(file.read_bytes(), type=Result)
    except (OSError, msgspec.MsgspecError, UnicodeError) as error:
        raise AngoffError(f"{file} is no sealed cut score ({error}); put back the file that was sealed") from error
    verify(result)
    return result
