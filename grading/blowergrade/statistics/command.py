"""`blowergrade statistics …` and `blowergrade angoff …`.

Rule: a page or a data file is made again from its sources each time and may be written over; a sealed cut score is written
once. No command changes a file that it reads.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import msgspec

from blowergrade.statistics.responses import StatisticsError

if TYPE_CHECKING:
    from blowergrade.statistics.angoff import Adjustment, Form, Result
    from blowergrade.statistics.passing import PassRule
    from blowergrade.statistics.ratings import Ratings
    from blowergrade.statistics.table import CallResult

Run = Callable[[argparse.Namespace], int | None]
#: Items that are printed for the talk.
MOST_SHOWN = 10


class CommandError(StatisticsError):
    """Something asked of the command is wrong; the message says what would be right."""


def add(commands: Any) -> None:
    """Add `statistics` and `angoff` to the subparsers `commands`."""
    numbers = _step(
        commands, "statistics", _statistics, "say what an exam's results tell of calls, forms and decisions",
        "blowergrade statistics results.csv --blueprint exam.toml -o statistics.html",
    )  # fmt: skip
    numbers.add_argument("results", type=Path, metavar="RESULTS.csv",
                         help="columns candidate, form, item, points, passed, critical, seconds")  # fmt: skip
    numbers.add_argument("--ratings", type=Path, metavar="FILE", help="gradings: candidate, item, part, rater, category")
    rule = numbers.add_mutually_exclusive_group()
    rule.add_argument("--calls", type=int, metavar="N", help="so many passed calls pass")
    rule.add_argument("--blueprint", metavar="FILE", help="the exam's blueprint: its pass rule")
    rule.add_argument("--cut", type=Path, metavar="FILE", help="a sealed cut score: its lowest passing totals")
    numbers.add_argument("--model", choices=("rasch", "1PL", "2PL"), default="rasch", help="item response model to show")
    numbers.add_argument("--data", type=Path, metavar="FILE", help="the report as JSON too (it names candidates)")
    _page(numbers, "the page (default: beside the results)")
    angoff = commands.add_parser("angoff", help="the cut score by a panel of judges")
    _angoff(angoff.add_subparsers(required=True, metavar="STEP"))


def _angoff(steps: Any) -> None:
    example = "blowergrade angoff discuss round-1.csv -o talk.html"
    talk = _step(steps, "discuss", _discuss, "what to show the judges after round 1", example)
    cut = _step(
        steps, "cut", _cut, "the cut and its standard error from both rounds, sealed",
        "blowergrade angoff cut round-1.csv round-2.csv --results results.csv --seal cut.json -o cut.html",
    )  # fmt: skip
    show = _step(steps, "show", _show, "check a sealed cut score and show it", "blowergrade angoff show cut.json -o cut.html")
    show.add_argument("sealed", type=Path, metavar="CUT.json")
    talk.add_argument("first", type=Path, metavar="ROUND1.csv", help="columns item, then one for each judge; whole percents")
    cut.add_argument("first", type=Path, metavar="ROUND1.csv", help="columns item, then one for each judge; whole percents")
    cut.add_argument("second", type=Path, metavar="ROUND2.csv", help="the same after the talk")
    for step in (talk, cut):
        step.add_argument("--shown", type=Path, metavar="RESULTS.csv", help="earlier results; the judges see the shares passed")
    for step in (cut, show):
        step.add_argument("--results", type=Path, metavar="RESULTS.csv", help="results to count the cut's consequences on")
    cut.add_argument("--forms", type=Path, metavar="FILE", help="CSV with form, item (points), or the assembled forms (.json); "
                     "default: those of --results, else all items on one form")  # fmt: skip
    cut.add_argument("--move", action="append", default=[], metavar="FORM=POINTS", help="move a form's cut; needs --reason")
    cut.add_argument("--reason", default="", help="why it was moved")
    cut.add_argument("--seal", type=Path, metavar="CUT.json", help="keep inputs and result here; never written over")
    for step in (talk, cut, show):
        _page(step, "a page of it")


def _step(steps: Any, name: str, run: Run, about: str, example: str) -> argparse.ArgumentParser:
    made: argparse.ArgumentParser = steps.add_parser(name, help=about, description=f"{about}. Example: {example}")
    made.set_defaults(run=run)
    return made


def _page(parser: argparse.ArgumentParser, about: str) -> None:
    parser.add_argument("-o", "--out", type=Path, metavar="PAGE.html", help=about)
    parser.add_argument("--title", default="", help="what stands on the page")
    parser.add_argument("--school", default="", help="the school's name on the page")
    parser.add_argument("--critical", choices=("sitting", "call"), help="what a critical violation fails (default: sitting)")


def _write(file: Path, data: bytes, read: Sequence[Path | None]) -> None:
    from blowergrade.classwork.folder import write

    if any(p is not None and p.exists() and file.resolve() == p.resolve() for p in read):
        raise CommandError(f"{file} is read by this command; give the result another name")
    try:
        write(file, data)
    except OSError as error:
        raise CommandError(f"{file} can't be written ({error.strerror}); choose a folder of yours") from error


# ---------------------------------------------------------------------- statistics
def _statistics(options: argparse.Namespace) -> None:
    from blowergrade.statistics.graders import read_gradings
    from blowergrade.statistics.page import render
    from blowergrade.statistics.sitting import sitting_report
    from blowergrade.statistics.table import read_results

    report = sitting_report(
        read_results(options.results), title=options.title or options.results.stem, rule=_rule(options),
        gradings=read_gradings(options.ratings) if options.ratings else (), model=options.model,
    )  # fmt: skip
    page = options.out or options.results.with_suffix(".html")
    read = (options.results, options.ratings, options.cut)
    _write(page, render(report, school=options.school).encode(), read)
    if options.data:
        _write(options.data, msgspec.json.format(msgspec.json.encode(report)) + b"\n", (*read, page))
    for form in report.forms:
        said = f"Form {form.name}: {form.candidates} candidates, {form.complete} with every call graded"
        p = form.passes
        print(f"{said}; {p.passed} passed, {p.safety} failed by the safety gate." if p else f"{said}.")
    print(f"Page: {page}")


def _rule(options: argparse.Namespace) -> PassRule | None:
    from blowergrade.statistics.passing import PassRule

    if options.blueprint:
        from blowergrade.exam.blueprint import load_blueprint

        found = load_blueprint(options.blueprint).pass_rule
        return PassRule(found.calls, options.critical or found.critical)
    critical: Literal["sitting", "call"] = options.critical or "sitting"
    if options.cut:
        from blowergrade.statistics.angoff import load
        from blowergrade.statistics.consequences import rule_of

        return rule_of(load(options.cut), critical)
    return None if options.calls is None else PassRule(options.calls, critical)


# ---------------------------------------------------------------------- angoff
def _discuss(options: argparse.Namespace) -> None:
    from blowergrade.statistics.angoff import discussion
    from blowergrade.statistics.cut_page import discussion_page
    from blowergrade.statistics.ratings import read_ratings

    first = read_ratings(options.first, 1)
    shown = discussion(first, _observed(options.shown, first))
    if len(shown) > MOST_SHOWN:
        print(f"The {MOST_SHOWN} of {len(shown)} items on which judges differ most (the page of -o has all):")
    for row in sorted(shown, key=lambda s: -s.deviation)[:MOST_SHOWN]:
        seen = "" if row.observed is None else f", observed {row.observed:.0f}"
        print(f"{row.item}: mean {row.mean:.1f}, {row.lowest:g} to {row.highest:g}, deviation {row.deviation:.1f}{seen}")
    if options.out:
        made = discussion_page(options.title or options.first.stem, first, shown, school=options.school)
        _write(options.out, made.encode(), (options.first, options.shown))
        print(f"Page: {options.out}")
    print("Next: talk about these, rate again alone, then `blowergrade angoff cut ROUND1.csv ROUND2.csv`.")


def _cut(options: argparse.Namespace) -> None:
    from blowergrade.statistics.angoff import Inputs, discussion, save, set_cut
    from blowergrade.statistics.ratings import read_ratings

    first, second = read_ratings(options.first, 1), read_ratings(options.second, 2)
    shown = discussion(first, _observed(options.shown, first))
    title = options.title or options.second.stem
    result = set_cut(Inputs(title, first, shown, second, _forms(options, first), _moves(options.move, options.reason)))
    if options.seal:
        save(result, options.seal)
        print(f"Sealed: {options.seal}, inputs' SHA-256 {result.digest}")
    _tell(result, options, (options.first, options.second, options.shown, options.results, options.forms, options.seal))
    if not options.seal:
        print("Nothing is kept yet: once the panel has agreed, say it again with --seal CUT.json.")


def _show(options: argparse.Namespace) -> None:
    from blowergrade.statistics.angoff import load

    result = load(options.sealed)
    print(f"{options.sealed} follows from its inputs, SHA-256 {result.digest}.")
    _tell(result, options, (options.sealed, options.results))


def _tell(result: Result, options: argparse.Namespace, read: Sequence[Path | None]) -> None:
    """Print the cuts with their consequences, and write the page that was asked for."""
    from blowergrade.statistics.consequences import consequences
    from blowergrade.statistics.cut_page import cut_page
    from blowergrade.statistics.table import forms_of, read_results

    sat = forms_of(read_results(options.results)) if options.results else ()
    found = consequences(result, sat, options.critical or "sitting")
    for cut, one in zip(result.cuts, found, strict=True):
        print(f"Form {cut.form}: cut {cut.cut:.2f} of {cut.maximum:g}, standard error {cut.standard_error:.2f}; "
              f"{cut.lowest_pass:g} or more pass.")  # fmt: skip
        for step in one.steps if not one.reason else ():
            where = f"{step.errors:+d} SE" if step.errors else "as set"
            print(f"  {where}: {step.cut:.2f}, {step.lowest_pass:g} or more; {step.passed} of {step.decided} pass "
                  f"({step.reached} by calls alone)")  # fmt: skip
        if one.reason and options.results:
            print(f"  no pass rates: {one.reason}")
    for note in result.notes:
        print(f"Note: {note}.")
    print(_for_blueprint(result))
    if options.out:
        _write(options.out, cut_page(result, found, school=options.school).encode(), read)
        print(f"Page: {options.out}")


def _for_blueprint(result: Result) -> str:
    """What of the cuts goes into a blueprint, which holds one number of calls for all forms."""
    if any(set(form.points) != {1.0} or form.step != 1 for form in result.inputs.forms):
        return "A blueprint counts passed calls; these cuts are in points and go into none."
    needed = sorted({round(cut.lowest_pass) for cut in result.cuts})
    if len(needed) > 1:
        told = " or ".join(map(str, needed))
        return f"The forms need {told} calls, and a blueprint holds one number: make the forms more alike, or move a cut."
    return f"For the next blueprint, under [pass_rule]: calls = {needed[0]}"


def _observed(file: Path | None, first: Ratings) -> Mapping[str, float]:
    """The share that passed each rated item in the results in `file`."""
    from blowergrade.statistics.table import read_results

    rows: dict[str, list[CallResult]] = {}
    for row in read_results(file) if file else ():
        if row.passed is not None and row.item in first.items:
            rows.setdefault(row.item, []).append(row)
    if file and not rows:
        raise CommandError(f"{file.name} holds none of the rated items; give results of an exam with some of them")
    return {item: sum(bool(r.passed) for r in own) / len(own) for item, own in rows.items()}


def _forms(options: argparse.Namespace, first: Ratings) -> tuple[Form, ...]:
    from blowergrade.statistics.angoff import Form
    from blowergrade.statistics.table import forms_of, read_results, table_rows

    if options.forms and options.forms.suffix == ".json":
        from blowergrade.exam.forms import load_forms

        return tuple(_of_calls(f.id, [i.id for i in f.items]) for f in load_forms(options.forms).forms)
    if options.forms:
        found: dict[str, dict[str, float]] = {}
        for line, row in table_rows(options.forms, ("form", "item")):
            points, own = row.get("points") or "1", found.setdefault(row["form"], {})
            if not points.isascii() or not points.replace(".", "", 1).isdigit() or row["item"] in own:
                here = f"{options.forms.name}, line {line}"
                raise CommandError(f"{here}: points {points!r} are no number, or the item stands twice on its form")
            own[row["item"]] = float(points)
        return tuple(Form(name, tuple(own), tuple(own.values())) for name, own in found.items())
    if options.results:
        return tuple(_of_calls(f.name, f.items) for f in forms_of(read_results(options.results)))
    return (_of_calls("all items", first.items),)


def _of_calls(name: str, items: Sequence[str]) -> Form:
    from blowergrade.statistics.angoff import Form

    return Form(name, tuple(items), (1.0,) * len(items))


def _moves(given: Sequence[str], reason: str) -> tuple[Adjustment, ...]:
    from blowergrade.statistics.angoff import Adjustment

    found = []
    for text in given:
        name, mark, points = text.rpartition("=")
        try:
            by = float(points)
        except ValueError:
            mark = ""
        if not (mark and name):
            raise CommandError(f"{text!r} moves no cut; write FORM=POINTS, such as A=-0.2")
        found.append(Adjustment(name, by, reason))
    return tuple(found)
