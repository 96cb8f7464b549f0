"""A limit on calls at the same time: the one too many is told to come back, and names the rule set like every answer."""

from __future__ import annotations

from fastapi.responses import JSONResponse
from starlette.types import ASGIApp, Receive, Scope, Send

from cds.observability.metrics import Metrics
from cds.operation_outcome import Issue, outcome
from cds.settings import LimitSettings

HEALTH = "/health/"


class Crowding:
    """ASGI middleware. Connections on which nothing is asked do not count: they must not shut others out.

    Health is always answered, so that a full house is not mistaken for a dead one and started anew.
    """

    def __init__(self, app: ASGIApp, settings: LimitSettings, metrics: Metrics) -> None:
        """Let so many calls into ``app`` at once as ``settings`` allow."""
        self._app, self._most, self._metrics = app, settings.concurrent_calls, metrics
        self._inside = 0

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Handle one connection."""
        if scope["type"] != "http" or scope["path"].startswith(HEALTH):
            await self._app(scope, receive, send)
        elif self._inside >= self._most:
            self._metrics.refused("crowded")
            scope.setdefault("state", {})["refused"] = "crowded"
            issue = Issue(None, "too many calls at the same time; nothing was read, send it again", "throttled")
            headers = {"Retry-After": "1", "Connection": "close"}
            await JSONResponse(outcome([issue]), 503, headers)(scope, receive, send)
        else:
            self._inside += 1
            try:
                await self._app(scope, receive, send)
            finally:
                self._inside -= 1
