"""What happens to connections that wait in the queue of the socket when the server ends."""

import asyncio
import errno
import select
import socket
from typing import Any

import pytest
import uvicorn

from cds.bootstrap import http_server
from cds.bootstrap.http_server import HttpServer

CALL = b"GET / HTTP/1.1\r\nHost: here\r\nConnection: close\r\n\r\n"
CALLS = 5


async def application(scope: Any, receive: Any, send: Any) -> None:
    await send({"type": "http.response.start", "status": 204, "headers": []})
    await send({"type": "http.response.body", "body": b""})


async def ended_with_calls_in_the_queue(kind: type[uvicorn.Server], to_send: bytes) -> list[bytes]:
    """How calls are answered whose connections came after the event loop looked last before the end."""
    server = kind(uvicorn.Config(application, port=0, lifespan="off", log_config=None, loop="uvloop"))
    server.config.load()
    server.lifespan = server.config.lifespan_class(server.config)
    await server.startup()
    address = server.servers[0].sockets[0].getsockname()
    callers = [socket.create_connection(address) for _ in range(CALLS)]
    for caller in callers:
        caller.sendall(to_send)
    await server.shutdown()
    with pytest.raises(ConnectionRefusedError):
        socket.create_connection(address)
    said = []
    for caller in callers:
        with caller:
            try:
                said.append(caller.recv(1000)[:12])
            except ConnectionResetError:
                said.append(b"reset")
    return said


def run(kind: type[uvicorn.Server], to_send: bytes) -> list[bytes]:
    loop = uvicorn.Config(application, loop="uvloop").get_loop_factory()
    assert loop is not None
    with asyncio.Runner(loop_factory=loop) as runner:
        return runner.run(ended_with_calls_in_the_queue(kind, to_send))


def test_calls_that_wait_in_the_queue_at_the_end_are_answered() -> None:
    assert run(HttpServer, CALL) == [b"HTTP/1.1 204"] * CALLS


def test_uvicorn_alone_cuts_them_off() -> None:
    assert run(uvicorn.Server, CALL) == [b"reset"] * CALLS


def test_nobody_gets_in_after_the_last_look() -> None:
    """Whoever connects just then is not taken and cut off, but asks again (its SYN is dropped; RFC 9293, 3.8.1)."""
    with socket.create_server(("127.0.0.1", 0)) as queue, socket.socket() as caller:
        http_server._let_nobody_in(queue)
        caller.setblocking(False)
        assert caller.connect_ex(queue.getsockname()) == errno.EINPROGRESS
        assert select.select([], [caller], [], 0.2) == ([], [], [])
        queue.close()
        assert select.select([], [caller], [], 60) == ([], [caller], [])
        assert caller.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR) == errno.ECONNREFUSED


def test_who_has_begun_to_connect_gets_in() -> None:
    """A caller whose first segment was answered believes to be connected and sends its call: that handshake is ended.

    The answer is kept from it until the queue lets nobody in; the system then sends it again (RFC 6298, 2 and 5.7).
    """
    with socket.create_server(("127.0.0.1", 0)) as queue, socket.socket() as caller:
        http_server._attach(caller, [(0x06, 0, 0, 0)])  # Keep no byte.
        caller.setblocking(False)
        assert caller.connect_ex(queue.getsockname()) == errno.EINPROGRESS
        http_server._let_nobody_in(queue)
        caller.setsockopt(socket.SOL_SOCKET, http_server._SO_DETACH_FILTER, 0)
        queue.settimeout(60)
        taken, _ = queue.accept()
        with taken:
            assert select.select([], [caller], [], 60) == ([], [caller], [])
            caller.sendall(b"call")
            assert taken.recv(4) == b"call"


def test_a_connection_without_a_call_does_not_hold_up_the_end() -> None:
    assert run(HttpServer, b"") == [b""] * CALLS
