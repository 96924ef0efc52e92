"""Pictures of certificates and statistics for their guides: `python tests/browser/office_pictures.py [FOLDER]`.

Rule: every picture is a real certificate or a real page, made by the program from what `school_office` holds.
"""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

import msgspec
from browser.page import chromium
from browser.pictures import GUIDES, written
from playwright.sync_api import Browser, Page, sync_playwright
from school_office import COMPLETION, SCHOOL, TITLE, issuer, write_office

from blowergrade.cli import main as blowergrade
from blowergrade.credentials.issuer import IssuerFolder
from blowergrade.credentials.issuing import issue, published_list, revoke
from blowergrade.credentials.page import verification_page
from blowergrade.credentials.pdf import certificate_picture

ISSUED = datetime(2027, 5, 14, 9, tzinfo=UTC)
PASSPHRASE = "four grey herons by the weir"
COLOURS = 16  # text on white, one accent
#: A certificate's id and head on the picture, so that it is the same each time it is made.
SHOWN = "urn:uuid:53fe3840-3bc5-4baa-9e65-24295c4fab5c"


def pictures(browser: Browser, folder: Path) -> Iterator[Path]:
    """Write every picture into `folder`, one after another."""
    with tempfile.TemporaryDirectory() as base:
        place = Path(base)
        school = issuer(place / "keys", PASSPHRASE, ISSUED)
        made = issue(school, COMPLETION, PASSPHRASE, when=ISSUED)
        facts = msgspec.structs.replace(made.facts, credential_id=SHOWN)
        yield written(certificate_picture(facts, dots=80), folder / "certificates-page.png", COLOURS)
        yield from _checked(browser, place, folder, school, made.signed.jwt)
        revoke(school, made.facts.credential_id, "issued to the wrong person", ISSUED + timedelta(days=1))
        yield _refused(browser, place, folder, school, made.signed.jwt)
        yield from _statistics(browser, place, folder)


def _page(browser: Browser, file: Path, height: int = 900) -> Page:
    context = browser.new_context(offline=True, viewport={"width": 860, "height": height}, reduced_motion="reduce")
    page = context.new_page()
    page.clock.set_fixed_time(ISSUED + timedelta(days=3))
    page.goto(file.as_uri())
    return page


def _verified(browser: Browser, place: Path, school: IssuerFolder, certificate: bytes) -> Page:
    now = ISSUED + timedelta(days=2)
    html = verification_page(school.document, published_list(school, PASSPHRASE, now).jwt, now)
    (place / "verify.html").write_text(html, "utf-8")
    page = _page(browser, place / "verify.html")
    page.set_input_files("#file", {"name": "certificate.jwt", "mimeType": "text/plain", "buffer": certificate})
    page.locator("#verdict:not(:empty)").wait_for()
    page.evaluate("scrollTo(0, 0)")
    return page


def _checked(browser: Browser, place: Path, folder: Path, school: IssuerFolder, certificate: bytes) -> Iterator[Path]:
    page = _verified(browser, place, school, certificate)
    yield _part(page, "main > .school", "#unchecked", folder / "certificates-verify.png")


def _refused(browser: Browser, place: Path, folder: Path, school: IssuerFolder, certificate: bytes) -> Path:
    page = _verified(browser, place, school, certificate)
    return _part(page, "#verdict", "#why", folder / "certificates-revoked.png")


def _statistics(browser: Browser, place: Path, folder: Path) -> Iterator[Path]:
    write_office(place)
    told = ("--title", TITLE, "--school", SCHOOL)
    table, page = str(place / "results.csv"), str(place / "page.html")
    assert blowergrade(["statistics", table, "--blueprint", str(place / "blueprint.toml"), *told, "-o", page]) == 0
    shown = _page(browser, Path(page))
    yield _part(shown, "#passed", "[aria-labelledby=passed] .table", folder / "statistics-passed.png")
    form = ".form >> nth=0"
    yield _part(shown, f"{form} >> text=How far the totals", f"{form} >> dl", folder / "statistics-trust.png")
    yield _part(shown, f"{form} >> figure >> nth=1", f"{form} >> .table >> nth=3", folder / "statistics-calls.png")
    rounds = [str(place / f"round-{k}.csv") for k in (1, 2)]
    assert blowergrade(["angoff", "cut", *rounds, "--results", table, "--school", SCHOOL, "--title", TITLE, "-o", page]) == 0
    shown = _page(browser, Path(page))
    yield _part(shown, "h1", f"{form} >> figure >> nth=0", folder / "statistics-cut.png")


def _part(page: Page, first: str, last: str, path: Path) -> Path:
    """A picture of the page from the element `first` to the element `last`, over its whole width."""
    top, bottom = page.locator(first).first.bounding_box(), page.locator(last).first.bounding_box()
    assert top is not None and bottom is not None
    clip = {"x": 0, "y": top["y"] - 8, "width": 860, "height": bottom["y"] + bottom["height"] - top["y"] + 16}
    return written(page.screenshot(full_page=True, clip=clip), path, COLOURS)  # type: ignore[arg-type] # a rectangle


def main(arguments: Sequence[str]) -> int:
    """Write the pictures and say how large each is."""
    folder = Path(arguments[0]) if arguments else GUIDES
    folder.mkdir(parents=True, exist_ok=True)
    with sync_playwright() as playwright, chromium(playwright) as browser:
        for path in pictures(browser, folder):
            print(f"{path.name}: {path.stat().st_size // 1024} KiB")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
