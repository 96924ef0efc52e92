"""The guides' pictures: there, small, and made by the tool that stands beside this file."""

from __future__ import annotations

import re
from pathlib import Path

from browser import exam_pictures, office_pictures
from browser.pictures import GUIDES, pictures
from playwright.sync_api import Browser


def test_every_picture_of_a_guide_lies_beside_it_says_what_it_shows_and_is_small() -> None:
    shown = [x for guide in GUIDES.glob("*.md") for x in re.findall(r"!\[(.*?)\]\((.*?)\)", guide.read_text(encoding="utf-8"))]
    assert len(shown) >= 7
    for words, name in shown:
        assert len(words) > 10, f"{name} needs words for who can't see it"
        assert (GUIDES / name).is_file()
    sizes = [p.stat().st_size for p in GUIDES.glob("*.png")]
    assert max(sizes) <= 150_000 and sum(sizes) <= 900_000  # bytes; a school's line is slow


def test_the_tools_make_their_guides_first_pictures_of_the_same_size(browser: Browser, tmp_path: Path) -> None:
    for tool in (pictures, exam_pictures.pictures, office_pictures.pictures):
        made = next(tool(browser, tmp_path))
        kept = GUIDES / made.name
        # a PNG's width and height stand at bytes 16 to 24 (W3C, PNG specification, IHDR; from memory)
        assert made.read_bytes()[16:24] == kept.read_bytes()[16:24]
