"""Personal codes: what opens a student's payload, and the slips that they are handed out on.

Rule: a code is made once per student and class, of 75 random bits and a check character; it is never sent anywhere.
"""

from __future__ import annotations

import csv
import html
import io
import os
import secrets
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path

from blowerbench.sealed import ALPHABET, CODE_LENGTH, SealError, check_character, plain_code
from blowergrade.classwork.folder import ClassError, write
from blowergrade.classwork.people import Student
from blowergrade.sheet_csv import safe

NAME = "codes.csv"


def new_code() -> str:
    """A new personal code in groups of four."""
    data = "".join(secrets.choice(ALPHABET) for _ in range(CODE_LENGTH - 1))
    return grouped(data + check_character(data))


def grouped(plain: str) -> str:
    """A plain code in groups of four, as it stands on a slip."""
    return "-".join(plain[k : k + 4] for k in range(0, CODE_LENGTH, 4))


def read_codes(private: Path) -> dict[str, str]:
    """Student's id to code; raises `ClassError` for a damaged file."""
    file = private / NAME
    try:
        rows = list(csv.DictReader(io.StringIO(file.read_text(encoding="utf-8-sig"), newline="")))
        return {row["id"]: grouped(plain_code(row["code"])) for row in rows}
    except FileNotFoundError:
        return {}
    except (OSError, UnicodeDecodeError, KeyError, TypeError, csv.Error, SealError) as error:
        raise ClassError(f"{file} can't be read ({error}); put the copy back that you kept, or correct that line") from error


def complete_codes(private: Path, students: Sequence[Student]) -> dict[str, str]:
    """The codes of all `students`, new ones made and written down where missing; codes of those who left stay."""
    known = read_codes(private)
    missing = [s.id for s in students if s.id not in known]
    codes = known | {name: new_code() for name in missing}
    if missing:
        names = {s.id: s.name for s in students}
        out = io.StringIO(newline="")
        rows = csv.writer(out, lineterminator="\n")
        rows.writerow(("id", "name", "code"))
        rows.writerows((i, safe(names.get(i, "")), code) for i, code in codes.items())
        write(private / NAME, out.getvalue().encode())
        if os.name == "posix":
            (private / NAME).chmod(0o600)
    return codes


def slips(title: str, students: Iterable[Student], codes: Mapping[str, str]) -> bytes:
    """A page to print and cut: one slip per student."""
    cut = "\n".join(
        f"<section><h2>{html.escape(s.name)}</h2><p>{html.escape(title)}</p><p class=code>{codes[s.id]}</p>"
        "<p>Your personal code. It opens your assignments. Keep it to yourself: who has it can work in your name.</p></section>"
        for s in students
    )
    style = (
        "body{font-family:sans-serif;margin:1cm}section{border:1px dashed #666;padding:.4cm .6cm;margin:0 0 .4cm;"
        "break-inside:avoid}h2{font-size:1rem;margin:0}p{margin:.2cm 0}.code{font:700 1.5rem monospace;letter-spacing:.05em}"
    )
    page = (
        f'<!doctype html><html lang="en"><head><meta charset="utf-8"><title>Personal codes: {html.escape(title)}</title>'
        f"<style>{style}</style></head><body><h1>{html.escape(title)}</h1>\n{cut}\n</body></html>\n"
    )
    return page.encode()
