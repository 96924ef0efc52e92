"""The school's verification page as an employer opens it: a file in a real Chromium, without any network."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path
from shutil import copytree

import msgspec
import pytest
from browser.test_access import violations, wear
from credentials.forgeries import JSON_FORGERIES, JWT_FORGERIES
from credentials.school import COMPLETION, ISSUED, NOW, PASSPHRASE, School
from credentials.school import school as make_school
from playwright.sync_api import Browser, Dialog, Page

from blowergrade.credentials import keys
from blowergrade.credentials.issuer import IssuerFolder
from blowergrade.credentials.issuing import issue, published_list, revoke
from blowergrade.credentials.page import verification_page
from blowergrade.credentials.profile import STATEMENT


@pytest.fixture(scope="module")
def school(tmp_path_factory: pytest.TempPathFactory) -> Iterator[School]:
    """The school whose page it is; guessing its passphrase is made cheap."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(keys, "COST", 1 << 10)
        folder = tmp_path_factory.mktemp("school") / "issuer"
        yield make_school(folder, "https://ashbrook.example/issuer", "Ashbrook Trade School")


@pytest.fixture(scope="module")
def rival(tmp_path_factory: pytest.TempPathFactory) -> Iterator[School]:
    """Another school."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(keys, "COST", 1 << 10)
        folder = tmp_path_factory.mktemp("rival") / "issuer"
        yield make_school(folder, "https://millbrook.example/issuer", "Millbrook Institute")


class Reader:
    """Somebody with the page and a certificate's file, and no network. `asked` is all that the page asked for."""

    def __init__(self, browser: Browser, folder: Path, html: str, now: datetime = NOW) -> None:
        self.folder = folder
        self.context = browser.new_context(offline=True, viewport={"width": 900, "height": 1200})
        self.page: Page = self.context.new_page()
        self.asked: list[str] = []
        self.errors: list[str] = []
        self.page.on("request", lambda request: self.asked.append(request.url))
        self.page.on("pageerror", lambda error: self.errors.append(str(error)))
        self.page.on("console", lambda message: self.errors.append(message.text))
        self.page.on("dialog", self._asked_back)
        self.page.clock.set_fixed_time(now)
        (folder / "verify.html").write_text(html, "utf-8")
        self.page.goto((folder / "verify.html").as_uri())

    def _asked_back(self, dialog: Dialog) -> None:
        self.errors.append(dialog.message)
        dialog.dismiss()

    def verdict(self, data: bytes | str, name: str = "certificate.jwt") -> str:
        """The heading that the page shows for a file."""
        self.page.evaluate("document.getElementById('verdict').textContent = ''")
        content = data.encode() if isinstance(data, str) else data
        self.page.set_input_files("#file", {"name": name, "mimeType": "text/plain", "buffer": content})
        self.page.locator("#verdict:not(:empty)").wait_for()
        return self.page.inner_text("#verdict")

    @property
    def why(self) -> str:
        """Its reason."""
        return self.page.inner_text("#why")


@pytest.fixture
def reader(browser: Browser, school: School, tmp_path: Path) -> Iterator[Reader]:
    """The page with the school's list of the day after the certificate was issued."""
    made = Reader(browser, tmp_path, verification_page(school.document, school.listed.jwt, NOW))
    yield made
    assert made.errors == []
    assert made.asked == [(tmp_path / "verify.html").as_uri()], "the page asks for nothing but itself"
    made.context.close()


def test_a_good_certificate_is_valid_and_says_what_it_is_not(reader: Reader, school: School) -> None:
    assert reader.verdict(school.jwt) == "Valid"
    shown = reader.page.inner_text("#result")
    for words in (
        "Robin Ashdown", "Diagnosis of furnace blowers", "2027-02-26", "86.5 of 100, 70 needed", "B-2",
        COMPLETION.record_head, school.issued.facts.credential_id, "Not revoked, by the school's list of 2027-03-02",
        "Whether the person before you is the one named.", "Revocations after 2027-03-02",
    ):  # fmt: skip
        assert words in shown, words
    assert shown.count(STATEMENT) == 1 and STATEMENT in reader.page.inner_text("main section:last-of-type")
    assert reader.page.evaluate("document.activeElement.id") == "verdict"  # so that a screen reader reads it out


#: What the page says, where it says more than that the signature does not hold.
REASONS = {
    "alg none with a signature": "the header is not exactly alg RS256",
    "HS256 with the public key": "the header is not exactly alg RS256",
    "HS256 called RS256": "Its signature does not hold",
    "changed score": "Its signature does not hold",
    "key in the header": "the header is not exactly alg RS256",
    "undefined member": "has the unknown member isLicensed",
    "claim exp differs": "its claim exp differs",
    "kid of another issuer": "names a key that is none of Ashbrook",
}


def test_every_forged_token_is_refused_and_nothing_of_it_is_shown(reader: Reader, school: School, rival: School) -> None:
    assert set(REASONS) <= set(JWT_FORGERIES)
    for name, (forge, _, _) in JWT_FORGERIES.items():
        assert reader.verdict(forge(school, rival)) == "Not valid", name
        assert reader.why and REASONS.get(name, "") in reader.why, (name, reader.why)
        assert "Robin" not in reader.page.inner_text("#result") and reader.page.inner_text("#facts") == "", name
    assert reader.verdict(school.jwt) == "Valid", "the control"


def test_a_certificate_of_another_school_is_refused(reader: Reader, rival: School) -> None:
    assert reader.verdict(rival.jwt) == "Not valid"
    assert reader.why == "Its issuer is another one than Ashbrook Trade School; ask that issuer."


def test_the_other_kind_of_file_is_not_judged_here_whether_good_or_forged(
    reader: Reader, school: School, rival: School
) -> None:
    for data in (school.issued.signed.json, JSON_FORGERIES["changed score"][0](school, rival)):
        assert reader.verdict(data, "certificate.json") == "Not checked"
        assert "blowergrade verify" in reader.page.inner_text("#unchecked")
        assert reader.page.inner_text("#facts") == ""


def test_rubbish_is_refused_without_an_error(reader: Reader) -> None:
    for data in (b"", b"\xff\xd8\xff", b"a.b.c", b"..", b"hello", b"e30.e30.e30", b"x" * ((2 << 20) + 1)):
        assert reader.verdict(data) == "Not valid" and reader.why, data[:20]


def test_the_end_of_a_certificate_counts_on_this_device_s_clock(reader: Reader, school: School) -> None:
    reader.page.clock.set_fixed_time(ISSUED + timedelta(days=365))
    assert reader.verdict(school.jwt) == "Not valid"
    assert reader.why == "Expired: it ended 2028-02-29T09:00:00Z."
    reader.page.clock.set_fixed_time(ISSUED + timedelta(days=200))
    assert reader.verdict(school.jwt) == "Valid"
    assert "Not checked for revocation: the list in this page ended" in reader.page.inner_text("#unchecked")
    reader.page.clock.set_fixed_time(ISSUED - timedelta(days=1))
    assert reader.verdict(school.jwt) == "Not valid" and "Not yet valid" in reader.why


def test_revoked_certificates_and_revoked_keys_are_refused(browser: Browser, school: School, tmp_path: Path) -> None:
    folder = IssuerFolder(copytree(school.folder.root, tmp_path / "issuer"))
    name = "<img src=x onerror=alert(1)> </script><b>Robin"
    other = issue(folder, msgspec.structs.replace(COMPLETION, candidate=name), PASSPHRASE, when=ISSUED)
    revoke(folder, school.issued.facts.credential_id, "issued to the wrong person", ISSUED + timedelta(days=2))
    listed = published_list(folder, PASSPHRASE, ISSUED + timedelta(days=3))
    reader = Reader(browser, tmp_path, verification_page(folder.document, listed.jwt, NOW))
    assert reader.verdict(school.jwt) == "Not valid"
    assert reader.why == "Revoked: the school's list of 2027-03-04T09:00:00Z says so."
    assert reader.verdict(other.signed.jwt) == "Valid"
    assert reader.page.inner_text("#facts td") == name, "a name that looks like markup is shown as it is spelled"
    assert reader.page.locator("#result img, #result script, #result b").count() == 0

    folder.revoke_key(folder.document.signing("RSA").id, "laptop stolen", NOW)
    later = Reader(browser, tmp_path, verification_page(folder.document))
    assert later.verdict(other.signed.jwt) == "Not valid" and "laptop stolen" in later.why
    assert reader.errors == later.errors == []
    reader.context.close()
    later.context.close()


def test_a_page_without_a_list_says_that_revocation_was_not_checked(browser: Browser, school: School, tmp_path: Path) -> None:
    document = msgspec.structs.replace(school.document, name="</script><script>alert(1)</script> & Sons")
    reader = Reader(browser, tmp_path, verification_page(document))
    assert reader.verdict(school.jwt) == "Valid"
    assert "Not checked for revocation: this page holds no list" in reader.page.inner_text("#unchecked")
    assert reader.page.inner_text(".school") == document.name
    assert reader.errors == []
    reader.context.close()


def test_another_list_than_the_certificate_s_does_not_answer_for_it(browser: Browser, school: School, tmp_path: Path) -> None:
    listed = {k: v for k, v in json.loads(school.listed.json).items() if k != "proof"}
    other = school.signed({**listed, "id": "https://ashbrook.example/issuer/status/2"}).jwt
    reader = Reader(browser, tmp_path, verification_page(school.document, other, NOW))
    assert reader.verdict(school.jwt) == "Not valid"
    assert reader.why == "The list in this page is another one than the certificate names."
    reader.context.close()


def test_everybody_can_use_the_page(reader: Reader, school: School, rival: School) -> None:
    """axe (WCAG 2.2 A and AA): before a file, with a valid and with a refused one; a narrow screen scrolls one way only."""
    files = {"no file": "", "valid": school.jwt, "refused": JWT_FORGERIES["changed score"][0](school, rival)}
    for name, data in files.items():
        if data:
            reader.verdict(data)
        for theme in ("light", "dark", "forced"):
            wear(reader.page, theme)
            assert violations(reader.page) == [], (name, theme)
    reader.page.set_viewport_size({"width": 320, "height": 700})  # WCAG 2.2, 1.4.10
    reader.verdict(school.jwt)
    assert reader.page.evaluate("document.documentElement.scrollWidth") <= 320
    reader.page.keyboard.press("Shift+Tab")
    assert reader.page.evaluate("document.activeElement.id") == "file"
