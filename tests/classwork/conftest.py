"""A small class, made once: four students, one assignment, hand-ins played by the technician; each test gets a copy."""

from __future__ import annotations

import os
import shutil
import sys
from pathlib import Path

import pytest
from small_class import COMPLAINT, FAULT, FURNACE, NAME, PLAYED, ROSTER, play

from blowergrade.classwork.assign import assign
from blowergrade.classwork.draw import Wanted
from blowergrade.classwork.folder import ClassFolder
from blowergrade.classwork.new import make_class


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """SQLAlchemy warns inside nbgrader 0.9.6's own models; nothing here can change that."""
    for item in items:
        if "classwork" in item.path.parts:
            item.add_marker(pytest.mark.filterwarnings("ignore"))


@pytest.fixture(autouse=True)
def _programs_on_path(monkeypatch: pytest.MonkeyPatch) -> None:
    """nbgrader starts alembic by its name."""
    monkeypatch.setenv("PATH", os.pathsep.join((str(Path(sys.executable).parent), os.environ["PATH"])))
    monkeypatch.delenv("NBGRADER_EXECUTION", raising=False)


@pytest.fixture(scope="session")
def made_class(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The class folder that copies are made of."""
    os.environ["PATH"] = os.pathsep.join((str(Path(sys.executable).parent), os.environ["PATH"]))
    base = tmp_path_factory.mktemp("class")
    (base / "roster.csv").write_text(ROSTER, encoding="utf-8")
    folder = make_class(base / "class", base / "roster.csv", "blowers", "Blower class")
    assign(folder, NAME, Wanted(FURNACE, FAULT, COMPLAINT), title="A fan call", seed=1)
    for student in PLAYED:
        play(folder, student)
    return folder.root


@pytest.fixture
def folder(made_class: Path, tmp_path: Path) -> ClassFolder:
    """A copy of the class for this test alone."""
    shutil.copytree(made_class, tmp_path / "class", symlinks=True)
    return ClassFolder(tmp_path / "class")
