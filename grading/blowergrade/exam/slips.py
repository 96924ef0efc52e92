"""What is printed before an exam: the proctor's code, and one slip with a personal code for each candidate.

Rule: nothing on a slip tells of forms or faults. Accommodations stand on the proctor's sheet, not on the candidate's slip.
"""

from __future__ import annotations

import html
from collections.abc import Mapping

from blowergrade.exam.folder import DESK
from blowergrade.exam.intake import plain
from blowergrade.exam.programme import Programme

STYLE = (
    "body{font-family:sans-serif;margin:1cm}section{border:1px dashed #666;padding:.4cm .6cm;margin:0 0 .4cm;"
    "break-inside:avoid}h2{font-size:1rem;margin:0}p{margin:.2cm 0}.code{font:700 1.5rem monospace;letter-spacing:.05em}"
    "table{border-collapse:collapse}td,th{border:1px solid #666;padding:.15cm .3cm;text-align:left}header{break-after:page}"
)
#: What a slip says, by language; {0} is the title.
SLIP = {
    "en": "Your personal code for this exam. Keep it to yourself: who has it can sit the exam in your name.",
    "es": "Su código personal para este examen. Guárdelo bien: quien lo tiene puede hacer el examen en su nombre.",
}


def slips(programme: Programme, codes: Mapping[str, str]) -> bytes:
    """The page to print and cut: the proctor's sheet first, then one slip a candidate, larger where large print was granted."""
    title = html.escape(programme.title)
    rows = "".join(
        f"<tr><td>{html.escape(c.id)}</td><td>{html.escape(plain(c.name))}</td>"
        f"<td>{html.escape(plain('; '.join(c.accommodation.words())))}</td></tr>"
        for c in programme.candidates
    )
    cut = "\n".join(
        f'<section lang="{html.escape(c.language)}" style="font-size:{c.accommodation.print_percent}%">'
        f"<h2>{html.escape(plain(c.name))}</h2><p>{title}</p><p class=code>{codes[c.id]}</p>"
        f"<p>{html.escape(SLIP.get(c.language, SLIP['en']))}</p></section>"
        for c in programme.candidates
    )
    page = (
        f'<!doctype html><html lang="en"><head><meta charset="utf-8"><title>Codes: {title}</title><style>{STYLE}</style></head>'
        f"<body><header><h1>{title}: for the proctor only</h1><p>The proctor's code, for the page <code>/proctor</code>:</p>"
        f"<p class=code>{codes[DESK]}</p><table><thead><tr><th>Id</th><th>Name</th><th>Granted</th></tr></thead>"
        f"<tbody>{rows}</tbody></table></header>\n{cut}\n</body></html>\n"
    )
    return page.encode()
