"""Limits on a call: the length of its body, the time in which the body comes, and the time until it is answered."""

from __future__ import annotations

import asyncio

from fastapi.responses import JSONResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from cds.operation_outcome import Issue, outcome
from cds.settings import LimitSettings

ADMIN = "/admin/"
"""Where the routes for whoever runs the service begin."""


class _LimitExceeded(Exception):
    def __init__(self, status: int, code: str, message: str, **headers: str) -> None:
        self.answer = JSONResponse(outcome([Issue(None, message, code)]), status, headers)
        super().__init__(message)


class Limits:
    """ASGI middleware. The whole body is read before the application sees the call, so a slow sender holds no worker."""

    def __init__(self, app: ASGIApp, settings: LimitSettings) -> None:
        """Hold calls of ``app`` to ``settings``."""
        self._app, self._settings = app, settings

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Handle one connection."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        try:
            body = await self._body(scope, receive)
        except _LimitExceeded as refused:
            await refused.answer(scope, receive, send)
            return
        if body is not None:
            await self._answered_in_time(scope, body, receive, send)

    async def _body(self, scope: Scope, receive: Receive) -> bytes | None:
        """The body; None where the client left."""
        headers = {name.lower(): value for name, value in scope["headers"]}
        if headers.get(b"content-encoding", b"identity").lower() != b"identity":
            # A compressed body can unpack to a million times its length; EHRs send none.
            raise _LimitExceeded(415, "not-supported", "Content-Encoding: send the body uncompressed")
        stated = headers.get(b"content-length", b"0")
        most = self._settings.body_bytes
        if not stated.isdigit() or len(stated) > 15 or int(stated) > most:
            raise _LimitExceeded(413, "too-long", f"the body is longer than {most} bytes", connection="close")
        try:
            async with asyncio.timeout(self._settings.body_seconds):
                return await self._received(receive, most)
        except TimeoutError as error:
            seconds = self._settings.body_seconds
            raise _LimitExceeded(
                408, "timeout", f"the body did not come within {seconds:g} s", connection="close"
            ) from error

    @staticmethod
    async def _received(receive: Receive, most: int) -> bytes | None:
        parts, length = [], 0
        while True:
            message = await receive()
            if message["type"] == "http.disconnect":
                return None
            part: bytes = message.get("body", b"")
            length += len(part)
            if length > most:
                raise _LimitExceeded(413, "too-long", f"the body is longer than {most} bytes", connection="close")
            parts.append(part)
            if not message.get("more_body", False):
                return b"".join(parts)

    async def _answered_in_time(self, scope: Scope, body: bytes, receive: Receive, send: Send) -> None:
        started = handed_over = False

        async def from_memory() -> Message:
            nonlocal handed_over
            if handed_over:
                return await receive()
            handed_over = True
            return {"type": "http.request", "body": body, "more_body": False}

        async def noting(message: Message) -> None:
            nonlocal started
            started = True
            await send(message)

        # Whoever reloads waits until the new knowledge is proved; no clinician does.
        limit = None if scope["path"].startswith(ADMIN) else self._settings.answer_seconds
        try:
            async with asyncio.timeout(limit):
                await self._app(scope, from_memory, noting)
        except TimeoutError:
            if started:
                raise
            text = f"no answer within {self._settings.answer_seconds:g} s; nothing was decided"
            issue = Issue(None, text, "timeout")
            await JSONResponse(outcome([issue]), 503, {"Retry-After": "5"})(scope, receive, send)
