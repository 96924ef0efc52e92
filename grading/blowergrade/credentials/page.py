"""The school's verification page: one file that works without any server and without network.

Rule: it asks nothing of anybody and shows text as text only: its policy allows this one script and this one style sheet, known
by their digests. The keys and the status list in it are the school's; the profile is made from the very types that
`verify` uses. What it can't check it says.
"""

from __future__ import annotations

import base64
import hashlib
import json
from datetime import datetime
from importlib.resources import files
from typing import Any

import msgspec
from jinja2 import Environment, StrictUndefined
from markupsafe import Markup
from msgspec import inspect

from blowergrade.credentials import profile as p
from blowergrade.credentials.files import CredentialError
from blowergrade.credentials.issuer import IssuerDocument
from blowergrade.credentials.verify import verified_list


def verification_page(issuer: IssuerDocument, status: bytes | None = None, now: datetime | None = None) -> str:
    """The page of `issuer` as HTML, with the status list (a VC-JWT) in it where one is given. Raises `CredentialError`.

    A list that does not hold, or that is dated after `now` (an aware time, by default this moment), is not put into a page.
    """
    folder = files("blowergrade.credentials") / "page_parts"
    parts = {name: (folder / f"page.{name}").read_text("utf-8") for name in ("html", "css", "js")}
    listed = "no list of revoked certificates"
    if status is not None:
        listed = f"the school's list of revoked certificates of {verified_list(status, (issuer,), now).valid_from}"
    data = {
        "issuer": msgspec.to_builtins(issuer),
        "status": status.decode().strip() if status is not None else "",
        "shapes": {"certificate": shape(p.Credential), "list": shape(p.StatusList)},
    }
    policy = (
        f"default-src 'none'; script-src '{_digest(parts['js'])}'; style-src '{_digest(parts['css'])}'; "
        "base-uri 'none'; form-action 'none'"
    )
    page = Environment(autoescape=True, undefined=StrictUndefined, keep_trailing_newline=True).from_string(parts["html"])
    return page.render(
        policy=policy,
        style=Markup(parts["css"]),  # shipped with this program
        script=Markup(parts["js"]),  # shipped with this program
        data=Markup(_in_script(data)),  # no "<" is left in it
        name=issuer.name,
        made=issuer.made,
        keys=issuer.keys,
        listed=listed,
        statement=p.STATEMENT,
    )


def _digest(text: str) -> str:
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()


def _in_script(data: Any) -> str:
    """JSON that can't end the element it stands in."""
    text = json.dumps(data, separators=(",", ":"))
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")


def shape(kind: type[msgspec.Struct]) -> dict[str, Any]:
    """The closed profile of `kind` as data, for the page's own check."""
    return _shape(inspect.type_info(kind))


def _shape(found: inspect.Type) -> dict[str, Any]:
    match found:
        case inspect.StructType(fields=fields):
            members = {f.encode_name: {"needed": f.required, "shape": _shape(f.type)} for f in fields}
            return {"kind": "object", "members": members}
        case inspect.StrType(min_length=least, max_length=most, pattern=pattern):
            told = {"least": least, "most": most, "pattern": pattern and pattern.replace(r"\Z", "$")}
            return {"kind": "text", **{k: v for k, v in told.items() if v is not None}}
        case inspect.LiteralType(values=values):
            return {"kind": "one of", "values": list(values)}
        case inspect.BoolType():
            return {"kind": "truth"}
        case inspect.TupleType(item_types=items):
            return {"kind": "row", "items": [_shape(i) for i in items]}
        case inspect.VarTupleType(item_type=item, min_length=least, max_length=most):
            return {"kind": "list", "item": _shape(item), "least": least, "most": most}
        case inspect.UnionType(types=types) if all(isinstance(t, inspect.LiteralType) for t in types):
            return {"kind": "one of", "values": [v for t in types if isinstance(t, inspect.LiteralType) for v in t.values]}
        case _:
            raise CredentialError(f"the profile has a part {found!r} that the page has no words for")
