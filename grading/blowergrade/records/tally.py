"""What the records say of sittings as numbers, whoever the people were.

Rule: counted from what stands open, so that erasing somebody changes no number.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass

from blowergrade.records.entries import AnyEntry, AppealDecided, AppealOpened, Result


@dataclass(frozen=True, slots=True)
class Tally:
    """One sitting: its people by the verdict that counts, and its appeals by how they ended."""

    sitting: str
    title: str
    verdicts: tuple[tuple[str, int], ...]
    appeals: int
    changed: int

    @property
    def people(self) -> int:
        """How many people have a result."""
        return sum(n for _, n in self.verdicts)


def tallies(entries: Iterable[AnyEntry]) -> tuple[Tally, ...]:
    """A tally of each sitting, in the order in which they were taken."""
    counts: dict[tuple[str, str], Result] = {}
    titles: dict[str, str] = {}
    appeals: dict[int, str] = {}
    changed: Counter[str] = Counter()
    for entry in entries:
        if isinstance(entry, Result):
            counts[entry.sitting, entry.person] = entry
            titles.setdefault(entry.sitting, entry.title)
        elif isinstance(entry, AppealOpened):
            appeals[entry.number] = entry.sitting
        elif isinstance(entry, AppealDecided) and entry.outcome == "changed":
            changed[appeals[entry.appeal]] += 1
    return tuple(
        Tally(
            name, title, tuple(sorted(Counter(r.verdict for (s, _), r in counts.items() if s == name).items())),
            sum(s == name for s in appeals.values()), changed[name],
        )
        for name, title in titles.items()
    )  # fmt: skip
