"""The pages and the commands that make them: readable by everybody, whole without a network, and true to the numbers."""

from __future__ import annotations

import csv
import json
import re
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from axe_playwright_python.sync_playwright import Axe
from browser.page import chromium
from made_sittings import PUBLISHED, call, lsat, sitting
from numpy.random import Generator
from playwright.sync_api import Browser, sync_playwright
from scipy import stats
from statsmodels.stats.proportion import proportion_confint

from blowergrade.cli import main
from blowergrade.statistics.graders import GRADING_COLUMNS
from blowergrade.statistics.page import render
from blowergrade.statistics.passing import PassRule
from blowergrade.statistics.sitting import PER_FORM_ONLY, sitting_report
from blowergrade.statistics.table import CallResult, write_results
from blowergrade.statistics.words import percent

RULES = {"runOnly": {"type": "tag", "values": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]},
         "resultTypes": ["violations"]}  # fmt: skip
JUDGES = ("Ada Fenn", "Bo Quill", "Cy Marr")


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """The system's Chromium; without it these tests fail."""
    with sync_playwright() as playwright, chromium(playwright) as running:
        yield running


def fill(folder: Path, rng: Generator, people: dict[str, int]) -> Path:
    """Put the results of a sitting, gradings by hand and two rounds of ratings into `folder`."""
    rows = sitting(rng, people, critical=0.1, waiting=0.003)
    write_results(rows, folder / "results.csv")
    with (folder / "gradings.csv").open("w", encoding="utf-8", newline="") as out:
        table = csv.writer(out)
        table.writerow(GRADING_COLUMNS)
        for row in rows[:200:5]:
            for person in ("grader 1", "grader 2"):
                table.writerow((row.candidate, row.item, "write-up", person, rng.integers(0, 3)))
    items = sorted({r.item for r in rows})
    for k in (1, 2):
        lines = [",".join((i, *(str(p) for p in rng.integers(40, 90, size=3)))) for i in items]
        (folder / f"round-{k}.csv").write_text("\n".join((f"item,{','.join(JUDGES)}", *lines)), encoding="utf-8")
    return folder


@pytest.fixture
def small(tmp_path: Path, rng: Generator) -> Path:
    """A folder with a sitting of 25 people on one form."""
    return fill(tmp_path, rng, {"A": 25})


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory, seed: int) -> list[Path]:
    """All three pages of a sitting of 150 on two forms, made by the commands; their sources lie beside them."""
    return make_pages(fill(tmp_path_factory.mktemp("school"), np.random.default_rng(seed), {"A": 120, "B": 30}))


def run(folder: Path, *words: str) -> int:
    """The command with its file names in `folder`."""
    return main([str(folder / w) if re.search(r"\.(csv|html|json|toml)$", w) else w for w in words])


def make_pages(folder: Path) -> list[Path]:
    """All three pages, by the commands."""
    assert run(folder, "statistics", "results.csv", "--ratings", "gradings.csv", "--calls", "3", "-o", "numbers.html") == 0
    assert run(folder, "angoff", "discuss", "round-1.csv", "--shown", "results.csv", "-o", "talk.html") == 0
    words = ("--shown", "results.csv", "--results", "results.csv", "--seal", "cut.json", "-o", "cut.html")
    assert run(folder, "angoff", "cut", "round-1.csv", "round-2.csv", *words) == 0
    return [folder / name for name in ("numbers.html", "talk.html", "cut.html")]


# ---------------------------------------------------------------------- for everybody
def test_axe_finds_nothing_on_any_page_and_none_runs_off_a_narrow_screen_or_asks_for_anything(
    pages: list[Path], browser: Browser
) -> None:
    context = browser.new_context(bypass_csp=True)  # the checker is a script
    page, asked = context.new_page(), list[str]()
    page.on("request", lambda request: asked.append(request.url))
    for file in pages:
        page.set_viewport_size({"width": 1280, "height": 800})
        page.goto(file.as_uri())
        assert page.locator("h1").count() == 1
        assert page.evaluate("[...document.images].every((i) => i.complete && i.naturalWidth > 300 && i.alt.length > 30)")
        for width in (1280, 390):
            page.set_viewport_size({"width": width, "height": 800})
            assert page.evaluate("document.documentElement.scrollWidth") <= width
        found = Axe().run(page, options=RULES).response["violations"]  # narrow, so that tables scroll
        assert [(v["id"], v["nodes"][0]["html"][:200]) for v in found] == []
    assert [u for u in asked if not u.startswith("data:")] == [file.as_uri() for file in pages], "nothing but the pages"
    context.close()


def test_every_picture_has_its_numbers_in_a_table(pages: list[Path]) -> None:
    for file in pages:
        text = file.read_text(encoding="utf-8")
        assert all("<table>" in after for after in text.split("<figure>")[1:])
        assert "<script" not in text and "http:" not in text and "https:" not in text


def test_no_candidate_is_named_on_any_page(pages: list[Path]) -> None:
    lines = (pages[0].parent / "results.csv").read_text(encoding="utf-8").splitlines()[1:]
    names = {line.partition(",")[0] for line in lines}
    assert len(names) == 150
    for file in pages:
        text = re.sub(r'src="data:[^"]*"', "", file.read_text(encoding="utf-8"))
        assert {n for n in names if n in text} == set()


def test_names_that_are_markup_or_in_letters_that_the_plots_lack_change_no_page() -> None:
    form, item = "<b>$x^$</b> 形式", '"><script>alert(1)</script>:é'
    rows = [CallResult(f"<i>{n}", form, item if k else "k0", 10.0 * k, (n + k) % 3 > 0) for n in range(9) for k in range(2)]
    rows += [call(f"d{n}", f"k{k}", (n + k) % 2 > 0, form="other") for n in range(9) for k in range(2)]
    text = render(sitting_report(rows, title="<img src=x>", rule=PassRule(1)), school="<u>")
    assert not re.search(r"<(script|b>\$|i>|u>|img src=x)", text)
    assert "&lt;script&gt;alert(1)&lt;/script&gt;:<wbr>é" in text


def test_the_same_results_make_the_same_page(small: Path) -> None:
    for name in ("one.html", "two.html"):
        assert run(small, "statistics", "results.csv", "--ratings", "gradings.csv", "--calls", "3", "-o", name) == 0
    assert (small / "one.html").read_bytes() == (small / "two.html").read_bytes()


# ---------------------------------------------------------------------- true to the numbers
def test_published_answers_come_out_of_the_command_as_they_were_published(tmp_path: Path) -> None:
    answers = lsat(6)
    rows = [
        CallResult(c, "section 6", i, 100.0 * x, x == 1)
        for c, line in zip(answers.candidates, answers.scores.tolist(), strict=True)
        for i, x in zip(answers.items, line, strict=True)
    ]
    assert PUBLISHED.is_dir()
    write_results(rows, tmp_path / "lsat6.csv")
    assert run(tmp_path, "statistics", "lsat6.csv", "--calls", "3", "--data", "lsat6.json") == 0
    text = (tmp_path / "lsat6.html").read_text(encoding="utf-8")
    places = ("−2.87", "−1.06", "−0.26", "−1.39", "−2.22")  # Rasch, rounded from −2.8720 −1.0630 −0.2576 −1.3881 −2.2188
    for published in ("0.29", *places, "−2473.054", "−2466.938", "−2466.653"):  # alpha; log-likelihood of all three models
        assert f">{published}<" in text
    form, = json.loads((tmp_path / "lsat6.json").read_text(encoding="utf-8"))["forms"]
    assert form["points"]["alpha"]["value"] == pytest.approx(0.2949972, abs=1e-6)
    assert form["calls"]["model"]["log_likelihood"] == pytest.approx(-2473.054, rel=1e-6)


def test_the_verdicts_on_the_page_are_those_of_the_rule() -> None:
    calls = {"gate": "yc", "few": "nn", "waits": "y?", "ok": "yy"}
    people = [f"{kind}{n}" for kind, count in (("gate", 1), ("few", 2), ("waits", 3), ("ok", 4)) for n in range(count)]
    rows = [
        call(p, f"k{k}", {"y": True, "?": None}.get(c, False), critical=c == "c")
        for p in people
        for k, c in enumerate(calls[p.rstrip("0123456789")])
    ]
    text = render(sitting_report(rows, title="x", rule=PassRule(2)))
    cells = re.findall(r"<td[^>]*>(.*?)</td>", text[text.index("Verdicts by form</caption>") :].split("</tbody>")[0])
    assert cells[:8] == ["2", "10", "1", "2", "3", "4", "57 %", cells[7]]
    low, high = proportion_confint(4, 7, method="wilson")
    assert cells[7] == f"{100 * low:.0f} % to {100 * high:.0f} %"


def test_a_share_reads_0_or_100_percent_only_where_it_is() -> None:
    assert [percent(x) for x in (0, 0.001, 0.25, 0.996, 1)] == ["0 %", "0.1 %", "25 %", "99.6 %", "100 %"]


def test_the_page_says_what_holds_for_a_form_only_and_why_there_is_no_model(pages: list[Path]) -> None:
    text = pages[0].read_text(encoding="utf-8")
    for said in PER_FORM_ONLY:
        assert said in text
    assert "No call stands on two forms" in text
    assert re.search(r"(29|30) candidates are too few: item places would be guesses; at least 100 are needed", text)
    assert text.count("fails the whole exam, whatever the points") == 1
    without = sitting_report([call(f"c{n}", k, n % 2 > 0) for n in range(4) for k in ("k1", "k2")], title="x")
    assert "no rule was given of what passes" in render(without)


def test_a_small_sitting_makes_a_page_too() -> None:
    for rows in (
        [call("c1", "k1", True)], [call("c1", "k1", None)], [call(f"c{n}", "k1", True) for n in range(3)],
        [call(f"c{n}", k, True) for n in range(120) for k in ("k1", "k2", "k3")],
        [call("c1", "k1", True), call("c1", "k2", False), call("c2", "k1", None), call("c2", "k2", None)],
    ):  # fmt: skip
        text = render(sitting_report(rows, title="Small", rule=PassRule(1)))
        assert "nan" not in re.sub(r'src="data:[^"]*"', "", text).lower().replace("finance", "")
        assert "Not worked out" in text or "Only counted, not compared" in text


# ---------------------------------------------------------------------- the commands
def test_the_cut_and_its_standard_error_go_from_the_judges_file_into_the_statistics(
    small: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ("--results", "results.csv", "--seal", "cut.json")
    assert run(small, "angoff", "cut", "round-1.csv", "round-2.csv", *words) == 0
    said = capsys.readouterr().out
    cut = re.search(r"Form A: cut (\d\.\d\d) of 5, standard error (\d\.\d\d); (\d) or more pass", said)
    assert cut is not None and "3 judges are few" in said and said.count("+1 SE") == 1
    rated = np.array([[float(x) for x in line.split(",")[1:]] for line in
                      (small / "round-2.csv").read_text(encoding="utf-8").splitlines()[1:]]).sum(axis=0) / 100  # fmt: skip
    assert (cut[1], cut[2]) == (f"{rated.mean():.2f}", f"{stats.sem(rated):.2f}")
    assert run(small, "angoff", "show", "cut.json", "--results", "results.csv") == 0
    assert "follows from its inputs" in capsys.readouterr().out
    assert run(small, "statistics", "results.csv", "--cut", "cut.json", "-o", "numbers.html") == 0
    page = (small / "numbers.html").read_text(encoding="utf-8")
    assert f'<th scope="row">A</th><td class="number">{cut[3]}</td>' in page


def test_a_blueprint_gives_the_rule(small: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(small, "statistics", "results.csv", "--blueprint", "example", "-o", "numbers.html") == 0
    with_gate = capsys.readouterr().out
    assert run(small, "statistics", "results.csv", "--calls", "4", "-o", "numbers.html") == 0
    assert capsys.readouterr().out == with_gate, "the example asks for 4 calls, and a violation fails the sitting"
    assert run(small, "statistics", "results.csv", "--calls", "4", "--critical", "call", "-o", "numbers.html") == 0
    assert ", 0 failed by the safety gate" in capsys.readouterr().out


def test_the_judges_see_the_share_of_graded_calls_that_passed(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "round-1.csv").write_text("item,Ada,Bo\nk1,40,60\nk2,50,50\n", encoding="utf-8")
    rows = [call(f"c{n}", "k1", passed) for n, passed in enumerate((True, False, None, False))]
    write_results([*rows, call("c9", "k3", True)], tmp_path / "results.csv")
    assert run(tmp_path, "angoff", "discuss", "round-1.csv", "--shown", "results.csv") == 0
    said = capsys.readouterr().out
    assert "k1: mean 50.0, 40 to 60, deviation 14.1, observed 33\n" in said
    assert "k2: mean 50.0, 50 to 50, deviation 0.0\n" in said


def test_forms_may_come_from_a_file_and_a_cut_may_be_moved_with_a_reason(
    small: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (small / "forms.csv").write_text("form,item,points\nX,unit:A0/0:complaint,2\nX,unit:A1/0:complaint,\n", encoding="utf-8")
    rounds = ("angoff", "cut", "round-1.csv", "round-2.csv")
    assert run(small, *rounds, "--forms", "forms.csv", "--move", "X=0", "--reason", "Nothing to add to what was rated.") == 0
    assert " of 3, " in capsys.readouterr().out
    assert run(small, *rounds) == 0
    assert "Form all items: cut" in capsys.readouterr().out
    assert run(small, *rounds, "--move", "all items=0.01") == 2
    assert "no reason for moving the cut" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("statistics", "missing.csv"), "can't be read"),
        (("statistics", "results.csv", "--calls", "9"), "give 1 to 5"),
        (("statistics", "results.csv", "-o", "results.csv"), "is read by this command"),
        (("statistics", "results.csv", "--ratings", "results.csv"), "part, rater, category missing"),
        (("statistics", "results.csv", "--cut", "results.csv"), "no sealed cut score"),
        (("angoff", "cut", "round-1.csv", "results.csv"), "write item, then each judge"),
        (("angoff", "cut", "round-1.csv", "round-2.csv", "--move", "A"), "write FORM=POINTS"),
        (("angoff", "cut", "round-1.csv", "round-2.csv", "--forms", "results.csv"), "are no number, or the item stands twice"),
        (("angoff", "discuss", "round-1.csv", "--shown", "gradings.csv"), "points, passed, critical, seconds missing"),
    ],
)
def test_a_mistake_ends_in_one_line_and_changes_no_file(
    small: Path, capsys: pytest.CaptureFixture[str], words: tuple[str, ...], said: str
) -> None:
    before = {f.name: f.read_bytes() for f in small.iterdir()}
    assert run(small, *words) == 2
    err = capsys.readouterr().err
    assert said in err and err.count("\n") == 1
    assert {f.name: f.read_bytes() for f in small.iterdir()} == before
