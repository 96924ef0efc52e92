"""`blowergrade exam …`: an exam from blueprint to results, one command per step.

Rule: a command says what it did and what to do next; exit code 1 means that something waits for a person or is wrong, 2 that
nothing was done. Commands that write the journal need the service to be stopped: one process writes.
"""

from __future__ import annotations

import argparse
import asyncio
import secrets
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tqdm.auto import tqdm

from blowergrade.exam.programme import ExamError

if TYPE_CHECKING:
    from blowergrade.exam.folder import ExamFolder

Run = Callable[[argparse.Namespace], int | None]


def add(commands: Any) -> None:
    """Add `exam` and its commands to the subparsers `commands`."""
    parser = commands.add_parser("exam", help="a sealed exam: forms, sitting, results, appeals")
    steps = parser.add_subparsers(required=True, metavar="STEP")
    _before(steps)
    _during(steps)
    _after(steps)
    _later(steps)


def _step(steps: Any, name: str, run: Run, about: str, example: str, *, folder: bool = True) -> argparse.ArgumentParser:
    made: argparse.ArgumentParser = steps.add_parser(name, help=about, description=f"{about}. Example: {example}")
    made.set_defaults(run=run)
    if folder:
        made.add_argument("folder", type=Path, metavar="FOLDER", help="the exam's folder")
        made.add_argument("--exam-key", type=Path, metavar="FILE", help="the plan's key, where it is kept elsewhere")
        made.add_argument("--database", default="", metavar="URL",
                          help="the journal's database (default: a SQLite file in the folder)")  # fmt: skip
    return made


def _folder(options: argparse.Namespace) -> ExamFolder:
    from blowergrade.exam.folder import ExamFolder

    return ExamFolder(options.folder, options.exam_key)


# ---------------------------------------------------------------------- before
def _before(steps: Any) -> None:
    forms = _step(
        steps, "forms", _forms, "make alike forms from a blueprint", "blowergrade exam forms blueprint.toml -o forms.json",
        folder=False,
    )  # fmt: skip
    forms.add_argument("blueprint", metavar="BLUEPRINT", help="a .toml file, or a shipped blueprint's name (example)")
    forms.add_argument("-o", "--out", type=Path, required=True, metavar="FILE", help="the forms' file; it names the faults")
    forms.add_argument("--seed", type=int, default=1, help="another one gives other forms (default: 1)")
    forms.add_argument("--effort", type=float, default=5.0, metavar="SECONDS", help="how long to search (default: 5)")
    forms.add_argument("--picture", type=Path, metavar="FILE", help="draw how alike they are, as .svg or .png")
    new = _step(
        steps, "new", _new, "make an exam's folder", "blowergrade exam new may-2027 --blueprint blueprint.toml "
        "--forms forms.json --candidates candidates.csv --school 'Harrow Lane Trade School'", folder=False,
    )  # fmt: skip
    new.add_argument("folder", type=Path, metavar="FOLDER", help="the folder to make; its name names the sitting")
    new.add_argument("--blueprint", required=True, metavar="FILE", help="the blueprint that the forms were made from")
    new.add_argument("--forms", required=True, type=Path, metavar="FILE", help="the file that `exam forms` wrote")
    new.add_argument("--candidates", required=True, type=Path, metavar="FILE",
                     help="CSV: id, name; and where wanted language, extra_time_percent, breaks, reader, scribe, "
                     "separate_room, print_size, note")  # fmt: skip
    new.add_argument("--school", default="", help="as it stands on pages and certificates")
    new.add_argument("--title", default="", help="the exam's title (default: the blueprint's)")
    new.add_argument("--solvers", type=int, default=1, metavar="N", help="processes that compute; 1 does for 200 candidates")
    new.add_argument("--retake-of", type=Path, action="append", default=[], metavar="FOLDER",
                     help="an earlier exam's folder: nobody gets a call again that they had there; repeatable")  # fmt: skip
    _step(steps, "slips", _slips, "write the page of codes to print", "blowergrade exam slips may-2027")


def _forms(options: argparse.Namespace) -> None:
    from blowergrade.exam.blueprint import load_blueprint
    from blowergrade.exam.form_model import solver_name
    from blowergrade.exam.form_pool import pool_of
    from blowergrade.exam.forms import assemble, random_forms, save_forms
    from blowergrade.exam.forms_report import report_text, save_picture

    if options.out.exists():
        raise ExamError(f"{options.out} exists; forms are never overwritten: give another --out")
    blueprint = load_blueprint(options.blueprint)
    solver_name()  # a missing solver is said now, not after the calls were timed
    with tqdm(unit="call", desc="Timing calls") as bar:
        pool = pool_of(blueprint, progress=lambda done: bar.update(done - bar.n))
    made = assemble(pool, blueprint, options.seed, options.effort)
    save_forms(made, options.out)
    chance = random_forms(pool, blueprint, options.seed)
    print(report_text(made, chance), end="")
    if options.picture is not None:
        save_picture(options.picture, made, chance)
    print(f"{options.out} names the faults: keep it as secret as the exam. Next: `blowergrade exam new`.")


def _new(options: argparse.Namespace) -> None:
    from blowergrade.exam.blueprint import load_blueprint
    from blowergrade.exam.folder import make_folder
    from blowergrade.exam.forms import load_forms
    from blowergrade.exam.planning import enrolled, new_codes, programme_from, read_candidates
    from blowergrade.exam.programme import Rules
    from blowergrade.exam.retakes import had_before

    entrants = read_candidates(options.candidates)
    codes, key = new_codes(entrants), secrets.token_bytes(32)
    programme = programme_from(
        load_blueprint(options.blueprint), load_forms(options.forms), enrolled(entrants, codes), key, options.folder.name,
        title=options.title, school=options.school, rules=Rules(solvers=options.solvers),
        had=had_before(options.retake_of),
    )  # fmt: skip
    made = make_folder(options.folder, programme, codes, key)
    print(f"Exam folder {made.root} with {len(programme.candidates)} candidates.")
    granted = [c for c in programme.candidates if c.accommodation.words()]
    for one in granted:
        print(f"  {one.id}: {'; '.join(one.accommodation.words())}, {programme.seconds(one) // 60} minutes")
    print(f"Keep a copy of {made.private} (best with {made.key_file.name} apart).")
    print(f"Next: `blowergrade exam slips {options.folder}`.")


def _slips(options: argparse.Namespace) -> None:
    from blowergrade.classwork.folder import write
    from blowergrade.exam.slips import slips

    folder = _folder(options)
    file = folder.private / "slips.html"
    write(file, slips(folder.programme, folder.codes))
    print(f"{file}: print it; the first sheet is the proctor's. Next: `blowergrade exam serve {options.folder}`.")


# ---------------------------------------------------------------------- during
def _during(steps: Any) -> None:
    serve = _step(steps, "serve", _serve, "run the exam's service", "blowergrade exam serve may-2027 --address 192.0.2.10 "
                  "--certificate hall.pem --key hall.key")  # fmt: skip
    serve.add_argument("--address", default="127.0.0.1", help="this machine's address in the hall (default: %(default)s)")
    serve.add_argument("--port", type=int, default=8444)
    serve.add_argument("--certificate", type=Path, metavar="FILE", help="PEM; needed where other machines reach the address")
    serve.add_argument("--key", type=Path, metavar="FILE", help="the certificate's private key, PEM")
    serve.add_argument("--behind-proxy", action="store_true", help="a proxy on the way speaks TLS for this service")
    serve.add_argument("--checkpoints", type=Path, metavar="FILE",
                       help="append here, off this machine, where every record stands, twice a minute")  # fmt: skip
    serve.add_argument("--hub", metavar="ADDRESS", help="people sign in at a JupyterHub; ADDRESS is this service's own in a "
                       "browser (see blowergrade/exam/hub_example/jupyterhub_config.py)")  # fmt: skip
    _step(steps, "status", _status, "say how the sitting stands", "blowergrade exam status may-2027")
    _step(steps, "close", _close, "end the sitting for everybody", "blowergrade exam close may-2027")


def _serve(options: argparse.Namespace) -> None:
    from blowergrade.exam.checkpoints import Checkpoints
    from blowergrade.exam.released import open_hall
    from blowergrade.exam.service import Place, run

    folder = _folder(options)
    place = Place(options.address, options.port, options.certificate, options.key, options.behind_proxy)
    place.check()
    hub = None
    if options.hub is not None:
        from blowergrade.exam.hub import from_environment  # needs JupyterHub, the extra `hub`

        hub = from_environment(options.hub)
    kept = None if options.checkpoints is None else Checkpoints(options.checkpoints, folder.programme.sitting)

    def said(address: str) -> None:
        print(f"{folder.programme.title}: {len(folder.programme.candidates)} candidates")
        print(f"  candidates  {address}\n  proctor     {address}proctor")
        print("Stop it with Ctrl+C: nothing is lost, clocks stand still, and it goes on when it is started again.", flush=True)

    async def serve() -> None:
        hall = open_hall(folder, options.database)
        if kept is not None:
            hall.checkpoint = kept.write
        await run(hall, place, said, hub)

    try:
        asyncio.run(serve())
    finally:
        folder.unlock()


def _status(options: argparse.Namespace) -> None:
    from blowergrade.exam.gradings import sitting_of
    from blowergrade.exam.sitting import left, running

    folder = _folder(options)
    programme, journal = folder.programme, folder.journal(options.database)
    sitting, acts = sitting_of(programme, journal), journal.counts()
    now = journal.last_sign() or 0
    journal.close()
    print(f"{programme.title}, {programme.sitting}: {sitting.stage}; last sign of life {_moment(now) if now else 'none'}")
    for one in programme.candidates:
        p = sitting.of(one.id)
        how = (
            f"ended by {p.by}" if p.submitted is not None else "on a break" if p.paused is not None
            else f"{left(p, now) // 60_000} min left" if running(p) else "not begun"
        )  # fmt: skip
        mine = sum(n for a, n in acts.items() if a.partition("/")[0] == one.id)
        note = f", {p.incidents} incidents" if p.incidents else ""
        print(f"  {one.id:<14} {one.name[:28]:<28} form {one.form:<3} {how}, {len(p.ended)} handed back, {mine} acts{note}")


def _moment(milliseconds: int) -> str:
    return datetime.fromtimestamp(milliseconds / 1000, UTC).astimezone().isoformat(timespec="seconds")


def _close(options: argparse.Namespace) -> None:
    from blowergrade.exam.sitting import Closed

    _happen(options, lambda stage: Closed() if stage == "open" else None, "only an open sitting can be closed")
    print(f"Closed. Next: `blowergrade exam results {options.folder}`.")


def _happen(options: argparse.Namespace, make: Callable[[str], Any], otherwise: str) -> None:
    """Write an event into the journal of a service that is stopped."""
    from blowergrade.exam.gradings import sitting_of
    from blowergrade.exam.timeline import TimeLine

    folder = _folder(options)
    folder.lock()
    journal = folder.journal(options.database)
    try:
        stage = sitting_of(folder.programme, journal).stage
        event = make(stage)
        if event is None:
            raise ExamError(f"the sitting is {stage}; {otherwise}")
        _, done = journal.add_event(event, TimeLine(not_before=journal.last_sign() or 0).now())
        done.result()
    finally:
        journal.close()
        folder.unlock()


# ---------------------------------------------------------------------- after
def _after(steps: Any) -> None:
    results = _step(steps, "results", _results, "grade a closed sitting", "blowergrade exam results may-2027")
    results.add_argument("--why", default="first grading", help="stands in the grading: an appeal, a new version")
    results.add_argument("--csv", type=Path, metavar="FILE", help="write candidate, form, item and points for the statistics")
    results.add_argument("--processes", type=int, default=0, metavar="N", help="default: one per core")
    decide = _step(steps, "decide", _decide, "decide about a call as a person, with the reason",
                   "blowergrade exam decide may c07 call-2 --points 64 --no-passed --by 'A. Marsh' --reason '…'")  # fmt: skip
    decide.add_argument("candidate", metavar="CANDIDATE")
    decide.add_argument("call", metavar="CALL")
    decide.add_argument("--points", type=float, required=True, help="0 to 100, tenths at most")
    decide.add_argument("--passed", action=argparse.BooleanOptionalAction, required=True)
    decide.add_argument("--critical", action=argparse.BooleanOptionalAction,
                        help="whether a critical safety rule was broken (default: what the record says)")  # fmt: skip
    decide.add_argument("--by", required=True, metavar="NAME", help="who decided")
    decide.add_argument("--reason", required=True, metavar="TEXT")
    release = _step(steps, "release", _release, "let candidates see their results", "blowergrade exam release may-2027")
    release.add_argument("--grading", type=int, default=0, metavar="N", help="default: the newest")
    done = _step(steps, "completions", _completions, "write what an issuer needs, a file for each who passed",
                 "blowergrade exam completions may-2027 --out completions")  # fmt: skip
    done.add_argument("--out", type=Path, required=True, metavar="DIR")


def _results(options: argparse.Namespace) -> int | None:
    from blowergrade.exam.gradings import grade_sitting, table
    from blowergrade.exam.results_csv import write_results

    folder = _folder(options)
    journal = folder.journal(options.database)
    try:
        made = grade_sitting(folder, journal, options.why, processes=options.processes)
    finally:
        journal.close()
    for line in table(made, {c.id: c.name for c in folder.programme.candidates}):
        print(line)
    print(f"Grading {made.number} ({made.why}), version {made.version}.")
    print("+ passed, ! a critical safety rule was broken, ? undecided.")
    if options.csv is not None:
        write_results(made, options.csv)
        print(f"{options.csv}: for `blowergrade statistics`. Its items name the faults.")
    waiting = [(r.candidate, c) for r in made.results for c in r.calls if c.tenths is None]
    for candidate, call in waiting:
        print(f"A person must decide {candidate} {call.call}: {call.reason}")
    if waiting:
        print("Decide with `blowergrade exam decide`, then run this command again.")
        return 1
    print(f"Next: `blowergrade exam release {options.folder}`.")
    return None


def _decide(options: argparse.Namespace) -> None:
    from blowergrade.exam.gradings import Decision, add_decision

    tenths = round(10 * options.points)
    if abs(tenths - 10 * options.points) > 1e-9:
        raise ExamError(f"{options.points} has more than one decimal; give points such as 64 or 64.5")
    when = datetime.now(UTC).isoformat(timespec="seconds")
    made = Decision(options.candidate, options.call, tenths, options.passed, options.by, options.reason, when, options.critical)
    add_decision(_folder(options), made)
    print(f"Kept. It counts once `blowergrade exam results {options.folder} --why '…'` has run.")


def _release(options: argparse.Namespace) -> None:
    from blowergrade.exam.gradings import gradings, newest
    from blowergrade.exam.sitting import Released

    folder = _folder(options)
    chosen = newest(folder)
    if options.grading:
        found = [g for g in gradings(folder) if g.number == options.grading]
        if not found:
            raise ExamError(f"there is no grading {options.grading}; the newest is {chosen.number}")
        chosen = found[0]
    _happen(options, lambda stage: Released(chosen.number) if stage in ("closed", "released") else None, "close it first")
    print(f"Released: grading {chosen.number}. Candidates see it on the exam's page while `blowergrade exam serve` runs.")


def _completions(options: argparse.Namespace) -> None:
    import msgspec

    from blowergrade.classwork.folder import write
    from blowergrade.exam.completions import completions

    folder = _folder(options)
    journal = folder.journal(options.database)
    try:
        made = completions(folder, journal)
    finally:
        journal.close()
    for one in made:
        write(options.out / f"{one.recipient}.json", msgspec.json.format(msgspec.json.encode(one)) + b"\n")
    print(f"{options.out}: {len(made)} passed, a file for each. Next: `blowergrade certificate issue ISSUER FILES --out DIR`.")


# ---------------------------------------------------------------------- later
def _later(steps: Any) -> None:
    receipt = _step(steps, "receipt", _receipt, "check a candidate's receipt",
                    "blowergrade exam receipt may-2027 c07 call-2 143 9f31…")  # fmt: skip
    receipt.add_argument("candidate", metavar="CANDIDATE")
    receipt.add_argument("call", metavar="CALL")
    receipt.add_argument("acts", type=int, metavar="ACTS")
    receipt.add_argument("head", metavar="RECEIPT", help="at least 16 of its characters")
    appeal = _step(steps, "appeal", _appeal, "write everything that one result hangs on into a file",
                   "blowergrade exam appeal may-2027 c07 -o c07.zip")  # fmt: skip
    appeal.add_argument("candidate", metavar="CANDIDATE")
    appeal.add_argument("-o", "--out", type=Path, required=True, metavar="FILE")
    check = _step(steps, "check", _check, "check an exam's folder, or an appeal's file", "blowergrade exam check c07.zip")
    check.add_argument("--checkpoints", type=Path, metavar="FILE", help="what `exam serve --checkpoints` wrote")


def _receipt(options: argparse.Namespace) -> int | None:
    from blowergrade.exam.audit import check_receipt

    folder = _folder(options)
    journal = folder.journal(options.database)
    try:
        problem = check_receipt(folder, journal, options.candidate, options.call, options.acts, options.head)
    finally:
        journal.close()
    print(problem or f"The record of {options.candidate} {options.call} is the one of the receipt, up to act {options.acts}.")
    return 1 if problem else None


def _appeal(options: argparse.Namespace) -> None:
    from blowergrade.classwork.folder import write
    from blowergrade.exam.appeal import bundle

    if options.out.exists():
        raise ExamError(f"{options.out} exists; give another --out")
    folder = _folder(options)
    journal = folder.journal(options.database)
    try:
        write(options.out, bundle(folder, journal, options.candidate))
    finally:
        journal.close()
    print(f"{options.out}: everything about {options.candidate}, faults included, and of nobody else.")
    print(f"Check it with `blowergrade exam check {options.out}`.")


def _check(options: argparse.Namespace) -> int | None:
    from blowergrade.exam.appeal import check_bundle
    from blowergrade.exam.audit import audit

    if options.folder.is_file():
        wrong = list(check_bundle(options.folder.read_bytes()))
        print("\n".join(wrong) or "Every sheet follows from its record, and the verdict from the sheets.")
        return 1 if wrong else None
    folder = _folder(options)
    journal = folder.journal(options.database)
    bad = False
    try:
        for found in audit(folder, journal, options.checkpoints):
            print(f"{found.what:<14} {found.count:>7}  {'all well' if not found.wrong else f'{len(found.wrong)} wrong'}")
            for text in found.wrong[:20]:
                print(f"    {text}")
            bad = bad or bool(found.wrong)
    finally:
        journal.close()
    return 1 if bad else None
