"""What the tests of the lessons share: the lessons by name, their notebooks in a kernel, and measures of their prose."""

from __future__ import annotations

import ast
import os
import re
from functools import cache
from pathlib import Path
from typing import Any

import nbformat
from nbclient import NotebookClient

from blowerlessons.build import Lesson, as_bytes, lesson_numbered, names

ROOT = Path(__file__).resolve().parents[1]
PACKAGES = os.pathsep.join(str(ROOT / p) for p in ("datasets", "widgets", "grading", "lessons"))
#: Every lesson text of the course, by name; "01-title.es" is the Spanish text of "01-title".
NAMES = names()
CAPSTONE = "13"

UNITS = (
    "mV|kV|V|VAC|VDC|VA|mA|A|W|kW|ohms?|kohm|kilohms?|Mohm|megohms?|Hz|cfm|in\\. w\\.c\\.|°F|°C|rpm|µF|Btu/h|ppm|AWG|joules?"
)
NUMBER = r"(?<![\w.])\d+(?:[.,]\d+)*"
#: A number, or a range of two, with its unit.
WITH_UNIT = re.compile(rf"{NUMBER}(?: (?:to|a) {NUMBER})? (?:{UNITS})(?!\w)")


@cache
def lesson_named(name: str) -> Lesson:
    """The lesson text `name`."""
    key, _, language = name.partition(".")
    return lesson_numbered(key[:2], language or "en")


def tagged(built: dict[str, Any], tag: str) -> list[dict[str, Any]]:
    """The cells of a built notebook that have `tag`."""
    return [c for c in built["cells"] if tag in c["metadata"].get("tags", ())]


def code_of(built: dict[str, Any]) -> dict[str, str]:
    """The sources of the code cells, by cell name."""
    return {c["id"]: "".join(c["source"]) for c in built["cells"] if c["cell_type"] == "code"}


def read_notebook(text: str) -> Any:
    """`text` as a notebook."""
    read: Any = nbformat.reads(text, as_version=4)
    return read


def run(built: dict[str, Any], folder: Path) -> Any:
    """`built` executed in a kernel of its own, with `folder` as its working directory."""
    read = read_notebook(as_bytes(built).decode())
    client = NotebookClient(read, timeout=240, kernel_name="python3", resources={"metadata": {"path": str(folder)}})
    client.execute(env={**os.environ, "PYTHONPATH": PACKAGES, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"})
    return read


def verdicts(executed: Any) -> dict[str, bool]:
    """Whether each check of an executed notebook passed, by cell id."""
    found = {}
    for cell in executed.cells:
        if "check" in cell.metadata.get("tags", ()):
            text = "".join(o.data["text/plain"] for o in cell.outputs if o.output_type == "execute_result")
            assert text[:1] in ("✔", "✘"), (cell.id, cell.outputs)
            found[cell.id] = text.startswith("✔")
    return found


def numbers(text: str) -> set[str]:
    """The numbers with units in `text`."""
    return {re.sub(r"\s+", " ", x) for x in WITH_UNIT.findall(re.sub(r"\s+", " ", text))}


# ---------------------------------------------------------------------- code in two languages
class _Blank(ast.NodeTransformer):
    def visit_Constant(self, node: ast.Constant) -> ast.Constant:
        return ast.Constant(value="") if isinstance(node.value, str) else node

    def visit_JoinedStr(self, node: ast.JoinedStr) -> ast.AST:
        values = sorted((v for v in node.values if isinstance(v, ast.FormattedValue)), key=ast.dump)
        return ast.JoinedStr(values=list(values))


def wordless(source: str) -> str:
    """Python `source` as a tree without comments and with every text blank: what two languages of one cell share."""
    return ast.dump(_Blank().visit(ast.parse(source)))
