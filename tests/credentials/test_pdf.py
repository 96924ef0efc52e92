"""The certificate on paper: read back by another PDF reader, looked at as a picture, its square read by another reader.

Text and structure are read by pypdf, pictures are made by PDFium, the square is read by ZXing.
"""

from __future__ import annotations

import io
import re
from collections.abc import Iterator
from typing import Any

import msgspec
import pypdf
import pypdfium2
import pytest
import zxingcpp
from credentials.school import COMPLETION, School
from PIL.Image import Image
from pypdf.generic import RectangleObject

from blowergrade.credentials import pdf
from blowergrade.credentials.credential import CertificateFacts, Completion
from blowergrade.credentials.files import CredentialError
from blowergrade.credentials.pdf import certificate_pdf, qr_address

Pages = dict[str, bytes]
#: Invented people. Text extraction gives a name back as it was spelled.
NAMES = {
    "latin": "Zoë Håkansdóttir-Łuczak",
    "cyrillic": "Анна Сергеевна Лугова",
    "greek": "Ελένη Μαυρίδου",
    "chinese": "林晓舟",
    "japanese": "やまの はるか",
    "korean": "한새벽",
    "two scripts": "Robin 林晓舟 Ashdown",
}
#: What would do something if it were read as typst, HTML, JSON, a path or PDF: it is printed.
INJECTIONS = (
    '#read("/etc/passwd") #let x = 1', "$x^2$ *bold* _em_ `raw` @ref <label>", "] #panic() [", '"), text("forged',
    "<script>alert(1)</script>", "\\u{41} \\n // note /* x", '{"score": "100"}', "(Robin) Tj ET /JavaScript",
)  # fmt: skip


def facts_of(school: School, **changed: Any) -> CertificateFacts:
    return msgspec.structs.replace(school.issued.facts, completion=msgspec.structs.replace(COMPLETION, **changed))


def text_of(data: bytes) -> str:
    return " ".join("\n".join(page.extract_text() for page in reader(data).pages).split())


def reader(data: bytes) -> pypdf.PdfReader:
    return pypdf.PdfReader(io.BytesIO(data))


def picture(data: bytes, scale: float = 2.0) -> Image:
    with pypdfium2.PdfDocument(data) as document:
        assert len(document) == 1
        made: Image = document[0].render(scale=scale).to_pil().convert("L")
        return made


@pytest.fixture(scope="module")
def page(school: School) -> bytes:
    return school.issued.pdf


@pytest.mark.parametrize("script", NAMES)
def test_a_name_in_any_of_these_scripts_is_printed_as_it_is_spelled(school: School, script: str) -> None:
    made = certificate_pdf(facts_of(school, candidate=NAMES[script]))
    assert f"This certifies that {NAMES[script]} has passed" in text_of(made)
    assert fonts_of(made) and all(embedded for _, embedded in fonts_of(made))
    asian = script in ("chinese", "japanese", "korean", "two scripts")
    assert any("NotoSansCJK" in name for name, _ in fonts_of(made)) == asian


def fonts_of(data: bytes) -> set[tuple[str, bool]]:
    """Each font of the page by name, and whether it is embedded."""
    found = set()
    resources: Any = reader(data).pages[0]["/Resources"]
    for font in resources["/Font"].values():
        # a composite font holds the one that is drawn with
        for part in font.get_object().get("/DescendantFonts", [font]):
            descriptor = part.get_object()["/FontDescriptor"]
            embedded = any(name in descriptor for name in ("/FontFile2", "/FontFile3"))
            found.add((str(descriptor["/FontName"]), embedded))
    return found


@pytest.mark.parametrize("words", INJECTIONS)
def test_what_looks_like_markup_is_printed_as_text(school: School, words: str) -> None:
    made = certificate_pdf(facts_of(school, candidate=words, exam=f"Exam {words}", form=words[:20].strip(), program="1.0 #x"))
    told = text_of(made)
    assert f"This certifies that {words} has passed" in told
    assert f"the exam Exam {words} Date of the exam" in told
    assert active(reader(made)) == []


def active(document: pypdf.PdfReader) -> list[str]:
    """Whatever in a PDF may act: scripts, launches, links, files, forms."""
    names = {
        "/JavaScript", "/JS", "/Launch", "/URI", "/EmbeddedFile", "/OpenAction", "/AA", "/AcroForm", "/Annots", "/RichMedia",
    }  # fmt: skip

    def names_in(value: Any) -> Iterator[str]:
        if isinstance(value, dict):
            yield from (str(k) for k in value)
        if isinstance(value, (dict, list)):  # what is referred to is among the objects
            for part in value.values() if isinstance(value, dict) else value:
                yield from names_in(part)
        elif isinstance(value, str):
            yield value

    numbers = {k for generation in document.xref.values() for k in generation} | set(document.xref_objStm)
    objects = [document.trailer, *(document.get_object(k) for k in sorted(numbers))]
    return sorted({name for value in objects for name in names_in(value)} & names)


def test_an_active_part_would_be_seen() -> None:
    """The control for the check above."""
    writer = pypdf.PdfWriter()
    writer.add_blank_page(100, 100)
    writer.add_uri(0, "https://evil.example", RectangleObject((0, 0, 9, 9)))
    writer.add_attachment("note.txt", b"read me")
    held = io.BytesIO()
    writer.write(held)
    assert {"/URI", "/Annots", "/EmbeddedFile"} <= set(active(reader(held.getvalue())))


@pytest.mark.parametrize("sign", ["ع", "ก", "😀", "ह"])
def test_a_sign_that_no_font_has_is_an_error_and_never_an_empty_box(school: School, sign: str) -> None:
    with pytest.raises(CredentialError, match="lack a sign that stands on the certificate"):
        certificate_pdf(facts_of(school, candidate=f"Robin {sign}"))


def test_without_the_font_package_the_message_names_it(school: School, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pdf, "_cjk_folder", lambda: None)
    with pytest.raises(CredentialError, match="pip install noto-cjk-sans-otc"):
        certificate_pdf(facts_of(school, candidate=NAMES["chinese"]))
    assert certificate_pdf(facts_of(school, candidate=NAMES["cyrillic"]))


def test_the_page_says_what_the_record_shows_and_what_the_certificate_is_not(school: School, page: bytes) -> None:
    told, facts = text_of(page), school.issued.facts
    for words in (
        "Ashbrook Trade School", "Robin Ashdown", "Diagnosis of furnace blowers", "Date of the exam 26 February 2027",
        "Score 86.5 of 100 points", "Needed to pass 70 of 100 points", "Safety gate passed", "Issued 1 March 2027",
        "Valid until 29 February 2028", "Form of the exam B-2", "Program version 0.1.0", COMPLETION.record_head,
        facts.credential_id, facts.verification, "on simulated equipment and under supervision",
        "It certifies the completion of a training exam on simulated equipment.",
        "It is no licence, permit or refrigerant certification.", "It is no proof of competence on live equipment.",
    ):  # fmt: skip
        assert words in told, words
    assert COMPLETION.recipient not in told


def test_accommodations_have_no_place_on_a_certificate(page: bytes) -> None:
    """Whoever sat with extra time gets the very same page: there is no field for it, and no word of it."""
    assert not re.search(r"accommodat|extra time|extended|separate room|special", text_of(page), re.IGNORECASE)
    assert set(Completion.__struct_fields__) == {
        "candidate", "recipient", "exam", "form", "day", "score", "cut", "measure", "safety_gate", "program", "record_head",
        "recipient_kind", "name_in_credential",
    }  # fmt: skip


@pytest.mark.parametrize("paper", ["us-letter", "a4"])
def test_the_square_is_read_as_the_verification_address(school: School, paper: str) -> None:
    """Printed at 150 dots per inch and photographed slightly askew."""
    shot = picture(certificate_pdf(school.issued.facts, paper), 150 / 72).rotate(4, fillcolor=255, expand=True)
    assert [found.text for found in zxingcpp.read_barcodes(shot)] == [qr_address(school.issued.facts)]
    assert qr_address(school.issued.facts).startswith("https://ashbrook.example/verify#")


def test_a_page_is_of_its_paper_and_of_the_same_bytes_each_time(school: School) -> None:
    sizes = {"us-letter": (792, 612), "a4": (842, 595)}  # points, landscape: ANSI/ASME Y14.1, ISO 216
    for paper, size in sizes.items():
        made = certificate_pdf(school.issued.facts, paper)
        box = reader(made).pages[0].mediabox
        assert (round(box.width), round(box.height)) == size
        assert certificate_pdf(school.issued.facts, paper) == made
    with pytest.raises(CredentialError, match="us-letter or a4"):
        certificate_pdf(school.issued.facts, "legal")


WIDE = {"latin": "W" * 120, "words": "Wolframson " * 10 + "Longfellow", "chinese": "龘" * 120, "short": "X"}


@pytest.mark.parametrize("name", WIDE)
def test_the_longest_texts_stay_on_one_page_inside_the_frame(school: School, name: str) -> None:
    facts = facts_of(school, candidate=WIDE[name], exam=WIDE[name], form=WIDE[name][:40], program=WIDE[name][:40])
    facts = msgspec.structs.replace(facts, issuer_name=WIDE[name])
    for paper in ("us-letter", "a4"):
        shot = picture(certificate_pdf(facts, paper))
        wide, high = shot.size
        margin = 20  # pixels at 144 dots per inch: a third of a centimetre, outside the frame
        edges = [
            shot.crop((0, 0, wide, margin)), shot.crop((0, high - margin, wide, high)),
            shot.crop((0, 0, margin, high)), shot.crop((wide - margin, 0, wide, high)),
        ]  # fmt: skip
        assert [edge.getextrema() for edge in edges] == [(255, 255)] * 4
        between = [shot.crop((85, 130, 125, high - 130)), shot.crop((wide - 125, 130, wide - 85, high - 130))]
        assert [part.getextrema() for part in between] == [(255, 255)] * 2, "text runs into the frame"
        assert [found.text for found in zxingcpp.read_barcodes(shot)] == [qr_address(facts)], "the square is covered"


def test_a_page_is_tagged_for_screen_readers_and_marked_for_keeping(page: bytes) -> None:
    """What PDF/UA-1 (ISO 14289-1, clauses 5 and 7) and PDF/A-2a (ISO 19005-2, clause 6) ask for and a reader can see."""
    document = reader(page)
    root: Any = document.root_object
    assert root["/MarkInfo"]["/Marked"] == True  # noqa: E712  pypdf's own boolean, which is no bool
    assert root["/Lang"] == "en"
    assert root["/ViewerPreferences"]["/DisplayDocTitle"] == True  # noqa: E712  as above
    assert root["/OutputIntents"][0]["/S"] == "/GTS_PDFA1"
    held = root["/Metadata"].get_data().decode("utf-8")
    for mark in ("pdfuaid:part>1<", "pdfaid:part>2<", "pdfaid:conformance>A<", "Certificate of training completion"):
        assert mark in held, mark
    kinds, words = tags(root["/StructTreeRoot"])
    assert kinds.count("/H1") == 1 and "/H2" in kinds and "/P" in kinds
    assert [w for w in words if w.startswith("Square code with the verification address")]
    assert kinds.count("/Figure") == 1


def tags(node: Any) -> tuple[list[str], list[str]]:
    """The kinds of all tagged parts below `node`, and their alternative texts."""
    kinds: list[str] = []
    words: list[str] = []
    node = node.get_object() if hasattr(node, "get_object") else node
    if isinstance(node, list):
        below = [tags(k) for k in node]
    elif isinstance(node, dict):
        kinds += [str(node["/S"])] if "/S" in node else []
        words += [str(node["/Alt"])] if "/Alt" in node else []
        below = [tags(node["/K"])] if "/K" in node else []
    else:
        below = []
    for more_kinds, more_words in below:
        kinds += more_kinds
        words += more_words
    return kinds, words
