"""Answers to hooks are sent as gzip to clients that ask for it (RFC 9110, 12.5.3)."""

from __future__ import annotations

from starlette.middleware.gzip import GZipMiddleware
from starlette.types import ASGIApp, Receive, Scope, Send

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
        is_hook = scope["type"] == "http" and scope["path"].startswith(_HOOKS)
        await (self._compressed if is_hook else self._app)(scope, receive, send)
