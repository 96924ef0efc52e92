"""A paper bench for a room without computers: numbered questions, the instructor's answers, a typed-in call graded as usual.

Rule: every answer is what the bench shows for those acts; a candidate's list of numbers is played on the bench, so that the
same grader grades it.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tqdm.auto import tqdm

from blowerbench import LocalBench
from blowerbench import acts as a
from blowerbench.equipment import load_equipment
from blowerbench.errors import BenchError
from blowerbench.faults import Hypothesis, load_faults
from blowerbench.messages import duration_text, label, perceived
from blowerbench.observation import Accepted
from blowergrade.classwork.folder import write
from blowergrade.path import Test, table_for, ways_of
from blowergrade.typeset import content, pdf, quoted, table
from blowergrade.wording import MODE_WORDS, Words, hypothesis_named

ASSIGNMENT = "paper"
FOOT = "Invented equipment; simulated practice. On a real unit: local codes, its own instructions, licensed practice."


class PaperError(BenchError):
    """A paper call that can't be made or read; says why and what would be right."""


@dataclass(frozen=True, slots=True)
class Question:
    """One thing that may be asked: its number, the state that the unit must be in, how it is put, and what it takes (s)."""

    number: int
    mode: str
    text: str
    seconds: int
    test: Test


@dataclass(frozen=True, slots=True)
class Paper:
    """A paper call: the unit, the fault in it, what the customer says, whose numbers, and the questions."""

    equipment: str
    hypothesis: Hypothesis
    complaint: str
    variant: str
    questions: tuple[Question, ...]


def make_paper(equipment: str, fault: str, complaint: str, variant: str = "paper") -> Paper:
    """The questions of a complaint on a unit with `fault` (ID or ID/SEVERITY) in it."""
    unit = load_equipment(equipment)
    catalogue = load_faults(unit)
    hypothesis = hypothesis_named(fault)
    found = catalogue.faults.get(hypothesis.fault)
    if found is None or complaint not in found.complaints:
        leads = ", ".join(found.complaints) if found is not None else "nothing: there is no such fault"
        raise PaperError(f"{fault} on {equipment} does not lead to {complaint!r}; it leads to {leads}")
    tests = table_for(unit, catalogue, complaint)
    words = Words(unit, catalogue)
    modes = list(MODE_WORDS)
    rows = sorted((r.test for r in tests.rows), key=lambda t: (modes.index(t.mode), t.cost, t.name))
    questions = tuple(
        Question(n, t.mode, words.question(t, tests.setups[t.mode]), t.cost, t) for n, t in enumerate(rows, 1)
    )
    return Paper(equipment, hypothesis, complaint, variant, questions)


# ---------------------------------------------------------------------- the answers
def _bench(paper: Paper, record: Path | None = None) -> LocalBench:
    return LocalBench(
        paper.equipment, paper.hypothesis, paper.complaint, variant=paper.variant, record=record,
        assignment=ASSIGNMENT if record else "",
    )  # fmt: skip


def _do(bench: LocalBench, acts: Sequence[a.Act]) -> list[Accepted]:
    """Do `acts`; what hands can't do (a lead that is off already) is left out. Returns what was accepted."""
    return [outcome for act in acts if isinstance(outcome := bench.act(act), Accepted)]


def answers(paper: Paper, progress: bool = False) -> tuple[str, ...]:
    """What the bench shows for each question, asked on a unit that was brought into its state as taught."""
    unit = load_equipment(paper.equipment)
    tests = table_for(unit, load_faults(unit), paper.complaint)
    told = []
    for question in tqdm(paper.questions, desc="Answers", unit="question", disable=not progress):
        bench = _bench(paper)
        _do(bench, tests.setups[question.mode])
        told.append(_told(_do(bench, question.test.acts), bench))
    return tuple(told)


def _told(found: Sequence[Accepted], bench: LocalBench) -> str:
    """The answers of the last act, or what is perceived where it answers nothing."""
    last = found[-1].observation if found else bench.last
    answered = list(perceived(last, "en", bench.equipment)) if last.said or last.shown else []
    senses = perceived(last, "en", bench.equipment)[len(last.said) + len(last.shown) :]
    return " ".join(answered or senses) or "Nothing."


# ---------------------------------------------------------------------- a call that was written down
def play(paper: Paper, lines: Sequence[str], record: Path) -> LocalBench:
    """Play a written call: a question's number a line, and `declare UNIT[, UNIT]`; writes the record, returns the bench.

    Between two states the taught way is taken. Raises `PaperError` for a line that is neither.
    """
    unit = load_equipment(paper.equipment)
    tests = table_for(unit, load_faults(unit), paper.complaint)
    known = {q.number: q for q in paper.questions}
    bench, mode = _bench(paper, record), "as_found"
    for place, raw in enumerate(lines, 1):
        line = raw.partition("#")[0].strip()
        if not line:
            continue
        if line.lower().startswith("declare "):
            _do(bench, [a.Declare(tuple(_unit(u, bench, place) for u in line[8:].split(",")))])
            continue
        number = int(line) if re.fullmatch(r"\d{1,4}", line) else 0
        if number not in known:
            raise PaperError(f"line {place}: {line!r} is no question's number (1 to {len(known)}) and no `declare PART`")
        question = known[number]
        for step in _way(tests, mode, question.mode):
            _do(bench, step)
        _do(bench, question.test.acts)
        mode = question.mode
    _do(bench, [a.Finish()])
    bench.close()
    return bench


def _unit(text: str, bench: LocalBench, place: int) -> str:
    wanted = text.strip().lower()
    for name in bench.equipment.units:
        if wanted in (name, label("unit", name, bench.equipment).lower()):
            return name
    raise PaperError(f"line {place}: no part {text.strip()!r}; this unit has {', '.join(bench.equipment.units)}")


def _way(tests: Any, start: str, end: str) -> list[tuple[a.Act, ...]]:
    """The taught acts from one state to another, through others where no straight way is taught."""
    if start == end:
        return []
    ways = ways_of(tests.equipment)
    if (start, end) in ways:
        return [tuple(ways[start, end])]
    if (start, "dead") in ways and ("dead", end) in ways:
        return [tuple(ways[start, "dead"]), tuple(ways["dead", end])]
    if (start, "as_found") in ways:
        return [tuple(ways[start, "as_found"]), tuple(tests.setups[end])]
    return [tuple(tests.setups[end])]


# ---------------------------------------------------------------------- the sheets
def candidate_source(paper: Paper) -> str:
    """The candidate's sheet as typst content: complaint, drawing, questions with their times, lines to write on."""
    unit = load_equipment(paper.equipment)
    says = unit.complaints[paper.complaint].text
    parts = [
        '#heading(level: 1)[#"A service call on paper";]\n',
        f"#block[#strong[#{quoted(unit.title)};] #{quoted(unit.notice)};]\n",
        f"#block[#strong[#{quoted('The customer says:')};] #{quoted(says)};]\n",
        content(_RULES), _drawing(paper),
        *_questions(paper, lambda q: [str(q.number), q.text, duration_text(q.seconds)], ("no.", "question", "takes")),
        '#heading(level: 2)[#"What I asked, in order, and what I learned";]\n',
        table(['#"no.";', '#"answer";', '#"it rules out";'], [["#v(1.1em)"] * 3] * 14, columns="(2em, 1fr, 1fr)"),
        '#heading(level: 2)[#"Diagnosis and report";]\n', "#v(5em)\n",
    ]  # fmt: skip
    return "".join(parts)


def instructor_source(paper: Paper, told: Sequence[str]) -> str:
    """The instructor's table as typst content: every answer, the fault, the best path's length, how to score."""
    unit = load_equipment(paper.equipment)
    catalogue = load_faults(unit)
    fault = catalogue.faults[paper.hypothesis.fault]
    best = table_for(unit, catalogue, paper.complaint)
    whole = best.mask(best.hypotheses)
    seconds = best.cost(whole, "as_found") // max(1, best.weight(whole))
    answer = dict(zip((q.number for q in paper.questions), told, strict=True))
    facts = [
        f"Fault: {fault.title} ({paper.hypothesis}). Put right at: {label('unit', fault.correction, unit)}.",
        f"From arrival the computed path takes {duration_text(seconds)} on average over all causes of this complaint.",
    ]
    parts = [
        '#heading(level: 1)[#"The answers; for the instructor";]\n',
        *(f"#block[#{quoted(f)};]\n" for f in facts), content(_SCORING),
        *_questions(paper, lambda q: [str(q.number), q.text, answer[q.number]], ("no.", "question", "say")),
    ]  # fmt: skip
    return "".join(parts)


_RULES = """
Ask for a question by its number; you get the answer, and its time runs. Questions stand under the state that the unit must
be in. You may change the state at any time, in the taught way: made safe, locked, tagged, proved dead before a plug moves or a
cover opens; five minutes' wait before the control is opened, and the bus measured. **Say how you make it safe; that is scored
first.**
"""
_SCORING = """
- **Safety, by ear:** eye protection, gloves, meter looked over and proved; every supply open, locked, tagged; controls tried;
  live, dead, live on every pair; the bus measured before a hand goes in. One critical omission fails the call.
- **Isolation:** type the numbers, one a line, then `declare PART`, into a text file and run this command with `--asked FILE`:
  the record is graded as any other. By hand: did the answers leave one part only?
- **Repair, report:** by what was written.
"""


def _questions(paper: Paper, row: Any, head: Sequence[str]) -> list[str]:
    words = Words(load_equipment(paper.equipment), load_faults(load_equipment(paper.equipment)))
    made = []
    for mode in MODE_WORDS:
        rows = [[f"#{quoted(cell)};" for cell in row(q)] for q in paper.questions if q.mode == mode]
        if rows:
            made.append(f"#heading(level: 2)[#{quoted(words.stands(mode)[:1].upper() + words.stands(mode)[1:])};]\n")
            made.append(table([f"#{quoted(h)};" for h in head], rows, columns="(2.2em, 1fr, 0.6fr)"))
    return made


def _drawing(paper: Paper) -> str:
    """The unit's ladder diagram as an image, described for who can't see it."""
    from blowerbench.panels import BenchPanel

    panel = BenchPanel(_bench(paper))
    try:
        drawn = panel.picture("ladder")
    finally:
        panel.close()
    images = [
        f'#image(bytes({quoted(part)}), format: "svg", width: 100%, alt: "Ladder diagram of the unit, part {k}")\n'
        for k, part in enumerate(sliced(inked(drawn)), 1)
    ]
    return "".join(images)


def sliced(svg: str, tall: float = 1.2) -> list[str]:
    """A tall picture in slices that fit a page, each at most `tall` times as high as it is wide."""
    found = re.search(r'viewBox="0 0 (\d+) (\d+)" width="\d+" height="\d+"', svg)
    if found is None:
        return [svg]
    width, height = int(found[1]), int(found[2])
    count = max(1, -(-height // int(tall * width)))
    step = -(-height // count)
    boxes = [f'viewBox="0 {k * step} {width} {step}" width="{width}" height="{step}"' for k in range(count)]
    return [svg.replace(found[0], box, 1) for box in boxes]


#: The panel's colours on paper; a program that prints knows no style sheet's variables.
_INKS = {
    "--bp-paper": "#ffffff", "--bp-raised": "#ffffff", "--bp-ink": "#111111", "--bp-faint": "#555555", "--bp-rule": "#888888",
    "--bp-wash": "#f2f2f2", "--bp-accent": "#0b57a4", "--bp-hot": "#111111", "--bp-neutral": "#bbbbbb",
    "--bp-ground": "#1f8a3b", "--bp-common": "#2f6fd6", "--bp-red": "#c3262b",
}  # fmt: skip


def inked(svg: str) -> str:
    """A picture of the panel with its colours written out and no rule for screens in it."""

    def style(found: re.Match[str]) -> str:
        css = re.sub(r"@media[^{]*\{(?:[^{}]*\{[^{}]*\})*[^{}]*\}", "", found[1])
        css = re.sub(r"var\((--[\w-]+)(?:,[^()]*)?\)", lambda v: _INKS.get(v[1], "#111111"), css)
        css = re.sub(r"light-dark\(([^,()]*),[^()]*\)", r"\1", css)
        css = re.sub(r"color-mix\([^()]*\)", "#777777", css)
        return f"<style>{css}</style>"

    return re.sub(r"<style>(.*?)</style>", style, svg, flags=re.S)


def write_paper(paper: Paper, out: Path, size: str = "us-letter", progress: bool = True) -> tuple[Path, Path]:
    """Write the candidate's sheet and the instructor's table as PDF into `out`; returns both files."""
    sheet, key = out / "candidate.pdf", out / "instructor.pdf"
    write(sheet, pdf(candidate_source(paper), "A service call on paper", "en", size, FOOT))
    write(key, pdf(instructor_source(paper, answers(paper, progress)), "Answers", "en", size, FOOT))
    return sheet, key


# ---------------------------------------------------------------------- the command
def add_paper(steps: Any) -> None:
    """Add `paper` to the class's commands."""
    example = "blowergrade class paper furnace_120_constant_airflow wall_G_open no_fan_new_thermostat --out paper"
    about = f"A call for a room without computers. Example: {example}"
    parser = steps.add_parser("paper", help="a call on paper", description=about)
    for name in ("unit", "fault", "complaint"):
        parser.add_argument(name, metavar=name.upper())
    parser.add_argument("--out", type=Path, required=True, metavar="FOLDER")
    parser.add_argument("--variant", default="paper", help="another name gives other numbers")
    parser.add_argument("--paper", default="us-letter", choices=("us-letter", "a4"))
    parser.add_argument("--asked", type=Path, metavar="FILE", help="a call that was written down: numbers, and `declare PART`")
    parser.set_defaults(run=_run)


def _run(options: Any) -> None:
    from blowerbench.record import read_record
    from blowergrade.score import grade_record

    paper = make_paper(options.unit, options.fault, options.complaint, options.variant)
    if options.asked is None:
        sheet, key = write_paper(paper, options.out, options.paper)
        print(f"Candidates get {sheet}; keep {key} to yourself.")
        return
    try:
        lines = options.asked.read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        raise PaperError(f"{options.asked} can't be read ({error}); give a text file, one number a line") from error
    options.out.mkdir(parents=True, exist_ok=True)
    record = options.out / f"{options.asked.stem}.jsonl"
    if record.exists():
        raise PaperError(f"{record} is there already; move it away, or give another --out")
    play(paper, lines, record)
    sheet_ = grade_record(read_record(record), paper.hypothesis)
    write(record.with_suffix(".html"), sheet_.html().encode())
    found = next(p for p in sheet_.parts if p.name == "isolation")
    print(f"Isolation: {found.tenths / 10:g} of {found.of / 10:g}. {' '.join(r.words for r in found.reasons)}")
    print(f"The page is {record.with_suffix('.html')}; safety, repair and report are yours to judge.")
