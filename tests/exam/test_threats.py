"""The threat table, first half: what a candidate or an insider could try with what the service says and keeps.

Every row of the table in DEVELOPERS.md has its tests here, in test_threats_wire.py, test_timing.py or test_fuzz.py.
"""

from __future__ import annotations

import asyncio
import json
import re
import sqlite3
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import msgspec
import pytest
from exam.hall_room import AT_ONCE, CALLS, FURNACE, room
from exam.served import Reply, Served, act, run

from blowerbench import session
from blowerbench.equipment import load_equipment
from blowerbench.faults import load_faults
from blowerbench.instruments import read_instruments
from blowerbench.record import GENESIS, Header, Line, chained, unchained
from blowergrade.exam import hall
from blowergrade.exam.checkpoints import Checkpoints, compare
from blowergrade.exam.database import EVENTS, engine_for
from blowergrade.exam.form_assignment import variant_of
from blowergrade.exam.journal import check_events, event_chain
from blowergrade.exam.timeline import TimeLine

READING: tuple[dict[str, Any], ...] = (
    {"do": "set_breaker", "on": True}, {"do": "set_thermostat", "call": "fan"}, {"do": "set_door", "on": False},
    {"do": "hold_door_switch", "held": True}, {"do": "set_meter", "function": "volts_ac"},
    {"do": "place_lead", "lead": "black", "terminal": "board.C", "clip": True},
    {"do": "place_lead", "lead": "red", "terminal": "board.R"}, {"do": "place_lead", "lead": "red", "terminal": "board.G"},
    {"do": "wait", "seconds": 60}, {"do": "read_status"}, {"do": "look", "where": "control_plug"},
)  # fmt: skip
BAD: tuple[dict[str, Any], ...] = (
    {"kind": "act", "view": "v1", "seq": 90, "act": {"do": "blow"}}, {"kind": "hint", "view": "v1", "seq": 91, "strength": 3},
    {"kind": "undo", "view": "v1", "seq": 92}, {"kind": "view", "view": "v1", "seq": 93, "name": "fault"},
    {"kind": "possible", "view": "v1", "seq": 94}, {"kind": "replay", "view": "v1", "seq": 95, "to": 0},
    {"kind": "chart", "view": "v1", "seq": 96, "of": "truth"}, {"kind": "sheet", "view": "v1", "seq": 97},
    {"kind": "act", "view": "v1", "seq": 98, "act": {"do": "wait", "seconds": 5, "fault": "?"}},
    {"kind": "act", "view": "", "seq": 1}, {"kind": "act", "view": "v1", "seq": -1}, {"kind": "act", "seq": True}, {},
)  # fmt: skip


async def everything(served: Served, name: str = "c01") -> list[Reply]:
    """Every answer that a candidate and a proctor get who try each address and some acts on each way."""
    desk = await served.desk()
    cookie = await served.enter(name)
    got = [await served.ask("GET", a, None, cookie) for a in ("/", "/me", "/exam.js", "/receipts", "/call/trying-out", "/nix")]
    got.append(await served.ask("GET", "/call/k1?views=ladder,connectors,air,board", None, cookie))
    for k, one in enumerate(READING, 1):
        got.append(await served.ask("POST", "/call/k1", {"kind": "act", "view": "v1", "seq": k, "act": one}, cookie))
    got += [await served.ask("POST", "/call/k1", bad, cookie) for bad in BAD]
    got.append(await served.ask("GET", "/call/k1", None, cookie))
    page = await served.page(cookie)
    got.append(Reply(200, "", json.dumps(await page.hear()).encode()))
    for k, one in enumerate(READING, 1):
        message = {"kind": "act", "view": "v2", "seq": k, "act": one}
        got.append(Reply(200, "", json.dumps(await page.ask({"item": "k1", "message": message})).encode()))
    got.append(Reply(200, "", json.dumps(await page.ask({"item": "k2"})).encode()))
    await page.close()
    got += [await served.ask("POST", "/submit", {}, cookie), await served.ask("GET", "/receipts", None, cookie)]
    got += [await served.ask("GET", f"/proctor{a}", None, desk) for a in ("", "/state", "/nix")]
    assert all(reply.status < 500 for reply in got)
    return got


# ---------------------------------------------------------------------- read the fault
@pytest.mark.parametrize("fault", ["wall_G_open", "control_fan_corroded", "module_input_open"])
def test_no_answer_holds_the_fault_the_variant_the_key_or_a_value_that_no_display_shows(
    fault: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    truths: list[float] = []

    def noted(*given: Any) -> Any:
        found = read_instruments(*given)
        truths.extend(r.value for r in found)
        return found

    monkeypatch.setattr(session, "read_instruments", noted)
    folder = room(tmp_path / "exam", 1, calls=((fault, "nothing_blows"), *CALLS))

    async def work(served: Served) -> None:
        whole = b"\n".join(reply.body for reply in await everything(served)).decode()
        one = load_faults(load_equipment(FURNACE)).faults[fault]
        secrets = (fault, one.title, one.why, one.repair, one.sees, "exam-c01-1", "trying-out-", folder.key.hex(), "variant")
        assert [s for s in secrets if s in whole] == []
        for reply in await everything_json(whole):
            assert [path for path in numbers(reply) if not path.endswith("narrowest")] == [], "numbers are whole or texts"
        told = {f"{abs(v):.7g}" for v in truths if len(f"{abs(v):.7g}".replace(".", "")) >= 7}
        assert len(told) >= 2, "some display rounds"
        assert [t for t in told if t in whole] == []

    run(folder, work)


async def everything_json(whole: str) -> list[Any]:
    """The JSON documents among the lines of `whole`."""
    return [json.loads(line) for line in whole.splitlines() if line.startswith("{") and line.rstrip().endswith("}")]


def numbers(value: Any, path: str = "") -> Iterator[str]:
    """Where in `value` numbers stand that are not whole."""
    if isinstance(value, float):
        yield path
    elif isinstance(value, dict):
        for key, part in value.items():
            yield from numbers(part, f"{path}/{key}")
    elif isinstance(value, list):
        for part in value:
            yield from numbers(part, path)


def test_what_a_page_asks_wrongly_is_answered_with_the_same_bytes_whatever_stands_on_the_bench(tmp_path: Path) -> None:
    answers: list[list[bytes]] = []

    async def work(served: Served) -> None:
        await served.desk()
        cookie = await served.enter("c01")
        await served.ask("GET", "/call/k1", None, cookie)
        page = await served.page(cookie)
        await page.hear()
        got = [(await served.ask("POST", "/call/k1", bad, cookie)).body for bad in BAD[:9]]
        got += [(await served.ask("POST", "/call/k1", bad, cookie)).body for bad in BAD[9:]]
        got += [json.dumps(await page.ask({"item": "k1", "message": bad | {"view": "v2"}})).encode() for bad in BAD[:9]]
        got.append((await served.ask("GET", "/call/k9", None, cookie)).body)
        await page.close()
        head = re.compile(rb'"receipt":\s?"[0-9a-f]{64}"')  # another one for each candidate and call, as it must be
        answers.append([head.sub(b"", body) for body in got])

    for k, fault in enumerate(("wall_G_open", "breaker_open", "bearing_seized", "module_dead")):
        run(room(tmp_path / f"{k}", 1, calls=((fault, "nothing_blows"),)), work)
    assert len(set(answers[0])) > 3
    assert all(one == answers[0] for one in answers)


def test_what_went_wrong_inside_is_told_to_nobody(tmp_path: Path) -> None:
    async def work(served: Served) -> None:
        await served.desk()
        cookie = await served.enter("c01")
        await served.ask("GET", "/call/k1", None, cookie)
        for bad in BAD[:9]:
            await served.ask("POST", "/call/k1", bad, cookie)
            whole = (await served.ask("GET", "/call/k1", None, cookie)).json
            assert not re.search(r"Error|Traceback|Expected|blowerbench", whole["problem"]), whole["problem"]

    run(room(tmp_path / "exam", 1), work)


def test_the_drawing_forms_and_words_of_a_call_are_the_same_whatever_the_fault(tmp_path: Path) -> None:
    seen: list[Any] = []

    async def work(served: Served) -> None:
        await served.desk()
        cookie = await served.enter("c01")
        whole = (await served.ask("GET", "/call/k1?views=ladder,connectors,air,board", None, cookie)).json
        names = ("drawing", "forms", "words", "ways", "tree_ladder", "tree_connectors", "tree_air", "tree_board", "things")
        seen.append({name: whole[name] for name in names})

    for k, fault in enumerate(("wall_G_open", "breaker_open", "bearing_seized")):
        run(room(tmp_path / f"{k}", 1, calls=((fault, "nothing_blows"),)), work)
    assert seen[1] == seen[0] and seen[2] == seen[0]


def test_what_lies_on_the_disk_names_no_fault_outside_the_sealed_plan(tmp_path: Path) -> None:
    folder = room(tmp_path / "exam", 1)

    async def work(served: Served) -> None:
        await everything(served)

    run(folder, work)
    files = {f.name: f.read_bytes() for f in folder.root.rglob("*") if f.is_file()}
    assert {"plan.sealed", "journal.sqlite", "codes.csv"} <= set(files)
    assert [name for name, data in files.items() if b"wall_G_open" in data or b"control_fan_pin_out" in data] == []
    assert (folder.root / "private").stat().st_mode & 0o077 == 0


# ---------------------------------------------------------------------- replay an act
def test_a_message_that_comes_twice_is_done_once_and_another_under_its_number_is_refused(tmp_path: Path) -> None:
    async def work(served: Served) -> None:
        await served.desk()
        cookie = await served.enter("c01")
        await served.ask("GET", "/call/k1", None, cookie)
        first = await served.ask("POST", "/call/k1", act(1), cookie)
        kept = served.records("c01/k1")
        for _ in range(3):
            again = await served.ask("POST", "/call/k1", act(1), cookie)
            assert again.status == 200
            assert {k: v for k, v in again.json.items() if k != "changes"} == {
                k: v for k, v in first.json.items() if k != "changes"
            }
            shown = {k: v for k, v in first.json["changes"].items() if k != "problem"}
            assert {k: again.json["changes"][k] for k in shown} == shown
        other = await served.ask("POST", "/call/k1", act(1, seconds=20), cookie)
        assert (other.status, other.word) == (409, "conflict")
        page = await served.page(cookie)
        assert (await page.ask({"item": "k1", "message": act(1, seconds=20)}))["refused"] == "conflict"
        assert (await page.ask({"item": "k1", "message": act(1)}))["frame"]["acts"] == 1
        await page.close()
        assert served.records("c01/k1") == kept

    run(room(tmp_path / "exam", 1), work)


def test_a_bench_in_class_gets_the_same_answer_to_the_same_act_and_a_refusal_for_another_one(tmp_path: Path) -> None:
    async def work(served: Served) -> None:
        await served.desk()
        opened = (await served.ask("POST", "/bench/open", {"code": served.folder.codes["c01"]})).json
        bearer = {"Authorization": f"Bearer {opened['token']}"}
        body = {"id": "act-00000001", "act": {"do": "set_thermostat", "call": "fan"}}
        first, again = [await served.ask("POST", "/bench/act/k1", body, headers=bearer) for _ in range(2)]
        assert first.json == again.json and first.status == 200
        other = await served.ask("POST", "/bench/act/k1", body | {"act": {"do": "wait", "seconds": 9}}, headers=bearer)
        assert other.status == 409
        assert len(served.records("c01/k1")) == 1
        assert "exam-c01-1" not in json.dumps(opened), "the variant's name would let somebody play every fault at home"

    run(room(tmp_path / "class", 1, kind="class"), work)


# ---------------------------------------------------------------------- share a fault
def test_a_candidate_reaches_no_bench_but_their_own(tmp_path: Path) -> None:
    async def work(served: Served) -> None:
        await served.desk()
        one, two = await served.enter("c01"), await served.enter("c02")
        await served.ask("GET", "/call/k1", None, two)
        page = await served.page(one)
        for item in ("c02/k1", "../c02/k1", "k1/../../c02/k1", "c02", "", "k1\0", "K1"):
            assert (await page.ask({"item": item, "message": act(1)}))["refused"] == "no_call"
            assert (await page.ask({"item": item}))["refused"] == "no_call"
        for path in ("/call/c02%2Fk1", "/call/c02/k1", "/call/..%2Fc02%2Fk1"):
            assert (await served.ask("POST", path, act(1), one)).status == 404
        await page.close()
        assert served.records("c02/k1") == ()

    run(room(tmp_path / "exam", 2), work)


def test_two_candidates_with_one_fault_stand_at_units_that_read_differently(tmp_path: Path) -> None:
    async def work(served: Served) -> None:
        await served.desk()
        shown = []
        for name in ("c01", "c02"):
            cookie = await served.enter(name)
            await served.ask("GET", "/call/k1", None, cookie)
            for k, one in enumerate(READING, 1):
                await served.ask("POST", "/call/k1", {"kind": "act", "view": "v1", "seq": k, "act": one}, cookie)
            lines = [msgspec.json.decode(line)["body"]["observation"]["shown"] for line in served.records(f"{name}/k1")]
            shown.append([s["text"] for row in lines for s in row])
        assert len(shown[0]) == len(shown[1]) > 2
        assert shown[0] != shown[1]

    run(room(tmp_path / "exam", 2), work)
    names = {variant_of(bytes([s]) * 32, "sitting", c, "item") for s in (1, 2) for c in ("c01", "c02")}
    assert len(names) == 4


# ---------------------------------------------------------------------- tamper with the log
def test_an_insider_who_chains_a_changed_record_anew_is_shown_by_the_receipt_and_the_checkpoint(tmp_path: Path) -> None:
    folder = room(tmp_path / "exam", 1)
    receipts: list[Any] = []

    async def work(served: Served) -> None:
        desk = await served.desk()
        cookie = await served.enter("c01")
        await served.ask("GET", "/call/k1", None, cookie)
        for k in range(1, 5):
            await served.ask("POST", "/call/k1", act(k), cookie)
        await served.ask("POST", "/proctor/do", {"do": "incident", "candidate": "c01", "text": "looked about"}, desk)
        receipts.extend((await served.ask("GET", "/receipts", None, cookie)).json["receipts"])
        Checkpoints(tmp_path / "stick.jsonl", "test-sitting").write(served.hall.journal, served.hall.line.now())

    run(folder, work)
    journal = folder.journal()
    assert compare(tmp_path / "stick.jsonl", journal, "test-sitting") == (1, ())
    journal.close()

    database = sqlite3.connect(folder.root / "journal.sqlite")
    lines = [row[0] for row in database.execute("SELECT line FROM acts WHERE attempt = 'c01/k1' ORDER BY seq")]
    head = GENESIS
    for seq, old in enumerate(lines):
        kind: Any = Header if seq == 0 else Line
        value = msgspec.convert(msgspec.json.decode(old)["body"], kind)
        if seq == 2:
            value = msgspec.structs.replace(value, clock=value.clock - 3)
        made, head = chained(head, value)
        database.execute("UPDATE acts SET line = ? WHERE attempt = 'c01/k1' AND seq = ?", (made, seq))
    head = GENESIS
    for number, at, body in database.execute("SELECT number, at, body FROM events ORDER BY number").fetchall():
        body = body.replace(b"looked about", b"copied it all")
        head = event_chain(head, number, at, body)
        database.execute("UPDATE events SET body = ?, chain = ? WHERE number = ?", (body, head, number))
    database.commit()
    database.close()

    journal = folder.journal()
    rows = journal.acts("c01/k1")
    head = GENESIS
    for row in rows:  # each line follows from the one before: by itself the forged record is whole
        kind = Header if row.seq == 0 else Line
        _, head = unchained(head, row.line, kind)
    assert check_events(journal.events()) == ""
    assert receipts[0]["acts"] == rows[-1].seq
    assert receipts[0]["head"] != head
    count, found = compare(tmp_path / "stick.jsonl", journal, "test-sitting")
    assert count == 1
    assert len([f for f in found if f.startswith("c01/k1")]) == 1 and len([f for f in found if f.startswith("event")]) == 1
    journal.close()


def test_a_change_without_a_new_chain_shows_by_itself(tmp_path: Path) -> None:
    folder = room(tmp_path / "exam", 1)

    async def work(served: Served) -> None:
        await served.desk()
        await served.enter("c01")

    run(folder, work)
    journal = folder.journal()
    assert check_events(journal.events()) == ""
    journal.close()
    engine = engine_for(folder.url())
    with engine.begin() as connection:
        connection.execute(EVENTS.update().where(EVENTS.c.number == 2).values(at=EVENTS.c.at + 1))
    engine.dispose()
    journal = folder.journal()
    assert "event 2" in check_events(journal.events())
    journal.close()


# ---------------------------------------------------------------------- clock tricks
def test_no_time_that_a_candidate_sends_is_ever_used(tmp_path: Path) -> None:
    async def work(served: Served) -> None:
        await served.desk()
        cookie = await served.enter("c01")
        await served.ask("GET", "/call/k1", None, cookie)
        early = served.hall.line.now()
        old = {"Date": "Mon, 01 Jan 2001 00:00:00 GMT", "If-Modified-Since": "Mon, 01 Jan 2001 00:00:00 GMT"}
        lies = {"at": 978307200000, "time": 0, "now": "2001-01-01T00:00:00Z", "left": 10**9, "clock": -5}
        assert (await served.ask("POST", "/call/k1", act(1) | lies, cookie, headers=old)).status == 200
        late = served.hall.line.now()
        assert all(early <= row.at <= late for row in served.hall.journal.acts("c01/k1")[1:])
        refused = await served.ask("POST", "/call/k1", act(2, seconds=10, at=978307200000), cookie)
        assert refused.json["acts"] == 1, "an act has no time to say"
        for path in ("/begin", "/submit"):
            await served.ask("POST", path, lies | {"seconds": 10**6, "minutes": 10**6}, cookie)
        assert all(early - 60_000 <= row.at <= served.hall.line.now() for row in served.hall.journal.events())

    run(room(tmp_path / "exam", 1), work)


def test_setting_the_machines_clock_gives_nobody_time_and_takes_none(tmp_path: Path) -> None:
    wall, mono = [time.time()], [50.0]

    async def work(served: Served) -> None:
        await served.desk()
        cookie = await served.enter("c01")
        served.hall.line = TimeLine(lambda: wall[0], lambda: mono[0], served.hall.line.now())
        before = (await served.ask("GET", "/me", None, cookie)).json["left"]
        for jump in (-7200.0, 86_400.0, -3.0):
            wall[0] += jump
            mono[0] += 10.0
            now = (await served.ask("GET", "/me", None, cookie)).json["left"]
            assert before - now == 10_000
            before = now

    run(room(tmp_path / "exam", 1), work)


# ---------------------------------------------------------------------- brute-force probing
def test_a_candidate_acts_twice_a_second_at_most_and_what_is_too_fast_is_not_done(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    rules = msgspec.structs.replace(AT_ONCE, rate=2.0, burst=10)
    monkeypatch.setattr(hall, "LONGEST_QUEUE", 1.5)

    async def work(served: Served) -> None:
        await served.desk()
        cookie = await served.enter("c01")
        page = await served.page(cookie)
        await page.ask({"item": "k1"})
        loop = asyncio.get_running_loop()
        start, done, away = loop.time(), 0, 0
        for k in range(1, 61):
            await page.socket.write_message(json.dumps({"item": "k1", "message": act(k)}))
        while done + away < 60:
            found = await page.hear()
            assert found is not None
            done += "frame" in found
            away += found.get("refused") == "slow_down"
        took = loop.time() - start
        await page.close()
        assert done + 1 <= 10 + 2 * took + 1, "the opening counts too"
        assert away >= 60 - 10 - 2 * (1.5 + took) - 1
        assert len(served.records("c01/k1")) == done, "what was turned away left nothing"

    run(room(tmp_path / "exam", 1, rules=rules), work)


def test_each_probe_stays_in_the_record_with_its_cost(tmp_path: Path) -> None:
    async def work(served: Served) -> None:
        await served.desk()
        cookie = await served.enter("c01")
        await served.ask("GET", "/call/k1", None, cookie)
        equipment = load_equipment(FURNACE)
        for k, unit in enumerate(list(equipment.units)[:6], 1):
            await served.ask("POST", "/call/k1", act(k, "repair", unit=unit), cookie)
        for message in ({"kind": "undo", "view": "v1", "seq": 20}, {"kind": "replay", "view": "v1", "seq": 21, "to": 0}):
            await served.ask("POST", "/call/k1", message, cookie)
        bodies = [msgspec.json.decode(line)["body"] for line in served.records("c01/k1")]
        assert len(bodies) >= 1 and [b["seq"] for b in bodies] == list(range(1, len(bodies) + 1))
        assert all(b["clock"] >= 60 * k for k, b in enumerate(bodies, 1)), "each takes its simulated minutes"

    run(room(tmp_path / "exam", 1), work)
