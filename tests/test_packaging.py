"""What is delivered: the checkout's shape, and a wheel that plays a call on a machine of its own."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import venv
import zipfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
TOP = {"README.md", "DEVELOPERS.md", "pyproject.toml", "lessons", "widgets", "grading", "tests", "datasets"}
PACKAGES = {"blowerdata", "blowerbench", "blowergrade", "blowerlessons"}
MIB = 1 << 20


def delivered() -> list[Path]:
    """The files that are tracked or would be: whatever git does not ignore."""
    command = ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard"]
    listed = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=True).stdout
    return [Path(name) for name in listed.split("\0") if name and (ROOT / name).exists()]


def test_the_top_of_the_checkout_holds_only_what_belongs_there() -> None:
    top = {path.parts[0] for path in delivered()}
    assert top >= {"pyproject.toml", "lessons", "widgets", "grading", "tests", "datasets"}
    assert {name for name in top if not name.startswith(".")} <= TOP


def test_no_delivered_file_is_larger_than_a_mebibyte() -> None:
    assert [path.as_posix() for path in delivered() if (ROOT / path).stat().st_size > MIB] == []


def test_no_built_notebook_is_tracked() -> None:
    tracked = subprocess.run(
        ["git", "ls-files", "*.ipynb"], cwd=ROOT, capture_output=True, text=True, check=True
    )
    assert tracked.stdout == ""


def test_every_file_name_can_live_on_every_system() -> None:
    names = [path.as_posix() for path in delivered()]
    assert [name for name in names if set(name) & set(':*?"<>|\\')] == []
    assert len({name.lower() for name in names}) == len(names), "names that differ in case only"
    assert [name for name in names if (ROOT / name).is_symlink()] == []


@dataclass(frozen=True, slots=True)
class Installed:
    """A wheel, and the fresh environment outside the checkout that it was installed into."""

    wheel: Path
    scripts: Path

    def run(self, name: str, *arguments: str | Path, cwd: Path) -> subprocess.CompletedProcess[str]:
        """Run one of its console commands away from the checkout, with nothing of this run's settings."""
        keep = {
            name: value for name, value in os.environ.items() if name not in {"PYTHONPATH", "VIRTUAL_ENV"}
        }
        command = [str(self.scripts / name), *map(str, arguments)]
        return subprocess.run(
            command,
            cwd=cwd,
            env=keep,
            capture_output=True,
            encoding="utf-8",
            stdin=subprocess.DEVNULL,
            check=False,
        )


def checked(command: Sequence[str | Path]) -> None:
    """Run `command`; its whole output is the failure when it fails."""
    done = subprocess.run([str(part) for part in command], capture_output=True, text=True, check=False)
    assert done.returncode == 0, f"{command}\n{done.stdout[-3000:]}\n{done.stderr[-3000:]}"


@pytest.fixture(scope="module")
def installed(tmp_path_factory: pytest.TempPathFactory) -> Installed:
    """The wheel of this tree in a fresh virtual environment, with the pinned versions."""
    folder = tmp_path_factory.mktemp("elsewhere")
    assert ROOT not in folder.parents
    pip: list[str | Path] = [sys.executable, "-m", "pip", "--disable-pip-version-check", "--no-input"]
    checked([*pip, "wheel", "-q", "--no-deps", "--no-build-isolation", "-w", folder, ROOT])
    (wheel,) = folder.glob("*.whl")
    place = folder / "venv"
    venv.create(
        place, symlinks=os.name != "nt"
    )  # this run's pip fills it: a second pip would take seconds to unpack
    scripts = place / ("Scripts" if os.name == "nt" else "bin")
    target: list[str | Path] = ["--python", scripts / ("python.exe" if os.name == "nt" else "python")]
    checked([*pip, *target, "install", "-q", "--no-compile", "-c", ROOT / ".ci" / "constraints.txt", wheel])
    return Installed(wheel, scripts)


@pytest.mark.slow
def test_the_wheel_holds_the_four_packages_and_their_data(installed: Installed) -> None:
    with zipfile.ZipFile(installed.wheel) as wheel:
        names = wheel.namelist()
        (metadata,) = (wheel.read(name).decode() for name in names if name.endswith(".dist-info/METADATA"))
    top = {name.split("/")[0] for name in names}
    assert {name for name in top if not name.endswith(".dist-info")} == PACKAGES
    assert {f"{package}/py.typed" for package in PACKAGES} <= set(names)
    data = [path.relative_to("datasets").as_posix() for path in delivered() if path.parts[0] == "datasets"]
    course = [
        path.relative_to("lessons").as_posix()
        for path in delivered()
        if path.parts[:2] == ("lessons", "blowerlessons")
    ]
    assert data
    assert set(data) | set(course) <= set(names)
    assert "License-Expression: Apache-2.0 AND CC-BY-4.0" in metadata


@pytest.mark.slow
def test_an_installed_wheel_plays_a_whole_call_and_writes_the_graded_report(
    installed: Installed, tmp_path: Path
) -> None:
    report = tmp_path / "report"
    played = installed.run("blowergrade", "demo", "--out", report, cwd=tmp_path)
    assert played.returncode == 0, played.stdout + played.stderr
    assert played.stdout.strip(), "the call is played in the terminal"
    pages = list(report.rglob("*.html"))
    sheets = [json.loads(file.read_text(encoding="utf-8")) for file in report.rglob("*.json")]
    assert pages
    assert all("<html" in page.read_text(encoding="utf-8") for page in pages)
    assert sheets
    assert all(sheets), "a sheet that says something"


@pytest.mark.slow
def test_an_installed_wheel_makes_a_workspace_and_keeps_what_a_student_wrote(
    installed: Installed, tmp_path: Path
) -> None:
    workspace = tmp_path / "course"
    made = installed.run("blowerbench", "course", workspace, cwd=tmp_path)
    assert made.returncode == 0, made.stdout + made.stderr
    notebooks = sorted(workspace.rglob("*.ipynb"))
    assert notebooks
    cells = json.loads(notebooks[0].read_text(encoding="utf-8"))
    cells["cells"][0]["source"] = "what a student wrote"
    notebooks[0].write_text(json.dumps(cells), encoding="utf-8")
    again = installed.run("blowerbench", "course", workspace, cwd=tmp_path)
    assert again.returncode == 0, again.stdout + again.stderr
    assert "what a student wrote" in notebooks[0].read_text(encoding="utf-8")
