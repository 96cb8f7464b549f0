"""The server of one process: it says when it listens, and at its end answers every call that had come until then."""

from __future__ import annotations

import asyncio
import ctypes
import os
import socket
import struct
import sys
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from typing import Any

import uvicorn

_MOST_READING_SECONDS = 1.0
"""So long is waited for the first call on connections that were opened just before."""
_BETWEEN_LOOKS_SECONDS = 0.05
_HANDSHAKE_SECONDS = 0.2
"""So long is waited for connections that are half made; the way to a caller and back takes less."""
_SO_ATTACH_FILTER, _SO_DETACH_FILTER = 26, 27
"""asm-generic/socket.h; Python has no names for them."""
_DROP_FIRST_SEGMENTS = (
    (0x30, 0, 0, 13),  # BPF_LD | BPF_B | BPF_ABS: the flags of the TCP header
    (0x54, 0, 0, 0x12),  # BPF_ALU | BPF_AND | BPF_K: SYN and ACK of them
    (0x15, 0, 1, 0x02),  # BPF_JMP | BPF_JEQ | BPF_K: SYN alone
    (0x06, 0, 0, 0),  # BPF_RET | BPF_K: keep no byte of it
    (0x06, 0, 0, 0xFFFFFFFF),  # BPF_RET | BPF_K: keep all
)
"""A program of the packet filter (linux/bpf_common.h): code, jumps if true and if false, operand."""


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
        for queue in queues:
            _let_nobody_in(queue)
        await asyncio.sleep(_HANDSHAKE_SECONDS)
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
    """From now on nobody begins to connect to ``queue``: who wants to asks again a second later, and is refused then.

    Otherwise some would get in between the last look and the end, and be cut off. Only the first segment of a connection is
    dropped (SYN without ACK; RFC 9293, 3.5): a caller who has been answered by the system believes to be connected, and the rest
    of that handshake has to arrive. Linux alone has this (socket(7)).
    """
    if sys.platform != "linux":
        return
    with suppress(OSError):  # Not every sandbox has it.
        _attach(queue, _DROP_FIRST_SEGMENTS)


def _attach(one: socket.socket, program: Sequence[tuple[int, int, int, int]]) -> None:
    """Let ``program`` of the packet filter decide what ``one`` receives. Raises OSError."""
    kept = ctypes.create_string_buffer(b"".join(struct.pack("HBBI", *instruction) for instruction in program))
    one.setsockopt(socket.SOL_SOCKET, _SO_ATTACH_FILTER, struct.pack("HP", len(program), ctypes.addressof(kept)))
