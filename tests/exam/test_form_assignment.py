"""Who gets which form: neighbours differ, forms are used alike, nobody added changes anybody else's."""

from __future__ import annotations

import itertools
import struct
from collections import Counter

import pytest
from cryptography.hazmat.primitives.hashes import SHA256
from cryptography.hazmat.primitives.hmac import HMAC
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import chisquare

from blowergrade.exam.form_assignment import assign_forms, calls_of, derived, variant_of
from blowergrade.exam.form_model import FormError
from blowergrade.exam.forms import Form, FormItem, FormSet, form_name

SECRET = bytes(range(32))
SECRETS = st.binary(min_size=32, max_size=40)
NAMES = st.lists(st.text("abcdefghijklmnopqrstuvwxyz0123456789-_", min_size=1, max_size=8), max_size=40, unique=True)
LATE = st.lists(st.sampled_from(["NEW-1", "NEW-2", "NEW-3"]), unique=True)


def formset(forms: int, calls: int = 4) -> FormSet:
    """Invented forms."""
    made = tuple(
        Form(
            form_name(f),
            tuple(FormItem(f"i{f}-{k}", "u", f"f{f}-{k}/0", "c", "command", 3, 3000, 20, 600, 1) for k in range(calls)),
        )
        for f in range(forms)
    )
    return FormSet("b", {}, 1, 1.0, "s", "optimal", 0, 0, made)


@settings(max_examples=150, deadline=None)
@given(NAMES, st.integers(1, 7), SECRETS, st.text(max_size=5))
def test_neighbours_differ_and_forms_are_used_alike(names: list[str], forms: int, secret: bytes, sitting: str) -> None:
    got = assign_forms(names, formset(forms), secret, sitting)
    assert list(got) == names and set(got.values()) <= {form_name(k) for k in range(forms)}
    seats = list(got.values())
    if forms > 1:
        assert all(one != other for one, other in itertools.pairwise(seats))
    uses = Counter({form_name(k): 0 for k in range(forms)})
    uses.update(seats)
    assert max(uses.values()) - min(uses.values()) <= 1


@settings(max_examples=100, deadline=None)
@given(NAMES, LATE, st.integers(1, 7), SECRETS)
def test_somebody_added_at_the_end_changes_nobody_else(names: list[str], late: list[str], forms: int, secret: bytes) -> None:
    before = assign_forms(names, formset(forms), secret, "s")
    after = assign_forms([*names, *late], formset(forms), secret, "s")
    assert {n: after[n] for n in names} == before


def test_the_secret_and_the_sitting_decide_and_every_form_is_as_likely_on_the_first_seat() -> None:
    names = [f"c{k:02d}" for k in range(24)]
    plans = {tuple(assign_forms(names, formset(4), SECRET, f"sitting {k}").values()) for k in range(50)}
    assert len(plans) == 50
    assert assign_forms(names, formset(4), SECRET, "a") == assign_forms(names, formset(4), SECRET, "a")
    for seat in (0, 1, 7):
        seen = Counter(
            list(assign_forms(names[: seat + 1], formset(4), k.to_bytes(32, "big"), "s").values())[seat] for k in range(800)
        )
        assert chisquare([seen[n] for n in "ABCD"]).pvalue > 1e-6


def test_a_derived_value_is_the_hmac_of_its_parts_each_with_its_length() -> None:
    """HMAC-SHA-256 by a general library (RFC 2104); 4-byte lengths keep parts apart."""
    parts = ("form", "spring", "0", "é")
    made = HMAC(SECRET, SHA256())
    for part in parts:
        data = part.encode("utf-8")
        made.update(struct.pack(">I", len(data)) + data)
    assert derived(SECRET, *parts) == made.finalize()
    assert len({derived(SECRET, *p) for p in (("ab", "c"), ("a", "bc"), ("abc",), ("abc", ""), ("", "abc"))}) == 5


def test_a_short_secret_and_a_name_on_the_list_twice_are_refused() -> None:
    with pytest.raises(FormError, match="the exam's secret has 31 bytes; make one of 32"):
        assign_forms(["a"], formset(2), bytes(31), "s")
    with pytest.raises(FormError, match="on the list twice: a, b; name everybody once"):
        assign_forms(["b", "a", "c", "b", "a"], formset(2), SECRET, "s")


def test_every_candidate_item_and_sitting_has_a_variant_of_its_own() -> None:
    many = {variant_of(SECRET, s, c, i) for s in ("one", "two") for c in ("a", "b", "ab") for i in ("x", "y", "bx")}
    many |= {variant_of(bytes(32), "one", "a", "x")}
    assert len(many) == 19 and all(v.startswith("exam-") and len(v) == 29 for v in many)
    assert variant_of(SECRET, "one", "a", "x") == variant_of(SECRET, "one", "a", "x")


def test_calls_are_the_forms_own_in_an_order_of_the_candidates_own() -> None:
    form = formset(1, 5).forms[0]
    orders = set()
    for k in range(60):
        calls = calls_of(f"c{k}", form, SECRET, "s")
        assert [c.id for c in calls] == [f"call-{n}" for n in range(1, 6)]
        assert sorted(c.item.id for c in calls) == sorted(i.id for i in form.items)
        assert all(c.variant == variant_of(SECRET, "s", f"c{k}", c.item.id) for c in calls)
        orders.add(tuple(c.item.id for c in calls))
    assert len(orders) > 30
    assert [c.item for c in calls_of("c1", form, SECRET, "s", shuffled=False)] == list(form.items)
    assert len({c.variant for k in range(60) for c in calls_of(f"c{k}", form, SECRET, "s")}) == 300
