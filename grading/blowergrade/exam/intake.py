"""What a message may be before anybody looks at what it says: shallow, short, of plain numbers.

Rule: nothing that is not JSON of this shape goes further, so that no process behind can be made to fail by it.
"""

from __future__ import annotations

import re
from typing import Any

DEEPEST = 6  # objects and lists within one another; an act has three
LONGEST = 4_000  # characters of one text: a write-up's longest field
MOST_THINGS = 2_000  # values in one message
LARGEST_NUMBER = 2**53  # the whole numbers that JSON carries everywhere (RFC 8259, section 6)
VIEW = re.compile(r"[A-Za-z0-9_-]{1,64}")
INTENT = re.compile(r"[A-Za-z0-9._:-]{8,100}")


def why_not(message: dict[str, Any]) -> str:
    """Why `message` can't be a page's, or ""."""
    view, seq = message.get("view"), message.get("seq")
    if not isinstance(view, str) or not VIEW.fullmatch(view):
        return "a message names its view with 1 to 64 letters and digits"
    if type(seq) is not int or not 0 <= seq < LARGEST_NUMBER:
        return "a message has a whole number from 0"
    return unfit(message)


def unfit(value: object) -> str:
    """What is wrong with the shape of `value`, or ""."""
    waiting: list[tuple[object, int]] = [(value, 1)]
    seen = 0
    while waiting:
        one, depth = waiting.pop()
        seen += 1
        if seen > MOST_THINGS:
            return f"a message has at most {MOST_THINGS} values"
        if isinstance(one, str):
            if len(one) > LONGEST:
                return f"a text has at most {LONGEST} characters"
        elif isinstance(one, dict | list):
            if depth > DEEPEST:
                return f"a message is at most {DEEPEST} deep"
            parts = [*one.keys(), *one.values()] if isinstance(one, dict) else one
            waiting.extend((part, depth + 1) for part in parts)
        elif isinstance(one, int | float) and not abs(one) < LARGEST_NUMBER:
            return "a number lies between -2^53 and 2^53"
    return ""


def plain(text: str) -> str:
    """`text` for a table: control characters and marks that turn the direction of writing show as their code points.

    Letters of every script stay as they are; joiners, which some scripts need, too (Unicode 16, chapter 23).
    """
    return "".join(f"<U+{ord(c):04X}>" if _hidden(c) else c for c in text)


def _hidden(c: str) -> bool:
    point = ord(c)
    return (point < 0x20 and c not in "\n\t") or 0x7F <= point < 0xA0 or c in TURNING


#: Unicode 16, section 23.2: marks, embeddings, overrides and isolates of direction; and the byte order mark.
TURNING = "\u200e\u200f\u061c\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069\ufeff"
