"""A load on the exam service: candidates on all units, the service and the candidates' pages as processes of their own.

Rule: only loopback, only a folder of the load's own, and whatever was started is ended. What a load shows (`Load`) is what the
pages counted, what the service counted, what the processes used, and what stands in the journal afterwards.
"""

from __future__ import annotations

import json
import os
import random
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import msgspec
import psutil
from exam.load_clients import Order, Who
from exam.walks import UNITS

from blowerbench.equipment import load_equipment
from blowerbench.faults import load_faults
from blowergrade.classwork.codes import new_code
from blowergrade.exam.attempt import Plan
from blowergrade.exam.folder import ExamFolder, digest_of, make_folder
from blowergrade.exam.programme import Candidate, Programme, Rules

TESTS = Path(__file__).resolve().parents[1]
ITEM = "k1"
WALKS = 4  # different walks a unit
AT_ONCE = Rules(tick_ms=0, guard_ms=0, rate=0.0)


@dataclass(frozen=True, slots=True)
class Load:
    """What a load showed. Times in s, sorted; `cores` is the share of one core that service and solvers used."""

    counts: Mapping[str, int]
    twice: int
    seconds: float
    waits: tuple[float, ...]  # from a page's sending to its frame
    ready: tuple[int, ...]  # by ms: from arrival to where the answer could have left
    missed: int  # ticks
    cores: float
    solvers: float  # of it
    memory: int  # bytes of service and solvers
    unlike: tuple[str, ...]  # attempts whose journal is not what the page was told
    load_average: float

    @property
    def acknowledged(self) -> int:
        """Acts that were acknowledged."""
        return self.counts.get("acknowledged", 0)

    @property
    def errors(self) -> dict[str, int]:
        """Everything that is not an act sent and acknowledged once."""
        found = {k: n for k, n in self.counts.items() if k not in ("sent", "acknowledged") and n}
        return found | ({"twice": self.twice} if self.twice else {}) | ({"journal": len(self.unlike)} if self.unlike else {})

    def ready_at(self, share: float) -> int:
        """By how many whole ms after its arrival this share of the answers could leave, rounded up."""
        wanted, sofar = share * sum(self.ready), 0
        for ms, n in enumerate(self.ready):
            sofar += n
            if sofar >= wanted:
                return ms + 1
        return len(self.ready)

    def wait_at(self, share: float) -> float:
        """The wait (s) of a page that this share of the acts did not exceed."""
        return self.waits[min(len(self.waits) - 1, int(share * len(self.waits)))]


def hall(root: Path, people: int, rules: Rules) -> tuple[ExamFolder, tuple[Who, ...]]:
    """A folder with `people` candidates, one call each, over all units and their faults in turn."""
    dice = random.Random(people)
    codes = {f"c{k:03d}": new_code() for k in range(people)}
    plans, walkers = {}, []
    for k, (name, code) in enumerate(codes.items()):
        unit = UNITS[k % len(UNITS)]
        equipment = load_equipment(unit)
        complaint = next(iter(equipment.complaints))
        fault = dice.choice(load_faults(equipment).hypotheses(complaint))
        made = Plan(f"{name}/{ITEM}", unit, f"{fault.fault}/{fault.severity}", complaint, f"load-{name}", "en", "load", name)
        plans[name] = (made,)
        walkers.append(Who(name, code, ITEM, unit, k // len(UNITS) % WALKS))
    candidates = tuple(Candidate(n, f"Person {n}", digest_of(code)) for n, code in codes.items())
    programme = Programme("load", "Blower exam", "Harrow Lane Trade School", "exam", 60, candidates, plans, None, rules)
    return make_folder(root, programme, codes), tuple(walkers)


def run(
    people: int, every: float, seconds: float, *, rules: Rules | None = None, most: int = 4096, slower: float = 0.0,
    longest: int = 400,
) -> Load:  # fmt: skip
    """Let `people` act every `every` s (0: as soon as they are answered) for `seconds`, at most `longest` acts each."""
    with tempfile.TemporaryDirectory(dir=_disk()) as base:
        folder, walkers = hall(Path(base) / "exam", people, rules or Rules())
        options = json.dumps({"most": most, "slower": slower})
        with _process("load_service.py", str(folder.root), options) as service, _process("load_clients.py") as clients:
            assert service.stdout and clients.stdin and clients.stdout
            address = service.stdout.readline().strip()
            acts = min(longest, int(seconds / every) + 1) if every else longest
            order = Order(address, walkers, every, seconds, acts)
            clients.stdin.write(msgspec.json.encode(order).decode() + "\n")
            clients.stdin.flush()
            if clients.stdout.readline().strip() != "ready":
                raise RuntimeError("the candidates did not get in; what they said stands above")
            service.send_signal(signal.SIGUSR1)  # count from here
            before, started = _used(service.pid), time.monotonic()
            clients.stdin.write("go\n")
            clients.stdin.flush()
            told = json.loads(clients.stdout.readline())
            after, took = _used(service.pid), time.monotonic() - started
            service.send_signal(signal.SIGTERM)
            said = json.loads(service.stdout.readline())
            service.wait(30)
        return Load(
            told["counts"], told["twice"], told["seconds"], tuple(told["waits"]), tuple(said["ready"]), said["missed"],
            (after[0] - before[0]) / took, (after[1] - before[1]) / took, after[2], _unlike(folder, told["ends"]),
            os.getloadavg()[0],
        )  # fmt: skip


def _disk() -> str | None:
    """A folder on a disk: `/tmp` may be memory, `/var/tmp` is none."""
    return "/var/tmp" if Path("/var/tmp").is_dir() else None


@contextmanager
def _process(script: str, *arguments: str) -> Iterator[subprocess.Popen[str]]:
    """A script beside this one as a process, ended afterwards whatever happens."""
    paths = os.pathsep.join((str(TESTS), *filter(None, (os.environ.get("PYTHONPATH"),))))
    made = subprocess.Popen(
        [sys.executable, str(TESTS / "exam" / script), *arguments], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
        env={**os.environ, "PYTHONPATH": paths},
    )  # fmt: skip
    try:
        yield made
    finally:
        made.kill()
        made.wait()
        for pipe in (made.stdin, made.stdout):
            if pipe is not None:
                pipe.close()


def _used(pid: int) -> tuple[float, float, int]:
    """Processor seconds of a process and its children together, those of the children alone, and the memory (bytes) of all."""
    own = psutil.Process(pid)
    every = [own, *own.children(recursive=True)]
    times = [sum(p.cpu_times()[:2]) for p in every]
    return sum(times), sum(times[1:]), sum(p.memory_info().rss for p in every)


def _unlike(folder: ExamFolder, ends: Mapping[str, tuple[int, str]]) -> tuple[str, ...]:
    """The attempts whose journal does not end where their page was told."""
    journal = folder.journal()
    try:
        found = []
        for attempt, (acts, receipt) in ends.items():
            last = journal.acts(attempt)[-1]
            if last.seq != acts or (acts and json.loads(last.line)["chain"] != receipt):
                found.append(attempt)
        return tuple(found)
    finally:
        journal.close()
