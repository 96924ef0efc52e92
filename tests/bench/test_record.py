"""The call record: what was acknowledged is there, what is damaged is named and kept, nothing is guessed."""

from __future__ import annotations

import multiprocessing
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import msgspec
import pytest
from sampling import sampled

from blowerbench import BenchError, LocalBench
from blowerbench import acts as a
from blowerbench.observation import Refused
from blowerbench.record import GENESIS, link, read_record

UNIT = "furnace_120_constant_airflow"
ACTS: list[a.Act] = [
    a.Look(), a.ReadStatus(), a.SetThermostat("fan"), a.Wait(20), a.SetDoor(False), a.SetMeter("volts_ac"),
    a.PlaceLead("black", "box.N"), a.PlaceLead("red", "box.L"), a.SetThermostat("heat"), a.Wait(60),
]  # fmt: skip


def open_bench(path: Path) -> LocalBench:
    """A bench on the record at `path`."""
    return LocalBench(UNIT, "module_dead", "nothing_blows", variant="record", record=path, person="A. Learner")


def play(path: Path, acts: list[a.Act]) -> LocalBench:
    """A closed bench after `acts`."""
    bench = open_bench(path)
    for act in acts:
        bench.act(act)
    bench.close()
    return bench


def test_a_bench_on_an_existing_record_goes_on_where_it_stopped(tmp_path: Path) -> None:
    first = play(tmp_path / "call.jsonl", ACTS[:6])
    again = open_bench(tmp_path / "call.jsonl")
    assert again.session.now == first.session.now
    assert again.view() == first.view()
    for act in ACTS[6:]:
        again.act(act)
    again.close()
    whole = play(tmp_path / "other.jsonl", ACTS)
    assert (tmp_path / "call.jsonl").read_bytes() == (tmp_path / "other.jsonl").read_bytes()
    assert again.session.now == whole.session.now


def test_a_closed_bench_does_nothing_more_so_that_no_act_goes_unrecorded(tmp_path: Path) -> None:
    bench = play(tmp_path / "call.jsonl", ACTS[:3])
    outcome = bench.act(a.Look())
    assert isinstance(outcome, Refused) and outcome.reason.id == "bench_is_closed"
    assert len(bench.lines) == len(read_record(tmp_path / "call.jsonl").lines) == 3


def test_the_record_never_holds_the_fault(tmp_path: Path) -> None:
    play(tmp_path / "call.jsonl", ACTS)
    text = (tmp_path / "call.jsonl").read_text(encoding="utf-8")
    assert "module_dead" not in text and "control_module" not in text


def test_the_chain_is_sha_256_over_the_line_before(tmp_path: Path) -> None:
    play(tmp_path / "call.jsonl", ACTS)
    head = GENESIS
    for raw in (tmp_path / "call.jsonl").read_bytes().splitlines():
        body = msgspec.json.decode(raw, type=dict[str, msgspec.Raw])
        done = subprocess.run(  # an implementation of SHA-256 that is not ours (FIPS 180-4, GNU coreutils)
            ["sha256sum"], input=head.encode() + b"\n" + bytes(body["body"]), capture_output=True, check=True
        )
        head = done.stdout.split()[0].decode()
        assert msgspec.json.decode(body["chain"]) == head
    assert read_record(tmp_path / "call.jsonl").head == head != link(GENESIS, b"")


@pytest.mark.parametrize("cut", sampled(400, at_least=20))
def test_a_record_cut_anywhere_keeps_every_whole_line_and_moves_the_torn_one(tmp_path: Path, cut: int) -> None:
    path = tmp_path / "call.jsonl"
    play(path, ACTS)
    data = path.read_bytes()
    header = data.index(b"\n") + 1
    end = header + (len(data) - header) * cut // 400
    path.write_bytes(data[:end])
    whole = data[:end].count(b"\n") - 1
    bench = open_bench(path)
    bench.close()
    assert len(bench.lines) == whole
    kept = path.read_bytes()
    torn = data[len(kept) : end]
    damaged = path.with_name("call.jsonl.damaged")
    assert (damaged.read_bytes().rstrip(b"\n") if damaged.exists() else b"") == torn
    assert bool(torn) == bool(bench.notes) and all(f"line {whole + 2}" in note for note in bench.notes)


@pytest.mark.parametrize("index", range(2, 9))
def test_a_changed_line_is_named_and_nothing_after_it_is_believed(tmp_path: Path, index: int) -> None:
    path = tmp_path / "call.jsonl"
    play(path, ACTS)
    lines = path.read_bytes().splitlines(keepends=True)
    lines[index] = lines[index].replace(b'"clock":', b'"clock":1')
    path.write_bytes(b"".join(lines))
    record = read_record(path)
    assert record.damage.startswith(f"line {index + 1}:")
    assert len(record.lines) == index - 1


def test_a_second_bench_on_an_open_record_is_refused_and_the_lock_dies_with_its_process(tmp_path: Path) -> None:
    path = tmp_path / "call.jsonl"
    first = open_bench(path)
    with pytest.raises(BenchError, match="another bench has this record open; close it"):
        open_bench(path)
    first.close()
    open_bench(path).close()


def test_a_record_of_another_call_is_refused_by_naming_what_differs(tmp_path: Path) -> None:
    play(tmp_path / "call.jsonl", ACTS[:2])
    with pytest.raises(BenchError, match="begun with variant 'record', not 'other'"):
        LocalBench(UNIT, "module_dead", "nothing_blows", variant="other", record=tmp_path / "call.jsonl", person="A. Learner")


def test_a_newer_format_is_refused_by_name(tmp_path: Path) -> None:
    body = b'{"format":99,"model":"9"}'
    (tmp_path / "call.jsonl").write_bytes(b'{"chain":"' + link(GENESIS, body).encode() + b'","body":' + body + b"}\n")
    with pytest.raises(BenchError, match="record format 99; this version reads format 1"):
        read_record(tmp_path / "call.jsonl")


WRITER = """
import sys
from pathlib import Path
from blowerbench import LocalBench
from blowerbench import acts as a
bench = LocalBench("furnace_120_constant_airflow", "module_dead", "nothing_blows", variant="record", record=Path(sys.argv[1]),
                   person="A. Learner")
while True:
    print(bench.act(a.ReadStatus()).seq, flush=True)
"""


@pytest.mark.parametrize("round_", sampled(20, at_least=3))
def test_kill_9_loses_no_acknowledged_act(tmp_path: Path, round_: int) -> None:
    path = tmp_path / "call.jsonl"
    environment = os.environ | {"PYTHONPATH": os.pathsep.join(sys.path)}
    with subprocess.Popen([sys.executable, "-c", WRITER, str(path)], stdout=subprocess.PIPE, env=environment) as process:
        assert process.stdout is not None
        process.stdout.readline()
        time.sleep(0.02 + 0.013 * round_)
        process.send_signal(signal.SIGKILL)
        told = [int(x) for x in process.stdout.read().splitlines(keepends=True) if x.endswith(b"\n")]
    bench = open_bench(path)
    assert len(bench.lines) >= max(told, default=1)
    bench.act(a.Look())
    bench.close()
    assert read_record(path).damage == ""


def _hold(path: Path, ready: object) -> None:
    bench = open_bench(path)
    ready.set()  # type: ignore[attr-defined] # a multiprocessing event
    time.sleep(60)
    bench.close()


def test_a_dead_process_leaves_no_lock_behind(tmp_path: Path) -> None:
    path = tmp_path / "call.jsonl"
    context = multiprocessing.get_context("spawn")
    ready = context.Event()
    process = context.Process(target=_hold, args=(path, ready))
    process.start()
    assert ready.wait(60)
    with pytest.raises(BenchError, match="another bench"):
        open_bench(path)
    process.kill()
    process.join()
    open_bench(path).close()


@pytest.mark.parametrize(
    "act",
    [a.Wear("hat"), a.Wait(1.5), a.SetThermostat("banana"), a.PlaceLead("green", "outlet.L"), "foo", None, a.Wait("5")],  # type: ignore[arg-type] # on purpose
    ids=str,
)
def test_what_is_no_act_is_answered_and_never_written(tmp_path: Path, act: a.Act) -> None:
    path = tmp_path / "call.jsonl"
    bench = play_open(path, ACTS[:2])
    before = path.read_bytes(), bench.view()
    with pytest.raises(BenchError, match="is not an act that can be done"):
        bench.act(act)
    assert (path.read_bytes(), bench.view()) == before
    bench.act(a.Look())
    bench.close()
    assert len(open_and_close(path).lines) == 3


def play_open(path: Path, acts: list[a.Act]) -> LocalBench:
    """An open bench after `acts`."""
    bench = open_bench(path)
    for act in acts:
        bench.act(act)
    return bench


def open_and_close(path: Path) -> LocalBench:
    """The bench that the record at `path` brings back."""
    bench = open_bench(path)
    bench.close()
    return bench


def test_an_act_that_could_not_be_written_has_not_happened(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "call.jsonl"
    bench = play_open(path, ACTS[:2])
    before = bench.view()

    def full(*_: object) -> str:
        raise OSError("no space left on device")

    with monkeypatch.context() as patch:
        patch.setattr("blowerbench.record.RecordWriter.append", full)
        with pytest.raises(OSError, match="no space left"):
            bench.act(a.SetThermostat("heat"))
    assert bench.view() == before
    bench.act(a.Look())
    bench.close()
    assert open_and_close(path).session.now == bench.session.now


def test_a_changed_record_can_not_be_gone_on_with(tmp_path: Path) -> None:
    path = tmp_path / "call.jsonl"
    play(path, ACTS)
    lines = path.read_bytes().splitlines(keepends=True)
    lines[4] = lines[4].replace(b'"seq":', b'"seq":1')
    changed = b"".join(lines)
    path.write_bytes(changed)
    with pytest.raises(BenchError, match=r"line 5: .*hand it in as it is"):
        open_bench(path)
    assert path.read_bytes() == changed


def test_a_record_path_that_is_a_folder_is_answered(tmp_path: Path) -> None:
    (tmp_path / "call.jsonl").mkdir()
    with pytest.raises(BenchError, match="can't be read"):
        open_bench(tmp_path / "call.jsonl")


def test_a_record_that_is_not_there_is_not_called_empty(tmp_path: Path) -> None:
    with pytest.raises(BenchError, match="there is no such call record"):
        read_record(tmp_path / "call.jsonl")
