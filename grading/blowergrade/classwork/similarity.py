"""Records that are too alike: act sequences that were copied although the variants differ.

Rule: a hint for a conversation, never proof. What the course teaches everybody weighs almost nothing; what is left to chance or
habit (odd waits, orders that nothing asks for, needless acts, the words of a write-up) weighs much.

Each record becomes the set of its runs of three acts. A run weighs the more, the fewer records of the class hold it (inverse
document frequency, as text retrieval has it), and a pair's likeness is the weight of what both hold over the weight of what
either holds, to which the weight of `SPARE` runs that nobody else has is added: two people who keep to the taught order and
share one slip hold little that is their own, and are not alike for it. A pair is reported where its likeness stands far out
among all pairs of the class: more than `FAR` robust deviations above their median, and above `LEAST`.

In a simulation of classes of 8 and of 30 whose people worked alone, each choosing by dice where the taught order leaves a
choice (from hardly anywhere to almost everywhere), none of 126,800 pairs in 1,040 classes was reported. A copy with four small
edits was found in nine of ten classes or more where the call copied had an order of its own, one with eight in four of ten to
nearly all; where the call copied kept to the taught order to the letter, never: such a call looks like everybody's.
"""

from __future__ import annotations

import math
import statistics
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from itertools import combinations

import msgspec
from tqdm.auto import tqdm

from blowerbench import acts as a
from blowerbench.equipment import load_equipment
from blowerbench.errors import BenchError
from blowerbench.messages import describe
from blowerbench.record import CallRecord, read_record
from blowergrade.classwork.folder import ClassFolder
from blowergrade.classwork.hand_in import Held, find_record

RUN = 3
FAR = 6.0
LEAST = 0.4
SPARE = 8
#: A run that more records than this share hold, or more than so many, tells nothing of a pair, and would only cost time.
COMMON = 0.5
MANY = 30
#: Fewer records say nothing about what is common; of those only the very same call and the same words are told.
FEWEST = 6


class Passage(msgspec.Struct, frozen=True):
    """Acts that stand in both records: where they begin (act numbers), and the acts in words."""

    first: int
    second: int
    acts: tuple[str, ...]


class Pair(msgspec.Struct, frozen=True):
    """Two students whose calls are alike: likeness 0 to 1, and the longest passages that few others have."""

    one: str
    other: str
    likeness: float
    passages: tuple[Passage, ...]
    same_call: bool = False  # the very same record
    same_words: tuple[str, ...] = ()  # sentences of the write-ups that only these two have


class Report(msgspec.Struct, frozen=True):
    """The pairs that stand out, the most alike first, and what the class looks like."""

    assignment: str
    records: int
    median: float
    threshold: float
    pairs: tuple[Pair, ...]


def compare_class(folder: ClassFolder, name: str, progress: bool = True) -> Report:
    """The report on the records of assignment `name`. Records of different units or complaints are never compared."""
    records: dict[str, CallRecord] = {}
    for one in tqdm(folder.assignment(name).assigned, desc="Reading", unit="call", disable=not progress):
        try:
            file = find_record(folder.root / "submitted" / one.student / name)
            if file is not None:
                records[one.student] = read_record(file)
        except (Held, BenchError, RecursionError):
            continue  # what can't be read is told by grading
    return compare(records, name)


def compare(records: Mapping[str, CallRecord], name: str = "") -> Report:
    """The report on `records`, by student."""
    groups: dict[tuple[str, str], list[str]] = defaultdict(list)
    for student, record in records.items():
        groups[record.header.equipment, record.header.complaint].append(student)
    likenesses: list[float] = []
    scored: dict[tuple[str, str], float] = {}
    runs = {s: runs_of([line.act for line in r.lines]) for s, r in records.items()}
    weights: dict[tuple[str, str], dict[str, float]] = {}
    for key, students in groups.items():
        if len(students) < FEWEST:
            continue
        weights[key] = weights_of([runs[s] for s in students])
        found = _likenesses(students, runs, weights[key])
        scored |= found
        pairs_of_group = len(students) * (len(students) - 1) // 2
        likenesses += [*found.values(), *([0.0] * (pairs_of_group - len(found)))]
    median, threshold = cut(likenesses)
    same, words = _same_calls(records), _same_words(records)
    pairs = []
    for one, other in sorted({p for p, v in scored.items() if v >= threshold} | same | set(words)):
        likeness = scored.get((one, other), 0.0)
        weight = weights.get((records[one].header.equipment, records[one].header.complaint), {})
        told = _passages(records[one], records[other], weight) if likeness >= threshold else ()
        pairs.append(Pair(one, other, round(likeness, 3), told, (one, other) in same, words.get((one, other), ())))
    pairs.sort(key=lambda p: (not p.same_call, -p.likeness, p.one, p.other))
    return Report(name, len(records), round(median, 3), round(threshold, 3), tuple(pairs))


def cut(likenesses: Sequence[float]) -> tuple[float, float]:
    """The median of all pairs, and the likeness from which a pair stands out: `FAR` robust deviations above, at least `LEAST`.

    The robust deviation is 1.4826 times the median absolute deviation, which a normal distribution's standard deviation is.
    """
    if not likenesses:
        return 0.0, LEAST
    middle = statistics.median(likenesses)
    deviation = 1.4826 * statistics.median(abs(x - middle) for x in likenesses)
    return middle, max(LEAST, middle + FAR * deviation)


# ---------------------------------------------------------------------- runs of acts
def _token(act: a.Act) -> str:
    """An act as one text; of a write-up only that it was written, since its words are compared by themselves."""
    return "write_up" if isinstance(act, a.WriteUp) else a.encode(act).decode()


def runs_of(acts: Sequence[a.Act]) -> Counter[str]:
    """How often each run of `RUN` acts stands in `acts`."""
    tokens = [_token(act) for act in acts]
    return Counter("\n".join(tokens[k : k + RUN]) for k in range(len(tokens) - RUN + 1))


def weights_of(runs: Sequence[Mapping[str, int]]) -> dict[str, float]:
    """The weight of each run: ln((records + 1) / records that hold it), and 0 for one that many hold."""
    held = Counter(run for one in runs for run in one)
    most = max(2.0, min(COMMON * len(runs), MANY))
    return {run: math.log((len(runs) + 1) / n) if n <= most else 0.0 for run, n in held.items()}


def _likenesses(
    students: Sequence[str], runs: Mapping[str, Mapping[str, int]], weights: Mapping[str, float]
) -> dict[tuple[str, str], float]:
    """The likeness of every pair that shares a run with some weight; that of all others is 0."""
    whole = {s: sum(weights[run] for run in runs[s]) for s in students}
    spare = SPARE * math.log((len(students) + 1) / 2)
    holders: dict[str, list[str]] = defaultdict(list)
    for s in sorted(students):
        for run in runs[s]:
            if weights[run]:
                holders[run].append(s)
    shared: dict[tuple[str, str], float] = defaultdict(float)
    for run, those in holders.items():
        for pair in combinations(those, 2):
            shared[pair] += weights[run]
    return {p: v / (whole[p[0]] + whole[p[1]] - v + spare) for p, v in shared.items()}


# ---------------------------------------------------------------------- what to show
def _passages(one: CallRecord, other: CallRecord, weights: Mapping[str, float], most: int = 5) -> tuple[Passage, ...]:
    """The longest stretches of acts that both records have and few others do."""
    x, y = [_token(line.act) for line in one.lines], [_token(line.act) for line in other.lines]
    places: dict[str, list[int]] = defaultdict(list)
    for j in range(len(y) - RUN + 1):
        places["\n".join(y[j : j + RUN])].append(j)
    found: dict[tuple[int, int], tuple[float, int]] = {}
    done: set[tuple[int, int]] = set()
    for i in range(len(x) - RUN + 1):
        for j in places.get("\n".join(x[i : i + RUN]), ()):
            if (i, j) in done:
                continue
            size = RUN
            while i + size < len(x) and j + size < len(y) and x[i + size] == y[j + size]:
                size += 1
            done.update((i + k, j + k) for k in range(size - RUN + 1))
            worth = sum(weights.get("\n".join(x[i + k : i + k + RUN]), 0.0) for k in range(size - RUN + 1))
            if worth > 0.0:
                found[i, j] = worth, size
    best = sorted(found.items(), key=lambda f: (-f[1][0], f[0]))[:most]
    equipment = load_equipment(one.header.equipment)
    return tuple(
        Passage(i + 1, j + 1, tuple(describe(line.act, equipment) for line in one.lines[i : i + min(size, 12)]))
        for (i, j), (_, size) in best
    )


def sentences(record: CallRecord) -> set[str]:
    """The sentences of a record's write-up, small letters and single blanks, those of at least four words."""
    texts = [t for line in record.lines if isinstance(line.act, a.WriteUp) for t in _texts(line.act)]
    plain = (" ".join(t.lower().split()) for text in texts for t in text.replace(";", ".").split("."))
    return {t for t in plain if len(t.split()) >= 4}


def _texts(act: a.WriteUp) -> Iterable[str]:
    return (act.cause, act.correction, act.why, act.customer)


def _pairs_of_two(holders: Mapping[str, Sequence[str]]) -> dict[tuple[str, str], list[str]]:
    """What exactly two hold, by those two."""
    made: dict[tuple[str, str], list[str]] = defaultdict(list)
    for what, those in holders.items():
        if len(those) == 2:
            made[min(those), max(those)].append(what)
    return made


def _same_words(records: Mapping[str, CallRecord]) -> dict[tuple[str, str], tuple[str, ...]]:
    """Pairs that wrote two sentences or more which nobody else of the class wrote, with these sentences."""
    holders: dict[str, list[str]] = defaultdict(list)
    for student, record in records.items():
        for sentence in sentences(record):
            holders[sentence].append(student)
    return {pair: tuple(sorted(found)) for pair, found in _pairs_of_two(holders).items() if len(found) >= 2}


def _same_calls(records: Mapping[str, CallRecord]) -> set[tuple[str, str]]:
    """Pairs that handed in the very same record."""
    holders: dict[str, list[str]] = defaultdict(list)
    for student, record in sorted(records.items()):
        holders[record.head].append(student)
    return {pair for those in holders.values() for pair in combinations(those, 2)}


def text(report: Report, names: Mapping[str, str] | None = None) -> str:
    """The report for a terminal."""
    called = names or {}
    head = (
        f"{report.assignment}: {report.records} records; likeness of a pair is {report.median:.2f} in the middle of the class, "
        f"reported from {report.threshold:.2f} on. A hint for a conversation, never proof."
    )
    lines = [head]
    for pair in report.pairs:
        one, other = (called.get(x, x) for x in (pair.one, pair.other))
        same = ", the very same record" if pair.same_call else ""
        lines.append(f"\n{one} and {other}: likeness {pair.likeness:.2f}{same}")
        lines += [f"  same words: “{w}”" for w in pair.same_words]
        for p in pair.passages:
            lines.append(f"  acts {p.first} and {p.second} on, {len(p.acts)} shown:")
            lines += [f"    {act}" for act in p.acts]
    if not report.pairs:
        lines.append("No pair stands out.")
    return "\n".join(lines)
