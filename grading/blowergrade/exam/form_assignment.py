"""Who gets which form, in which order, on which unit of the variants: fixed by the exam's secret.

Rule: nothing here is stored or drawn by chance; the same secret, sitting, candidates and forms give the same plan, and without
the secret nobody can work it out (HMAC-SHA-256, RFC 2104; each part of a message by itself).
"""

from __future__ import annotations

import hashlib
import hmac
from collections.abc import Sequence

import msgspec

from blowergrade.exam.form_model import FormError
from blowergrade.exam.forms import Form, FormItem, FormSet


class SetCall(msgspec.Struct, frozen=True):
    """One call as a candidate meets it: "call-1" and so on, the item behind it, and the name of its variant."""

    id: str
    item: FormItem
    variant: str


def derived(secret: bytes, *what: str) -> bytes:
    """32 bytes that hang on `secret` and on `what`, each part by itself; raises `FormError` for a short secret."""
    if len(secret) < 32:
        raise FormError(f"the exam's secret has {len(secret)} bytes; make one of 32")
    message = b"".join(len(w.encode()).to_bytes(4, "big") + w.encode() for w in what)
    return hmac.new(secret, message, hashlib.sha256).digest()


def assign_forms(candidates: Sequence[str], formset: FormSet, secret: bytes, sitting: str) -> dict[str, str]:
    """The form of each candidate, by id, in the list's order (the order of seats).

    No two neighbours get the same form where there are two or more, and forms are used equally often, give or take one.
    Somebody added at the list's end changes nobody else's form. Raises `FormError` where a candidate stands twice.
    """
    twice = sorted({c for c in candidates if candidates.count(c) > 1})
    if twice:
        raise FormError(f"on the list twice: {', '.join(twice)}; name everybody once")
    names = [f.id for f in formset.forms]
    made: dict[str, str] = {}
    last = ""
    for start in range(0, len(candidates), len(names)):
        # In each block of as many candidates as forms everybody has another one, in an order that the secret gives.
        block = sorted(names, key=lambda n: derived(secret, "form", sitting, str(start), n))
        if block[0] == last:
            block = [*block[1:], block[0]]
        made |= dict(zip(candidates[start : start + len(names)], block, strict=False))
        last = block[-1]
    return made


def variant_of(secret: bytes, sitting: str, candidate: str, item: str) -> str:
    """The variant's name of the unit on which `candidate` meets `item`: another one for every candidate, item and sitting."""
    return "exam-" + derived(secret, "variant", sitting, candidate, item).hex()[:24]


def calls_of(candidate: str, form: Form, secret: bytes, sitting: str, *, shuffled: bool = True) -> tuple[SetCall, ...]:
    """The calls of `candidate` in order: the form's, or with `shuffled` one that the secret gives for this candidate."""
    items = list(form.items)
    if shuffled:
        items.sort(key=lambda i: derived(secret, "order", sitting, candidate, i.id))
    return tuple(
        SetCall(f"call-{number}", i, variant_of(secret, sitting, candidate, i.id)) for number, i in enumerate(items, 1)
    )
