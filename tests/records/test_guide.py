"""The guides for records tell of commands that there are, and claim nothing."""

from __future__ import annotations

import re
import shlex
from importlib.resources import files
from typing import ClassVar

from blowergrade.cli import _parser
from blowergrade.records import command
from blowergrade.records.retention import TEXT

GUIDES = files("blowerlessons").joinpath("guides")
GUIDE, STANDARD = (GUIDES.joinpath(name).read_text(encoding="utf-8") for name in ("records.md", "iso-17024.md"))


def steps() -> set[str]:
    """The steps of `blowergrade records`, as the module adds them."""

    class Noted:
        names: ClassVar[set[str]] = set()

        def add_parser(self, name: str, **_: object) -> Noted:
            self.names.add(name)
            return self

        def add_subparsers(self, **_: object) -> Noted:
            return self

        def add_argument(self, *_: object, **__: object) -> None: ...

        def set_defaults(self, **_: object) -> None: ...

    noted = Noted()
    command.add(noted)
    return noted.names - {"records"}


def test_every_command_of_the_records_guide_is_one_that_the_program_takes() -> None:
    lines = [x for block in GUIDE.split("```")[1::2] for x in block.splitlines() if x.startswith("blowergrade ")]
    assert len(lines) >= 20
    parser = _parser()
    for line in lines:
        assert callable(parser.parse_args(shlex.split(line)[1:]).run), line
    assert {line.split()[2] for line in lines if line.startswith("blowergrade records ")} == steps()


def test_what_the_guide_says_of_days_and_years_is_in_the_policy() -> None:
    assert "45 days on by default" in GUIDE and "answer_days = 45" in TEXT
    assert "It comes with examples" in GUIDE and "these are examples" in TEXT


def test_the_mapping_goes_through_every_clause_and_claims_no_conformity() -> None:
    """Clauses of ISO/IEC 17024:2012, from memory: 4 to 10, with these sections."""
    told = " ".join(re.findall(r"^\| ([0-9., to]+) \|", STANDARD, re.M))
    wanted = ["4.1", "4.2", "4.3", "4.4", "5.1", "5.2", "6.1", "6.2", "6.3", "6.4", "7.1", "7.2", "7.3", "7.4", "8.4", "8.5",
              *(f"9.{n}" for n in range(1, 10)), "10"]  # fmt: skip
    assert [w for w in wanted if not re.search(rf"(^|[ ,]){re.escape(w)}($|[ ,])", told)] == []
    assert STANDARD.index("No conformity is claimed") < 100
    assert "from memory and in our own words" in STANDARD and "`iso-17024.md`" in GUIDE
    assert not re.search(r"\b(conforms|conformant|compliant|accredited by|certified by)\b", STANDARD + GUIDE)


def test_every_row_of_the_mapping_says_what_is_covered_what_the_school_does_and_what_is_missing() -> None:
    rows = [x for x in STANDARD.splitlines() if re.match(r"\| \d", x)]
    assert len(rows) >= 22 and all(len([c for c in r.split("|")[1:-1] if c.strip()]) == 5 for r in rows)
