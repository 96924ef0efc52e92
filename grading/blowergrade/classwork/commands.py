"""`blowergrade class …`: a class from roster to results, one command per step.

Rule: a command says what it did and what to do next; exit code 1 means that something waits for a person, 2 that
nothing was done.
"""

from __future__ import annotations

import argparse
import csv
import io
from collections.abc import Callable
from pathlib import Path
from typing import Any

from blowergrade.classwork.folder import ClassError, ClassFolder
from blowergrade.classwork.paper import add_paper

Run = Callable[[argparse.Namespace], int | None]


def add(commands: Any) -> None:
    """Add `class` and its commands to the subparsers `commands`."""
    parser = commands.add_parser("class", help="a class: roster, assignments, hand-ins, grades, feedback, results")
    where = "the class folder (default: here)"
    parser.add_argument("--class", dest="folder", type=Path, default=Path(), metavar="FOLDER", help=where)
    steps = parser.add_subparsers(required=True, metavar="STEP")
    _make(steps)
    _assign(steps)
    _grade(steps)
    _results(steps)
    _look(steps)
    add_paper(steps)


def _step(steps: Any, name: str, run: Run, about: str, example: str) -> argparse.ArgumentParser:
    made: argparse.ArgumentParser = steps.add_parser(name, help=about, description=f"{about}. Example: {example}")
    made.set_defaults(run=run)
    return made


# ---------------------------------------------------------------------- roster
def _make(steps: Any) -> None:
    new = _step(steps, "new", _new, "make a class folder", "blowergrade class new fall --roster roster.csv")
    new.add_argument("root", type=Path, metavar="FOLDER", help="the folder to make")
    new.add_argument("--roster", type=Path, required=True, metavar="FILE", help="CSV: columns id and name (email, language)")
    new.add_argument("--course", default="blowers", metavar="ID", help="the course's id in nbgrader (default: blowers)")
    new.add_argument("--title", default="", help="what stands on slips and pages")
    roster = _step(steps, "roster", _roster, "take over a changed roster", "blowergrade class roster roster.csv")
    roster.add_argument("file", type=Path, metavar="FILE")


def _new(options: argparse.Namespace) -> None:
    from blowergrade.classwork.new import SLIPS, make_class

    folder = make_class(options.root, options.roster, options.course, options.title)
    print(f"Class folder {folder.root} with {len(folder.students)} students.")
    print(f"Print private/{SLIPS} and hand out the slips. Keep a copy of private/: variants and codes hang on it.")
    print(f"Next: cd {folder.root}, then `blowergrade class assign NAME --competency COMPETENCY`.")


def _roster(options: argparse.Namespace) -> None:
    from blowergrade.classwork.new import SLIPS, update_roster

    folder = ClassFolder(options.folder)
    came, left = update_roster(folder, options.file)
    print(f"New: {', '.join(came) or 'nobody'}. Left: {', '.join(left) or 'nobody'} (their outcomes are kept).")
    if came:
        print(f"Their slips are in private/{SLIPS}; give them an open assignment with `blowergrade class assign NAME --late`.")


# ---------------------------------------------------------------------- assign, collect
def _assign(steps: Any) -> None:
    assign = _step(
        steps, "assign", _assign_one, "assign a fault and make nbgrader's release",
        "blowergrade class assign fan-call --unit furnace_120_constant_airflow --competency command --difficulty 2",
    )  # fmt: skip
    assign.add_argument("name", metavar="NAME", help="the assignment's name: letters, digits, - and _")
    assign.add_argument("--title", default="", help="what students read")
    assign.add_argument("--unit", default="", metavar="ID", help="`blowerbench faults` lists them (default: any)")
    assign.add_argument("--fault", default="", metavar="ID", help="ID or ID/SEVERITY; else one is drawn")
    assign.add_argument("--complaint", default="", metavar="ID")
    assign.add_argument("--competency", default="", help="draw among the faults of this competency")
    assign.add_argument("--difficulty", type=int, default=0, choices=range(6), metavar="1-5")
    assign.add_argument("--each", action="store_true", help="draw a fault for each student, all of one difficulty")
    assign.add_argument("--due", default="", metavar="TIME", help="such as 2027-03-01T17:00 (this machine's zone unless given)")
    assign.add_argument("--rubric", default="default", metavar="FILE", help="a rubric of your own (.toml)")
    assign.add_argument("--seed", type=int, help="makes a draw come back")
    assign.add_argument("--again", action="store_true", help="make an assignment anew that nobody has handed in")
    assign.add_argument("--late", action="store_true", help="only give it to those who joined since")
    assign.add_argument("--supervised", default="", metavar="URL", help="benches stand at your service: `class serve`")
    assign.add_argument("--trust", type=Path, metavar="PEM", help="the service's own certificate, which goes to the students")
    serve = _step(
        steps, "serve", _serve, "run the bench service of a supervised assignment, with its class page",
        "blowergrade class serve fan-call --port 8444",
    )  # fmt: skip
    serve.add_argument("name", metavar="NAME")
    serve.add_argument("--address", default="127.0.0.1", help="where to listen (default: this machine only)")
    serve.add_argument("--port", type=int, default=8444)
    serve.add_argument("--certificate", type=Path, metavar="PEM", help="for TLS, which other machines need")
    serve.add_argument("--key", type=Path, metavar="PEM")
    serve.add_argument("--behind-proxy", action="store_true", help="a proxy on this machine speaks TLS")
    serve.add_argument("--solvers", type=int, default=1, choices=range(1, 33), metavar="N", help="processes (default: 1)")
    collect = _step(steps, "collect", _collect, "take hand-ins", "blowergrade class collect fan-call download.zip")
    collect.add_argument("name", metavar="NAME")
    without = "without it: nbgrader's exchange (Linux); of supervised work the service's journal"
    collect.add_argument("source", nargs="?", type=Path, metavar="ZIP|FOLDER", help=without)


def _assign_one(options: argparse.Namespace) -> None:
    from blowergrade.classwork.assign import add_late_comers, assign
    from blowergrade.classwork.draw import Wanted

    folder = ClassFolder(options.folder)
    if options.late:
        came = add_late_comers(folder, options.name)
        print(f"Given to {', '.join(came) or 'nobody: all have it'}.")
        if came and folder.assignment(options.name).service:
            print("A service that runs knows them once it is started again.")
        return
    wanted = Wanted(options.unit, options.fault, options.complaint, options.competency, options.difficulty)
    made = assign(
        folder, options.name, wanted, title=options.title, each=options.each, due=options.due, rubric=options.rubric,
        seed=options.seed, again=options.again, service=options.supervised, trust=options.trust,
    )  # fmt: skip
    calls = sorted({(x.equipment, x.fault, x.complaint) for x in made.assigned})
    print(f"Assigned {made.name!r} to {len(made.assigned)} students, each with their own variant:")
    for equipment, fault, complaint in calls[:10]:
        print(f"  {equipment}: {fault}, complaint {complaint}")
    if made.service:
        print(f"Hand out release/{made.name}/, and run `blowergrade class serve {made.name}` so that {made.service} answers.")
    else:
        print(f"Hand out release/{made.name}/ (the notebook and sealed.json), as a zip file or over nbgrader's exchange.")


def _serve(options: argparse.Namespace) -> None:
    import asyncio

    from msgspec.structs import replace

    from blowergrade.classwork.serve import serve
    from blowergrade.classwork.supervised import RULES
    from blowergrade.exam.service import Place

    place = Place(options.address, options.port, options.certificate, options.key, options.behind_proxy)
    place.check()
    asyncio.run(serve(ClassFolder(options.folder), options.name, place, rules=replace(RULES, solvers=options.solvers)))


def _collect(options: argparse.Namespace) -> int | None:
    from blowergrade.classwork.collect import collect, table

    folder = ClassFolder(options.folder)
    if options.source is None and folder.assignment(options.name).service:
        from blowergrade.classwork.supervised import take_records

        found = take_records(folder, options.name)
    else:
        found = collect(folder, options.name, options.source)
    print(table(folder, options.name, found))
    print(f"Next: `blowergrade class grade {options.name}`.")
    return 1 if any(not c.student for c in found) else None


# ---------------------------------------------------------------------- grade
def _grade(steps: Any) -> None:
    grade = _step(steps, "grade", _grade_all, "grade the hand-ins", "blowergrade class grade fan-call")
    grade.add_argument("name", metavar="NAME")
    grade.add_argument("students", nargs="*", metavar="ID", help="only these")
    grade.add_argument("--again", action="store_true", help="regrade what is unchanged, too")
    grade.add_argument("--processes", type=int, default=0, metavar="N", help="default: one per core")
    override = _step(
        steps, "override", _override, "set a part's points by hand",
        'blowergrade class override fan-call s07 write_up 8 --reason "written on paper" --by "A. Teacher"',
    )  # fmt: skip
    for name in ("name", "student", "part", "points"):
        override.add_argument(name, metavar=name.upper())
    extend = _step(
        steps, "extend", _extend, "give a student more time",
        'blowergrade class extend fan-call s07 2027-03-05T17:00 --reason "was ill" --by "A. Teacher"',
    )  # fmt: skip
    for name in ("name", "student", "due"):
        extend.add_argument(name, metavar=name.upper())
    for parser in (override, extend):
        parser.add_argument("--reason", required=True)
        parser.add_argument("--by", required=True)


def _grade_all(options: argparse.Namespace) -> int | None:
    from blowergrade.classwork.gradebook import take_over, write_grades
    from blowergrade.classwork.grading import grade_class, table

    folder = ClassFolder(options.folder)
    taken = take_over(folder, options.name)
    rows = grade_class(folder, options.name, options.students, processes=options.processes, again=options.again)
    told = write_grades(folder, options.name, options.students)
    print(table(rows))
    for line in (*taken, *told):
        print(line)
    by_hand = sum(r.status == "manual" and r.tenths is None for r in rows)
    fresh = sum(r.fresh for r in rows)
    missing = sum(r.status == "missing" for r in rows)
    print(f"{fresh} graded now, {len(rows) - fresh} unchanged, {by_hand} wait for you, {missing} missing.")
    print(f"Next: `blowergrade class feedback {options.name}`, `blowergrade class export {options.name} FILE`.")
    return 1 if by_hand or told else None


def _override(options: argparse.Namespace) -> None:
    from blowergrade.classwork.changes import override
    from blowergrade.classwork.export import points
    from blowergrade.classwork.gradebook import write_grades

    folder = ClassFolder(options.folder)
    made = override(folder, options.student, options.name, options.part, options.points, options.reason, options.by)
    for line in write_grades(folder, options.name, (options.student,), progress=False):
        print(line)
    print(f"{options.student}: {options.part} is {options.points} now, the whole {points(made.tenths) or 'not decided yet'}.")


def _extend(options: argparse.Namespace) -> None:
    from blowergrade.classwork.assign import utc_time
    from blowergrade.classwork.changes import extend
    from blowergrade.classwork.gradebook import write_grades

    folder = ClassFolder(options.folder)
    due = utc_time(options.due, "DUE")
    extend(folder, options.student, options.name, due, options.reason, options.by)
    if folder.outcome(options.student, options.name) is not None:
        for line in write_grades(folder, options.name, (options.student,), progress=False):
            print(line)
    print(f"{options.student} has until {due} for {options.name}.")


# ---------------------------------------------------------------------- results
def _results(steps: Any) -> None:
    feedback = _step(steps, "feedback", _feedback, "write each student's page", "blowergrade class feedback fan-call")
    feedback.add_argument("name", metavar="NAME")
    feedback.add_argument("students", nargs="*", metavar="ID")
    feedback.add_argument("--after-due", action="store_true", help="nothing before the assignment is due: pages tell the fault")
    export = _step(steps, "export", _export, "write results", "blowergrade class export fan-call results.csv")
    export.add_argument("name", metavar="NAME")
    export.add_argument("file", type=Path, metavar="FILE", help="a .csv with each part's points, or a .zip in OneRoster form")
    passback = _step(
        steps, "passback", _passback, "scores in the LTI 1.3 form, to a file or to a platform",
        "blowergrade class passback fan-call --file scores.jsonl",
    )  # fmt: skip
    passback.add_argument("name", metavar="NAME")
    passback.add_argument("--file", type=Path, help="write them to this file, one JSON object a line")
    passback.add_argument("--users", type=Path, metavar="CSV", help="lines of student id and the platform's user id")
    passback.add_argument("--to", default="", metavar="URL", help="send them to this line item")
    passback.add_argument("--token-url", default="", metavar="URL")
    passback.add_argument("--client", default="", metavar="ID")
    passback.add_argument("--key", type=Path, metavar="PEM", help="the RSA key that the platform knows this tool by")
    passback.add_argument("--key-id", default="", metavar="ID")


def _feedback(options: argparse.Namespace) -> None:
    from blowergrade.classwork.feedback import write_feedback

    folder = ClassFolder(options.folder)
    made = write_feedback(folder, options.name, options.students, tell=not options.after_due)
    print(f"{len(made)} pages in feedback/STUDENT/{options.name}/; hand them out, or release them over nbgrader's exchange.")


def _export(options: argparse.Namespace) -> None:
    from blowergrade.classwork.export import write_oneroster, write_parts

    folder = ClassFolder(options.folder)
    if options.file.suffix == ".zip":
        write_oneroster(folder, [options.name], options.file)
    else:
        write_parts(folder, options.name, options.file)
    print(f"Results of {options.name} in {options.file}.")


def _passback(options: argparse.Namespace) -> None:
    from blowergrade.classwork import passback

    folder = ClassFolder(options.folder)
    users = _users(options.users) if options.users else None
    if options.file:
        print(f"{passback.write_scores(folder, options.name, options.file, users)} scores in {options.file}.")
    if options.to:
        if not (options.token_url and options.client and options.key):
            raise ClassError("to send scores, give --token-url, --client and --key: the platform's page for this tool has them")
        platform = passback.Platform(
            options.to, token_url=options.token_url, client_id=options.client, private_key=options.key.read_bytes(),
            key_id=options.key_id,
        )  # fmt: skip
        sent = passback.send(passback.scores(folder, options.name, users), platform, folder.private / "passback.json")
        print(f"{len(sent)} scores sent; those sent before were left alone.")
    if not options.file and not options.to:
        raise ClassError("say where the scores go: --file FILE, or --to URL")


def _users(file: Path) -> dict[str, str]:
    try:
        rows = list(csv.reader(io.StringIO(file.read_text(encoding="utf-8-sig"), newline="")))
        return {row[0].strip(): row[1].strip() for row in rows if row}
    except (OSError, UnicodeDecodeError, IndexError, csv.Error) as error:
        raise ClassError(f"{file}: {error}; each line has two cells, the student's id and the platform's user id") from error


# ---------------------------------------------------------------------- look
def _look(steps: Any) -> None:
    picture = _step(steps, "picture", _picture, "draw who needs what", "blowergrade class picture fan-call")
    picture.add_argument("names", nargs="*", metavar="NAME", help="assignments (default: all)")
    picture.add_argument("--out", type=Path, default=None, metavar="FOLDER", help="default: private/picture")
    picture.add_argument("--without-names", action="store_true", help="for showing it to the class")
    similar = _step(steps, "similar", _similar, "look for copied calls", "blowergrade class similar fan-call")
    similar.add_argument("name", metavar="NAME")
    _step(steps, "check", _check, "look whether the class is in order, and whether a key got out", "blowergrade class check")


def _picture(options: argparse.Namespace) -> None:
    from blowergrade.classwork.class_picture import draw

    folder = ClassFolder(options.folder)
    names = options.names or list(folder.assignments())
    print(f"Open {draw(folder, names, options.out or folder.private / 'picture', options.without_names)} in a browser.")


def _similar(options: argparse.Namespace) -> int | None:
    from blowergrade.classwork.similarity import compare_class, text

    folder = ClassFolder(options.folder)
    report = compare_class(folder, options.name)
    print(text(report, {s.id: f"{s.name} ({s.id})" for s in folder.students}))
    return 1 if report.pairs else None


def _check(options: argparse.Namespace) -> int | None:
    from blowergrade.classwork.check import check

    found = check(ClassFolder(options.folder))
    marks = {"ok": "ok      ", "warning": "look at ", "problem": "PROBLEM "}
    for finding in found:
        print(marks[finding.level] + finding.what + (f"\n          {finding.remedy}" if finding.remedy else ""))
    return 1 if any(f.level == "problem" for f in found) else None
