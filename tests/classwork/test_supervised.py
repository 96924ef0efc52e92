"""Supervised work: benches at the school's service, the live class page, and records graded as any hand-in's."""

from __future__ import annotations

import datetime
import http.client
import io
import ipaddress
import json
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterable, Iterator
from contextlib import redirect_stdout
from pathlib import Path
from typing import Any

import msgspec
import pytest
from served import SUPERVISED, Served, acts_of, free_port, local_bench
from small_class import COMPLAINT, FAULT, FURNACE, ROSTER

from blowerbench import LocalBench, homework
from blowerbench import acts as a
from blowerbench.errors import BenchError
from blowerbench.faults import load_faults
from blowerbench.hands import NoSuchName
from blowerbench.observation import Accepted, Refused
from blowerbench.panels.state import PanelState
from blowerbench.record import Line
from blowerbench.remote import RemoteBench, RemoteError, ServiceAway, SignedOut, checked_address
from blowerbench.sealed import SealError
from blowergrade import cli
from blowergrade.classwork import supervised
from blowergrade.classwork.assign import add_late_comers, assign
from blowergrade.classwork.check import check
from blowergrade.classwork.codes import read_codes
from blowergrade.classwork.draw import Wanted
from blowergrade.classwork.folder import ClassError, ClassFolder
from blowergrade.classwork.follow import Follower, Patience, Seen, Watch, standing
from blowergrade.classwork.gradebook import write_grades
from blowergrade.classwork.grading import grade_class
from blowergrade.classwork.hand_in import Job, grade_hand_in
from blowergrade.classwork.new import make_class, update_roster
from blowergrade.exam.attempt import Plan
from blowergrade.exam.journal import ActRow
from blowergrade.safety import monitor
from blowergrade.technicians import Technician

MINUTE = 60_000  # ms


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A class with one supervised assignment; tests get copies."""
    os.environ["PATH"] = os.pathsep.join((str(Path(sys.executable).parent), os.environ["PATH"]))
    base = tmp_path_factory.mktemp("supervised")
    (base / "roster.csv").write_text(ROSTER, encoding="utf-8")
    folder = make_class(base / "class", base / "roster.csv", "blowers", "Blower class")
    wanted = Wanted(FURNACE, FAULT, COMPLAINT)
    assign(folder, SUPERVISED, wanted, title="A watched call", seed=1, service="http://127.0.0.1:8444/")
    return folder.root


@pytest.fixture
def school(made: Path, tmp_path: Path) -> ClassFolder:
    """A copy of the class for this test alone."""
    shutil.copytree(made, tmp_path / "class")
    return ClassFolder(tmp_path / "class")


@pytest.fixture
def served(school: ClassFolder) -> Iterator[Served]:
    """Its service, running."""
    with Served(school) as running:
        yield running


def do(bench: RemoteBench | LocalBench, acts: Iterable[a.Act]) -> None:
    """Do `acts`, of which none may be refused."""
    for act in acts:
        assert isinstance(bench.act(act), Accepted), act


def taught(folder: ClassFolder, student: str) -> list[a.AnyAct]:
    """What a competent technician does on this student's bench."""
    bench = local_bench(folder, student)
    Technician(bench).work()
    return acts_of(bench)


#: Line voltage in the hand: the door off, its switch held in, and the power plug pulled.
RECKLESS: tuple[a.Act, ...] = (a.SetDoor(False), a.HoldDoorSwitch(True), a.Unplug("motor_power"))
#: The same two places of the meter over and over.
CIRCLES: tuple[a.Act, ...] = (a.Look("around"), a.ReadStatus()) * 9


def reckless(folder: ClassFolder) -> tuple[a.Act, ...]:
    """`RECKLESS` with the plug of the class's unit."""
    plug = str(local_bench(folder, "s02").equipment.module["plug"])
    return (*RECKLESS[:2], a.Unplug(plug))


# ---------------------------------------------------------------------- three students
def test_the_class_page_tells_who_is_finished_unsafe_and_stuck_and_records_grade_as_on_a_bench_of_ones_own(
    served: Served, tmp_path: Path
) -> None:
    folder = served.folder
    acts = {"s01": taught(folder, "s01"), "s02": reckless(folder), "s03": CIRCLES}
    for student, what in acts.items():
        do(served.bench(student), what)
    rows = served.class_state()
    assert {s: r["state"] for s, r in rows.items()} == {"s01": "finished", "s02": "working", "s03": "stuck", "s04": "not here"}
    assert "asked before" in rows["s03"]["why"][0]
    assert [bool(rows[s]["unsafe"]) for s in ("s01", "s02", "s03", "s04")] == [False, True, False, False]
    assert rows["s02"]["unsafe"][0]["level"] == "critical" and rows["s02"]["unsafe"][0]["act"] == 3
    assert rows["s01"]["places"] == 1 < rows["s01"]["of"] and rows["s03"]["places"] > 1
    assert [rows[s]["acts"] for s in acts] == [len(x) for x in acts.values()]
    # What ended lies where hand-ins do while the service still runs; the rest once it stops.
    place = folder.root / "submitted"
    deadline = time.monotonic() + 10
    while not (place / "s01" / SUPERVISED / "call.jsonl").exists() and time.monotonic() < deadline:
        time.sleep(0.05)
    assert (place / "s01" / SUPERVISED / "call.jsonl").exists() and not (place / "s02").exists()
    served.stop()
    graded = {r.student: r for r in grade_class(folder, SUPERVISED, processes=1, progress=False)}
    entries = {x.entry: x.student for x in folder.assignment(SUPERVISED).assigned}
    for student, what in acts.items():
        own = tmp_path / "own" / student / "call.jsonl"
        own.parent.mkdir(parents=True)
        bench = local_bench(folder, student, record=own)
        do(bench, what)
        bench.close()
        assert own.read_bytes() == (place / student / SUPERVISED / "call.jsonl").read_bytes()
        assigned = folder.assignment(SUPERVISED).of(student)
        assert assigned is not None
        alone = grade_hand_in(Job(assigned, SUPERVISED, "default", str(own.parent), entries))
        there = folder.outcome(student, SUPERVISED)
        assert there is not None and alone.sheet == there.sheet and alone.status == there.status == "graded"
    assert graded["s01"].passed and graded["s01"].tenths == 1000
    assert not graded["s02"].passed and not graded["s03"].passed and graded["s04"].status == "missing"
    assert write_grades(folder, SUPERVISED, ("s01",), progress=False) == ()


def test_the_time_of_a_hand_in_is_that_of_the_last_act_by_the_services_clock(served: Served) -> None:
    do(served.bench("s01"), [a.Look("around")])
    done = time.time()
    served.stop()
    outcome = {r.student: r for r in grade_class(served.folder, SUPERVISED, processes=1, progress=False)}
    assert outcome["s01"].status == "graded"
    found = served.folder.outcome("s01", SUPERVISED)
    assert found is not None
    assert abs(datetime.datetime.fromisoformat(found.handed_in).timestamp() - done) < 5


def test_who_sits_still_is_stuck_then_away_and_who_asks_without_end_is_stuck(served: Served) -> None:
    bench = served.bench("s01")
    do(bench, [a.Look("around")])
    assert served.class_state()["s01"]["state"] == "working"
    served.later += 7 * MINUTE
    row = served.class_state()["s01"]
    assert row["state"] == "stuck" and row["why"] == ["no act for 7 min"]
    do(bench, [a.Wait(1)])
    assert served.class_state()["s01"]["state"] == "working"
    served.later += 31 * MINUTE
    assert served.class_state()["s01"]["state"] == "away"
    for k in range(2, 70):  # each wait is another question, and none rules anything out
        do(bench, [a.Wait(k)])
    served.later += 1 * MINUTE
    row = served.class_state()["s01"]
    assert row["state"] == "stuck" and "ruled nothing out" in row["why"][0]


def test_the_class_page_and_its_numbers_are_for_the_instructor_alone(served: Served) -> None:
    do(served.bench("s01"), [a.Look("around")])
    status, found, _ = served.ask("GET", "/proctor/class/state")
    assert status == 401 and "students" not in found
    token = served.bench("s02")._token
    status, found, _ = served.ask("GET", "/proctor/class/state", cookie=f"exam_session={token}; exam_desk={token}")
    assert status == 401 and "students" not in found
    files = (("/proctor/class", "class.js"), ("/proctor/class.js", "class/state"), ("/proctor/class.css", ".cl-table"))
    for path, kind in files:
        status, text, _ = served.ask("GET", path)
        assert status == 200 and kind in text and "Ada" not in text
    assert served.ask("GET", "/proctor/class.py")[0] == 404


# ---------------------------------------------------------------------- what a notebook holds
def test_nothing_of_the_fault_or_the_variant_reaches_the_notebook(
    served: Served, monkeypatch: pytest.MonkeyPatch
) -> None:
    got: list[bytes] = []
    read = http.client.HTTPResponse.read

    def heard(self: http.client.HTTPResponse, amount: int | None = None) -> bytes:
        got.append(read(self, amount))
        return got[-1]

    monkeypatch.setattr(http.client.HTTPResponse, "read", heard)
    folder, bench = served.folder, served.bench("s01")
    acts = taught(folder, "s01")
    do(bench, acts[: next(k for k, act in enumerate(acts) if isinstance(act, a.Declare))])  # what it says later is one's own
    bench.catch_up()
    again = served.bench("s01")
    assert again.lines == bench.lines and len(got) > 40
    one = folder.assignment(SUPERVISED).of("s01")
    assert one is not None
    fault = load_faults(bench.equipment).faults[FAULT]
    for secret in (FAULT, fault.title, fault.correction, one.variant, one.entry, served.code("s01"), folder.secret.hex()):
        assert not [data for data in got if secret.encode() in data], secret
    assert not hasattr(bench, "session") and not hasattr(bench, "header")


def test_a_panel_on_a_remote_bench_shows_what_one_on_a_bench_of_this_process_shows(served: Served) -> None:
    local, there = local_bench(served.folder, "s02"), served.bench("s02")
    assert there.language == "es"
    panels = [PanelState(x, language="es") for x in (local, there)]
    for seq, act in enumerate(taught(served.folder, "s02")[:40], 1):
        for panel in panels:
            panel.hear({"kind": "act", "view": "v", "seq": seq, "act": msgspec.to_builtins(act)})
    more: list[dict[str, Any]] = [
        {"kind": "act", "act": {"do": "place_lead", "lead": "red", "terminal": "no.such", "clip": False}},
        {"kind": "view", "name": "ladder"}, {"kind": "keep", "do": "hold"}, {"kind": "chart", "on": True},
        {"kind": "until", "when": "change", "reading": "meter", "value": 1, "minutes": 2, "step": 30},
        {"kind": "act", "act": {"do": "set_thermostat", "call": "heat"}},
    ]  # fmt: skip
    for seq, message in enumerate(more, 41):
        for panel in panels:
            panel.hear({"view": "v", "seq": seq, **message})
    assert there.lines == local.lines and len(local.lines) > 40
    for name in panels[0].traits(sync=True):
        # A page is JSON: tuples and lists are the same there.
        one, other = (json.loads(msgspec.json.encode(getattr(p, name))) for p in panels)
        assert one == other, name


def test_a_wrong_name_never_leaves_the_notebook_and_a_refusal_comes_back_as_one(served: Served) -> None:
    bench, local = served.bench("s01"), local_bench(served.folder, "s01")
    with pytest.raises(NoSuchName):
        bench.act(a.Unplug("nothing"))
    for act in (a.Unplug(str(local.equipment.module["plug"])), a.OpenControl()):
        here = local.act(act)
        assert isinstance(here, Refused) and bench.act(act) == here
    bench.close()
    assert isinstance(bench.act(a.Wait(1)), Refused)


# ---------------------------------------------------------------------- when the network fails
def test_an_answer_that_is_lost_is_asked_for_again_and_the_act_is_done_once(
    served: Served, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench = served.bench("s01")
    once, lost = bench._wire._once, iter([True, True, False])

    def loses(*about: Any) -> Any:
        answer = once(*about)
        if next(lost, False):
            raise ConnectionResetError("the answer was lost")
        return answer

    monkeypatch.setattr(bench._wire, "_once", loses)
    do(bench, [a.Wait(10)])
    assert [line.act for line in bench.lines] == [a.Wait(10)] and bench.view().clock == 10
    assert len(served.service.hall.journal.acts("s01/call")) == 2  # the header and one act


def test_a_service_that_is_away_says_what_to_do_and_the_same_act_is_done_once_when_it_is_back(school: ClassFolder) -> None:
    port = free_port()
    first = Served(school, port=port)
    bench = first.bench("s01", patience=0.3)
    do(bench, [a.Wait(10)])
    panel = PanelState(bench)
    first.stop()
    panel.hear({"kind": "act", "view": "v", "seq": 1, "act": {"do": "wait", "seconds": 20}})
    assert "does not answer" in panel.problem and "not done twice" in panel.problem
    with pytest.raises(ServiceAway, match=f"127.0.0.1:{port}"):
        bench.act(a.Wait(20))
    with Served(school, port=port) as second:
        panel.hear({"kind": "act", "view": "v", "seq": 2, "act": {"do": "wait", "seconds": 20}})
        assert panel.problem == "" and bench.view().clock == 30
        do(bench, [a.Wait(5)])
        assert second.class_state()["s01"]["acts"] == 3
        assert [line.seq for line in second.bench("s01").lines] == [1, 2, 3]


def test_an_act_of_unknown_fate_is_looked_up_before_another_is_done(served: Served, monkeypatch: pytest.MonkeyPatch) -> None:
    bench = served.bench("s01", patience=0.1)
    once = bench._wire._once

    def loses(*about: Any) -> Any:
        once(*about)
        raise ConnectionResetError("the answer was lost")

    with monkeypatch.context() as broken:
        broken.setattr(bench._wire, "_once", loses)
        with pytest.raises(ServiceAway):
            bench.act(a.Wait(10))
    do(bench, [a.Wait(20)])
    assert [line.act for line in bench.lines] == [a.Wait(10), a.Wait(20)] and bench.view().clock == 30


def test_a_second_notebook_takes_over_and_the_first_says_so(served: Served) -> None:
    first, second = served.bench("s01"), served.bench("s01")
    with pytest.raises(SignedOut, match="opened elsewhere"):
        first.act(a.Wait(1))
    do(second, [a.Wait(1)])


def test_a_call_that_is_stopped_or_closed_says_so_and_keeps_what_was_done(served: Served) -> None:
    bench = served.bench("s01")
    do(bench, [a.Wait(1)])
    _, _, cookie = served.ask("POST", "/proctor/sign-in", {"code": supervised.desk_code(served.folder, SUPERVISED)})
    for what, why in (("pause", "for a while"), ("close", "has closed this call")):
        status, _, _ = served.ask("POST", "/proctor/do", {"do": what, "candidate": "s01" if what == "pause" else ""}, cookie)
        assert status == 200
        with pytest.raises(RemoteError, match=why):
            bench.act(a.Wait(2))
        if what == "pause":
            served.ask("POST", "/proctor/do", {"do": "resume", "candidate": "s01"}, cookie)
            do(bench, [a.Wait(3)])
    served.stop()
    lines = (served.folder.root / "submitted" / "s01" / SUPERVISED / "call.jsonl").read_bytes().splitlines()
    assert len(lines) == 3


def test_in_an_exam_the_door_for_notebooks_is_shut(served: Served) -> None:
    hall = served.service.hall
    hall.programme = msgspec.structs.replace(hall.programme, kind="exam")
    with pytest.raises(RemoteError, match="on its own page"):
        served.bench("s01")


# ---------------------------------------------------------------------- codes and addresses
@pytest.mark.parametrize(
    ("url", "why"),
    [("ftp://x", "no address"), ("http://", "no address"), ("http://127.0.0.1:99999", "65535"), ("https://a/b", "no address"),
     ("https://a?b", "no address"), ("https://me@a", "no address"), ('https://a"b', "no address"),
     ("http://10.1.2.3:1", "clear"), ("http://bench.example.org", "clear"), ("nonsense", "no address")],
)  # fmt: skip
def test_an_address_that_codes_must_not_be_sent_to_is_refused(url: str, why: str, school: ClassFolder) -> None:
    with pytest.raises(RemoteError, match=why):
        RemoteBench(url, read_codes(school.private)["s01"])
    with pytest.raises(ClassError, match=why):
        assign(school, "other", Wanted(FURNACE, FAULT, COMPLAINT), service=url, release=False)


def test_addresses_of_this_machine_and_of_tls_are_taken() -> None:
    for url in ("http://127.0.0.1:8444", "http://localhost", "http://[::1]:80", "https://bench.example.org:8444"):
        assert checked_address(f"{url}/") == url


def test_codes_that_open_nothing_say_so(served: Served) -> None:
    code = served.code("s01")
    wrong = ("2" if code[0] != "2" else "3") + code[1:]
    with pytest.raises(SealError, match="typing error"):
        RemoteBench(served.url, wrong)
    with pytest.raises(RemoteError, match="opens nothing"):
        RemoteBench(served.url, "0000-0000-0000-0000")
    with pytest.raises(RemoteError, match="no such call"):
        RemoteBench(served.url, code, item="another")


def test_the_notebooks_cells_ask_for_the_code_and_keep_none(
    served: Served, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    asked: list[str] = []

    def types_it(prompt: str) -> str:
        asked.append(prompt)
        return served.code("s02")

    monkeypatch.setattr(homework, "getpass", types_it)
    monkeypatch.setattr(homework, "_there", {})
    bench = homework.open_supervised(served.url, SUPERVISED)
    assert homework.open_supervised(served.url, SUPERVISED) is bench and len(asked) == 1  # run again: the same bench
    do(bench, [a.Wait(10)])
    homework.receipt(bench)
    told = capsys.readouterr().out
    assert f"Recibo: 1 actos, {bench.head[:16]}." in told
    assert served.code("s02") not in told
    served.bench("s02")  # elsewhere: then the code is asked for again
    assert homework.open_supervised(served.url, SUPERVISED) is not bench and len(asked) == 2
    with pytest.raises(homework.HomeworkError, match="'watched' open"):
        homework.open_supervised(served.url, "another-call")
    assert homework.show_panel(served.bench("s02")).words["language"] == "es"


def test_a_release_names_the_service_and_holds_nothing_else_of_the_call(school: ClassFolder) -> None:
    release = school.root / "release" / SUPERVISED
    assert [f.name for f in release.iterdir()] == [f"{SUPERVISED}.ipynb"]
    text = (release / f"{SUPERVISED}.ipynb").read_text()
    assert 'open_supervised(\\"http://127.0.0.1:8444\\", \\"watched\\")' in text and FAULT not in text and FURNACE not in text
    cells = {c["id"]: "".join(c["source"]) for c in json.loads(text)["cells"] if c["cell_type"] == "code"}
    for source in cells.values():
        compile(source, "cell", "exec")
    assert not [f for f in check(school) if f.level == "problem"]


# ---------------------------------------------------------------------- the class folder
def test_who_joins_late_gets_the_call_and_a_served_assignment_is_not_made_anew(school: ClassFolder, tmp_path: Path) -> None:
    (tmp_path / "more.csv").write_text(ROSTER + "s05,Eva Later,,en\n", encoding="utf-8")
    update_roster(school, tmp_path / "more.csv")
    assert add_late_comers(school, SUPERVISED) == ("s05",)
    with Served(school) as running:
        do(running.bench("s05"), [a.Wait(1)])
        with pytest.raises(ClassError, match="another service"):
            supervised.lock(school, SUPERVISED)
    with pytest.raises(ClassError, match="already"):
        assign(school, SUPERVISED, Wanted(FURNACE, FAULT, COMPLAINT), again=True, service="http://127.0.0.1:8444")


def test_homework_is_not_served_and_what_was_never_served_is_not_collected(school: ClassFolder) -> None:
    with pytest.raises(ClassError, match="was not served yet"):
        supervised.take_records(school, SUPERVISED)
    assign(school, "at-home", Wanted(FURNACE, FAULT, COMPLAINT), release=False)
    with pytest.raises(ClassError, match="is homework"):
        supervised.open_hall(school, "at-home")


def test_the_command_serves_and_after_a_kill_collecting_finds_every_act(school: ClassFolder) -> None:
    port = free_port()
    program = "import sys; from blowergrade.cli import main; sys.exit(main())"
    serve = ["class", "--class", str(school.root), "serve", SUPERVISED, "--port", str(port)]
    command = [sys.executable, "-c", program, *serve]
    said = ""
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env=os.environ | {"PYTHONUNBUFFERED": "1"}) as process:
        assert process.stdout is not None
        while "Ctrl-C" not in said:
            line = process.stdout.readline()
            assert line, said
            said += line
        assert f"http://127.0.0.1:{port}/" in said and "/proctor/class" in said
        bench = RemoteBench(f"http://127.0.0.1:{port}", read_codes(school.private)["s01"])
        do(bench, [a.Look("around"), a.Wait(10)])
        process.send_signal(signal.SIGKILL)
    out = io.StringIO()
    with redirect_stdout(out):
        assert cli.main(["class", "--class", str(school.root), "collect", SUPERVISED]) in (0, None)
    assert "s01  taken" in out.getvalue() and "s02  missing" in out.getvalue()
    lines = (school.root / "submitted" / "s01" / SUPERVISED / "call.jsonl").read_bytes().splitlines()
    assert len(lines) == 3 and json.loads(lines[-1])["chain"] == bench.head


def test_over_the_network_it_is_tls_with_the_certificate_that_the_release_brings(school: ClassFolder, tmp_path: Path) -> None:
    certificate, key = _self_signed(tmp_path)
    other, _ = _self_signed(tmp_path / "other")
    assign(
        school, "tls", Wanted(FURNACE, FAULT, COMPLAINT), service="https://127.0.0.1:8444", trust=certificate, release=False
    )  # fmt: skip
    source = school.root / "source" / "tls"
    assert 'trust=\\"service.pem\\"' in (source / "tls.ipynb").read_text()
    with pytest.raises(ClassError, match="private key"):
        assign(school, "bad", Wanted(FURNACE, FAULT, COMPLAINT), service="https://127.0.0.1", trust=key, release=False)
    with Served(school, "tls", certificate=certificate, key=key) as running:
        url, code = f"https://127.0.0.1:{running.port}", running.code("s01")
        bench = RemoteBench(url, code, trust=source / "service.pem")
        do(bench, [a.Wait(1)])
        with pytest.raises(RemoteError, match="can't prove"):
            RemoteBench(url, code, trust=other, patience=0.1)
        with pytest.raises(RemoteError, match="can't prove"):
            RemoteBench(url, code, patience=0.1)
        with pytest.raises(RemoteError, match="no certificate file"):
            RemoteBench(url, code, trust=tmp_path / "missing.pem")


def _self_signed(place: Path) -> tuple[Path, Path]:
    from cryptography import x509
    from cryptography.hazmat.primitives import hashes, serialization
    from cryptography.hazmat.primitives.asymmetric import ec

    place.mkdir(exist_ok=True)
    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, "bench")])
    now = datetime.datetime.now(datetime.UTC)
    made = (
        x509.CertificateBuilder().subject_name(name).issuer_name(name).public_key(key.public_key())
        .serial_number(x509.random_serial_number()).not_valid_before(now - datetime.timedelta(days=1))
        .not_valid_after(now + datetime.timedelta(days=1))
        .add_extension(x509.SubjectAlternativeName([x509.IPAddress(ipaddress.ip_address("127.0.0.1"))]), critical=False)
        .add_extension(x509.BasicConstraints(ca=True, path_length=None), critical=True)
        .sign(key, hashes.SHA256())
    )  # fmt: skip
    (place / "service.crt").write_bytes(made.public_bytes(serialization.Encoding.PEM))
    form = serialization.PrivateFormat.PKCS8
    (place / "service.key").write_bytes(key.private_bytes(serialization.Encoding.PEM, form, serialization.NoEncryption()))
    return place / "service.crt", place / "service.key"


# ---------------------------------------------------------------------- following
def follower(folder: ClassFolder, student: str) -> Follower:
    """A follower of this student's call, opened at 0."""
    plan = supervised.programme_of(folder, SUPERVISED).plan(student, supervised.ITEM)
    assert plan is not None
    made = Follower(plan)
    made.open(0)
    return made


def lines_of(folder: ClassFolder, student: str, acts: Iterable[a.Act]) -> list[Line]:
    """The record of `acts`."""
    bench = local_bench(folder, student)
    do(bench, acts)
    return list(bench.lines)


def test_who_works_as_taught_is_never_told_to_go_in_circles_and_every_grave_violation_is_the_monitors(
    school: ClassFolder,
) -> None:
    watched = follower(school, "s01")
    for line in lines_of(school, "s01", taught(school, "s01")):
        watched.take(line, 1000 * line.seq)
        state = standing(watched.seen, True, 1000 * line.seq, Patience()).state
        assert state == ("finished" if watched.seen.ended else "working")
    assert watched.seen.broken == () and any(m.kind == "told" for m in watched.seen.marks)
    # The monitor over the whole record, which grading uses, is what the follower's act by act is compared with.
    from blowergrade.replay import play

    acts = (*reckless(school), a.Wait(5), a.SetThermostat("heat"))
    bad, bench = follower(school, "s02"), local_bench(school, "s02")
    for line in lines_of(school, "s02", acts):
        bad.take(line, 1000 * line.seq)
    now = bench.session
    steps = play(now.equipment, now.catalogue, now.hypothesis, now.variant, COMPLAINT, acts)
    at_the_end = max(s.seq for s in steps)
    found = {(v.seq, v.level) for v in monitor(now.equipment, False, steps) if v.level in ("critical", "major")}
    assert {(b.seq, b.level) for b in bad.seen.broken} <= found
    assert {f for f in found if f[0] < at_the_end} <= {(b.seq, b.level) for b in bad.seen.broken} and bad.seen.broken


@pytest.mark.parametrize(
    ("seen", "here", "now", "state"),
    [
        (Seen(), False, 0, "not here"), (Seen(), True, 0, "not here"),
        (Seen(opened=1), True, 5 * MINUTE, "working"), (Seen(opened=1), True, 6 * MINUTE + 1, "stuck"),
        (Seen(opened=1, last=MINUTE), True, 31 * MINUTE, "away"), (Seen(opened=1, ended=True), True, 99 * MINUTE, "finished"),
        (Seen(opened=1, last=9 * MINUTE, told=1, questions=60, places=2), True, 9 * MINUTE, "stuck"),
        (Seen(opened=1, last=9 * MINUTE, told=1, questions=59, places=2), True, 9 * MINUTE, "working"),
        (Seen(opened=1, last=9 * MINUTE, told=1, questions=90, places=1), True, 9 * MINUTE, "working"),
        (Seen(opened=1, last=9 * MINUTE, told=2 * MINUTE, questions=90, places=2), True, 9 * MINUTE, "working"),
        (Seen(opened=1, last=MINUTE, again=12), True, MINUTE, "stuck"),
    ],
)  # fmt: skip
def test_standings_follow_from_what_was_seen(seen: Seen, here: bool, now: int, state: str) -> None:
    assert standing(seen, here, now, Patience()).state == state


def test_a_call_that_can_not_be_followed_says_so_and_stops_no_other(school: ClassFolder) -> None:
    good = Plan("s01/call", FURNACE, f"{FAULT}/0", COMPLAINT, "v")
    rows = {"s01/call": (ActRow("s01/call", 0, "", "", b"{}", 5),), "s02/call": (ActRow("s02/call", 0, "", "", b"{}", 5),
            ActRow("s02/call", 1, "", "", b"{nonsense", 6))}  # fmt: skip
    watch = Watch(lambda attempt: rows[attempt])
    found = watch.look([good, msgspec.structs.replace(good, attempt="s02/call")])
    assert found["s01/call"].opened == 5 and not found["s01/call"].problem
    assert "can't be followed" in found["s02/call"].problem


def test_errors_are_the_benchs_own() -> None:
    for kind in (RemoteError, ServiceAway, SignedOut):
        assert issubclass(kind, BenchError)
