"""HTTP as it comes over the wire. Bytes that are not HTTP never become a call; the refusal names the rule set all the same."""

from __future__ import annotations

import json
from typing import Any

import h11
from uvicorn.protocols.http.h11_impl import H11Protocol

from cds.operation_outcome import Issue, outcome
from cds.web.dependencies import Service
from cds.web.middleware.ruleset_header import HEADER

MOST_HEAD_BYTES = 16_384
"""So much of a request line with headers is kept while its end has not come."""


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

    class Wire(H11Protocol):
        def __init__(self, *given: Any, **named: Any) -> None:
            """As the server's own, with a stricter reader."""
            super().__init__(*given, **named)
            self.conn = _OneLength(h11.SERVER, MOST_HEAD_BYTES)

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
