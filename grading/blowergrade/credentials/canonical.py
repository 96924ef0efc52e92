"""A JSON-LD document as canonical N-Quads (W3C RDF Dataset Canonicalization, RDFC-1.0): the text that is signed.

Rule: no network. The contexts are the two that ship here, each known by its SHA-256; any other address is refused, and so is a
member that no context defines, because it would be left out of what is signed.

pyld calls the algorithm by its former name URDNA2015. The two differ only in how control characters are escaped, and those
are refused (`strict.parse`).
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from functools import cache
from importlib.resources import files
from typing import Any

from blowergrade.credentials.files import CredentialError
from blowergrade.credentials.profile import CREDENTIALS, OPEN_BADGES

#: Address, file and SHA-256 of each context. The first digest is the one that W3C publishes (VC Data Model 2.0, appendix B.1).
PINNED = {
    CREDENTIALS: ("credentials-v2.jsonld", "59955ced6697d61e03f2b2556febe5308ab16842846f5b586d7f1f7adec92734"),
    OPEN_BADGES: ("open-badges-3.0.3.jsonld", "3d34f4d4ef1bce691106e63798beb5e7b862ba841423f5ee1e53ab7ddf3bca84"),
}


class NotCanonicalError(CredentialError):
    """A document of which a part would not be signed, or that asks for a context from elsewhere."""


#: pyld's parsed form of the pinned contexts, kept between calls.
_RESOLVED: dict[str, Any] = {}


@cache
def contexts() -> Mapping[str, Any]:
    """The pinned contexts by address; raises `NotCanonicalError` where a file is not the one that was pinned."""
    found = {}
    for address, (name, digest) in PINNED.items():
        data = (files("blowergrade.credentials") / "contexts" / name).read_bytes()
        if hashlib.sha256(data).hexdigest() != digest:
            raise NotCanonicalError(f"the context {name} is not the one that was pinned; install this release again")
        found[address] = json.loads(data)
    return found


def canonical(document: Mapping[str, Any], known: Mapping[str, Any] | None = None) -> str:
    """`document` as canonical N-Quads; raises `NotCanonicalError`. `known`: contexts it may name (default: the pinned)."""
    from pyld import jsonld
    from pyld.context_resolver import ContextResolver
    from pyld.jsonld import JsonLdError

    allowed = contexts() if known is None else known

    def load(address: str, options: Any) -> dict[str, Any]:
        if address not in allowed:
            raise NotCanonicalError(f"the context {str(address)[:80]!r} does not ship with this program; nothing is fetched")
        return {"contextUrl": None, "documentUrl": address, "document": allowed[address], "contentType": "application/ld+json"}

    def dropped(name: str) -> None:
        raise NotCanonicalError(f"no context defines the member {str(name)[:60]!r}, so nobody signed it")

    # A resolver of our own: pyld's shared one would remember a context that another caller allowed.
    resolver = ContextResolver(_RESOLVED if known is None else {}, load)
    # base None leaves a relative address as it is, for `_absolute` to see; "" would be taken for pyld's own example.org.
    options = {"documentLoader": load, "contextResolver": resolver, "base": None}
    try:
        expanded = jsonld.expand(dict(document), options, on_property_dropped=dropped)
        _absolute(expanded)
        made = jsonld.normalize(
            expanded, {**options, "algorithm": "URDNA2015", "format": "application/n-quads", "maxWorkFactor": 3}
        )
    except JsonLdError as error:
        cause = error.__cause__ or error.cause
        if isinstance(cause, NotCanonicalError):
            raise cause from error
        raise NotCanonicalError(f"it is no JSON-LD that can be signed ({str(error).splitlines()[0][:200]})") from error
    return str(made)


def _absolute(value: Any) -> None:
    """Refuse types and ids that are no absolute address: RDF leaves such statements out."""
    if isinstance(value, list):
        for inner in value:
            _absolute(inner)
    elif isinstance(value, dict):
        for name, inner in value.items():
            for text in (inner if isinstance(inner, list) else [inner]) if name in ("@id", "@type") else ():
                if ":" not in str(text):
                    raise NotCanonicalError(f"no context defines {str(text)[:60]!r}, so nobody signed it")
            _absolute(inner)
