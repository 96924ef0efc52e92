"""The live class page: who is at work, stuck, unsafe, finished, while a supervised class goes on.

Rule: it is for the instructor's eyes, behind the desk's code, and reports what the calls showed. It names no fault, and nothing
on it reaches a grade.
"""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from concurrent.futures import Executor
from importlib.resources import files
from typing import Any

from blowergrade.classwork.follow import Patience, Seen, Standing, Watch, standing
from blowergrade.classwork.supervised import ITEM
from blowergrade.exam.attempt import Plan
from blowergrade.exam.hall import Hall, Refusal
from blowergrade.exam.web import DESK, Base
from blowergrade.exam.web_proctor import DeskBase

EVERY = 1.0  # seconds between two looks at what is new
FILES: Mapping[str, str] = {"class.js": "text/javascript", "class.css": "text/css"}


class Live:
    """What the class page shows of `hall`. `executor` has one thread, which does all following."""

    def __init__(self, hall: Hall, executor: Executor, patience: Patience = Patience()) -> None:  # noqa: B008 - it is frozen
        self._hall, self._executor, self._patience = hall, executor, patience
        self._watch = Watch(hall.journal.acts)
        self._seen: dict[str, Seen] = {}
        self._had: dict[str, int] = {}  # attempt → acts when it was last looked at
        self._task: asyncio.Task[None] | None = None
        hall.insight = self.insight

    async def start(self) -> None:
        """Follow everything that is there, and go on with it."""
        await self.look()
        self._task = asyncio.create_task(self._go_on())

    async def _go_on(self) -> None:
        while True:
            await asyncio.sleep(EVERY)
            await self.look()

    async def look(self) -> None:
        """Follow the calls in which something is new."""
        plans = [p for c in self._hall.programme.candidates if (p := self._new(c.id)) is not None]
        if plans:
            self._had |= {p.attempt: self._hall.acts.get(p.attempt, 0) for p in plans}
            self._seen |= await asyncio.get_running_loop().run_in_executor(self._executor, self._watch.look, plans)

    def _new(self, student: str) -> Plan | None:
        attempt = f"{student}/{ITEM}"
        acts = self._hall.acts.get(attempt)
        return None if acts is None or self._had.get(attempt) == acts else self._hall.programme.plan(student, ITEM)

    async def stop(self) -> None:
        """Follow no more."""
        if self._task is not None:
            self._task.cancel()
            await asyncio.gather(self._task, return_exceptions=True)

    # ------------------------------------------------------------------ what is shown
    def of(self, student: str) -> tuple[Seen, Standing]:
        """What the call of `student` showed, and how they stand now."""
        seen = self._seen.get(f"{student}/{ITEM}", Seen())
        here = self._hall.sitting.of(student).signed_in > 0
        return seen, standing(seen, here, self._hall.line.now(), self._patience)

    def insight(self, student: str) -> dict[str, Any]:
        """What the desk's table shows beside the hall's own: one sentence, and that a notebook holds no connection."""
        seen, stands = self.of(student)
        unsafe = f"unsafe {len(seen.broken)}×, last in act {seen.broken[-1].seq}" if seen.broken else ""
        words = "; ".join(filter(None, (stands.state, *stands.why, unsafe, seen.problem)))
        return {"work": words, "connected": self._hall.here(student) or stands.state in ("working", "stuck", "finished")}

    def state(self) -> dict[str, Any]:
        """The class as the page draws it; times in ms of the service's time line."""
        hall = self._hall
        return {
            "title": hall.programme.title, "school": hall.programme.school, "stage": hall.sitting.stage, "now": hall.line.now(),
            "students": [self._row(c.id, c.name) for c in hall.programme.candidates],
        }  # fmt: skip

    def _row(self, student: str, name: str) -> dict[str, Any]:
        seen, stands = self.of(student)
        now = self._hall.line.now()
        return {
            "id": student, "name": name, "state": stands.state, "why": stands.why, "acts": seen.acts,
            "idle": now - seen.last if seen.last else None, "since": None if seen.opened is None else now - seen.opened,
            "places": seen.places if seen.acts else None, "of": seen.of, "problem": seen.problem,
            "unsafe": [{"act": b.seq, "ago": now - b.at, "level": b.level, "what": b.what} for b in seen.broken],
            "marks": [{"ago": now - m.at, "kind": m.kind} for m in seen.marks],
        }  # fmt: skip


# ---------------------------------------------------------------------- on the web
class ClassHome(Base):
    """The class page."""

    def get(self) -> None:
        """The page; all else is asked for by its script."""
        self.set_header("Content-Type", "text/html; charset=utf-8")
        self.write(_read("class.html").replace("{known}", "yes" if self.get_cookie(DESK) else "no"))


class ClassFile(Base):
    """The class page's script and style."""

    def get(self, name: str) -> None:
        """One of `FILES`."""
        if name not in FILES:
            raise Refusal("nothing", "There is nothing at this address.", 404)
        self.set_header("Content-Type", f"{FILES[name]}; charset=utf-8")
        self.write(_read(name))


class ClassState(DeskBase):
    """The class as a table; for the desk only."""

    live: Live

    def initialize(self, hall: Hall, live: Live) -> None:  # type: ignore[override] # Tornado hands over what the address names
        """Tornado's: the service and what is followed."""
        super().initialize(hall)
        self.live = live

    async def get(self) -> None:
        """Everybody's standing, up to the newest act."""
        await self.live.look()
        self.answer(self.live.state())


def _read(name: str) -> str:
    return files("blowergrade.classwork").joinpath("pages").joinpath(name).read_text(encoding="utf-8")


def routes(hall: Hall, live: Live) -> tuple[Any, ...]:
    """The addresses of the class page, below the desk's."""
    return (
        (r"/proctor/class", ClassHome, {"hall": hall}), (r"/proctor/class/state", ClassState, {"hall": hall, "live": live}),
        (r"/proctor/(class\.\w{1,4})", ClassFile, {"hall": hall}),
    )  # fmt: skip
