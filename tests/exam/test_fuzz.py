"""Any input at any address leaves the service whole: no answer of 500 or above, no silence, and an honest candidate goes on.

Hypothesis draws the inputs: requests to every route of candidate, proctor and bench, signed in or not, with bodies that
are almost right, any JSON, or any bytes; whole requests of changed bytes; WebSocket messages, and WebSocket frames of any kind.
After every tenth a candidate whom the fuzz does not know acts, and the act must count. 100,000 inputs in a long run, a
twentieth of them otherwise: half of that under a fixed seed, half under the run's own.
"""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, get_args, get_type_hints

import msgspec
import pytest
import sampling
from exam.fuzz_wire import Socket, Wire
from exam.hall_room import AT_ONCE, CALLS, FURNACE, room
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import seed as hypothesis_seed
from hypothesis import strategies as st
from hypothesis.internal.conjecture.engine import ConjectureRunner

from blowerbench import acts as a
from blowerbench.equipment import load_equipment

INPUTS = 100_000  # in a long run
EVERY = 10
HONEST, VICTIMS = "c01", tuple(f"c{k:02d}" for k in range(2, 8))
CALL_IDS = (*["k1", "k2", "k3"] * 3, "trying-out", "k9", "")
EQUIPMENT = load_equipment(FURNACE)


# ---------------------------------------------------------------------- what is sent
def weighted(*choices: tuple[int, st.SearchStrategy[Any]]) -> st.SearchStrategy[Any]:
    """One of `choices`, each as often as its number says (`one_of` takes the same strategy twice for one)."""
    kept = [strategy for count, strategy in choices for _ in range(count)]
    return st.integers(0, len(kept) - 1).flatmap(lambda place: kept[place])


words = st.sampled_from((
    *EQUIPMENT.terminals[:12], *EQUIPMENT.connectors, *EQUIPMENT.places, *EQUIPMENT.units, *EQUIPMENT.supplies, "volts_ac",
    "ohms", "red", "black", "heat", "fan", "off", "main", "__proto__", "constructor", "null", "../..", "\0", "\u202e", "=1+1",
    "9" * 400, "<b>", "%s%n", "\ud7ff", "𝔘", "",
))  # fmt: skip
LARGE = (2**31, 2**53, 2**63 - 1, 2**63, 2**64, -(2**63), 10**30, 1e308, -0.0, 1.5, 1e-320)
numbers = st.one_of(st.integers(-3, 4000), st.sampled_from(LARGE))
scalars = weighted((2, words), (2, numbers), (1, st.booleans()), (1, st.none()), (1, st.text(max_size=20)))
anything = st.recursive(
    scalars,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(words | st.text(max_size=8), inner, max_size=4),
    max_leaves=8,
)
FIELDS = (
    "code", "kind", "view", "seq", "act", "id", "item", "do", "candidate", "minutes", "reason", "text", "name", "of", "to",
)  # fmt: skip


def fitting(hint: Any) -> st.SearchStrategy[Any]:
    """Values of the type `hint` of an act's field."""
    choices = [c for c in get_args(hint) if isinstance(c, str)]
    if choices:
        return st.sampled_from(choices)
    if hint is bool:
        return st.booleans()
    if hint is int:
        return st.integers(0, 4000)
    return st.lists(words, max_size=3) if "tuple" in str(hint) else words


def fields_of(kind: type[a.Act]) -> dict[str, st.SearchStrategy[Any]]:
    """A strategy for each field of an act: four times out of five of its type."""
    return {name: weighted((4, fitting(hint)), (1, anything)) for name, hint in get_type_hints(kind).items()}


KINDS = [kind for kind in get_args(a.AnyAct) if kind not in (a.Finish, a.Leave)]  # those end a call: little comes after them



def act_of(kind: type[a.Act]) -> st.SearchStrategy[dict[str, Any]]:
    """An act of `kind`: right in every field, nearly right, or with fields left out."""
    do = {"do": st.just(kind.__struct_config__.tag)}
    right = st.fixed_dictionaries(do | {name: fitting(hint) for name, hint in get_type_hints(kind).items()})
    near = st.fixed_dictionaries(do | fields_of(kind))
    return weighted((3, right), (1, near), (1, st.fixed_dictionaries(do, optional=fields_of(kind))))


all_acts = st.one_of(*map(act_of, KINDS))
views = st.integers(0, 450).map("v{}".format)  # many: a page's numbers only ever grow
OTHERS = ("view", "until", "keep", "chart", "possible", "undo", "replay", "hint", "hello", "caution_read")
OTHER_FIELDS = ("name", "of", "do", "to", "clear", "text", "strength", "seconds", "above", "below", "what")
page_acts = st.fixed_dictionaries({"kind": st.just("act"), "view": views, "seq": st.integers(1, 50), "act": all_acts})
other_messages = st.fixed_dictionaries(
    {"kind": st.sampled_from(OTHERS), "view": views, "seq": st.integers(0, 50)},
    optional=dict.fromkeys(OTHER_FIELDS, anything),
)
messages = weighted((5, page_acts), (2, other_messages), (1, st.dictionaries(st.sampled_from(FIELDS), anything, max_size=5)))
sign_ins = st.fixed_dictionaries(
    {"code": words | st.text("0123456789ABCDEFGHJKMNPQRSTVWXYZ-", max_size=24)}, optional={"item": words}
)
bench_acts = st.fixed_dictionaries({"id": st.text("ab-.:", min_size=7, max_size=12), "act": all_acts | anything})
DOINGS = ("open", "let", "grant", *["resume"] * 4, "pause", "incident", "blow")  # not those that end somebody's exam
desk_acts = st.fixed_dictionaries(
    {"do": st.sampled_from(DOINGS), "candidate": st.sampled_from(VICTIMS)},
    optional={"minutes": numbers | anything, "reason": words | anything, "text": words | anything},
)


def encoded(body: st.SearchStrategy[Any]) -> st.SearchStrategy[bytes]:
    """`body` as JSON, now and then another body or no JSON."""
    json_of = weighted((6, body), (1, anything)).map(lambda value: json.dumps(value).encode())
    return weighted((8, json_of), (1, st.binary(max_size=60)))


calls = st.sampled_from(CALL_IDS)
posts = weighted(
    (5, st.tuples(calls.map("/call/{}".format), encoded(messages))),
    (2, st.tuples(calls.map("/bench/act/{}".format), encoded(bench_acts))),
    (1, st.tuples(st.just("/proctor/do"), encoded(desk_acts))),
    (1, st.tuples(st.sampled_from(("/sign-in", "/bench/open", "/proctor/sign-in")), encoded(sign_ins))),
    (1, st.tuples(st.just("/begin"), encoded(anything))),
)
GETS = (
    "/", "/me", "/receipts", "/live", "/exam.js", "/panel.css", "/proctor", "/proctor/state", "/nix", "/bench/look/k1",
    "/bench/look/k1?after=5", "/bench/look/k1?after=-1", "/bench/look/k1?after=%ff", "/bench/look/k1?after=1e3",
    "/bench/look/k1?after=99999999", "/bench/look/k1?after=%D9%A3", "/call/k1?views=ladder,air", "/call/k2?views=%ff",
    "/call/k3?views=%00", "/call/k1?views=,,,,,,,,,,", "/call/k2?views=ladder&views=ladder", "/call/trying-out", "/call/k9",
)  # fmt: skip
any_path = st.text(st.characters(min_codepoint=33, max_codepoint=126), max_size=30).map(lambda text: f"/{text}")
gets = st.tuples(st.sampled_from(GETS) | any_path, st.just(b"") | st.binary(max_size=5))
ODD_METHODS = ("HEAD", "PUT", "DELETE", "OPTIONS", "PATCH", "BREW", "GET", "POST")
routed = weighted(
    (6, posts.map(lambda p: ("POST", *p))), (3, gets.map(lambda g: ("GET", *g))),
    (1, st.tuples(st.sampled_from(ODD_METHODS), st.sampled_from(GETS) | any_path, st.binary(max_size=5))),
)  # fmt: skip
sessions = st.sampled_from((*VICTIMS, *VICTIMS, "desk", "desk", "bench", "", "junk"))
HEADERS = (
    "Origin", "Content-Type", "Transfer-Encoding", "Expect", "Range", "If-None-Match", "X-Forwarded-For", "Content-Encoding",
    "Accept", "Authorization", "Upgrade", "Sec-Fetch-Site", "X",
)  # fmt: skip
VALUES = (
    "", "null", "multipart/form-data; boundary=x", "application/x-www-form-urlencoded", "gzip", "bytes=0-1", "chunked, chunked",
    "Bearer x.1.y", "h2c", "cross-site", "\xff\xfe", "100-nonsense",
)  # fmt: skip
odd_headers = st.dictionaries(st.sampled_from(HEADERS), st.sampled_from(VALUES), max_size=2)


@dataclass(frozen=True, slots=True)
class Request:
    """A request of its parts."""

    method: str
    path: str
    session: str
    headers: dict[str, str]
    body: bytes

    def data(self, tokens: dict[str, str]) -> bytes:
        """The bytes that go over the wire."""
        fields = {"Host": "x", "Cookie": tokens.get(self.session, "exam_session=junk; exam_desk=\xff"), **self.headers}
        if self.session == "bench":
            fields["Authorization"] = tokens["bench"]
        lines = "".join(f"{k}: {v}\r\n" for k, v in fields.items())
        length = "" if "Transfer-Encoding" in self.headers else f"Content-Length: {len(self.body)}\r\n"
        return f"{self.method} {self.path} HTTP/1.1\r\n{lines}{length}\r\n".encode("latin-1", "replace") + self.body


@dataclass(frozen=True, slots=True)
class Changed:
    """A request with bytes changed, cut or put in: (place, bytes) each."""

    request: Request
    changes: tuple[tuple[float, bytes, int], ...]

    def data(self, tokens: dict[str, str]) -> bytes:
        """The bytes that go over the wire."""
        made = self.request.data(tokens)
        for place, new, cut in self.changes:
            at = int(place * len(made))
            made = made[:at] + new + made[at + cut :]
        return made


@dataclass(frozen=True, slots=True)
class Said:
    """A WebSocket message, or a frame of another code."""

    who: str
    body: bytes
    code: int


#: A session that fits the route, more often than not.
FITTING = {"/proctor": "desk", "/bench": "bench"}


def request_of(route: tuple[str, str, bytes], session: str, headers: dict[str, str], *, fits: bool) -> Request:
    """A request on a route."""
    method, path, body = route
    own = next((s for start, s in FITTING.items() if path.startswith(start)), session) if fits else session
    return Request(method, path, own, headers, body)


requests = st.builds(
    request_of, routed, sessions, weighted((4, st.just({})), (1, odd_headers)), fits=st.sampled_from((True, True, False))
)
changed = st.builds(
    Changed, requests,
    st.lists(st.tuples(st.floats(0, 1), st.binary(max_size=6), st.integers(0, 40)), min_size=1, max_size=3).map(tuple),
)  # fmt: skip
spoken = weighted(
    (4, st.builds(lambda item, message: json.dumps({"item": item, "message": message}).encode(), calls, messages)),
    (1, st.builds(lambda item, views: json.dumps({"item": item, "views": views}).encode(), calls, anything)),
    (1, encoded(anything)),
)
said = st.builds(Said, st.sampled_from(VICTIMS), spoken, st.sampled_from((*[1] * 12, 2, 0, 3, 8, 10, 11)))
inputs = weighted((3, requests), (2, said), (1, changed))


# ---------------------------------------------------------------------- whom it is sent to
class Target:
    """A service in a process of its own, its sessions, and the honest candidate."""

    def __init__(self, root: Path, kind: str) -> None:
        rules = msgspec.structs.replace(AT_ONCE, solvers=1, patience_seconds=1.0)
        calls = (*CALLS, ("bearing_seized", "nothing_blows"))
        self.folder = room(root, 1 + len(VICTIMS), rules=rules, kind=kind, calls=calls, minutes=600)
        self.service = subprocess.Popen(
            [sys.executable, str(Path(__file__).with_name("fuzzed_service.py")), str(root)], stdin=subprocess.PIPE,
            stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        )  # fmt: skip
        assert self.service.stdout is not None
        self.port = int(self.service.stdout.readline())
        self.wire, self.kind = Wire(self.port), kind
        self.tokens: dict[str, str] = {}
        self.count = self.honest_acts = 0
        self.statuses: dict[int, int] = {}
        self.different: set[int] = set()
        self._begin()

    def _begin(self) -> None:
        codes = self.folder.codes
        self.tokens["desk"] = self._cookie("/proctor/sign-in", codes["proctor"])
        self.ok("POST", "/proctor/do", "desk", {"do": "open"})
        for name in (HONEST, *VICTIMS):
            self.tokens[name] = self._cookie("/sign-in", codes[name])
            self.ok("POST", "/begin", name, {})
            for call in ("k1", "k2", "k3"):
                self.ok("GET", f"/call/{call}", name)
        self.tokens["bench"] = "Bearer " + self.tokens[VICTIMS[0]].partition("=")[2]
        self.sockets = {name: Socket(self.port, self.tokens[name]) for name in (HONEST, *VICTIMS)}

    def _cookie(self, path: str, code: str) -> str:
        found = self.wire.ask(Request("POST", path, "", {}, json.dumps({"code": code}).encode()).data({"": "x=y"}))
        assert found is not None and found[0] == 200, found
        return found[1].decode().split("Set-Cookie: ")[1].split(";")[0]

    def ok(self, method: str, path: str, session: str, body: object = None) -> Any:
        """The JSON of an answer that must be 200."""
        data = b"" if body is None else json.dumps(body).encode()
        found = self.wire.ask(Request(method, path, session, {}, data).data(self.tokens))
        assert found is not None and found[0] == 200, found
        return json.loads(found[2])

    def throw(self, one: Request | Changed | Said) -> None:
        """Send one input and judge what comes back."""
        self.count += 1
        self.different.add(hash(repr(one)))
        if isinstance(one, Said):
            if one.code not in (1, 2):
                return self._frame(one)
            answer = self.sockets[one.who].ask(one.body, one.code)
            assert answer is None or isinstance(json.loads(answer), dict), answer
            return None
        data = one.data(self.tokens)
        plain = isinstance(one, Request) and not one.headers and one.method != "HEAD"
        found = self.wire.ask(data) if plain else self.wire.raw(data)
        status = found[0] if found is not None else 0
        self.statuses[status] = self.statuses.get(status, 0) + 1
        assert status < 500, (status, data, found)
        if isinstance(one, Request) and not one.headers:
            assert status >= 200 or one.method == "HEAD", data
            if found is not None and status >= 400 and one.method != "HEAD" and b"application/json" in found[1]:
                assert set(json.loads(found[2])) == {"refused", "text"}, found[2]
        return None

    def _frame(self, one: Said) -> None:
        """A frame that asks for no answer, on a connection of its own."""
        other = Socket(self.port, self.tokens[one.who])
        with suppress(ConnectionError):
            other.send(one.body, one.code)
            other.send(b"", 8)
            while other.hear() is not None:
                pass
        other.wire.close()
        self.sockets[one.who].open()

    def act_honestly(self) -> None:
        """One act of the candidate whom nobody attacks, on one way or the other."""
        self.honest_acts += 1
        message = {"kind": "act", "view": "honest", "seq": self.honest_acts, "act": {"do": "wait", "seconds": 1}}
        if self.honest_acts % 2:
            acts = self.ok("POST", "/call/k1", HONEST, message)["acts"]
        else:
            answer = self.sockets[HONEST].ask(json.dumps({"item": "k1", "message": message}).encode())
            assert answer is not None
            acts = json.loads(answer)["frame"]["acts"]
        assert acts == self.honest_acts
        assert self.service.poll() is None

    def close(self) -> str:
        """Stop it; what it wrote on its standard error."""
        self.wire.close()
        for one in self.sockets.values():
            one.wire.close()
        _, errors = self.service.communicate("", timeout=60)
        return errors


@pytest.fixture(scope="module", params=["exam", "class"])
def target(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Target]:
    """A service for an exam, and one for class work."""
    made = Target(tmp_path_factory.mktemp("fuzz") / "exam", request.param)
    yield made
    errors = made.close()
    assert "Traceback" not in errors and "Uncaught" not in errors, errors[:5000]


def fuzz(target: Target, seed: int, count: int) -> None:
    """Send `count` inputs, drawn under `seed`."""

    @hypothesis_seed(seed)
    @settings(
        max_examples=count, deadline=None, database=None, suppress_health_check=list(HealthCheck),
        phases=[Phase.generate], report_multiple_bugs=False,  # no shrinking: the service has changed meanwhile
    )
    @given(inputs)
    def throw_all(one: Request | Changed | Said) -> None:
        target.throw(one)
        if target.count % EVERY == 0:
            target.act_honestly()

    run: Callable[[], None] = throw_all
    run()


@pytest.mark.slow
def test_no_input_at_any_address_breaks_the_service_or_stops_an_honest_candidate(
    target: Target, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Hypothesis would follow each input with some that repeat parts of it; here every input is to be a new one.
    monkeypatch.setattr(ConjectureRunner, "generate_mutations_from", lambda _runner, _data: None)
    total = (INPUTS if sampling.long_run() else INPUTS // sampling.SHARE) // 2  # each of the two services has half
    for seed in (0, sampling.seed()):
        fuzz(target, seed, total * 3 // 5)
    print(f"{target.kind}: {target.count} inputs ({len(target.different)} different), statuses {target.statuses}")
    assert len(target.different) >= total
    assert len([s for s in target.statuses if s in (200, 400, 401, 403, 404, 405, 409)]) >= 6, "every kind of answer was met"
