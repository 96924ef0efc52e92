"""A notebook made anew from the release: whatever was handed in, the release decides what there is."""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import Any

import nbformat
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from nbformat.v4 import new_code_cell
from small_class import NAME

from blowergrade.classwork.folder import ClassFolder
from blowergrade.classwork.rebuild import LONGEST, read_notebook, rebuilt


@pytest.fixture(scope="module")
def release(made_class: Path) -> Any:
    """The released notebook."""
    return nbformat.read(made_class / "release" / NAME / f"{NAME}.ipynb", as_version=4)


def solution(text: str, grade_id: object = "personal-code") -> Any:
    return new_code_cell(text, metadata={"nbgrader": {"grade_id": grade_id, "solution": True}})


def student(*cells: Any) -> Any:
    return nbformat.v4.new_notebook(cells=list(cells))


def own(book: Any) -> str:
    return str(next(c.source for c in book.cells if c.metadata.get("nbgrader", {}).get("solution")))


def test_the_text_of_a_solution_cell_is_carried_over_and_nothing_else(release: Any) -> None:
    mine = solution('code = "MINE"')
    mine.metadata["mine"] = "kept?"
    mine.outputs = [nbformat.v4.new_output("stream", text="100")]
    made, notes = rebuilt(release, student(new_code_cell("import os"), mine, new_code_cell("more")))
    assert own(made) == 'code = "MINE"' and notes == ()
    for cell, was in zip(made.cells, release.cells, strict=True):
        assert (cell.cell_type, cell.id, cell.metadata) == (was.cell_type, was.id, was.metadata)
        assert cell.get("outputs", []) == [] and (cell.source == was.source or cell.metadata.nbgrader.solution)
    assert own(release) != 'code = "MINE"', "the release itself is left alone"


@pytest.mark.parametrize(
    ("cells", "text", "noted"),
    [
        ((), None, False),
        ((solution("a"), solution("a")), "a", False),  # the same twice is still one text
        ((solution("a"), solution("b")), None, True),
        ((solution("x" * (LONGEST + 1)),), None, True),
        ((solution("x" * LONGEST),), "x" * LONGEST, False),
        ((solution("a", "part-safety"),), None, False),
        ((solution("a", ["personal-code"]), solution("b", 7)), None, False),
        ((new_code_cell("a", metadata={"nbgrader": "personal-code"}),), None, False),
        ((new_code_cell("a", metadata={"nbgrader": None}),), None, False),
    ],
)
def test_what_is_doubtful_leaves_the_releases_text(release: Any, cells: tuple[Any, ...], text: str | None, noted: bool) -> None:
    made, notes = rebuilt(release, student(*cells))
    assert own(made) == (own(release) if text is None else text) and bool(notes) is noted


def test_a_notebook_that_could_not_be_read_gives_the_release_with_a_note(release: Any) -> None:
    made, notes = rebuilt(release, None)
    assert made == release and "could not be read" in notes[0]


_json = st.recursive(
    st.none() | st.booleans() | st.integers() | st.text(max_size=5) | st.sampled_from(["code", "personal-code", "nbgrader"]),
    lambda inner: st.lists(inner, max_size=3)
    | st.dictionaries(
        st.sampled_from(["cells", "metadata", "nbgrader", "grade_id", "source", "cell_type", "id"]), inner, max_size=5
    ),
    max_leaves=25,
)


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(cells=_json, metadata=_json, minor=st.sampled_from([0, 4, 5, 6, "5", None]))
@pytest.mark.filterwarnings("ignore")
def test_no_json_in_a_notebooks_place_raises_or_changes_what_there_is(
    release: Any, tmp_path: Path, cells: Any, metadata: Any, minor: Any
) -> None:
    file = tmp_path / "x.ipynb"
    file.write_text(json.dumps({"cells": cells, "metadata": metadata, "nbformat": 4, "nbformat_minor": minor}))
    made, _ = rebuilt(release, read_notebook(file))
    assert [(c.id, c.cell_type, c.metadata) for c in made.cells] == [(c.id, c.cell_type, c.metadata) for c in release.cells]
    nbformat.validate(made)


def test_links_pipes_folders_and_huge_files_are_not_read(folder: ClassFolder, tmp_path: Path) -> None:
    good = folder.root / "release" / NAME / f"{NAME}.ipynb"
    (tmp_path / "link.ipynb").symlink_to(good)
    (tmp_path / "folder.ipynb").mkdir()
    with (tmp_path / "huge.ipynb").open("wb") as out:
        out.truncate(20_000_001)
    if hasattr(os, "mkfifo"):
        os.mkfifo(tmp_path / "pipe.ipynb")
    assert [p.name for p in sorted(tmp_path.glob("*.ipynb")) if read_notebook(p) is not None] == []
    assert read_notebook(good) is not None
