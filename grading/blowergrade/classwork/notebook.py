"""The notebook of an assignment, as nbgrader's source: instructions, code, bench, hand-in, and a grade cell per part.

Rule: it holds no fault and no answer. A grade cell only raises: without our grader it earns 0, never full marks.
"""

from __future__ import annotations

from typing import Any

import msgspec
import nbformat

from blowergrade.classwork.folder import Assignment
from blowergrade.classwork.outcome import PARTS
from blowergrade.rubric import load_rubric

#: nbgrader's metadata format.
SCHEMA = 3
PLACEHOLDER = 'raise NotImplementedError("{0} is graded from the call record by `blowergrade class grade`")'
_TITLES = {"safety": "Safety", "isolation": "Isolation", "repair": "Repair and verification", "write_up": "Write-up"}

_BEFORE = """# {title}

A customer has called. Find out what is wrong, safely, by measuring; put it right, verify it, and write it up.

1. Run the first cell.
2. Put your **personal code** into the second cell, in quotes, and run it.
3. Run the third cell and work in the panel. Every act is written to `call.jsonl` beside this notebook at once. If you stop
   and come back, run the cells again and go on where you were.
4. When you have handed the unit back, run the last code cell and hand in the zip file that it makes.

What is graded, in this order: **safety** ({safety} points; one critical act fails the call), **isolation** ({isolation}),
**repair and verification** ({repair}), **write-up** ({write_up}). There is no coach and nothing can be taken back.

> **Work dead.** Lock, tag, prove dead on every pair. **Gas smell or CO alarm:** stop, touch no switch, leave, call.
> The equipment is invented. Practice on it does not replace supervised work on live equipment. Follow your local codes, the
> unit's own instructions and the rules of licensed practice.
"""
_BEFORE_SUPERVISED = """# {title}

A customer has called. Find out what is wrong, safely, by measuring; put it right, verify it, and write it up.

1. Run the first cell.
2. Run the second cell and type your **personal code** where it asks. The code is not kept in this notebook.
3. Work in the panel. The unit stands at your school's service, and every act is kept there at once. If you stop and come back,
   run the cells again and go on where you were. If the connection fails, do the last act again: nothing is done twice.
4. When you have handed the unit back you are done: nothing has to be handed in. The last code cell prints a receipt for you.

What is graded, in this order: **safety** ({safety} points; one critical act fails the call), **isolation** ({isolation}),
**repair and verification** ({repair}), **write-up** ({write_up}). There is no coach and nothing can be taken back. Your
instructor sees how far you are, and whether something unsafe was done.

> **Work dead.** Lock, tag, prove dead on every pair. **Gas smell or CO alarm:** stop, touch no switch, leave, call.
> The equipment is invented. Practice on it does not replace supervised work on live equipment. Follow your local codes, the
> unit's own instructions and the rules of licensed practice.
"""
_SETUP = """from blowerbench.homework import hand_in, open_assignment, show_panel"""
_SETUP_SUPERVISED = """from blowerbench.homework import open_supervised, receipt, show_panel"""
TRUST = "service.pem"  # the service's certificate, beside a supervised notebook
CODE_STUB = 'code = "..."  # your personal code, between the quotes'
_BENCH = """bench = open_assignment("sealed.json", code)
show_panel(bench)"""
_BENCH_SUPERVISED = """bench = open_supervised({url}, {name}{trust})
show_panel(bench)"""
_HAND_IN = "hand_in({name})"
_AFTER = """## What your call earned

The cells below are filled in when your instructor grades the call. They earn nothing when you run them yourself."""


def _cells(assignment: Assignment, trusted: bool) -> list[dict[str, Any]]:
    """What stands before the grade cells."""
    rules = load_rubric(assignment.rubric).rubric
    points = {part: int(getattr(rules, part)) for part in PARTS}
    title, name = assignment.title.replace("<", "&lt;"), msgspec.json.encode(assignment.name).decode()
    if assignment.service:
        url = msgspec.json.encode(assignment.service).decode()
        bench = _BENCH_SUPERVISED.format(url=url, name=name, trust=f', trust="{TRUST}"' if trusted else "")
        return [
            _text("about", _BEFORE_SUPERVISED.format(title=title, **points)),
            _code("setup", _SETUP_SUPERVISED, _nb("setup", locked=True)),
            _code("bench", bench, _nb("bench", locked=True)),
            _code("receipt", "receipt(bench)", _nb("receipt", locked=True)),
            _text("after", _AFTER),
        ]
    return [
        _text("about", _BEFORE.format(title=title, **points)),
        _code("setup", _SETUP, _nb("setup", locked=True)),
        _code("personal-code", CODE_STUB, _nb("personal-code", solution=True)),
        _code("bench", _BENCH, _nb("bench", locked=True)),
        _code("hand-in", _HAND_IN.format(name=name), _nb("hand-in", locked=True)),
        _text("after", _AFTER),
    ]


def source_notebook(assignment: Assignment, *, trusted: bool = False) -> bytes:
    """The file for nbgrader's ``source/`` folder: UTF-8 JSON, the same bytes for the same assignment.

    `trusted`: the certificate of a supervised assignment's service lies beside it.
    """
    rules = load_rubric(assignment.rubric).rubric
    points = {part: int(getattr(rules, part)) for part in PARTS}
    cells = _cells(assignment, trusted)
    for part in PARTS:
        grade_id = f"part-{part.replace('_', '-')}"
        marks = _nb(grade_id, grade=True, locked=True, points=points[part])
        cells.append(_code(grade_id, PLACEHOLDER.format(_TITLES[part]), marks))
    built = {
        "cells": cells,
        "metadata": {
            "kernelspec": {"display_name": "Python 3", "language": "python", "name": "python3"},
            "language_info": {"name": "python"},
        },
        "nbformat": 4,
        "nbformat_minor": 5,
    }
    nbformat.validate(nbformat.from_dict(built))
    return msgspec.json.format(msgspec.json.encode(built, order="deterministic"), indent=1) + b"\n"


def part_of(grade_id: str) -> str:
    """The part that the grade cell `grade_id` stands for, or "" for another cell."""
    name = grade_id.removeprefix("part-").replace("-", "_")
    return name if grade_id.startswith("part-") and name in PARTS else ""


def _nb(grade_id: str, *, grade: bool = False, solution: bool = False, locked: bool = False, points: int = 0) -> dict[str, Any]:
    made: dict[str, Any] = {
        "grade": grade, "grade_id": grade_id, "locked": locked, "schema_version": SCHEMA, "solution": solution, "task": False,
    }  # fmt: skip
    return {"nbgrader": made | ({"points": points} if grade else {})}


def _text(name: str, source: str) -> dict[str, Any]:
    return {"cell_type": "markdown", "id": name, "metadata": {}, "source": source}


def _code(name: str, source: str, metadata: dict[str, Any]) -> dict[str, Any]:
    made: dict[str, Any] = {"cell_type": "code", "id": name, "metadata": metadata, "source": source}
    return made | {"execution_count": None, "outputs": []}
