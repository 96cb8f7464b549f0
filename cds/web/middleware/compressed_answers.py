"""Answers to hooks are sent as gzip to clients that ask for it (RFC 9110, 12.5.3)."""

from __future__ import annotations

from starlette.datastructures import Headers
from starlette.middleware.gzip import GZipMiddleware
from starlette.types import ASGIApp, Receive, Scope, Send

from cds.web.accept_headers import accepts_gzip

_ACCEPTED = b"accept-encoding"
_HOOKS = "/cds-services/"
_SMALLEST_BYTES = 2_048
_LEVEL = 4
"""Of 9: the answer is some per cent longer than at the highest level, for half of the work."""


class CompressedAnswers:
    """ASGI middleware for the routes of hooks. Pages see to theirs themselves, and no other answer is long and asked for often."""

    def __init__(self, app: ASGIApp) -> None:
        """Compress what ``app`` answers to hooks, where it is long."""
        self._app = app
        self._compressed = GZipMiddleware(app, minimum_size=_SMALLEST_BYTES, compresslevel=_LEVEL)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Handle one connection."""
        if scope["type"] != "http" or not scope["path"].startswith(_HOOKS):
            await self._app(scope, receive, send)
            return
        packed = accepts_gzip(", ".join(Headers(scope=scope).getlist("accept-encoding")))
        # The one below looks for the word alone, which stands in ``gzip;q=0`` too.
        others = [pair for pair in scope["headers"] if pair[0] != _ACCEPTED]
        scope["headers"] = [*others, (_ACCEPTED, b"gzip" if packed else b"identity")]
        await self._compressed(scope, receive, send)
