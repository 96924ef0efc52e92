"""JSON from strangers, read strictly.

Rule: whatever two readers could understand differently is refused: a member named twice, NaN, a lone surrogate, a control
character, a number where the profile has none.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from datetime import UTC, datetime
from typing import Any, NoReturn, TypeVar

import msgspec

from blowergrade.credentials.files import CredentialError

LIMIT = 1 << 20  # bytes: a credential has some 5 kB, a status list some 30 kB
DEPTH = 12
T = TypeVar("T")


class UnreadableError(CredentialError):
    """What was given is no JSON that means one thing only."""


def parse(data: bytes | str) -> Any:
    """The value in `data`, UTF-8 JSON; raises `UnreadableError`."""
    if len(data) > LIMIT:
        raise UnreadableError(f"it has more than {LIMIT} bytes; a credential is far smaller")
    try:
        text = data if isinstance(data, str) else data.decode("utf-8")
        value = json.loads(text, object_pairs_hook=_once, parse_constant=_no_constant)
    except (ValueError, RecursionError) as error:
        raise UnreadableError(f"it is no JSON ({str(error)[:120]}); give the file as it was issued") from error
    _walk(value, 0)
    return value


def _once(pairs: Iterable[tuple[str, Any]]) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for name, value in pairs:
        if name in found:
            raise UnreadableError(f"the member {name[:60]!r} stands there twice; a credential names each member once")
        found[name] = value
    return found


def _no_constant(name: str) -> NoReturn:
    raise UnreadableError(f"{name} is no number; JSON has none such")


def _walk(value: Any, depth: int) -> None:
    if depth > DEPTH:
        raise UnreadableError(f"it is nested more than {DEPTH} deep; a credential is not")
    if isinstance(value, dict):
        for name, inner in value.items():
            _plain(name)
            _walk(inner, depth + 1)
    elif isinstance(value, list):
        for inner in value:
            _walk(inner, depth + 1)
    elif isinstance(value, str):
        _plain(value)


def _plain(text: str) -> None:
    for sign in text:
        if sign < " " or "\x7f" <= sign < "\xa0" or "\ud800" <= sign <= "\udfff":
            raise UnreadableError(f"the sign U+{ord(sign):04X} stands in a text; texts hold printable signs only")


def convert(value: Any, kind: type[T]) -> T:
    """`value`, parsed JSON, as the closed type `kind`; raises `msgspec.ValidationError`. Nothing is coerced."""
    return msgspec.convert(value, kind, strict=True)


def moment(text: str) -> datetime:
    """The time that ``2027-03-01T17:00:00Z`` says; raises `UnreadableError`."""
    try:
        return datetime.strptime(text, "%Y-%m-%dT%H:%M:%SZ").replace(tzinfo=UTC)
    except ValueError as error:
        raise UnreadableError(f"{text[:40]!r} is no time; one is written as 2027-03-01T17:00:00Z") from error


def stamp(when: datetime) -> str:
    """`when` as it stands in credentials: UTC, whole seconds."""
    if when.tzinfo is None:
        raise CredentialError("a time without a zone was given; use datetime.now(UTC)")
    return when.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
