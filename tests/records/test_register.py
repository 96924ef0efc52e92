"""The register's file: every change is found, a crash loses nothing that was acknowledged, two writers don't meet.

Rule: the chain is computed here by hashlib and json alone.
"""

from __future__ import annotations

import hashlib
import json
import os
import random
import signal
import stat
import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from records.people import school
from sampling import sampled, seed

from blowergrade.records import register
from blowergrade.records.entries import Identity, RecordsError, Said, Taken
from blowergrade.records.keeping import ask
from blowergrade.records.register import FILE, check_head, read_log, writing
from blowergrade.records.school import Records

ROUNDS = 20  # kills


@pytest.fixture
def records(tmp_path: Path) -> Records:
    made = school(tmp_path)
    with made.adding() as adding:
        for n in range(1, 4):
            adding.enrol(Identity(f"Person {n}", f"s{n}"))
        adding.done()
    for n in range(1, 4):
        ask(made, f"s{n}", "2024-03-01", Said("by letter", "A. Marsh"))
    return made


def lines(records: Records) -> list[bytes]:
    return (records.root / FILE).read_bytes().splitlines(keepends=True)


def put(records: Records, made: list[bytes]) -> None:
    (records.root / FILE).write_bytes(b"".join(made))


def bodies(data: bytes) -> list[dict[str, object]]:
    """What the lines say, once each follows from the one before: SHA-256 over its chain value, a line end, and the body."""
    head, found = "0" * 64, []
    for line in data.splitlines():
        chain = json.loads(line)["chain"]
        body = line.removeprefix(b'{"chain":"' + chain.encode() + b'","body":').removesuffix(b"}")
        head = hashlib.sha256(head.encode() + b"\n" + body).hexdigest()
        assert head == chain
        found.append(json.loads(body))
    return found


def test_the_chain_is_that_of_sha_256_over_each_line_and_the_one_before(records: Records) -> None:
    found = bodies(b"".join(lines(records)))
    assert found[0]["school"] == "Harrow Lane Trade School"
    assert [b.get("number") for b in found[1:]] == [1, 2, 3, 4, 5, 6]
    assert records.log.head == json.loads(lines(records)[-1])["chain"]


def test_a_changed_byte_is_found_wherever_it_is(records: Records) -> None:
    data = (records.root / FILE).read_bytes()
    for place in sampled(len(data) - 1, 60):  # the last byte is the line end, and a file without it is a crash's
        changed = bytearray(data)
        changed[place] ^= 1
        (records.root / FILE).write_bytes(changed)
        number = data[:place].count(b"\n") + 1
        with pytest.raises(RecordsError, match=rf"line {number}"):
            read_log(records.root)
    (records.root / FILE).write_bytes(data)
    assert read_log(records.root) == records.log, "the control"


def test_moved_doubled_and_removed_lines_are_found(records: Records) -> None:
    whole = lines(records)
    for n in range(len(whole) - 1):
        swapped = [*whole[:n], whole[n + 1], whole[n], *whole[n + 2 :]]
        for made in (swapped, [*whole[:n], *whole[n + 1 :]], [*whole[: n + 1], *whole[n:]]):
            put(records, made)
            with pytest.raises(RecordsError, match=r"put the copy back|first line"):
                read_log(records.root)


def test_lines_missing_at_the_end_or_written_anew_are_found_by_a_head_that_was_kept(records: Records) -> None:
    kept = len(records.entries), records.log.head
    assert check_head(records.log, *kept) == "" and check_head(records.log, kept[0], kept[1][:16]) == ""
    assert check_head(records.log, 3, records.log.chains[3]) == "", "an older head holds as well"
    assert "at least 16" in check_head(records.log, kept[0], kept[1][:15])
    put(records, lines(records)[:-1])
    shorter = read_log(records.root)
    assert "taken out" in check_head(shorter, *kept)
    with writing(records.root) as writer:  # somebody who chains anew what comes after
        writer.append(Taken(number=6, when=register.now(), sitting="x", title="x", grading=1, digest="", released="", people=0))
    assert "written anew" in check_head(read_log(records.root), *kept)


def test_a_last_line_that_was_cut_off_anywhere_is_taken_back_and_the_chain_goes_on(records: Records) -> None:
    whole = lines(records)
    before, last = b"".join(whole[:-1]), whole[-1]
    for cut in sampled(len(last), 12):
        (records.root / FILE).write_bytes(before + last[:cut])
        torn = read_log(records.root)
        assert len(torn.entries) == 5 and torn.torn == (cut > 0)
        assert (records.root / FILE).read_bytes() == before + last[:cut], "reading changes nothing"
        ask(Records(records.root), "s1", "2024-03-02", Said("again", "A. Marsh"))
        data = (records.root / FILE).read_bytes()
        assert data.startswith(before) and len(bodies(data)) == 7


def test_a_long_tail_is_taken_back_before_a_shorter_line_is_written_there(records: Records) -> None:
    before = (records.root / FILE).read_bytes()
    (records.root / FILE).write_bytes(before + b'{"chain":"' + b"a" * 20_000)
    ask(Records(records.root), "s1", "2024-03-02", Said("again", "A. Marsh"))
    data = (records.root / FILE).read_bytes()
    assert data.startswith(before) and len(bodies(data)) == 8 and data.endswith(b"\n")


def test_a_wrong_number_is_found_even_where_the_chain_is_right(records: Records) -> None:
    *kept, last = lines(records)
    head = json.loads(kept[-1])["chain"]
    body = last[last.index(b'"body":') + 7 : -2].replace(b'"number":6', b'"number":7')
    chain = hashlib.sha256(head.encode() + b"\n" + body).hexdigest()
    put(records, [*kept, b'{"chain":"' + chain.encode() + b'","body":' + body + b"}\n"])
    with pytest.raises(RecordsError, match="numbered 7 where 6 was due"):
        read_log(records.root)


def test_a_disk_that_is_full_adds_nothing_and_the_next_entry_goes_on(
    records: Records, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = (records.root / FILE).read_bytes()
    with monkeypatch.context() as patch:
        patch.setattr(os, "fsync", lambda _: (_ for _ in ()).throw(OSError(28, "No space left on device")))
        with pytest.raises(RecordsError, match="nothing was added"):
            ask(records, "s1", "2024-03-02", Said("", "A. Marsh"))
    assert (records.root / FILE).read_bytes() == before
    assert ask(records, "s1", "2024-03-02", Said("", "A. Marsh")) == 7


def test_only_this_user_reads_the_files(records: Records) -> None:
    files = [records.root / FILE, *records.keys.folder.iterdir()]
    assert len(files) == 4 and {stat.S_IMODE(f.stat().st_mode) for f in files} == {0o600}
    assert {stat.S_IMODE(f.stat().st_mode) for f in (records.root, records.keys.folder)} == {0o700}


def test_records_are_begun_once_and_a_folder_without_them_says_so(records: Records, tmp_path: Path) -> None:
    with pytest.raises(RecordsError, match="holds records already"):
        school(tmp_path)
    with pytest.raises(RecordsError, match="records new"):
        Records(tmp_path / "nowhere")
    first = lines(records)[0].replace(b'"format":1', b'"format":2')
    body = first[first.index(b'"body":') + 7 : -2]
    chain = hashlib.sha256(b"0" * 64 + b"\n" + body).hexdigest()
    put(records, [b'{"chain":"' + chain.encode() + b'","body":' + body + b"}\n"])
    with pytest.raises(RecordsError, match="install the release"):
        Records(records.root)


# ---------------------------------------------------------------------- crashes and crowds
#: Loads once, then for each line that it reads starts a writer, and says its process id; writers say what was acknowledged.
NURSERY = """
import os, sys
from pathlib import Path
from blowergrade.records.entries import InspectionAsked, Said
from blowergrade.records.school import Records

def write():
    records = Records(Path(sys.argv[1]))
    person = records.people()[0].pseudonym
    while True:
        with records.adding() as adding:
            for _ in range(3):
                number = adding.about(InspectionAsked, person, Said("x" * 400, "A. Marsh"), day="2024-03-01")
            adding.done()
        os.write(1, b"%d\\n" % number)

for line in sys.stdin:
    child = os.fork()
    if not child:
        write()
    os.write(1, b"pid %d\\n" % child)
    os.waitpid(child, 0)
    os.write(1, b"gone\\n")
"""


def test_a_kill_in_the_middle_of_writing_loses_nothing_that_was_acknowledged(records: Records) -> None:
    """kill -9 at a random moment; what was said to be written is on the disk, and what is on the disk is whole entries."""
    chance = random.Random(seed())
    with subprocess.Popen(
        [sys.executable, "-c", NURSERY, str(records.root)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as nursery:
        assert nursery.stdin is not None and nursery.stdout is not None
        for _ in range(ROUNDS):
            nursery.stdin.write("one\n")
            nursery.stdin.flush()
            said = [nursery.stdout.readline()]
            while not said[-1].startswith("pid"):
                said.append(nursery.stdout.readline())
            child = int(said[-1].split()[1])
            while not said[-1].strip().isdigit():  # it has come to write
                said.append(nursery.stdout.readline())
            time.sleep(chance.uniform(0, 0.02))
            os.kill(child, signal.SIGKILL)
            while said[-1] != "gone\n":
                said.append(nursery.stdout.readline())
            told = [int(x) for x in said if x.strip().isdigit()]
            log = read_log(records.root)
            assert len(log.entries) >= max(told)
            number = ask(Records(records.root), "s1", "2024-03-02", Said("after the crash", "A. Marsh"))
            found = bodies((records.root / FILE).read_bytes())
            assert len(found) - 1 == number == len(log.entries) + 1
        nursery.stdin.close()


def test_many_writers_at_once_each_get_their_turn(records: Records) -> None:
    """Each has its own handle of the lock, as processes have: flock belongs to the open file."""

    def one(n: int) -> int:
        return ask(Records(records.root), f"s{1 + n % 3}", "2024-03-01", Said(f"request {n}", "A. Marsh"))

    with ThreadPoolExecutor(8) as pool:
        numbers = sorted(pool.map(one, range(40)))
    assert numbers == list(range(7, 47))
    found = Records(records.root)
    texts = {found.told(x, Said).reason for p in found.people() for x in p.open_requests}
    assert {f"request {n}" for n in range(40)} <= texts


def test_a_writer_that_does_not_end_is_waited_for_and_then_named(records: Records, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(register, "PATIENCE", 0.1)
    with writing(records.root), pytest.raises(RecordsError, match="another command writes"), writing(records.root):
        pass
    with writing(records.root) as writer:
        assert writer.number == 7, "the lock is free again"
