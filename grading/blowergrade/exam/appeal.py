"""The bundle of an appeal: everything that one candidate's result hangs on, to be checked by anybody with this program.

Rule: a bundle holds this candidate's records, sheets, plan and events and nothing of anybody else; it says which release made
it, and `check_bundle` finds the same sheets and the same verdict from the records alone, or says what differs.
"""

from __future__ import annotations

import hashlib
import io
import zipfile
from collections.abc import Iterator
from pathlib import Path
from tempfile import TemporaryDirectory

import msgspec

from blowerbench.errors import BenchError
from blowerbench.record import read_record
from blowergrade.exam.attempt import Plan
from blowergrade.exam.blueprint import PassRule
from blowergrade.exam.folder import ExamFolder
from blowergrade.exam.gradings import gradings
from blowergrade.exam.journal import EventRow, Journal
from blowergrade.exam.passing import CandidateResult, decide
from blowergrade.exam.programme import ExamError
from blowergrade.report import Added, render
from blowergrade.score import VERSION, grade_record
from blowergrade.wording import hypothesis_named

FORMAT = 1
ABOUT = """An appeal of one candidate. What is in here:

facts.json           the sitting, the plan of this candidate's calls (with the faults), the pass rule, and every grading of it
records/CALL.jsonl   what the candidate did and saw, each line chained to the one before
sheets/DIGEST.json   score sheets, under the SHA-256 of their bytes; sheets/DIGEST.html the same to read
events.jsonl         what happened to this candidate in the sitting: starts, breaks, time granted, outages, incidents
rubric.toml          the rubric that the sheets were made by

To check all of it anew:  blowergrade exam check THIS-FILE.zip
It needs the release named in facts.json; another one says so and compares nothing that it can't.

Practice on a simulated bench shows nothing of work on live equipment, which needs the unit's instructions, local codes and
licensed practice.
"""
_TIME = (2026, 1, 1, 0, 0, 0)  # of every file in a bundle: the same content gives the same bytes
LARGEST = 200_000_000  # bytes, all files together


class Facts(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """What a bundle is about."""

    format: int
    sitting: str
    title: str
    school: str
    candidate: str
    version: str
    rule: PassRule
    plans: tuple[Plan, ...]
    results: tuple[tuple[int, str, str, CandidateResult], ...]  # number, when, why


def bundle(folder: ExamFolder, journal: Journal, candidate: str) -> bytes:
    """The appeal of `candidate` as a zip file; raises `ExamError` where there is nothing to appeal against."""
    programme = folder.programme
    made = [(g, found) for g in gradings(folder) if (found := g.of(candidate)) is not None]
    if not made or programme.passing is None:
        raise ExamError(f"nothing was graded of {candidate!r}; `blowergrade exam results` grades, and lists who was there")
    facts = Facts(
        FORMAT, programme.sitting, programme.title, programme.school, candidate, made[-1][0].version, programme.passing,
        programme.plans[candidate], tuple((g.number, g.when, g.why, found) for g, found in made),
    )  # fmt: skip
    files: dict[str, bytes] = {"READ-ME.txt": ABOUT.encode(), "facts.json": msgspec.json.format(msgspec.json.encode(facts))}
    for call in programme.items(candidate):
        rows = journal.acts(f"{candidate}/{call}")
        if rows:
            files[f"records/{call}.jsonl"] = b"".join(r.line for r in rows)
    language = next((c.language for c in programme.candidates if c.id == candidate), "en")
    for digest in sorted({c.sheet for _, found in made for c in found.calls if c.sheet}):
        sheet = folder.sheet(digest)
        files[f"sheets/{digest}.json"] = sheet.json()
        files[f"sheets/{digest}.html"] = render(sheet, language, Added(school=programme.school)).encode()
    files["events.jsonl"] = b"".join(msgspec.json.encode(r) + b"\n" for r in _events(journal, candidate))
    files["rubric.toml"] = folder.rubric.read_bytes()
    return _zipped(files)


def _events(journal: Journal, candidate: str) -> Iterator[EventRow]:
    """The events of this candidate and of the whole hall; nobody else's."""
    for row in journal.events():
        if getattr(row.event, "candidate", "") in ("", candidate):
            yield row


def _zipped(files: dict[str, bytes]) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in files.items():
            archive.writestr(zipfile.ZipInfo(name, _TIME), data, zipfile.ZIP_DEFLATED)
    return out.getvalue()


# ---------------------------------------------------------------------- checking
def check_bundle(data: bytes) -> Iterator[str]:
    """What in the bundle `data` does not follow from its records, one sentence each; raises `ExamError` where it is none."""
    files = _unzipped(data)
    try:
        facts = msgspec.json.decode(files["facts.json"], type=Facts)
        rubric = files["rubric.toml"]
    except (KeyError, msgspec.MsgspecError) as error:
        raise ExamError(f"this is no appeal's bundle ({error}); give the file of `blowergrade exam appeal`") from error
    if facts.version != VERSION:
        yield f"the sheets were made by version {facts.version}, this is {VERSION}: install that one to compare the sheets"
    newest = facts.results[-1][3]
    with TemporaryDirectory() as place:
        rules = Path(place) / "rubric.toml"
        rules.write_bytes(rubric)
        for call in newest.calls:
            if call.status == "graded" and facts.version == VERSION:
                yield from _check_call(facts, files, call.call, call.sheet, call.head, Path(place))
    if (newest.verdict, newest.reasons) != decide(newest.calls, facts.rule):
        yield "the verdict does not follow from the results of the calls"


def _check_call(facts: Facts, files: dict[str, bytes], call: str, digest: str, head: str, place: Path) -> Iterator[str]:
    plan = next((p for p in facts.plans if p.attempt == f"{facts.candidate}/{call}"), None)
    data = files.get(f"records/{call}.jsonl")
    if plan is None or data is None:
        yield f"{call}: its plan or its record is missing"
        return
    file = place / f"{call}.jsonl"
    file.write_bytes(data)
    try:
        record = read_record(file)
        sheet = grade_record(record, hypothesis_named(plan.fault), str(place / "rubric.toml"))
    except BenchError as error:
        yield f"{call}: {error}"
        return
    if record.damage:
        yield f"{call}: {record.damage}"
    if record.head != head:
        yield f"{call}: the record ends elsewhere than the grading says"
    if hashlib.sha256(sheet.json()).hexdigest() != digest:
        yield f"{call}: grading the record again gives another sheet"


def _unzipped(data: bytes) -> dict[str, bytes]:
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            if sum(i.file_size for i in archive.infolist()) > LARGEST:
                raise ExamError(f"the bundle holds more than {LARGEST // 1_000_000} MB; it was not read")
            return {i.filename: archive.read(i) for i in archive.infolist()}
    except (zipfile.BadZipFile, NotImplementedError, RuntimeError, OSError) as error:
        raise ExamError(f"the bundle can't be read ({error}); get it anew") from error

