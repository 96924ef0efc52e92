"""The certificate as a page for the wall: PDF, tagged for screen readers (PDF/UA-1) and for keeping (PDF/A-2a).

Rule: every text goes to the page as data, so a name that looks like markup is printed as it is spelled. The same facts give
the same bytes. A sign that no font has is an error, never an empty box.
"""

from __future__ import annotations

import json
import re
import unicodedata
from datetime import datetime
from functools import cache
from importlib.resources import files
from importlib.util import find_spec
from pathlib import Path
from typing import Any

from blowergrade.credentials.credential import CertificateFacts, checked, of_what
from blowergrade.credentials.files import CredentialError
from blowergrade.credentials.strict import moment
from blowergrade.typeset import PAPERS

#: The package that brings a font for Chinese, Japanese and Korean (Noto Sans CJK, SIL Open Font License 1.1).
FONT_PACKAGE = "noto-cjk-sans-otc"
_SERIF = "Libertinus Serif"
_MONTHS = (
    "January", "February", "March", "April", "May", "June",
    "July", "August", "September", "October", "November", "December",
)  # fmt: skip
_STATEMENTS = (
    "It certifies the completion of a training exam on simulated equipment.",
    "It is no licence, permit or refrigerant certification.",
    "It is no proof of competence on live equipment.",
)


def certificate_pdf(facts: CertificateFacts, paper: str = "us-letter") -> bytes:
    """The certificate as PDF on `paper` (us-letter or a4, landscape); raises `CredentialError`."""
    return bytes(_compiled(facts, paper, "pdf"))


def certificate_picture(facts: CertificateFacts, paper: str = "us-letter", dots: float = 96.0) -> bytes:
    """The same page as a PNG picture with `dots` pixels per inch."""
    made = _compiled(facts, paper, "png", dots)
    return made if isinstance(made, bytes) else bytes(made[0])


def qr_address(facts: CertificateFacts) -> str:
    """What the square says: the verification address, and which certificate it is about."""
    return f"{facts.verification}#{facts.credential_id.removeprefix('urn:uuid:')}"


def file_name(facts: CertificateFacts) -> str:
    """What a certificate's files are called, without the ending."""
    return "certificate-" + facts.credential_id.removeprefix("urn:uuid:")


def _compiled(facts: CertificateFacts, paper: str, kind: str, dots: float = 96.0) -> Any:
    import typst

    if paper not in PAPERS:
        raise CredentialError(f"no paper {paper!r}; use {' or '.join(PAPERS)}")
    data, folders = _data(facts, paper)
    options: dict[str, Any] = {
        "sys_inputs": {"data": json.dumps(data)}, "ignore_system_fonts": True, "font_paths": folders,
        "timestamp": moment(facts.issued),
    }  # fmt: skip
    source = (files("blowergrade.credentials") / "certificate.typ").read_bytes()
    try:
        if kind == "pdf":
            return typst.compile(source, format="pdf", pdf_standards=["ua-1", "a-2a"], **options)
        return typst.compile(source, format="png", ppi=dots, **options)
    except Exception as error:  # typst raises its own error types, and plain RuntimeErrors
        raise _explained(error, data) from error


def _data(facts: CertificateFacts, paper: str) -> tuple[dict[str, Any], list[Path]]:
    told, made = checked(facts.completion), moment(facts.issued)
    fonts, folders = _fonts(told.candidate + told.exam + told.form + told.program + facts.issuer_name)
    return {
        "title": f"Certificate of training completion: {told.exam}",
        "paper": paper,
        "fonts": fonts,
        "made": [made.year, made.month, made.day],
        "issuer": facts.issuer_name,
        "candidate": told.candidate,
        "exam": told.exam,
        "day": _day(datetime.fromisoformat(told.day)),
        "score": of_what(told.score, told.measure),
        "cut": of_what(told.cut, told.measure),
        "safety": "passed",
        "form": told.form,
        "program": told.program,
        "issued": _day(made),
        "until": _day(moment(facts.valid_until)) if facts.valid_until else "without end",
        "statements": list(_STATEMENTS),
        "id": facts.credential_id,
        "head": told.record_head,
        "file": file_name(facts) + ".jwt",
        "verification": facts.verification,
        "qr": _square(qr_address(facts)),
        "qr_words": f"Square code with the verification address {qr_address(facts)}",
    }, folders


def _day(when: datetime) -> str:
    """The date in words that every reader takes the same way: 20 November 2026."""
    return f"{when.day} {_MONTHS[when.month - 1]} {when.year}"


def _square(address: str) -> str:
    import segno

    return str(segno.make(address, error="m", micro=False).svg_inline(border=0, dark="#1b2a41", omitsize=True))


# ---------------------------------------------------------------------- fonts
def _fonts(text: str) -> tuple[list[str], list[Path]]:
    """Font families for `text` in order, and folders where typst finds those that it does not bring."""
    scripts = {unicodedata.name(c, "").split()[0] for c in text if not c.isascii()}
    if not scripts & {"CJK", "HANGUL", "HIRAGANA", "KATAKANA", "FULLWIDTH", "IDEOGRAPHIC", "BOPOMOFO"}:
        return [_SERIF], []
    folder = _cjk_folder()
    if folder is None:
        raise CredentialError(
            f"Chinese, Japanese or Korean signs need a font that is not installed; run: python -m pip install {FONT_PACKAGE}"
        )
    region = "KR" if "HANGUL" in scripts else "JP" if scripts & {"HIRAGANA", "KATAKANA"} else "SC"
    return [_SERIF, f"Noto Sans CJK {region}"], [folder]


@cache
def _cjk_folder() -> Path | None:
    found = find_spec(FONT_PACKAGE.replace("-", "_"))
    return Path(found.origin).parent if found is not None and found.origin else None


def _explained(error: Exception, data: dict[str, Any]) -> CredentialError:
    lacking = re.search(r"(?:no glyph|could not be displayed|missing glyph)[^\n]*", str(error))
    if lacking:
        return CredentialError(
            f"the fonts {', '.join(data['fonts'])} lack a sign that stands on the certificate ({lacking[0][:120]}); "
            f"write the name or title in Latin, Greek, Cyrillic, Chinese, Japanese or Korean script"
        )
    return CredentialError(f"the certificate could not be typeset: {error}")
