"""HTTP as it comes over the wire. Bytes that are not HTTP never become a call; the refusal names the rule set all the same.

The parser (llhttp, in C) refuses what RFC 9112 forbids: two lengths, a length that is none, white space around names, lines
that end in LF alone. What it leaves to its user is refused here: no Host or two of them, a head without end, another version,
a transfer coding beside chunked.

A connection on which no call is in progress is closed after a while, and sooner where so many wait that files run out.
"""

from __future__ import annotations

import asyncio
import json
import resource
from collections import OrderedDict
from typing import Any

import httptools
from uvicorn.protocols.http.httptools_impl import HttpToolsProtocol

from cds.operation_outcome import Issue, outcome
from cds.web.dependencies import Service
from cds.web.middleware.ruleset_header import HEADER

MOST_HEAD_BYTES = 16_384
"""So long may a request line with headers be, and so much is read between two parts of a body."""

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


def _body(words: str, code: str) -> bytes:
    return json.dumps(outcome([Issue(None, words, code)])).encode()


_NOT_HTTP = (
    "400 Bad Request",
    _body("this is not an HTTP request, or its headers do not end, or state its length twice", "structure"),
)
_UNKNOWN_CODING = (
    "501 Not Implemented",
    _body("the body is in a transfer coding that is not known here; send it plain or chunked", "not-supported"),
)
"""Status and body of each refusal."""


def protocol_for(service: Service) -> type[HttpToolsProtocol]:
    """The server's protocol, whose own refusal names the rule set of ``service`` too."""
    waiting = _Waiting()

    class Wire(_StrictProtocol):
        def refusal(self) -> bytes:
            """The answer to bytes that are not HTTP, or to a call whose transfer coding is not known (RFC 9112, 6.1)."""
            status, body = _UNKNOWN_CODING if self.unknown_coding else _NOT_HTTP
            lines = [
                f"HTTP/1.1 {status}",
                "Content-Type: application/json",
                f"Content-Length: {len(body)}",
                "Connection: close",
                f"{HEADER}: {service.content.stamp}",
            ]
            return "\r\n".join([*lines, "", ""]).encode("latin-1") + body

    Wire.waiting = waiting
    return Wire


class _StrictProtocol(HttpToolsProtocol):
    """The server's own, with what the parser does not refuse, and with its time and room for headers limited."""

    waiting: _Waiting

    def __init__(self, *given: Any, **named: Any) -> None:
        super().__init__(*given, **named)
        self._unread = 0
        """Bytes that came since the last piece of a message that was read to its end."""
        self._in_head = False
        self._unparsed: int | None = None
        """Bytes of a body that the parser leaves to us, where a call offers to change the protocol."""
        self.unknown_coding = False
        """Whether the call is refused because nobody here undoes what its body went through on the way."""

    def refusal(self) -> bytes:
        raise NotImplementedError

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        super().connection_made(transport)
        self._note_whether_idle()

    def data_received(self, data: bytes) -> None:
        """Something has come; the first bytes of a call start the time for its headers."""
        self._note_whether_idle()
        self._unset_keepalive_if_required()
        self._unread += len(data)
        try:
            if self._unparsed is None:
                self.parser.feed_data(data)
            else:
                self._take_unparsed(data)
        except httptools.HttpParserUpgrade as offered:
            self._take_unparsed(data[offered.args[0] :])
        except httptools.HttpParserError:
            self.send_400_response("not HTTP")
        # Also within a body: what stands between its pieces, and after the last, has no length of its own.
        if self._unread > MOST_HEAD_BYTES and not self.transport.is_closing():
            self.send_400_response("too long")
        self._note_whether_idle()

    def _take_unparsed(self, data: bytes) -> None:
        """Nobody here speaks another protocol: the call is answered, and what follows its body is not read."""
        if self._unparsed:
            part = data[: self._unparsed]
            self._unparsed -= len(part)
            self.on_body(part)
        self._unread = 0
        if not self._unparsed:
            super().on_message_complete()

    def on_message_begin(self) -> None:
        super().on_message_begin()
        self._in_head = True

    def on_header(self, name: bytes, value: bytes) -> None:
        # After the head this is a trailer, which no route wants and which must not pass for a header.
        if self._in_head:
            super().on_header(name, value)

    def on_headers_complete(self) -> None:
        self._in_head = False
        self._unread = 0
        hosts = sum(name == b"host" for name, _ in self.headers)
        version = self.parser.get_http_version()
        length = len(self.url) + sum(len(name) + len(value) for name, value in self.headers)
        if version not in ("1.0", "1.1") or hosts > 1 or (version == "1.1" and not hosts) or length > MOST_HEAD_BYTES:
            raise httptools.HttpParserError("no head of a call")
        lines = [value for name, value in self.headers if name == b"transfer-encoding"]
        codings = [coding.strip().lower() for line in lines for coding in line.split(b",")]
        if codings and (len(lines) > 1 or codings != [b"chunked"]):
            # A coding that nobody undoes: the body would be read as if it were plain.
            self.unknown_coding = codings[-1] == b"chunked" and b"chunked" not in codings[:-1]
            raise httptools.HttpParserError("a transfer coding that is not known here")
        if self.parser.should_upgrade():
            self._unparsed = self._stated_length()
        super().on_headers_complete()
        self.cycle.keep_alive = self.cycle.keep_alive and self._unparsed is None

    def _stated_length(self) -> int:
        """Of the body that the parser will not read; it has checked what stands there. Raises HttpParserError."""
        headers = dict(self.headers)
        if b"transfer-encoding" in headers:
            raise httptools.HttpParserError("a body in pieces, and another protocol after it")
        return int(headers.get(b"content-length", b"0"))

    def on_body(self, body: bytes) -> None:
        self._unread = 0
        super().on_body(body)

    def on_message_complete(self) -> None:
        self._unread = 0
        if self._unparsed is None:
            super().on_message_complete()

    def on_response_complete(self) -> None:
        """An answer has gone out; the next call may have begun already."""
        super().on_response_complete()
        self._note_whether_idle()

    def connection_lost(self, exc: Exception | None) -> None:
        self.waiting.remove(self.transport)
        super().connection_lost(exc)

    def _note_whether_idle(self) -> None:
        if self.transport.is_closing() or (self.cycle is not None and not self.cycle.response_complete):
            self.waiting.remove(self.transport)
        else:
            self.waiting.add(self.transport, self.loop)

    def send_400_response(self, msg: str) -> None:
        """Called in place of the application where bytes are not HTTP."""
        cycle = self.cycle
        if cycle is not None and not cycle.response_complete and not cycle.more_body:
            # It came behind a whole call, whose answer is still due and is the last.
            cycle.keep_alive = False
            self.transport.pause_reading()
            return
        # After an answer has begun, or before one that is still due, another would be a lie; the connection just ends.
        if not self.pipeline and (cycle is None or cycle.response_complete or not cycle.response_started):
            self.transport.write(self.refusal())
        self.transport.close()
