"""What judges said of the items, read from a CSV file: one row per item, one column per judge, whole percents.

The question to a judge: of 100 people who know just enough to pass, how many would pass this call? (For an item with points
of its own: what share of them would such a person earn?)

Rule: nothing is guessed. A cell that could mean two things (0.6: a share or less than one percent?) is refused with its line
and what to write instead.
"""

from __future__ import annotations

import csv
import io
import re
import unicodedata
from collections.abc import Iterator
from pathlib import Path
from typing import Literal

import msgspec

from blowergrade.statistics.responses import StatisticsError

#: A rating: 0 to 100, with at most two decimals, the percent sign where somebody wrote it.
_PERCENT = re.compile(r"(100(?:[.]0{1,2})?|\d{1,2}(?:[.]\d{1,2})?)\s*%?")


class RatingsError(StatisticsError):
    """Ratings that can't be read or used; says the file and line, what is wrong and what would be right."""


class Ratings(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One round: `percents[j][i]` is what judge j said of item i, 0 to 100."""

    round: Literal[1, 2]
    judges: tuple[str, ...]
    items: tuple[str, ...]
    percents: tuple[tuple[float, ...], ...]

    def __post_init__(self) -> None:
        for what, names in (("judges", self.judges), ("items", self.items)):
            if not names or len(set(names)) != len(names):
                raise RatingsError(f"round {self.round}: {what} are missing or named twice; give each a name of its own")
        if len(self.judges) < 2:
            raise RatingsError(f"round {self.round}: one judge is no panel; at least two are needed")
        if [len(row) for row in self.percents] != [len(self.items)] * len(self.judges):
            raise RatingsError(f"round {self.round}: not every judge rated every item; fill what is missing")
        if not all(0 <= p <= 100 for row in self.percents for p in row):
            raise RatingsError(f"round {self.round}: a rating lies outside 0 to 100; ratings are percents")

    def of_item(self, item: str) -> tuple[float, ...]:
        """What each judge said of `item`, percent."""
        column = self.items.index(item)
        return tuple(row[column] for row in self.percents)


def read_ratings(path: Path, round: Literal[1, 2]) -> Ratings:
    """The ratings of a round in the CSV file `path`; raises `RatingsError`."""
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except OSError as error:
        raise RatingsError(f"{path} can't be read ({error.strerror}); give a CSV file of ratings") from error
    except UnicodeDecodeError as error:
        raise RatingsError(f"{path} is not UTF-8 text; save it as CSV UTF-8") from error
    return parse_ratings(text, round, path.name)


def parse_ratings(text: str, round: Literal[1, 2], where: str = "ratings") -> Ratings:
    """The ratings of a CSV `text` whose first line is "item" and the judges' names; raises `RatingsError` with the line."""
    rows = _rows(text, where)
    line, titles = next(rows, (1, []))
    if len(titles) < 3 or titles[0].lower() != "item":
        raise RatingsError(f"{where}, line {line}: titles {', '.join(titles) or 'missing'}; write item, then each judge")
    judges = titles[1:]
    if "" in judges or len(set(judges)) < len(judges):
        raise RatingsError(f"{where}, line {line}: a judge has no name or stands twice; give each column a name of its own")
    found: dict[str, list[float]] = {}
    for line, cells in rows:
        here = f"{where}, line {line}"
        if len(cells) > len(titles):
            raise RatingsError(f"{here}: {len(cells)} cells under {len(titles)} titles; write 62.5, not 62,5, between commas")
        item, *given = cells + [""] * (len(titles) - len(cells))
        if not item or item in found:
            raise RatingsError(f"{here}: the item {item!r} has no name or stands twice; give each item one line")
        found[item] = [_percent(cell, f"{here}, judge {judge}") for judge, cell in zip(judges, given, strict=True)]
    if not found:
        raise RatingsError(f"{where}: no item is in it; add a line per item below the titles")
    return Ratings(round, tuple(judges), tuple(found), tuple(zip(*found.values(), strict=True)))


def _rows(text: str, where: str) -> Iterator[tuple[int, list[str]]]:
    """The rows that hold anything, each with its line; the titles decide between comma, semicolon and tab."""
    first = next((x for x in text.splitlines() if x.strip()), "")
    mark = max(",;\t", key=first.count)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=mark, skipinitialspace=True)
    try:
        for row in reader:
            cells = [unicodedata.normalize("NFC", c).strip() for c in row]
            if any(cells):
                yield reader.line_num, cells
    except csv.Error as error:
        raise RatingsError(f"{where}, line {reader.line_num}: {error}; save it as CSV UTF-8 again") from error


def _percent(cell: str, where: str) -> float:
    if not cell:
        raise RatingsError(f"{where}: no rating; every judge rates every item, from 0 to 100")
    match = _PERCENT.fullmatch(cell)
    if match is None:
        raise RatingsError(f"{where}: {cell[:20]!r} is no percent; write a number from 0 to 100, such as 65")
    value = float(match[1])
    if 0 < value < 1:
        raise RatingsError(f"{where}: {cell!r} looks like a share; write percents, {100 * value:g} in place of {value:g}")
    return value
