"""Scores sent to a learning platform on this machine that answers badly, and that takes no score older than one it has.

What it asks for is published: 1EdTech LTI Assignment and Grade Services 2.0, section on the score publish service (that a score
whose timestamp is not later than the last one of that user is refused with 409 is from memory), and RFC 6750 for the token.
"""

from __future__ import annotations

import json
import socket
import threading
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path
from typing import Any

import msgspec
import pytest
from small_class import NAME, graded, outcome, waits

from blowergrade.classwork import changes, passback
from blowergrade.classwork.folder import ClassFolder
from blowergrade.classwork.outcome import PARTS, Outcome
from blowergrade.classwork.passback import PassbackError, Platform, send


class Desk(HTTPServer):
    """Keeps the newest score of each user; `answers` are given first, each once: a status and headers."""

    def __init__(self) -> None:
        super().__init__(("127.0.0.1", 0), Handler)
        self.answers: list[tuple[int, dict[str, str]]] = []
        self.newest: dict[str, dict[str, Any]] = {}
        self.refused = self.asked = 0
        self.platform = Platform(f"http://127.0.0.1:{self.server_port}/a/b/?x=1#top", token="t0ken")


class Handler(BaseHTTPRequestHandler):
    """Takes a score as the standard says."""

    server: Desk

    def log_message(self, format: str, *args: object) -> None:  # the name is the library's
        """Say nothing."""

    def do_POST(self) -> None:
        """Answer one request."""
        self.server.asked += 1
        body = self.rfile.read(int(self.headers["Content-Length"]))
        status, headers = self.server.answers.pop(0) if self.server.answers else (self._take(body), {})
        self.send_response(status)
        for name, value in headers.items():
            self.send_header(name, value)
        self.end_headers()
        self.wfile.write(b"<html>not\x00 json")

    def _take(self, body: bytes) -> int:
        score = json.loads(body)
        before = self.server.newest.get(score["userId"])
        now = datetime.fromisoformat(score["timestamp"])
        if (self.path, self.headers["Authorization"]) != ("/a/b/scores?x=1", "Bearer t0ken"):
            return 401
        if before is not None and datetime.fromisoformat(before["timestamp"]) >= now:
            self.server.refused += 1
            return 409
        self.server.newest[score["userId"]] = score
        return 204


@pytest.fixture
def desk() -> Iterator[Desk]:
    server = Desk()
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    yield server
    server.shutdown()
    server.server_close()
    thread.join()


def quick(_: float) -> None:
    """No pause between tries."""


def sent(folder: ClassFolder, desk: Desk, ledger: Path) -> tuple[str, ...]:
    return send(passback.scores(folder, NAME), desk.platform, ledger, quick)


def test_a_score_that_more_time_changed_is_sent_again_with_a_later_time(
    folder: ClassFolder, desk: Desk, tmp_path: Path
) -> None:
    text = folder.settings_file.read_text(encoding="utf-8").replace("late_percent_a_day = 0", "late_percent_a_day = 10")
    folder.settings_file.write_text(text, encoding="utf-8")
    late = ClassFolder(folder.root)
    late.keep_assignment(msgspec.structs.replace(late.assignment(NAME), due="2027-03-01T17:00:00+00:00"))
    stamp = late.root / "submitted" / "s01" / NAME / "timestamp.txt"
    stamp.write_text("2027-03-02 16:00:00 UTC")
    graded(late)
    sent(late, desk, tmp_path / "l.json")
    assert desk.newest["s01"]["scoreGiven"] == 90.0
    changes.extend(late, "s01", NAME, "2027-03-03T17:00:00+00:00", "was ill", "A. Teacher")
    assert sent(late, desk, tmp_path / "l.json") == ("s01",)
    assert desk.newest["s01"]["scoreGiven"] == 100.0 and desk.refused == 0
    assert sent(late, desk, tmp_path / "l.json") == ()


def test_two_changes_within_a_second_both_arrive(folder: ClassFolder, desk: Desk, tmp_path: Path) -> None:
    graded(folder)
    for points in ("3", "4", "5"):
        changes.override(folder, "s01", NAME, "repair", points, "because", "A. Teacher")
        sent(folder, desk, tmp_path / "l.json")
        assert desk.newest["s01"]["scoreGiven"] == 80.0 + int(points)
    assert desk.refused == 0


def test_a_grade_taken_back_arrives_as_one_that_waits(folder: ClassFolder, desk: Desk, tmp_path: Path) -> None:
    graded(folder)
    sent(folder, desk, tmp_path / "l.json")
    waits(folder, "s01", "look at it again")  # its time is before that of the grading
    assert sent(folder, desk, tmp_path / "l.json") == ("s01",)
    assert "scoreGiven" not in desk.newest["s01"] and desk.newest["s01"]["gradingProgress"] == "PendingManual"


def test_points_given_for_nothing_handed_in_are_a_full_grade(folder: ClassFolder, desk: Desk, tmp_path: Path) -> None:
    graded(folder)
    for part in PARTS:
        changes.override(folder, "s04", NAME, part, "5", "shown on the real bench", "A. Teacher")
    sent(folder, desk, tmp_path / "l.json")
    got = desk.newest["s04"]
    assert (got["activityProgress"], got["gradingProgress"], got["scoreGiven"]) == ("Completed", "FullyGraded", 20.0)
    assert desk.newest["s03"]["activityProgress"] == "Initialized"


def test_a_platform_that_asks_for_time_gets_it_within_reason(folder: ClassFolder, desk: Desk, tmp_path: Path) -> None:
    # RFC 9110 section 10.2.3: Retry-After is a number of seconds or a date.
    desk.answers = [
        (429, {"Retry-After": "7"}), (503, {"Retry-After": "999999"}), (503, {"Retry-After": "Fri, 31 Dec 1999 23:59:59 GMT"}),
    ]  # fmt: skip
    pauses: list[float] = []
    send(passback.scores(graded(folder), NAME)[:1], desk.platform, tmp_path / "l.json", pauses.append)
    assert pauses[:2] == [7.0, passback.LONGEST] and 0 < pauses[2] < 10 and len(pauses) == 3
    assert list(desk.newest) == ["s01"]


def test_what_was_sent_before_trouble_is_not_sent_again(folder: ClassFolder, desk: Desk, tmp_path: Path) -> None:
    made = passback.scores(graded(folder), NAME)
    desk.answers = [(204, {}), (403, {})]
    with pytest.raises(PassbackError, match="refused"):
        send(made, desk.platform, tmp_path / "l.json", quick)
    asked = desk.asked
    assert send(made, desk.platform, tmp_path / "l.json", quick) == ("s02", "s03", "s04")
    assert desk.asked - asked == 3


def test_another_line_item_has_its_own_ledger(folder: ClassFolder, desk: Desk, tmp_path: Path) -> None:
    made = passback.scores(graded(folder), NAME)
    assert len(send(made, desk.platform, tmp_path / "l.json", quick)) == 4
    other = Platform(desk.platform.line_item.replace("x=1", "x=2"), token="t0ken")
    with pytest.raises(PassbackError, match="401"):  # it is asked again, and this platform does not know that item
        send(made, other, tmp_path / "l.json", quick)


@pytest.mark.parametrize(
    "answer", [b"", b"220 mail.example ready\r\n", b"HTTP/1.1 500 No\r\nContent-Length: 99\r\n\r\nshort", b"\xff" * 70_000]
)
def test_an_answer_that_is_no_answer_ends_in_one_sentence(answer: bytes, folder: ClassFolder, tmp_path: Path) -> None:
    listener = socket.create_server(("127.0.0.1", 0))

    def serve() -> None:
        for _ in range(passback.TRIES):
            try:
                connection, _ = listener.accept()
            except OSError:
                return
            with connection:
                connection.recv(65_536)
                connection.sendall(answer)

    thread = threading.Thread(target=serve, daemon=True)
    thread.start()
    graded(folder)
    place = Platform(f"http://127.0.0.1:{listener.getsockname()[1]}/i", token="t")
    with pytest.raises(PassbackError, match="after 4 tries"):
        send(passback.scores(folder, NAME), place, tmp_path / "l.json", quick)
    listener.close()
    thread.join(5)
    assert not (tmp_path / "l.json").exists()


@pytest.mark.parametrize(
    "address",
    ["http://school.example/i", "ftp://school.example/i", "school.example/i", "https:", "https://[::1/i", "",
     "https://x:99999/i", "http://localhost.school.example/i", "http://127.0.0.1@school.example/i"],
)  # fmt: skip
def test_only_an_encrypted_address_or_this_machine_is_asked(address: str, folder: ClassFolder, tmp_path: Path) -> None:
    with pytest.raises(PassbackError, match="address"):
        send(passback.scores(graded(folder), NAME), Platform(address, token="t"), tmp_path / "l.json", quick)


def test_a_damaged_ledger_is_named(folder: ClassFolder, desk: Desk, tmp_path: Path) -> None:
    (tmp_path / "l.json").write_text('{"a": 1}')
    with pytest.raises(PassbackError, match=r"l\.json is damaged"):
        sent(graded(folder), desk, tmp_path / "l.json")
    assert desk.asked == 0


def test_a_score_names_no_reason_and_nobody_else(folder: ClassFolder) -> None:
    made = waits(graded(folder), "s03", "this record is of s02")
    score = passback.score_of(made, 100, "u3", datetime(2027, 3, 1, 12, tzinfo=UTC) + timedelta(milliseconds=5))
    assert "s02" not in json.dumps(score) and score["timestamp"] == "2027-03-01T12:00:00.005Z"
    late: Outcome = msgspec.structs.replace(outcome(folder, "s01"), late_tenths=83)
    assert passback.score_of(late, 100, "u1", datetime(2027, 3, 1, tzinfo=UTC))["scoreGiven"] == 91.7
