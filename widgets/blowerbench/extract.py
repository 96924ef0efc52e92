"""Every text of the bench and of the score sheet, collected for translators: `python -m blowerbench.extract`.

Rule: a text in code is found by reading it: calls of the functions in `CALLS` and `REASONS` with a written text, tables by
their names in `TABLES`, templates by their `_("…")`, data files by the entries that people read. Only pictures are drawn, since
their words are made from the names of a unit's parts: what they ask to have translated is noted. Texts of the command line are
English only and left out.

One template a domain (`DOMAINS`); a text that two domains use stands in the first. The command brings the catalogues of every
language up to date: new texts come in empty, gone ones go, and translations stay.
"""

from __future__ import annotations

import argparse
import ast
import gettext
import io
import re
import sys
import tomllib
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from datetime import UTC, datetime
from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Any

import blowerdata
from blowerbench import messages
from blowerbench.equipment import load_equipment
from blowerbench.messages import CONTEXTS, DOMAINS, locale_root

#: Functions whose first argument is a text, and those whose argument at that place is one.
CALLS = {"t": 0, "_t": 0, "p": 0, "translate": 0, "title": 0, "state": 1, "_": 0}
REASONS = {"Reason": 2, "Check": 2, "append": 0}  # a score sheet's reasons and notes
#: Builders of the panel's buttons: pairs (text, act).
PAIRS = ("_does", "_toggle")
#: Tables by module and name: every text in them is shown (of a mapping the values).
TABLES = {
    "panels/controls.py": ("_KINDS",),
    "panels/scene.py": ("MOTIONS",),
    "wording.py": ("MODE_WORDS", "_NO_SWITCH", "RANGE"),
    "report.py": ("PARTS", "LEVELS"),
    "exam/texts.py": ("REFUSALS", "LOST", "WAITS"),
    "exam/released.py": ("NEEDED", "GATE", "NOT_BEGUN", "WAITING", "PASSED", "FAILED", "BROKEN", "VERDICTS"),
    "verification.py": ("_SHOWN",),
    "caution_words.py": ("*",),
    "panels/caution_part.py": ("WORDS",),
    "exercises.py": ("SENTENCES", "_DIMENSIONS"),
}
#: Texts that are put together where they arise: what evidence writes for an answer that came or did not.
PUT_TOGETHER = {"evidence.py": ("a reading", "no reading")}
#: Modules whose public tables are sentences throughout.
SENTENCE_TABLES = re.compile(r"(^|/)messages_en\w*\.py$|(^|/)\w+_en\.py$")
#: The command line's own modules.
LEFT_OUT = re.compile(r"(^|/)(cli|check_equipment|check_tables|comparison\w*|own_equipment|extract|diagnose\w*)\.py$")
#: Of a package whose other modules speak English only (courses are text in one language): the modules to read.
ONLY = {
    "blowerlessons": (
        "benches/lesson_01.py", "build.py", "cautions.py", "exercises.py", "handouts.py", "hands_on.py", "lesson.py",
        "next_step.py", "practice.py", "progress.py", "skills.py", "standing.py", "workspace.py",
    )
}  # fmt: skip
#: Names that the tables of sentences hold beside sentences.
NO_SENTENCES = ("ARGUMENTS",)

#: Modules whose rows and lists of sentences pass through `t` as a whole.
ROWS = ("panels/controls.py", "panels/scene.py", "panels/layout.py")
RETURNS = ("door_word",)  # functions that give a text to be translated
#: Names in the panel's functions that hold texts before they pass through `t`.
SHOWN_NAMES = ("group", "state", "pressed", "clips", "text", "texts", "states", "words", "hidden")

TAG = "qaa"  # a language for drawing: private use (ISO 639-2), so that no drawing is kept for a real one
#: Header lines that would say nothing here.
NO_HEADS = tuple(f'"{x}' for x in ("Report-Msgid", "Last-Translator", "Language-Team", "POT-", "PO-Rev", "Generated-By"))
UNDATED = datetime(2025, 1, 1, tzinfo=UTC)  # git knows the dates

Found = tuple[str, str]  # text, place


def _texts(node: ast.expr) -> Iterator[str]:
    """The texts that an expression may be: a written one, either way of a choice, every one of a tuple or list."""
    match node:
        case ast.Constant(value=str(text)):
            yield text
        case ast.IfExp(body=one, orelse=other):
            yield from (*_texts(one), *_texts(other))
        case ast.BoolOp(values=values) | ast.Tuple(elts=values) | ast.List(elts=values):
            for value in values:
                yield from _texts(value)
        case ast.Dict(values=values):
            for value in values:
                yield from _texts(value)
        case ast.Call(func=ast.Name(id="MappingProxyType"), args=[table]):
            yield from _texts(table)
        case ast.Call(func=ast.Name(id="Advice"), args=[_, *rest]):
            for value in rest:
                yield from _texts(value)
        case ast.Subscript(value=ast.Dict(values=values)):
            for value in values:
                yield from _texts(value)
        case ast.Call(func=ast.Attribute(value=ast.Dict() | ast.Name() as table, attr="get"), args=[_, *rest]):
            for value in (table, *rest):
                yield from _texts(value)


def _called(node: ast.Call) -> str:
    return node.func.attr if isinstance(node.func, ast.Attribute) else node.func.id if isinstance(node.func, ast.Name) else ""


def _pairs(node: ast.expr) -> Iterator[str]:
    match node:
        case ast.Tuple(elts=[first, *_]):
            yield from _texts(first)
        case ast.Starred(value=value):
            yield from _pairs(value)
        case ast.IfExp(body=one, orelse=other):
            yield from (*_pairs(one), *_pairs(other))
        case ast.List(elts=values):
            for value in values:
                yield from _pairs(value)


def _rows(node: ast.AST) -> Iterator[str]:
    """Group and state of a row (id, group, name, state, buttons), as `panels/controls.py` writes them."""
    if isinstance(node, ast.Tuple) and len(node.elts) == 5 and isinstance(node.elts[4], ast.List | ast.Call | ast.BinOp):
        yield from (*_texts(node.elts[1]), *_texts(node.elts[3]))
    elif isinstance(node, ast.Assign) and len(node.targets) == 1:
        target, value = node.targets[0], node.value
        if isinstance(target, ast.Name) and target.id in SHOWN_NAMES:
            yield from _texts(value)
        elif isinstance(target, ast.Tuple) and isinstance(value, ast.Tuple) and len(target.elts) == len(value.elts):
            for name, one in zip(target.elts, value.elts, strict=True):
                if isinstance(name, ast.Name) and name.id in SHOWN_NAMES:
                    yield from _texts(one)
    elif isinstance(node, ast.AugAssign) and isinstance(node.value, ast.ListComp):
        yield from (t for g in node.value.generators for t in _second(g.iter))


def _second(node: ast.expr) -> Iterator[str]:
    """The second texts of a written tuple of pairs."""
    for pair in node.elts if isinstance(node, ast.Tuple | ast.List) else ():
        if isinstance(pair, ast.Tuple) and len(pair.elts) == 2:
            yield from _texts(pair.elts[1])


def _sentence_pairs(node: ast.AST) -> Iterator[str]:
    """First texts of written lists of (sentence, whether it is so), as `panels/scene.py` has them."""
    if isinstance(node, ast.List):
        for pair in node.elts:
            if isinstance(pair, ast.Tuple) and len(pair.elts) == 2:
                yield from (t for t in _texts(pair.elts[0]) if " " in t)


def of_module(source: str, name: str) -> Iterator[Found]:
    """The texts in the Python `source` of the module at `name`, a path within its package."""
    tree = ast.parse(source)
    tables = TABLES.get(name, ())
    public = SENTENCE_TABLES.search(name)
    for node in ast.walk(tree):
        place = f"{name}:{getattr(node, 'lineno', 0)}"
        if isinstance(node, ast.Call):
            called = _called(node)
            at = CALLS.get(called, REASONS.get(called))
            if at is not None and len(node.args) > at and not (called == "append" and not _is_notes(node)):
                yield from ((t, place) for t in _texts(node.args[at]))
            elif called in PAIRS:
                yield from ((t, place) for arg in node.args for t in _pairs(arg))
        if name in ROWS:
            yield from ((t, place) for t in (*_rows(node), *_sentence_pairs(node)))
        if isinstance(node, ast.FunctionDef) and node.name in RETURNS:
            yield from ((t, place) for x in ast.walk(node) if isinstance(x, ast.Return) and x.value for t in _texts(x.value))
        elif name.startswith("panels/") and not name.startswith("panels/auto_"):
            yield from ((t, place) for t in _rows(node) if isinstance(node, ast.Assign))
        if name == "verification.py" and isinstance(node, ast.Assign):
            yield from ((t, place) for t in _texts(node.value) if " " in t)
        if name == "score.py" and isinstance(node, ast.Assign) and _targets(node) & {"why"}:
            values = node.value.elts[:1] if isinstance(node.value, ast.Tuple) else [node.value]
            yield from ((t, place) for v in values for t in _texts(v))
    yield from ((t, name) for t in PUT_TOGETHER.get(name, ()))
    for node in tree.body:
        names, value = _assigned(node)
        for own in names:
            every = "*" in tables or (public and own.isupper() and own not in NO_SENTENCES)
            if value is not None and (own in tables or every):
                yield from ((t, f"{name}:{node.lineno}") for t in _texts(value))


def _targets(node: ast.Assign) -> set[str]:
    return {n.id for target in node.targets for n in ast.walk(target) if isinstance(n, ast.Name)}


def _is_notes(node: ast.Call) -> bool:
    return isinstance(node.func, ast.Attribute) and isinstance(node.func.value, ast.Name) and node.func.value.id == "notes"


def _assigned(node: ast.stmt) -> tuple[list[str], ast.expr | None]:
    match node:
        case ast.Assign(targets=targets, value=value):
            return [n.id for target in targets for n in ast.walk(target) if isinstance(n, ast.Name)], value
        case ast.AnnAssign(target=ast.Name(id=name), value=value):
            return [name], value
    return [], None


def of_rules(source: str, name: str) -> Iterator[Found]:
    """What and why of every safety rule, apart and as a sheet joins them, and its clause where that holds words."""
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Call) and _called(node) == "Rule":
            given = [ast.literal_eval(x) for x in node.args]
            texts = [f"{given[3]}; {given[4]}", given[3], given[4]]
            texts += [given[2]] if re.search("[a-z]{4}", given[2]) else []
            yield from ((t, f"{name}:{node.lineno}") for t in texts)


def of_template(source: str, name: str) -> Iterator[Found]:
    """The texts of a page template."""
    from jinja2.ext import babel_extract

    for line, _, text, _ in babel_extract(io.BytesIO(source.encode()), ["_"], [], {}):
        for one in text if isinstance(text, tuple) else (text,):
            if one:
                yield one, f"{name}:{line}"


# ---------------------------------------------------------------------- data files
SHOWN_OF_FAULTS = ("title", "sees", "repair", "why", "only_by_substitution", "competency")
_TITLED = ("zone", "connector", "unit", "supply", "selector", "place")


def of_equipment(raw: Mapping[str, Any], name: str) -> Iterator[Found]:
    """What people read of an equipment file."""
    made: list[str] = [raw["title"], raw["notice"], *(c["text"] for c in raw["complaint"])]
    made += [str(row["title"]) for table in _TITLED for row in raw.get(table, ())]
    made += [str(row["latch"]) for row in raw.get("connector", ())]
    made += [row["title"].partition(" between ")[0] for row in raw.get("connector", ())]
    made += [str(row["title"]) for table in ("port", "air_element") for row in raw.get(table, ()) if "title" in row]
    made += [str(x) for x in (*raw.get("labels", {}).values(), *raw.get("sentences", {}).values())]
    yield from ((t, name) for t in made)


def of_faults(raw: Mapping[str, Any], name: str) -> Iterator[Found]:
    """What people read of a fault file: title, signs, repair, cause, severities, why only substitution tells, competency."""
    for fault in raw["fault"]:
        place = f"{name}:{fault['id']}"
        yield from ((str(fault[k]), place) for k in SHOWN_OF_FAULTS if fault.get(k))
        severities = fault.get("severities", ())
        yield from ((str(s["name"]), place) for s in severities if len(severities) > 1)


class _Asked(gettext.NullTranslations):
    """A catalogue that notes what it is asked for and translates nothing."""

    def __init__(self) -> None:
        super().__init__()
        self.texts: dict[str, None] = {}

    def gettext(self, message: str) -> str:
        """`message`, noted."""
        self.texts[message] = None
        return message

    def pgettext(self, context: str, message: str) -> str:
        """`message`, which stands in `CONTEXTS`."""
        return message


@contextmanager
def asking() -> Iterator[Mapping[str, None]]:
    """The texts that are asked for while the block runs, in order; every language is English meanwhile."""
    asked, kept = _Asked(), messages.catalogue
    messages.catalogue = lambda language, root=None: asked  # type: ignore[assignment] # put back below
    try:
        yield asked.texts
    finally:
        messages.catalogue = kept


def of_pictures(unit: str) -> Iterator[Found]:
    """What the pictures and lists of a shipped unit ask to have translated: words, and no letters of terminals."""
    from blowerbench.panels.controls import Words, forms  # here: this module may be imported where no notebook is
    from blowerbench.panels.layout import picture
    from blowerbench.panels.views_part import DRAWN

    equipment = load_equipment(unit)
    with asking() as texts:
        forms(Words(equipment, TAG))  # every terminal and wire by name
        picture(equipment, TAG)
        for draw in DRAWN.values():
            draw(equipment, TAG)
    yield from ((t, f"pictures/{unit}") for t in texts if re.search(r"[a-z]{2}", t))


# ---------------------------------------------------------------------- all of it
def _walk(folder: Traversable, prefix: str = "") -> Iterator[tuple[str, Traversable]]:
    for entry in sorted(folder.iterdir(), key=lambda e: e.name):
        if entry.is_dir() and entry.name != "__pycache__":
            yield from _walk(entry, f"{prefix}{entry.name}/")
        elif entry.is_file():
            yield f"{prefix}{entry.name}", entry


def _of_package(package: str) -> Iterator[Found]:
    for name, file in _walk(files(package)):
        if LEFT_OUT.search(name) or name not in ONLY.get(package, (name,)):
            continue
        if name.endswith(".py"):
            source = file.read_text(encoding="utf-8")
            yield from of_module(source, name)
            if name == "safety_rules.py":
                yield from of_rules(source, name)
        elif name.startswith("templates/") and name.endswith(".html"):
            yield from of_template(file.read_text(encoding="utf-8"), name)


def _of_data(folder: str) -> Iterator[tuple[str, dict[str, Any]]]:
    for name in blowerdata.names(folder):
        yield name, tomllib.loads(blowerdata.path(folder).joinpath(f"{name}.toml").read_text(encoding="utf-8"))


def found() -> dict[str, dict[tuple[str, str], list[str]]]:
    """By domain every (context, text) with the places it comes from; the context is empty but for the words of `CONTEXTS`."""
    sources: dict[str, Iterable[Found]] = {
        "bench": _of_package("blowerbench"),
        "units": [
            *(x for name, raw in _of_data("equipment") for x in of_equipment(raw, name)),
            *(x for name in blowerdata.names("equipment") for x in of_pictures(name)),
        ],
        "faults": [x for name, raw in _of_data("faults") for x in of_faults(raw, name)],
        "sheet": [*_of_package("blowergrade"), *_of_package("blowerlessons")],
    }
    made: dict[str, dict[tuple[str, str], list[str]]] = {domain: {} for domain in DOMAINS}
    home: dict[str, str] = {}
    for domain in DOMAINS:
        for text, place in sources[domain]:
            if re.search(r"[^\W\d_]", text):
                own = made[home.setdefault(text, domain)].setdefault(("", text), [])
                if place not in own:
                    own.append(place)
    for context, words in CONTEXTS.items():
        for word in words:
            made["bench"][context, word] = ["messages.py"]
    return made


def update(root: Path, language: str) -> dict[str, tuple[int, int, int]]:
    """Bring the catalogues of `language` under `root` up to date; by domain the texts, those new or empty, those gone."""
    from babel.messages.catalog import Catalog
    from babel.messages.pofile import read_po, write_po

    report = {}
    folder = root / language / "LC_MESSAGES"
    folder.mkdir(parents=True, exist_ok=True)
    known: dict[tuple[str, str], str] = {}
    heads = {}
    for domain in DOMAINS:
        file = folder / f"{domain}.po"
        if file.is_file():
            old = read_po(io.BytesIO(file.read_bytes()), locale=language)
            heads[domain] = old.header_comment
            known |= {(m.context or "", str(m.id)): str(m.string) for m in old if m.id and m.string and not m.fuzzy}
    texts = found()
    for domain in DOMAINS:
        made = Catalog(locale=language, project="blowerbench", header_comment=heads.get(domain, f"# {domain}"), fuzzy=False,
                       version="1", creation_date=UNDATED, revision_date=UNDATED)  # fmt: skip
        for (context, text), places in texts[domain].items():
            string = known.get((context, text), "")
            where = sorted({p.partition(":")[0] for p in places})
            made.add(text, string, locations=[(w, 0) for w in where], context=context or None)
        gone = [k for k in known if all(k not in rows for rows in texts.values())]
        out = io.BytesIO()
        write_po(out, made, width=0, include_lineno=False, omit_header=False)
        lines = out.getvalue().decode().splitlines(keepends=True)
        (folder / f"{domain}.po").write_text("".join(x for x in lines if not x.startswith(NO_HEADS)), encoding="utf-8")
        empty = sum(not m.string for m in made if m.id)
        report[domain] = (len(texts[domain]), empty, len(gone))
    return report


def main(arguments: list[str] | None = None) -> int:
    """Update the catalogues in the package (or --out) and say what is missing; 1 when something is."""
    parser = argparse.ArgumentParser(prog="python -m blowerbench.extract", description="Bring the catalogues up to date.")
    parser.add_argument("languages", nargs="*", default=["es"], metavar="LANGUAGE", help="language tags (default: es)")
    parser.add_argument("--out", type=Path, metavar="DIR", help="the folder of the catalogues (default: the package's own)")
    options = parser.parse_args(arguments)
    root = options.out or Path(str(locale_root()))
    missing = 0
    for language in options.languages:
        for domain, (texts, empty, gone) in update(root, language).items():
            print(f"{language} {domain}: {texts} texts, {empty} without a translation, {gone} gone")
            missing += empty
    return 1 if missing else 0


if __name__ == "__main__":
    sys.exit(main())
