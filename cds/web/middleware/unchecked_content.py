"""Nothing is decided by content that has not passed the gate: until then every call but health and reload is told to come again."""

from __future__ import annotations

from fastapi.responses import JSONResponse
from starlette.types import ASGIApp, Receive, Scope, Send

from cds.operation_outcome import Issue, outcome
from cds.web.dependencies import Service

_ALWAYS = ("/health/", "/admin/", "/metrics")


class Withholding:
    """ASGI middleware."""

    def __init__(self, app: ASGIApp, service: Service) -> None:
        """Guard the routes of ``app`` while ``service`` withholds its content."""
        self._app, self._service = app, service

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Handle one connection."""
        why = self._service.withheld
        if why is None or scope["type"] != "http" or scope["path"].startswith(_ALWAYS):
            await self._app(scope, receive, send)
            return
        issue = Issue(None, f"{why}; nothing was decided", "transient")
        await JSONResponse(outcome([issue]), 503, {"Retry-After": "30"})(scope, receive, send)
