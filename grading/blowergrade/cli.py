"""The grader's command: demo, grade, explain, path, diagnosability; for an own equipment check-equipment and compare.

Rule: a mistake ends in one clear line on stderr and exit code 2, never in a traceback. What is printed on standard output is
the call or the result; progress goes to stderr, and only where a person watches. No file is ever overwritten by the demo; the
drawing and the plot of an own equipment are, since they are made again from the files beside them.
"""

from __future__ import annotations

import argparse
import io
import sys
from collections.abc import Sequence
from contextlib import suppress
from importlib.metadata import entry_points
from itertools import count
from pathlib import Path
from typing import Any

from msgspec.structs import replace
from tqdm import tqdm

from blowerbench import acts as a
from blowerbench.bench import LocalBench
from blowerbench.circuit import Pin
from blowerbench.cli import carry_out
from blowerbench.equipment import Equipment, EquipmentError, load_equipment
from blowerbench.errors import BenchError
from blowerbench.faults import NO_FAULT, Catalogue, Fault, Hypothesis, load_faults
from blowerbench.messages import describe, duration_text, label, perceived, translate
from blowerbench.observation import Accepted, Outcome
from blowerbench.record import CallRecord, read_record
from blowergrade.classwork import commands as class_commands
from blowergrade.counterfactual import with_counterfactual
from blowergrade.credentials import command as credential_commands
from blowergrade.decision_tree import LEAVES, lines_of, tree_of
from blowergrade.exam import commands as exam_commands
from blowergrade.intervals import EvidenceFileError, place_of
from blowergrade.own_equipment import check_file, draw, findings_text, unit_text
from blowergrade.path import MODES, table_for
from blowergrade.records import command as record_commands
from blowergrade.report import SCHOOL, points
from blowergrade.score import grade_bench, grade_record
from blowergrade.sheet import Sheet
from blowergrade.sheet_csv import append
from blowergrade.statistics import command as statistics_commands
from blowergrade.technicians import Technician
from blowergrade.wording import Words, clock

EQUIPMENT = "furnace_120_constant_airflow"
#: A story with the reference source in it: the motor runs on the source and not on its harness.
STORY = "control_fan_pin_out"
#: A shorter story, with few possible causes: it is graded in a few seconds.
SHORT_STORY = "wall_G_open"
PERSON = "Robin Ashdown"  # invented


class CommandError(BenchError):
    """Something asked of the command is wrong; the message says what would be right."""


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command with `arguments` (those of the process by default) and return its exit code."""
    options = _parser().parse_args(arguments)
    if isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(errors="replace")  # a terminal without Ω must not end the call
    return carry_out("blowergrade", options)


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="blowergrade", description=translate("Grade service calls on the simulated bench."))
    commands = parser.add_subparsers(required=True, metavar="COMMAND")
    demo = commands.add_parser("demo", help=translate("play one whole service call and write its score sheet"))
    demo.add_argument("--out", type=Path, default=Path("blower-demo"), metavar="DIR",
                      help=translate("the folder for record and score sheet (default: %(default)s)"))  # fmt: skip
    demo.add_argument("--fault", metavar="ID[/SEVERITY]", help=translate("the fault in the unit"))
    demo.add_argument("--fast", action="store_true", help=translate("a complaint with few possible causes, graded in seconds"))
    demo.set_defaults(run=_demo)
    grade = commands.add_parser("grade", help=translate("grade a call record and write its score sheet"))
    grade.add_argument("record", type=Path, metavar="RECORD", help=translate("the .jsonl file of the call"))
    grade.add_argument("--fault", required=True, metavar="ID[/SEVERITY]", help=translate("the fault that was in the unit"))
    grade.add_argument("--out", type=Path, metavar="DIR", help=translate("the folder for the sheet (default: the record's)"))
    grade.add_argument("--csv", type=Path, metavar="FILE", help=translate("a table to which the sheet is appended as a row"))
    grade.set_defaults(run=_grade)
    explain = commands.add_parser("explain", help=translate("say what each act of a record told, and what was best"))
    explain.add_argument("record", type=Path, metavar="RECORD", help=translate("the .jsonl file of the call"))
    explain.add_argument("--fault", required=True, metavar="ID[/SEVERITY]", help=translate("the fault that was in the unit"))
    explain.add_argument("--act", type=int, metavar="N",
                         help=translate("only this act (default: those that told something or cost much)"))  # fmt: skip
    explain.add_argument("--all", action="store_true", help=translate("every act"))
    explain.add_argument("--out", type=Path, metavar="DIR", help=translate("a folder for the page and the time line's picture"))
    explain.set_defaults(run=_explain)
    path = commands.add_parser("path", help=translate("print the computed isolation path of a complaint as a tree"))
    path.add_argument("complaint", metavar="COMPLAINT", help=translate("the complaint's id; an unknown one lists them"))
    path.add_argument("--picture", type=Path, metavar="FILE", help=translate("draw the tree for paper, as .svg or .png"))
    path.add_argument("--leaves", type=int, default=LEAVES, metavar="N",
                      help=translate("at most so many ends in the picture (default: %(default)s)"))  # fmt: skip
    path.set_defaults(run=_path)
    told = commands.add_parser("diagnosability", help=translate("say which faults of a unit can't be told apart, and by what"))
    told.add_argument("--out", type=Path, metavar="DIR", help=translate("a folder for the report as a page and as data"))
    told.set_defaults(run=_diagnosability)
    for command in (demo, path, told):
        command.add_argument("--equipment", default=EQUIPMENT, metavar="ID",
                             help=translate("a shipped unit's name or a .toml file (default: %(default)s)"))  # fmt: skip
    check = commands.add_parser("check-equipment", help=translate("check an own equipment file, try the unit out and draw it"))
    check.add_argument("file", type=Path, metavar="FILE", help=translate("the equipment's .toml file"))
    check.add_argument("--faults", type=Path, metavar="FILE",
                       help=translate("its fault file (default: NAME.faults.toml beside it)"))  # fmt: skip
    check.add_argument("--out", type=Path, metavar="DIR", help=translate("the folder for the drawing (default: the file's)"))
    check.set_defaults(run=_check_equipment)
    compare = commands.add_parser("compare", help=translate("set own meter readings beside what the equipment file predicts"))
    compare.add_argument("file", type=Path, metavar="FILE", help=translate("the readings, a .csv or .toml file"))
    compare.add_argument("--out", type=Path, metavar="DIR", help=translate("the folder for the plot (default: the file's)"))
    compare.set_defaults(run=_compare)
    kit = commands.add_parser("kit", help=translate("put handouts and answer keys for the instructor into a folder"))
    kit.add_argument("folder", type=Path, metavar="FOLDER", help=translate("the folder; it is made when missing"))
    kit.add_argument("--paper", default="us-letter", choices=("us-letter", "a4"), help=translate("the paper of the handouts"))
    kit.set_defaults(run=_kit)
    again = commands.add_parser("regrade", help=translate("grade many kept records again and say what changed"))
    again.add_argument("source", type=Path, metavar="SOURCE", help=translate("an exam's folder, a class folder or a manifest"))
    again.add_argument("--out", type=Path, required=True, metavar="DIR",
                       help=translate("the folder for log and sheets; one that was interrupted is gone on with"))  # fmt: skip
    again.add_argument("--processes", type=int, default=0, metavar="N", help=translate("default: one for each core"))
    again.add_argument("--cluster", default="", metavar="ADDRESS", help=translate("a Dask scheduler, such as tcp://192.0.2.10:8786"))
    again.set_defaults(run=_regrade)
    class_commands.add(commands)
    exam_commands.add(commands)
    credential_commands.add(commands)
    statistics_commands.add(commands)
    record_commands.add(commands)
    return parser


def hypothesis_of(text: str, catalogue: Catalogue) -> Hypothesis:
    """The catalogued hypothesis written as ID or ID/SEVERITY; raises `CommandError` for any other."""
    name, slash, number = text.partition("/")
    fault = catalogue.faults.get(name)
    if fault is None:
        raise CommandError(f"no fault {name!r} in {catalogue.equipment}; `blowerbench faults` lists them")
    if not slash:
        return Hypothesis(name)
    if not (number.isascii() and number.isdigit() and int(number) < len(fault.severities)):
        known = ", ".join(f"{name}/{k} ({s.name})" for k, s in enumerate(fault.severities))
        raise CommandError(f"no severity {number!r} of fault {name!r}; there is {known}")
    return Hypothesis(name, int(number))


# ---------------------------------------------------------------------- demo
class ToldBench(LocalBench):
    """A bench that prints each act as a plain sentence, and what of its outcome is new to the senses."""

    def act(self, act: a.Act) -> Outcome:
        """Do `act` and tell it."""
        before = self.last.senses
        outcome = super().act(act)
        if isinstance(outcome, Accepted):
            now = outcome.observation
            news = now if now.senses != before else replace(now, senses=())
            print(f"{clock(outcome.clock):>6}  {describe(act, self.equipment)}")
            for heard in perceived(news, "en", self.equipment):
                print(f"          → {heard}")
        return outcome


class Demonstrator(Technician):
    """A technician who says what comes next, and confirms a harness fault with the reference source."""

    def calls(self) -> None:
        """As taught."""
        _heading("What runs on which call")
        super().calls()

    def live(self) -> None:
        """As taught."""
        _heading("Live readings at the unit")
        super().live()

    def plug_apart(self) -> None:
        """As taught."""
        _heading("Made safe; the motor's power plug apart")
        super().plug_apart()

    def reference(self) -> None:
        """As taught."""
        _heading("The reference source in place of the harness")
        super().reference()

    def opened(self) -> None:
        """As taught."""
        _heading("Five minutes, then the control module opened")
        super().opened()

    def conclude(self) -> None:
        """Confirm where the source can, then go on as taught."""
        if self.evidence.units and self.evidence.units <= command_harness(self.equipment, self.evidence.catalogue):
            self.searching = False
            _heading("The readings leave the motor's control harness; made safe to confirm it")
            self.safe()
            self.reference()
        _heading("Diagnosis")
        super().conclude()

    def repair(self, units: Sequence[str]) -> None:
        """As taught."""
        _heading("Repair")
        super().repair(units)

    def verify(self) -> None:
        """As taught."""
        _heading("Verification")
        super().verify()


def _on_pins(equipment: Equipment, fault: Fault, connector: str = "") -> bool:
    """Whether `fault` opens a pin (of `connector`, if given)."""
    parts = [equipment.network.parts.get(t) for t in fault.target]
    return fault.change == "open" and any(isinstance(x, Pin) and connector in ("", x.connector) for x in parts)


def command_harness(equipment: Equipment, catalogue: Catalogue) -> set[str]:
    """The correction units of faults in the pins that carry the motor's commands; empty where no reference source fits."""
    plug = str(equipment.source.get("connector", ""))
    return {f.correction for f in catalogue.faults.values() if plug and _on_pins(equipment, f, plug)}


def default_story(equipment: Equipment, catalogue: Catalogue, fast: bool) -> str:
    """The fault that a demo shows when none is asked for.

    The first pin out of the plug that carries the motor's commands, else of any plug, else the first fault; `fast`: one with a
    complaint that few causes lead to.
    """
    if equipment.id == EQUIPMENT:
        return SHORT_STORY if fast else STORY
    plain = [f for f in catalogue.faults.values() if f.correction != NO_FAULT and not f.when and f.change != "both"]
    if not plain:
        raise CommandError(f"{equipment.id} has no fault to show; add one to its fault file")
    if fast:
        few = {c: len(catalogue.hypotheses(c)) for f in plain for c in f.complaints}
        return min(plain, key=lambda f: min(n if n > 2 else 1000 for n in map(few.__getitem__, f.complaints))).id
    pins = [f for f in plain if _on_pins(equipment, f, str(equipment.source.get("connector", "")))]
    return (pins or [f for f in plain if _on_pins(equipment, f)] or plain)[0].id


def _heading(text: str) -> None:
    print(f"\n  {translate(text)}")


def _demo(options: argparse.Namespace) -> None:
    equipment = load_equipment(options.equipment)
    catalogue = load_faults(equipment)
    wanted = options.fault if options.fault is not None else default_story(equipment, catalogue, options.fast)
    hypothesis = hypothesis_of(wanted, catalogue)
    complaints = catalogue.faults[hypothesis.fault].complaints
    complaint = min(complaints, key=lambda c: len(catalogue.hypotheses(c))) if options.fast else complaints[0]
    record, page, data = _fresh(options.out)
    bench = ToldBench(equipment, hypothesis, complaint, variant="demo", record=record, assignment="demo", person=PERSON)
    print(f"{SCHOOL} – {PERSON} – {equipment.title}")
    print("\n".join(perceived(bench.last, "en", equipment)))
    _heading("Arrival")
    try:
        Demonstrator(bench).work()
    finally:
        bench.close()
    print()
    own = options.equipment.endswith(".toml")
    sheet = grade_bench(bench) if own else _graded(read_record(record), hypothesis)
    _write(sheet, page, data)
    _say_result(sheet, equipment)
    for what, file in (("Record", record), ("Score sheet", page), ("The same as data", data)):
        if not file.exists():
            print(f"  {translate(what) + ':':<18} {translate('none: its page finds a unit among the shipped ones only')}")
            continue
        print(f"  {translate(what) + ':':<18} {file.resolve()}")


def _fresh(folder: Path) -> tuple[Path, Path, Path]:
    """Record, page and data in `folder`, numbered so that nothing there is overwritten."""
    if folder.exists() and not folder.is_dir():
        raise CommandError(f"{folder} is a file; give a folder")
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise CommandError(f"{folder} can't be made ({error.strerror}); give another folder") from error
    for number in count(1):
        tail = f"-{number}" if number > 1 else ""
        files = (folder / f"call{tail}.jsonl", folder / f"score-sheet{tail}.html", folder / f"score-sheet{tail}.json")
        if not any(f.exists() for f in files):
            return files
    raise AssertionError("count never ends")


# ---------------------------------------------------------------------- grade
def _graded(record: CallRecord, hypothesis: Hypothesis, place: Path | None = None) -> Sheet:
    """The sheet of `record`, with what was wrong with its tail among the notes; shows progress on stderr.

    The evidence goes to the file `place` as well; where that can't be written the sheet is the same.
    """
    equipment = load_equipment(record.header.equipment)
    with _progress("computing the isolation path", 2) as bar:
        table_for(equipment, load_faults(equipment), record.header.complaint)
        bar.update()
        bar.set_description(translate("grading"))
        try:
            sheet = grade_record(record, hypothesis, place=place)
        except EvidenceFileError:
            sheet = grade_record(record, hypothesis)
        sheet = with_counterfactual(sheet, equipment, load_faults(equipment), [line.act for line in record.lines])
        bar.update()
    if record.damage:
        note = f"the record is damaged; graded up to act {len(record.lines)}: {record.damage}"
        sheet = replace(sheet, notes=(*sheet.notes, note))
    return sheet


def _progress(task: str, stages: int) -> Any:
    """A bar on stderr with the time so far; nothing where no terminal is."""
    return tqdm(total=stages, desc=translate(task), disable=None, leave=False, bar_format="{desc} {bar} {elapsed}")


def _write(sheet: Sheet, page: Path, data: Path) -> None:
    try:
        page.parent.mkdir(parents=True, exist_ok=True)
        data.write_bytes(sheet.json())
        with suppress(EquipmentError):  # the page finds its unit by name, an own file has only a path
            page.write_text(sheet.html(), encoding="utf-8", newline="\n")
    except OSError as error:
        raise CommandError(f"{page.parent}: the score sheet can't be written ({error.strerror}); give another --out") from error


def _say_result(sheet: Sheet, equipment: Equipment) -> None:
    result = "To be graded by hand" if sheet.outside_catalogue else "Passed" if sheet.passed else "Not passed"
    print(f"{translate(result)}: {points(sheet.tenths)} of 100 points.")
    for part in sheet.parts:
        print(f"  {part.name.replace('_', '-'):<10} {points(part.tenths):>5} of {points(part.of)}")
    places = " + ".join(label("unit", name, equipment) for name in sheet.correction.split("; "))
    print(f"{translate('The fault')}: {sheet.fault_title}; corrected at: {places}.")
    for broken in sheet.violations:
        print(f"{broken.level}, act {broken.seq} at {clock(broken.clock)}: {broken.text} ({broken.clause})")
    for note in sheet.notes:
        print(note)


def _read(file: Path) -> CallRecord:
    try:
        return read_record(file)
    except OSError as error:
        raise CommandError(f"{file}: can't be read ({error.strerror}); give a call record (.jsonl)") from error


def _grade(options: argparse.Namespace) -> None:
    record = _read(options.record)
    equipment = load_equipment(record.header.equipment)
    hypothesis = hypothesis_of(options.fault, load_faults(equipment))
    sheet = _graded(record, hypothesis, place_of(options.record))
    stem = f"{options.record.stem}-score-sheet"
    folder = options.out or options.record.parent
    page, data = folder / f"{stem}.html", folder / f"{stem}.json"
    _write(sheet, page, data)
    _say_result(sheet, equipment)
    print(f"  {page.resolve()}\n  {data.resolve()}")
    if options.csv is not None:
        append(sheet, options.csv)
        print(f"  {options.csv.resolve()}")


# ---------------------------------------------------------------------- explain
def _explain(options: argparse.Namespace) -> None:
    # matplotlib takes a second to load, and grading does not need it
    from blowergrade.explain import Explained, Explainer, text_of
    from blowergrade.explain_picture import timeline
    from blowergrade.pages import explanation_page

    record = _read(options.record)
    equipment = load_equipment(record.header.equipment)
    sheet = _graded(record, hypothesis_of(options.fault, load_faults(equipment)))
    explainer = Explainer(sheet, record.lines, equipment)
    if options.act is not None:
        acts: tuple[Explained, ...] = (explainer.act(options.act),)
    else:
        acts = explainer.everything if options.all else explainer.telling
    print(text_of(explainer, acts))
    if options.out is not None:
        stem, picture = options.out / f"{options.record.stem}-explained", timeline(explainer)
        page = explanation_page(explainer, acts).encode()
        for file, made in (("html", page), ("svg", picture.svg().encode()), ("png", picture.png())):
            _save(Path(f"{stem}.{file}"), made)


def _save(file: Path, made: bytes) -> None:
    try:
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_bytes(made)
    except OSError as error:
        raise CommandError(f"{file}: can't be written ({error.strerror}); give another place") from error
    print(f"  {file.resolve()}")


# ---------------------------------------------------------------------- path
def _path(options: argparse.Namespace) -> None:
    equipment = load_equipment(options.equipment)
    if options.complaint not in equipment.complaints:
        raise CommandError(f"no complaint {options.complaint!r}; {equipment.id} has {', '.join(equipment.complaints)}")
    if options.picture is not None and options.picture.suffix not in (".svg", ".png"):
        raise CommandError(f"{options.picture}: a picture is .svg or .png; name it so")
    catalogue = load_faults(equipment)
    with _progress("computing the isolation path", 1):
        table = table_for(equipment, catalogue, options.complaint)
        words = Words(equipment, catalogue)
        tree = tree_of(table, options.complaint, words)
    whole = table.mask(table.hypotheses)
    expected = table.cost(whole, MODES[0]) // max(1, table.weight(whole))
    print(f"“{translate(equipment.complaints[options.complaint].text)}”")
    print(f"{len(table.hypotheses)} possible causes; {duration_text(expected)} expected until one correction unit is left.\n")
    print("\n".join(lines_of(tree, words)))
    if options.picture is not None:
        from blowergrade.decision_picture import picture

        if options.leaves < 2:
            raise CommandError(f"--leaves {options.leaves}: a tree has two ends or more; give 2 or more")
        drawn = picture(tree_of(table, options.complaint, words, options.leaves), words, options.complaint)
        _save(options.picture, drawn.png() if options.picture.suffix == ".png" else drawn.svg().encode())


def _diagnosability(options: argparse.Namespace) -> None:
    from blowergrade.diagnosability import diagnosability
    from blowergrade.pages import diagnosability_page, diagnosability_text

    equipment = load_equipment(options.equipment)
    catalogue = load_faults(equipment)
    with _progress("computing the tables", len(equipment.complaints)) as bar:
        report = diagnosability(equipment, catalogue, done=bar.update)
    print(diagnosability_text(report, equipment, catalogue))
    if options.out is not None:
        _save(options.out / f"{equipment.id}-diagnosability.json", report.json())
        _save(options.out / f"{equipment.id}-diagnosability.html", diagnosability_page(report, equipment, catalogue).encode())


# ---------------------------------------------------------------------- an instructor's own equipment
def _check_equipment(options: argparse.Namespace) -> None:
    checked = check_file(options.file, options.faults)
    print("\n".join([*unit_text(checked), *findings_text(checked.findings)]))
    if checked.equipment is not None:
        drawing = draw(checked.equipment, options.out or options.file.parent)
        print(f"  {translate('Drawing')}: {drawing.resolve()}")
    wrong = sum(not f.advice for f in checked.findings)
    if wrong:
        raise CommandError(f"{options.file.name}: {wrong} to mend, listed above; mend them and check again")
    print(f"{options.file.name}: {translate('good')}.")


def _compare(options: argparse.Namespace) -> None:
    # matplotlib takes a second to load, and nothing else here needs it
    from blowergrade.comparison import advise, compare_rows, read_readings
    from blowergrade.comparison_report import plot, summary, table, write_plot

    readings = read_readings(options.file)
    with _progress("predicting the readings", 1):
        compared, bad = compare_rows(readings)
        advice = advise(readings.equipment, compared)
    print("\n".join([f"{readings.equipment.title} ({readings.equipment.id})", *table(compared)]))
    for row in bad:
        print(f"  line {row.line} {translate('kept out')}: {row.why}")
    print("\n".join(summary(compared, bad, advice, readings.equipment)))
    if not compared:
        raise CommandError(f"{options.file.name}: no reading could be compared; mend the lines listed above")
    file = (options.out or options.file.parent) / f"{options.file.stem}-comparison.svg"
    write_plot(plot(compared, readings.equipment.title), file)
    print(f"  {translate('Plot')}: {file.resolve()}")


#: The course's kit is found through this group of entry points: this package may not import the lessons that build on it.
KIT_GROUP = "blowergrade.kit"


def _regrade(options: argparse.Namespace) -> int | None:
    from blowergrade.regrade import regrade, summary
    from blowergrade.regrade_sources import wanted_of

    done = regrade(wanted_of(options.source), options.out, processes=options.processes, cluster=options.cluster)
    for line in summary(done):
        print(line)
    return 1 if any(d.changed or d.reason for d in done) else None


def _kit(options: argparse.Namespace) -> None:
    for entry in entry_points(group=KIT_GROUP):
        entry.load()(options.folder, options.paper)
        return
    raise CommandError("no course is installed beside the grader; install the whole distribution, lessons included")


if __name__ == "__main__":
    sys.exit(main())
