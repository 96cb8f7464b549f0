"""Nothing is decided by content that has not passed the gate: until then every call but health and reload is told to come again."""

from __future__ import annotations

from collections.abc import Callable

from fastapi import Request, Response
from fastapi.responses import JSONResponse
from starlette.types import ASGIApp, Receive, Scope, Send

from cds.operation_outcome import Issue, outcome
from cds.web.dependencies import Service, Withheld
from cds.web.middleware.authentication import wants_page

_ALWAYS = ("/health/", "/admin/", "/metrics", "/static/")

WaitingPage = Callable[[Request, Withheld], Response]
"""Draws the page for a browser that has to wait, and says why."""


class Withholding:
    """ASGI middleware."""

    def __init__(self, app: ASGIApp, service: Service, waiting: WaitingPage) -> None:
        """Guard the routes of ``app`` while ``service`` withholds its content; who asks for a page is shown ``waiting``."""
        self._app, self._service, self._waiting = app, service, waiting

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Handle one connection."""
        why = self._service.withheld
        if why is None or scope["type"] != "http" or scope["path"].startswith(_ALWAYS):
            await self._app(scope, receive, send)
            return
        await self._told(Request(scope, receive), why)(scope, receive, send)

    def _told(self, request: Request, why: Withheld) -> Response:
        if wants_page(request):
            answer = self._waiting(request, why)
        else:
            answer = JSONResponse(outcome([Issue(None, f"{why}; nothing was decided", "transient")]), 503)
        answer.headers["Retry-After"] = "30"
        return answer
