"""The exam behind a real JupyterHub on loopback: the shipped configuration, its token cache, and what a browser goes through.

Rule: the Hub is a process of the installed JupyterHub. Only its proxy is none, since nothing here goes through it.
"""

from __future__ import annotations

import asyncio
import json
import os
import re
import secrets
import subprocess
import sys
import time
import urllib.request
from collections.abc import AsyncIterator, Iterator, Mapping
from contextlib import asynccontextmanager
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path

import httpx
import pytest
from alone import alone
from exam.hall_room import room
from jupyterhub.services.auth import HubAuth
from served import free_port
from tornado.httpclient import HTTPRequest
from tornado.websocket import websocket_connect

from blowergrade.cli import main
from blowergrade.exam.hall import Hall
from blowergrade.exam.hub import CACHE_SECONDS, Hub, from_environment
from blowergrade.exam.programme import ExamError
from blowergrade.exam.service import Place, start
from blowergrade.exam.sitting import Let, Opened

PATIENCE = 60.0  # s for the Hub to come up on a busy machine
SHORT = 1  # s of cache in these tests
MARGIN = 3.0  # s that a busy machine may take beyond the cache's age
MORE = """
from jupyterhub.proxy import Proxy
class NoProxy(Proxy):
    should_start = False
    async def add_route(self, routespec, target, data): pass
    async def delete_route(self, routespec): pass
    async def get_all_routes(self): return {}
c.JupyterHub.proxy_class = NoProxy
c.JupyterHub.authenticator_class = "dummy"
c.Authenticator.allowed_users = {"c01", "c02", "mallory", "prof"}
c.JupyterHub.spawner_class = "simple"
c.JupyterHub.db_url = "sqlite://"
c.JupyterHub.hub_bind_url = "http://127.0.0.1:@HUB@"
c.JupyterHub.bind_url = "http://127.0.0.1:@PUBLIC@"
c.JupyterHub.load_groups = {"proctors": {"users": ["prof"]}}
c.JupyterHub.services.append({"name": "registrar", "api_token": "@REGISTRAR@"})
c.JupyterHub.load_roles.append({"name": "registrar", "scopes": ["admin:users", "tokens"], "services": ["registrar"]})
"""


@dataclass(frozen=True, slots=True)
class RealHub:
    """A running JupyterHub; `own` is where its configuration says that the exam service is."""

    base: str
    registrar: str
    token: str
    own: int

    def ask(self, method: str, path: str, body: object = None) -> object:
        """What the Hub's interface answers to its registrar."""
        data = None if body is None else json.dumps(body).encode()
        headers = {"Authorization": f"token {self.registrar}"}
        with urllib.request.urlopen(
            urllib.request.Request(f"{self.base}/hub/api/{path}", data, headers, method=method), timeout=30
        ) as answer:
            return json.loads(answer.read() or b"null")

    def new_token(self, user: str) -> tuple[str, str]:
        """A new token of `user` and its id."""
        made = self.ask("POST", f"users/{user}/tokens", {})
        assert isinstance(made, dict)
        return str(made["token"]), str(made["id"])


@pytest.fixture(scope="module")
def real_hub(tmp_path_factory: pytest.TempPathFactory) -> Iterator[RealHub]:
    folder = tmp_path_factory.mktemp("hub")
    hub_port, public, own = free_port(), free_port(), free_port()
    token, registrar = secrets.token_hex(32), secrets.token_hex(32)
    (folder / "token").write_text(token + "\n")
    shipped = files("blowergrade.exam").joinpath("hub_example", "jupyterhub_config.py").read_text(encoding="utf-8")
    changed = shipped.replace("/etc/exam/hub-token", str(folder / "token"), 4).replace(
        'ADDRESS = "https://exam.school.example:8444"', f'ADDRESS = "http://127.0.0.1:{own}"'
    )
    assert str(folder / "token") in changed and f'"http://127.0.0.1:{own}"' in changed
    more = MORE.replace("@HUB@", str(hub_port)).replace("@PUBLIC@", str(public)).replace("@REGISTRAR@", registrar)
    (folder / "config.py").write_text(changed + more)
    environment = {k: v for k, v in os.environ.items() if not k.startswith("JUPYTERHUB_")}
    with (folder / "log").open("w") as log:
        process = subprocess.Popen(
            [sys.executable, "-m", "jupyterhub", "-f", "config.py"], cwd=folder, env=environment, stdout=log, stderr=log
        )
    made = RealHub(f"http://127.0.0.1:{hub_port}", registrar, token, own)
    try:
        _wait_for(made, process, folder / "log")
        yield made
    finally:
        process.terminate()
        process.wait(30)


def _wait_for(hub: RealHub, process: subprocess.Popen[bytes], log: Path) -> None:
    end = time.monotonic() + PATIENCE
    while True:
        try:
            hub.ask("GET", "users")
        except OSError as error:
            if process.poll() is not None or time.monotonic() > end:
                raise RuntimeError(f"the Hub does not answer ({error}):\n{log.read_text()[-3000:]}") from error
            time.sleep(0.1)
        else:
            return


@dataclass(frozen=True, slots=True)
class Exam:
    """The exam service with the Hub."""

    base: str
    hall: Hall
    hub: Hub
    codes: Mapping[str, str]

    def client(self, token: str = "") -> httpx.AsyncClient:
        """A client that sends `token`, and keeps cookies."""
        headers = {"Authorization": f"token {token}"} if token else {}
        return httpx.AsyncClient(base_url=self.base, headers=headers, timeout=30, trust_env=False)


@asynccontextmanager
async def exam(real: RealHub, folder: Path, cache: int = SHORT) -> AsyncIterator[Exam]:
    made = room(folder / "exam", 2)
    hall = made.open_hall()
    base = f"http://127.0.0.1:{real.own}"
    hub = Hub(f"{real.base}/hub/api", real.token, real.base, base, cache_seconds=cache)
    await hall.happened(Opened())
    server, _ = await start(hall, Place(port=real.own), hub=hub)
    try:
        yield Exam(base, hall, hub, made.codes)
    finally:
        server.stop()
        await server.close_all_connections()
        await hall.stop()
        made.unlock()


ACT = {"kind": "act", "view": "page", "seq": 1, "act": {"do": "wait", "seconds": 5}}


def test_a_hub_user_gets_in_as_the_candidate_of_that_name_and_acts(real_hub: RealHub, tmp_path: Path) -> None:
    async def go() -> None:
        token, _ = real_hub.new_token("c01")
        async with exam(real_hub, tmp_path) as one, one.client(token) as page:
            signed = await page.post("/sign-in", json={})
            assert signed.status_code == 200 and signed.json()["name"] == "Person c01"
            assert (await page.post("/begin", json={})).status_code == 200
            assert (await page.get("/call/k1")).status_code == 200
            assert (await page.post("/call/k1", json=ACT)).json()["acts"] == 1
            assert one.hall.acts == {"c01/k1": 1}

    alone(go())


def test_who_is_no_candidate_or_comes_with_another_name_is_turned_away(real_hub: RealHub, tmp_path: Path) -> None:
    async def go() -> None:
        async with exam(real_hub, tmp_path) as one:
            async with one.client(real_hub.new_token("mallory")[0]) as mallory:
                assert (await mallory.post("/sign-in", json={})).status_code == 403
                page = await mallory.get("/")
                assert page.status_code == 403 and "mallory" in page.text
            async with one.client(real_hub.new_token("c01")[0]) as first:
                await first.post("/sign-in", json={})
                session = dict(first.cookies)
                assert (await first.get("/me")).status_code == 200
            async with one.client(real_hub.new_token("c02")[0]) as second:
                second.cookies.update(session)
                assert (await second.get("/me")).status_code == 401
                assert (await second.post("/call/k1", json=ACT)).status_code == 401
            assert one.hall.sitting.of("c02").signed_in == 0

    alone(go())


def test_without_a_living_token_a_page_is_sent_to_the_hub_and_all_else_is_refused(real_hub: RealHub, tmp_path: Path) -> None:
    async def go() -> None:
        async with exam(real_hub, tmp_path) as one, one.client() as nobody:
            sent = await nobody.get("/")
            assert sent.status_code == 302 and sent.headers["Location"].startswith(f"{real_hub.base}/hub/api/oauth2/authorize?")
            assert (await nobody.get("/proctor")).status_code == 302
            for method, path in (("GET", "/me"), ("POST", "/begin"), ("POST", "/sign-in"), ("GET", "/proctor/state")):
                assert (await nobody.request(method, path, json={})).status_code == 401, path
            session = one.hall.token("c01", 0)
            async with one.client("f" * 32) as forged:
                forged.cookies.set("exam_session", session)
                assert (await forged.get("/me")).status_code == 401
                assert (await forged.post("/sign-in", json={})).status_code == 401
            assert one.hall.sitting.of("c01").signed_in == 0

    alone(go())


def test_a_code_opens_nothing_where_people_sign_in_at_the_hub(real_hub: RealHub, tmp_path: Path) -> None:
    async def go() -> None:
        async with exam(real_hub, tmp_path) as one, one.client() as nobody:
            for path, who in (("/sign-in", "c01"), ("/proctor/sign-in", "proctor")):
                assert (await nobody.post(path, json={"code": one.codes[who]})).status_code == 401, path
            assert one.hall.sitting.of("c01").signed_in == 0

    alone(go())


def test_a_revoked_token_is_refused_once_the_short_cache_is_over(real_hub: RealHub, tmp_path: Path) -> None:
    async def go() -> None:
        token, number = real_hub.new_token("c01")
        async with exam(real_hub, tmp_path) as one, one.client(token) as page:
            await page.post("/sign-in", json={})
            await page.post("/begin", json={})
            headers = {"Authorization": f"token {token}", "Cookie": f"exam_session={page.cookies['exam_session']}"}
            socket = await websocket_connect(HTTPRequest(one.base.replace("http", "ws") + "/live", headers=headers))
            assert "standing" in str(await socket.read_message())
            await asyncio.sleep(SHORT + 0.5)  # the cache's first answer is too old now; the Hub is asked again and says yes
            assert (await page.get("/me")).status_code == 200
            await asyncio.to_thread(real_hub.ask, "DELETE", f"users/c01/tokens/{number}")
            revoked = time.monotonic()
            while (await page.get("/me")).status_code == 200:
                assert time.monotonic() - revoked < SHORT + MARGIN
                await asyncio.sleep(0.05)
            assert (await page.post("/call/k1", json=ACT)).status_code == 401
            await socket.write_message(json.dumps({"item": "k1", "message": ACT}))
            assert await socket.read_message() is None and socket.close_code == 4401
            socket.close()
            assert one.hall.acts == {}

    alone(go())


def test_what_is_shipped_keeps_an_answer_for_ten_seconds_at_most() -> None:
    shipped = Hub("http://127.0.0.1:1/hub/api", "t", "https://hub.school.example", "https://exam.school.example:8444")
    assert shipped.auth.cache_max_age == shipped.auth.cache.max_age == CACHE_SECONDS <= 10
    # JupyterHub's documentation of HubAuth.cache_max_age: "Default: 300 (five minutes)"; this is what the short one is for
    assert HubAuth.class_traits()["cache_max_age"].default_value == 300
    for seconds in (0, 11, 300):
        with pytest.raises(ExamError, match="give 1 to 10"):
            Hub("http://127.0.0.1:1/hub/api", "t", "https://h.example", "https://e.example", cache_seconds=seconds)


def test_the_hubs_addresses_follow_from_where_a_browser_finds_it() -> None:
    below = Hub("http://127.0.0.1:8081/jupyter/hub/api", "t", "https://school.example/jupyter/", "https://exam.example:8444/")
    assert below.auth.oauth_authorization_url == "https://school.example/jupyter/hub/api/oauth2/authorize"
    assert below.auth.oauth_redirect_uri == "https://exam.example:8444/oauth_callback"


def test_the_hub_is_taken_from_the_environment_and_a_missing_part_is_named(tmp_path: Path) -> None:
    (tmp_path / "token").write_text("secret\n")
    known = {
        "JUPYTERHUB_API_URL": "http://127.0.0.1:8081/hub/api", "BLOWERGRADE_HUB": "https://hub.example",
        "JUPYTERHUB_API_TOKEN_FILE": str(tmp_path / "token"),
    }  # fmt: skip
    assert from_environment("https://exam.example", known).auth.api_token == "secret"
    for name in ("JUPYTERHUB_API_URL", "BLOWERGRADE_HUB"):
        with pytest.raises(ExamError, match=name):
            from_environment("https://exam.example", {k: v for k, v in known.items() if k != name})
    with pytest.raises(ExamError, match="JUPYTERHUB_API_TOKEN"):
        from_environment("https://exam.example", {**known, "JUPYTERHUB_API_TOKEN_FILE": ""})
    with pytest.raises(ExamError, match="no token can be read"):
        from_environment("https://exam.example", {**known, "JUPYTERHUB_API_TOKEN_FILE": str(tmp_path / "none")})


async def _through_the_hub(one: Exam, user: str, path: str) -> httpx.Response:
    """What a browser ends on that opens `path` and signs in at the Hub as `user`."""
    async with httpx.AsyncClient(follow_redirects=True, timeout=30, trust_env=False) as browser:
        form = await browser.get(one.base + path)
        assert "/hub/login" in str(form.url)
        xsrf = re.search(r'name="_xsrf" value="([^"]+)"', form.text)
        assert xsrf is not None
        page = await browser.post(form.url, data={"username": user, "password": "any", "_xsrf": xsrf[1]})
        if path == "/" and page.status_code == 200:
            assert (await browser.get(one.base + "/me")).json()["name"] == f"Person {user}"
            assert (await browser.get(one.base + "/")).status_code == 200  # a reload keeps the session
            assert one.hall.sitting.of(user).signed_in == 1
        if path == "/proctor" and page.status_code == 200:
            assert (await browser.get(one.base + "/proctor/state")).json()["stage"] == "open"
        return page


def test_a_browser_signs_in_at_the_hub_and_comes_back_to_its_exam(real_hub: RealHub, tmp_path: Path) -> None:
    async def go() -> None:
        async with exam(real_hub, tmp_path) as one:
            page = await _through_the_hub(one, "c01", "/")
            assert page.status_code == 200 and 'data-known="yes"' in page.text and str(page.url) == one.base + "/"
            again = await _through_the_hub(one, "c01", "/")  # another browser, without the proctor's leave
            assert again.status_code == 403 and "signed in already" in again.text
            await one.hall.happened(Let("c02"))
            assert (await _through_the_hub(one, "c02", "/")).status_code == 200

    alone(go())


def test_only_the_group_of_proctors_opens_the_desk(real_hub: RealHub, tmp_path: Path) -> None:
    async def go() -> None:
        async with exam(real_hub, tmp_path) as one:
            assert (await _through_the_hub(one, "prof", "/proctor")).status_code == 200
            refused = await _through_the_hub(one, "c01", "/proctor")
            assert refused.status_code == 403 and "may not open" in refused.text
            async with one.client(real_hub.new_token("c02")[0]) as candidate:
                assert (await candidate.post("/proctor/sign-in", json={})).status_code == 403
            async with one.client(real_hub.new_token("prof")[0]) as desk:
                assert (await desk.post("/proctor/sign-in", json={})).status_code == 200
                assert (await desk.get("/proctor/state")).status_code == 200
                assert (await desk.post("/sign-in", json={})).status_code == 403  # a proctor is no candidate

    alone(go())


def test_a_hub_that_is_down_stops_nobody_who_is_in_and_lets_nobody_new_in(real_hub: RealHub, tmp_path: Path) -> None:
    async def go() -> None:
        first, second = real_hub.new_token("c01")[0], real_hub.new_token("c02")[0]
        async with exam(real_hub, tmp_path) as one, one.client(first) as page, one.client(second) as late:
            await page.post("/sign-in", json={})
            one.hub.auth.api_url = f"http://127.0.0.1:{free_port()}/hub/api"  # nobody listens there
            await asyncio.sleep(SHORT + 0.2)
            assert (await page.get("/me")).status_code == 200
            answer = await late.post("/sign-in", json={})
            assert answer.status_code == 503 and answer.json()["refused"] == "trouble"

    alone(go())


def test_the_command_names_what_the_hub_needs_before_it_serves(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    for name in ("JUPYTERHUB_API_URL", "JUPYTERHUB_API_TOKEN", "JUPYTERHUB_API_TOKEN_FILE", "BLOWERGRADE_HUB"):
        monkeypatch.delenv(name, raising=False)
    folder = room(tmp_path / "exam", 1)
    assert main(["exam", "serve", str(folder.root), "--port", "0", "--hub", "https://exam.school.example"]) != 0
    said = capsys.readouterr().err
    assert "JUPYTERHUB_API_URL, BLOWERGRADE_HUB, JUPYTERHUB_API_TOKEN" in said and "hub_example" in said
