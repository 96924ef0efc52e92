"""Issuers whom this user trusts: their documents, kept in a folder of the user's own.

Rule: trust is given once, by a command of its own, and never found beside a certificate: whoever forges a certificate would
send a forged issuer's document along in the same folder. A document is replaced by a later one only, since an older one does
not know which keys were revoked.
"""

from __future__ import annotations

import hashlib
import os
import sys
from pathlib import Path

from blowergrade.credentials import files
from blowergrade.credentials.files import CredentialError
from blowergrade.credentials.issuer import PUBLISHED, IssuerDocument, read_document
from blowergrade.credentials.strict import moment


def folder() -> Path:
    """Where trusted documents lie: BLOWER_TRUST where that is set, else the place that the system has for settings."""
    chosen = os.environ.get("BLOWER_TRUST", "")
    if chosen:
        return Path(chosen)
    if sys.platform == "win32":
        base = os.environ.get("APPDATA", "")
        user = Path(base) if base else Path.home() / "AppData" / "Roaming"
    elif sys.platform == "darwin":
        user = Path.home() / "Library" / "Application Support"
    else:
        base = os.environ.get("XDG_CONFIG_HOME", "")
        user = Path(base) if base else Path.home() / ".config"
    return user / "blowergrade" / "issuers"


def file_of(issuer: str) -> Path:
    """The file of the issuer whose id is `issuer`."""
    return folder() / f"{hashlib.sha256(issuer.encode()).hexdigest()[:32]}.json"


def trusted() -> list[IssuerDocument]:
    """All trusted issuers; raises `CredentialError` where a document is damaged, or where there is none."""
    found = [read_document(files.read(file)) for file in sorted(folder().glob("*.json"))]
    if not found:
        raise CredentialError(
            f"you trust no issuer yet; get {PUBLISHED} from the school and run `blowergrade issuer trust {PUBLISHED}`, "
            "or give --issuer FILE"
        )
    return found


def trust(document: IssuerDocument) -> Path:
    """Keep `document` as trusted, in place of an earlier one of the same issuer; raises `CredentialError`."""
    file = file_of(document.id)
    if file.exists():
        kept = read_document(files.read(file))
        if moment(document.made) < moment(kept.made):
            raise CredentialError(
                f"you have a later document of {kept.name}, of {kept.made}; this one is of {document.made} and may not know "
                "which keys were revoked since. Ask the school for its newest"
            )
        lost = {k.id for k in kept.keys} - {k.id for k in document.keys}
        freed = [k.id for k in kept.keys if k.revoked and not getattr(document.key(k.id), "revoked", "")]
        if lost or freed:
            raise CredentialError(
                f"a key of {kept.name} is gone or no longer revoked in this document, and a school never does that; "
                f"ask the school, and delete {file} only if it confirms the new document"
            )
    files.replace(file, document.json(), files.PRIVATE)
    return file
