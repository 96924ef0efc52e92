"""An exam that was sat: a folder whose journal holds the calls of a few candidates of different skill, and is closed.

Rule: every act went through the attempt that the service holds, so that the records are those of an exam.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable, Sequence
from functools import cache
from pathlib import Path
from tempfile import mkdtemp

import msgspec

from blowerbench import LocalBench
from blowerbench import acts as a
from blowerbench.faults import Hypothesis
from blowergrade.classwork.codes import new_code
from blowergrade.exam.attempt import Attempt, Plan
from blowergrade.exam.blueprint import PassRule
from blowergrade.exam.folder import ExamFolder, digest_of, make_folder
from blowergrade.exam.journal import ActRow, Journal
from blowergrade.exam.programme import Candidate, Programme
from blowergrade.exam.sitting import CallBegun, CallEnded, Closed, Connected, Opened, SignedIn, Started, Submitted
from blowergrade.technicians import Technician

FURNACE = "furnace_120_constant_airflow"
CALLS = (("wall_G_open", "no_fan_new_thermostat"), ("wall_G_open", "no_fan_new_thermostat"))
T0 = 1_800_000_000_000  # ms: a day in 2027
NAMES = {"c01": "Robin Ashdown", "c02": "=cmd|' /C calc'!A0", "c03": "Łukasz Жукова 王小明", "c04": "Nobody Came"}


def careful(bench: LocalBench) -> None:
    """Works as taught."""
    Technician(bench).work()


def reckless(bench: LocalBench) -> None:
    """Works as taught, but first pulls a plug with the power on."""
    bench.act(a.SetDoor(False))
    bench.act(a.HoldDoorSwitch(True))
    bench.act(a.Unplug("power_plug"))
    bench.act(a.PlugIn("power_plug"))
    bench.act(a.HoldDoorSwitch(False))
    bench.act(a.SetDoor(True))
    careful(bench)


def gives_up(bench: LocalBench) -> None:
    """Looks around and leaves."""
    bench.act(a.SetThermostat("fan"))
    bench.act(a.Wait(60))


WORKS: dict[str, tuple[Callable[[LocalBench], None], ...]] = {
    "c01": (careful, careful), "c02": (careful, reckless), "c03": (careful, gives_up), "c04": (),
}  # fmt: skip


def programme(
    calls: Sequence[tuple[str, str]] = CALLS, names: dict[str, str] | None = None
) -> tuple[Programme, dict[str, str]]:
    """A plan for everybody in `names` with the same calls, and the codes."""
    people = NAMES if names is None else names
    codes = {n: new_code() for n in people}
    candidates = tuple(Candidate(n, name, digest_of(codes[n]), form="A") for n, name in people.items())
    plans = {
        n: tuple(
            Plan(f"{n}/call-{k}", FURNACE, f"{fault}/0", complaint, f"exam-{n}-{k}", "en", "may", n, f"item-{k}", "command", 2)
            for k, (fault, complaint) in enumerate(calls, 1)
        )
        for n in people
    }
    made = Programme(
        "may", "Blower exam", "Harrow Lane Trade School", "exam", 60, candidates, plans, passing=PassRule(70, len(calls))
    )
    return made, codes


def sit(journal: Journal, plan: Plan, work: Callable[[LocalBench], None], at: int) -> None:
    """Let `work` play the call of `plan`; its acts go through an attempt into the journal."""
    fault, _, severity = plan.fault.partition("/")
    bench = LocalBench(plan.equipment, Hypothesis(fault, int(severity)), plan.complaint, variant=plan.variant)
    work(bench)
    attempt = Attempt(plan)
    acts = [msgspec.to_builtins(line.act) for line in bench.lines]
    answers = [attempt.begin(), *(attempt.act(f"page:{n:05}", act) for n, act in enumerate(acts, 1))]
    rows = [k for answer in answers for k in answer.lines]
    for k in rows:
        done = journal.add_act(ActRow(plan.attempt, k.seq, k.intent, k.digest, k.line, at + 1000 * k.seq))
    done.result()


@cache
def _once() -> Path:
    root = Path(mkdtemp(prefix="sat-exam-")) / "may"
    made, codes = programme()
    folder = make_folder(root, made, codes)
    journal = folder.journal()
    at = T0
    journal.add_event(Opened(), at)
    for name, works in WORKS.items():
        if not works:
            continue
        for event in (SignedIn(name), Connected(name), Started(name, 3600)):
            journal.add_event(event, at := at + 1000)
        for plan, work in zip(made.plans[name], works, strict=True):
            call = plan.attempt.partition("/")[2]
            journal.add_event(CallBegun(name, call), at := at + 1000)
            sit(journal, plan, work, at)
            journal.add_event(CallEnded(name, call), at := at + 600_000)
        journal.add_event(Submitted(name, "candidate"), at := at + 1000)
    _, done = journal.add_event(Closed(), at + 1000)
    done.result()
    journal.close()
    return root


def sat_exam(place: Path) -> ExamFolder:
    """A copy of the sat exam in `place`."""
    shutil.copytree(_once(), place / "may")
    return ExamFolder(place / "may")
