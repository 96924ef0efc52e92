"""The bench over the network for supervised class work: what `blowerbench.remote.RemoteBench` speaks to.

Rule: acts and observations only, each act with an id of its own, so that sending it twice does it once. In an exam this door is
shut: candidates use the page.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import msgspec

from blowerbench.equipment import load_equipment
from blowerbench.sealed import SealError, plain_code
from blowergrade.exam.hall import Hall, Refusal
from blowergrade.exam.web import FRAME_WIDTH, Base
from blowergrade.exam.web_candidate import sign_in


class BenchBase(Base):
    """Only where the sitting is class work."""

    async def prepare(self) -> None:
        """Shut in an exam."""
        await super().prepare()
        if self.hall.programme.kind != "class":
            raise Refusal("page_only", "An exam is sat on its page, not in a notebook.", 403)


class Open(BenchBase):
    """A personal code for a bench."""

    async def post(self) -> None:
        """Open the bench of a code: its token, unit and complaint, and the lines so far."""
        body = self.body()
        try:
            one = self.hall.by_code(plain_code(str(body.get("code", ""))[:100]))
        except SealError as error:
            raise Refusal("no_code", str(error), 403) from error
        if one is None:
            raise Refusal("no_code", status=403)
        items = self.hall.programme.items(one.id)
        item = str(body.get("item") or (items[0] if items else ""))
        plan = self.hall.programme.plan(one.id, item)
        if plan is None:
            raise Refusal("no_call", f"There is no such call for this code; there are {', '.join(items)}.", 404)
        await sign_in(self.hall, one.id)
        await self.hall.begin(one.id)
        view = await self.hall.view(one.id, item)  # builds the attempt, and writes its header down
        await self.hall.begun(one.id, item)
        lines = await self.hall.lines(one.id, item)
        self.answer({
            "token": self.hall.token(one.id, self.hall.sitting.of(one.id).signed_in), "item": item,
            "equipment": plan.equipment, "equipment_digest": load_equipment(plan.equipment).digest,
            "complaint": plan.complaint, "language": plan.language, "assignment": plan.assignment,
            "lines": told(lines), "head": msgspec.json.decode(lines[-1])["chain"],
            "view": msgspec.Raw(view),
        })  # fmt: skip


class Act(BenchBase):
    """One act."""

    async def post(self, item: str) -> None:
        """Do it; what comes back is on the disk."""
        name, body = self.candidate(), self.body()
        intent = body.get("id")
        if not isinstance(intent, str) or not 8 <= len(intent) <= 100:
            raise Refusal("no_id", "An act needs an id of 8 to 100 characters, the same when it is sent again.", 400)
        answer, view = await self.hall.act(name, item, intent, body.get("act"))
        heard: dict[str, Any] = {"outcome": answer.outcome, "view": msgspec.Raw(view), "head": answer.head}
        self.answer(heard, FRAME_WIDTH)


class Look(BenchBase):
    """What the bench may show."""

    async def get(self, item: str) -> None:
        """The view, and the lines after `?after=N`."""
        name = self.candidate()
        after = self.get_query_argument("after", "0")
        if not (after.isascii() and after.isdigit() and len(after) < 7):
            raise Refusal("no_number", "`after` is the number of an act.", 400)
        lines = await self.hall.lines(name, item)
        self.answer({"view": msgspec.Raw(await self.hall.view(name, item)), "lines": told(lines, int(after))})


def told(lines: Sequence[bytes], after: int = 0) -> list[str]:
    """The acts after number `after`. Never the header: with the variant's name somebody could play every fault at home."""
    return [x.decode() for x in lines[1 + after :]]


def routes(hall: Hall) -> list[Any]:
    """The addresses of this door."""
    made = {"hall": hall}
    return [(r"/bench/open", Open, made), (r"/bench/act/([\w-]{1,60})", Act, made), (r"/bench/look/([\w-]{1,60})", Look, made)]
