"""The event loop gets its turn while other threads are busy."""

import asyncio
import socket
import sys
import threading

import pytest

from cds.bootstrap import server
from cds.settings import Settings

BUSY = 8
WORK = 4000


async def turns_of_the_loop() -> int:
    """How often bytes go out and come in again while busy threads do a fixed amount of work."""
    here, there = socket.socketpair()
    reader, writer = await asyncio.open_connection(sock=here)
    echo_reader, echo_writer = await asyncio.open_connection(sock=there)
    done = 0

    def work() -> None:
        nonlocal done
        while done < WORK:
            sum(number * number for number in range(2000))
            done += 1

    threads = [threading.Thread(target=work) for _ in range(BUSY)]
    for thread in threads:
        thread.start()
    turns = 0
    while done < WORK:
        writer.write(b"x")
        echo_writer.write(await echo_reader.readexactly(1))
        await reader.readexactly(1)
        turns += 1
    for thread in threads:
        thread.join()
    for each in (writer, echo_writer):
        each.close()
        await each.wait_closed()
    return turns


@pytest.mark.slow
def test_the_loop_gets_more_turns_beside_busy_threads_than_python_gives_it() -> None:
    before = sys.getswitchinterval()
    try:
        given = [asyncio.run(turns_of_the_loop()) for _ in range(3)]
        sys.setswitchinterval(server.TURN_SECONDS)
        taken = [asyncio.run(turns_of_the_loop()) for _ in range(3)]
    finally:
        sys.setswitchinterval(before)
    assert sum(taken) > 2 * sum(given) > 0


def test_a_service_is_served_with_these_turns(monkeypatch: pytest.MonkeyPatch) -> None:
    before, seen = sys.getswitchinterval(), []

    def run(self: server.HttpServer) -> None:
        seen.append(sys.getswitchinterval())
        self.started = True

    monkeypatch.setattr(server.HttpServer, "run", run)
    try:
        server.serve(Settings(port=0))
    finally:
        sys.setswitchinterval(before)
    assert seen == [pytest.approx(server.TURN_SECONDS)]
