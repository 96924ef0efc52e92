"""The forms report: its table and its picture say what the forms are, and no fault."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ElementTree
from pathlib import Path

import pytest
from exam.test_form_assignment import formset
from msgspec.structs import replace
from PIL import Image

from blowergrade.exam.form_model import FormError
from blowergrade.exam.forms import FormSet
from blowergrade.exam.forms_report import report_picture, report_text, save_picture


def uneven(status: str = "feasible") -> FormSet:
    """Three invented forms: 12.0, 12.5 and 11.0 levels; 40, 41.5 and 40 minutes."""
    forms = []
    for form, expected, seconds in zip(formset(3).forms, (0, 500, -1000), (0, 90, 0), strict=True):
        first = replace(form.items[0], expected=3000 + expected, seconds=600 + seconds)
        forms.append(replace(form, items=(first, *form.items[1:])))
    return replace(formset(3), forms=tuple(forms), status=status, objective=990_000, bound=90_000)


def test_the_table_says_what_each_form_is_and_how_far_they_lie_apart() -> None:
    text = report_text(uneven(), formset(3))
    rows = [line.split() for line in text.splitlines()[1:4]]
    assert rows == [["A", "12.000", "40.0", "4", "80"], ["B", "12.500", "41.5", "4", "80"], ["C", "11.000", "40.0", "4", "80"]]
    assert "Largest less smallest: 1.500 levels of difficulty, 1.50 simulated minutes." in text
    assert "Drawn by chance: 0.000 levels, 0.00 minutes." in text and "others could gain 15.00 minutes at most" in text
    assert len({len(line) for line in text.splitlines()[:4]}) == 1


def test_a_proven_set_says_so_and_forms_drawn_by_chance_claim_nothing() -> None:
    assert "Proven: no other forms from this pool are more alike." in report_text(uneven("optimal"))
    chance = report_text(uneven("random"))
    assert "Proven" not in chance and "others could" not in chance


def test_the_report_names_no_fault_and_no_item() -> None:
    shown = report_text(uneven()) + report_picture(uneven(), formset(3)).decode()
    for item in (i for f in uneven().forms for i in f.items):
        assert item.id not in shown and item.fault not in shown


def test_the_picture_is_the_same_for_the_same_forms_and_needs_nothing_from_elsewhere() -> None:
    picture = report_picture(uneven(), formset(3))
    assert picture == report_picture(uneven(), formset(3)) and picture != report_picture(uneven())
    root = ElementTree.fromstring(picture)
    assert root.tag.endswith("svg")
    assert not re.findall(rb'href="(?!#)', picture) and b"<script" not in picture and b"<text" not in picture


def test_the_longest_bar_is_that_of_the_longest_form(tmp_path: Path) -> None:
    """Measured on the picture itself: the dark bars of the right half, B's longer than A's and C's."""
    forms = uneven()
    first, second, third = forms.forms
    longer = replace(second, items=(replace(second.items[0], seconds=3000), *second.items[1:]))
    forms = replace(forms, forms=(first, longer, third))
    save_picture(tmp_path / "forms.png", forms)
    image = Image.open(tmp_path / "forms.png").convert("RGB")
    dark = (29, 91, 105)  # the bars' colour, 1d5b69
    lengths = []
    for y in range(image.height):
        row = [image.getpixel((x, y)) == dark for x in range(image.width // 2 + 12, image.width)]
        lengths.append(sum(row))
    runs = [max(lengths[y] for y in run) for run in stripes(lengths)]
    assert len(runs) == 3 and runs[1] / runs[0] == pytest.approx(80 / 40, abs=0.05) and runs[0] == pytest.approx(runs[2], abs=2)


def stripes(lengths: list[int]) -> list[list[int]]:
    """Runs of lines that hold any of a bar."""
    found: list[list[int]] = []
    for y, length in enumerate(lengths):
        if length > 5:
            if found and found[-1][-1] == y - 1:
                found[-1].append(y)
            else:
                found.append([y])
    return found


def test_many_forms_are_drawn_without_numbers_and_one_form_is_drawn_too() -> None:
    for forms in (1, 30):
        assert report_picture(formset(forms)).startswith(b"<?xml")


def test_another_ending_and_sets_of_different_forms_are_refused(tmp_path: Path) -> None:
    with pytest.raises(FormError, match=r"forms\.pdf: the picture is SVG or PNG"):
        save_picture(tmp_path / "forms.pdf", formset(2))
    with pytest.raises(FormError, match="the two sets have different forms"):
        report_picture(formset(2), formset(3))
    save_picture(tmp_path / "forms.svg", formset(2))
    assert (tmp_path / "forms.svg").read_bytes() == report_picture(formset(2))
