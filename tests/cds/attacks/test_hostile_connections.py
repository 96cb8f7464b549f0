"""Connections on which nothing, or half of a call, is sent: closed by the running service before they shut others out."""

import os
import resource
import socket
import time
from collections.abc import Iterator
from contextlib import ExitStack
from urllib.parse import urlsplit

import httpx
import pytest

from tests.cds.live_service import PATIENCE_SECONDS, LiveService, running

HALF = b"POST /decisions HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Le"
WHOLE = b"GET /health/live HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n"

LITTLE = {"nothing": b"", "half": HALF, "idle after": WHOLE, "half after": WHOLE + HALF}


@pytest.fixture(scope="module")
def live(store_url: str) -> Iterator[LiveService]:
    with running() as started:
        yield started


def connected(url: str, opened: ExitStack, timeout: float = 60) -> socket.socket:
    address = urlsplit(url)
    return opened.enter_context(socket.create_connection((address.hostname, address.port), timeout=timeout))


def ends_within(connection: socket.socket, seconds: float) -> bool:
    connection.settimeout(seconds)
    try:
        while connection.recv(65_536):
            pass
    except ConnectionResetError:
        return True
    except TimeoutError:
        return False
    return True


@pytest.mark.parametrize("sent", LITTLE.values(), ids=LITTLE)
def test_a_connection_without_a_call_is_closed_in_bounded_time(live: LiveService, sent: bytes) -> None:
    with ExitStack() as opened:
        connection = connected(live.url, opened)
        connection.sendall(sent)
        assert ends_within(connection, 40)


def test_a_call_that_takes_longer_than_headers_may_is_not_cut_off(live: LiveService) -> None:
    body = b'{"facts": {"age_years": 40}}'
    head = (
        b"POST /decisions HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Type: application/json\r\nContent-Length: 28\r\n\r\n"
    )
    with ExitStack() as opened:
        connection = connected(live.url, opened)
        connection.sendall(head + body[:5])
        time.sleep(5)
        connection.sendall(body[5:])
        assert connection.recv(12) == b"HTTP/1.1 200"


def test_more_idle_connections_than_files_shut_nobody_out(live: LiveService) -> None:
    in_use = len(os.listdir(f"/proc/{live.process.pid}/fd"))
    _, most = resource.prlimit(live.process.pid, resource.RLIMIT_NOFILE)
    resource.prlimit(live.process.pid, resource.RLIMIT_NOFILE, (in_use * 2 + 60, most))
    try:
        with ExitStack() as opened:
            for _ in range(in_use * 2 + 200):
                connected(live.url, opened).sendall(HALF)
            assert httpx.get(f"{live.url}/health/live", timeout=PATIENCE_SECONDS).status_code == 200
    finally:
        resource.prlimit(live.process.pid, resource.RLIMIT_NOFILE, (most, most))


def test_where_no_file_is_left_the_log_stays_quiet_and_the_service_comes_back(live: LiveService) -> None:
    in_use = len(os.listdir(f"/proc/{live.process.pid}/fd"))
    _, most = resource.prlimit(live.process.pid, resource.RLIMIT_NOFILE)
    began, said_before = time.monotonic(), len(live.said)
    resource.prlimit(live.process.pid, resource.RLIMIT_NOFILE, (in_use + 5, most))
    try:
        with ExitStack() as opened:
            refused = 0
            for _ in range(200):
                connection = connected(live.url, opened, timeout=1)
                try:
                    connection.sendall(HALF)
                    refused += connection.recv(1) == b""
                except TimeoutError:
                    continue  # It is among the five that are let in, and waits.
                except OSError:
                    refused += 1
            assert refused > 100
    finally:
        resource.prlimit(live.process.pid, resource.RLIMIT_NOFILE, (most, most))
    assert httpx.get(f"{live.url}/health/live", timeout=PATIENCE_SECONDS).status_code == 200
    said = [line for line in live.said[said_before:] if "/health/live" not in line]
    assert len(said) <= time.monotonic() - began + 1
