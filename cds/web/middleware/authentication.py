"""The gate: every call is checked before its body is read, and what is not named here as open is closed."""

from __future__ import annotations

import hmac
import time
from collections import defaultdict
from collections.abc import Callable, Sequence

from fastapi import Request
from fastapi.responses import JSONResponse, PlainTextResponse
from starlette.responses import Response
from starlette.types import ASGIApp, Receive, Scope, Send

from cds.observability.metrics import Metrics
from cds.operation_outcome import Issue, outcome
from cds.security.caller import Caller, HttpCall, NotTrusted, current_caller
from cds.security.jwt_auth import Trust
from cds.security.smart_session import SmartSessions
from cds.settings import Settings
from cds.web.middleware.request_limits import ADMIN
from cds.web.middleware.token_bucket import RateLimit

_ALWAYS_OPEN = frozenset({"/", "/health/live", "/health/ready"})
_FILES_OF_PAGES = "/static/"
"""Style sheets and scripts, the same for everybody: open, so that whoever is refused a page can still read why."""

LAUNCHING = ("/launch", "/launch/callback")
"""Where a session begins: it is the EHR that says who comes."""

_ALSO_JSON = "/rules"
"""Addresses at which browsers get a page and programs JSON."""

PAGES = ("/bedside", "/docs/guide", "/fit", "/print", "/rules", "/try")
"""Where the pages for browsers begin; they are opened by a session, not by a token."""

_FOR_PROGRAMS = (
    "Programs call this address, with a token. If you are a person, open Nuque from the patient's chart, or ask the IT service "
    "desk."
)
"""To a browser that has no token: how to make one is of no use to whoever reads it."""

_CODES = {401: "login", 403: "forbidden", 429: "throttled", 503: "transient"}


def call_of(scope: Scope) -> HttpCall:
    """What trust looks at of a call, taken from its ASGI ``scope``."""
    headers: dict[str, list[str]] = defaultdict(list)
    for name, value in scope["headers"]:
        headers[name.decode("latin-1").lower()].append(value.decode("latin-1"))
    peer, local = scope.get("client"), scope.get("server")
    return HttpCall(scope["path"], headers, peer[0] if peer else None, local[0] if local else None)


def is_page_path(path: str) -> bool:
    """Whether pages stand at ``path``."""
    return any(path == page or path.startswith(f"{page}/") for page in PAGES)


def is_always_open(method: str, path: str, settings: Settings) -> bool:
    """Whether nobody is asked who calls ``path`` by ``method``, where tokens are asked for elsewhere.

    ``settings`` can open the metrics and close discovery.
    """
    if path in _ALWAYS_OPEN or (path == "/metrics" and settings.metrics):
        return True
    if path.startswith(_FILES_OF_PAGES) or (path in LAUNCHING and method == "GET"):
        return True
    return path == "/cds-services" and method == "GET" and not settings.protect_discovery


def is_page(call: HttpCall) -> bool:
    """Whether a browser asks for one of the pages by ``call``; a call with a token is a program's."""
    asks_for_html = any("text/html" in value for value in call.headers.get("accept", []))
    if call.path.startswith(_ALSO_JSON) and not asks_for_html:
        return False
    return is_page_path(call.path) and "authorization" not in call.headers


def wants_page(request: Request) -> bool:
    """Whether ``request`` is for one of the pages and from a browser that shows it."""
    return is_page(call_of(request.scope)) and "text/html" in request.headers.get("accept", "")


RefusedPage = Callable[[Request, int, Sequence[str]], Response]
"""Draws the page for a browser that is refused, with the status code and why."""


class AuthenticationMiddleware:
    """ASGI middleware that lets trusted calls through, with their caller in ``current_caller``."""

    def __init__(
        self,
        app: ASGIApp,
        trust: Trust,
        sessions: SmartSessions,
        settings: Settings,
        metrics: Metrics,
        refused_page: RefusedPage,
    ) -> None:
        """Stand before ``app``; whoever asks for a page and is refused is shown ``refused_page``."""
        self._app, self._trust, self._settings, self._metrics = app, trust, settings, metrics
        self._sessions, self._refused_page = sessions, refused_page
        self._rate = RateLimit(time.monotonic)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Handle one connection."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        try:
            with self._metrics.stage("trust"):
                caller = await self._caller(scope)
        except NotTrusted as refused:
            self._metrics.refused(refused.reason)
            scope.setdefault("state", {})["refused"] = refused.reason
            await self._answer(Request(scope, receive), refused)(scope, receive, send)
            return
        before = current_caller.set(caller)
        scope.setdefault("state", {})["caller"] = caller
        try:
            await self._app(scope, receive, send)
        finally:
            current_caller.reset(before)

    async def _caller(self, scope: Scope) -> Caller:
        call = call_of(scope)
        if call.path.startswith(ADMIN):
            return self._admin(call)
        if self._trust.mode != "open" and is_always_open(scope["method"], call.path, self._settings):
            return Caller("nobody")
        if is_page(call):
            return self._page(call)
        caller = await self._trust.check(call)
        if caller.client is not None:
            wait = self._rate.wait(caller.issuer, caller.client.calls_per_minute or self._settings.calls_per_minute)
            if wait:
                scope.setdefault("state", {})["caller"] = caller  # Trusted, and named in the log and the trail.
                raise NotTrusted(429, "rate", "too many calls of this client; slow down", retry_after=wait)
        return caller

    def _page(self, call: HttpCall) -> Caller:
        session = self._sessions.caller(call)
        if self._trust.mode == "open" or session is None:
            signed_in = self._trust.check_page(call)
            return session or signed_in
        return session

    def _admin(self, call: HttpCall) -> Caller:
        token = self._settings.admin_token
        given = call.one("authorization") or ""
        if token is None or not hmac.compare_digest(given.encode(), f"Bearer {token.get_secret_value()}".encode()):
            raise NotTrusted(401, "admin", "send the admin token (NUQUE_ADMIN_TOKEN) as Bearer")
        return Caller("admin")

    def _answer(self, request: Request, refused: NotTrusted) -> Response:
        if wants_page(request):
            return self._refused_page(request, refused.status, [str(refused)])
        if refused.reason == "no_token" and "text/html" in request.headers.get("accept", ""):
            shown = self._refused_page(request, refused.status, [_FOR_PROGRAMS])
            shown.headers["WWW-Authenticate"] = "Bearer"
            return shown
        if refused.reason == "page":
            return PlainTextResponse(str(refused), refused.status)
        headers = {}
        if refused.status == 401:
            # RFC 6750, 3.1: who sent no token is told of no error in it.
            sent = "authorization" in request.headers
            headers["WWW-Authenticate"] = 'Bearer error="invalid_token"' if sent else "Bearer"
        if refused.retry_after is not None:
            headers["Retry-After"] = str(refused.retry_after)
        issue = Issue(None, str(refused), _CODES.get(refused.status, "invalid"))
        return JSONResponse(outcome([issue]), refused.status, headers)
