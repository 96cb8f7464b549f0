"""Limits on a call: the length of its body, the memory of all bodies, the time in which one comes, and that of the answer."""

from __future__ import annotations

import asyncio

from fastapi.responses import JSONResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from cds.operation_outcome import Issue, outcome
from cds.protocol.call_progress import CallProgress, current_progress
from cds.settings import LimitSettings
from cds.strict_json import SMALL_BYTES

ADMIN = "/admin/"
"""Where the routes for whoever runs the service begin."""


class _LimitExceeded(Exception):
    def __init__(self, status: int, code: str, message: str, **headers: str) -> None:
        self.answer = JSONResponse(outcome([Issue(None, message, code)]), status, headers)
        super().__init__(message)


class _Body:
    """A body as it comes."""

    def __init__(self, most: int) -> None:
        self._most = most
        self._parts: list[bytes] = []
        self._length = 0
        self.is_whole = False

    @property
    def held(self) -> int:
        """The bytes that count against the memory of all bodies: small ones do not, so that no flood shuts them out."""
        return self._length if self._length > SMALL_BYTES else 0

    def check_stated(self, length: bytes) -> None:
        """Refuse by what Content-Length says. Raises _LimitExceeded."""
        if not length.isdigit() or len(length) > 15 or int(length) > self._most:
            raise self._too_long()

    def take(self, message: Message) -> int:
        """Add a part; gives by how much ``held`` has grown. Raises _LimitExceeded."""
        before = self.held
        part: bytes = message.get("body", b"")
        if self._length + len(part) > self._most:
            raise self._too_long()
        self._parts.append(part)
        self._length += len(part)
        self.is_whole = not message.get("more_body", False)
        return self.held - before

    def content(self) -> bytes:
        """All of it; the parts are let go."""
        whole = b"".join(self._parts)
        self._parts.clear()
        return whole

    def _too_long(self) -> _LimitExceeded:
        return _LimitExceeded(413, "too-long", f"the body is longer than {self._most} bytes", connection="close")


class Limits:
    """ASGI middleware. The whole body is read before the application sees the call, so a slow sender holds no worker."""

    def __init__(self, app: ASGIApp, settings: LimitSettings) -> None:
        """Hold calls of ``app`` to ``settings``."""
        self._app, self._settings = app, settings
        self._held = 0
        """Bytes of the bodies that are not small, of all calls now."""

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Handle one connection."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        body = _Body(self._settings.body_bytes)
        try:
            await self._read(body, scope, receive)
            if body.is_whole:
                await self._answered_in_time(scope, body.content(), receive, send)
        except _LimitExceeded as refused:
            await refused.answer(scope, receive, send)
        finally:
            self._held -= body.held

    async def _read(self, body: _Body, scope: Scope, receive: Receive) -> None:
        """Fill ``body``; it stays incomplete where the client left."""
        headers = {name.lower(): value for name, value in scope["headers"]}
        if headers.get(b"content-encoding", b"identity").lower() != b"identity":
            # A compressed body can unpack to a million times its length; EHRs send none.
            raise _LimitExceeded(415, "not-supported", "Content-Encoding: send the body uncompressed")
        body.check_stated(headers.get(b"content-length", b"0"))
        seconds = self._settings.body_seconds
        try:
            async with asyncio.timeout(seconds):
                while not body.is_whole:
                    message = await receive()
                    if message["type"] == "http.disconnect":
                        return
                    self._held += body.take(message)
                    self._check_memory(body)
        except TimeoutError as error:
            text = f"the body did not come within {seconds:g} s"
            raise _LimitExceeded(408, "timeout", text, connection="close") from error

    def _check_memory(self, body: _Body) -> None:
        if body.held and self._held > self._settings.bodies_bytes:
            text = "too many long bodies at the same time; nothing was read, send it again"
            raise _LimitExceeded(503, "throttled", text, **{"retry-after": "2", "connection": "close"})

    async def _answered_in_time(self, scope: Scope, body: bytes, receive: Receive, send: Send) -> None:
        handed_over = begun = answered = given_up = False
        leaving: asyncio.Task[Message] | None = None

        def watched() -> asyncio.Task[Message]:
            nonlocal leaving
            leaving = leaving or asyncio.ensure_future(_left(receive))
            return leaving

        async def from_memory() -> Message:
            nonlocal handed_over
            if handed_over:
                return await asyncio.shield(watched())
            handed_over = True
            return {"type": "http.request", "body": body, "more_body": False}

        async def unless_given_up(message: Message) -> None:
            nonlocal begun, answered
            begun = True
            answered = message["type"] == "http.response.body" and not message.get("more_body", False)
            if not given_up:
                await send(message)

        progress = CallProgress()
        before = current_progress.set(progress)
        work = asyncio.ensure_future(self._app(scope, from_memory, unless_given_up))
        current_progress.reset(before)
        # Whoever reloads waits until the new knowledge is proved; no clinician does.
        limit = None if scope["path"].startswith(ADMIN) else self._settings.answer_seconds
        try:
            # Whatever waits for nothing is done by then: nobody need watch whether its client leaves.
            await asyncio.sleep(0)
            if not work.done():
                await asyncio.wait({work, watched()}, timeout=limit, return_when=asyncio.FIRST_COMPLETED)
            if not work.done() and not answered and progress.give_up():
                given_up = True
                if not watched().done() and not begun:
                    await self._too_late()(scope, receive, send)
                work.cancel()
            # A call holds its place until its work has come to its end, or it would be done beside that of too many others.
            if not work.done():
                await asyncio.wait({work})
        finally:
            if leaving is not None:
                leaving.cancel()
            if not work.done():  # The service is stopping.
                progress.give_up()
                work.cancel()
        if not given_up:
            work.result()
        elif not work.cancelled():
            work.exception()  # Taken note of: nobody waits for it.

    def _too_late(self) -> JSONResponse:
        text = f"no answer within {self._settings.answer_seconds:g} s; nothing was decided, and nothing of the call is kept"
        return JSONResponse(outcome([Issue(None, text, "timeout")]), 503, {"Retry-After": "5"})


async def _left(receive: Receive) -> Message:
    """Ends when the client leaves, which is all that can come once the body is here."""
    while (message := await receive())["type"] != "http.disconnect":
        await asyncio.sleep(1)
    return message
