"""Passing scores back to a learning platform in the form of LTI Assignment and Grade Services 2.0 (1EdTech).

Rule: a score is sent once for what it says; what waits for a person is sent without points; a score that changed bears a later
time than the one sent before it, as the standard asks.
"""

from __future__ import annotations

import http.client
import json
import time
import urllib.error
import urllib.parse
import urllib.request
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import msgspec

from blowerbench.errors import BenchError
from blowergrade.classwork.export import outcomes_of
from blowergrade.classwork.folder import ClassFolder, write
from blowergrade.classwork.outcome import PARTS, Outcome
from blowergrade.rubric import load_rubric

#: LTI AGS 2.0, "Score publish service".
MEDIA_TYPE = "application/vnd.ims.lis.v1.score+json"
SCOPE = "https://purl.imsglobal.org/spec/lti-ags/scope/score"
TRIES = 4
PAUSE = 0.5  # seconds before the second try, doubled before each later one
LONGEST = 60.0  # seconds that a platform can ask for before the next try (Retry-After, RFC 9110 section 10.2.3)


class PassbackError(BenchError):
    """Scores that could not be passed back; says which and what to do."""


@dataclass(frozen=True, slots=True)
class Platform:
    """Where scores go: the line item's address, and where a token comes from (or the token itself)."""

    line_item: str
    token: str = ""
    token_url: str = ""
    client_id: str = ""
    private_key: bytes = b""  # RSA, PEM: signs the request for a token
    key_id: str = ""


def score_of(outcome: Outcome, maximum: int, user: str, when: datetime) -> dict[str, Any]:
    """The score of an outcome as the standard writes it; `when` is the time of the score, with zone."""
    made: dict[str, Any] = {
        "timestamp": _stamp(when),
        "activityProgress": "Initialized" if outcome.status == "missing" else "Completed",
        "gradingProgress": "NotReady" if outcome.status == "missing" else "PendingManual",
        "userId": user,
    }
    if outcome.tenths is not None:
        made |= {"gradingProgress": "FullyGraded", "scoreGiven": outcome.tenths / 10, "scoreMaximum": maximum}
        made["activityProgress"] = "Completed"  # also where nothing came in and a person gave the points
    if outcome.status == "manual" and outcome.tenths is None:
        made["activityProgress"] = "Submitted"
    comment = _comment(outcome)
    return made | ({"comment": comment} if comment else {})


def _stamp(when: datetime) -> str:
    return when.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _comment(outcome: Outcome) -> str:
    told = [f"{p.replace('_', '-')} {t / 10:g}" for p in PARTS if (t := outcome.part(p)[0]) is not None]
    if outcome.late_tenths:
        told.append(f"late: -{outcome.late_tenths / 10:g}")
    return "; ".join(told)


def scores(folder: ClassFolder, name: str, users: dict[str, str] | None = None) -> tuple[dict[str, Any], ...]:
    """The scores of assignment `name`, one for each outcome; `users` leads from a student's id to the platform's user id."""
    rules = load_rubric(folder.assignment(name).rubric).rubric
    maximum = sum(int(getattr(rules, part)) for part in PARTS)
    made = []
    for student, _, outcome in outcomes_of(folder, name):
        if outcome is None:
            continue
        if users is not None and student not in users:
            raise PassbackError(f"{student} has no user id of the platform; add a line to the --users file: {student},USER")
        newest = max([outcome.when, *(o.when for o in outcome.overrides)])
        made.append(score_of(outcome, maximum, (users or {}).get(student, student), datetime.fromisoformat(newest)))
    return tuple(made)


def write_scores(folder: ClassFolder, name: str, file: Path, users: dict[str, str] | None = None) -> int:
    """Write the scores of assignment `name` to `file`, one JSON object a line; returns how many."""
    made = scores(folder, name, users)
    write(file, b"".join(json.dumps(score, ensure_ascii=False).encode() + b"\n" for score in made))
    return len(made)


# ---------------------------------------------------------------------- sending
def send(
    made: Sequence[dict[str, Any]], platform: Platform, ledger: Path, sleep: Callable[[float], None] = time.sleep
) -> tuple[str, ...]:
    """Send scores to `platform`, each that `ledger` does not hold yet; returns the user ids that were sent.

    Tries again where the platform is busy or can't be reached; raises `PassbackError` with the platform's own words where it
    refuses. What was sent before stays written down.
    """
    _secure(platform.line_item)
    known = _read_ledger(ledger)
    place = hash_free(platform.line_item)
    token = platform.token or token_from(platform, sleep)
    sent: list[str] = []
    for score in made:
        key = f"{place} {score['userId']}"
        before = known.get(key)
        if before is not None and _same(before, score):
            continue
        score = _later(before, score)
        _post(scores_url(platform.line_item), json.dumps(score).encode(), MEDIA_TYPE, token, sleep)
        known[key] = score
        write(ledger, msgspec.json.format(msgspec.json.encode(known, order="sorted"), indent=1))
        sent.append(str(score["userId"]))
    return tuple(sent)


def _same(before: dict[str, Any], score: dict[str, Any]) -> bool:
    return {k: v for k, v in before.items() if k != "timestamp"} == {k: v for k, v in score.items() if k != "timestamp"}


def _later(before: dict[str, Any] | None, score: dict[str, Any]) -> dict[str, Any]:
    """`score` with a time after that of `before`: more time or another late policy changes a score that was graded long ago."""
    if before is None or before["timestamp"] < score["timestamp"]:
        return score
    after = datetime.fromisoformat(before["timestamp"]) + timedelta(milliseconds=1)
    return score | {"timestamp": _stamp(max(after, datetime.now(UTC)))}


def _read_ledger(ledger: Path) -> dict[str, dict[str, Any]]:
    try:
        return msgspec.json.decode(ledger.read_bytes(), type=dict[str, dict[str, Any]])
    except FileNotFoundError:
        return {}
    except msgspec.MsgspecError as error:
        raise PassbackError(f"{ledger} is damaged ({error}); move it away, and every score is sent once more") from error


def hash_free(address: str) -> str:
    """An address without its fragment."""
    return urllib.parse.urldefrag(address).url


def scores_url(line_item: str) -> str:
    """Where scores of a line item go: its path with /scores, its query kept (LTI AGS 2.0)."""
    parts = urllib.parse.urlsplit(line_item)
    return urllib.parse.urlunsplit(parts._replace(path=parts.path.rstrip("/") + "/scores", fragment=""))


def _secure(address: str) -> None:
    try:
        parts = urllib.parse.urlsplit(address)
        _ = parts.port
    except ValueError as error:
        raise PassbackError(f"{address!r} is no address ({error}); copy it from the platform's page for this tool") from error
    local = parts.hostname in ("127.0.0.1", "localhost", "::1")
    if not parts.hostname or (parts.scheme != "https" and not (parts.scheme == "http" and local)):
        raise PassbackError(f"{address!r} is no https address; give one: scores and tokens only travel encrypted")


def token_from(platform: Platform, sleep: Callable[[float], None] = time.sleep) -> str:
    """An access token for scores: client credentials with a signed request (RFC 7523; 1EdTech Security Framework 1.0)."""
    _secure(platform.token_url)
    now = int(time.time())
    claims = {
        "iss": platform.client_id, "sub": platform.client_id, "aud": platform.token_url, "iat": now, "exp": now + 60,
        "jti": f"{now}-{id(platform):x}-{time.monotonic_ns():x}",
    }  # fmt: skip
    form = {
        "grant_type": "client_credentials",
        "client_assertion_type": "urn:ietf:params:oauth:client-assertion-type:jwt-bearer",
        "client_assertion": signed(claims, platform.private_key, platform.key_id),
        "scope": SCOPE,
    }
    body = urllib.parse.urlencode(form).encode()
    answer = _post(platform.token_url, body, "application/x-www-form-urlencoded", "", sleep)
    try:
        return str(msgspec.json.decode(answer, type=dict[str, Any])["access_token"])
    except (msgspec.MsgspecError, KeyError) as error:
        raise PassbackError("the platform's answer holds no access token; check client id, key and token address") from error


def signed(claims: dict[str, Any], private_key: bytes, key_id: str) -> str:
    """`claims` as a JSON Web Token signed with RS256 (RFC 7515, RFC 7518)."""
    import jwt

    try:
        return str(jwt.encode(claims, private_key, algorithm="RS256", headers={"kid": key_id} if key_id else None))
    except (ValueError, TypeError, jwt.PyJWTError) as error:
        raise PassbackError(f"the private key can't be used ({error}); give an RSA key as a PEM file") from error


def _post(url: str, body: bytes, media_type: str, token: str, sleep: Callable[[float], None]) -> bytes:
    headers = {"Content-Type": media_type, "Accept": "application/json"}
    headers |= {"Authorization": f"Bearer {token}"} if token else {}
    problem, pause = "", 0.0
    for attempt in range(TRIES):
        if attempt:
            sleep(max(pause, PAUSE * 2 ** (attempt - 1)))
        request = urllib.request.Request(url, data=body, headers=headers, method="POST")
        try:
            # The address is the instructor's own and was checked to be https or this machine.
            with _OPENER.open(request, timeout=20) as answer:
                return bytes(answer.read(1_000_000))
        except urllib.error.HTTPError as error:
            problem, pause = f"{error.code} {_told(error)}".strip(), _asked_pause(error.headers.get("Retry-After", ""))
            if error.code < 500 and error.code != 429:
                raise PassbackError(f"the platform refused ({problem}); nothing more was sent") from error
        except (OSError, http.client.HTTPException) as error:
            problem, pause = str(error) or type(error).__name__, 0.0
    raise PassbackError(f"the platform could not take it after {TRIES} tries ({problem}); run the command again later")


def _told(error: urllib.error.HTTPError) -> str:
    """The beginning of what the platform says to its refusal."""
    try:
        return " ".join(error.read(300).decode("utf-8", "replace").split())
    except (OSError, http.client.HTTPException):
        return ""


def _asked_pause(retry_after: str) -> float:
    """The seconds that a platform asks for, at most `LONGEST`; 0 where it gives a date or nothing."""
    return min(LONGEST, float(retry_after)) if retry_after.isascii() and retry_after.isdigit() else 0.0


class _NoRedirect(urllib.request.HTTPRedirectHandler):
    """A redirect would carry the token to another address."""

    def redirect_request(self, *_: Any, **__: Any) -> None:
        return None


_OPENER = urllib.request.build_opener(_NoRedirect)
