"""Every response names the rule set in use: a header with name, version and hash."""

from __future__ import annotations

from starlette.datastructures import MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

HEADER = "Nuque-Ruleset"


class Stamp:
    """ASGI middleware that adds the header."""

    def __init__(self, app: ASGIApp) -> None:
        """Wrap ``app``."""
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Handle one connection."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        # Taken before the call: a swap of the content during it must not change what the answer names.
        stamp = scope["app"].state.service.content.stamp

        async def stamped(message: Message) -> None:
            if message["type"] == "http.response.start":
                MutableHeaders(scope=message)[HEADER] = stamp
            await send(message)

        await self._app(scope, receive, stamped)
