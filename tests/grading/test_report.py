"""The score sheet's page: it holds every reason and clause, escapes what people wrote, and needs nothing from outside."""

from __future__ import annotations

import re
import shutil
import subprocess
from collections.abc import Sequence
from html.parser import HTMLParser
from itertools import pairwise
from pathlib import Path

import pytest
from msgspec.structs import replace

from blowerbench import LocalBench, load_equipment
from blowerbench import acts as a
from blowerbench.observation import Accepted
from blowergrade.report import clock, points
from blowergrade.report_chart import GLYPH, WIDTH, Drop, draw
from blowergrade.safety_rules import RULES
from blowergrade.score import grade_bench
from blowergrade.sheet import Broken, Counterfactual, Elsewhere, Moment, Reason, Sheet

HOSTILE = "<script>alert(1)</script> & \"Sons\" <img src=x onerror='y'>"
VOID = {"meta", "br", "path", "circle", "img", "link", "hr", "input"}
#: A careless call: live readings unprotected, the power plug parted live, a wrong part replaced.
CARELESS: Sequence[a.Act] = (
    a.Look("around"), a.Wait(120), a.ReadStatus(), a.SetDoor(False), a.HoldDoorSwitch(True), a.SetMeter("volts_ac"),
    a.PlaceLead("black", "board.C"), a.PlaceLead("red", "board.R"), a.LiftLead("red"), a.PlaceLead("red", "board.G"),
    a.LiftLead("red"), a.LiftLead("black"), a.Unplug("power_plug"), a.PlugIn("power_plug"),
    a.Declare(("thermostat",)), a.Repair("thermostat"), a.SetDoor(True), a.Finish(),
)  # fmt: skip


class Outline(HTMLParser):
    """What a reader of the page gets: tags in order with their attributes, and the text; unbalanced tags are kept."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.open: list[str] = []
        self.wrong: list[str] = []
        self.words: list[str] = []
        self.feed(page)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        if tag in VOID:
            return
        if not self.open or self.open.pop() != tag:
            self.wrong.append(tag)

    def handle_data(self, data: str) -> None:
        if self.open and self.open[-1] != "style":
            self.words.append(data)

    @property
    def text(self) -> str:
        """The visible text with single spaces."""
        return " ".join("".join(self.words).split())

    def named(self, tag: str) -> list[dict[str, str | None]]:
        """The attributes of every element called `tag`."""
        return [attrs for name, attrs in self.tags if name == tag]


@pytest.fixture(scope="module")
def sheet() -> Sheet:
    bench = LocalBench(
        "furnace_120_constant_airflow", "wall_G_open", "no_fan_new_thermostat", variant="report", person=HOSTILE
    )
    for act in CARELESS:
        assert isinstance(bench.act(act), Accepted), act
    return grade_bench(bench)


@pytest.fixture(scope="module")
def page(sheet: Sheet) -> str:
    return sheet.html()


@pytest.fixture(scope="module")
def outline(page: str) -> Outline:
    return Outline(page)


def test_the_page_is_whole_html_with_a_language_a_title_and_headings_in_order(outline: Outline) -> None:
    assert outline.wrong == [] and outline.open == []
    assert outline.named("html") == [{"lang": "en"}]
    headings = [tag for tag, _ in outline.tags if re.fullmatch(r"h\d", tag)]
    assert headings[0] == "h1" and set(headings[1:]) == {"h2"}
    ids = [attrs["id"] for _, attrs in outline.tags if "id" in attrs]
    assert len(ids) == len(set(ids))
    targets = [name for _, attrs in outline.tags for name in (attrs.get("aria-labelledby") or "").split()]
    assert targets and set(targets) <= set(ids)


def test_every_table_header_has_a_scope_and_every_table_a_caption(outline: Outline) -> None:
    assert outline.named("th") and all(attrs.get("scope") in ("col", "row") for attrs in outline.named("th"))
    assert len(outline.named("caption")) == len(outline.named("table")) > 0


def test_the_page_runs_nothing_and_fetches_nothing(page: str, outline: Outline) -> None:
    assert not re.search(r"https?:|//|url\(|@import|<script", page, re.IGNORECASE)
    assert not {tag for tag, _ in outline.tags} & {"script", "link", "img", "iframe", "object", "embed", "base", "form"}
    assert not [name for _, attrs in outline.tags for name in attrs if name.startswith("on") or name in ("src", "href")]


def test_what_a_person_wrote_is_shown_and_never_becomes_markup(page: str, outline: Outline) -> None:
    assert HOSTILE in outline.text
    assert "&lt;script&gt;" in page and "<script" not in page


def test_every_violation_stands_there_with_act_time_level_reason_and_clause(sheet: Sheet, outline: Outline) -> None:
    assert {"live_work", "unprotected"} <= {v.rule for v in sheet.violations}  # the careless call above did both
    for broken in sheet.violations:
        assert f"act {broken.seq} at {broken.clock // 60}:{broken.clock % 60:02d}" in outline.text
        assert broken.text in outline.text and broken.clause in outline.text
        assert f"{broken.level.capitalize()}" in outline.text
    first = outline.text.index("Critical")
    assert first < outline.text.index("How the fault was isolated") < outline.text.index("Where the points come from")


def test_every_reason_and_the_result_in_words_stand_there(sheet: Sheet, outline: Outline) -> None:
    assert "Not passed" in outline.text and "A critical safety violation fails the attempt" in outline.text
    for part in sheet.parts:
        for reason in part.reasons if part.name != "safety" else ():
            assert " ".join(reason.words.split()) in outline.text
    for level in {v.level for v in sheet.violations}:
        acts = [str(v.seq) for v in sheet.violations if v.level == level]
        assert f"{level.capitalize()} violations: {len(acts)} (acts {', '.join(dict.fromkeys(acts))})" in outline.text


def test_a_pass_says_so_in_a_word_and_an_unexplained_call_goes_to_manual_grading(sheet: Sheet) -> None:
    passed = Outline(replace(sheet, passed=True, violations=(), entailed=True).html()).text
    assert "✓ Result: Passed" in passed and "Not passed" not in passed
    outside = Outline(replace(sheet, outside_catalogue=True, notes=("goes to manual grading",)).html()).text
    assert "To be graded by hand" in outside and "goes to manual grading" in outside


def test_each_act_that_told_something_shows_observed_beside_predicted(sheet: Sheet, outline: Outline) -> None:
    told = [m for m in sheet.timeline if m.ruled_out]
    assert told, "the status told something"
    status = next(m for m in told if isinstance(m.act, a.ReadStatus))
    assert "Showed: Status: heat on standby." in outline.text
    assert "would have shown: The status display is dark." in outline.text
    assert f"{clock(status.clock)} – ruled out {len(status.ruled_out)}" in outline.text
    assert "transformer primary open" in outline.text  # a dead transformer leaves the display dark


def test_a_costly_act_is_told_in_plain_words(sheet: Sheet) -> None:
    one = replace(sheet.timeline[1], regret=40, ruled_out=(), predicted=(), observed="")
    text = Outline(replace(sheet, timeline=(sheet.timeline[0], one, *sheet.timeline[2:])).html()).text
    assert "Cost about 40 s more than the best next act." in text


@pytest.mark.parametrize(
    ("observed", "predicted", "shown"),
    [
        ("27.3 V", "0 to 0.005 V", "0 to 0.005 V"),
        ("0.2 ohm", "1.2e+06 to OL ohm", "1.2 MΩ to OL"),
        ("4.98 uF", "6.2e-06 to 8.9e-06 F", "6.2 to 8.9 µF"),
        ("0.52 inH2O", "0.2 to 0.31 inH2O", "0.2 to 0.31 inH₂O"),
        ("blower_still", "blower_running (burner_lit?)", "The blower runs. Perhaps: The burner is lit."),
        ("-", "status_dark | status_standby", "The status display is dark or Status: heat on standby."),
    ],
)
def test_a_prediction_is_written_as_a_person_reads_it(sheet: Sheet, observed: str, predicted: str, shown: str) -> None:
    moment = Moment(1, 20, a.ReadStatus(), 3, ("stat_no_fan",), (predicted,), observed, 0)
    assert f"would have shown: {shown}" in Outline(replace(sheet, timeline=(moment,)).html()).text


def test_the_same_acts_elsewhere_are_told_in_a_sentence_and_a_table(sheet: Sheet, outline: Outline) -> None:
    assert "The same acts on another day" not in outline.text
    rows = (Elsewhere("wall_cable", 4, 2, 1, 1), Elsewhere("control_module+drain", 1, 0, 0, 0))
    text = Outline(replace(sheet, counterfactual=Counterfactual(5, 1, 23, rows)).html()).text
    assert "for 1 of the 5 other causes of this complaint: 23 % of their likelihood." in text
    assert "thermostat cable 4 2 1 1" in text and "control module + condensate drain and drip loop 1 0 0 0" in text


def test_many_places_become_one_row_and_no_cause_is_lost(sheet: Sheet) -> None:
    rows = tuple(Elsewhere(unit, 2, 1, 1, 0) for unit in load_equipment(sheet.equipment).units)
    text = Outline(replace(sheet, counterfactual=Counterfactual(2 * len(rows), 0, 0, rows)).html()).text
    rest = len(rows) - 5
    assert f"{rest} other places {2 * rest} {rest} {rest} 0" in text


def test_a_call_with_a_violation_in_every_act_prints_on_two_pages(sheet: Sheet, tmp_path: Path) -> None:
    browser = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
    if browser is None:
        pytest.fail("no Chromium here; `python3 tests/run.py` installs it")
    many = tuple(
        Broken(rule.id, rule.level, k, 30 * k, rule.clause, f"{rule.what}; {rule.why}")
        for k in range(1, 40)
        for rule in list(RULES.values())[:10]
    )
    rows = tuple(Elsewhere(unit, 2, 1, 1, 0) for unit in load_equipment(sheet.equipment).units)
    page = tmp_path / "sheet.html"
    reasons = tuple(Reason(-10, 0, "act {0}: " + v.text, (str(v.seq),)) for v in many)
    parts = (replace(sheet.parts[0], reasons=reasons), *sheet.parts[1:])
    full = replace(sheet, violations=many, parts=parts, counterfactual=Counterfactual(2 * len(rows), 0, 0, rows))
    page.write_text(full.html(), encoding="utf-8")
    made = tmp_path / "sheet.pdf"
    command = [browser, "--headless", "--no-sandbox", "--disable-gpu", "--no-pdf-header-footer", f"--print-to-pdf={made}"]
    subprocess.run([*command, page.as_uri()], capture_output=True, check=True, timeout=120)
    assert 1 <= len(re.findall(rb"/Type\s*/Page\b(?!s)", made.read_bytes())) <= 2


def test_a_sheet_without_a_single_act_has_a_page_too(sheet: Sheet) -> None:
    empty = Outline(replace(sheet, timeline=(), violations=(), declared=(), seconds=0).html())
    assert empty.wrong == [] and "How the fault was isolated" not in empty.text


def test_an_unknown_language_falls_back_to_english_and_says_so(sheet: Sheet) -> None:
    assert Outline(sheet.html("xx")).named("html") == [{"lang": "en"}]


def test_the_same_sheet_gives_the_same_page(sheet: Sheet, page: str) -> None:
    assert sheet.html() == page


@pytest.mark.parametrize(("seconds", "text"), [(0, "0:00"), (59, "0:59"), (60, "1:00"), (3661, "61:01")])
def test_simulated_time_is_minutes_and_seconds(seconds: int, text: str) -> None:
    assert clock(seconds) == text


@pytest.mark.parametrize(("tenths", "text"), [(0, "0"), (5, "0.5"), (400, "40"), (-150, "−15"), (-3, "−0.3")])
def test_tenths_of_a_point_are_written_as_points(tenths: int, text: str) -> None:
    assert points(tenths) == text


# ---------------------------------------------------------------------- the colours, by the published formula
def luminance(colour: str) -> float:
    """Relative luminance of #rrggbb (WCAG 2.1, definition of relative luminance; from memory)."""

    def linear(value: float) -> float:
        return value / 12.92 if value <= 0.04045 else ((value + 0.055) / 1.055) ** 2.4

    red, green, blue = (linear(int(colour[k : k + 2], 16) / 255) for k in (1, 3, 5))
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


@pytest.mark.parametrize("name", ["ink", "soft", "accent", "good", "bad"])
def test_text_has_a_contrast_of_4_5_to_1_on_both_grounds(page: str, name: str) -> None:
    found = dict(re.findall(r"--(\w+): (#[0-9a-f]{6})", page))
    for ground in ("#ffffff", found["tint"]):
        contrast = (luminance(ground) + 0.05) / (luminance(found[name]) + 0.05)
        assert contrast >= 4.5, f"{name} on {ground}: {contrast:.2f}"  # WCAG 2.1 success criterion 1.4.3, from memory


# ---------------------------------------------------------------------- the picture
def test_labels_lie_inside_the_picture_and_never_on_the_line_or_on_each_other() -> None:
    line = [(0, 40), (25, 20), (400, 8), (800, 7), (820, 3), (840, 1)]
    drops = [Drop(t, b, n, "what was done there, told at some length") for (_, b), (t, n) in pairwise(line)]
    chart = draw(line, 43, drops)
    boxes = [
        (m.text_x, m.text_y - m.line, m.text_x + GLYPH * max(map(len, m.lines)), m.text_y + m.line * (len(m.lines) - 1))
        for m in chart.marks
    ]
    assert len(boxes) == 5
    for left, top, right, bottom in boxes:
        assert left >= 0 and top >= 0 and right <= WIDTH and bottom < chart.floor
    for k, one in enumerate(boxes):
        for other in boxes[k + 1 :]:
            apart = one[2] <= other[0] or other[2] <= one[0] or one[3] <= other[1] or other[3] <= one[1]
            assert apart, (one, other)


def test_the_line_falls_to_the_axis_when_nothing_is_left() -> None:
    chart = draw([(0, 4), (60, 0)], 4, [])
    assert chart.line.endswith(f"V{chart.floor:.1f}H{chart.right:.1f}")
    assert [t.text for t in chart.counts] == ["0", "1", "2", "3", "4"]
