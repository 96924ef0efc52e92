"""Open the course: `python3 lessons/start.py`, with nothing but Python 3.11 or newer.

Makes `.venv` beside pyproject.toml when there is none, installs the project into it, makes or updates the
workspace and opens JupyterLab on it. Rule: only the standard library at import, and nothing is installed when
what is there already satisfies pyproject.toml and .ci/constraints.txt, so a second start needs no network.
"""

from __future__ import annotations

import argparse
import gettext
import hashlib
import importlib.util
import json
import os
import shutil
import subprocess
import sys
from collections.abc import Iterable, Sequence
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
VENV = ROOT / ".venv"
CONSTRAINTS = ROOT / ".ci" / "constraints.txt"
STAMP = VENV / "installed.json"
LOG = VENV / "install.log"
OLDEST = (3, 11)
BUILD_TOOLS = (
    "hatchling",
    "editables",
)  # installed first, pinned, so that building asks for nothing unpinned

_ = gettext.translation("blowerbench", ROOT / "widgets" / "blowerbench" / "locale", fallback=True).gettext


class SetupError(Exception):
    """The set-up cannot go on; the message says why, and what to do about it."""


def main(arguments: Sequence[str] | None = None) -> int:
    """Set up and do what the options ask; the exit code of what was run last, 2 when the set-up failed."""
    options, for_jupyter = parser().parse_known_args(arguments)
    try:
        require_python()
        if options.demo:
            if for_jupyter:
                parser().error(_("--demo does not take {options}").format(options=" ".join(for_jupyter)))
            set_up(())
            return run([script("blowergrade"), "demo", "--out", options.out])
        folder = workspace_folder(options.folder)
        set_up(("notebook",))
        code = run([script("blowerbench"), "course", folder])
        if code:
            complaint = _("The workspace {folder} could not be made; the reason is above.")
            raise SetupError(complaint.format(folder=folder))
        keep_offline()
        jupyter: list[str | Path] = [python(), "-m", "jupyterlab"]
        if options.check:
            answer = subprocess.run([*jupyter, "--version"], capture_output=True, text=True, check=False)
            ready = _("Ready: JupyterLab {version}.").format(version=answer.stdout.strip())
            say(answer.stderr if answer.returncode else ready)
            return answer.returncode
        if hasattr(os, "geteuid") and os.geteuid() == 0:
            for_jupyter.append(
                "--allow-root"
            )  # containers and some lab machines; JupyterLab refuses otherwise
        return run([*jupyter, f"--ServerApp.root_dir={folder}", *for_jupyter], cwd=folder)
    except SetupError as error:
        say(str(error))
        return 2
    except KeyboardInterrupt:
        return 130


def keep_offline() -> None:
    """Tell this venv's JupyterLab to ask no server for news or updates; a person can still change it in its settings."""
    settings = VENV / "share" / "jupyter" / "lab" / "settings" / "overrides.json"
    settings.parent.mkdir(parents=True, exist_ok=True)
    wanted = {"@jupyterlab/apputils-extension:notification": {"fetchNews": "false", "checkForUpdates": False}}
    settings.write_text(json.dumps(wanted, indent=1), encoding="utf-8")


def parser() -> argparse.ArgumentParser:
    """The options of this command."""
    made = argparse.ArgumentParser(
        prog="start.py",
        allow_abbrev=False,
        description=_("Set up the course and open it. Options that are not listed here go to JupyterLab."),
    )
    made.add_argument(
        "--folder",
        type=Path,
        default=Path.home() / "blower-course",
        help=_(
            "the folder of your workspace; your own work in it is never overwritten (default: %(default)s)"
        ),
    )
    what = made.add_mutually_exclusive_group()
    what.add_argument("--check", action="store_true", help=_("set everything up, open nothing"))
    what.add_argument(
        "--demo",
        action="store_true",
        help=_("play one whole service call in the terminal and write its graded report; no browser needed"),
    )
    made.add_argument(
        "--out",
        type=lambda text: Path(text).expanduser().resolve(),
        default=Path("blower-demo").resolve(),
        help=_("the folder of the demo's report (default: %(default)s)"),
    )
    return made


def workspace_folder(asked: Path) -> Path:
    """The absolute folder of the workspace; refused inside the checkout."""
    folder = asked.expanduser().resolve()
    if folder == ROOT or ROOT in folder.parents:
        raise SetupError(
            _(
                "{folder} lies inside the course's own files; choose a folder outside {root}, "
                "such as {example}."
            ).format(folder=folder, root=ROOT, example=Path.home() / "blower-course")
        )
    if folder.exists() and not folder.is_dir():
        raise SetupError(_("{folder} is a file; choose a folder.").format(folder=folder))
    return folder


def require_python(version: tuple[int, ...] = sys.version_info[:2]) -> None:
    """Refuse a Python that is too old or that cannot make virtual environments."""
    if version < OLDEST:
        raise SetupError(
            _(
                "This is Python {have}; the course needs {need} or newer. Install it, then start "
                "with it by name: {example}"
            ).format(
                have=".".join(map(str, version)),
                need=".".join(map(str, OLDEST)),
                example=f"python{OLDEST[0]}.{OLDEST[1]} {Path(sys.argv[0])}",
            )
        )
    missing = [name for name in ("venv", "ensurepip") if importlib.util.find_spec(name) is None]
    if missing and not STAMP.exists():
        raise SetupError(
            _(
                "This Python has no {modules} module. On Debian and Ubuntu: sudo apt-get install {package}"
            ).format(modules="/".join(missing), package=f"python{version[0]}.{version[1]}-venv")
        )


def set_up(extras: Iterable[str]) -> None:
    """Make `.venv` if there is none, and install the project with `extras` unless it is installed already."""
    wanted = set(extras)
    fingerprint = wanted_fingerprint()
    stamp = read_stamp()
    installed = set(stamp["extras"]) if stamp else set()
    usable = venv_python_works()
    if usable and stamp and stamp["fingerprint"] == fingerprint and wanted <= installed:
        return
    if VENV.exists() and not usable:
        raise SetupError(
            _("{venv} has no working Python {need} or newer; delete that folder and start again.").format(
                venv=VENV, need=".".join(map(str, OLDEST))
            )
        )
    say(_("Setting up in {venv}: this takes a few minutes, once.").format(venv=VENV))
    if not VENV.exists():
        make_venv()
    STAMP.unlink(missing_ok=True)  # an interrupted installation must not look like a finished one
    LOG.write_text("", encoding="utf-8")
    everything = sorted(
        wanted | installed
    )  # what is asked for later never takes away what was asked for before
    pip("install", "-c", CONSTRAINTS, *BUILD_TOOLS, *requirements(everything))
    pip("install", "--no-deps", "--no-build-isolation", "-e", ROOT)
    content = json.dumps({"fingerprint": fingerprint, "extras": everything}, indent=1)
    temporary = STAMP.with_suffix(".new")
    temporary.write_text(content, encoding="utf-8")
    temporary.replace(STAMP)
    say(_("Set up."))


def requirements(extras: Iterable[str]) -> list[str]:
    """What pyproject.toml asks for, with these of its extras."""
    import tomllib  # not at the top: an older Python must come as far as being refused by name

    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    optional: dict[str, list[str]] = project["optional-dependencies"]
    return [*project["dependencies"], *(name for extra in extras for name in optional[extra])]


def wanted_fingerprint() -> str:
    """A digest of all that an installation depends on, its place too: an editable install names it."""
    digest = hashlib.sha256()
    for part in (str(ROOT).encode(), (ROOT / "pyproject.toml").read_bytes(), CONSTRAINTS.read_bytes()):
        digest.update(hashlib.sha256(part).digest())
    return digest.hexdigest()


def read_stamp() -> dict[str, list[str] | str] | None:
    """What the last finished installation wrote down, None when there is none that can be read."""
    try:
        stamp = json.loads(STAMP.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    return stamp if isinstance(stamp, dict) and set(stamp) == {"fingerprint", "extras"} else None


def make_venv() -> None:
    """Make `.venv`, or leave nothing behind."""
    made = subprocess.run(
        [sys.executable, "-m", "venv", str(VENV)], capture_output=True, text=True, check=False
    )
    if made.returncode:
        shutil.rmtree(VENV, ignore_errors=True)
        raise SetupError(
            _("A virtual environment could not be made in {venv}:\n{reason}").format(
                venv=VENV, reason=(made.stderr or made.stdout).strip()
            )
        )


def venv_python_works() -> bool:
    """Whether `.venv` has a Python that starts and is new enough."""
    if not python().exists():
        return False
    question = f"import sys; sys.exit(sys.version_info[:2] < {OLDEST})"
    return subprocess.run([str(python()), "-c", question], capture_output=True, check=False).returncode == 0


def python() -> Path:
    """The Python of `.venv`."""
    return VENV / ("Scripts/python.exe" if os.name == "nt" else "bin/python")


def script(name: str) -> Path:
    """A console command of the project, as installed in `.venv`."""
    return VENV / (f"Scripts/{name}.exe" if os.name == "nt" else f"bin/{name}")


def pip(*arguments: str | Path) -> None:
    """Run pip in `.venv`, telling what it fetches; everything it says goes to the log."""
    if subprocess.run([str(python()), "-m", "pip", "--version"], capture_output=True, check=False).returncode:
        subprocess.run([str(python()), "-m", "ensurepip", "--default-pip"], capture_output=True, check=False)
    command = [str(python()), "-m", "pip", "--no-input", "--disable-pip-version-check", *map(str, arguments)]
    environment = {**os.environ, "PYTHONUTF8": "1", "PIP_PROGRESS_BAR": "off", "PIP_USER": "0"}
    said: list[str] = []
    running = subprocess.Popen(
        command,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        encoding="utf-8",
        errors="replace",
        env=environment,
    )
    with LOG.open("a", encoding="utf-8") as log:
        for line in running.stdout or ():
            log.write(line)
            said.append(line.rstrip())
            if line.startswith(("Collecting ", "Installing collected")) and sys.stderr.isatty():
                sys.stderr.write(f"\r\033[K  {line.strip()[:70]}")
                sys.stderr.flush()
    running.wait()
    if sys.stderr.isatty():
        sys.stderr.write("\r\033[K")
    if running.returncode:
        raise SetupError(why_pip_failed(said))


def why_pip_failed(said: Sequence[str]) -> str:
    """A message from what pip said: the likely reason, and in any case its last words."""
    text = "\n".join(said)
    offline = (
        "Retrying (Retry(",
        "NewConnectionError",
        "NameResolutionError",
        "No matching distribution found",
    )
    if "No space left on device" in text:
        reason = _("The disk is full: the course needs about 1.5 GB.")
    elif any(sign in text for sign in offline):
        reason = _(
            "The packages could not be fetched. The first start needs a network connection "
            "(later ones do not); check it and start again."
        )
    else:
        reason = _("The packages could not be installed.")
    last = "\n".join(f"  {line}" for line in said[-12:] if line)
    return _("{reason}\n{last}\nEverything is in {log}").format(reason=reason, last=last, log=LOG)


def run(command: Sequence[str | Path], cwd: Path | None = None) -> int:
    """Run `command` in the foreground; its exit code."""
    if not Path(command[0]).exists():
        raise SetupError(
            _("{command} is not there; delete {venv} and start again.").format(command=command[0], venv=VENV)
        )
    sys.stdout.flush()
    with subprocess.Popen([str(part) for part in command], cwd=cwd) as running:
        while True:
            try:
                return running.wait()
            except KeyboardInterrupt:
                continue  # the terminal interrupts the program itself too; it decides when to end


def say(text: str) -> None:
    """Tell the person at the terminal; never on standard output, which may be read by a program."""
    print(text, file=sys.stderr, flush=True)


if __name__ == "__main__":
    sys.exit(main())
