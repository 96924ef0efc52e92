"""Grading many kept records again: over the cores of this machine or a cluster, interrupted and gone on with as one likes.

Rule: a regrade adds and never overwrites. What it finds is appended to a log, one line a record, in whatever order they come
out; a log that was cut off by a crash is gone on with, and the sheets are the same whoever computed them.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from importlib import import_module
from itertools import islice
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import IO, Any

import msgspec
from tqdm.auto import tqdm

from blowerbench.errors import BenchError
from blowerbench.record import read_record
from blowergrade.classwork.folder import write
from blowergrade.processes import in_processes
from blowergrade.rubric import load_rubric
from blowergrade.score import VERSION, grade_record
from blowergrade.wording import hypothesis_named

LOG, SHEETS = "regrade.jsonl", "sheets"
PATIENCE = 20  # seconds for a scheduler to answer
BATCH = 8  # records that a worker of a cluster gets at once


class RegradeError(BenchError):
    """A regrade that can't be begun or gone on with; says why and what would be right."""


class Wanted(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A record to grade again. `record` is its file, `rubric` a rubric's name or file, `sheet` the digest that it had."""

    id: str
    record: str
    fault: str
    rubric: str = "default"
    sheet: str = ""


class Done(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """What came of one: digests of record, and of the sheet (empty where `reason` says why there is none)."""

    id: str
    record: str
    sheet: str
    before: str
    version: str
    reason: str = ""

    @property
    def changed(self) -> bool:
        """Whether there was a sheet before, and it was another one."""
        return bool(self.before) and self.before != self.sheet


class Job(msgspec.Struct, frozen=True):
    """What is sent to whoever computes: contents, no paths, for a cluster's workers have other disks."""

    id: str
    record: bytes
    fault: str
    rubric: bytes
    before: str


class Found(msgspec.Struct, frozen=True):
    """What comes back."""

    done: Done
    sheet: bytes = b""


def read_manifest(file: Path) -> tuple[Wanted, ...]:
    """The records named in a manifest (JSON lines of `Wanted`, paths from its folder); raises `RegradeError`."""
    try:
        rows = [msgspec.json.decode(x, type=Wanted) for x in file.read_bytes().splitlines() if x.strip()]
    except (OSError, msgspec.MsgspecError) as error:
        raise RegradeError(f"{file} is no manifest ({error}); give one JSON object a line: id, record, fault") from error
    return tuple(msgspec.structs.replace(r, record=str((file.parent / r.record).resolve())) for r in rows)


# ---------------------------------------------------------------------- one record
def grade_job(job: Job) -> Found:
    """Grade the record in `job`; whatever is wrong with it is a reason and never an exception."""
    digest = hashlib.sha256(job.record).hexdigest()
    try:
        with TemporaryDirectory() as place:
            file, rubric = Path(place) / "call.jsonl", _rubric_file(job.rubric)
            file.write_bytes(job.record)
            record = read_record(file)
        if record.damage:
            raise RegradeError(f"the record is damaged: {record.damage}")
        data = grade_record(record, hypothesis_named(job.fault), rubric).json()
    except BenchError as error:
        return Found(Done(job.id, digest, "", job.before, VERSION, str(error)[:400]))
    except Exception as error:  # one record never stops the others
        return Found(Done(job.id, digest, "", job.before, VERSION, f"stopped with {type(error).__name__}: {str(error)[:300]}"))
    return Found(Done(job.id, digest, hashlib.sha256(data).hexdigest(), job.before, VERSION), data)


_RUBRICS: dict[bytes, tuple[TemporaryDirectory[str], str]] = {}  # a process meets a handful


def _rubric_file(text: bytes) -> str:
    if text not in _RUBRICS:
        place = TemporaryDirectory(prefix="rubric-")
        file = Path(place.name) / "rubric.toml"
        file.write_bytes(text)
        _RUBRICS[text] = place, str(file)
    return _RUBRICS[text][1]


def grade_batch(jobs: Sequence[Job]) -> list[Found]:
    """Several jobs, one after the other."""
    return [grade_job(job) for job in jobs]


def _lost(job: Job) -> Found:
    digest = hashlib.sha256(job.record).hexdigest()
    return Found(Done(job.id, digest, "", job.before, VERSION, "grading this record ended its process (memory?)"))


# ---------------------------------------------------------------------- many records
def regrade(
    wanted: Sequence[Wanted], out: Path, *, processes: int = 0, cluster: str = "", progress: bool = True
) -> tuple[Done, ...]:
    """Grade all of `wanted`, log and sheets in `out`; what the log already holds is not graded again.

    `cluster` is the address of a Dask scheduler whose workers have this program in this version; else `processes` of this
    machine compute (0: one per core). Returns every line in the order of `wanted`. Raises `RegradeError` for a record that
    can't be read, two of one id, or a log of other records or of another version.
    """
    names = [w.id for w in wanted]
    if len(set(names)) != len(names):
        twice = next(n for n in names if names.count(n) > 1)
        raise RegradeError(f"{twice!r} stands twice among the records; give each an id of its own")
    rubrics = {w.rubric: _text(w.rubric) for w in wanted}
    out.mkdir(parents=True, exist_ok=True)
    with _log(out / LOG) as (log, known):
        _check_known(known, wanted)
        # Calls of one fault and complaint follow one another, so that each process's tables stay warm.
        left = sorted((w for w in wanted if w.id not in known), key=lambda w: (w.fault, w.rubric, w.id))
        jobs = (_job(w, rubrics[w.rubric]) for w in left)
        found = _over_cluster(jobs, len(left), cluster) if cluster else _over_processes(left, rubrics, processes)
        with tqdm(total=len(wanted), initial=len(known), unit="record", desc="Regrading", disable=not progress) as bar:
            for one in found:
                if one.sheet:
                    _keep(out / SHEETS, one)
                log.write(msgspec.json.encode(one.done) + b"\n")
                log.flush()
                os.fsync(log.fileno())
                known[one.done.id] = one.done
                bar.update()
    return tuple(known[n] for n in names)


def _keep(place: Path, found: Found) -> None:
    file = place / f"{found.done.sheet}.json"
    if not file.exists():
        write(file, found.sheet)


def _text(rubric: str) -> bytes:
    load_rubric(rubric)  # an unusable one says so now
    from blowergrade.rubric import rubric_text

    return rubric_text(rubric).encode()


def _job(wanted: Wanted, rubric: bytes) -> Job:
    try:
        return Job(wanted.id, Path(wanted.record).read_bytes(), wanted.fault, rubric, wanted.sheet)
    except OSError as error:
        raise RegradeError(f"{wanted.id}: {wanted.record} can't be read ({error.strerror}); put the file back") from error


def _over_processes(left: Sequence[Wanted], rubrics: dict[str, bytes], processes: int) -> Iterator[Found]:
    # In slices, so that the contents of a few hundred records are in memory and not of all.
    for start in range(0, len(left), SLICE):
        part = [_job(w, rubrics[w.rubric]) for w in left[start : start + SLICE]]
        yield from in_processes(part, grade_job, _lost, processes)


SLICE = 2_000


def _over_cluster(jobs: Iterable[Job], count: int, address: str) -> Iterator[Found]:
    """The jobs over a Dask cluster, a few batches per worker under way; raises `RegradeError` where it can't be reached."""
    try:
        distributed: Any = import_module("distributed")  # its functions have no types
    except ImportError as error:
        raise RegradeError("a cluster needs Dask: pip install 'blowerbench-courseware[cluster]'") from error
    if not count:
        return
    try:
        client = distributed.Client(address, timeout=PATIENCE, set_as_default=False)
    except (OSError, TimeoutError, ValueError) as error:
        raise RegradeError(f"no Dask scheduler answers at {address!r} ({error}); start one, or leave --cluster out") from error
    with client:
        _check_versions(client, address)
        batches = _batches(jobs)
        under_way = distributed.as_completed(loop=client.loop)

        def start(most: int) -> None:
            for batch in islice(batches, most):
                under_way.add(client.submit(grade_batch, batch, pure=False, retries=2))

        start(2 * sum(client.nthreads().values()))
        for future in under_way:
            yield from future.result()
            start(1)


def _batches(jobs: Iterable[Job]) -> Iterator[list[Job]]:
    batch: list[Job] = []
    for job in jobs:
        batch.append(job)
        if len(batch) == BATCH:
            yield batch
            batch = []
    if batch:
        yield batch


def _version() -> str:
    return VERSION


def _check_versions(client: Any, address: str) -> None:
    versions = client.run(_version)
    if not versions:
        raise RegradeError(f"the cluster at {address} has no worker; start some (`dask worker {address}`)")
    other = {worker: v for worker, v in versions.items() if v != VERSION}
    if other:
        raise RegradeError(f"{', '.join(other)} grade with version {', '.join(set(other.values()))}, this is {VERSION}")


# ---------------------------------------------------------------------- the log
@contextmanager
def _log(file: Path) -> Iterator[tuple[IO[bytes], dict[str, Done]]]:
    """The log, locked against a second regrade, and what it holds; a last line that was cut off is taken back."""
    import fcntl  # as the exam service: Linux and macOS

    with file.open("a+b") as log:
        try:
            fcntl.flock(log, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            raise RegradeError(f"another regrade writes {file}; wait for it, or give another folder") from error
        log.seek(0)
        data = log.read()
        whole = data.rfind(b"\n") + 1
        log.truncate(whole)
        try:
            rows = [msgspec.json.decode(x, type=Done) for x in data[:whole].splitlines()]
        except msgspec.MsgspecError as error:
            raise RegradeError(f"{file} can't be read ({error}); move it away, or put the copy back that you kept") from error
        yield log, {r.id: r for r in rows}


def _check_known(known: dict[str, Done], wanted: Sequence[Wanted]) -> None:
    strangers = sorted(known.keys() - {w.id for w in wanted})
    if strangers:
        raise RegradeError(f"the folder holds a regrade of other records ({strangers[0]!r}); give each regrade its own folder")
    other = sorted({d.version for d in known.values()} - {VERSION})
    if other:
        raise RegradeError(f"the regrade in this folder was begun with version {other[0]}, this is {VERSION}; begin another")
    for w in wanted:
        old = known.get(w.id)
        if old is not None and old.record != hashlib.sha256(_job(w, b"").record).hexdigest():
            raise RegradeError(f"{w.id}: the record was changed since it was graded here; begin a regrade in another folder")


def summary(done: Sequence[Done]) -> Iterator[str]:
    """What a regrade found, as lines of a terminal."""
    changed, failed = [d for d in done if d.changed and not d.reason], [d for d in done if d.reason]
    yield f"{len(done)} records, version {VERSION}: {len(done) - len(changed) - len(failed)} with the same sheet or a first one"
    for what, rows in (("another sheet", changed), ("no sheet", failed)):
        if rows:
            yield f"{len(rows)} with {what}:"
            yield from (f"  {d.id}  {d.reason}".rstrip() for d in rows[:20])
