"""`blowergrade verify`, `blowergrade issuer …`, `blowergrade certificate …`.

Rule: `verify` ends with 0 for a valid certificate, 1 for one that is not, 2 where there was nothing to judge. A passphrase is
typed or comes from a file, never from the command line, where other users of the machine could read it.
"""

from __future__ import annotations

import argparse
import getpass
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import msgspec

from blowergrade.credentials import files
from blowergrade.credentials.credential import Completion
from blowergrade.credentials.files import CredentialError
from blowergrade.credentials.issuer import PUBLISHED, IssuerDocument, IssuerFolder, make_issuer, read_document
from blowergrade.credentials.keys import KINDS
from blowergrade.credentials.status import DAYS
from blowergrade.typeset import PAPERS

Run = Callable[[argparse.Namespace], int | None]
_MEMBERS = ", ".join(Completion.__struct_fields__)


def add(commands: Any) -> None:
    """Add `verify`, `issuer` and `certificate` to the subparsers `commands`."""
    check = _step(commands, "verify", _verify, "check a certificate offline", "blowergrade verify certificate.jwt")
    check.add_argument("file", type=Path, metavar="FILE", help="the certificate, .jwt or .json")
    check.add_argument("--issuer", type=Path, action="append", metavar="FILE",
                       help="an issuer's document, from the school itself (default: those you trust); repeatable")  # fmt: skip
    check.add_argument("--status", type=Path, metavar="FILE", help="the issuer's status list, .jwt or .json")
    _issuer(commands.add_parser("issuer", help="a school's signing keys").add_subparsers(required=True, metavar="STEP"))
    _certificate(commands.add_parser("certificate", help="certificates").add_subparsers(required=True, metavar="STEP"))


def _issuer(steps: Any) -> None:
    new = _step(
        steps, "new", _new, "make an issuer folder with its keys",
        "blowergrade issuer new keys --name 'Ashbrook Trade School' --id https://ashbrook.example/issuer "
        "--verification https://ashbrook.example/verify",
    )  # fmt: skip
    new.add_argument("--name", required=True, help="the school, as it is printed")
    new.add_argument("--id", required=True, dest="address", metavar="ADDRESS", help="an https address that stays the school's")
    new.add_argument("--verification", required=True, metavar="ADDRESS", help="where the school hosts its verification page")
    trust = _step(
        steps, "trust", _trust, "trust a school's certificates from now on", f"blowergrade issuer trust {PUBLISHED}"
    )
    trust.add_argument("file", type=Path, metavar="FILE", help="the issuer's document, got from the school itself")
    show = _step(steps, "show", _show, "show keys and certificates", "blowergrade issuer show keys")
    rotate = _step(steps, "rotate", _rotate, "replace a signing key", "blowergrade issuer rotate keys RSA")
    revoke = _step(
        steps, "revoke-key", _revoke_key, "revoke a key for good", "blowergrade issuer revoke-key keys rsa-1f0c --reason stolen"
    )
    publish = _step(
        steps, "publish", _publish, "write what the school hosts: page, issuer's document, status list",
        "blowergrade issuer publish keys public",
    )  # fmt: skip
    for step in (new, show, rotate, revoke, publish):
        step.add_argument("folder", type=Path, metavar="FOLDER", help="the issuer folder")
    rotate.add_argument("kind", choices=KINDS, metavar="|".join(KINDS))
    revoke.add_argument("key", metavar="KEY", help="the key's id or its end, as `show` prints it")
    revoke.add_argument("--reason", required=True, help="published with the key")
    publish.add_argument("out", type=Path, metavar="OUT", help="the folder for the files")
    publish.add_argument("--days", type=int, default=DAYS, metavar="N", help="how long the list stands (default: %(default)s)")
    for step in (new, rotate, publish):
        _passphrase_from(step)


def _certificate(steps: Any) -> None:
    issue = _step(
        steps, "issue", _issue, "issue certificates", "blowergrade certificate issue keys completions/*.json --out certificates"
    )
    revoke = _step(
        steps, "revoke", _revoke, "revoke a certificate", "blowergrade certificate revoke keys ID --reason 'wrong person'"
    )
    for step in (issue, revoke):
        step.add_argument("folder", type=Path, metavar="FOLDER", help="the issuer folder")
    issue.add_argument("facts", type=Path, nargs="+", metavar="FILE",
                       help=f"what the exam says about a candidate, JSON with {_MEMBERS}; one for each")  # fmt: skip
    issue.add_argument("--out", type=Path, default=Path(), metavar="DIR", help="the folder for the files (default: here)")
    issue.add_argument("--days", type=int, default=0, metavar="N", help="how long it is valid (default: without end)")
    issue.add_argument("--paper", choices=PAPERS, default=PAPERS[0])
    _passphrase_from(issue)
    revoke.add_argument("id", metavar="ID", help="the certificate's id, or its end")
    revoke.add_argument("--reason", required=True, help="kept in the register, not published")


def _step(steps: Any, name: str, run: Run, about: str, example: str) -> argparse.ArgumentParser:
    made: argparse.ArgumentParser = steps.add_parser(name, help=about, description=f"{about}. Example: {example}")
    made.set_defaults(run=run)
    return made


def _passphrase_from(step: argparse.ArgumentParser) -> None:
    step.add_argument("--passphrase-file", type=Path, metavar="FILE", help="its first line is the passphrase (default: ask)")


def _passphrase(options: argparse.Namespace, twice: bool = False) -> str:
    if options.passphrase_file is not None:
        lines = files.read(options.passphrase_file).decode("utf-8", "replace").splitlines()
        return lines[0] if lines else ""
    if not sys.stdin.isatty():
        raise CredentialError("nobody is there to type the passphrase; give --passphrase-file FILE")
    typed = getpass.getpass("Passphrase of the issuer folder: ")
    if twice and getpass.getpass("The same again: ") != typed:
        raise CredentialError("the two passphrases differ; begin again")
    return typed


# ---------------------------------------------------------------------- verify
def _verify(options: argparse.Namespace) -> int:
    from blowergrade.credentials.trust import trusted
    from blowergrade.credentials.verify import verify

    issuers = [read_document(files.read(file)) for file in options.issuer] if options.issuer else trusted()
    if len({i.id for i in issuers}) < len(issuers):
        raise CredentialError("two of the documents are of one issuer; give the newer one alone")
    listed = files.read(options.status) if options.status is not None else None
    verdict = verify(files.read(options.file), issuers, listed)
    if not verdict.form:
        raise CredentialError(f"{options.file} is no certificate, neither JSON nor a signed token; give the .jwt or .json file")
    headline = "NOT VALID" if not verdict.valid else "VALID, but not checked for revocation" if verdict.unchecked else "VALID"
    print(f"{headline}: {options.file}")
    marks = {True: "yes", False: "NO", None: "?"}
    for check in verdict.checks:
        print(f"  {marks[check.passed]:<4}{check.sentence}")
    if verdict.valid and verdict.credential is not None:
        made = verdict.credential
        subject, (score, _) = made.credential_subject, made.credential_subject.result
        name = next((i.identity_hash for i in subject.identifier if not i.hashed), "(name not given)")
        cut = subject.achievement.result_description[0].required_value
        print(f"{name}: {subject.achievement.name}, form {subject.achievement.human_code}, {made.awarded_date[:10]}, "
              f"{score.value} of 100 ({cut} needed), safety gate passed.")  # fmt: skip
        print(made.description)
    return 0 if verdict.valid else 1


# ---------------------------------------------------------------------- issuer
def _trust(options: argparse.Namespace) -> None:
    from blowergrade.credentials.trust import trust

    document = read_document(files.read(options.file))
    kept = trust(document)
    print(f"You trust {document.name} ({document.id}) from now on. Compare its keys' digests with the school by telephone:")
    _print_keys(document)
    print(f"To take the trust back, delete {kept}.")


def _print_keys(document: IssuerDocument) -> None:
    for key in document.keys:
        state = f"revoked {key.revoked}: {key.reason}" if key.revoked else f"until {key.until}" if key.until else "signs"
        print(f"  {key.kind:<8}{key.id.partition('#')[2]}\n          digest {key.fingerprint()}, since {key.since}, {state}")


def _new(options: argparse.Namespace) -> None:
    folder = make_issuer(options.folder, options.name, options.address, options.verification, _passphrase(options, twice=True))
    print(f"Issuer folder {folder.root} for {options.name}. Keep a copy, and the passphrase apart from it.")
    print(f"Next: blowergrade issuer publish {folder.root} OUT")


def _show(options: argparse.Namespace) -> None:
    from blowergrade.credentials import register

    folder = IssuerFolder(options.folder)
    document, known = folder.document, register.load(options.folder)
    print(f"{document.name} ({document.id}), verification at {document.verification}")
    _print_keys(document)
    issued = len(known.entries)
    print(f"{issued} certificate{'' if issued == 1 else 's'} issued, {len(known.revoked())} of them revoked.")


def _rotate(options: argparse.Namespace) -> None:
    key = IssuerFolder(options.folder).rotate(options.kind, _passphrase(options))
    print(f"New {key.kind} key {key.id}. Certificates of the old one stay valid.")
    print(f"Next: blowergrade issuer publish {options.folder} OUT, and send {PUBLISHED} to who verifies.")


def _revoke_key(options: argparse.Namespace) -> None:
    key = IssuerFolder(options.folder).revoke_key(options.key, options.reason)
    print(f"Revoked {key.id}. Every certificate that it signed is refused from now on; issue them again with a new key:")
    print(f"  blowergrade issuer rotate {options.folder} {key.kind}, then publish and send {PUBLISHED} to who verifies.")


def _publish(options: argparse.Namespace) -> None:
    from blowergrade.credentials.issuing import published_list
    from blowergrade.credentials.page import verification_page

    folder = IssuerFolder(options.folder)
    listed, document = published_list(folder, _passphrase(options), days=options.days), folder.document
    made = {
        PUBLISHED: document.json(), "status.json": listed.json, "status.jwt": listed.jwt,
        "verify.html": verification_page(document, listed.jwt).encode(),
    }  # fmt: skip
    for name, data in made.items():
        files.replace(options.out / name, data)
        print(f"  {(options.out / name).resolve()}")
    print(f"Host verify.html so that {document.verification} opens it, and the other files beside it.")
    print(f"Publish again within {options.days} days, after every revocation and after every change of a key.")


# ---------------------------------------------------------------------- certificate
def _issue(options: argparse.Namespace) -> None:
    from blowergrade.credentials.issuing import issue
    from blowergrade.credentials.pdf import file_name

    folder, told = IssuerFolder(options.folder), [_told(file) for file in options.facts]
    if len(set(told)) < len(told):
        raise CredentialError("two of the files hold one result, which makes one certificate; give each result once")
    passphrase = _passphrase(options)
    for one in told:
        made = issue(folder, one, passphrase, days=options.days, paper=options.paper)
        stem = file_name(made.facts)
        for ending, data in (("pdf", made.pdf), ("jwt", made.signed.jwt), ("json", made.signed.json)):
            files.write_new(options.out / f"{stem}.{ending}", data)
            print(f"  {(options.out / f'{stem}.{ending}').resolve()}")
        print(f"Certificate {made.facts.credential_id} for {one.candidate}.")
    print("Give each candidate all three files. Keep who has which id: the register holds no names.")


def _told(file: Path) -> Completion:
    """The exam's result in `file`, looked at before any certificate is issued."""
    from blowergrade.credentials.credential import checked

    try:
        return checked(msgspec.json.decode(files.read(file), type=Completion))
    except (msgspec.MsgspecError, UnicodeError) as error:
        raise CredentialError(f"{file} holds no exam result ({error}); export it again") from error


def _revoke(options: argparse.Namespace) -> None:
    from blowergrade.credentials.issuing import revoke

    entry = revoke(IssuerFolder(options.folder), options.id, options.reason)
    print(f"Revoked {entry.id}. It shows once the list is published: blowergrade issuer publish {options.folder} OUT")
