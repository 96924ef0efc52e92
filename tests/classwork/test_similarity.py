"""Records that are too alike: people who worked alone are left in peace, copies with small edits are found."""

from __future__ import annotations

import random
import time
from itertools import combinations

import msgspec
import pytest
from independent_calls import call, copied, somebody
from small_class import NAME

from blowerbench import acts as a
from blowerbench.record import CallRecord, read_record
from blowergrade.classwork import similarity
from blowergrade.classwork.folder import ClassFolder
from blowergrade.classwork.similarity import compare, compare_class, text


@pytest.fixture
def base(folder: ClassFolder) -> CallRecord:
    return read_record(folder.root / "submitted" / "s01" / NAME / "call.jsonl")


@pytest.mark.parametrize("freedom", [0.0, 0.15, 0.4, 0.8])
@pytest.mark.parametrize(("size", "classes"), [(8, 20), (30, 3)])
def test_who_worked_alone_is_not_reported(base: CallRecord, freedom: float, size: int, classes: int) -> None:
    """From people who keep to the taught order but for a slip to people who choose wherever it leaves a choice."""
    pairs = reported = 0
    for trial in range(classes):
        dice = random.Random(f"{freedom} {size} {trial}")
        people = {f"p{k:02d}": somebody(base, dice, f"p{trial}-{k}", freedom) for k in range(size)}
        reported += len(compare(people).pairs)
        pairs += size * (size - 1) // 2
    assert pairs >= 500 and reported == 0


@pytest.mark.parametrize(("edits", "freedom", "least"), [(4, 0.8, 0.9), (4, 0.4, 0.7), (8, 0.8, 0.8)])
def test_a_copy_with_small_edits_is_found_and_nobody_else(base: CallRecord, edits: int, freedom: float, least: float) -> None:
    found, classes = 0, 20
    for trial in range(classes):
        dice = random.Random(f"copy {edits} {freedom} {trial}")
        people = {f"p{k:02d}": somebody(base, dice, f"p{trial}-{k}", freedom) for k in range(20)}
        people["copy"] = copied(base, people["p03"], dice, "copy", edits)
        pairs = [(p.one, p.other) for p in compare(people).pairs]
        assert set(pairs) <= {("copy", "p03")}
        found += bool(pairs)
    assert found >= least * classes


def test_the_passages_shown_stand_in_both_calls(base: CallRecord) -> None:
    dice = random.Random(5)
    people = {f"p{k:02d}": somebody(base, dice, f"p{k}", 0.8) for k in range(20)}
    people["copy"] = copied(base, people["p03"], dice, "copy", 4)
    pair = compare(people).pairs[0]
    assert pair.passages
    for passage in pair.passages:
        for k in range(len(passage.acts)):
            one, other = (
                people[who].lines[first - 1 + k].act for who, first in ((pair.one, passage.first), (pair.other, passage.second))
            )
            assert one == other or {type(one), type(other)} == {a.WriteUp}


@pytest.mark.parametrize("copies", [2, 3, 5, 40])
def test_one_record_handed_in_by_several_is_told_of_each_pair(base: CallRecord, copies: int) -> None:
    dice = random.Random(6)
    people = {f"p{k:02d}": somebody(base, dice, f"p{k}", 0.8) for k in range(2)}
    people |= {f"x{k:02d}": base for k in range(copies)}
    same = {(p.one, p.other) for p in compare(people).pairs if p.same_call}
    assert same == set(combinations([f"x{k:02d}" for k in range(copies)], 2))
    assert compare(people).pairs[0].same_call


def test_small_groups_of_a_class_in_which_each_has_another_fault_are_no_ground_for_a_report(base: CallRecord) -> None:
    """Ten complaints with three people each, all of whom keep close to what they were taught."""
    reported = 0
    for trial in range(10):
        dice = random.Random(f"groups {trial}")
        people = {}
        for k in range(30):
            one = somebody(base, dice, f"p{k}", 0.1)
            header = msgspec.structs.replace(one.header, complaint=f"complaint-{k % 10}")
            people[f"p{k:02d}"] = CallRecord(header, one.lines, one.head)
        reported += len(compare(people).pairs)
    assert reported == 0


def test_words_that_only_two_wrote_are_told_though_their_acts_differ(base: CallRecord) -> None:
    dice = random.Random(7)
    people = {f"p{k:02d}": somebody(base, dice, f"p{k}", 0.8) for k in range(12)}
    assert compare(people).pairs == ()
    written = [line.act for line in people["p03"].lines if isinstance(line.act, a.WriteUp)]
    acts = [written[0] if isinstance(line.act, a.WriteUp) else line.act for line in people["p09"].lines]
    people["p09"] = call(base, acts, "p09")
    pairs = compare(people).pairs
    assert [(p.one, p.other) for p in pairs] == [("p03", "p09")] and len(pairs[0].same_words) >= 2
    assert "same words" in text(compare(people), {"p03": "Ada"}) and "Ada" in text(compare(people), {"p03": "Ada"})


def test_the_order_of_students_changes_nothing(base: CallRecord) -> None:
    dice = random.Random(8)
    people = {f"p{k:02d}": somebody(base, dice, f"p{k}", 0.8) for k in range(12)}
    people["copy"] = copied(base, people["p03"], dice, "copy", 3)
    assert compare(people) == compare(dict(reversed(people.items())))


def test_threshold_is_robust_deviations_above_the_median() -> None:
    # Worked by hand: median 0.2; absolute deviations 0.2 0.1 0 0.1 0.2 have the median 0.1; 0.2 + 6 x 1.4826 x 0.1 = 1.08956.
    middle, threshold = similarity.cut([0.0, 0.1, 0.2, 0.3, 0.4])
    assert middle == pytest.approx(0.2) and threshold == pytest.approx(1.08956)
    assert similarity.cut([]) == (0.0, similarity.LEAST)


def test_what_can_not_be_read_is_left_to_grading(folder: ClassFolder) -> None:
    (folder.root / "submitted" / "s02" / NAME / "call.jsonl").write_bytes(b"{" * 5000)
    report = compare_class(folder, NAME, progress=False)
    assert (report.records, report.pairs) == (1, ())


def test_a_thousand_records_with_copies_take_bounded_time(base: CallRecord) -> None:
    dice = random.Random(9)
    people = {f"p{k:04d}": somebody(base, dice, f"p{k}", 0.4) for k in range(1000)}
    people["copy"] = copied(base, people["p0003"], dice, "copy", 4)
    started = time.perf_counter()
    report = compare(people)
    assert time.perf_counter() - started < 60.0 and report.records == 1001
    assert ("copy", "p0003") in [(p.one, p.other) for p in report.pairs]
