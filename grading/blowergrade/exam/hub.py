"""Sign-in through a JupyterHub: whoever the Hub knows under a candidate's id is that candidate.

Rule: the Hub says who somebody is and nothing else. The exam's own session, one at a time and let in again by the proctor,
stays as it is; beside it every request needs a Hub token of the same name that the Hub accepted at most `CACHE_SECONDS` ago.

`hub_example/jupyterhub_config.py` beside this file is the Hub's side. The service stays at an address of its own and is not
proxied by the Hub: on one address, a student's own notebook server could read what an exam's page can read.
"""

from __future__ import annotations

import hashlib
import html
import os
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, cast

from tornado.web import Application, HTTPError, RequestHandler

from blowergrade.exam.hall import Hall, Refusal
from blowergrade.exam.programme import ExamError
from blowergrade.exam.texts import texts
from blowergrade.exam.web import DESK, SESSION, Base, File, Nothing
from blowergrade.exam.web_bench import BenchBase
from blowergrade.exam.web_candidate import Home, Live, SignIn, sign_in
from blowergrade.exam.web_proctor import DeskBase, DeskHome, DeskSignIn, desk_token

try:
    from jupyterhub.services.auth import HubOAuth, HubOAuthCallbackHandler, HubOAuthenticated
except ImportError as error:
    raise ExamError(
        "sign-in through a JupyterHub needs the package jupyterhub; install this project with its extra `hub`"
    ) from error

#: How long an answer of the Hub is believed. JupyterHub's own default is 300 s, for which a revoked token goes on working.
CACHE_SECONDS = 10
#: How long the last good answer about a token holds while the Hub can't be reached: a Hub's restart stops no exam.
GRACE_SECONDS = 600.0
PROCTOR = "custom:exam:proctor"  # the scope of those who may open the desk; the Hub's configuration gives it to a group
CALLBACK = "oauth_callback"
User = Mapping[str, Any]


@dataclass(slots=True)
class Hub:
    """The Hub as this service asks it. `public` is the Hub's address in a browser, `own` this service's."""

    api_url: str
    api_token: str
    public: str
    own: str
    client_id: str = "service-exam"
    name: str = "exam"
    cache_seconds: int = CACHE_SECONDS
    auth: HubOAuth = field(init=False)
    _good: dict[str, tuple[float, User]] = field(default_factory=dict)  # token's digest → when it was good last, and whose

    def __post_init__(self) -> None:
        if not 0 < self.cache_seconds <= CACHE_SECONDS:
            raise ExamError(f"the Hub's answers are kept for {self.cache_seconds} s; give 1 to {CACHE_SECONDS}")
        prefix = "/" + self.public.partition("://")[2].partition("/")[2].strip("/")
        self.auth = HubOAuth(
            api_url=self.api_url, api_token=self.api_token, cache_max_age=self.cache_seconds, base_url="/",
            hub_host=self.public.removesuffix("/").removesuffix(prefix if prefix != "/" else ""),
            hub_prefix=f"{prefix.rstrip('/')}/hub/", oauth_client_id=self.client_id,
            oauth_redirect_uri=self.own.rstrip("/") + "/" + CALLBACK, access_scopes={f"access:services!service={self.name}"},
            cookie_options={"samesite": "Lax"}, allow_token_in_url=False,
        )  # fmt: skip

    async def user(self, handler: RequestHandler) -> User | None:
        """The Hub's user whose living token comes with a request, with access to this exam; raises `Refusal` without a Hub."""
        token = self.auth.get_token(handler)
        if not token:
            return None
        digest = hashlib.sha256(token.encode("utf-8", "replace")).hexdigest()
        try:
            found = await self.auth.user_for_token(token, session_id=self.auth.get_session_id(handler), sync=False)
        except HTTPError as error:
            when, user = self._good.get(digest, (-GRACE_SECONDS, {}))
            if time.monotonic() - when > GRACE_SECONDS:
                raise Refusal("trouble", "The school's sign-in can't be reached. Tell the proctor.", 503) from error
            return user
        if found is None or found.get("kind") != "user" or not self.auth.check_scopes(self.auth.access_scopes, found):
            self._good.pop(digest, None)
            return None
        self._good[digest] = time.monotonic(), found
        return cast("User", found)

    def routes(self, routes: Sequence[Any]) -> list[Any]:
        """The service's `routes` behind the Hub's sign-in, and the address to which the Hub sends people back."""
        made = [(pattern, guarded(kind), {**more, **self._given(kind)}) for pattern, kind, more in routes]
        return [(f"/{CALLBACK}", Callback, {"hub": self}), *made]

    def _given(self, kind: type) -> dict[str, Any]:
        return {} if guarded(kind) is kind else {"hub": self}

    def settle(self, application: Application, hall: Hall) -> None:
        """Give the application what the Hub's cookies need: a secret that survives a restart."""
        application.settings["cookie_secret"] = hashlib.sha256(b"hub" + hall.desk_secret).hexdigest()


def from_environment(own: str, given: Mapping[str, str] | None = None) -> Hub:
    """The Hub of the variables that JupyterHub gives its services, or that were set by hand; raises `ExamError`.

    JUPYTERHUB_API_URL, JUPYTERHUB_API_TOKEN (or a file that holds it, JUPYTERHUB_API_TOKEN_FILE) and BLOWERGRADE_HUB, the
    Hub's address in a browser. `own` is this service's address in a browser.
    """
    known = os.environ if given is None else given
    token = known.get("JUPYTERHUB_API_TOKEN", "")
    if file := known.get("JUPYTERHUB_API_TOKEN_FILE"):
        try:
            token = Path(file).read_text(encoding="ascii").strip()
        except (OSError, UnicodeDecodeError) as error:
            raise ExamError(f"{file}: no token can be read ({error}); it holds one line, the service's api_token") from error
    missing = [n for n in ("JUPYTERHUB_API_URL", "BLOWERGRADE_HUB") if not known.get(n)]
    missing += [] if token else ["JUPYTERHUB_API_TOKEN"]
    if missing:
        raise ExamError(f"the Hub is not known: set {', '.join(missing)} as in hub_example/jupyterhub_config.py")
    name = known.get("JUPYTERHUB_SERVICE_NAME", "exam")
    client = known.get("JUPYTERHUB_CLIENT_ID", f"service-{name}")
    return Hub(known["JUPYTERHUB_API_URL"], token, known["BLOWERGRADE_HUB"], own, client, name)


# ---------------------------------------------------------------------- the service's handlers behind the Hub
class Gate(Base):
    """A handler that wants a Hub user beside the exam's own session."""

    hub: Hub
    hub_user: User | None = None
    asked = False

    def initialize(self, hall: Hall, hub: Hub) -> None:  # type: ignore[override]  # Tornado's own has no arguments
        """Tornado's: the service, and its Hub."""
        super().initialize(hall)
        self.hub = hub

    async def prepare(self) -> None:
        """After the guards at the door: who this is."""
        await super().prepare()
        self.hub_user = await self.hub.user(self)
        self.asked = True

    def candidate(self) -> str:
        """Whose session this is; it must be the Hub user's own. Raises `Refusal`."""
        name = super().candidate()
        if self.asked and (self.hub_user is None or self.hub_user["name"] != name):
            raise Refusal("sign_in", status=401)
        return name

    def token(self) -> str:
        """The exam's own session; what stands in the header of a request is a Hub token."""
        return self.get_cookie(SESSION) or ""

    def hub_candidate(self) -> str:
        """The candidate that the Hub user is; raises `Refusal`."""
        if self.hub_user is None:
            raise Refusal("sign_in", status=401)
        name = str(self.hub_user["name"])
        if self.hall.programme.candidate(name) is None:
            raise Refusal("nobody", f"The account {name!r} is no candidate of this exam. Ask the proctor.", 403)
        return name

    def hub_proctor(self) -> None:
        """Raise `Refusal` unless the Hub user may open the desk."""
        if self.hub_user is None:
            raise Refusal("sign_in", status=401)
        if PROCTOR not in self.hub_user["scopes"]:
            raise Refusal("no_proctor", "This account may not open the proctor's page. Ask the Hub's administrator.", 403)


class HubDesk(Gate, DeskBase):
    """What needs the desk: its session, and a Hub user who may have it."""

    async def prepare(self) -> None:
        """Only the desk, and only for a proctor."""
        await super().prepare()
        self.hub_proctor()


class HubPage(HubOAuthenticated, Gate):  # type: ignore[misc]  # jupyterhub has no types
    """A page that a browser comes to first: without a Hub user it goes to the Hub, and comes back."""

    made: Mapping[str, str] = {}

    def initialize(self, hall: Hall, hub: Hub) -> None:  # type: ignore[override]  # Tornado's own has no arguments
        """Tornado's: the service, and its Hub."""
        super().initialize(hall=hall, hub=hub)
        self.hub_auth, self.made = hub.auth, {}

    def get_cookie(self, name: str, default: Any = None) -> Any:
        """A cookie, those included that this very answer sets."""
        return self.made.get(name) or super().get_cookie(name, default)

    async def prepare(self) -> None:
        """Open the session where there is none, then let the page be written."""
        await super().prepare()
        if self.hub_user is None:
            self.redirect(self.get_login_url())
            return
        try:
            await self.enter()
        except Refusal as error:
            self._turned_away(error)

    async def enter(self) -> None:
        """Open the session of this page; raises `Refusal`."""
        raise NotImplementedError

    def _turned_away(self, error: Refusal) -> None:
        name = str((self.hub_user or {}).get("name", ""))
        one = self.hall.programme.candidate(name)
        words = texts(one.language if one is not None else "en")
        text = html.escape(words.get(error.word, str(error)))
        self.set_status(error.status)
        self.set_header("Content-Type", "text/html; charset=utf-8")
        self.finish(
            f'<!doctype html><html lang="{html.escape(one.language if one is not None else "en")}"><meta charset="utf-8">'
            f'<title>Exam</title><link rel="stylesheet" href="exam.css"><main class="ex-main ex-narrow"><h1>Exam</h1>'
            f'<p role="alert">{text}</p><p><a href="{html.escape(self.request.path)}">{words["enter"]}</a></p></main></html>'
        )

    def keep(self, name: str, value: str, path: str) -> None:
        """Set a cookie of the exam's own."""
        self.made = {**self.made, name: value}
        self.set_cookie(name, value, httponly=True, samesite="Strict", secure=self.request.protocol == "https", path=path)


class HubHome(HubPage, Home):
    """The candidate's page for a Hub user."""

    async def enter(self) -> None:
        """Go on with the session that there is, or open one."""
        name = self.hub_candidate()
        try:
            self.candidate()
        except Refusal:
            await sign_in(self.hall, name)
            self.keep(SESSION, self.hall.token(name, self.hall.sitting.of(name).signed_in), "/")


class HubDeskHome(HubPage, DeskHome):
    """The proctor's page for a Hub user who may have it."""

    async def enter(self) -> None:
        """Open the desk."""
        self.hub_proctor()
        self.keep(DESK, desk_token(self.hall, self.hall.desk_code), "/proctor")


class HubSignIn(Gate, SignIn):
    """A Hub user's token for a session; no code is asked for."""

    async def _let_in(self, code: str) -> str:
        return await sign_in(self.hall, self.hub_candidate())


class HubDeskSignIn(Gate, DeskSignIn):
    """A Hub user's token for the desk; no code is asked for."""

    def post(self) -> None:
        """Open the desk."""
        self.hub_proctor()
        token = desk_token(self.hall, self.hall.desk_code)
        self.set_cookie(DESK, token, httponly=True, samesite="Strict", secure=self.request.protocol == "https", path="/proctor")
        self.answer({"title": self.hall.programme.title})


class HubLive(Live):
    """A candidate's WebSocket; the Hub is asked again for each message."""

    hub: Hub

    def initialize(self, hall: Hall, pages: dict[str, Live], hub: Hub) -> None:  # type: ignore[override]  # Tornado's own has no arguments
        """Tornado's: the service, its pages, and its Hub."""
        super().initialize(hall, pages)
        self.hub = hub

    async def _hub_knows(self, name: str) -> bool:
        try:
            user = await self.hub.user(self)
        except Refusal:
            return False
        return user is not None and user["name"] == name

    async def open(self, *arguments: str, **more: str) -> None:
        """Only for the Hub user whose session it is."""
        try:
            known = await self._hub_knows(self.hall.who(self.get_cookie(SESSION) or ""))
        except Refusal:
            known = False
        if known:
            await super().open(*arguments, **more)
        else:
            self.close(4401, "signed out")

    async def _answer(self, item: str, content: dict[str, Any] | None, views: tuple[str, ...]) -> None:
        if await self._hub_knows(self.name):
            await super()._answer(item, content, views)
        else:
            self.close(4401, "signed out")


class Callback(HubOAuthCallbackHandler):  # type: ignore[misc]  # jupyterhub has no types
    """Where the Hub sends people back to."""

    def initialize(self, hub: Hub) -> None:
        """Tornado's: the Hub."""
        self.hub_auth = hub.auth


#: What stands in for a handler behind the Hub.
INSTEAD: Mapping[type, type] = {
    Home: HubHome, SignIn: HubSignIn, DeskHome: HubDeskHome, DeskSignIn: HubDeskSignIn, Live: HubLive,
}  # fmt: skip


def guarded(kind: type) -> type:
    """The handler that stands in for `kind` behind the Hub. Files hold no secret, and a notebook's door takes codes."""
    if kind in INSTEAD:
        return INSTEAD[kind]
    if not issubclass(kind, Base) or issubclass(kind, File | Nothing | BenchBase | Gate):
        return kind
    return type(f"Hub{kind.__name__}", (HubDesk if issubclass(kind, DeskBase) else Gate, kind), {})
