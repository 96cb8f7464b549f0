"""HTTP as it comes over the wire. Bytes that are not HTTP never become a call; the refusal names the rule set all the same.

A connection on which no call is in progress is closed after a while, and sooner where so many wait that files run out.
"""

from __future__ import annotations

import asyncio
import json
import resource
from collections import OrderedDict
from typing import Any

import h11
from uvicorn.protocols.http.h11_impl import H11Protocol

from cds.operation_outcome import Issue, outcome
from cds.web.dependencies import Service
from cds.web.middleware.ruleset_header import HEADER

MOST_HEAD_BYTES = 16_384
"""So much of a request line with headers is kept while its end has not come."""

MOST_HEAD_SECONDS = 10.0
"""So long may pass until the headers of a call are there, from the start of the connection or the first byte after an answer."""


class _Waiting:
    """Connections on which no call is in progress, oldest first. The longest idle make room for new ones."""

    def __init__(self) -> None:
        self._timers: OrderedDict[asyncio.Transport, asyncio.TimerHandle] = OrderedDict()

    def add(self, transport: asyncio.Transport, loop: asyncio.AbstractEventLoop) -> None:
        """Wait for headers on ``transport``, if that is not done already."""
        if transport in self._timers:
            return
        files, _ = resource.getrlimit(resource.RLIMIT_NOFILE)
        while len(self._timers) >= max(1, files // 2):
            oldest = next(iter(self._timers))
            self.remove(oldest)
            oldest.abort()
        self._timers[transport] = loop.call_later(MOST_HEAD_SECONDS, transport.abort)

    def remove(self, transport: asyncio.Transport) -> None:
        """A call has begun on ``transport``, or it is closed."""
        timer = self._timers.pop(transport, None)
        if timer is not None:
            timer.cancel()


class _OneLength(h11.Connection):
    """Refuses a request that states its length twice: a proxy in front may take the other one (RFC 9112, section 6.3)."""

    def next_event(self) -> Any:
        event = super().next_event()
        if isinstance(event, h11.Request):
            names = {name for name, _ in event.headers}
            if {b"content-length", b"transfer-encoding"} <= names:
                raise h11.RemoteProtocolError("both Content-Length and Transfer-Encoding")
        return event


_REFUSAL = json.dumps(
    outcome(
        [Issue(None, "this is not an HTTP request, or its headers do not end, or state its length twice", "structure")]
    )
).encode()


def protocol_for(service: Service) -> type[H11Protocol]:
    """The server's protocol, whose own refusal names the rule set of ``service`` too."""
    waiting = _Waiting()

    class Wire(H11Protocol):
        def __init__(self, *given: Any, **named: Any) -> None:
            """As the server's own, with a stricter reader."""
            super().__init__(*given, **named)
            self.conn = _OneLength(h11.SERVER, MOST_HEAD_BYTES)

        def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
            """A connection begins."""
            super().connection_made(transport)
            self._note_whether_idle()

        def data_received(self, data: bytes) -> None:
            """Something has come; the first bytes of a call start the time for its headers."""
            self._note_whether_idle()
            super().data_received(data)
            self._note_whether_idle()

        def on_response_complete(self) -> None:
            """An answer has gone out; the next call may have begun already."""
            super().on_response_complete()
            self._note_whether_idle()

        def connection_lost(self, exc: Exception | None) -> None:
            """The connection has ended."""
            waiting.remove(self.transport)
            super().connection_lost(exc)

        def _note_whether_idle(self) -> None:
            if self.transport.is_closing() or (self.cycle is not None and not self.cycle.response_complete):
                waiting.remove(self.transport)
            else:
                waiting.add(self.transport, self.loop)

        def send_400_response(self, msg: str) -> None:
            """Called by the server in place of the application."""
            # After an answer has begun another would be a lie; the connection just ends.
            if self.conn.our_state in (h11.IDLE, h11.SEND_RESPONSE):
                headers = {
                    "Content-Type": "application/json",
                    "Content-Length": str(len(_REFUSAL)),
                    "Connection": "close",
                    HEADER: service.content.stamp,
                }
                answer = h11.Response(status_code=400, headers=list(headers.items()), reason=b"Bad Request")
                for event in (answer, h11.Data(data=_REFUSAL), h11.EndOfMessage()):
                    self.transport.write(self.conn.send(event) or b"")
            self.transport.close()

    return Wire
