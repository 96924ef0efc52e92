"""What an act let the learner see, hear, smell or read.

Rule: language-neutral. Messages are ids with arguments, displays are texts with a point and an ASCII unit; no floats.
"""

from __future__ import annotations

import msgspec


class Said(msgspec.Struct, frozen=True, order=True):
    """A message id with its arguments, turned into a sentence by `blowerbench.messages`."""

    id: str
    args: tuple[str, ...] = ()


class Shown(msgspec.Struct, frozen=True, order=True):
    """What an instrument's display shows."""

    instrument: str
    text: str
    unit: str


class Observation(msgspec.Struct, frozen=True):
    """Everything perceived because of one act: answers to it, what the senses go on perceiving, displays."""

    said: tuple[Said, ...] = ()
    senses: tuple[str, ...] = ()
    shown: tuple[Shown, ...] = ()


class Accepted(msgspec.Struct, frozen=True, tag="accepted"):
    """An act that was done: its number in the record (from 1), the clock after it (s), and what it showed."""

    seq: int
    clock: int
    observation: Observation


class Refused(msgspec.Struct, frozen=True, tag="refused"):
    """An act that hands can't do now; nothing changed, nothing is recorded."""

    reason: Said


Outcome = Accepted | Refused
