"""HEAD is answered wherever GET is (RFC 9110, 9.3.2): the same status and headers, no body."""

from __future__ import annotations

from starlette.types import ASGIApp, Message, Receive, Scope, Send


class HeadRequests:
    """ASGI middleware that has the routes answer a HEAD as the GET that it stands for."""

    def __init__(self, app: ASGIApp) -> None:
        """Wrap ``app``, which knows GET alone."""
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Handle one connection."""
        if scope["type"] != "http" or scope["method"] != "HEAD":
            await self._app(scope, receive, send)
            return

        async def without_body(message: Message) -> None:
            await send({**message, "body": b""} if message["type"] == "http.response.body" else message)

        await self._app({**scope, "method": "GET"}, receive, without_body)
