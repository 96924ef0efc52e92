"""An act explained says what was possible, what fell and why, and what was best: checked against record and arithmetic."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from fractions import Fraction
from itertools import pairwise
from pathlib import Path

import pytest

from blowerbench import LocalBench, load_equipment, load_faults
from blowerbench import acts as a
from blowerbench.faults import Hypothesis
from blowergrade import cli
from blowergrade.decision_picture import picture
from blowergrade.decision_tree import lines_of, tree_of
from blowergrade.explain import Explained, Explainer, ExplainError, percents, text_of
from blowergrade.explain_picture import timeline
from blowergrade.foresight import Foresight, groups_of, outward
from blowergrade.pages import explanation_page, explanation_section
from blowergrade.path import MODES, table_for
from blowergrade.score import grade_bench
from blowergrade.technicians import Technician
from blowergrade.wording import Words

UNIT, FAULT, COMPLAINT = "furnace_120_constant_airflow", "wall_G_open", "no_fan_new_thermostat"
EQUIPMENT = load_equipment(UNIT)
CATALOGUE = load_faults(EQUIPMENT)
WORDS = Words(EQUIPMENT, CATALOGUE)


@pytest.fixture(scope="module")
def explainer() -> Explainer:
    """A competent call with one careless act in it: a live reading with nothing worn."""
    bench = LocalBench(UNIT, FAULT, COMPLAINT, variant="explain", person="Robin <Ashdown>")
    careless = (
        a.ReadStatus(), a.SetDoor(False), a.SetMeter("volts_ac"), a.PlaceLead("black", "board.C"),
        a.PlaceLead("red", "board.G"), a.LiftLead("red"), a.LiftLead("black"), a.SetDoor(True),
    )  # fmt: skip
    for act in careless:
        bench.act(act)
    Technician(bench).work()
    return Explainer(grade_bench(bench), bench.lines)


@pytest.fixture(scope="module")
def everything(explainer: Explainer) -> tuple[Explained, ...]:
    return explainer.everything


def test_every_act_of_the_record_is_explained_in_order(explainer: Explainer, everything: tuple[Explained, ...]) -> None:
    assert [x.seq for x in everything] == [line.seq for line in explainer.lines]
    assert sum(x.seconds for x in everything) == explainer.lines[-1].clock
    assert all(x.did.endswith(".") for x in everything)


def test_what_is_left_after_one_act_is_what_was_possible_before_the_next(everything: tuple[Explained, ...]) -> None:
    for one, following in pairwise(everything):
        assert one.after == following.before and one.possible[1] == following.possible[0]
    for x in everything:
        assert x.possible[0] - x.possible[1] == sum(f.count for f in x.fallen)


def test_the_true_cause_is_never_ruled_out_and_ends_alone(explainer: Explainer, everything: tuple[Explained, ...]) -> None:
    assert all(Hypothesis(FAULT) in left for left in explainer.alive.values())
    assert [p.title for p in everything[-1].after] == ["thermostat cable"] and everything[-1].after[0].percent == 100


def test_shares_are_those_of_the_catalogues_priors_and_add_up_to_a_hundred(explainer: Explainer) -> None:
    # Bayes with equal chances of every reading that is possible: a share is prior weight over prior weight (arithmetic).
    for seq, left in explainer.alive.items():
        total = sum(map(CATALOGUE.weight, left))
        for place in explainer.places(left):
            own = [h for h in left if WORDS.correction(h) == place.title]
            assert abs(Fraction(100 * sum(map(CATALOGUE.weight, own)), total) - place.percent) < 1, seq
        assert sum(p.percent for p in explainer.places(left)) == 100


@pytest.mark.parametrize(
    ("weights", "expected"),
    [({"a": 1, "b": 1, "c": 1}, [34, 33, 33]), ({"a": 999, "b": 1}, [100, 0]), ({}, []), ({"a": 0}, [])],
)
def test_whole_percents_go_to_the_largest_remainders(weights: dict[str, int], expected: list[int]) -> None:
    assert list(percents(weights).values()) == expected  # method of largest remainders (Hamilton), from memory


def test_the_status_rules_the_dark_displays_out_and_says_what_they_would_have_shown(explainer: Explainer) -> None:
    first = explainer.act(1)
    text = "\n".join(explainer.sentences(first))
    assert "Read the board's status." in text and "It showed: Status: heat on standby." in text
    dark = next(f for f in first.fallen if "dark" in f.predicted)
    assert "transformer primary open" in dark.causes  # common practice: no transformer, no status


def test_the_question_that_was_best_is_recognised_when_it_is_asked(explainer: Explainer) -> None:
    best = explainer.act(1).best
    assert best is not None and best.question == "Read the status" and best.asked
    assert "No question was better here." in "\n".join(explainer.sentences(explainer.act(1)))


def test_the_best_question_costs_what_its_acts_take_and_each_outcome_leaves_what_the_table_says(explainer: Explainer) -> None:
    left = explainer.alive[1]
    mask = explainer.table.mask(left)
    test = explainer.table.best(mask, MODES[0])
    best = explainer.best(left, 2)
    assert test is not None and best is not None and len(best.tells) == len(groups_of(explainer.table, mask, test)) > 1
    assert len({outcome for outcome, _ in best.tells}) == len(best.tells), "outcomes must read differently"
    assert best.seconds >= sum(a.duration(x) for x in test.acts)


def test_a_violation_stands_with_the_act_that_did_it(explainer: Explainer) -> None:
    seqs = {b.seq for b in explainer.sheet.violations}
    assert seqs, "the careless reading breaks a rule"
    for seq in seqs:
        assert explainer.act(seq).violations and "Safety: " in "\n".join(explainer.sentences(explainer.act(seq)))
    assert seqs <= {x.seq for x in explainer.telling}


def test_an_act_after_the_diagnosis_says_that_it_searches_no_more(explainer: Explainer) -> None:
    last = explainer.act(len(explainer.lines))
    assert last.best is None and "The diagnosis had been stated" in "\n".join(explainer.sentences(last))


def test_no_id_stands_in_what_an_apprentice_reads(explainer: Explainer, everything: tuple[Explained, ...]) -> None:
    report = next(k for k, line in enumerate(explainer.lines) if isinstance(line.act, a.WriteUp))
    text = text_of(explainer, (*everything[:report], *everything[report + 1 :]))
    assert not re.findall(r"\b[a-z]+(?:_[a-zA-Z0-9]+)+\b", text)


@pytest.mark.parametrize("seq", [0, -1, 100000])
def test_an_act_that_the_call_does_not_have_is_refused_with_those_it_has(explainer: Explainer, seq: int) -> None:
    with pytest.raises(ExplainError, match=f"acts 1 to {len(explainer.lines)}"):
        explainer.act(seq)


# ---------------------------------------------------------------------- the pictures
def test_the_time_line_is_one_svg_with_a_title_a_description_and_the_same_bytes_again(explainer: Explainer) -> None:
    drawn = timeline(explainer)
    root = ET.fromstring(drawn.svg())
    names = {child.tag.rpartition("}")[2]: child for child in root}
    assert root.get("role") == "img" and {"title", "desc"} <= set(names)
    described = names["desc"].text or ""
    assert f"Act 1 at {explainer.lines[0].clock // 60}:{explainer.lines[0].clock % 60:02d}" in described
    assert described.count("Violation (") == len({(b.level, b.text) for b in explainer.sheet.violations}) > 0
    assert timeline(explainer).svg() == drawn.svg()
    assert drawn.png()[:8] == b"\x89PNG\r\n\x1a\n"  # the PNG signature (ISO/IEC 15948, from memory)


def test_every_place_that_was_possible_at_arrival_has_its_row(explainer: Explainer) -> None:
    svg = timeline(explainer).svg()
    for place in explainer.places(explainer.alive[0]):
        assert f"{place.title.split()[0]}" in svg


def test_the_page_holds_every_telling_act_and_runs_nothing(explainer: Explainer) -> None:
    page = explanation_page(explainer, explainer.telling)
    for x in explainer.telling:
        assert f"Act {x.seq}, at " in page
    assert "<script" not in page and "Robin &lt;Ashdown&gt;" in page and 'lang="en"' in page
    assert not re.search(r"\b(?:src|href)\s*=\s*[\"'](?!#)", page)
    section = explanation_section(explainer, explainer.telling[:1], level=3)
    assert section.lstrip().startswith("<section") and "<h3" in section and "<h4" in section


def test_the_decision_tree_holds_every_cause_once_and_says_which_outcome_leads_there() -> None:
    table = table_for(EQUIPMENT, CATALOGUE, COMPLAINT)
    tree = tree_of(table, COMPLAINT, WORDS)
    ends = [node for _, node in tree.walk() if not node.question]
    assert sum(node.mask for node in ends) == table.mask(table.hypotheses) and not any(n.closed for n in ends)
    assert all(node.outcome for depth, node in tree.walk() if depth)
    for _, node in tree.walk():
        assert len({b.outcome for b in node.branches}) == len(node.branches)
    text = "\n".join(lines_of(tree, WORDS))
    assert "The status display is dark:" in text and re.search(r"2\d\.?\d* to 2\d\.?\d* V:", text)


def test_a_tree_cut_to_a_few_ends_keeps_every_cause_and_says_how_many_it_hides() -> None:
    table = table_for(EQUIPMENT, CATALOGUE, COMPLAINT)
    tree = tree_of(table, COMPLAINT, WORDS, 3)
    ends = [node for _, node in tree.walk() if not node.question]
    assert len(ends) <= 3 and sum(node.causes for node in ends) == len(table.hypotheses)
    closed = [n for n in ends if n.closed]
    assert closed and any(f"… {closed[0].causes} causes" in line for line in lines_of(tree, WORDS))
    drawn = picture(tree, WORDS, COMPLAINT)
    assert ET.fromstring(drawn.svg()).get("role") == "img" and "causes" in drawn.text


def test_each_outcome_names_a_reading_that_its_own_causes_give_and_the_others_do_not() -> None:
    table = table_for(EQUIPMENT, CATALOGUE, COMPLAINT)
    foresight = Foresight(table, COMPLAINT, WORDS)
    test = next(r.test for r in table.rows if r.test.name == "stat.G to stat.C")
    pair = table.mask([Hypothesis("stat_no_fan"), Hypothesis("wall_G_open")])
    found = {foresight.members(o.mask)[0].fault: o.words for o in foresight.outcomes(pair, test)}
    # common practice: G called at the thermostat reads the transformer's volts, about 24 to 28, and next to nothing when dead
    low, high = map(float, re.findall(r"[\d.]+", found["wall_G_open"]))
    assert 22 <= low < 24.9 and 27 < high <= 30 and found["wall_G_open"].endswith(" V")
    assert float(re.findall(r"[\d.]+", found["stat_no_fan"])[-1]) < 1.0


@pytest.mark.parametrize(
    ("value", "up", "shown"), [(24.1234, False, 24.1), (28.71, True, 28.8), (0.0, True, 0.0), (999.6, True, 1000.0)]
)
def test_bounds_are_rounded_outward_to_three_digits(value: float, up: bool, shown: float) -> None:
    assert outward(value, up) == pytest.approx(shown, rel=1e-12)


def test_the_command_explains_one_act_and_writes_page_and_pictures(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    record = tmp_path / "call.jsonl"
    bench = LocalBench(UNIT, FAULT, COMPLAINT, record=record)
    bench.act(a.ReadStatus())
    bench.close()
    assert cli.main(["explain", str(record), "--fault", FAULT, "--act", "1", "--out", str(tmp_path)]) == 0
    assert "Possible before (causes: 9)" in capsys.readouterr().out
    for ending in ("html", "svg", "png"):
        assert (tmp_path / f"call-explained.{ending}").stat().st_size > 1000
    assert cli.main(["explain", str(record), "--fault", FAULT, "--act", "2"]) == 2
    assert capsys.readouterr().err.count("\n") == 1


def test_the_path_command_draws_the_tree_and_refuses_another_kind_of_file(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.main(["path", COMPLAINT, "--picture", str(tmp_path / "tree.svg")]) == 0
    assert ET.parse(tmp_path / "tree.svg").getroot().get("role") == "img"
    assert cli.main(["path", COMPLAINT, "--picture", str(tmp_path / "tree.doc")]) == 2
    assert ".svg or .png" in capsys.readouterr().err
