"""Evidence as a file: the same integers on every machine, believed only where it fits, and graded as if computed."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
from msgspec.structs import replace

from blowerbench import Hypothesis, LocalBench, load_equipment, load_faults
from blowerbench import acts as a
from blowerbench.record import CallRecord, read_record
from blowergrade import intervals, policies
from blowergrade.replay import steps_of_record
from blowergrade.score import _Search, grade_record
from blowergrade.technicians import Technician

EQUIPMENT = load_equipment("outdoor_fan_240")
CATALOGUE = load_faults(EQUIPMENT)
COMPLAINT = "buzzes_and_clicks"
FAULT = Hypothesis("transformer_weak")
#: Kernels of the linear algebra library for processors of four generations; what the processor lacks is not among them.
KERNELS = {"Prescott": "sse3", "Nehalem": "sse4_2", "Sandybridge": "avx", "Haswell": "avx2", "Zen": "avx2"}
#: Where a record lies, the record, and what was perceived at arrival.
Call = tuple[Path, CallRecord, tuple[str, ...]]
STAGES = """
import hashlib, json, sys
from pathlib import Path
from threadpoolctl import threadpool_info
from blowerbench import load_equipment, load_faults
from blowerbench.record import read_record
from blowergrade import intervals, policies
from blowergrade.score import grade_record
from blowergrade.wording import hypothesis_named

place, fault, senses = Path(sys.argv[1]), sys.argv[2], tuple(json.loads(sys.argv[3]))
record = read_record(place)
equipment = load_equipment(record.header.equipment)
evidence = intervals.gather(record, equipment, load_faults(equipment), senses).json()
sheet = grade_record(record, hypothesis_named(fault))
kernels = sorted({x["architecture"] for x in threadpool_info() if x["internal_api"] == "openblas" and "numpy" in x["filepath"]})
hashes = [hashlib.sha256(x).hexdigest() for x in (evidence, sheet.json(), sheet.html().encode())]
print(json.dumps({"kernels": kernels, "hashes": hashes}))
"""


@pytest.fixture(scope="module")
def call(tmp_path_factory: pytest.TempPathFactory) -> Call:
    """A worked call on a small complaint: the record's place, the record, what was perceived at arrival."""
    place = tmp_path_factory.mktemp("call") / "call.jsonl"
    bench = LocalBench(EQUIPMENT, FAULT, COMPLAINT, variant="evidence", record=place, person="Robin Ashdown")
    senses = bench.last.senses
    Technician(bench).work()
    bench.close()
    return place, read_record(place), senses


@pytest.fixture(scope="module")
def file(call: Call) -> intervals.EvidenceFile:
    return intervals.gather(call[1], EQUIPMENT, CATALOGUE, call[2])


def test_stored_evidence_is_graded_as_evidence_computed_on_the_spot(call: Call, file: intervals.EvidenceFile) -> None:
    steps = steps_of_record(call[1], FAULT)
    computed, stored = _Search(EQUIPMENT, CATALOGUE, COMPLAINT), _Search(EQUIPMENT, CATALOGUE, COMPLAINT)
    stored.evidence = intervals.Stored(file, EQUIPMENT, CATALOGUE)
    for search in (computed, stored):
        search.run(steps, call[2], 30)
    assert stored.timeline == computed.timeline and len(stored.timeline) > 20
    assert (stored.regret, stored.evidence.units) == (computed.regret, computed.evidence.units)
    assert stored.evidence.mass() == computed.evidence.mass() < computed.start_mass, "something was ruled out"


def test_the_file_holds_whole_numbers_and_text_and_comes_back_as_it_was_written(
    tmp_path: Path, file: intervals.EvidenceFile
) -> None:
    place = tmp_path / "call.evidence.json"
    intervals.write(file, place)
    assert intervals.read(place) == file and place.read_bytes() == file.json()
    assert list(tmp_path.iterdir()) == [place], "nothing half-written is left"

    def never(text: str) -> float:
        raise AssertionError(f"{text} is no whole number")

    json.loads(place.read_bytes(), parse_float=never, parse_constant=never)
    assert any(p.shown for told in file.acts for p in told.predictions)


def test_evidence_lies_beside_its_record() -> None:
    assert intervals.place_of(Path("class/call-2.jsonl")) == Path("class/call-2.evidence.json")


@pytest.mark.parametrize("harm", ["cut", "emptied", "edited", "binary", "newer"])
def test_a_damaged_file_is_refused_by_name(tmp_path: Path, file: intervals.EvidenceFile, harm: str) -> None:
    whole = file.json()
    edited = whole.replace(b'"rulings": []', b'"rulings": [{"hypothesis": 0, "observed": "", "predicted": ""}]', 1)
    newer = whole.replace(intervals.FORMAT.encode(), b"blower evidence 9", 1)
    assert edited != whole != newer
    spoilt = {"cut": whole[:-40], "emptied": b"", "edited": edited, "binary": bytes(range(256)), "newer": newer}
    place = tmp_path / "call.evidence.json"
    place.write_bytes(spoilt[harm])
    with pytest.raises(intervals.EvidenceFileError, match=r"call\.evidence\.json"):
        intervals.read(place)


def test_a_file_that_fits_is_used_and_any_other_is_computed_again(
    tmp_path: Path,
    call: Call,
    file: intervals.EvidenceFile,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    _, record, senses = call
    place = tmp_path / "call.evidence.json"
    played: list[int] = []

    def evidence() -> int:
        played.clear()
        found = intervals.evidence_of(record, place, EQUIPMENT, CATALOGUE, senses, lambda: played.append(1))
        assert isinstance(found, intervals.Stored) and found.file == file
        return len(played)

    acts = len(intervals.searched(record.lines))
    assert (evidence(), evidence()) == (acts, 0), "the second time it is read"
    place.write_bytes(file.json()[:-10])
    assert (evidence(), evidence()) == (acts, 0)
    monkeypatch.setattr(policies, "model_digest", lambda: "another program")
    assert intervals.unfit(file, record, EQUIPMENT, CATALOGUE, senses).endswith("another program")
    monkeypatch.undo()
    assert intervals.unfit(file, record, EQUIPMENT, CATALOGUE, ("blower_still", "flame")).endswith("another arrival")


def forged(file: intervals.EvidenceFile) -> intervals.EvidenceFile:
    """The file of a guesser: after its first act nothing but the right cause is left, with a hash that fits."""
    right = file.hypotheses.index(str(FAULT))
    left = [k for k in range(len(file.hypotheses)) if int(file.arrived, 16) >> k & 1 and k != right]
    told = replace(file.acts[0], rulings=tuple(intervals.Ruled(k, "seen", "else") for k in left))
    made = replace(file, acts=(told,), sha256="")
    return replace(made, sha256=made.hash())


def test_a_forged_file_beside_a_guess_earns_nothing(tmp_path: Path) -> None:
    place = tmp_path / "guess.jsonl"
    bench = LocalBench(EQUIPMENT, FAULT, COMPLAINT, variant="guess", record=place)
    for act in (a.Look("around"), a.Declare((CATALOGUE.correction(FAULT),)), a.Finish()):
        bench.act(act)
    bench.close()
    record = read_record(place)
    senses = LocalBench(EQUIPMENT, FAULT, COMPLAINT, variant="guess").last.senses
    honest = grade_record(record, FAULT)
    beside = intervals.place_of(place)
    intervals.write(forged(intervals.gather(record, EQUIPMENT, CATALOGUE, senses)), beside)
    assert intervals.unfit(intervals.read(beside), record, EQUIPMENT, CATALOGUE, senses) == "", "it looks like ours"
    sheet = grade_record(record, FAULT, place=beside)
    assert sheet == honest and not sheet.entailed
    assert intervals.read(beside) == intervals.gather(record, EQUIPMENT, CATALOGUE, senses), "written anew"


@pytest.mark.parametrize("harm", ["number", "mask", "missing"])
def test_a_file_whose_numbers_name_nothing_is_computed_again(
    call: Call, file: intervals.EvidenceFile, tmp_path: Path, harm: str
) -> None:
    first = file.acts[0]
    changed = {
        "number": replace(file, acts=(replace(first, rulings=(intervals.Ruled(99, "seen", "else"),)), *file.acts[1:])),
        "mask": replace(file, arrived="zz"),
        "missing": replace(file, acts=(replace(first, predictions=()), *file.acts[1:])),
    }[harm]
    place = tmp_path / "call.evidence.json"
    intervals.write(replace(changed, sha256=replace(changed, sha256="").hash()), place)
    evidence = intervals.evidence_of(call[1], place, EQUIPMENT, CATALOGUE, call[2])
    evidence.perceive_arrival(call[2])
    assert intervals.read(place) == file and len(evidence.alive) > 1


def test_stored_evidence_ends_where_the_search_ended(call: Call, file: intervals.EvidenceFile) -> None:
    stored = intervals.Stored(file, EQUIPMENT, CATALOGUE)
    stored.perceive_arrival(call[2])
    for line in intervals.searched(call[1].lines):
        stored.observe(line.act, line.observation)
    beyond = call[1].lines[len(file.acts)]
    with pytest.raises(intervals.EvidenceFileError, match="ends after"):
        stored.observe(beyond.act, beyond.observation)


def test_evidence_and_sheet_are_the_same_bytes_twice_and_under_every_kernel(call: Call, tmp_path: Path) -> None:
    flags = Path("/proc/cpuinfo")
    if not flags.exists():
        pytest.skip("which kernels this processor has is read from /proc/cpuinfo, which is not here")
    has = set(next((x for x in flags.read_text().splitlines() if x.startswith("flags")), "").split())
    has |= {"sse3"} if "pni" in has else set()
    kernels = [k for k, needs in KERNELS.items() if needs in has][:4]
    assert len(kernels) >= 2, "two kernels at least, or nothing is compared"
    place, _, senses = call
    used: list[str] = []
    made: set[tuple[str, ...]] = set()
    for kernel in [*kernels, kernels[0]]:
        environment = {**os.environ, "OPENBLAS_CORETYPE": kernel, "BLOWER_CACHE": "off"}
        done = subprocess.run(
            [sys.executable, "-c", STAGES, str(place), str(FAULT), json.dumps(senses)],
            env=environment, capture_output=True, text=True, check=False, cwd=tmp_path,
        )  # fmt: skip
        assert done.returncode == 0, done.stderr
        told = json.loads(done.stdout)
        used += told["kernels"]
        made.add(tuple(told["hashes"]))
    assert len(made) == 1, "a difference between kernels has to be reported"
    assert len(set(used)) >= 2, f"the library took no notice of the kernel asked for: {used}"
