"""`blowergrade records …`: a school's records of persons, one command per thing that is written down.

Rule: nothing is overwritten, and nothing is destroyed but by `erase`. Exit code 1 means that something waits for a person or is
wrong, 2 that nothing was done.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any, get_args

if TYPE_CHECKING:
    from blowergrade.records.school import Person, Records

Run = Callable[[argparse.Namespace], int | None]


def add(commands: Any) -> None:
    """Add `records` and its commands to the subparsers `commands`."""
    parser = commands.add_parser("records", help="a school's records of persons: results, disclosures, appeals, retention")
    steps = parser.add_subparsers(required=True, metavar="STEP")
    _coming_in(steps)
    _looking(steps)
    _writing_down(steps)
    _ending(steps)


def _step(steps: Any, name: str, run: Run, about: str, example: str, person: bool = False) -> argparse.ArgumentParser:
    made: argparse.ArgumentParser = steps.add_parser(
        name, help=about, description=f"{about}. Example: blowergrade records {name} {example}"
    )
    made.set_defaults(run=run)
    made.add_argument("folder", type=Path, metavar="FOLDER", help="the folder of the records")
    if person:
        made.add_argument("person", metavar="PERSON", help="pseudonym, school id, e-mail address or name")
        made.add_argument("--by", required=True, metavar="NAME", help="who does this; stands in the entry")
    return made


def _coming_in(steps: Any) -> None:
    new = _step(steps, "new", _new, "begin a school's records", "people --school 'Harrow Lane Trade School'")
    new.add_argument("--school", required=True, help="as it stands on exports")
    take = _step(steps, "take", _take, "take over the released results of an exam", "people may-2027")
    take.add_argument("exam", type=Path, metavar="EXAMFOLDER")
    take.add_argument("--exam-key", type=Path, metavar="FILE", help="the plan's key, where it is kept elsewhere")
    take.add_argument("--database", default="", metavar="URL", help="the journal's database (default: a SQLite file there)")
    take.add_argument("--same", action="append", default=[], metavar="CANDIDATE",
                      help="this id is the same person as here, in spite of another name; repeatable")  # fmt: skip
    take.add_argument("--other", action="append", default=[], metavar="CANDIDATE",
                      help="this id is somebody else than here; repeatable")  # fmt: skip
    noted = _step(steps, "certificates", _certificates, "take over certificates, and what was revoked",
                  "people certificates/*.jwt --issuer keys")  # fmt: skip
    noted.add_argument("files", type=Path, nargs="*", metavar="FILE", help="certificates, .jwt or .json")
    noted.add_argument("--issuer", type=Path, required=True, metavar="DIR", help="the issuer folder that they come from")


def _looking(steps: Any) -> None:
    listed = _step(steps, "list", _list, "list who is in the records and what waits", "people")
    listed.add_argument("--accommodations", action="store_true", help="show what was granted to whom; for who decides them")
    export = _step(steps, "export", _export, "write out everything about one person, for that person",
                   "people 'Mina Okafor' --by 'A. Marsh' --out for-mina", person=True)  # fmt: skip
    export.add_argument("--out", type=Path, required=True, metavar="DIR", help="gets a page and a file of data")
    check = _step(steps, "check", _check, "check that nothing was changed, and print the head to be kept", "people")
    check.add_argument("--head", metavar="N:CHARACTERS", default="", help="a head that was printed or exported earlier")


def _writing_down(steps: Any) -> None:
    asked = _step(steps, "request", _request, "write down that a person asked to see their records",
                  "people c07 --by 'A. Marsh' --on 2027-05-20", person=True)  # fmt: skip
    asked.add_argument("--note", default="", metavar="TEXT", help="how they asked, what they want to see")
    told = _step(steps, "disclose", _disclose, "write down that somebody is told something about a person",
                 "people c07 --by 'A. Marsh' --to 'Northgate Heating' --what 'that the exam was passed' --interest '…'",
                 person=True)  # fmt: skip
    told.add_argument("--to", required=True, metavar="WHO", help="the person or body that is told")
    told.add_argument("--what", required=True, metavar="TEXT", help="what they are told")
    told.add_argument("--interest", required=True, metavar="TEXT", help="their legitimate interest, or the consent")
    appeal = _step(steps, "appeal", _appeal, "write down an appeal that came in",
                   "people c07 --by 'A. Marsh' --sitting may-2027 --reason 'the meter froze'", person=True)  # fmt: skip
    appeal.add_argument("--sitting", required=True, help="the exam's name, as the records list it")
    appeal.add_argument("--reason", required=True, metavar="TEXT", help="the person's own")
    for step in (asked, told, appeal):
        step.add_argument("--on", default="", metavar="DATE", help="the day, such as 2027-05-20 (default: today)")
    decide = _step(steps, "decide", _decide, "write down how an appeal was decided",
                   "people 14 changed --by 'J. Ferro' --reason 'the bench was shown wrong'")  # fmt: skip
    decide.add_argument("appeal", type=int, metavar="ENTRY", help="the number that `appeal` printed")
    decide.add_argument("outcome", choices=("changed", "unchanged"), help="whether the result is another one since")
    decide.add_argument("--by", required=True, metavar="NAME", help="who decided")
    decide.add_argument("--reason", required=True, metavar="TEXT")
    right = _step(steps, "correct", _correct, "add what is right to an entry, or the person's own statement",
                  "people c07 9 --by 'A. Marsh' --text 'sat on form B, not on A'", person=True)  # fmt: skip
    right.add_argument("entry", type=int, metavar="ENTRY", help="the entry that is wrong, by its number in the export")
    right.add_argument("--text", required=True)
    right.add_argument("--statement", action="store_true", help="the person says so, and the school does not agree")
    right.add_argument("--name", default="", help="the right name, for the entry by which the person came in")
    right.add_argument("--school-id", default="", metavar="ID", help="the right id")
    right.add_argument("--email", default="", metavar="ADDRESS", help="the right e-mail address")


def _ending(steps: Any) -> None:
    kept = _step(steps, "retention", _retention, "list whose retention has ended; destroys nothing", "people")
    kept.add_argument("--on", default="", metavar="DATE", help="as if it were that day (default: today)")
    from blowergrade.records.entries import Why

    erase = _step(steps, "erase", _erase, "destroy a person's key: nobody can read any more who they are",
                  "people p-7k3m0qd9xw --why 'retention ended' --by 'A. Marsh'")  # fmt: skip
    erase.add_argument("pseudonym", metavar="PSEUDONYM", help="the whole pseudonym, so that nobody else is hit")
    erase.add_argument("--why", required=True, choices=get_args(Why))
    erase.add_argument("--by", required=True, metavar="NAME", help="who does this; it stays readable")
    erase.add_argument("--only", choices=("accommodations",), default="", help="only what was granted")


def _records(options: argparse.Namespace) -> Records:
    from blowergrade.records.school import Records

    return Records(options.folder)


# ---------------------------------------------------------------------- coming in
def _new(options: argparse.Namespace) -> None:
    from blowergrade.records.school import make_records

    made = make_records(options.folder, options.school)
    print(f"Records of {options.school} in {made.root}.")
    print(f"Read {made.policy_file} and make it your own.")
    print(f"Back {made.keys.folder} up apart from the rest, in a place where you can delete a single file.")


def _take(options: argparse.Namespace) -> int | None:
    from blowergrade.exam.folder import ExamFolder
    from blowergrade.records.taking import take

    records, folder = _records(options), ExamFolder(options.exam, options.exam_key)
    journal = folder.journal(options.database)
    try:
        took = take(records, folder, journal, same_person=options.same, other_person=options.other)
    finally:
        journal.close()
    print(f"{took.sitting}, grading {took.grading}: {took.results} results added, {took.people} people new here.")
    if took.left_out:
        print(f"Left out: {', '.join(took.left_out)}. They are not in these records any more (erased), or under another id.")
    return 1 if took.left_out else None


def _certificates(options: argparse.Namespace) -> None:
    from blowergrade.credentials import files
    from blowergrade.credentials.issuer import IssuerFolder
    from blowergrade.records.certificates import note_certificates

    given = [(file.name, files.read(file)) for file in options.files]
    noted = note_certificates(_records(options), IssuerFolder(options.issuer), given)
    print(f"{noted.certificates} certificates and {noted.revoked} revocations added.")


# ---------------------------------------------------------------------- looking
def _list(options: argparse.Namespace) -> int | None:
    from blowergrade.exam.intake import plain
    from blowergrade.records.retention import read_policy
    from blowergrade.records.tally import tallies

    records = _records(options)
    people, policy = records.people(), read_policy(records.root)
    print(f"{records.log.header.school}: {len(people)} people, {len(records.entries)} entries")
    for person in people:
        who, i = "erased", person.identity
        if i is not None:
            who = f"{plain(i.name)} ({plain(i.school_id) or 'no id'})"
        elif not person.is_erased:
            who = "KEY MISSING"
        results = "; ".join(f"{r.sitting} {r.verdict}" for r in person.results)
        print(f"  {person.pseudonym}  {who:<36} {results}")
        if options.accommodations:
            _granted(records, person)
    for t in tallies(records.entries):
        verdicts = ", ".join(f"{n} {verdict}" for verdict, n in t.verdicts)
        print(f"{t.sitting}: {t.people} people: {verdicts}; {t.appeals} appeals, {t.changed} of them changed a result")
    waits = [line for person in people if person.identity is not None for line in _waiting(person, policy)]
    for line in waits:
        print(line)
    return 1 if waits else None


def _granted(records: Records, person: Person) -> None:
    from blowergrade.exam.intake import plain
    from blowergrade.records.entries import Accommodation, Granted
    from blowergrade.records.persons import GoneError

    for entry in person.entries:
        if isinstance(entry, Accommodation):
            try:
                words = plain("; ".join(records.told(entry, Granted).words))
            except GoneError:
                words = "erased"
            print(f"      {entry.sitting}: {words}")


def _waiting(person: Person, policy: Any) -> list[str]:
    from blowergrade.records.retention import answer_by

    lines = [f"Waits: appeal {a.number} of {person.pseudonym} against {a.sitting}, since {a.day}" for a in person.open_appeals]
    for asked in person.open_requests:
        last = answer_by(asked, policy)
        late = ", LATE" if last < date.today() else ""
        lines.append(f"Waits: {person.pseudonym} asked on {asked.day} to see their records; answer by {last}{late}")
    return lines


def _export(options: argparse.Namespace) -> None:
    from blowergrade.records.export import show

    found, files = show(_records(options), options.person, options.by, options.out)
    for file in files:
        print(f"  {file.resolve()}")
    print(f"Everything about {found.person.pseudonym}, for nobody else. The records say that it was shown.")


def _check(options: argparse.Namespace) -> int | None:
    from blowergrade.records.checking import audit
    from blowergrade.records.entries import RecordsError
    from blowergrade.records.register import check_head

    records = _records(options)
    bad = False
    for found in audit(records):
        print(f"{found.what:<14} {found.count:>7}  {'all well' if not found.wrong else f'{len(found.wrong)} wrong'}")
        for text in found.wrong[:20]:
            print(f"    {text}")
        bad = bad or bool(found.wrong)
    if records.log.torn:
        print("A last line was cut off by a crash; it was never acknowledged, and the next command takes it back.")
    if options.head:
        number, colon, head = options.head.partition(":")
        if not colon or not number.isascii() or not number.isdigit():
            raise RecordsError(f"{options.head!r} is no head; one is a number of entries, a colon and characters")
        problem = check_head(records.log, int(number), head)
        print(problem or f"Up to entry {number} these are the records of that head.")
        bad = bad or bool(problem)
    print(f"Keep this, away from here: {len(records.entries)}:{records.log.head}")
    return 1 if bad else None


# ---------------------------------------------------------------------- writing down
def _day(options: argparse.Namespace) -> str:
    return options.on or date.today().isoformat()


def _request(options: argparse.Namespace) -> None:
    from blowergrade.records.entries import InspectionAsked, Said
    from blowergrade.records.keeping import ask
    from blowergrade.records.retention import answer_by, read_policy

    records = _records(options)
    number = ask(records, options.person, _day(options), Said(options.note, options.by))
    asked = records.log.entry(number)
    assert isinstance(asked, InspectionAsked)
    print(f"Entry {number}. Answer by {answer_by(asked, read_policy(records.root))} (`blowergrade records export`).")


def _disclose(options: argparse.Namespace) -> None:
    from blowergrade.records.entries import Told
    from blowergrade.records.keeping import disclose

    records = _records(options)
    told = Told(options.to, options.what, options.interest, options.by, _day(options))
    number = disclose(records, options.person, told)
    person = records.living(options.person)
    print(f"Entry {number}. Tell them this and no more. Accommodations are never part of it.")
    for line in _statements(records, person):
        print(line)


def _statements(records: Records, person: Person) -> list[str]:
    """What has to go along where the entry is shown that the person made a statement on."""
    from blowergrade.records.entries import Correction

    found = [x for x in person.entries if isinstance(x, Correction) and x.statement]
    return [f"If they see entry {x.corrects}, they see the person's statement in entry {x.number} too." for x in found]


def _appeal(options: argparse.Namespace) -> None:
    from blowergrade.records.entries import Said
    from blowergrade.records.keeping import open_appeal

    said = Said(options.reason, options.by)
    number = open_appeal(_records(options), options.person, options.sitting, _day(options), said)
    print(f"Appeal {number}. Next, by somebody who did not grade: `blowergrade exam appeal` writes what the result hangs on;")
    print("`exam decide`, `exam results --why`, `exam release` and `records take` bring a new result in, if there is one;")
    print(f"`blowergrade records decide {options.folder} {number} changed|unchanged --by NAME --reason TEXT` ends it.")


def _decide(options: argparse.Namespace) -> None:
    from blowergrade.records.entries import Said
    from blowergrade.records.keeping import decide_appeal

    said = Said(options.reason, options.by)
    number = decide_appeal(_records(options), options.appeal, options.outcome, said)
    print(f"Entry {number}. Tell the person in writing: what was decided, why, and what they can do next.")


def _correct(options: argparse.Namespace) -> None:
    from blowergrade.records.keeping import correct

    number = correct(
        _records(options), options.person, options.entry, options.text, options.by, statement=options.statement,
        name=options.name, school_id=options.school_id, email=options.email,
    )  # fmt: skip
    print(f"Entry {number}; entry {options.entry} stays where it is. Results change by a new grading only.")


# ---------------------------------------------------------------------- the end
def _retention(options: argparse.Namespace) -> int | None:
    from blowergrade.records.entries import RecordsError
    from blowergrade.records.retention import due

    try:
        today = date.fromisoformat(options.on) if options.on else date.today()
    except ValueError as error:
        raise RecordsError(f"{options.on!r} is no date; one is written as 2027-03-01") from error
    found = due(_records(options), today)
    for one in found:
        only = "" if one.drawer == "person" else f" --only {one.drawer}"
        what = "everything" if one.drawer == "person" else one.drawer
        print(f"{one.person}: {what} was to be kept until {one.last}{f'; held: {one.held}' if one.held else ''}")
        if not one.held:
            print(f"  blowergrade records erase {options.folder} {one.person}{only} --why 'retention ended' --by NAME")
    print(f"{len(found)} keys are due on {today}. Nothing was destroyed.")
    return 1 if found else None


def _erase(options: argparse.Namespace) -> None:
    from blowergrade.records.keeping import erase

    records = _records(options)
    first = erase(records, options.pseudonym, options.why, options.by, only=options.only)
    state = "The key is destroyed" if first else "It had been erased before; no key is left"
    print(f"{state}: what it sealed can't be read any more, here or in any copy of the register.")
    sittings = sorted({r.sitting for p in records.people() if p.pseudonym == options.pseudonym for r in p.results})
    print(f"Still to do by hand: copies of {records.keys.folder}, exports, papers.")
    if sittings:
        print(f"The folders of {', '.join(sittings)} hold names and records of their own.")
