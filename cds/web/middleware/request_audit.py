"""Each call seen from outside: an id, a log line, metrics, an entry in the audit trail, safe headers, and no failure unsaid."""

from __future__ import annotations

import asyncio
import time
import uuid
from collections.abc import Callable
from functools import cache

import structlog
from fastapi import Request, Response
from fastapi.responses import JSONResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from cds.observability.logging import failure, log
from cds.observability.metrics import Metrics
from cds.operation_outcome import Issue, outcome
from cds.storage.audit_log import Audit, AuditEntry
from cds.storage.deadlines import Allowance, current_allowance
from cds.web.decision_events import PATIENT
from cds.web.dependencies import CONTENT, Service
from cds.web.middleware.authentication import wants_page
from cds.web.middleware.token_bucket import RateLimit

REQUEST_ID = "Nuque-Request"
"""Header of every answer: the id of the call, as in the log and the audit trail."""

_SAFE = {
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "no-referrer",
    "Cache-Control": "no-store",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=()",
    "Content-Security-Policy": "default-src 'none'; frame-ancestors 'none'",
}
_REQUEST_ID = REQUEST_ID.lower().encode()
_POLICIES = {
    # Its script writes styles into the page. Where tokens are asked for it cannot be opened anyway.
    "/docs": "default-src 'none'; script-src 'self'; connect-src 'self'; "
    "style-src 'self' 'unsafe-inline'; img-src data:; frame-ancestors 'none'",
}

_UNWATCHED = ("/health/", "/metrics")
_REFUSALS_A_MINUTE = 60

FailedPage = Callable[[Request, str], Response]
"""Draws the page for a browser whose call failed, with the id of the call."""


class Observing:
    """ASGI middleware around all others but the stamp.

    Of refused calls only some go into the audit trail: whoever has no token could otherwise fill the store's disk.
    """

    def __init__(self, app: ASGIApp, service: Service, metrics: Metrics, audit: Audit, failed_page: FailedPage) -> None:
        """Watch ``app``; whoever asks for a page that fails is shown ``failed_page``."""
        self._app, self._service, self._metrics, self._audit = app, service, metrics, audit
        self._failed_page = failed_page
        self._refusals = RateLimit(time.monotonic)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Handle one connection."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        request = uuid.uuid4().hex
        structlog.contextvars.bind_contextvars(request=request)
        scope.setdefault("state", {})["request"] = request
        before = current_allowance.set(Allowance())
        seen = _AuditedAnswer(send, request, scope["path"])
        started = time.perf_counter()
        try:
            with self._metrics.stage("whole"):
                await self._app(scope, receive, seen.send)
        except asyncio.CancelledError:
            # The time to finish what was accepted is over. Raised on: the server is stopping.
            if seen.status is None:
                issue = Issue(None, "the service is stopping; nothing was decided, send it again", "transient")
                await JSONResponse(outcome([issue]), 503, {"Retry-After": "5"})(scope, receive, seen.send)
            raise
        except Exception as error:
            # Reported here and not raised on: the server would log its text, which may quote what was sent.
            log.error("call failed", **failure(error))
            if seen.status is None:
                await self._failed(Request(scope, receive), request)(scope, receive, seen.send)
        finally:
            self._note(scope, seen.status or 499, time.perf_counter() - started, request)
            structlog.contextvars.unbind_contextvars("request")
            current_allowance.reset(before)

    def _failed(self, call: Request, request: str) -> Response:
        """The page, for a browser that asked for one; where even that fails, and for programs, the OperationOutcome."""
        if wants_page(call):
            try:
                return self._failed_page(call, request)
            except Exception as error:
                log.error("page of a failure failed", **failure(error))
        words = f"the service failed; nothing was decided. Its log says why, request {request}"
        return JSONResponse(outcome([Issue(None, words, "exception")]), 500)

    def _note(self, scope: Scope, status: int, seconds: float, request: str) -> None:
        route = getattr(scope.get("route"), "path", "none")
        state = scope["state"]
        caller = state.get("caller")
        self._metrics.answered(route, status)
        if scope["path"].startswith(_UNWATCHED):
            return
        issuer = caller.issuer if caller else "nobody"
        log.info(
            "call",
            route=route,
            method=scope["method"] if scope["method"] in ("GET", "POST", "OPTIONS", "HEAD") else "other",
            status=status,
            ms=round(seconds * 1000, 1),
            issuer=issuer,
            refused=state.get("refused"),
        )
        event = _event(route, status)
        if event == "refused" and self._refusals.wait(event, _REFUSALS_A_MINUTE):
            self._metrics.not_in_trail()
        elif event is not None:
            entry = AuditEntry(
                at=self._service.clock(),
                event=event,
                status=status,
                issuer=issuer,
                ruleset_hash=state[CONTENT].ruleset.hash,
                request=request,
                service=route.removeprefix("/")[:64],
                tenant=caller.tenant if caller else None,
                patient=state.get(PATIENT),
            )
            self._audit.record(entry)


@cache
def _as_sent(policy: str | None) -> tuple[tuple[bytes, bytes], ...]:
    """The safe headers, with ``policy`` in place of the usual one where there is one."""
    safe = _SAFE if policy is None else {**_SAFE, "Content-Security-Policy": policy}
    return tuple((name.lower().encode(), value.encode()) for name, value in safe.items())


def _event(route: str, status: int) -> str | None:
    """The kind of audit event, or None for what touches no patient and was not refused."""
    if status in (401, 403, 429):
        return "refused"
    if route.endswith("/feedback"):
        return "feedback"
    if route.startswith("/admin/"):
        return "reload"
    return "decision" if route.startswith(("/cds-services/", "/decisions", "/fit-checks")) else None


class _AuditedAnswer:
    """What went out: its status, and the headers that every answer carries."""

    def __init__(self, send: Send, request: str, path: str) -> None:
        self._send, self._request, self._path = send, request, path
        self.status: int | None = None

    async def send(self, message: Message) -> None:
        if message["type"] == "http.response.start":
            self.status = message["status"]
            headers = [*message.get("headers", ()), (_REQUEST_ID, self._request.encode())]
            # A page may have set a policy of its own, and a figure a time to be cached.
            given = {name.lower() for name, _ in headers}
            headers += [header for header in _as_sent(_POLICIES.get(self._path)) if header[0] not in given]
            message["headers"] = headers
        await self._send(message)
