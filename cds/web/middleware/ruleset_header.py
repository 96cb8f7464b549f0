"""Every response names the rule set in use: a header with name, version and hash."""

from __future__ import annotations

from starlette.types import ASGIApp, Message, Receive, Scope, Send

from cds.web.dependencies import CONTENT, Service

HEADER = "Nuque-Ruleset"
_HEADER = HEADER.lower().encode()


class Stamp:
    """ASGI middleware that adds the header, and keeps the call to the content that it names."""

    def __init__(self, app: ASGIApp, service: Service) -> None:
        """Wrap ``app``, which answers for ``service``."""
        self._app, self._service = app, service

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Handle one connection."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        # Taken once: a swap of the content during the call must change neither what decides nor what the answer names.
        content = self._service.content
        scope.setdefault("state", {})[CONTENT] = content

        stamp = content.stamp.encode("latin-1")

        async def stamped(message: Message) -> None:
            if message["type"] == "http.response.start":
                message["headers"] = [*message.get("headers", ()), (_HEADER, stamp)]
            await send(message)

        await self._app(scope, receive, stamped)
