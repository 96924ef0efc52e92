"""Run every check: `python3 tests/run.py`, with nothing but Python 3.11 or newer.

Makes `.venv` when there is none, sees that ngspice and Chromium are there, and runs pytest, of which ruff and
strict type checking are tests too (test_lint.py). One random seed is printed and given to every test in
BLOWER_SEED; set it to repeat a run. Other arguments go to pytest. Fails when anything fails.
"""

from __future__ import annotations

import argparse
import os
import secrets
import shutil
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT / "lessons"))

import start  # noqa: E402  the path above is what makes it importable on a bare Python

EXTRAS = ("fast", "notebook", "exam", "postgresql", "hub", "cluster", "test")
#: Debian package, and the commands that any of its kind may be called by.
SYSTEM = {
    "ngspice": ("ngspice",),
    "chromium": ("chromium", "chromium-browser", "google-chrome"),
    "postgresql": ("initdb",),
}
#: Where Debian keeps a package's own commands that are not on PATH, by version.
BESIDE_PATH = Path("/usr/lib/postgresql")


def main(arguments: Sequence[str] | None = None) -> int:
    """Set up, then test or measure; the exit code to end with."""
    parser = argparse.ArgumentParser(
        prog="run.py", description="Run every check. Other arguments go to pytest.", allow_abbrev=False
    )
    parser.add_argument("--long", action="store_true", help="full counts in place of samples")
    parser.add_argument("--bench", action="store_true", help="print the figures, one JSON object per line")
    options, for_pytest = parser.parse_known_args(arguments)
    try:
        start.require_python()
        start.set_up(EXTRAS)
        require_system()
        environment = test_environment(options.long)
        if options.bench:
            return run(
                [str(start.python()), str(ROOT / "tests" / "bench_figures.py"), *for_pytest], environment
            )
        seed = environment["BLOWER_SEED"]
        start.say(f"random seed {seed}; to repeat: BLOWER_SEED={seed} python3 tests/run.py")
        return run([str(start.python()), "-m", "pytest", *workers(for_pytest), *for_pytest], environment)
    except start.SetupError as error:
        start.say(str(error))
        return 2
    except KeyboardInterrupt:
        return 130


def require_system() -> None:
    """See that the programs which no Python package brings are there; install them where that may be done."""
    missing = [package for package, commands in SYSTEM.items() if not any(map(is_there, commands))]
    if not missing:
        return
    by_hand = f"apt-get install {' '.join(missing)}"
    apt = shutil.which("apt-get")
    if apt is None or not hasattr(os, "geteuid") or os.geteuid() != 0:
        raise start.SetupError(
            f"The tests need {' and '.join(missing)}. On Debian and Ubuntu: sudo {by_hand}; elsewhere "
            f"install them so that they are found on PATH."
        )
    start.say(f"Installing {' and '.join(missing)}")
    environment = {**os.environ, "DEBIAN_FRONTEND": "noninteractive"}
    for command in (["update"], ["install", "-y", "--no-install-recommends", *missing]):
        done = subprocess.run(
            [apt, *command], env=environment, stdout=sys.stderr, stdin=subprocess.DEVNULL, check=False
        )
        if done.returncode:
            raise start.SetupError(f"apt-get {' '.join(command)} failed (above); by hand: {by_hand}")


def is_there(command: str) -> bool:
    """Whether a command is on PATH or where Debian keeps it beside."""
    return shutil.which(command) is not None or any(BESIDE_PATH.glob(f"*/bin/{command}"))


def test_environment(long_run: bool) -> dict[str, str]:
    """What the tests run in: one seed, one thread per linear-algebra library, no settings of this user."""
    seed = os.environ.get("BLOWER_SEED") or str(secrets.randbelow(2**31))
    if not (seed.isascii() and seed.isdigit()):
        raise start.SetupError(f"BLOWER_SEED is {seed!r}; it must be a whole number, such as 12345")
    one_thread = dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"), "1")
    return {
        **os.environ,
        **one_thread,
        "BLOWER_SEED": seed,
        "BLOWER_LONG": "1" if long_run else os.environ.get("BLOWER_LONG", "0"),
        "PYTHONUTF8": "1",
        "MPLBACKEND": "agg",
    }


def workers(for_pytest: Sequence[str]) -> list[str]:
    """Spread over the cores, unless the caller has said how.

    Work stealing keeps neighbours on one worker, so that a module's fixtures are mostly made once, and still
    shares out a long file of many cases.
    """
    if any(argument.startswith(("-n", "--numprocesses", "--pdb", "--dist")) for argument in for_pytest):
        return []
    return ["-n", str(min(os.cpu_count() or 1, 8)), "--dist", "worksteal"]


def run(command: Sequence[str], environment: dict[str, str]) -> int:
    """Run `command` in the checkout; its exit code, nonzero also when a signal ended it."""
    code = subprocess.run(command, cwd=ROOT, env=environment, check=False).returncode
    return code if code >= 0 else 128 - code


if __name__ == "__main__":
    sys.exit(main())
