"""Markdown and tables as typst source, and typst source as PDF.

Rule: a text from outside is never typst code: each run of text becomes a quoted string. Fonts are those that typst brings, the
time is fixed, so that the same source gives the same bytes on every machine.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from typing import Any

from markdown_it import MarkdownIt
from markdown_it.token import Token

from blowerbench.errors import BenchError

PAPERS = ("us-letter", "a4")
#: The time that stands in every PDF: what it says is the course's, not the moment's.
WHEN = datetime(2026, 1, 1, tzinfo=UTC)


class TypesetError(BenchError):
    """A page that could not be made; says why."""


def quoted(text: str) -> str:
    """`text` as a typst string literal."""
    # JSON's escapes are typst's but for those of control characters, which no printed text needs.
    plain = "".join(c if c >= " " or c in "\n\t" else " " for c in text)
    return json.dumps(plain, ensure_ascii=False).replace("\\u007f", " ").replace("\\b", " ").replace("\\f", " ")


def content(markdown: str) -> str:
    """A Markdown text as typst content, without the brackets around it."""
    parser = MarkdownIt("commonmark").enable("table")
    return "".join(_blocks(parser.parse(markdown)))


def _blocks(tokens: Sequence[Token]) -> Iterator[str]:
    k = 0
    while k < len(tokens):
        token = tokens[k]
        if token.type == "table_open":
            end = next(n for n in range(k, len(tokens)) if tokens[n].type == "table_close")
            yield _table(tokens[k : end + 1])
            k = end
        elif token.type == "inline":
            yield _inline(token.children or ())
        elif token.type in ("fence", "code_block"):
            yield f"#raw(block: true, {quoted(token.content.rstrip())})\n\n"
        else:
            yield _BLOCKS.get(token.type, "").replace("LEVEL", token.tag[1:] if token.tag[:1] == "h" else "")
        k += 1


_BLOCKS = {
    "paragraph_close": "\n\n", "heading_open": "#heading(level: LEVEL)[", "heading_close": "]\n\n",
    "bullet_list_open": "#list(", "bullet_list_close": ")\n\n", "ordered_list_open": "#enum(", "ordered_list_close": ")\n\n",
    "list_item_open": "[", "list_item_close": "],", "blockquote_open": "#quote(block: true)[", "blockquote_close": "]\n\n",
    "hr": "#line(length: 100%)\n\n",
}  # fmt: skip
_INLINE = {
    "strong_open": "#strong[", "strong_close": "]", "em_open": "#emph[", "em_close": "]", "softbreak": " ",
    "hardbreak": "#linebreak()",
}  # fmt: skip


def _inline(tokens: Sequence[Token]) -> str:
    made = []
    for token in tokens:
        if token.type in ("text", "html_inline"):
            made.append(f"#{quoted(token.content)};" if token.content else "")
        elif token.type == "code_inline":
            made.append(f"#raw({quoted(token.content)});")
        elif token.type == "image":
            made.append(f"#{quoted(token.content)};")
        else:  # a link keeps its words
            made.append(_INLINE.get(token.type, ""))
    return "".join(made)


def _table(tokens: Sequence[Token]) -> str:
    rows: list[list[str]] = []
    for token in tokens:
        if token.type == "tr_open":
            rows.append([])
        elif token.type == "inline":
            rows[-1].append(_inline(token.children or ()))
    return table(rows[0], rows[1:])


def table(head: Sequence[str], rows: Sequence[Sequence[str]], columns: str = "") -> str:
    """A typst table of cells that are content already; `columns` is typst's, one auto column per cell by default."""
    wide = columns or "(" + "auto, " * (len(head) - 1) + "1fr,)"
    top = ", ".join(f"[#strong[{cell}]]" for cell in head)
    body = ",\n".join(", ".join(f"[{cell}]" for cell in row) for row in rows)
    return f"#table(columns: {wide}, table.header({top}),\n{body})\n\n"


def pdf(body: str, title: str, language: str, paper: str = "us-letter", foot: str = "") -> bytes:
    """A PDF (PDF/UA-1 where typst can make it) of the typst content `body`; raises `TypesetError`."""
    return bytes(_compiled(_page(body, title, language, paper, foot), "pdf"))


def pictures(body: str, title: str, language: str, paper: str = "us-letter", foot: str = "") -> list[bytes]:
    """The pages of the same as PNG pictures."""
    made = _compiled(_page(body, title, language, paper, foot), "png")
    return [made] if isinstance(made, bytes) else list(made)


def _page(body: str, title: str, language: str, paper: str, foot: str) -> bytes:
    if paper not in PAPERS:
        raise TypesetError(f"no paper {paper!r}; use {' or '.join(PAPERS)}")
    head = f"""#set document(title: {quoted(title)}, author: "blowergrade", date: datetime(year: 2026, month: 1, day: 1))
#set page(paper: {quoted(paper)}, margin: (x: 2cm, top: 1.7cm, bottom: 1.9cm), numbering: "1 / 1",
  footer: context [#set text(8pt); #{quoted(foot)}; #h(1fr) #counter(page).display("1 / 1", both: true)])
#set text(font: ("Libertinus Serif",), size: 10.5pt, lang: {quoted(language[:2])})
#set par(leading: 0.6em)
#set table(stroke: 0.4pt + gray, inset: 4pt)
#show heading: set block(above: 1.1em, below: 0.6em)
"""
    return (head + body).encode()


def _compiled(source: bytes, kind: str) -> Any:
    import typst

    try:
        if kind == "pdf":
            return typst.compile(source, format="pdf", ignore_system_fonts=True, timestamp=WHEN, pdf_standards="ua-1")
        return typst.compile(source, format="png", ignore_system_fonts=True, timestamp=WHEN, ppi=70.0)
    except Exception as error:  # typst raises its own error types, and plain RuntimeErrors
        raise TypesetError(f"the page could not be typeset: {error}") from error
