"""The packages import one way only, no modules import in a circle, and the bench needs no notebook."""

from __future__ import annotations

import ast
import subprocess
import sys
from collections.abc import Iterable, Mapping
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
#: Lowest first: a package imports only from those before it.
LAYERS = {
    "blowerdata": ROOT / "datasets",
    "blowerbench": ROOT / "widgets",
    "blowergrade": ROOT / "grading",
    "blowerlessons": ROOT / "lessons",
}
NOTEBOOK = {
    "IPython",
    "anywidget",
    "ipykernel",
    "ipywidgets",
    "matplotlib",
    "nbclient",
    "nbformat",
    "notebook",
    "traitlets",
}


def modules(package: str, base: Path) -> dict[str, Path]:
    """Every module of `package`, by its dotted name."""
    found = {}
    for file in sorted((base / package).rglob("*.py")):
        parts = file.relative_to(base).with_suffix("").parts
        found[".".join(parts[:-1] if parts[-1] == "__init__" else parts)] = file
    return found


def imported(name: str, source: str, is_package: bool, known: Iterable[str]) -> set[str]:
    """What the module `name` imports wherever it does so, type checking apart: whole dotted names.

    `from package import thing` is an import of the module `package.thing` when there is one.
    """
    known = set(known)
    package = name.split(".") if is_package else name.split(".")[:-1]
    found: set[str] = set()
    for node in _running(ast.parse(source)):
        if isinstance(node, ast.Import):
            found.update(alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            above = package[: len(package) - node.level + 1] if node.level else []
            origin = ".".join([*above, *([node.module] if node.module else [])])
            found.update(
                f"{origin}.{alias.name}" if f"{origin}.{alias.name}" in known else origin
                for alias in node.names
            )
    return found


def _running(node: ast.AST) -> Iterable[ast.AST]:
    """`node` and all below it that is ever run: bodies of `if TYPE_CHECKING` are not."""
    yield node
    for child in ast.iter_child_nodes(node):
        if isinstance(child, ast.If) and "TYPE_CHECKING" in ast.unparse(child.test):
            for other in child.orelse:
                yield from _running(other)
        else:
            yield from _running(child)


def a_circle(graph: Mapping[str, set[str]]) -> list[str]:
    """The names along one circle of `graph`, empty when there is none."""
    done: set[str] = set()

    def visit(name: str, path: list[str]) -> list[str]:
        if name in path:
            return [*path[path.index(name) :], name]
        if name in done:
            return []
        for other in sorted(graph.get(name, ())):
            circle = visit(other, [*path, name])
            if circle:
                return circle
        done.add(name)
        return []

    return next((circle for name in sorted(graph) if (circle := visit(name, []))), [])


def against_the_layers(graph: Mapping[str, set[str]]) -> list[str]:
    """Every import that leads from a lower package to a higher one."""
    order = list(LAYERS)
    return [
        f"{name} imports {other}"
        for name, others in sorted(graph.items())
        for other in sorted(others)
        if other.split(".")[0] in order and order.index(other.split(".")[0]) > order.index(name.split(".")[0])
    ]


@pytest.fixture(scope="module")
def graph() -> dict[str, set[str]]:
    files = {name: file for package, base in LAYERS.items() for name, file in modules(package, base).items()}
    return {
        name: imported(name, file.read_text(encoding="utf-8"), file.name == "__init__.py", files)
        for name, file in files.items()
    }


def test_packages_import_only_from_those_below_them(graph: dict[str, set[str]]) -> None:
    assert {name.split(".")[0] for name in graph} == set(LAYERS), "a package without modules proves nothing"
    assert against_the_layers(graph) == []


def test_no_modules_import_in_a_circle(graph: dict[str, set[str]]) -> None:
    assert a_circle(graph) == []


def test_a_circle_and_an_upward_import_would_be_found() -> None:
    known = ["blowerbench", "blowerbench.a", "blowerbench.b", "blowergrade"]
    made = {
        "blowerbench.a": imported("blowerbench.a", "def f():\n    from . import b", False, known),
        "blowerbench.b": imported(
            "blowerbench.b", "from blowerbench.a import x\nimport blowergrade", False, known
        ),
        "blowerbench": imported("blowerbench", "from .a import x", True, known),
    }
    assert a_circle(made) == ["blowerbench.a", "blowerbench.b", "blowerbench.a"]
    assert against_the_layers(made) == ["blowerbench.b imports blowergrade"]


def test_an_import_for_type_checking_alone_is_no_circle() -> None:
    source = (
        "from typing import TYPE_CHECKING\nif TYPE_CHECKING:\n    import blowerbench.b\nelse:\n    import re"
    )
    assert imported("blowerbench.a", source, False, ["blowerbench.b"]) == {"typing", "re"}


def loaded_by(statement: str) -> set[str]:
    """The top-level packages that a fresh interpreter has loaded after `statement`."""
    question = f"import sys; {statement}; print(*sorted({{name.split('.')[0] for name in sys.modules}}))"
    answer = subprocess.run([sys.executable, "-c", question], capture_output=True, text=True, check=True)
    return set(answer.stdout.split())


def is_for_notebooks(package: str) -> bool:
    return package in NOTEBOOK or package.startswith("jupyter")


def test_the_bench_loads_nothing_of_a_notebook() -> None:
    outside_panels = [
        name
        for name in modules("blowerbench", LAYERS["blowerbench"])
        if "panels" not in name.split(".") and not name.endswith("__main__")
    ]
    assert "blowerbench.circuit.solve" in outside_panels
    loaded = loaded_by("import " + ", ".join(["blowerbench", *outside_panels]))
    assert "numpy" in loaded
    assert {package for package in loaded if is_for_notebooks(package)} == set()


def test_a_notebook_package_would_be_seen() -> None:
    assert {"ipywidgets", "IPython", "traitlets"} <= {
        p for p in loaded_by("import ipywidgets") if is_for_notebooks(p)
    }
