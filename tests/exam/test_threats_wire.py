"""The threat table, second half: what somebody could try at the door: tokens, texts, sizes, speeds, addresses."""

from __future__ import annotations

import asyncio
import csv
import io
import json
import time
from contextlib import suppress
from pathlib import Path
from typing import Any

import msgspec
import pytest
from exam.hall_room import AT_ONCE, room
from exam.served import UPGRADE, Reply, Served, act, heard, run

from blowergrade.classwork.codes import new_code
from blowergrade.exam import service
from blowergrade.exam.folder import ExamFolder, digest_of, make_folder
from blowergrade.exam.programme import Candidate, ExamError, Rules, unseal
from blowergrade.exam.service import Place
from blowergrade.exam.slips import slips

#: Texts that do harm where somebody trusts them: in HTML, a spreadsheet, a terminal, a line of text.
HOSTILE = (
    "<script>alert(1)</script>", '"><img src=x onerror=alert(1)>', '=HYPERLINK("http://192.0.2.1";"x")',
    "+1+cmd|' /C calc'!A0", "@SUM(A1:A9)", "-2+3", "\tTab", "Zed\u202egnp.exe", "Nul\0l", "\x1b[31mred", "{{7*7}}", "${7*7}",
    "'; DROP TABLE acts;--", "Line\r\nSet-Cookie: a=b", "../../etc/passwd", "\u2066isolated",
)  # fmt: skip


# ---------------------------------------------------------------------- stolen token
def test_only_the_proctor_lets_somebody_in_again_and_the_token_before_is_dead_at_once(tmp_path: Path) -> None:
    async def work(served: Served) -> None:
        desk = await served.desk()
        stolen = await served.enter("c01")
        code = {"code": served.folder.codes["c01"]}
        thief = await served.page(stolen)
        await thief.ask({"item": "k1"})
        for _ in range(3):
            again = await served.ask("POST", "/sign-in", code)
            assert (again.status, again.word) == (403, "signed_in")
        assert (await served.ask("GET", "/me", None, stolen)).status == 200
        await served.ask("POST", "/proctor/do", {"do": "let", "candidate": "c01"}, desk)
        own = (await served.ask("POST", "/sign-in", code)).cookie()
        assert await thief.end() == 4409, "the page of the session before is closed before its owner has one"
        tries = (("GET", "/me"), ("GET", "/call/k1"), ("POST", "/call/k1"), ("POST", "/submit"), ("GET", "/receipts"))
        for method, path in tries:
            refused = await served.ask(method, path, act(1) if method == "POST" else None, stolen)
            assert (refused.status, refused.word) == (401, "sign_in")
        late = await served.page(stolen)
        assert await late.end() == 4401
        assert (await served.ask("GET", "/me", None, own)).status == 200
        third = await served.ask("POST", "/sign-in", code)
        assert third.status == 403, "one release lets in once"
        assert served.records("c01/k1") == ()

    run(room(tmp_path / "exam", 1), work)


def test_no_token_can_be_made_up_or_altered(tmp_path: Path) -> None:
    async def work(served: Served) -> None:
        await served.desk()
        cookie = await served.enter("c01")
        await served.enter("c02")
        name, _, token = cookie.partition("=")
        body, _, mac = token.rpartition(".")
        forged = (
            f"c02.1.{mac}", f"c01.2.{mac}", f"c01.1.{mac[:-1]}{'0' if mac[-1] != '0' else '1'}", f"c01.1.{mac[:20]}", body,
            f".{mac}", "", "c01", "c01.1.", "c01.01." + mac, "c01.1." + "0" * 40, "c01.\u0661." + mac, f"{token}.{mac}",
            "c03.1." + mac, "a" * 3000,
        )  # fmt: skip
        for one in forged:
            for reply in (
                await served.ask("GET", "/me", None, f"{name}={one.encode('unicode_escape').decode()}"),
                await served.ask("GET", "/me", headers={"Authorization": f"Bearer {one.encode('unicode_escape').decode()}"}),
            ):  # fmt: skip
                assert (reply.status, reply.word) == (401, "sign_in"), one
        assert (await served.ask("GET", "/proctor/state", None, f"exam_desk={token}")).status == 401
        assert (await served.ask("GET", "/proctor/state", None, cookie)).status == 401
        assert (await served.ask("POST", "/proctor/do", {"do": "close"}, cookie)).status == 401

    run(room(tmp_path / "exam", 2), work)


def test_cookies_are_out_of_reach_for_scripts_and_other_sites(tmp_path: Path) -> None:
    async def work(served: Served) -> None:
        await served.desk()
        candidate = await served.ask("POST", "/sign-in", {"code": served.folder.codes["c01"]})
        desk = await served.ask("POST", "/proctor/sign-in", {"code": served.folder.codes["proctor"]})
        for reply in (candidate, desk):
            line = next(x for x in reply.head.split("\r\n") if x.startswith("Set-Cookie"))
            assert "HttpOnly" in line and "SameSite=Strict" in line
        page = await served.ask("GET", "/")
        assert "script-src 'self'" in page.head and "default-src 'none'" in page.head and "frame-ancestors 'none'" in page.head

    run(room(tmp_path / "exam", 1), work)


def test_a_page_of_another_site_can_neither_write_nor_listen(tmp_path: Path) -> None:
    async def work(served: Served) -> None:
        await served.desk()
        cookie = await served.enter("c01")
        here = f"http://127.0.0.1:{served.port}"
        for origin in ("http://192.0.2.1", "null", "http://127.0.0.1:1", f"{here}.example", f"{here}@192.0.2.1"):
            for path in ("/submit", "/begin", "/call/k1", "/sign-in"):
                reply = await served.ask("POST", path, {}, cookie, headers={"Origin": origin})
                assert (reply.status, reply.word) == (403, "foreign")
            assert (await served.ask("GET", "/live", None, cookie, headers=UPGRADE | {"Origin": origin})).status == 403
        assert (await served.ask("POST", "/submit", {}, cookie, headers={"Sec-Fetch-Site": "cross-site"})).status == 403
        assert (await served.ask("GET", "/me", None, cookie)).json["submitted"] == ""

    run(room(tmp_path / "exam", 1), work)


# ---------------------------------------------------------------------- brute force at the door
def test_codes_can_not_be_guessed_at_any_speed_that_the_door_allows(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A code is 75 random bits: at 50 tries a second, half of them take 10^13 years."""
    rules = msgspec.structs.replace(AT_ONCE, rate=2.0)
    assert service.STRANGER[0] <= 50
    monkeypatch.setattr(service, "STRANGER", (2.0, 30))

    async def work(served: Served) -> None:
        await served.desk(opened=False)
        cookie = await served.enter("c02")
        codes = [new_code() for _ in range(100)]
        start = time.monotonic()
        tries = [served.ask("POST", "/sign-in", {"code": code}, cookie if k % 2 else "") for k, code in enumerate(codes)]
        words = [reply.word for reply in await asyncio.gather(*tries)]
        took = time.monotonic() - start
        assert words.count("no_code") <= 30 + 2 * took + 1, "a living session gives no more tries"
        assert words.count("slow_down") == 100 - words.count("no_code") > 0
        other = await served.ask("POST", "/sign-in", {"code": served.folder.codes["c01"]}, source="127.0.0.2")
        assert other.status == 200, "another machine signs in meanwhile"

    run(room(tmp_path / "exam", 2, rules=rules), work)


# ---------------------------------------------------------------------- injection in names and notes
def hostile_room(root: Path) -> ExamFolder:
    """An exam whose candidates have hostile names, and ids that a school's list may hold."""
    folder = room(root / "plain", len(HOSTILE))
    programme = folder.programme
    named = tuple(msgspec.structs.replace(c, name=h) for c, h in zip(programme.candidates, HOSTILE, strict=True))
    codes = {c.id: new_code() for c in named}
    people = tuple(
        Candidate(c.id, c.name, digest_of(codes[c.id]), accommodation=msgspec.structs.replace(c.accommodation, note=c.name))
        for c in named
    )
    return make_folder(root / "exam", msgspec.structs.replace(programme, candidates=people), codes)


def test_hostile_names_and_notes_are_data_on_the_desk_and_on_the_candidates_page(tmp_path: Path) -> None:
    async def work(served: Served) -> None:
        desk = await served.desk()
        await served.enter("c01")
        for k, text in enumerate(HOSTILE, 1):
            noted = await served.ask("POST", "/proctor/do", {"do": "incident", "candidate": f"c{k:02d}", "text": text}, desk)
            assert noted.status == 200
            given = {"do": "grant", "candidate": f"c{k:02d}", "minutes": 1, "reason": text}
            assert (await served.ask("POST", "/proctor/do", given, desk)).status == 200
        reply = await served.ask("GET", "/proctor/state", None, desk)
        assert "application/json" in reply.head and "nosniff" in reply.head
        assert b"\0" not in reply.body and "\\u0000" not in reply.body.decode()
        assert not {"\u202e", "\u2066", "\x1b"} & set(json.dumps(reply.json, ensure_ascii=False))
        names = [c["name"] for c in reply.json["candidates"]]
        assert names[0] == HOSTILE[0] and names[7] == "Zed<U+202E>gnp.exe" and names[8] == "Nul<U+0000>l"
        log = [row["text"] for row in reply.json["log"]]
        assert f"incident: {HOSTILE[0]}" in log and "incident: Nul<U+0000>l" in log
        for address in ("/", "/proctor"):
            page = (await served.ask("GET", address, None, desk)).body.decode()
            assert [h for h in HOSTILE if h in page] == [], "no name stands in a page's HTML"

    run(hostile_room(tmp_path), work)


def test_the_pages_scripts_never_make_html_of_text() -> None:
    """OWASP, Cross Site Scripting Prevention Cheat Sheet: safe sinks are textContent and setAttribute of known names."""
    pages = Path(__file__).parents[2] / "grading" / "blowergrade" / "exam" / "pages"
    scripts = sorted(pages.glob("*.js"))
    assert len(scripts) >= 2
    for script in scripts:
        text = script.read_text(encoding="utf-8")
        for sink in ("innerHTML", "outerHTML", "insertAdjacentHTML", "document.write", "eval(", "new Function", "srcdoc"):
            assert sink not in text, f"{script.name}: {sink}"


def test_hostile_names_are_text_in_the_table_of_codes_and_on_the_slips(tmp_path: Path) -> None:
    folder = hostile_room(tmp_path)
    rows = list(csv.reader(io.StringIO((folder.private / "codes.csv").read_text(encoding="utf-8"), newline="")))
    assert len(rows) == 2 + len(HOSTILE)
    for row in rows[1:]:
        assert all(not cell.lstrip().startswith(("=", "+", "-", "@", "\t", "\r")) for cell in row), row
    assert set(folder.codes) == {"proctor", *(c.id for c in folder.programme.candidates)}
    page = slips(folder.programme, folder.codes).decode()
    assert "<script" not in page and "<img" not in page and "&lt;script&gt;" in page
    assert not {"\u202e", "\u2066", "\x1b", "\0"} & set(page)


# ---------------------------------------------------------------------- oversize and slow
def test_what_is_too_large_is_refused_and_the_service_goes_on(tmp_path: Path) -> None:
    rules = msgspec.structs.replace(AT_ONCE, largest_message=20_000)

    async def work(served: Served) -> None:
        await served.desk()
        cookie = await served.enter("c01")
        await served.ask("GET", "/call/k1", None, cookie)
        large = json.dumps(act(1, "look", where="x" * 30_000)).encode()
        for reply in (
            await served.ask("POST", "/call/k1", raw=large, cookie=cookie),
            await served.ask("POST", "/sign-in", raw=b"x" * 10**7),
            await chunked(served, cookie, b"x" * 1000, 40), await served.ask("GET", "/me", headers={"X": "y" * 40_000}),
            await served.ask("GET", "/" + "a" * 40_000),
        ):  # fmt: skip
            assert reply.status in (0, 400, 413, 431), reply.head
        declared = await served.wire(b"POST /sign-in HTTP/1.1\r\nHost: x\r\nContent-Length: 99999999999\r\n\r\n")
        assert declared.status in (0, 400, 413)
        page = await served.page(cookie)
        await page.socket.write_message("x" * 30_000)
        assert await page.end() == 1009  # RFC 6455, section 7.4.1: a message too big to process
        long_text = await served.ask("POST", "/call/k1", act(1, "look", where="x" * 5_000), cookie)
        deep: Any = "x"
        for _ in range(900):
            deep = [deep]
        deepest = await served.ask("POST", "/call/k1", act(2, "look", where=deep), cookie)
        many = await served.ask("POST", "/call/k1", act(3, "look", where=[1] * 6_000), cookie)
        assert [r.status for r in (long_text, deepest, many)] == [400, 400, 400]
        assert (await served.ask("POST", "/call/k1", act(1), cookie)).json["acts"] == 1

    run(room(tmp_path / "exam", 1, rules=rules), work)


async def chunked(served: Served, cookie: str, part: bytes, count: int) -> Reply:
    """A body in parts without a length beforehand (RFC 9112, section 7.1)."""
    head = f"POST /call/k1 HTTP/1.1\r\nHost: x\r\nCookie: {cookie}\r\nTransfer-Encoding: chunked\r\n\r\n".encode()
    return await served.wire(head + b"".join(b"%x\r\n%s\r\n" % (len(part), part) for _ in range(count)) + b"0\r\n\r\n")


def test_a_body_that_comes_slowly_is_closed_and_holds_up_nobody(tmp_path: Path) -> None:
    rules = msgspec.structs.replace(AT_ONCE, patience_seconds=0.6)

    async def work(served: Served) -> None:
        await served.desk()
        cookie = await served.enter("c01")
        await served.ask("GET", "/call/k1", None, cookie)
        head = f"POST /call/k1 HTTP/1.1\r\nHost: x\r\nCookie: {cookie}\r\nContent-Length: 5000\r\n\r\n".encode()
        slow = [await asyncio.open_connection("127.0.0.1", served.port) for _ in range(40)]
        start = time.monotonic()
        trickles = [asyncio.create_task(trickle(writer, head)) for _, writer in slow]
        for k in range(1, 6):
            assert (await served.ask("POST", "/call/k1", act(k), cookie)).json["acts"] == k
        ends = await asyncio.gather(*(asyncio.wait_for(heard(reader), 20) for reader, _ in slow))
        assert all(end.status in (0, 400, 408) for end in ends)
        assert 0.5 <= time.monotonic() - start < 15
        await asyncio.gather(*trickles)
        for _, writer in slow:
            writer.close()
            with suppress(ConnectionError):
                await writer.wait_closed()

    assert Rules().patience_seconds == 5
    run(room(tmp_path / "exam", 1, rules=rules), work)


async def trickle(writer: asyncio.StreamWriter, head: bytes) -> None:
    """Send a head, then a byte every tenth of a second, until nobody listens."""
    with suppress(ConnectionError):
        writer.write(head)
        for _ in range(150):
            writer.write(b"{")
            await writer.drain()
            await asyncio.sleep(0.1)
            if writer.transport.is_closing():
                return


# ---------------------------------------------------------------------- traversal
@pytest.mark.parametrize("path", [
    "/../private/exam.key", "/..%2fprivate%2fexam.key", "/%2e%2e/%2e%2e/etc/passwd", "/....//etc/passwd",
    "/exam.js/../../private/codes.csv", "/..\\private\\exam.key", "/%00", "/exam.js%00.txt", "/journal.sqlite",
    "/plan.sealed", "//etc/passwd", "/pages/exam.js", "/call/../me/x", "/proctor/../../exam.key",
    "/file:///etc/passwd", "/.", "/..", "/exam.JS",
])  # fmt: skip
def test_no_address_leads_out_of_the_pages(path: str, tmp_path: Path) -> None:
    async def work(served: Served) -> None:
        cookie = (await served.ask("POST", "/sign-in", {"code": served.folder.codes["c01"]})).cookie()
        secrets = [served.folder.key.hex().encode(), served.folder.codes["c01"].encode(), b"root:"]
        for signed in ("", cookie):
            reply = await served.ask("GET", path, None, signed)
            assert reply.status == 404
            assert not any(secret in reply.body for secret in secrets)

    run(room(tmp_path / "exam", 1), work)


def test_refusals_of_unknown_addresses_and_methods_have_one_length_and_no_version(tmp_path: Path) -> None:
    async def work(served: Served) -> None:
        replies = [await served.ask("GET", p) for p in ("/x", "/call/k1", "/me", "/proctor/state", "/live", "/bench/look/k1")]
        replies += [await served.ask(m, "/me") for m in ("PUT", "DELETE", "PATCH", "OPTIONS", "BREW")]
        assert {len(r.body) for r in replies} == {512}
        assert all(400 <= r.status < 500 and "Server:" not in r.head and set(r.json) == {"refused", "text"} for r in replies)

    run(room(tmp_path / "exam", 1), work)


# ---------------------------------------------------------------------- flood
def test_strangers_and_a_candidate_who_flood_leave_the_others_served(tmp_path: Path) -> None:
    rules = msgspec.structs.replace(Rules(), solvers=1, sign_seconds=0.5)
    stop = asyncio.Event()

    async def strangers(served: Served) -> None:
        while not stop.is_set():
            asked = (served.ask("GET", "/exam.js", None, "exam_session=x", source="127.0.0.3") for _ in range(20))
            await asyncio.gather(*asked)

    async def openings(served: Served, cookie: str) -> None:
        while not stop.is_set():
            asked = (served.ask("GET", "/call/k1?views=ladder,air", None, cookie) for _ in range(20))
            await asyncio.gather(*asked)

    async def messages(served: Served, cookie: str) -> None:
        page = await served.page(cookie)
        seq = 0
        while not stop.is_set():
            seq += 1
            await page.socket.write_message(json.dumps({"item": "k2", "message": act(seq, view="flood")}))
            await asyncio.sleep(0 if seq % 20 else 0.01)
        await page.close()

    async def work(served: Served) -> None:
        await served.desk()
        bad, good = await served.enter("c01"), await served.enter("c02")
        page = await served.page(good)
        assert "state" in await page.ask({"item": "k1"})
        floods = [asyncio.ensure_future(f) for f in (strangers(served), openings(served, bad), messages(served, bad))]
        try:
            for k in range(1, 6):
                start = time.monotonic()
                assert (await page.ask({"item": "k1", "message": act(k)}))["frame"]["acts"] == k
                assert time.monotonic() - start < 5, "some ticks of 0.3 s, where this machine is shared"
                await asyncio.sleep(0.1)
            fresh = await served.ask("POST", "/sign-in", {"code": served.folder.codes["c03"]}, source="127.0.0.2")
            assert fresh.status == 200
        finally:
            stop.set()
            await asyncio.gather(*floods)
        assert len(served.records("c02/k1")) == 5
        assert len(served.records("c01/k2")) < 5 * 60, "the flood went at the rate of a candidate"
        await page.close()

    run(room(tmp_path / "exam", 3, rules=rules), work)


# ---------------------------------------------------------------------- in the clear
def test_codes_and_acts_never_leave_loopback_in_the_clear() -> None:
    Place("127.0.0.1").check()
    Place("::1").check()
    for address in ("0.0.0.0", "192.0.2.10", "::"):
        with pytest.raises(ExamError, match="certificate"):
            Place(address).check()


def test_the_sealed_plan_opens_with_its_key_only_and_any_change_shows(tmp_path: Path) -> None:
    folder = room(tmp_path / "exam", 1)
    data, key = (folder.private / "plan.sealed").read_bytes(), folder.key
    assert unseal(data, key).sitting == "test-sitting"
    flipped = data[:20] + bytes([data[20] ^ 1]) + data[21:]
    for changed, other in ((data, bytes(32)), (data[:-1], key), (flipped, key), (b"", key)):
        with pytest.raises(ExamError):
            unseal(changed, other)
