"""A record as a forger writes it: changed lines under a chain that fits them."""

from __future__ import annotations

from typing import Any

import msgspec

from blowerbench.record import GENESIS, link


def chained(lines: list[dict[str, Any]]) -> bytes:
    """Record lines with a chain that fits them."""
    head, out = GENESIS, []
    for line in lines:
        body = msgspec.json.encode(line["body"])
        head = link(head, body)
        out.append(msgspec.json.encode({"chain": head, "body": msgspec.Raw(body)}) + b"\n")
    return b"".join(out)
