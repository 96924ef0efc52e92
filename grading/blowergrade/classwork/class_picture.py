"""The picture of a class: who needs what, which faults and which acts went wrong, as plots with tables beside them.

Rule: every plot's numbers stand in a table too; a class of one, an empty one and one of two hundred are all shown.
"""

from __future__ import annotations

import base64
import html
import io
import unicodedata
from collections import Counter, defaultdict
from collections.abc import Callable, Sequence
from functools import cache
from pathlib import Path
from typing import Any

import msgspec

from blowerbench.equipment import load_equipment
from blowerbench.faults import load_faults
from blowerbench.messages import label
from blowergrade.classwork.advice import advice
from blowergrade.classwork.folder import ClassFolder, write
from blowergrade.classwork.outcome import PARTS, Outcome
from blowergrade.competencies import competency_title
from blowergrade.report import PARTS as PART_TITLES
from blowergrade.sheet import Sheet
from blowergrade.wording import hypothesis_named

#: Students on one heat map; more go to the next.
ON_A_MAP = 40
MOST_RULES = 12


class Figure(msgspec.Struct, frozen=True):
    """A plot and its table: title, what it says in a sentence, PNG bytes ("" where there is nothing to plot), and the rows."""

    name: str
    title: str
    says: str
    png: bytes
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


class _Class:
    """The outcomes that are drawn, with the names to show."""

    def __init__(self, folder: ClassFolder, names: Sequence[str], anonymous: bool) -> None:
        self.folder, self.anonymous = folder, anonymous
        self.names = tuple(sorted(names, key=lambda n: (folder.assignment(n).made, n)))
        shown = {s.id: s.name for s in folder.students}
        ids = list(shown) + sorted({x.student for n in names for x in folder.assignment(n).assigned} - set(shown))
        if anonymous:  # in the roster's order everybody could count
            ids.sort(key=lambda i: folder.derived("picture", i))
        self.shown = {i: f"student {k}" if anonymous else shown.get(i) or i for k, i in enumerate(ids, 1)}
        self.outcomes = [o for n in self.names for i in ids if (o := folder.outcome(i, n)) is not None]

    def on_plot(self, student: str) -> str:
        """The name as a plot can draw it: the id instead where its font lacks a letter or the writing runs from the right."""
        name = self.shown[student]
        right = any(unicodedata.bidirectional(c) in ("R", "AL") for c in name)
        return student if right or not {ord(c) for c in name} <= _letters() else name

    def in_table(self, student: str) -> str:
        """The name with the id, by which two of one name are told apart."""
        name = self.shown[student]
        return name if self.anonymous or name == student else f"{name} ({student})"

    @property
    def sheets(self) -> list[tuple[str, Sheet]]:
        """Student's id and sheet of every call that was graded."""
        return [(o.student, o.sheet) for o in self.outcomes if o.sheet is not None]


@cache
def _letters() -> frozenset[int]:
    """The letters that the plots' font has."""
    from matplotlib.font_manager import findfont
    from matplotlib.ft2font import FT2Font

    return frozenset(FT2Font(findfont("DejaVu Sans")).get_charmap())


def figures(folder: ClassFolder, names: Sequence[str], anonymous: bool = False) -> tuple[Figure, ...]:
    """The figures of the assignments `names`."""
    drawn = _Class(folder, names, anonymous)
    made = [*_maps(drawn), _competencies(drawn), _violations(drawn), _time(drawn), _wrong(drawn), _needs(drawn)]
    return tuple(made)


def draw(folder: ClassFolder, names: Sequence[str], out: Path, anonymous: bool = False) -> Path:
    """Write the page and its pictures into the folder `out`; returns the page."""
    made = figures(folder, names, anonymous)
    for figure in made:
        if figure.png:
            write(out / f"{figure.name}.png", figure.png)
    page = out / "class.html"
    write(page, page_of(folder.settings.title, names, made, anonymous).encode())
    return page


# ---------------------------------------------------------------------- the figures
def _figure(width: float, height: float) -> tuple[Any, Any]:
    from matplotlib.figure import Figure as Drawn

    drawn = Drawn(figsize=(width, height), layout="constrained")
    return drawn, drawn.subplots()


def _png(drawn: Any) -> bytes:
    data = io.BytesIO()
    drawn.savefig(data, format="png", dpi=110, metadata={"Software": ""})
    return data.getvalue()


def _percent(tenths: int | None, of: int) -> float:
    return float("nan") if tenths is None or not of else 100.0 * tenths / of


def _maps(drawn: _Class) -> list[Figure]:
    """Students against parts: percent of each part's points, over all assignments."""
    rows: dict[str, list[Outcome]] = defaultdict(list)
    for o in drawn.outcomes:
        rows[o.student].append(o)
    table = [(s, [_mean([_percent(*o.part(p)) for o in rows[s]]) for p in PARTS]) for s in drawn.shown if s in rows]
    head = ("student", *(PART_TITLES[p] for p in PARTS))
    made = []
    for start in range(0, max(1, len(table)), ON_A_MAP):
        block = table[start : start + ON_A_MAP]
        cells = tuple(
            (drawn.in_table(s), *(f"{v:.0f} %" if v == v else _instead(rows[s]) for v in values)) for s, values in block
        )
        number = f" ({start // ON_A_MAP + 1})" if len(table) > ON_A_MAP else ""
        says = _worst_part(block)
        png = _heat([drawn.on_plot(s) for s, _ in block], [v for _, v in block]) if block else b""
        made.append(Figure(f"parts{start // ON_A_MAP or ''}", f"Who earned what{number}", says, png, head, cells))
    return made


def _instead(outcomes: Sequence[Outcome]) -> str:
    """What stands in the table where there are no points."""
    return "missing" if all(o.status == "missing" for o in outcomes) else "by hand"


def _mean(values: Sequence[float]) -> float:
    there = [v for v in values if v == v]
    return sum(there) / len(there) if there else float("nan")


def _worst_part(block: Sequence[tuple[str, list[float]]]) -> str:
    means = {p: _mean([values[k] for _, values in block]) for k, p in enumerate(PARTS)}
    known = {p: m for p, m in means.items() if m == m}
    if not known:
        return "Nothing is graded yet."
    worst = min(known, key=lambda p: known[p])
    return f"The weakest part is {PART_TITLES[worst].lower()}: {known[worst]:.0f} % of its points on average."


def _heat(names: Sequence[str], values: Sequence[Sequence[float]]) -> bytes:
    figure, axes = _figure(7.0, 1.2 + 0.27 * len(names))
    # One hue from light to dark: it can be told apart in grey and with any colour vision; the number stands in each cell.
    # What waits is grey, so that it does not look like nothing earned.
    axes.set_facecolor("#d9d9d9")
    axes.imshow(values, cmap="Blues", vmin=0, vmax=100, aspect="auto")
    axes.set_xticks(range(len(PARTS)), [PART_TITLES[p] for p in PARTS])
    axes.set_yticks(range(len(names)), [n if len(n) <= 28 else f"{n[:27]}…" for n in names], parse_math=False)
    for y, row in enumerate(values):
        for x, value in enumerate(row):
            shown = f"{value:.0f}" if value == value else "?"
            axes.text(x, y, shown, ha="center", va="center", fontsize=8, color="white" if value > 70 else "black")
    axes.set_title("percent of the part's points; ? waits for a person, or nothing was handed in", fontsize=9)
    return _png(figure)


def _competencies(drawn: _Class) -> Figure:
    """Share passed by competency and difficulty."""
    cells: dict[tuple[str, int], list[bool]] = defaultdict(list)
    for _, sheet in drawn.sheets:
        fault = load_faults(load_equipment(sheet.equipment)).faults[hypothesis_named(sheet.fault).fault]
        cells[competency_title(fault.competency), fault.difficulty].append(sheet.passed)
    rows = [(c, d, sum(v), len(v)) for (c, d), v in sorted(cells.items())]
    png = b""
    if rows:
        figure, axes = _figure(7.0, 1.0 + 0.38 * len(rows))
        _bars(axes, [f"{c}, difficulty {d}" for c, d, _, _ in rows], [100.0 * p / n for _, _, p, n in rows], "percent passed")
        axes.set_xlim(0, 100)
        png = _png(figure)
    worst = min(rows, key=lambda r: r[2] / r[3], default=None)
    says = "Nothing is graded yet."
    if worst is not None:
        says = f"Hardest so far: {worst[0]}, difficulty {worst[1]}: {worst[2]} of {worst[3]} passed."
    cells_ = tuple((c, str(d), str(p), str(n)) for c, d, p, n in rows)
    return Figure("competencies", "What was passed", says, png, ("competency", "difficulty", "passed", "calls"), cells_)


def _bars(axes: Any, names: Sequence[str], values: Sequence[float], unit: str) -> None:
    axes.barh(range(len(names)), values, color="#33628f")
    axes.set_yticks(range(len(names)), [n if len(n) <= 60 else f"{n[:59]}…" for n in names], parse_math=False)
    axes.invert_yaxis()
    axes.set_xlabel(unit)
    for y, value in enumerate(values):
        axes.text(value, y, f" {value:.0f}", va="center", fontsize=8)


def _violations(drawn: _Class) -> Figure:
    """How many students broke which rule, and at which act first."""
    who: dict[tuple[str, str, str], set[str]] = defaultdict(set)
    first: dict[tuple[str, str, str], int] = {}
    for student, sheet in drawn.sheets:
        for v in sheet.violations:
            key = (v.level, v.rule, v.text)
            who[key].add(student)
            first[key] = min(first.get(key, v.seq), v.seq)
    order = {"critical": 0, "major": 1, "minor": 2}
    rows = sorted(who.items(), key=lambda r: (order.get(r[0][0], 3), -len(r[1]), r[0]))
    png = b""
    if rows:
        figure, axes = _figure(8.0, 1.0 + 0.38 * min(len(rows), MOST_RULES))
        shown = rows[:MOST_RULES]
        _bars(axes, [f"{level}: {text}" for (level, _, text), _ in shown], [float(len(s)) for _, s in shown], "students")
        png = _png(figure)
    says = f"{len(rows)} rules of safe work were broken." if rows else "No rule of safe work was broken."
    cells = tuple((level, text, str(len(s)), str(first[level, rule, text])) for (level, rule, text), s in rows)
    return Figure("safety", "Which rules were broken", says, png, ("level", "rule", "students", "earliest act"), cells)


def _time(drawn: _Class) -> Figure:
    """Where time went that told nothing: simulated minutes lost, by what was done."""
    lost: Counter[str] = Counter()
    calls: dict[str, set[str]] = defaultdict(set)
    for student, sheet in drawn.sheets:
        for moment in sheet.timeline:
            if moment.regret > 0:
                kind = type(moment.act).__name__
                lost[kind] += moment.regret
                calls[kind].add(student)
    rows = [(kind, seconds, len(calls[kind])) for kind, seconds in lost.most_common(10)]
    png = b""
    if rows:
        figure, axes = _figure(7.0, 1.0 + 0.38 * len(rows))
        _bars(axes, [act_words(k) for k, _, _ in rows], [s / 60 for _, s, _ in rows], "simulated minutes lost, all calls")
        png = _png(figure)
    says = f"Most time was lost by this act: {act_words(rows[0][0])}." if rows else "No time was lost."
    cells = tuple((act_words(k), f"{s / 60:.1f}", str(n)) for k, s, n in rows)
    return Figure("time", "Where time went", says, png, ("what was done", "minutes lost", "students"), cells)


def act_words(kind: str) -> str:
    """A kind of act in words: "SetThermostat" is "set thermostat"."""
    return "".join(f" {c.lower()}" if c.isupper() else c for c in kind).strip()


def _wrong(drawn: _Class) -> Figure:
    """What was declared where something else was true."""
    found: Counter[tuple[str, str]] = Counter()
    for _, sheet in drawn.sheets:
        equipment = load_equipment(sheet.equipment)
        declared = "; ".join(label("unit", u, equipment) for u in sheet.declared) or "nothing"
        true = "; ".join(label("unit", u, equipment) for u in sheet.correction.split("; "))
        if set(sheet.declared) != set(sheet.correction.split("; ")):
            found[true, declared] += 1
    rows = tuple((true, said, str(n)) for (true, said), n in found.most_common(20))
    says = f"Calls that named another part, or none: {sum(found.values())}." if rows else "Nobody named a wrong part."
    return Figure("declared", "What was named instead", says, b"", ("what it was", "what was named", "calls"), rows)


def _needs(drawn: _Class) -> Figure:
    """Per student: what to practise, the newest call first."""
    newest = dict(drawn.sheets)
    waiting = {o.student: _waits(o, drawn.anonymous) for o in drawn.outcomes if o.status != "graded"}
    rows = []
    for student in drawn.shown:
        if student in newest:
            rows.append((drawn.in_table(student), " ".join(advice(newest[student])[:2])))
        elif student in waiting:
            rows.append((drawn.in_table(student), waiting[student]))
    says = "Taken from each student's newest call; safety comes first."
    return Figure("needs", "Who needs what", says, b"", ("student", "suggestion"), tuple(rows))


def _waits(outcome: Outcome, anonymous: bool) -> str:
    """What to say of a call without a grade; a reason may name somebody."""
    if outcome.status == "missing":
        return "Nothing was handed in."
    return "By hand." if anonymous else f"By hand: {outcome.reason}"


# ---------------------------------------------------------------------- the page
def page_of(title: str, names: Sequence[str], made: Sequence[Figure], anonymous: bool = False) -> str:
    """All figures with their tables on one page that needs nothing else."""
    style = (
        "body{font:16px/1.45 system-ui,sans-serif;max-width:60rem;margin:2rem auto;padding:0 1rem;color:#111;background:#fff}"
        "img{max-width:100%}table{border-collapse:collapse;margin:.5rem 0 2rem;width:100%}"
        "caption{text-align:left;font-weight:600}"
        "th,td{border-bottom:1px solid #bbb;padding:.25rem .5rem;text-align:left;vertical-align:top}"
    )
    body = "\n".join(map(_section, made))
    e: Callable[[str], str] = html.escape
    whom = "Without names." if anonymous else "For the instructor only."
    return (
        f'<!doctype html>\n<html lang="en"><head><meta charset="utf-8"><title>{e(title)}: the class</title>'
        '<meta name="viewport" content="width=device-width, initial-scale=1"><meta http-equiv="Content-Security-Policy" '
        f"content=\"default-src 'none'; style-src 'unsafe-inline'; img-src data:\"><style>{style}</style></head>\n<body><main>"
        f"<h1>{e(title)}</h1><p>Assignments: {e(', '.join(names))}. {whom}</p>\n{body}\n"
        "</main></body></html>\n"
    )


def _section(figure: Figure) -> str:
    e = html.escape
    image = ""
    if figure.png:
        coded = base64.b64encode(figure.png).decode("ascii")
        alt = e(f"{figure.title}: {figure.says} The table has the numbers.")
        image = f'<p><img src="data:image/png;base64,{coded}" alt="{alt}"></p>'
    head = "".join(f'<th scope="col">{e(h)}</th>' for h in figure.head)
    rows = "\n".join(
        f'<tr><th scope="row">{e(r[0])}</th>{"".join(f"<td>{e(c)}</td>" for c in r[1:])}</tr>' for r in figure.rows
    )
    table = f"<table><caption>{e(figure.title)}</caption><thead><tr>{head}</tr></thead><tbody>\n{rows}\n</tbody></table>"
    return f"<section><h2>{e(figure.title)}</h2><p>{e(figure.says)}</p>{image}{table if figure.rows else ''}</section>"
