"""The guide for certificates: its commands, run in its order, say what it quotes; its reasons are those of real refusals."""

from __future__ import annotations

import re
import shlex
import shutil
from collections.abc import Callable
from datetime import date, timedelta
from importlib.resources import files
from pathlib import Path

import msgspec
import pytest
from credentials.school import payload_of, token
from cryptography.hazmat.primitives.asymmetric import rsa
from school_office import COMPLETION, issuer

from blowergrade.cli import _parser, main
from blowergrade.credentials.issuer import PUBLISHED, make_issuer
from blowergrade.credentials.issuing import issue
from blowergrade.credentials.profile import STATEMENT
from blowergrade.credentials.status import DAYS

GUIDE = files("blowerlessons").joinpath("guides").joinpath("certificates.md").read_text(encoding="utf-8")
BLOCKS = [b.strip("\n") for b in GUIDE.split("```")[1::2]]
COMMANDS = [line for b in BLOCKS for line in b.splitlines() if line.startswith("blowergrade ")]
QUOTED = [b for b in BLOCKS if not b.startswith("blowergrade ")]
PASSPHRASE = "four grey herons by the weir"
#: What differs each time: ids, times and dates, digests, keys.
CHANGES = (
    (r"[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}", "ID"), (r"\d{4}-\d\d-\d\dT[\d:]+Z", "TIME"), (r"\d{4}-\d\d-\d\d", "DAY"),
    (r"([0-9a-f]{4} ){7}[0-9a-f]{4}", "DIGEST"), (r"rsa-[0-9a-f]{32}", "RSA"), (r"z6Mk\w+", "ED"),
)  # fmt: skip


def plain(text: str) -> list[str]:
    """The lines of `text` without what differs each time."""
    for found, name in CHANGES:
        text = re.sub(found, name, text)
    return text.splitlines()


@pytest.fixture
def run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Callable[..., str]:
    """Runs a command line in a folder of its own, with the exam's file in it; returns all that it printed."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("BLOWER_TRUST", str(tmp_path / "trusted"))
    Path("secret").write_text(PASSPHRASE, "utf-8")
    Path("completions").mkdir()
    told = msgspec.structs.replace(COMPLETION, day=(date.today() - timedelta(days=2)).isoformat())
    Path("completions/c02.json").write_bytes(msgspec.json.encode(told))

    def call(line: str, code: int = 0) -> str:
        words = shlex.split(line)[1:]
        if " ".join(words[:2]) in ("issuer new", "issuer publish", "issuer rotate", "certificate issue"):
            words += ["--passphrase-file", "secret"]
        capsys.readouterr()
        assert main(words) == code, line
        return capsys.readouterr().out

    return call


def test_every_command_of_the_guide_is_one_that_the_program_takes() -> None:
    assert len(COMMANDS) >= 14
    for line in COMMANDS:
        assert callable(_parser().parse_args(shlex.split(line)[1:]).run), line
    inline = re.findall(r"`blowergrade (records [^`]+)`", GUIDE)
    assert len(inline) == 1 and callable(_parser().parse_args(shlex.split(inline[0])).run)
    steps = {tuple(line.split()[1:3]) for line in COMMANDS}
    assert {("issuer", name) for name in ("new", "show", "publish", "trust", "rotate", "revoke-key")} <= steps
    assert {("certificate", "issue"), ("certificate", "revoke")} <= steps


def test_the_guides_commands_in_their_order_print_what_it_quotes(run: Callable[..., str]) -> None:
    printed, ids = "", dict[str, str]()
    for line in (c for c in COMMANDS if not c.startswith("blowergrade exam ")):
        for quoted, real in ids.items():
            line = line.replace(quoted, real)
        if line.startswith("blowergrade issuer trust"):
            for name in (PUBLISHED, "status.jwt"):
                shutil.copy(Path("public") / name, name)
        if line.startswith("blowergrade certificate issue"):
            line = line.replace("--out certificates", "--out .")
        out = run(line)
        printed += out
        if found := re.search(r"Certificate urn:uuid:(\S+) for", out):
            ids["53fe3840-3bc5-4baa-9e65-24295c4fab5c"] = found[1]
        if line.startswith("blowergrade issuer show"):
            ids["rsa-5709cd64821cf26ad610412778e276d6"] = re.findall(r"rsa-\w+", out)[0]
    lines = set(plain(printed))
    assert len(QUOTED) >= 5
    for block in QUOTED:
        for wanted in plain(block):
            assert wanted in lines, wanted
    certificate = next(Path().glob("certificate-*.jwt"))
    refused = run(f"blowergrade verify {certificate} --issuer public/{PUBLISHED} --status public/status.jwt", 1)
    assert refused.startswith("NOT VALID") and "laptop stolen" in refused
    data = certificate.with_suffix(".json")
    refused = run(f"blowergrade verify {data} --issuer public/{PUBLISHED} --status public/status.json", 1)
    assert refused.startswith("NOT VALID") and "Revoked" in refused, "the other key's file is refused for the revocation"


def test_the_guides_reasons_are_those_of_real_refusals(run: Callable[..., str], tmp_path: Path) -> None:
    told = msgspec.json.decode(Path("completions/c02.json").read_bytes(), type=type(COMPLETION))
    school = issuer(tmp_path / "keys", PASSPHRASE)
    rival = make_issuer(tmp_path / "rival", "Millbrook Institute", "https://millbrook.example/issuer",
                        "https://millbrook.example/verify.html", PASSPHRASE)  # fmt: skip
    Path("old.json").write_bytes(school.document.json())
    Path("rival.jwt").write_bytes(issue(rival, told, PASSPHRASE).signed.jwt)
    good = issue(school, told, PASSPHRASE).signed.jwt.decode().strip()
    thief = rsa.generate_private_key(65537, 3072)
    header = {"alg": "RS256", "typ": "JWT", "kid": school.document.signing("RSA").id}
    Path("changed.jwt").write_text(token(header, payload_of(good), thief), "utf-8")
    school.rotate("RSA", PASSPHRASE)
    Path("newer.jwt").write_bytes(issue(school, told, PASSPHRASE).signed.jwt)
    rows = {"changed": "signature does not hold", "rival": "none of those whose document you trust",
            "newer": "none of this issuer's"}  # fmt: skip
    for name, words in rows.items():
        assert f"| `NOT VALID: … {words}` |" in GUIDE
        assert words in run(f"blowergrade verify {name}.jwt --issuer old.json", 1), name
    Path("good.jwt").write_text(good, "utf-8")
    assert run("blowergrade verify good.jwt --issuer old.json").startswith("VALID, but not checked for revocation")
    assert "| `VALID, but not checked for revocation` |" in GUIDE


def test_several_results_are_issued_at_one_go_and_one_that_is_wrong_stops_all(run: Callable[..., str], tmp_path: Path) -> None:
    issuer(tmp_path / "keys", PASSPHRASE)
    told = msgspec.json.decode(Path("completions/c02.json").read_bytes(), type=type(COMPLETION))
    for name, made in (("c05", {"candidate": "Pavel Lindqvist"}), ("low", {"score": "60"})):
        Path(f"completions/{name}.json").write_bytes(msgspec.json.encode(msgspec.structs.replace(told, **made)))
    run("blowergrade certificate issue keys completions/c02.json completions/low.json --out given", 2)
    run("blowergrade certificate issue keys completions/c02.json completions/c02.json --out given", 2)
    assert not Path("given").exists() and "0 certificates issued" in run("blowergrade issuer show keys")
    out = run("blowergrade certificate issue keys completions/c02.json completions/c05.json --out given")
    assert " for Mina Okafor." in out and " for Pavel Lindqvist." in out
    assert len(list(Path("given").iterdir())) == 6 and "2 certificates issued" in run("blowergrade issuer show keys")


def test_the_guide_says_plainly_what_a_certificate_is_not_and_claims_no_conformity() -> None:
    text = " ".join(GUIDE.split())
    assert "no licence, no permit, no refrigerant certification, and no proof of work on live equipment" in text
    assert "checked, not certified" in text
    assert STATEMENT in text and f"within {DAYS} days" in text
    assert not re.search(r"\b(compliant|conformant|conforms|accredited|certified by)\b", text)
