"""Making a class's folder from a roster, and bringing the roster up to date.

Rule: nothing that is there is ever overwritten but the roster, and nobody who was in it loses code or outcome.
"""

from __future__ import annotations

import csv
import io
import os
import secrets
import unicodedata
from collections.abc import Sequence
from pathlib import Path

import msgspec

from blowergrade.classwork.codes import complete_codes, slips
from blowergrade.classwork.folder import ClassError, ClassFolder, Settings, write
from blowergrade.classwork.people import COLUMNS, Student, checked_id, read_roster

SLIPS = "code-slips.html"
#: What nbgrader reads when one of its commands or the formgrader runs in the class folder.
CONFIG = '''"""Settings of nbgrader for this class: grades come from call records (written by `blowergrade class new`)."""

from pathlib import Path

from blowergrade.classwork.configure import configure

configure(get_config(), Path(__file__).resolve().parent)  # noqa: F821 - nbgrader provides get_config
'''
_SETTINGS = """# Settings of this class. Percentages and days are whole numbers.
course = {course}  # the course's id in nbgrader and its exchange
title = {title}
late_percent_a_day = {late_percent_a_day}  # of all points, taken off for each day begun after the grace time
late_days = {late_days}  # after so many days a hand-in waits for you
late_grace_minutes = {late_grace_minutes}
"""


def make_class(root: Path | str, roster: Path | str, course: str = "blowers", title: str = "") -> ClassFolder:
    """A new class folder at `root` with everybody of the file `roster`; raises `ClassError` where something is in the way."""
    root = Path(root)
    if root.exists() and (not root.is_dir() or any(root.iterdir())):
        raise ClassError(f"{root} is not an empty folder; give the class a folder of its own, or a name that is free")
    students = read_roster(Path(roster))
    settings = Settings(checked_id(course, "--course"), checked_title(title) or course)
    for name in ("source", "release", "submitted", "autograded", "feedback"):
        (root / name).mkdir(parents=True, exist_ok=True)
    private = root / "private"
    private.mkdir()
    _only_mine(private, 0o700)
    write(private / "secret.key", secrets.token_hex(32).encode() + b"\n")
    _only_mine(private / "secret.key", 0o600)
    values = {k: _toml(v) for k, v in msgspec.structs.asdict(settings).items()}
    write(root / "class.toml", _SETTINGS.format(**values).encode())
    write(root / "nbgrader_config.py", CONFIG.encode())
    folder = ClassFolder(root)
    _write_roster(folder, students)
    return folder


def checked_title(text: str) -> str:
    """`text` as a title; raises `ClassError` for one that a page or a file can't hold."""
    if len(text) > 200 or any(unicodedata.category(c) in ("Cc", "Cs") for c in text):
        raise ClassError(f"--title: {text[:60]!r} is too long or holds control characters; write one line of text")
    return text


def update_roster(folder: ClassFolder, roster: Path | str) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Take over the file `roster`; the ids that are new and those that left. Codes and outcomes of all are kept."""
    before = {s.id for s in folder.students}
    students = read_roster(Path(roster))
    _write_roster(folder, students)
    now = {s.id for s in students}
    return tuple(sorted(now - before)), tuple(sorted(before - now))


def _write_roster(folder: ClassFolder, students: Sequence[Student]) -> None:
    out = io.StringIO(newline="")
    rows = csv.writer(out, lineterminator="\n")
    rows.writerow(COLUMNS)
    rows.writerows((s.id, s.name, s.email, s.language) for s in students)
    write(folder.root / "roster.csv", out.getvalue().encode())
    codes = complete_codes(folder.private, students)
    write(folder.private / SLIPS, slips(folder.settings.title, students, codes))


def _toml(value: object) -> str:
    if isinstance(value, int):
        return str(value)
    # A JSON string is a TOML basic string but for DEL and surrogates, which JSON leaves or writes in pairs.
    return msgspec.json.encode(str(value)).decode().replace("\x7f", "\\u007f")


def _only_mine(path: Path, mode: int) -> None:
    if os.name == "posix":
        path.chmod(mode)
