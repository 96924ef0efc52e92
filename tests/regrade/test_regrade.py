"""A regrade over processes or a cluster gives the same sheets, adds to what is there, and survives being interrupted."""

from __future__ import annotations

import hashlib
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import msgspec
import pytest
from regrade.many_records import many
from sampling import long_run

from blowergrade.regrade import Done, RegradeError, Wanted, read_manifest, regrade, summary

COUNT = 10_000 if long_run() else 500


@pytest.fixture(scope="module")
def wanted(tmp_path_factory: pytest.TempPathFactory) -> tuple[Wanted, ...]:
    return many(tmp_path_factory.mktemp("records"), COUNT)


@pytest.fixture(scope="module")
def by_processes(wanted: tuple[Wanted, ...], tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, tuple[Done, ...]]:
    """All records over two processes, with the progress bar that a person sees."""
    out = tmp_path_factory.mktemp("processes")
    return out, regrade(wanted, out, processes=2)


def sheets(out: Path) -> dict[str, bytes]:
    return {f.name: f.read_bytes() for f in (out / "sheets").iterdir()}


def test_every_record_gets_its_own_sheet(wanted: tuple[Wanted, ...], by_processes: tuple[Path, tuple[Done, ...]]) -> None:
    out, done = by_processes
    assert [d.id for d in done] == [w.id for w in wanted] and not any(d.reason for d in done)
    assert len({d.sheet for d in done}) == COUNT == len(sheets(out))
    assert all(hashlib.sha256(data).hexdigest() == name.removesuffix(".json") for name, data in sheets(out).items())


@pytest.fixture(scope="module")
def scheduler(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """A Dask scheduler with two workers, each a process of its own, on loopback."""
    place = tmp_path_factory.mktemp("cluster")
    address = place / "scheduler.json"
    environment = {**os.environ, "DASK_DISTRIBUTED__ADMIN__LOG_FORMAT": "%(message)s", "PYTHONWARNINGS": "ignore"}
    common = ["--no-dashboard", "--scheduler-file", str(address)]
    run = [sys.executable, "-m", "distributed.cli.dask_scheduler", *common, "--host", "127.0.0.1", "--port", "0"]
    work = [sys.executable, "-m", "distributed.cli.dask_worker", *common, "--host", "127.0.0.1", "--nthreads", "1",
            "--no-nanny", "--local-directory", str(place)]  # fmt: skip
    with (place / "log").open("wb") as log:
        running = [subprocess.Popen(c, env=environment, stdout=log, stderr=log) for c in (run, work, work)]
        try:
            until = time.monotonic() + 60
            while not address.exists() or not address.read_bytes():
                assert time.monotonic() < until, (place / "log").read_text()
                time.sleep(0.2)
            yield str(msgspec.json.decode(address.read_bytes())["address"])
        finally:
            for one in running:
                one.kill()
                one.wait()


def test_a_cluster_gives_the_same_sheets(
    scheduler: str, wanted: tuple[Wanted, ...], by_processes: tuple[Path, tuple[Done, ...]], tmp_path: Path
) -> None:
    from distributed import Client

    with Client(scheduler, set_as_default=False) as client:  # type: ignore[no-untyped-call]  # it has no types
        client.wait_for_workers(2, timeout=60)
    out, done = by_processes
    assert regrade(wanted, tmp_path, cluster=scheduler) == done
    assert sheets(tmp_path) == sheets(out)


def test_a_cluster_that_is_not_there_is_said(
    wanted: tuple[Wanted, ...], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("blowergrade.regrade.PATIENCE", 1)
    with pytest.raises(RegradeError, match="no Dask scheduler answers"):
        regrade(wanted[:1], tmp_path, cluster="tcp://127.0.0.1:9")


def test_what_was_killed_goes_on_and_loses_nothing(
    wanted: tuple[Wanted, ...], by_processes: tuple[Path, tuple[Done, ...]], tmp_path: Path
) -> None:
    some = wanted[: max(60, COUNT // 20)]
    manifest = tmp_path / "manifest.jsonl"
    manifest.write_bytes(b"".join(msgspec.json.encode(w) + b"\n" for w in some))
    out = tmp_path / "out"
    command = [sys.executable, "-m", "blowergrade.cli", "regrade", str(manifest), "--out", str(out), "--processes", "1"]
    code = "import sys; from blowergrade.cli import main; sys.exit(main(sys.argv[1:]))"
    command = [sys.executable, "-c", code, *command[3:]]
    log = out / "regrade.jsonl"
    kept = b""
    for least in (5, 25):
        running = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        until = time.monotonic() + 120
        while not log.exists() or log.read_bytes().count(b"\n") < least:
            assert running.poll() is None and time.monotonic() < until
            time.sleep(0.02)
        running.send_signal(signal.SIGKILL)
        running.wait()
        now = log.read_bytes()
        assert now.startswith(kept), "what was written stays"
        kept = now[: now.rfind(b"\n") + 1]
    log.write_bytes(kept + b'{"id":"r0')  # a last line that the crash cut off
    done = regrade(read_manifest(manifest), out, processes=1, progress=False)
    assert done == by_processes[1][: len(some)]
    assert log.read_bytes().startswith(kept) and log.read_bytes().count(b"\n") == len(some), "nothing was graded twice"


def test_it_says_what_changed_and_what_can_not_be_graded(wanted: tuple[Wanted, ...], tmp_path: Path) -> None:
    bad = tmp_path / "bad.jsonl"
    bad.write_bytes(Path(wanted[0].record).read_bytes().replace(b"Wait", b"Want").replace(b'"fan"', b'"fun"'))
    rows = [
        msgspec.structs.replace(wanted[0], sheet="0" * 64),
        msgspec.structs.replace(wanted[1], id="bad", record=str(bad)),
        msgspec.structs.replace(wanted[2], fault="no_such_fault/0"),
    ]
    done = regrade(rows, tmp_path / "out", processes=1, progress=False)
    text = "\n".join(summary(done))
    assert done[0].changed and not done[0].reason and all(d.reason and not d.sheet for d in done[1:])
    assert "1 with another sheet" in text and "2 with no sheet" in text and "r00000" in text


def test_another_regrades_folder_or_a_changed_record_is_refused(wanted: tuple[Wanted, ...], tmp_path: Path) -> None:
    out, own = tmp_path / "out", tmp_path / "own.jsonl"
    own.write_bytes(Path(wanted[0].record).read_bytes())
    one = msgspec.structs.replace(wanted[0], record=str(own))
    regrade([one], out, processes=1, progress=False)
    with pytest.raises(RegradeError, match="other records"):
        regrade([wanted[1]], out, processes=1)
    with pytest.raises(RegradeError, match="twice"):
        regrade([one, one], out, processes=1)
    own.write_bytes(Path(wanted[1].record).read_bytes())
    with pytest.raises(RegradeError, match="changed since"):
        regrade([one], out, processes=1)
    own.unlink()
    with pytest.raises(RegradeError, match="can't be read"):
        regrade([one], tmp_path / "other", processes=1)


def test_two_at_once_are_not_let_in(wanted: tuple[Wanted, ...], tmp_path: Path) -> None:
    from blowergrade.regrade import _log

    regrade(wanted[:1], tmp_path, processes=1, progress=False)
    with _log(tmp_path / "regrade.jsonl"), pytest.raises(RegradeError, match="another regrade"):
        regrade(wanted[:1], tmp_path, processes=1)
