"""The commands, as a school and an employer type them: `issuer`, `certificate`, `verify`."""

from __future__ import annotations

import json
import shutil
import stat
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import msgspec
import pytest
from credentials.school import COMPLETION, payload_of, token

from blowergrade.cli import main
from blowergrade.credentials import trust
from blowergrade.credentials.issuer import PUBLISHED, read_document

PASSPHRASE = "four grey herons by the weir"
STATEMENT = "no licence, permit or refrigerant certification, and no proof of competence on live equipment"


@dataclass(frozen=True)
class Told:
    """What a command ended with."""

    code: int
    out: str
    err: str


Run = Callable[..., Told]


@pytest.fixture(scope="session")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An issuer folder as `issuer new` makes it; RSA keys take long to find, so each test copies it."""
    folder = tmp_path_factory.mktemp("issuer")
    (folder / "secret").write_text(PASSPHRASE, "utf-8")
    assert main([*NEW[:2], str(folder / "keys"), *NEW[3:-1], str(folder / "secret")]) == 0
    return folder / "keys"


@pytest.fixture
def run(made: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Run:
    """Runs `blowergrade` in a folder of its own, with keys, an exam's result, a passphrase file and no trust in anybody."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("BLOWER_TRUST", str(tmp_path / "trusted"))
    (tmp_path / "secret").write_text(f"{PASSPHRASE}\n", "utf-8")
    shutil.copytree(made, tmp_path / "keys")
    told = msgspec.structs.replace(COMPLETION, day=(date.today() - timedelta(days=2)).isoformat())
    (tmp_path / "result.json").write_bytes(msgspec.json.encode(told))

    def call(*arguments: str) -> Told:
        capsys.readouterr()
        code = main(arguments)
        return Told(code, *capsys.readouterr())

    return call


SECRET = ("--passphrase-file", "secret")
NEW = (
    "issuer", "new", "keys", "--name", "Ashbrook Trade School", "--id", "https://ashbrook.example/issuer",
    "--verification", "https://ashbrook.example/verify", *SECRET,
)  # fmt: skip
GIVE = ("certificate", "issue", "keys")
ISSUE = (*GIVE, "result.json", "--out", "given", *SECRET)
PUBLISH = ("issuer", "publish", "keys", "public", *SECRET)
LIST = ("--status", "public/status.jwt")


def given() -> tuple[str, str]:
    """The newest certificate's token and JSON."""
    files = sorted(Path("given").iterdir(), key=lambda f: f.stat().st_mtime_ns)[-3:]
    assert {f.suffix for f in files} == {".pdf", ".jwt", ".json"} and len({f.stem for f in files}) == 1
    return str(files[0].with_suffix(".jwt")), str(files[0].with_suffix(".json"))


def test_a_certificate_from_the_school_s_keys_to_its_revocation(run: Run) -> None:
    shutil.rmtree("keys")
    assert run(*NEW).code == 0
    assert run(*ISSUE).code == 0
    assert run(*PUBLISH).code == 0
    assert {f.name for f in Path("public").iterdir()} == {PUBLISHED, "status.json", "status.jwt", "verify.html"}
    token, data = given()
    assert run("issuer", "trust", f"public/{PUBLISHED}").code == 0
    for file in (token, data):
        told = run("verify", file, *LIST)
        assert told.code == 0 and told.out.startswith(f"VALID: {file}\n") and STATEMENT in told.out
        assert "Robin Ashdown: Diagnosis of furnace blowers, form B-2" in told.out

    changed = json.loads(Path(data).read_text("utf-8"))
    changed["credentialSubject"]["result"][0]["value"] = "99"
    Path("changed.json").write_text(json.dumps(changed), "utf-8")
    told = run("verify", "changed.json", *LIST)
    assert told.code == 1 and told.out.startswith("NOT VALID: changed.json\n") and "Robin" not in told.out
    assert "NO  Its signature does not hold" in told.out

    name = json.loads(Path(data).read_text("utf-8"))["id"]
    assert run("certificate", "revoke", "keys", name, "--reason", "issued to the wrong person").code == 0
    assert run("verify", token, *LIST).code == 0, "revoked, but not published yet"
    assert run(*PUBLISH).code == 0
    for file in (token, data):
        for listed in ("status.jwt", "status.json"):
            told = run("verify", file, "--status", f"public/{listed}")
            assert told.code == 1 and "Revoked: the issuer's list of" in told.out
    assert "wrong person" not in Path("public/status.json").read_text("utf-8")


def test_certificates_outlive_the_keys_that_signed_them_unless_a_key_is_revoked(run: Run) -> None:
    run(*ISSUE)
    token, data = given()
    for kind in ("RSA", "Ed25519"):
        assert run("issuer", "rotate", "keys", kind, *SECRET).code == 0
    run(*PUBLISH)
    run("issuer", "trust", f"public/{PUBLISHED}")
    assert [run("verify", file, *LIST).code for file in (token, data)] == [0, 0]
    run(*ISSUE)
    later = given()
    assert later != (token, data)
    assert [run("verify", file, *LIST).code for file in later] == [0, 0]

    document = read_document(Path(f"public/{PUBLISHED}").read_bytes())
    first = next(k for k in document.keys if k.kind == "RSA" and k.until)
    assert run("issuer", "revoke-key", "keys", first.id.partition("#")[2], "--reason", "laptop stolen").code == 0
    shown = run("issuer", "show", "keys").out
    assert "laptop stolen" in shown and "2 certificates issued, 0 of them revoked." in shown
    run(*PUBLISH)
    run("issuer", "trust", f"public/{PUBLISHED}")
    told = run("verify", token, *LIST)
    assert told.code == 1 and "was revoked on" in told.out and "laptop stolen" in told.out
    assert [run("verify", file, *LIST).code for file in (data, *later)] == [0, 0, 0]


def test_an_issuer_s_document_beside_a_certificate_is_not_believed(run: Run) -> None:
    """A forger sends both in one folder. Trust is a command of its own, and goes forward only."""
    run(*ISSUE)
    run(*PUBLISH)
    token, _ = given()
    Path(PUBLISHED).write_bytes(Path(f"public/{PUBLISHED}").read_bytes())
    told = run("verify", token)
    assert told.code == 2 and "you trust no issuer yet" in told.err and told.out == ""
    assert run("verify", token, "--issuer", PUBLISHED).out.startswith("VALID, but not checked for revocation: ")
    told = run("issuer", "trust", PUBLISHED)
    for key in read_document(Path(PUBLISHED).read_bytes()).keys:
        assert f"digest {key.fingerprint()}" in told.out
    assert stat.S_IMODE(trust.file_of("https://ashbrook.example/issuer").stat().st_mode) == 0o600
    assert run("verify", token).code == 0


def test_an_earlier_document_or_one_that_forgives_a_revocation_is_not_trusted_in_place_of_a_later_one(run: Run) -> None:
    run(*PUBLISH)
    before = read_document(Path(f"public/{PUBLISHED}").read_bytes())
    old = msgspec.structs.replace(before, made="2026-01-01T00:00:00Z")
    Path("old.json").write_bytes(old.json())
    run("issuer", "revoke-key", "keys", before.signing("RSA").id, "--reason", "stolen")
    run("issuer", "rotate", "keys", "RSA", *SECRET)
    run(*PUBLISH)
    run("issuer", "trust", f"public/{PUBLISHED}")
    assert "you have a later document" in run("issuer", "trust", "old.json").err
    soon = (datetime.now(UTC) + timedelta(days=1)).strftime("%Y-%m-%dT%H:%M:%SZ")
    after = read_document(Path(f"public/{PUBLISHED}").read_bytes())
    forgiven = tuple(msgspec.structs.replace(k, revoked="", reason="") for k in after.keys)
    for name, kept in (("forgetful", after.keys[1:]), ("forgiving", forgiven)):
        Path(f"{name}.json").write_bytes(msgspec.structs.replace(after, made=soon, keys=kept).json())
        assert "a school never does that" in run("issuer", "trust", f"{name}.json").err
    assert run("issuer", "trust", f"public/{PUBLISHED}").code == 0


def test_a_key_in_the_token_s_header_convinces_nobody(run: Run) -> None:
    from cryptography.hazmat.primitives.asymmetric import rsa

    from blowergrade.credentials.keys import jwk_of

    run(*ISSUE)
    run(*PUBLISH)
    run("issuer", "trust", f"public/{PUBLISHED}")
    thief = rsa.generate_private_key(65537, 3072)
    kid = read_document(Path(f"public/{PUBLISHED}").read_bytes()).signing("RSA").id
    forged = token(
        {"alg": "RS256", "typ": "JWT", "kid": kid, "jwk": jwk_of(thief.public_key())},
        payload_of(Path(given()[0]).read_text("utf-8").strip()), thief,
    )  # fmt: skip
    Path("forged.jwt").write_text(forged, "utf-8")
    told = run("verify", "forged.jwt")
    assert told.code == 1 and "unknown field `jwk`" in told.out


MISTAKES: dict[str, tuple[tuple[str, ...], str]] = {
    "a wrong passphrase": ((*GIVE, "result.json", "--passphrase-file", "wrong"), "does not open the key"),
    "nobody there to type it": ((*GIVE, "result.json"), "give --passphrase-file FILE"),
    "a second issuer over the first": (NEW, "is not empty"),
    "a folder without keys": (("issuer", "show", "."), "is no issuer folder"),
    "a result that says more than a certificate may": ((*GIVE, "more.json", *SECRET), "accommodations"),
    "a result below the cut": ((*GIVE, "low.json", *SECRET), "below the cut"),
    "a revocation of nothing": (("certificate", "revoke", "keys", "1234", "--reason", "x"), "fits 0 certificates"),
    "a file that is no certificate": (("verify", "secret", "--issuer", "keys/issuer.json"), "is no certificate"),
    "a file that is not there": (("verify", "nothing.jwt", "--issuer", "keys/issuer.json"), "can't be read"),
    "an issuer given twice": (
        ("verify", "result.json", "--issuer", "keys/issuer.json", "--issuer", "keys/issuer.json"), "of one issuer",
    ),
    "a strange issuer's document": (("issuer", "trust", "result.json"), "no issuer's document"),
    "a rotation with another passphrase after a revocation": (
        ("issuer", "rotate", "keys", "RSA", "--passphrase-file", "wrong"), "does not open the key",
    ),
}  # fmt: skip


def test_a_mistake_ends_in_one_line_and_changes_nothing(run: Run) -> None:
    told = json.loads(Path("result.json").read_text("utf-8"))
    Path("more.json").write_text(json.dumps({**told, "accommodations": "extra time"}), "utf-8")
    Path("low.json").write_text(json.dumps({**told, "score": "69.9"}), "utf-8")
    Path("wrong").write_text("four grey herons by the wier\n", "utf-8")
    rsa_key = next(k for k in read_document(Path("keys/issuer.json").read_bytes()).keys if k.kind == "RSA")
    assert run("issuer", "revoke-key", "keys", rsa_key.id, "--reason", "stolen").code == 0
    before = {f: f.read_bytes() for f in Path("keys").rglob("*") if f.is_file()}
    for name, (arguments, words) in MISTAKES.items():
        ended = run(*arguments)
        assert (ended.code, ended.out) == (2, ""), name
        assert words in ended.err and ended.err.count("\n") == 1, (name, ended.err)
        assert {f: f.read_bytes() for f in Path("keys").rglob("*") if f.is_file()} == before, name


class Terminal:
    """A person at a keyboard."""

    def isatty(self) -> bool:
        """Somebody types."""
        return True


def test_a_typed_passphrase_is_asked_for_twice_when_it_is_new(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    typed = [PASSPHRASE, PASSPHRASE.upper(), PASSPHRASE]
    monkeypatch.setattr("sys.stdin", Terminal())
    monkeypatch.setattr("getpass.getpass", lambda prompt: typed.pop(0))
    told = run(*NEW[:2], "other", *NEW[3:-2])
    assert told.code == 2 and "the two passphrases differ" in told.err and not Path("other").exists()
    assert run("issuer", "rotate", "keys", "Ed25519").code == 0
    assert typed == []
