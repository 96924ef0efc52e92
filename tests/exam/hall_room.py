"""An exam for tests: invented candidates, a few calls each, rules of one's choice."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from blowergrade.classwork.codes import new_code
from blowergrade.exam.attempt import Plan
from blowergrade.exam.folder import ExamFolder, digest_of, make_folder
from blowergrade.exam.programme import Accommodation, Candidate, Programme, Rules

FURNACE = "furnace_120_constant_airflow"
CALLS = (("wall_G_open", "nothing_blows"), ("control_fan_pin_out", "nothing_blows"))
#: Rules that wait for nothing, for tests of something else.
AT_ONCE = Rules(tick_ms=0, guard_ms=0, rate=0.0, solvers=0, sign_seconds=0.5)


def room(
    root: Path, people: int = 2, *, rules: Rules = AT_ONCE, minutes: int = 60, calls: Sequence[tuple[str, str]] = CALLS,
    kind: str = "exam", extra: Sequence[int] = (), language: str = "en",
    languages: Sequence[str] = (), called: Sequence[str] = (),
) -> ExamFolder:  # fmt: skip
    """A folder with `people` candidates c01, c02, …, each with `calls` as items k1, k2, …

    `extra` time in percent, `languages` and names (`called`) are the first candidates'; for the others the defaults hold.
    """
    names = [f"c{k:02d}" for k in range(1, people + 1)]
    codes = {n: new_code() for n in names}
    tongues = {n: languages[k] if k < len(languages) else language for k, n in enumerate(names)}
    candidates = tuple(
        Candidate(n, called[k] if k < len(called) else f"Person {n}", digest_of(codes[n]), language=tongues[n],
                  accommodation=Accommodation(extra_percent=extra[k] if k < len(extra) else 0))
        for k, n in enumerate(names)
    )  # fmt: skip
    plans = {
        n: tuple(
            Plan(f"{n}/k{j}", FURNACE, fault, complaint, f"exam-{n}-{j}", tongues[n], "test-sitting", n)
            for j, (fault, complaint) in enumerate(calls, 1)
        )
        for n in names
    }
    trying = Plan("trying", FURNACE, "healthy_unit", "nothing_blows", "trying-out")
    programme = Programme(
        "test-sitting", "Blower exam", "Harrow Lane Trade School", "exam" if kind == "exam" else "class", minutes, candidates,
        plans, trying, rules,
    )  # fmt: skip
    return make_folder(root, programme, codes)
