"""kill -9 of the service under load: no act that a client was told of is lost, and none is done twice.

Rule: clients speak HTTP over loopback and keep a list of what they were told; afterwards the journal's file is read with the
standard library's sqlite3 and its chains are computed with hashlib. Nothing is believed that the service says of itself.

The issue asks for 20 rounds; a run without BLOWER_LONG=1 takes as many as `sampling` says, at least two.
"""

from __future__ import annotations

import asyncio
import hashlib
import json
import random
import sqlite3
import time
from collections.abc import Iterable
from contextlib import closing, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import msgspec
import pytest
from alone import alone
from exam.hall_room import FURNACE, room
from exam.service_process import ServiceProcess
from exam.walks import walk
from sampling import sampled, seed
from tornado.httpclient import AsyncHTTPClient, HTTPClientError, HTTPRequest

from blowergrade.exam.attempt import Attempt
from blowergrade.exam.folder import ExamFolder
from blowergrade.exam.journal import ActRow, check_events
from blowergrade.exam.programme import Rules
from blowergrade.exam.sitting import Outage

ROUNDS = 20
PEOPLE = 6
LEAST = 5  # acts that each of them was told of before a kill
MINUTES = 60
MOST = 20_000  # acts that a candidate has ready: more than any run does
LOAD = Rules(tick_ms=0, guard_ms=0, rate=0.0, solvers=1, sign_seconds=0.5)
Told = tuple[int, int, str]  # intent's number, acts, receipt


@dataclass
class Client:
    """A candidate's page: sends its acts one after the other and writes down what it was told."""

    name: str
    code: str
    acts: list[dict[str, Any]]
    cookie: str = ""
    told: list[Told] = field(default_factory=list)
    sent: int = 0  # the newest intent
    again: int = 0  # intents that were sent a second time because nothing was heard
    left: int = 0  # ms on the clock, as last told

    @property
    def seq(self) -> int:
        """The number of the intent that is due: the first one that was not acknowledged."""
        return len(self.told) + 1

    async def ask(self, base: str, method: str, address: str, body: object = None) -> dict[str, Any]:
        """A request; raises `OSError` or `ConnectionError` where the service is gone."""
        request = HTTPRequest(
            base + address, method, {"Cookie": self.cookie}, None if body is None else json.dumps(body), request_timeout=20
        )
        try:
            response = await AsyncHTTPClient().fetch(request, raise_error=False)
        except HTTPClientError as error:  # the stream was closed
            raise ConnectionError(str(error)) from error
        assert response.code == 200, (address, response.code, response.body[:300])
        if "Set-Cookie" in response.headers:
            self.cookie = response.headers["Set-Cookie"].split(";")[0]
        found: dict[str, Any] = json.loads(response.body)
        return found

    async def enter(self, base: str) -> None:
        """Sign in and start the clock; once only."""
        await self.ask(base, "POST", "/sign-in", {"code": self.code})
        await self.ask(base, "POST", "/begin", {})

    async def work(self, base: str) -> None:
        """Open the call as a page does, then act until the service is gone."""
        with suppress(OSError, ConnectionError):
            self.left = (await self.ask(base, "GET", "/me"))["left"]
            await self.ask(base, "GET", "/call/k1")
            while True:
                await self.act(base)

    async def act(self, base: str) -> None:
        """Send the act that is due and note its receipt."""
        message = {"kind": "act", "view": "page", "seq": self.seq, "act": self.acts[self.seq - 1]}
        self.again += self.seq == self.sent
        self.sent = self.seq
        frame = await self.ask(base, "POST", "/call/k1", message)
        self.told.append((self.sent, frame["acts"], frame["receipt"]))


def acts_of(number: int) -> list[dict[str, Any]]:
    """Acts that a healthy bench accepts one after the other: a walk of readings, plugs and looks, then waiting."""
    begun = [msgspec.to_builtins(act) for act in walk(FURNACE, number, 60)]
    return begun + [{"do": "wait", "seconds": 1 + k % 50} for k in range(MOST)]


# ---------------------------------------------------------------------- the journal, read by other means
def chain_of(lines: Iterable[bytes]) -> list[tuple[str, dict[str, Any]]]:
    """Each line's chain value, computed, and its content; fails where one does not follow from the one before."""
    head, found = "0" * 64, []
    for line in lines:
        start = line.index(b'"body":') + len(b'"body":')
        body = line[start : line.rindex(b"}")]
        head = hashlib.sha256(head.encode() + b"\n" + body).hexdigest()
        assert json.loads(line)["chain"] == head
        found.append((head, json.loads(body)))
    return found


def verified(folder: ExamFolder, clients: list[Client]) -> int:
    """Read the journal's file and hold it against what every client was told; returns the acts that nobody was told of."""
    with closing(sqlite3.connect(folder.root / "journal.sqlite")) as reader:
        rows = reader.execute("SELECT attempt, seq, intent, line FROM acts ORDER BY attempt, seq").fetchall()
    untold = 0
    for client in clients:
        own = [(seq, intent, line) for attempt, seq, intent, line in rows if attempt == f"{client.name}/k1"]
        chain = chain_of(line for _, _, line in own)
        assert [seq for seq, _, _ in own] == list(range(len(own))), "a line is missing"
        done = [(content["act"], intent) for (_, content), (_, intent, _) in zip(chain[1:], own[1:], strict=True)]
        meant = [(act, f"page:{k}") for k, act in enumerate(client.acts[: len(done)], 1)]
        assert done == meant, "an act is lost, doubled or out of order"
        for seq, acts, receipt in client.told:
            assert acts == seq <= len(done), f"{client.name} was told of act {seq}; the journal ends at {len(done)}"
            assert receipt == chain[seq][0], f"{client.name}'s receipt of act {seq} is not the journal's"
        untold += len(done) - len(client.told)
    return untold


@dataclass
class Sum:
    """What the rounds came to."""

    told: int = 0
    untold: int = 0  # on the disk when the service died, but nobody had heard
    again: int = 0
    up: float = 0.0  # s for which the service was there
    orphans: list[int] = field(default_factory=list)


async def one_round(folder: ExamFolder, clients: list[Client], dice: random.Random, total: Sum) -> None:
    """Start the service, let all clients work, kill it at a moment that nobody knows, and look."""
    begun = time.monotonic()
    service = await asyncio.to_thread(ServiceProcess, folder.root)
    try:
        for client in clients:
            if not client.cookie:
                await client.enter(service.base)
        working = [asyncio.create_task(client.work(service.base)) for client in clients]
        before = [len(client.told) for client in clients]
        while not all(len(c.told) >= n + LEAST for c, n in zip(clients, before, strict=True)):  # the load is on
            await asyncio.sleep(0.01)
            for one in working:
                if one.done():
                    one.result()
        await asyncio.sleep(dice.uniform(0.05, 0.9))
        total.orphans += await asyncio.to_thread(service.children)
    finally:
        await asyncio.to_thread(service.kill)
    total.up += time.monotonic() - begun
    for done in await asyncio.wait_for(asyncio.gather(*working, return_exceptions=True), 30):
        assert done is None, done
    total.untold += verified(folder, clients)


async def finish(folder: ExamFolder, clients: list[Client]) -> None:
    """Once more without a kill: what was not acknowledged is sent again, and then the service ends in order."""
    service = await asyncio.to_thread(ServiceProcess, folder.root)
    try:
        for client in clients:
            client.left = (await client.ask(service.base, "GET", "/me"))["left"]
            await client.ask(service.base, "GET", "/call/k1")
            for _ in range(3):
                await client.act(service.base)
    finally:
        await asyncio.to_thread(service.stop)


def alive(process: int) -> bool:
    """Whether a process is still there and no zombie."""
    try:
        return Path(f"/proc/{process}/stat").read_text(encoding="ascii").rpartition(")")[2].split()[0] not in "ZX"
    except OSError:
        return False


@pytest.mark.slow
def test_no_acknowledged_act_is_lost_when_the_service_is_killed_under_load(tmp_path: Path) -> None:
    folder = room(tmp_path / "exam", PEOPLE, rules=LOAD, minutes=MINUTES, calls=[("healthy_unit", "nothing_blows")])
    clients = [Client(name, code, acts_of(k)) for k, (name, code) in enumerate(folder.codes.items()) if name != "proctor"]
    total, dice = Sum(), random.Random(seed())
    for _ in sampled(ROUNDS):
        alone(one_round(folder, clients, dice, total))
        total.told = sum(len(client.told) for client in clients)
    alone(finish(folder, clients))
    assert verified(folder, clients) == 0, "after sending again everything is acknowledged"
    assert total.told >= LEAST * PEOPLE * len(sampled(ROUNDS)), "there was a load"
    assert not [one for one in total.orphans if alive(one)], "a killed service leaves no solver behind"
    journal = folder.journal()
    events = journal.events()
    journal.close()
    assert check_events(events) == ""
    assert sum(isinstance(row.event, Outage) for row in events) == len(sampled(ROUNDS))
    for client in clients:  # a clock runs only while the service is there: what it was away for was added
        assert client.left >= 60_000 * MINUTES - 1000 * (total.up + 5)
    print(
        f"{len(sampled(ROUNDS))} kills: {total.told} acts acknowledged, 0 lost, {total.untold} on the disk but unheard, "
        f"{sum(client.again for client in clients)} sent again"
    )


def test_the_comparison_would_see_a_lost_a_changed_and_a_doubled_act(tmp_path: Path) -> None:
    """The control: an honest journal passes, and each way of losing something fails."""
    folder = room(tmp_path / "exam", 1, rules=LOAD, calls=[("healthy_unit", "nothing_blows")])
    client = Client("c01", folder.codes["c01"], acts_of(1))

    plan = folder.programme.plan("c01", "k1")
    assert plan is not None
    attempt, journal = Attempt(plan), folder.journal()
    answers = [attempt.begin()]
    attempt.page()
    for seq in range(1, 6):
        answers.append(attempt.hear({"kind": "act", "view": "page", "seq": seq, "act": client.acts[seq - 1]}))
        client.told.append((seq, answers[-1].acts, answers[-1].head))
    journal.add_acts([ActRow("c01/k1", k.seq, k.intent, k.digest, k.line, 0) for x in answers for k in x.lines]).result(10)
    journal.close()
    assert verified(folder, [client]) == 0
    whole = (folder.root / "journal.sqlite").read_bytes()
    for statement in (
        "DELETE FROM acts WHERE seq = 5", "DELETE FROM acts WHERE seq = 3", "UPDATE acts SET intent = 'page:4' WHERE seq = 5",
        "UPDATE acts SET line = CAST(replace(line, 'clock', 'clocK') AS BLOB) WHERE seq = 2",
    ):  # fmt: skip
        (folder.root / "journal.sqlite").write_bytes(whole)
        with closing(sqlite3.connect(folder.root / "journal.sqlite")) as hand, hand:
            hand.execute(statement)
        with pytest.raises(AssertionError):
            verified(folder, [client])
    (folder.root / "journal.sqlite").write_bytes(whole)
    client.told[-1] = (5, 5, "0" * 64)
    with pytest.raises(AssertionError, match="receipt of act 5"):
        verified(folder, [client])
