"""The guide for an exam's numbers: its commands print what it quotes, and its numbers are those of other people's libraries."""

from __future__ import annotations

import re
import shlex
import tomllib
from importlib.resources import files
from pathlib import Path

import numpy as np
import pandas as pd
import pingouin
import pytest
from school_office import CALLS, ITEMS, JUDGES, ROUNDS, WRITE_UPS, results, write_office
from scipy import stats
from statsmodels.stats.inter_rater import cohens_kappa
from statsmodels.stats.proportion import proportion_confint

from blowergrade.cli import _parser, main
from blowergrade.exam.blueprint import load_blueprint
from blowergrade.statistics.angoff import FEW_JUDGES, LIMIT
from blowergrade.statistics.irt import FEWEST

GUIDE = files("blowerlessons").joinpath("guides").joinpath("statistics.md").read_text(encoding="utf-8")
TEXT = " ".join(GUIDE.split())
BLOCKS = [b.removeprefix("\n").rstrip("\n") for b in GUIDE.split("```")[1::2]]
COMMANDS = [line for b in BLOCKS for line in b.splitlines() if line.startswith("blowergrade ")]


def test_the_guides_commands_in_their_order_print_what_it_quotes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    write_office(tmp_path)
    assert len(COMMANDS) >= 7
    for line in COMMANDS:
        assert callable(_parser().parse_args(shlex.split(line)[1:]).run), line
        if not line.startswith("blowergrade exam "):
            assert main(shlex.split(line)[1:]) == 0, line
    printed = set(capsys.readouterr().out.splitlines())
    quoted = [b for b in BLOCKS if not b.startswith(("blowergrade ", "text\n", "toml\n"))]
    assert len(quoted) >= 4
    for wanted in (line for b in quoted for line in b.splitlines()):
        assert wanted in printed, wanted
    tables = [b.removeprefix("text\n").splitlines() for b in BLOCKS if b.startswith("text\n")]
    for table, name in zip(tables, ("gradings", "round-1"), strict=True):
        kept = (tmp_path / f"{name}.csv").read_text("utf-8").splitlines()
        assert table[0] == kept[0] and set(table) <= set(kept), name


def test_the_guides_numbers_of_form_a_are_those_of_other_libraries() -> None:
    passed = np.array([[mark == "1" for mark in calls] for calls in CALLS["A"]], dtype=float)
    alpha, (low, high) = pingouin.cronbach_alpha(pd.DataFrame(passed))
    total = passed.sum(axis=1)
    assert f"{alpha:.2f}: a bit more than half" in TEXT and f"between {low:.2f} and {high:.2f}" in TEXT
    assert f"{total.std(ddof=1) * (1 - alpha) ** 0.5:.2f} calls: on another form" in TEXT
    one = np.corrcoef(passed[:, 0], total - passed[:, 0])[0, 1]
    assert one < 0.2 and "Here call 1 stands below 0.2. Two people of 20 failed it" in TEXT and (passed[:, 0] == 0).sum() == 2
    verdicts = {f: [c.count("1") >= 4 and "!" not in c for c in CALLS[f]] for f in CALLS}
    table = [[sum(v), len(v) - sum(v)] for v in verdicts.values()]
    p = stats.chi2_contingency(table, correction=False).pvalue
    assert f"{table[0][0]} of 20 passed on form A" in TEXT and f"in {100 * p:.0f} of 100 sittings" in TEXT
    low, high = proportion_confint(table[0][0], 20, method="wilson")
    assert f"anything from {100 * low:.0f} % to {100 * high:.0f} %" in TEXT
    assert sum(c.count("1") >= 4 for c in CALLS["A"]) == 15 and "*15 by calls alone* and *14 pass*" in TEXT


def test_the_guides_kappas_are_those_of_another_library() -> None:
    square = np.zeros((3, 3))
    for one, other in zip(*WRITE_UPS, strict=True):
        square[int(one), int(other)] += 1
    plain, near = cohens_kappa(square), cohens_kappa(square, wt="quadratic")
    agreed = int(np.trace(square))
    assert f"agreed on {agreed} of 20 write-ups ({5 * agreed} %)" in TEXT
    chance = float(square.sum(axis=0) @ square.sum(axis=1)) / 400
    assert f"agreed on {100 * chance:.0f} %" in TEXT
    assert f"they reached: {plain.kappa:.2f}" in TEXT and f"*weighted* kappa, {near.kappa:.2f}" in TEXT


def test_the_guides_table_of_small_numbers_follows_from_the_published_intervals() -> None:
    """Wilson 1927 through statsmodels; Feldt, Woodruff and Salih 1987: 1 − (1 − α)·F with n − 1 and (n − 1)(k − 1)."""
    rows = re.findall(r"^\| (\d+) \| (\d+) % to (\d+) % \| ([\d.]+) to ([\d.]+) \|", GUIDE, re.MULTILINE)
    assert [int(r[0]) for r in rows] == [10, 20, 50, 100]
    for n, *said in ((int(r[0]), *r[1:]) for r in rows):
        share = [f"{100 * x:.0f}" for x in proportion_confint(round(0.7 * n), n, method="wilson")]
        feldt = [f"{1 - 0.4 * stats.f.ppf(q, n - 1, 4 * (n - 1)):.2f}" for q in (0.975, 0.025)]
        assert said == share + feldt, n


def test_the_guides_cut_is_the_sum_of_the_mean_ratings_and_goes_into_its_blueprint() -> None:
    form = np.array(ROUNDS[1][: len(ITEMS["A"])], dtype=float) / 100
    assert f"add up to {form.mean(axis=1).sum():.2f} calls" in TEXT and len(JUDGES) == 6
    rule = tomllib.loads(next(b for b in BLOCKS if b.startswith("toml\n")).removeprefix("toml\n"))["pass_rule"]
    shipped = load_blueprint("example").pass_rule
    assert (rule["points"], rule["calls"], rule["critical"]) == (shipped.points, shipped.calls, shipped.critical)
    assert "by two standard errors at most" in TEXT and LIMIT == 2.0
    assert "With fewer than five the program says" in TEXT and FEW_JUDGES == 5
    assert f"needs {FEWEST} people on one form" in TEXT
    assert len(results()) == 200 and not re.search(r"\b(compliant|conformant|accredited)\b", TEXT)


def test_a_cut_that_goes_into_no_blueprint_is_said_to(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    write_office(tmp_path)
    rounds = [str(tmp_path / f"round-{k}.csv") for k in (1, 2)]
    for shares, words in (
        ({"A": 5, "B": 3}, "The forms need 3 or 4 calls, and a blueprint holds one number"),
        ({"A": 5, "B": 5}, "For the next blueprint, under [pass_rule]: calls = 4"),
    ):
        lines = ["form,item", *(f"{f},{i}" for f, n in shares.items() for i in ITEMS[f][:n])]
        (tmp_path / "forms.csv").write_text("\n".join(lines), "utf-8")
        assert main(["angoff", "cut", *rounds, "--forms", str(tmp_path / "forms.csv")]) == 0
        assert words in capsys.readouterr().out
    (tmp_path / "forms.csv").write_text("\n".join(("form,item,points", *(f"A,{i},10" for i in ITEMS["A"]))), "utf-8")
    assert main(["angoff", "cut", *rounds, "--forms", str(tmp_path / "forms.csv")]) == 0
    assert "these cuts are in points and go into none" in capsys.readouterr().out
