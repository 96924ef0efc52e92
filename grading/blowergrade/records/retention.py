"""How long what is kept: the school's policy as a file, and whose time has ended.

Rule: nothing is destroyed here. A person is due on the first day after every period of theirs has ended, and never while an
appeal or a request of theirs waits for an answer.

A period of years ends with the day of the same date in the last year, or with the last of the month where there is no such day
(as Regulation (EEC, Euratom) No 1182/71, article 3(2)(c), counts; from memory).
"""

from __future__ import annotations

import tomllib
from calendar import monthrange
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import msgspec

from blowergrade.credentials import files
from blowergrade.records.entries import About, Accommodation, AppealOpened, InspectionAsked, RecordsError, Result

if TYPE_CHECKING:
    from blowergrade.records.persons import Drawer
    from blowergrade.records.school import Person, Records

POLICY = "retention.toml"
Years = Annotated[int, msgspec.Meta(ge=0, le=150)]
TEXT = """\
# How long records of persons are kept, in years. Your law, your accreditation and your insurance decide; these are examples.
# A person's key may be destroyed once every period of theirs has ended; `blowergrade records retention` lists whose have.
# 0: no period of its own; it goes with the rest of that person's records.

answer_days = 45  # a request to see one's records is answered within so many days

[years]
result = 5          # from the day of the sitting
certificate = 10    # from the day on which it was entered here, and so on
revoked = 10
appeal = 5
disclosure = 0
inspection = 0
correction = 0
accommodation = 1   # has a key of its own, which may be destroyed earlier
"""


class Periods(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Years that each kind of entry is kept."""

    result: Years
    certificate: Years
    revoked: Years
    appeal: Years
    disclosure: Years
    inspection: Years
    correction: Years
    accommodation: Years


class Policy(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """What `retention.toml` says."""

    years: Periods
    answer_days: Annotated[int, msgspec.Meta(ge=1, le=366)] = 45

    def of(self, entry: About) -> int:
        """How many years `entry` is kept."""
        kind = str(entry.__struct_config__.tag).partition(" ")[0]  # "appeal decided" is of the kind appeal
        return 0 if kind == "enrolled" else int(getattr(self.years, kind))


@dataclass(frozen=True, slots=True)
class Due:
    """A key whose time has ended: `last` was the last day on which something had to be kept; `held` says why it still is."""

    person: str
    drawer: Drawer
    last: date
    held: str = ""


def write_policy(root: Path) -> None:
    """Put the example policy into the folder `root` unless there is one."""
    if not (root / POLICY).exists():
        files.write_new(root / POLICY, TEXT.encode(), files.PRIVATE)


def read_policy(root: Path) -> Policy:
    """The policy of the records in `root`; raises `RecordsError`."""
    file = root / POLICY
    try:
        return msgspec.convert(tomllib.loads(file.read_text(encoding="utf-8")), Policy)
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError, msgspec.ValidationError) as error:
        raise RecordsError(f"{file} can't be read ({error}); correct it, or put the copy back that you kept") from error


def last_day(begin: date, years: int) -> date:
    """The last day of a period of `years` years from `begin`."""
    year = begin.year + years
    return date(year, begin.month, min(begin.day, monthrange(year, begin.month)[1]))


def day_of(entry: About) -> date:
    """The day from which an entry's period runs."""
    if isinstance(entry, Result | AppealOpened | InspectionAsked):
        return date.fromisoformat(entry.day)
    return date.fromisoformat(entry.when[:10])


def kept_until(entries: Sequence[About], policy: Policy, drawer: Drawer) -> date | None:
    """The last day on which something among `entries` that this key seals must be kept; None where it seals nothing.

    What has no period of its own counts only where nothing else has one: by the day on which it came in.
    """
    mine = [e for e in entries if isinstance(e, Accommodation) == (drawer == "accommodations")]
    counting = [e for e in mine if policy.of(e)] or mine
    return max((last_day(day_of(e), policy.of(e)) for e in counting), default=None)


def why_held(person: Person) -> str:
    """Why nothing of `person` may be destroyed now, or ""."""
    if person.open_appeals:
        return f"appeal {person.open_appeals[0].number} is not decided"
    if person.open_requests:
        return f"the request of entry {person.open_requests[0].number} is not answered"
    return ""


def due(records: Records, today: date) -> tuple[Due, ...]:
    """The keys whose time has ended before `today`, those first that ended first; changes nothing. Raises `RecordsError`."""
    policy = read_policy(records.root)
    drawers: tuple[Drawer, ...] = ("person", "accommodations")
    found = []
    for person in records.people():
        for drawer in drawers:
            last = kept_until(person.entries, policy, drawer)
            if last is not None and last < today and not records.gone(person.pseudonym, drawer):
                found.append(Due(person.pseudonym, drawer, last, why_held(person)))
    return tuple(sorted(found, key=lambda d: (d.last, d.person, d.drawer)))


def answer_by(asked: InspectionAsked, policy: Policy) -> date:
    """The last day to answer a request."""
    return date.fromisoformat(asked.day) + timedelta(days=policy.answer_days)
