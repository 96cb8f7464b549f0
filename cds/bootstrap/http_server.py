"""The server of one process: it says when it listens, and at its end answers every call that had come until then."""

from __future__ import annotations

import asyncio
import ctypes
import os
import socket
import struct
import sys
import time
from collections.abc import Callable
from contextlib import suppress
from typing import Any

import uvicorn

_MOST_READING_SECONDS = 1.0
"""So long is waited for the first call on connections that were opened just before."""
_BETWEEN_LOOKS_SECONDS = 0.05
_SO_ATTACH_FILTER, _SO_DETACH_FILTER = 26, 27
"""asm-generic/socket.h; Python has no names for them."""


class HttpServer(uvicorn.Server):
    """uvicorn's, which at its end would close its sockets with connections in their queues: those calls were sent and cut off."""

    def __init__(self, config: uvicorn.Config, on_listening: Callable[[], None] = lambda: None) -> None:
        """Call ``on_listening`` when calls are taken."""
        super().__init__(config)
        self._on_listening = on_listening

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        """As uvicorn does, and say so."""
        for one in sockets or ():
            _let_in(one)
        await super().startup(sockets)
        self._on_listening()

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        """Take the connections that wait, so that what was sent on them is answered; then as uvicorn does."""
        queues = [socket.socket(fileno=os.dup(one.fileno())) for server in self.servers for one in server.sockets or ()]
        for server in self.servers:
            server.close()
        for one in sockets or ():
            one.close()
        # The event loop closes its own in its next turn; from then on nobody else takes connections from the queues.
        await asyncio.sleep(0)
        await asyncio.sleep(0)
        for connection in [each for queue in queues for each in _rest_of(queue)]:
            await asyncio.get_running_loop().connect_accepted_socket(self._protocol, connection)
        await self._until_read()
        await super().shutdown()

    async def _until_read(self) -> None:
        """Wait until each connection has carried a call or begun one; uvicorn would close those that have not."""
        give_up = time.monotonic() + _MOST_READING_SECONDS
        while time.monotonic() < give_up:
            await asyncio.sleep(_BETWEEN_LOOKS_SECONDS)
            if all(getattr(one, "cycle", None) is not None for one in self.server_state.connections):
                return

    def _protocol(self) -> asyncio.Protocol:
        kind: Any = self.config.http_protocol_class  # A name or a class, for uvicorn; here always a class.
        made = kind(config=self.config, server_state=self.server_state, app_state=self.lifespan.state)
        assert isinstance(made, asyncio.Protocol)
        return made


def _rest_of(queue: socket.socket) -> list[socket.socket]:
    """All connections that wait; then the queue is closed, and whoever comes is refused."""
    queue.setblocking(False)
    taken = []
    with queue:
        _let_nobody_in(queue)
        while True:
            try:
                taken.append(queue.accept()[0])
            except BlockingIOError:
                return taken


def _let_in(one: socket.socket) -> None:
    """Undo what another server that ended on this socket has done."""
    with suppress(OSError):  # Nothing was done.
        one.setsockopt(socket.SOL_SOCKET, _SO_DETACH_FILTER, 0)


def _let_nobody_in(queue: socket.socket) -> None:
    """From now on what comes for ``queue`` is dropped: who wants to connect asks again a second later, and is refused then.

    Otherwise some would get in between the last look and the end, and be cut off. Linux alone has this (socket(7)).
    """
    if sys.platform != "linux":
        return
    # One instruction of the packet filter, "return 0 bytes" (BPF_RET | BPF_K), behind its count and address.
    program = ctypes.create_string_buffer(struct.pack("HBBI", 0x06, 0, 0, 0))
    with suppress(OSError):  # Not every sandbox has it.
        queue.setsockopt(socket.SOL_SOCKET, _SO_ATTACH_FILTER, struct.pack("HP", 1, ctypes.addressof(program)))
